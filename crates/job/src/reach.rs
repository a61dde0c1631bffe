//! Opens links: the text after `--link` becomes something that reaches a chip.
//!
//! | text | link |
//! |---|---|
//! | `board`, `board@SERIAL` | firmhand's own programmer |
//! | `/dev/spidevB.C` | an SPI controller of this computer |
//! | `/dev/mtdN` | a flash that the kernel drives |
//! | `FILE.toml` | a virtual bench |
//!
//! `board` alone is the only programmer that is plugged in, and goes by its serial number from then on. What the programmer senses of the
//! chip's supply, and which lines it finds bridged or driven, is looked at before a wire is driven (S4).
//!
//! A name that leads to one of these nodes (a link made by udev) is followed. What else the text could name is refused with the
//! reason, before anything is touched. A node may be missing: what is missing below it is said when it is opened.

use std::fs::{File, TryLockError};
use std::path::{Path, PathBuf};

use driver::DriverError;
use link::board::{BoardLink, SupplyHandle};
use link::find::{Root, board_link, boards};
use link::mtd::{self, Flash};
use link::spidev::SpidevLink;
use nor::link::{Answer, LineReport, LineState, Link, LinkError, Request, Signal};
use nor::supply::{Supply, SupplyRange};
use sim::VirtualBench;

use crate::contacts::pin_of;
use crate::error::JobError;
use crate::supply::Stated;

/// Below this a supply is none, in millivolts: what a protection diode leaves on a chip without one.
const NO_SUPPLY_MV: u32 = 500;
/// How far a supply that is measured may be from what is said to be driven: dividers of 1 % and a converter's own error (common practice, no
/// source).
const SENSE_PERCENT: u32 = 10;
/// What one line test may take.
const LINES_US: u64 = 2_000_000;
/// How often a supply that was switched on is looked at before it counts, and the time between.
const SETTLE_LOOKS: u32 = 10;
const SETTLE_US: u64 = 20_000;

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
    /// The supply as firmhand's own programmer senses and switches it.
    board: Option<SupplyHandle>,
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
    Board,
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
        if given == "board" || given.starts_with("board@") {
            let serial = given.strip_prefix("board@");
            if serial.is_some_and(|serial| serial.is_empty() || !serial.chars().all(|c| c.is_ascii_alphanumeric())) {
                return Err(no("a serial number is letters and digits, as `firmhand link list` shows it"));
            }
            let plugged = boards(&Root::system());
            return match (serial, plugged.as_slice()) {
                (Some(serial), _) => made(board_link(&serial.to_ascii_uppercase()), Kind::Board),
                (None, [only]) => made(only.link.clone(), Kind::Board),
                (None, _) => made(path.to_path_buf(), Kind::Board),
            };
        }
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
            return Err(no("it is neither a programmer nor a device of /dev nor a FILE.toml"));
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
        let there = match self.kind {
            Kind::Bench => true,
            Kind::Board => boards(&Root::system()).iter().any(|board| board.link == self.path),
            Kind::Spidev | Kind::Mtd => self.path.exists(),
        };
        if there { Ok(()) } else { self.open().map(drop) }
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
            Kind::Board => {
                let name = self.path.to_string_lossy();
                let link = BoardLink::open(name.strip_prefix("board@")).map_err(|error| self.refused(error))?;
                let board = Some(link.supply());
                Ok(Reached { board, ..Reached::real(Box::new(link)) })
            }
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
            board: None,
            kernel: None,
            _held: None,
        }
    }

    /// What the link says it drives, when nobody said otherwise. A level adapter may sit on firmhand's own programmer, which cannot
    /// know of it: there `--drives` counts.
    pub(crate) fn says_it_drives(&self, told: Option<f64>) -> Option<Supply> {
        if self.board.is_some() && told.is_some() { None } else { self.drives }
    }

    /// Whether the link has to be opened again after it was gone. A virtual one comes back by itself.
    pub(crate) fn can_be_reopened(&self) -> bool {
        self.board.is_some()
    }

    /// Gives the chip its supply, or sees that something else does (S4): exactly one source, and what is measured is what was said.
    /// Nothing where the link neither senses nor switches.
    ///
    /// # Errors
    /// [`JobError::ChipSupply`] before anything is driven; [`JobError::Driver`].
    pub(crate) fn see_to_supply(&mut self, stated: &Stated, fed_by_link: bool) -> Result<(), JobError> {
        let Some(board) = &self.board else { return Ok(()) };
        let mut seen = board.look().map_err(link_failed)?;
        match (seen.fed, fed_by_link) {
            (Some(false), true) => {
                if let Some(mv) = seen.mv.filter(|mv| u32::from(*mv) > NO_SUPPLY_MV) {
                    return Err(JobError::ChipSupply {
                        what: format!("the chip has {} already, and the programmer gives it none yet", millivolts(mv)),
                        remedy: "something else feeds it: take every supply off the board, let it drain, then try again; nothing was \
                                 driven",
                    });
                }
                seen = board.feed(true).map_err(link_failed)?;
                for _ in 0..SETTLE_LOOKS {
                    if seen.mv.is_none_or(|mv| fits(mv.into(), stated.drives)) {
                        break;
                    }
                    self.link.wait_us(SETTLE_US);
                    seen = board.look().map_err(link_failed)?;
                }
            }
            (Some(true), false) => seen = board.feed(false).map_err(link_failed)?,
            _ => {}
        }
        match seen.mv {
            // A chip without supply is the line test's word, and the programmer drives nothing into it.
            Some(mv) if u32::from(mv) > NO_SUPPLY_MV && !fits(mv.into(), stated.drives) => Err(JobError::ChipSupply {
                what: format!(
                    "{} are measured at the chip's supply, and {} is said to be driven",
                    millivolts(mv),
                    stated.drives
                ),
                remedy: "look which supply feeds the chip, and whether a level adapter is in place (`--drives VOLTS`); nothing was driven",
            }),
            _ => Ok(()),
        }
    }

    /// Sees that no line is bridged or driven by something else, before commands go out on them. Nothing where the link is not
    /// firmhand's own programmer: others have no line test.
    ///
    /// # Errors
    /// [`JobError::Lines`]; [`JobError::Driver`].
    pub(crate) fn see_lines_free(&mut self) -> Result<(), JobError> {
        match self.test_lines()?.as_ref().and_then(not_to_be_driven) {
            Some(what) => Err(JobError::Lines { what }),
            None => Ok(()),
        }
    }

    /// A line test of firmhand's own programmer; none on other links.
    ///
    /// # Errors
    /// [`JobError::Driver`].
    pub(crate) fn test_lines(&mut self) -> Result<Option<LineReport>, JobError> {
        if self.board.is_none() || !self.link.limits().features.line_test {
            return Ok(None);
        }
        let deadline = self.link.now_us() + LINES_US;
        match self.link.run(&Request::LineTest, deadline).map_err(link_failed)? {
            Answer::Lines(lines) => Ok(Some(lines)),
            _ => Err(link_failed(LinkError::Unable { what: "the answer is no line report".into() })),
        }
    }
}

fn link_failed(source: LinkError) -> JobError {
    let error = DriverError::Link { doing: "looking at supply and lines", source };
    JobError::Driver { doing: "looking at the contacts", writing: false, error }
}

fn millivolts(mv: u16) -> Supply {
    Supply { mv: mv.into() }
}

fn fits(mv: u32, drives: Supply) -> bool {
    mv.abs_diff(drives.mv) * 100 <= drives.mv * SENSE_PERCENT
}

/// Why commands must not go out: two lines that move each other, or something else that holds one of those that the link drives. WP#
/// and HOLD# are tied on many boards, and DO is the chip's.
pub(crate) fn not_to_be_driven(lines: &LineReport) -> Option<String> {
    for (one, state) in lines.lines.iter().enumerate() {
        let moves_too = |(other, line): &(usize, &LineState)| *other > one && state.moved[*other] && line.moved[one];
        if let Some((_, other)) = lines.lines.iter().enumerate().find(moves_too) {
            let pins = (pin_of(state.signal), pin_of(other.signal));
            return Some(format!("pins {} and {} move together: they are bridged", pins.0, pins.1));
        }
    }
    let driven = [Signal::ChipSelect, Signal::DataIn, Signal::Clock];
    let held = lines.lines.iter().enumerate().find(|(own, state)| driven.contains(&state.signal) && !state.moved[*own]);
    held.map(|(_, state)| format!("something holds pin {}", pin_of(state.signal)))
}

#[cfg(test)]
mod tests {
    use nor::link::SIGNALS;

    use super::*;

    #[test]
    fn the_text_says_which_kind_of_link_it_is() {
        let kind = |given: &str| LinkName::parse(given).map(|name| name.kind);
        assert_eq!(kind("/dev/spidev0.0").expect("a name"), Kind::Spidev);
        assert_eq!(kind("/dev/mtd0").expect("a name"), Kind::Mtd);
        assert_eq!(kind("board").expect("a name"), Kind::Board);
        assert_eq!(kind("board@07af").expect("a name"), Kind::Board);
        assert_eq!(LinkName::parse("board@07af").expect("a name").canonical(), "board@07AF");
        for given in ["/dev/null", "/dev/sda", "spidev0.0", "", "no-such.toml", "/", "board@", "board@../x", "boards"] {
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

    fn lines(change: impl FnOnce(&mut LineReport)) -> LineReport {
        let line = |own: usize| LineState {
            signal: SIGNALS[own],
            pulled_up: true,
            pulled_down: true,
            rise_ns: None,
            moved: std::array::from_fn(|other| other == own),
        };
        let mut report = LineReport { lines: (0..SIGNALS.len()).map(line).collect(), supply_mv: None };
        change(&mut report);
        report
    }

    #[test]
    fn s4_bridged_and_foreign_lines_are_not_driven() {
        assert_eq!(not_to_be_driven(&lines(|_| ())), None);
        let bridged = lines(|report| {
            report.lines[3].moved[4] = true;
            report.lines[4].moved[3] = true;
        });
        assert_eq!(not_to_be_driven(&bridged).as_deref(), Some("pins 5 and 6 move together: they are bridged"));
        // An open line beside the one that is driven picks its edges up; the other way round nothing moves.
        assert_eq!(not_to_be_driven(&lines(|report| report.lines[3].moved[4] = true)), None);
        let held = lines(|report| report.lines[4].moved[4] = false);
        assert_eq!(not_to_be_driven(&held).as_deref(), Some("something holds pin 6"));
        // WP# and HOLD# tied to the supply.
        let tied = lines(|report| (report.lines[2].moved[2], report.lines[5].moved[5]) = (false, false));
        assert_eq!(not_to_be_driven(&tied), None);
    }

    #[test]
    fn s4_a_measured_supply_has_to_be_the_one_that_is_driven() {
        let (three, low) = (Supply { mv: 3300 }, Supply { mv: 1800 });
        assert!(fits(3300, three) && fits(3000, three) && fits(1790, low));
        assert!(!fits(3300, low) && !fits(1800, three) && !fits(5000, three) && !fits(0, low));
    }
}
