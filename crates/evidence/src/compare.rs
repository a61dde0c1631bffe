//! Laying passes side by side: where they differ, and how many of them say the same.
//!
//! Passes must be of one length; [`compare`] says so by returning nothing otherwise. The work goes sector by sector with
//! plain slice equality, in two scoped threads from 1 MiB on, so equal data costs one memory compare and only sectors that
//! differ are looked into. The decision
//! a reader would question: differing bits are counted among byte passes only. A digest that differs says that its sector
//! differs and nothing of how many bits do.

use std::ops::Range;

use crate::pass::{PassContent, SECTOR};

/// Bytes from which a second thread saves more than it costs.
const WORTH_A_THREAD: u32 = 1 << 20;
/// Sectors compared at once.
const RUN: usize = 16;

/// What a comparison of passes found.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Comparison {
    /// How many passes the largest group of equal passes has.
    pub agreed: usize,
    /// The index of the pass that stands for that group; one with bytes whenever any pass has bytes.
    pub leader: usize,
    /// Bit positions at which the byte passes are not all alike.
    pub differing_bits: u64,
    /// Sectors of 4 KiB in which any two passes differ.
    pub differing_sectors: u32,
    /// The same sectors as byte ranges, ascending, neighbours joined.
    pub differing: Vec<Range<u32>>,
}

/// Returns how `contents` compare on a chip of `size` bytes; `None` if there are none, or one has another length.
pub fn compare(contents: &[PassContent<'_>], size: u32) -> Option<Comparison> {
    if contents.is_empty() || !contents.iter().all(|content| fits(content, size)) {
        return None;
    }
    let reference = contents.iter().position(|content| matches!(content, PassContent::Bytes(_))).unwrap_or(0);
    let sectors = (size as usize).div_ceil(SECTOR);
    let part = |sectors: Range<usize>| look(contents, reference, size, sectors);
    let parts = if size >= WORTH_A_THREAD {
        // Two cores read memory faster than one; more would only wait for it.
        std::thread::scope(|scope| {
            let upper = scope.spawn(|| part(sectors / 2..sectors));
            [part(0..sectors / 2), upper.join().expect("comparing slices does not panic")]
        })
    } else {
        [part(0..sectors), Vec::new()]
    };
    let mut found = Comparison {
        agreed: contents.len(),
        leader: reference,
        differing_bits: 0,
        differing_sectors: 0,
        differing: Vec::new(),
    };
    for (sector, bits) in parts.into_iter().flatten() {
        found.differing_sectors += 1;
        found.differing_bits += bits;
        let from = (sector * SECTOR) as u32;
        let to = from.saturating_add(SECTOR as u32).min(size);
        match found.differing.last_mut() {
            Some(last) if last.end == from => last.end = to,
            _ => found.differing.push(from..to),
        }
    }
    if found.differing_sectors > 0 {
        (found.leader, found.agreed) = largest_group(contents, reference, size);
    }
    Some(found)
}

/// Returns the sectors among these that differ, with the number of bits in which byte passes do.
fn look(contents: &[PassContent<'_>], reference: usize, size: u32, sectors: Range<usize>) -> Vec<(usize, u64)> {
    // Longer slices compare faster than short ones; only a run with a difference is looked at sector by sector.
    let mut found = Vec::new();
    for run in sectors.clone().step_by(RUN) {
        let run = run..sectors.end.min(run + RUN);
        if contents.iter().all(|other| equal_bytes(&contents[reference], other, &run, size)) {
            continue;
        }
        for sector in run {
            let own = Sector::of(&contents[reference], sector);
            if !contents.iter().all(|other| own.equals(&Sector::of(other, sector))) {
                found.push((sector, bits_not_alike(contents, sector)));
            }
        }
    }
    found
}

/// Returns whether two passes hold the same bytes in these sectors; `false` when one of them has digests.
fn equal_bytes(one: &PassContent<'_>, other: &PassContent<'_>, sectors: &Range<usize>, size: u32) -> bool {
    let (PassContent::Bytes(one), PassContent::Bytes(other)) = (one, other) else { return false };
    let bytes = sectors.start * SECTOR..(size as usize).min(sectors.end * SECTOR);
    std::ptr::eq(*one, *other) || one[bytes.clone()] == other[bytes]
}

/// Returns whether `content` has the length that a chip of `size` bytes asks for.
pub(crate) fn fits(content: &PassContent<'_>, size: u32) -> bool {
    match content {
        PassContent::Bytes(bytes) => bytes.len() == size as usize,
        PassContent::Digests(digests) => digests.len() == (size as usize).div_ceil(SECTOR),
    }
}

/// One sector of a pass, in whichever form the pass brought it.
#[derive(Clone, Copy)]
enum Sector<'a> {
    Bytes(&'a [u8]),
    Digest(u32),
}

impl<'a> Sector<'a> {
    fn of(content: &PassContent<'a>, sector: usize) -> Self {
        match content {
            PassContent::Bytes(bytes) => {
                let from = sector * SECTOR;
                Self::Bytes(&bytes[from..bytes.len().min(from + SECTOR)])
            }
            PassContent::Digests(digests) => Self::Digest(digests[sector]),
        }
    }

    fn equals(&self, other: &Self) -> bool {
        match (self, other) {
            (Self::Bytes(a), Self::Bytes(b)) => std::ptr::eq(*a, *b) || a == b,
            (Self::Digest(a), Self::Digest(b)) => a == b,
            (Self::Bytes(bytes), Self::Digest(digest)) | (Self::Digest(digest), Self::Bytes(bytes)) => {
                crc32fast::hash(bytes) == *digest
            }
        }
    }
}

fn bits_not_alike(contents: &[PassContent<'_>], sector: usize) -> u64 {
    let mut sectors = contents.iter().filter_map(|content| match Sector::of(content, sector) {
        Sector::Bytes(bytes) => Some(bytes),
        Sector::Digest(_) => None,
    });
    let Some(first) = sectors.next() else {
        return 0;
    };
    let mut unlike = [0_u8; SECTOR];
    for other in sectors {
        for ((unlike, a), b) in unlike.iter_mut().zip(first).zip(other) {
            *unlike |= a ^ b;
        }
    }
    unlike.iter().map(|byte| u64::from(byte.count_ones())).sum()
}

/// Returns leader and count of the largest group of equal passes; of groups of one size, the one with the earliest leader.
fn largest_group(contents: &[PassContent<'_>], reference: usize, size: u32) -> (usize, usize) {
    let sectors = (size as usize).div_ceil(SECTOR);
    let same =
        |a: &PassContent<'_>, b: &PassContent<'_>| (0..sectors).all(|i| Sector::of(a, i).equals(&Sector::of(b, i)));
    // Without any bytes the digests lead themselves; otherwise a leader must hold the content that the group stands for.
    let must_have_bytes = matches!(contents[reference], PassContent::Bytes(_));
    let mut best = (reference, 0);
    for (leader, content) in contents.iter().enumerate() {
        if must_have_bytes && !matches!(content, PassContent::Bytes(_)) {
            continue;
        }
        let count = contents.iter().enumerate().filter(|(i, other)| *i == leader || same(content, other)).count();
        if count > best.1 {
            best = (leader, count);
        }
    }
    best
}

#[cfg(test)]
#[expect(clippy::single_range_in_vec_init, reason = "a list of one range is what is meant")]
mod tests {
    use super::*;
    use crate::pass::crc32_blocks;
    use crate::testing::{Draw, firmware, for_seeds};

    #[test]
    fn equal_passes_have_no_difference() {
        let content = firmware(1, 64 << 10);
        let digests = crc32_blocks(&content);
        let found = compare(
            &[PassContent::Bytes(&content), PassContent::Digests(&digests), PassContent::Bytes(&content.clone())],
            64 << 10,
        )
        .unwrap();
        assert_eq!(
            found,
            Comparison { agreed: 3, leader: 0, differing_bits: 0, differing_sectors: 0, differing: Vec::new() }
        );
    }

    #[test]
    fn counts_and_places_of_random_flips_match_a_plain_model() {
        for_seeds("counts_and_places_of_random_flips_match_a_plain_model", 30, |seed| {
            let mut draw = Draw::new(seed);
            let size = 4096 * 16 + draw.below(4096) as u32;
            let first = firmware(seed, size as usize);
            let mut others = [first.clone(), first.clone()];
            for _ in 0..draw.below(12) {
                let pass = draw.below(2) as usize;
                others[pass][draw.below(u64::from(size)) as usize] ^= 1 << draw.below(8);
            }
            let [second, third] = &others;
            let found =
                compare(&[PassContent::Bytes(&first), PassContent::Bytes(second), PassContent::Bytes(third)], size)
                    .unwrap();

            let mut bits = 0;
            let mut sectors = Vec::new();
            for i in 0..size as usize {
                let unlike = (first[i] ^ second[i]) | (first[i] ^ third[i]);
                bits += u64::from(unlike.count_ones());
                if unlike != 0 && sectors.last() != Some(&(i / 4096)) {
                    sectors.push(i / 4096);
                }
            }
            assert_eq!(found.differing_bits, bits);
            assert_eq!(found.differing_sectors as usize, sectors.len());
            let listed: Vec<usize> = found
                .differing
                .iter()
                .flat_map(|range| (range.start as usize / 4096)..(range.end as usize).div_ceil(4096))
                .collect();
            assert_eq!(listed, sectors);
            assert!(found.differing.windows(2).all(|pair| pair[0].end < pair[1].start), "neighbours are joined");
        });
    }

    #[test]
    fn a_digest_that_differs_marks_its_sector_and_no_bits() {
        let content = firmware(2, 5 * 4096 + 100);
        let mut digests = crc32_blocks(&content);
        digests[5] ^= 1;
        let found = compare(&[PassContent::Digests(&digests), PassContent::Bytes(&content)], 5 * 4096 + 100).unwrap();
        assert_eq!((found.agreed, found.leader), (1, 1));
        assert_eq!((found.differing_bits, found.differing_sectors), (0, 1));
        assert_eq!(found.differing, [5 * 4096..5 * 4096 + 100]);
    }

    #[test]
    fn the_largest_group_leads_even_when_the_first_pass_is_the_odd_one() {
        let good = firmware(3, 8192);
        let mut bad = good.clone();
        bad[5000] ^= 0x10;
        let digests = crc32_blocks(&good);
        let found =
            compare(&[PassContent::Bytes(&bad), PassContent::Digests(&digests), PassContent::Bytes(&good)], 8192)
                .unwrap();
        assert_eq!((found.agreed, found.leader), (2, 2));
    }

    #[test]
    fn other_lengths_cannot_be_compared() {
        let content = firmware(4, 8192);
        let digests = crc32_blocks(&content);
        assert_eq!(compare(&[], 8192), None);
        assert_eq!(compare(&[PassContent::Bytes(&content[1..])], 8192), None);
        assert_eq!(compare(&[PassContent::Digests(&digests[1..])], 8192), None);
        assert!(compare(&[PassContent::Digests(&digests)], 8191).is_some());
    }
}
