//! Block protection: which part of a chip its status register keeps from being written.
//!
//! Decoded is the scheme that the kernel's spi-nor driver knows (Linux drivers/mtd/spi-nor/swp.c): BP bits from bit 2
//! up, a bit that moves the range to the bottom. What lies outside that scheme (finer granularity, complement, another
//! maker's meaning) is said to be undecodable and counts as protected. A chip without a known [`Layout`] is never
//! called unprotected: all BP bits clear then means "unknown", any of them set means "treat as protected" (S9).

use serde::Deserialize;

use crate::command::{STATUS_BUSY, STATUS_WRITE_ENABLED};

/// The sector from which protected lengths are counted: 64 KiB on every part whose layout the catalogue knows.
const LEAST: u32 = 64 * 1024;

/// Status bits that may move without meaning anything for protection.
pub const VOLATILE_BITS: u8 = STATUS_BUSY | STATUS_WRITE_ENABLED;

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
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Layout {
    /// Number of block-protection bits, from bit 2 up: 3 or 4.
    pub bits: u8,
    /// The top-or-bottom bit, where the chip has one.
    pub bottom: Option<BottomBit>,
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
        let bp_mask = ((1_u8 << layout.bits) - 1) << 2;
        let bottom_mask = match layout.bottom {
            Some(BottomBit::Bit5) => 0x20,
            Some(BottomBit::Bit6) => 0x40,
            None => 0,
        };
        if status & PROTECTION_BITS & !(bp_mask | bottom_mask) != 0 {
            return Self::Undecodable;
        }
        let level = u32::from((status & bp_mask) >> 2);
        if level == 0 {
            return Self::None;
        }
        let all = (1 << layout.bits) - 1;
        let len = if level == all { size } else { protected_len(level, layout.bits, size) };
        let at = if status & bottom_mask != 0 { 0 } else { size - len };
        Self::Range { at, len }
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
