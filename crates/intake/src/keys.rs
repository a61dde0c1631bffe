//! Keys that somebody has compared and signed for: the bench's pins.
//!
//! One file, `keys.toml` in the bench folder; docs/formats.md has its form. Entries are only ever added: the last one for an origin
//! and a scheme counts, the earlier ones say what was before. Here is the text and the judgement; reading and writing the file, and
//! asking the person, is the engine's.
//!
//! What a reader would question: one key for an origin and a scheme, not several. Two keys at once mean that a changed key can hide
//! among them.

use serde::{Deserialize, Serialize};

use crate::proof::Scheme;

/// The largest file of pins, in bytes.
pub const LARGEST: u64 = 4 << 20;

/// A key as pinned.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Pin {
    /// Whose files it signs.
    pub origin: String,
    /// `openpgp` or `minisign`.
    pub scheme: String,
    /// The fingerprint of an OpenPGP key, or a minisign key itself.
    pub key: String,
    /// The key file's content in the vault, by its id.
    pub content: String,
    /// Who compared it with a second source and signed.
    pub by: String,
    /// When, UTC.
    pub since: String,
}

/// All pins of a bench.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Pins {
    /// Oldest first.
    #[serde(default, rename = "key")]
    pub keys: Vec<Pin>,
}

/// How a key stands with an origin.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Standing<'a> {
    /// It is the pinned one.
    Known(&'a Pin),
    /// No key is pinned for the origin.
    First,
    /// Another one is pinned.
    Changed(&'a Pin),
}

/// A file of pins that cannot be read.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("line {line}: {why}")]
pub struct PinsError {
    /// Where, from 1.
    pub line: usize,
    /// What is wrong.
    pub why: String,
}

impl Pins {
    /// Reads the file's text.
    ///
    /// # Errors
    /// [`PinsError`].
    pub fn parse(text: &str) -> Result<Self, PinsError> {
        let pins: Self = toml::from_str(text).map_err(|error| {
            let at = error.span().map_or(0, |span| span.start).min(text.len());
            let line = text.as_bytes()[..at].iter().filter(|byte| **byte == b'\n').count() + 1;
            PinsError { line, why: error.message().replace(char::is_control, " ") }
        })?;
        let bad = |pin: &&Pin| Scheme::of(&pin.scheme).is_none() || pin.key.is_empty() || pin.origin.trim().is_empty();
        match pins.keys.iter().find(bad) {
            Some(pin) => {
                let why = format!("the entry of {:?} has no origin, no key or no scheme that is known", pin.origin);
                Err(PinsError { line: 1, why })
            }
            None => Ok(pins),
        }
    }

    /// Returns the file's text.
    ///
    /// # Panics
    /// Never: tables of text can be written.
    #[must_use]
    pub fn text(&self) -> String {
        let tables = toml::to_string(self).expect("tables of text can be written");
        format!(
            "# Keys that somebody has compared with a second source. The last entry for an origin counts.\n\n{tables}"
        )
    }

    /// Returns the pin that counts for an origin; letters in either case are the same.
    #[must_use]
    pub fn pinned(&self, origin: &str, scheme: Scheme) -> Option<&Pin> {
        let same = |pin: &&Pin| pin.scheme == scheme.as_str() && same_origin(&pin.origin, origin);
        self.keys.iter().rev().find(same)
    }

    /// Says how a key stands with an origin.
    #[must_use]
    pub fn standing(&self, origin: &str, scheme: Scheme, key: &str) -> Standing<'_> {
        match self.pinned(origin, scheme) {
            None => Standing::First,
            Some(pin) if pin.key == key => Standing::Known(pin),
            Some(pin) => Standing::Changed(pin),
        }
    }
}

fn same_origin(one: &str, other: &str) -> bool {
    one.trim().to_lowercase() == other.trim().to_lowercase()
}

/// Returns a fingerprint in groups of four, as people compare it.
#[must_use]
pub fn grouped(key: &str) -> String {
    let letters: Vec<char> = key.chars().collect();
    letters.chunks(4).map(|four| four.iter().collect::<String>()).collect::<Vec<_>>().join(" ")
}

#[cfg(test)]
mod tests;
