//! `job status`: all jobs in a line each, or one job with its path.
//!
//! The list has to stay fast with a thousand jobs. Jobs share profiles, so each profile text is read and parsed once; a sealed
//! journal is not opened at all, for nothing in it waits for anybody.

use std::collections::HashMap;
use std::path::Path;

use serde::Serialize;
use vault::{Digest, JobId};

use super::redact::{People, private};
use super::{Work, chosen, header_of, kept_profile};
use crate::error::JobError;
use crate::procedure::{Note, Power, Reason, Standing, State, StepView, SupplyView};
use crate::profile::{Profile, Step};
use crate::record::Known;
use crate::session::open_bench;

/// The list of all jobs.
#[derive(Debug, Clone, Serialize)]
pub struct JobsReport {
    /// Every job, sorted by id.
    pub jobs: Vec<JobLine>,
}

/// One job in a line.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct JobLine {
    /// The job.
    pub job: String,
    /// `open`, `ready` for handover, `stopped` at a gate, `closed`, `loose`, or `unreadable`.
    pub state: &'static str,
    /// Its kind; none of loose and closed ones.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub kind: Option<&'static str>,
    /// Which machine it is.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub machine: Option<String>,
    /// Steps done.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub done: Option<usize>,
    /// Steps of the job.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub steps: Option<usize>,
    /// The recommended step.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub next: Option<String>,
    /// What that step is called; JSON has its id alone.
    #[serde(skip)]
    pub next_title: Option<String>,
    /// Whether it waits for hands or a signature, and not for a command alone.
    #[serde(skip)]
    pub waits: bool,
    /// Why it cannot be read.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub error: Option<String>,
}

/// One job with its path.
#[derive(Debug, Clone, Serialize)]
pub struct StatusReport {
    /// The job.
    pub job: String,
    /// As in [`JobLine`].
    pub state: &'static str,
    /// Its kind.
    pub kind: &'static str,
    /// The profile's machine.
    pub board: String,
    /// Which machine it is.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub machine: Option<String>,
    /// The steps of the profile, in order.
    pub path: Vec<StepLine>,
    /// What is known of each source of power.
    pub supplies: Vec<SupplyView>,
    /// What is known of each chip.
    pub chips: Vec<ChipLine>,
    /// What may be done now; the first is recommended.
    pub next: Vec<String>,
    /// What waits for a person.
    pub waits_for_person: Vec<String>,
    /// What a person has to hear before the job is called done.
    pub warnings: Vec<String>,
    /// What is odd in the journal.
    pub notes: Vec<Note>,
}

/// One step in a line.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct StepLine {
    /// Its id.
    pub id: String,
    /// What it is called.
    pub title: String,
    /// Its kind.
    pub kind: &'static str,
    /// `done`, `open`, `waiting` or `skipped`.
    pub standing: &'static str,
    /// When it was done.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub when: Option<String>,
    /// Who did it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub by: Option<String>,
    /// What it waits for, or why it is skipped.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub reasons: Vec<ReasonLine>,
    /// Of a step on several chips that is not done: those that are left.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub chips_left: Vec<String>,
}

/// One reason.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct ReasonLine {
    /// Its fixed word.
    pub code: &'static str,
    /// What it says.
    pub text: String,
}

impl From<&Reason> for ReasonLine {
    fn from(reason: &Reason) -> Self {
        Self { code: reason.code(), text: reason.to_string() }
    }
}

/// One chip in a line.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct ChipLine {
    /// Its id.
    pub chip: String,
    /// Accepted captures of this job, oldest first.
    pub captures: Vec<String>,
    /// What was last applied and verified there.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub applied: Option<String>,
    /// Whether a write was begun and not ended: the same command again goes on.
    pub cut_off: bool,
    /// Of a return: whether it holds again what was found in the earlier job.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub restored: Option<bool>,
}

/// Lists all jobs. A job that cannot be read is listed with the reason and hides no other.
///
/// # Errors
/// [`JobError::Vault`] when the bench cannot be listed.
pub fn status_all(bench: &Path, redact: bool) -> Result<JobsReport, JobError> {
    let vault = open_bench(bench)?;
    let mut profiles: HashMap<Digest, Profile> = HashMap::new();
    let mut jobs = Vec::new();
    for info in vault.journals()? {
        if info.sealed {
            jobs.push(line(&info.job, "closed"));
            continue;
        }
        let read = (|| {
            let log = vault.read_journal(&info.job)?;
            let Some(header) = header_of(&log.entries) else {
                return Ok(line(&info.job, if log.sealed { "closed" } else { "loose" }));
            };
            if let std::collections::hash_map::Entry::Vacant(place) = profiles.entry(header.profile) {
                place.insert(kept_profile(&vault, &header)?);
            }
            let profile = &profiles[&header.profile];
            let state = State::of(profile, &header, &log.entries);
            let machine = log.entries.iter().find(|entry| entry.kind == "intake");
            let machine = machine.and_then(|entry| entry.body["machine"].as_str());
            let (done, steps) = state.progress();
            Ok::<_, JobError>(JobLine {
                kind: Some(header.kind.as_str()),
                machine: private(machine, redact),
                done: Some(done),
                steps: Some(steps),
                next: state.recommended().map(|step| step.id.clone()),
                next_title: state.recommended().map(|step| step.title.clone()),
                waits: state.recommended().is_some_and(|step| waits_for(step).is_some()),
                ..line(&info.job, word(&state))
            })
        })();
        jobs.push(
            read.unwrap_or_else(|error| JobLine { error: Some(error.to_string()), ..line(&info.job, "unreadable") }),
        );
    }
    Ok(JobsReport { jobs })
}

/// Adds kind and machine to the lines of closed jobs, whose journals a list leaves shut.
///
/// # Errors
/// [`JobError::Vault`] when the bench cannot be opened. A journal that cannot be read leaves its line as it is.
pub fn fill_in(bench: &Path, lines: &mut [JobLine]) -> Result<(), JobError> {
    let vault = open_bench(bench)?;
    for line in lines.iter_mut().filter(|line| line.state == "closed" && line.kind.is_none()) {
        let log = JobId::new(&line.job).and_then(|job| vault.read_journal(&job));
        let Ok(log) = log else { continue };
        line.kind = header_of(&log.entries).map(|header| header.kind.as_str());
        let intake = log.entries.iter().find(|entry| entry.kind == "intake");
        line.machine = private(intake.and_then(|entry| entry.body["machine"].as_str()), false);
    }
    Ok(())
}

/// Shows one job with its path; the only open one when none is named.
///
/// # Errors
/// [`super::JobsError::WhichJob`], [`JobError`].
pub fn status(bench: &Path, job: Option<&str>, redact: bool) -> Result<StatusReport, JobError> {
    let vault = open_bench(bench)?;
    let work = Work::open(&vault, &chosen(&vault, job)?)?;
    Ok(status_of(&work, &work.state(), redact))
}

pub(super) fn status_of(work: &Work, state: &State<'_>, redact: bool) -> StatusReport {
    let mut people = People::new(redact);
    let next = state.next();
    let mut waits: Vec<String> = next.iter().filter_map(|step| waits_for(step)).collect();
    waits.extend(state.fused_gate_to_sign().map(|gate| format!("{gate}: a signature before the first write (S16)")));
    StatusReport {
        job: work.job.to_string(),
        state: word(state),
        kind: work.header.kind.as_str(),
        board: work.profile.board.name.clone(),
        machine: private(work.intake()["machine"].as_str(), redact),
        path: state.steps().iter().map(|view| step_line(view, &mut people)).collect(),
        supplies: state.supplies(),
        chips: chip_lines(work, state),
        next: next.iter().map(|step| step.id.clone()).collect(),
        waits_for_person: waits,
        warnings: state.warnings(),
        notes: if redact { Vec::new() } else { state.notes().to_vec() },
    }
}

/// What is known of each chip that the job works on.
pub(super) fn chip_lines(work: &Work, state: &State<'_>) -> Vec<ChipLine> {
    let chips = work.profile.chips.iter();
    chips
        .map(|chip| ChipLine {
            chip: chip.id.clone(),
            captures: state.captures(&chip.id).iter().map(ToString::to_string).collect(),
            applied: state.applied(&chip.id).map(|content| content.to_string()),
            cut_off: Known::of_chip(&work.entries, &chip.id).pending.is_some(),
            restored: state
                .earlier()
                .iter()
                .find(|(earlier, _)| earlier.chip == chip.id)
                .map(|(_, restored)| *restored),
        })
        .collect()
}

fn line(job: &JobId, state: &'static str) -> JobLine {
    JobLine {
        job: job.to_string(),
        state,
        kind: None,
        machine: None,
        done: None,
        steps: None,
        next: None,
        next_title: None,
        waits: false,
        error: None,
    }
}

fn word(state: &State<'_>) -> &'static str {
    match state {
        _ if state.is_closed() => "closed",
        _ if state.is_fused() => "stopped",
        _ if state.is_complete() => "ready",
        _ => "open",
    }
}

fn step_line(view: &StepView<'_>, people: &mut People) -> StepLine {
    let (when, by, reasons) = match &view.standing {
        Standing::Done(mark) => (Some(mark.when.clone()), Some(people.name(&mark.by)), Vec::new()),
        Standing::Open => (None, None, Vec::new()),
        Standing::Waiting(reasons) => (None, None, reasons.iter().map(ReasonLine::from).collect()),
        Standing::Skipped(why) => (None, None, vec![ReasonLine { code: "skipped", text: (*why).into() }]),
    };
    let several = view.chips_left.len() > 1 || view.step.span.is_some();
    let left = several && !matches!(view.standing, Standing::Done(_) | Standing::Skipped(_));
    StepLine {
        id: view.step.id.clone(),
        title: view.step.title.clone(),
        kind: view.step.kind.as_str(),
        standing: view.standing.code(),
        when,
        by,
        reasons,
        chips_left: if left { view.chips_left.iter().map(|chip| (*chip).to_owned()).collect() } else { Vec::new() },
    }
}

/// What a step that may be done now wants of a person; none when a command does it.
fn waits_for(step: &Step) -> Option<String> {
    if step.kind.talks_to_chip() {
        return step.hold.then(|| format!("{}: a signature before it is run", step.id));
    }
    let what = if step.hold { "a hold point to sign" } else { "to be done and signed" };
    Some(format!("{}: {what}", step.id))
}

impl JobsReport {
    /// The list for a person.
    #[must_use]
    pub fn text(&self) -> String {
        if self.jobs.is_empty() {
            return "no jobs; `firmhand job start` takes a machine in".into();
        }
        let wide = self.jobs.iter().map(|job| job.job.len()).max().unwrap_or(0);
        let lines = self.jobs.iter().map(|job| {
            let mut line = format!("{:<wide$}  {:<10}", job.job, job.state);
            if let (Some(done), Some(steps), Some(kind)) = (job.done, job.steps, job.kind) {
                line += &format!("  {kind:<7}  {done:>3}/{steps:<3}");
            }
            line += &format!("  {}", job.next.as_deref().unwrap_or("-"));
            line += &job.machine.as_deref().map(|machine| format!("  {machine}")).unwrap_or_default();
            line += &job.error.as_deref().map(|error| format!("  {error}")).unwrap_or_default();
            line.trim_end_matches([' ', '-']).to_owned()
        });
        lines.collect::<Vec<_>>().join("\n")
    }
}

impl StatusReport {
    /// The job for a person: path, supplies, chips, what waits.
    #[must_use]
    pub fn text(&self) -> String {
        let machine = self.machine.as_deref().map(|machine| format!(", {machine}")).unwrap_or_default();
        let mut text = format!("job {}: {}, {}, {}{machine}\n", self.job, self.state, self.kind, self.board);
        let supplies: Vec<String> =
            self.supplies.iter().map(|supply| format!("{} {}", supply.id, power_word(supply.power))).collect();
        text += &format!("supplies: {}\n", if supplies.is_empty() { "none".into() } else { supplies.join(" | ") });
        for step in self.path.iter().filter(|step| step.standing != "skipped") {
            let sign = match step.standing {
                "done" => "[x]",
                "open" => "[>]",
                _ if self.next.contains(&step.id) => "[>]",
                _ => "[ ]",
            };
            text += &format!("  {sign} {:<20} {}\n", step.id, step.title);
            if let (Some(when), Some(by)) = (&step.when, &step.by) {
                text += &format!("      {when}, {by}\n");
            }
            if !step.chips_left.is_empty() {
                text += &format!("      left: {}\n", step.chips_left.join(", "));
            }
        }
        for chip in &self.chips {
            let captures = match chip.captures.len() {
                0 => "no capture yet".to_owned(),
                1 => "1 capture".to_owned(),
                several => format!("{several} captures"),
            };
            text += &format!("chip {}: {captures}", chip.chip);
            text += &chip.applied.as_deref().map(|id| format!(", holds {}", &id[..12])).unwrap_or_default();
            text += if chip.cut_off { ", A WRITE WAS CUT OFF: run the same command again" } else { "" };
            text += match chip.restored {
                Some(true) => ", restored",
                Some(false) => ", not restored yet",
                None => "",
            };
            text += "\n";
        }
        for wait in &self.waits_for_person {
            text += &format!("waits for a person: {wait}\n");
        }
        for warning in &self.warnings {
            text += &format!("warning: {warning}\n");
        }
        for note in &self.notes {
            text += &format!("note on entry {}: {}\n", note.seq, note.text);
        }
        text
    }
}

fn power_word(power: Power) -> &'static str {
    match power {
        Power::On => "ON",
        Power::Off => "off",
        Power::Unknown => "unknown",
    }
}
