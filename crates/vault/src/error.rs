//! What can go wrong in the vault, and whose fault it is.
//!
//! One enum for the whole crate: every call here is about the same kind of work, keeping bytes. A variant is what went
//! wrong with the values needed to act on it; the operating system's own words stay in `source()`. A full disk has a
//! variant of its own because it is the one system error that the person at the bench can cure on the spot.

use std::error::Error;
use std::io;
use std::path::{Path, PathBuf};

use crate::Holder;
use crate::names::Digest;

/// Why a call to the vault did not do what was asked.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum VaultError {
    /// The operating system refused a file or folder.
    #[error("cannot {doing} {}", path.display())]
    Io {
        /// What was tried, as a verb: `read`, `write`, `remove`.
        doing: &'static str,
        /// The file or folder.
        path: PathBuf,
        /// The operating system's reason.
        source: io::Error,
    },
    /// The disk or the quota is used up.
    #[error("no space left to {doing} {}; what was stored before is untouched", path.display())]
    NoSpace {
        /// What was tried, as a verb.
        doing: &'static str,
        /// The file or folder that found no room.
        path: PathBuf,
        /// The operating system's reason.
        source: io::Error,
    },
    /// The folder holds other things, and no bench.
    #[error("{} is not empty and is not a bench", path.display())]
    NotABench {
        /// The folder.
        path: PathBuf,
    },
    /// `format.toml` cannot be understood.
    #[error("{} is damaged: {why}", path.display())]
    BadFormat {
        /// The file.
        path: PathBuf,
        /// What is wrong in it.
        why: String,
    },
    /// A newer program wrote this.
    #[error("{what} has format {found}, and this program knows formats up to {known}")]
    NewerFormat {
        /// The bench or the object.
        what: String,
        /// The format found.
        found: u64,
        /// The newest format known here.
        known: u64,
    },
    /// Something was to be written through a handle that only reads.
    #[error("the bench {} is open for reading only", path.display())]
    ReadOnly {
        /// The bench folder.
        path: PathBuf,
    },
    /// A stored object no longer holds what was put into it.
    #[error("{object} is damaged{}: {why}{}", place(chunk.as_ref(), *at), lost(repair))]
    Damaged {
        /// The object's key below `objects/`.
        object: Box<str>,
        /// The chunk that failed, where one chunk can be named.
        chunk: Option<Digest>,
        /// Byte offset in the content, where one can be named.
        at: Option<u64>,
        /// What does not fit.
        why: Box<str>,
        /// What a repair can do about it.
        repair: Repair,
    },
    /// One of the two copies of something is damaged, and the other one is good.
    #[error("one of the two copies of {object} is damaged: {why}; the other one is good")]
    CopyDamaged {
        /// The object's key below `objects/`, or the journal.
        object: String,
        /// What does not fit.
        why: String,
    },
    /// Nothing here answers to that id, name or job.
    #[error("nothing in the vault answers to `{asked}`")]
    NotFound {
        /// What was asked for.
        asked: String,
    },
    /// More than one content answers.
    #[error("`{asked}` may mean {} contents: {}", candidates.len(), candidates.join(", "))]
    Ambiguous {
        /// What was asked for.
        asked: String,
        /// Id, name and job of each candidate.
        candidates: Vec<String>,
    },
    /// A name, job id or time breaks its rule.
    #[error("{what} `{given}` does not do: {rule}")]
    BadName {
        /// What kind of name.
        what: &'static str,
        /// What was given.
        given: String,
        /// The rule that it breaks.
        rule: &'static str,
    },
    /// The content is larger than the vault takes.
    #[error("{name} is larger than {limit} bytes, the most that the vault takes as one content")]
    TooLarge {
        /// The content's name.
        name: String,
        /// The limit in bytes.
        limit: u64,
    },
    /// The caller's reader failed.
    #[error("cannot read the content of {name}")]
    Input {
        /// The content's name.
        name: String,
        /// The reader's reason.
        source: io::Error,
    },
    /// The caller's writer failed.
    #[error("cannot write out the content {id}")]
    Output {
        /// The content's id.
        id: Digest,
        /// The writer's reason.
        source: io::Error,
    },
    /// The export's target is there already.
    #[error("{} exists already", path.display())]
    Exists {
        /// The target.
        path: PathBuf,
    },
    /// Somebody else holds the lock.
    #[error("{name} is in use by {holder}")]
    Busy {
        /// The lock's name.
        name: String,
        /// Who holds it.
        holder: Holder,
    },
    /// The job has a journal already.
    #[error("job {job} has a journal already")]
    JournalExists {
        /// The job.
        job: String,
    },
    /// The journal is closed and takes no more entries.
    #[error("the journal of job {job} is sealed")]
    JournalSealed {
        /// The job.
        job: String,
    },
    /// A line of a journal is not what was written.
    #[error("the journal of job {job} is damaged at line {line}: {why}")]
    JournalDamaged {
        /// The job, or `notes` for the notes of what was forgotten.
        job: String,
        /// Line, counted from 1.
        line: u64,
        /// What does not fit.
        why: String,
    },
    /// An earlier append failed, so the end of the file is not known.
    #[error("an earlier entry of job {job} could not be written")]
    JournalBroken {
        /// The job.
        job: String,
    },
    /// The index failed even in memory.
    #[error("the index of the vault failed")]
    Index {
        /// The database's reason.
        #[from]
        source: rusqlite::Error,
    },
}

/// What a repair can do about damage.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Repair {
    /// It was not looked into.
    Unknown,
    /// All of it comes back, from parity or from a second copy.
    Possible,
    /// More is damaged than parity and copies make good.
    Impossible {
        /// What is lost of the content, as first byte and end, ascending. None given: the object as a whole.
        lost: Box<[(u64, u64)]>,
    },
}

/// Who has to act on a [`VaultError`].
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ErrorKind {
    /// The request: another name, another path, another argument.
    Request,
    /// Somebody else's work has to end first.
    Busy,
    /// The computer: disk, permissions, space.
    System,
    /// The stored data.
    Data,
}

impl VaultError {
    /// Returns who has to act.
    #[must_use]
    pub fn kind(&self) -> ErrorKind {
        match self {
            Self::NotABench { .. }
            | Self::NewerFormat { .. }
            | Self::NotFound { .. }
            | Self::Ambiguous { .. }
            | Self::BadName { .. }
            | Self::TooLarge { .. }
            | Self::Exists { .. }
            | Self::JournalExists { .. }
            | Self::JournalSealed { .. } => ErrorKind::Request,
            Self::Busy { .. } => ErrorKind::Busy,
            Self::Io { .. }
            | Self::NoSpace { .. }
            | Self::ReadOnly { .. }
            | Self::Input { .. }
            | Self::Output { .. }
            | Self::JournalBroken { .. }
            | Self::Index { .. } => ErrorKind::System,
            Self::BadFormat { .. } | Self::Damaged { .. } | Self::CopyDamaged { .. } | Self::JournalDamaged { .. } => {
                ErrorKind::Data
            }
        }
    }

    /// Returns what to do next, where the vault knows it.
    #[must_use]
    pub fn hint(&self) -> Option<&'static str> {
        Some(match self {
            Self::NoSpace { .. } => {
                "free some space on that disk and run the same command again: it goes on where it stopped"
            }
            Self::NotABench { .. } => "name an empty folder, or the folder that holds `format.toml`",
            Self::NewerFormat { .. } => "use the newer program; this one would misread the bench",
            Self::ReadOnly { .. } => "copy the bench to a folder that you may write to",
            Self::CopyDamaged { .. } | Self::Damaged { repair: Repair::Possible, .. } => {
                "nothing is lost: run `firmhand vault scrub --repair`, then the same command again"
            }
            Self::Damaged { repair: Repair::Unknown, .. } => {
                "run `firmhand vault scrub` to see all damage and what `--repair` can do about it"
            }
            Self::Damaged { .. } | Self::JournalDamaged { .. } | Self::BadFormat { .. } => {
                "a repair cannot bring it back: take the named file out of a copy of the bench, then run `firmhand vault scrub`"
            }
            Self::NotFound { .. } => "`firmhand vault list` shows ids and names; an id takes at least 6 digits",
            Self::Ambiguous { .. } => "give more digits of the id",
            Self::Exists { .. } => "choose another file name, or say that it may be replaced",
            Self::Busy { .. } => "wait until it has ended, then try again",
            Self::JournalBroken { .. } => "free some space if the disk is full, then run the same command again",
            _ => return None,
        })
    }
}

/// Returns a function that wraps an operating-system error; for use in `map_err`.
pub(crate) fn io_error(doing: &'static str, path: &Path) -> impl FnOnce(io::Error) -> VaultError {
    let path = path.to_path_buf();
    move |source| {
        if matches!(source.kind(), io::ErrorKind::StorageFull | io::ErrorKind::QuotaExceeded) {
            VaultError::NoSpace { doing, path, source }
        } else {
            VaultError::Io { doing, path, source }
        }
    }
}

/// Returns a function that wraps an object store's error; for use in `map_err`.
///
/// The operating system's error lies somewhere down the chain of causes: the kind is taken from there, and the text of
/// the whole chain goes along so that nothing which explains it is lost.
pub(crate) fn store_error(doing: &'static str, path: &Path) -> impl FnOnce(object_store::Error) -> VaultError {
    let path = path.to_path_buf();
    move |error| {
        let mut kind = io::ErrorKind::Other;
        let mut cause: Option<&(dyn Error + 'static)> = Some(&error);
        while let Some(current) = cause {
            if let Some(found) = current.downcast_ref::<io::Error>() {
                kind = found.kind();
            }
            cause = current.source();
        }
        io_error(doing, &path)(io::Error::new(kind, error))
    }
}

/// Returns the error for a damaged object as a whole.
pub(crate) fn damaged(object: &str, why: impl Into<Box<str>>) -> VaultError {
    VaultError::Damaged { object: object.into(), chunk: None, at: None, why: why.into(), repair: Repair::Unknown }
}

fn place(chunk: Option<&Digest>, at: Option<u64>) -> String {
    let chunk = chunk.map(|chunk| format!(" in chunk {}", chunk.short())).unwrap_or_default();
    let at = at.map(|at| format!(" at {at:#x} of the content")).unwrap_or_default();
    chunk + &at
}

fn lost(repair: &Repair) -> String {
    const MOST: usize = 8;
    let Repair::Impossible { lost } = repair else { return String::new() };
    let ranges: Vec<_> = lost.iter().take(MOST).map(|(from, end)| format!("{from:#x} to {:#x}", end - 1)).collect();
    match lost.len() {
        0 => String::new(),
        1..=MOST => format!("; lost of the content: {}", ranges.join(", ")),
        all => format!("; lost of the content: {} and {} more ranges", ranges.join(", "), all - MOST),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const FULL: i32 = 28; // ENOSPC on Linux

    #[test]
    fn s2_a_full_disk_is_told_apart_from_other_errors() {
        let path = Path::new("x");
        let full = io_error("write", path)(io::Error::from_raw_os_error(FULL));
        assert!(matches!(full, VaultError::NoSpace { .. }), "{full:?}");
        let denied = io_error("write", path)(io::ErrorKind::PermissionDenied.into());
        assert!(matches!(denied, VaultError::Io { .. }), "{denied:?}");
    }

    #[test]
    fn s2_a_full_disk_is_recognised_below_the_object_store() {
        let source = Box::new(io::Error::from_raw_os_error(FULL));
        let error = store_error("store", Path::new("x"))(object_store::Error::Generic { store: "test", source });
        assert!(matches!(error, VaultError::NoSpace { .. }), "{error:?}");
        assert_eq!(error.kind(), ErrorKind::System);
        assert!(error.source().is_some());
    }
}
