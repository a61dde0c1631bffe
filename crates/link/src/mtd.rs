//! A flash that the kernel drives as a link (`/dev/mtdN`).
//!
//! The kernel takes no commands: it reads, erases and writes, and keeps id, status and address mode to itself. So this link does
//! read ranges, erase lists and program ranges, answers every transfer with [`LinkError::Unable`], and ignores a list's guard:
//! there is nothing it could be compared with (the design's rules for MTD). [`Flash`] stands beside the link and says what the
//! kernel says: name, size, erase size, what is locked, and whether all of that is still so.
//!
//! | fact | from |
//! |---|---|
//! | type, name, size, erase and write size, flags, offset | `/sys/class/mtd/mtdN/` (Documentation/ABI/testing/sysfs-class-mtd) |
//! | locked blocks | MEMISLOCKED (include/uapi/mtd/mtd-abi.h); a flash that cannot tell has none that are known |
//! | erase | MEMERASE64 |
//! | read, write | the character device, which has no page cache; the block device `mtdblockN` has one and is refused |
//!
//! What a reader would question: the clock. The kernel does not tell it; plans and deadlines take [`NOMINAL_HZ`].

mod calls;
mod facts;
mod kernel;

use std::io;
use std::ops::Range;
use std::path::Path;

use nix::errno::Errno;
use nor::link::{Answer, EraseList, Features, Limits, Link, LinkError, ProgramRange, Request};

use crate::OpenError;
use crate::clock::Clock;

pub use facts::{Facts, Lack};
pub use kernel::KernelNode;

/// The clock that plans and deadlines take: a slow one of those in use (common practice, no source).
pub const NOMINAL_HZ: u32 = 10_000_000;
/// Most bytes of one request: a stop is heard between two.
const RANGE: u32 = 64 * 1024;
/// What one call costs beside its bytes: an estimate for plans.
const CALL_US: u32 = 60;

/// The few calls that an MTD link makes.
pub trait MtdNode {
    /// What the kernel says of the flash now.
    ///
    /// # Errors
    /// As the kernel has it.
    fn facts(&mut self) -> io::Result<Facts>;
    /// Reads from `at` on.
    ///
    /// # Errors
    /// As the kernel has it.
    fn read_at(&mut self, at: u64, into: &mut [u8]) -> io::Result<()>;
    /// Writes from `at` on.
    ///
    /// # Errors
    /// As the kernel has it.
    fn write_at(&mut self, at: u64, bytes: &[u8]) -> io::Result<()>;
    /// Erases one block.
    ///
    /// # Errors
    /// As the kernel has it.
    fn erase(&mut self, at: u64, len: u64) -> io::Result<()>;
    /// Whether any of this block is locked.
    ///
    /// # Errors
    /// As the kernel has it; EOPNOTSUPP where the flash cannot tell.
    fn is_locked(&mut self, at: u64, len: u64) -> io::Result<bool>;
    /// Whether the node is still there.
    fn is_present(&mut self) -> bool;
}

/// Opens `/dev/mtdN` and locks it: the link, and what the kernel says of the flash.
///
/// # Errors
/// [`OpenError`], with what to do about it.
pub fn open(path: &Path) -> Result<(MtdLink<KernelNode>, Flash<KernelNode>), OpenError> {
    let node = KernelNode::open(path)?;
    let beside = node.again()?;
    let flash = Flash::over(beside, path)?;
    let link = MtdLink::over(node, flash.facts.erase_bytes);
    Ok((link, flash))
}

/// The flash as the kernel describes it.
#[derive(Debug)]
pub struct Flash<N> {
    node: N,
    facts: Facts,
}

/// Why the kernel's flash cannot be written, or is not what it was.
#[derive(Debug, thiserror::Error)]
#[expect(missing_docs, reason = "the fields are named by the text of each variant")]
pub enum FlashError {
    /// The kernel does not let it be written.
    #[error("the kernel shows `{name}` read-only")]
    ReadOnly { name: String },
    /// A block is locked.
    #[error("{len} bytes from {at:#x} on are locked, says the kernel")]
    Locked { at: u64, len: u64 },
    /// It is not the flash it was.
    #[error("the kernel shows `{now}` now, and showed `{was}` before")]
    Changed { was: String, now: String },
    /// The kernel does not say any more.
    #[error("the kernel says nothing of this flash any more")]
    Gone(#[source] io::Error),
}

impl FlashError {
    /// What to do next.
    #[must_use]
    pub fn remedy(&self) -> &'static str {
        match self {
            Self::ReadOnly { .. } => {
                "partitions are often kept read-only by the device tree, and so are those that do not end at an erase block; \
                 reach the chip by a clip, or change the partition's description"
            }
            Self::Locked { .. } => {
                "nothing was erased; the lock is the chip's own or the platform's: reach the chip by a clip, where its protection \
                 is seen and brought back"
            }
            Self::Changed { .. } | Self::Gone(_) => {
                "nothing was written; look at `firmhand link list`, then run it again"
            }
        }
    }
}

impl<N: MtdNode> Flash<N> {
    /// What `node` is, if it can be used.
    ///
    /// # Errors
    /// [`OpenError::NotNor`], [`OpenError::Geometry`], [`OpenError::System`].
    pub fn over(mut node: N, path: &Path) -> Result<Self, OpenError> {
        let path = path.to_path_buf();
        let facts = match node.facts() {
            Ok(facts) => facts,
            Err(source) => return Err(OpenError::System { doing: "read what the kernel says of", path, source }),
        };
        match facts.lack() {
            None => Ok(Self { node, facts }),
            Some(Lack::Kind(kind)) => Err(OpenError::NotNor { path, kind }),
            Some(Lack::Geometry(what)) => Err(OpenError::Geometry { path, what }),
        }
    }

    /// What the kernel said when it was opened.
    pub fn facts(&self) -> &Facts {
        &self.facts
    }

    /// Sees that the kernel still says the same.
    ///
    /// # Errors
    /// [`FlashError::Changed`], [`FlashError::Gone`].
    pub fn check_unchanged(&mut self) -> Result<(), FlashError> {
        let now = self.node.facts().map_err(FlashError::Gone)?;
        if now == self.facts {
            return Ok(());
        }
        Err(FlashError::Changed { was: self.facts.key(), now: now.key() })
    }

    /// Sees that these ranges can be written: the flash is writable, and no block that they touch is locked.
    ///
    /// # Errors
    /// [`FlashError::ReadOnly`], [`FlashError::Locked`], [`FlashError::Gone`].
    pub fn check_writable(&mut self, touched: &[Range<u32>]) -> Result<(), FlashError> {
        if !self.facts.writable {
            return Err(FlashError::ReadOnly { name: self.facts.name.clone() });
        }
        let block = self.facts.erase_bytes;
        for range in touched {
            for at in (range.start / block * block..range.end).step_by(block as usize) {
                let (at, len) = (u64::from(at), u64::from(block));
                match self.node.is_locked(at, len) {
                    Ok(false) => {}
                    Ok(true) => return Err(FlashError::Locked { at, len }),
                    // A flash without locks, or a driver that cannot tell.
                    Err(error) if is(&error, &[Errno::EOPNOTSUPP, Errno::ENOTTY, Errno::EINVAL]) => return Ok(()),
                    Err(error) => return Err(FlashError::Gone(error)),
                }
            }
        }
        Ok(())
    }
}

/// The MTD link.
#[derive(Debug)]
pub struct MtdLink<N> {
    node: N,
    limits: Limits,
    erase_bytes: u32,
    clock: Clock,
    gone: bool,
}

/// A call that the kernel refused, with its place.
#[derive(Debug, thiserror::Error)]
#[error("the kernel does not {doing} at {at:#x}")]
struct Refused {
    doing: &'static str,
    at: u64,
    source: io::Error,
}

impl<N: MtdNode> MtdLink<N> {
    /// A link over a node with erase blocks of `erase_bytes`.
    pub fn over(node: N, erase_bytes: u32) -> Self {
        let features = Features { read_range: true, program_range: true, erase_list: true, ..Features::default() };
        let limits = Limits {
            // There is no transfer; the figure is what the contract asks for at least.
            max_transfer: 300,
            max_range: RANGE,
            clock_hz: (NOMINAL_HZ, NOMINAL_HZ),
            features,
            drives: None,
            round_trip_us: CALL_US,
            bytes_per_second: None,
        };
        Self { node, limits, erase_bytes, clock: Clock::start(), gone: false }
    }

    fn read(&mut self, at: u32, len: u32) -> Result<Answer, LinkError> {
        self.fits(len)?;
        let mut bytes = vec![0; len as usize];
        let read = self.node.read_at(at.into(), &mut bytes);
        read.map_err(|error| self.failed("read", at.into(), error))?;
        Ok(Answer::Bytes(bytes))
    }

    fn program(&mut self, range: &ProgramRange) -> Result<Answer, LinkError> {
        let len = u32::try_from(range.data.len()).unwrap_or(u32::MAX);
        self.fits(len)?;
        let written = self.node.write_at(range.at.into(), &range.data);
        written.map_err(|error| self.failed("write", range.at.into(), error))?;
        Ok(Answer::Ran { done: len, stop: None })
    }

    fn erase(&mut self, list: &EraseList) -> Result<Answer, LinkError> {
        let mut done = 0;
        for block in &list.blocks {
            let erased = self.node.erase(block.at.into(), self.erase_bytes.into());
            erased.map_err(|error| self.failed("erase", block.at.into(), error))?;
            done += 1;
        }
        Ok(Answer::Ran { done, stop: None })
    }

    fn fits(&self, len: u32) -> Result<(), LinkError> {
        if len <= self.limits.max_range {
            return Ok(());
        }
        Err(LinkError::Unable { what: format!("{len} bytes of range, at most {}", self.limits.max_range) })
    }

    fn failed(&mut self, doing: &'static str, at: u64, source: io::Error) -> LinkError {
        if is(&source, &[Errno::ENODEV, Errno::ENXIO, Errno::ESHUTDOWN]) {
            self.gone = true;
            return LinkError::Gone;
        }
        LinkError::System(Box::new(Refused { doing, at, source }))
    }
}

impl<N: MtdNode> Link for MtdLink<N> {
    fn limits(&self) -> &Limits {
        &self.limits
    }

    fn run(&mut self, request: &Request, deadline_us: u64) -> Result<Answer, LinkError> {
        if self.gone {
            return Err(LinkError::Gone);
        }
        let begun = self.now_us();
        let answer = match request {
            Request::ReadRange { at, len, .. } => self.read(*at, *len)?,
            Request::ProgramRange(range) => self.program(range)?,
            Request::EraseList(list) => self.erase(list)?,
            Request::SetClock { .. } => Answer::Clock { hz: NOMINAL_HZ },
            Request::Transfer(_) | Request::DigestRange { .. } | Request::LineTest => {
                return Err(LinkError::Unable { what: "the kernel takes no commands for its flash".into() });
            }
        };
        self.clock.in_time(begun, deadline_us)?;
        Ok(answer)
    }

    fn now_us(&mut self) -> u64 {
        self.clock.now_us()
    }

    fn wait_us(&mut self, us: u64) {
        self.clock.wait_us(us);
    }

    fn is_present(&mut self) -> bool {
        !self.gone && self.node.is_present()
    }
}

fn is(error: &io::Error, any: &[Errno]) -> bool {
    error.raw_os_error().is_some_and(|number| any.iter().any(|errno| *errno as i32 == number))
}
