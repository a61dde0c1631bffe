//! Compressed streams: gzip, xz and zstd, decoded as they are read, with the output counted.

use std::fmt;
use std::io::{self, BufReader, Read};

use super::ArchiveError;

/// How a stream is compressed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Packing {
    Gzip,
    Xz,
    Zstd,
}

impl Packing {
    /// Returns the packing that these first bytes announce. Sources: RFC 1952 section 2.3.1, the .xz file format 1.2.1 section
    /// 2.1.1.1, RFC 8878 section 3.1.1 (and 3.1.2 for skippable frames, which may come first).
    pub(super) fn of(head: &[u8]) -> Option<Self> {
        match head {
            [0x1F, 0x8B, 0x08, ..] => Some(Self::Gzip),
            [0xFD, b'7', b'z', b'X', b'Z', 0x00, ..] => Some(Self::Xz),
            [0x28, 0xB5, 0x2F, 0xFD, ..] | [0x50..=0x5F, 0x2A, 0x4D, 0x18, ..] => Some(Self::Zstd),
            _ => None,
        }
    }

    pub(super) fn name(self) -> &'static str {
        match self {
            Self::Gzip => "gzip",
            Self::Xz => "xz",
            Self::Zstd => "zstd",
        }
    }

    /// Returns the decoded stream. `live` is the most that the decoder's window may take.
    pub(super) fn decoder<'a>(self, packed: &'a mut dyn Read, live: u64) -> Result<Box<dyn Read + 'a>, ArchiveError> {
        let packed = BufReader::with_capacity(1 << 16, packed);
        Ok(match self {
            Self::Gzip => Box::new(flate2::bufread::MultiGzDecoder::new(packed)),
            Self::Xz => {
                let most = (live / 1024).clamp(MOST_DICTIONARY_KIB, u64::from(u32::MAX - 1));
                let most = u32::try_from(most).unwrap_or(u32::MAX - 1);
                Box::new(lzma_rust2::XzReader::new_mem_limit(packed, true, most))
            }
            Self::Zstd => {
                let mut decoder = zstd::stream::read::Decoder::with_buffer(packed).map_err(ArchiveError::Read)?;
                decoder.window_log_max(live.ilog2().clamp(MOST_WINDOW_LOG, 31)).map_err(ArchiveError::Read)?;
                Box::new(decoder)
            }
        })
    }
}

/// The strongest preset of the xz tool asks for a dictionary of 64 MiB, however small the file; both decoders take as much memory as
/// they fill. Of zstd the same, though its strongest levels and `--long` may ask for more: who packs so has large files.
const MOST_WINDOW_LOG: u32 = 26;
/// A dictionary of 64 MiB and the decoder's own needs.
const MOST_DICTIONARY_KIB: u64 = 65 * 1024;

/// A reader that fails once more than `left` bytes came out of it.
pub(super) struct Metered<R> {
    inner: R,
    left: u64,
    most: u64,
}

impl<R: Read> Metered<R> {
    pub(super) fn new(inner: R, most: u64) -> Self {
        Self { inner, left: most, most }
    }
}

impl<R: Read> Read for Metered<R> {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        let read = self.inner.read(buffer)?;
        match self.left.checked_sub(read as u64) {
            Some(left) => self.left = left,
            None => return Err(io::Error::other(Spent { most: self.most })),
        }
        Ok(read)
    }
}

/// What [`Metered`] ends with.
#[derive(Debug)]
pub(super) struct Spent {
    pub(super) most: u64,
}

impl fmt::Display for Spent {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "more than {} bytes come out", self.most)
    }
}

impl std::error::Error for Spent {}
