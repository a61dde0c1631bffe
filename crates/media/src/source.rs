//! Bytes to read from at any place: a file, or a part of one.

use std::fs::File;
use std::io;
use std::os::unix::fs::FileExt;
use std::time::SystemTime;

/// Something with bytes in it. A second thread may read it meanwhile.
pub trait Source: Sync {
    /// Bytes in it.
    fn len(&self) -> u64;

    /// Whether there are none.
    fn is_empty(&self) -> bool {
        self.len() == 0
    }

    /// Fills `buffer` from `at` on.
    ///
    /// # Errors
    /// [`Error::Short`] when fewer bytes are there, [`Error::Read`] when the system cannot read them.
    fn read_at(&self, at: u64, buffer: &mut [u8]) -> Result<(), Error>;

    /// Returns `len` bytes from `at` on; meant for heads and tables, at most 1 MiB.
    ///
    /// # Errors
    /// As [`Source::read_at`]; [`Error::Short`] also for more than 1 MiB.
    fn bytes(&self, at: u64, len: usize) -> Result<Vec<u8>, Error> {
        const MOST: usize = 1 << 20;
        if len > MOST || at.checked_add(len as u64).is_none_or(|end| end > self.len()) {
            return Err(Error::Short { at, len: len as u64, size: self.len() });
        }
        let mut bytes = vec![0; len];
        self.read_at(at, &mut bytes)?;
        Ok(bytes)
    }
}

/// Why something cannot be read.
#[derive(Debug, thiserror::Error)]
pub enum Error {
    /// It ends too early.
    #[error("{len} bytes are wanted at {at:#x}, and it ends at {size:#x}")]
    Short {
        /// First byte wanted.
        at: u64,
        /// Bytes wanted.
        len: u64,
        /// Bytes that there are.
        size: u64,
    },
    /// The system cannot read.
    #[error("cannot read at {at:#x}")]
    Read {
        /// Where.
        at: u64,
        /// What the system says.
        source: io::Error,
    },
    /// It is not what it was taken for, or breaks a rule of it.
    #[error("{what}")]
    Broken {
        /// The rule and the place.
        what: String,
    },
}

impl Error {
    pub(crate) fn broken(what: impl Into<String>) -> Self {
        Self::Broken { what: what.into() }
    }
}

impl Source for Vec<u8> {
    fn len(&self) -> u64 {
        self.as_slice().len() as u64
    }

    fn read_at(&self, at: u64, buffer: &mut [u8]) -> Result<(), Error> {
        let short = || Error::Short { at, len: buffer.len() as u64, size: Source::len(self) };
        let start = usize::try_from(at).map_err(|_| short())?;
        let end = start.checked_add(buffer.len()).ok_or_else(short)?;
        let bytes = self.get(start..end).ok_or_else(short)?;
        buffer.copy_from_slice(bytes);
        Ok(())
    }
}

/// A file whose size was looked at once.
#[derive(Debug)]
pub struct FileSource {
    file: File,
    size: u64,
    changed: Option<SystemTime>,
}

impl FileSource {
    /// Takes a regular file.
    ///
    /// # Errors
    /// [`Error::Broken`] for what is no regular file and may never end, [`Error::Read`] when the system does not tell.
    pub fn new(file: File) -> Result<Self, Error> {
        let meta = file.metadata().map_err(|source| Error::Read { at: 0, source })?;
        if !meta.is_file() {
            return Err(Error::broken("it is no file but a folder, a device or a pipe"));
        }
        Ok(Self { size: meta.len(), changed: meta.modified().ok(), file })
    }

    /// Tells whether nobody has written it since it was taken.
    pub fn is_unchanged(&self) -> bool {
        self.file.metadata().is_ok_and(|meta| (meta.len(), meta.modified().ok()) == (self.size, self.changed))
    }
}

impl Source for FileSource {
    fn len(&self) -> u64 {
        self.size
    }

    fn read_at(&self, at: u64, buffer: &mut [u8]) -> Result<(), Error> {
        if at.checked_add(buffer.len() as u64).is_none_or(|end| end > self.size) {
            return Err(Error::Short { at, len: buffer.len() as u64, size: self.size });
        }
        self.file.read_exact_at(buffer, at).map_err(|source| Error::Read { at, source })
    }
}

/// A stretch of another source.
#[derive(Clone, Copy)]
pub struct Part<'a> {
    whole: &'a dyn Source,
    at: u64,
    len: u64,
}

impl<'a> Part<'a> {
    /// Returns the bytes `at..at + len` of `whole`.
    ///
    /// # Errors
    /// [`Error::Short`] when it ends before.
    pub fn new(whole: &'a dyn Source, at: u64, len: u64) -> Result<Self, Error> {
        if at.checked_add(len).is_none_or(|end| end > whole.len()) {
            return Err(Error::Short { at, len, size: whole.len() });
        }
        Ok(Self { whole, at, len })
    }
}

impl Source for Part<'_> {
    fn len(&self) -> u64 {
        self.len
    }

    fn read_at(&self, at: u64, buffer: &mut [u8]) -> Result<(), Error> {
        if at.checked_add(buffer.len() as u64).is_none_or(|end| end > self.len) {
            return Err(Error::Short { at, len: buffer.len() as u64, size: self.len });
        }
        self.whole.read_at(self.at + at, buffer)
    }
}

pub(crate) fn u16_at(bytes: &[u8], at: usize) -> u16 {
    bytes.get(at..at + 2).map_or(0, |two| u16::from_le_bytes([two[0], two[1]]))
}

pub(crate) fn u32_at(bytes: &[u8], at: usize) -> u32 {
    bytes.get(at..at + 4).map_or(0, |four| u32::from_le_bytes([four[0], four[1], four[2], four[3]]))
}

pub(crate) fn u64_at(bytes: &[u8], at: usize) -> u64 {
    u64::from(u32_at(bytes, at)) | u64::from(u32_at(bytes, at + 4)) << 32
}

/// Returns a name in which nothing can lead elsewhere or move a cursor.
pub(crate) fn safe_name(name: &str) -> String {
    let letter = |letter: char| if matches!(letter, '/' | '\\') || letter.is_control() { '_' } else { letter };
    let name: String = name.chars().map(letter).collect();
    if matches!(name.as_str(), "" | "." | "..") { "_".into() } else { name }
}
