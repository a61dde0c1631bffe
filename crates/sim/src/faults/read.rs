//! One `[[fault]]` of a bench file: its keys, their ranges and defaults.
//!
//! `rate`, `severity` and `pull` are taken in every fault, so that a kind can be changed without touching the rest; the
//! other keys are refused where they would do nothing.

use nor::catalogue::{self, Entry};
use nor::link::Signal;

use super::{Contact, Fault, FaultKind, Pull, StuckLine, When};
use crate::bench_file::hex;
use crate::error::BenchError;
use crate::model::Model;
use crate::random::Stream;
use crate::section::Section;

/// Keys of a `[[fault]]`.
pub(crate) const KEYS: [&str; 11] =
    ["kind", "rate", "severity", "pull", "from_us", "until_us", "at_us", "at", "bit", "to", "signal"];

/// Chance of a fault whose `rate` is not given.
const RATE: f64 = 1e-6;
/// Bits of the longest opcode with address.
const COMMAND_BITS: u32 = 40;
/// Most events in a second.
const MOST_PER_SECOND: f64 = 100_000.0;

#[derive(Clone, Copy, PartialEq)]
enum Kind {
    Noise,
    OpenDataOut,
    OpenContact,
    WeakDataOut,
    ClockSlip,
    SelectBounce,
    AddressError,
    SupplySag,
    LateSampling,
    ConstantShift,
    BusContention,
    SizeAlias,
    HoldFloating,
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
}

const KINDS: [(&str, Kind); 23] = [
    ("noise", Kind::Noise),
    ("open-data-out", Kind::OpenDataOut),
    ("open-contact", Kind::OpenContact),
    ("weak-data-out", Kind::WeakDataOut),
    ("clock-slip", Kind::ClockSlip),
    ("select-bounce", Kind::SelectBounce),
    ("address-error", Kind::AddressError),
    ("supply-sag", Kind::SupplySag),
    ("late-sampling", Kind::LateSampling),
    ("constant-shift", Kind::ConstantShift),
    ("bus-contention", Kind::BusContention),
    ("size-alias", Kind::SizeAlias),
    ("hold-floating", Kind::HoldFloating),
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
];

const PULLS: [(&str, Pull); 3] = [("up", Pull::Up), ("down", Pull::Down), ("neighbour", Pull::Neighbour)];

const CONTACTS: [(&str, Contact); 8] = [
    ("chip-select", Contact::Line(Signal::ChipSelect)),
    ("data-out", Contact::Line(Signal::DataOut)),
    ("write-protect", Contact::Line(Signal::WriteProtect)),
    ("ground", Contact::Ground),
    ("data-in", Contact::Line(Signal::DataIn)),
    ("clock", Contact::Line(Signal::Clock)),
    ("hold", Contact::Line(Signal::Hold)),
    ("supply", Contact::Supply),
];

impl Fault {
    /// Reads one `[[fault]]` of a bench for `chip`; `place` draws where it sits when nothing says it.
    pub(crate) fn read(section: &Section<'_>, chip: &Model, mut place: Stream) -> Result<Self, BenchError> {
        let kind = section
            .choice("kind", &KINDS)?
            .ok_or_else(|| section.error("kind", "this fault has no kind", "give one, such as \"power-cut\""))?;
        let used: &[&str] = match kind {
            Kind::WornSector => &["at"],
            Kind::StuckBit => &["at", "bit"],
            Kind::WrongChip => &["to"],
            Kind::AddressError => &["bit"],
            Kind::OpenContact | Kind::HoldFloating => &["signal"],
            _ => &[],
        };
        if let Some(key) = ["at", "bit", "to", "signal"].into_iter().find(|key| section.has(key) && !used.contains(key))
        {
            return Err(section.error(key, "this kind of fault has no use for it", "leave it out"));
        }
        let in_time = matches!(kind, Kind::SupplySag | Kind::BusContention);
        let rate = section.number("rate", 0.0..=if in_time { MOST_PER_SECOND } else { 1.0 })?;
        let chance = rate.unwrap_or(RATE);
        let severity = section.number("severity", 0.0..=1.0)?;
        let pull = section.choice("pull", &PULLS)?;
        let at = section.integer32("at", 0..=chip.size - 1)?;
        let at = at.unwrap_or_else(|| {
            // Nothing says where this fault sits: the seed does.
            u32::try_from(place.below(u64::from(chip.size))).expect("an address of the chip")
        });
        let share = severity.unwrap_or(1.0);
        let kind = match kind {
            Kind::Noise => FaultKind::Noise { chance: chance * share },
            Kind::OpenDataOut => {
                open(section, Contact::Line(Signal::DataOut), pull.unwrap_or(Pull::Up), (chance, share))?
            }
            Kind::OpenContact => {
                let contact = section.choice("signal", &CONTACTS)?.ok_or_else(|| {
                    section.error("signal", "nothing says which contact is open", "give one, such as \"clock\"")
                })?;
                open(section, contact, pull.unwrap_or(Pull::Up), (chance, share))?
            }
            Kind::WeakDataOut => {
                FaultKind::WeakDataOut { chance, share: severity.unwrap_or(0.5), pull: pull.unwrap_or(Pull::Up) }
            }
            Kind::ClockSlip => FaultKind::ClockSlip { chance, doubled: severity.unwrap_or(0.5) },
            Kind::SelectBounce => FaultKind::SelectBounce { chance, share, pull: pull.unwrap_or(Pull::Up) },
            Kind::AddressError => match section.integer32("bit", 0..=COMMAND_BITS - 1)? {
                None => FaultKind::AddressError { chance: chance * share, stuck: None },
                Some(bit) => {
                    let stuck = StuckLine { bit, pull: pull.unwrap_or(Pull::Down), share };
                    FaultKind::AddressError { chance: 0.0, stuck: Some(stuck) }
                }
            },
            Kind::SupplySag => FaultKind::SupplySag { per_second: rate.unwrap_or(1.0), depth: severity.unwrap_or(0.5) },
            Kind::LateSampling => FaultKind::LateSampling { chance, lead: severity.unwrap_or(0.5) },
            Kind::ConstantShift => FaultKind::ConstantShift { share },
            Kind::BusContention => {
                FaultKind::BusContention { per_second: rate.unwrap_or(100.0), share: severity.unwrap_or(0.05) }
            }
            Kind::SizeAlias => FaultKind::SizeAlias { halvings: halvings(severity.unwrap_or(0.0)) },
            Kind::HoldFloating => hold_floating(section, chance, severity.unwrap_or(0.5), pull)?,
            Kind::PowerCut => FaultKind::PowerCut,
            Kind::Unplug => FaultKind::Unplug,
            Kind::SupplyDip => FaultKind::SupplyDip,
            Kind::WornSector => FaultKind::WornSector { at, weak_bits: weak_bits(severity.unwrap_or(0.5)) },
            Kind::StuckBit => {
                let bit = section.integer32("bit", 0..=7)?.map_or(0, |bit| bit.to_le_bytes()[0]);
                let level = match pull {
                    Some(Pull::Up) => Some(true),
                    Some(Pull::Down) => Some(false),
                    Some(Pull::Neighbour) | None => None,
                };
                FaultKind::StuckBit { at, bit, level }
            }
            Kind::WrongChip => {
                FaultKind::WrongChip { to: Box::new(other_chip(section, section.text("to", 64)?, chip)?) }
            }
            Kind::BusyForever => FaultKind::BusyForever,
            Kind::LinkStall => FaultKind::LinkStall,
            Kind::ProtectRaised => FaultKind::ProtectRaised,
            Kind::DeafAfterOpcode => FaultKind::DeafAfterOpcode,
        };
        Ok(Self { when: when(section, &kind)?, kind })
    }
}

fn open(
    section: &Section<'_>,
    contact: Contact,
    pull: Pull,
    (chance, share): (f64, f64),
) -> Result<FaultKind, BenchError> {
    if pull == Pull::Neighbour && contact != Contact::Line(Signal::DataOut) {
        let remedy = "give \"up\" or \"down\"";
        return Err(section.error("pull", "only data-out follows a neighbour", remedy));
    }
    if share <= 0.0 {
        return Err(section.error("severity", "a contact that is never open is a good one", "give more than 0"));
    }
    Ok(FaultKind::OpenContact { contact, pull, chance, share })
}

fn hold_floating(section: &Section<'_>, chance: f64, share: f64, pull: Option<Pull>) -> Result<FaultKind, BenchError> {
    let signals = [("hold", Signal::Hold), ("write-protect", Signal::WriteProtect)];
    let signal = section.choice("signal", &signals)?.unwrap_or(Signal::Hold);
    // WP# floating high does nothing, so that low is the default there.
    let usual = if signal == Signal::Hold { Pull::Up } else { Pull::Down };
    let pull = pull.unwrap_or(usual);
    if signal == Signal::WriteProtect && pull == Pull::Neighbour {
        return Err(section.error("pull", "only data-out follows a neighbour", "give \"up\" or \"down\""));
    }
    Ok(FaultKind::HoldFloating { signal, chance, share, pull })
}

/// One to four.
fn halvings(severity: f64) -> u32 {
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "0 to 3")]
    let more = (severity * 3.0).round() as u32;
    1 + more
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
