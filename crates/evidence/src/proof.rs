//! Checks inside the content as witnesses between readings that differ.
//!
//! In: readings, and for each of them the checks that whoever explains content found in it: a range, and whether the sum over
//! it holds. Out: a content put together from them, with counts of what rests on proof, on a vote, and on nothing. A check
//! that holds in one reading and not in another decides for the one, in the bytes it covers. One that fails in every reading
//! is how the content is, and speaks neither for nor against any.
//!
//! What a caller must know: the result is an offer. It is never accepted unasked, since a sum proves its range and
//! nothing beside it, and a vote among reads through one bad contact elects the contact's error.
//!
//! The decision a reader would question: a check that a reading does not have at all counts as failed there, because damage in
//! a header hides the structure together with its sum. Readings whose sums both hold over different bytes leave the
//! place open; short sums allow that by chance.

use std::ops::Range;

use crate::compare::compare;
use crate::differences::consensus;
use crate::pass::{PassContent, SECTOR};
use crate::reason::Reason;

/// A check inside a content.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Check {
    /// The bytes that it covers.
    pub range: Range<u32>,
    /// Whether it holds.
    pub ok: bool,
}

/// A content put together from readings that differ, and what each sector rests on.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Settlement {
    /// The content.
    pub content: Vec<u8>,
    /// Readings that had a say.
    pub readings: usize,
    /// Differing sectors of 4 KiB whose differing bytes all lie under checks that decide.
    pub by_proof: u32,
    /// Differing sectors that a majority of three or more readings settled, at least in part.
    pub by_majority: u32,
    /// Differing sectors in which a byte has neither proof nor majority; they hold the first reading's bytes.
    pub open: u32,
    /// The open sectors as byte ranges, ascending, neighbours joined.
    pub open_ranges: Vec<Range<u32>>,
    /// Ranges whose check fails in every reading.
    pub fails_everywhere: Vec<Range<u32>>,
}

impl Settlement {
    /// Returns what a judgement's list of reasons gains by it: notes, never a refusal.
    pub fn reasons(&self) -> Vec<Reason> {
        let mut reasons = Vec::new();
        let left = self.by_majority + self.open;
        if self.by_proof + left > 0 {
            reasons.push(Reason::ProofDecides { sectors: self.by_proof, left });
        }
        if !self.fails_everywhere.is_empty() {
            reasons.push(Reason::FailsInEveryPass { checks: self.fails_everywhere.len() });
        }
        reasons
    }
}

/// Returns what `contents` come to when checks have the first word and a majority the second.
///
/// `checks` has one list for each content; a missing list is one without checks, and ranges that end past the content are
/// ignored. `None` when there are no contents or their lengths differ.
pub fn settle(contents: &[&[u8]], checks: &[Vec<Check>]) -> Option<Settlement> {
    let first = *contents.first()?;
    let size = u32::try_from(first.len()).ok()?;
    let compared: Vec<PassContent<'_>> = contents.iter().map(|content| PassContent::Bytes(content)).collect();
    let differing = compare(&compared, size)?.differing;
    let verdicts = verdicts(contents, checks);
    let mut found = Settlement {
        content: first.to_vec(),
        readings: contents.len(),
        by_proof: 0,
        by_majority: 0,
        open: 0,
        open_ranges: Vec::new(),
        fails_everywhere: verdicts.iter().filter(|one| one.holds.is_empty()).map(|one| one.range.clone()).collect(),
    };
    let sectors = differing.iter().flat_map(|range| range.clone().step_by(SECTOR));
    for from in sectors {
        found.settle_sector(contents, &verdicts, from as usize);
    }
    Some(found)
}

/// What all readings say of one range.
struct RangeVerdict {
    range: Range<u32>,
    /// Readings in which its check holds.
    holds: Vec<usize>,
    /// Whether it decides: it holds somewhere, and all bytes that it holds over are the same.
    decides: bool,
}

fn verdicts(contents: &[&[u8]], checks: &[Vec<Check>]) -> Vec<RangeVerdict> {
    let size = contents[0].len();
    let lists = &checks[..checks.len().min(contents.len())];
    let mut ranges: Vec<Range<u32>> =
        lists.iter().flatten().map(|check| check.range.clone()).filter(|range| range.end as usize <= size).collect();
    ranges.retain(|range| range.start < range.end);
    ranges.sort_by_key(|range| (range.start, range.end));
    ranges.dedup();
    let verdict = |range: Range<u32>| {
        let held = |list: &Vec<Check>| {
            let mut own = list.iter().filter(|check| check.range == range).peekable();
            own.peek().is_some() && own.all(|check| check.ok)
        };
        let holds: Vec<usize> = (0..lists.len()).filter(|index| held(&lists[*index])).collect();
        let bytes = range.start as usize..range.end as usize;
        let same = holds.iter().all(|index| contents[*index][bytes.clone()] == contents[holds[0]][bytes.clone()]);
        RangeVerdict { range, decides: !holds.is_empty() && same, holds }
    };
    ranges.into_iter().map(verdict).collect()
}

impl Settlement {
    fn settle_sector(&mut self, contents: &[&[u8]], verdicts: &[RangeVerdict], from: usize) {
        let to = contents[0].len().min(from + SECTOR);
        let mut proven = vec![false; to - from];
        for one in verdicts.iter().filter(|one| one.decides) {
            let covered = from.max(one.range.start as usize)..to.min(one.range.end as usize);
            for at in covered {
                // The narrower of two sums that cover a byte came later or equals the wider one; the first keeps the word.
                if !std::mem::replace(&mut proven[at - from], true) {
                    self.content[at] = contents[one.holds[0]][at];
                }
            }
        }
        let differs = |at: usize| contents.iter().any(|content| content[at] != contents[0][at]);
        let left: Vec<usize> = (from..to).filter(|at| !proven[at - from] && differs(*at)).collect();
        if left.is_empty() {
            self.by_proof += 1;
            return;
        }
        let voted = consensus(contents, from / SECTOR);
        let mut tied = contents.len() < 3;
        for at in left {
            // With an even number a bit may have as many for as against.
            let ties = (0..8)
                .any(|bit| contents.iter().filter(|content| content[at] >> bit & 1 == 1).count() * 2 == contents.len());
            tied |= ties;
            if !ties {
                self.content[at] = voted[at - from];
            }
        }
        if !tied {
            self.by_majority += 1;
            return;
        }
        self.open += 1;
        let (from, to) = (from as u32, to as u32);
        match self.open_ranges.last_mut() {
            Some(last) if last.end == from => last.end = to,
            _ => self.open_ranges.push(from..to),
        }
    }
}

#[cfg(test)]
#[expect(clippy::single_range_in_vec_init, reason = "a list of one range is what is meant")]
mod tests {
    use super::*;
    use crate::testing::{Draw, firmware, for_seeds};

    fn sums(truth: &[u8], content: &[u8], ranges: &[Range<u32>]) -> Vec<Check> {
        let same = |range: &Range<u32>| {
            let bytes = range.start as usize..range.end as usize;
            truth[bytes.clone()] == content[bytes]
        };
        ranges.iter().map(|range| Check { range: range.clone(), ok: same(range) }).collect()
    }

    /// Damage in different sums of two readings: proof alone gives the truth back, which no vote of two could.
    #[test]
    fn rule_5_a_check_that_holds_decides_for_its_reading() {
        for_seeds("rule_5_a_check_that_holds_decides_for_its_reading", 20, |seed| {
            let mut draw = Draw::new(seed);
            let truth = firmware(seed, 64 << 10);
            let ranges: Vec<Range<u32>> = (0..16).map(|n| n * 4096 + 100..(n + 1) * 4096 - 50).collect();
            let mut readings = [truth.clone(), truth.clone()];
            let mut sectors = std::collections::BTreeSet::new();
            for n in 0..16_usize {
                if draw.below(2) == 0 {
                    readings[draw.below(2) as usize][n * 4096 + 200 + draw.below(3000) as usize] ^= 4;
                    sectors.insert(n);
                }
            }
            let checks: Vec<Vec<Check>> = readings.iter().map(|reading| sums(&truth, reading, &ranges)).collect();
            let found = settle(&[&readings[0], &readings[1]], &checks).unwrap();
            assert_eq!(found.content, truth);
            assert_eq!((found.by_proof as usize, found.by_majority, found.open), (sectors.len(), 0, 0));
            assert!(found.fails_everywhere.is_empty());
        });
    }

    #[test]
    fn rule_5_a_check_that_fails_everywhere_is_a_finding_and_decides_nothing() {
        let truth = firmware(1, 16 << 10);
        let mut other = truth.clone();
        other[5000] ^= 1;
        let failing = vec![Check { range: 4096..8192, ok: false }];
        let found = settle(&[&truth, &other], &[failing.clone(), failing]).unwrap();
        assert_eq!((found.by_proof, found.by_majority, found.open), (0, 0, 1));
        assert_eq!(
            (found.open_ranges.as_slice(), found.fails_everywhere.as_slice()),
            (&[4096..8192][..], &[4096..8192][..])
        );
        assert_eq!(
            found.reasons(),
            [Reason::ProofDecides { sectors: 0, left: 1 }, Reason::FailsInEveryPass { checks: 1 }]
        );
        let severe = |reason: &Reason| reason.severity() == crate::Severity::Refuses;
        assert!(!found.reasons().iter().any(severe));
    }

    #[test]
    fn what_no_check_covers_is_voted_on_by_three_and_left_open_by_two() {
        let truth = firmware(2, 16 << 10);
        let mut bad = truth.clone();
        bad[9000] ^= 0x80;
        let found = settle(&[&bad, &truth, &truth], &[]).unwrap();
        assert_eq!((found.content == truth, found.by_majority, found.open), (true, 1, 0));
        let found = settle(&[&bad, &truth], &[]).unwrap();
        assert_eq!((found.content == bad, found.open), (true, 1));
        // A check beside the damage proves nothing of it.
        let beside = vec![Check { range: 8192..9000, ok: true }];
        assert_eq!(settle(&[&bad, &truth], &[beside.clone(), beside]).unwrap().open, 1);
    }

    #[test]
    fn a_missing_check_counts_as_failed_and_two_that_hold_over_different_bytes_decide_nothing() {
        let truth = firmware(3, 8192);
        let mut bad = truth.clone();
        bad[10] ^= 2;
        let holds = vec![Check { range: 0..4096, ok: true }];
        let found = settle(&[&bad, &truth], &[vec![], holds.clone()]).unwrap();
        assert_eq!((found.content == truth, found.by_proof), (true, 1));
        assert_eq!(settle(&[&bad, &truth], &[holds.clone(), holds]).unwrap().open, 1);
    }

    #[test]
    fn odd_input_is_harmless() {
        assert_eq!(settle(&[], &[]), None);
        assert_eq!(settle(&[&[1], &[1, 2]], &[]), None);
        let past = vec![Check { range: 0..9, ok: true }, Check { range: 1..1, ok: true }];
        assert_eq!(settle(&[&[1], &[2]], &[past]).unwrap().open, 1);
    }
}
