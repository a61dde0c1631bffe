//! The `link` commands.

use std::path::Path;

use job::text::page;
use job::{JobError, link_check, links};

use crate::args::{Global, LinkCommand};
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
