//! A drive of this computer, open for firmhand alone.
//!
//! What a caller must know: sticks are swapped while questions stand, and names move with them. So a drive is looked at again once
//! it is open, and has to be the one that was looked at before: same number, model, serial number, size, and still nothing that
//! speaks against writing. What has been opened stays what it is: a stick that is plugged in later never gets its writes.

use std::fs::{File, OpenOptions};
use std::io;
use std::os::unix::fs::{FileExt, FileTypeExt, MetadataExt, OpenOptionsExt};
use std::thread;
use std::time::Duration;

use nix::fcntl::OFlag;
use nix::sys::stat::{major, minor};

use crate::drives::{Drive, System};
use crate::write::{Disk, WriteError};

/// How long and how often is looked, after a transfer that failed, whether the drive goes: the kernel lets its transfers fail
/// first.
const LOOKS: u32 = 20;
const LOOK: Duration = Duration::from_millis(100);

/// A file that plays a disk: all of it, as long as it is.
#[derive(Debug)]
pub struct OpenFile {
    file: File,
    size: u64,
}

impl OpenFile {
    /// Takes a file that was opened for reading and writing.
    ///
    /// # Errors
    /// What the system says.
    pub fn new(file: File) -> io::Result<Self> {
        let size = io::Seek::seek(&mut &file, io::SeekFrom::End(0))?;
        Ok(Self { file, size })
    }
}

impl Disk for OpenFile {
    fn size(&self) -> u64 {
        self.size
    }

    fn read_at(&self, at: u64, buffer: &mut [u8]) -> io::Result<()> {
        self.file.read_exact_at(buffer, at)
    }

    fn write_at(&self, at: u64, bytes: &[u8]) -> io::Result<()> {
        self.file.write_all_at(bytes, at)
    }

    fn flush(&self) -> io::Result<()> {
        self.file.sync_all()
    }
}

/// A drive that is open for itself alone.
#[derive(Debug)]
pub struct OpenDrive {
    disk: OpenFile,
    drive: Drive,
    system: System,
}

impl OpenDrive {
    /// Opens a drive that may be written. The kernel refuses it while anything of the drive is mounted.
    ///
    /// # Errors
    /// [`WriteError::Open`]; [`WriteError::OtherDrive`] when it is not `drive` any more.
    pub fn open(drive: &Drive, system: &System) -> Result<Self, WriteError> {
        // O_DIRECT has another number on each kind of machine; nix knows them.
        let flags = OFlag::O_DIRECT | OFlag::O_EXCL | OFlag::O_CLOEXEC;
        let file = OpenOptions::new().read(true).write(true).custom_flags(flags.bits()).open(&drive.node);
        let file = file.map_err(WriteError::Open)?;
        let meta = file.metadata().map_err(WriteError::Open)?;
        if !meta.file_type().is_block_device() {
            return Err(WriteError::Open(io::Error::other("it is no drive")));
        }
        let number = format!("{}:{}", major(meta.rdev()), minor(meta.rdev()));
        let disk = OpenFile::new(file).map_err(WriteError::Open)?;
        let open = Self { disk, drive: drive.clone(), system: system.clone() };
        if (number, open.disk.size) != (drive.number.clone(), drive.size) || !open.is_same() {
            return Err(WriteError::OtherDrive { node: drive.node.clone() });
        }
        Ok(open)
    }

    fn is_same(&self) -> bool {
        self.drive.is_writable() && self.system.drive_of(&self.drive.node).as_ref() == Some(&self.drive)
    }
}

impl Disk for OpenDrive {
    fn size(&self) -> u64 {
        self.disk.size()
    }

    fn read_at(&self, at: u64, buffer: &mut [u8]) -> io::Result<()> {
        self.disk.read_at(at, buffer)
    }

    fn write_at(&self, at: u64, bytes: &[u8]) -> io::Result<()> {
        self.disk.write_at(at, bytes)
    }

    fn flush(&self) -> io::Result<()> {
        self.disk.flush()
    }

    fn is_there(&self) -> bool {
        for _ in 0..LOOKS {
            if !self.is_same() {
                return false;
            }
            thread::sleep(LOOK);
        }
        true
    }
}

#[cfg(test)]
mod tests {
    use std::path::PathBuf;

    use super::*;

    #[test]
    fn s11_what_is_no_drive_is_not_opened() {
        let file = tempfile::NamedTempFile::new().expect("a file");
        for node in [file.path().to_path_buf(), PathBuf::from("/dev/null")] {
            let drive = Drive {
                node,
                number: "1:3".into(),
                model: String::new(),
                serial: None,
                size: 0,
                mounts: Vec::new(),
                refusals: Vec::new(),
            };
            assert!(matches!(OpenDrive::open(&drive, &System::default()), Err(WriteError::Open(_))));
        }
    }
}
