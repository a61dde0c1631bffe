//! The questions of the intake: what has to be known of a machine and its owner before anybody holds a screwdriver.
//!
//! Pure but for the asking. Each question has an id that `--answer ID=VALUE` takes; a person at a terminal is asked for what
//! was not given, except for free text, which only `--answer` gives.
//!
//! | id | asks | stops on |
//! |---|---|---|
//! | `unlocked` | nothing on the machine is locked | no |
//! | `setup-password` | there is none, or it is known (not in a rescue: a dead machine asks for none) | no |
//! | `recovery-key` | the drive is not encrypted to the firmware, or its key is in hand | no |
//! | `charge-SUPPLY` | yes, or percent (not in a rescue: it is for vendor updates) | no, or less than the least |
//! | `gate-ID` | the profile's question | no |
//! | `option-ID` | an extra that is untested or fails is fitted | yes, where it fails |
//! | `limit-ID` | the owner knows what will not work | no |
//! | `variant` | which images | |
//! | `label-mac`, `label-serial` | of a rescue: as the machine's own label says, or `none` | |
//! | `donor-CHIP` | of a rescue, optional: a content of the vault | |

use std::collections::BTreeMap;
use std::str::FromStr;

use image::mac::Mac;

use super::error::JobsError;
use crate::error::JobError;
use crate::front::{Front, Question, QuestionKind, Reply};
use crate::profile::{GateKind, JobKind, LimitWhen, Profile, Standing};

/// One question.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Asked {
    /// What `--answer ID=VALUE` calls it.
    pub id: String,
    /// What is asked.
    pub text: String,
    /// How it is answered.
    pub form: Form,
}

/// How a question of the intake is answered.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Form {
    /// Yes or no.
    YesNo {
        /// The answer that stops the intake, and why.
        stops: Option<(bool, String)>,
    },
    /// Yes, no, or percent.
    Charge {
        /// The least that goes on.
        least: u8,
        /// Why less stops the intake.
        why: String,
    },
    /// One of these, each with what it is called.
    Choice(Vec<(String, String)>),
    /// A MAC address from a label, or `none`.
    Mac,
    /// Free text, or `none`.
    Text,
    /// Free text that may be left out.
    Optional,
}

/// Returns what an intake for this profile and kind asks.
pub(super) fn questions(profile: &Profile, kind: JobKind) -> Vec<Asked> {
    let alive = kind != JobKind::Rescue;
    let must = |id: &str, text: &str, why: &str| Asked {
        id: id.into(),
        text: text.into(),
        form: Form::YesNo { stops: Some((false, why.into())) },
    };
    let mut asked = vec![must(
        "unlocked",
        "Is nothing on it locked: no lock by an earlier owner or an organisation, not reported lost or stolen?",
        "a locked machine is not for this work, and firmhand removes no lock",
    )];
    if alive {
        asked.push(must(
            "setup-password",
            "Is there no setup password, or does somebody here know it?",
            "a setup password that nobody knows stops the work, and firmhand removes none",
        ));
    }
    asked.push(must(
        "recovery-key",
        "Is the drive not encrypted to this firmware, or is its recovery key in hand?",
        "with other firmware the drive asks for its recovery key, and without it all on it is lost",
    ));
    for supply in profile.supplies.iter().filter(|_| alive) {
        if let Some(least) = supply.charge_min {
            asked.push(Asked {
                id: format!("charge-{}", supply.id),
                text: format!("Is {} charged to {least} % or more?", supply.name),
                form: Form::Charge { least, why: format!("{} has less than {least} %; charge it first", supply.name) },
            });
        }
    }
    for gate in &profile.gates {
        if let GateKind::Fit { question } = &gate.kind {
            asked.push(must(&format!("gate-{}", gate.id), question, &gate.why));
        }
    }
    for option in profile.options.iter().filter(|option| option.standing != Standing::Tested) {
        let note = option.note.as_deref().map(|note| format!(" ({note})")).unwrap_or_default();
        let (how, stops) = match option.standing {
            Standing::Fails => {
                ("known not to work", Some((true, format!("{} does not work with it{note}", option.name))))
            }
            _ => ("never tried", None),
        };
        let text = match option.standing {
            Standing::Fails => format!("Does it have, and need, this extra: {}? It is {how}{note}.", option.name),
            _ => format!("Does it have this extra: {}? It is {how}{note}.", option.name),
        };
        asked.push(Asked { id: format!("option-{}", option.id), text, form: Form::YesNo { stops } });
    }
    for limit in &profile.limits {
        if told_in(limit.when, kind) {
            let text = format!("Does the owner know and accept: {}", limit.text);
            asked.push(must(&format!("limit-{}", limit.id), &text, "what will not work has to be accepted first"));
        }
    }
    if kind != JobKind::Return && !profile.variants.is_empty() {
        let choices = profile.variants.iter().map(|variant| (variant.id.clone(), variant.name.clone())).collect();
        asked.push(Asked { id: "variant".into(), text: "Which images?".into(), form: Form::Choice(choices) });
    }
    if !alive {
        let text = |what: &str| format!("What {what} does the machine's own label say? Never another machine's.");
        asked.push(Asked { id: "label-mac".into(), text: text("network address"), form: Form::Mac });
        asked.push(Asked { id: "label-serial".into(), text: text("serial number"), form: Form::Text });
        asked.extend(profile.chips.iter().map(|chip| Asked {
            id: format!("donor-{}", chip.id),
            text: format!("Which content of the vault gives what {} no longer has?", chip.id),
            form: Form::Optional,
        }));
    }
    asked
}

/// Whether a limit is acknowledged and told in this kind of job.
pub(super) fn told_in(when: LimitWhen, kind: JobKind) -> bool {
    (when == LimitWhen::AfterReturn) == (kind == JobKind::Return)
}

/// Settles every question by what was given, else by asking.
///
/// # Errors
/// [`JobsError::BadAnswer`], [`JobsError::Unanswered`], [`JobsError::StopsAtIntake`].
pub(super) fn settle(
    asked: &[Asked],
    given: &[String],
    front: &mut dyn Front,
) -> Result<BTreeMap<String, String>, JobError> {
    let mut by_id = BTreeMap::new();
    for pair in given {
        let bad = |why: String| JobsError::BadAnswer { given: pair.clone(), why };
        let (id, value) = pair.split_once('=').ok_or_else(|| bad("ID=VALUE is expected".into()))?;
        if !asked.iter().any(|question| question.id == id) {
            let ids: Vec<&str> = asked.iter().map(|question| question.id.as_str()).collect();
            return Err(bad(format!("this intake asks {}", ids.join(", "))).into());
        }
        let value = value.trim();
        if value.is_empty() || value.len() > 400 || value.chars().any(char::is_control) {
            return Err(bad("one line of 1 to 400 bytes is expected".into()).into());
        }
        if by_id.insert(id.to_owned(), value.to_owned()).is_some() {
            return Err(bad("it is answered twice".into()).into());
        }
    }
    let mut answers = BTreeMap::new();
    for question in asked {
        let value = match by_id.remove(&question.id) {
            Some(value) => Some(question.read(&value)?),
            None => question.ask(front)?,
        };
        if let Some(value) = value {
            answers.insert(question.id.clone(), value);
        }
    }
    Ok(answers)
}

impl Asked {
    /// Reads a given answer; the value as the journal keeps it.
    fn read(&self, value: &str) -> Result<String, JobError> {
        let bad = |why: String| JobError::from(JobsError::BadAnswer { given: format!("{}={value}", self.id), why });
        match &self.form {
            Form::YesNo { .. } => {
                let yes = yes_or_no(value).ok_or_else(|| bad("yes or no is expected".into()))?;
                self.judge(yes)
            }
            Form::Charge { least, why } => {
                if let Some(yes) = yes_or_no(value) {
                    return self.judge(yes);
                }
                let number = value.strip_suffix('%').unwrap_or(value).trim();
                let percent = number.parse::<u8>().ok().filter(|percent| *percent <= 100);
                let percent = percent.ok_or_else(|| bad("yes, no or a percentage is expected".into()))?;
                if percent < *least {
                    return Err(JobsError::StopsAtIntake { why: why.clone() }.into());
                }
                Ok(format!("{percent} %"))
            }
            Form::Choice(choices) => match choices.iter().find(|(id, _)| id == value) {
                Some((id, _)) => Ok(id.clone()),
                None => Err(bad(format!("one of {} is expected", ids(choices).join(", ")))),
            },
            Form::Mac if value == NONE => Ok(NONE.into()),
            Form::Mac => {
                let mac = Mac::from_str(value).map_err(|error| bad(error.to_string()))?;
                if mac.is_group() {
                    return Err(bad("it is the address of a group and of no machine; read the label again".into()));
                }
                Ok(mac.to_string())
            }
            Form::Text | Form::Optional => Ok(value.to_owned()),
        }
    }

    fn ask(&self, front: &mut dyn Front) -> Result<Option<String>, JobError> {
        let unanswered = |choices: Vec<String>| {
            JobError::from(JobsError::Unanswered { id: self.id.clone(), question: self.text.clone(), choices })
        };
        let mut yes_no = |text: &str| {
            let question =
                Question { name: "intake", text: text.to_owned(), cautions: Vec::new(), kind: QuestionKind::YesNo };
            front.ask(&question).map(|reply| reply == Reply::Yes)
        };
        match &self.form {
            Form::Optional => Ok(None),
            Form::Mac | Form::Text => Err(unanswered(Vec::new())),
            Form::YesNo { .. } | Form::Charge { .. } => match yes_no(&self.text) {
                Some(yes) => self.judge(yes).map(Some),
                None => Err(unanswered(vec!["yes".into(), "no".into()])),
            },
            Form::Choice(choices) => {
                if let [(only, _)] = choices.as_slice() {
                    return Ok(Some(only.clone()));
                }
                for (id, name) in choices {
                    match yes_no(&format!("{} {name}?", self.text)) {
                        Some(true) => return Ok(Some(id.clone())),
                        Some(false) => {}
                        None => return Err(unanswered(ids(choices))),
                    }
                }
                Err(JobsError::StopsAtIntake { why: "none of the profile's variants is wanted".into() }.into())
            }
        }
    }

    fn judge(&self, yes: bool) -> Result<String, JobError> {
        let why = match &self.form {
            Form::YesNo { stops: Some((on, why)) } if *on == yes => Some(why),
            Form::Charge { why, .. } if !yes => Some(why),
            _ => None,
        };
        match why {
            Some(why) => Err(JobsError::StopsAtIntake { why: why.clone() }.into()),
            None => Ok(if yes { "yes" } else { "no" }.into()),
        }
    }
}

const NONE: &str = "none";

fn ids(choices: &[(String, String)]) -> Vec<String> {
    choices.iter().map(|(id, _)| id.clone()).collect()
}

fn yes_or_no(text: &str) -> Option<bool> {
    match text {
        "yes" => Some(true),
        "no" => Some(false),
        _ => None,
    }
}
