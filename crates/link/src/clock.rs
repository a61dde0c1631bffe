//! The time of a real link: microseconds since it was opened.

use std::time::{Duration, Instant};

/// A clock that begins at 0.
#[derive(Debug)]
pub(crate) struct Clock(Instant);

impl Clock {
    pub(crate) fn start() -> Self {
        Self(Instant::now())
    }

    pub(crate) fn now_us(&self) -> u64 {
        u64::try_from(self.0.elapsed().as_micros()).unwrap_or(u64::MAX)
    }

    /// Sleeps at least so long.
    pub(crate) fn wait_us(&self, us: u64) {
        std::thread::sleep(Duration::from_micros(us));
    }
}
