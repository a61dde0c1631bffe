//! Faults: what they are, how a bench file says them, and when each is on.
//!
//! | kind | acts on | on for a window (or always) | at one moment |
//! |---|---|---|---|
//! | noise | line from the chip | each bit read flips with `rate` x `severity` | refused |
//! | power-cut, unplug | supply, link | the link is gone | gone for [`VANISHED_US`], then there again |
//! | supply-dip | chip's supply | the chip is without supply, the link stays | for an instant: modes and latches are lost |
//! | worn-sector | cells | the sector of `at` keeps some bits after an erase, or after a program | from then on |
//! | stuck-bit | cells | one bit reads the same whatever was written | from then on |
//! | wrong-chip | clip | another chip answers | from then on |
//! | busy-forever | chip | an erase, program or status write does not end | from then on |
//! | link-stall | link | answers wait for the window's end | one answer is lost |
//! | protect-raised | chip | the protection bits rise when it begins | the same |
//! | deaf-after-opcode | chip | an opcode of another maker makes it deaf | from then on |
//!
//! "From then on" ends with the next power-up, and so does what a fault left in the chip. A fault of one moment fires
//! once ever: that is recorded beside the content. A power cut and an unplug differ in name alone: the link feeds the
//! chip, so each takes the supply from both. A worn sector or stuck bit without `at` sits where the seed says. The kinds of fault that bend single lines are known by name and refused.

use std::collections::BTreeSet;

use nor::catalogue::{self, Entry};

use crate::bench_file::hex;
use crate::error::BenchError;
use crate::model::Model;
use crate::random::Stream;
use crate::section::Section;

/// How long a link that vanishes at one moment stays away: the time in which it is plugged in again.
pub const VANISHED_US: u64 = 2_000_000;

/// Keys of a `[[fault]]`.
pub(crate) const KEYS: [&str; 10] =
    ["kind", "rate", "severity", "pull", "from_us", "until_us", "at_us", "at", "bit", "to"];

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

/// What goes wrong.
#[derive(Debug, Clone, PartialEq)]
pub enum FaultKind {
    /// Bits on the line from the chip flip.
    Noise {
        /// Chance for each bit, 0 to 1.
        chance: f64,
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

#[derive(Clone, Copy)]
enum Kind {
    Noise,
    PowerCut,
    Unplug,
    SupplyDip,
    WornSector,
    StuckBit,
    WrongChip,
    BusyForever,
    LinkStall,
    ProtectRaised,
    DeafAfterOpcode,
    Line,
}

const KINDS: [(&str, Kind); 22] = [
    ("noise", Kind::Noise),
    ("power-cut", Kind::PowerCut),
    ("unplug", Kind::Unplug),
    ("supply-dip", Kind::SupplyDip),
    ("worn-sector", Kind::WornSector),
    ("stuck-bit", Kind::StuckBit),
    ("wrong-chip", Kind::WrongChip),
    ("busy-forever", Kind::BusyForever),
    ("link-stall", Kind::LinkStall),
    ("protect-raised", Kind::ProtectRaised),
    ("deaf-after-opcode", Kind::DeafAfterOpcode),
    ("open-data-out", Kind::Line),
    ("weak-data-out", Kind::Line),
    ("clock-slip", Kind::Line),
    ("select-bounce", Kind::Line),
    ("address-error", Kind::Line),
    ("supply-sag", Kind::Line),
    ("late-sampling", Kind::Line),
    ("constant-shift", Kind::Line),
    ("bus-contention", Kind::Line),
    ("size-alias", Kind::Line),
    ("hold-floating", Kind::Line),
];

impl Fault {
    /// Reads one `[[fault]]` of a bench for `chip`; `place` draws where it sits when nothing says it.
    pub(crate) fn read(section: &Section<'_>, chip: &Model, mut place: Stream) -> Result<Self, BenchError> {
        let kind = section
            .choice("kind", &KINDS)?
            .ok_or_else(|| section.error("kind", "this fault has no kind", "give one, such as \"power-cut\""))?;
        let rate = section.number("rate", 0.0..=1.0)?.unwrap_or(1e-6);
        let severity = section.number("severity", 0.0..=1.0)?;
        let pull = section.choice("pull", &[("up", Some(true)), ("down", Some(false)), ("neighbour", None)])?.flatten();
        let at = section.integer32("at", 0..=chip.size - 1)?;
        let bit = section.integer32("bit", 0..=7)?.map(|bit| bit.to_le_bytes()[0]);
        let to = section.text("to", 64)?;
        let at = at.unwrap_or_else(|| {
            // Nothing says where this fault sits: the seed does.
            u32::try_from(place.below(u64::from(chip.size))).expect("an address of the chip")
        });
        let uses = |keys: &[&str]| {
            let idle = ["at", "bit", "to"].into_iter().find(|key| section.has(key) && !keys.contains(key));
            idle.map_or(Ok(()), |key| Err(section.error(key, "this kind of fault has no use for it", "leave it out")))
        };
        let kind = match kind {
            Kind::Noise => FaultKind::Noise { chance: rate * severity.unwrap_or(1.0) },
            Kind::PowerCut => FaultKind::PowerCut,
            Kind::Unplug => FaultKind::Unplug,
            Kind::SupplyDip => FaultKind::SupplyDip,
            Kind::WornSector => FaultKind::WornSector { at, weak_bits: weak_bits(severity.unwrap_or(0.5)) },
            Kind::StuckBit => FaultKind::StuckBit { at, bit: bit.unwrap_or(0), level: pull },
            Kind::WrongChip => FaultKind::WrongChip { to: Box::new(other_chip(section, to, chip)?) },
            Kind::BusyForever => FaultKind::BusyForever,
            Kind::LinkStall => FaultKind::LinkStall,
            Kind::ProtectRaised => FaultKind::ProtectRaised,
            Kind::DeafAfterOpcode => FaultKind::DeafAfterOpcode,
            Kind::Line => {
                let remedy = "leave this fault out; `noise` is the line fault that there is";
                return Err(section.error("kind", "not simulated by this version", remedy));
            }
        };
        match kind {
            FaultKind::WornSector { .. } => uses(&["at"])?,
            FaultKind::StuckBit { .. } => uses(&["at", "bit"])?,
            FaultKind::WrongChip { .. } => uses(&["to"])?,
            _ => uses(&[])?,
        }
        Ok(Self { when: when(section, &kind)?, kind })
    }

    /// What the record of fired faults calls it: kind and moment, so that editing other faults does not move it.
    fn name(&self) -> Option<String> {
        let When::Moment { at_us } = self.when else { return None };
        let kind = match self.kind {
            FaultKind::Noise { .. } => "noise",
            FaultKind::PowerCut => "power-cut",
            FaultKind::Unplug => "unplug",
            FaultKind::SupplyDip => "supply-dip",
            FaultKind::WornSector { .. } => "worn-sector",
            FaultKind::StuckBit { .. } => "stuck-bit",
            FaultKind::WrongChip { .. } => "wrong-chip",
            FaultKind::BusyForever => "busy-forever",
            FaultKind::LinkStall => "link-stall",
            FaultKind::ProtectRaised => "protect-raised",
            FaultKind::DeafAfterOpcode => "deaf-after-opcode",
        };
        Some(format!("{kind} at {at_us}"))
    }
}

/// One at least: a worn sector that wears nothing would test nothing.
fn weak_bits(severity: f64) -> u32 {
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "0 to 31")]
    let more = (severity * 31.0) as u32;
    1 + more
}

fn when(section: &Section<'_>, kind: &FaultKind) -> Result<When, BenchError> {
    let times = 0..=i64::MAX.unsigned_abs();
    let from_us = section.integer("from_us", times.clone())?;
    let until_us = section.integer("until_us", times.clone())?;
    if let Some(at_us) = section.integer("at_us", times)? {
        if from_us.or(until_us).is_some() {
            return Err(section.error("at_us", "a moment and a window exclude each other", "give one of them"));
        }
        if matches!(kind, FaultKind::WornSector { .. } | FaultKind::StuckBit { .. }) {
            // What wears out stays so: the moment is a beginning.
            return Ok(When::Window { from_us: at_us, until_us: None });
        }
        if matches!(kind, FaultKind::Noise { .. }) {
            return Err(section.error(
                "at_us",
                "this kind of fault lasts",
                "give `from_us`, and `until_us` if it ends",
            ));
        }
        return Ok(When::Moment { at_us });
    }
    let from_us = from_us.unwrap_or(0);
    if until_us.is_some_and(|until_us| until_us <= from_us) {
        return Err(section.error("until_us", "the window ends before it begins", "give a time after `from_us`"));
    }
    Ok(When::Window { from_us, until_us })
}

/// The chip of `to`; without it one of the same maker with another id, of the same size if there is one.
fn other_chip(section: &Section<'_>, to: Option<&str>, chip: &Model) -> Result<Model, BenchError> {
    let Some(to) = to else {
        let others = catalogue::entries().iter().filter(|entry| !chip.id.starts_with(&entry.id));
        let foreign = |entry: &&Entry| (entry.id[0] != chip.id[0], entry.size != chip.size);
        return Ok(Model::of_entry(others.min_by_key(foreign).expect("the catalogue has chips of several ids")));
    };
    let mut entries = catalogue::by_marking(to);
    entries.extend(hex(to).into_iter().flat_map(|id| catalogue::by_id(&id)));
    let found = entries.first().ok_or_else(|| {
        section.error("to", "no chip of the catalogue has this marking or id", "give a marking, such as \"W25Q64\"")
    })?;
    if chip.id.starts_with(&found.id) {
        return Err(section.error("to", "this is the chip of the bench itself", "give one with another id"));
    }
    Ok(Model::of_entry(found))
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
