//! What a profile says, as plain types: one model of machine, its parts and the steps of the work on it.
//!
//! A caller who holds a [`Profile`] that `Profile::load` has answered may rely on everything that
//! `docs/profiles.md` lists as checked: names that steps give exist, the steps are in an order that keeps the interlocks, keys that
//! a kind of step needs are there. Nothing here reads files or decides what may be done next; the procedure does.
//!
//! The decision a reader would question: a [`Step`] is one flat structure and not an enum with a variant for each kind. Every
//! kind shares all but two or three keys, a person writes them flat as well, and whoever shows a step wants the shared ones.

mod step;

use std::path::PathBuf;

use nor::supply::SupplyRange;
use serde::Serialize;

pub use step::{Content, Measure, Step, StepKind, Takes};

/// What is known of one model of machine.
#[derive(Debug, Clone, PartialEq)]
pub struct Profile {
    /// The machine.
    pub board: Board,
    /// Who tried the procedure, with what.
    pub sources: Vec<Source>,
    /// What has to hold before the work begins.
    pub gates: Vec<Gate>,
    /// Extras that a machine may be fitted with.
    pub options: Vec<FittedOption>,
    /// What feeds the machine, in the order in which it is switched off.
    pub supplies: Vec<Supply>,
    /// The flash chips that the work touches.
    pub chips: Vec<ChipSpec>,
    /// Chips that hold one image together.
    pub spans: Vec<Span>,
    /// Setup options to set before the work.
    pub settings: Vec<Setting>,
    /// Images to choose from.
    pub variants: Vec<Variant>,
    /// Embedded controllers whose firmware the new one asks for.
    pub controllers: Vec<ControllerSpec>,
    /// What will not work afterwards.
    pub limits: Vec<Limit>,
    /// The steps, in an order in which they can be done.
    pub steps: Vec<Step>,
}

impl Profile {
    /// Returns the chip of this id.
    #[must_use]
    pub fn chip(&self, id: &str) -> Option<&ChipSpec> {
        self.chips.iter().find(|chip| chip.id == id)
    }

    /// Returns the span of this id.
    #[must_use]
    pub fn span(&self, id: &str) -> Option<&Span> {
        self.spans.iter().find(|span| span.id == id)
    }

    /// Returns the step of this id.
    #[must_use]
    pub fn step(&self, id: &str) -> Option<&Step> {
        self.steps.iter().find(|step| step.id == id)
    }

    /// Returns the supply of this id.
    #[must_use]
    pub fn supply(&self, id: &str) -> Option<&Supply> {
        self.supplies.iter().find(|supply| supply.id == id)
    }

    /// Returns the setting of this id.
    #[must_use]
    pub fn setting(&self, id: &str) -> Option<&Setting> {
        self.settings.iter().find(|setting| setting.id == id)
    }

    /// Returns the variant of this id.
    #[must_use]
    pub fn variant(&self, id: &str) -> Option<&Variant> {
        self.variants.iter().find(|variant| variant.id == id)
    }

    /// Returns the steps of a job of this kind, in the order in which they can be done.
    pub fn steps_of(&self, kind: JobKind) -> impl Iterator<Item = &Step> {
        self.steps.iter().filter(move |step| step.belongs_to(kind))
    }

    /// Returns the span that a chip is a part of, if it is one.
    #[must_use]
    pub fn span_of(&self, chip: &str) -> Option<&Span> {
        self.spans.iter().find(|span| span.chips.iter().any(|id| id == chip))
    }

    /// Returns the ids of the chips that a step works on: its chip, or each chip of its span, in order.
    #[must_use]
    pub fn chips_of<'a>(&'a self, step: &'a Step) -> Vec<&'a str> {
        let span = step.span.as_deref().and_then(|id| self.span(id));
        let of_span = span.map(|span| span.chips.iter().map(String::as_str).collect());
        of_span.unwrap_or_else(|| step.chip.as_deref().into_iter().collect())
    }

    /// Returns the ids of the supplies that a supplies-off or supplies-on step is about: those it names, or all, in the
    /// order in which they are switched: as [`Supply::order`] says when off, the other way round when on.
    #[must_use]
    pub fn supplies_of<'a>(&'a self, step: &'a Step) -> Vec<&'a str> {
        let all = self.supplies.iter().map(|supply| supply.id.as_str());
        let mut ids: Vec<&str> =
            all.filter(|id| step.supplies.is_empty() || step.supplies.iter().any(|named| named == id)).collect();
        if step.kind == StepKind::SuppliesOn {
            ids.reverse();
        }
        ids
    }
}

/// The kind of a job.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum JobKind {
    /// The firmware of a working machine is replaced.
    Convert,
    /// A machine that arrived dead is brought back.
    Rescue,
    /// The old firmware comes back.
    Return,
}

impl JobKind {
    /// Every kind.
    pub const ALL: [Self; 3] = [Self::Convert, Self::Rescue, Self::Return];

    /// Returns the word that profiles, the command line and journals use: `convert`, `rescue`, `return`.
    #[must_use]
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Convert => "convert",
            Self::Rescue => "rescue",
            Self::Return => "return",
        }
    }
}

/// `[board]`: the machine.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Board {
    /// Its name, as people call it.
    pub name: String,
    /// What tells this board from others that look alike: a printed number, a revision.
    pub revision: Option<String>,
    /// Anything that helps at the bench.
    pub note: Option<String>,
    /// The kinds of job that the profile was written for; never empty.
    pub jobs: Vec<JobKind>,
}

/// `[[source]]`: who tried the procedure.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Source {
    /// Who.
    pub by: String,
    /// The day, as `YYYY-MM-DD`.
    pub date: String,
    /// With which versions: vendor firmware, new firmware, tools.
    pub versions: Vec<String>,
    /// What else is worth knowing of that try.
    pub note: Option<String>,
}

/// `[[gate]]`: what has to hold before the work begins.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Gate {
    /// Its id.
    pub id: String,
    /// What it asks.
    pub kind: GateKind,
    /// Why it matters.
    pub why: String,
}

/// What a gate asks.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum GateKind {
    /// `kind = "fused"`: whether the hardware checks the firmware before it runs (safety rule S16).
    Fused {
        /// What is known of this model.
        says: FusedState,
    },
    /// `kind = "fit"`: a question on this very machine, worded so that yes means fit for the work.
    Fit {
        /// The question.
        question: String,
    },
}

/// Whether hardware checks the firmware before it runs (safety rule S16).
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum FusedState {
    /// It does not; other firmware starts.
    Open,
    /// It does: the job stops.
    Fused,
    /// Nobody knows: a hold point before the first erase.
    Unknown,
}

/// `[[option]]`: an extra that a machine may be fitted with.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct FittedOption {
    /// Its id.
    pub id: String,
    /// What it is.
    pub name: String,
    /// How it does with the new firmware.
    pub standing: Standing,
    /// What to know of it.
    pub note: Option<String>,
}

/// How a fitted extra does with the new firmware.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Standing {
    /// Somebody tried it, and it works.
    Tested,
    /// Nobody tried it.
    Untested,
    /// Somebody tried it, and it does not work.
    Fails,
}

/// `[[supply]]`: something that feeds the machine.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Supply {
    /// Its id.
    pub id: String,
    /// What it is.
    pub name: String,
    /// What kind of source; cautions hang on it.
    pub kind: SupplyKind,
    /// Place in the order of switching off, from 1; unique. Switching on goes the other way round.
    pub order: u32,
    /// How to take it away, and how to see that it is gone.
    pub how_off: String,
    /// How to bring it back.
    pub how_on: String,
    /// Least charge in percent before a write that must not run dry; batteries alone have it.
    pub charge_min: Option<u8>,
}

/// The kind of a source of power.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum SupplyKind {
    /// Mains, or an adapter on it.
    Mains,
    /// A battery, taken as lithium.
    Battery,
    /// The cell that keeps the clock.
    CoinCell,
    /// Anything else: a bench supply, power over a network cable.
    Other,
}

/// `[[chip]]`: a flash chip that the work touches.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ChipSpec {
    /// Its id, such as `main`.
    pub id: String,
    /// What its content is for.
    pub role: Role,
    /// Bytes; a power of two from 4 KiB to 256 MiB.
    pub size: u32,
    /// Markings seen on it.
    pub markings: Vec<String>,
    /// The supply it bears; inside the 3 V class or the 1.8 V class (safety rule S4).
    pub supply_v: SupplyRange,
    /// Its case.
    pub package: Package,
    /// Where it sits and how to tell it from its neighbours.
    pub place: String,
    /// How contact is made.
    pub reach: Reach,
    /// What covers it, when something has to come off first.
    pub covered: Option<String>,
    /// What feeds it while it is worked on; exactly one source.
    pub powered_by: PoweredBy,
    /// How its protection is left (safety rule S9).
    pub protection_after: ProtectionAfter,
    /// Its region map, when the content has none of its own; ascending and free of overlap.
    pub regions: Vec<RegionSpec>,
}

/// What a chip's content is for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Role {
    /// The machine's firmware.
    System,
    /// A port controller's firmware.
    Port,
    /// Firmware of another controller.
    Controller,
}

/// The case of a chip.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Package {
    /// SOIC-8, leads on two sides.
    #[serde(rename = "SOIC-8")]
    Soic8,
    /// SOIC-16, leads on two sides.
    #[serde(rename = "SOIC-16")]
    Soic16,
    /// WSON-8, pads beneath; no clip grips it.
    #[serde(rename = "WSON-8")]
    Wson8,
    /// Another one: the sheet has no drawing of it.
    #[serde(rename = "other")]
    Other,
}

/// How contact is made with a chip.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Reach {
    /// A clip on the leads.
    Clip,
    /// A spring probe held on the pads.
    SpringProbe,
    /// Wires soldered on.
    SolderedWires,
    /// A header on the board.
    Header,
    /// The chip is taken off and put into a socket.
    Desoldered,
}

/// What feeds a chip while it is worked on.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum PoweredBy {
    /// The programmer.
    Link,
    /// The board, in standby: a supplies-on step with this chip comes after wire, a supplies-off step before unwire.
    BoardStandby,
    /// A bench supply: the same two steps.
    BenchSupply,
}

/// How a chip's protection is left.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum ProtectionAfter {
    /// As it was found.
    AsFound,
    /// Off.
    Off,
}

/// `[[chip.region]]`: a named part of a chip.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct RegionSpec {
    /// Its name.
    pub name: String,
    /// First byte on the chip.
    pub at: u32,
    /// Bytes.
    pub size: u32,
}

/// `[[span]]`: chips that hold one image together.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Span {
    /// Its id.
    pub id: String,
    /// Bytes: the sum of its chips (safety rule S8).
    pub size: u64,
    /// Its chips, in the order of the image; at least two.
    pub chips: Vec<String>,
}

/// `[[setting]]`: a setup option to set before the work.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Setting {
    /// Its id.
    pub id: String,
    /// Its name, as setup shows it.
    pub name: String,
    /// Where setup has it.
    pub place: Option<String>,
    /// What it is set to.
    pub value: String,
    /// Why.
    pub why: String,
}

/// `[[variant]]`: a set of images to choose from.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Variant {
    /// Its id.
    pub id: String,
    /// Its name.
    pub name: String,
    /// The keyboard it is for, when that matters.
    pub keyboard: Option<String>,
    /// The display it is for, when that matters.
    pub display: Option<String>,
    /// What it is for, when that matters.
    pub purpose: Option<String>,
    /// Its images, one for each chip or span that gets one.
    pub images: Vec<VariantImage>,
}

/// `[[variant.image]]`: what one chip or span gets.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct VariantImage {
    /// The chip or span.
    pub target: Target,
    /// Where the content comes from.
    pub source: ImageSource,
}

/// A chip or a span.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Target {
    /// The chip of this id.
    Chip(String),
    /// The span of this id.
    Span(String),
}

/// Where an image comes from.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum ImageSource {
    /// A published file that is used as it is; found by its hash, whatever it is called.
    File(FileSpec),
    /// A recipe; the path is as written, relative to the profile's folder and inside it.
    Recipe(PathBuf),
}

/// A file that is known by its hash.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct FileSpec {
    /// What it is usually called; a hint.
    pub file: String,
    /// Bytes.
    pub size: u64,
    /// SHA-256, 64 hexadecimal digits in lower case.
    pub sha256: String,
}

/// `[[controller]]`: an embedded controller whose firmware the new one asks for.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ControllerSpec {
    /// Its id.
    pub id: String,
    /// The chip or span whose image is looked into.
    pub target: Target,
    /// Where the version stands, and which ones the new firmware works with.
    pub wanted: image::check::Controller,
    /// Why it matters.
    pub why: String,
}

/// `[[limit]]`: what will not work afterwards.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Limit {
    /// Its id.
    pub id: String,
    /// What it says to the person who gets the machine back.
    pub text: String,
    /// After what.
    pub when: LimitWhen,
}

/// After what a limit holds.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum LimitWhen {
    /// With the new firmware.
    AfterConversion,
    /// With the old firmware back.
    AfterReturn,
}
