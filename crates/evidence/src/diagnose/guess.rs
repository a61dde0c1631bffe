//! The transactions that bare files were probably read in.
//!
//! Damage that ends with its transaction ends at an address that the transactions have in common. So the boundaries of
//! plainly damaged stretches are held against each power of two from 256 bytes to 64 KiB, and the one that explains them
//! best is taken, read upwards. The decision a reader would question: without any such boundary 64 KiB is taken, a common
//! size of one read command (common practice, no source); nothing then rests on it.

use std::ops::Range;

use super::shape::Shape;
use super::units::explain;
use crate::pass::Order;
use crate::reading::{Conditions, Transaction, Transactions};

/// The size taken when nothing shows it.
const USUAL: u32 = 1 << 16;
const SMALLEST: u32 = 1 << 8;
/// Pieces with differences looked at in each reading, and their size.
const PLACES: usize = 32;
const PIECE: usize = 1 << 15;

/// Returns the chunk size that explains where damage ends, and the transactions it makes, ascending.
///
/// `voted` is what most of three or more readings say.
pub(crate) fn transactions(
    contents: &[&[u8]],
    voted: Option<&[u8]>,
    disputed: &[Range<u32>],
) -> (u32, Vec<Transaction>) {
    let size = contents[0].len() as u32;
    let mut boundaries = Vec::new();
    for own in 0..contents.len() {
        gather(contents, voted, own, disputed, &mut boundaries);
    }
    let sizes = (SMALLEST.trailing_zeros()..=USUAL.trailing_zeros()).map(|bit| 1_u32 << bit);
    let best = sizes.map(|chunk| (worth(&boundaries, chunk), chunk)).max_by(|a, b| a.0.total_cmp(&b.0));
    let chunk = best.filter(|(worth, _)| *worth > 3.0).map_or(USUAL, |(_, chunk)| chunk);
    let transactions = Transactions::Chunks { opcode: 0x03, chunk, order: Order::Ascending };
    let conditions = Conditions { clock_hz: 0, address_bytes: 3, transactions };
    (chunk, conditions.list(size))
}

/// Collects the ranges in which plain stretches may end, or begin if data comes from elsewhere.
fn gather(
    contents: &[&[u8]],
    voted: Option<&[u8]>,
    own: usize,
    disputed: &[Range<u32>],
    boundaries: &mut Vec<Range<usize>>,
) {
    let mine = contents[own];
    let pieces: Vec<(Range<usize>, bool)> = disputed
        .iter()
        .flat_map(|range| {
            let end = range.end as usize;
            (range.start as usize..end)
                .step_by(PIECE)
                .map(move |from| (from..end.min(from + PIECE), from + PIECE < end))
        })
        .filter(|(piece, _)| voted.is_none_or(|voted| voted[piece.clone()] != mine[piece.clone()]))
        .collect();
    let step = pieces.len().div_ceil(PLACES).max(1);
    for (place, cut) in pieces.into_iter().step_by(step) {
        let Some((other, found)) = explain(contents, voted, own, &place) else { continue };
        for (at, stretch) in found.iter().enumerate() {
            // The same shape goes on after a gap; its end is no boundary.
            // Where a run of differences was cut nothing has to end.
            let ends = (!cut || stretch.range.end < place.end)
                && found.get(at + 1).is_none_or(|next| next.range.start - stretch.range.end > 512);
            let equal = |at: &usize| mine[*at] == other[*at];
            let up = stretch.range.end + (stretch.range.end..mine.len()).take(1 << 16).take_while(equal).count();
            let down = stretch.range.start - (0..stretch.range.start).rev().take(1 << 16).take_while(equal).count();
            match stretch.shape {
                Shape::Level(level) => {
                    let rests = (stretch.range.end..up).take_while(|at| mine[*at] == level).count();
                    boundaries.extend(ends.then_some(stretch.range.end..stretch.range.end + rests + 1));
                }
                Shape::Delay(_) => {
                    let blank = |at: &usize| matches!(mine[*at], 0x00 | 0xFF);
                    let rests = (stretch.range.end..up).take_while(blank).count();
                    boundaries.extend(ends.then_some(stretch.range.end..stretch.range.end + rests + 1));
                }
                Shape::Elsewhere(_) | Shape::Folded => {
                    boundaries.push(down.max(stretch.range.start.saturating_sub(64))..stretch.range.start + 1);
                    boundaries.push(stretch.range.end..up.min(stretch.range.end + 64) + 1);
                }
                Shape::Garbage | Shape::Echo | Shape::Bits => {}
            }
        }
    }
    boundaries.retain(|range| !range.contains(&mine.len()) && !range.contains(&0));
}

/// Returns how much better than chance boundaries at multiples of `chunk` explain what was found.
///
/// Shapes also go over into each other where content does, so a part of the boundaries may be no transaction's.
fn worth(boundaries: &[Range<usize>], chunk: u32) -> f64 {
    let chunk = chunk as usize;
    let one = |range: &Range<usize>, part: f64| {
        let chance = (range.len() as f64 / chunk as f64).min(1.0);
        let holds = (range.end - 1) / chunk * chunk >= range.start;
        if holds { (part + (1.0 - part) * chance).ln() - chance.ln() } else { (1.0 - part).ln() }
    };
    let with = |part: f64| boundaries.iter().map(|range| one(range, part)).sum::<f64>();
    [0.9, 0.6, 0.3, 0.1].into_iter().map(with).fold(f64::NEG_INFINITY, f64::max)
}
