//! Zip archives, read by their central directory.
//!
//! Source: the published description of the format, APPNOTE.TXT 6.3.10: sections 4.3.7 (local header), 4.3.12 (central
//! directory), 4.3.14 to 4.3.16 (its ends), 4.4.5 (methods), 4.5.3 (numbers of 64 bits).
//!
//! Methods 0 (stored), 8 (deflate) and 93 (zstd) are read. What a reader would question: a reader of our own; all that is
//! wanted of the format is below, and what makes zip archives dangerous is decided here: members that overlap, two names for one
//! member, sums that are not checked.

use std::io::{BufReader, Read, Seek, SeekFrom};

use super::ArchiveError;
use super::collect::Collector;
use super::stream::{Metered, Packing};

const LOCAL: u32 = 0x0403_4B50;
const CENTRAL: u32 = 0x0201_4B50;
const END: u32 = 0x0605_4B50;
const END64: u32 = 0x0606_4B50;
const LOCATOR64: u32 = 0x0706_4B50;

/// Where the central directory stands.
#[derive(Debug, Clone, Copy)]
pub(super) struct Directory {
    at: u64,
    len: u64,
    entries: u64,
    /// Bytes before the archive, as self-extracting ones have: all offsets count from there.
    before: u64,
}

/// A member as the central directory has it.
struct Entry {
    name: Vec<u8>,
    flags: u16,
    method: u16,
    crc32: u32,
    packed: u64,
    size: u64,
    local: u64,
    /// The type of file by its Unix mode; none where another system wrote it.
    mode: Option<u32>,
}

impl Directory {
    /// Finds the central directory by its end; none when there is none.
    pub(super) fn find(source: &mut (impl Read + Seek), len: u64) -> Result<Option<Self>, ArchiveError> {
        const TAIL: u64 = 22 + 65_535;
        let from = len.saturating_sub(TAIL);
        let mut tail = Vec::new();
        source.seek(SeekFrom::Start(from)).map_err(ArchiveError::from_read)?;
        source.take(TAIL).read_to_end(&mut tail).map_err(ArchiveError::from_read)?;
        let ends_here = |at: &usize| {
            let end = &tail[*at..];
            u32_at(end, 0) == END && usize::from(u16_at(end, 20)) == end.len() - 22
        };
        let Some(at) = (0..=tail.len().saturating_sub(22)).rev().filter(|at| at + 22 <= tail.len()).find(ends_here)
        else {
            return Ok(None);
        };
        let end = &tail[at..];
        let end_at = from + at as u64;
        let (mut entries, mut size, mut offset) =
            (u64::from(u16_at(end, 10)), u64::from(u32_at(end, 12)), u64::from(u32_at(end, 16)));
        let mut behind = end_at;
        let locator = at.checked_sub(20).map(|at| &tail[at..]).filter(|locator| u32_at(locator, 0) == LOCATOR64);
        if u16_at(end, 4) != 0 || u16_at(end, 6) != 0 {
            return Err(damaged("it is one of several volumes"));
        }
        if let Some(locator) = locator {
            // The record stands before the locator; a prefix moves it as it moves everything.
            let mut record = [0; 56];
            behind = end_at.checked_sub(20 + 56).ok_or_else(|| damaged("its end is cut"))?;
            for at in [behind, u64_at(locator, 8)] {
                if at.checked_add(56).is_some_and(|end| end <= len) {
                    source.seek(SeekFrom::Start(at)).map_err(ArchiveError::from_read)?;
                    source.read_exact(&mut record).map_err(ArchiveError::from_read)?;
                    if u32_at(&record, 0) == END64 {
                        behind = at;
                        break;
                    }
                }
            }
            if u32_at(&record, 0) != END64 {
                return Err(damaged("its end names a record that is not there"));
            }
            (entries, size, offset) = (u64_at(&record, 32), u64_at(&record, 40), u64_at(&record, 48));
        }
        let at =
            behind.checked_sub(size).ok_or_else(|| damaged("its directory is longer than what is before its end"))?;
        let before = at.checked_sub(offset).ok_or_else(|| damaged("its directory is not where its end says"))?;
        Ok(Some(Self { at, len: size, entries, before }))
    }

    /// Visits each member.
    pub(super) fn walk<S: Read + Seek>(
        &self,
        source: &mut S,
        live: u64,
        collector: &mut Collector<'_>,
    ) -> Result<(), ArchiveError> {
        let mut places: Vec<(u64, u64)> = Vec::new();
        let mut wanted = None;
        source.seek(SeekFrom::Start(self.at)).map_err(ArchiveError::from_read)?;
        let mut directory = BufReader::with_capacity(1 << 16, source.by_ref().take(self.len));
        for _ in 0..self.entries {
            collector.count()?;
            let entry = Entry::read(&mut directory)?;
            places.push((entry.local, entry.least_end()));
            if let Some(why) = entry.refused() {
                collector.refuse(&entry.name, why);
            } else if !entry.is_folder() && collector.enter(&entry.name, entry.size)? {
                wanted = Some(entry);
            }
        }
        drop(directory);
        places.sort_unstable();
        if let Some(pair) = places.windows(2).find(|pair| pair[1].0 < pair[0].1) {
            return Err(damaged(&format!("two of its members share the bytes at {:#x}", self.before + pair[1].0)));
        }
        if places.iter().any(|(_, end)| end.checked_add(self.before).is_none_or(|end| end > self.at)) {
            return Err(damaged("a member reaches into the directory"));
        }
        match wanted {
            Some(entry) => self.take(source, &entry, live, collector),
            None => Ok(()),
        }
    }

    fn take<S: Read + Seek>(
        &self,
        source: &mut S,
        entry: &Entry,
        live: u64,
        collector: &mut Collector<'_>,
    ) -> Result<(), ArchiveError> {
        let at = self.before + entry.local;
        let mut head = [0; 30];
        source.seek(SeekFrom::Start(at)).map_err(ArchiveError::from_read)?;
        source.read_exact(&mut head).map_err(ArchiveError::from_read)?;
        let mut name = vec![0; usize::from(u16_at(&head, 26))];
        source.read_exact(&mut name).map_err(ArchiveError::from_read)?;
        if u32_at(&head, 0) != LOCAL || name != entry.name {
            return Err(damaged("a member and the directory name it differently"));
        }
        let extra = u64::from(u16_at(&head, 28));
        let from = at + 30 + name.len() as u64 + extra;
        if from + entry.packed > self.at {
            return Err(damaged("a member reaches into the directory"));
        }
        source.seek(SeekFrom::Start(from)).map_err(ArchiveError::from_read)?;
        let mut packed = source.by_ref().take(entry.packed);
        let unpacked: Box<dyn Read> = match entry.method {
            0 => Box::new(packed),
            8 => Box::new(flate2::read::DeflateDecoder::new(packed)),
            _ => Packing::Zstd.decoder(&mut packed, live)?,
        };
        // One byte more than stated is enough to know that the size is wrong.
        let mut content = Summed { inner: Metered::new(unpacked, entry.size), sum: crc32fast::Hasher::new() };
        let written = collector.write(entry.size, &mut content).map_err(|error| match error {
            ArchiveError::Budget { most, .. } if most == entry.size => {
                damaged("a member has more bytes than it states")
            }
            error => error,
        })?;
        if written != entry.size || content.sum.finalize() != entry.crc32 {
            return Err(damaged("a member's sum (CRC-32) is wrong"));
        }
        Ok(())
    }
}

impl Entry {
    fn read(directory: &mut impl Read) -> Result<Self, ArchiveError> {
        let cut = |_| damaged("its directory is cut");
        let mut head = [0; 46];
        directory.read_exact(&mut head).map_err(cut)?;
        if u32_at(&head, 0) != CENTRAL {
            return Err(damaged("its directory has something else where a member is due"));
        }
        let [name_len, extra_len, comment_len] = [28, 30, 32].map(|at| usize::from(u16_at(&head, at)));
        let mut rest = vec![0; name_len + extra_len + comment_len];
        directory.read_exact(&mut rest).map_err(cut)?;
        let by_unix = matches!(head[5], 3 | 19); // 4.4.2.2: Unix, and what a later Unix called itself
        let mut entry = Self {
            name: rest[..name_len].to_vec(),
            flags: u16_at(&head, 8),
            method: u16_at(&head, 10),
            crc32: u32_at(&head, 16),
            packed: u64::from(u32_at(&head, 20)),
            size: u64::from(u32_at(&head, 24)),
            local: u64::from(u32_at(&head, 42)),
            mode: by_unix.then(|| u32_at(&head, 38) >> 16),
        };
        entry.widen(&rest[name_len..name_len + extra_len])?;
        Ok(entry)
    }

    /// Takes the numbers of 64 bits, for those fields that say so by all ones.
    fn widen(&mut self, mut extra: &[u8]) -> Result<(), ArchiveError> {
        while extra.len() >= 4 {
            let len = usize::from(u16_at(extra, 2));
            let Some(body) = extra.get(4..4 + len) else { return Err(damaged("an extra field is cut")) };
            if u16_at(extra, 0) == 1 {
                let mut numbers = body.chunks_exact(8).map(|eight| u64_at(eight, 0));
                for field in [&mut self.size, &mut self.packed, &mut self.local] {
                    if *field == u64::from(u32::MAX) {
                        *field = numbers.next().ok_or_else(|| damaged("a large number is missing"))?;
                    }
                }
                return Ok(());
            }
            extra = &extra[4 + len..];
        }
        Ok(())
    }

    fn is_folder(&self) -> bool {
        self.name.ends_with(b"/") || self.file_type() == Some(0x4000)
    }

    fn file_type(&self) -> Option<u32> {
        self.mode.map(|mode| mode & 0xF000)
    }

    /// The least byte behind it: its local header has at least its name.
    fn least_end(&self) -> u64 {
        self.local.saturating_add(30).saturating_add(self.name.len() as u64).saturating_add(self.packed)
    }

    fn refused(&self) -> Option<&'static str> {
        match self.file_type() {
            Some(0xA000) => return Some("it is a link"),
            Some(0 | 0x4000 | 0x8000) | None => {}
            Some(_) => return Some("it is a device or a pipe"),
        }
        if self.flags & 1 != 0 {
            return Some("it is encrypted");
        }
        (!matches!(self.method, 0 | 8 | 93)).then_some("it is packed in a way that is not known here")
    }
}

/// A reader that sums what passes.
struct Summed<R> {
    inner: R,
    sum: crc32fast::Hasher,
}

impl<R: Read> Read for Summed<R> {
    fn read(&mut self, buffer: &mut [u8]) -> std::io::Result<usize> {
        let read = self.inner.read(buffer)?;
        self.sum.update(&buffer[..read]);
        Ok(read)
    }
}

fn damaged(why: &str) -> ArchiveError {
    ArchiveError::Damaged { kind: "zip", why: why.to_owned() }
}

fn u16_at(bytes: &[u8], at: usize) -> u16 {
    bytes.get(at..at + 2).map_or(0, |two| u16::from_le_bytes([two[0], two[1]]))
}

fn u32_at(bytes: &[u8], at: usize) -> u32 {
    u32::from(u16_at(bytes, at)) | u32::from(u16_at(bytes, at + 2)) << 16
}

fn u64_at(bytes: &[u8], at: usize) -> u64 {
    u64::from(u32_at(bytes, at)) | u64::from(u32_at(bytes, at + 4)) << 32
}
