//! The tables that a chip carries about itself: JESD216, "Serial Flash Discoverable Parameters".
//!
//! In: the bytes that 5Ah answers, from address 0. Out: [`Tables`]: the basic table ([`basic`]), the opcodes with four
//! address bytes ([`four_byte`]) and the sector map ([`sector_map`]); of the others only the headers are kept.
//! The bytes are hostile input (safety rule S10): every pointer and length is checked against what is there.
//!
//! Reading goes in steps, since only the header says how much there is: [`bytes_needed`] tells a caller how far to read
//! before [`Tables::parse`] can succeed. A table whose size field is nonsense still decodes; the size is then an error
//! of its own ([`Basic::size`]), because everything else in it may be right and a person wants to see it. For the same
//! reason a table beside the basic one that is cut short, overlaps or lies is a fault of that table alone.
//!
//! Source of every field: JESD216 (2011) and its revisions A to F, by table, DWORD and bit as named.

pub mod basic;
pub mod four_byte;
pub mod sector_map;

pub use basic::{AddressWidths, Basic, Polling, QuadEnable, Resets, Sleep, StatusEnable, TableErase, size_bytes};
pub use four_byte::FourByte;
pub use sector_map::{MapCommand, MapError, SectorMap};

/// Most bytes of tables that are read from a chip. The largest set in use is under 1 KiB.
pub const MOST_BYTES: usize = 16 * 1024;

/// Length of the header and of each parameter header.
const HEADER: usize = 8;

/// What is wrong with a set of tables.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum SfdpError {
    /// The signature is missing: the chip has no tables, or the line lies.
    #[error("no JESD216 signature: the first bytes are {found:02x?}")]
    Signature {
        /// What stands there instead.
        found: [u8; 4],
    },
    /// A structure runs past the bytes that were read.
    #[error("{what} needs {needed} bytes of the chip's tables, {present} were read")]
    Short {
        /// Which structure.
        what: &'static str,
        /// Where it would end.
        needed: usize,
        /// What there is.
        present: usize,
    },
    /// Pointers reach past [`MOST_BYTES`].
    #[error("the chip's tables claim to reach {claimed} bytes, more than the {MOST_BYTES} that any chip needs")]
    Far {
        /// The claimed end.
        claimed: usize,
    },
    /// No basic parameter table among the headers.
    #[error("the chip's tables hold no basic parameter table")]
    NoBasic,
    /// The basic table is shorter than its first revision.
    #[error("the basic parameter table has {dwords} words of 32 bits; its first revision has 9")]
    BasicShort {
        /// Its length.
        dwords: usize,
    },
    /// DWORD 2 gives no usable size.
    #[error("the density word {dword2:#010x} gives no usable chip size")]
    Size {
        /// The word.
        dword2: u32,
    },
}

/// One parameter header.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct ParameterHeader {
    /// Parameter id: least significant byte, and the most significant one above it (FFh in the first revision).
    pub id: u16,
    /// Revision, major and minor.
    pub revision: (u8, u8),
    /// Length in words of 32 bits.
    pub dwords: u8,
    /// Address of the table.
    pub pointer: u32,
}

impl ParameterHeader {
    /// The basic parameter table's id: 00h, with FFh as bank.
    pub const BASIC: u16 = 0xFF00;
    /// The sector map table's id.
    pub const SECTOR_MAP: u16 = 0xFF81;
    /// The id of the table of opcodes with four address bytes.
    pub const FOUR_BYTE: u16 = 0xFF84;
    /// The id of the map of status, control and configuration registers. Its presence is kept; nothing in it is needed.
    pub const REGISTER_MAP: u16 = 0xFF87;

    fn parse(bytes: &[u8]) -> Self {
        Self {
            id: u16::from_le_bytes([bytes[0], bytes[7]]),
            revision: (bytes[2], bytes[1]),
            dwords: bytes[3],
            pointer: u32::from_le_bytes([bytes[4], bytes[5], bytes[6], 0]),
        }
    }

    /// Where the table ends.
    fn end(self) -> usize {
        self.pointer as usize + usize::from(self.dwords) * 4
    }
}

/// What is wrong with one table beside the basic one.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum TableFault {
    /// It lies past [`MOST_BYTES`], or past the bytes that were read.
    #[error("table {id:04x} claims to end at byte {end} of the chip's tables, {present} were read")]
    Outside {
        /// Which table.
        id: u16,
        /// Where it would end.
        end: usize,
        /// What there is.
        present: usize,
    },
    /// It shares bytes with the headers or with another table.
    #[error("table {id:04x} overlaps {what}")]
    Overlaps {
        /// Which table.
        id: u16,
        /// With what.
        what: &'static str,
    },
    /// It has too few words, or they are blank: all ones would otherwise read as "everything is supported".
    #[error("table {id:04x} has {dwords} words of 32 bits, too few to say anything or all blank")]
    Nothing {
        /// Which table.
        id: u16,
        /// Its length.
        dwords: usize,
    },
    /// The sector map contradicts itself.
    #[error("the sector map cannot be used")]
    Map(#[source] MapError),
}

impl TableFault {
    /// The table that is at fault.
    #[must_use]
    pub fn id(&self) -> u16 {
        match *self {
            Self::Outside { id, .. } | Self::Overlaps { id, .. } | Self::Nothing { id, .. } => id,
            Self::Map(_) => ParameterHeader::SECTOR_MAP,
        }
    }
}

/// All that a chip says of itself.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Tables {
    /// Revision of the header, major and minor.
    pub revision: (u8, u8),
    /// Every parameter header, in order.
    pub headers: Vec<ParameterHeader>,
    /// The basic parameter table.
    pub basic: Basic,
    /// The opcodes with four address bytes.
    pub four_byte: Option<FourByte>,
    /// Where which erase types are legal; none on chips on which they are everywhere.
    pub sector_map: Option<SectorMap>,
    /// Tables that are there and cannot be used.
    pub faults: Vec<TableFault>,
}

/// Tells how many bytes of tables have to be read before [`Tables::parse`] can see all that it decodes, judging by those
/// at hand.
///
/// A caller starts with 8 and asks again after each longer read until the answer is no more than it has. A table beside
/// the basic one that claims to lie past [`MOST_BYTES`] is not read for: it becomes a fault of its own.
///
/// # Errors
/// [`SfdpError::Signature`] and, for the basic table, [`SfdpError::Far`].
pub fn bytes_needed(bytes: &[u8]) -> Result<usize, SfdpError> {
    let Some(headers) = header_count(bytes)? else {
        return Ok(HEADER);
    };
    let headers_end = HEADER * (headers + 1);
    if bytes.len() < headers_end {
        return Ok(headers_end);
    }
    let mut needed = headers_end;
    for header in parameter_headers(bytes, headers) {
        match header.id {
            ParameterHeader::BASIC if header.end() > MOST_BYTES => {
                return Err(SfdpError::Far { claimed: header.end() });
            }
            ParameterHeader::BASIC | ParameterHeader::SECTOR_MAP | ParameterHeader::FOUR_BYTE
                if header.end() <= MOST_BYTES =>
            {
                needed = needed.max(header.end());
            }
            _ => {}
        }
    }
    Ok(needed)
}

/// The number of parameter headers; none when the header itself is cut short.
fn header_count(bytes: &[u8]) -> Result<Option<usize>, SfdpError> {
    if let Some(found) = bytes.first_chunk::<4>()
        && found != b"SFDP"
    {
        return Err(SfdpError::Signature { found: *found });
    }
    Ok(bytes.get(6).map(|last| usize::from(*last) + 1))
}

fn parameter_headers(bytes: &[u8], count: usize) -> impl Iterator<Item = ParameterHeader> {
    bytes[HEADER..].chunks_exact(HEADER).take(count).map(ParameterHeader::parse)
}

impl Tables {
    /// Decodes the tables from the bytes that 5Ah answers from address 0.
    ///
    /// Of several tables with one id the one of the highest revision counts, as JESD216 wants it.
    ///
    /// # Errors
    /// Every variant of [`SfdpError`] but [`SfdpError::Size`], which [`Basic::size`] keeps. What is wrong with another
    /// table than the basic one is no error here: see [`Tables::faults`].
    pub fn parse(bytes: &[u8]) -> Result<Self, SfdpError> {
        let short = |what, needed| SfdpError::Short { what, needed, present: bytes.len() };
        let count = header_count(bytes)?.ok_or_else(|| short("the header", HEADER))?;
        let headers_end = HEADER * (count + 1);
        if bytes.len() < headers_end {
            return Err(short("the list of parameter headers", headers_end));
        }
        let headers: Vec<_> = parameter_headers(bytes, count).collect();
        let newest = |id| headers.iter().filter(|header| header.id == id).max_by_key(|header| header.revision).copied();
        let header = newest(ParameterHeader::BASIC).ok_or(SfdpError::NoBasic)?;
        if header.end() > MOST_BYTES {
            return Err(SfdpError::Far { claimed: header.end() });
        }
        let table = bytes
            .get(header.pointer as usize..header.end())
            .ok_or_else(|| short("the basic parameter table", header.end()))?;
        let mut taken =
            vec![("the headers", 0, headers_end), ("the basic table", header.pointer as usize, header.end())];
        let mut faults = Vec::new();
        let sector_map = newest(ParameterHeader::SECTOR_MAP).and_then(|header| {
            other_table(bytes, header, "the sector map", &mut taken)
                .and_then(|words| SectorMap::parse(&words).map_err(TableFault::Map))
                .map_err(|fault| faults.push(fault))
                .ok()
        });
        let four_byte = newest(ParameterHeader::FOUR_BYTE).and_then(|header| {
            other_table(bytes, header, "the four-byte table", &mut taken)
                .and_then(|words| {
                    FourByte::parse(&words).ok_or(TableFault::Nothing { id: header.id, dwords: words.len() })
                })
                .map_err(|fault| faults.push(fault))
                .ok()
        });
        let revision = (bytes[5], bytes[4]);
        Ok(Self { revision, basic: Basic::parse(table)?, headers, four_byte, sector_map, faults })
    }

    /// Tells whether a table of this id is announced, usable or not.
    #[must_use]
    pub fn announces(&self, id: u16) -> bool {
        self.headers.iter().any(|header| header.id == id)
    }
}

/// The words of a table beside the basic one, once it is known to lie where nothing else lies.
fn other_table(
    bytes: &[u8],
    header: ParameterHeader,
    name: &'static str,
    taken: &mut Vec<(&'static str, usize, usize)>,
) -> Result<Vec<u32>, TableFault> {
    let (at, end) = (header.pointer as usize, header.end());
    let table = bytes.get(at..end).ok_or(TableFault::Outside { id: header.id, end, present: bytes.len() })?;
    if let Some((what, ..)) = taken.iter().find(|(_, from, to)| at < *to && *from < end) {
        return Err(TableFault::Overlaps { id: header.id, what });
    }
    taken.push((name, at, end));
    let (words, _) = table.as_chunks::<4>();
    Ok(words.iter().map(|word| u32::from_le_bytes(*word)).collect())
}
