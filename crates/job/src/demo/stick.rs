//! The vendor's update disc of the story, and a stick that is a file.
//!
//! The disc is what vendors publish: an image for disc drives that starts a hard disk of one partition, in which the update's files
//! stand. The stick is no drive of this computer and cannot be named to `media write`: only the demo opens it.

use std::fs::File;
use std::io;
use std::os::unix::fs::FileExt;
use std::path::Path;

use image::scenario::{larkspur_port, larkspur_update};
use media::build::{disc, drive, fat};
use media::write::Disk;

use super::SEED;

/// Bytes of the made-up stick.
const STICK: u64 = 32 << 20;

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

/// A stick that is a file.
pub(super) struct VirtualStick(File);

impl VirtualStick {
    /// Plugs one in that held something else before.
    pub(super) fn plug(path: &Path) -> io::Result<Self> {
        let file = File::options().read(true).write(true).create(true).truncate(true).open(path)?;
        file.set_len(STICK)?;
        file.write_all_at(b"somebody's holiday pictures", 0)?;
        Ok(Self(file))
    }
}

impl Disk for VirtualStick {
    fn size(&self) -> u64 {
        STICK
    }

    fn read_at(&self, at: u64, buffer: &mut [u8]) -> io::Result<()> {
        self.0.read_exact_at(buffer, at)
    }

    fn write_at(&self, at: u64, bytes: &[u8]) -> io::Result<()> {
        self.0.write_all_at(bytes, at)
    }

    fn flush(&self) -> io::Result<()> {
        self.0.sync_all()
    }
}
