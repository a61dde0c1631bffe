//! The time of a real link: microseconds since it was opened.

use std::time::{Duration, Instant};

use nor::link::LinkError;

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

    /// Whether what began at `begun_us` ended by its deadline: the kernel gives no call a limit of its own, so it is looked at after.
    pub(crate) fn in_time(&self, begun_us: u64, deadline_us: u64) -> Result<(), LinkError> {
        match self.now_us() {
            now if now > deadline_us => Err(LinkError::Silent { waited_us: now - begun_us }),
            _ => Ok(()),
        }
    }

    /// Sleeps at least so long.
    pub(crate) fn wait_us(&self, us: u64) {
        std::thread::sleep(Duration::from_micros(us));
    }
}
