//! An image onto a drive: written, flushed, read back past the cache, compared.
//!
//! What a caller must know: [`mod@crate::drives`] says which drive may be written, a person has named it by its size, and
//! [`crate::open`] opens it for itself alone. An image that is shorter than the drive leaves a stale second partition table at
//! the drive's end, which is wiped.
//!
//! The order keeps a half-written stick from being started: the image's first 64 KiB, in which boot sectors, partition tables and
//! the first descriptors of file systems stand, are zeros on the drive until everything else was read back and is equal.
//!
//! The decisions a reader would question: transfers go past the kernel's cache (`O_DIRECT`) both ways. A read that comes out of
//! memory proves nothing of the stick, and a write that only reached memory shows its error too late. And a second thread reads
//! the image, compares and hashes, so that the drive, the slowest of all, never waits for that.

use std::io;
use std::path::PathBuf;
use std::sync::mpsc;
use std::thread;

use sha2::{Digest, Sha256};

use crate::source::{Error as SourceError, Source};

#[cfg(test)]
mod tests;

/// Bytes of one transfer.
const PIECE: usize = 4 << 20;
/// What transfers past the cache have to be aligned to, in memory and on the drive; no drive has larger sectors.
const ALIGN: usize = 4096;
/// Bytes at the beginning that are written last. A partition table takes 34 sectors of 512 bytes or 6 of 4096 (UEFI 2.10, section
/// 5.3.1), and a disc image's descriptors begin at 32 KiB (ECMA-119, section 6.2.1).
const HEAD: usize = 64 << 10;
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
    /// Tells, after a transfer that failed, whether it is still there; what cannot be pulled always is.
    fn is_there(&self) -> bool {
        true
    }
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
    /// Another drive has taken its name.
    #[error("{} is another drive now than the one that was named", node.display())]
    OtherDrive {
        /// Its node.
        node: PathBuf,
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
    /// It is not plugged in any more.
    #[error("the drive was pulled: {doing} was under way at {at:#x}")]
    Pulled {
        /// Writing, reading back, flushing, wiping.
        doing: &'static str,
        /// Where the transfer began.
        at: u64,
    },
    /// A transfer failed.
    #[error("{doing} failed at {at:#x} or up to 4 MiB behind it: the drive is full before its stated end, or worn out")]
    Transfer {
        /// Writing, reading back, flushing, wiping.
        doing: &'static str,
        /// Where the transfer began.
        at: u64,
        /// What the system says.
        source: io::Error,
    },
    /// What was read back is not what was written.
    #[error("the drive gives back other bytes than were written, first at {at:#x}")]
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
    let job = Job { image, disk, size, drive };
    let (mut head, mut end) = (Aligned::new(HEAD), Aligned::new(STALE as usize));
    let len = usize::try_from(size).unwrap_or(HEAD).min(HEAD);
    let head = &mut head.bytes()[..job.whole(0, len)];
    job.fill_up(0, len, head)?;
    head[..len].fill(0);
    job.put("writing", 0, head)?;
    let end_at = drive.saturating_sub(STALE).max(size).next_multiple_of(ALIGN as u64);
    let end = &mut end.bytes()[..usize::try_from(drive.saturating_sub(end_at)).unwrap_or(0)];
    job.put("wiping", end_at, end)?;
    job.flush()?;
    job.write_rest(goes_on)?;
    job.flush()?;
    let sha256 = job.compare_rest(goes_on)?;
    job.expect(0, head)?;
    job.expect(end_at, end)?;
    image.read_at(0, &mut head[..len])?;
    job.put("writing", 0, head)?;
    job.flush()?;
    job.expect(0, head)?;
    Ok(Written { size, sha256, wiped: end.len() as u64 })
}

/// One image and one drive.
struct Job<'a> {
    image: &'a dyn Source,
    disk: &'a dyn Disk,
    size: u64,
    drive: u64,
}

impl Job<'_> {
    /// The image behind its head, in pieces that end at multiples of [`PIECE`].
    fn pieces(&self) -> impl Iterator<Item = (u64, usize)> + use<> {
        let size = self.size;
        let mut at = HEAD as u64;
        std::iter::from_fn(move || {
            let end = (at / PIECE as u64 + 1).saturating_mul(PIECE as u64).min(size);
            let len = end.checked_sub(at).filter(|len| *len > 0)?;
            let piece = (at, usize::try_from(len).expect("no longer than a piece"));
            at = end;
            Some(piece)
        })
    }

    /// Writes the image but for its head. The next piece is read while one is written.
    fn write_rest(&self, goes_on: &mut dyn FnMut(Phase, u64) -> bool) -> Result<(), WriteError> {
        let (image, pieces) = (self.image, self.pieces());
        let (give, filled) = mpsc::channel();
        let (back, free) = two_buffers();
        thread::scope(move |scope| {
            scope.spawn(move || {
                for (at, len) in pieces {
                    // Nothing comes and nothing is taken when the other side has ended early.
                    let Ok(mut memory) = free.recv() else { return };
                    let read = image.read_at(at, &mut memory.bytes()[..len]).map(|()| memory);
                    if give.send(read).is_err() {
                        return;
                    }
                }
            });
            for (at, len) in self.pieces() {
                let mut memory = filled.recv().expect("each piece is read or an error")?;
                let block = &mut memory.bytes()[..self.whole(at, len)];
                self.fill_up(at, len, block)?;
                self.put("writing", at, block)?;
                if !goes_on(Phase::Writing, at + len as u64) {
                    return Err(WriteError::Stopped);
                }
                let _ = back.send(memory);
            }
            Ok(())
        })
    }

    /// Reads back all but the head, and returns the SHA-256 of the image, the head included. One piece is compared while the next
    /// one is read.
    fn compare_rest(&self, goes_on: &mut dyn FnMut(Phase, u64) -> bool) -> Result<[u8; 32], WriteError> {
        let (image, pieces) = (self.image, self.pieces());
        let head = usize::try_from(self.size).unwrap_or(HEAD).min(HEAD);
        let (give, filled) = mpsc::channel::<Aligned>();
        let (back, free) = two_buffers();
        thread::scope(move |scope| {
            let checker = scope.spawn(move || {
                let (mut hash, mut wanted) = (Sha256::new(), vec![0; PIECE]);
                image.read_at(0, &mut wanted[..head])?;
                hash.update(&wanted[..head]);
                for (at, len) in pieces {
                    let Ok(mut memory) = filled.recv() else { break };
                    image.read_at(at, &mut wanted[..len])?;
                    equal(at, &memory.bytes()[..len], &wanted[..len])?;
                    hash.update(&wanted[..len]);
                    let _ = back.send(memory);
                }
                Ok(hash.finalize().into())
            });
            for (at, len) in self.pieces() {
                // Nothing comes back when the other side has found something.
                let Ok(mut memory) = free.recv() else { break };
                let block = &mut memory.bytes()[..self.whole(at, len)];
                self.disk.read_at(at, block).map_err(|source| self.failed("reading back", at, source))?;
                if !goes_on(Phase::Comparing, at + len as u64) {
                    return Err(WriteError::Stopped);
                }
                let _ = give.send(memory);
            }
            drop(give);
            checker.join().unwrap_or_else(|panic| std::panic::resume_unwind(panic))
        })
    }

    /// Bytes of the transfer that moves `len` bytes of the image.
    fn whole(&self, at: u64, len: usize) -> usize {
        len.next_multiple_of(ALIGN).min(usize::try_from(self.drive - at).unwrap_or(usize::MAX))
    }

    /// Fills a block up behind the image's last bytes with what the drive holds there: what is beside the image stays as it was.
    fn fill_up(&self, at: u64, len: usize, block: &mut [u8]) -> Result<(), WriteError> {
        if len < block.len() {
            let from = len / ALIGN * ALIGN;
            let (mut old, at) = (Aligned::new(ALIGN), at + from as u64);
            let old = &mut old.bytes()[..block.len() - from];
            self.disk.read_at(at, old).map_err(|source| self.failed("reading", at, source))?;
            block[len..].copy_from_slice(&old[len - from..]);
        }
        Ok(())
    }

    fn put(&self, doing: &'static str, at: u64, block: &[u8]) -> Result<(), WriteError> {
        match block {
            [] => Ok(()),
            _ => self.disk.write_at(at, block).map_err(|source| self.failed(doing, at, source)),
        }
    }

    fn flush(&self) -> Result<(), WriteError> {
        self.disk.flush().map_err(|source| self.failed("flushing", self.size, source))
    }

    /// Reads a few bytes back and compares.
    fn expect(&self, at: u64, wanted: &[u8]) -> Result<(), WriteError> {
        if wanted.is_empty() {
            return Ok(());
        }
        let mut found = Aligned::new(wanted.len());
        let found = found.bytes();
        self.disk.read_at(at, found).map_err(|source| self.failed("reading back", at, source))?;
        equal(at, found, wanted)
    }

    fn failed(&self, doing: &'static str, at: u64, source: io::Error) -> WriteError {
        if self.disk.is_there() { WriteError::Transfer { doing, at, source } } else { WriteError::Pulled { doing, at } }
    }
}

/// Two buffers of a piece each, and the way by which they come back.
fn two_buffers() -> (mpsc::Sender<Aligned>, mpsc::Receiver<Aligned>) {
    let (back, free) = mpsc::channel();
    for _ in 0..2 {
        let _ = back.send(Aligned::new(PIECE));
    }
    (back, free)
}

fn equal(at: u64, found: &[u8], wanted: &[u8]) -> Result<(), WriteError> {
    if found == wanted {
        return Ok(());
    }
    let offset = found.iter().zip(wanted).position(|(found, wanted)| found != wanted).unwrap_or(0);
    Err(WriteError::Differs { at: at + offset as u64 })
}

/// Memory for transfers past the cache.
struct Aligned {
    memory: Vec<u8>,
    from: usize,
    len: usize,
}

impl Aligned {
    fn new(len: usize) -> Self {
        let memory = vec![0; len + ALIGN];
        let from = memory.as_ptr().align_offset(ALIGN).min(ALIGN);
        Self { memory, from, len }
    }

    fn bytes(&mut self) -> &mut [u8] {
        &mut self.memory[self.from..self.from + self.len]
    }
}
