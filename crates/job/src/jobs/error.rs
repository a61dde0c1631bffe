//! What can go wrong with a job command, beside what every command may meet.

use crate::error::ErrorKind;
use crate::procedure::Blocked;

/// Why a job command ended without its result.
#[derive(Debug, thiserror::Error)]
#[expect(missing_docs, reason = "the fields are named by the text of each variant")]
pub enum JobsError {
    /// The vault's copy of a profile is no text.
    #[error("the profile {name} that this job keeps is no text")]
    KeptProfile { name: String },
    /// No job was named, and none or several are open.
    #[error("{}", which(open))]
    WhichJob { open: Vec<String> },
    /// A question of the intake that nobody answered.
    #[error("the intake needs an answer, and there is nobody to ask: {question}")]
    Unanswered { id: String, question: String, choices: Vec<String> },
    /// An answer that fits no question.
    #[error("`--answer {given}`: {why}")]
    BadAnswer { given: String, why: String },
    /// The machine stops at intake.
    #[error("this machine stops at intake: {why}")]
    StopsAtIntake { why: String },
    /// A step that may not be done now.
    #[error("`{}` cannot be done now", blocked.step)]
    Blocked { blocked: Blocked },
    /// A job cannot end with a contact on.
    #[error("the machine cannot go back with a contact on")]
    ContactOn { blocked: Blocked },
    /// The programmer is still plugged in.
    #[error("the programmer `{link}` is plugged in, and a contact goes on or comes off only without its power")]
    LinkThere { link: String },
    /// A step that a signature does not close.
    #[error("`{step}` is not closed by a signature")]
    NotSigned { step: String, instead: String },
    /// A measured value that is missing or not good.
    #[error("`{step}`: {why}")]
    Measured { step: String, why: String },
    /// An option that does not belong to this kind of step.
    #[error("`{option}` does not belong to `{step}`, a {kind} step")]
    OptionForStep { option: &'static str, step: String, kind: &'static str },
    /// What a return should bring back is not there.
    #[error("job {of} cannot be taken back: {why}")]
    NoReturn { of: String, why: String },
}

impl JobsError {
    /// Who is at fault.
    #[must_use]
    pub fn kind(&self) -> ErrorKind {
        match self {
            Self::WhichJob { .. }
            | Self::Unanswered { .. }
            | Self::BadAnswer { .. }
            | Self::OptionForStep { .. }
            | Self::NotSigned { .. } => ErrorKind::Usage,
            Self::KeptProfile { .. } => ErrorKind::Damaged,
            Self::StopsAtIntake { .. }
            | Self::Blocked { .. }
            | Self::ContactOn { .. }
            | Self::LinkThere { .. }
            | Self::Measured { .. }
            | Self::NoReturn { .. } => ErrorKind::Refused,
        }
    }

    /// What lies behind it, one sentence each.
    #[must_use]
    pub fn causes(&self) -> Vec<String> {
        match self {
            Self::Blocked { blocked } | Self::ContactOn { blocked } => {
                blocked.reasons.iter().map(ToString::to_string).collect()
            }
            _ => Vec::new(),
        }
    }

    /// What to do next.
    #[must_use]
    pub fn hint(&self) -> Option<String> {
        Some(match self {
            Self::KeptProfile { .. } => "run `firmhand vault scrub`, then bring the bench back from a copy".into(),
            Self::WhichJob { open } if open.is_empty() => {
                "`firmhand job start` takes a machine in; `firmhand job status` lists the jobs".into()
            }
            Self::WhichJob { .. } => "name the job".into(),
            Self::Unanswered { id, choices, .. } => {
                let values = if choices.is_empty() { "VALUE".to_owned() } else { choices.join("|") };
                format!("answer it with `--answer {id}={values}`")
            }
            Self::StopsAtIntake { .. } => "nothing was written down; the machine goes back as it is".into(),
            Self::Blocked { .. } => "`firmhand job next` says what can be done now".into(),
            Self::ContactOn { .. } => {
                "add `--link LINK`: the programmer is watched until it is gone, then the contact comes off (`--link-stays` \
                 for a link that cannot vanish)"
                    .into()
            }
            Self::LinkThere { .. } => "unplug it, then run the same command again".into(),
            Self::NotSigned { instead, .. } => instead.clone(),
            Self::Measured { .. } => "measure or look again, and give the value with `--measured VALUE`".into(),
            Self::BadAnswer { .. } | Self::OptionForStep { .. } | Self::NoReturn { .. } => return None,
        })
    }
}

fn which(open: &[String]) -> String {
    if open.is_empty() {
        return "no job is open".into();
    }
    format!("{} jobs are open: {}", open.len(), open.join(", "))
}
