//! Which status write takes block protection away, and which one brings it back (safety rules S9 and S14).
//!
//! Pure: a [`StatusWrite`] is a value, and nothing is sent here. The caller reads the registers three times before, makes
//! them durable, sends [`StatusWrite::transfers`], waits until the chip is ready, reads again and asks
//! [`StatusWrite::holds`]. Only the block-protection bits change. The top-or-bottom bit stays as it was found, although
//! setting it is allowed on many parts: on some it can be set only once. Every other bit is written as it was read,
//! one-time locks included, which a write of the same value does not change.

use super::{Protection, VOLATILE_BITS};
use crate::catalogue;
use crate::chip::Chip;
use crate::command::{Transfer, WRITE_ENABLE, WRITE_ENABLE_VOLATILE, WRITE_STATUS};

/// The first id byte of Macronix: what the lists call a top-or-bottom bit is one-time on its parts (from memory).
const ONE_TIME_BOTTOM: u8 = 0xC2;

/// Status register 1, bit 7: status writes are ignored while WP# is low.
const WRITE_DISABLE_BIT: u8 = 0x80;

/// Status register 2, bit 0 (Winbond-like, from memory): status writes are ignored until the next power-up, or for ever.
const LOCK_DOWN_BIT: u8 = 0x01;

/// One status write.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct StatusWrite {
    /// What follows the opcode 01h: register 1, and register 2 where one write takes both.
    pub bytes: Vec<u8>,
    /// Whether 50h precedes it, so that the next power-up forgets it; otherwise 06h.
    pub volatile: bool,
    /// What all registers are to read afterwards, but for the bits that move by themselves.
    pub expect_after: Vec<u8>,
    /// Whether the chip takes it only while WP# is high.
    pub needs_write_protect_high: bool,
}

/// Why no status write may be sent.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum LiftError {
    /// The catalogue does not know the layout, or its candidates differ.
    #[error("where this chip has its protection bits is not known, so its status register is not written")]
    UnknownLayout,
    /// A bit is set that means something unknown.
    #[error("status {status:02x?} has protection bits that cannot be decoded, so it is not written")]
    Undecodable {
        /// The registers.
        status: Vec<u8>,
    },
    /// The protected range depends on a one-time bit.
    #[error("status bit mask {mask:#04x} is set and can be a one-time bit on parts of this maker; it is not touched")]
    OneTime {
        /// The bit.
        mask: u8,
    },
    /// The registers are locked down.
    #[error("status register 2 reads {status:#04x}: status writes are locked until the next power-up, or for ever")]
    LockedDown {
        /// The register.
        status: u8,
    },
    /// Nothing says how many registers 01h writes.
    #[error("nothing says how many status registers one write of this chip takes, so none is written")]
    UnknownForm,
    /// Fewer registers were read than one write takes.
    #[error("one write takes {needed} status registers, {read} were read")]
    Registers {
        /// Registers in one write.
        needed: usize,
        /// Registers at hand.
        read: usize,
    },
    /// More than protection has changed since.
    #[error("the status was {as_found:02x?} and is {present:02x?}: more has changed than its protection bits")]
    Moved {
        /// As found.
        as_found: Vec<u8>,
        /// Now.
        present: Vec<u8>,
    },
}

impl StatusWrite {
    /// The two transactions, in order.
    #[must_use]
    pub fn transfers(&self) -> [Transfer; 2] {
        let enable = if self.volatile { WRITE_ENABLE_VOLATILE } else { WRITE_ENABLE };
        let mut write = vec![WRITE_STATUS];
        write.extend(&self.bytes);
        [Transfer::bare(enable), Transfer { write, read: 0 }]
    }

    /// Tells whether the registers read afterwards are as expected.
    #[must_use]
    pub fn holds(&self, status: &[u8]) -> bool {
        same(&self.expect_after, status)
    }
}

impl Protection {
    /// The write that takes protection away from the whole of `chip`, whose registers read `status`; none when nothing
    /// is protected.
    ///
    /// # Errors
    /// [`LiftError`], but for [`LiftError::Moved`].
    pub fn lift(chip: &Chip, status: &[u8]) -> Result<Option<StatusWrite>, LiftError> {
        let mask = changeable(chip, status)?;
        match Self::of(chip, status) {
            Self::None => Ok(None),
            Self::Range { .. } => status_write(chip, status, status[0] & !mask).map(Some),
            Self::Undecodable | Self::Unknown => Err(LiftError::Undecodable { status: status.to_vec() }),
        }
    }

    /// The write that brings protection back to what it was `as_found`; none when it is so already.
    ///
    /// # Errors
    /// [`LiftError`]; [`LiftError::Moved`] when other bits than those of protection differ.
    pub fn restore(chip: &Chip, as_found: &[u8], present: &[u8]) -> Result<Option<StatusWrite>, LiftError> {
        if same(as_found, present) {
            return Ok(None);
        }
        let mask = changeable(chip, present)?;
        let moved = || LiftError::Moved { as_found: as_found.to_vec(), present: present.to_vec() };
        let found = as_found.first().ok_or_else(moved)?;
        let wanted = (present[0] & !mask) | (found & mask);
        let mut back = present.to_vec();
        back[0] = wanted;
        if !same(as_found, &back) {
            return Err(moved());
        }
        status_write(chip, present, wanted).map(Some)
    }
}

/// The bits that may change, once nothing speaks against a status write.
fn changeable(chip: &Chip, status: &[u8]) -> Result<u8, LiftError> {
    let layout = chip.protection.ok_or(LiftError::UnknownLayout)?;
    if Protection::of(chip, status) == Protection::Undecodable {
        return Err(LiftError::Undecodable { status: status.to_vec() });
    }
    let one_time = chip.id.first() == Some(&ONE_TIME_BOTTOM) && status[0] & layout.bottom_mask() != 0;
    if one_time {
        return Err(LiftError::OneTime { mask: layout.bottom_mask() });
    }
    match status.get(1) {
        Some(second) if catalogue::is_winbond_like(&chip.id) && second & LOCK_DOWN_BIT != 0 => {
            Err(LiftError::LockedDown { status: *second })
        }
        _ => Ok(layout.mask()),
    }
}

fn status_write(chip: &Chip, status: &[u8], first: u8) -> Result<StatusWrite, LiftError> {
    let needed = chip.status.write_bytes.ok_or(LiftError::UnknownForm)?;
    if status.len() < needed {
        return Err(LiftError::Registers { needed, read: status.len() });
    }
    let mut expect_after = status.to_vec();
    expect_after[0] = first & !VOLATILE_BITS;
    Ok(StatusWrite {
        bytes: expect_after[..needed].to_vec(),
        volatile: chip.status.volatile,
        expect_after,
        needs_write_protect_high: status[0] & WRITE_DISABLE_BIT != 0,
    })
}

fn same(one: &[u8], other: &[u8]) -> bool {
    let steady = |status: &[u8]| status.first().map(|first| first & !VOLATILE_BITS);
    one.len() == other.len() && steady(one) == steady(other) && one.get(1..) == other.get(1..)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn chip(id: [u8; 3]) -> Chip {
        Chip::describe(&id, None, 0)
    }

    #[test]
    fn s9_a_lift_changes_the_protection_bits_alone_and_is_volatile_where_the_chip_can() {
        let winbond = chip([0xEF, 0x40, 0x18]);
        let write =
            Protection::lift(&winbond, &[0xBC, 0x3A, 0x60]).expect("may be lifted").expect("something is protected");
        assert_eq!(write.bytes, [0xA0, 0x3A], "bits 7 and 5 and the whole of register 2 stay");
        assert!(write.volatile && write.needs_write_protect_high);
        assert_eq!(write.transfers()[0].write, [0x50]);
        assert_eq!(write.transfers()[1].write, [0x01, 0xA0, 0x3A]);
        assert!(write.holds(&[0xA2, 0x3A, 0x60]), "the write enable latch moves by itself");
        assert!(!write.holds(&[0xA0, 0x38, 0x60]) && !write.holds(&[0xA0, 0x3A]));
        assert_eq!(Protection::lift(&winbond, &[0x20, 0x02, 0x60]), Ok(None), "the bottom bit alone protects nothing");
    }

    #[test]
    fn s9_restoring_brings_back_what_was_found_for_every_status() {
        for id in [[0xEF, 0x40, 0x18], [0x20, 0xBA, 0x18], [0xC2, 0x20, 0x18], [0xBF, 0x25, 0x4A], [0xC8, 0x40, 0x18]] {
            let chip = chip(id);
            let layout = chip.protection.expect("a layout");
            for first in 0..=0xFF_u8 {
                let found: Vec<u8> = [first, 0x02, 0x60][..chip.status.reads.len()].to_vec();
                let Ok(Some(lift)) = Protection::lift(&chip, &found) else { continue };
                assert_eq!(Protection::of(&chip, &lift.expect_after), Protection::None, "{id:02x?} {first:02x}");
                assert_eq!(
                    (lift.expect_after[0] ^ first) & !layout.mask() & !VOLATILE_BITS,
                    0,
                    "{id:02x?} {first:02x}"
                );
                let back =
                    Protection::restore(&chip, &found, &lift.expect_after).expect("may go back").expect("differs");
                assert!(back.holds(&found), "{id:02x?} {first:02x}");
                assert_eq!((back.volatile, back.bytes.len()), (lift.volatile, lift.bytes.len()));
                assert_eq!(Protection::restore(&chip, &found, &found), Ok(None));
            }
        }
    }

    #[test]
    fn a_part_that_comes_up_protected_is_opened_by_50h_and_one_byte() {
        // QEMU's model of sst25vf016b wants 50h, 01h, 00h; so do the parts themselves (from memory).
        let word_part = chip([0xBF, 0x25, 0x4A]);
        assert!(word_part.words_only && word_part.protection_is_volatile);
        let write = Protection::lift(&word_part, &[0x1C]).expect("may be lifted").expect("protected");
        assert_eq!(write.transfers().map(|transfer| transfer.write), [vec![0x50], vec![0x01, 0x00]]);
    }

    #[test]
    fn s14_no_status_write_without_a_known_layout() {
        let unknown = chip([0xEF, 0x40, 0x16]);
        assert_eq!(Protection::lift(&unknown, &[0x1C, 0, 0]), Err(LiftError::UnknownLayout));
        let candidates_differ = chip([0xEF, 0x40, 0x15]);
        assert_eq!(candidates_differ.protection, None);
        assert_eq!(Protection::lift(&candidates_differ, &[0x1C, 0, 0]), Err(LiftError::UnknownLayout));
        let block_locks = chip([0xBF, 0x26, 0x43]);
        assert_eq!(Protection::lift(&block_locks, &[0x04]), Err(LiftError::UnknownLayout));
    }

    #[test]
    fn s14_bits_outside_the_layout_locks_and_one_time_bits_stop_it() {
        let winbond = chip([0xEF, 0x40, 0x18]);
        let undecodable = |status: &[u8]| Err(LiftError::Undecodable { status: status.to_vec() });
        assert_eq!(Protection::lift(&winbond, &[0x5C, 0, 0]), undecodable(&[0x5C, 0, 0]), "bit 6 is outside");
        assert_eq!(Protection::lift(&winbond, &[0x1C, 0x40, 0]), undecodable(&[0x1C, 0x40, 0]), "complement");
        assert_eq!(Protection::lift(&winbond, &[0x1C, 0, 0x04]), undecodable(&[0x1C, 0, 0x04]), "block locks");
        assert_eq!(Protection::lift(&winbond, &[]), undecodable(&[]));
        assert_eq!(Protection::lift(&winbond, &[0x1C, 0x01, 0]), Err(LiftError::LockedDown { status: 0x01 }));
        assert_eq!(Protection::lift(&winbond, &[0x1C]), Err(LiftError::Registers { needed: 2, read: 1 }));
        let macronix = chip([0xC2, 0x25, 0x38]);
        assert_eq!(Protection::lift(&macronix, &[0x2C]), Err(LiftError::OneTime { mask: 0x20 }));
        assert_eq!(Protection::lift(&macronix, &[0x0C]).expect("clear").expect("a range").bytes, [0x00]);
        let moved = Protection::restore(&winbond, &[0x1C, 0x02, 0x60], &[0x00, 0x00, 0x60]);
        assert!(matches!(moved, Err(LiftError::Moved { .. })), "{moved:?}");
    }
}
