//! Writes an image onto a file as `media write` writes a drive, past the system's cache both ways, and prints the seconds.
//!
//! usage: write_speed IMAGE FILE
//!
//! A drive that nobody has to plug in: the file's disk is as fast as sticks get, and the processor is a real one. `scripts/measure`
//! holds it beside `dd` on the same file.

use std::fs::{File, OpenOptions};
use std::os::unix::fs::OpenOptionsExt;
use std::time::Instant;

use media::open::OpenFile;
use media::source::FileSource;
use media::write::{Disk, write};
use nix::fcntl::OFlag;

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let [image, path] = arguments.as_slice() else { return Err("usage: write_speed IMAGE FILE".into()) };
    let image = FileSource::new(File::open(image)?)?;
    let file = OpenOptions::new().read(true).write(true).custom_flags(OFlag::O_DIRECT.bits()).open(path)?;
    let stick = OpenFile::new(file)?;
    let begun = Instant::now();
    write(&image, &stick, stick.size(), &mut |_, _| true)?;
    println!("{:.3}", begun.elapsed().as_secs_f64());
    Ok(())
}
