//! The `job` commands.

use std::path::Path;

use job::JobError;
use job::jobs::{self, HandoverRequest, SignRequest, StartRequest};
use job::profile::JobKind;
use job::text::page;

use crate::args::{Global, JobCommand, KindName};
use crate::face::Face;
use crate::output::Output;

/// Runs a job command.
pub fn run(
    command: JobCommand,
    global: &Global,
    bench: &Path,
    output: &Output,
    face: &mut Face,
) -> Result<(), JobError> {
    match command {
        JobCommand::Start { kind, profile, of, machine, owner, consent, answers } => {
            let kind = match kind {
                KindName::Convert => JobKind::Convert,
                KindName::Rescue => JobKind::Rescue,
                KindName::Return => JobKind::Return,
            };
            let request = StartRequest { kind, profile, kept: None, of, machine, owner, consent, answers };
            let report = jobs::start(bench, &request, face)?;
            output.result(&report, || page(&report.text()));
        }
        JobCommand::Status { job: None } => {
            let report = jobs::status_all(bench, global.redact)?;
            output.result(&report, || report.text());
        }
        JobCommand::Status { job } => {
            let report = jobs::status(bench, job.as_deref(), global.redact)?;
            output.result(&report, || page(&report.text()));
        }
        JobCommand::Next { job } => {
            let report = jobs::next(bench, job.as_deref(), global.redact)?;
            output.result(&report, || report.text());
        }
        JobCommand::Sign { step, by, note, job, measured, link, link_stays, begin, dark } => {
            let request = SignRequest { step, job, by, note, measured, link, link_stays, begin, dark };
            let report = jobs::sign(bench, &request, face)?;
            output.result(&report, || page(&report.text()));
        }
        JobCommand::Record { job, write_up: true, .. } => {
            let report = jobs::write_up(bench, job.as_deref())?;
            output.result(&report, || report.text());
        }
        JobCommand::Record { job, label: Some(file), .. } => {
            let report = jobs::label_into(bench, job.as_deref(), &file)?;
            output.result(&report, || report.text());
        }
        JobCommand::Record { job, .. } => {
            let report = jobs::record(bench, job.as_deref(), global.redact)?;
            output.result(&report, || report.text());
        }
        JobCommand::Handover { job, by, as_is, link, link_stays } => {
            let request = HandoverRequest { job, by, as_is, link, link_stays };
            let report = jobs::handover(bench, &request, face)?;
            output.result(&report, || page(&report.text()));
        }
    }
    Ok(())
}
