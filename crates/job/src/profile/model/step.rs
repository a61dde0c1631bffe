//! Steps: what is done, in which kinds of job, and what its kind needs.

use std::path::PathBuf;

use serde::Serialize;

use super::{FileSpec, JobKind};

/// `[[step]]`: a step of a job.
#[derive(Debug, Clone, PartialEq)]
pub struct Step {
    /// Its id.
    pub id: String,
    /// What it is called.
    pub title: String,
    /// Its kind.
    pub kind: StepKind,
    /// Why it is done.
    pub why: String,
    /// Kinds of job that it belongs to; empty: all that the profile was written for.
    pub only_for: Vec<JobKind>,
    /// The chip it works on; steps that talk to a chip, wire and unwire always have it. On supplies-on and supplies-off: the chip that is fed while its wires are on.
    pub chip: Option<String>,
    /// Compose: the span whose image is put together, in place of a chip.
    pub span: Option<String>,
    /// Ids of steps that come before; one that is no part of the job counts as met.
    pub needs: Vec<String>,
    /// Whether the job stops here until somebody signs.
    pub hold: bool,
    /// Cautions of its own; `cautions_for` has the standard ones as well.
    pub cautions: Vec<String>,
    /// What may come up, and what to make of it.
    pub expect: Option<String>,
    /// Tools and materials.
    pub tools: Vec<String>,
    /// Pictures, relative to the profile's folder and inside it.
    pub pictures: Vec<PathBuf>,
    /// How long it usually takes; 0: not said.
    pub minutes: u32,
    /// Power-up: how long the machine may stay dark before something is wrong. Power-ups always have it, no other kind has.
    pub dark_minutes: Option<u32>,
    /// Power-up: how often it may restart by itself.
    pub restarts: Option<u32>,
    /// Whether the machine starts by itself when power comes, without its button.
    pub starts_by_itself: bool,
    /// How to know that it is done.
    pub done_when: String,
    /// Power-up: what to do when nothing comes. Power-ups always have it, no other kind has.
    pub if_dark: Option<String>,
    /// Supplies-off, supplies-on: the supplies it is about; empty: all of the profile.
    pub supplies: Vec<String>,
    /// Settings that are made here.
    pub settings: Vec<String>,
    /// Chips that something other than firmhand may write here, such as a vendor update (safety rule S1); such a step is
    /// always a hold point.
    pub may_write: Vec<String>,
    /// Fill: the byte, 0x00 or 0xFF. Fills always have it, no other kind has.
    pub fill: Option<u8>,
    /// Apply: what content. Applies always have it, no other kind has; verify compares with what was applied last.
    pub content: Option<Content>,
    /// Measure: what is measured. Measures always have it, no other kind has.
    pub measure: Option<Measure>,
    /// Boot-media: the boot image. Boot-media steps always have it, no other kind has.
    pub media: Option<FileSpec>,
    /// Intake: the file that is taken in, in place of the machine.
    pub takes: Option<Takes>,
}

impl Step {
    /// Tells whether the step belongs to jobs of this kind.
    #[must_use]
    pub fn belongs_to(&self, kind: JobKind) -> bool {
        self.only_for.is_empty() || self.only_for.contains(&kind)
    }
}

/// The file that an intake step wants, and what has to vouch for it: its hash, a signature, or both.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Takes {
    /// What it is usually called; a hint.
    pub file: String,
    /// SHA-256, 64 hexadecimal digits in lower case.
    pub sha256: Option<String>,
    /// The key that signs the file, or a list that has it: an OpenPGP fingerprint, or a minisign key.
    pub key: Option<String>,
    /// Whose file it is: the name under which the key is pinned. Always there beside a key.
    pub origin: Option<String>,
}

/// What an apply step writes.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Content {
    /// The chosen variant's file for this chip or span, as published.
    Variant,
    /// What the compose step for this chip or span has made.
    Composed,
    /// The capture of the chip as it was found in the earlier job.
    AsFound,
}

/// What a measure step measures.
#[derive(Debug, Clone, PartialEq)]
pub struct Measure {
    /// What, and between which points.
    pub what: String,
    /// The unit, such as `V`.
    pub unit: String,
    /// Least good value; none: no limit.
    pub min: Option<f64>,
    /// Greatest good value; none: no limit.
    pub max: Option<f64>,
}

/// The kind of a step.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum StepKind {
    /// Something to do or know that no other kind covers.
    Note,
    /// Something to look at, and a verdict.
    Check,
    /// Something to measure.
    Measure,
    /// Sources of power are taken away.
    SuppliesOff,
    /// Sources of power come back.
    SuppliesOn,
    /// The machine is started.
    PowerUp,
    /// The case is opened.
    Open,
    /// The case is closed.
    Close,
    /// Contact is made with a chip.
    Wire,
    /// The contact comes off.
    Unwire,
    /// Which chip it is.
    Identify,
    /// Its content is read until it is proven.
    Capture,
    /// One byte value all over.
    Fill,
    /// The new image is put together.
    Compose,
    /// A chip is brought to a wanted content.
    Apply,
    /// A chip is compared with what was applied.
    Verify,
    /// The machine is taken in; with `takes`, a file.
    Intake,
    /// A boot stick is made.
    BootMedia,
    /// What the running machine says of itself.
    Survey,
    /// Something is fitted: memory, a radio card.
    Fit,
    /// The machine is handed over.
    Handover,
}

impl StepKind {
    /// Every kind, with the word that profiles use.
    pub const ALL: [(&'static str, Self); 21] = [
        ("note", Self::Note),
        ("check", Self::Check),
        ("measure", Self::Measure),
        ("supplies-off", Self::SuppliesOff),
        ("supplies-on", Self::SuppliesOn),
        ("power-up", Self::PowerUp),
        ("open", Self::Open),
        ("close", Self::Close),
        ("wire", Self::Wire),
        ("unwire", Self::Unwire),
        ("identify", Self::Identify),
        ("capture", Self::Capture),
        ("fill", Self::Fill),
        ("compose", Self::Compose),
        ("apply", Self::Apply),
        ("verify", Self::Verify),
        ("intake", Self::Intake),
        ("boot-media", Self::BootMedia),
        ("survey", Self::Survey),
        ("fit", Self::Fit),
        ("handover", Self::Handover),
    ];

    /// Returns the word that profiles use.
    #[must_use]
    pub fn as_str(self) -> &'static str {
        let entry = Self::ALL.iter().find(|(_, kind)| *kind == self);
        entry.map(|(word, _)| *word).expect("the table has every kind")
    }

    /// Returns the word with its article, for sentences: `a wire`, `an open`.
    #[must_use]
    pub fn with_article(self) -> String {
        let word = self.as_str();
        let article = if word.starts_with(['a', 'e', 'i', 'o', 'u']) { "an" } else { "a" };
        format!("{article} {word}")
    }

    /// Tells whether every source of power has to be off for it (safety rule S7).
    #[must_use]
    pub fn wants_supplies_off(self) -> bool {
        matches!(self, Self::Open | Self::Wire | Self::Unwire | Self::Fit)
    }

    /// Tells whether it talks to a chip over a link.
    #[must_use]
    pub fn talks_to_chip(self) -> bool {
        matches!(self, Self::Identify | Self::Capture | Self::Fill | Self::Apply | Self::Verify)
    }
}
