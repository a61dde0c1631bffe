//! What composing did, for the manifest, and what a person should know about the result.

use std::fmt;
use std::ops::Range;

use super::len;
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
    /// Placed a part.
    Place,
    /// Put the address into the network NVM.
    Address {
        /// Into which of its two banks.
        banks: [bool; 2],
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

pub(super) fn map_changed() -> Finding {
    let message = "the image's region map is not the base's; the recipe's regions are those of the base".to_owned();
    Finding { severity: Severity::Warn, code: "map-changed", at: 0, message }
}

pub(super) fn other_address(nvm: Range<u32>) -> Finding {
    let message =
        "the network NVM has another address than the present capture, and the recipe has no [mac]".to_owned();
    Finding { severity: Severity::Warn, code: "other-address", at: nvm.start, message }
}
