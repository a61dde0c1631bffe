//! The bench's clock: counts what operations cost, and waits for it where the bench file says so.
//!
//! In real speed the count stays the truth and the computer's clock is only made to keep up with it, so that a trace is
//! the same in both speeds. Nanoseconds inside, since one byte at 12 MHz takes two thirds of a microsecond; a count
//! that would pass 584 years stays there.

use std::time::{Duration, Instant};

use crate::bench_file::Speed;

/// The time on the bench.
#[derive(Debug)]
pub(crate) struct Clock {
    now_ns: u64,
    paced: Option<Pace>,
}

#[derive(Debug)]
struct Pace {
    began: Instant,
    began_ns: u64,
}

impl Clock {
    /// A clock that shows `now_us`.
    pub(crate) fn new(now_us: u64, speed: Speed) -> Self {
        let now_ns = ns(now_us);
        let paced = (speed == Speed::Real).then(|| Pace { began: Instant::now(), began_ns: now_ns });
        Self { now_ns, paced }
    }

    /// Nanoseconds.
    pub(crate) fn now_ns(&self) -> u64 {
        self.now_ns
    }

    /// Whole microseconds.
    pub(crate) fn now_us(&self) -> u64 {
        self.now_ns / 1000
    }

    /// Moves on to `to_ns`, if that lies ahead.
    pub(crate) fn move_to(&mut self, to_ns: u64) {
        self.now_ns = self.now_ns.max(to_ns);
        if let Some(pace) = &self.paced {
            std::thread::sleep(pace.ahead(self.now_ns, pace.began.elapsed()));
        }
    }
}

impl Pace {
    /// How far the count is ahead of the computer's clock, which has run for `elapsed`.
    fn ahead(&self, now_ns: u64, elapsed: Duration) -> Duration {
        Duration::from_nanos(now_ns - self.began_ns).saturating_sub(elapsed)
    }
}

/// Nanoseconds of so many microseconds.
pub(crate) fn ns(us: u64) -> u64 {
    us.saturating_mul(1000)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_clock_never_goes_back_and_stops_at_its_end() {
        let mut clock = Clock::new(u64::MAX, Speed::Virtual);
        clock.move_to(5);
        assert_eq!(clock.now_ns(), u64::MAX);
    }

    #[test]
    fn real_speed_waits_for_what_the_count_is_ahead() {
        let clock = Clock::new(7, Speed::Real);
        let pace = clock.paced.expect("real speed is paced");
        assert_eq!(pace.ahead(ns(7) + 3_000, Duration::from_nanos(1_000)), Duration::from_nanos(2_000));
        assert_eq!(pace.ahead(ns(7) + 3_000, Duration::from_secs(1)), Duration::ZERO, "a slow computer waits no more");
        assert!(Clock::new(7, Speed::Virtual).paced.is_none());
    }
}
