//! A data line at rest, perhaps across transactions: which fault lets it rest so.
//!
//! In: the resting stretches of one transaction after another, in order of time. Out: windows, each as long as the line
//! rested, and how well each fault would have left them. Blank content and readings that rest together hide where a window
//! begins or ends; it is followed as far as it may go, and its boundary then counts as one that could be anywhere there.

use std::ops::Range;

use super::fault::{Fault, Weights};
use super::shape::Shape;
use super::units::{Edge, Event, Seen, Unit, WALK};
use crate::reading::Transaction;

/// A line that rests, perhaps across transactions.
pub(super) struct Window<'a> {
    level: u8,
    reference: &'a [u8],
    first: usize,
    last: usize,
    starts: usize,
    start: Edge,
    end: Edge,
    ranges: Vec<Range<usize>>,
    bytes: usize,
    /// The chance that its transactions were at rest one by one and only look like one window.
    apart: f64,
    /// Whether it was followed into transactions that do not show it by themselves.
    followed: bool,
}

impl<'a> Seen<'a> {
    /// Gathers resting lines; those that a delay follows belong to a pause and are left to `delays`.
    pub(super) fn levels(&mut self, unit: &Unit<'a>) {
        let mut begun: Option<usize> = None;
        for (at, stretch) in unit.stretches.iter().enumerate() {
            let Shape::Level(level) = stretch.shape else { continue };
            let follows = unit.stretches.get(at + 1).map(|next| next.shape);
            if matches!(follows, Some(Shape::Delay(_))) {
                continue;
            }
            let mine = self.mine;
            let other = unit.reference;
            let rests = |at: usize| mine[at] == level && other[at] == level;
            let start = self.edge_down(unit, stretch.range.start, rests);
            let end = self.edge_up(unit, stretch.range.end, rests);
            // Blank content between two stretches hides that they are one.
            if let Some(window) = begun.and_then(|index| self.windows.get_mut(index))
                && window.level == level
                && window.ranges.last().is_some_and(|last| last.end + window.end.slack >= stretch.range.start)
            {
                window.end = end;
                window.bytes += stretch.bytes;
                window.ranges.push(stretch.range.clone());
                continue;
            }
            let joins = start.aligned
                && self.windows.last().is_some_and(|last| {
                    last.level == level && last.end.aligned && last.last < unit.index && {
                        let between = &self.list[last.last + 1..unit.index];
                        between.iter().all(|one| self.all_at(one, level))
                    }
                });
            if joins {
                let window = self.windows.last_mut().expect("it was looked at");
                window.last = unit.index;
                window.end = end;
                window.apart *= 0.2 * start.anywhere(unit.bounds.len());
                window.bytes += stretch.bytes;
                window.ranges.push(stretch.range.clone());
            } else {
                self.windows.push(Window {
                    level,
                    reference: unit.reference,
                    first: unit.index,
                    last: unit.index,
                    starts: stretch.range.start - unit.bounds.start,
                    start,
                    end,
                    ranges: vec![stretch.range.clone()],
                    bytes: stretch.bytes,
                    apart: 1.0,
                    followed: false,
                });
            }
            begun = Some(self.windows.len() - 1);
        }
    }

    fn all_at(&self, one: &Transaction, level: u8) -> bool {
        self.mine[one.at as usize..(one.at + one.len) as usize].iter().all(|byte| *byte == level)
    }

    /// Returns the windows, each as long as the reading rests, also where the reference happens to rest with it.
    pub(super) fn whole_windows(&mut self) -> Vec<Window<'a>> {
        let mut whole: Vec<Window<'a>> = Vec::new();
        for mut window in std::mem::take(&mut self.windows) {
            let level = window.level;
            match whole.last_mut() {
                Some(before)
                    if before.level == level
                        && before.followed
                        && (window.first < before.last
                            || window.first == before.last && (before.end.aligned || window.start.aligned)) =>
                {
                    // The one before was followed across this transaction; only a later end is news.
                    if window.last >= before.last {
                        (before.last, before.end) = (window.last, window.end);
                        self.follow(before, true);
                    }
                    before.bytes += window.bytes;
                    before.ranges.extend(window.ranges);
                }
                _ => {
                    self.follow(&mut window, false);
                    self.follow(&mut window, true);
                    whole.push(window);
                }
            }
        }
        whole
    }

    /// Moves an edge that coincides with a transaction's into the neighbouring ones, as far as they rest.
    fn follow(&self, window: &mut Window<'a>, forward: bool) {
        const MOST: usize = 4096;
        if !if forward { window.end.aligned } else { window.start.aligned } {
            return;
        }
        let (level, reference) = (window.level, window.reference);
        let mut slack = if forward { window.end.slack } else { window.start.slack };
        let mut at = if forward { window.last } else { window.first };
        for _ in 0..MOST {
            let next = if forward { Some(at + 1) } else { at.checked_sub(1) };
            let Some((next, one)) = next.and_then(|next| Some((next, self.list.get(next)?))) else { break };
            at = next;
            let bounds = one.at as usize..(one.at + one.len) as usize;
            let rests = |at: &usize| self.mine[*at] == level;
            let tells = |at: &usize| reference[*at] != level;
            let places: Vec<usize> = match forward {
                true => bounds.clone().take_while(rests).collect(),
                false => bounds.clone().rev().take_while(rests).collect(),
            };
            let after_last = places.iter().rev().take_while(|at| !tells(at)).count();
            let told = after_last < places.len();
            let whole = places.len() == bounds.len();
            slack = if told { after_last } else { slack + after_last };
            if told {
                let edge = Edge { aligned: whole, slack };
                match forward {
                    true => (window.last, window.end, window.followed) = (next, edge, true),
                    false => (window.first, window.start) = (next, edge),
                }
            }
            if !whole || slack > WALK {
                break;
            }
        }
        // Blank transactions in between hide how far it goes.
        if forward {
            window.end.slack = window.end.slack.max(slack);
        } else {
            window.start.slack = window.start.slack.max(slack);
        }
    }

    pub(super) fn window(&self, window: Window<'_>) -> Event {
        let len = self.list[window.first].len as usize;
        let several = window.last > window.first;
        let all = self.list.len();
        let never_ends = window.end.aligned && window.last + 1 == all;
        let from_first = window.start.aligned && window.first == 0;
        let (start, end) = (window.start, window.end);
        let (start_any, end_any) = (start.anywhere(len), end.anywhere(len));
        let (start_own, end_own) = (start.at_transaction(len), end.at_transaction(len));
        let short = window.bytes < 256;
        let hung = if never_ends { 0.3 } else { 0.0_f64 };
        let from = if from_first { 0.3 } else { start_any };
        let mut weights = Weights::none();
        weights.set(Fault::OpenDataOut, from * if short { 0.25 } else { 0.5 } * end_any.max(hung));
        weights.set(
            Fault::SupplySag,
            start_any * if several { 0.6 } else { 0.12 } * if never_ends { 0.2 } else { end_own },
        );
        let last_of_all = if never_ends { 1.0 / all as f64 } else { 1.0 };
        weights.set(
            Fault::SelectBounce,
            if several { 0.9 * window.apart } else { 0.9 } * start_any * end_own * last_of_all,
        );
        let whole = start_own * end_own * 0.3 * 0.2_f64.powi((window.last - window.first) as i32);
        weights.set(Fault::AddressError, whole);
        weights.set(Fault::ClockSlip, whole * 0.2);
        let inside = if several { 0.02 } else { 1.0 } * start_any * end_any;
        weights.set(Fault::BusContention, inside * if window.bytes * 4 < len { 0.15 } else { 0.02 });
        weights.set(Fault::WeakDataOut, inside * if short { 0.15 } else { 0.02 });
        weights.set(Fault::HoldFloating, inside * 0.03);
        if end.aligned {
            // A pause at the end of a transaction shows no delay after it.
            weights.add(Fault::HoldFloating, start_any * if several { 0.001 } else { 0.02 });
        }
        let starts = (!start.aligned).then_some((window.first, window.starts));
        let count = (window.bytes as f64 / 64.0).clamp(0.3, 1.0);
        Event { reading: self.own, ranges: window.ranges, weights: weights.shares(), starts, plain: true, count }
    }
}
