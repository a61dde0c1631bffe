//! Faults: what they are and when each is on. How a bench file says them is `read`'s business.
//!
//! | kind | acts on | on for a window (or always) | at one moment |
//! |---|---|---|---|
//! | wiring faults | the lines | see [`FaultKind`], each with its physics | one of its events, at the first chance from then on |
//! | power-cut, unplug | supply, link | the link is gone | gone for [`VANISHED_US`], then there again |
//! | supply-dip | chip's supply | the chip is without supply, the link stays | for an instant: modes and latches are lost |
//! | supply-sag | chip's supply | sags come at random | one sag |
//! | worn-sector | cells | the sector of `at` keeps some bits after an erase, or after a program | from then on |
//! | stuck-bit | cells | one bit reads the same whatever was written | from then on |
//! | size-alias | chip | addresses wrap early | from then on |
//! | wrong-chip | clip | another chip answers | from then on |
//! | busy-forever | chip | an erase, program or status write does not end | from then on |
//! | link-stall | link | answers wait for the window's end | one answer is lost |
//! | protect-raised | chip | the protection bits rise when it begins | the same |
//! | deaf-after-opcode | chip | an opcode of another maker makes it deaf | from then on |
//!
//! "From then on" ends with the next power-up, and so does what a fault left in the chip. A fault of one moment fires
//! once ever: that is recorded beside the content. A power cut and an unplug differ in name alone: the link feeds the
//! chip, so each takes the supply from both. A worn sector or stuck bit without `at` sits where the seed says.
//!
//! Chances of wiring faults count clocks and not time, so that a slower clock does not change how many bits of a read
//! are hit (contention and sags are other circuits' doing and run in time). Lengths of bursts and the shape of the
//! sampling knee are choices for a bench, without source; what each does to the bits follows from the circuit.

mod read;

use std::collections::BTreeSet;

use nor::link::Signal;

use crate::model::Model;

pub(crate) use read::KEYS;

/// How long a link that vanishes at one moment stays away: the time in which it is plugged in again.
pub const VANISHED_US: u64 = 2_000_000;

/// One fault.
#[derive(Debug, Clone, PartialEq)]
pub struct Fault {
    /// What goes wrong.
    pub kind: FaultKind,
    /// When.
    pub when: When,
}

/// When a fault is on, by the bench's clock.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum When {
    /// From `from_us` until before `until_us`; none: without end.
    Window {
        /// First microsecond.
        from_us: u64,
        /// First microsecond after it.
        until_us: Option<u64>,
    },
    /// At one moment, once ever.
    Moment {
        /// That moment.
        at_us: u64,
    },
}

/// Where a line goes that nothing drives.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Pull {
    /// High: a pull-up, or leakage to the supply.
    Up,
    /// Low.
    Down,
    /// With the line beside it, by stray capacitance. Beside data-out that is data-in, which is low while the link reads.
    Neighbour,
}

/// A contact of the clip.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Contact {
    /// One of the signals.
    Line(Signal),
    /// VCC, pin 8.
    Supply,
    /// GND, pin 4.
    Ground,
}

/// What goes wrong.
///
/// Chances are 0 to 1. "A clock" is one period of the clock that the link gives, in any part of a transaction; "a bit
/// read" is one that the link samples behind the bytes that it sends.
#[derive(Debug, Clone, PartialEq)]
pub enum FaultKind {
    /// Bits that the link samples flip: coupling from outside, equal for both levels and for all places.
    Noise {
        /// Chance for each bit read.
        chance: f64,
    },
    /// A contact of the clip is open.
    ///
    /// DO open: the link's input floats, and whatever pulls it or couples into it is read; the chip works on. CLK open:
    /// no clock reaches the chip, which goes on driving what it drove. CS# open: the board's pull-up deselects the chip
    /// at once, in the middle of a command too, or (pull down) it stays selected over all transactions, and no command
    /// takes effect. DI open: every opcode, address and data bit is the pull's level. HOLD# open and low: the chip
    /// ignores clocks and lets DO float. WP# open and low: status writes may be refused. VCC or GND open: the chip has
    /// no supply; that the lines' own current may feed it a little is left out.
    OpenContact {
        /// Which.
        contact: Contact,
        /// Where the open line goes. Only DO has a neighbour that says something.
        pull: Pull,
        /// Chance for each clock (for DO: each bit read) that a closed contact opens, where it is not open all the time.
        chance: f64,
        /// Share of the clocks in which it is open, above 0; 1: always. VCC, GND and WP# are open all the time.
        share: f64,
    },
    /// DO has contact through a high resistance: in bursts, as the contact moves, the chip cannot bring the line to the
    /// other level against its pull within half a clock. Bits that are of the pull's level anyway stay right.
    WeakDataOut {
        /// Chance for each bit read outside a burst that a burst begins; a burst has [`WEAK_BURST`] bits on average.
        chance: f64,
        /// Share of the bits against the pull that are lost in a burst.
        share: f64,
        /// The pull.
        pull: Pull,
    },
    /// The clock's edge is too slow and passes unseen, or rings and counts twice.
    ///
    /// Link and chip go on one clock apart until chip select rises: a lost edge gives the link the same bit twice, a
    /// doubled one leaves a bit out; in opcode, address or data the chip gets other ones, and a write that is not whole
    /// bytes long is not carried out.
    ClockSlip {
        /// Chance for each clock.
        chance: f64,
        /// Share of doubled edges among them; the others are lost.
        doubled: f64,
    },
    /// CS# bounces: it rises in the middle of a transaction.
    ///
    /// That ends the command, which takes effect as far as it got. When CS# falls again the chip takes what comes next
    /// for an opcode: zeros while the link reads, the data itself while it writes.
    SelectBounce {
        /// Chance for each clock.
        chance: f64,
        /// 1: CS# stays high to the end of the transaction; less: for 1 to [`LONGEST_PAUSE`] times this many clocks.
        share: f64,
        /// What the link samples while the chip drives nothing.
        pull: Pull,
    },
    /// DI is slow or has a neighbour that disturbs it: bits that the link sends arrive wrong. Commands, addresses and
    /// page data are hit alike; what is read is right, but comes from where the chip was sent.
    AddressError {
        /// Chance for each bit sent that it flips; 0 when one bit is stuck.
        chance: f64,
        /// One bit of each command that does not follow.
        stuck: Option<StuckLine>,
    },
    /// The chip's supply sags under what the board draws: it resets and forgets address mode, write enable and volatile
    /// bits, an operation under way stays where it is, and nothing answers until the supply is back.
    SupplySag {
        /// Sags in a second, on average.
        per_second: f64,
        /// 0 to 1 for sags of 0.1 to 10 ms, and for how far the supply is down between and in them.
        depth: f64,
    },
    /// The link samples DO too late or too early for the clock: where two bits differ, it may catch the one before (the
    /// chip's output and the leads take longer than half a clock) or the one after (the link waits past the next edge).
    ///
    /// The chance at a transition is `chance` at 12 MHz with leads of half length, and changes by e with each
    /// [`KNEE_NS`] of margin; the margin is half a clock less [`OUTPUT_NS`] and up to [`LEAD_NS`] of delay.
    LateSampling {
        /// Chance at each transition, at 12 MHz and `lead` 0.5.
        chance: f64,
        /// Length of the leads, 0 to 1.
        lead: f64,
    },
    /// Link and chip count clocks one apart in all that is read: a level adapter with a register, or a sampling edge set
    /// wrong. The seed says whether bits come one late (the level of the last clock sent comes first) or one early (the
    /// first one is lost).
    ConstantShift {
        /// Share of the transactions that are shifted.
        share: f64,
    },
    /// Another master on the board uses the bus at regular times. Where both drive a line low wins: DO reads as the AND
    /// of two answers, and the chip gets the AND of what two masters send. The link's clock and chip select prevail.
    BusContention {
        /// Bursts in a second, at equal distances.
        per_second: f64,
        /// Share of the time that they take.
        share: f64,
    },
    /// The chip is smaller than its id and tables say (a relabelled part, an address line that is not there): higher
    /// address bits do nothing, reads, erases and programs land below.
    SizeAlias {
        /// How often its size is halved.
        halvings: u32,
    },
    /// HOLD# or WP# is held by nothing.
    ///
    /// HOLD# wanders below its threshold for a while: the chip ignores clocks and lets DO float, and goes on afterwards
    /// where it was, so that the answer has gaps in it and in the command the chip misses bits. A chip with quad enable
    /// set does not mind. WP# floating low can make it refuse status writes.
    HoldFloating {
        /// HOLD# or WP#.
        signal: Signal,
        /// Chance for each clock that a pause begins (HOLD#).
        chance: f64,
        /// A pause takes 1 to [`LONGEST_PAUSE`] times this many clocks.
        share: f64,
        /// HOLD#: what the link samples in a pause. WP#: where the pin floats.
        pull: Pull,
    },
    /// The supply fails.
    PowerCut,
    /// The link is pulled out.
    Unplug,
    /// The chip alone loses its supply, or is reset.
    SupplyDip,
    /// A sector that keeps bits.
    WornSector {
        /// An address in it.
        at: u32,
        /// How many of its bits are weak; at least 1.
        weak_bits: u32,
    },
    /// A bit that never changes.
    StuckBit {
        /// Its byte.
        at: u32,
        /// Its number, 0 to 7.
        bit: u8,
        /// What it reads as; none: the seed decides.
        level: Option<bool>,
    },
    /// Another chip under the clip.
    WrongChip {
        /// That chip.
        to: Box<Model>,
    },
    /// Operations do not end.
    BusyForever,
    /// The link does not answer.
    LinkStall,
    /// Protection bits rise.
    ProtectRaised,
    /// The chip goes deaf on opcodes that are not its own.
    DeafAfterOpcode,
}

/// A bit of every command that arrives as one level.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct StuckLine {
    /// Its number from the first clock on: 0 is the opcode's highest bit, 8 the address's.
    pub bit: u32,
    /// What it arrives as: a level, or (neighbour) the bit before it once more, which is DI that changes too slowly.
    pub pull: Pull,
    /// Share of the transactions in which it is stuck.
    pub share: f64,
}

/// Bits of a [`FaultKind::WeakDataOut`] burst, on average.
pub const WEAK_BURST: u32 = 64;
/// Most clocks of a pause or bounce that ends within the transaction.
pub const LONGEST_PAUSE: u32 = 256;
/// Clocks (DO: bits read) that a contact is open when it opens at one moment.
pub const ONE_OPENING: u32 = 8192;
/// Margin that changes the chance of [`FaultKind::LateSampling`] by e, in nanoseconds.
pub const KNEE_NS: f64 = 3.0;
/// From the clock's edge to the chip's output, in nanoseconds (tCLQV of common parts, from memory).
pub const OUTPUT_NS: f64 = 7.0;
/// Delay of leads of length 1, there and back with what they are loaded with, in nanoseconds.
pub const LEAD_NS: f64 = 50.0;

impl FaultKind {
    /// The word for it in a bench file.
    #[must_use]
    pub fn word(&self) -> &'static str {
        match self {
            Self::Noise { .. } => "noise",
            Self::OpenContact { contact: Contact::Line(Signal::DataOut), .. } => "open-data-out",
            Self::OpenContact { .. } => "open-contact",
            Self::WeakDataOut { .. } => "weak-data-out",
            Self::ClockSlip { .. } => "clock-slip",
            Self::SelectBounce { .. } => "select-bounce",
            Self::AddressError { .. } => "address-error",
            Self::SupplySag { .. } => "supply-sag",
            Self::LateSampling { .. } => "late-sampling",
            Self::ConstantShift { .. } => "constant-shift",
            Self::BusContention { .. } => "bus-contention",
            Self::SizeAlias { .. } => "size-alias",
            Self::HoldFloating { .. } => "hold-floating",
            Self::PowerCut => "power-cut",
            Self::Unplug => "unplug",
            Self::SupplyDip => "supply-dip",
            Self::WornSector { .. } => "worn-sector",
            Self::StuckBit { .. } => "stuck-bit",
            Self::WrongChip { .. } => "wrong-chip",
            Self::BusyForever => "busy-forever",
            Self::LinkStall => "link-stall",
            Self::ProtectRaised => "protect-raised",
            Self::DeafAfterOpcode => "deaf-after-opcode",
        }
    }
}

impl Fault {
    /// What the record of fired faults calls it: kind and moment, so that editing other faults does not move it.
    fn name(&self) -> Option<String> {
        let When::Moment { at_us } = self.when else { return None };
        let word = self.kind.word();
        Some(match &self.kind {
            FaultKind::OpenContact { contact, .. } if word == "open-contact" => {
                format!("{word} {contact:?} at {at_us}")
            }
            _ => format!("{word} at {at_us}"),
        })
    }
}

/// The faults of an open bench: which are on, which have fired.
#[derive(Debug)]
pub(crate) struct Faults {
    faults: Vec<Fault>,
    on: Vec<bool>,
    fired: BTreeSet<String>,
}

/// What changed when the clock moved.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Change {
    /// Number of the fault.
    pub(crate) index: usize,
    /// It is on from now on; else it is over.
    pub(crate) on: bool,
}

impl Faults {
    /// All off; `fired` names those that have had their moment.
    pub(crate) fn new(faults: Vec<Fault>, fired: BTreeSet<String>) -> Self {
        Self { on: vec![false; faults.len()], faults, fired }
    }

    /// The kind of a fault.
    pub(crate) fn kind(&self, index: usize) -> &FaultKind {
        &self.faults[index].kind
    }

    /// The kinds that are on.
    pub(crate) fn active(&self) -> impl Iterator<Item = &Fault> {
        self.faults.iter().zip(&self.on).filter(|(_, on)| **on).map(|(fault, _)| fault)
    }

    /// Names of those that have had their moment.
    pub(crate) fn fired(&self) -> &BTreeSet<String> {
        &self.fired
    }

    /// The first time after `now` and up to `until` at which a fault begins or ends.
    pub(crate) fn next_edge(&self, now: u64, until: u64) -> Option<u64> {
        let edges = self.faults.iter().flat_map(|fault| match fault.when {
            When::Window { from_us, until_us } => [Some(from_us), until_us],
            When::Moment { at_us } => [Some(at_us), None],
        });
        edges.flatten().filter(|edge| *edge > now && *edge <= until).min()
    }

    /// Brings every fault to the state that it has at `now`, and tells which changed.
    pub(crate) fn settle(&mut self, now: u64) -> Vec<Change> {
        let mut changes = Vec::new();
        for (index, fault) in self.faults.iter().enumerate() {
            let on = match fault.when {
                When::Window { from_us, until_us } => from_us <= now && until_us.is_none_or(|until| now < until),
                When::Moment { at_us } => {
                    self.on[index] || at_us <= now && fault.name().is_some_and(|name| self.fired.insert(name))
                }
            };
            if on != self.on[index] {
                self.on[index] = on;
                changes.push(Change { index, on });
            }
        }
        changes
    }

    /// A fault of one moment is over.
    pub(crate) fn end(&mut self, index: usize) {
        self.on[index] = false;
    }

    /// The supply came back: every fault is off until [`Self::settle`] is called again.
    pub(crate) fn power_up(&mut self) {
        self.on.fill(false);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn unplug(when: When) -> Fault {
        Fault { kind: FaultKind::Unplug, when }
    }

    #[test]
    fn a_window_holds_its_first_microsecond_and_not_its_last() {
        let mut faults = Faults::new(vec![unplug(When::Window { from_us: 10, until_us: Some(20) })], BTreeSet::new());
        assert_eq!(faults.settle(9), []);
        assert_eq!(faults.next_edge(9, 100), Some(10));
        assert_eq!(faults.settle(10), [Change { index: 0, on: true }]);
        assert_eq!(faults.next_edge(10, 100), Some(20));
        assert_eq!(faults.settle(19), []);
        assert_eq!(faults.settle(20), [Change { index: 0, on: false }]);
        assert_eq!(faults.next_edge(20, 100), None);
    }

    #[test]
    fn a_moment_comes_once_ever() {
        let moment = vec![unplug(When::Moment { at_us: 5 })];
        let mut faults = Faults::new(moment.clone(), BTreeSet::new());
        assert_eq!(faults.settle(7), [Change { index: 0, on: true }]);
        assert_eq!(faults.settle(8), [], "it stays on");
        faults.power_up();
        assert_eq!(faults.settle(9), []);
        let mut later = Faults::new(moment, faults.fired().clone());
        assert_eq!(later.settle(9), []);
    }
}
