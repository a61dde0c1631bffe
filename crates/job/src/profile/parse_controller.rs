//! The table `[[controller]]` of a profile: where the version of an embedded controller's firmware stands, and which are good.
//!
//! Where a version stands is nothing standard, so a person says it; what is said is looked for by the room `image`. Whether the
//! chip or span exists is left to `check`.

use image::check::{Controller, LookIn, Place};

use super::document::{Section, shown};
use super::model::ControllerSpec;
use super::parse::{only, target};

/// Greatest place: the end of the greatest image that is read, 256 MiB.
const END: u64 = 1 << 28;
/// Most bytes that are stepped over in a structure.
const MOST_SKIP: u32 = 1 << 24;

pub(super) fn controller(section: &mut Section<'_, '_>) -> Option<ControllerSpec> {
    let words = [("stock", LookIn::Stock), ("image", LookIn::Image)];
    let (id, name, why) = (section.need_id("id"), section.need_text("name"), section.need_text("why"));
    let look_in = section.need_choice("look_in", &words);
    let needs = section.texts("needs");
    if needs.is_empty() {
        section.error("needs", "no version is named", "list those that the new firmware was tried with, as they stand");
    }
    for version in &needs {
        if version.len() > 64 || !version.bytes().all(|letter| letter.is_ascii_graphic()) {
            let what = format!("`{}` is no version as it can stand in an image", shown(version));
            section.error("needs", what, "write 1 to 64 letters, digits and signs without a blank");
        }
    }
    let (target, place) = (target(section), place(section));
    let wanted = Controller { name, needs, look_in: look_in?, place: place?, before: section.text("before") };
    Some(ControllerSpec { id, target: target?, wanted, why })
}

fn place(section: &Section<'_, '_>) -> Option<Place> {
    if let Some(text) = section.text("select") {
        for key in ["at", "len"].into_iter().filter(|key| section.has(key)) {
            section.error(
                key,
                "a version stands in a structure or in a stretch, not in both",
                "take this out, or `select`",
            );
        }
        let skip = section.integer32("skip", 0..=MOST_SKIP).unwrap_or(0);
        return match text.parse() {
            Ok(selector) => Some(Place::Structure(Box::new(selector), skip as usize)),
            Err(error) => {
                let remedy =
                    "write it as `firmhand image take IMAGE --list /` has it, such as \"file:NAME/section%14\"";
                section.error("select", format!("this is no selector: {error}"), remedy);
                None
            }
        };
    }
    only(section, "skip", "`select`");
    let (at, len) = (section.integer("at", 0..=END - 1), section.integer("len", 1..=END));
    match (at, len) {
        (Some(at), Some(len)) if at + len <= END => Some(Place::Stretch(at..at + len)),
        (Some(_), Some(_)) => {
            section.error("len", "the stretch ends past the greatest image", "give the bytes where the version stands");
            None
        }
        _ if section.has("at") && section.has("len") => None,
        _ => {
            let remedy = "write `select = \"SELECTOR\"`, or `at = OFFSET` and `len = BYTES`";
            section.error("select", "nothing says where the version stands", remedy);
            None
        }
    }
}
