//! The `intake` command.

use std::path::Path;

use job::JobError;
use job::intake::{IntakeRequest, intake, members};
use job::text::page;

use crate::args::IntakeArgs;
use crate::face::Face;
use crate::output::Output;

/// Takes a file in, or lists what is in it.
pub fn run(args: IntakeArgs, bench: &Path, output: &Output, face: &mut Face) -> Result<(), JobError> {
    if args.members {
        let report = members(&args.file, &args.member)?;
        output.result(&report, || page(&report.text()));
        return Ok(());
    }
    let request = IntakeRequest {
        file: args.file,
        list: args.list,
        signature: args.signature,
        key: args.key,
        origin: args.origin,
        expect: args.expect,
        weak: args.weak,
        members: args.member,
        change_key: args.change_key,
        job: args.job,
        signed: args.signed,
    };
    let report = intake(bench, &request, face)?;
    output.result(&report, || page(&report.text()));
    Ok(())
}
