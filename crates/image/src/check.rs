//! Whether an image fits a chip and a machine, told from the image that the machine came with.
//!
//! [`check`](fn@check) compares and judges; each [`Remark`] says what was found, what it means for the machine, and what to do. What cannot
//! be told is said as such: each of [`Question::ALL`] has an answer of yes, no, or nothing to tell it from.
//!
//! | question | is answered from |
//! |---|---|
//! | sound | the checks inside the image; one that fails in the stock image too is no news |
//! | size | the sizes of the chips |
//! | densities | the descriptor's density codes, against the chips |
//! | regions | the descriptor's map and what is blank, against the stock image |
//! | start | the bytes that a processor runs first, 10h before the end of the firmware |
//! | address | the MAC addresses in the network NVMs |
//! | microcode | the processors that updates in the stock image are for |
//! | fuses | entries of the firmware interface table for boot policy and key manifests (S16) |
//! | identity | variables with telling names, and ACPI tables of licences (MSDM, SLIC) |
//! | controller | the version of an embedded controller's firmware, where the profile says where it stands |
//!
//! Identity is told by name and never by value (S15). What a maker keeps elsewhere, such as in a region of no known format, is
//! not seen; that such a region is carried over is the question of regions.
//!
//! The decision a reader would question: a missing microcode update and a moved region are warnings. New firmware may bring updates under another roof or have
//! a map of its own on purpose, and only the person knows.

use std::collections::BTreeSet;

use crate::descriptor::{Master, access};
use crate::explain::{Explanation, Kind, Severity, explain, firmware_end, map, region_name};
use crate::mac::Mac;

mod controller;
mod identity;
mod json;

pub use controller::{Controller, LookIn, Place};

/// What an image is held against. What is not known stays empty.
#[derive(Debug, Clone, Default)]
pub struct Against<'a> {
    /// Bytes in each chip that the image goes to, in their order; one for most machines.
    pub chips: Vec<u64>,
    /// The image that the machine came with, as captured.
    pub stock: Option<&'a [u8]>,
    /// What the profile says of embedded controllers.
    pub controllers: Vec<Controller>,
}

/// What a check asks.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
#[allow(missing_docs)]
pub enum Question {
    Sound,
    Size,
    Densities,
    Regions,
    Start,
    Address,
    Microcode,
    Fuses,
    Identity,
    Controller,
}

/// Answers and remarks.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Checked {
    /// Each question with its answer; none when there was nothing to tell it from.
    pub answers: Vec<(Question, Option<bool>)>,
    /// What was found, worst first.
    pub remarks: Vec<Remark>,
}

/// One thing that was found.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Remark {
    /// How bad it is for the machine.
    pub severity: Severity,
    /// Which question it answers.
    pub question: Question,
    /// Stable name; the table of codes is in docs/formats.md.
    pub code: &'static str,
    /// Where in the image.
    pub at: u64,
    /// Path of the structure; empty for the image.
    pub path: String,
    /// What was found.
    pub message: String,
    /// What it means for the machine.
    pub means: &'static str,
    /// What to do.
    pub remedy: &'static str,
}

impl Question {
    /// Every question.
    pub const ALL: [Self; 10] = [
        Self::Sound,
        Self::Size,
        Self::Densities,
        Self::Regions,
        Self::Start,
        Self::Address,
        Self::Microcode,
        Self::Fuses,
        Self::Identity,
        Self::Controller,
    ];

    /// Returns the name that the JSON has for it.
    pub fn name(self) -> &'static str {
        match self {
            Self::Sound => "sound",
            Self::Size => "size",
            Self::Densities => "densities",
            Self::Regions => "regions",
            Self::Start => "start",
            Self::Address => "address",
            Self::Microcode => "microcode",
            Self::Fuses => "fuses",
            Self::Identity => "identity",
            Self::Controller => "controller",
        }
    }
}

impl Checked {
    /// Returns whether nothing bad was found.
    pub fn holds(&self) -> bool {
        self.remarks.iter().all(|remark| remark.severity != Severity::Bad)
    }
}

/// Returns what there is to say of `image` for the chips and the machine in `against`.
///
/// # Example
///
/// ```
/// use image::check::{Against, check};
/// use image::scenario::{LARKSPUR_MAC, larkspur_main, meadowlark_main};
///
/// let stock = larkspur_main(1, LARKSPUR_MAC);
/// let against = Against { chips: vec![16 << 20], stock: Some(&stock), ..Against::default() };
/// assert!(check(&meadowlark_main(1, LARKSPUR_MAC), &against).holds());
/// assert!(!check(&stock[..4096], &against).holds());
/// ```
pub fn check(image: &[u8], against: &Against) -> Checked {
    let stock = against.stock.map(|bytes| Side { bytes, explanation: explain(bytes) });
    let new = Side { bytes: image, explanation: explain(image) };
    let mut checked = Checked { answers: Vec::new(), remarks: Vec::new() };
    sound(&mut checked, &new, stock.as_ref());
    size(&mut checked, &new, against);
    densities(&mut checked, &new, against);
    regions(&mut checked, &new, stock.as_ref());
    start(&mut checked, &new, stock.as_ref());
    address(&mut checked, &new, stock.as_ref());
    microcode(&mut checked, &new, stock.as_ref());
    fuses(&mut checked, &new, stock.as_ref());
    identity::look(&mut checked, &new, stock.as_ref());
    controller::look(&mut checked, &new, stock.as_ref(), &against.controllers);
    checked.remarks.sort_by_key(|remark| std::cmp::Reverse(remark.severity));
    checked
}

/// An image with what stands in it.
struct Side<'a> {
    bytes: &'a [u8],
    explanation: Explanation,
}

impl Side<'_> {
    /// Returns the addresses in the banks of network NVMs whose sums do not fail.
    fn addresses(&self) -> BTreeSet<[u8; 6]> {
        let holders = self.explanation.nodes().map(|(_, node)| node).filter(|node| node.kind == Kind::Nvm);
        let whole = holders.filter(|node| !node.children.is_empty());
        whole.filter_map(|node| node.name.as_deref()?.parse::<Mac>().ok()).map(|mac| mac.0).collect()
    }
}

impl Checked {
    /// Notes the answer to a question: no when a remark on it is bad or a warning.
    fn answer(&mut self, question: Question, known: bool) {
        let against = |remark: &Remark| remark.question == question && remark.severity != Severity::Note;
        let answer = known.then(|| !self.remarks.iter().any(against));
        self.answers.push((question, answer));
    }

    fn remark(&mut self, severity: Severity, question: Question, code: &'static str, message: String, advice: Advice) {
        let Advice(means, remedy) = advice;
        self.remarks.push(Remark { severity, question, code, at: 0, path: String::new(), message, means, remedy });
    }
}

/// What a remark means for the machine, and what to do.
#[derive(Clone, Copy)]
struct Advice(&'static str, &'static str);

fn sound(checked: &mut Checked, new: &Side, stock: Option<&Side>) {
    for finding in new.explanation.findings.iter().filter(|finding| finding.severity == Severity::Bad) {
        let known = stock.is_some_and(|stock| {
            stock.explanation.findings.iter().any(|it| (it.code, &it.path) == (finding.code, &finding.path))
        });
        let (severity, means) = match known {
            true => (Severity::Note, "The machine ran with it: the stock image has it too."),
            false => {
                (Severity::Bad, "The image is damaged, or was not built for what reads it; the machine may not start.")
            }
        };
        let remedy = match known {
            true => "Nothing.",
            false => "Fetch or compose the image again and compare its hash with the published one.",
        };
        checked.remarks.push(Remark {
            severity,
            question: Question::Sound,
            code: finding.code,
            at: finding.at,
            path: finding.path.to_string(),
            message: finding.message.clone(),
            means,
            remedy,
        });
    }
    // What holds no check at all is not sound because none fails.
    let proof = new.explanation.proof;
    let found = checked.remarks.iter().any(|remark| remark.question == Question::Sound);
    checked.answer(Question::Sound, found || proof.checks_ok + proof.checks_failed > 0);
}

fn size(checked: &mut Checked, new: &Side, against: &Against) {
    let chips: u64 = against.chips.iter().sum();
    let len = new.bytes.len() as u64;
    if !against.chips.is_empty() && len != chips {
        let message = format!("the image has {len} bytes, the chip {chips}");
        let advice = match len < chips {
            true => Advice(
                "It does not say what stands in the rest of the chip.",
                "Take an image of the whole chip, or say the offset or region that this one is for.",
            ),
            false => Advice("It does not fit.", "Take the image for this chip, or for all chips of the set."),
        };
        checked.remark(Severity::Bad, Question::Size, "size-differs", message, advice);
    }
    checked.answer(Question::Size, !against.chips.is_empty());
}

fn densities(checked: &mut Checked, new: &Side, against: &Against) {
    let stated: Option<Vec<u64>> = map(new.bytes)
        .and_then(|map| map.chips.into_iter().map(|chip| chip.map(|bytes| bytes as u64)).collect())
        .filter(|chips: &Vec<u64>| !chips.is_empty());
    let known = stated.filter(|_| !against.chips.is_empty());
    if let Some(stated) = &known {
        // A descriptor may name a second chip that is not fitted; what is fitted has to agree.
        if stated.iter().zip(&against.chips).any(|(stated, chip)| stated != chip) || stated.len() < against.chips.len()
        {
            let message = format!("the descriptor says chips of {stated:?} bytes; there are {:?}", against.chips);
            let advice = Advice(
                "The chipset looks for regions at the wrong addresses.",
                "Take an image whose descriptor is for these chips, or keep the descriptor of the capture.",
            );
            checked.remark(Severity::Bad, Question::Densities, "density-differs", message, advice);
        }
    }
    checked.answer(Question::Densities, known.is_some());
}

fn regions(checked: &mut Checked, new: &Side, stock: Option<&Side>) {
    let Some((stock, old)) = stock.and_then(|stock| Some((stock, map(stock.bytes)?))) else {
        checked.answer(Question::Regions, false);
        return;
    };
    let Some(own) = map(new.bytes) else {
        let advice = Advice(
            "The chipset finds no regions; the machine does not start from this chip.",
            "Keep the descriptor of the capture, or take an image that has one.",
        );
        let message = "the stock image has a flash descriptor, this one has none".to_owned();
        checked.remark(Severity::Bad, Question::Regions, "descriptor-missing", message, advice);
        checked.answer(Question::Regions, true);
        return;
    };
    let blank = |bytes: Option<&[u8]>| bytes.is_none_or(|bytes| bytes.iter().all(|byte| *byte == bytes[0]));
    for (number, range) in &old.regions {
        let name = region_name(*number);
        let had_data = !blank(stock.bytes.get(range.clone()).filter(|bytes| !bytes.is_empty()));
        let now = own.regions.iter().find(|(other, _)| other == number).map(|(_, range)| range.clone());
        let Some(now) = now else {
            if had_data {
                let advice = Advice("What stands there is lost to the machine.", "Keep the region from the capture.");
                let message = format!("the region {name} of the stock image is missing");
                checked.remark(Severity::Bad, Question::Regions, "region-missing", message, advice);
            }
            continue;
        };
        if now != *range {
            let advice = Advice(
                "Whatever is carried over by region lands at another place.",
                "Fine when the new firmware wants its own map; otherwise keep the descriptor of the capture.",
            );
            let message = format!(
                "the region {name} stands at {:#x} to {:#x}, in the stock image at {:#x} to {:#x}",
                now.start, now.end, range.start, range.end
            );
            checked.remark(Severity::Warn, Question::Regions, "region-moved", message, advice);
        }
        if had_data && blank(new.bytes.get(now.clone()).filter(|bytes| !bytes.is_empty())) {
            let advice = Advice(
                "What only the vendor's image holds is gone; the machine may not start, or lacks a device.",
                "Keep the region from the capture.",
            );
            let message = format!("the region {name} is blank; the stock image has data there");
            checked.remark(Severity::Bad, Question::Regions, "region-blank", message, advice);
            if let Some(remark) = checked.remarks.last_mut() {
                remark.at = now.start as u64;
            }
        }
    }
    for master in Master::ALL {
        let (Ok(now), Ok(before)) = (access(new.bytes, master, None), access(stock.bytes, master, None)) else {
            continue;
        };
        if now.access != before.access {
            let advice = Advice(
                "What runs on the machine may read or write other parts of the chip than before.",
                "Fine when the new firmware wants it so; otherwise keep the descriptor of the capture.",
            );
            let message = format!("the descriptor gives the {} other rights than in the stock image", master.words());
            checked.remark(Severity::Note, Question::Regions, "access-differs", message, advice);
        }
    }
    checked.answer(Question::Regions, true);
}

/// What stands 10h before the end of the firmware.
#[derive(Clone, Copy, PartialEq, Eq)]
enum First {
    Blank,
    Jump,
    Other,
}

/// Returns what a processor would run first. Firmware begins with a jump, after no more than a few bytes that prepare it
/// (common practice, no source): NOP, CLI, CLD, WBINVD or a prefix.
fn first(image: &[u8]) -> Option<First> {
    let end = firmware_end(image);
    let vector = image.get(end.checked_sub(16)?..end)?;
    if vector.iter().all(|byte| *byte == vector[0]) {
        return Some(First::Blank);
    }
    let mut rest = vector;
    while let [0x90 | 0xFA | 0xFC | 0x66 | 0x67, more @ ..] | [0x0F, 0x09, more @ ..] = rest {
        rest = more;
    }
    Some(if matches!(rest, [0xE9..=0xEB, ..]) { First::Jump } else { First::Other })
}

fn start(checked: &mut Checked, new: &Side, stock: Option<&Side>) {
    let from_stock = stock.and_then(|stock| first(stock.bytes));
    // Without a stock image that starts so, only a descriptor tells that a processor of this kind starts from here.
    let known = from_stock.map_or(map(new.bytes).is_some(), |first| first == First::Jump);
    let advice = Advice(
        "The processor finds no first instruction there, and the machine stays dark.",
        "Make sure that the image is for this chip, whole, and ends where the firmware's region ends.",
    );
    match first(new.bytes).filter(|_| known) {
        Some(First::Blank) | None if known => {
            let message = "the last 16 bytes of the firmware, which run first, are blank".to_owned();
            checked.remark(Severity::Bad, Question::Start, "start-blank", message, advice);
        }
        Some(First::Other) => {
            let message = "the last 16 bytes of the firmware, which run first, do not begin with a jump".to_owned();
            checked.remark(Severity::Warn, Question::Start, "start-odd", message, advice);
        }
        _ => {}
    }
    checked.answer(Question::Start, known);
}

fn address(checked: &mut Checked, new: &Side, stock: Option<&Side>) {
    let (own, old) = (new.addresses(), stock.map(Side::addresses).unwrap_or_default());
    let known = !own.is_empty() || !old.is_empty();
    if own.is_empty() && !old.is_empty() {
        let advice = Advice(
            "The machine's wired network has no address, or none at all.",
            "Keep the region network from the capture, or have the recipe set the address.",
        );
        let message = "the stock image has a MAC address, this one has none".to_owned();
        checked.remark(Severity::Bad, Question::Address, "address-lost", message, advice);
    }
    for mac in own.difference(&old) {
        let (severity, message) = match (Mac(*mac).is_local(), old.is_empty()) {
            (true, _) => (Severity::Note, "its MAC address is locally administered and not the machine's own"),
            (false, true) => (Severity::Warn, "it has a MAC address, and nothing tells whether that is this machine's"),
            (false, false) => {
                (Severity::Bad, "it has a MAC address that is neither the machine's nor locally administered")
            }
        };
        let advice = Advice(
            "Two machines with one address disturb each other in one network.",
            "Have the recipe carry the machine's own address over, or draw a locally administered one.",
        );
        checked.remark(severity, Question::Address, "address-foreign", message.to_owned(), advice);
    }
    checked.answer(Question::Address, known);
}

/// Returns the signatures of processors that updates with sums that hold are for; those of extended tables too, where the
/// update stands in the image itself.
fn served(side: &Side) -> BTreeSet<u32> {
    let mut served = BTreeSet::new();
    for (_, node) in side.explanation.nodes().filter(|(_, node)| node.kind == Kind::Microcode) {
        if node.checks.iter().all(|check| check.ok != Some(false)) {
            served.extend(node.number);
        }
        let entries = node.checks.iter().filter(|check| check.name == "entry-sum" && check.ok == Some(true));
        let own = entries.filter(|_| node.space.is_none()).filter_map(|check| {
            side.bytes.get(check.at as usize..)?.first_chunk().map(|bytes| u32::from_le_bytes(*bytes))
        });
        served.extend(own);
    }
    served
}

fn microcode(checked: &mut Checked, new: &Side, stock: Option<&Side>) {
    let old = stock.map(served).unwrap_or_default();
    let own = served(new);
    for signature in old.difference(&own) {
        let advice = Advice(
            "A processor of this kind runs without the update that the vendor gave it, less stable or not at all.",
            "Make sure that the new firmware brings an update for the machine's processor, or that it needs none.",
        );
        let message = format!("no microcode for processor {signature:#x}, which the stock image has");
        checked.remark(Severity::Warn, Question::Microcode, "microcode-missing", message, advice);
    }
    checked.answer(Question::Microcode, !old.is_empty());
}

/// S16: entries of these types are for hardware that checks the firmware before it runs.
fn fuses(checked: &mut Checked, new: &Side, stock: Option<&Side>) {
    const MANIFESTS: [u32; 2] = [0x0B, 0x0C];
    let has = |side: &Side| {
        let mut entries = side.explanation.nodes().map(|(_, node)| node).filter(|node| node.kind == Kind::FitEntry);
        entries.any(|node| node.number.is_some_and(|number| MANIFESTS.contains(&number)))
    };
    let sides = [("stock image", stock.map(has)), ("image", Some(has(new)))];
    for (which, _) in sides.iter().filter(|(_, has)| *has == Some(true)) {
        let advice = Advice(
            "The machine may be fused: it then starts no firmware but its maker's.",
            "Find out before the first erase: from the running machine's survey, or the profile.",
        );
        let message = format!("the {which} has manifests of keys or boot policy: may be fused, the image cannot tell");
        checked.remark(Severity::Warn, Question::Fuses, "may-be-fused", message, advice);
    }
    // That there are no manifests does not tell that there are no fuses.
    let found = checked.remarks.iter().any(|remark| remark.question == Question::Fuses);
    checked.answer(Question::Fuses, found);
}

#[cfg(test)]
mod tests;
