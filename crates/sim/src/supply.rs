//! The chip's supply: whether it has one, and when it sags.
//!
//! Sags come in time, at random, and not with the bytes on the wire: what draws the current is the board. The bench asks
//! for the next begin or end as it does for faults, so that a sag cuts a transaction at its microsecond.

use crate::bench::VirtualBench;
use crate::faults::{Contact, Fault, FaultKind, When};
use crate::random::Stream;

/// How the chip is fed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Feed {
    /// As it should be.
    Fed,
    /// The supply's contact is open, or the supply is gone.
    NoSupply,
    /// The ground's contact is open.
    NoGround,
    /// The supply is down for a while.
    Sags,
}

/// Sags of all faults of this kind.
#[derive(Debug)]
pub(crate) struct Sags(Vec<Source>);

#[derive(Debug)]
struct Source {
    index: usize,
    moment: bool,
    per_second: f64,
    depth: f64,
    on: bool,
    /// The sag that is on, or the next one.
    next: Option<(u64, u64)>,
    stream: Stream,
}

impl Sags {
    /// Sags of a bench with `faults`, none yet; streams from `seed`, and `salt` in their names.
    pub(crate) fn new(faults: &[Fault], seed: u64, salt: u64) -> Self {
        let found = faults.iter().enumerate().filter_map(|(index, fault)| match fault.kind {
            FaultKind::SupplySag { per_second, depth } => Some((index, per_second, depth, fault.when)),
            _ => None,
        });
        let sources = found.enumerate().map(|(nth, (index, per_second, depth, when))| Source {
            index,
            moment: matches!(when, When::Moment { .. }),
            per_second,
            depth,
            on: false,
            next: None,
            stream: Stream::new(seed, &format!("supply-sag {nth} at {salt}")),
        });
        Self(sources.collect())
    }

    /// Turns fault number `index` on or off; a sag of one moment begins at `now`.
    pub(crate) fn set_on(&mut self, index: usize, on: bool, now: u64) {
        for source in self.0.iter_mut().filter(|source| source.index == index) {
            source.on = on;
            source.next = match (on, source.moment) {
                (false, _) => None,
                (true, true) => Some((now, now.saturating_add(source.len_us()))),
                (true, false) => source.draw(now),
            };
        }
    }

    /// The link came back: sags are off until they are told again.
    pub(crate) fn power_up(&mut self) {
        for source in &mut self.0 {
            (source.on, source.next) = (false, None);
        }
    }

    /// The first time after `now` and up to `until` at which a sag begins or ends.
    pub(crate) fn next_edge(&self, now: u64, until: u64) -> Option<u64> {
        let edges = self.0.iter().filter_map(|source| source.next).flat_map(|(from, to)| [from, to]);
        edges.filter(|edge| *edge > now && *edge <= until).min()
    }

    /// Draws the next sag where one is over at `now`.
    pub(crate) fn settle(&mut self, now: u64) {
        for source in &mut self.0 {
            if source.next.is_some_and(|(_, to)| to <= now) {
                source.next = if source.moment { None } else { source.draw(now) };
            }
        }
    }

    /// Tells whether the supply is down at `now`.
    pub(crate) fn are_on(&self, now: u64) -> bool {
        self.0.iter().any(|source| source.is_down(now))
    }

    /// What is left of the supply at `now`, in thousandths: 600 to 200 in a sag, and a little down between them, since
    /// what sags has a resistance.
    pub(crate) fn left(&self, now: u64) -> u32 {
        let left = self.0.iter().filter(|source| source.on).map(|source| {
            #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "0 to 1000")]
            let thousandths = |share: f64| (share * 1000.0).round() as u32;
            if source.is_down(now) {
                thousandths(0.6 - 0.4 * source.depth)
            } else {
                thousandths(1.0 - 0.1 * source.depth)
            }
        });
        left.min().unwrap_or(1000)
    }
}

impl Source {
    fn is_down(&self, now: u64) -> bool {
        self.next.is_some_and(|(from, to)| from <= now && now < to)
    }

    /// 0.1 to 10 ms.
    fn len_us(&self) -> u64 {
        #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "at most 10,000")]
        let len = (100.0 + 9_900.0 * self.depth) as u64;
        len
    }

    fn draw(&mut self, now: u64) -> Option<(u64, u64)> {
        if self.per_second <= 0.0 {
            return None;
        }
        #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a cast to an integer saturates")]
        let wait = (-self.stream.fraction().ln() / self.per_second * 1e6) as u64;
        let from = now.saturating_add(wait).saturating_add(1);
        Some((from, from.saturating_add(self.len_us())))
    }
}

impl VirtualBench {
    /// Why the chip has no supply, or has it.
    pub(crate) fn feed(&self) -> Feed {
        let contact = |wanted| {
            let open = |kind: &FaultKind| matches!(kind, FaultKind::OpenContact { contact, .. } if *contact == wanted);
            self.faults.active().any(|fault| open(&fault.kind) && !matches!(fault.when, When::Moment { .. }))
        };
        let dip = |kind: &FaultKind| matches!(kind, FaultKind::SupplyDip);
        if contact(Contact::Supply) || self.faults.active().any(|fault| dip(&fault.kind)) {
            Feed::NoSupply
        } else if contact(Contact::Ground) {
            Feed::NoGround
        } else if self.sags.are_on(self.clock.now_us()) {
            Feed::Sags
        } else {
            Feed::Fed
        }
    }
}
