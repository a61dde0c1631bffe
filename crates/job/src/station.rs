//! A chip command's place in a profile job: which chip, which step, and what the profile says of both.
//!
//! The procedure says what may be done; this asks it before anything is driven. Reading commands (identify, capture,
//! verify) may be repeated on a chip whose contacts are on. Writing ones need an open step of their kind; a hold point
//! on it is signed with `--signed NAME`, and what the step is to write is compared before the first wire moves.

use image::pin::Pin;
use nor::supply::SupplyRange;
use serde_json::{Value, json};
use vault::{Digest, Journal};

use crate::error::JobError;
use crate::jobs::Work;
use crate::procedure::{Reason, State};
use crate::profile::{Content, PoweredBy, ProtectionAfter, Span, Step, StepKind};
use crate::session::now;

/// What a chip command works on in a profile job.
#[derive(Debug, Clone)]
pub(crate) struct Station {
    /// The chip's id in the profile.
    pub chip: String,
    /// The step, when one of the command's kind is open.
    pub step: Option<String>,
    /// What the profile says the chip bears.
    pub bears: SupplyRange,
    /// Whether the link feeds it.
    pub fed_by_link: bool,
    /// Bytes, by the profile.
    pub size: u32,
    /// Markings seen on it.
    pub markings: Vec<String>,
    /// How its protection is left.
    pub protection_after: ProtectionAfter,
    /// What the step is to write.
    pub wanted: Wanted,
    /// The image that the chip holds together with others.
    pub span: Option<SpanPlace>,
}

/// A chip's place in a span: one image over several chips.
#[derive(Debug, Clone)]
pub(crate) struct SpanPlace {
    /// Bytes of each of its chips, in order.
    pub sizes: Vec<u32>,
    /// Which of them this chip is, from 0.
    pub index: usize,
}

/// What a writing step is to write.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) enum Wanted {
    /// Whatever the command names.
    Anything,
    /// One byte value.
    Fill(u8),
    /// This content.
    Content(Digest),
    /// A file with this SHA-256.
    Sha256(String),
    /// This chip's part of a file over the whole span, which has this SHA-256.
    PartOf(String),
}

/// The kind of step that a chip command's verb does; none for a verb that is no chip command.
fn kind_of(verb: &str) -> Option<StepKind> {
    Some(match verb {
        "chip identify" => StepKind::Identify,
        "chip capture" => StepKind::Capture,
        "chip fill" => StepKind::Fill,
        "chip apply" | "chip restore" => StepKind::Apply,
        "chip verify" => StepKind::Verify,
        _ => return None,
    })
}

impl Station {
    /// Finds the place of a command in a profile job, and signs its hold point when a name is given.
    ///
    /// # Errors
    /// [`JobError::WrongJob`] with every reason against it; [`JobError::Vault`].
    pub(crate) fn find(work: &Work, verb: &str, signed: Option<&str>, journal: &mut Journal) -> Result<Self, JobError> {
        let state = work.state();
        let no = |why: String| JobError::WrongJob { job: work.job.to_string(), why };
        let kind = kind_of(verb).ok_or_else(|| no(format!("`{verb}` is no work on a chip")))?;
        let wired = state.wired();
        let chip = match wired.as_slice() {
            [chip] => (*chip).to_owned(),
            [] => return Err(no("no chip's contacts are on; `firmhand job next` says what comes first".into())),
            several => return Err(no(format!("the contacts of several chips are on: {}", several.join(", ")))),
        };
        let step = open_step(work, &state, kind, &chip, signed, journal).map_err(no)?;
        let spec = work.profile.chip(&chip).expect("a wired chip is one of the profile");
        let wanted = step.map_or(Ok(Wanted::Anything), |step| wanted(work, step, &chip)).map_err(no)?;
        Ok(Self {
            step: step.map(|step| step.id.clone()),
            bears: spec.supply_v,
            fed_by_link: spec.powered_by == PoweredBy::Link,
            size: spec.size,
            markings: spec.markings.clone(),
            protection_after: spec.protection_after,
            wanted,
            span: work.profile.span_of(&chip).map(|span| SpanPlace::of(work, span, &chip)),
            chip,
        })
    }

    /// Adds what ties a journal entry to chip and step.
    pub(crate) fn tie(&self, body: &mut Value) {
        body["chip"] = json!(self.chip);
        body["step"] = json!(self.step);
    }

    /// Cuts this chip's part out of an image over the whole span; none when the image is for this chip alone.
    pub(crate) fn part<'i>(&self, image: &'i [u8]) -> Option<&'i [u8]> {
        let span = self.span.as_ref()?;
        image::span::split(image, &span.sizes).ok()?.get(span.index).copied()
    }

    /// Tells why these bytes are not what the step is to write. `whole` is the image over the whole span that they are cut out
    /// of, if they are.
    pub(crate) fn refuses(&self, bytes: &[u8], whole: Option<&[u8]>) -> Option<String> {
        let step = self.step.as_deref().unwrap_or_default();
        let other_file = |wanted: &str, bytes: &[u8]| {
            let sha256 = Pin::sha256(bytes).digits();
            (sha256 != *wanted)
                .then(|| format!("step `{step}` writes a file with the SHA-256 {wanted}, and this has {sha256}"))
        };
        match &self.wanted {
            Wanted::Anything => None,
            Wanted::Fill(byte) => {
                (!bytes.iter().all(|is| is == byte)).then(|| format!("step `{step}` fills with {byte:02X}"))
            }
            Wanted::Content(content) => (Digest::blake3(bytes) != *content)
                .then(|| format!("step `{step}` writes the content {}, and this is another", content.short())),
            Wanted::Sha256(wanted) => other_file(wanted, bytes),
            Wanted::PartOf(wanted) => match whole {
                Some(whole) => other_file(wanted, whole),
                None => {
                    Some(format!("step `{step}` writes this chip's part of an image over several: give the whole file"))
                }
            },
        }
    }
}

impl SpanPlace {
    fn of(work: &Work, span: &Span, chip: &str) -> Self {
        let size = |id: &String| work.profile.chip(id).map_or(0, |spec| spec.size);
        Self {
            sizes: span.chips.iter().map(size).collect(),
            index: span.chips.iter().position(|id| id == chip).expect("the chip's own span has it"),
        }
    }
}

/// The open step of this kind on this chip; none when a reading command is only repeated.
fn open_step<'w>(
    work: &'w Work,
    state: &State<'_>,
    kind: StepKind,
    chip: &str,
    signed: Option<&str>,
    journal: &mut Journal,
) -> Result<Option<&'w Step>, String> {
    let of_kind = |step: &&Step| step.kind == kind && work.profile.chips_of(step).contains(&chip);
    let steps: Vec<&Step> = work.profile.steps_of(work.header.kind).filter(of_kind).collect();
    if let Some(open) = steps.iter().find(|step| state.may_do(&step.id).is_ok()) {
        return Ok(Some(open));
    }
    let writes = matches!(kind, StepKind::Fill | StepKind::Apply);
    let mut against = Vec::new();
    for step in &steps {
        let Err(blocked) = state.may_do(&step.id) else { continue };
        // What a signature frees: the hold point of the step, and the gate that nobody could answer (S16).
        let is_hold = |reason: &Reason| matches!(reason, Reason::HoldNotSigned | Reason::FusedUnknown { .. });
        if blocked.reasons.iter().all(is_hold) {
            let Some(by) = signed else {
                against.push(format!("`{}` is a hold point: sign it with `--signed NAME`", step.id));
                continue;
            };
            for reason in &blocked.reasons {
                let (entry, body) = match reason {
                    Reason::FusedUnknown { gate } => ("gate", json!({ "id": gate, "answer": "signed", "by": by })),
                    _ => ("signed", json!({ "step": step.id, "by": by })),
                };
                journal.append(entry, body, &now()).map_err(|error| error.to_string())?;
            }
            return Ok(Some(step));
        }
        against.extend(blocked.reasons.iter().map(|reason| format!("`{}`: {reason}", step.id)));
    }
    if !writes {
        return Ok(None);
    }
    if steps.is_empty() {
        return Err(format!("its profile has no step of kind {} on {chip}", kind.as_str()));
    }
    Err(against.join("; "))
}

/// What a writing step is to write, as far as the profile pins it.
fn wanted(work: &Work, step: &Step, chip: &str) -> Result<Wanted, String> {
    if let Some(byte) = step.fill {
        return Ok(Wanted::Fill(byte));
    }
    Ok(match step.content {
        Some(Content::AsFound) => match work.header.earlier.iter().find(|earlier| earlier.chip == chip) {
            Some(earlier) => Wanted::Content(earlier.as_found),
            None => return Err(format!("the earlier job has no capture of {chip}")),
        },
        Some(Content::Variant) => match work.variant_sha256(chip) {
            Some((sha256, false)) => Wanted::Sha256(sha256),
            Some((sha256, true)) => Wanted::PartOf(sha256),
            None => Wanted::Anything,
        },
        Some(Content::Composed) => work.composed(chip).map_or(Wanted::Anything, Wanted::Content),
        None => Wanted::Anything,
    })
}
