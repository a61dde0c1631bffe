//! Whether damage comes at regular times, as a second bus master's bursts do.
//!
//! In: bursts, in bytes of bus time. Out: by how much a period explains their distances better
//! than chance does, as a natural logarithm. A burst over blank content is not seen, so a distance may be any multiple of
//! the period. Chance: a distance lies near a multiple with the share of the tolerance, and each candidate period tried
//! costs its part.

use std::ops::Range;

/// Bursts looked at.
const MOST: usize = 2000;
/// Distances that it takes before a period is looked for.
const LEAST: usize = 5;
const MULTIPLES: f64 = 12.0;
/// Bursts closer than this are one burst; bytes of bus time. Tables in the content repeat at shorter distances.
const APART: u64 = 64;

/// A period and what speaks for it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Period {
    /// Bytes of bus time.
    pub(crate) bytes: f64,
    /// Natural logarithm of how much better it explains the distances than chance.
    pub(crate) weight: f64,
}

/// Returns the best period of `bursts`, ascending by their start; `None` for fewer than six that are apart.
pub(crate) fn period(bursts: &[Range<u64>]) -> Option<Period> {
    let mut apart: Vec<Range<u64>> = Vec::new();
    for burst in bursts.iter().take(MOST) {
        match apart.last_mut() {
            Some(last) if burst.start < last.end + APART => last.end = last.end.max(burst.end),
            _ => apart.push(burst.clone()),
        }
    }
    let whole = apart.last()?.end - apart[0].start;
    let covered: u64 = apart.iter().map(|burst| burst.end - burst.start).sum();
    if covered * 2 > whole {
        // So dense that the rule itself spaces them.
        return None;
    }
    let moments: Vec<u64> = apart.iter().map(|burst| burst.start).collect();
    // With two readings whose bursts alternate, only every second one belongs to one reading.
    let best = [1, 2].into_iter().filter_map(|apart| {
        let gaps: Vec<f64> = moments.windows(apart + 1).map(|pair| (pair[apart] - pair[0]) as f64).collect();
        best(&gaps)
    });
    best.max_by(|a, b| a.weight.total_cmp(&b.weight))
}

fn best(gaps: &[f64]) -> Option<Period> {
    if gaps.len() < LEAST {
        return None;
    }
    let mut sorted = gaps.to_vec();
    sorted.sort_by(f64::total_cmp);
    let middle = sorted.len() / 2;
    let seeds = sorted[..12.min(sorted.len())].iter().chain(&sorted[middle..(middle + 3).min(sorted.len())]);
    let candidates = seeds.flat_map(|gap| [*gap, gap / 2.0, gap / 3.0]).filter(|bytes| *bytes > 2.0 * APART as f64);
    let candidates: Vec<f64> = candidates.collect();
    let cost = (candidates.len() as f64 * 12.0).ln();
    let tried = candidates.iter().flat_map(|bytes| {
        [0.04, 0.12].map(|tolerance| {
            let bytes = refine(gaps, *bytes, tolerance);
            Period { bytes, weight: weigh(gaps, bytes, tolerance) - cost }
        })
    });
    tried.max_by(|a, b| a.weight.total_cmp(&b.weight))
}

fn near(gap: f64, bytes: f64, tolerance: f64) -> Option<f64> {
    let multiple = (gap / bytes).round();
    ((1.0..=MULTIPLES).contains(&multiple) && (gap / bytes - multiple).abs() <= tolerance).then_some(multiple)
}

fn refine(gaps: &[f64], mut bytes: f64, tolerance: f64) -> f64 {
    for _ in 0..3 {
        let near: Vec<(f64, f64)> =
            gaps.iter().filter_map(|gap| near(*gap, bytes, tolerance).map(|multiple| (*gap, multiple))).collect();
        let multiples: f64 = near.iter().map(|(_, multiple)| multiple).sum();
        if multiples > 0.0 {
            bytes = near.iter().map(|(gap, _)| gap).sum::<f64>() / multiples;
        }
    }
    bytes
}

/// Some distances are those of another reading's bursts, or of none; so a part of them may miss.
fn weigh(gaps: &[f64], bytes: f64, tolerance: f64) -> f64 {
    let chance = 2.0 * tolerance;
    let fits = gaps.iter().filter(|gap| near(**gap, bytes, tolerance).is_some()).count() as f64;
    let misses = gaps.len() as f64 - fits;
    let with = |share: f64| fits * (share / chance).ln() + misses * ((1.0 - share) / (1.0 - chance)).ln();
    [0.93, 0.75, 0.6].into_iter().map(with).fold(f64::NEG_INFINITY, f64::max)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::testing::{Draw, for_seeds};

    fn bursts(moments: &[u64]) -> Vec<Range<u64>> {
        moments.iter().map(|at| *at..at + 2).collect()
    }

    #[test]
    fn a_period_with_missing_bursts_and_jitter_is_found() {
        for_seeds("a_period_with_missing_bursts_and_jitter_is_found", 30, |seed| {
            let mut draw = Draw::new(seed);
            let bytes = 300 + draw.below(5000);
            let burst = |n: u64| (draw.below(3) > 0).then(|| n * bytes + draw.below(1 + bytes / 25));
            let seen: Vec<u64> = (0..40).filter_map(burst).collect();
            let found = period(&bursts(&seen)).unwrap();
            assert!(found.weight > 3.0, "{found:?} for {bytes}");
            assert!((found.bytes / bytes as f64 - 1.0).abs() < 0.03, "{found:?} for {bytes}");
        });
    }

    #[test]
    fn bursts_at_random_times_have_no_period() {
        let mut taken = 0;
        for seed in 0..200 {
            let mut draw = Draw::new(seed);
            let mut moments: Vec<u64> = (0..8 + draw.below(60)).map(|_| draw.below(1 << 20)).collect();
            moments.sort_unstable();
            taken += u32::from(period(&bursts(&moments)).is_some_and(|found| found.weight > 3.0));
        }
        assert!(taken <= 2, "{taken} of 200");
        assert_eq!(period(&bursts(&[1, 1000, 3000])), None);
        assert_eq!(period(&bursts(&[7; 50])), None);
        let dense: Vec<u64> = (0..500).map(|n| n * 30).collect();
        assert_eq!(period(&bursts(&dense)), None, "one long burst");
    }
}
