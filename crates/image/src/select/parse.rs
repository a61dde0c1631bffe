//! Reading a selector.

use std::str::FromStr;

use super::{Selector, Wanted};
use crate::explain::{Kind, short};

/// Why a text is no selector. Places are characters from the start, from 1 on.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum SelectorError {
    /// A step is empty, or there is none.
    #[error("character {at}: a step is missing; a selector looks like `/volume#2/file:NAME/section%10`")]
    Empty {
        /// Where.
        at: usize,
    },
    /// A step begins with no kind.
    #[error("character {at}: `{word}` is no kind of structure; there are {}", kinds())]
    Kind {
        /// Where.
        at: usize,
        /// What stands there.
        word: String,
    },
    /// A quote has no partner.
    #[error("character {at}: a double quote is not closed")]
    Quote {
        /// Where it opens.
        at: usize,
    },
    /// What follows `:`, `%` or `#` is none.
    #[error("character {at}: after `{mark}` comes {wanted}, and not `{found}`")]
    Part {
        /// Where.
        at: usize,
        /// The mark.
        mark: char,
        /// What is wanted, in words.
        wanted: &'static str,
        /// What stands there.
        found: String,
    },
}

fn kinds() -> String {
    Kind::ALL.map(short).join(", ")
}

/// Returns where the last `/` outside of quotes stands.
pub(super) fn last_slash(text: &str) -> Option<usize> {
    let mut quoted = false;
    let outside = |(at, character): (usize, char)| {
        quoted ^= character == '"';
        (character == '/' && !quoted).then_some(at)
    };
    text.char_indices().filter_map(outside).last()
}

impl FromStr for Selector {
    type Err = SelectorError;

    fn from_str(text: &str) -> Result<Self, SelectorError> {
        let mut reader = Reader { rest: text, at: 1 };
        let from_top = reader.skip('/');
        let mut steps = Vec::new();
        loop {
            steps.push(reader.step()?);
            if !reader.skip('/') {
                break;
            }
        }
        Ok(Self { from_top, steps })
    }
}

struct Reader<'t> {
    rest: &'t str,
    at: usize,
}

impl<'t> Reader<'t> {
    fn skip(&mut self, character: char) -> bool {
        let there = self.rest.starts_with(character);
        if there {
            self.take(1);
        }
        there
    }

    /// Takes `count` characters.
    fn take(&mut self, count: usize) -> &'t str {
        let end = self.rest.char_indices().nth(count).map_or(self.rest.len(), |(at, _)| at);
        let (taken, rest) = self.rest.split_at(end);
        self.rest = rest;
        self.at += count;
        taken
    }

    /// Takes what stands up to the next mark.
    fn word(&mut self) -> &'t str {
        let count = self.rest.chars().take_while(|character| !"/:%#\"".contains(*character)).count();
        self.take(count)
    }

    fn step(&mut self) -> Result<Wanted, SelectorError> {
        let at = self.at;
        let word = self.word();
        if word.is_empty() {
            return Err(SelectorError::Empty { at });
        }
        let kind = Kind::ALL.into_iter().find(|kind| short(*kind) == word || kind.name() == word);
        let kind = kind.ok_or(SelectorError::Kind { at, word: word.to_owned() })?;
        let mut step = Wanted { kind, keys: Vec::new(), number: None, nth: None };
        loop {
            let at = self.at + 1;
            if self.skip(':') {
                let key = self.key()?;
                step.keys.push(key);
            } else if self.skip('%') {
                let digits = self.word();
                let number = u32::from_str_radix(digits, 16).ok();
                let wanted = "a type in hexadecimal digits";
                let error = SelectorError::Part { at, mark: '%', wanted, found: digits.to_owned() };
                step.number = Some(number.ok_or(error)?);
            } else if self.skip('#') {
                let digits = self.word();
                let nth = digits.parse().ok().filter(|nth| *nth > 0);
                let wanted = "a number from 1 on";
                let error = SelectorError::Part { at, mark: '#', wanted, found: digits.to_owned() };
                step.nth = Some(nth.ok_or(error)?);
            } else if self.rest.is_empty() || self.rest.starts_with('/') {
                return Ok(step);
            } else {
                return Err(SelectorError::Quote { at: self.at });
            }
        }
    }

    fn key(&mut self) -> Result<String, SelectorError> {
        let at = self.at;
        if !self.skip('"') {
            let word = self.word();
            let error =
                SelectorError::Part { at, mark: ':', wanted: "a name, a GUID or a state", found: String::new() };
            return if word.is_empty() { Err(error) } else { Ok(word.to_owned()) };
        }
        let mut key = String::new();
        loop {
            let count = self.rest.chars().take_while(|character| *character != '"').count();
            key.push_str(self.take(count));
            if !self.skip('"') {
                return Err(SelectorError::Quote { at });
            }
            if !self.skip('"') {
                return Ok(key);
            }
            key.push('"');
        }
    }
}
