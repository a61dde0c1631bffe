//! Readings in which content comes again at half of the chip: a smaller chip, or one that lost its address mode.
//!
//! In: readings, several of which may be folded alike; so a vote is no help here and each reading is held against each
//! other one. Out: which of them are folded, and whether from beginning to end (size-alias) or from some moment on (a chip
//! that started again with three address bytes). What folds now and then, an address bit, is left to `units`.
//!
//! Only two kinds of bytes tell. Where a reading has its lower half's byte and another one has data of its own, it looks
//! folded; where two readings agree on a byte that is not the lower half's, they are not. Both ask that the lower half's byte
//! itself is beyond dispute. Other damage on top makes bytes silent and not misleading, and so does content that comes
//! again by nature: it lacks the first kind wherever nothing else is wrong.
//!
//! The decision a reader would question: without data that appears where another reading has something else, nothing is
//! folded. A lower half that is all blank leaves a folded reading all blank, and so does an open contact.
//!
//! Bound: 128 sectors of each reading, half of them such as differ, spread evenly.

use std::ops::Range;

use super::fault::{Fault, Weights};
use crate::pass::SECTOR;
use crate::reading::Transaction;

const SECTORS: usize = 64;
/// Bytes that are folded or not together; the smallest read command that is usual.
const PIECE: usize = 256;

/// A folded reading.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Fold {
    /// From where on content comes again.
    pub(crate) reach: usize,
    /// Whether it does so from the first transaction on that could show it.
    pub(crate) whole: bool,
    /// Address of the first piece in time that is folded.
    first: usize,
}

/// Returns whether `range` of `own` is rather what an address without its upper bits, from `reach` on, holds in it or in
/// `right` than what `right` has there; four times more bytes have to agree.
pub(crate) fn is_again(own: &[u8], range: &Range<usize>, reach: usize, right: &[u8]) -> bool {
    if range.start < reach {
        return false;
    }
    let from = range.start % reach;
    let len = range.len().min(reach - from);
    let here = &own[range.start..range.start + len];
    let as_right = unlike(here, &right[range.start..range.start + len]);
    let low = [own, right].map(|one| unlike(here, &one[from..from + len]));
    as_right > 0 && low[0].min(low[1]) * 4 <= as_right
}

fn unlike(one: &[u8], other: &[u8]) -> usize {
    if one == other { 0 } else { one.iter().zip(other).filter(|(one, other)| one != other).count() }
}

/// Returns for each reading whether and how it is folded; `lists` are the readings' transactions, oldest first.
pub(crate) fn folded(
    contents: &[&[u8]],
    lists: Option<&[Vec<Transaction>]>,
    disputed: &[Range<u32>],
) -> Vec<Option<Fold>> {
    let size = contents[0].len();
    if !size.is_power_of_two() || size < 4 * SECTOR {
        return vec![None; contents.len()];
    }
    let spread = |places: Vec<usize>| -> Vec<usize> {
        let step = places.len().div_ceil(SECTORS).max(1);
        places.into_iter().step_by(step).collect()
    };
    let differing = disputed.iter().flat_map(|range| (range.start as usize..range.end as usize).step_by(SECTOR));
    let mut sectors = spread(differing.filter(|from| *from >= size / 2).collect());
    sectors.extend(spread((size / 2..size).step_by(SECTOR).collect()));
    sectors.sort_unstable();
    sectors.dedup();
    let fold = |number: usize, own: &[u8]| -> Vec<Option<(usize, Fold)>> {
        let times = Times::of(lists.map_or(&[][..], |lists| &lists[number]));
        contents.iter().map(|other| (*other != own).then(|| against(own, other, &sectors, &times)).flatten()).collect()
    };
    let table: Vec<Vec<Option<(usize, Fold)>>> =
        contents.iter().enumerate().map(|(number, own)| fold(number, own)).collect();
    // Of two that each look folded against the other, it is the one that does so in more places.
    let table: Vec<Vec<Option<(usize, Fold)>>> = (0..contents.len())
        .map(|own| {
            let count = |a: usize, b: usize| table[a][b].as_ref().map_or(0, |(count, _): &(usize, Fold)| *count);
            let clear = |other: &usize| count(own, *other) >= 4 * count(*other, own);
            (0..contents.len()).map(|other| table[own][other].clone().filter(|_| clear(&other))).collect()
        })
        .collect();
    let best = |row: &[Option<(usize, Fold)>]| row.iter().flatten().max_by_key(|(telling, _)| *telling).cloned();
    let mut found: Vec<Option<Fold>> = table
        .iter()
        .map(|row| {
            let (telling, fold) = best(row)?;
            // A folded reading is so against every reading that is not; else it is the other one that is damaged.
            let shows = |row: &[Option<(usize, Fold)>]| best(row).is_some_and(|(count, _)| count * 4 >= telling);
            let others = row.iter().zip(&table).filter(|(_, of)| !std::ptr::eq(of.as_slice(), row.as_slice()));
            let mut against = others.filter(|(one, of)| !shows(std::slice::from_ref(one)) && !shows(of));
            against.next().is_none().then_some(fold)
        })
        .collect();
    if found.iter().all(Option::is_some) {
        found.fill(None);
    }
    found
}

/// Returns the smallest part of `own`, down to an eighth, that the parts after it repeat where `other` does not.
fn reach(own: &[u8], other: &[u8]) -> usize {
    let mut reach = own.len() / 2;
    while reach > own.len() / 8 {
        let next = reach / 2;
        let step = (next / PIECE / SECTORS).max(1) * PIECE;
        let said = (next..reach).step_by(step).map(|from| Piece::of(own, other, from, next).says());
        let (folded, kept) = said.fold((0, 0), |(folded, kept), says| match says {
            Says::Folded => (folded + 1, kept),
            Says::Own => (folded, kept + 1),
            Says::Nothing => (folded, kept),
        });
        if folded < 4 || kept * 16 > folded {
            break;
        }
        reach = next;
    }
    reach
}

/// What a piece of the upper half says.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Says {
    Folded,
    Own,
    /// Folded and own bytes are the same, or something else is wrong.
    Nothing,
}

/// Counts of a piece, in bytes.
#[derive(Default)]
struct Piece {
    /// As in the lower half, where the other reading has other data.
    taken: usize,
    /// Of these, neither 00 nor FF.
    appeared: usize,
    /// Unlike the lower half, as the other reading has it.
    kept: usize,
    /// As in the lower half and the other reading, and neither 00 nor FF.
    alike: usize,
}

impl Piece {
    /// The piece at `from`, held against what stands `distance` before it.
    fn of(own: &[u8], other: &[u8], from: usize, distance: usize) -> Self {
        let low = from - distance;
        let mut piece = Self::default();
        for by in 0..PIECE {
            let (is, was, theirs) = (own[from + by], own[low + by], other[from + by]);
            if was != other[low + by] {
                continue;
            }
            if is == was {
                // A single wrong bit in the other reading is no data of its own.
                let taken = (is ^ theirs).count_ones() >= 2;
                let data = !matches!(is, 0x00 | 0xFF);
                piece.taken += usize::from(taken);
                piece.appeared += usize::from(taken && data);
                piece.alike += usize::from(is == theirs && data);
            } else {
                // Two lines that rest at once have nothing of their own.
                let data = !matches!(is, 0x00 | 0xFF);
                piece.kept += usize::from(is == theirs && data && (is ^ was).count_ones() >= 2);
            }
        }
        piece
    }

    fn says(&self) -> Says {
        match (self.taken, self.kept) {
            (taken, kept) if taken >= 4 && kept * 8 <= taken => Says::Folded,
            (taken, kept) if kept >= 4 && taken * 8 <= kept => Says::Own,
            _ => Says::Nothing,
        }
    }
}

/// Returns how many pieces say that `own` is folded, and how it is, when it is so rather than `other` damaged.
fn against(own: &[u8], other: &[u8], sectors: &[usize], times: &Times) -> Option<(usize, Fold)> {
    let pieces = sectors.iter().flat_map(|from| (*from..from + SECTOR).step_by(PIECE));
    let mut said: Vec<(usize, usize, Says)> = Vec::new();
    let (mut appeared, mut alike) = (0, 0);
    for from in pieces {
        let piece = Piece::of(own, other, from, own.len() / 2);
        let says = piece.says();
        if says == Says::Nothing {
            alike += usize::from(piece.alike >= PIECE / 4);
            continue;
        }
        appeared += usize::from(says == Says::Folded && piece.appeared >= 4);
        said.push((times.at(from)?, from, says));
    }
    said.sort_by_key(|(time, from, _)| (*time, *from));
    let is_folded = |one: &(usize, usize, Says)| one.2 == Says::Folded;
    let first = said.iter().position(is_folded)?;
    let folded = said.iter().filter(|one| is_folded(one)).count();
    let own_after = said.len() - first - folded;
    let span = said[first..].iter().map(|(_, from, _)| *from);
    let span = span.clone().max()? - span.min()?;
    // What two readings have twice is there twice by nature; then it takes more than a few damaged places.
    if folded < 2 || appeared == 0 || own_after * 64 > folded || (alike * 4 > folded && span * 8 < own.len()) {
        return None;
    }
    Some((folded, Fold { reach: reach(own, other), whole: first * 8 <= said.len(), first: said[first].1 }))
}

impl Fold {
    /// Returns whether any of these addresses was read before the first folded one.
    pub(crate) fn comes_after(&self, mut addresses: impl Iterator<Item = usize>, list: &[Transaction]) -> bool {
        let times = Times::of(list);
        addresses.any(|address| times.at(address) <= times.at(self.first))
    }

    /// Returns what it says of the fault; `sagged`: the chip seems to have lost its supply before it was folded.
    pub(crate) fn weights(&self, sagged: bool) -> Weights {
        let mut weights = Weights::none();
        let (sag, alias) = match (sagged, self.whole) {
            (true, _) => (0.9, 0.04),
            (false, true) => (0.02, 0.92),
            (false, false) => (0.85, 0.08),
        };
        weights.set(Fault::SupplySag, sag);
        weights.set(Fault::SizeAlias, alias);
        weights.set(Fault::AddressError, 0.05);
        weights.shares()
    }
}

/// When each byte was read.
struct Times(Vec<(u32, u32, usize)>);

impl Times {
    fn of(list: &[Transaction]) -> Self {
        let mut times: Vec<_> = list.iter().enumerate().map(|(time, one)| (one.at, one.at + one.len, time)).collect();
        times.sort_unstable();
        Self(times)
    }

    /// Returns the place in time of the transaction that brought the byte at `address`; without any, of the byte itself.
    fn at(&self, address: usize) -> Option<usize> {
        if self.0.is_empty() {
            return Some(address);
        }
        let next = self.0.partition_point(|(start, ..)| *start as usize <= address);
        self.0[..next].last().filter(|(_, end, _)| address < *end as usize).map(|(.., time)| *time)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::testing::{Draw, for_seeds};

    const SIZE: usize = 1 << 17;

    #[expect(clippy::single_range_in_vec_init, reason = "a list of one range is what is meant")]
    fn folds(contents: &[&[u8]]) -> Vec<Option<(usize, bool)>> {
        let found = folded(contents, None, &[0..SIZE as u32]);
        found.into_iter().map(|fold| fold.map(|fold| (fold.reach, fold.whole))).collect()
    }

    /// Blank, with some islands of data in each half.
    fn islands(draw: &mut Draw) -> Vec<u8> {
        let mut content = vec![0xFF; SIZE];
        for half in 0..2 {
            for _ in 0..4 {
                let at = half * SIZE / 2 + draw.below(SIZE as u64 / 2 - 2000) as usize;
                content[at..at + 2000].copy_from_slice(&draw.bytes(2000));
            }
        }
        content
    }

    #[test]
    fn a_few_islands_in_blank_content_are_enough() {
        for_seeds("a_few_islands_in_blank_content_are_enough", 20, |seed| {
            let truth = islands(&mut Draw::new(seed));
            let again = [&truth[..SIZE / 2], &truth[..SIZE / 2]].concat();
            assert_eq!(folds(&[&again, &truth]), [Some((SIZE / 2, true)), None]);
            assert_eq!(folds(&[&truth, &again, &again]), [None, Some((SIZE / 2, true)), Some((SIZE / 2, true))]);
            let mut late = truth.clone();
            late[SIZE * 3 / 4..].copy_from_slice(&truth[SIZE / 4..SIZE / 2]);
            let found = folds(&[&late, &truth])[0];
            // Whether it could be seen before depends on where the islands are.
            assert!(late == truth || found.is_none_or(|(reach, _)| reach == SIZE / 2), "{found:?}");
        });
    }

    /// Damage on top of a fold once hid it: an equal copy was asked for.
    #[test]
    fn noise_does_not_hide_a_fold() {
        for_seeds("noise_does_not_hide_a_fold", 20, |seed| {
            let mut draw = Draw::new(seed);
            let truth = draw.bytes(SIZE);
            let mut again = truth[..SIZE / 4].repeat(4);
            for _ in 0..2000 {
                again[draw.below(SIZE as u64) as usize] ^= 1 << draw.below(8);
            }
            again[70_000..75_000].fill(0);
            assert_eq!(folds(&[&again, &truth]), [Some((SIZE / 4, true)), None]);
        });
    }

    /// Units that repeat but for their heads look folded wherever something else is damaged; the heads say that they are not.
    #[test]
    fn content_that_comes_again_by_nature_is_not_folded() {
        for_seeds("content_that_comes_again_by_nature_is_not_folded", 20, |seed| {
            let mut draw = Draw::new(seed);
            let mut truth = draw.bytes(4096).repeat(SIZE / 4096);
            for unit in truth.chunks_mut(4096) {
                unit[..16].copy_from_slice(&draw.bytes(16));
            }
            let mut damaged = truth.clone();
            for at in (SIZE / 2..SIZE).step_by(1300) {
                damaged[at..at + 60].copy_from_slice(&draw.bytes(60));
            }
            assert_eq!(folds(&[&truth, &damaged, &truth]), [None, None, None]);
        });
    }
}
