//! What may be wrong with a profile, told so that the person who wrote it can mend it.
//!
//! A profile is read to its end before anything is reported: somebody who writes one wants all findings at once. A finding
//! is one type for all mistakes, since whoever reads a profile can do nothing with their kinds but show them.

use std::fmt;
use std::io;
use std::path::{Path, PathBuf};

use serde::Serialize;

/// Why there is no profile.
#[derive(Debug, thiserror::Error)]
pub enum ProfileError {
    /// The system refused the file.
    #[error("cannot read the profile {}", path.display())]
    Io {
        /// The file.
        path: PathBuf,
        /// What the system said.
        source: io::Error,
    },
    /// It is longer than a profile may be (safety rule S10).
    #[error("the profile {} is longer than {most} bytes", path.display())]
    TooLong {
        /// The file.
        path: PathBuf,
        /// The most bytes that a profile may have.
        most: u64,
    },
    /// It is no text.
    #[error("the profile {} is not UTF-8 text, from byte {at} on", path.display())]
    NotText {
        /// The file.
        path: PathBuf,
        /// The first byte that is none, from 0.
        at: usize,
    },
    /// It has mistakes.
    #[error("{}", summed(path, findings))]
    Findings {
        /// The file.
        path: PathBuf,
        /// All findings; one at least is an error.
        findings: Vec<Finding>,
    },
}

impl ProfileError {
    /// Returns what to do about it.
    #[must_use]
    pub fn hint(&self) -> String {
        match self {
            Self::Io { .. } => "name a profile that is there and may be read".into(),
            Self::TooLong { .. } => "keep pictures and long texts in files of their own beside it".into(),
            Self::NotText { .. } => "save it as UTF-8".into(),
            Self::Findings { findings, .. } => {
                first_error(findings).map(|error| error.remedy.clone()).unwrap_or_default()
            }
        }
    }

    /// Returns the findings; none when the file could not be read.
    #[must_use]
    pub fn findings(&self) -> &[Finding] {
        match self {
            Self::Findings { findings, .. } => findings,
            _ => &[],
        }
    }
}

/// How grave a finding is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Severity {
    /// The profile cannot be used.
    Error,
    /// It can, and somebody should look.
    Warning,
}

/// One finding, with the place and the remedy.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Finding {
    /// How grave it is.
    pub severity: Severity,
    /// Its line, from 1; none when it belongs to the whole file.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub line: Option<usize>,
    /// Table and key, such as `[[step]] needs`; none when it belongs to no key.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub key: Option<String>,
    /// What is wrong, with the value found.
    pub what: String,
    /// What to do about it.
    pub remedy: String,
}

/// Where and what; the remedy is a field of its own, for whoever prints hints.
impl fmt::Display for Finding {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if let Some(line) = self.line {
            write!(f, "line {line}, ")?;
        }
        if let Some(key) = &self.key {
            write!(f, "{key}: ")?;
        }
        f.write_str(&self.what)
    }
}

fn first_error(findings: &[Finding]) -> Option<&Finding> {
    findings.iter().find(|finding| finding.severity == Severity::Error)
}

fn summed(path: &Path, findings: &[Finding]) -> String {
    let errors = findings.iter().filter(|finding| finding.severity == Severity::Error).count();
    let first = first_error(findings).map(ToString::to_string).unwrap_or_default();
    match errors {
        0 | 1 => format!("{}, {first}", path.display()),
        2 => format!("{}, {first} (and 1 further error)", path.display()),
        _ => format!("{}, {first} (and {} further errors)", path.display(), errors - 1),
    }
}
