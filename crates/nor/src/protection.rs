//! Block protection: which part of a chip its status register keeps from being written.
//!
//! Decoded is the scheme that the kernel's spi-nor driver knows (Linux drivers/mtd/spi-nor/swp.c): BP bits from bit 2
//! up, a bit that moves the range to the bottom. What lies outside that scheme (finer granularity, complement, another
//! maker's meaning) is said to be undecodable and counts as protected. A chip without a known [`Layout`] is never
//! called unprotected: all BP bits clear then means "unknown", any of them set means "treat as protected" (S9).
//! [`lift`] says which status write would take protection away, and which one would bring it back.

pub mod lift;

use serde::Deserialize;

use crate::chip::Chip;
use crate::command::{STATUS_BUSY, STATUS_WRITE_ENABLED};
use crate::sfdp::QuadEnable;

/// The sector from which protected lengths are counted: 64 KiB on every part whose layout the catalogue knows.
const LEAST: u32 = 64 * 1024;

/// Status bits that may move without meaning anything for protection.
pub const VOLATILE_BITS: u8 = STATUS_BUSY | STATUS_WRITE_ENABLED;

/// Status register 1, bit 6, where a chip's own table says that it switches four data lines on.
const QUAD_BIT: u8 = 0x40;

/// Status register 2, bit 6 (Winbond-like, from memory): protects everything but the range.
const COMPLEMENT_BIT: u8 = 0x40;

/// Status register 3, bit 2 (Winbond-like, from memory): single block locks count instead of the range.
const BLOCK_LOCK_BIT: u8 = 0x04;

/// Bits 2 to 6 of status register 1, where makers put protection bits.
const PROTECTION_BITS: u8 = 0x7C;

/// Which status bit moves the protected range to the bottom.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
pub enum BottomBit {
    /// Bit 5.
    #[serde(rename = "bit 5")]
    Bit5,
    /// Bit 6.
    #[serde(rename = "bit 6")]
    Bit6,
}

/// Where the protection bits stand.
///
/// The first three are bits 2 to 4. The fourth is bit 5, or bit 6 on parts that have their top-or-bottom bit at bit 5
/// (swp.c: `SPI_NOR_BP3_SR_BIT6`; every part of the catalogue with it has the other too).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Layout {
    /// Number of block-protection bits: 3 or 4.
    pub bits: u8,
    /// The top-or-bottom bit, where the chip has one.
    pub bottom: Option<BottomBit>,
}

impl Layout {
    /// The number of the status bit that is the fourth protection bit; none on parts with three.
    #[must_use]
    pub fn fourth_bit(self) -> Option<u8> {
        match (self.bits, self.bottom) {
            (4, Some(BottomBit::Bit5)) => Some(6),
            (4, _) => Some(5),
            _ => None,
        }
    }

    /// The protection bits in status register 1, without the top-or-bottom bit.
    #[must_use]
    pub fn mask(self) -> u8 {
        0x1C | self.fourth_bit().map_or(0, |bit| 1 << bit)
    }

    /// The top-or-bottom bit in status register 1; 0 where there is none.
    #[must_use]
    pub fn bottom_mask(self) -> u8 {
        match self.bottom {
            Some(BottomBit::Bit5) => 0x20,
            Some(BottomBit::Bit6) => 0x40,
            None => 0,
        }
    }

    /// The number that the protection bits form.
    fn level(self, status: u8) -> u32 {
        let fourth = self.fourth_bit().map_or(0, |bit| status >> bit & 1);
        u32::from((status & 0x1C) >> 2 | fourth << 3)
    }
}

/// What the status register says.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Protection {
    /// Nothing is protected.
    None,
    /// One range is protected: first byte and length.
    Range {
        /// First byte.
        at: u32,
        /// Length.
        len: u32,
    },
    /// The bits mean something that cannot be decoded: treated as protected.
    Undecodable,
    /// The layout is unknown and no bit is set.
    Unknown,
}

impl Protection {
    /// Decodes status register 1 of a chip of `size` bytes.
    #[must_use]
    pub fn decode(layout: Option<Layout>, status: u8, size: u32) -> Self {
        let Some(layout) = layout else {
            return if status & PROTECTION_BITS == 0 { Self::Unknown } else { Self::Undecodable };
        };
        if status & PROTECTION_BITS & !(layout.mask() | layout.bottom_mask()) != 0 {
            return Self::Undecodable;
        }
        let level = layout.level(status);
        if level == 0 {
            return Self::None;
        }
        let all = (1 << layout.bits) - 1;
        let len = if level == all { size } else { protected_len(level, layout.bits, size) };
        let at = if status & layout.bottom_mask() != 0 { 0 } else { size - len };
        Self::Range { at, len }
    }

    /// Decodes all status registers that were read of `chip`, by [`StatusForm::reads`].
    ///
    /// Says more than [`Protection::decode`] can: a quad-enable bit among the protection bits is no protection, and a
    /// Winbond-like part whose second or third register turns the range round or off cannot be decoded.
    ///
    /// [`StatusForm::reads`]: crate::chip::StatusForm::reads
    #[must_use]
    pub fn of(chip: &Chip, status: &[u8]) -> Self {
        let Some(first) = status.first() else { return Self::Undecodable };
        let set = |register: usize, bit: u8| status.get(register).is_some_and(|value| value & bit != 0);
        let winbond_like = crate::catalogue::is_winbond_like(&chip.id);
        if winbond_like && (set(1, COMPLEMENT_BIT) || set(2, BLOCK_LOCK_BIT)) {
            return Self::Undecodable;
        }
        Self::decode(chip.protection, first & !quad_bit(chip), chip.size)
    }

    /// Tells whether writing `at..at + len` can be refused by the chip; unknown counts as free, since verifying finds out.
    #[must_use]
    pub fn forbids(&self, at: u32, len: u32) -> bool {
        match *self {
            Self::None | Self::Unknown => false,
            Self::Undecodable => true,
            Self::Range { at: from, len: kept } => at < from + kept && from < at + len,
        }
    }
}

/// The quad-enable bit in status register 1, where the chip's own table has it there and the layout does not claim it.
fn quad_bit(chip: &Chip) -> u8 {
    let claimed = chip.protection.map_or(0, |layout| layout.mask() | layout.bottom_mask());
    if chip.quad_enable == Some(QuadEnable::FirstBit6) { QUAD_BIT & !claimed } else { 0 }
}

/// swp.c: `least << (level - 1)`, at most the whole chip, where `least` grows when the chip has more halvings than the
/// bits have values.
fn protected_len(level: u32, bits: u8, size: u32) -> u32 {
    let halvings = (size / LEAST).max(1).ilog2();
    let values = 1_u32 << bits;
    let least = if halvings + 2 > values { LEAST << (halvings + 2 - values) } else { LEAST };
    u32::try_from((u64::from(least) << (level - 1)).min(u64::from(size))).expect("at most the chip's size")
}

#[cfg(test)]
mod tests {
    use super::*;

    const THREE_WITH_BOTTOM: Layout = Layout { bits: 3, bottom: Some(BottomBit::Bit5) };

    /// The worked table of Linux drivers/mtd/spi-nor/swp.c: 8 MiB, three bits, with top or bottom.
    #[test]
    fn the_kernels_worked_table_for_eight_mebibytes() {
        for (level, kib) in [(1, 128), (2, 256), (3, 512), (4, 1024), (5, 2048), (6, 4096), (7, 8192)] {
            let size = 8 << 20;
            let len = kib * 1024;
            let top = Protection::decode(Some(THREE_WITH_BOTTOM), level << 2, size);
            assert_eq!(top, Protection::Range { at: size - len, len }, "level {level}, upper");
            let bottom = Protection::decode(Some(THREE_WITH_BOTTOM), level << 2 | 0x20, size);
            assert_eq!(bottom, Protection::Range { at: 0, len }, "level {level}, lower");
        }
    }

    /// facts of swp.c for four bits: the fourth stands at bit 5, or at bit 6 beside a top-or-bottom bit at bit 5. Worked
    /// by hand for 16 MiB: 256 sectors, fewer halvings (8) than values (14), so that level 1 is one sector.
    #[test]
    fn the_fourth_bit_stands_where_the_layout_has_it() {
        let size = 16 << 20;
        let at_5 = Layout { bits: 4, bottom: None };
        let at_6 = Layout { bits: 4, bottom: Some(BottomBit::Bit5) };
        let beside = Layout { bits: 4, bottom: Some(BottomBit::Bit6) };
        assert_eq!((at_5.fourth_bit(), at_6.fourth_bit(), beside.fourth_bit()), (Some(5), Some(6), Some(5)));
        for (layout, status, at, len) in [
            (at_5, 0x04, size - 0x1_0000, 0x1_0000),
            (at_5, 0x20, size / 2, size / 2),
            (at_5, 0x3C, 0, size),
            (at_6, 0x40, size / 2, size / 2),
            (at_6, 0x64, 0, size),
            (at_6, 0x24, 0, 0x1_0000),
            (beside, 0x60, 0, size / 2),
            (beside, 0x44, 0, 0x1_0000),
        ] {
            assert_eq!(Protection::decode(Some(layout), status, size), Protection::Range { at, len }, "{status:02x}");
        }
        assert_eq!(Protection::decode(Some(at_5), 0x40, size), Protection::Undecodable);
    }

    /// swp.c's `least` grows with three bits from 64 MiB on: ten halvings, six values, so 64 KiB << 4.
    #[test]
    fn a_large_chip_counts_in_larger_steps() {
        let size = 64 << 20;
        let lowest = Protection::decode(Some(THREE_WITH_BOTTOM), 0x24, size);
        assert_eq!(lowest, Protection::Range { at: 0, len: 1 << 20 });
        let sixth = Protection::decode(Some(THREE_WITH_BOTTOM), 0x38, size);
        assert_eq!(sixth, Protection::Range { at: 0, len: 32 << 20 });
    }

    #[test]
    fn s9_no_layout_is_never_called_unprotected() {
        assert_eq!(Protection::decode(None, 0x00, 1 << 20), Protection::Unknown);
        assert_eq!(Protection::decode(None, 0x04, 1 << 20), Protection::Undecodable);
        assert!(Protection::Undecodable.forbids(0, 1));
    }

    #[test]
    fn bits_outside_the_layout_count_as_protected() {
        assert_eq!(Protection::decode(Some(THREE_WITH_BOTTOM), 0x40, 8 << 20), Protection::Undecodable);
        assert_eq!(Protection::decode(Some(THREE_WITH_BOTTOM), 0x83, 8 << 20), Protection::None);
    }

    #[test]
    fn a_range_forbids_what_it_touches() {
        let upper = Protection::Range { at: 0x8000, len: 0x8000 };
        assert!(upper.forbids(0x7FFF, 2));
        assert!(!upper.forbids(0, 0x8000));
    }
}
