//! The basic parameter table of JESD216: size, erase types, times, address widths, and how the chip is put to sleep,
//! reset, and told that a status write may be forgotten at the next power-up.
//!
//! Every field says where the word comes from. What is not needed is left in [`Basic::dwords`] (suspend and resume,
//! multi-line reads). Bits of DWORDs 14 to 16 are named from memory of JESD216B; those of DWORD 16 agree with the masks of
//! Linux drivers/mtd/spi-nor/sfdp.h, from memory too. The checks in `tests/sfdp.rs` show that real tables make sense so.

use super::SfdpError;
use crate::MAX_SIZE;
use crate::chip::{EraseType, Times};

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
    /// The read that brings two bits a clock, opcode and address on one line (1-1-2): opcode and clocks between address and
    /// data. DWORD 1, bit 16 says whether there is one; DWORD 4, bits 15:8, and 4:0 (wait) plus 7:5 (mode) say how.
    pub two_line_read: Option<(u8, u32)>,
    /// Ways into four-byte mode (DWORD 16, bits 31:24); none where the table is shorter. Bit 0: B7h. 1: 06h, then B7h.
    /// 2: C5h writes the upper address byte (C8h reads it). 3: 17h writes a bank register (16h reads it), bit 7. 4: a
    /// non-volatile configuration register. 5: opcodes of their own. 6: always four bytes.
    pub four_byte_entry: Option<u8>,
    /// Ways out of four-byte mode (DWORD 16, bits 23:14). Bit 0: E9h. 1: 06h, then E9h. 2: C5h. 3: 17h. 4: the
    /// configuration register. 5: hardware reset. 6: soft reset. 7: power cycle.
    pub four_byte_exit: Option<u16>,
    /// Deep power-down (DWORD 14); none where the chip has none or the table is shorter.
    pub sleep: Option<Sleep>,
    /// Where the end of an erase or program shows (DWORD 14, bits 7:2); none where the table says neither way.
    pub polling: Option<Polling>,
    /// How four data lines are switched on (DWORD 15, bits 22:20); none where the table is shorter or uses the
    /// reserved value.
    pub quad_enable: Option<QuadEnable>,
    /// Soft resets that the chip takes (DWORD 16, bits 13:8); none where the table is shorter.
    pub resets: Option<Resets>,
    /// How a status write is enabled (DWORD 16, bits 6:0); none where the table is shorter or says nothing.
    pub status_enable: Option<StatusEnable>,
}

/// Deep power-down (DWORD 14, bits 31:8).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Sleep {
    /// Opcode that puts the chip to sleep.
    pub enter: u8,
    /// Opcode that wakes it.
    pub wake: u8,
    /// How long waking takes, in nanoseconds.
    pub wake_ns: u64,
}

/// Which register tells that an erase or program is over.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Polling {
    /// 05h, bit 0: clear when ready.
    Status,
    /// 70h, bit 7: set when ready.
    FlagStatus,
}

/// How four data lines are switched on: which bit, and how the register that holds it is written.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum QuadEnable {
    /// 000b: no such bit; WP# and HOLD# are never data lines unless told by the instruction.
    None,
    /// 001b: status register 2, bit 1; 01h with two bytes, and one byte alone clears it.
    SecondClearedByOne,
    /// 010b: status register 1, bit 6; 01h with one byte.
    FirstBit6,
    /// 011b: status register 2, bit 7; 3Eh writes it, 3Fh reads it.
    SecondBit7,
    /// 100b: status register 2, bit 1; 01h with two bytes, and one byte alone leaves it.
    SecondKeptByOne,
    /// 101b: status register 2, bit 1; 35h reads it, 01h with two bytes writes it.
    SecondBy01,
    /// 110b: status register 2, bit 1; 35h reads it, 31h writes it.
    SecondBy31,
}

impl QuadEnable {
    fn of(bits: u32) -> Option<Self> {
        Some(match bits {
            0 => Self::None,
            1 => Self::SecondClearedByOne,
            2 => Self::FirstBit6,
            3 => Self::SecondBit7,
            4 => Self::SecondKeptByOne,
            5 => Self::SecondBy01,
            6 => Self::SecondBy31,
            _ => return None,
        })
    }
}

/// Soft resets that a chip takes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Resets {
    /// 66h, then 99h (bit 12).
    pub enable_and_reset: bool,
    /// F0h (bit 11).
    pub f0: bool,
    /// Clocks for which all four data lines are to be high, to get out of a four-line mode: 8, 10, 16 (bits 8 to 10).
    pub all_high_clocks: [bool; 3],
    /// Whether the mode of four-line reads without opcode has to be left first (bit 13).
    pub leave_continuous_read: bool,
}

/// Which write enable goes before a status write, and what it makes of it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum StatusEnable {
    /// Bit 0: 06h; what is written stays.
    Lasting,
    /// Bit 1: 06h; the register comes up with all bits set.
    VolatileBy06,
    /// Bit 2: 50h; the register comes up with all bits set.
    VolatileBy50,
    /// Bit 3: 06h writes what stays, 50h what is forgotten at the next power-up.
    Both,
    /// Bit 4: 06h; lasting and volatile bits in one register.
    Mixed,
}

impl StatusEnable {
    /// A table may set several bits; the one that offers a volatile write counts, then the plainest.
    fn of(bits: u32) -> Option<Self> {
        [(3, Self::Both), (2, Self::VolatileBy50), (1, Self::VolatileBy06), (0, Self::Lasting), (4, Self::Mixed)]
            .into_iter()
            .find(|(bit, _)| bits >> bit & 1 == 1)
            .map(|(_, enable)| enable)
    }
}

/// One erase type of the basic table.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct TableErase {
    /// Its number in DWORDs 8 and 9, from 1 to 4, by which other tables name it; 0 for the 4 KiB erase that only DWORD 1
    /// names.
    pub number: u8,
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
            two_line_read: two_line_read(&dwords),
            #[expect(clippy::cast_possible_truncation, reason = "eight bits")]
            four_byte_entry: word(16).map(|word| field(word, 31, 24) as u8),
            #[expect(clippy::cast_possible_truncation, reason = "ten bits")]
            four_byte_exit: word(16).map(|word| field(word, 23, 14) as u16),
            sleep: word(14).and_then(sleep),
            polling: word(14).and_then(|word| match field(word, 3, 2) {
                0b00 => None,
                0b10 => Some(Polling::FlagStatus),
                _ => Some(Polling::Status),
            }),
            quad_enable: word(15).and_then(|word| QuadEnable::of(field(word, 22, 20))),
            resets: word(16).map(|word| Resets {
                enable_and_reset: field(word, 12, 12) == 1,
                f0: field(word, 11, 11) == 1,
                all_high_clocks: [8, 9, 10].map(|bit| field(word, bit, bit) == 1),
                leave_continuous_read: field(word, 13, 13) == 1,
            }),
            status_enable: word(16).and_then(|word| StatusEnable::of(field(word, 6, 0))),
            dwords,
        })
    }
}

fn two_line_read(dwords: &[u32]) -> Option<(u8, u32)> {
    let how = dwords[3];
    #[expect(clippy::cast_possible_truncation, reason = "eight bits")]
    let opcode = field(how, 15, 8) as u8;
    let told = field(dwords[0], 16, 16) == 1 && !matches!(opcode, 0x00 | 0xFF);
    told.then(|| (opcode, field(how, 4, 0) + field(how, 7, 5)))
}

/// DWORD 14: bit 31 set means no deep power-down; bits 30:23 opcode in, 22:15 opcode out, and waking takes (bits 12:8 + 1)
/// x 128 ns, 1 us, 8 us or 64 us by bits 14:13.
fn sleep(word: u32) -> Option<Sleep> {
    const NS: [u64; 4] = [128, 1_000, 8_000, 64_000];
    if field(word, 31, 31) == 1 {
        return None;
    }
    let unit = NS[field(word, 14, 13) as usize];
    #[expect(clippy::cast_possible_truncation, reason = "eight bits each")]
    let (enter, wake) = (field(word, 30, 23) as u8, field(word, 22, 15) as u8);
    Some(Sleep { enter, wake, wake_ns: (u64::from(field(word, 12, 8)) + 1) * unit })
}

/// Bits `high` to `low` of a word.
pub(super) fn field(word: u32, high: u32, low: u32) -> u32 {
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
        #[expect(clippy::cast_possible_truncation, reason = "four types")]
        let number = index as u8 + 1;
        let times = timing.map(|word| erase_times(word, index));
        types.push(TableErase { number, opcode, size: 1 << exponent, times });
    }
    #[expect(clippy::cast_possible_truncation, reason = "eight bits")]
    let opcode = field(dwords[0], 15, 8) as u8;
    let has_4k = field(dwords[0], 1, 0) == 0b01;
    if has_4k && !types.iter().any(|erase| erase.size == 4096) {
        types.push(TableErase { number: 0, opcode, size: 4096, times: None });
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
