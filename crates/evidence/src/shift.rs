//! Whether two passes that differ are one content, shifted by some clocks.
//!
//! A lost or an extra clock edge moves every bit that follows in its transaction. Serial NOR sends the highest bit of each
//! byte first, so a shift runs through the bytes in address order. The test counts, among the bytes that differ, those
//! that each of the fourteen possible shifts explains. The decision a reader would question: 15 of 16 differing bytes have
//! to fit and no fewer than 16 must differ (own choice, no source); an edge of a transaction has bits from nowhere, and
//! so a share of 1 cannot be asked for.

use std::ops::Range;

/// Differing bytes looked at; enough to be sure, few enough to cost nothing.
const LOOKED_AT: usize = 1 << 16;
const LEAST: usize = 16;

/// A shift that explains how one pass differs from another.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Shift {
    /// How far, 1 to 7 bits.
    pub bits: u8,
    /// Whether the bits come later (towards higher addresses) than in the pass compared with.
    pub later: bool,
    /// Differing bytes that it explains.
    pub explained: u32,
    /// Differing bytes looked at, at most 65,536.
    pub looked_at: u32,
}

/// Returns the shift by which `other` follows from `base`, looking at the bytes within `ranges` where they differ.
///
/// Both are whole passes of equal length; `ranges` as [`crate::Comparison::differing`] gives them. `None` when no shift
/// explains 15 of 16 differing bytes, or too few differ to tell.
pub fn shift_between(base: &[u8], other: &[u8], ranges: &[Range<u32>]) -> Option<Shift> {
    let differing: Vec<usize> = ranges
        .iter()
        .flat_map(|range| range.start as usize..range.end as usize)
        .filter(|at| matches!((base.get(*at), other.get(*at)), (Some(a), Some(b)) if a != b))
        .take(LOOKED_AT)
        .collect();
    let shifts = (1..8_u8).flat_map(|bits| [(bits, false), (bits, true)]);
    let best = shifts
        .map(|(bits, later)| {
            let explained = differing.iter().filter(|at| shifted(base, **at, bits, later) == Some(other[**at])).count();
            Shift { bits, later, explained: explained as u32, looked_at: differing.len() as u32 }
        })
        .max_by_key(|shift| shift.explained)?;
    (differing.len() >= LEAST && best.explained as usize * 16 >= differing.len() * 15).then_some(best)
}

/// Returns the byte that stands at `at` when all of `base` comes `bits` bits later or earlier; `None` beyond its ends.
fn shifted(base: &[u8], at: usize, bits: u8, later: bool) -> Option<u8> {
    let (high, low, right) = if later {
        (base.get(at.checked_sub(1)?)?, base.get(at)?, bits)
    } else {
        (base.get(at)?, base.get(at + 1)?, 8 - bits)
    };
    Some((u16::from_be_bytes([*high, *low]) >> right) as u8)
}

#[cfg(test)]
#[expect(clippy::single_range_in_vec_init, reason = "a list of one range is what is meant")]
mod tests {
    use super::*;
    use crate::testing::{Draw, firmware, for_seeds};

    /// Shifts as a chain of single bits, which shares nothing with the code under test.
    fn by_single_bits(content: &[u8], bits: i64, fill: u8) -> Vec<u8> {
        let bit = |n: i64| match usize::try_from(n) {
            Ok(n) if n < content.len() * 8 => content[n / 8] >> (7 - n % 8) & 1,
            _ => fill,
        };
        (0..content.len() as i64).map(|at| (0..8).fold(0, |byte, i| byte << 1 | bit(at * 8 + i - bits))).collect()
    }

    #[test]
    fn names_every_shift_even_when_each_chunk_begins_anew() {
        for_seeds("names_every_shift_even_when_each_chunk_begins_anew", 14, |seed| {
            let bits = 1 + (seed % 7) as i64;
            let later = seed % 14 >= 7;
            let base = firmware(seed, 8 * 4096);
            let other: Vec<u8> =
                base.chunks(256).flat_map(|chunk| by_single_bits(chunk, if later { bits } else { -bits }, 1)).collect();
            let shift = shift_between(&base, &other, &[0..8 * 4096]).expect("a shift");
            assert_eq!((i64::from(shift.bits), shift.later), (bits, later));
        });
    }

    #[test]
    fn a_slip_in_the_middle_of_a_pass_is_named() {
        let base = firmware(3, 4 * 4096);
        let mut other = base.clone();
        let tail = by_single_bits(&base[9000..], -1, 0);
        other[9000..].copy_from_slice(&tail);
        let shift = shift_between(&base, &other, &[8192..16384]).unwrap();
        assert_eq!((shift.bits, shift.later), (1, false));
        assert!(shift.explained + 1 >= shift.looked_at, "only the last byte has bits from nowhere");
    }

    #[test]
    fn noise_silence_and_equality_are_no_shift() {
        let base = firmware(4, 4096);
        let noise = Draw::new(77).bytes(4096);
        assert_eq!(shift_between(&base, &noise, &[0..4096]), None);
        assert_eq!(shift_between(&base, &vec![0xFF; 4096], &[0..4096]), None);
        assert_eq!(shift_between(&base, &base, &[0..4096]), None);
    }

    #[test]
    fn a_handful_of_bytes_is_too_little_to_name_a_shift() {
        let base = firmware(5, 4096);
        let mut other = base.clone();
        other[100..110].copy_from_slice(&by_single_bits(&base, 1, 0)[100..110]);
        assert_eq!(shift_between(&base, &other, &[0..4096]), None);
    }

    #[test]
    fn ranges_past_the_end_are_harmless() {
        assert_eq!(shift_between(&[1, 2], &[3, 4], &[0..4096]), None);
    }
}
