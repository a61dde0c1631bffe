//! The tables that a chip carries about itself: JESD216, "Serial Flash Discoverable Parameters".
//!
//! In: the bytes that 5Ah answers, from address 0. Out: [`Tables`], of which the basic parameter table is decoded here.
//! The bytes are hostile input (safety rule S10): every pointer and length is checked against what is there.
//!
//! Reading goes in steps, since only the header says how much there is: [`bytes_needed`] tells a caller how far to read
//! before [`Tables::parse`] can succeed. A table whose size field is nonsense still decodes; the size is then an error
//! of its own ([`Basic::size`]), because everything else in it may be right and a person wants to see it.
//!
//! Source of every field: JESD216 (2011) and its revisions A to F, basic parameter table, by DWORD and bit as named.

use crate::MAX_SIZE;
use crate::chip::{EraseType, Times};

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
    const BASIC: u16 = 0xFF00;

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

/// All that a chip says of itself.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Tables {
    /// Revision of the header, major and minor.
    pub revision: (u8, u8),
    /// Every parameter header, in order.
    pub headers: Vec<ParameterHeader>,
    /// The basic parameter table.
    pub basic: Basic,
}

/// Tells how many bytes of tables have to be read before [`Tables::parse`] can succeed, judging by those at hand.
///
/// A caller starts with 8 and asks again after each longer read until the answer is no more than it has.
///
/// # Errors
/// [`SfdpError::Signature`] and [`SfdpError::Far`].
pub fn bytes_needed(bytes: &[u8]) -> Result<usize, SfdpError> {
    let Some(headers) = header_count(bytes)? else {
        return Ok(HEADER);
    };
    let headers_end = HEADER * (headers + 1);
    if bytes.len() < headers_end {
        return Ok(headers_end);
    }
    let end = parameter_headers(bytes, headers)
        .filter(|header| header.id == ParameterHeader::BASIC)
        .map(ParameterHeader::end)
        .fold(headers_end, usize::max);
    if end > MOST_BYTES { Err(SfdpError::Far { claimed: end }) } else { Ok(end) }
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
    /// Of several basic tables the one of the highest revision counts, as JESD216 wants it.
    ///
    /// # Errors
    /// Every variant of [`SfdpError`] but [`SfdpError::Size`], which [`Basic::size`] keeps.
    pub fn parse(bytes: &[u8]) -> Result<Self, SfdpError> {
        let short = |what, needed| SfdpError::Short { what, needed, present: bytes.len() };
        let count = header_count(bytes)?.ok_or_else(|| short("the header", HEADER))?;
        let headers_end = HEADER * (count + 1);
        if bytes.len() < headers_end {
            return Err(short("the list of parameter headers", headers_end));
        }
        let headers: Vec<_> = parameter_headers(bytes, count).collect();
        let basic = headers
            .iter()
            .filter(|header| header.id == ParameterHeader::BASIC)
            .max_by_key(|header| header.revision)
            .ok_or(SfdpError::NoBasic)?;
        if basic.end() > MOST_BYTES {
            return Err(SfdpError::Far { claimed: basic.end() });
        }
        let table = bytes
            .get(basic.pointer as usize..basic.end())
            .ok_or_else(|| short("the basic parameter table", basic.end()))?;
        Ok(Self { revision: (bytes[5], bytes[4]), basic: Basic::parse(table)?, headers })
    }
}

/// Address widths that a chip takes (DWORD 1, bits 18:17).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum AddressWidths {
    /// 00b: three bytes.
    Three,
    /// 01b: three by default, four after entering that mode or by opcodes of their own.
    ThreeOrFour,
    /// 10b: four bytes.
    Four,
    /// 11b is reserved.
    Reserved,
}

/// The basic parameter table, decoded.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Basic {
    /// The table's words; DWORD 1 of the standard is `dwords[0]`.
    pub dwords: Vec<u32>,
    /// Chip size in bytes (DWORD 2).
    pub size: Result<u32, SfdpError>,
    /// Erase types, smallest first (DWORDs 1, 8, 9; times from DWORD 10, where the table has it).
    pub erases: Vec<TableErase>,
    /// Page size in bytes (DWORD 11); none in tables of the first revision.
    pub page: Option<u32>,
    /// Time of one page program (DWORD 11).
    pub program: Option<Times>,
    /// Time of a chip erase (DWORD 11).
    pub chip_erase: Option<Times>,
    /// Address widths (DWORD 1).
    pub address: AddressWidths,
    /// Whether at least 64 bytes can be programmed at once (DWORD 1, bit 2).
    pub page_programs: bool,
    /// Ways into four-byte mode (DWORD 16, bits 31:24); none where the table is shorter.
    pub four_byte_entry: Option<u8>,
}

/// One erase type of the basic table.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct TableErase {
    /// Opcode.
    pub opcode: u8,
    /// Block size in bytes.
    pub size: u32,
    /// Times; none in tables of the first revision.
    pub times: Option<Times>,
}

impl TableErase {
    /// With times, when the table has them.
    #[must_use]
    pub fn timed(self) -> Option<EraseType> {
        self.times.map(|times| EraseType { opcode: self.opcode, size: self.size, times })
    }
}

impl Basic {
    /// Decodes a basic parameter table alone.
    ///
    /// # Errors
    /// [`SfdpError::BasicShort`].
    pub fn parse(bytes: &[u8]) -> Result<Self, SfdpError> {
        let (words, _) = bytes.as_chunks::<4>();
        let dwords: Vec<u32> = words.iter().map(|word| u32::from_le_bytes(*word)).collect();
        if dwords.len() < 9 {
            return Err(SfdpError::BasicShort { dwords: dwords.len() });
        }
        let word = |number: usize| dwords.get(number - 1).copied();
        Ok(Self {
            size: size_bytes(dwords[1]),
            erases: erase_types(&dwords),
            page: word(11).map(|word| 1 << field(word, 7, 4)),
            program: word(11).map(program_times),
            chip_erase: word(11).map(chip_erase_times),
            address: match field(dwords[0], 18, 17) {
                0 => AddressWidths::Three,
                1 => AddressWidths::ThreeOrFour,
                2 => AddressWidths::Four,
                _ => AddressWidths::Reserved,
            },
            page_programs: field(dwords[0], 2, 2) == 1,
            #[expect(clippy::cast_possible_truncation, reason = "eight bits")]
            four_byte_entry: word(16).map(|word| field(word, 31, 24) as u8),
            dwords,
        })
    }
}

/// Bits `high` to `low` of a word.
fn field(word: u32, high: u32, low: u32) -> u32 {
    (word >> low) & (u32::MAX >> (31 - (high - low)))
}

/// Returns the chip's size in bytes. `dword2` is DWORD 2 of the basic table.
///
/// Bit 31 clear: bits 30:0 are the size in bits, less one. Bit 31 set: bits 30:0 are N, and the size is 2^N bits.
///
/// # Errors
/// [`SfdpError::Size`] when the size is no power of two of at least one page's 256 bytes, or over [`MAX_SIZE`].
pub fn size_bytes(dword2: u32) -> Result<u32, SfdpError> {
    let low = u64::from(dword2 & 0x7FFF_FFFF);
    let bits =
        if dword2 >> 31 == 0 { Some(low + 1) } else { u32::try_from(low).ok().and_then(|n| 1_u64.checked_shl(n)) };
    bits.filter(|bits| bits.is_power_of_two())
        .map(|bits| bits / 8)
        .and_then(|bytes| u32::try_from(bytes).ok())
        .filter(|bytes| (256..=MAX_SIZE).contains(bytes))
        .ok_or(SfdpError::Size { dword2 })
}

/// The erase types of DWORDs 8 and 9, with the 4 KiB opcode of DWORD 1 where those do not name it.
fn erase_types(dwords: &[u32]) -> Vec<TableErase> {
    let timing = dwords.get(9).copied();
    let mut types = Vec::new();
    for index in 0..4 {
        let pair = dwords[7 + index / 2] >> (16 * (index % 2));
        let exponent = pair & 0xFF;
        if exponent == 0 || exponent > 31 {
            continue; // 0 means that the type does not exist; past 31 it is no size
        }
        #[expect(clippy::cast_possible_truncation, reason = "eight bits")]
        let opcode = (pair >> 8) as u8;
        types.push(TableErase { opcode, size: 1 << exponent, times: timing.map(|word| erase_times(word, index)) });
    }
    #[expect(clippy::cast_possible_truncation, reason = "eight bits")]
    let opcode = field(dwords[0], 15, 8) as u8;
    let has_4k = field(dwords[0], 1, 0) == 0b01;
    if has_4k && !types.iter().any(|erase| erase.size == 4096) {
        types.push(TableErase { opcode, size: 4096, times: None });
    }
    types.sort_by_key(|erase| (erase.size, erase.opcode));
    types
}

/// DWORD 10: typical = (count + 1) x unit; maximum = 2 x (multiplier + 1) x typical.
fn erase_times(word: u32, index: usize) -> Times {
    const MS: [u64; 4] = [1, 16, 128, 1000];
    let low = 4 + 7 * u32::try_from(index).expect("four types");
    let count = u64::from(field(word, low + 4, low));
    let unit = MS[field(word, low + 6, low + 5) as usize];
    Times::scaled((count + 1) * unit * 1000, field(word, 3, 0))
}

/// DWORD 11: page program, (bits 12:8 + 1) x 8 or 64 us by bit 13.
fn program_times(word: u32) -> Times {
    let unit = if field(word, 13, 13) == 0 { 8 } else { 64 };
    Times::scaled((u64::from(field(word, 12, 8)) + 1) * unit, field(word, 3, 0))
}

/// DWORD 11: chip erase, (bits 28:24 + 1) x 16 ms, 256 ms, 4 s or 64 s by bits 30:29; the maximum's multiplier is that
/// of the same word, as the worked example of MX25R6435F has it.
fn chip_erase_times(word: u32) -> Times {
    const MS: [u64; 4] = [16, 256, 4000, 64_000];
    let unit = MS[field(word, 30, 29) as usize];
    Times::scaled((u64::from(field(word, 28, 24)) + 1) * unit * 1000, field(word, 3, 0))
}
