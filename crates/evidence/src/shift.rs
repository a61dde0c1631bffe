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

/// Returns how far all of `content` seems to be shifted, in bits and whether later, judged by the edges of its blank stretches.
///
/// Real content is written byte by byte, so a run of 00 or FF ends where a byte ends. Shifted by n bits, the byte after each
/// run begins with n bits of the run, and the byte before ends with 8 - n of them. Chance makes a single edge fit often
/// enough, and small numbers before or after zeros more often than chance; so the weights per edge are cautious (own
/// choice, no source) and many edges have to agree. At most 1 MiB is looked at, in 64 pieces spread evenly. Content without
/// blank stretches says nothing.
pub fn looks_shifted(content: &[u8]) -> Option<(u8, bool)> {
    let edges = Edges::of(content);
    let best = (1..8_u8).map(|bits| (edges.weigh(bits), bits)).max_by(|a, b| a.0.total_cmp(&b.0))?;
    let (weight, bits) = best;
    // Late by 5 to 7 bits and early by 3 to 1 bits look the same.
    let (bits, later) = if bits <= 4 { (bits, true) } else { (8 - bits, false) };
    (weight > SURE).then_some((bits, later))
}

/// A weight (natural logarithm) from which edges are believed.
const SURE: f64 = 14.0;
/// Bytes of one value that count as blank.
const RUN: usize = 16;
const PIECES: usize = 64;
const PIECE: usize = 1 << 14;

/// How many bits of the neighbouring byte go on with the run, edge by edge.
#[derive(Default)]
struct Edges {
    /// Edges into a run, by the number of the last bits of the byte before that are like the run.
    into: [u32; 8],
    /// Edges out of a run, by the number of the first bits of the byte after that are like the run.
    out_of: [u32; 8],
}

impl Edges {
    fn of(content: &[u8]) -> Self {
        let mut edges = Self::default();
        let step = (content.len() / PIECES).max(PIECE);
        for from in (0..content.len()).step_by(step) {
            let piece = &content[from..content.len().min(from + PIECE)];
            let mut at = 0;
            while at < piece.len() {
                let level = piece[at];
                let len = piece[at..].iter().take_while(|byte| **byte == level).count();
                if len >= RUN && matches!(level, 0x00 | 0xFF) {
                    if let Some(before) = at.checked_sub(1) {
                        edges.into[(piece[before] ^ level).trailing_zeros().min(7) as usize] += 1;
                    }
                    if let Some(after) = piece.get(at + len) {
                        edges.out_of[(after ^ level).leading_zeros().min(7) as usize] += 1;
                    }
                }
                at += len;
            }
        }
        edges
    }

    fn weigh(&self, bits: u8) -> f64 {
        let one = |counts: &[u32; 8], wanted: usize| {
            let fits: u32 = counts[wanted..].iter().sum();
            let fails: u32 = counts[..wanted].iter().sum();
            let chance: f64 = match wanted {
                6.. => 0.08,
                4..=5 => 0.2,
                2..=3 => 0.3,
                _ => 0.55,
            };
            // The other bits of that byte are like the run by chance, too; then it joins the run and hides the edge.
            let shown = (1.0 - 0.5_f64.powi(8 - wanted as i32)).min(0.98);
            f64::from(fits) * (shown / chance).ln() + f64::from(fails) * ((1.0 - shown) / (1.0 - chance)).ln()
        };
        one(&self.into, 8 - usize::from(bits)) + one(&self.out_of, usize::from(bits))
    }
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
    fn a_constant_shift_shows_at_the_edges_of_blank_stretches() {
        for_seeds("a_constant_shift_shows_at_the_edges_of_blank_stretches", 28, |seed| {
            let mut draw = Draw::new(seed);
            let mut content = Vec::new();
            while content.len() < 40_000 {
                let data = 20 + draw.below(300) as usize;
                content.extend(draw.bytes(data));
                content.extend(vec![if draw.below(2) == 0 { 0 } else { 0xFF }; 20 + draw.below(200) as usize]);
            }
            assert_eq!(looks_shifted(&content), None);
            let bits = 1 + (seed % 7) as i64;
            let wanted = if bits <= 4 { (bits as u8, true) } else { (8 - bits as u8, false) };
            assert_eq!(looks_shifted(&by_single_bits(&content, bits, 1)), Some(wanted));
        });
    }

    #[test]
    fn content_without_blank_stretches_says_nothing_of_a_shift() {
        assert_eq!(looks_shifted(&Draw::new(5).bytes(100_000)), None);
        assert_eq!(looks_shifted(&[0xFF; 70_000]), None);
        assert_eq!(looks_shifted(&[]), None);
        // Small numbers before and after zeros are what tables look like.
        let table: Vec<u8> = (0..4000_u32).flat_map(|n| [(n % 7 * 16) as u8, 1].into_iter().chain([0; 18])).collect();
        assert_eq!(looks_shifted(&table), None);
    }

    #[test]
    fn ranges_past_the_end_are_harmless() {
        assert_eq!(shift_between(&[1, 2], &[3, 4], &[0..4096]), None);
    }
}
