//! The seam between deciding and acting: what a link may be asked, what it answers, what it can do.
//!
//! | side | owes the other |
//! |---|---|
//! | caller | requests within [`Limits`]; a deadline for each; only range requests that [`Features`] names |
//! | link | exactly one answer or error for a request; no answer after the deadline; chip select high in between |
//!
//! A link also keeps the time of what it reaches ([`Link::now_us`], [`Link::wait_us`]): on a virtual bench that time is
//! counted and not waited for, and an operation must not be able to tell the difference.
//!
//! Range requests run a whole list on the link. Whoever runs such a list also keeps safety rule S6 by the [`Guard`]
//! that comes with it: id and status are read before each erase block and before each 64 KiB programmed, and the list
//! stops when they differ.

use crate::command::{ReadMode, Transfer};
use crate::supply::Supply;

/// How many programmed bytes may pass between two checks of id and status (S6).
pub const GUARD_EVERY: u32 = 64 * 1024;

/// One thing to do on a chip.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Request {
    /// One transaction. Answered by [`Answer::Bytes`].
    Transfer(Transfer),
    /// Read `len` bytes from `at`. Answered by [`Answer::Bytes`].
    ReadRange {
        /// First byte.
        at: u32,
        /// Byte count, at most [`Limits::max_range`].
        len: u32,
        /// How to read.
        mode: ReadMode,
    },
    /// Read a range and answer the CRC-32 (IEEE 802.3) of each [`crate::SECTOR`] of it; the last may be shorter.
    /// Answered by [`Answer::Digests`].
    DigestRange {
        /// First byte.
        at: u32,
        /// Byte count.
        len: u32,
        /// How to read.
        mode: ReadMode,
    },
    /// Program a range page by page. Answered by [`Answer::Ran`], counting bytes.
    ProgramRange(ProgramRange),
    /// Erase blocks in order. Answered by [`Answer::Ran`], counting blocks.
    EraseList(EraseList),
    /// Set the clock; the link takes the fastest it has that is not faster. Answered by [`Answer::Clock`].
    SetClock {
        /// Wanted rate.
        hz: u32,
    },
    /// Look at every line with pull-up and pull-down, then drive each alone and watch the others. No command comes of it.
    /// Answered by [`Answer::Lines`].
    LineTest,
}

/// A range to program. No page in it may hold data (chips with internal error correction forbid programming over).
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ProgramRange {
    /// First byte; a multiple of `page`.
    pub at: u32,
    /// What to program, at most [`Limits::max_range`] bytes. Blank pages are sent too: the planner leaves them out.
    pub data: Vec<u8>,
    /// Page size in bytes.
    pub page: u32,
    /// Program opcode.
    pub opcode: u8,
    /// Address width.
    pub address_bytes: u8,
    /// Typical time of one page; the first poll comes after it.
    pub typical_us: u64,
    /// When one page is overdue.
    pub limit_us: u64,
    /// What must still be true on the way.
    pub guard: Guard,
}

/// Blocks to erase.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct EraseList {
    /// In the order in which they are done.
    pub blocks: Vec<EraseBlock>,
    /// Address width.
    pub address_bytes: u8,
    /// What must still be true on the way.
    pub guard: Guard,
}

/// One block to erase.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct EraseBlock {
    /// First byte of the block.
    pub at: u32,
    /// Erase opcode.
    pub opcode: u8,
    /// Typical time; the first poll comes after it.
    pub typical_us: u64,
    /// When the block is overdue.
    pub limit_us: u64,
}

/// What must still be true while a list runs (S6).
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Guard {
    /// The id that 9Fh answers.
    pub id: Vec<u8>,
    /// Status register 1, under `status_mask`.
    pub status: u8,
    /// The status bits that may not change.
    pub status_mask: u8,
}

impl Guard {
    /// Tells whether the chip still answers as it did.
    #[must_use]
    pub fn holds(&self, id: &[u8], status: u8) -> bool {
        id == self.id && (status ^ self.status) & self.status_mask == 0
    }
}

/// What came back.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Answer {
    /// Bytes read; as many as asked for.
    Bytes(Vec<u8>),
    /// One CRC-32 per [`crate::SECTOR`].
    Digests(Vec<u32>),
    /// A list ended: whole when `stop` is none, otherwise after `done` bytes or blocks.
    Ran {
        /// Bytes programmed or blocks erased, all of them ended.
        done: u32,
        /// Why it ended early.
        stop: Option<Stop>,
    },
    /// The clock that the link now runs at.
    Clock {
        /// Rate.
        hz: u32,
    },
    /// The line test's result.
    Lines(LineReport),
}

/// Why a list ended early.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Stop {
    /// Id or status differ from the guard's.
    Differs {
        /// What 9Fh answered.
        id: Vec<u8>,
        /// Status register 1.
        status: u8,
    },
    /// The chip stayed busy past the limit.
    Busy {
        /// How long it was waited for.
        waited_us: u64,
    },
    /// The write enable latch did not set.
    NotEnabled {
        /// Status register 1.
        status: u8,
    },
}

/// A signal of the chip's package. Pin numbers are those of an eight-pin package (SOIC-8 and WSON-8).
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Signal {
    /// CS#, pin 1.
    ChipSelect,
    /// DO / IO1, pin 2.
    DataOut,
    /// WP# / IO2, pin 3.
    WriteProtect,
    /// DI / IO0, pin 5.
    DataIn,
    /// CLK, pin 6.
    Clock,
    /// HOLD# or RESET# / IO3, pin 7.
    Hold,
}

/// All signals that a line test looks at, in pin order.
pub const SIGNALS: [Signal; 6] =
    [Signal::ChipSelect, Signal::DataOut, Signal::WriteProtect, Signal::DataIn, Signal::Clock, Signal::Hold];

/// What the lines did under the link's weak pulls, and when one of them was driven.
///
/// A line that something on the board holds stays where it is held under both pulls. One that follows both pulls may be
/// well connected to an input that holds nothing (CLK, DI, and DO of a chip that is not selected) or may be open: the
/// time to rise tells these two apart, where the link can measure it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct LineReport {
    /// One entry for each of [`SIGNALS`], in that order.
    pub lines: Vec<LineState>,
    /// The supply at the chip, where the link senses it.
    pub supply_mv: Option<u32>,
}

/// One line under both pulls, and what moved with it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct LineState {
    /// Which line.
    pub signal: Signal,
    /// Its level with the pull-up on.
    pub pulled_up: bool,
    /// Its level with the pull-down on.
    pub pulled_down: bool,
    /// The time in which it rises to half of the supply under the link's pull-up, in nanoseconds; none when it does not
    /// rise or the link cannot measure it. A lead with nothing at its end rises in a fraction of the time that the
    /// same lead takes with a chip and a board on it, since there is less to charge.
    pub rise_ns: Option<u32>,
    /// Which of [`SIGNALS`], in that order, followed when the link drove this line low and high and pulled the others
    /// the other way. Its own entry is false when something stronger holds it; another one that is true is a short, or
    /// an open line beside it that picks its edges up.
    pub moved: [bool; SIGNALS.len()],
}

/// The range requests that a link runs by itself.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Features {
    /// [`Request::ReadRange`].
    pub read_range: bool,
    /// [`Request::DigestRange`].
    pub digest_range: bool,
    /// [`Request::ProgramRange`].
    pub program_range: bool,
    /// [`Request::EraseList`].
    pub erase_list: bool,
    /// [`Request::LineTest`].
    pub line_test: bool,
    /// Ranges can be digested from a read on two data lines ([`ReadMode::data_lines`]).
    pub two_lines: bool,
}

/// What a link can do.
#[derive(Debug, Clone, PartialEq)]
pub struct Limits {
    /// Most bytes of one transfer, out and in together; at least 300, so that a page fits.
    pub max_transfer: u32,
    /// Most bytes of one range request.
    pub max_range: u32,
    /// Slowest and fastest clock.
    pub clock_hz: (u32, u32),
    /// What it runs by itself.
    pub features: Features,
    /// What it drives into the chip; none when it cannot know (S4).
    pub drives: Option<Supply>,
    /// Time that one request costs beside its bytes.
    pub round_trip_us: u32,
    /// Fastest rate between host and link; none when the wire is the only limit.
    pub bytes_per_second: Option<u32>,
}

/// Reaches a chip.
pub trait Link {
    /// What this link can do. Does not change while the link is open.
    fn limits(&self) -> &Limits;

    /// Does one request; the answer has to come by `deadline_us` on this link's clock.
    ///
    /// # Errors
    /// [`LinkError`]; after [`LinkError::Gone`] every further request fails in the same way.
    fn run(&mut self, request: &Request, deadline_us: u64) -> Result<Answer, LinkError>;

    /// Time on this link's clock.
    fn now_us(&mut self) -> u64;

    /// Lets time pass.
    fn wait_us(&mut self, us: u64);

    /// Tells whether the link is there, without touching the chip.
    fn is_present(&mut self) -> bool;
}

/// Why a link has no answer.
#[derive(Debug, thiserror::Error)]
pub enum LinkError {
    /// Unplugged, or its supply failed.
    #[error("the link is gone")]
    Gone,
    /// Nothing came back in time.
    #[error("the link gave no answer within {waited_us} us")]
    Silent {
        /// How long it was waited for.
        waited_us: u64,
    },
    /// The request is outside what the link said it can do: our own mistake.
    #[error("the link cannot do this: {what}")]
    Unable {
        /// The limit that the request broke.
        what: String,
    },
    /// The system refused.
    #[error("the system reports an error on the link")]
    System(#[source] Box<dyn std::error::Error + Send + Sync>),
}
