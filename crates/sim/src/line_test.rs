//! What a line test finds on this bench: each line under both pulls of the link, and what moves when one is driven.
//!
//! | on the board | with the link's pull-up | with its pull-down |
//! |---|---|---|
//! | CS#, WP#, HOLD#: 10 kOhm to the supply | high | high (WP# low where the bench says so) |
//! | CLK, DI; DO of a chip that is not selected: inputs and nothing else | high | low |
//! | an open contact, a pin that nothing holds | high | low |
//! | chip without supply: its protection diodes lead to a supply of 0 V | low | low |
//! | chip without ground: the whole chip floats up to its supply | high | high |
//! | another master that drives | its level | its level |
//!
//! Times to rise are those of the link's 50 kOhm with 10 pF of lead and 20 pF of chip and board (common values, no
//! source), to half of the supply: 0.69 R C. A weak contact passes: a few kilohms are little beside the link's own pull.
//! Faults that need a clock or a chip that answers do not show here; the id tells of them.

use nor::link::{LineReport, LineState, SIGNALS, Signal};

use crate::bench::VirtualBench;
use crate::faults::{Contact, FaultKind, Pull};
use crate::supply::Feed;

/// 50 kOhm, 10 pF.
const LEAD_ALONE_NS: u32 = 345;
/// 50 kOhm, 30 pF.
const WITH_CHIP_NS: u32 = 1035;
/// 50 and 10 kOhm side by side, 30 pF.
const HELD_UP_NS: u32 = 173;

impl VirtualBench {
    /// Tests the lines as they stand now.
    pub(crate) fn line_report(&mut self) -> LineReport {
        let feed = self.feed();
        let now = self.clock.now_ns();
        let left = match feed {
            Feed::NoSupply => 0,
            Feed::Fed | Feed::NoGround | Feed::Sags => self.sags.left(now / 1000),
        };
        let supply_mv = u64::from(self.drives.mv) * u64::from(left) / 1000;
        LineReport {
            lines: SIGNALS.map(|signal| self.line(signal, feed)).to_vec(),
            supply_mv: Some(u32::try_from(supply_mv).expect("not more than what is driven")),
        }
    }

    fn line(&mut self, signal: Signal, feed: Feed) -> LineState {
        let faults = || self.file.faults.iter().enumerate();
        let open = faults().any(|(index, fault)| {
            let this = matches!(fault.kind, FaultKind::OpenContact { contact, .. } if contact == Contact::Line(signal));
            this && self.lines.is_open(index)
        });
        let kinds = || self.faults.active().map(|fault| &fault.kind);
        let floats = kinds().any(|kind| matches!(kind, FaultKind::HoldFloating { signal: pin, .. } if *pin == signal));
        let held_up = matches!(signal, Signal::ChipSelect | Signal::Hold | Signal::WriteProtect) && !floats;
        let held = match (signal, feed) {
            _ if open => None,
            (_, Feed::NoSupply) => Some(false),
            (_, Feed::NoGround) => Some(true),
            (Signal::WriteProtect, _) if self.file.chip.write_protect_pin && !floats => Some(false),
            _ => held_up.then_some(true),
        };
        let shared = matches!(signal, Signal::ChipSelect | Signal::DataOut | Signal::DataIn | Signal::Clock);
        let other = if shared && !open { self.lines.other_master(self.clock.now_ns()) } else { None };
        let mut moved = SIGNALS.map(|line| line == signal && other.is_none());
        if signal == Signal::DataIn && other.is_none() {
            // DO that floats beside DI picks up DI's edges.
            let follows = self.file.faults.iter().enumerate().any(|(index, fault)| {
                let beside = matches!(fault.kind, FaultKind::OpenContact { pull: Pull::Neighbour, .. });
                beside && self.lines.is_open(index)
            });
            for (line, moved) in SIGNALS.iter().zip(&mut moved) {
                *moved |= *line == Signal::DataOut && follows;
            }
        }
        let held = other.or(held);
        let rise_ns = match held {
            Some(false) => None,
            Some(true) if other.is_some() => None,
            Some(true) => Some(HELD_UP_NS),
            None if open => Some(LEAD_ALONE_NS),
            None => Some(WITH_CHIP_NS),
        };
        LineState { signal, pulled_up: held.unwrap_or(true), pulled_down: held.unwrap_or(false), rise_ns, moved }
    }
}
