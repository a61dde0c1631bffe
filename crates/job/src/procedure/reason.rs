//! Why a step may not be done now, with what would change that.

use std::fmt;

/// One reason; a step that may not be done has all that apply, not only the first.
#[derive(Debug, Clone, PartialEq, Eq)]
#[expect(missing_docs, reason = "the fields are named by the text of each variant")]
pub enum Reason {
    /// No step has this id.
    NoSuchStep,
    /// It is done already.
    AlreadyDone { by: String, when: String },
    /// It is no part of this kind of job.
    Skipped { why: &'static str },
    /// The job is closed.
    JobClosed,
    /// The machine was not taken in.
    IntakeMissing,
    /// S16: fused hardware; nothing overrides it.
    Fused,
    /// S16: nobody knows whether the hardware is fused, and nobody has signed for that.
    FusedUnknown { gate: String },
    /// A question on the machine that was not answered.
    GateOpen { gate: String },
    /// A question on the machine that was answered with no.
    GateNo { gate: String },
    /// A step that has to come before it.
    Needs { step: String },
    /// S7: sources of power that are not known to be off.
    SuppliesNotOff { supplies: Vec<String> },
    /// S13: contact with a chip that has to come off first.
    WireOpen { step: String },
    /// S13: the programmer was not seen to go.
    LinkNotGone,
    /// No contact with the chip.
    NotWired { chip: String },
    /// The chip's own source of power is off.
    NotFed { chip: String, step: String },
    /// S4: a source of power beside the one that feeds the chip.
    SecondSupply { chip: String, supplies: Vec<String> },
    /// S1: the chip has no accepted capture in this job.
    NoCapture { chip: String },
    /// One change at a time: no start with the new content was seen.
    FirstStart,
    /// A hold point that nobody signed.
    HoldNotSigned,
    /// S1: a start that may write chips without firmhand, and whose beginning nobody signed.
    NotBegun { no_way_back: Vec<String> },
    /// Sources of power that nobody gave by a step.
    SuppliesNotGiven { supplies: Vec<String> },
    /// The handover comes last.
    StepsLeft { steps: Vec<String> },
}

impl Reason {
    /// Returns the fixed word for it that JSON carries.
    #[must_use]
    pub fn code(&self) -> &'static str {
        match self {
            Self::NoSuchStep => "no-such-step",
            Self::AlreadyDone { .. } => "already-done",
            Self::Skipped { .. } => "skipped",
            Self::JobClosed => "job-closed",
            Self::IntakeMissing => "intake-missing",
            Self::Fused => "fused",
            Self::FusedUnknown { .. } => "fused-unknown",
            Self::GateOpen { .. } => "gate-open",
            Self::GateNo { .. } => "gate-no",
            Self::Needs { .. } => "needs",
            Self::SuppliesNotOff { .. } => "supplies-not-off",
            Self::WireOpen { .. } => "wire-open",
            Self::LinkNotGone => "link-not-gone",
            Self::NotWired { .. } => "not-wired",
            Self::NotFed { .. } => "not-fed",
            Self::SecondSupply { .. } => "second-supply",
            Self::NoCapture { .. } => "no-capture",
            Self::FirstStart => "first-start",
            Self::HoldNotSigned => "hold-not-signed",
            Self::NotBegun { .. } => "not-begun",
            Self::SuppliesNotGiven { .. } => "supplies-not-given",
            Self::StepsLeft { .. } => "steps-left",
        }
    }
}

impl fmt::Display for Reason {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::NoSuchStep => f.write_str("the job's profile has no step of this id"),
            Self::AlreadyDone { by, when } => write!(f, "it is done already, by {by} at {when}"),
            Self::Skipped { why } => write!(f, "it is no part of this job: {why}"),
            Self::JobClosed => f.write_str("the job is closed; its journal takes no more entries"),
            Self::IntakeMissing => f.write_str("the machine was not taken in"),
            Self::Fused => f.write_str(
                "this machine checks its firmware in hardware before it runs: other firmware would never start, and \
                 nothing overrides that",
            ),
            Self::FusedUnknown { gate } => write!(
                f,
                "nobody knows whether this machine checks its firmware in hardware; before the first write somebody has \
                 to sign `{gate}` for that"
            ),
            Self::GateOpen { gate } => write!(f, "the question `{gate}` on this machine was not answered"),
            Self::GateNo { gate } => write!(f, "the question `{gate}` was answered with no: the machine is not fit for this"),
            Self::Needs { step } => write!(f, "`{step}` comes first"),
            Self::SuppliesNotOff { supplies } => write!(
                f,
                "not known to be off since the last power-up: {}; sign their supplies-off step first",
                supplies.join(", ")
            ),
            Self::WireOpen { step } => {
                write!(f, "the contact of `{step}` is on; its unwire step comes first, or power meets the programmer")
            }
            Self::LinkNotGone => f.write_str(
                "the programmer was not seen to go; unplug it and let firmhand watch, for a contact goes on or comes off \
                 only while the programmer has no power",
            ),
            Self::NotWired { chip } => write!(f, "no contact with {chip}: its wire step is not done"),
            Self::NotFed { chip, step } => write!(f, "{chip} has no supply: `{step}` comes first"),
            Self::SecondSupply { chip, supplies } => write!(
                f,
                "exactly one source may feed {chip}, and these are not known to be off: {}",
                supplies.join(", ")
            ),
            Self::NoCapture { chip } => write!(f, "{chip} has no accepted capture in this job: there would be no way back"),
            Self::FirstStart => f.write_str(
                "one change at a time: the first start is on the old parts, and it was not seen since the last write",
            ),
            Self::HoldNotSigned => f.write_str("it is a hold point, and nobody has signed it"),
            Self::NotBegun { no_way_back } => {
                f.write_str("it may write chips without firmhand, and nobody has signed that it begins")?;
                match no_way_back.as_slice() {
                    [] => Ok(()),
                    chips => write!(f, "; no way back exists yet for {}", chips.join(", ")),
                }
            }
            Self::SuppliesNotGiven { supplies } => write!(
                f,
                "nobody has signed since the last supplies-off that these are there: {}; sign their supplies-on step first",
                supplies.join(", ")
            ),
            Self::StepsLeft { steps } => write!(f, "still to do: {}", steps.join(", ")),
        }
    }
}

/// A step that may not be done now.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("`{step}` cannot be done now: {}", list(reasons))]
pub struct Blocked {
    /// The step's id.
    pub step: String,
    /// Everything that stands against it; never empty.
    pub reasons: Vec<Reason>,
}

fn list(reasons: &[Reason]) -> String {
    reasons.iter().map(ToString::to_string).collect::<Vec<_>>().join("; ")
}
