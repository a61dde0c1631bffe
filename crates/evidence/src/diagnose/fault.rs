//! The faults that a diagnosis tells apart, and weights over them.

use std::fmt;

/// A class of fault between programmer and chip.
///
/// The names are those of the virtual bench's wiring faults, too.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Fault {
    /// The data-out line has no contact: it rests at its pull, or follows a neighbour.
    OpenDataOut,
    /// The data-out line hardly reaches its level: bits fall towards the pull, in bursts and one way only.
    WeakDataOut,
    /// A clock edge is lost or doubled: what follows is shifted until chip select rises.
    ClockSlip,
    /// Chip select lets go: the rest of the transaction is the line's resting level.
    SelectBounce,
    /// An opcode or address bit arrived wrong: data from elsewhere, or none.
    AddressError,
    /// The supply broke down: answers cease until the chip has started again.
    SupplySag,
    /// Bits are taken too late or too early for the clock: errors stand where a bit differs from its neighbour.
    LateSampling,
    /// Every transaction of a reading is shifted by the same number of bits.
    ConstantShift,
    /// Something else drives the lines, in bursts at regular times.
    BusContention,
    /// The chip is smaller than believed, or lost its address mode: its content comes again.
    SizeAlias,
    /// HOLD# or WP# floats: pauses, after which data goes on late.
    HoldFloating,
    /// Single bits turn, both ways, anywhere.
    Noise,
    /// Nothing is wrong that could be seen.
    None,
}

impl Fault {
    /// Every fault, in the order of the design.
    pub const ALL: [Self; 13] = [
        Self::OpenDataOut,
        Self::WeakDataOut,
        Self::ClockSlip,
        Self::SelectBounce,
        Self::AddressError,
        Self::SupplySag,
        Self::LateSampling,
        Self::ConstantShift,
        Self::BusContention,
        Self::SizeAlias,
        Self::HoldFloating,
        Self::Noise,
        Self::None,
    ];

    /// Returns the name that files and JSON use.
    pub fn name(self) -> &'static str {
        match self {
            Self::OpenDataOut => "open-data-out",
            Self::WeakDataOut => "weak-data-out",
            Self::ClockSlip => "clock-slip",
            Self::SelectBounce => "select-bounce",
            Self::AddressError => "address-error",
            Self::SupplySag => "supply-sag",
            Self::LateSampling => "late-sampling",
            Self::ConstantShift => "constant-shift",
            Self::BusContention => "bus-contention",
            Self::SizeAlias => "size-alias",
            Self::HoldFloating => "hold-floating",
            Self::Noise => "noise",
            Self::None => "none",
        }
    }
}

impl fmt::Display for Fault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.name())
    }
}

/// Part of the best explanation's weight that each other one has at least.
const LEAST: f64 = 0.002;

/// A number for each fault.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Weights([f64; Fault::ALL.len()]);

impl Weights {
    /// Returns weights that are all 0.
    pub(crate) fn none() -> Self {
        Self([0.0; Fault::ALL.len()])
    }

    /// Returns the same share for every fault; `None` gets none.
    pub(crate) fn even() -> Self {
        let mut weights = Self([1.0 / (Fault::ALL.len() - 1) as f64; Fault::ALL.len()]);
        weights.set(Fault::None, 0.0);
        weights
    }

    pub(crate) fn of(self, fault: Fault) -> f64 {
        self.0[fault as usize]
    }

    pub(crate) fn set(&mut self, fault: Fault, weight: f64) {
        self.0[fault as usize] = weight;
    }

    pub(crate) fn add(&mut self, fault: Fault, weight: f64) {
        self.0[fault as usize] += weight;
    }

    /// Returns the fault with the most weight.
    pub(crate) fn best(self) -> Fault {
        let best = Fault::ALL.into_iter().max_by(|a, b| self.of(*a).total_cmp(&self.of(*b)));
        best.expect("there are faults")
    }

    /// Returns the weights divided by their sum, after every fault got a part of the largest one; `None` gets no such part.
    pub(crate) fn shares(mut self) -> Self {
        let most = self.0.iter().copied().fold(0.0, f64::max);
        for fault in Fault::ALL.into_iter().filter(|fault| *fault != Fault::None) {
            self.add(fault, most * LEAST);
        }
        let sum: f64 = self.0.iter().sum();
        if sum > 0.0 {
            self.0.iter_mut().for_each(|weight| *weight /= sum);
        }
        self
    }

    /// Returns shares in proportion to the exponentials of these numbers; `None` stays at 0.
    pub(crate) fn from_logs(logs: [f64; Fault::ALL.len()]) -> Self {
        let most = Fault::ALL.into_iter().filter(|fault| *fault != Fault::None).map(|fault| logs[fault as usize]);
        let most = most.fold(f64::NEG_INFINITY, f64::max);
        let mut weights = Self(logs.map(|log| (log - most).exp()));
        weights.0[Fault::None as usize] = 0.0;
        weights.shares()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn shares_add_up_and_logs_that_are_far_apart_do_not_overflow() {
        let mut logs = [-9000.0; Fault::ALL.len()];
        logs[Fault::Noise as usize] = 5000.0;
        logs[Fault::ClockSlip as usize] = 5000.0;
        let weights = Weights::from_logs(logs);
        assert_eq!((weights.of(Fault::Noise), weights.of(Fault::None)), (weights.of(Fault::ClockSlip), 0.0));
        assert!(weights.of(Fault::Noise) > 0.48);
        let mut weights = Weights::none();
        weights.set(Fault::Noise, 0.5);
        weights.add(Fault::Noise, 3.0);
        weights.set(Fault::None, 3.5);
        let shares = weights.shares();
        assert!((Fault::ALL.into_iter().map(|fault| shares.of(fault)).sum::<f64>() - 1.0).abs() < 1e-12);
        assert!(shares.of(Fault::Noise) > shares.of(Fault::None));
        assert!((shares.of(Fault::ClockSlip) / shares.of(Fault::None) - LEAST).abs() < 1e-12);
    }

    #[test]
    fn names_and_places_follow_one_order() {
        for (place, fault) in Fault::ALL.into_iter().enumerate() {
            assert_eq!(fault as usize, place);
        }
        let names: std::collections::BTreeSet<_> = Fault::ALL.into_iter().map(Fault::name).collect();
        assert_eq!(names.len(), Fault::ALL.len());
    }
}
