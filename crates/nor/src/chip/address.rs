//! How the whole of a chip is reached, and which opcodes that takes.
//!
//! Preferred are opcodes that take four address bytes whatever the mode ([`Addressing::Long`]): a chip that lost its mode,
//! through a reset or a dip of its supply, would take an erase with four address bytes for another place. They count
//! only when the chip's own four-byte table, or every catalogue entry, names them for reading, programming and the
//! smallest erase; an erase type without such an opcode is then not used. After them comes the mode that the table
//! names, B7h before 06h and B7h before a register that holds the upper address; without a table the maker's habit.

use super::{Conflict, EraseType, THREE_BYTE_REACH};
use crate::catalogue::{self, Entry};
use crate::command::{PROGRAM, PROGRAM_LONG, READ_TWO_LINES_LONG, ReadMode};
use crate::sfdp::{AddressWidths, Basic, Tables};

/// How the whole of a chip is addressed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Addressing {
    /// Three address bytes reach all of it.
    Three,
    /// Four address bytes after B7h; left again with E9h. Some makers want a write enable before both.
    FourByMode {
        /// Whether 06h has to precede B7h and E9h.
        write_enable: bool,
    },
    /// Four address bytes while bit 7 of the bank register is set: 17h writes it, 16h reads it.
    FourByBank,
    /// Three address bytes; the fourth stands in a register that C5h (after 06h) writes and C8h reads. It has to be set
    /// for each 16 MiB and be 0 again afterwards.
    ExtendedRegister,
    /// Opcodes that take four address bytes whatever the mode: 13h and 0Ch read, [`Chip::program_opcode`] programs,
    /// [`Chip::erases`] holds the erases.
    ///
    /// [`Chip::program_opcode`]: super::Chip::program_opcode
    /// [`Chip::erases`]: super::Chip::erases
    Long,
    /// Four address bytes always.
    Four,
    /// Nothing says how to reach past the first 16 MiB.
    Unknown,
}

impl Addressing {
    /// Address bytes on the wire once the mode is entered.
    #[must_use]
    pub fn bytes(self) -> u8 {
        match self {
            Self::Three | Self::ExtendedRegister | Self::Unknown => 3,
            Self::FourByMode { .. } | Self::FourByBank | Self::Long | Self::Four => 4,
        }
    }

    /// Opcode that programs.
    pub(super) fn program_opcode(self) -> u8 {
        if self == Self::Long { PROGRAM_LONG } else { PROGRAM }
    }
}

/// Opcodes with four address bytes that are known of a chip.
pub(super) struct LongOpcodes<'a> {
    candidates: &'a [&'static Entry],
    tables: Option<&'a Tables>,
    /// Whether 13h and 0Ch read.
    pub reads: bool,
    /// Whether 12h programs too.
    pub programs: bool,
}

impl<'a> LongOpcodes<'a> {
    pub(super) fn of(id: &[u8], size: u32, candidates: &'a [&'static Entry], tables: Option<&'a Tables>) -> Self {
        let large = size > THREE_BYTE_REACH;
        let named = tables.and_then(|tables| tables.four_byte.as_ref());
        let listed = !candidates.is_empty() && candidates.iter().all(|entry| entry.long_opcodes);
        let reads =
            listed || catalogue::is_winbond_like(id) || named.is_some_and(|named| named.read && named.fast_read);
        let programs = listed || named.is_some_and(|named| named.program);
        Self { candidates, tables, reads: large && reads, programs: large && reads && programs }
    }

    /// The read on two data lines, with the opcode that takes four address bytes whatever the mode where the others are read so.
    pub(super) fn two_line_read(&self, addressing: Addressing) -> Option<ReadMode> {
        let tables = self.tables?;
        let (opcode, clocks) = tables.basic.two_line_read?;
        let dummy_bytes = u8::try_from(clocks / 8).ok().filter(|_| clocks.is_multiple_of(8))?;
        if !self.reads {
            return Some(ReadMode { opcode, address_bytes: addressing.bytes(), dummy_bytes, data_lines: 2 });
        }
        let named = tables.four_byte.as_ref().is_some_and(|named| named.two_line_read);
        named.then_some(ReadMode { opcode: READ_TWO_LINES_LONG, address_bytes: 4, dummy_bytes, data_lines: 2 })
    }

    /// The erase type with four address bytes; none when nothing names an opcode for it.
    fn erase(&self, number: u8, erase: EraseType) -> Option<EraseType> {
        let named = self.tables.and_then(|tables| tables.four_byte.as_ref());
        let opcode = match named {
            Some(named) => named.erase(number)?,
            None if self.candidates.iter().all(|entry| entry.long_opcodes) => match erase.opcode {
                0x20 => 0x21,
                0xD8 => 0xDC,
                _ => return None,
            },
            None => return None,
        };
        Some(EraseType { opcode, ..erase })
    }

    /// The erase types of one stretch with four address bytes; none when even the smallest has no such opcode.
    pub(super) fn erases(&self, erases: &[(u8, EraseType)]) -> Option<Vec<(u8, EraseType)>> {
        if !self.programs {
            return None;
        }
        let (number, smallest) = *erases.first()?;
        self.erase(number, smallest)?;
        Some(erases.iter().filter_map(|(number, erase)| Some((*number, self.erase(*number, *erase)?))).collect())
    }
}

/// How the chip is addressed; `long` tells whether everything can be done by opcodes with four address bytes.
pub(super) fn addressing(
    id: &[u8],
    listed: bool,
    size: u32,
    basic: Option<&Basic>,
    long: bool,
    conflicts: &mut Vec<Conflict>,
) -> Addressing {
    match basic.map(|basic| basic.address) {
        Some(AddressWidths::Four) => {
            if listed && size <= THREE_BYTE_REACH {
                conflicts.push(Conflict::Address);
            }
            return Addressing::Four;
        }
        Some(AddressWidths::Reserved) => conflicts.push(Conflict::Address),
        Some(AddressWidths::Three) if size > THREE_BYTE_REACH => conflicts.push(Conflict::Address),
        _ => {}
    }
    if size <= THREE_BYTE_REACH {
        return Addressing::Three;
    }
    let entry = basic.and_then(|basic| basic.four_byte_entry).unwrap_or(0);
    let has = |bit: u8| entry >> bit & 1 == 1;
    if has(6) {
        Addressing::Four
    } else if long {
        Addressing::Long
    } else if has(0) {
        Addressing::FourByMode { write_enable: false }
    } else if has(1) {
        Addressing::FourByMode { write_enable: true }
    } else if has(3) {
        Addressing::FourByBank
    } else if has(2) {
        Addressing::ExtendedRegister
    } else if let Some(write_enable) = catalogue::enters_four_bytes(id) {
        Addressing::FourByMode { write_enable }
    } else {
        conflicts.push(Conflict::Reach);
        Addressing::Unknown
    }
}
