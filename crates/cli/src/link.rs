//! The `link` commands.

use std::path::Path;

use job::link_wiring::{self, Case};
use job::text::page;
use job::{JobError, link_check, link_install, links};
use serde_json::json;

use crate::args::{CaseName, Global, LinkCommand};
use crate::chip::options;
use crate::face::Face;
use crate::output::Output;

/// Runs a link command.
pub fn run(
    command: LinkCommand,
    global: &Global,
    bench: &Path,
    output: &Output,
    face: &mut Face,
) -> Result<(), JobError> {
    match command {
        LinkCommand::List => {
            let list = links::list();
            output.result(&list, || list.text());
        }
        LinkCommand::Install { drawing: Some(case), out, .. } => draw(case, out.as_deref(), output)?,
        LinkCommand::Install { file, .. } => {
            let report = link_install::install(file.as_deref(), face)?;
            output.result(&report, || page(&report.text()));
        }
        LinkCommand::Check { chip, watch: true, seconds } => {
            let report = link_check::watch(bench, &options(&chip, None, global), seconds, face)?;
            output.result(&report, || report.text());
        }
        LinkCommand::Check { chip, watch: false, .. } => {
            let report = link_check::check(bench, &options(&chip, None, global), face)?;
            output.result(&report, || page(&report.text()));
            if !report.good {
                output.says_no();
            }
        }
    }
    Ok(())
}

/// The wiring to a chip, to standard output or into a file.
fn draw(case: CaseName, out: Option<&Path>, output: &Output) -> Result<(), JobError> {
    let case = match case {
        CaseName::Soic8 => Case::Soic8,
        CaseName::Soic16 => Case::Soic16,
        CaseName::Wson8 => Case::Wson8,
    };
    let svg = link_wiring::drawing(case);
    let Some(out) = out else {
        output.print(&svg);
        return Ok(());
    };
    std::fs::write(out, &svg).map_err(|source| JobError::Io { doing: "write", path: out.to_path_buf(), source })?;
    let report = json!({ "case": case.name(), "drawing": out, "bytes": svg.len() });
    output.result(&report, || format!("{}: the eight wires to a chip in {}", out.display(), case.name()));
    Ok(())
}
