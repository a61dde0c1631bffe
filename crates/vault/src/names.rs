//! Small types with a rule of their own: digests, job ids, kinds, times.
//!
//! Whoever holds one of these knows that the rule was checked, so that no path or JSON further down checks it again. Job
//! ids become file names; therefore their alphabet is narrow, and a dot cannot lead.

use std::fmt;
use std::str::FromStr;

use serde::{Deserialize, Serialize};

use crate::error::VaultError;

/// A 256-bit digest (BLAKE3, or SHA-256 where a field says so). Written as 64 lower-case hex digits.
///
/// A content's id is the BLAKE3 digest of all its bytes.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(try_from = "String", into = "String")]
pub struct Digest(pub [u8; 32]);

impl Digest {
    /// Returns the BLAKE3 digest of `bytes`.
    #[must_use]
    pub fn blake3(bytes: &[u8]) -> Self {
        Self(*blake3::hash(bytes).as_bytes())
    }

    /// Returns the first 12 hex digits: enough to tell contents of one bench apart at sight.
    #[must_use]
    pub fn short(&self) -> String {
        let mut text = self.to_string();
        text.truncate(12);
        text
    }
}

impl fmt::Display for Digest {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&blake3::Hash::from_bytes(self.0).to_hex())
    }
}

impl FromStr for Digest {
    type Err = VaultError;

    fn from_str(text: &str) -> Result<Self, VaultError> {
        let lower = !text.bytes().any(|byte| byte.is_ascii_uppercase());
        match blake3::Hash::from_hex(text) {
            Ok(hash) if lower => Ok(Self(*hash.as_bytes())),
            _ => Err(VaultError::BadName {
                what: "the digest",
                given: text.to_owned(),
                rule: "64 lower-case hex digits",
            }),
        }
    }
}

impl TryFrom<String> for Digest {
    type Error = VaultError;

    fn try_from(text: String) -> Result<Self, VaultError> {
        text.parse()
    }
}

impl From<Digest> for String {
    fn from(digest: Digest) -> Self {
        digest.to_string()
    }
}

/// A job's id: 1 to 64 of `A-Z a-z 0-9 . _ -`, not led by a dot or a dash. It names files, so it holds nothing private.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(try_from = "String", into = "String")]
pub struct JobId(String);

impl JobId {
    /// Returns the job id, once its rule is checked.
    ///
    /// # Errors
    /// [`VaultError::BadName`] when the rule is broken.
    pub fn new(text: &str) -> Result<Self, VaultError> {
        let fits = (1..=64).contains(&text.len())
            && !text.starts_with(['.', '-'])
            && text.bytes().all(|byte| byte.is_ascii_alphanumeric() || b"._-".contains(&byte));
        if fits {
            return Ok(Self(text.to_owned()));
        }
        Err(VaultError::BadName {
            what: "the job id",
            given: text.to_owned(),
            rule: "1 to 64 of A-Z a-z 0-9 . _ - and no dot or dash in front",
        })
    }

    /// Returns the id as text.
    #[must_use]
    pub fn as_str(&self) -> &str {
        &self.0
    }
}

impl fmt::Display for JobId {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0)
    }
}

impl TryFrom<String> for JobId {
    type Error = VaultError;

    fn try_from(text: String) -> Result<Self, VaultError> {
        Self::new(&text)
    }
}

impl From<JobId> for String {
    fn from(job: JobId) -> Self {
        job.0
    }
}

/// What a stored content is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Kind {
    /// Read out of a chip.
    Capture,
    /// Taken in from a file, or composed.
    Image,
}

impl Kind {
    /// Returns the word that stands in manifests and in the index.
    #[must_use]
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Capture => "capture",
            Self::Image => "image",
        }
    }
}

/// Checks that `text` is a UTC time of RFC 3339 with `T` and `Z`, for example `2026-03-01T09:30:00Z`.
///
/// Shape and ranges are checked, not the calendar: the clock that made it knows the calendar.
pub(crate) fn check_time(text: &str) -> Result<(), VaultError> {
    let bytes = text.as_bytes();
    let shape = b"0000-00-00T00:00:00";
    let number = |from: usize| u32::from(bytes[from] - b'0') * 10 + u32::from(bytes[from + 1] - b'0');
    let fits = bytes.len() > shape.len()
        && shape.iter().zip(bytes).all(|(s, b)| if *s == b'0' { b.is_ascii_digit() } else { s == b })
        && (1..=12).contains(&number(5))
        && (1..=31).contains(&number(8))
        && number(11) < 24
        && number(14) < 60
        && number(17) <= 60
        && match &bytes[shape.len()..] {
            b"Z" => true,
            [b'.', digits @ .., b'Z'] => !digits.is_empty() && digits.iter().all(u8::is_ascii_digit),
            _ => false,
        };
    if fits {
        return Ok(());
    }
    Err(VaultError::BadName {
        what: "the time",
        given: text.to_owned(),
        rule: "a UTC time of RFC 3339, as 2026-03-01T09:30:00Z",
    })
}

/// Checks a line that people read: names, signatures, reasons.
pub(crate) fn check_line(what: &'static str, text: &str) -> Result<(), VaultError> {
    if !text.trim().is_empty() && text.len() <= 400 && !text.chars().any(char::is_control) {
        return Ok(());
    }
    Err(VaultError::BadName {
        what,
        given: text.chars().take(60).collect(),
        rule: "one line of 1 to 400 bytes, without control characters",
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn job_ids_stay_inside_their_folder() {
        for bad in ["", ".", "..", "../x", "a/b", "-x", "ü", "a b", &"x".repeat(65)] {
            assert!(JobId::new(bad).is_err(), "{bad:?}");
        }
        assert_eq!(JobId::new("2026-03_a.1").unwrap().as_str(), "2026-03_a.1");
    }

    #[test]
    fn times_have_one_shape() {
        for good in ["2026-03-01T09:30:00Z", "2026-03-01T09:30:00.25Z"] {
            assert!(check_time(good).is_ok(), "{good}");
        }
        for bad in [
            "",
            "2026-03-01",
            "2026-03-01T09:30:00",
            "2026-03-01T09:30:00+01:00",
            "2026-13-01T09:30:00Z",
            "2026-03-01T09:30:00.Z",
            "2026-03-01T24:30:00Z",
        ] {
            assert!(check_time(bad).is_err(), "{bad}");
        }
    }

    #[test]
    fn digests_have_one_spelling() {
        let digest = Digest::blake3(b"");
        assert_eq!(digest.to_string().parse::<Digest>().unwrap(), digest);
        assert!(digest.to_string().to_uppercase().parse::<Digest>().is_err());
    }
}
