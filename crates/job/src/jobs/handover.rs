//! `job handover`: the last step; afterwards the journal is sealed.
//!
//! A job that cannot or shall not go on (the machine is fused, the owner wants it back) ends with `--as-is REASON`: the machine
//! goes back as it is, and the record says what was left undone. A contact that is on comes off with it: the programmer is seen to
//! go (S13), whatever the profile wants to come before its unwire step. The decision a reader would
//! question: it is allowed with a chip half written. The machine is the owner's, and the record names the capture that brings
//! the chip back.

use std::path::Path;

use serde::Serialize;
use serde_json::json;
use vault::Journal;

use super::questions::told_in;
use super::sign::see_link_go;
use super::{JobsError, Work, checked_line, chosen, opened_journal};
use crate::error::JobError;
use crate::front::{Front, News};
use crate::procedure::{Blocked, Reason, Standing, State};
use crate::profile::StepKind;
use crate::session::{now, open_bench};

/// What a handover ends with.
#[derive(Debug, Clone, Serialize)]
pub struct HandoverReport {
    /// The job.
    pub job: String,
    /// Whether its journal is sealed: true.
    pub sealed: bool,
    /// What the person who gets the machine has to be told.
    pub limits: Vec<String>,
    /// What else they have to hear: chips that were not restored, chips without a way back.
    pub warnings: Vec<String>,
    /// Steps that were left, when the machine goes back as it is.
    pub left: Vec<String>,
}

/// What a person says with the options of `job handover`.
#[derive(Debug, Clone, Default)]
pub struct HandoverRequest {
    /// The job; the only open one when none is named.
    pub job: Option<String>,
    /// `--by`.
    pub by: String,
    /// `--as-is`: the job does not go on, for this reason.
    pub as_is: Option<String>,
    /// `--link`, with `--as-is` and a contact on: the programmer that is seen to go.
    pub link: Option<String>,
    /// `--link-stays`, as with `job sign`.
    pub link_stays: bool,
}

/// Hands the machine over and seals the journal. Cut off between the two, the same command again seals it.
///
/// # Errors
/// [`JobsError::Blocked`] with what is left, as long as anything is; [`JobsError::ContactOn`] and [`JobsError::LinkThere`] when
/// the machine goes back as it is; [`JobError`] of the vault.
pub fn handover(bench: &Path, request: &HandoverRequest, front: &mut dyn Front) -> Result<HandoverReport, JobError> {
    let by = checked_line("--by", &request.by)?;
    let as_is = request.as_is.as_deref().map(|reason| checked_line("--as-is", reason)).transpose()?;
    let vault = open_bench(bench)?;
    let job = chosen(&vault, request.job.as_deref())?;
    let mut journal = opened_journal(&vault, &job, "firmhand job handover")?;
    let work = Work::open(&vault, &job)?;
    let state = work.state();
    let limits: Vec<_> = work.profile.limits.iter().filter(|limit| told_in(limit.when, work.header.kind)).collect();
    let ids: Vec<&str> = limits.iter().map(|limit| limit.id.as_str()).collect();
    let mut warnings = state.warnings();
    if let Some(reason) = as_is {
        warnings.extend(half_written(&work));
        contacts_off(&mut journal, &state, request, &by, front)?;
        let left = give_back(&mut journal, &state, &by, &reason, &warnings)?;
        journal.seal(&now())?;
        return Ok(HandoverReport { job: job.to_string(), sealed: true, limits: Vec::new(), warnings, left });
    }
    for view in state.steps() {
        let handover = view.step.kind == StepKind::Handover;
        match view.standing {
            Standing::Done(_) | Standing::Skipped(_) => continue,
            Standing::Open if handover => {}
            Standing::Waiting(reasons) if handover => {
                let blocked = Blocked { step: view.step.id.clone(), reasons };
                return Err(JobsError::Blocked { blocked }.into());
            }
            // A profile whose job has no handover step ends when all else is done; one that has is blocked above.
            Standing::Open | Standing::Waiting(_) => continue,
        }
        let body = json!({ "step": view.step.id, "by": by, "limits": ids, "warnings": warnings });
        journal.append("signed", body, &now())?;
    }
    let done = Work::open(&vault, &job)?;
    let left: Vec<String> = done
        .state()
        .steps()
        .iter()
        .filter(|view| matches!(view.standing, Standing::Open | Standing::Waiting(_)))
        .map(|view| view.step.id.clone())
        .collect();
    if !left.is_empty() {
        let blocked = Blocked { step: "handover".into(), reasons: vec![Reason::StepsLeft { steps: left }] };
        return Err(JobsError::Blocked { blocked }.into());
    }
    journal.seal(&now())?;
    Ok(HandoverReport {
        job: job.to_string(),
        sealed: true,
        limits: limits.iter().map(|limit| limit.text.clone()).collect(),
        warnings,
        left: Vec::new(),
    })
}

/// S13: a contact comes off while the programmer has no power.
fn contacts_off(
    journal: &mut Journal,
    state: &State<'_>,
    request: &HandoverRequest,
    by: &str,
    front: &mut dyn Front,
) -> Result<(), JobError> {
    let on = state.contacts_on();
    let Some(step) = on.first() else { return Ok(()) };
    if request.link.is_none() && !request.link_stays {
        let reasons = on.iter().map(|step| Reason::WireOpen { step: (*step).to_owned() }).collect();
        return Err(JobsError::ContactOn { blocked: Blocked { step: "handover".into(), reasons } }.into());
    }
    see_link_go(journal, step, request.link.as_deref(), request.link_stays, by, front)?;
    front.news(&News::Said("Take the contact off now, before the programmer is plugged in again.".into()));
    Ok(())
}

/// Writes down that the machine goes back as it is; returns the steps that are left.
fn give_back(
    journal: &mut Journal,
    state: &State<'_>,
    by: &str,
    reason: &str,
    warnings: &[String],
) -> Result<Vec<String>, JobError> {
    let steps = state.steps();
    let left = steps.iter().filter(|view| matches!(view.standing, Standing::Open | Standing::Waiting(_)));
    let left: Vec<String> = left.map(|view| view.step.id.clone()).collect();
    let off = state.contacts_on();
    let body = json!({ "by": by, "reason": reason, "left": left, "warnings": warnings, "contacts_off": off });
    journal.append("given-back", body, &now())?;
    Ok(left)
}

/// Chips whose last write did not come to its end.
fn half_written(work: &Work) -> Vec<String> {
    let mut begun: Vec<&str> = Vec::new();
    for entry in &work.entries {
        let Some(chip) = entry.body["chip"].as_str() else { continue };
        match entry.kind.as_str() {
            "planned" if !begun.contains(&chip) => begun.push(chip),
            "applied" => begun.retain(|other| *other != chip),
            _ => {}
        }
    }
    let warn =
        |chip: &str| format!("{chip} was being written when the job ended: it holds neither the old nor the new");
    begun.into_iter().map(warn).collect()
}

impl HandoverReport {
    /// The report for a person.
    #[must_use]
    pub fn text(&self) -> String {
        let mut text = format!("job {} is handed over, and its journal is sealed", self.job);
        for limit in &self.limits {
            text += &format!("\n  tell: {limit}");
        }
        if !self.left.is_empty() {
            text += &format!("\n  given back as it is, with this left undone: {}", self.left.join(", "));
        }
        for warning in &self.warnings {
            text += &format!("\n  WARNING: {warning}");
        }
        text + &format!("\n  record: `firmhand job record {}`", self.job)
    }
}
