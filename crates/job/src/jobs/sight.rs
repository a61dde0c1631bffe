//! A job at one moment, for a face that shows more than lines: the path, the step in hand with what it wants, each chip, the photos.
//!
//! All of it is read from one look at profile and journal, so that no part of a page contradicts another.

use std::path::Path;

use nor::supply::Supply;
use serde_json::Value;
use vault::{Entry, JobId};

use super::Work;
use super::next::{NextReport, NextStep, next_of, next_step};
use super::photo::{PhotoLine, photos};
use super::redact::People;
use super::status::{StatusReport, status_of};
use crate::error::JobError;
use crate::procedure::{Reason, State};
use crate::profile::{GateKind, Measure, Step, StepKind};
use crate::session::open_bench;

/// A job at one moment.
#[derive(Debug, Clone)]
pub struct Sight {
    /// Path, supplies, warnings, notes.
    pub status: StatusReport,
    /// What may be done, and what stands in the way.
    pub next: NextReport,
    /// The step in hand: the one asked for if it may be done now, else the recommended one.
    pub step: Option<NextStep>,
    /// What is to be done about it, and by whom.
    pub deed: Deed,
    /// What is measured or read off at it.
    pub measure: Option<Measure>,
    /// Other steps that may be done now: id and title.
    pub also: Vec<(String, String)>,
    /// Steps whose contact is on, or going on.
    pub contacts: Vec<String>,
    /// Chips whose contacts are on.
    pub wired: Vec<String>,
    /// The link that was last seen to go, be back, or be held for a contact.
    pub link: Option<String>,
    /// Each chip of the profile.
    pub chips: Vec<ChipSight>,
    /// Photos, oldest first.
    pub photos: Vec<PhotoLine>,
    /// What was last composed: name of chip or span, and content.
    pub composed: Vec<(String, String)>,
    /// Whose machine it is.
    pub owner: Option<String>,
}

/// What is to be done now.
#[derive(Debug, Clone, PartialEq)]
pub enum Deed {
    /// Hands do it, and a person signs.
    Sign,
    /// A contact goes on or comes off; the programmer is seen to go (S13).
    Contact {
        /// The chip.
        chip: String,
        /// Whether it goes on.
        on: bool,
    },
    /// Power comes and the machine is waited for.
    PowerUp {
        /// Since when power is there, when that was written down.
        since: Option<String>,
    },
    /// firmhand does it, over a link.
    Chip {
        /// Its chips that are left.
        chips: Vec<String>,
        /// Whether somebody signs for it first.
        signs: bool,
        /// Whether it was begun and cut off: it goes on.
        cut_off: bool,
        /// Whether a write is what it does.
        writes: bool,
    },
    /// firmhand takes a file in.
    TakeFile {
        /// What it is usually called.
        file: String,
        /// Whether a signature has to vouch for it.
        signed: bool,
    },
    /// firmhand makes a boot stick.
    MakeStick {
        /// Bytes that go onto it.
        size: u64,
    },
    /// firmhand puts an image together.
    Compose,
    /// A question on the machine stands in the way of everything else.
    Gate {
        /// Its id.
        id: String,
        /// What is asked or signed.
        text: String,
    },
    /// The machine is handed over.
    HandOver,
    /// The job cannot go on: the machine goes back as it is.
    GiveBack,
    /// The job is closed.
    Closed,
}

/// A chip of the profile.
#[derive(Debug, Clone, PartialEq)]
pub struct ChipSight {
    /// Its id.
    pub chip: String,
    /// Bytes, by the profile.
    pub size: u32,
    /// Where it sits.
    pub place: String,
    /// Markings seen on it.
    pub markings: Vec<String>,
    /// What it bears, by the profile.
    pub supply: String,
    /// What to drive it with, in volts: 3.3 where it bears that, else 1.8.
    pub volts: f64,
    /// Id as last read, and what the catalogue calls it.
    pub identified: Option<(String, Vec<String>)>,
    /// Accepted captures, oldest first.
    pub captures: Vec<CaptureSight>,
    /// Why the last capture was refused, when none came after it.
    pub refused: Vec<String>,
    /// What it holds as this job left it.
    pub applied: Option<String>,
    /// Whether a write was begun and not ended.
    pub cut_off: bool,
    /// How the last command on it ended early, when nothing came after that.
    pub ended: Option<String>,
}

/// An accepted capture.
#[derive(Debug, Clone, PartialEq)]
pub struct CaptureSight {
    /// The content's id.
    pub content: String,
    /// When.
    pub when: String,
    /// Passes that were made.
    pub passes: usize,
    /// With 95 % confidence a bit is wrong at most so often.
    pub error_bound_95: Option<f64>,
}

/// Looks at a job. `step` is the step to be shown, if it may be done now.
///
/// # Errors
/// [`JobError::WrongJob`] for a loose job; [`JobError::Vault`].
pub fn sight(bench: &Path, job: &JobId, step: Option<&str>) -> Result<Sight, JobError> {
    let vault = open_bench(bench)?;
    let work = Work::open(&vault, job)?;
    let state = work.state();
    let next = state.next();
    let chosen = next.iter().find(|known| Some(known.id.as_str()) == step).or(next.first()).copied();
    let intake = work.intake();
    Ok(Sight {
        next: next_of(&work, &state, false),
        step: chosen.map(|step| next_step(&work, &state, step, false)),
        deed: chosen.map_or_else(|| without_step(&work, &state), |step| deed(&work, &state, step)),
        measure: chosen.and_then(|step| step.measure.clone()),
        also: next
            .iter()
            .filter(|step| chosen.is_none_or(|chosen| chosen.id != step.id))
            .map(|step| (step.id.clone(), step.title.clone()))
            .collect(),
        contacts: state.contacts_on().into_iter().map(str::to_owned).collect(),
        wired: state.wired().into_iter().map(str::to_owned).collect(),
        link: last_link(&work.entries),
        chips: work.profile.chips.iter().map(|chip| chip_sight(&work, &state, &chip.id)).collect(),
        photos: photos(&work.entries, &mut People::new(false), false),
        composed: composed(&work.entries),
        owner: intake["owner"].as_str().map(str::to_owned),
        status: status_of(&work, &state, false),
    })
}

fn deed(work: &Work, state: &State<'_>, step: &Step) -> Deed {
    if let Some(takes) = &step.takes {
        return Deed::TakeFile { file: takes.file.clone(), signed: takes.key.is_some() };
    }
    if let Some(media) = &step.media {
        return Deed::MakeStick { size: media.image.size };
    }
    match step.kind {
        StepKind::Wire | StepKind::Unwire => {
            Deed::Contact { chip: step.chip.clone().unwrap_or_default(), on: step.kind == StepKind::Wire }
        }
        StepKind::PowerUp => {
            let begun = state.step(&step.id).and_then(|view| view.begun);
            Deed::PowerUp { since: begun.map(|mark| mark.when) }
        }
        StepKind::Compose => Deed::Compose,
        StepKind::Handover => Deed::HandOver,
        kind if kind.talks_to_chip() => {
            let chips = state.step(&step.id).map(|view| view.chips_left).unwrap_or_default();
            let writes = matches!(kind, StepKind::Fill | StepKind::Apply);
            Deed::Chip {
                signs: state.may_do(&step.id).is_err(),
                cut_off: writes && chips.iter().any(|chip| is_cut_off(work, chip)),
                chips: chips.into_iter().map(str::to_owned).collect(),
                writes,
            }
        }
        _ => Deed::Sign,
    }
}

/// What is to be done where no step may be.
fn without_step(work: &Work, state: &State<'_>) -> Deed {
    if state.is_closed() {
        return Deed::Closed;
    }
    if state.is_complete() {
        return Deed::HandOver;
    }
    let reasons = state.steps().into_iter().find_map(|view| match view.standing {
        crate::procedure::Standing::Waiting(reasons) => Some(reasons),
        _ => None,
    });
    for reason in reasons.unwrap_or_default() {
        match &reason {
            Reason::FusedUnknown { gate } => return Deed::Gate { id: gate.clone(), text: reason.to_string() },
            Reason::GateOpen { gate } => {
                let asked = work.profile.gates.iter().find(|known| known.id == *gate);
                let question = asked.and_then(|gate| match &gate.kind {
                    GateKind::Fit { question } => Some(question.clone()),
                    GateKind::Fused { .. } => None,
                });
                return Deed::Gate { id: gate.clone(), text: question.unwrap_or_else(|| reason.to_string()) };
            }
            _ => {}
        }
    }
    Deed::GiveBack
}

fn is_cut_off(work: &Work, chip: &str) -> bool {
    crate::record::Known::of_chip(&work.entries, chip).pending.is_some()
}

fn chip_sight(work: &Work, state: &State<'_>, chip: &str) -> ChipSight {
    let spec = work.profile.chip(chip).expect("a chip of the profile");
    let of_chip = || work.entries.iter().filter(|entry| entry.body["chip"].as_str() == Some(chip));
    let last = |kind: &str| of_chip().rfind(|entry| entry.kind == kind);
    let texts = |list: &Value| -> Vec<String> {
        list.as_array().into_iter().flatten().filter_map(|text| text.as_str().map(str::to_owned)).collect()
    };
    let identified = last("identified")
        .and_then(|entry| Some((entry.body["id"].as_str()?.to_owned(), texts(&entry.body["markings"]))));
    let captures = of_chip().filter(|entry| entry.kind == "captured").filter_map(|entry| {
        let evidence = &entry.body["evidence"];
        Some(CaptureSight {
            content: entry.body["content"].as_str()?.to_owned(),
            when: entry.time.clone(),
            passes: evidence["passes"].as_array().map_or(0, Vec::len),
            error_bound_95: evidence["error_bound_95"].as_f64(),
        })
    });
    let seq = |kind: &str| last(kind).map(|entry| entry.seq);
    let refused = last("refused").filter(|entry| Some(entry.seq) > seq("captured"));
    let ended = of_chip().next_back().filter(|entry| entry.kind == "ended");
    ChipSight {
        chip: chip.to_owned(),
        size: spec.size,
        place: spec.place.clone(),
        markings: spec.markings.clone(),
        supply: spec.supply_v.to_string(),
        volts: if spec.supply_v.bears(Supply { mv: 3300 }) { 3.3 } else { 1.8 },
        identified,
        captures: captures.collect(),
        refused: refused.map(|entry| texts(&entry.body["evidence"]["reasons"])).unwrap_or_default(),
        applied: state.applied(chip).map(|content| content.to_string()),
        cut_off: is_cut_off(work, chip),
        ended: ended.and_then(|entry| entry.body["error"].as_str().map(str::to_owned)),
    }
}

fn last_link(entries: &[Entry]) -> Option<String> {
    let seen = |entry: &&Entry| matches!(entry.kind.as_str(), "link-gone" | "link-back" | "link-held");
    entries.iter().rev().filter(seen).find_map(|entry| entry.body["link"].as_str().map(str::to_owned))
}

fn composed(entries: &[Entry]) -> Vec<(String, String)> {
    let made = entries.iter().filter(|entry| entry.kind == "composed").filter_map(|entry| {
        let of = entry.body["chip"].as_str().or_else(|| entry.body["span"].as_str())?;
        Some((of.to_owned(), entry.body["content"].as_str()?.to_owned()))
    });
    made.collect()
}
