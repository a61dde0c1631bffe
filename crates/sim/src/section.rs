//! Walks a table of a TOML document so that every mistake is told with its line, its key and a remedy.
//!
//! Deriving a structure would be shorter, but its errors name neither a remedy nor what a key accepts, and values that
//! only make sense together could not be traced back to their lines. The document is hostile input (safety rule S10):
//! nothing here trusts a length, and the parser itself bounds nesting.

use std::ops::RangeInclusive;
use std::path::Path;

use toml::Spanned;
use toml::de::{DeTable, DeValue};

use crate::error::BenchError;

/// The document under reading.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Source<'a> {
    /// Its file, for messages and as the base of relative paths.
    pub(crate) path: &'a Path,
    /// Its text.
    pub(crate) text: &'a str,
}

impl Source<'_> {
    fn line(&self, at: usize) -> usize {
        self.text.as_bytes()[..at.min(self.text.len())].iter().filter(|byte| **byte == b'\n').count() + 1
    }
}

/// One table, its keys all known.
#[derive(Debug)]
pub(crate) struct Section<'a> {
    source: Source<'a>,
    name: &'static str,
    start: usize,
    table: DeTable<'a>,
}

impl<'a> Section<'a> {
    /// The whole document.
    pub(crate) fn root(source: Source<'a>, known: &[&str]) -> Result<Self, BenchError> {
        let document = DeTable::parse(source.text).map_err(|error| BenchError {
            line: error.span().map(|span| source.line(span.start)),
            ..BenchError::of_file(
                source.path,
                format!("not TOML: {}", error.message().trim_end()),
                "mend the line; the format is that of toml.io, version 1",
            )
        })?;
        Self { source, name: "", start: 0, table: document.into_inner() }.checked(known)
    }

    /// The table under `key`; an empty one when the key is missing.
    pub(crate) fn table(&mut self, key: &str, name: &'static str, known: &[&str]) -> Result<Self, BenchError> {
        match self.table.remove(key) {
            None => Ok(Self { source: self.source, name, start: 0, table: DeTable::new() }),
            Some(value) => Self::of_value(self.source, name, value, known),
        }
    }

    /// The tables of the array under `key`.
    pub(crate) fn tables(&mut self, key: &str, name: &'static str, known: &[&str]) -> Result<Vec<Self>, BenchError> {
        let Some(value) = self.table.remove(key) else { return Ok(Vec::new()) };
        let start = value.span().start;
        let DeValue::Array(items) = value.into_inner() else {
            return Err(self.at(start, key, "this is no list of tables", format!("write `[[{key}]]` above each")));
        };
        items.into_iter().map(|item| Self::of_value(self.source, name, item, known)).collect()
    }

    /// Tells whether the key is there.
    pub(crate) fn has(&self, key: &str) -> bool {
        self.table.contains_key(key)
    }

    /// A text of at most `most` bytes.
    pub(crate) fn text(&self, key: &str, most: usize) -> Result<Option<&str>, BenchError> {
        let Some(value) = self.table.get(key) else { return Ok(None) };
        let text = value.get_ref().as_str().ok_or_else(|| self.wrong_type(key, value, "a text in quotes"))?;
        if text.len() > most {
            let what = format!("{} bytes of text", text.len());
            return Err(self.error(key, what, format!("give at most {most} bytes")));
        }
        Ok(Some(text))
    }

    /// One of the texts in `choices`, with the value beside it.
    pub(crate) fn choice<T: Copy>(&self, key: &str, choices: &[(&str, T)]) -> Result<Option<T>, BenchError> {
        let Some(text) = self.text(key, 64)? else { return Ok(None) };
        let found = choices.iter().find(|(name, _)| *name == text).map(|(_, value)| *value);
        found.map(Some).ok_or_else(|| self.error(key, format!("`{}` is not known here", shown(text)), one_of(choices)))
    }

    /// A whole number in `range`.
    pub(crate) fn integer(&self, key: &str, range: RangeInclusive<u64>) -> Result<Option<u64>, BenchError> {
        let Some(value) = self.table.get(key) else { return Ok(None) };
        let digits = value.get_ref().as_integer().ok_or_else(|| self.wrong_type(key, value, "a whole number"))?;
        let number = u64::from_str_radix(digits.as_str(), digits.radix()).ok().filter(|number| range.contains(number));
        number.map(Some).ok_or_else(|| {
            let what = format!("{} is out of range", shown(digits.as_str()));
            self.error(key, what, format!("give a whole number from {} to {}", range.start(), range.end()))
        })
    }

    /// A whole number of 32 bits in `range`.
    pub(crate) fn integer32(&self, key: &str, range: RangeInclusive<u32>) -> Result<Option<u32>, BenchError> {
        let wide = self.integer(key, u64::from(*range.start())..=u64::from(*range.end()))?;
        Ok(wide.map(|number| u32::try_from(number).expect("the range ends within 32 bits")))
    }

    /// A number in `range`, with or without a fraction.
    pub(crate) fn number(&self, key: &str, range: RangeInclusive<f64>) -> Result<Option<f64>, BenchError> {
        let Some(value) = self.table.get(key) else { return Ok(None) };
        let number = as_number(value.get_ref()).ok_or_else(|| self.wrong_type(key, value, "a number"))?;
        if range.contains(&number) {
            return Ok(Some(number));
        }
        let remedy = format!("give a number from {} to {}", range.start(), range.end());
        Err(self.error(key, format!("{number} is out of range"), remedy))
    }

    /// Two numbers.
    pub(crate) fn pair(&self, key: &str) -> Result<Option<[f64; 2]>, BenchError> {
        let Some(value) = self.table.get(key) else { return Ok(None) };
        let wrong = || self.wrong_type(key, value, "two numbers, such as [2.7, 3.6]");
        let items = value.get_ref().as_array().filter(|items| items.len() == 2).ok_or_else(wrong)?;
        let numbers: Option<Vec<f64>> = items.iter().map(|item| as_number(item.get_ref())).collect();
        numbers.and_then(|numbers| numbers.try_into().ok()).map(Some).ok_or_else(wrong)
    }

    /// A list of texts out of `choices`, as the values beside them.
    pub(crate) fn choices<T: Copy>(&self, key: &str, choices: &[(&str, T)]) -> Result<Vec<T>, BenchError> {
        let Some(value) = self.table.get(key) else { return Ok(Vec::new()) };
        let wrong = || self.wrong_type(key, value, "a list of texts");
        let items = value.get_ref().as_array().ok_or_else(wrong)?;
        items
            .iter()
            .map(|item| {
                let text = item.get_ref().as_str().ok_or_else(wrong)?;
                let found = choices.iter().find(|(name, _)| *name == text).map(|(_, value)| *value);
                let what = || format!("`{}` is not known here", shown(text));
                found.ok_or_else(|| self.at(item.span().start, key, what(), one_of(choices)))
            })
            .collect()
    }

    /// `true` or `false`.
    pub(crate) fn boolean(&self, key: &str) -> Result<Option<bool>, BenchError> {
        let Some(value) = self.table.get(key) else { return Ok(None) };
        value.get_ref().as_bool().map(Some).ok_or_else(|| self.wrong_type(key, value, "true or false"))
    }

    /// A mistake at `key`, or at the table itself when the key is missing.
    pub(crate) fn error(&self, key: &str, what: impl Into<String>, remedy: impl Into<String>) -> BenchError {
        let start = self.table.get(key).map_or(self.start, |value| value.span().start);
        self.at(start, key, what, remedy)
    }

    fn of_value(
        source: Source<'a>,
        name: &'static str,
        value: Spanned<DeValue<'a>>,
        known: &[&str],
    ) -> Result<Self, BenchError> {
        let start = value.span().start;
        let empty = Self { source, name, start, table: DeTable::new() };
        match value.into_inner() {
            DeValue::Table(table) => Self { table, ..empty }.checked(known),
            other => {
                let what = format!("this is {}, not a table", other.type_str());
                Err(BenchError {
                    line: Some(source.line(start)),
                    ..BenchError::of_file(source.path, what, format!("write it as `{name}`"))
                })
            }
        }
    }

    /// Refuses keys that nobody knows: a misspelt key would otherwise be a setting that silently does nothing.
    fn checked(self, known: &[&str]) -> Result<Self, BenchError> {
        match self.table.keys().find(|key| !known.contains(&key.get_ref().as_ref())) {
            None => Ok(self),
            Some(key) => {
                let name = shown(key.get_ref());
                Err(self.at(
                    key.span().start,
                    name,
                    "this key is not known",
                    format!("known here: {}", known.join(", ")),
                ))
            }
        }
    }

    fn wrong_type(&self, key: &str, value: &Spanned<DeValue<'_>>, wanted: &str) -> BenchError {
        let what = format!("this is of type {}", value.get_ref().type_str());
        self.at(value.span().start, key, what, format!("give {wanted}"))
    }

    fn at(&self, start: usize, key: &str, what: impl Into<String>, remedy: impl Into<String>) -> BenchError {
        let key = if self.name.is_empty() { key.to_owned() } else { format!("{} {key}", self.name) };
        let error = BenchError::of_file(self.source.path, what, remedy);
        BenchError { line: Some(self.source.line(start)), key: Some(key), ..error }
    }
}

/// As much of a text as belongs into a message.
pub(crate) fn shown(text: &str) -> &str {
    text.char_indices().nth(40).map_or(text, |(end, _)| &text[..end])
}

fn one_of<T>(choices: &[(&str, T)]) -> String {
    let names: Vec<&str> = choices.iter().map(|(name, _)| *name).collect();
    format!("known here: {}", names.join(", "))
}

fn as_number(value: &DeValue<'_>) -> Option<f64> {
    match value {
        DeValue::Float(float) => float.as_str().parse().ok(),
        #[expect(clippy::cast_precision_loss, reason = "a voltage or a rate, checked against a small range")]
        DeValue::Integer(digits) => {
            i64::from_str_radix(digits.as_str(), digits.radix()).ok().map(|number| number as f64)
        }
        _ => None,
    }
}
