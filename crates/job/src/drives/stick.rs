//! A stick that is a file, for a job on the virtual bench.

use std::fs::File;
use std::io;
use std::os::unix::fs::FileExt;
use std::path::Path;

use media::write::Disk;

use crate::error::JobError;

/// A stick that is a file: as long as the file, plugged in as long as it is there.
pub(super) struct VirtualStick {
    file: File,
    size: u64,
}

impl VirtualStick {
    /// # Errors
    /// [`JobError::Io`].
    pub(super) fn open(path: &Path) -> Result<Self, JobError> {
        let opened = File::options().read(true).write(true).open(path).and_then(|file| {
            let size = file.metadata()?.len();
            Ok(Self { file, size })
        });
        opened.map_err(|source| JobError::Io { doing: "open", path: path.to_path_buf(), source })
    }
}

impl Disk for VirtualStick {
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
