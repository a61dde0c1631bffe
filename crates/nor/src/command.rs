//! Commands of serial NOR chips as values.
//!
//! A [`Transfer`] is one transaction: chip select falls, `write` goes out, `read` bytes come in, chip select rises. The
//! constructors know how a command is laid out on the wire and nothing of whether this chip may be sent it: that is
//! the caller's business (safety rule S5: until the id has named the family, only [`RELEASE`], [`READ_ID`],
//! [`READ_SFDP`], [`READ_STATUS`], [`READ_MAKER`] and, for a chip that nothing describes, [`READ`]).
//!
//! Opcodes: JESD216 for 5Ah; the others are common to the families named beside them (from memory of public
//! datasheets where no other source is given).

use std::fmt;

/// Release from deep power-down; some parts answer an eight-bit id after three dummy bytes.
pub const RELEASE: u8 = 0xAB;
/// Deep power-down.
pub const POWER_DOWN: u8 = 0xB9;
/// Read the JEDEC id: maker, type, capacity code, then what the maker adds.
pub const READ_ID: u8 = 0x9F;
/// Read maker and device code: two dummy bytes, one address byte, then two bytes.
pub const READ_MAKER: u8 = 0x90;
/// JESD216: read the chip's own tables: three address bytes, eight dummy clocks.
pub const READ_SFDP: u8 = 0x5A;
/// Read status register 1.
pub const READ_STATUS: u8 = 0x05;
/// Read status register 2 on Winbond-like parts; other makers' parts go deaf on it.
pub const READ_STATUS_2: u8 = 0x35;
/// Read status register 3 on Winbond-like parts; other makers' parts go deaf on it.
pub const READ_STATUS_3: u8 = 0x15;
/// Write the status register.
pub const WRITE_STATUS: u8 = 0x01;
/// Makes the next status write volatile, on parts that have it.
pub const WRITE_ENABLE_VOLATILE: u8 = 0x50;
/// Read from the array, without dummy clocks.
pub const READ: u8 = 0x03;
/// Read from the array with eight dummy clocks.
pub const READ_FAST: u8 = 0x0B;
/// Read with four address bytes whatever the mode.
pub const READ_LONG: u8 = 0x13;
/// Read with four address bytes whatever the mode, and eight dummy clocks.
pub const READ_FAST_LONG: u8 = 0x0C;
/// Read on two data lines, with four address bytes whatever the mode.
pub const READ_TWO_LINES_LONG: u8 = 0x3C;
/// Sets the write enable latch.
pub const WRITE_ENABLE: u8 = 0x06;
/// Clears the write enable latch.
pub const WRITE_DISABLE: u8 = 0x04;
/// Program one page.
pub const PROGRAM: u8 = 0x02;
/// Program one page with four address bytes whatever the mode.
pub const PROGRAM_LONG: u8 = 0x12;
/// Program words, two bytes at a time with a counting address, on parts without page program; 04h ends it.
pub const PROGRAM_WORDS: u8 = 0xAD;
/// Erase the whole chip.
pub const CHIP_ERASE: u8 = 0xC7;
/// Enter four-byte address mode.
pub const ENTER_FOUR_BYTE: u8 = 0xB7;
/// Leave four-byte address mode.
pub const LEAVE_FOUR_BYTE: u8 = 0xE9;
/// Write the register that holds the upper address byte.
pub const WRITE_EXTENDED_ADDRESS: u8 = 0xC5;
/// Read the register that holds the upper address byte.
pub const READ_EXTENDED_ADDRESS: u8 = 0xC8;
/// Write the bank register, of which bit 7 chooses four address bytes.
pub const WRITE_BANK: u8 = 0x17;
/// Read the bank register.
pub const READ_BANK: u8 = 0x16;
/// Read the flag status register.
pub const READ_FLAGS: u8 = 0x70;
/// Read the unique id (Winbond-like): four dummy bytes, then eight bytes.
pub const READ_UNIQUE_ID: u8 = 0x4B;
/// Soft reset, first half.
pub const RESET_ENABLE: u8 = 0x66;
/// Soft reset, second half.
pub const RESET: u8 = 0x99;

/// Status register 1, bit 0: an erase, program or status write is going on.
pub const STATUS_BUSY: u8 = 0x01;
/// Status register 1, bit 1: the write enable latch.
pub const STATUS_WRITE_ENABLED: u8 = 0x02;
/// Status register 3, bit 0 (Winbond-like): four-byte address mode is on.
pub const STATUS_3_FOUR_BYTE: u8 = 0x01;

/// One transaction: bytes out, then bytes in, under one chip select.
#[derive(Clone, PartialEq, Eq, Hash)]
pub struct Transfer {
    /// Bytes that go out, opcode first.
    pub write: Vec<u8>,
    /// How many bytes are clocked in afterwards.
    pub read: u32,
}

impl fmt::Debug for Transfer {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let shown = self.write.len().min(8);
        write!(f, "Transfer({:02x?}", &self.write[..shown])?;
        if shown < self.write.len() {
            write!(f, "+{}", self.write.len() - shown)?;
        }
        write!(f, " -> {})", self.read)
    }
}

impl Transfer {
    /// A lone opcode.
    #[must_use]
    pub fn bare(opcode: u8) -> Self {
        Self { write: vec![opcode], read: 0 }
    }

    /// An opcode that answers with a register of `read` bytes.
    #[must_use]
    pub fn register(opcode: u8, read: u32) -> Self {
        Self { write: vec![opcode], read }
    }

    /// Reads `read` bytes of the chip's own tables from `at` (24 bits). JESD216: three address bytes, eight dummy clocks.
    #[must_use]
    pub fn sfdp(at: u32, read: u32) -> Self {
        Self { write: addressed(READ_SFDP, at, 3, 1), read }
    }

    /// Reads maker and device code with 90h.
    #[must_use]
    pub fn maker() -> Self {
        Self { write: addressed(READ_MAKER, 0, 3, 0), read: 2 }
    }

    /// Reads the eight-byte unique id of a Winbond-like part; in four-byte mode a fifth dummy byte precedes it.
    #[must_use]
    pub fn unique_id(address_bytes: u8) -> Self {
        Self { write: addressed(READ_UNIQUE_ID, 0, address_bytes, 1), read: 8 }
    }

    /// Reads `len` bytes of the array from `at`.
    #[must_use]
    pub fn array(at: u32, len: u32, mode: ReadMode) -> Self {
        Self { write: addressed(mode.opcode, at, mode.address_bytes, mode.dummy_bytes), read: len }
    }

    /// Programs `data` from `at`; the caller keeps it inside one page.
    #[must_use]
    pub fn program(opcode: u8, at: u32, address_bytes: u8, data: &[u8]) -> Self {
        let mut write = addressed(opcode, at, address_bytes, 0);
        write.extend_from_slice(data);
        Self { write, read: 0 }
    }

    /// Erases the block at `at`.
    #[must_use]
    pub fn erase(opcode: u8, at: u32, address_bytes: u8) -> Self {
        Self { write: addressed(opcode, at, address_bytes, 0), read: 0 }
    }

    /// Bytes on the wire, out and in.
    #[must_use]
    pub fn wire_bytes(&self) -> u64 {
        self.write.len() as u64 + u64::from(self.read)
    }
}

/// How the array is read: opcode, address width, dummy bytes between address and data, lines on which the data come.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct ReadMode {
    /// [`READ`] or [`READ_FAST`], or a chip's own.
    pub opcode: u8,
    /// 3 or 4.
    pub address_bytes: u8,
    /// Whole bytes of dummy clocks.
    pub dummy_bytes: u8,
    /// Lines on which the data come: 1 (DO), or 2 (DO and DI) with [`crate::link::Features::two_lines`], then upper bit of each
    /// pair on DO. Opcode and address always go out on one.
    pub data_lines: u8,
}

impl ReadMode {
    /// Read with 03h: no dummy clocks, slower clock limits.
    #[must_use]
    pub fn plain(address_bytes: u8) -> Self {
        Self { opcode: READ, address_bytes, dummy_bytes: 0, data_lines: 1 }
    }

    /// Read with 0Bh: eight dummy clocks.
    #[must_use]
    pub fn fast(address_bytes: u8) -> Self {
        Self { opcode: READ_FAST, address_bytes, dummy_bytes: 1, data_lines: 1 }
    }

    /// Read with opcodes that take four address bytes whatever the mode.
    #[must_use]
    pub fn long(fast: bool) -> Self {
        let opcode = if fast { READ_FAST_LONG } else { READ_LONG };
        Self { opcode, address_bytes: 4, dummy_bytes: u8::from(fast), data_lines: 1 }
    }

    /// Bytes that precede the data.
    #[must_use]
    pub fn lead(self) -> u32 {
        1 + u32::from(self.address_bytes) + u32::from(self.dummy_bytes)
    }
}

/// Opcode, address most significant byte first, and dummy bytes of zero.
fn addressed(opcode: u8, at: u32, address_bytes: u8, dummy_bytes: u8) -> Vec<u8> {
    let mut write = Vec::with_capacity(6);
    write.push(opcode);
    write.extend_from_slice(&at.to_be_bytes()[4 - usize::from(address_bytes)..]);
    write.resize(write.len() + usize::from(dummy_bytes), 0);
    write
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn addresses_go_out_most_significant_byte_first() {
        assert_eq!(Transfer::array(0x0012_3456, 4, ReadMode::plain(3)).write, [0x03, 0x12, 0x34, 0x56]);
        assert_eq!(Transfer::array(0x0112_3456, 4, ReadMode::fast(4)).write, [0x0B, 0x01, 0x12, 0x34, 0x56, 0]);
    }

    #[test]
    fn the_table_read_has_three_address_bytes_and_eight_dummy_clocks() {
        // JESD216, "Read SFDP" command.
        let transfer = Transfer::sfdp(0x10, 8);
        assert_eq!(transfer.write, [0x5A, 0, 0, 0x10, 0]);
        assert_eq!(transfer.wire_bytes(), 13);
    }
}
