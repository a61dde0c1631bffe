//! Reaching the whole of a chip, and proving while writing that it is still reached.
//!
//! Chips past 16 MiB are read by opcodes that always take four address bytes where they have them. The others are put into
//! a mode, or get the upper address byte by a register. A reset or a dip of the supply undoes both, and what was meant for
//! the upper part would then reach the lower one. Reading shows that in the verify; writing must not come so far. So each
//! single erase and program goes out in this order: write enable, proof of the mode, the command itself. A chip that lost
//! its mode before the proof fails it; one that loses it afterwards has lost its write enable latch as well and ignores
//! the command. Lists that a link runs by itself cannot be interleaved so, and are not used on such chips.
//!
//! | proof | chips |
//! |---|---|
//! | register 3, bit 0 (15h) | Winbond-like (from memory) |
//! | flag register, bit 0 (70h) | those with a flag register (from memory: N25Q256A) |
//! | bank register, bit 7 (16h) | those reached by it |
//! | the register itself (C8h) | those reached by the upper address byte |
//! | known content past 16 MiB, which a chip without its mode would not show | the others |
//! | none: B7h is sent again behind the write enable | the others when no content can tell; the latch argument still holds |

use std::cell::Cell;
use std::ops::Range;

use nor::catalogue::{self, StatusErrors};
use nor::chip::{Addressing, Chip, THREE_BYTE_REACH};
use nor::command::{
    ENTER_FOUR_BYTE, LEAVE_FOUR_BYTE, READ_BANK, READ_EXTENDED_ADDRESS, READ_FLAGS, READ_STATUS_3, ReadMode,
    STATUS_3_FOUR_BYTE, Transfer, WRITE_BANK, WRITE_DISABLE, WRITE_ENABLE, WRITE_EXTENDED_ADDRESS,
};
use nor::link::Limits;
use nor::plan::Plan;

use crate::bus::Bus;
use crate::error::DriverError;

const SWITCHING: &str = "switching the address width";
const PROVING: &str = "looking at the address width";

/// Bank register, bit 7: four address bytes.
const BANK_FOUR_BYTE: u8 = 0x80;

/// Flag register, bit 0: four address bytes.
const FLAGS_FOUR_BYTE: u8 = 0x01;

/// Bytes of known content that prove a mode.
const PROOF: u32 = 16;

/// How the array is read just now.
#[derive(Debug)]
pub(crate) struct Reading {
    pub mode: ReadMode,
    /// The chip takes four address bytes where it usually takes three.
    pub in_mode: bool,
    /// The upper address byte stands in a register.
    segmented: bool,
    /// Whether the link may digest from two data lines.
    pub two_lines: Cell<TwoLines>,
}

/// A faster way to have a range digested, which counts only once it was seen to answer as the plain one.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum TwoLines {
    /// The link or the chip has none, or it answered otherwise.
    No,
    /// Still to be compared.
    Untried(ReadMode),
    /// It answered as one line did.
    Proven(ReadMode),
}

impl TwoLines {
    fn of(chip: &Chip, limits: &Limits) -> Self {
        if limits.features.two_lines { chip.two_line_read.map_or(Self::No, Self::Untried) } else { Self::No }
    }
}

impl Reading {
    /// The command by which the link digests.
    pub(crate) fn digest_mode(&self) -> ReadMode {
        if let TwoLines::Proven(mode) = self.two_lines.get() { mode } else { self.mode }
    }

    /// A range in pieces that one request can read: none crosses 16 MiB where a register has to change there.
    pub(crate) fn pieces(&self, at: u32, len: u32) -> impl Iterator<Item = Range<u32>> + use<> {
        let (segmented, end) = (self.segmented, at + len);
        let next = Cell::new(at);
        std::iter::from_fn(move || {
            let from = next.get();
            let limit = if segmented { (from / THREE_BYTE_REACH + 1) * THREE_BYTE_REACH } else { end };
            next.set(end.min(limit));
            (from < end).then(|| from..next.get())
        })
    }
}

/// What shows that a chip still takes addresses as it is sent them.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) enum Proof {
    /// Nothing can be lost.
    NotNeeded,
    /// A bit of a register.
    Bit { read: u8, mask: u8 },
    /// The register of the upper address byte.
    Segment,
    /// Content past 16 MiB.
    Content { at: u32, bytes: Vec<u8> },
    /// The mode is entered again instead.
    Renewed { write_enable: bool },
}

impl Proof {
    /// The proof for writing `plan` on `chip`, which is to hold `wanted` afterwards.
    pub(crate) fn of(chip: &Chip, plan: &Plan, wanted: &[u8]) -> Self {
        match chip.addressing {
            Addressing::Three | Addressing::Long | Addressing::Four | Addressing::Unknown => Self::NotNeeded,
            Addressing::FourByBank => Self::Bit { read: READ_BANK, mask: BANK_FOUR_BYTE },
            Addressing::ExtendedRegister => Self::Segment,
            Addressing::FourByMode { .. } if catalogue::is_winbond_like(&chip.id) => {
                Self::Bit { read: READ_STATUS_3, mask: STATUS_3_FOUR_BYTE }
            }
            Addressing::FourByMode { .. } if chip.status_errors == Some(StatusErrors::FlagRegister) => {
                Self::Bit { read: READ_FLAGS, mask: FLAGS_FOUR_BYTE }
            }
            Addressing::FourByMode { write_enable } => {
                telling_content(chip, plan, wanted).unwrap_or(Self::Renewed { write_enable })
            }
        }
    }
}

/// Content past 16 MiB that the plan leaves alone and that differs from what a chip with three address bytes would show:
/// it takes the upper three bytes for the address, and the fourth byte for the first clocks of the answer.
fn telling_content(chip: &Chip, plan: &Plan, wanted: &[u8]) -> Option<Proof> {
    let touched = plan.touched();
    let free = |from: u32| touched.iter().all(|range| from + PROOF <= range.start || range.end <= from);
    let bytes = |from: u32| wanted.get(from as usize..(from + PROOF) as usize);
    (THREE_BYTE_REACH..chip.size).step_by(nor::SECTOR as usize).find_map(|at| {
        let lost = (at >> 8) + 1;
        let (there, otherwise) = (bytes(at)?, bytes(lost)?);
        (free(at) && free(lost) && there != otherwise).then(|| Proof::Content { at, bytes: there.to_vec() })
    })
}

impl Bus {
    /// Makes the whole chip addressable.
    pub(crate) async fn enter(&self, addressing: Addressing) -> Result<(), DriverError> {
        match addressing {
            Addressing::FourByMode { write_enable } => self.switch(write_enable, ENTER_FOUR_BYTE).await,
            Addressing::FourByBank => self.bank(BANK_FOUR_BYTE).await,
            Addressing::ExtendedRegister => self.set_segment(0).await,
            _ => Ok(()),
        }
    }

    /// Leaves the chip as it was before [`Bus::enter`]: a board expects three address bytes.
    pub(crate) async fn leave(&self, addressing: Addressing) -> Result<(), DriverError> {
        match addressing {
            Addressing::FourByMode { write_enable } => self.switch(write_enable, LEAVE_FOUR_BYTE).await,
            Addressing::FourByBank => self.bank(0).await,
            Addressing::ExtendedRegister => self.set_segment(0).await,
            _ => Ok(()),
        }
    }

    async fn switch(&self, write_enable: bool, opcode: u8) -> Result<(), DriverError> {
        if write_enable {
            self.transfer(Transfer::bare(WRITE_ENABLE), SWITCHING).await?;
        }
        self.transfer(Transfer::bare(opcode), SWITCHING).await?;
        if write_enable {
            self.transfer(Transfer::bare(WRITE_DISABLE), SWITCHING).await?;
        }
        Ok(())
    }

    /// Changes bit 7 of the bank register alone.
    async fn bank(&self, four_byte: u8) -> Result<(), DriverError> {
        let bank = self.transfer(Transfer::register(READ_BANK, 1), PROVING).await?[0];
        if bank & BANK_FOUR_BYTE != four_byte {
            let write = vec![WRITE_BANK, bank & !BANK_FOUR_BYTE | four_byte];
            self.transfer(Transfer { write, read: 0 }, SWITCHING).await?;
        }
        Ok(())
    }

    /// Writes the upper address byte, whatever it was, and sees that it is there.
    async fn set_segment(&self, segment: u8) -> Result<(), DriverError> {
        self.transfer(Transfer::bare(WRITE_ENABLE), SWITCHING).await?;
        self.transfer(Transfer { write: vec![WRITE_EXTENDED_ADDRESS, segment], read: 0 }, SWITCHING).await?;
        self.segment.set(segment);
        let read = self.transfer(Transfer::register(READ_EXTENDED_ADDRESS, 1), PROVING).await?[0];
        if read == segment { Ok(()) } else { Err(DriverError::ModeLost { at: u32::from(segment) << 24 }) }
    }

    /// Brings the upper address byte to that of `at`, on chips that are reached so.
    pub(crate) async fn turn_segment(&self, at: u32) -> Result<(), DriverError> {
        let [segment, ..] = at.to_be_bytes();
        if self.segment.get() == segment { Ok(()) } else { self.set_segment(segment).await }
    }

    /// Makes `at` readable; answers the address to send.
    pub(crate) async fn turn_to(&self, reading: &Reading, at: u32) -> Result<u32, DriverError> {
        if !reading.segmented {
            return Ok(at);
        }
        self.turn_segment(at).await?;
        Ok(at % THREE_BYTE_REACH)
    }

    /// Chooses how the array is read and makes it readable: on large chips that have them, by opcodes that take four
    /// address bytes whatever the mode, so that a chip which lost its mode cannot show its lower part twice.
    pub(crate) async fn begin_reading(&self, chip: &Chip, fast: bool) -> Result<Reading, DriverError> {
        let two_lines = Cell::new(TwoLines::of(chip, self.limits()));
        if chip.has_long_reads {
            return Ok(Reading { mode: ReadMode::long(fast), in_mode: false, segmented: false, two_lines });
        }
        self.enter(chip.addressing).await?;
        let address_bytes = chip.addressing.bytes();
        let mode = if fast { ReadMode::fast(address_bytes) } else { ReadMode::plain(address_bytes) };
        let segmented = chip.addressing == Addressing::ExtendedRegister;
        Ok(Reading { mode, in_mode: address_bytes == 4, segmented, two_lines })
    }

    /// Undoes what [`Bus::begin_reading`] did.
    pub(crate) async fn end_reading(&self, chip: &Chip, reading: &Reading) -> Result<(), DriverError> {
        if reading.in_mode || reading.segmented { self.leave(chip.addressing).await } else { Ok(()) }
    }

    /// Sees that the chip still takes addresses as it is sent them.
    pub(crate) async fn prove(&self, proof: &Proof, at: u32) -> Result<(), DriverError> {
        let holds = match proof {
            Proof::NotNeeded => true,
            Proof::Bit { read, mask } => {
                let value = self.transfer(Transfer::register(*read, 1), PROVING).await?[0];
                // A line that floats high would show any bit.
                value & mask != 0 && value != 0xFF
            }
            Proof::Segment => {
                let value = self.transfer(Transfer::register(READ_EXTENDED_ADDRESS, 1), PROVING).await?[0];
                value == self.segment.get()
            }
            Proof::Content { at, bytes } => {
                self.transfer(Transfer::array(*at, PROOF, ReadMode::plain(4)), PROVING).await? == *bytes
            }
            Proof::Renewed { write_enable } => {
                self.transfer(Transfer::bare(ENTER_FOUR_BYTE), SWITCHING).await?;
                if *write_enable {
                    self.transfer(Transfer::bare(WRITE_ENABLE), SWITCHING).await?;
                }
                true
            }
        };
        if holds { Ok(()) } else { Err(DriverError::ModeLost { at }) }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_register_of_the_upper_byte_changes_between_requests() {
        let two_lines = Cell::new(TwoLines::No);
        let reading = Reading { mode: ReadMode::plain(3), in_mode: false, segmented: true, two_lines };
        let parts: Vec<_> = reading.pieces(0x00FF_FF00, 0x0100_0200).collect();
        assert_eq!(parts, [0x00FF_FF00..0x0100_0000, 0x0100_0000..0x0200_0000, 0x0200_0000..0x0200_0100]);
        let whole = Reading { segmented: false, ..reading };
        let mut pieces = whole.pieces(0x00FF_FF00, 0x200);
        assert_eq!((pieces.next(), pieces.next()), (Some(0x00FF_FF00..0x0100_0100), None));
    }
}
