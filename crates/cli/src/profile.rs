//! The `profile` commands.

use std::path::Path;

use job::JobError;
use job::profile::{Checked, Finding, JobKind, Profile, ProfileError, Severity, sheet};
use job::text::{page, size};
use serde_json::{Value, json};

use crate::args::ProfileCommand;
use crate::output::Output;

/// Runs a profile command.
pub fn run(command: ProfileCommand, output: &Output) -> Result<(), JobError> {
    match command {
        ProfileCommand::Check { file } => check(&file, output),
        ProfileCommand::Sheet { file, out } => {
            let html = sheet(&Profile::load(&file)?);
            let Some(out) = out else {
                output.print(&html);
                return Ok(());
            };
            let report = json!({ "profile": file, "sheet": out, "bytes": html.len() });
            std::fs::write(&out, html).map_err(|source| JobError::Io { doing: "write", path: out.clone(), source })?;
            output.result(&report, || format!("{} is ready to print", out.display()));
            Ok(())
        }
    }
}

fn check(file: &Path, output: &Output) -> Result<(), JobError> {
    match Profile::check(file) {
        Ok(Checked { profile, warnings }) => {
            let steps = |kind: JobKind| profile.steps_of(kind).count();
            let jobs: Vec<Value> =
                profile.board.jobs.iter().map(|kind| json!({ "kind": kind.as_str(), "steps": steps(*kind) })).collect();
            let chips: Vec<Value> =
                profile.chips.iter().map(|chip| json!({ "id": chip.id, "size": chip.size })).collect();
            let value = json!({
                "file": file, "sound": true, "board": profile.board.name, "jobs": jobs, "chips": chips, "findings": warnings,
            });
            output.result(&value, || {
                let chips: Vec<String> =
                    profile.chips.iter().map(|chip| format!("{} ({})", chip.id, size(u64::from(chip.size)))).collect();
                let jobs: Vec<String> =
                    profile.board.jobs.iter().map(|kind| format!("{} {} steps", kind.as_str(), steps(*kind))).collect();
                let text = format!(
                    "{} is sound: {}\n  chips: {}\n  jobs: {}",
                    file.display(),
                    profile.board.name,
                    chips.join(", "),
                    jobs.join(", ")
                );
                listed(&text, &warnings)
            });
            Ok(())
        }
        Err(ProfileError::Findings { findings, .. }) => {
            let value = json!({ "file": file, "sound": false, "findings": findings });
            output.result(&value, || {
                let errors = findings.iter().filter(|finding| finding.severity == Severity::Error).count();
                let count = if errors == 1 { "1 error".to_owned() } else { format!("{errors} errors") };
                listed(&format!("{}: {count}", file.display()), &findings)
            });
            output.says_no();
            Ok(())
        }
        Err(error) => Err(error.into()),
    }
}

/// Findings below a headline, each with its remedy.
fn listed(headline: &str, findings: &[Finding]) -> String {
    let mut text = headline.to_owned();
    for finding in findings {
        let grave = match finding.severity {
            Severity::Error => "error",
            Severity::Warning => "warning",
        };
        text += &format!("\n{grave}: {finding}\n  {}", finding.remedy);
    }
    page(&text)
}
