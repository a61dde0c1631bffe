//! Opens links: the text after `--link` becomes something that reaches a chip.
//!
//! This version reaches virtual benches alone (a bench file, `FILE.toml`). What else the text could name is refused with
//! the reason, before anything is touched.

use std::fs::{File, TryLockError};
use std::path::{Path, PathBuf};

use nor::link::Link;
use nor::supply::{Supply, SupplyRange};
use sim::VirtualBench;

use crate::error::JobError;

/// An open link, with what the safety rules want to know of it.
pub struct Reached {
    /// The link.
    pub link: Box<dyn Link>,
    /// What it drives, when it can know.
    pub drives: Option<Supply>,
    /// What a virtual chip says it bears; none for a real one.
    pub chip_bears: Option<SupplyRange>,
    /// Whether the safety questions are asked. A virtual bench asks nothing unless its file says so.
    pub asks: bool,
    /// Whether it is a virtual bench.
    pub is_virtual: bool,
    /// Held while the link is open: another program may use another bench folder, and still meets this lock.
    _held: File,
}

/// A link's text, checked.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct LinkName {
    path: PathBuf,
    given: String,
}

impl LinkName {
    /// Checks the text; touches nothing but the file's name.
    ///
    /// # Errors
    /// [`JobError::NoSuchLink`].
    pub fn parse(given: &str) -> Result<Self, JobError> {
        let no = |why: &str| JobError::NoSuchLink { link: given.to_owned(), why: why.to_owned() };
        let path = Path::new(given);
        if !given.ends_with(".toml") {
            return Err(no("this version reaches virtual benches alone, and those are described by a FILE.toml"));
        }
        if path.is_dir() {
            return Err(no("it is a folder"));
        }
        let path = path.canonicalize().map_err(|error| no(&format!("no such bench file ({error})")))?;
        Ok(Self { path, given: given.to_owned() })
    }

    /// One name for one link, however it was written.
    #[must_use]
    pub fn canonical(&self) -> String {
        self.path.display().to_string()
    }

    /// As the person wrote it.
    #[must_use]
    pub fn given(&self) -> &str {
        &self.given
    }

    /// Opens the link. Drives nothing.
    ///
    /// # Errors
    /// [`JobError::LinkBusy`], [`JobError::Bench`].
    pub fn open(&self) -> Result<Reached, JobError> {
        let io = |source| JobError::Io { doing: "open", path: self.path.clone(), source };
        let held = File::open(&self.path).map_err(io)?;
        match held.try_lock() {
            Ok(()) => {}
            Err(TryLockError::WouldBlock) => return Err(JobError::LinkBusy { link: self.given.clone() }),
            Err(TryLockError::Error(source)) => return Err(io(source)),
        }
        let bench = VirtualBench::open(&self.path)?;
        Ok(Reached {
            drives: bench.limits().drives,
            chip_bears: Some(bench.supply()),
            asks: bench.asks(),
            is_virtual: true,
            link: Box::new(bench),
            _held: held,
        })
    }
}
