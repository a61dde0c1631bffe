//! FAT file systems: how large one is, which files it holds, and their bytes (FAT specification 1.03, 2000).
//!
//! What a caller must know: the kind is told by the number of clusters, as the specification wants it, and by nothing else.
//! A name is the long one where its pieces fit together and their sum is the short name's, else the short one. Names can
//! hold anything; control characters and slashes are replaced.
//!
//! The decision a reader would question: own code and no library. What is wanted is reading from hostile input with budgets,
//! and the libraries to be had want to write as well.

use std::collections::HashSet;

use crate::source::{Error, Source, safe_name, u16_at, u32_at};

/// Most files and folders listed.
const MOST_RECORDS: usize = 20_000;
/// Most levels of folders.
const MOST_LEVELS: usize = 32;
/// Most bytes of one folder: 65,536 records of 32 bytes.
const MOST_OF_A_FOLDER: u64 = 65_536 * 32;
/// Most stretches that a file may lie about in; a stick that was used for years has hundreds.
const MOST_STRETCHES: usize = 1 << 18;

/// A FAT file system.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Fat {
    /// Bytes that it says it has.
    pub len: u64,
    kind: Kind,
    table_at: u64,
    root: Root,
    data_at: u64,
    cluster: u64,
    clusters: u32,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Kind {
    Twelve,
    Sixteen,
    ThirtyTwo,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Root {
    /// A stretch of its own.
    Fixed { at: u64, len: u64 },
    /// A chain of clusters.
    Chain(u32),
}

/// A file.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct FatFile {
    /// Its path, with `/` before each name.
    pub path: String,
    /// Its bytes.
    pub len: u64,
    first: u32,
}

impl Fat {
    /// Returns the file system that begins at the source's first byte; `None` when there is none.
    ///
    /// # Errors
    /// [`Error::Read`] when the source cannot be read.
    pub fn find(source: &dyn Source) -> Result<Option<Self>, Error> {
        match source.bytes(0, 512) {
            Ok(sector) => Ok(Self::of(&sector)),
            Err(Error::Read { at, source }) => Err(Error::Read { at, source }),
            Err(_) => Ok(None),
        }
    }

    /// The parameters in a boot sector (section 3 of the specification), as far as they fit each other.
    fn of(sector: &[u8]) -> Option<Self> {
        let jumps = matches!(sector[0], 0xE9) || (sector[0] == 0xEB && sector[2] == 0x90);
        let bytes = u64::from(u16_at(sector, 11));
        let per_cluster = u64::from(sector[13]);
        let reserved = u64::from(u16_at(sector, 14));
        let tables = u64::from(sector[16]);
        let root_entries = u64::from(u16_at(sector, 17));
        let sound = jumps
            && sector[510..] == [0x55, 0xAA]
            && matches!(bytes, 512 | 1024 | 2048 | 4096)
            && per_cluster.is_power_of_two()
            && bytes * per_cluster <= 256 << 10
            && reserved > 0
            && matches!(tables, 1 | 2)
            && (sector[21] == 0xF0 || sector[21] >= 0xF8);
        if !sound {
            return None;
        }
        let either = |short: usize, long: usize| match u64::from(u16_at(sector, short)) {
            0 => u64::from(u32_at(sector, long)),
            short => short,
        };
        let (total, table) = (either(19, 32), either(22, 36));
        let root_len = (root_entries * 32).next_multiple_of(bytes);
        let table_at = reserved * bytes;
        let root_at = table_at + tables * table * bytes;
        let data_at = root_at + root_len;
        let len = total * bytes;
        let clusters =
            u32::try_from(len.checked_sub(data_at)? / (bytes * per_cluster)).ok().filter(|count| *count > 0)?;
        let kind = match clusters {
            ..4085 => Kind::Twelve,
            4085..65525 => Kind::Sixteen,
            _ => Kind::ThirtyTwo,
        };
        let root = match kind {
            Kind::ThirtyTwo => Root::Chain(u32_at(sector, 44)),
            _ => Root::Fixed { at: root_at, len: root_len },
        };
        Some(Self { len, kind, table_at, root, data_at, cluster: bytes * per_cluster, clusters })
    }

    /// Returns the kind in words.
    pub fn name(&self) -> &'static str {
        match self.kind {
            Kind::Twelve => "FAT12",
            Kind::Sixteen => "FAT16",
            Kind::ThirtyTwo => "FAT32",
        }
    }

    /// Returns the files, folder by folder.
    ///
    /// # Errors
    /// [`Error`] for a chain that leaves the file system or runs in a circle, and for more than the budgets allow.
    pub fn files(&self, source: &dyn Source) -> Result<Vec<FatFile>, Error> {
        let mut files = Vec::new();
        let mut seen = HashSet::new();
        let mut records = 0;
        let mut folders = vec![(String::new(), self.root_bytes(source)?, 0)];
        while let Some((path, bytes, level)) = folders.pop() {
            for record in records_of(&bytes) {
                records += 1;
                if records > MOST_RECORDS {
                    return Err(Error::broken(format!("there are more than {MOST_RECORDS} files and folders")));
                }
                let path = format!("{path}/{}", record.name);
                if !record.is_folder {
                    files.push(FatFile { path, len: u64::from(record.len), first: record.first });
                } else if level + 1 < MOST_LEVELS && seen.insert(record.first) {
                    let bytes = self.folder(source, record.first)?;
                    folders.push((path, bytes, level + 1));
                } else {
                    return Err(Error::broken(format!("the folder {path} holds itself, or is nested too deep")));
                }
            }
        }
        Ok(files)
    }

    /// Returns the bytes of `file`, wherever its clusters lie; `source` is the one that its list came from.
    ///
    /// # Errors
    /// [`Error`] as for [`Fat::files`]; for a chain that ends early, or lies about in more pieces than any real file.
    pub fn open<'a>(&self, source: &'a dyn Source, file: &FatFile) -> Result<Scattered<'a>, Error> {
        let mut stretches: Vec<Stretch> = Vec::new();
        let mut chain = Chain { next: Some(file.first), walked: 0 };
        let mut done = 0;
        while done < file.len {
            let at = chain.step(self, source)?.ok_or_else(|| {
                Error::broken(format!("the chain of {} ends {} bytes early", file.path, file.len - done))
            })?;
            let len = self.cluster.min(file.len - done);
            if let Some(last) = stretches.last_mut().filter(|last| last.at + last.len == at) {
                last.len += len;
            } else if stretches.len() < MOST_STRETCHES {
                stretches.push(Stretch { begin: done, at, len });
            } else {
                return Err(Error::broken(format!("{} lies about in more pieces than any real file", file.path)));
            }
            done += len;
        }
        Ok(Scattered { whole: source, stretches, len: file.len })
    }

    fn root_bytes(&self, source: &dyn Source) -> Result<Vec<u8>, Error> {
        match self.root {
            Root::Fixed { at, len } => source.bytes(at, len as usize),
            Root::Chain(first) => self.folder(source, first),
        }
    }

    fn folder(&self, source: &dyn Source, first: u32) -> Result<Vec<u8>, Error> {
        let mut bytes = Vec::new();
        let mut chain = Chain { next: Some(first), walked: 0 };
        while let Some(at) = chain.step(self, source)? {
            bytes.extend(source.bytes(at, self.cluster as usize)?);
            if bytes.len() as u64 > MOST_OF_A_FOLDER {
                return Err(Error::broken("a folder is larger than the specification allows"));
            }
        }
        Ok(bytes)
    }

    /// Returns the table's entry for a cluster.
    fn entry(&self, source: &dyn Source, cluster: u32) -> Result<u32, Error> {
        let number = u64::from(cluster);
        match self.kind {
            Kind::Twelve => {
                let two = source.bytes(self.table_at + number * 3 / 2, 2)?;
                let both = u32::from(u16_at(&two, 0));
                Ok(if cluster.is_multiple_of(2) { both & 0xFFF } else { both >> 4 })
            }
            Kind::Sixteen => Ok(u32::from(u16_at(&source.bytes(self.table_at + number * 2, 2)?, 0))),
            Kind::ThirtyTwo => Ok(u32_at(&source.bytes(self.table_at + number * 4, 4)?, 0) & 0x0FFF_FFFF),
        }
    }

    /// The table's value from which a chain ends.
    fn end(&self) -> u32 {
        match self.kind {
            Kind::Twelve => 0xFF8,
            Kind::Sixteen => 0xFFF8,
            Kind::ThirtyTwo => 0x0FFF_FFF8,
        }
    }
}

/// Bytes that lie about in another source.
pub struct Scattered<'a> {
    whole: &'a dyn Source,
    /// In the order of the content, which they fill.
    stretches: Vec<Stretch>,
    len: u64,
}

/// Clusters of a file that follow each other on the medium.
struct Stretch {
    /// Their first byte in the file.
    begin: u64,
    /// And in the other source.
    at: u64,
    len: u64,
}

impl Source for Scattered<'_> {
    fn len(&self) -> u64 {
        self.len
    }

    fn read_at(&self, at: u64, buffer: &mut [u8]) -> Result<(), Error> {
        if at.checked_add(buffer.len() as u64).is_none_or(|end| end > self.len) {
            return Err(Error::Short { at, len: buffer.len() as u64, size: self.len });
        }
        let (mut at, mut rest) = (at, buffer);
        let first = self.stretches.partition_point(|stretch| stretch.begin + stretch.len <= at);
        for stretch in &self.stretches[first..] {
            if rest.is_empty() {
                break;
            }
            let inside = at - stretch.begin;
            let piece = usize::try_from(stretch.len - inside).unwrap_or(usize::MAX).min(rest.len());
            let (now, behind) = rest.split_at_mut(piece);
            self.whole.read_at(stretch.at + inside, now)?;
            at += piece as u64;
            rest = behind;
        }
        Ok(())
    }
}

/// A walk along a chain of clusters.
struct Chain {
    next: Option<u32>,
    walked: u32,
}

impl Chain {
    /// Returns where the next cluster stands; `None` after the last.
    fn step(&mut self, fat: &Fat, source: &dyn Source) -> Result<Option<u64>, Error> {
        let Some(cluster) = self.next else { return Ok(None) };
        if cluster < 2 || cluster - 2 >= fat.clusters {
            return Err(Error::broken(format!("a chain leads to cluster {cluster}, which there is not")));
        }
        self.walked += 1;
        if self.walked > fat.clusters {
            return Err(Error::broken("a chain of clusters runs in a circle"));
        }
        let next = fat.entry(source, cluster)?;
        self.next = (next < fat.end()).then_some(next);
        Ok(Some(fat.data_at + u64::from(cluster - 2) * fat.cluster))
    }
}

struct Record {
    name: String,
    is_folder: bool,
    first: u32,
    len: u32,
}

/// The records of a folder, without volume name, deleted ones and the folder's own two.
fn records_of(bytes: &[u8]) -> Vec<Record> {
    let mut records = Vec::new();
    let mut long: Vec<(u8, Vec<u16>)> = Vec::new();
    for record in bytes.chunks_exact(32) {
        let attributes = record[11];
        match record[0] {
            0x00 => break,
            0xE5 => long.clear(),
            _ if attributes & 0x3F == 0x0F => {
                let letters = [1..11, 14..26, 28..32].into_iter().flat_map(|range| record[range].chunks(2));
                let piece = letters.map(|two| u16::from_le_bytes([two[0], two[1]])).collect();
                if record[0] & 0x40 != 0 {
                    long.clear();
                }
                long.push((record[13], piece));
            }
            // The volume's own name.
            _ if attributes & 0x08 != 0 => long.clear(),
            b'.' => long.clear(),
            _ => {
                let first = u32::from(u16_at(record, 26)) | u32::from(u16_at(record, 20)) << 16;
                let name = long_name(&long, &record[..11]).unwrap_or_else(|| short_name(record));
                records.push(Record {
                    name: safe_name(&name),
                    is_folder: attributes & 0x10 != 0,
                    first,
                    len: u32_at(record, 28),
                });
                long.clear();
            }
        }
    }
    records
}

/// The long name whose pieces, last one first, have the short name's sum (section 7 of the specification).
fn long_name(pieces: &[(u8, Vec<u16>)], short: &[u8]) -> Option<String> {
    let sum = short.iter().fold(0_u8, |sum, byte| sum.rotate_right(1).wrapping_add(*byte));
    if pieces.is_empty() || pieces.iter().any(|(of, _)| *of != sum) {
        return None;
    }
    let letters: Vec<u16> = pieces.iter().rev().flat_map(|(_, piece)| piece.iter().copied()).collect();
    let end = letters.iter().position(|letter| *letter == 0).unwrap_or(letters.len());
    Some(String::from_utf16_lossy(&letters[..end]))
}

fn short_name(record: &[u8]) -> String {
    let part = |bytes: &[u8], lower: bool| {
        let text: String = bytes.iter().map(|byte| char::from(*byte)).collect();
        let text = text.trim_end_matches(' ').to_owned();
        if lower { text.to_lowercase() } else { text }
    };
    // Bits 3 and 4 of this byte: base and ending are shown in small letters (from memory; in no specification).
    let mut base = record[..8].to_vec();
    if base[0] == 0x05 {
        base[0] = 0xE5;
    }
    let (name, ending) = (part(&base, record[12] & 8 != 0), part(&record[8..11], record[12] & 16 != 0));
    if ending.is_empty() { name } else { format!("{name}.{ending}") }
}
