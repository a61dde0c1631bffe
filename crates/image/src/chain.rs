//! Chains: where a part sits inside a vendor's file, one container inside the other.
//!
//! A chain is steps with the word `then` between, outermost first: containers, and at the end a structure of the image that the
//! last of them holds.
//!
//! | step | takes |
//! |---|---|
//! | `iso:PATH` | a file of a disc image's volume |
//! | `boot#NUMBER` | what the disc image starts; `boot` where it starts one thing alone |
//! | `fat:PATH` | a file of a FAT file system: of the one that begins here, or of the only one in the partitions here |
//! | `fat#NUMBER:PATH` | of the one in that partition |
//! | `archive:PATH` | a member of an archive: tar, zip, gzip, xz, zstd |
//! | a selector | a structure, as [`crate::select`] has it; the last step alone |
//!
//! So `boot then fat:/UPDATE/MAIN.CAP then file:MemoryPart` reaches into the update that a disc starts. A path with more than
//! letters, digits, `.`, `_`, `-` and `/` stands in double quotes; a quote in it is doubled. A selector alone is a chain of one
//! step.
//!
//! This module reads and writes the text, and nothing else: containers are files of any length, and following a chain through
//! them takes I/O.
//!
//! The decision a reader would question: a structure is the last step. A selector reaches to the bottom of an image by itself,
//! and what a volume of firmware holds is no disc.

use std::fmt;
use std::str::FromStr;

use crate::select::{Selector, SelectorError};

/// Most steps of a chain: vendors pack three or four deep.
pub const MOST_STEPS: usize = 12;

/// A chain as a person writes it; see the module's text for the language.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Chain {
    /// The containers, outermost first.
    pub containers: Vec<Container>,
    /// The structure of the image that is reached; none: all of it.
    pub structure: Option<Selector>,
}

/// A step through one container.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Container {
    /// A file of a disc image's volume, by its path.
    Iso(String),
    /// A boot image by its number, from 1; none: the only one.
    Boot(Option<usize>),
    /// A file of a FAT file system.
    Fat {
        /// The partition that it is in, from 1; none: the file system that begins here, or the only one in the partitions.
        partition: Option<usize>,
        /// Its path.
        path: String,
    },
    /// A member of an archive, by its path.
    Archive(String),
}

/// Why a text is no chain. Steps count from 1.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum ChainError {
    /// A step is missing, at an end or between two `then`.
    #[error("step {step} is missing; a chain looks like `boot then fat:/PATH then file:NAME`")]
    Missing {
        /// Which one.
        step: usize,
    },
    /// Two steps without the word between.
    #[error(
        "step {step} is followed by `{found}`, and not by the word `then`; a path with blanks stands in double quotes"
    )]
    Between {
        /// The step before.
        step: usize,
        /// What stands there.
        found: String,
    },
    /// A quote has no partner.
    #[error("step {step}: a double quote is not closed")]
    Quote {
        /// Which step.
        step: usize,
    },
    /// A container without a path.
    #[error("step {step}, `{text}`: a path comes after the colon, such as `{word}:/FOLDER/FILE`")]
    Path {
        /// Which step.
        step: usize,
        /// As it was written.
        text: String,
        /// The container's word.
        word: &'static str,
    },
    /// A number that is none.
    #[error("step {step}, `{text}`: after `#` comes a number from 1 on")]
    Number {
        /// Which step.
        step: usize,
        /// As it was written.
        text: String,
    },
    /// A structure with something behind it.
    #[error(
        "step {step}, `{text}`: a structure is the last step; containers before it are iso:PATH, boot#NUMBER, fat:PATH and archive:PATH"
    )]
    NotLast {
        /// Which step.
        step: usize,
        /// As it was written.
        text: String,
    },
    /// Neither a container nor a selector.
    #[error(
        "step {step}, `{text}`, is neither of the containers iso:PATH, boot#NUMBER, fat:PATH, archive:PATH nor a structure"
    )]
    Selector {
        /// Which step.
        step: usize,
        /// As it was written.
        text: String,
        /// What is wrong with it as a selector.
        source: SelectorError,
    },
    /// More than [`MOST_STEPS`].
    #[error("the chain has {steps} steps, and {MOST_STEPS} are the most")]
    TooLong {
        /// How many.
        steps: usize,
    },
}

impl FromStr for Chain {
    type Err = ChainError;

    fn from_str(text: &str) -> Result<Self, ChainError> {
        let words = words(text)?;
        // Steps stand at even places, the word `then` at odd ones.
        if let Some((place, word)) = words.iter().enumerate().find(|(place, word)| (place % 2 == 1) != (**word == THEN))
        {
            let step = place / 2 + 1;
            return Err(match place % 2 {
                0 => ChainError::Missing { step },
                _ => ChainError::Between { step, found: (*word).to_owned() },
            });
        }
        if words.len() % 2 == 0 {
            return Err(ChainError::Missing { step: words.len() / 2 + 1 });
        }
        let steps: Vec<&str> = words.into_iter().step_by(2).collect();
        if steps.len() > MOST_STEPS {
            return Err(ChainError::TooLong { steps: steps.len() });
        }
        let mut chain = Self { containers: Vec::new(), structure: None };
        for (index, word) in steps.iter().enumerate() {
            let (step, text) = (index + 1, (*word).to_owned());
            if let Some(container) = container(word, step)? {
                chain.containers.push(container);
            } else if step < steps.len() {
                return Err(ChainError::NotLast { step, text });
            } else {
                let selector = word.parse().map_err(|source| ChainError::Selector { step, text, source })?;
                chain.structure = Some(selector);
            }
        }
        Ok(chain)
    }
}

const THEN: &str = "then";

/// Cuts a text at its blanks; those inside double quotes stay.
fn words(text: &str) -> Result<Vec<&str>, ChainError> {
    let mut words = Vec::new();
    let (mut begin, mut quoted) = (None, false);
    for (at, character) in text.char_indices() {
        quoted ^= character == '"';
        match (begin, character.is_whitespace() && !quoted) {
            (None, false) => begin = Some(at),
            (Some(from), true) => {
                words.push(&text[from..at]);
                begin = None;
            }
            _ => {}
        }
    }
    words.extend(begin.map(|from| &text[from..]));
    if quoted { Err(ChainError::Quote { step: words.len() / 2 + 1 }) } else { Ok(words) }
}

/// Reads a step through a container; none when it begins with no container's word.
fn container(word: &str, step: usize) -> Result<Option<Container>, ChainError> {
    let end = word.find(['#', ':']).unwrap_or(word.len());
    let (name, rest) = word.split_at(end);
    let name = match name {
        "iso" => "iso",
        "boot" => "boot",
        "fat" => "fat",
        "archive" => "archive",
        _ => return Ok(None),
    };
    let bad_number = || ChainError::Number { step, text: word.to_owned() };
    let bad_path = || ChainError::Path { step, text: word.to_owned(), word: name };
    let (number, rest) = match rest.strip_prefix('#') {
        None => (None, rest),
        Some(_) if matches!(name, "iso" | "archive") => return Err(bad_path()),
        Some(rest) => {
            let (digits, rest) = rest.split_at(rest.find(':').unwrap_or(rest.len()));
            let plain = digits.bytes().all(|digit| digit.is_ascii_digit());
            let number = digits.parse().ok().filter(|number| plain && *number > 0).ok_or_else(bad_number)?;
            (Some(number), rest)
        }
    };
    if name == "boot" {
        return if rest.is_empty() { Ok(Some(Container::Boot(number))) } else { Err(bad_number()) };
    }
    let path = rest.strip_prefix(':').and_then(unquoted).filter(|path| !path.trim_matches('/').is_empty());
    let path = path.ok_or_else(bad_path)?;
    let path = if path.starts_with('/') { path } else { format!("/{path}") };
    Ok(Some(match name {
        "iso" => Container::Iso(path),
        "archive" => Container::Archive(path),
        _ => Container::Fat { partition: number, path },
    }))
}

/// A path without its quotes; none when they stand in its middle.
fn unquoted(text: &str) -> Option<String> {
    let Some(inside) = text.strip_prefix('"') else { return (!text.contains('"')).then(|| text.to_owned()) };
    let inside = inside.strip_suffix('"')?.replace("\"\"", "\n");
    // A line's end stands for a doubled quote here; a path that has one itself is none.
    (!inside.contains('"') && !text.contains('\n')).then(|| inside.replace('\n', "\""))
}

impl fmt::Display for Container {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let number = |number: &Option<usize>| number.map(|number| format!("#{number}")).unwrap_or_default();
        match self {
            Self::Iso(path) => write!(f, "iso:{}", quoted(path)),
            Self::Archive(path) => write!(f, "archive:{}", quoted(path)),
            Self::Boot(which) => write!(f, "boot{}", number(which)),
            Self::Fat { partition, path } => write!(f, "fat{}:{}", number(partition), quoted(path)),
        }
    }
}

fn quoted(path: &str) -> String {
    let plain = |character: char| character.is_alphanumeric() || "/.-_".contains(character);
    if path.chars().all(plain) { path.to_owned() } else { format!("\"{}\"", path.replace('"', "\"\"")) }
}

impl fmt::Display for Chain {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for (index, container) in self.containers.iter().enumerate() {
            write!(f, "{}{container}", if index > 0 { " then " } else { "" })?;
        }
        match &self.structure {
            Some(structure) if self.containers.is_empty() => write!(f, "{structure}"),
            Some(structure) => write!(f, " then {structure}"),
            None => Ok(()),
        }
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::testing::each_value;

    fn parse(text: &str) -> Result<Chain, ChainError> {
        text.parse()
    }

    #[test]
    fn steps_are_read_in_order() {
        let chain = parse("boot#2 then  fat:/UPDATE/MAIN.CAP then file:MemoryPart/section%19").unwrap();
        let fat = Container::Fat { partition: None, path: "/UPDATE/MAIN.CAP".into() };
        assert_eq!(chain.containers, [Container::Boot(Some(2)), fat]);
        assert_eq!(chain.structure, "file:MemoryPart/section%19".parse().ok());
        let chain = parse("iso:disk.img then fat#3:\"A \"\"then\"\" B.rom\"").unwrap();
        let fat = Container::Fat { partition: Some(3), path: "/A \"then\" B.rom".into() };
        assert_eq!((chain.containers, chain.structure), (vec![Container::Iso("/disk.img".into()), fat], None));
        // What `image take` always took is a chain of one step.
        let plain = parse("/region:network/nvm#2").unwrap();
        assert_eq!((plain.containers.len(), plain.structure.is_some()), (0, true));
        assert!(parse("file:\"two words\"").unwrap().structure.is_some());
    }

    #[test]
    fn every_mistake_names_its_step() {
        let said = |text: &str| parse(text).expect_err(text).to_string();
        for (text, start) in [
            ("", "step 1 is missing"),
            ("then boot", "step 1 is missing"),
            ("boot then", "step 2 is missing"),
            ("boot then then boot", "step 2 is missing"),
            ("boot fat:/A", "step 1 is followed by `fat:/A`"),
            ("fat:/A B then boot", "step 1 is followed by `B`"),
            ("boot then iso", "step 2, `iso`: a path comes"),
            ("iso#1:/A", "step 1, `iso#1:/A`: a path comes"),
            ("archive#1:A", "step 1, `archive#1:A`: a path comes"),
            ("iso:/", "step 1, `iso:/`: a path comes"),
            ("fat:/A\"B\"", "step 1, `fat:/A\"B\"`: a path comes"),
            ("boot#0", "step 1, `boot#0`: after `#`"),
            ("boot#+1", "step 1, `boot#+1`: after `#`"),
            ("boot:/A", "step 1, `boot:/A`: after `#`"),
            ("fat#:/A", "step 1, `fat#:/A`: after `#`"),
            ("boot then fat:\"/A", "step 2: a double quote"),
            ("file:X then boot", "step 1, `file:X`: a structure is the last step"),
            ("boot then nosuch:X", "step 2, `nosuch:X`, is neither"),
        ] {
            assert!(said(text).starts_with(start), "{text}: {}", said(text));
        }
        let many = ["boot"; MOST_STEPS + 1].join(" then ");
        assert_eq!(parse(&many), Err(ChainError::TooLong { steps: MOST_STEPS + 1 }));
        assert!(parse(&["boot"; MOST_STEPS].join(" then ")).is_ok());
    }

    #[test]
    fn what_is_written_reads_back_and_no_text_makes_it_panic() {
        let path = "[/ A-Za-z0-9\"#:.é-]{0,9}[a-z]";
        let container = prop_oneof![
            path.prop_map(|path| Container::Iso(format!("/{path}"))),
            path.prop_map(|path| Container::Archive(format!("/{path}"))),
            prop::option::of(1..300_usize).prop_map(Container::Boot),
            (prop::option::of(1..9_usize), path)
                .prop_map(|(partition, path)| Container::Fat { partition, path: format!("/{path}") }),
        ];
        let structure =
            prop::option::of(prop::sample::select(vec!["/region:network", "file:\"a b\"/section%10", "volume#2"]));
        let chain = (prop::collection::vec(container, 1..6), structure);
        each_value("what_is_written_reads_back_and_no_text_makes_it_panic", 500, &chain, |(containers, structure)| {
            let structure = structure.map(|text| text.parse().expect("a selector"));
            let chain = Chain { containers, structure };
            prop_assert_eq!(parse(&chain.to_string()), Ok(chain));
            Ok(())
        });
        let text = "(iso|boot|fat|archive|file|then|#|:|/|\"| |[a-z0-9é]){0,24}";
        each_value("what_is_written_reads_back_and_no_text_makes_it_panic", 3000, &text, |text| {
            if let Ok(chain) = parse(&text) {
                prop_assert_eq!(parse(&chain.to_string()), Ok(chain));
            }
            Ok(())
        });
    }
}
