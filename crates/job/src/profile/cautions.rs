//! The standard cautions: what a person must see at a step, whoever wrote the profile and whatever they forgot.
//!
//! Which cautions apply follows from the step's kind and from facts of the profile: what feeds the machine, how a chip is
//! reached, which voltage it takes, whether the case is open at that point. All of them are common practice, no source; local
//! rules go first, and the last sentence says so. A profile adds its own; it cannot take one away.

use nor::supply::CLASS_1V8;

use super::model::{ChipSpec, JobKind, PoweredBy, Profile, Reach, Step, StepKind, SupplyKind};

const LOCAL_RULES: &str = "Follow local rules; when unsure, ask a licensed technician.";
const CONSENT: &str =
    "Go on only with the owner's consent, given by name. A machine that nobody present may speak for stays untouched.";
const WARRANTY: &str = "The work may end the warranty; the owner has to know before it begins.";
const LOCKED: &str =
    "A machine that is locked or reported stolen stops here. Nothing in this work removes a password or a lock.";
const SWOLLEN: &str = "Lithium battery: when it is swollen, soft, hot or smells sweet, stop and put the machine down outdoors. Never pry, pierce, bend or short a battery.";
const BATTERY_CONNECTOR: &str =
    "Take a battery's plug off straight, with plastic tools or fingers; a metal tip across its contacts is a short.";
const BATTERY_IN_SETUP: &str = "Where setup can switch the built-in battery off, do that first.";
const MAINS_FIRST: &str =
    "Pull the mains plug before the case is opened, and keep it where you can see that it is out.";
const DRAIN: &str =
    "With every source away, hold the power button down for 10 s: capacitors keep a board alive for a while.";
const STATIC: &str = "Static electricity kills parts without a spark that you would feel: wear a strap on bare metal of the board, and touch that first.";
const UNPLUGGED: &str = "Pull the programmer's plug out of the computer before anything is put on the chip or taken off. A seated clip may be pressed, never moved, while it has power.";
const PIN_ONE: &str = "Check pin 1 twice: the dot or chamfer on the chip, and the mark on the board. Some moulds leave two dimples; then the direction of the marking decides.";
const INSULATE: &str = "Lay the programmer on something that does not conduct, apart from the board.";
const GROUND_FIRST: &str = "Ground goes on first and comes off last.";
const ONE_SUPPLY: &str = "One source feeds the chip, never two.";
const FED_BY_LINK: &str =
    "The programmer feeds this chip. Mains, batteries and coin cell stay away as long as it does.";
const FED_BY_BOARD: &str =
    "The machine's own standby supply feeds this chip: leave the programmer's supply wire off, and join the grounds.";
const FED_BY_BENCH: &str = "A bench supply feeds this chip: set voltage and a small current limit before it is connected, and leave the programmer's supply wire off.";
const LOW_VOLTAGE: &str =
    "This chip takes 1.8 V. A 3.3 V programmer without a level adapter destroys it, and drags its neighbours along.";
const SOLDERING: &str =
    "Soldering on a populated board is work for somebody who has done it before, with eye protection and moving air.";
const HOT_AIR: &str = "Hot air is for the competent only: shield batteries, plastic and neighbouring parts, and let the board cool before anything is powered.";
const PROBE_PADS: &str = "A spring probe has to stand upright; the pad in the middle beneath the chip may be ground, and a tip that slides onto it is a short.";
const HANDS_OFF: &str = "Hands off the clip, the cables and the table until this step says that it is done.";
const SLIP: &str = "A probe that slips bridges two pins. Put the ground lead on first, and touch one point at a time.";
const NO_WAY_BACK: &str =
    "This writes chips without a way back unless each of them has a capture in this job. Do not interrupt it.";
const UPDATE_POWER: &str = "An update needs mains and a charged battery. With a worn battery, leave it.";
const ERASES_DRIVE: &str =
    "Everything on the drive that is written is lost. Compare its name and size with the one in your hand.";
const OPEN_START: &str = "Starting with the case open: cooler fitted, nothing metal beneath or on the board, fingers away from fan and mains parts.";
const PLUGS: &str = "Antenna plugs go on straight down and click; forced at an angle they crush, and the socket on the card goes with them.";
const RADIO: &str = "A radio card has to be approved for where the machine will be used.";
const LOOSE_METAL: &str =
    "Count screws and tools before closing: one loose screw beneath a board is a short in waiting.";
const OLD_BATTERY: &str =
    "A battery that stays behind goes to battery collection with its contacts taped, never into household waste.";

/// Returns the cautions that belong to a step: the standard ones first, then its own, then the word on local rules when a
/// standard one was said.
#[must_use]
pub fn cautions_for<'a>(profile: &'a Profile, step: &'a Step) -> Vec<&'a str> {
    let standard = standard(profile, step);
    let closing = (!standard.is_empty()).then_some(LOCAL_RULES);
    standard.into_iter().chain(step.cautions.iter().map(String::as_str)).chain(closing).collect()
}

fn standard(profile: &Profile, step: &Step) -> Vec<&'static str> {
    let mut said = Vec::new();
    let has = |kind: SupplyKind| profile.supplies.iter().any(|supply| supply.kind == kind);
    let (battery, mains) = (has(SupplyKind::Battery), has(SupplyKind::Mains));
    let chip = step.chip.as_deref().and_then(|id| profile.chip(id));
    match step.kind {
        StepKind::Intake if step.takes.is_some() => {}
        StepKind::Intake => {
            said.extend([CONSENT, WARRANTY, LOCKED]);
            said.extend(battery.then_some(SWOLLEN));
        }
        StepKind::SuppliesOff => {
            said.extend(mains.then_some(MAINS_FIRST));
            if battery {
                said.extend([BATTERY_IN_SETUP, SWOLLEN, BATTERY_CONNECTOR]);
            }
            said.push(DRAIN);
        }
        StepKind::SuppliesOn => match chip {
            Some(chip) => said.extend([fed_by(chip), ONE_SUPPLY]),
            None => said.extend(battery.then_some(SWOLLEN)),
        },
        StepKind::Open => {
            said.extend(mains.then_some(MAINS_FIRST));
            said.extend(battery.then_some(SWOLLEN));
            said.push(STATIC);
        }
        StepKind::Wire => {
            said.extend([UNPLUGGED, PIN_ONE, STATIC, GROUND_FIRST, INSULATE]);
            if let Some(chip) = chip {
                said.extend(at_chip(chip));
            }
        }
        StepKind::Unwire => {
            said.extend([UNPLUGGED, GROUND_FIRST, STATIC]);
            said.extend(chip.and_then(|chip| by_heat(chip.reach)));
        }
        StepKind::Identify | StepKind::Capture | StepKind::Verify => said.push(HANDS_OFF),
        StepKind::Fill | StepKind::Apply => said.push(HANDS_OFF),
        StepKind::Measure => said.push(SLIP),
        StepKind::BootMedia => said.push(ERASES_DRIVE),
        StepKind::PowerUp => said.extend(open_at(profile, step).then_some(OPEN_START)),
        StepKind::Fit => said.extend([STATIC, PLUGS, RADIO]),
        StepKind::Close => said.extend([STATIC, LOOSE_METAL]),
        StepKind::Handover => said.extend(battery.then_some(OLD_BATTERY)),
        StepKind::Note | StepKind::Check | StepKind::Compose | StepKind::Survey => {}
    }
    if !step.may_write.is_empty() {
        said.push(NO_WAY_BACK);
        said.extend(battery.then_some(UPDATE_POWER));
    }
    said
}

/// What a chip's voltage, supply and reach ask for when it is wired.
fn at_chip(chip: &ChipSpec) -> Vec<&'static str> {
    let mut said = vec![fed_by(chip), ONE_SUPPLY];
    said.extend((chip.supply_v.max_mv <= CLASS_1V8.max_mv).then_some(LOW_VOLTAGE));
    said.extend(by_heat(chip.reach));
    said.extend((chip.reach == Reach::SpringProbe).then_some(PROBE_PADS));
    said
}

fn fed_by(chip: &ChipSpec) -> &'static str {
    match chip.powered_by {
        PoweredBy::Link => FED_BY_LINK,
        PoweredBy::BoardStandby => FED_BY_BOARD,
        PoweredBy::BenchSupply => FED_BY_BENCH,
    }
}

fn by_heat(reach: Reach) -> Option<&'static str> {
    match reach {
        Reach::SolderedWires => Some(SOLDERING),
        Reach::Desoldered => Some(HOT_AIR),
        Reach::Clip | Reach::SpringProbe | Reach::Header => None,
    }
}

/// Tells whether the case is open at this step in any kind of job that has it.
fn open_at(profile: &Profile, step: &Step) -> bool {
    JobKind::ALL.into_iter().filter(|kind| step.belongs_to(*kind)).any(|kind| {
        let before = profile.steps_of(kind).take_while(|other| other.id != step.id);
        before
            .filter(|other| matches!(other.kind, StepKind::Open | StepKind::Close))
            .last()
            .is_some_and(|last| last.kind == StepKind::Open)
    })
}
