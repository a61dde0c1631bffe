//! Whether damage comes at regular times, as a second bus master's bursts do.
//!
//! In: bursts, in bytes of bus time. Out: by how much a period explains their distances better than chance does, as a
//! natural logarithm. A burst over blank content is not seen, so a distance may be any multiple of the period; and where
//! two readings differ, the bursts of both are seen in each one's time, so that many distances mean nothing.
//!
//! Each burst is held against the next few. A distance counts 1 at a whole number of periods, -1 in between, and in
//! proportion elsewhere. Of distances that have nothing to do with a period this adds up to about nothing, over m independent
//! ones to no more than s with the chance exp(-1.5 s²/m). They share bursts and crowd where content shows damage, so half of
//! that exponent counts, and a mean of about a fifth is asked for; each period tried costs its part. Only near bursts are
//! compared, because a host's pauses let phases drift.
//!
//! The decision a reader would question: no distance of less than 32 bytes counts, because tables in the content repeat at
//! such, and neither do bursts that begin with their transaction, which keeps a time of its own. A period has to be one
//! of most distances: those across one long gap are all alike.

use std::ops::Range;

/// Bursts looked at.
const MOST: usize = 160;
/// Bursts that it takes before a period is looked for.
const LEAST: usize = 6;
/// Following bursts that each one is held against.
const NEXT: usize = 6;
/// Bursts closer than this are one burst; bytes of bus time.
pub(crate) const APART: u64 = 32;
/// The mean of distances that a period explains; among as many bursts of another reading it is a quarter.
const LEAST_MEAN: f64 = 0.18;
/// Each period tried is so much longer than the one before.
const STEP: f64 = 1.012;

/// A period and what speaks for it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Period {
    /// Bytes of bus time; sometimes a half or a third of the period, which explains as much.
    pub(crate) bytes: f64,
    /// Natural logarithm of how much better it explains the distances than chance.
    pub(crate) weight: f64,
}

/// Returns the best period of `bursts`, ascending by their start; `None` for fewer than six that are apart.
pub(crate) fn period(bursts: &[Range<u64>]) -> Option<Period> {
    let mut apart: Vec<Range<u64>> = Vec::new();
    for burst in bursts {
        match apart.last_mut() {
            Some(last) if burst.start < last.end + APART => last.end = last.end.max(burst.end),
            _ => apart.push(burst.clone()),
        }
        if apart.len() == MOST {
            break;
        }
    }
    let whole = apart.last()?.end - apart[0].start;
    let covered: u64 = apart.iter().map(|burst| burst.end - burst.start).sum();
    if apart.len() < LEAST || covered * 2 > whole {
        // So few, or so dense that the rule itself spaces them.
        return None;
    }
    let starts: Vec<u64> = apart.iter().map(|burst| burst.start).collect();
    let gaps: Vec<f64> =
        (1..=NEXT).flat_map(|next| starts.windows(next + 1).map(move |pair| (pair[next] - pair[0]) as f64)).collect();
    let shortest = 5.0 * APART as f64;
    let longest = whole as f64 / 4.0;
    let tries = ((longest / shortest).ln() / STEP.ln()).floor();
    if tries < 1.0 {
        return None;
    }
    let cost = tries.ln();
    let tried = (0..tries as u32).map(|number| {
        let bytes = shortest * STEP.powi(number as i32);
        // Less than half a period is no period, and over more than eight the next one tried would fit as well.
        let near = gaps.iter().filter(|gap| (0.5 * bytes..8.5 * bytes).contains(*gap));
        let fit = |gap: f64| 1.0 - 4.0 * (gap / bytes - (gap / bytes).round()).abs();
        let (sum, count) = near.fold((0.0, 0.0), |(sum, count), gap| (sum + fit(*gap), count + 1.0));
        let enough = sum >= LEAST_MEAN * count && 2.0 * count >= gaps.len() as f64;
        let weight = if enough { 0.75 * sum * sum / f64::max(count, LEAST as f64) } else { 0.0 };
        Period { bytes, weight: weight - cost }
    });
    tried.max_by(|a, b| a.weight.total_cmp(&b.weight))
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

    /// Two readings differ where either is damaged, so both readings' bursts are seen in one reading's time.
    #[test]
    fn a_period_is_found_among_as_many_bursts_at_other_times() {
        for_seeds("a_period_is_found_among_as_many_bursts_at_other_times", 30, |seed| {
            let mut draw = Draw::new(seed);
            let bytes = 700 + draw.below(3000);
            let mut seen: Vec<u64> = (0..60).map(|n| n * bytes + draw.below(1 + bytes / 25)).collect();
            seen.extend((0..60).map(|_| draw.below(60 * bytes)));
            seen.sort_unstable();
            let found = period(&bursts(&seen)).unwrap();
            assert!(found.weight > 3.0, "{found:?} for {bytes}");
            // Half of the period explains what the whole one does.
            let times = bytes as f64 / found.bytes;
            assert!(times > 0.9 && (times - times.round()).abs() < 0.03 * times, "{found:?} for {bytes}");
        });
    }

    /// Noise so dense that most of it is joined leaves distances that are much alike; they were once taken for a period.
    #[test]
    fn dense_noise_has_no_period() {
        for_seeds("dense_noise_has_no_period", 40, |seed| {
            let mut draw = Draw::new(seed);
            let mut moments: Vec<u64> = (0..400).map(|_| draw.below(30_000)).collect();
            moments.sort_unstable();
            assert!(period(&bursts(&moments)).is_none_or(|found| found.weight <= 3.0));
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
