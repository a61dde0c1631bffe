//! Another master on the bus: when it is there, and what becomes of bits that both send.
//!
//! It comes in time and not with the link's clocks: a slower clock meets its bursts in more of the bits.

use super::bits;
use super::pins::Timing;
use crate::random::Stream;

/// Longest burst that comes at one moment.
const ONE_BURST_NS: u64 = 10_000_000;

/// Another master that uses the bus at equal distances.
#[derive(Debug)]
pub(crate) struct Contention {
    /// From one burst's begin to the next; none when it comes at one moment only.
    period_ns: Option<u64>,
    len_ns: u64,
    /// Begin of the first burst.
    first_ns: Option<u64>,
    stream: Stream,
    word: u64,
    unused: u32,
}

impl Contention {
    /// Bursts `per_second`, each `share` of the time between; none at first when `moment`.
    pub(crate) fn new(per_second: f64, share: f64, moment: bool, mut stream: Stream) -> Self {
        #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a cast to an integer saturates")]
        let ns = |seconds: f64| (seconds * 1e9) as u64;
        let period_ns = ns(1.0 / per_second).max(1);
        let first_ns = stream.below(period_ns);
        let len_ns = ns(share / per_second);
        Self {
            period_ns: (!moment).then_some(period_ns),
            len_ns: if moment { len_ns.clamp(1, ONE_BURST_NS) } else { len_ns },
            first_ns: (!moment).then_some(first_ns),
            stream,
            word: 0,
            unused: 0,
        }
    }

    /// Its one burst begins.
    pub(crate) fn arm(&mut self, now: u64) {
        self.first_ns = Some(now);
    }

    /// Tells whether it drives the bus at `now`.
    pub(crate) fn is_there(&self, now: u64) -> bool {
        self.burst_at_or_after(now).is_some_and(|begin| begin <= now && self.len_ns > 0)
    }

    /// Level of a line that both drive; `own` is the link's or the chip's.
    pub(crate) fn both(&mut self, own: bool) -> bool {
        if self.unused == 0 {
            self.word = self.stream.bits();
            self.unused = 64;
        }
        self.unused -= 1;
        own & (self.word >> self.unused & 1 == 1)
    }

    /// What becomes of bits that pass while it is there.
    pub(crate) fn spoil(&mut self, bytes: &mut [u8], timing: Timing) {
        let (mut at, clocks) = (0, bytes.len() as u64 * 8);
        while at < clocks && self.len_ns > 0 {
            let Some(begin) = self.burst_at_or_after(timing.at(at)) else { return };
            let from = timing.clocks_before(begin).max(at);
            let to = timing.clocks_before(begin.saturating_add(self.len_ns)).min(clocks);
            for clock in from..to {
                let level = self.both(bits::get(bytes, clock));
                bits::set(bytes, clock, level);
            }
            at = to.max(from).max(at + 1);
        }
    }

    /// Begin of the burst that is on at `now`, else of the next one.
    fn burst_at_or_after(&self, now: u64) -> Option<u64> {
        let first = self.first_ns?;
        let Some(period) = self.period_ns else {
            return (now < first.saturating_add(self.len_ns)).then_some(first);
        };
        if now < first {
            return Some(first);
        }
        let begin = first + (now - first) / period * period;
        Some(if now < begin.saturating_add(self.len_ns) { begin } else { begin.saturating_add(period) })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// 1,000 bursts a second of a quarter each: 1 ms from one to the next, 250 us long. At 8 MHz a byte takes 1 us.
    #[test]
    fn bursts_come_at_equal_distances_and_only_clear_bits() {
        let mut other = Contention::new(1000.0, 0.25, false, Stream::new(1, "other"));
        let mut bytes = vec![0xFF; 10_000];
        other.spoil(&mut bytes, Timing { now: 0, hz: 8_000_000 });
        let phase = usize::try_from(other.first_ns.expect("periodic") / 1000).expect("under a millisecond");
        for (us, byte) in bytes.iter().enumerate() {
            let since = (us + 1000 - phase) % 1000;
            if (1..249).contains(&since) {
                continue;
            }
            assert!((250..999).contains(&since) && *byte == 0xFF || since < 251 || since == 999, "{us}: {byte:02x}");
        }
        let cleared: u32 = bytes.iter().map(|byte| byte.count_zeros()).sum();
        assert!((9_500..10_500).contains(&cleared), "half of a quarter of 80,000 bits, not {cleared}");
    }

    #[test]
    fn cutting_moves_nothing() {
        let spoilt = |lengths: &[usize]| {
            let mut other = Contention::new(5000.0, 0.3, false, Stream::new(1, "other"));
            let (mut all, mut now) = (Vec::new(), 0);
            for len in lengths {
                let mut bytes = vec![0xFF; *len];
                other.spoil(&mut bytes, Timing { now, hz: 8_000_000 });
                now += *len as u64 * 1000;
                all.extend(bytes);
            }
            all
        };
        assert_eq!(spoilt(&[4000]), spoilt(&[1, 99, 900, 1, 2999]));
    }

    #[test]
    fn one_burst_comes_once() {
        let mut other = Contention::new(1000.0, 0.25, true, Stream::new(1, "other"));
        assert!(!other.is_there(0));
        other.arm(500_000);
        assert_eq!(
            [499_999, 500_000, 749_999, 750_000, 1_500_000].map(|now| other.is_there(now)),
            [false, true, true, false, false]
        );
    }
}
