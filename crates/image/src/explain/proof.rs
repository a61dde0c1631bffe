//! How much of an image its own sums confirm.
//!
//! Counted are stored bytes, each once, however many sums lie over it. A sum inside decompressed content confirms that content and no
//! stored byte, so it counts as a check and covers nothing. "Decoded" is the middle ground: compressed bytes that gave the
//! content they promised, whole; a flipped bit there may still give a wrong content of the right length.

use std::ops::Range;

use super::{Kind, Node, Proof};

/// Returns the proof for an image of `bytes` bytes.
pub(super) fn of(structures: &[Node], bytes: u64) -> Proof {
    let mut proof = Proof { bytes, ..Proof::default() };
    let (mut blank, mut covered, mut decoded) = (Vec::new(), Vec::new(), Vec::new());
    let mut stack: Vec<&Node> = structures.iter().collect();
    while let Some(node) = stack.pop() {
        stack.extend(&node.children);
        for check in &node.checks {
            match check.ok {
                Some(true) => proof.checks_ok += 1,
                Some(false) => proof.checks_failed += 1,
                None => {}
            }
        }
        if node.ground != 0 {
            continue;
        }
        covered.extend(
            node.checks.iter().filter(|check| check.sum && check.ok == Some(true)).map(|it| it.at..it.at + it.len),
        );
        if node.is_decoded() {
            decoded.push(node.at + node.lead..node.at + node.size);
        }
        if node.kind == Kind::Blank || (node.kind == Kind::Free && node.state == Some("erased")) {
            blank.push(node.range());
        }
    }
    proof.blank = total(blank);
    proof.covered = total(covered);
    proof.decoded = total(decoded);
    proof
}

/// Returns how many bytes lie in at least one of the ranges.
fn total(mut ranges: Vec<Range<u64>>) -> u64 {
    ranges.sort_unstable_by_key(|range| range.start);
    let (mut end, mut total) = (0, 0);
    for range in ranges {
        total += range.end.saturating_sub(range.start.max(end));
        end = end.max(range.end);
    }
    total
}
