//! What a line test and an id say of each contact: a table, and one word for eyes that look up for half a second.
//!
//! Pure. The pins are those of an eight-pin package. A line that the board holds high (CS#, WP#, HOLD#) has to be held; one that
//! nothing holds (DO, DI, CLK) has to be loaded, which its time to rise tells. Times are compared with each other and with no
//! fixed number: leads and boards differ, and one lead of a clip without anything at its end is several times faster than those
//! beside it.
//!
//! What a reader would question: a line that should be held and follows the pulls, but slowly, is called good. Many a breakout
//! board leaves WP# and HOLD# to the chip's own weak pull-ups; a chip at its end is what was to be shown.

use driver::Look;
use nor::link::{LineReport, LineState, SIGNALS, Signal};
use nor::supply::Supply;
use serde::Serialize;

/// Less than this share of what is driven is no supply: the least that any chip of the 3 V class takes is 2.7 of 3.3 V.
const LEAST_SUPPLY_PERCENT: u32 = 80;

/// What one contact does.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Contact {
    /// Something is at its end, and it does what it should.
    Good,
    /// Nothing is at its end.
    Open,
    /// It moves together with the line of this pin.
    MovesWith(u8),
    /// Something stronger than the link drives it.
    Driven,
    /// It is low whatever pulls it. For WP# that may be the board's intent.
    Low,
    /// The link cannot tell.
    Unknown,
}

/// One contact of the package.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Pin {
    /// Its number.
    pub pin: u8,
    /// Its signal.
    pub signal: &'static str,
    /// What it does.
    pub contact: Contact,
    /// Its level with the link's pull-up and pull-down.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub levels: Option<[bool; 2]>,
    /// The time that it takes to rise, in nanoseconds.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub rise_ns: Option<u32>,
}

/// What a look says in a word or two.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Word {
    /// All eight answer.
    Seated,
    /// This pin has no contact.
    Reseat(u8),
    /// Several pins have none, or the id changes while every line is good.
    ReseatAll,
    /// No pin has contact.
    ClipOff,
    /// The chip has no supply.
    NoPower,
    /// Another master drives the lines.
    BusInUse,
    /// The lines are good, and no chip answers.
    NoAnswer,
    /// The programmer is not there.
    Unplugged,
}

impl Word {
    /// The word, to be read from a metre away.
    #[must_use]
    pub fn text(self) -> String {
        match self {
            Self::Seated => "SEATED".into(),
            Self::Reseat(pin) => format!("RESEAT PIN {pin}"),
            Self::ReseatAll => "RESEAT".into(),
            Self::ClipOff => "CLIP OFF".into(),
            Self::NoPower => "NO POWER".into(),
            Self::BusInUse => "BUS IN USE".into(),
            Self::NoAnswer => "NO ANSWER".into(),
            Self::Unplugged => "UNPLUGGED".into(),
        }
    }

    /// What to do, in one sentence.
    #[must_use]
    pub fn advice(self) -> String {
        let pin = |pin: u8| format!("pin {pin}, {}", SIGNAL_OF_PIN[usize::from(pin) - 1]);
        match self {
            Self::Seated => "all eight contacts answer; hands off the clip now".into(),
            Self::Reseat(number) => format!("press the clip at {}; if that does not help, clean that leg", pin(number)),
            Self::ReseatAll => "unplug the programmer, seat the clip anew with pin 1 at the dot, plug in again".into(),
            Self::ClipOff => "the clip is not on the chip: unplug the programmer first, then put it on".into(),
            Self::NoPower => {
                format!("the chip has no supply: look at {} and {}, and at the link's supply wire", pin(8), pin(4))
            }
            Self::BusInUse => {
                "something on the board drives these lines: drain the board, hold its controller in standby or reset, \
                 shorten the leads"
                    .into()
            }
            Self::NoAnswer => {
                "every line has contact and no chip answers: is this the right chip, the right voltage, pin 1 at pin 1?"
                    .into()
            }
            Self::Unplugged => "plug the programmer in".into(),
        }
    }
}

/// Signals by pin: common practice for serial NOR flash in eight-pin packages, as the makers' data sheets have it.
const SIGNAL_OF_PIN: [&str; 8] = ["CS#", "DO", "WP#", "GND", "DI", "CLK", "HOLD#", "VCC"];

/// The pin of a signal.
pub(crate) fn pin_of(signal: Signal) -> u8 {
    match signal {
        Signal::ChipSelect => 1,
        Signal::DataOut => 2,
        Signal::WriteProtect => 3,
        Signal::DataIn => 5,
        Signal::Clock => 6,
        Signal::Hold => 7,
    }
}

/// Returns what each of the eight pins does, by number.
#[must_use]
pub fn pins(look: &Look, drives: Supply) -> Vec<Pin> {
    let Some(lines) = &look.lines else {
        let named = (1..).zip(SIGNAL_OF_PIN);
        let unknown = |(pin, signal)| Pin { pin, signal, contact: Contact::Unknown, levels: None, rise_ns: None };
        return named.map(unknown).collect();
    };
    let mut pins: Vec<Pin> = lines
        .lines
        .iter()
        .map(|line| Pin {
            pin: pin_of(line.signal),
            signal: SIGNAL_OF_PIN[usize::from(pin_of(line.signal)) - 1],
            contact: contact(line, lines),
            levels: Some([line.pulled_up, line.pulled_down]),
            rise_ns: line.rise_ns,
        })
        .collect();
    let rail = |pin: u8, contact| Pin {
        pin,
        signal: SIGNAL_OF_PIN[usize::from(pin) - 1],
        contact,
        levels: None,
        rise_ns: None,
    };
    pins.push(rail(4, if floats_up(lines) { Contact::Open } else { Contact::Good }));
    pins.push(rail(8, if has_supply(lines, drives) { Contact::Good } else { Contact::Open }));
    pins.sort_by_key(|pin| pin.pin);
    pins
}

/// Returns the word for a look.
#[must_use]
pub fn word(look: &Look, drives: Supply) -> Word {
    let steady = look.ids[0] == look.ids[1];
    let silent = look.ids.iter().any(|id| id.iter().all(|byte| *byte == 0xFF) || id.iter().all(|byte| *byte == 0x00));
    let Some(lines) = &look.lines else {
        return match (steady, silent) {
            (true, false) => Word::Seated,
            (_, true) => Word::NoAnswer,
            (false, false) => Word::ReseatAll,
        };
    };
    if !has_supply(lines, drives) {
        return Word::NoPower;
    }
    if floats_up(lines) {
        return Word::Reseat(4);
    }
    let pins = pins(look, drives);
    if pins.iter().any(|pin| pin.contact == Contact::Driven) {
        return Word::BusInUse;
    }
    let bad: Vec<u8> = pins
        .iter()
        .filter_map(|pin| match pin.contact {
            Contact::Open => Some(pin.pin),
            Contact::MovesWith(other) => Some(pin.pin.min(other)),
            _ => None,
        })
        .collect();
    match bad.as_slice() {
        _ if bad.len() >= SIGNALS.len() => Word::ClipOff,
        [only] => Word::Reseat(*only),
        [first, rest @ ..] if rest.iter().all(|pin| pin == first) => Word::Reseat(*first),
        [] if steady && !silent => Word::Seated,
        [] if silent => Word::NoAnswer,
        _ => Word::ReseatAll,
    }
}

/// The whole chip without ground floats up to its supply, and every line with it.
fn floats_up(lines: &LineReport) -> bool {
    lines.lines.iter().all(|line| line.pulled_up && line.pulled_down)
}

fn has_supply(lines: &LineReport, drives: Supply) -> bool {
    let enough = u64::from(drives.mv) * u64::from(LEAST_SUPPLY_PERCENT) / 100;
    let sensed = lines.supply_mv.is_none_or(|mv| u64::from(mv) >= enough);
    // Without a supply the chip's protection diodes hold every line low.
    sensed && !lines.lines.iter().all(|line| !line.pulled_up && !line.pulled_down)
}

fn contact(line: &LineState, all: &LineReport) -> Contact {
    let own = SIGNALS.iter().position(|signal| *signal == line.signal).expect("one of the six");
    if !line.moved[own] {
        return Contact::Driven;
    }
    let follower = SIGNALS.iter().enumerate().find(|(index, _)| *index != own && line.moved[*index]);
    if let Some((_, signal)) = follower {
        return Contact::MovesWith(pin_of(*signal));
    }
    match (line.pulled_up, line.pulled_down) {
        (true, true) => Contact::Good,
        (false, _) => Contact::Low,
        (true, false) => match (line.rise_ns, loaded_ns(all)) {
            (Some(rise), Some(loaded)) if rise * 2 < loaded => Contact::Open,
            (Some(_), Some(_)) => Contact::Good,
            // Every line that follows is as fast as every other: either all have a chip at their end or none has.
            (Some(_), None) => {
                if held_anywhere(all) {
                    Contact::Good
                } else {
                    Contact::Open
                }
            }
            (None, _) => Contact::Unknown,
        },
    }
}

/// The time to rise of a line with something at its end: the slowest of those that follow both pulls, if another one is much
/// faster.
fn loaded_ns(all: &LineReport) -> Option<u32> {
    let follows = |line: &&LineState| line.pulled_up && !line.pulled_down;
    let rises: Vec<u32> = all.lines.iter().filter(follows).filter_map(|line| line.rise_ns).collect();
    let (fast, slow) = (*rises.iter().min()?, *rises.iter().max()?);
    (fast * 2 < slow).then_some(slow)
}

/// Whether the board holds any line up, which it can only through a contact.
fn held_anywhere(all: &LineReport) -> bool {
    all.lines.iter().any(|line| line.pulled_up && line.pulled_down)
}

#[cfg(test)]
mod tests {
    use super::*;

    const DRIVES: Supply = Supply { mv: 3300 };

    /// CS# DO WP# DI CLK HOLD#: `H` held up, `f` follows with a chip on it, `o` with nothing, `L` low.
    fn report(letters: &str) -> LineReport {
        let line = |(letter, signal): (char, Signal)| {
            let (pulled_up, pulled_down, rise_ns) = match letter {
                'H' => (true, true, Some(173)),
                'f' => (true, false, Some(1035)),
                'o' => (true, false, Some(345)),
                _ => (false, false, None),
            };
            LineState { signal, pulled_up, pulled_down, rise_ns, moved: SIGNALS.map(|other| other == signal) }
        };
        LineReport { lines: letters.chars().zip(SIGNALS).map(line).collect(), supply_mv: Some(3300) }
    }

    fn seen(letters: &str, ids: [[u8; 3]; 2]) -> Word {
        word(&Look { lines: Some(report(letters)), ids: ids.map(Vec::from) }, DRIVES)
    }

    const ID: [u8; 3] = [0xEF, 0x40, 0x18];
    const SILENT: [u8; 3] = [0xFF; 3];

    #[test]
    fn each_open_contact_is_named_by_its_pin() {
        assert_eq!(seen("HfHffH", [ID, ID]), Word::Seated);
        for (letters, pin) in [("ofHffH", 1), ("HoHffH", 2), ("HfoffH", 3), ("HfHofH", 5), ("HfHfoH", 6), ("HfHffo", 7)]
        {
            assert_eq!(seen(letters, [SILENT, SILENT]), Word::Reseat(pin), "{letters}");
        }
        assert_eq!(seen("HHHHHH", [SILENT, SILENT]), Word::Reseat(4), "no ground: everything floats up");
        assert_eq!(seen("LLLLLL", [SILENT, SILENT]), Word::NoPower);
        assert_eq!(seen("oooooo", [SILENT, SILENT]), Word::ClipOff);
        assert_eq!(seen("HooffH", [SILENT, SILENT]), Word::ReseatAll);
    }

    #[test]
    fn lines_that_are_good_do_not_hide_an_id_that_is_not() {
        assert_eq!(seen("HfHffH", [SILENT, SILENT]), Word::NoAnswer);
        assert_eq!(seen("HfHffH", [ID, [0xEF, 0x40, 0x38]]), Word::ReseatAll);
        assert_eq!(seen("HfHfff", [ID, ID]), Word::Seated, "HOLD# left to the chip's own pull-up");
        assert_eq!(seen("HfLffH", [ID, ID]), Word::Seated, "WP# is tied low on this board");
    }

    #[test]
    fn a_short_an_other_master_and_a_weak_supply_are_told() {
        let look = |change: &dyn Fn(&mut LineReport)| {
            let mut lines = report("HfHffH");
            change(&mut lines);
            word(&Look { lines: Some(lines), ids: [ID.to_vec(), ID.to_vec()] }, DRIVES)
        };
        assert_eq!(look(&|lines| lines.lines[3].moved[1] = true), Word::Reseat(2), "DO picks DI's edges up");
        assert_eq!(look(&|lines| lines.lines[4].moved[4] = false), Word::BusInUse);
        assert_eq!(look(&|lines| lines.supply_mv = Some(2500)), Word::NoPower);
        assert_eq!(look(&|lines| lines.supply_mv = None), Word::Seated, "a link without a sense of the supply");
    }

    #[test]
    fn without_a_line_test_the_id_alone_speaks() {
        let seen = |ids: [[u8; 3]; 2]| word(&Look { lines: None, ids: ids.map(Vec::from) }, DRIVES);
        assert_eq!(seen([ID, ID]), Word::Seated);
        assert_eq!(seen([SILENT, SILENT]), Word::NoAnswer);
        assert_eq!(seen([ID, [0; 3]]), Word::NoAnswer);
        assert_eq!(seen([ID, [1, 2, 3]]), Word::ReseatAll);
        let look = Look { lines: None, ids: [ID.to_vec(), ID.to_vec()] };
        assert!(pins(&look, DRIVES).iter().all(|pin| pin.contact == Contact::Unknown));
    }
}
