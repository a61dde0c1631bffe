//! Damaged transactions and the faults that leave them so.
//!
//! In: readings, each with its transactions in order of time. Out: events, which are a place and how well each fault would
//! have left it. A line that rests across several transactions is one event; everything else ends with its transaction.
//! What decides between faults is where a stretch begins and ends: a bounce ends with its transaction, an open contact
//! anywhere, a chip that lost its supply answers again from a transaction's start.
//!
//! The decision a reader would question: a boundary that lies in blank content could be anywhere inside it. Its chance to
//! fall there by accident is the blank length by the transaction's length, and counts as such. The weights beside the
//! boundaries are own choice, no source; the campaign in `tests` measures what they are worth.
//!
//! Bound: at most 128 transactions of each reading, in blocks of four that follow each other, each against at most four
//! other readings.

use std::ops::Range;

use super::fault::{Fault, Weights};
use super::shape::{Shape, Stretch, stretches};
use super::windows::Window;
use crate::bits::delayed;
use crate::reading::Transaction;

const UNITS: usize = 128;
const BLOCK: usize = 4;
const PARTNERS: usize = 4;
/// Unexplained bytes that are not worth another reference.
const FEW: i64 = 64;
/// Blank bytes walked over to see how far a boundary may lie.
pub(super) const WALK: usize = 1 << 20;

/// One damaged place and what may have done it.
#[derive(Debug, Clone)]
pub(crate) struct Event {
    pub(crate) reading: usize,
    pub(crate) ranges: Vec<Range<usize>>,
    pub(crate) weights: Weights,
    /// Where it begins in the order of time: transaction and byte inside it; `None` where a start means nothing.
    pub(crate) starts: Option<(usize, usize)>,
    /// Whether a shape explains it.
    pub(crate) plain: bool,
    /// How many places it counts for.
    pub(crate) count: f64,
}

/// One transaction of a reading that differs, with the stretches that explain most of it.
pub(super) struct Unit<'a> {
    /// Its place in time.
    pub(super) index: usize,
    pub(super) bounds: Range<usize>,
    /// What it was held against.
    pub(super) reference: &'a [u8],
    pub(super) stretches: Vec<Stretch>,
}

/// Returns the events of reading `own`, oldest first, and the bounds of the transactions that they explain.
///
/// `voted` is what most of three or more readings say.
pub(crate) fn events(
    contents: &[&[u8]],
    voted: Option<&[u8]>,
    own: usize,
    list: &[Transaction],
    disputed: &[Range<u32>],
) -> Found {
    let mut found = Found { events: Vec::new(), explained: Vec::new() };
    let units = units(contents, voted, own, list, disputed);
    let mut seen = Seen { mine: contents[own], own, list, windows: Vec::new(), unaffected: None };
    for unit in &units {
        seen.delays(unit, &mut found.events);
        seen.others(unit, &mut found.events);
        seen.levels(unit);
        let shaped = |one: &Stretch| match one.shape {
            Shape::Elsewhere(_) | Shape::Folded => seen.came_from_there(unit, one.shape, &one.range) == Support::For,
            Shape::Garbage | Shape::Echo => one.bytes >= 16,
            shape => is_plain(shape),
        };
        if unit.stretches.iter().any(shaped) {
            found.explained.push(unit.bounds.clone());
        }
    }
    let windows = seen.whole_windows();
    found.events.extend(windows.into_iter().map(|window| seen.window(window)));
    found.events.sort_by_key(|event| event.starts);
    found
}

/// What `events` found.
pub(crate) struct Found {
    pub(crate) events: Vec<Event>,
    /// Transactions whose differences have a shape.
    pub(crate) explained: Vec<Range<usize>>,
}

fn is_plain(shape: Shape) -> bool {
    matches!(shape, Shape::Level(_) | Shape::Delay(_) | Shape::Elsewhere(_) | Shape::Folded)
}

fn units<'a>(
    contents: &[&'a [u8]],
    voted: Option<&'a [u8]>,
    own: usize,
    list: &[Transaction],
    disputed: &[Range<u32>],
) -> Vec<Unit<'a>> {
    let differs = |one: &Transaction| {
        let next = disputed.partition_point(|range| range.end <= one.at);
        disputed.get(next).is_some_and(|range| range.start < one.at + one.len)
    };
    let mine = contents[own];
    let damaged = (0..list.len()).filter(|index| {
        let bounds = list[*index].at as usize..(list[*index].at + list[*index].len) as usize;
        differs(&list[*index]) && voted.is_none_or(|voted| voted[bounds.clone()] != mine[bounds])
    });
    let damaged: Vec<usize> = damaged.collect();
    blocks(&damaged)
        .into_iter()
        .filter_map(|index| {
            let bounds = list[index].at as usize..(list[index].at + list[index].len) as usize;
            explain(contents, voted, own, &bounds).map(|(reference, stretches)| Unit {
                index,
                bounds,
                reference,
                stretches,
            })
        })
        .collect()
}

/// Returns the reference that explains best what is wrong with reading `own` between these bounds, and the stretches.
///
/// What most say comes first. Another reading is taken where it leaves clearly less unexplained, as where several are damaged
/// at once and outvote one that is right.
pub(crate) fn explain<'a>(
    contents: &[&'a [u8]],
    voted: Option<&'a [u8]>,
    own: usize,
    bounds: &Range<usize>,
) -> Option<(&'a [u8], Vec<Stretch>)> {
    let mine = contents[own];
    let others = contents.iter().copied().filter(|other| other[bounds.clone()] != mine[bounds.clone()]).take(PARTNERS);
    let mut best: Option<(i64, i64, &'a [u8], Vec<Stretch>)> = None;
    for reference in voted.into_iter().chain(others) {
        let mut found = stretches(mine, reference, bounds, false);
        let rests = |found: &[Stretch]| found.iter().any(|one| matches!(one.shape, Shape::Level(_) | Shape::Echo));
        let mut at_rest = rests(&found);
        if at_rest && is_borne_out(contents, reference, bounds) {
            found = stretches(mine, reference, bounds, true);
            at_rest = false;
        }
        let bytes = |wanted: bool| -> i64 {
            found.iter().filter(|one| is_plain(one.shape) == wanted).map(|one| one.bytes as i64).sum()
        };
        let (plain, left) = (bytes(true), bytes(false));
        let only_bits = left < FEW && found.iter().all(|one| is_plain(one.shape) || one.shape == Shape::Bits);
        let better = best.as_ref().is_none_or(|(best, best_left, ..)| {
            plain - 2 * left >= *best + 16 && (voted.is_none() || left * 2 <= *best_left)
        });
        if better {
            best = Some((plain - 2 * left, left, reference, found));
            if voted.is_some() && only_bits && !at_rest {
                break;
            }
        }
    }
    best.map(|(.., reference, found)| (reference, found))
}

/// Returns whether most readings have here what `reference` has, and not only because they rest by accident.
fn is_borne_out(contents: &[&[u8]], reference: &[u8], bounds: &Range<usize>) -> bool {
    let alike = contents.iter().filter(|one| one[bounds.clone()] == reference[bounds.clone()]).count();
    2 * alike > contents.len() && rest_alike(contents, reference, bounds)
}

/// Returns whether readings that are at rest throughout a transaction began and ended to rest at the same bytes.
///
/// A blank stretch of the chip does so; two bounces or two open contacts that happen to overlap do not.
fn rest_alike(contents: &[&[u8]], reference: &[u8], bounds: &Range<usize>) -> bool {
    const LOOK: usize = 1 << 16;
    let level = reference[bounds.start];
    if reference[bounds.clone()].iter().any(|byte| *byte != level) {
        return true;
    }
    let alike = contents.iter().filter(|one| one[bounds.clone()] == reference[bounds.clone()]);
    let mut extents = alike.map(|one| {
        let up = one[bounds.end..].iter().take(LOOK).take_while(|byte| **byte == level).count();
        let down = one[..bounds.start].iter().rev().take(LOOK).take_while(|byte| **byte == level).count();
        (down, up)
    });
    let first = extents.next();
    extents.all(|extent| Some(extent) == first)
}

/// Returns what a place of this length counts: few bytes have a shape by chance.
fn by_length(range: &Range<usize>) -> f64 {
    (range.len() as f64 / 64.0).clamp(0.3, 1.0)
}

/// Returns all of `indices`, or blocks of neighbours spread evenly when there are too many.
fn blocks(indices: &[usize]) -> Vec<usize> {
    if indices.len() <= UNITS {
        return indices.to_vec();
    }
    let count = UNITS / BLOCK;
    let step = (indices.len() - BLOCK) as f64 / (count - 1) as f64;
    (0..count).flat_map(|i| indices[(i as f64 * step) as usize..].iter().copied().take(BLOCK)).collect()
}

/// A boundary of a stretch: whether it may be that of the transaction, and among how many bytes it may lie.
#[derive(Clone, Copy)]
pub(super) struct Edge {
    pub(super) aligned: bool,
    pub(super) slack: usize,
}

impl Edge {
    /// Returns the chance that a boundary which may fall anywhere in `len` bytes falls here.
    pub(super) fn anywhere(self, len: usize) -> f64 {
        ((self.slack + 1) as f64 / len.max(1) as f64).min(1.0)
    }

    /// Returns the chance that a boundary which is the transaction's own is seen here.
    pub(super) fn at_transaction(self, len: usize) -> f64 {
        if self.aligned { 1.0 } else { 0.02 * self.anywhere(len) }
    }
}

/// What the rest of a transaction says of a stretch from another address.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Support {
    For,
    Against,
    /// The content itself comes again there, and what seems to come from elsewhere may be right.
    None,
}

/// One reading on the way through its damaged transactions.
pub(super) struct Seen<'a> {
    pub(super) mine: &'a [u8],
    pub(super) own: usize,
    pub(super) list: &'a [Transaction],
    pub(super) windows: Vec<Window<'a>>,
    unaffected: Option<bool>,
}

impl Seen<'_> {
    /// Returns how far up from `from` the shape would change nothing that is there.
    pub(super) fn edge_up(&self, unit: &Unit<'_>, from: usize, fits: impl Fn(usize) -> bool) -> Edge {
        let end = unit.bounds.end.min(from + WALK);
        let stop = (from..end).find(|at| !fits(*at)).unwrap_or(end);
        Edge { aligned: stop == unit.bounds.end, slack: stop - from }
    }

    pub(super) fn edge_down(&self, unit: &Unit<'_>, from: usize, fits: impl Fn(usize) -> bool) -> Edge {
        let start = unit.bounds.start.max(from.saturating_sub(WALK));
        let stop = (start..from).rev().find(|at| !fits(*at)).map_or(start, |at| at + 1);
        Edge { aligned: stop == unit.bounds.start, slack: from - stop }
    }

    /// Looks at the delays of one transaction: what they are worth follows from their steps and from the first one's start.
    fn delays(&mut self, unit: &Unit<'_>, events: &mut Vec<Event>) {
        let delays = unit.stretches.iter().enumerate().filter_map(|(at, one)| match one.shape {
            Shape::Delay(delay) => Some((at, one, delay)),
            _ => None,
        });
        let delays: Vec<_> = delays.collect();
        let Some((at, first, delay)) = delays.first().copied() else { return };
        let mine = self.mine;
        let other = unit.reference;
        let level_before = at.checked_sub(1).map(|at| &unit.stretches[at]);
        let pause = level_before.filter(|one| matches!(one.shape, Shape::Level(_)));
        let fits = |at: usize| mine[at] == other[at] && delayed(other, at, delay).is_none_or(|byte| byte == mine[at]);
        let start = self.edge_down(unit, first.range.start, fits);
        let steady = delays.iter().all(|(_, _, other)| *other == delay) && pause.is_none();
        let len = unit.bounds.len();
        let mut steps = vec![delay];
        steps.extend(delays.windows(2).map(|pair| pair[1].2 - pair[0].2).filter(|step| *step != 0));
        let single = steps.iter().filter(|step| step.abs() == 1).count() as f64 / steps.len() as f64;
        let mut weights = Weights::none();
        let slipped = start.anywhere(len);
        // The first byte of a transaction cannot be checked: its bits come from before it.
        let at_start = start.aligned || first.range.start <= unit.bounds.start + 1;
        let constant =
            if at_start && steady && delay.abs() < 8 { self.weight_of_constant(unit, delay) } else { 1e-3 * slipped };
        let last = delays[delays.len() - 1];
        let late = |at: usize| mine[at] == other[at] && delayed(other, at, last.2).is_none_or(|byte| byte == mine[at]);
        let end = self.edge_up(unit, last.1.range.end, late);
        let last = last.1;
        // Once late, data stays late until chip select rises.
        let ended = end.at_transaction(len);
        let slips = if single > 0.6 {
            0.95
        } else if delay.abs() < 8 {
            0.1
        } else {
            0.01
        };
        let paused = if single > 0.6 { 0.04 } else { 0.6 } * if pause.is_some() { 2.0 } else { 1.0 };
        weights.set(Fault::ConstantShift, constant * ended);
        weights.set(Fault::ClockSlip, slipped * slips * ended);
        weights.set(Fault::HoldFloating, slipped * paused * ended);
        weights.set(Fault::LateSampling, if delay.abs() == 1 { 0.01 * slipped * ended } else { 0.0 });
        let address = if delay % 8 == 0 && at_start { 0.5 } else { 1e-4 * slipped };
        weights.set(Fault::AddressError, address * ended);
        // What looks late for a while may be chance, in content that comes again and again.
        let chance = slipped * end.anywhere(len);
        weights.set(Fault::BusContention, 0.01 * chance);
        weights.set(Fault::WeakDataOut, 0.01 * chance);
        weights.set(Fault::OpenDataOut, 0.01 * chance);
        let begin = pause.map_or(first.range.start, |pause| pause.range.start);
        events.push(Event {
            reading: self.own,
            ranges: std::iter::once(begin..last.range.end).collect(),
            weights: weights.shares(),
            starts: (!at_start).then_some((unit.index, begin - unit.bounds.start)),
            plain: true,
            count: by_length(&(begin..last.range.end)),
        });
    }

    /// A constant shift leaves no transaction out; one that stands right although a shift would show speaks against it.
    fn weight_of_constant(&mut self, unit: &Unit<'_>, delay: i64) -> f64 {
        let unaffected = *self.unaffected.get_or_insert_with(|| {
            let other = unit.reference;
            let mine = self.mine;
            let step = (self.list.len() / 64).max(1);
            self.list.iter().step_by(step).any(|one| {
                let bounds = one.at as usize..(one.at + one.len) as usize;
                // Thirty-two bytes that would look otherwise are enough to say that a transaction is not shifted.
                let telling = |at: &usize| delayed(mine, *at, delay).is_some_and(|byte| byte != mine[*at]);
                mine[bounds.clone()] == other[bounds.clone()] && bounds.filter(telling).take(32).count() == 32
            })
        });
        if unaffected { 0.003 } else { 1.0 }
    }

    /// Returns how the rest of a transaction bears out that `range` comes from another address.
    ///
    /// A command that went elsewhere brings nothing but what is there; bytes that are right, and not there as well, were
    /// read where they belong. Content that comes again and again has every damaged place somewhere else intact.
    fn came_from_there(&self, unit: &Unit<'_>, shape: Shape, range: &Range<usize>) -> Support {
        let from_there = |at: usize| -> bool {
            match shape {
                Shape::Elsewhere(line) => {
                    let weight = 1_usize << line;
                    let by_command = (unit.bounds.start ^ weight) + (at - unit.bounds.start);
                    [by_command, at ^ weight].iter().any(|from| unit.reference.get(*from) == Some(&self.mine[at]))
                }
                Shape::Folded => {
                    let size = self.mine.len();
                    let mut reaches = (1..=3).map(|by| size >> by).filter(|reach| range.start >= *reach);
                    reaches.any(|reach| unit.reference[at % reach] == self.mine[at])
                }
                _ => false,
            }
        };
        let (mut kept, mut again, mut equal) = (0, 0, 0);
        for at in unit.bounds.clone().filter(|at| self.mine[*at] == unit.reference[*at]) {
            equal += 1;
            match from_there(at) {
                false => kept += 1,
                true => again += usize::from(!matches!(self.mine[at], 0x00 | 0xFF)),
            }
        }
        let differing = unit.bounds.len() - equal;
        match kept >= 4 && kept * 16 > equal {
            true => Support::Against,
            false if again * 2 > differing => Support::None,
            false => Support::For,
        }
    }

    /// Data from another address, and stretches that nothing explains.
    fn others(&self, unit: &Unit<'_>, events: &mut Vec<Event>) {
        let len = unit.bounds.len();
        let bytes = |wanted: fn(Shape) -> bool| -> usize {
            unit.stretches.iter().filter(|one| wanted(one.shape)).map(|one| one.bytes).sum()
        };
        let garbage = bytes(|shape| shape == Shape::Garbage);
        // Where one shape goes over into another there are always some bytes that fit neither.
        let counts = garbage >= 16 && garbage >= 2 * bytes(is_plain);
        // All that fits nothing is one event: it has one beginning and one end.
        let pieces = unit.stretches.iter().filter(|one| matches!(one.shape, Shape::Garbage | Shape::Bits));
        let pieces: Vec<Range<usize>> = pieces.map(|one| one.range.clone()).collect();
        let loose = pieces.first().zip(pieces.last()).map(|(first, last)| first.start..last.end).filter(|_| counts);
        let event = |shape: Shape, range: &Range<usize>, weights: Weights, start: Edge, plain: bool| Event {
            reading: self.own,
            ranges: if shape == Shape::Garbage { pieces.clone() } else { vec![range.clone()] },
            weights: weights.shares(),
            starts: (!start.aligned).then_some((unit.index, range.start - unit.bounds.start)),
            plain,
            count: if plain { by_length(range) } else { 0.5 },
        };
        let from_elsewhere =
            unit.stretches.iter().filter(|one| matches!(one.shape, Shape::Elsewhere(_) | Shape::Folded));
        let places = from_elsewhere.map(|one| (one.shape, one.range.clone()));
        for (shape, range) in places.chain(loose.map(|range| (Shape::Garbage, range))) {
            let range = &range;
            let equal = |at: usize| self.mine[at] == unit.reference[at];
            // By chance a byte in 256 is right all the same, and blank stretches are alike everywhere.
            let start = self.edge_down(unit, range.start, |at| equal(at) && range.start - at <= 64);
            let end = self.edge_up(unit, range.end, |at| equal(at) && at - range.end < 64);
            let support = self.came_from_there(unit, shape, range);
            let mut weights = Weights::none();
            match shape {
                Shape::Elsewhere(_) if support == Support::For => {
                    weights.set(Fault::AddressError, 0.9);
                    weights.set(Fault::ClockSlip, 0.03);
                    events.push(event(shape, range, weights, Edge { aligned: true, slack: 0 }, true));
                }
                Shape::Folded if support == Support::For => {
                    // Whether more than one transaction is folded is looked at by the caller.
                    weights.set(Fault::AddressError, 0.6);
                    weights.set(Fault::SupplySag, 0.15);
                    weights.set(Fault::SizeAlias, 0.2);
                    events.push(event(shape, range, weights, Edge { aligned: true, slack: 0 }, true));
                }
                Shape::Elsewhere(_) | Shape::Folded if support == Support::None => {
                    weights.set(Fault::AddressError, 0.4);
                    for fault in [Fault::BusContention, Fault::OpenDataOut, Fault::WeakDataOut] {
                        weights.set(fault, 0.2);
                    }
                    let weak = Event { count: 0.1, ..event(shape, range, weights, start, false) };
                    events.push(weak);
                }
                _ => {
                    let (start_any, end_any) = (start.anywhere(len), end.anywhere(len));
                    let (start_own, end_own) = (start.at_transaction(len), end.at_transaction(len));
                    weights.set(Fault::AddressError, 0.4 * start_own * end_own);
                    weights.set(Fault::ClockSlip, 0.3 * (start_any + 0.8 * start_own) * end_own);
                    weights.set(Fault::HoldFloating, 0.2 * start_any * end_own);
                    weights.set(Fault::SelectBounce, 0.05 * start_any * end_own);
                    weights.set(Fault::BusContention, 0.4 * start_any * end_any);
                    weights.set(Fault::OpenDataOut, 0.3 * start_any * end_any);
                    weights.set(Fault::WeakDataOut, 0.02 * start_any * end_any);
                    weights.set(Fault::Noise, 0.02 * start_any * end_any);
                    weights.set(Fault::LateSampling, 0.02 * start_any * end_any);
                    events.push(event(shape, range, weights, start, false));
                }
            }
        }
    }
}
