//! The vendor's update disc of the story, and a stick that is a file.
//!
//! The disc is what vendors publish: an image for disc drives that starts a hard disk of one partition, in which the update's files
//! stand.

use std::fs::File;
use std::os::unix::fs::FileExt;
use std::path::Path;

use image::scenario::{larkspur_port, larkspur_update};
use media::build::{disc, drive, fat};

use super::SEED;
use crate::drives::Stick;
use crate::error::JobError;

/// Bytes of the made-up stick.
pub(super) const STICK: u64 = 32 << 20;

const README: &[u8] = b"Larkspur Nine, firmware 1.18 and port firmware 1.2. Mains and a charged battery, please.\r\n";

/// Returns the update disc of the story: the same bytes each time, as its recipe and its profile pin them.
///
/// # Panics
/// Never: the files are fixed and fit.
#[must_use]
pub fn update_disc() -> Vec<u8> {
    let (main, port) = (larkspur_update(SEED), larkspur_port(SEED));
    let files = [("README.TXT", README), ("UPDATE/MAIN118.CAP", &main), ("UPDATE/PORT012.BIN", &port)];
    let system = fat(&files).expect("the files fit");
    disc("LARKSPUR_118", &drive(&system), &[("README.TXT", README)]).expect("the names are plain")
}

/// Plugs a stick in that held something else before: a file, which only a job of the demo can write.
///
/// # Errors
/// [`JobError::Io`].
pub(super) fn plug(path: &Path) -> Result<Stick, JobError> {
    let io = |source| JobError::Io { doing: "make", path: path.to_path_buf(), source };
    let file = File::options().write(true).create(true).truncate(true).open(path).map_err(io)?;
    file.set_len(STICK).and_then(|()| file.write_all_at(b"somebody's holiday pictures", 0)).map_err(io)?;
    Ok(Stick::Virtual(path.to_path_buf()))
}
