//! What `--redact` leaves out (S15), in one place.
//!
//! Whose machine it is, its label, free notes and the names of people go; hashes, times, steps and what a profile says stay.
//! People get numbers in the order in which they appear, so that a reader still sees who signed twice.
//!
//! [`Secrets`] is the second look at a text that nothing private should have come into: it takes out what the journal knows.

use serde_json::Value;

/// Stands in a report for what was left out.
pub(super) const LEFT_OUT: &str = "(left out)";

/// Names, as they are or as numbers.
pub(super) struct People {
    redact: bool,
    seen: Vec<String>,
}

impl People {
    pub(super) fn new(redact: bool) -> Self {
        Self { redact, seen: Vec::new() }
    }

    pub(super) fn name(&mut self, name: &str) -> String {
        if !self.redact || name == "firmhand" || name.is_empty() {
            return name.to_owned();
        }
        let number = self.seen.iter().position(|seen| seen == name).unwrap_or_else(|| {
            self.seen.push(name.to_owned());
            self.seen.len() - 1
        });
        format!("person {}", number + 1)
    }
}

/// Text that may say whose machine it is.
pub(super) fn private(text: Option<&str>, redact: bool) -> Option<String> {
    text.filter(|text| !text.is_empty()).map(|text| if redact { LEFT_OUT.to_owned() } else { text.to_owned() })
}

/// Keys of journal bodies whose values are somebody's: who, whose, which machine, which link, free text.
const SECRET_KEYS: [&str; 13] = [
    "by",
    "machine",
    "owner",
    "consent",
    "note",
    "reason",
    "link",
    "link_as_given",
    "unique_id",
    "name",
    "file",
    "answer",
    "address_drawn",
];
/// Answers at intake that are about one machine.
const SECRET_ANSWERS: [&str; 2] = ["label-", "donor-"];
/// Fewer letters and digits than this are no secret: they occur everywhere.
const LEAST: usize = 4;

/// What a journal knows to be somebody's, to be taken out of texts.
pub(super) struct Secrets {
    /// Letters and digits alone, in lower case; the longest first.
    needles: Vec<String>,
}

impl Secrets {
    pub(super) fn of(job: &vault::JobId, entries: &[vault::Entry]) -> Self {
        let mut needles = std::collections::BTreeSet::new();
        let mut add = |text: &str| {
            needles.insert(bare(text));
            // A word with a digit in it is a number that somebody reads off a label.
            let words = text.split(|letter: char| letter.is_whitespace() || ",;()".contains(letter));
            needles.extend(words.filter(|word| word.contains(|letter: char| letter.is_ascii_digit())).map(bare));
        };
        add(job.as_str());
        for entry in entries {
            let Some(body) = entry.body.as_object() else { continue };
            for (key, value) in body.iter().filter(|(key, _)| SECRET_KEYS.contains(&key.as_str())) {
                // What a gate was answered is one of our own words.
                if !(entry.kind == "gate" && key == "answer") {
                    texts(value).into_iter().for_each(&mut add);
                }
            }
            let answers = body.get("answers").and_then(Value::as_object).into_iter().flatten();
            for (_, value) in answers.filter(|(id, _)| SECRET_ANSWERS.iter().any(|secret| id.starts_with(secret))) {
                texts(value).into_iter().for_each(&mut add);
            }
        }
        let known = ["firmhand", "none", "unknown", "signed", "virtualbench"];
        let mut needles: Vec<String> =
            needles.into_iter().filter(|needle| needle.len() >= LEAST && !known.contains(&needle.as_str())).collect();
        needles.sort_by_key(|needle| std::cmp::Reverse(needle.len()));
        Self { needles }
    }

    /// The text without any of it, whatever its case and its separators are.
    pub(super) fn taken_out_of(&self, text: &str) -> String {
        let letters: Vec<(usize, char)> = text.char_indices().filter(|(_, letter)| letter.is_alphanumeric()).collect();
        let lower: Vec<char> = letters.iter().map(|(_, letter)| lowered(*letter)).collect();
        let mut out = vec![false; letters.len()];
        for needle in &self.needles {
            let needle: Vec<char> = needle.chars().collect();
            for at in 0..(lower.len() + 1).saturating_sub(needle.len()) {
                if lower[at..at + needle.len()] == needle[..] {
                    out[at..at + needle.len()].fill(true);
                }
            }
        }
        mark_addresses(&lower, &mut out);
        let mut cleaned = String::with_capacity(text.len());
        let (mut from, mut at) = (0, 0);
        while at < letters.len() {
            if !out[at] {
                at += 1;
                continue;
            }
            let run = out[at..].iter().take_while(|out| **out).count();
            let (first, (last, letter)) = (letters[at].0, letters[at + run - 1]);
            cleaned.push_str(&text[from..first]);
            cleaned.push_str(LEFT_OUT);
            from = last + letter.len_utf8();
            at += run;
        }
        cleaned.push_str(&text[from..]);
        cleaned
    }
}

/// Twelve hexadecimal digits with a digit among them, standing by themselves, are a network address in one of its spellings.
fn mark_addresses(lower: &[char], out: &mut [bool]) {
    const DIGITS: usize = 12;
    let mut at = 0;
    while at < lower.len() {
        let run = lower[at..].iter().take_while(|letter| letter.is_ascii_hexdigit()).count();
        let has_number = lower[at..at + run].iter().any(char::is_ascii_digit);
        if run >= DIGITS && has_number {
            out[at..at + run].fill(true);
        }
        at += run.max(1);
    }
}

fn texts(value: &Value) -> Vec<&str> {
    match value {
        Value::String(text) => vec![text],
        Value::Array(items) => items.iter().flat_map(texts).collect(),
        Value::Object(fields) => fields.values().flat_map(texts).collect(),
        _ => Vec::new(),
    }
}

/// Letters and digits alone, in lower case.
fn bare(text: &str) -> String {
    text.chars().filter(|letter| letter.is_alphanumeric()).map(lowered).collect()
}

/// One letter for one letter, so that places stay what they were.
fn lowered(letter: char) -> char {
    letter.to_lowercase().next().unwrap_or(letter)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn secrets(needles: &[&str]) -> Secrets {
        Secrets { needles: needles.iter().map(|needle| bare(needle)).collect() }
    }

    #[test]
    fn s15_a_secret_goes_in_either_case_and_with_any_separators() {
        let secrets = secrets(&["LN9-0042", "Ana Ask"]);
        for text in ["on LN9-0042.", "on ln90042.", "on L N 9 / 0 0 4 2.", "on ln9_0042."] {
            assert_eq!(secrets.taken_out_of(text), "on (left out).", "{text}");
        }
        assert_eq!(secrets.taken_out_of("Ana, ask whom you like"), "(left out) whom you like");
        assert_eq!(secrets.taken_out_of("nothing of it"), "nothing of it");
        assert_eq!(secrets.taken_out_of(""), "");
    }

    /// The spellings of IEEE 802 (hyphens), of Linux (colons), of some printed labels (dots, none).
    #[test]
    fn s15_network_addresses_go_in_every_spelling() {
        let none = secrets(&[]);
        for address in ["02-00-5E-00-53-0A", "02:00:5e:00:53:0a", "0200.5e00.530a", "02005E00530A"] {
            assert_eq!(none.taken_out_of(&format!("it is {address}.")), "it is (left out).");
        }
        assert_eq!(
            none.taken_out_of("16 MiB read again, 0 bytes differ, 12 of 4 KiB"),
            "16 MiB read again, 0 bytes differ, 12 of 4 KiB"
        );
    }
}
