//! Readings in which content comes again at half of the chip: a smaller chip, or one that lost its address mode.
//!
//! In: readings, two of which may be folded alike; so a vote is no help here and each reading is held against itself. Out:
//! which of them are folded, and whether from beginning to end (size-alias), from some moment on (a chip that started again
//! with three address bytes), or now and then (an address bit). A content may be doubled by nature; then what differs is
//! another reading's damage, which has a shape or is but a few bits. Data that differs all over and has no shape is what the
//! upper half really holds.
//!
//! Bound: 256 sectors of each reading, spread evenly.

use std::ops::Range;

use super::fault::{Fault, Weights};
use super::shape::{Shape, stretches};
use crate::pass::SECTOR;
use crate::reading::Transaction;

const SECTORS: usize = 256;
const HELD_AGAINST: usize = 8;

/// Returns whether `range` of `own` is rather what an address without its upper bits, from `reach` on, holds than what
/// `right` has there; four times more bytes have to agree.
pub(crate) fn is_again(own: &[u8], range: &Range<usize>, reach: usize, right: &[u8]) -> bool {
    if range.start < reach {
        return false;
    }
    let from = range.start % reach;
    let len = range.len().min(reach - from);
    let here = &own[range.start..range.start + len];
    let as_right = unlike(here, &right[range.start..range.start + len]);
    as_right > 0 && unlike(here, &own[from..from + len]) * 4 <= as_right
}

fn unlike(one: &[u8], other: &[u8]) -> usize {
    if one == other { 0 } else { one.iter().zip(other).filter(|(one, other)| one != other).count() }
}

/// Returns whether a sector comes again at its half, but for one byte in thirty-two.
fn is_twice(content: &[u8], range: &Range<usize>, reach: usize) -> bool {
    let from = range.start % reach;
    range.start >= reach && unlike(&content[range.clone()], &content[from..from + range.len()]) * 32 <= range.len()
}

/// Returns for each reading from where on it holds data again, if another reading has data of its own there.
pub(crate) fn folded(contents: &[&[u8]], disputed: &[Range<u32>]) -> Vec<Option<usize>> {
    let size = contents[0].len();
    if !size.is_power_of_two() || size < 4 * SECTOR {
        return vec![None; contents.len()];
    }
    let spread = |places: Vec<usize>| -> Vec<Range<usize>> {
        let step = places.len().div_ceil(SECTORS).max(1);
        places.iter().step_by(step).map(|from| *from..from + SECTOR).collect()
    };
    let differing = disputed.iter().flat_map(|range| (range.start as usize..range.end as usize).step_by(SECTOR));
    let differing = spread(differing.filter(|from| *from >= size / 2).collect());
    let upper = spread((size / 2..size).step_by(SECTOR).collect());
    let found = contents.iter().map(|own| is_folded(own, contents, &differing, &upper).then(|| reach(own)));
    let mut found: Vec<Option<usize>> = found.collect();
    if found.iter().all(Option::is_some) {
        found.fill(None);
    }
    found
}

/// Returns the smallest part of `own`, down to an eighth, that the parts after it mostly repeat, byte by byte.
fn reach(own: &[u8]) -> usize {
    let mut reach = own.len() / 2;
    while reach > own.len() / 8 {
        let next = reach / 2;
        let sectors = (next..reach).step_by(SECTOR).map(|from| from..from + SECTOR);
        let telling = sectors.filter(|range| own[range.clone()].iter().any(|byte| *byte != own[range.start]));
        let again: Vec<bool> =
            telling.map(|range| own[range.clone()] == own[range.start - next..range.end - next]).collect();
        if again.is_empty() || again.iter().filter(|again| **again).count() * 4 < again.len() * 3 {
            break;
        }
        reach = next;
    }
    reach
}

fn is_folded(own: &[u8], contents: &[&[u8]], differing: &[Range<usize>], upper: &[Range<usize>]) -> bool {
    // Blank sectors are there twice everywhere; some that are not have to be, too.
    let tells = |range: &&Range<usize>| own[range.start..range.end].iter().any(|byte| *byte != own[range.start]);
    let telling = upper.iter().filter(tells).count();
    let twice = upper.iter().filter(tells).filter(|range| is_twice(own, range, own.len() / 2)).count();
    let against = |range: &&Range<usize>| contents.iter().any(|other| is_again(own, range, own.len() / 2, other));
    let again: Vec<&Range<usize>> = differing.iter().filter(against).collect();
    if twice == 0 || twice * 4 < telling || again.len() < 2 || again.len() * 4 < differing.len() {
        return false;
    }
    let held: Vec<&Range<usize>> = again.iter().copied().step_by(again.len().div_ceil(HELD_AGAINST)).collect();
    let has_own_data = |range: &&&Range<usize>| {
        contents.iter().filter(|other| is_again(own, range, own.len() / 2, other)).any(|other| {
            let found = stretches(other, own, range, true);
            let shaped = found.iter().filter(|one| matches!(one.shape, Shape::Level(_) | Shape::Delay(_)));
            let shaped: usize = shaped.map(|one| one.bytes).sum();
            // Data differs in about half of its bits and both ways, unlike bits that a weak line lost.
            let (mut bytes, mut rising, mut falling) = (0, 0, 0);
            for (other, own) in other[range.start..range.end].iter().zip(&own[range.start..range.end]) {
                bytes += usize::from(other != own);
                rising += (other & !own).count_ones() as usize;
                falling += (own & !other).count_ones() as usize;
            }
            let blank = own[range.start..range.end].iter().all(|byte| *byte == own[range.start]);
            let both_ways = blank || rising.min(falling) * 5 >= rising.max(falling);
            bytes >= 8 && (rising + falling) * 2 >= bytes * 5 && both_ways && shaped * 2 < bytes
        })
    };
    held.iter().filter(has_own_data).count() * 3 >= held.len()
}

/// Returns the weights of the folded places in `own`, read by `list`, when `right` is what the chip probably holds.
///
/// `sagged`: the same reading has a stretch that looks as if the chip had lost its supply.
pub(crate) fn weights(own: &[u8], right: &[u8], list: &[Transaction], reach: usize, sagged: bool) -> Weights {
    let step = (list.len() / (4 * SECTORS)).max(1);
    let mut seen: Vec<bool> = Vec::new();
    for one in list.iter().step_by(step).filter(|one| one.at as usize >= reach) {
        let bounds = one.at as usize..(one.at + one.len) as usize;
        // Only a place that has data of its own shows whether it was folded.
        let again = is_again(own, &bounds, reach, right);
        let from = bounds.start % reach;
        let own_data = unlike(&right[bounds.clone()], &right[from..(from + bounds.len()).min(right.len())]);
        if again || own_data > 4 * unlike(&own[bounds.clone()], &right[bounds]) {
            seen.push(again);
        }
    }
    let mut weights = Weights::none();
    let count = seen.iter().filter(|again| **again).count();
    let from = seen.iter().position(|again| *again).unwrap_or(0);
    let steady = seen[from..].iter().filter(|again| !**again).count() * 16 <= seen.len() - from;
    if sagged && steady {
        weights.set(Fault::SupplySag, 0.9);
        weights.set(Fault::SizeAlias, 0.04);
        weights.set(Fault::AddressError, 0.04);
    } else if count * 8 >= seen.len() * 7 {
        weights.set(Fault::SizeAlias, 0.92);
        weights.set(Fault::AddressError, 0.05);
        weights.set(Fault::SupplySag, 0.02);
    } else if steady {
        weights.set(Fault::SupplySag, 0.85);
        weights.set(Fault::SizeAlias, 0.08);
        weights.set(Fault::AddressError, 0.06);
    } else {
        weights.set(Fault::AddressError, 0.9);
        weights.set(Fault::SizeAlias, 0.05);
        weights.set(Fault::SupplySag, 0.04);
    }
    weights.shares()
}
