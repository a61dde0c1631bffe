//! Boot media of the invented scenario: a FAT file system, a drive with one partition, and a disc image that starts it.
//!
//! What a caller must know: this is for the demo and for tests, and makes what vendors' update discs are, no more: names in
//! capital letters with eight and three characters, one level of folders, one boot image shown as a hard disk, of which the boot
//! catalogue counts one sector as such catalogues do. The same files give the same bytes: nothing has a date.
//!
//! The decision a reader would question: own code where tools exist. The demo runs without any; tests hold what is made here
//! against `xorriso`, `fsck.fat` and `mtools`.

use crate::iso::SECTOR as DISC_SECTOR;
use crate::table::SECTOR;

const BLOCK: usize = SECTOR as usize;
const DISC_BLOCK: usize = DISC_SECTOR as usize;
/// Sectors before a file system's tables.
const RESERVED: usize = 1;
/// Records of the root folder: 32 sectors of 16.
const ROOT_RECORDS: usize = 512;
const ROOT_SECTORS: usize = ROOT_RECORDS * 32 / BLOCK;
/// Where the only partition begins: common practice, so that it lies well on every stick.
const PARTITION_AT: usize = 2048;

/// Why a medium cannot be made.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum BuildError {
    /// A path that the plain names of FAT and ISO 9660 do not have.
    #[error(
        "{path}: a path is FOLDER/NAME.END or NAME.END, capital letters and digits, at most eight and three of them"
    )]
    Path {
        /// The path.
        path: String,
    },
    /// The files do not fit.
    #[error("the files need {needed} clusters, and a file system of {len} bytes has {have}")]
    Full {
        /// Bytes of the file system.
        len: usize,
        /// Clusters needed.
        needed: usize,
        /// Clusters that there are.
        have: usize,
    },
}

/// A file that is put onto a medium: its path, such as `UPDATE/MAIN.CAP`, and its bytes.
pub type File<'a> = (&'a str, &'a [u8]);

/// Returns a FAT16 file system of 8 MiB with these files (FAT specification 1.03, 2000).
///
/// # Errors
/// [`BuildError`].
pub fn fat(files: &[File<'_>]) -> Result<Vec<u8>, BuildError> {
    const LEN: usize = 8 << 20;
    const SECTORS: usize = LEN / BLOCK;
    // Two tables of two bytes a sector, a cluster being one sector, and two entries that are not clusters.
    const TABLE: usize = (SECTORS * 2).div_ceil(BLOCK);
    const DATA: usize = RESERVED + 2 * TABLE + ROOT_SECTORS;
    let mut image = vec![0; LEN];
    image[..62].copy_from_slice(&boot_sector(SECTORS, TABLE));
    image[510..512].copy_from_slice(&[0x55, 0xAA]);
    let mut system = System { image, table: vec![0xFFF8, 0xFFFF], data: DATA, root: Vec::new() };
    let mut folders: Vec<(&str, Vec<[u8; 32]>)> = Vec::new();
    for (path, bytes) in files {
        let bad = || BuildError::Path { path: (*path).to_owned() };
        let (folder, name) = path.split_once('/').unwrap_or(("", path));
        let name = short(name).filter(|_| !path.starts_with('/')).ok_or_else(bad)?;
        let first = system.put(bytes)?;
        let record = record(name, 0x20, first, bytes.len());
        match folders.iter_mut().find(|(name, _)| *name == folder) {
            _ if folder.is_empty() => system.root.push(record),
            Some((_, records)) => records.push(record),
            None => {
                short(folder).filter(|name| name[8..] == *b"   ").ok_or_else(bad)?;
                folders.push((folder, vec![record]));
            }
        }
    }
    for (folder, records) in folders {
        let name = short(folder).expect("it was looked at above");
        // A folder's own two records name itself and its parent; the root is cluster 0.
        let own = u16::try_from(system.table.len()).unwrap_or_default();
        let own_two = [record(*b".          ", 0x10, own, 0), record(*b"..         ", 0x10, 0, 0)];
        let first = system.put(&[&own_two[..], &records[..]].concat().concat())?;
        system.root.push(record(name, 0x10, first, 0));
    }
    Ok(system.finish(TABLE))
}

struct System {
    image: Vec<u8>,
    table: Vec<u16>,
    data: usize,
    root: Vec<[u8; 32]>,
}

impl System {
    /// Puts bytes into the next clusters; returns the first, 0 of an empty file.
    fn put(&mut self, bytes: &[u8]) -> Result<u16, BuildError> {
        let first = self.table.len();
        let needed = bytes.len().div_ceil(BLOCK);
        let at = (self.data + first - 2) * BLOCK;
        let Some(place) = self.image.get_mut(at..at + bytes.len()) else {
            let have = self.image.len() / BLOCK - self.data;
            return Err(BuildError::Full { len: self.image.len(), needed: first - 2 + needed, have });
        };
        place.copy_from_slice(bytes);
        let last = first + needed;
        self.table.extend((first..last).map(|at| if at + 1 == last { 0xFFFF } else { (at + 1) as u16 }));
        Ok(if needed == 0 { 0 } else { first as u16 })
    }

    fn finish(mut self, table_sectors: usize) -> Vec<u8> {
        let table: Vec<u8> = self.table.iter().flat_map(|entry| entry.to_le_bytes()).collect();
        for copy in 0..2 {
            let at = (RESERVED + copy * table_sectors) * BLOCK;
            self.image[at..at + table.len()].copy_from_slice(&table);
        }
        let root: Vec<u8> = self.root.concat();
        let at = (RESERVED + 2 * table_sectors) * BLOCK;
        self.image[at..at + root.len()].copy_from_slice(&root);
        self.image
    }
}

/// The first 62 bytes: jump, maker, parameters (section 3 of the specification).
fn boot_sector(sectors: usize, table: usize) -> [u8; 62] {
    let mut sector = [0; 62];
    let mut put = |at: usize, value: &[u8]| sector[at..at + value.len()].copy_from_slice(value);
    put(0, &[0xEB, 0x3C, 0x90]);
    put(3, b"LARKSPUR");
    put(11, &(BLOCK as u16).to_le_bytes());
    put(13, &[1]);
    put(14, &(RESERVED as u16).to_le_bytes());
    put(16, &[2]);
    put(17, &(ROOT_RECORDS as u16).to_le_bytes());
    put(19, &(sectors as u16).to_le_bytes());
    put(21, &[0xF8]);
    put(22, &(table as u16).to_le_bytes());
    // Sectors of a track and heads: of no meaning on a stick, and looked at by old firmware.
    put(24, &[63, 0, 255, 0]);
    put(28, &(PARTITION_AT as u32).to_le_bytes());
    put(36, &[0x80, 0, 0x29]);
    put(39, &[0x18, 0x01, 0x0A, 0x09]);
    // What stands here where the root folder names no volume.
    put(43, b"NO NAME    FAT16   ");
    sector
}

/// A name as it stands in a record: eight characters and three, filled up with blanks.
fn short(name: &str) -> Option<[u8; 11]> {
    let (base, ending) = name.split_once('.').unwrap_or((name, ""));
    let plain = |part: &str, most| {
        part.len() <= most && part.bytes().all(|byte| byte.is_ascii_uppercase() || byte.is_ascii_digit())
    };
    if base.is_empty() || !plain(base, 8) || !plain(ending, 3) {
        return None;
    }
    let mut record = [b' '; 11];
    record[..base.len()].copy_from_slice(base.as_bytes());
    record[8..8 + ending.len()].copy_from_slice(ending.as_bytes());
    Some(record)
}

fn record(name: [u8; 11], attributes: u8, first: u16, len: usize) -> [u8; 32] {
    let mut record = [0; 32];
    record[..11].copy_from_slice(&name);
    record[11] = attributes;
    // The first day that the format knows.
    record[24..26].copy_from_slice(&0x0021_u16.to_le_bytes());
    record[26..28].copy_from_slice(&first.to_le_bytes());
    record[28..].copy_from_slice(&(len as u32).to_le_bytes());
    record
}

/// Returns a drive with one partition that is `system` (common practice; the record's layout as in [`crate::table`]).
pub fn drive(system: &[u8]) -> Vec<u8> {
    let mut image = vec![0; PARTITION_AT * BLOCK];
    image[446..462].copy_from_slice(&[0x80, 0xFE, 0xFF, 0xFF, 0x06, 0xFE, 0xFF, 0xFF, 0, 0, 0, 0, 0, 0, 0, 0]);
    image[454..458].copy_from_slice(&(PARTITION_AT as u32).to_le_bytes());
    image[458..462].copy_from_slice(&((system.len() / BLOCK) as u32).to_le_bytes());
    image[510..512].copy_from_slice(&[0x55, 0xAA]);
    image.extend(system);
    image
}

/// Returns a disc image of this volume name that starts `image` as a hard disk, with these files beside it in its root (ECMA-119;
/// Bootable CD-ROM Format Specification 1.0, 1995). The image is the file `START.IMG`.
///
/// # Errors
/// [`BuildError::Path`].
pub fn disc(volume: &str, image: &[u8], files: &[File<'_>]) -> Result<Vec<u8>, BuildError> {
    const PATHS: usize = 20;
    const ROOT: usize = 22;
    const CATALOGUE: usize = 23;
    let mut all: Vec<File<'_>> = [&[("START.IMG", image)], files].concat();
    // Records stand in the order of their names (9.3).
    all.sort_unstable_by_key(|(path, _)| *path);
    let mut disc = vec![0; (CATALOGUE + 1) * DISC_BLOCK];
    let mut records = Vec::new();
    let mut start = 0;
    for name in [&[0][..], &[1]] {
        records.extend(disc_record(name, 2, ROOT, DISC_BLOCK));
    }
    for (path, bytes) in all {
        short(path).filter(|name| name[8] != b' ').ok_or_else(|| BuildError::Path { path: path.to_owned() })?;
        let sector = disc.len() / DISC_BLOCK;
        if path == "START.IMG" {
            start = sector;
        }
        records.extend(disc_record(format!("{path};1").as_bytes(), 0, sector, bytes.len()));
        disc.extend_from_slice(bytes);
        disc.resize(disc.len().next_multiple_of(DISC_BLOCK), 0);
    }
    if records.len() > DISC_BLOCK {
        return Err(BuildError::Path { path: "more files than one sector of records holds".to_owned() });
    }
    let sectors = disc.len() / DISC_BLOCK;
    let mut put = |sector: usize, at: usize, value: &[u8]| {
        let at = sector * DISC_BLOCK + at;
        disc[at..at + value.len()].copy_from_slice(value);
    };
    put(ROOT, 0, &records);
    // A path table of the root alone: length of its name, its sector, its parent, its name; once for each order of bytes.
    put(PATHS, 0, &[1, 0, ROOT as u8, 0, 0, 0, 1, 0, 0]);
    put(PATHS + 1, 0, &[1, 0, 0, 0, 0, ROOT as u8, 0, 1, 0]);
    put(16, 0, &[1]);
    for sector in 16..19 {
        put(sector, 1, b"CD001\x01");
    }
    put(16, 8, &[b' '; 32]);
    put(16, 40, &[b' '; 32]);
    put(16, 40, volume.as_bytes().get(..volume.len().min(32)).unwrap_or_default());
    put(16, 80, &both4(sectors));
    for at in [120, 124] {
        put(16, at, &both2(1));
    }
    put(16, 128, &both2(DISC_BLOCK));
    put(16, 132, &both4(10));
    put(16, 140, &(PATHS as u32).to_le_bytes());
    put(16, 148, &(PATHS as u32 + 1).to_be_bytes());
    put(16, 156, &disc_record(&[0], 2, ROOT, DISC_BLOCK));
    put(16, 190, &[b' '; 623]);
    // No dates: sixteen digits of 0 and an offset of 0 (8.4.26.1).
    for at in [813, 830, 847, 864] {
        put(16, at, b"0000000000000000\0");
    }
    put(16, 881, &[1]);
    put(17, 7, b"EL TORITO SPECIFICATION");
    put(17, 0x47, &(CATALOGUE as u32).to_le_bytes());
    put(18, 0, &[255]);
    // The validation entry, whose words add up to 0, and the default entry: a hard disk, of which one sector is loaded.
    put(CATALOGUE, 0, &[1]);
    put(CATALOGUE, 28, &[0xAA, 0x55, 0x55, 0xAA]);
    put(CATALOGUE, 32, &[0x88, 4, 0, 0, 0x06, 0, 1, 0]);
    put(CATALOGUE, 40, &(start as u32).to_le_bytes());
    Ok(disc)
}

/// A record of a folder (9.1); numbers stand both ways.
fn disc_record(name: &[u8], flags: u8, sector: usize, len: usize) -> Vec<u8> {
    let mut record = vec![0, 0];
    record.extend(both4(sector));
    record.extend(both4(len));
    // A date of zeros, then flags and what interleaved files would have.
    record.extend([0; 7]);
    record.extend([flags, 0, 0]);
    record.extend(both2(1));
    record.push(name.len() as u8);
    record.extend(name);
    record.resize(record.len().next_multiple_of(2), 0);
    record[0] = record.len() as u8;
    record
}

fn both2(number: usize) -> [u8; 4] {
    let number = number as u16;
    let ([a, b], [c, d]) = (number.to_le_bytes(), number.to_be_bytes());
    [a, b, c, d]
}

fn both4(number: usize) -> [u8; 8] {
    let number = number as u32;
    let mut both = [0; 8];
    both[..4].copy_from_slice(&number.to_le_bytes());
    both[4..].copy_from_slice(&number.to_be_bytes());
    both
}
