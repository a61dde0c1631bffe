//! What composing did, for the manifest, and what a person should know about the result.

use std::fmt;
use std::ops::Range;

use super::len;
use crate::descriptor::{Access, Master};
use crate::explain::region_name;
use crate::nvm::{Nvm, Sum};
use crate::pin::Pin;
use crate::recipe::{SourceRef, TextPlace};

/// One thing that composing did. Its text is a line for people, with hashes and without bytes.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Step {
    /// Where the recipe says so.
    pub place: TextPlace,
    /// What was done.
    pub done: Done,
    /// The content that was taken from, with its BLAKE3, which is its id in the vault.
    pub source: Option<(SourceRef, Pin)>,
    /// Which bytes of the source were taken.
    pub from: Option<Range<u32>>,
    /// Which bytes of the image were written, or of an address, the whole network NVM.
    pub to: Range<u32>,
    /// SHA-256 over `to`, as it was after this step.
    pub sha256: Pin,
}

/// What a step did.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Done {
    /// Took the base.
    Base,
    /// Filled with this byte.
    Fill(u8),
    /// Kept from the present capture.
    Keep,
    /// Kept a variable of the present capture, behind those that the base has.
    Variable,
    /// Marked the base's own variable of that name deleted.
    Deleted,
    /// Placed a part.
    Place,
    /// Put the address into the network NVM.
    Address {
        /// Into which of its two banks.
        banks: [bool; 2],
    },
    /// Gave a master rights in the descriptor.
    Access {
        /// Which one.
        master: Master,
        /// What it might do before.
        before: Access,
        /// What it may do now.
        now: Access,
    },
}

/// Something that a person should know about a composed image.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Finding {
    /// How much it matters.
    pub severity: Severity,
    /// Its name for programs.
    pub code: &'static str,
    /// Where in the image.
    pub at: u32,
    /// What it is, in words.
    pub message: String,
}

/// How much a finding matters.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Severity {
    /// Worth a look before the image is written.
    Warn,
    /// Good to know.
    Note,
}

impl fmt::Display for Step {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Range { start, end } = self.to;
        write!(f, "{}: ", self.place)?;
        match self.done {
            Done::Base => write!(f, "the base")?,
            Done::Fill(byte) => write!(f, "{start:#x} to {end:#x} filled with {byte:#04x}")?,
            Done::Keep | Done::Place => write!(f, "{start:#x} to {end:#x} taken")?,
            Done::Variable => write!(f, "a variable kept at {start:#x} to {end:#x}")?,
            Done::Deleted => write!(f, "the base's variable of that name marked deleted at {start:#x}")?,
            Done::Access { master, before, now } if before == now => {
                write!(f, "the {} may do what it might before: {}", master.words(), rights(now))?;
            }
            Done::Access { master, before, now } => {
                write!(f, "access bits at {start:#x} changed: the {} may {}", master.words(), rights(now))?;
                write!(f, "; before, {}", rights(before))?;
            }
            Done::Address { banks: [true, true] } => {
                write!(f, "the address put into both banks of {start:#x} to {end:#x}")?;
            }
            Done::Address { banks: [first, _] } => {
                write!(f, "the address put into bank {} of {start:#x} to {end:#x}", u8::from(!first))?;
            }
        }
        if let Some(from) = &self.from
            && self.done != Done::Base
        {
            write!(f, " from {:#x} to {:#x}", from.start, from.end)?;
        }
        if let Some((source, id)) = &self.source {
            write!(f, " of {source} ({id})")?;
        }
        write!(f, "; now {}", self.sha256)
    }
}

/// What to say of a network NVM, as it was `before`, of which these banks took the address.
pub(super) fn of_banks(before: &Nvm, written: [bool; 2], region: &Range<u32>) -> Vec<Finding> {
    let mut findings = Vec::new();
    let half = len(region) / 2;
    for (number, (bank, written)) in before.banks.iter().zip(written).enumerate() {
        let at = region.start + if number == 0 { 0 } else { half };
        let mut say = |severity, code, what: &str| {
            findings.push(Finding { severity, code, at, message: format!("bank {number} of the network NVM {what}") });
        };
        match bank.sum {
            _ if bank.blank => say(Severity::Note, "nvm-bank-blank", "is blank and stays so"),
            Sum::Fails if !written => {
                say(Severity::Warn, "nvm-bank-left", "does not add up; it keeps the address it had");
            }
            Sum::NotInitialised | Sum::NotMade => {
                say(Severity::Note, "nvm-no-sum", "has no checksum; it has the address, and still none");
            }
            Sum::Holds | Sum::Fails => {}
        }
        if written && bank.alternate.is_some() {
            let what = "points to an alternate address, which was not changed and may be the one in use";
            say(Severity::Warn, "nvm-alternate-address", what);
        }
    }
    findings
}

/// What to say of rights that were changed.
pub(super) fn of_access(master: Master, before: Access, now: Access, at: u32) -> Vec<Finding> {
    let mut findings = Vec::new();
    if before == now {
        return findings;
    }
    let who = master.words();
    let message =
        format!("the descriptor's access bits were changed: the {who} may {}; before, {}", rights(now), rights(before));
    findings.push(Finding { severity: Severity::Note, code: "access-changed", at, message });
    let lost = before.write & !now.write;
    if master == Master::Processor && lost != 0 {
        let message =
            format!("the machine itself can no longer write {}; only a programmer at the chip still can", named(lost));
        findings.push(Finding { severity: Severity::Warn, code: "access-shut", at, message });
    }
    if master == Master::Processor && before.read & !now.read != 0 {
        let message =
            format!("the machine itself can no longer read {}; it may not start", named(before.read & !now.read));
        findings.push(Finding { severity: Severity::Warn, code: "access-shut", at, message });
    }
    findings
}

/// Returns what a master may do, in words.
fn rights(access: Access) -> String {
    format!("read {} and write {}", named(access.read), named(access.write))
}

/// Returns the names of regions by the bits of their registers.
fn named(bits: u16) -> String {
    let names: Vec<String> = (0..16).filter(|bit| bits >> bit & 1 == 1).map(region_name).collect();
    match names.is_empty() {
        true => "nothing".to_owned(),
        false => names.join(", "),
    }
}

pub(super) fn variable_absent(name: &str) -> Finding {
    let message = format!("the present capture has no variable `{name}`, and so has this image none of it");
    Finding { severity: Severity::Note, code: "variable-absent", at: 0, message }
}

pub(super) fn map_changed() -> Finding {
    let message = "the image's region map is not the base's; the recipe's regions are those of the base".to_owned();
    Finding { severity: Severity::Warn, code: "map-changed", at: 0, message }
}

pub(super) fn other_address(nvm: Range<u32>) -> Finding {
    let message =
        "the network NVM has another address than the present capture, and the recipe has no [mac]".to_owned();
    Finding { severity: Severity::Warn, code: "other-address", at: nvm.start, message }
}
