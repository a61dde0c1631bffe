//! Walks a table of a TOML document so that each mistake is told with its line and key.
//!
//! The decision a reader would question: no derived reader. Its errors name no remedy, and keys that only make sense together
//! could not be traced back to their lines. The parser bounds the depth of nesting by itself.

use std::ops::RangeInclusive;
use std::sync::Arc;

use toml::Spanned;
use toml::de::{DeTable, DeValue};

use crate::recipe::error::{Mistake, RecipeError, TextPlace};
use crate::recipe::{MOST_BYTES, MOST_TABLES};

/// The recipe under reading.
#[derive(Debug, Clone)]
struct Source<'a> {
    name: Arc<str>,
    text: &'a str,
}

/// One table, all its keys known.
#[derive(Debug)]
pub(crate) struct Table<'a> {
    source: Source<'a>,
    /// As it is written, such as `[[keep]]`; empty for the document.
    header: &'static str,
    start: usize,
    entries: DeTable<'a>,
}

/// What stands under a key that takes all of some words, or a list of them.
pub(crate) enum Words {
    /// The word `all`.
    All,
    /// These, by their numbers.
    These(Vec<usize>),
}

impl<'a> Table<'a> {
    /// Returns the whole document.
    pub(crate) fn document(text: &'a str, name: &str, known: &'static [&'static str]) -> Result<Self, RecipeError> {
        let source = Source { name: name.into(), text };
        if text.len() > MOST_BYTES {
            return Err(source.error(0, String::new(), Mistake::TooLong { len: text.len() }));
        }
        let entries = DeTable::parse(text).map_err(|error| {
            let start = error.span().map_or(0, |span| span.start);
            source.error(start, String::new(), Mistake::NotToml { why: error.message().trim_end().to_owned() })
        })?;
        Self { source, header: "", start: 0, entries: entries.into_inner() }.checked(known)
    }

    /// Returns the table under `key`.
    pub(crate) fn table(
        &mut self,
        key: &str,
        header: &'static str,
        known: &'static [&'static str],
    ) -> Result<Option<Self>, RecipeError> {
        let Some(value) = self.entries.remove(key) else { return Ok(None) };
        Self::of(&self.source, header, value, known).map(Some)
    }

    /// Returns the tables of the list under `key`, none when there is no such key. One alone may stand in single brackets.
    pub(crate) fn tables(
        &mut self,
        key: &str,
        header: &'static str,
        known: &'static [&'static str],
    ) -> Result<Vec<Self>, RecipeError> {
        let Some(value) = self.entries.remove(key) else { return Ok(Vec::new()) };
        let start = value.span().start;
        match value.into_inner() {
            DeValue::Array(items) if items.len() > MOST_TABLES => {
                Err(self.source.error(start, header.to_owned(), Mistake::TooMany { count: items.len() }))
            }
            DeValue::Array(items) => {
                items.into_iter().map(|item| Self::of(&self.source, header, item, known)).collect()
            }
            DeValue::Table(entries) => {
                Ok(vec![Self { source: self.source.clone(), header, start, entries }.checked(known)?])
            }
            other => {
                let mistake = Mistake::WrongType { found: other.type_str(), wanted: "a list of tables" };
                Err(self.source.error(start, header.to_owned(), mistake))
            }
        }
    }

    pub(crate) fn has(&self, key: &str) -> bool {
        self.entries.contains_key(key)
    }

    /// Returns the text under `key`: 1 to `most` bytes, no control characters.
    pub(crate) fn text(&self, key: &str, most: usize) -> Result<Option<&str>, RecipeError> {
        let Some(value) = self.entries.get(key) else { return Ok(None) };
        let text = value.get_ref().as_str().ok_or_else(|| self.wrong_type(key, value, "a text in quotes"))?;
        if text.is_empty() || text.len() > most || text.chars().any(char::is_control) {
            return Err(self.mistake(key, Mistake::Text { len: text.len(), most }));
        }
        Ok(Some(text))
    }

    /// Returns the value beside the word under `key`.
    pub(crate) fn word<T: Copy>(&self, key: &str, words: &[(&'static str, T)]) -> Result<Option<T>, RecipeError> {
        let Some(text) = self.text(key, 64)? else { return Ok(None) };
        let found = words.iter().find(|(word, _)| *word == text).map(|(_, value)| *value);
        found.map(Some).ok_or_else(|| {
            let known = words.iter().map(|(word, _)| *word).collect();
            self.mistake(key, Mistake::UnknownWord { given: shown(text).to_owned(), known })
        })
    }

    /// Returns which of `words` stand under `key`: the word `all`, or a list that names each once.
    pub(crate) fn words(&self, key: &str, words: &[&'static str]) -> Result<Option<Words>, RecipeError> {
        let Some(value) = self.entries.get(key) else { return Ok(None) };
        let unknown = |given: &str| {
            let known = [&["all"], words].concat();
            self.mistake(key, Mistake::UnknownWord { given: shown(given).escape_debug().to_string(), known })
        };
        let list = match value.get_ref() {
            DeValue::String(text) if text == "all" => return Ok(Some(Words::All)),
            DeValue::String(text) => return Err(unknown(text)),
            DeValue::Array(list) => list,
            _ => return Err(self.wrong_type(key, value, "\"all\" or a list of texts")),
        };
        let mut found = Vec::new();
        for item in list {
            let text = item.get_ref().as_str().ok_or_else(|| self.wrong_type(key, item, "texts in quotes"))?;
            let number = words.iter().position(|word| *word == text).ok_or_else(|| unknown(text))?;
            if found.contains(&number) {
                return Err(self.mistake(key, Mistake::Twice { given: words[number] }));
            }
            found.push(number);
        }
        Ok(Some(Words::These(found)))
    }

    /// Returns the whole number under `key`.
    pub(crate) fn number(&self, key: &str, range: RangeInclusive<u32>) -> Result<Option<u32>, RecipeError> {
        let Some(value) = self.entries.get(key) else { return Ok(None) };
        let digits = value.get_ref().as_integer().ok_or_else(|| self.wrong_type(key, value, "a whole number"))?;
        let number = u32::from_str_radix(digits.as_str(), digits.radix()).ok().filter(|number| range.contains(number));
        number.map(Some).ok_or_else(|| {
            let given = shown(value_text(self.source.text, value)).to_owned();
            self.mistake(key, Mistake::OutOfRange { given, least: *range.start(), most: *range.end() })
        })
    }

    /// Returns what stands under `key`: true or false.
    pub(crate) fn yes_no(&self, key: &str) -> Result<Option<bool>, RecipeError> {
        let Some(value) = self.entries.get(key) else { return Ok(None) };
        value.get_ref().as_bool().map(Some).ok_or_else(|| self.mistake(key, Mistake::NotYesNo))
    }

    /// Returns where the table stands.
    pub(crate) fn place(&self) -> TextPlace {
        self.source.place(self.start, self.header.to_owned())
    }

    /// A mistake at `key`, or at the table itself when the key is not there.
    pub(crate) fn mistake(&self, key: &str, mistake: Mistake) -> RecipeError {
        let start = self.entries.get(key).map_or(self.start, |value| value.span().start);
        self.source.error(start, self.key(key), mistake)
    }

    /// Something is missing from the table.
    pub(crate) fn missing(&self, what: &'static str, remedy: &'static str) -> RecipeError {
        RecipeError { place: self.place(), mistake: Mistake::Missing { what, remedy } }
    }

    /// Refuses the first of `keys` that is there, since `other` is.
    pub(crate) fn without(&self, keys: &[&str], other: &'static str) -> Result<(), RecipeError> {
        match keys.iter().find(|key| self.has(key)) {
            Some(key) => Err(self.mistake(key, Mistake::Excluded { other })),
            None => Ok(()),
        }
    }

    fn of(
        source: &Source<'a>,
        header: &'static str,
        value: Spanned<DeValue<'a>>,
        known: &'static [&'static str],
    ) -> Result<Self, RecipeError> {
        let start = value.span().start;
        match value.into_inner() {
            DeValue::Table(entries) => Self { source: source.clone(), header, start, entries }.checked(known),
            other => {
                let mistake = Mistake::WrongType { found: other.type_str(), wanted: "a table" };
                Err(source.error(start, header.to_owned(), mistake))
            }
        }
    }

    /// Refuses keys that nobody knows: a misspelt `[[require]]` would otherwise be one that silently requires nothing.
    fn checked(self, known: &'static [&'static str]) -> Result<Self, RecipeError> {
        match self.entries.keys().find(|key| !known.contains(&key.get_ref().as_ref())) {
            None => Ok(self),
            Some(key) => {
                // A quoted key can hold any character; none of them may act on the terminal that shows the message.
                let name = shown(key.get_ref()).escape_debug().to_string();
                Err(self.source.error(key.span().start, self.key(&name), Mistake::UnknownKey { known }))
            }
        }
    }

    fn wrong_type(&self, key: &str, value: &Spanned<DeValue<'_>>, wanted: &'static str) -> RecipeError {
        self.mistake(key, Mistake::WrongType { found: value.get_ref().type_str(), wanted })
    }

    fn key(&self, key: &str) -> String {
        if self.header.is_empty() { key.to_owned() } else { format!("{} {key}", self.header) }
    }
}

impl Source<'_> {
    fn error(&self, start: usize, key: String, mistake: Mistake) -> RecipeError {
        RecipeError { place: self.place(start, key), mistake }
    }

    fn place(&self, start: usize, key: String) -> TextPlace {
        let before = &self.text.as_bytes()[..start.min(self.text.len())];
        let line = before.iter().filter(|byte| **byte == b'\n').count() + 1;
        TextPlace { name: Arc::clone(&self.name), line, key: key.into() }
    }
}

/// Returns a value as it was written.
fn value_text<'a>(text: &'a str, value: &Spanned<DeValue<'_>>) -> &'a str {
    text.get(value.span()).unwrap_or_default()
}

/// Returns as much of a text as belongs into a message.
fn shown(text: &str) -> &str {
    text.char_indices().nth(40).map_or(text, |(end, _)| &text[..end])
}
