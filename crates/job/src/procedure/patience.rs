//! How long to leave a machine alone that was just started, and what to do when nothing comes.
//!
//! The first start after a write trains the memory anew: minutes without a picture, sometimes with restarts, are in order.
//! Most boards that are given up on were only not waited for (common practice, no source). The profile says how long.

use std::time::Duration;

use serde::Serialize;

use crate::profile::model::{Step, StepKind};

/// What to do while a machine is dark.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Patience {
    /// Seconds to wait still; 0 once the time is over.
    pub left_s: u64,
    /// Whether the time is over.
    pub over: bool,
    /// What to do now.
    pub advice: String,
}

/// Returns how long to wait still after `waited`, and what to do; none for a step that starts nothing.
///
/// The profile's `dark_minutes` counts from the moment power came. A caller whose clock went back gives zero: waiting
/// longer harms nothing.
#[must_use]
pub fn patience(step: &Step, waited: Duration) -> Option<Patience> {
    if step.kind != StepKind::PowerUp {
        return None;
    }
    let whole = Duration::from_secs(u64::from(step.dark_minutes.unwrap_or(0)) * 60);
    let left = whole.saturating_sub(waited);
    if left.is_zero() {
        let first = "The time is over. Take the power away before anything else is touched.";
        let advice = match &step.if_dark {
            Some(text) => format!("{first} {text}"),
            None => first.to_owned(),
        };
        return Some(Patience { left_s: 0, over: true, advice });
    }
    let left_s = left.as_secs() + u64::from(left.subsec_nanos() > 0);
    let mut advice =
        format!("Leave it alone for {} more: it may stay dark for {}", clock(left_s), clock(whole.as_secs()));
    match step.restarts {
        None | Some(0) => {}
        Some(1) => advice += " and restart once by itself",
        Some(times) => advice += &format!(" and restart {times} times by itself"),
    }
    advice += ". Do not take the power away meanwhile.";
    if !step.starts_by_itself {
        advice += " It starts with its power button.";
    }
    Some(Patience { left_s, over: false, advice })
}

/// Minutes and seconds, as people say them.
fn clock(seconds: u64) -> String {
    match (seconds / 60, seconds % 60) {
        (0, seconds) => format!("{seconds} s"),
        (minutes, 0) => format!("{minutes} min"),
        (minutes, seconds) => format!("{minutes} min {seconds} s"),
    }
}
