//! `job sign`: a person says that a step is done, that it begins, or that a hold point is free.
//!
//! For a contact that goes on or comes off, a signature is not enough (S13): the programmer has to be seen to go. With
//! `--link` it is watched here; a link that cannot vanish takes `--link-stays`, a signed hold that its supply wire is off.

use std::path::Path;
use std::time::Duration;

use serde::Serialize;
use serde_json::{Value, json};
use vault::Journal;

use super::next::commands;
use super::{JobsError, Work, checked_line, chosen, opened_journal};
use crate::error::JobError;
use crate::front::{Front, News};
use crate::procedure::{Blocked, Reason, State};
use crate::profile::{GateKind, Measure, Step, StepKind};
use crate::reach::LinkName;
use crate::session::{now, open_bench};

/// What a person says with the options of `job sign`.
#[derive(Debug, Clone, Default)]
pub struct SignRequest {
    /// The step, or a gate.
    pub step: String,
    /// `--job`.
    pub job: Option<String>,
    /// `--by`.
    pub by: String,
    /// `--note`.
    pub note: Option<String>,
    /// `--measured`, of a measure step.
    pub measured: Option<f64>,
    /// `--link`, of a contact: the programmer that is seen to go.
    pub link: Option<String>,
    /// `--link-stays`, of a contact: the link cannot vanish, and its supply wire is off.
    pub link_stays: bool,
    /// `--begin`: it begins now and is not done.
    pub begin: bool,
    /// `--dark`, of a power-up: the time is over and nothing came.
    pub dark: bool,
}

/// What a signature did.
#[derive(Debug, Clone, Serialize)]
pub struct SignReport {
    /// The job.
    pub job: String,
    /// The step or gate.
    pub step: String,
    /// The kind of entry written.
    pub entry: String,
    /// Its number.
    pub seq: u64,
    /// Whether the step is done now; a chip step's signature only frees it, and a gate is no step.
    pub done: bool,
    /// Chips that may have been written without a way back, as the signature says.
    pub no_way_back: Vec<String>,
    /// What may be done now; the first is recommended.
    pub next: Vec<String>,
}

/// Signs a step or a gate.
///
/// # Errors
/// [`JobsError::Blocked`] with every reason, the second of two signatures among them; [`JobsError::LinkThere`];
/// [`JobsError::Measured`]; [`JobsError::NotSigned`] for what only a command closes; [`JobError`] of the vault.
pub fn sign(bench: &Path, request: &SignRequest, front: &mut dyn Front) -> Result<SignReport, JobError> {
    let by = checked_line("--by", &request.by)?;
    let note = request.note.as_deref().map(|note| checked_line("--note", note)).transpose()?;
    let vault = open_bench(bench)?;
    let job = chosen(&vault, request.job.as_deref())?;
    let mut journal = opened_journal(&vault, &job, "firmhand job sign")?;
    // Read under the lock: whoever signed a moment ago is in it.
    let work = Work::open(&vault, &job)?;
    let state = work.state();
    let base = json!({ "step": request.step, "by": by, "note": note });
    let (kind, body) = if let Some(step) = work.profile.step(&request.step) {
        check_options(step, request)?;
        check_signable(&work, &state, step)?;
        allowed(&state, step, request)?;
        if !request.begin && matches!(step.kind, StepKind::Wire | StepKind::Unwire) {
            see_link_go(&mut journal, &step.id, request.link.as_deref(), request.link_stays, &by, front)?;
        }
        entry(&state, step, request, base, &work)?
    } else {
        gate_entry(&work, &state, request, &by, note.as_deref())?
    };
    let written = journal.append(kind, body, &now())?;
    drop(journal);
    let after = Work::open(&vault, &job)?;
    let state = after.state();
    let step = after.profile.step(&request.step);
    let done = step.is_some_and(|step| {
        matches!(state.step(&step.id).map(|view| view.standing), Some(crate::procedure::Standing::Done(_)))
    });
    Ok(SignReport {
        job: job.to_string(),
        step: request.step.clone(),
        entry: written.kind,
        seq: written.seq,
        done,
        no_way_back: step
            .map(|step| state.no_way_back(step))
            .unwrap_or_default()
            .into_iter()
            .map(str::to_owned)
            .collect(),
        next: state.next().iter().map(|step| step.id.clone()).collect(),
    })
}

impl SignReport {
    /// The report for a person.
    #[must_use]
    pub fn text(&self) -> String {
        let what = match (self.entry.as_str(), self.done) {
            (_, true) => "is done",
            ("step-begun", _) => "has begun",
            ("power-up", _) => "stays open: nothing came",
            ("gate", _) => "is signed",
            _ => "is free; its command may be run",
        };
        let mut text = format!("{} {what} (entry {} of job {})", self.step, self.seq, self.job);
        if !self.no_way_back.is_empty() {
            text += &format!("\n  signed with no way back yet for {}", self.no_way_back.join(", "));
        }
        match self.next.first() {
            Some(next) => text += &format!("\n  next: {next}; `firmhand job next {}` says how", self.job),
            None => text += &format!("\n  next: `firmhand job next {}` says what stands in the way", self.job),
        }
        text
    }
}

fn check_options(step: &Step, request: &SignRequest) -> Result<(), JobsError> {
    let contact = matches!(step.kind, StepKind::Wire | StepKind::Unwire);
    let power = matches!(step.kind, StepKind::PowerUp | StepKind::SuppliesOn);
    let wrong = [
        ("--measured", request.measured.is_some() && step.kind != StepKind::Measure),
        ("--link", request.link.is_some() && !contact),
        ("--link-stays", request.link_stays && !contact),
        ("--begin", request.begin && !(contact || power)),
        ("--dark", request.dark && step.kind != StepKind::PowerUp),
    ];
    match wrong.into_iter().find(|(_, wrong)| *wrong) {
        Some((option, _)) => Err(JobsError::OptionForStep { option, step: step.id.clone(), kind: step.kind.as_str() }),
        None => Ok(()),
    }
}

/// Refuses what a signature does not close, and says what does.
fn check_signable(work: &Work, state: &State<'_>, step: &Step) -> Result<(), JobsError> {
    let by_command = step.kind == StepKind::Handover || step.takes.is_some() || step.kind.talks_to_chip() && !step.hold;
    if !by_command || state.may_do(&step.id).is_err() {
        return Ok(());
    }
    let commands = commands(work, state, step).join("`, then `");
    Err(JobsError::NotSigned { step: step.id.clone(), instead: format!("run `{commands}`") })
}

/// Whether the signature counts, with the programmer not looked at yet.
fn allowed(state: &State<'_>, step: &Step, request: &SignRequest) -> Result<(), JobsError> {
    let Err(Blocked { step: id, mut reasons }) = state.may_sign(&step.id) else { return Ok(()) };
    if request.link.is_some() || request.link_stays || request.begin {
        reasons.retain(|reason| *reason != Reason::LinkNotGone);
    }
    if reasons.is_empty() { Ok(()) } else { Err(JobsError::Blocked { blocked: Blocked { step: id, reasons } }) }
}

/// S13: sees the programmer go, or takes the hold where it cannot.
pub(super) fn see_link_go(
    journal: &mut Journal,
    step: &str,
    link: Option<&str>,
    stays: bool,
    by: &str,
    front: &mut dyn Front,
) -> Result<(), JobError> {
    const LOOK: Duration = Duration::from_millis(200);
    let Some(given) = link else {
        if stays {
            journal.append("link-held", json!({ "by": by, "step": step }), &now())?;
        }
        return Ok(());
    };
    let name = LinkName::parse(given)?;
    let mut reached = name.open()?;
    if reached.is_virtual && stays {
        let why = "this link can vanish, and it is watched for that".into();
        return Err(JobError::BadOption { what: "--link-stays".into(), why });
    }
    if reached.stays && !stays {
        let why = "this link cannot vanish: take its supply wire off and sign with `--link-stays`".into();
        return Err(JobError::BadOption { what: format!("--link {given}"), why });
    }
    if stays {
        journal.append("link-held", json!({ "by": by, "step": step, "link": given }), &now())?;
        return Ok(());
    }
    if !reached.asks {
        let body = json!({ "link": given, "note": "virtual bench" });
        journal.append("link-gone", body, &now())?;
        return Ok(());
    }
    if reached.link.is_present() {
        if !front.is_attended() {
            return Err(JobsError::LinkThere { link: given.to_owned() }.into());
        }
        front.news(&News::Said("Unplug the programmer now. firmhand waits until it sees it go.".into()));
        while reached.link.is_present() {
            if front.wants_stop() {
                return Err(JobError::Stopped { doing: "waiting for the programmer to go" });
            }
            std::thread::sleep(LOOK);
        }
    }
    journal.append("link-gone", json!({ "link": given }), &now())?;
    Ok(())
}

/// The entry for a step.
fn entry(
    state: &State<'_>,
    step: &Step,
    request: &SignRequest,
    mut body: Value,
    work: &Work,
) -> Result<(&'static str, Value), JobError> {
    let no_way_back = state.no_way_back(step);
    if !no_way_back.is_empty() {
        body["no_way_back"] = json!(no_way_back);
    }
    if request.begin {
        return Ok(("step-begun", body));
    }
    if let Some(measure) = &step.measure {
        body["measured"] = json!(measured(step, measure, request.measured)?);
        body["unit"] = json!(measure.unit);
    }
    if step.kind != StepKind::PowerUp {
        return Ok(("signed", body));
    }
    let begun = state.step(&step.id).and_then(|view| view.begun);
    let begun = begun.and_then(|mark| work.entries.iter().find(|entry| entry.seq == mark.seq));
    body["seen"] = json!(!request.dark);
    body["dark_minutes"] = json!(begun.and_then(|begun| {
        let end = vault::Entry { time: now(), ..begun.clone() };
        super::next::minutes_between(begun, &end)
    }));
    Ok(("power-up", body))
}

fn measured(step: &Step, measure: &Measure, value: Option<f64>) -> Result<f64, JobsError> {
    match (crate::procedure::measure_refuses(measure, value), value) {
        (None, Some(value)) => Ok(value),
        (why, _) => Err(JobsError::Measured { step: step.id.clone(), why: why.unwrap_or_default() }),
    }
}

/// The entry for a gate: S16's signature, or yes to a question on the machine.
fn gate_entry(
    work: &Work,
    state: &State<'_>,
    request: &SignRequest,
    by: &str,
    note: Option<&str>,
) -> Result<(&'static str, Value), JobError> {
    let id = &request.step;
    let blocked = |reason| JobsError::Blocked { blocked: Blocked { step: id.clone(), reasons: vec![reason] } };
    if state.is_closed() {
        return Err(blocked(Reason::JobClosed).into());
    }
    let fit = work.profile.gates.iter().any(|gate| gate.id == *id && matches!(gate.kind, GateKind::Fit { .. }));
    let answer = match state.fused_gate_to_sign() {
        Some(gate) if gate == id => "signed",
        _ if fit => "yes",
        _ if state.is_fused() && state.is_fused_gate(id) => return Err(blocked(Reason::Fused).into()),
        _ => return Err(blocked(Reason::NoSuchStep).into()),
    };
    Ok(("gate", json!({ "id": id, "answer": answer, "by": by, "note": note })))
}
