//! The version of an embedded controller's firmware, which new firmware may ask for.
//!
//! Keys, fan, battery and lid hang on a small controller with firmware of its own. Nothing standard says where its version
//! stands, so whoever knows the machine says it: a structure or a stretch, and what stands right before the version. From there
//! the version is the printable characters up to the first blank or anything else, 64 at most; of one byte each, or of two as
//! in UEFI's texts. What is found in several versions is not told.
//!
//! The decision a reader would question: versions are compared letter by letter. Which of two is newer, and whether newer is
//! better, is nothing that a program can tell from texts of unknown makers; a profile lists those that were tried.

use std::collections::BTreeSet;
use std::ops::Range;

use super::{Advice, Checked, Question, Side};
use crate::explain::Severity;
use crate::select::{self, Form, Selector};

/// Longest version.
const LONGEST: usize = 64;

/// What the profile of a machine says of a controller.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Controller {
    /// What it is, in words.
    pub name: String,
    /// Versions that the new firmware works with.
    pub needs: Vec<String>,
    /// Which image holds the firmware that the controller runs with the new image.
    pub look_in: LookIn,
    /// Where in it.
    pub place: Place,
    /// What stands right before the version; without it the version stands at the very place.
    pub before: Option<String>,
}

/// Which image holds the firmware that a controller runs.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum LookIn {
    /// The one that the machine came with: the controller keeps what the vendor's firmware gave it.
    Stock,
    /// The new one: the controller loads its firmware from there.
    Image,
}

/// Where in an image a version stands.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Place {
    /// In the content of a structure, unpacked where it is packed, from this byte on.
    Structure(Box<Selector>, usize),
    /// In these bytes of the image.
    Stretch(Range<u64>),
}

pub(super) fn look(checked: &mut Checked, new: &Side, stock: Option<&Side>, controllers: &[Controller]) {
    let mut told = true;
    for controller in controllers {
        let name = &controller.name;
        let side = match controller.look_in {
            LookIn::Stock => stock,
            LookIn::Image => Some(new),
        };
        let found = side.ok_or_else(|| "there is no stock image to look in".to_owned());
        let needs = controller.needs.join(" or ");
        let (severity, code, message, advice) = match found.and_then(|side| version(side, controller)) {
            Ok(found) if controller.needs.contains(&found) => (
                Severity::Note,
                "controller-holds",
                format!("{name}: version {found}, as the profile asks"),
                Advice("New firmware and controller were tried together in these versions.", "Nothing."),
            ),
            Ok(found) => (
                Severity::Bad,
                "controller-differs",
                format!("{name}: version {found}; the new firmware needs {needs}"),
                Advice(
                    "Keyboard, fan, charging or lid may not work, or the machine may not start.",
                    match controller.look_in {
                        LookIn::Stock => {
                            "Bring the vendor's firmware to the version that has it, before the first erase, and capture anew."
                        }
                        LookIn::Image => "Take the image that has it, or compose it with the part that does.",
                    },
                ),
            ),
            Err(why) => {
                told = false;
                (
                    Severity::Warn,
                    "controller-unknown",
                    format!("{name}: its version cannot be found: {why}; the new firmware needs {needs}"),
                    Advice(
                        "Nobody knows whether new firmware and controller fit each other.",
                        "Read the version in the setup of the running machine, and compare it with the profile's.",
                    ),
                )
            }
        };
        checked.remark(severity, Question::Controller, code, message, advice);
    }
    checked.answer(Question::Controller, told && !controllers.is_empty());
}

/// Returns the version, or why there is none.
fn version(side: &Side, controller: &Controller) -> Result<String, String> {
    let unpacked;
    let (bytes, from) = match &controller.place {
        Place::Structure(selector, skip) => {
            let found = select::find(&side.explanation, selector).map_err(|error| error.to_string())?;
            unpacked = select::bytes_of(side.bytes, &side.explanation, &found, Form::Decoded)
                .map_err(|error| error.to_string())?;
            (&unpacked[..], *skip)
        }
        Place::Stretch(range) => {
            let index = |at: u64| usize::try_from(at).unwrap_or(usize::MAX);
            let stretch = side.bytes.get(index(range.start)..index(range.end));
            (stretch.ok_or_else(|| "the image ends before that place".to_owned())?, 0)
        }
    };
    let bytes = bytes.get(from..).unwrap_or_default();
    let mut found = BTreeSet::new();
    match &controller.before {
        None => found.extend(text(bytes)),
        Some(before) => {
            let wide: Vec<u8> = before.encode_utf16().flat_map(u16::to_le_bytes).collect();
            for mark in [before.as_bytes(), &wide] {
                for at in memchr::memmem::find_iter(bytes, mark) {
                    found.extend(text(&bytes[at + mark.len()..]));
                    // Two are as good as a thousand, which a hostile image may have.
                    if found.len() > 1 {
                        return Err("different versions stand where the profile says".to_owned());
                    }
                }
            }
        }
    }
    found.pop_first().ok_or_else(|| "no version stands where the profile says".to_owned())
}

/// Returns the printable characters that bytes begin with; none when there are none.
fn text(bytes: &[u8]) -> Option<String> {
    let wide = bytes.get(1) == Some(&0);
    let characters = bytes.chunks(if wide { 2 } else { 1 }).map_while(|unit| match unit {
        [letter] | [letter, 0] if letter.is_ascii_graphic() => Some(char::from(*letter)),
        _ => None,
    });
    let text: String = characters.take(LONGEST).collect();
    (!text.is_empty()).then_some(text)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::check::{Against, check};
    use crate::scenario::{LARKSPUR_MAC, larkspur_main};

    fn stretch(before: Option<&str>, needs: &[&str]) -> Controller {
        Controller {
            name: "keyboard controller".into(),
            needs: needs.iter().map(|text| (*text).to_owned()).collect(),
            look_in: LookIn::Stock,
            place: Place::Stretch(0x100..0x200),
            before: before.map(str::to_owned),
        }
    }

    fn stock(text: &[u8]) -> Vec<u8> {
        let mut stock = vec![0xFF; 0x1000];
        stock[0x110..0x110 + text.len()].copy_from_slice(text);
        stock
    }

    fn answer(stock: Option<&[u8]>, controller: &Controller) -> (Option<bool>, &'static str, String) {
        let against = Against { stock, controllers: vec![controller.clone()], ..Against::default() };
        let checked = check(&[0xFF; 0x1000], &against);
        let (_, answer) = *checked.answers.iter().find(|(question, _)| *question == Question::Controller).unwrap();
        let remark = checked.remarks.into_iter().find(|remark| remark.question == Question::Controller).unwrap();
        assert!(!remark.means.is_empty() && !remark.remedy.is_empty());
        (answer, remark.code, remark.message)
    }

    #[test]
    fn a_version_holds_differs_or_cannot_be_found() {
        let wide: Vec<u8> = "EC-1.18".encode_utf16().chain([0]).flat_map(u16::to_le_bytes).collect();
        for text in [&b"EC-1.18\0"[..], b"EC-1.18 of today", &wide, b"EC-1.18\0EC-1.18\xFF"] {
            let stock = stock(text);
            let holds = answer(Some(&stock), &stretch(Some("EC-"), &["1.17", "1.18"]));
            assert_eq!((holds.0, holds.1), (Some(true), "controller-holds"), "{text:?}");
            let differs = answer(Some(&stock), &stretch(Some("EC-"), &["1.1"]));
            assert_eq!((differs.0, differs.1), (Some(false), "controller-differs"), "{text:?}");
            assert_eq!(differs.2, "keyboard controller: version 1.18; the new firmware needs 1.1");
        }
        let unknown = |stock: Option<&[u8]>, controller: &Controller, why: &str| {
            let (answer, code, message) = answer(stock, controller);
            assert_eq!((answer, code), (None, "controller-unknown"));
            assert!(message.contains(why), "{message}");
        };
        let wanted = stretch(Some("EC-"), &["1.18"]);
        unknown(None, &wanted, "there is no stock image to look in");
        unknown(Some(&stock(b"ED-1.18")), &wanted, "no version stands where");
        unknown(Some(&stock(b"EC- 1.18")), &wanted, "no version stands where");
        unknown(Some(&stock(b"EC-1.18\0EC-1.19\0")), &wanted, "different versions stand where");
        unknown(Some(&[0xFF; 0x180]), &wanted, "ends before that place");
        unknown(Some(&stock(b"1.18")), &stretch(None, &["1.18"]), "no version stands where");
        let at = Controller { place: Place::Stretch(0x110..0x118), ..stretch(None, &["1.18"]) };
        assert_eq!(answer(Some(&stock(b"1.18\0")), &at).1, "controller-holds");
        let own = Controller { look_in: LookIn::Image, ..at };
        unknown(Some(&stock(b"1.18\0")), &own, "no version stands where");
    }

    /// A structure is found wherever it is packed.
    #[test]
    fn a_version_is_found_inside_packed_content() {
        let stock = larkspur_main(7, LARKSPUR_MAC);
        let inside = |selector: &str, skip| Controller {
            place: Place::Structure(Box::new(selector.parse().unwrap()), skip),
            ..stretch(None, &["1.0"])
        };
        assert_eq!(answer(Some(&stock), &inside("file:LarkBattery/section%14", 0)).1, "controller-holds");
        for (selector, skip) in
            [("file:LarkBattery/section%15", 99), ("file:LarkBattery/section%14", 999), ("file:No", 0)]
        {
            assert_eq!(answer(Some(&stock), &inside(selector, skip)).1, "controller-unknown", "{selector} {skip}");
        }
    }

    #[test]
    fn without_a_profile_nothing_is_said() {
        let checked = check(&[0xFF; 0x1000], &Against::default());
        assert!(checked.answers.contains(&(Question::Controller, None)));
        assert!(checked.remarks.iter().all(|remark| remark.question != Question::Controller));
    }
}
