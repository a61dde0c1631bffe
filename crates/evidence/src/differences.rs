//! The map of differences: how readings of one length differ, pair by pair and against what most of them say.
//!
//! Counts cover every differing place; only what costs more than counting is left to samples, and `diagnose` says which.
//! The consensus is a bitwise majority and nothing more: with two readings, or in a tie, it is the first reading's
//! bit, and directions then say which way the others differ from it. It is not offered as content; [`crate::settle`] does
//! that, with counts.
//!
//! The decision a reader would question: a run joins differing bytes that stand less than nine bytes apart, because one
//! damaged stretch leaves some bytes right by chance.

use std::ops::Range;

use crate::bits::{VOTERS, bit, vote, word};
use crate::pass::{PassContent, SECTOR};
use crate::reading::Reading;

/// Bytes between two differing ones up to which they are one run.
const RUN_GAP: usize = 8;
/// Equal parts that a transaction is divided into for [`AgainstConsensus::within`].
pub const PARTS: usize = 16;

/// How readings differ.
#[derive(Debug, Clone, PartialEq)]
pub struct Differences {
    /// Bytes of each reading.
    pub size: u32,
    /// Sectors of 4 KiB in which any two differ, as byte ranges, ascending, neighbours joined.
    pub disputed: Vec<Range<u32>>,
    /// Each pair of readings, in the order 0-1, 0-2, 1-2, 0-3 and so on; only of the first fifteen.
    pub pairs: Vec<Pair>,
    /// Each reading against what most say.
    pub readings: Vec<AgainstConsensus>,
}

/// How two readings differ.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Pair {
    /// Index of the one.
    pub a: usize,
    /// Index of the other.
    pub b: usize,
    /// Bits that are 0 in `a` and 1 in `b`.
    pub rising: u64,
    /// Bits that are 1 in `a` and 0 in `b`.
    pub falling: u64,
    /// 4 KiB sectors in which they differ.
    pub sectors: u32,
}

/// How one reading differs from what most say.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct AgainstConsensus {
    /// Bits that are 0 in the consensus and 1 here.
    pub rising: u64,
    /// Bits that are 1 in the consensus and 0 here.
    pub falling: u64,
    /// Of these, bits that have the consensus's value of the bit sent before.
    pub as_before: u64,
    /// Of these, bits that have the consensus's value of the bit sent after.
    pub as_after: u64,
    /// 4 KiB sectors with a difference.
    pub sectors: u32,
    /// Runs of differing bytes.
    pub runs: u64,
    /// Runs that begin with a transaction's first byte; 0 when transactions are not known.
    pub from_start: u64,
    /// Runs that end with a transaction's last byte; 0 when transactions are not known.
    pub to_end: u64,
    /// Differing bytes by their place inside the transaction, in sixteenths; zeros when transactions are not known.
    pub within: [u64; PARTS],
}

impl AgainstConsensus {
    /// Returns the bits that differ, either way.
    pub fn bits(&self) -> u64 {
        self.rising + self.falling
    }
}

/// Returns the map of differences; `None` when there are fewer than two readings or their lengths differ.
pub fn differences(readings: &[Reading<'_>]) -> Option<Differences> {
    let contents: Vec<&[u8]> = readings.iter().map(|reading| reading.content).collect();
    let (first, others) = contents.split_first()?;
    if others.is_empty() || others.iter().any(|other| other.len() != first.len()) {
        return None;
    }
    let size = u32::try_from(first.len()).ok()?;
    let compared: Vec<PassContent<'_>> = contents.iter().map(|content| PassContent::Bytes(content)).collect();
    let disputed = crate::compare(&compared, size)?.differing;
    Some(Differences {
        size,
        pairs: pairs(&contents, &disputed),
        readings: readings.iter().map(|reading| against(reading, &contents, &disputed, size)).collect(),
        disputed,
    })
}

/// Returns what most of `contents` say in one sector of 4 KiB, shorter at the end.
pub(crate) fn consensus(contents: &[&[u8]], sector: usize) -> Vec<u8> {
    let from = sector * SECTOR;
    let len = SECTOR.min(contents[0].len() - from);
    let mut voted = Vec::with_capacity(len + 8);
    let mut words = [0; VOTERS];
    let voters = contents.len().min(VOTERS);
    for at in (from..from + len).step_by(8) {
        for (slot, content) in words.iter_mut().zip(contents) {
            *slot = word(content, at);
        }
        voted.extend_from_slice(&vote(&words[..voters]).to_be_bytes());
    }
    voted.truncate(len);
    voted
}

fn sectors(disputed: &[Range<u32>]) -> impl Iterator<Item = usize> + '_ {
    disputed.iter().flat_map(|range| range.start as usize / SECTOR..(range.end as usize).div_ceil(SECTOR))
}

fn pairs(contents: &[&[u8]], disputed: &[Range<u32>]) -> Vec<Pair> {
    let voters = &contents[..contents.len().min(VOTERS)];
    let mut found = Vec::new();
    for (b, other) in voters.iter().enumerate() {
        for (a, one) in voters[..b].iter().enumerate() {
            let mut pair = Pair { a, b, rising: 0, falling: 0, sectors: 0 };
            for sector in sectors(disputed) {
                let range = sector * SECTOR..one.len().min((sector + 1) * SECTOR);
                if one[range.clone()] == other[range.clone()] {
                    continue;
                }
                pair.sectors += 1;
                for at in range.step_by(8) {
                    let (was, is) = (word(one, at), word(other, at));
                    pair.rising += u64::from((!was & is).count_ones());
                    pair.falling += u64::from((was & !is).count_ones());
                }
            }
            found.push(pair);
        }
    }
    found
}

fn against(reading: &Reading<'_>, contents: &[&[u8]], disputed: &[Range<u32>], size: u32) -> AgainstConsensus {
    let places = Places::of(reading, size);
    let mut found = AgainstConsensus::default();
    let mut run: Option<Range<usize>> = None;
    for sector in sectors(disputed) {
        let from = sector * SECTOR;
        let voted = consensus(contents, sector);
        let own = &reading.content[from..from + voted.len()];
        if own == voted {
            continue;
        }
        found.sectors += 1;
        for at in (0..voted.len()).filter(|at| own[*at] != voted[*at]) {
            found.count_bits(&voted, at, own[at]);
            let at = from + at;
            if let Some(part) = places.part(at) {
                found.within[part] += 1;
            }
            match &mut run {
                Some(run) if at - run.end <= RUN_GAP => run.end = at + 1,
                _ => {
                    found.close(run.replace(at..at + 1), &places);
                }
            }
        }
    }
    found.close(run, &places);
    found
}

impl AgainstConsensus {
    fn count_bits(&mut self, voted: &[u8], at: usize, own: u8) {
        let unlike = own ^ voted[at];
        self.rising += u64::from((unlike & own).count_ones());
        self.falling += u64::from((unlike & !own).count_ones());
        for number in (at as u64 * 8..).take(8).filter(|number| unlike >> (7 - number % 8) & 1 == 1) {
            let here = own >> (7 - number % 8) & 1 == 1;
            let before = number.checked_sub(1).and_then(|number| bit(voted, number));
            self.as_before += u64::from(before == Some(here));
            self.as_after += u64::from(bit(voted, number + 1) == Some(here));
        }
    }

    fn close(&mut self, run: Option<Range<usize>>, places: &Places) {
        let Some(run) = run else { return };
        self.runs += 1;
        self.from_start += u64::from(places.bounds(run.start).is_some_and(|bounds| bounds.start == run.start));
        self.to_end += u64::from(places.bounds(run.end - 1).is_some_and(|bounds| bounds.end == run.end));
    }
}

/// The transactions of one reading, by address.
struct Places(Vec<Range<usize>>);

impl Places {
    fn of(reading: &Reading<'_>, size: u32) -> Self {
        let list = reading.conditions.as_ref().map(|conditions| conditions.list(size)).unwrap_or_default();
        let mut bounds: Vec<_> = list.iter().map(|one| one.at as usize..(one.at + one.len) as usize).collect();
        bounds.sort_by_key(|bounds| bounds.start);
        Self(bounds)
    }

    fn bounds(&self, at: usize) -> Option<&Range<usize>> {
        let next = self.0.partition_point(|bounds| bounds.start <= at);
        self.0[..next].last().filter(|bounds| bounds.contains(&at))
    }

    fn part(&self, at: usize) -> Option<usize> {
        let bounds = self.bounds(at)?;
        Some((at - bounds.start) * PARTS / bounds.len())
    }
}

#[cfg(test)]
#[expect(clippy::single_range_in_vec_init, reason = "a list of one range is what is meant")]
mod tests {
    use super::*;
    use crate::pass::Order;
    use crate::reading::{Conditions, Transactions};
    use crate::testing::{Draw, firmware, for_seeds};

    fn chunked(content: &[u8], chunk: u32) -> Reading<'_> {
        let transactions = Transactions::Chunks { opcode: 3, chunk, order: Order::Ascending };
        let conditions = Conditions { clock_hz: 0, address_bytes: 3, transactions };
        Reading { content, conditions: Some(conditions) }
    }

    #[test]
    fn counts_match_a_plain_model() {
        for_seeds("counts_match_a_plain_model", 20, |seed| {
            let mut draw = Draw::new(seed);
            let truth = firmware(seed, 40_000);
            let mut others = [truth.clone(), truth.clone(), truth.clone()];
            for other in &mut others {
                for _ in 0..draw.below(60) {
                    other[draw.below(40_000) as usize] ^= 1 << draw.below(8);
                }
            }
            let found = differences(&others.each_ref().map(|content| Reading::bare(content))).unwrap();
            for pair in &found.pairs {
                let bits = |rises: bool| -> u64 {
                    let both = others[pair.a].iter().zip(&others[pair.b]);
                    both.map(|(a, b)| u64::from((if rises { !a & b } else { a & !b }).count_ones())).sum()
                };
                assert_eq!((pair.rising, pair.falling), (bits(true), bits(false)));
            }
            assert_eq!(found.pairs.iter().map(|pair| (pair.a, pair.b)).collect::<Vec<_>>(), [(0, 1), (0, 2), (1, 2)]);
            for (reading, own) in found.readings.iter().zip(&others) {
                let voted = (0..40_000).map(|at| {
                    let [a, b, c] = others.each_ref().map(|other| other[at]);
                    (a & b) | (a & c) | (b & c)
                });
                let rising: u64 =
                    own.iter().zip(voted).map(|(own, voted)| u64::from((own & !voted).count_ones())).sum();
                assert_eq!(reading.rising, rising);
            }
        });
    }

    #[test]
    fn a_bounce_is_seen_to_run_to_the_transactions_end() {
        let truth = vec![0x55; 8192];
        let mut bounced = truth.clone();
        bounced[700..1024].fill(0xFF);
        let found = differences(&[chunked(&truth, 512), chunked(&bounced, 512), chunked(&truth, 512)]).unwrap();
        assert_eq!(found.disputed, [0..4096]);
        let own = &found.readings[1];
        assert_eq!((own.rising, own.falling, own.runs, own.from_start, own.to_end), (324 * 4, 0, 1, 0, 1));
        // Every 0 of 0101 0101 stands between two 1s.
        assert_eq!((own.as_before, own.as_after), (324 * 4, 324 * 4));
        // The bounce begins at byte 188 of its transaction, four bytes before the sixth sixteenth ends.
        assert_eq!(own.within, [0, 0, 0, 0, 0, 4, 32, 32, 32, 32, 32, 32, 32, 32, 32, 32]);
        assert_eq!(found.readings[0].bits(), 0);
    }

    #[test]
    fn one_reading_or_uneven_ones_have_no_map() {
        assert_eq!(differences(&[Reading::bare(&[1])]), None);
        assert_eq!(differences(&[Reading::bare(&[1]), Reading::bare(&[1, 2])]), None);
        let empty = differences(&[Reading::bare(&[]), Reading::bare(&[])]).unwrap();
        assert_eq!((empty.size, empty.disputed.len()), (0, 0));
    }
}
