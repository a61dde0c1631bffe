//! What may be wrong with a bench file or with the files beside it, told so that a person can mend it.
//!
//! One type for all of it: whoever opens a virtual bench can do nothing with the kinds of mistake but show them. What
//! goes wrong later, on an open bench, is a [`nor::link::LinkError`] like on any other link.

use std::fmt;
use std::io;
use std::path::{Path, PathBuf};

/// One mistake, with the place and the remedy.
#[derive(Debug)]
pub struct BenchError {
    /// The file at fault: the bench file, or the content or state file that it names.
    pub path: PathBuf,
    /// Line of the mistake, from 1; none when it is not on one line.
    pub line: Option<usize>,
    /// Section and key, such as `[chip] size`; none when the mistake belongs to no key.
    pub key: Option<String>,
    /// What is wrong, with the value found.
    pub what: String,
    /// What to do about it.
    pub remedy: String,
    /// The system's error, when there is one. Boxed, so that the error stays small beside the values it is returned for.
    pub source: Option<Box<io::Error>>,
}

impl BenchError {
    /// A mistake in or about `path` as a whole.
    pub(crate) fn of_file(path: &Path, what: impl Into<String>, remedy: impl Into<String>) -> Self {
        Self { path: path.to_owned(), line: None, key: None, what: what.into(), remedy: remedy.into(), source: None }
    }

    /// The system refused something on `path`.
    pub(crate) fn of_system(path: &Path, what: &str, remedy: &str, source: io::Error) -> Self {
        Self { source: Some(Box::new(source)), ..Self::of_file(path, what, remedy) }
    }
}

/// Where and what; the remedy is a field of its own, for whoever prints hints.
impl fmt::Display for BenchError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}", self.path.display())?;
        if let Some(line) = self.line {
            write!(f, ", line {line}")?;
        }
        if let Some(key) = &self.key {
            write!(f, ", {key}")?;
        }
        write!(f, ": {}", self.what)
    }
}

impl std::error::Error for BenchError {
    fn source(&self) -> Option<&(dyn std::error::Error + 'static)> {
        self.source.as_deref().map(|source| source as _)
    }
}
