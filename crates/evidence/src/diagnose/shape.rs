//! What a damaged stretch looks like: the differing bytes of one transaction, explained by one of few shapes.
//!
//! A stretch is looked at in groups of neighbouring differing bytes. Each group takes the shape that predicts what was
//! read from what another reading has there; groups of one shape in a row are one stretch. In: two contents and the bounds
//! of a transaction. Out: stretches by address. What they mean is left to `units`.
//!
//! The decision a reader would question: a shape has to predict nine of ten differing bytes of a group, and at least four
//! bytes (eight for data from another address). Equal bytes say nothing, since blank stretches look right under any shape.

use std::ops::Range;

use crate::bits::delayed;
use crate::pass::SECTOR;

/// Differing bytes of one group.
const GROUP: usize = 32;
/// Equal bytes that end a group.
const GROUP_GAP: usize = 512;
/// The longest pause that is looked for, in bits.
const LONGEST_DELAY: i64 = 1 << 14;
/// Searches for a long pause in one transaction, and more for each 8 KiB; each costs about as much as comparing 16 KiB.
const SEARCHES: usize = 4;
const MOST_SEARCHES: usize = 64;
/// Differing sectors looked at in one transaction: so many from its start, as many between, and two at its end.
const SECTORS_AT_START: usize = 6;

/// How the bytes of a stretch follow from what another reading has.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum Shape {
    /// All of them are one byte: the data line rests.
    Level(u8),
    /// The bits come so many clocks later; negative: earlier.
    Delay(i64),
    /// They are the bytes of another address, one address bit away; the bit's number.
    Elsewhere(u32),
    /// They are the bytes of an address without its upper bits.
    Folded,
    /// Most bits are unlike and no other shape fits.
    Garbage,
    /// The reference rests where there is data here: it is the reference that looks damaged.
    Echo,
    /// Single bits are wrong.
    Bits,
}

/// One stretch of a transaction.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Stretch {
    pub(crate) shape: Shape,
    /// From the first differing byte to the one after the last.
    pub(crate) range: Range<usize>,
    /// Differing bytes looked at.
    pub(crate) bytes: usize,
}

/// Returns the stretches in which `own` differs from `other` between the bounds of one transaction.
///
/// `trusted` says that other readings bear the reference out here, so that data where it is blank is damage.
pub(crate) fn stretches(own: &[u8], other: &[u8], bounds: &Range<usize>, trusted: bool) -> Vec<Stretch> {
    let searches = (SEARCHES + bounds.len() / (2 * SECTOR)).min(MOST_SEARCHES);
    let mut finder = Finder { own, other, bounds, trusted, searches, last: None, found: Vec::new() };
    let mut group: Vec<usize> = Vec::with_capacity(GROUP);
    for sector in sectors(own, other, bounds) {
        for at in sector.filter(|at| own[*at] != other[*at]) {
            let apart = group.last().is_some_and(|last| at - last > GROUP_GAP);
            if group.len() == GROUP || apart {
                finder.take(&group);
                group.clear();
            }
            group.push(at);
        }
    }
    finder.take(&group);
    finder.settle();
    finder.found
}

/// Returns up to fourteen pieces of at most 4 KiB that hold differences.
fn sectors(own: &[u8], other: &[u8], bounds: &Range<usize>) -> Vec<Range<usize>> {
    let mut all = Vec::new();
    let mut at = bounds.start;
    while at < bounds.end {
        let end = bounds.end.min((at / SECTOR + 1) * SECTOR);
        if own[at..end] != other[at..end] {
            all.push(at..end);
        }
        at = end;
    }
    let most = 2 * SECTORS_AT_START + 2;
    if all.len() <= most {
        return all;
    }
    let between = all.len() - SECTORS_AT_START - 2;
    let step = between as f64 / SECTORS_AT_START as f64;
    let middle = (0..SECTORS_AT_START).map(|i| SECTORS_AT_START + (i as f64 * step) as usize);
    let chosen: Vec<usize> = (0..SECTORS_AT_START).chain(middle).chain(all.len() - 2..all.len()).collect();
    chosen.into_iter().map(|index| all[index].clone()).collect()
}

struct Finder<'a> {
    own: &'a [u8],
    other: &'a [u8],
    bounds: &'a Range<usize>,
    trusted: bool,
    searches: usize,
    last: Option<Shape>,
    found: Vec<Stretch>,
}

impl Finder<'_> {
    fn take(&mut self, group: &[usize]) {
        let (Some(first), Some(last)) = (group.first(), group.last()) else { return };
        // A pause or a bounce in the middle of a group would spoil both halves; so the group is split where a shape ends.
        let shape = self.shape(group);
        if shape == Shape::Bits && group.len() >= 16 {
            let (head, tail) = group.split_at(group.len() / 2);
            let shapes = [self.shape(head), self.shape(tail)];
            if shapes.iter().any(|shape| !matches!(shape, Shape::Bits | Shape::Garbage | Shape::Echo)) {
                for (shape, half) in shapes.into_iter().zip([head, tail]) {
                    self.push(shape, half[0]..half[half.len() - 1] + 1, half.len());
                }
                return;
            }
        }
        self.push(shape, *first..last + 1, group.len());
    }

    /// Beside a resting line, a few bytes at the same level belong to it although they could not tell on their own.
    fn settle(&mut self) {
        for at in 0..self.found.len() {
            let next_to = [at.wrapping_sub(1), at + 1].map(|at| self.found.get(at).map(|one| one.shape));
            let stretch = &self.found[at];
            let level = next_to.into_iter().flatten().find_map(|shape| match shape {
                Shape::Level(level) if stretch.shape == Shape::Bits => Some(level),
                _ => None,
            });
            if let Some(level) = level.filter(|level| self.own[stretch.range.clone()].iter().all(|byte| byte == level))
            {
                self.found[at].shape = Shape::Level(level);
            }
        }
    }

    fn push(&mut self, shape: Shape, range: Range<usize>, bytes: usize) {
        self.last = Some(shape);
        let (own, last) = (self.own, self.found.last_mut());
        // A line that rested, answered, and rests again did so twice.
        let goes_on = |stretch: &Stretch| match shape {
            Shape::Level(level) => own[stretch.range.end..range.start].iter().all(|byte| *byte == level),
            _ => true,
        };
        match last {
            Some(stretch) if stretch.shape == shape && goes_on(stretch) => {
                stretch.range.end = range.end;
                stretch.bytes += bytes;
            }
            _ => self.found.push(Stretch { shape, range, bytes }),
        }
    }

    fn shape(&mut self, group: &[usize]) -> Shape {
        let rests = !self.trusted && self.reference_rests(group);
        if let Some(level) = self.level(group) {
            return if rests && self.is_echo(group[0]) { Shape::Echo } else { Shape::Level(level) };
        }
        if rests {
            return Shape::Echo;
        }
        if group.len() < 4 {
            return match self.last {
                // A rest too small to tell goes on with what came before, if that predicts it.
                Some(Shape::Delay(delay)) if self.fits_delay(group, delay) => Shape::Delay(delay),
                _ => Shape::Bits,
            };
        }
        let hint = match self.last {
            Some(Shape::Delay(delay)) => [Some(delay), Some(delay + 1), Some(delay - 1)],
            _ => [None; 3],
        };
        let near = hint.into_iter().flatten().chain((1..8).flat_map(|bits| [bits, -bits]));
        for delay in near.filter(|delay| *delay != 0) {
            if self.fits_delay(group, delay) {
                return Shape::Delay(delay);
            }
        }
        let unlike: usize = group.iter().map(|at| (self.own[*at] ^ self.other[*at]).count_ones() as usize).sum();
        // Data that comes again and again has every shape; single wrong bits in it are no more than that.
        if group.len() >= 8 && unlike >= 2 * group.len() {
            if self.folded(group) {
                return Shape::Folded;
            }
            if let Some(line) = self.elsewhere(group) {
                return Shape::Elsewhere(line);
            }
            if let Some(delay) = self.long_delay(group) {
                return Shape::Delay(delay);
            }
        }
        let span = group[group.len() - 1] - group[0] + 1;
        let dense = unlike * 5 >= group.len() * 14 && span <= 2 * group.len() && group.len() >= 8;
        if dense { Shape::Garbage } else { Shape::Bits }
    }

    /// A level is at least 24 bytes of one value over what is plainly data in the other reading: bytes that differ in two or
    /// more bits, not far apart. A few wrong bits in the other reading's blank stretch must not look so.
    fn level(&self, group: &[usize]) -> Option<u8> {
        let (first, last) = (group[0], group[group.len() - 1]);
        let value = self.own[group[group.len() / 2]];
        let wrong = self.own[first..=last].iter().filter(|byte| **byte != value).count();
        let span = last + 1 - first;
        let unlike: u32 = group.iter().map(|at| (self.own[*at] ^ self.other[*at]).count_ones()).sum();
        let together = group.windows(8).any(|eight| eight[7] - eight[0] == 7);
        let goes_on = matches!(self.last, Some(Shape::Level(level)) if level == value);
        let data = unlike as usize >= 2 * group.len() && (group.len() * 8 >= span || together);
        if wrong * GROUP > group.len() || !data && !goes_on || group.len() < 4 && !goes_on {
            return None;
        }
        let before =
            self.own[self.bounds.start..first].iter().rev().take(24).take_while(|byte| **byte == value).count();
        let after = self.own[last + 1..self.bounds.end].iter().take(24).take_while(|byte| **byte == value).count();
        // Eight bytes are enough where they end with the transaction.
        let to_edge = first - before == self.bounds.start || last + 1 + after == self.bounds.end;
        (before + span + after >= if to_edge { 8 } else { 24 }).then_some(value)
    }

    /// Where both readings rest, at two levels, returns whether the other one is the damaged one.
    ///
    /// A line that rests does so before and after the blank stretch that it hides; so the longer rest is the damage. But a
    /// short rest amid bytes at the other level that both readings have is the damage itself: a blank stretch with a burst
    /// in it.
    fn is_echo(&self, at: usize) -> bool {
        let (own, other) = (self.run(self.own, at), self.run(self.other, at));
        let amid = |short: &Range<usize>, level: u8| {
            let both = |at: usize| self.own[at] == level && self.other[at] == level;
            short.start > self.bounds.start && short.end < self.bounds.end && both(short.start - 1) && both(short.end)
        };
        match own.len() < other.len() {
            true => !amid(&own, self.other[at]),
            false => amid(&other, self.own[at]),
        }
    }

    /// Returns the bytes around `at` that are the same, within the transaction and at most 16 KiB each way.
    fn run(&self, content: &[u8], at: usize) -> Range<usize> {
        const LOOK: usize = 1 << 14;
        let same = |byte: &&u8| **byte == content[at];
        let up = content[at..self.bounds.end].iter().take(LOOK).take_while(same).count();
        let down = content[self.bounds.start..at].iter().rev().take(LOOK).take_while(same).count();
        at - down..at + up
    }

    fn reference_rests(&self, group: &[usize]) -> bool {
        let (first, last) = (group[0], group[group.len() - 1]);
        let level = self.other[group[group.len() / 2]];
        let wrong = self.other[first..=last].iter().filter(|byte| **byte != level).count();
        let unlike: usize = group.iter().map(|at| (self.own[*at] ^ self.other[*at]).count_ones() as usize).sum();
        group.len() >= 8
            && wrong * GROUP <= group.len()
            && unlike >= 2 * group.len()
            && group.len() * 4 >= last + 1 - first
    }

    fn fits_delay(&self, group: &[usize], delay: i64) -> bool {
        let fits = group.iter().filter(|at| delayed(self.other, **at, delay) == Some(self.own[**at])).count();
        fits * 10 >= group.len() * 9
    }

    /// Blank stretches are alike everywhere, so data from elsewhere has to be data.
    fn is_data(&self, group: &[usize]) -> bool {
        group.windows(2).filter(|pair| self.own[pair[0]] != self.own[pair[1]]).count() * 4 >= group.len()
    }

    fn folded(&self, group: &[usize]) -> bool {
        let size = self.own.len();
        let fits = |reach: usize| group.iter().filter(|at| self.other[**at % reach] == self.own[**at]).count();
        size.is_power_of_two()
            && self.is_data(group)
            && (1..=3)
                .map(|by| size >> by)
                .filter(|reach| group[0] >= *reach)
                .any(|reach| fits(reach) * 10 >= group.len() * 9)
    }

    fn elsewhere(&self, group: &[usize]) -> Option<u32> {
        if !self.is_data(group) {
            return None;
        }
        let lines = usize::BITS - self.own.len().next_power_of_two().leading_zeros();
        (0..lines.saturating_sub(1)).find(|line| {
            let weight = 1_usize << line;
            // What a command brings runs on from its damaged address; only chunks not longer than the bit's weight look
            // like single addresses with that bit turned.
            let from = self.bounds.start ^ weight;
            let fits = |at: &&usize| self.other.get(from + (**at - self.bounds.start)) == Some(&self.own[**at]);
            let turned = |at: &&usize| self.other.get(**at ^ weight) == Some(&self.own[**at]);
            let enough = |count: usize| count * 10 >= group.len() * 9;
            enough(group.iter().filter(fits).count()) || enough(group.iter().filter(turned).count())
        })
    }

    fn long_delay(&mut self, group: &[usize]) -> Option<i64> {
        let tells = group.iter().any(|at| !matches!(self.own[*at], 0x00 | 0xFF));
        if self.searches == 0 || !tells || group.len() < GROUP / 2 {
            return None;
        }
        self.searches -= 1;
        let longest = LONGEST_DELAY.min(group[0] as i64 * 8);
        (8..=longest).chain((8..=64).map(|bits| -bits)).find(|delay| {
            let quick = group.iter().step_by(4).take(3);
            quick.filter(|at| delayed(self.other, **at, *delay) == Some(self.own[**at])).count() >= 2
                && self.fits_delay(group, *delay)
        })
    }
}
