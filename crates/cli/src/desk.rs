//! `desk`: opens the web page of this computer, says where it is, and serves until Ctrl-C.

use std::path::Path;
use std::process::{Command, Stdio};

use ::desk::Settings;
use job::JobError;
use serde_json::json;

use crate::args::{DeskArgs, PageArgs};
use crate::face::{Face, stop_flag};
use crate::output::Output;

/// Serves the bench.
pub fn run(args: DeskArgs, bench: &Path, output: &Output) -> Result<(), JobError> {
    // A bench that cannot be opened is said here and not on a page.
    drop(job::open_bench(bench)?);
    let settings = Settings { bench: bench.to_path_buf(), port: args.page.port, links: args.links, files: args.files };
    serve(settings, &args.page, output)
}

/// Serves a bench with an invented machine that was taken in.
pub fn demo(args: &PageArgs, bench: &Path, output: &Output, face: &mut Face) -> Result<(), JobError> {
    let set = job::demo::set_for_desk(bench, face)?;
    let settings = Settings { bench: bench.to_path_buf(), port: args.port, links: set.links, files: vec![set.files] };
    serve(settings, args, output)
}

fn serve(settings: Settings, args: &PageArgs, output: &Output) -> Result<(), JobError> {
    let bench = settings.bench.clone();
    let desk = ::desk::open(settings)?;
    let address = desk.address();
    output.result(&json!({ "address": address, "bench": bench }), || {
        format!("the desk on {} is open, for this computer alone:\n  {address}\nCtrl-C ends it", bench.display())
    });
    if args.open {
        // Whether a browser comes up cannot be known; the address is printed either way.
        let quiet = || Stdio::null();
        let _ = Command::new("xdg-open").arg(&address).stdin(quiet()).stdout(quiet()).stderr(quiet()).spawn();
    }
    desk.run(stop_flag())
}
