//! Partition tables: the four entries of a master boot record, and the table of UEFI 2.10 section 5.3.
//!
//! What a caller must know: sectors have 512 bytes here, as on every drive that starts a computer from a stick. A protective
//! record in front of the newer table is not a partition and is left out when that table is read. The layout of the older
//! record is common practice.

use crate::source::{Error, Source, u32_at, u64_at};

/// Bytes of a sector.
pub const SECTOR: u64 = 512;
/// Most entries of the newer table that are read.
const MOST_ENTRIES: u32 = 1024;

/// A partition.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Partition {
    /// Its first byte.
    pub at: u64,
    /// Its bytes.
    pub len: u64,
    /// Its type: one byte of the older record in hex, or a GUID.
    pub kind: String,
    /// Its name; empty in the older record.
    pub name: String,
    /// Whether it is marked to be started.
    pub active: bool,
}

/// What a source says of its partitions.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Table {
    /// In the order of the table.
    pub partitions: Vec<Partition>,
    /// Whether there is a table of UEFI's kind.
    pub is_gpt: bool,
    /// What does not follow the rules.
    pub notes: Vec<String>,
}

impl Table {
    /// Returns the partition table of `source`; `None` when its first sector has no signature.
    ///
    /// # Errors
    /// [`Error::Read`] when it cannot be read.
    pub fn read(source: &dyn Source) -> Result<Option<Self>, Error> {
        let first = match source.bytes(0, SECTOR as usize) {
            Ok(first) => first,
            Err(Error::Read { at, source }) => return Err(Error::Read { at, source }),
            Err(_) => return Ok(None),
        };
        if first[510..] != [0x55, 0xAA] {
            return Ok(None);
        }
        let mut table = Self::default();
        for entry in first[446..510].chunks(16) {
            let (start, sectors) = (u32_at(entry, 8), u32_at(entry, 12));
            // A boot sector without partitions has code there; a status other than 00h and 80h tells.
            if entry[0] & 0x7F != 0 || sectors == 0 {
                continue;
            }
            table.partitions.push(Partition {
                at: u64::from(start) * SECTOR,
                len: u64::from(sectors) * SECTOR,
                kind: format!("{:02x}", entry[4]),
                name: String::new(),
                active: entry[0] == 0x80,
            });
        }
        let protective = table.partitions.iter().any(|partition| partition.kind == "ee");
        if let Some(newer) = if protective { read_newer(source, &mut table.notes)? } else { None } {
            table.partitions = newer;
            table.is_gpt = true;
        }
        Ok(Some(table))
    }
}

fn read_newer(source: &dyn Source, notes: &mut Vec<String>) -> Result<Option<Vec<Partition>>, Error> {
    let Ok(head) = source.bytes(SECTOR, SECTOR as usize) else { return Ok(None) };
    if !head.starts_with(b"EFI PART") {
        return Ok(None);
    }
    let len = (u32_at(&head, 12) as usize).clamp(92, SECTOR as usize);
    let mut plain = head[..len].to_vec();
    plain[16..20].fill(0);
    if crc32fast::hash(&plain) != u32_at(&head, 16) {
        notes.push("the partition table's header does not have its sum".into());
    }
    let (at, count, size) = (u64_at(&head, 72), u32_at(&head, 80), u32_at(&head, 84));
    if count > MOST_ENTRIES || !matches!(size, 128 | 256 | 512) {
        notes.push(format!("a partition table of {count} entries of {size} bytes is not read"));
        return Ok(None);
    }
    let Some(at) = at.checked_mul(SECTOR) else { return Ok(None) };
    let Ok(entries) = source.bytes(at, (count * size) as usize) else {
        notes.push("the partition table's entries lie outside".into());
        return Ok(None);
    };
    if crc32fast::hash(&entries) != u32_at(&head, 88) {
        notes.push("the partition table's entries do not have their sum".into());
    }
    let used = entries.chunks(size as usize).filter(|entry| entry[..16] != [0; 16]);
    let partition = |entry: &[u8]| {
        let (first, last) = (u64_at(entry, 32), u64_at(entry, 40));
        let sectors = last.checked_sub(first)?.checked_add(1)?;
        let name: Vec<u16> = entry[56..128].chunks(2).map(|two| u16::from_le_bytes([two[0], two[1]])).collect();
        let name = String::from_utf16_lossy(&name);
        Some(Partition {
            at: first.checked_mul(SECTOR)?,
            len: sectors.checked_mul(SECTOR)?,
            kind: guid(&entry[..16]),
            name: name.chars().take_while(|letter| *letter != '\0').filter(|letter| !letter.is_control()).collect(),
            active: false,
        })
    };
    Ok(Some(used.filter_map(partition).collect()))
}

/// A GUID as it is written: three little-endian numbers, then bytes (UEFI 2.10, appendix A).
fn guid(bytes: &[u8]) -> String {
    let hex = |bytes: &[u8]| bytes.iter().map(|byte| format!("{byte:02x}")).collect::<String>();
    let reversed = |bytes: &[u8]| hex(&bytes.iter().rev().copied().collect::<Vec<u8>>());
    format!(
        "{}-{}-{}-{}-{}",
        reversed(&bytes[..4]),
        reversed(&bytes[4..6]),
        reversed(&bytes[6..8]),
        hex(&bytes[8..10]),
        hex(&bytes[10..16])
    )
}
