//! `job handover`: the last step; afterwards the journal is sealed.

use std::path::Path;

use serde::Serialize;
use serde_json::json;

use super::questions::told_in;
use super::{JobsError, Work, checked_line, chosen, opened_journal};
use crate::error::JobError;
use crate::procedure::{Blocked, Reason, Standing};
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
}

/// Hands the machine over and seals the journal. Cut off between the two, the same command again seals it.
///
/// # Errors
/// [`JobsError::Blocked`] with what is left, as long as anything is; [`JobError`] of the vault.
pub fn handover(bench: &Path, job: Option<&str>, by: &str) -> Result<HandoverReport, JobError> {
    let by = checked_line("--by", by)?;
    let vault = open_bench(bench)?;
    let job = chosen(&vault, job)?;
    let mut journal = opened_journal(&vault, &job, "firmhand job handover")?;
    let work = Work::open(&vault, &job)?;
    let state = work.state();
    let limits: Vec<_> = work.profile.limits.iter().filter(|limit| told_in(limit.when, work.header.kind)).collect();
    let ids: Vec<&str> = limits.iter().map(|limit| limit.id.as_str()).collect();
    let warnings = state.warnings();
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
    })
}

impl HandoverReport {
    /// The report for a person.
    #[must_use]
    pub fn text(&self) -> String {
        let mut text = format!("job {} is handed over, and its journal is sealed", self.job);
        for limit in &self.limits {
            text += &format!("\n  tell: {limit}");
        }
        for warning in &self.warnings {
            text += &format!("\n  WARNING: {warning}");
        }
        text + &format!("\n  record: `firmhand job record {}`", self.job)
    }
}
