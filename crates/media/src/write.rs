//! An image onto a drive: written, flushed, read back past the cache, compared.
//!
//! What a caller must know: [`crate::drives`] says which drive may be written, and a person has named it by its size before
//! anything is opened here. The drive is opened for itself alone, so that nothing of it can be mounted meanwhile; its size is
//! looked at again then. An image that is shorter than the drive leaves a stale second partition table at the drive's end,
//! which is wiped.
//!
//! The decision a reader would question: transfers go past the kernel's cache (`O_DIRECT`) both ways. A read that comes out of
//! memory proves nothing of the stick, and a write that only reached memory shows its error too late.

use std::fs::{File, OpenOptions};
use std::io;
use std::os::unix::fs::{FileExt, FileTypeExt, OpenOptionsExt};
use std::path::Path;

use sha2::{Digest, Sha256};

use crate::source::{Error as SourceError, Source};

/// Bytes of one transfer.
const PIECE: usize = 4 << 20;
/// What transfers past the cache have to be aligned to, in memory and on the drive; no drive has larger sectors.
const ALIGN: usize = 4096;
/// Bytes at a drive's end in which the second partition table stands: a header and 32 sectors of entries, of 512 bytes
/// (UEFI 2.10, section 5.3.1), up to the next multiple of what transfers are aligned to.
const STALE: u64 = 20 << 10;

/// Something that an image is written onto.
pub trait Disk {
    /// Its bytes.
    fn size(&self) -> u64;
    /// Reads at a place; both are multiples of 4096, but for the disk's last bytes.
    ///
    /// # Errors
    /// What the system says.
    fn read_at(&self, at: u64, buffer: &mut [u8]) -> io::Result<()>;
    /// Writes at a place, as [`Disk::read_at`].
    ///
    /// # Errors
    /// What the system says.
    fn write_at(&self, at: u64, bytes: &[u8]) -> io::Result<()>;
    /// Comes back when everything that was written is on the medium.
    ///
    /// # Errors
    /// What the system says.
    fn flush(&self) -> io::Result<()>;
}

/// How far a write has come.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Phase {
    /// Bytes written.
    Writing,
    /// Bytes read back and compared.
    Comparing,
}

/// What was written and read again.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Written {
    /// Bytes of the image.
    pub size: u64,
    /// SHA-256 of what was read back.
    pub sha256: [u8; 32],
    /// Bytes at the drive's end that were wiped.
    pub wiped: u64,
}

/// Why an image is not on a drive.
#[derive(Debug, thiserror::Error)]
pub enum WriteError {
    /// The drive is not the one that was named.
    #[error("the drive has {found} bytes now, and {named} were named: it is another one")]
    OtherSize {
        /// Bytes named.
        named: u64,
        /// Bytes found.
        found: u64,
    },
    /// The image does not fit.
    #[error("the image has {image} bytes and the drive {drive}")]
    TooSmall {
        /// Bytes of the image.
        image: u64,
        /// Bytes of the drive.
        drive: u64,
    },
    /// It cannot be opened for itself alone.
    #[error("cannot open the drive for itself alone")]
    Open(#[source] io::Error),
    /// A transfer failed.
    #[error("{doing} failed at {at:#x}: the drive was pulled, is full before its stated end, or is worn out")]
    Transfer {
        /// Writing, reading back, flushing, wiping.
        doing: &'static str,
        /// Where.
        at: u64,
        /// What the system says.
        source: io::Error,
    },
    /// What was read back is not what was written.
    #[error("the drive gives back other bytes than were written, first at {at:#x}: throw it away")]
    Differs {
        /// The first byte that differs.
        at: u64,
    },
    /// The image cannot be read.
    #[error("the image cannot be read")]
    Image(#[from] SourceError),
    /// The caller asked for it.
    #[error("stopped as asked; what is on the drive now starts nothing")]
    Stopped,
}

/// Writes `image` onto `disk`, which has to have `named` bytes, reads it back and compares. `goes_on` hears how far it came and
/// answers whether to go on.
///
/// # Errors
/// [`WriteError`]; run again, it begins anew.
pub fn write(
    image: &dyn Source,
    disk: &dyn Disk,
    named: u64,
    goes_on: &mut dyn FnMut(Phase, u64) -> bool,
) -> Result<Written, WriteError> {
    let (size, drive) = (image.len(), disk.size());
    if drive != named {
        return Err(WriteError::OtherSize { named, found: drive });
    }
    if size > drive {
        return Err(WriteError::TooSmall { image: size, drive });
    }
    let failed = |doing, at| move |source| WriteError::Transfer { doing, at, source };
    let mut memory = Aligned::new();
    let mut other = Aligned::new();
    let pieces = || (0..size).step_by(PIECE).map(|at| (at, usize::try_from(size - at).unwrap_or(PIECE).min(PIECE)));
    // What is beside the image's last bytes in their block stays as it was.
    let whole = |at: u64, len: usize| len.next_multiple_of(ALIGN).min(usize::try_from(drive - at).unwrap_or(PIECE));
    for (at, len) in pieces() {
        let block = &mut memory.bytes()[..whole(at, len)];
        if block.len() > len {
            disk.read_at(at, block).map_err(failed("reading", at))?;
        }
        image.read_at(at, &mut block[..len])?;
        disk.write_at(at, block).map_err(failed("writing", at))?;
        if !goes_on(Phase::Writing, at + len as u64) {
            return Err(WriteError::Stopped);
        }
    }
    let wiped = wipe(disk, size, drive, &mut memory)?;
    disk.flush().map_err(failed("flushing", size))?;
    let mut hash = Sha256::new();
    for (at, len) in pieces() {
        let block = &mut memory.bytes()[..whole(at, len)];
        disk.read_at(at, block).map_err(failed("reading back", at))?;
        let wanted = &mut other.bytes()[..len];
        image.read_at(at, wanted)?;
        if block[..len] != *wanted {
            let offset = block.iter().zip(wanted.iter()).position(|(found, wanted)| found != wanted).unwrap_or(0);
            return Err(WriteError::Differs { at: at + offset as u64 });
        }
        hash.update(&block[..len]);
        if !goes_on(Phase::Comparing, at + len as u64) {
            return Err(WriteError::Stopped);
        }
    }
    Ok(Written { size, sha256: hash.finalize().into(), wiped })
}

/// Wipes the drive's last bytes, as far as the image does not reach into them.
fn wipe(disk: &dyn Disk, size: u64, drive: u64, memory: &mut Aligned) -> Result<u64, WriteError> {
    let from = (drive.saturating_sub(STALE)).max(size).next_multiple_of(ALIGN as u64);
    let Some(len) = drive.checked_sub(from).filter(|len| *len > 0) else { return Ok(0) };
    let block = &mut memory.bytes()[..usize::try_from(len).unwrap_or(PIECE)];
    block.fill(0);
    disk.write_at(from, block).map_err(|source| WriteError::Transfer { doing: "wiping", at: from, source })?;
    Ok(len)
}

/// Memory for transfers past the cache.
struct Aligned {
    memory: Vec<u8>,
    from: usize,
}

impl Aligned {
    fn new() -> Self {
        let memory = vec![0; PIECE + ALIGN];
        let from = memory.as_ptr().align_offset(ALIGN).min(ALIGN);
        Self { memory, from }
    }

    fn bytes(&mut self) -> &mut [u8] {
        &mut self.memory[self.from..self.from + PIECE]
    }
}

/// A drive of this computer, open for itself alone.
#[derive(Debug)]
pub struct OpenDrive {
    file: File,
    size: u64,
}

impl OpenDrive {
    /// Opens a drive's node. The kernel refuses it while anything of the drive is mounted.
    ///
    /// # Errors
    /// [`WriteError::Open`].
    pub fn open(node: &Path) -> Result<Self, WriteError> {
        // O_DIRECT has another number on each kind of machine; nix knows them.
        let flags = nix::fcntl::OFlag::O_DIRECT | nix::fcntl::OFlag::O_EXCL | nix::fcntl::OFlag::O_CLOEXEC;
        let file = OpenOptions::new().read(true).write(true).custom_flags(flags.bits()).open(node);
        let file = file.map_err(WriteError::Open)?;
        if !file.metadata().map_err(WriteError::Open)?.file_type().is_block_device() {
            return Err(WriteError::Open(io::Error::other("it is no drive")));
        }
        let size = io::Seek::seek(&mut &file, io::SeekFrom::End(0)).map_err(WriteError::Open)?;
        Ok(Self { file, size })
    }
}

impl Disk for OpenDrive {
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

#[cfg(test)]
mod tests {
    use std::cell::{Cell, RefCell};

    use super::*;

    /// A drive in memory that can be full early, pulled, or lie.
    struct Stick {
        cells: RefCell<Vec<u8>>,
        full_from: u64,
        pulled_after: Cell<u32>,
        lies_from: usize,
    }

    impl Stick {
        fn of(size: usize) -> Self {
            let cells = RefCell::new(vec![0xA5; size]);
            Self { cells, full_from: u64::MAX, pulled_after: Cell::new(u32::MAX), lies_from: usize::MAX }
        }

        fn touch(&self, at: u64, len: usize) -> io::Result<()> {
            assert!(at.is_multiple_of(ALIGN as u64), "{at:#x} is not aligned");
            assert!(len.is_multiple_of(ALIGN) || at + len as u64 == self.size(), "{len:#x} is not aligned");
            let left = self.pulled_after.get().checked_sub(1).ok_or_else(|| io::Error::other("No such device"))?;
            self.pulled_after.set(left);
            Ok(())
        }
    }

    impl Disk for Stick {
        fn size(&self) -> u64 {
            self.cells.borrow().len() as u64
        }

        fn read_at(&self, at: u64, buffer: &mut [u8]) -> io::Result<()> {
            self.touch(at, buffer.len())?;
            buffer.copy_from_slice(&self.cells.borrow()[at as usize..at as usize + buffer.len()]);
            if at as usize + buffer.len() > self.lies_from {
                buffer[self.lies_from.saturating_sub(at as usize)] ^= 1;
            }
            Ok(())
        }

        fn write_at(&self, at: u64, bytes: &[u8]) -> io::Result<()> {
            self.touch(at, bytes.len())?;
            if at + bytes.len() as u64 > self.full_from {
                return Err(io::Error::from(io::ErrorKind::StorageFull));
            }
            self.cells.borrow_mut()[at as usize..at as usize + bytes.len()].copy_from_slice(bytes);
            Ok(())
        }

        fn flush(&self) -> io::Result<()> {
            Ok(())
        }
    }

    const MIB: usize = 1 << 20;

    fn image(len: usize) -> Vec<u8> {
        (0..len).map(|at| (at * 31 + at / 251) as u8).collect()
    }

    fn put(image: &Vec<u8>, stick: &Stick) -> Result<Written, WriteError> {
        write(image, stick, stick.size(), &mut |_, _| true)
    }

    #[test]
    fn what_is_written_is_read_back_and_the_end_is_wiped() {
        for len in [1, 512, 4096, 5000, 4 * MIB, 9 * MIB + 777] {
            let (image, stick) = (image(len), Stick::of(10 * MIB));
            let written = put(&image, &stick).expect("a sound stick");
            let cells = stick.cells.borrow();
            assert!(cells[..len] == image, "{len}");
            assert!(cells[len..10 * MIB - STALE as usize].iter().all(|byte| *byte == 0xA5), "beside the image: {len}");
            assert!(cells[10 * MIB - STALE as usize..].iter().all(|byte| *byte == 0), "{len}");
            assert_eq!((written.size, written.wiped), (len as u64, STALE));
            assert_eq!(written.sha256, <[u8; 32]>::from(Sha256::digest(&image)));
        }
    }

    /// A drive's size need be no multiple of what transfers are aligned to, and an image may reach to its end.
    #[test]
    fn an_image_as_large_as_the_drive_is_not_wiped() {
        for size in [8 * MIB, 5 * MIB + 512] {
            let (image, stick) = (image(size), Stick::of(size));
            assert_eq!(put(&image, &stick).expect("a sound stick").wiped, 0);
            assert!(*stick.cells.borrow() == image);
            let short = image[..size - 700].to_vec();
            let stick = Stick::of(size);
            put(&short, &stick).expect("a sound stick");
            assert!(stick.cells.borrow()[..size - 700] == short[..]);
        }
    }

    #[test]
    fn s11_another_size_than_the_named_one_is_never_written() {
        let (image, stick) = (image(MIB), Stick::of(2 * MIB));
        let refused = write(&image, &stick, 2 * MIB as u64 + 512, &mut |_, _| true);
        assert!(matches!(refused, Err(WriteError::OtherSize { .. })));
        let small = Stick::of(MIB / 2);
        assert!(matches!(put(&image, &small), Err(WriteError::TooSmall { .. })));
        assert!(stick.cells.borrow().iter().chain(small.cells.borrow().iter()).all(|byte| *byte == 0xA5));
    }

    #[test]
    fn a_pulled_a_full_and_a_lying_stick_are_told() {
        let image = image(9 * MIB);
        for after in 0..6 {
            let stick = Stick::of(10 * MIB);
            stick.pulled_after.set(after);
            assert!(matches!(put(&image, &stick), Err(WriteError::Transfer { .. })), "after {after}");
        }
        let full = Stick { full_from: 8 * MIB as u64, ..Stick::of(10 * MIB) };
        let Err(WriteError::Transfer { doing: "writing", at, .. }) = put(&image, &full) else { panic!("full") };
        assert_eq!(at, 8 * MIB as u64);
        let lying = Stick { lies_from: 6 * MIB + 3, ..Stick::of(10 * MIB) };
        let Err(WriteError::Differs { at }) = put(&image, &lying) else { panic!("a lie") };
        assert_eq!(at, 6 * MIB as u64 + 3);
    }

    #[test]
    fn it_stops_when_asked() {
        let (image, stick) = (image(9 * MIB), Stick::of(10 * MIB));
        let stopped = write(&image, &stick, stick.size(), &mut |phase, _| phase == Phase::Writing);
        assert!(matches!(stopped, Err(WriteError::Stopped)));
    }

    #[test]
    fn what_is_no_drive_is_not_opened() {
        let file = tempfile::NamedTempFile::new().expect("a file");
        assert!(matches!(OpenDrive::open(file.path()), Err(WriteError::Open(_))));
        assert!(matches!(OpenDrive::open(Path::new("/dev/null")), Err(WriteError::Open(_))));
    }
}
