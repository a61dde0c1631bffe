//! What `--redact` leaves out (S15), in one place.
//!
//! Whose machine it is, its label, free notes and the names of people go; hashes, times, steps and what a profile says stay.
//! People get numbers in the order in which they appear, so that a reader still sees who signed twice.

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
