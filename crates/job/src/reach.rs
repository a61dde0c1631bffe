//! Opens links: the text after `--link` becomes something that reaches a chip.
//!
//! | text | link |
//! |---|---|
//! | `/dev/spidevB.C` | an SPI controller of this computer |
//! | `/dev/mtdN` | a flash that the kernel drives |
//! | `FILE.toml` | a virtual bench |
//!
//! A name that leads to one of these nodes (a link made by udev) is followed. What else the text could name is refused with the
//! reason, before anything is touched. A node may be missing: what is missing below it is said when it is opened.

use std::fs::{File, TryLockError};
use std::path::{Path, PathBuf};

use link::mtd::{self, Flash};
use link::spidev::SpidevLink;
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
    /// Whether it cannot vanish, so that a signed hold stands in for the unplugging (S13).
    pub stays: bool,
    /// The flash as the kernel describes it, when the kernel drives it: then there is no wire, no id and no supply to state.
    pub kernel: Option<Flash<mtd::KernelNode>>,
    /// Held while the link is open: another program may use another bench folder, and still meets this lock. A node of the
    /// kernel holds its own.
    _held: Option<File>,
}

/// A link's text, checked.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct LinkName {
    path: PathBuf,
    given: String,
    kind: Kind,
}

/// What a link's text names.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Kind {
    Bench,
    Spidev,
    Mtd,
}

impl LinkName {
    /// Checks the text; touches nothing but the file's name.
    ///
    /// # Errors
    /// [`JobError::NoSuchLink`].
    pub fn parse(given: &str) -> Result<Self, JobError> {
        let no = |why: &str| JobError::NoSuchLink { link: given.to_owned(), why: why.to_owned() };
        let path = Path::new(given);
        let made = |path: PathBuf, kind| Ok(Self { path, given: given.to_owned(), kind });
        // A bench file may stand on a memory disk below /dev.
        if given.starts_with("/dev/") && !given.ends_with(".toml") {
            let path = path.canonicalize().unwrap_or_else(|_| path.to_path_buf());
            let name = path.file_name().unwrap_or_default().to_string_lossy().into_owned();
            return match (name.starts_with("spidev"), name.starts_with("mtd")) {
                (true, _) => made(path, Kind::Spidev),
                (_, true) => made(path, Kind::Mtd),
                _ => Err(no("of the devices in /dev, spidev and MTD ones are links")),
            };
        }
        if !given.ends_with(".toml") {
            return Err(no("it is neither a device of /dev nor a FILE.toml"));
        }
        if path.is_dir() {
            return Err(no("it is a folder"));
        }
        let path = path.canonicalize().map_err(|error| no(&format!("no such bench file ({error})")))?;
        made(path, Kind::Bench)
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

    /// Sees that a device is there, before a bench folder is made for its sake.
    ///
    /// # Errors
    /// As [`LinkName::open`].
    pub(crate) fn check_there(&self) -> Result<(), JobError> {
        if self.kind == Kind::Bench || self.path.exists() { Ok(()) } else { self.open().map(drop) }
    }

    /// Opens the link. Drives nothing.
    ///
    /// # Errors
    /// [`JobError::LinkBusy`], [`JobError::Bench`], [`JobError::Link`].
    pub fn open(&self) -> Result<Reached, JobError> {
        match self.kind {
            Kind::Bench => self.open_bench(),
            Kind::Spidev => Ok(Reached {
                stays: true,
                ..Reached::real(Box::new(SpidevLink::open(&self.path).map_err(|error| self.refused(error))?))
            }),
            Kind::Mtd => {
                let (link, flash) = mtd::open(&self.path).map_err(|error| self.refused(error))?;
                Ok(Reached { stays: true, kernel: Some(flash), ..Reached::real(Box::new(link)) })
            }
        }
    }

    fn open_bench(&self) -> Result<Reached, JobError> {
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
            _held: Some(held),
            ..Reached::real(Box::new(bench))
        })
    }

    /// One error for one fact: a link in use is the same, whatever link it is.
    fn refused(&self, error: link::OpenError) -> JobError {
        match error {
            link::OpenError::Busy { .. } => JobError::LinkBusy { link: self.given.clone() },
            error => error.into(),
        }
    }
}

impl Reached {
    /// What holds for a real link until something else is said.
    fn real(link: Box<dyn Link>) -> Self {
        Self {
            drives: link.limits().drives,
            link,
            chip_bears: None,
            asks: true,
            is_virtual: false,
            stays: false,
            kernel: None,
            _held: None,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_text_says_which_kind_of_link_it_is() {
        let kind = |given: &str| LinkName::parse(given).map(|name| name.kind);
        assert_eq!(kind("/dev/spidev0.0").expect("a name"), Kind::Spidev);
        assert_eq!(kind("/dev/mtd0").expect("a name"), Kind::Mtd);
        for given in ["/dev/null", "/dev/sda", "spidev0.0", "", "no-such.toml", "/"] {
            assert!(matches!(kind(given), Err(JobError::NoSuchLink { .. })), "{given}");
        }
    }

    #[test]
    fn a_node_that_is_not_there_comes_with_what_to_do() {
        for given in ["/dev/spidev99.7", "/dev/mtd999"] {
            let Err(error) = LinkName::parse(given).expect("a name").open() else { panic!("{given} is there") };
            assert_eq!(error.to_string(), format!("there is no {given}"));
            assert!(error.hint().is_some_and(|hint| !hint.is_empty()), "{given}");
        }
    }
}
