//! Checks inside the content as witnesses: how they vote where reads differ (rule 5). How much they confirm of one content is
//! [`image::explain::proof_of`].
//!
//! The sums are found by the room `image`, the vote is the room `evidence`'s. A sum that holds in one read and fails in another
//! decides for the one; a majority is counted and never taken unasked.

use std::ops::Range;

use evidence::{Check, Settlement, settle};
use image::explain::stored_sums;
use serde::Serialize;

/// How many of the sectors in which reads differ could be settled, and by what.
#[derive(Debug, Clone, Copy, Serialize)]
pub struct VotesReport {
    /// Differing sectors that checks inside the content settle.
    pub by_proof: u32,
    /// Differing sectors that a majority of three or more reads settles.
    pub by_majority: u32,
    /// Differing sectors that nothing settles.
    pub open: u32,
}

impl VotesReport {
    pub(crate) fn of(settlement: &Settlement) -> Self {
        Self { by_proof: settlement.by_proof, by_majority: settlement.by_majority, open: settlement.open }
    }
}

/// What `contents` come to, which differ in the `disputed` sectors; none when they cannot be compared.
pub(crate) fn settled(contents: &[&[u8]], disputed: &[Range<u32>]) -> Option<Settlement> {
    // Each content is walked on its own.
    let checks = on_two_cores(contents, |content| sums(content, disputed));
    settle(contents, &checks)
}

/// The sums that cover a disputed place; `disputed` ascends.
pub(crate) fn sums(content: &[u8], disputed: &[Range<u32>]) -> Vec<Check> {
    let covers = |range: &Range<u32>| {
        let next = disputed.partition_point(|other| other.end <= range.start);
        disputed.get(next).is_some_and(|other| other.start < range.end)
    };
    let check = |sum: image::explain::Check| {
        let (start, end) = (u32::try_from(sum.at).ok()?, u32::try_from(sum.at + sum.len).ok()?);
        Some(Check { range: start..end, ok: sum.ok? }).filter(|check| covers(&check.range))
    };
    stored_sums(content).into_iter().filter_map(check).collect()
}

/// What `work` returns for each item, in their order; two cores share the items.
pub(crate) fn on_two_cores<T: Sync, R: Send>(items: &[T], work: impl Fn(&T) -> R + Sync) -> Vec<R> {
    let (lower, upper) = items.split_at(items.len() / 2);
    std::thread::scope(|scope| {
        let lower = scope.spawn(|| lower.iter().map(&work).collect::<Vec<R>>());
        let upper: Vec<R> = upper.iter().map(&work).collect();
        let mut all = lower.join().expect("what is shared here does not panic");
        all.extend(upper);
        all
    })
}
