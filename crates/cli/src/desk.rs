//! `desk`: opens the web page of this computer, says where it is, and serves until Ctrl-C.

use std::fs::{self, OpenOptions};
use std::io::Write;
use std::os::unix::fs::OpenOptionsExt;
use std::path::{Path, PathBuf};
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
    let settings = Settings {
        bench: bench.to_path_buf(),
        port: args.page.port,
        links: args.links,
        files: args.files,
        sticks: Vec::new(),
    };
    serve(settings, &args.page, output)
}

/// Serves a bench with an invented machine that was taken in.
pub fn demo(args: &PageArgs, bench: &Path, output: &Output, face: &mut Face) -> Result<(), JobError> {
    let set = job::demo::set_for_desk(bench, face)?;
    let settings = Settings {
        bench: bench.to_path_buf(),
        port: args.port,
        links: set.links,
        files: vec![set.files],
        sticks: set.sticks,
    };
    serve(settings, args, output)
}

fn serve(settings: Settings, args: &PageArgs, output: &Output) -> Result<(), JobError> {
    let bench = settings.bench.clone();
    let desk = ::desk::open(settings)?;
    let address = desk.address();
    output.result(&json!({ "address": address, "bench": bench }), || {
        format!("the desk on {} is open, for this computer alone:\n  {address}\nCtrl-C ends it", bench.display())
    });
    // Whether a browser comes up cannot be known; the address is printed either way.
    let way = args.open.then(|| Way::open(&bench, &address)).transpose()?;
    let served = desk.run(stop_flag());
    drop(way);
    served
}

/// A file that leads a browser to the desk. What a program is started with can be read by everybody on this computer, so the address
/// with its token does not stand there but in a file that only its owner can read. It goes with the desk.
struct Way(PathBuf);

impl Way {
    fn open(bench: &Path, address: &str) -> Result<Self, JobError> {
        let path = bench.join("desk.html");
        let io = |source| JobError::Io { doing: "write", path: path.clone(), source };
        let _ = fs::remove_file(&path);
        let mut file = OpenOptions::new().write(true).create_new(true).mode(0o600).open(&path).map_err(io)?;
        let page = format!(
            "<!doctype html>\n<meta charset=\"utf-8\">\n<title>firmhand desk</title>\n\
             <meta http-equiv=\"refresh\" content=\"0; url={address}\">\n<a href=\"{address}\">the desk</a>\n"
        );
        file.write_all(page.as_bytes()).map_err(io)?;
        let whole = fs::canonicalize(&path).map_err(io)?;
        let quiet = || Stdio::null();
        let _ = Command::new("xdg-open").arg(&whole).stdin(quiet()).stdout(quiet()).stderr(quiet()).spawn();
        Ok(Self(path))
    }
}

impl Drop for Way {
    fn drop(&mut self) {
        let _ = fs::remove_file(&self.0);
    }
}
