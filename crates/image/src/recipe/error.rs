//! What may be wrong with a recipe, told so that a person can mend it: file, line, key, what, and what to do.

use std::fmt;
use std::sync::Arc;

use crate::mac::{MacError, UnfitMac};
use crate::pin::PinError;
use crate::recipe::{MOST_BYTES, MOST_TABLES};

/// A place in a recipe's text.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct TextPlace {
    /// The recipe's file; shared by all places of the recipe.
    pub name: Arc<str>,
    /// Line, from 1.
    pub line: usize,
    /// Table and key, such as `[[keep]] region`; empty for the text as a whole.
    pub key: Box<str>,
}

/// A mistake in a recipe.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{place}: {mistake}")]
pub struct RecipeError {
    /// Where.
    pub place: TextPlace,
    /// What is wrong there.
    pub mistake: Mistake,
}

/// Which mistake. Texts that a person gave are shown shortened.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum Mistake {
    /// The text is longer than [`MOST_BYTES`].
    #[error("the recipe has {len} bytes, and {MOST_BYTES} are the most")]
    TooLong {
        /// Its bytes.
        len: usize,
    },
    /// The text is not TOML.
    #[error("not TOML: {why}")]
    NotToml {
        /// What the parser says.
        why: String,
    },
    /// A key that means nothing here.
    #[error("this key is not known")]
    UnknownKey {
        /// What is known here.
        known: &'static [&'static str],
    },
    /// Something that has to be there is not.
    #[error("{what} is missing")]
    Missing {
        /// What.
        what: &'static str,
        /// What to write.
        remedy: &'static str,
    },
    /// Two keys of which only one can count.
    #[error("this does not go together with `{other}`")]
    Excluded {
        /// The other key.
        other: &'static str,
    },
    /// A value of another type.
    #[error("this is of type {found}")]
    WrongType {
        /// Its type.
        found: &'static str,
        /// What it should be.
        wanted: &'static str,
    },
    /// A number outside its range.
    #[error("{given} is out of range")]
    OutOfRange {
        /// As it was written.
        given: String,
        /// The smallest.
        least: u32,
        /// The largest.
        most: u32,
    },
    /// A word that means nothing here.
    #[error("`{given}` is not known here")]
    UnknownWord {
        /// As it was written.
        given: String,
        /// What is known here.
        known: Vec<&'static str>,
    },
    /// A word that stands twice in a list.
    #[error("`{given}` stands here twice")]
    Twice {
        /// The word.
        given: &'static str,
    },
    /// A text that is empty, too long, or has control characters.
    #[error("this text has {len} bytes, or characters that do not show")]
    Text {
        /// Its bytes.
        len: usize,
        /// The most it may have.
        most: usize,
    },
    /// More than [`MOST_TABLES`] tables of one kind.
    #[error("there are {count} of these tables, and {MOST_TABLES} are the most")]
    TooMany {
        /// How many.
        count: usize,
    },
    /// No hash.
    #[error("this is no hash: {0}")]
    NotAHash(PinError),
    /// No list of bytes.
    #[error("this is no list of bytes")]
    NotBytes,
    /// No MAC address.
    #[error("this is no MAC address: {0}")]
    NotAMac(MacError),
    /// No selector.
    #[error("this is no selector: {0}")]
    NotASelector(crate::select::SelectorError),
    /// No chain.
    #[error("this is no chain of steps: {0}")]
    NotAChain(Box<crate::chain::ChainError>),
    /// No GUID.
    #[error("this is no GUID: {0}")]
    NotAGuid(crate::explain::GuidError),
    /// No `true` or `false`.
    #[error("this is neither true nor false")]
    NotYesNo,
    /// A MAC address that no machine can have.
    #[error("no machine can have this address: {0}")]
    Unfit(UnfitMac),
}

impl RecipeError {
    /// Returns what to do about it: one sentence, without a full stop.
    pub fn remedy(&self) -> String {
        match &self.mistake {
            Mistake::TooLong { .. } => "name a recipe, not an image".to_owned(),
            Mistake::NotToml { .. } => "mend the line; the format is that of toml.io, version 1".to_owned(),
            Mistake::UnknownKey { known } => format!("known here: {}", known.join(", ")),
            Mistake::UnknownWord { known, .. } => format!("known here: {}", known.join(", ")),
            Mistake::Missing { remedy, .. } => (*remedy).to_owned(),
            Mistake::Excluded { other } => format!("take out this or `{other}`"),
            Mistake::WrongType { wanted, .. } => format!("give {wanted}"),
            Mistake::OutOfRange { least, most, .. } => {
                format!("give a whole number from {least} to {most} ({least:#x} to {most:#x})")
            }
            Mistake::Twice { .. } => "name it once".to_owned(),
            Mistake::Text { most, .. } => format!("give 1 to {most} bytes of plain text"),
            Mistake::TooMany { .. } => "join ranges that touch, or make a second recipe on top of this one".to_owned(),
            Mistake::NotAHash(PinError::Kind) => "write `sha256:` or `blake3:` and the 64 digits".to_owned(),
            Mistake::NotAHash(PinError::Digits { .. }) => {
                "give the 64 digits as `sha256sum` or the vault prints them".to_owned()
            }
            Mistake::NotBytes => "give two hexadecimal digits for each byte, such as \"5aa5f00f\"".to_owned(),
            Mistake::NotAMac(_) => "write six octets, such as \"02:00:5e:00:53:01\"".to_owned(),
            Mistake::NotASelector(_) => {
                "write it as `firmhand image take IMAGE --list /` has it, such as \"file:NAME/section%10\"".to_owned()
            }
            Mistake::NotAChain(_) => {
                "write it as `firmhand image take FILE` takes it, such as \"boot then fat:/UPDATE/MAIN.CAP\"".to_owned()
            }
            Mistake::NotAGuid(_) => {
                "write it as `firmhand image explain` does, such as \"8be4df61-93ca-11d2-aa0d-00e098032b8c\"".to_owned()
            }
            Mistake::NotYesNo => "write `true` or `false`".to_owned(),
            Mistake::Unfit(_) => "give the address on the machine's label, or write `address = \"drawn\"`".to_owned(),
        }
    }
}

impl fmt::Display for TextPlace {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}, line {}", self.name, self.line)?;
        if !self.key.is_empty() {
            write!(f, ", {}", self.key)?;
        }
        Ok(())
    }
}
