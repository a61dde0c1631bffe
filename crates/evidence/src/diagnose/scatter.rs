//! Single wrong bits, and the faults that scatter them.
//!
//! Three questions tell these faults apart: do the bits fall one way (weak data-out), do they stand where a bit differs from
//! its neighbour (late sampling), do they come in bursts (weak data-out, contention) that keep a time (contention)? Each is
//! a likelihood against bits that turn anywhere and either way (noise), summed over bursts.
//!
//! The decision a reader would question: with two readings nobody knows which of them is wrong at a place. Then each burst
//! is weighed under both views, and the readings' shares of the errors are tried in steps. In random content two equally bad
//! readings through a weak contact look exactly like noise when their errors stand alone; no method can tell them apart.
//!
//! Bound: 1024 differing sectors in blocks of eight, at most 256 bits of one reading in each.

use std::ops::Range;

use super::fault::{Fault, Weights};
use super::period::Period;
use crate::bits::{bit, word};
use crate::pass::SECTOR;

const SECTORS: usize = 1024;
const BLOCK: usize = 8;
const BITS_OF_A_SECTOR: usize = 256;
/// Right bits between two wrong ones up to which they are one burst.
const BURST_GAP: u64 = 48;
/// Chance that a wrong bit does not follow its fault's rule: a wrong reference, or a second fault.
const MISFIT: f64 = 0.04;

/// One wrong bit under the view that one reading is the wrong one.
#[derive(Debug, Clone, Copy)]
struct View {
    truth: bool,
    before: Option<bool>,
    after: Option<bool>,
    /// Whether it stands alone among four equal bits on either side; `None` where these are not equal.
    alone: Option<bool>,
}

/// One bit at which readings differ.
#[derive(Debug, Clone, Copy)]
struct Flip {
    at: u64,
    /// Under the view that the reading it is listed for is wrong; and the other one, of two.
    views: [Option<View>; 2],
}

/// The scattered bits of one reading, or of two that nobody can tell apart.
pub(crate) struct Scattered {
    pub(crate) reading: usize,
    flips: Vec<Flip>,
    /// Bits of the differing sectors that were looked at.
    covered: u64,
}

/// Shares of content that a uniform error would meet.
#[derive(Debug, Clone, Copy)]
struct Content {
    zeros: f64,
    unlike_before: f64,
    unlike_after: f64,
    unlike_any: f64,
    /// Of bits among four equal ones on either side, those that are unlike them.
    alone: f64,
}

/// Returns, reading by reading, the bits that are wrong outside of what has a shape.
///
/// `voted` is what most of three or more readings say.
pub(crate) fn scattered(
    contents: &[&[u8]],
    voted: Option<&[u8]>,
    disputed: &[Range<u32>],
    explained: &[Vec<Range<usize>>],
) -> Vec<Scattered> {
    let sampled = sample(disputed);
    let Some(voted) = voted else {
        let mut both = Scattered { reading: 0, flips: Vec::new(), covered: 0 };
        for sector in sampled {
            let from = sector * SECTOR;
            let range = from..contents[0].len().min(from + SECTOR);
            let hidden = |at: usize| explained.iter().any(|ranges| holds(ranges, at));
            both.gather(&contents[0][range.clone()], &contents[1][range], from, true, hidden);
        }
        return vec![both];
    };
    let mut all: Vec<_> =
        (0..contents.len()).map(|reading| Scattered { reading, flips: Vec::new(), covered: 0 }).collect();
    for sector in sampled {
        let from = sector * SECTOR;
        let range = from..voted.len().min(from + SECTOR);
        for one in &mut all {
            let own = &contents[one.reading][range.clone()];
            let ranges = &explained[one.reading];
            one.gather(own, &voted[range.clone()], from, false, |at| holds(ranges, at));
        }
    }
    all
}

/// Returns whether a byte stands in a run of ten or more at rest, which is no single wrong bit whatever else it is.
fn rests(own: &[u8], at: usize) -> bool {
    let same = |byte: &&u8| **byte == own[at];
    let run = || {
        own[at..].iter().take(10).take_while(same).count() + own[..at].iter().rev().take(10).take_while(same).count()
    };
    matches!(own[at], 0x00 | 0xFF) && run() >= 10
}

fn holds(ranges: &[Range<usize>], at: usize) -> bool {
    ranges.iter().any(|range| range.contains(&at))
}

/// Returns the numbers of the sectors that are looked at.
fn sample(disputed: &[Range<u32>]) -> Vec<usize> {
    let all: Vec<usize> = disputed
        .iter()
        .flat_map(|range| range.start as usize / SECTOR..(range.end as usize).div_ceil(SECTOR))
        .collect();
    if all.len() <= SECTORS {
        return all;
    }
    let count = SECTORS / BLOCK;
    let step = (all.len() - BLOCK) as f64 / (count - 1) as f64;
    let mut chosen: Vec<usize> =
        (0..count).flat_map(|i| all[(i as f64 * step) as usize..].iter().copied().take(BLOCK)).collect();
    chosen.dedup();
    chosen
}

impl Scattered {
    fn gather(&mut self, own: &[u8], truth: &[u8], from: usize, both: bool, hidden: impl Fn(usize) -> bool) {
        self.covered += own.len() as u64 * 8;
        if own == truth {
            return;
        }
        let most = self.flips.len() + BITS_OF_A_SECTOR;
        for at in (0..own.len()).filter(|at| own[*at] != truth[*at]) {
            if hidden(from + at) || rests(own, at) {
                continue;
            }
            for number in (at as u64 * 8..).take(8) {
                let unlike = (own[at] ^ truth[at]) >> (7 - number % 8) & 1 == 1;
                if unlike && self.flips.len() == most {
                    // Full; the rest of the sector does not count as right.
                    self.covered -= own.len() as u64 * 8 - number;
                    return;
                }
                if unlike {
                    let view = View::of(truth, number);
                    let other = both.then(|| View::of(own, number)).flatten();
                    self.flips.push(Flip { at: from as u64 * 8 + number, views: [view, other] });
                }
            }
        }
    }

    /// Returns the bytes from the first to the last wrong bit of each burst.
    pub(crate) fn bursts(&self) -> impl Iterator<Item = Range<usize>> + '_ {
        self.bursts_of_flips().map(|burst| (burst[0].at / 8) as usize..(burst[burst.len() - 1].at / 8) as usize + 1)
    }

    /// Returns how many bits are wrong.
    pub(crate) fn bits(&self) -> usize {
        self.flips.len()
    }

    fn bursts_of_flips(&self) -> impl Iterator<Item = &[Flip]> {
        self.flips.chunk_by(|a, b| b.at - a.at <= BURST_GAP)
    }
}

impl View {
    fn of(truth: &[u8], number: u64) -> Option<Self> {
        let before = number.checked_sub(1).and_then(|number| bit(truth, number));
        let own = bit(truth, number)?;
        let around = (1..=4).flat_map(|by| [number.checked_sub(by), Some(number + by)]);
        let around: Option<Vec<bool>> = around.map(|number| bit(truth, number?)).collect();
        let alone = around.filter(|around| around.iter().all(|one| *one == around[0])).map(|around| around[0] != own);
        Some(Self { truth: own, before, after: bit(truth, number + 1), alone })
    }
}

/// Returns how well each fault would have scattered these bits; `None` when there are none.
///
/// `content` is any of the readings, `rates` the readings' clocks, `period` that of the bursts.
pub(crate) fn weigh(
    all: &[Scattered],
    content: &[u8],
    disputed: usize,
    clocks: &[u32],
    period: Option<Period>,
) -> Option<Weights> {
    let flips: usize = all.iter().map(Scattered::bits).sum();
    if flips == 0 {
        return None;
    }
    let shares = Content::of(content);
    let bits = content.len() as f64 * 8.0;
    let all_sectors = (content.len() as f64 / SECTOR as f64).max(1.0);
    // Sectors without any difference are right as well; as many of them count as of the others were looked at.
    let right =
        bits * (1.0 - disputed as f64 / all_sectors).max(0.0) * (disputed.min(SECTORS) as f64 / disputed as f64);
    let ways = |rule: &dyn Fn(View) -> f64| all.iter().map(|one| one.log_of(rule, shares.alone)).sum::<f64>();
    let one_way = |misfit: f64| -> f64 {
        let (zeros, ones) = (shares.zeros, 1.0 - shares.zeros);
        let rise = ways(&|view| if view.truth { misfit / ones } else { (1.0 - misfit) / zeros });
        let fall = ways(&|view| if view.truth { (1.0 - misfit) / ones } else { misfit / zeros });
        rise.max(fall)
    };
    let one_way = one_way(MISFIT).max(one_way(MISFIT / 40.0)) - 2.0_f64.ln();
    let unlike = |one: Option<bool>, truth: bool| one.is_some_and(|one| one != truth);
    let at_edges = |share: f64, hit: &dyn Fn(View) -> bool| {
        ways(&|view| if hit(view) { (1.0 - MISFIT) / share } else { MISFIT / (1.0 - share) })
    };
    let before = at_edges(shares.unlike_before, &|view| unlike(view.before, view.truth));
    let after = at_edges(shares.unlike_after, &|view| unlike(view.after, view.truth));
    let either = at_edges(shares.unlike_any, &|view| unlike(view.before, view.truth) || unlike(view.after, view.truth));
    let edges = before.max(after).max(either) - 3.0_f64.ln();

    // The chance that a wrong bit follows closely by accident, when only so many of the bits can be wrong at all.
    let gaps = |chance: &dyn Fn(f64) -> f64, share: f64| -> f64 {
        let crowd = |one: &Scattered| {
            let rate = one.bits() as f64 / (one.covered as f64 + right).max(1.0) / share;
            (1.0 - (-(BURST_GAP as f64) * rate).exp()).clamp(1e-9, 0.999)
        };
        all.iter().map(|one| one.log_of_gaps(chance(crowd(one)))).sum()
    };
    let same = |crowd: f64| crowd;
    let alone = gaps(&same, 1.0);
    let closeness = [0.3, 0.7, 0.9, 0.97, 0.995];
    let in_bursts = closeness.iter().map(|close| gaps(&|crowd| crowd.max(*close), 1.0));
    let in_bursts = in_bursts.fold(f64::NEG_INFINITY, f64::max).max(gaps(&same, shares.zeros.clamp(0.05, 1.0))) - alone;
    // Bits through one bad contact are not independent; many bursts count as forty.
    let count = all.iter().map(|one| one.bursts().count()).sum::<usize>().max(1);
    let scale = (40.0 / count as f64).min(1.0);
    let mut logs = [-12.0 - flips.min(60) as f64 / 4.0; Fault::ALL.len()];
    logs[Fault::Noise as usize] = 0.0;
    logs[Fault::WeakDataOut as usize] = scale * (one_way + in_bursts) - 0.3;
    logs[Fault::LateSampling as usize] =
        scale * (edges + gaps(&same, shares.unlike_any) - alone) + by_clock(all, clocks);
    // Bursts that keep no time are hardly another master's.
    let regular = period.map_or(-6.0, |period| if period.weight > 3.0 { period.weight } else { -6.0 });
    logs[Fault::BusContention as usize] = scale * (one_way.max(0.0) + in_bursts) + regular;
    Some(Weights::from_logs(logs))
}

/// Late sampling grows with the clock; a slow reading with most of the errors speaks against it.
fn by_clock(all: &[Scattered], clocks: &[u32]) -> f64 {
    let rated = all.iter().filter_map(|one| Some((*clocks.get(one.reading)?, one.bits())));
    let rated: Vec<_> = rated.filter(|(clock, _)| *clock > 0).collect();
    let (Some(slow), Some(fast)) = (rated.iter().min(), rated.iter().max()) else { return 0.0 };
    if all.len() < 3 || f64::from(fast.0) < 1.25 * f64::from(slow.0) {
        return 0.0;
    }
    match (slow.1, fast.1) {
        (slow, fast) if fast > 2 * slow + 2 => 1.5,
        (slow, fast) if slow > 2 * fast + 4 => -4.0,
        _ => 0.0,
    }
}

impl Scattered {
    /// Returns the logarithm of how much more likely `rule` makes these places than chance does.
    ///
    /// Of two views the more plausible one counts more: a bit that stands alone in a blank stretch is seldom the truth.
    fn log_of(&self, rule: &dyn Fn(View) -> f64, alone: f64) -> f64 {
        let of = |burst: &[Flip], side: usize| -> Option<[f64; 2]> {
            burst
                .iter()
                .map(|flip| {
                    let view = flip.views[side]?;
                    let plausible = match view.alone {
                        Some(true) => alone,
                        Some(false) => 1.0 - alone,
                        None => 0.5,
                    };
                    Some([plausible.ln(), rule(view).max(1e-4).ln()])
                })
                .try_fold([0.0; 2], |sum, one| one.map(|one| [sum[0] + one[0], sum[1] + one[1]]))
        };
        let bursts: Vec<[Option<[f64; 2]>; 2]> =
            self.bursts_of_flips().map(|burst| [of(burst, 0), of(burst, 1)]).collect();
        let mix = |share: f64, one: f64, other: f64| {
            let most = one.max(other);
            most + (share * (one - most).exp() + (1.0 - share) * (other - most).exp()).ln()
        };
        let with_share = |share: f64, rule: f64| -> f64 {
            bursts
                .iter()
                .map(|[one, other]| match (one, other) {
                    (Some(one), Some(other)) => mix(share, one[0] + rule * one[1], other[0] + rule * other[1]),
                    (Some(one), None) | (None, Some(one)) => one[0] + rule * one[1],
                    (None, None) => 0.0,
                })
                .sum()
        };
        let best = |rule: f64| {
            [0.02, 0.5, 0.98].into_iter().map(|share| with_share(share, rule)).fold(f64::NEG_INFINITY, f64::max)
        };
        best(1.0) - best(0.0)
    }

    /// Returns the logarithm of the distances' chance when a wrong bit is followed closely with this one.
    fn log_of_gaps(&self, close: f64) -> f64 {
        let near = self.flips.windows(2).filter(|pair| pair[1].at - pair[0].at <= BURST_GAP).count() as f64;
        let far = self.flips.len().saturating_sub(1) as f64 - near;
        near * close.ln() + far * (1.0 - close).ln()
    }
}

impl Content {
    /// Looks at 128 KiB, spread evenly.
    fn of(content: &[u8]) -> Self {
        const BLOCKS: usize = 64;
        const BLOCK_LEN: usize = 2048;
        let step = (content.len() / BLOCKS).max(BLOCK_LEN);
        let mut counts = [0_u64; 6];
        let mut bits = 0;
        // The bits at both ends of a word lack neighbours in it.
        const INNER: u64 = 0x0FFF_FFFF_FFFF_FFF0;
        for from in (0..content.len()).step_by(step) {
            for at in (from..content.len().min(from + BLOCK_LEN)).step_by(8) {
                let word = word(content, at);
                bits += u64::from(INNER.count_ones());
                let (before, after) = (word ^ (word >> 1), word ^ (word << 1));
                let around = (1..=4).flat_map(|by| [word << by, word >> by]);
                let (ones, zeros) = around.fold((!0, !0), |(ones, zeros), one| (ones & one, zeros & !one));
                let found = [!word, before, after, before | after, (ones & !word) | (zeros & word), ones | zeros];
                for (count, bits) in counts.iter_mut().zip(found) {
                    *count += u64::from((bits & INNER).count_ones());
                }
            }
        }
        // Kept off 0 and 1, where a likelihood would be infinite.
        let share = |count: u64, of: u64| ((count as f64 + 1.0) / (of as f64 + 2.0)).clamp(0.002, 0.998);
        Self {
            zeros: share(counts[0], bits),
            unlike_before: share(counts[1], bits),
            unlike_after: share(counts[2], bits),
            unlike_any: share(counts[3], bits),
            alone: ((counts[4] as f64 + 1.0) / (counts[5] as f64 + 2.0)).clamp(1e-5, 0.5),
        }
    }
}
