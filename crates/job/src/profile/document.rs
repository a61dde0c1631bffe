//! Reads a TOML file that a person wrote, so that every mistake is told with its line, its key and a remedy.
//!
//! A caller opens a [`Document`], takes [`Section`]s out of it and asks them for values. A missing or wrong value becomes a
//! finding, and reading goes on with nothing in its place: all mistakes of a file are told at once. What is read counts only
//! when the document has no error in the end. Values that only make sense together are checked by the caller, who keeps the
//! [`Spot`] of each section for that.
//!
//! Deriving a structure would be shorter, but its errors name no remedy, stop at the first mistake, and lose the lines that
//! checks between tables need. The text is hostile input (safety rule S10): counts and lengths are bounded here, the parser
//! bounds nesting.

use std::cell::RefCell;
use std::ops::RangeInclusive;

use nor::supply::SupplyRange;
use toml::Spanned;
use toml::de::{DeTable, DeValue};

use super::error::{Finding, Severity};

/// Longest text of one value, in bytes.
const MOST_TEXT: usize = 4000;
/// Most items of a list inside a table.
const MOST_ITEMS: usize = 64;
/// Most findings that are kept; a file with more is no profile.
const MOST_FINDINGS: usize = 200;

/// A document under reading.
#[derive(Debug)]
pub(crate) struct Document<'a> {
    text: &'a str,
    findings: RefCell<Vec<Finding>>,
    places: RefCell<Vec<Place>>,
}

/// Where one section stands.
#[derive(Debug)]
struct Place {
    name: &'static str,
    start: usize,
    keys: Vec<(String, usize)>,
}

/// A section, remembered after it was read.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Spot(usize);

impl<'a> Document<'a> {
    /// A document of this text.
    pub(crate) fn new(text: &'a str) -> Self {
        Self { text, findings: RefCell::default(), places: RefCell::default() }
    }

    /// The whole document as a section; none when it is not TOML.
    pub(crate) fn root(&self, known: &[&str]) -> Option<Section<'_, 'a>> {
        match DeTable::parse(self.text) {
            Ok(table) => Some(Section::new(self, "", 0, table.into_inner(), known)),
            Err(error) => {
                let line = error.span().map(|span| self.line(span.start));
                let what = format!("not TOML: {}", error.message().trim_end().replace('\n', "; "));
                self.push(Severity::Error, line, None, what, "mend the line; the format is that of toml.io, version 1");
                None
            }
        }
    }

    /// Adds an error at a key of a section, or at the section when it has no such key.
    pub(crate) fn error(&self, spot: Spot, key: &str, what: impl Into<String>, remedy: impl Into<String>) {
        self.at_spot(Severity::Error, spot, key, what, remedy);
    }

    /// Adds a warning in the same way.
    pub(crate) fn warning(&self, spot: Spot, key: &str, what: impl Into<String>, remedy: impl Into<String>) {
        self.at_spot(Severity::Warning, spot, key, what, remedy);
    }

    /// Tells whether an error was found so far.
    pub(crate) fn has_errors(&self) -> bool {
        self.findings.borrow().iter().any(|finding| finding.severity == Severity::Error)
    }

    /// All findings, in the order of their lines.
    pub(crate) fn into_findings(self) -> Vec<Finding> {
        let mut findings = self.findings.into_inner();
        findings.sort_by_key(|finding| finding.line);
        findings
    }

    fn at_spot(&self, severity: Severity, spot: Spot, key: &str, what: impl Into<String>, remedy: impl Into<String>) {
        let places = self.places.borrow();
        let place = &places[spot.0];
        let start = place.keys.iter().find(|(name, _)| name == key).map_or(place.start, |(_, start)| *start);
        self.push(severity, Some(self.line(start)), named(place.name, key), what, remedy);
    }

    fn at(&self, name: &str, start: usize, key: &str, what: impl Into<String>, remedy: impl Into<String>) {
        self.push(Severity::Error, Some(self.line(start)), named(name, key), what, remedy);
    }

    fn push(
        &self,
        severity: Severity,
        line: Option<usize>,
        key: Option<String>,
        what: impl Into<String>,
        remedy: impl Into<String>,
    ) {
        let mut findings = self.findings.borrow_mut();
        if findings.len() < MOST_FINDINGS {
            findings.push(Finding { severity, line, key, what: what.into(), remedy: remedy.into() });
        }
    }

    fn line(&self, at: usize) -> usize {
        self.text.as_bytes()[..at.min(self.text.len())].iter().filter(|byte| **byte == b'\n').count() + 1
    }
}

fn named(name: &str, key: &str) -> Option<String> {
    match (name, key) {
        ("", "") => None,
        ("", _) => Some(key.to_owned()),
        (_, "") => Some(name.to_owned()),
        _ => Some(format!("{name} {key}")),
    }
}

/// One table, its unknown keys already reported.
#[derive(Debug)]
pub(crate) struct Section<'d, 'a> {
    document: &'d Document<'a>,
    name: &'static str,
    spot: Spot,
    table: DeTable<'a>,
}

impl<'d, 'a> Section<'d, 'a> {
    /// Reports keys that nobody knows: a misspelt key would otherwise be a setting that silently does nothing.
    fn new(document: &'d Document<'a>, name: &'static str, start: usize, table: DeTable<'a>, known: &[&str]) -> Self {
        let mut keys = Vec::with_capacity(table.len().min(known.len()));
        for (key, value) in &table {
            if known.contains(&key.get_ref().as_ref()) {
                keys.push((key.get_ref().to_string(), value.span().start));
            } else {
                let remedy = format!("known here: {}", known.join(", "));
                document.at(name, key.span().start, &shown(key.get_ref()), "this key is not known", remedy);
            }
        }
        let spot = Spot(document.places.borrow().len());
        document.places.borrow_mut().push(Place { name, start, keys });
        Self { document, name, spot, table }
    }

    /// Where it stands, for checks that come later.
    pub(crate) fn spot(&self) -> Spot {
        self.spot
    }

    /// The table under `key`.
    pub(crate) fn table(&mut self, key: &str, name: &'static str, known: &[&str]) -> Option<Self> {
        let value = self.table.remove(key)?;
        self.of_value(key, name, value, known)
    }

    /// The tables of the array under `key`, at most `most`.
    pub(crate) fn tables(&mut self, key: &str, name: &'static str, most: usize, known: &[&str]) -> Vec<Self> {
        let Some(value) = self.table.remove(key) else { return Vec::new() };
        let start = value.span().start;
        match value.into_inner() {
            DeValue::Array(items) if items.len() > most => {
                let what = format!("{} of them are too many", items.len());
                self.document.at(self.name, start, key, what, format!("give at most {most}"));
                Vec::new()
            }
            DeValue::Array(items) => {
                items.into_iter().filter_map(|item| self.of_value(key, name, item, known)).collect()
            }
            _ => {
                self.document.at(
                    self.name,
                    start,
                    key,
                    "this is no list of tables",
                    format!("write `{name}` above each"),
                );
                Vec::new()
            }
        }
    }

    /// Tells whether the key is there.
    pub(crate) fn has(&self, key: &str) -> bool {
        self.table.contains_key(key)
    }

    /// A text that must be there; empty when it is not, which is reported.
    pub(crate) fn need_text(&self, key: &str) -> String {
        self.needed(key, self.text(key)).unwrap_or_default()
    }

    /// A text; never empty.
    pub(crate) fn text(&self, key: &str) -> Option<String> {
        let value = self.table.get(key)?;
        self.text_of(key, value)
    }

    /// An id: small letters, digits and hyphens, a letter first. Empty when it is missing, and what was
    /// written when it is wrong; both are reported.
    pub(crate) fn need_id(&self, key: &str) -> String {
        let Some(text) = self.needed(key, self.text(key)) else { return String::new() };
        if is_id(&text) {
            return text;
        }
        self.error(
            key,
            format!("`{}` is no id", shown(&text)),
            "use 1 to 40 small letters, digits and hyphens, a letter first",
        );
        shown(&text)
    }

    /// A list of texts; empty when there is none.
    pub(crate) fn texts(&self, key: &str) -> Vec<String> {
        self.items(key).iter().filter_map(|item| self.text_of(key, item)).collect()
    }

    /// One of the words in `choices`, with the value beside it.
    pub(crate) fn choice<T: Copy>(&self, key: &str, choices: &[(&str, T)]) -> Option<T> {
        let text = self.text(key)?;
        self.chosen(key, self.start_of(key), &text, choices)
    }

    /// One of the words in `choices` that must be there.
    pub(crate) fn need_choice<T: Copy>(&self, key: &str, choices: &[(&str, T)]) -> Option<T> {
        if !self.has(key) {
            self.error(key, "this key is missing", one_of(choices));
        }
        self.choice(key, choices)
    }

    /// A list of words out of `choices`, as the values beside them.
    pub(crate) fn choices<T: Copy>(&self, key: &str, choices: &[(&str, T)]) -> Vec<T> {
        let words = self.items(key).iter().filter_map(|item| {
            let text = self.text_of(key, item)?;
            self.chosen(key, item.span().start, &text, choices)
        });
        words.collect()
    }

    /// A whole number in `range`.
    pub(crate) fn integer(&self, key: &str, range: RangeInclusive<u64>) -> Option<u64> {
        let value = self.table.get(key)?;
        let Some(digits) = value.get_ref().as_integer() else {
            self.wrong_type(key, value, "a whole number");
            return None;
        };
        let number = u64::from_str_radix(digits.as_str(), digits.radix()).ok().filter(|number| range.contains(number));
        if number.is_none() {
            let what = format!("{} is out of range", shown(digits.as_str()));
            self.error(key, what, format!("give a whole number from {} to {}", range.start(), range.end()));
        }
        number
    }

    /// A whole number of 32 bits in `range`.
    pub(crate) fn integer32(&self, key: &str, range: RangeInclusive<u32>) -> Option<u32> {
        let wide = self.integer(key, u64::from(*range.start())..=u64::from(*range.end()))?;
        Some(u32::try_from(wide).expect("the range ends within 32 bits"))
    }

    /// A number with or without a fraction; infinities and what is no number are refused.
    pub(crate) fn number(&self, key: &str) -> Option<f64> {
        let value = self.table.get(key)?;
        let number = as_number(value.get_ref()).filter(|number| number.is_finite());
        if number.is_none() {
            self.wrong_type(key, value, "a number");
        }
        number
    }

    /// A supply range in volts that must be there, such as `[2.7, 3.6]`.
    pub(crate) fn need_supply(&self, key: &str) -> Option<SupplyRange> {
        let value = self.needed(key, self.table.get(key))?;
        let items = value.get_ref().as_array().filter(|items| items.len() == 2);
        let numbers: Option<Vec<f64>> =
            items.and_then(|items| items.iter().map(|item| as_number(item.get_ref())).collect());
        let Some(pair) = numbers.and_then(|numbers| <[f64; 2]>::try_from(numbers).ok()) else {
            self.wrong_type(key, value, "two voltages, such as [2.7, 3.6]");
            return None;
        };
        let range = SupplyRange::try_from(pair);
        if range.is_err() {
            let what = format!("[{}, {}] is no supply range", pair[0], pair[1]);
            self.error(key, what, "give two voltages from 0.5 to 6, the least first");
        }
        range.ok()
    }

    /// `true` or `false`; false when it is not there.
    pub(crate) fn boolean(&self, key: &str) -> bool {
        let Some(value) = self.table.get(key) else { return false };
        value.get_ref().as_bool().unwrap_or_else(|| {
            self.wrong_type(key, value, "true or false");
            false
        })
    }

    /// Adds an error at `key`, or at the table when it has no such key.
    pub(crate) fn error(&self, key: &str, what: impl Into<String>, remedy: impl Into<String>) {
        self.document.at(self.name, self.start_of(key), key, what, remedy);
    }

    fn start_of(&self, key: &str) -> usize {
        self.table.get(key).map_or_else(|| self.document.places.borrow()[self.spot.0].start, |value| value.span().start)
    }

    fn needed<T>(&self, key: &str, value: Option<T>) -> Option<T> {
        if value.is_none() && !self.has(key) {
            self.error(key, "this key is missing", format!("write `{key} = ...`; docs/profiles.md says what it takes"));
        }
        value
    }

    fn chosen<T: Copy>(&self, key: &str, start: usize, text: &str, choices: &[(&str, T)]) -> Option<T> {
        let found = choices.iter().find(|(name, _)| *name == text).map(|(_, value)| *value);
        if found.is_none() {
            let what = format!("`{}` is not known here", shown(text));
            self.document.at(self.name, start, key, what, one_of(choices));
        }
        found
    }

    fn items(&self, key: &str) -> &[Spanned<DeValue<'a>>] {
        let Some(value) = self.table.get(key) else { return &[] };
        match value.get_ref().as_array() {
            Some(items) if items.len() > MOST_ITEMS => {
                self.error(key, format!("{} items are too many", items.len()), format!("give at most {MOST_ITEMS}"));
                &[]
            }
            Some(items) => items,
            None => {
                self.wrong_type(key, value, "a list, such as [\"one\", \"two\"]");
                &[]
            }
        }
    }

    fn text_of(&self, key: &str, value: &Spanned<DeValue<'_>>) -> Option<String> {
        let start = value.span().start;
        let refuse = |what: String, remedy: String| {
            self.document.at(self.name, start, key, what, remedy);
            None
        };
        let Some(text) = value.get_ref().as_str() else {
            self.wrong_type(key, value, "a text in quotes");
            return None;
        };
        if text.len() > MOST_TEXT {
            return refuse(format!("{} bytes of text", text.len()), format!("give at most {MOST_TEXT} bytes"));
        }
        if let Some(letter) = text.chars().find(|letter| is_hidden(*letter)) {
            let what = format!("the text holds U+{:04X}, which nobody would see", u32::from(letter));
            return refuse(what, "take it out".into());
        }
        if text.trim().is_empty() {
            return refuse("this text is empty".into(), "write something, or take the key out".into());
        }
        Some(text.trim().to_owned())
    }

    fn of_value(&self, key: &str, name: &'static str, value: Spanned<DeValue<'a>>, known: &[&str]) -> Option<Self> {
        let start = value.span().start;
        match value.into_inner() {
            DeValue::Table(table) => Some(Self::new(self.document, name, start, table, known)),
            other => {
                let what = format!("this is of type {}, not a table", other.type_str());
                self.document.at(self.name, start, key, what, format!("write it as `{name}`"));
                None
            }
        }
    }

    fn wrong_type(&self, key: &str, value: &Spanned<DeValue<'_>>, wanted: &str) {
        let what = format!("this is of type {}", value.get_ref().type_str());
        self.document.at(self.name, value.span().start, key, what, format!("give {wanted}"));
    }
}

/// Returns as much of a text as belongs into a message, on one line.
pub(crate) fn shown(text: &str) -> String {
    let end = text.char_indices().nth(40).map_or(text.len(), |(end, _)| end);
    text[..end].chars().map(|letter| if is_hidden(letter) || letter == '\n' { '?' } else { letter }).collect()
}

/// Tells whether a letter moves a cursor or turns the direction of text, so that a page or a terminal would show something
/// else than what is written. A line break is fine. The turning ones are those of Unicode's bidirectional algorithm (UAX 9).
fn is_hidden(letter: char) -> bool {
    let turns = matches!(letter, '\u{200E}' | '\u{200F}' | '\u{202A}'..='\u{202E}' | '\u{2066}'..='\u{2069}');
    turns || (letter.is_control() && letter != '\n')
}

fn is_id(text: &str) -> bool {
    let mut bytes = text.bytes();
    text.len() <= 40
        && bytes.next().is_some_and(|byte| byte.is_ascii_lowercase())
        && bytes.all(|byte| byte.is_ascii_lowercase() || byte.is_ascii_digit() || byte == b'-')
}

fn one_of<T>(choices: &[(&str, T)]) -> String {
    let names: Vec<&str> = choices.iter().map(|(name, _)| *name).collect();
    format!("known here: {}", names.join(", "))
}

fn as_number(value: &DeValue<'_>) -> Option<f64> {
    match value {
        DeValue::Float(float) => float.as_str().parse().ok(),
        DeValue::Integer(digits) => {
            let number = i32::from_str_radix(digits.as_str(), digits.radix()).ok()?;
            Some(f64::from(number))
        }
        _ => None,
    }
}
