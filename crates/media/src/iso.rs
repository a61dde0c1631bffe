//! ISO 9660 volumes: descriptors and directories (ECMA-119).
//!
//! What a caller must know: names are those of the plain tree, without version numbers, or the longer ones of Rock Ridge where
//! a record carries them. Sectors have 2048 bytes; a volume of another logical block size is refused, none is in use.
//!
//! The decision a reader would question: only the little-endian half of each number that is stored both ways is looked at.

use std::collections::HashSet;

use crate::source::{Error, Source, safe_name, u16_at, u32_at};

/// Bytes of a sector.
pub const SECTOR: u64 = 2048;
/// Most descriptors looked at.
const MOST_DESCRIPTORS: u64 = 64;
/// Most files and folders listed.
const MOST_RECORDS: usize = 20_000;
/// Most bytes of one directory.
const MOST_OF_A_FOLDER: u32 = 1 << 20;
/// Most levels of folders; the standard allows eight, Rock Ridge more.
const MOST_LEVELS: usize = 32;

/// A volume.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Volume {
    /// Its name.
    pub name: String,
    /// Sectors that it says it has; the file may be longer.
    pub sectors: u32,
    /// Sector of the boot catalogue, when there is a boot record.
    pub catalogue: Option<u32>,
    root: Extent,
}

/// A file in a volume.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct IsoFile {
    /// Its path, with `/` before each name.
    pub path: String,
    /// Its first byte.
    pub at: u64,
    /// Its bytes.
    pub len: u64,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Extent {
    sector: u32,
    len: u32,
}

impl Volume {
    /// Returns the volume of `source`; `None` when it holds none.
    ///
    /// # Errors
    /// [`Error`] for a volume that cannot be read, or breaks the standard in a way that leaves nothing to go by.
    pub fn find(source: &dyn Source) -> Result<Option<Self>, Error> {
        let mut found: Option<Self> = None;
        let mut catalogue = None;
        for number in 16..16 + MOST_DESCRIPTORS {
            let Ok(sector) = source.bytes(number * SECTOR, SECTOR as usize) else { break };
            if &sector[1..6] != b"CD001" {
                break;
            }
            match sector[0] {
                0 if sector[7..39].starts_with(b"EL TORITO SPECIFICATION") => catalogue = Some(u32_at(&sector, 0x47)),
                1 if found.is_none() => {
                    let block = u16_at(&sector, 128);
                    if u64::from(block) != SECTOR {
                        return Err(Error::broken(format!("the volume has blocks of {block} bytes instead of 2048")));
                    }
                    let name = String::from_utf8_lossy(&sector[40..72]).trim_end_matches([' ', '\0']).to_owned();
                    let root = Extent { sector: u32_at(&sector, 156 + 2), len: u32_at(&sector, 156 + 10) };
                    found = Some(Self { name, sectors: u32_at(&sector, 80), catalogue: None, root });
                }
                255 => break,
                _ => {}
            }
        }
        Ok(found.map(|volume| Self { catalogue, ..volume }))
    }

    /// Returns the files of the volume, folder by folder, in the order of their records.
    ///
    /// # Errors
    /// [`Error`] for a directory that lies outside the source, holds itself, or is larger than the budgets allow.
    pub fn files(&self, source: &dyn Source) -> Result<Vec<IsoFile>, Error> {
        let mut files = Vec::new();
        let mut seen = HashSet::from([self.root.sector]);
        let mut folders = vec![(String::new(), self.root, 0)];
        let mut records = 0;
        while let Some((path, extent, level)) = folders.pop() {
            for record in records_of(source, extent)? {
                records += 1;
                if records > MOST_RECORDS {
                    return Err(Error::broken(format!("the volume lists more than {MOST_RECORDS} files and folders")));
                }
                let path = format!("{path}/{}", record.name);
                if !record.is_folder {
                    files.push(IsoFile {
                        path,
                        at: u64::from(record.extent.sector) * SECTOR,
                        len: u64::from(record.extent.len),
                    });
                } else if level + 1 < MOST_LEVELS && seen.insert(record.extent.sector) {
                    folders.push((path, record.extent, level + 1));
                } else {
                    return Err(Error::broken(format!("the folder {path} holds itself, or is nested too deep")));
                }
            }
        }
        Ok(files)
    }
}

struct Record {
    name: String,
    extent: Extent,
    is_folder: bool,
}

/// The records of a directory without those of the directory itself and its parent (ECMA-119, 9.1).
fn records_of(source: &dyn Source, extent: Extent) -> Result<Vec<Record>, Error> {
    if extent.len > MOST_OF_A_FOLDER {
        return Err(Error::broken(format!("a directory of {} bytes is larger than any real one", extent.len)));
    }
    let bytes = source.bytes(u64::from(extent.sector) * SECTOR, extent.len as usize)?;
    let mut records = Vec::new();
    // A record does not cross a sector's end; what is left there is zeros.
    for sector in bytes.chunks(SECTOR as usize) {
        let mut at = 0;
        while let Some(len) = sector.get(at).copied().filter(|len| *len > 0) {
            let len = usize::from(len);
            let record = sector.get(at..at + len).filter(|record| record.len() >= 34);
            let record = record.ok_or_else(|| Error::broken("a directory's record runs past its sector"))?;
            let name_len = usize::from(record[32]);
            let plain = record
                .get(33..33 + name_len)
                .ok_or_else(|| Error::broken("a file's name runs past its directory's record"))?;
            // Names of one byte 0 or 1 stand for the directory and its parent.
            if !matches!(plain, [0 | 1]) {
                let system_use = record.get((33 + name_len).next_multiple_of(2).max(33)..).unwrap_or_default();
                let name = long_name(system_use).unwrap_or_else(|| short_name(plain));
                let extent = Extent { sector: u32_at(record, 2), len: u32_at(record, 10) };
                records.push(Record { name: safe_name(&name), extent, is_folder: record[25] & 2 != 0 });
            }
            at += len;
        }
    }
    Ok(records)
}

/// A name of the plain tree without version and empty ending.
fn short_name(plain: &[u8]) -> String {
    let name = String::from_utf8_lossy(plain);
    let name = name.split(';').next().unwrap_or_default();
    name.trim_end_matches('.').to_owned()
}

/// The name in Rock Ridge's NM entries (IEEE P1282, from memory): two letters, length, version, flags, name.
fn long_name(mut system_use: &[u8]) -> Option<String> {
    let mut name = Vec::new();
    while let [a, b, len, _, rest @ ..] = system_use {
        let len = usize::from(*len);
        let body = rest.get(..len.checked_sub(4)?)?;
        if [*a, *b] == *b"NM" {
            name.extend(body.get(1..)?);
        }
        system_use = &rest[len - 4..];
    }
    (!name.is_empty()).then(|| String::from_utf8_lossy(&name).into_owned())
}
