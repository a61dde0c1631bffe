//! What an opcode asks for on this chip.
//!
//! Fixed opcodes come first: tables that name one of them as an erase do not change it. One opcode may mean different
//! things to different makers; which meaning counts is the model's business and not the host's.

use nor::catalogue::StatusErrors;
use nor::command as op;

use super::Chip;
use crate::model::Reach;
use crate::phase::{Output, Phase, Then};

/// Clears the error bits of the status register on older parts.
const CLEAR_ERRORS: u8 = 0x30;
/// The same on newer ones.
const CLEAR_ERRORS_NEW: u8 = 0x82;

impl Chip {
    pub(super) fn decode(&mut self, opcode: u8) -> Phase {
        let reset_enabled = std::mem::take(&mut self.reset_enabled);
        if self.deaf || self.asleep && opcode != op::RELEASE {
            return Phase::Ignore;
        }
        if self.deafens && !self.is_its_own(opcode) {
            self.deaf = true;
            return Phase::Ignore;
        }
        match opcode {
            // In the middle of words nothing else is heard.
            op::READ_STATUS => return Phase::Out(Output::Status(1)),
            _ if self.next_word.is_some() => return self.decode_between_words(opcode),
            op::READ_STATUS_2 => return Phase::Out(Output::Status(2)),
            op::READ_STATUS_3 => return Phase::Out(Output::Status(3)),
            op::READ_FLAGS if self.flags_errors() => return Phase::Out(Output::Flags),
            _ if self.busy.is_some() => return Phase::Ignore,
            _ if Some(opcode) == self.clears_errors() => return Phase::Bare(opcode),
            _ if self.holds_errors() => return Phase::Ignore,
            _ => {}
        }
        if !matches!(opcode, op::WRITE_STATUS | 0x31 | 0x11) {
            self.registers.volatile_next = false;
        }
        if opcode == op::RESET {
            self.reset_enabled = reset_enabled;
        }
        self.decode_ready(opcode).begin(&mut self.page)
    }

    fn decode_between_words(&self, opcode: u8) -> Phase {
        match (opcode, self.next_word) {
            _ if self.busy.is_some() => Phase::Ignore,
            (op::PROGRAM_WORDS, Some(at)) => Phase::Word { at, bytes: Vec::new() },
            (op::WRITE_DISABLE, _) => Phase::Bare(opcode),
            _ => Phase::Ignore,
        }
    }

    fn decode_ready(&self, opcode: u8) -> Phase {
        let model = &self.model;
        let width = if self.is_four_byte() { 4 } else { 3 };
        let plain = |then, address, dummy| Phase::Lead { then, at: 0, address, dummy };
        // A three-byte address is completed by the register of the upper byte, where there is one.
        let upper = if width == 3 { u32::from(self.extended) } else { 0 };
        let array = |then, dummy| Phase::Lead { then, at: upper, address: width, dummy };
        match opcode {
            op::READ_ID => Phase::Out(Output::Id(0)),
            op::READ_MAKER => plain(Then::Maker, 3, 0),
            op::READ_SFDP => plain(Then::Tables, 3, 1),
            op::RELEASE => plain(Then::Release, 0, 3),
            op::READ => array(Then::Read, 0),
            op::READ_FAST => array(Then::Read, 1),
            op::PROGRAM => array(Then::Program, 0),
            op::PROGRAM_WORDS if model.words_only => array(Then::Word, 0),
            op::WRITE_STATUS => Phase::Status { first: 1, bytes: Vec::new() },
            0x31 if model.winbond_like => Phase::Status { first: 2, bytes: Vec::new() },
            0x11 if model.winbond_like => Phase::Status { first: 3, bytes: Vec::new() },
            op::READ_UNIQUE_ID if model.winbond_like => plain(Then::UniqueId, width, 1),
            op::WRITE_ENABLE
            | op::WRITE_DISABLE
            | op::WRITE_ENABLE_VOLATILE
            | op::POWER_DOWN
            | op::RESET_ENABLE
            | op::RESET
            | op::ENTER_FOUR_BYTE
            | op::LEAVE_FOUR_BYTE
            | op::CHIP_ERASE
            | 0x60 => Phase::Bare(opcode),
            _ if Some(opcode) == model.block_locks => Phase::Bare(opcode),
            op::READ_BANK if model.bank_register => Phase::Out(Output::Bank),
            op::WRITE_BANK if model.bank_register => Phase::Value { opcode, value: None },
            op::READ_EXTENDED_ADDRESS if model.extended_register => Phase::Out(Output::Extended),
            op::WRITE_EXTENDED_ADDRESS if model.extended_register => Phase::Value { opcode, value: None },
            op::READ_TWO_LINES_LONG if model.long.two_line_read.is_some() => {
                plain(Then::Read, 4, model.long.two_line_read.unwrap_or_default())
            }
            op::READ_LONG if model.long.read => plain(Then::Read, 4, 0),
            op::READ_FAST_LONG if model.long.fast_read => plain(Then::Read, 4, 1),
            op::PROGRAM_LONG if model.long.program => plain(Then::Program, 4, 0),
            _ => {
                if let Some((_, short)) = model.long.erases.iter().find(|(long, _)| *long == opcode) {
                    plain(Then::Erase { opcode: *short }, 4, 0)
                } else if let Some((_, dummy)) = model.two_line_read.filter(|(two, _)| *two == opcode) {
                    array(Then::Read, dummy)
                } else if let Some(setting) = model.settings.iter().find(|setting| setting.opcode == opcode) {
                    plain(Then::Setting(opcode), setting.address_bytes.unwrap_or(width), setting.dummy_bytes)
                } else if model.erase_by(opcode).is_some() {
                    array(Then::Erase { opcode }, 0)
                } else {
                    Phase::Ignore
                }
            }
        }
    }

    /// What a chip with the deaf-after-opcode fault takes: the opcodes common to all makers, its own erases, and what its
    /// own kind of program, locks, registers and errors needs.
    fn is_its_own(&self, opcode: u8) -> bool {
        const COMMON: [u8; 10] = [
            op::RELEASE,
            op::READ_ID,
            op::READ_SFDP,
            op::READ_STATUS,
            op::READ_MAKER,
            op::READ,
            op::READ_FAST,
            op::WRITE_ENABLE,
            op::WRITE_DISABLE,
            op::PROGRAM,
        ];
        let model = &self.model;
        let by_mode = matches!(model.reach, Reach::Mode { .. });
        COMMON.contains(&opcode)
            || opcode == op::CHIP_ERASE
            || model.erase_by(opcode).is_some()
            || model.words_only && opcode == op::PROGRAM_WORDS
            || by_mode && matches!(opcode, op::ENTER_FOUR_BYTE | op::LEAVE_FOUR_BYTE)
            || self.flags_errors() && matches!(opcode, op::READ_FLAGS | op::WRITE_ENABLE_VOLATILE)
            || Some(opcode) == model.block_locks
            || Some(opcode) == self.clears_errors()
    }

    /// Errors show in the register that 70h reads.
    pub(super) fn flags_errors(&self) -> bool {
        self.model.status_errors == Some(StatusErrors::FlagRegister)
    }

    /// The opcode that clears error bits, where it means nothing else as well.
    pub(super) fn clears_errors(&self) -> Option<u8> {
        match self.model.status_errors? {
            StatusErrors::FlagRegister => None,
            StatusErrors::StatusClearedBy30 => Some(CLEAR_ERRORS),
            StatusErrors::StatusClearedBy82 => Some(CLEAR_ERRORS_NEW),
        }
    }

    /// After an error of the status register's kind the chip stays busy until the error is cleared.
    pub(super) fn holds_errors(&self) -> bool {
        self.errors != 0 && self.clears_errors().is_some()
    }
}
