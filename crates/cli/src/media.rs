//! The `media` commands.

use job::JobError;
use job::drives::{self, WriteRequest};
use job::media::{ExtractRequest, extract};
use job::text::page;

use crate::args::{Global, MediaCommand};
use crate::bench_dir;
use crate::face::Face;
use crate::output::Output;

/// Runs a command on boot media.
pub fn run(command: MediaCommand, global: &Global, output: &Output, face: &mut Face) -> Result<(), JobError> {
    match command {
        MediaCommand::Extract { medium, image, inside, out } => {
            let report = extract(&ExtractRequest { medium, image, inside, out })?;
            output.result(&report, || page(&report.text()));
        }
        MediaCommand::Drives => {
            let list = drives::list(global.redact);
            output.result(&list, || page(&list.text()));
        }
        MediaCommand::Write { image, drive, size, job } => {
            let job = job.map(|job| Ok::<_, JobError>((bench_dir(global)?, job))).transpose()?;
            let request = WriteRequest { image, drive, size, job };
            let written = drives::write(&request, global.redact, face)?;
            output.result(&written, || written.text());
        }
    }
    Ok(())
}
