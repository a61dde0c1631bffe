//! Control messages: what the host asks and how the programmer answers.
//!
//! `postcard` writes enums by their place and structures by the order of their fields: whoever adds, removes or moves one
//! raises [`crate::VERSION`]. Slices are borrowed from the frame, so that the programmer needs no heap. Times are in
//! microseconds; 32 bits hold 71 minutes, more than any chip's longest erase of a block.

use serde::{Deserialize, Serialize};

use crate::{MAX_BLOCKS, WireError};

/// What the host asks.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub enum Request<'a> {
    /// Who are you? Ends whatever runs, lets go of the chip, starts the counts over. Sent with sequence number 0.
    /// Answered by [`Reply::Hello`].
    Hello,
    /// I am here. Answered by [`Reply::Beat`].
    Heartbeat,
    /// End the request that runs, as soon as the chip is not busy. It answers as far as it came; this has no answer of its own.
    /// Its frame carries that request's number, and waits behind the program data that was sent before it.
    Cancel,
    /// Let go of the chip: clock and data-in are released, the rest is left to the pulls. Ends whatever runs.
    /// Answered by [`Reply::Released`].
    Release,
    /// One transaction. Answered by data and [`Reply::Read`].
    Transfer {
        /// What goes out, at most [`crate::MAX_WRITE`] bytes.
        #[serde(borrow)]
        write: &'a [u8],
        /// How many bytes come in.
        read: u32,
    },
    /// Read a range. Answered by data and [`Reply::Read`].
    ReadRange {
        /// First byte.
        at: u32,
        /// Byte count.
        len: u32,
        /// How to read.
        mode: ReadMode,
    },
    /// Read a range and sum it up. Answered by data, four bytes (little-endian) for each [`crate::BLOCK`] of the range counted from
    /// its beginning, the last may be shorter; then [`Reply::Digests`].
    DigestRange {
        /// First byte.
        at: u32,
        /// Byte count; not limited by [`Limits::max_range`].
        len: u32,
        /// How to read.
        mode: ReadMode,
    },
    /// Program a range page by page. Its data follow in frames with its number, as bytes and fills. Answered by
    /// [`Reply::Ran`], counting bytes.
    ProgramRange {
        /// First byte; a multiple of `page`.
        at: u32,
        /// Byte count.
        len: u32,
        /// Page size.
        page: u16,
        /// Program opcode.
        opcode: u8,
        /// Address width.
        address_bytes: u8,
        /// Typical time of a page; the first poll comes after it.
        typical_us: u32,
        /// When a page is overdue.
        limit_us: u32,
        /// What must still be true on the way (S6).
        #[serde(borrow)]
        guard: Guard<'a>,
    },
    /// Erase blocks in order. Answered by [`Reply::Ran`], counting blocks.
    EraseList {
        /// Address width.
        address_bytes: u8,
        /// What must still be true on the way (S6).
        #[serde(borrow)]
        guard: Guard<'a>,
        /// At most [`MAX_BLOCKS`].
        #[serde(borrow)]
        blocks: Blocks<'a>,
    },
    /// Take the fastest clock that is not faster. Answered by [`Reply::Clock`].
    SetClock {
        /// Wanted rate.
        hz: u32,
    },
    /// Look at the lines. Answered by [`Reply::Lines`].
    LineTest,
    /// Look at the lines under both pulls every so often, driving none. Answered by [`Reply::Seen`] each time, and by
    /// [`Reply::Released`] once cancelled.
    Watch {
        /// Time from one look to the next, in milliseconds; at least 10.
        every_ms: u16,
    },
    /// What supply does the chip have? Answered by [`Reply::Supply`].
    SenseSupply,
    /// Feed the chip from the board, or stop feeding it. Answered by [`Reply::Supply`], or refused without the switch.
    SwitchSupply {
        /// On or off.
        on: bool,
    },
}

/// How the array is read.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct ReadMode {
    /// Opcode.
    pub opcode: u8,
    /// 3 or 4.
    pub address_bytes: u8,
    /// Whole bytes of dummy clocks.
    pub dummy_bytes: u8,
    /// Lines on which the data come: 1, or 2 with [`Features::DUAL`]. Opcode and address always go out on one.
    pub data_lines: u8,
}

/// What must still be true while a list runs (S6): checked before each erase block, before the first page and before each 64 KiB.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Guard<'a> {
    /// The id that 9Fh answers; at most 16 bytes. Empty: not compared.
    pub id: &'a [u8],
    /// Status register 1, under `status_mask`.
    pub status: u8,
    /// The status bits that may not change.
    pub status_mask: u8,
}

/// One block to erase.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Block {
    /// First byte.
    pub at: u32,
    /// Erase opcode.
    pub opcode: u8,
    /// Typical time; the first poll comes after it.
    pub typical_us: u32,
    /// When the block is overdue.
    pub limit_us: u32,
}

/// Blocks to erase, thirteen bytes each: address, opcode, typical time, limit.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Blocks<'a>(&'a [u8]);

impl<'a> Blocks<'a> {
    /// Bytes of one block.
    pub const ENTRY: usize = 13;

    /// Writes `blocks` into `room`, which needs [`Blocks::ENTRY`] bytes for each.
    ///
    /// # Errors
    /// [`WireError::Room`] when there are more than [`MAX_BLOCKS`] or more than fit.
    pub fn write(blocks: &[Block], room: &'a mut [u8]) -> Result<Self, WireError> {
        let len = blocks.len() * Self::ENTRY;
        if blocks.len() > MAX_BLOCKS || len > room.len() {
            return Err(WireError::Room { room: room.len().min(MAX_BLOCKS * Self::ENTRY) });
        }
        for (entry, block) in room.chunks_exact_mut(Self::ENTRY).zip(blocks) {
            entry[..4].copy_from_slice(&block.at.to_le_bytes());
            entry[4] = block.opcode;
            entry[5..9].copy_from_slice(&block.typical_us.to_le_bytes());
            entry[9..].copy_from_slice(&block.limit_us.to_le_bytes());
        }
        Ok(Self(&room[..len]))
    }

    /// Tells whether this is a whole number of blocks and not too many.
    #[must_use]
    pub fn is_sound(&self) -> bool {
        self.0.len().is_multiple_of(Self::ENTRY) && self.0.len() <= MAX_BLOCKS * Self::ENTRY
    }

    /// The blocks in order.
    pub fn iter(&self) -> impl Iterator<Item = Block> + 'a {
        let word = |bytes: &[u8]| u32::from_le_bytes([bytes[0], bytes[1], bytes[2], bytes[3]]);
        self.0.chunks_exact(Self::ENTRY).map(move |entry| Block {
            at: word(entry),
            opcode: entry[4],
            typical_us: word(&entry[5..]),
            limit_us: word(&entry[9..]),
        })
    }
}

/// How the programmer answers.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub enum Reply<'a> {
    /// What this programmer is. Sent with sequence number 0.
    #[serde(borrow)]
    Hello(Hello<'a>),
    /// I am here too.
    Beat {
        /// The request that runs.
        running: Option<u16>,
        /// Bytes or blocks that it has done.
        done: u32,
    },
    /// The chip is let go.
    Released,
    /// All data of a transfer or a read range came; fewer than asked for when it was cancelled.
    Read {
        /// Bytes.
        len: u32,
    },
    /// All sums came; fewer than asked for when it was cancelled.
    Digests {
        /// How many.
        count: u32,
    },
    /// A list ended: whole when `stop` is none, otherwise after `done` bytes or blocks.
    Ran {
        /// Bytes programmed or blocks erased, all of them ended.
        done: u32,
        /// Why it ended early.
        #[serde(borrow)]
        stop: Option<Stop<'a>>,
    },
    /// The clock that is now used.
    Clock {
        /// Rate.
        hz: u32,
    },
    /// The line test's result.
    Lines(LineReport),
    /// One look of the live watch; `moved` says nothing here, as no line was driven.
    Seen(LineReport),
    /// The supply.
    Supply {
        /// At the chip's VCC, in millivolts; none without the divider.
        mv: Option<u16>,
        /// Whether the board feeds the chip through its switch; none without the switch.
        fed: Option<bool>,
    },
    /// The request was not done; nothing happened on the chip.
    #[serde(borrow)]
    Refused(Refusal<'a>),
}

/// Why a list ended early.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub enum Stop<'a> {
    /// Id or status differ from the guard's.
    Differs {
        /// What 9Fh answered.
        id: &'a [u8],
        /// Status register 1.
        status: u8,
    },
    /// The chip stayed busy past the limit.
    Busy {
        /// How long it was waited for.
        waited_us: u32,
    },
    /// The write enable latch did not set.
    NotEnabled {
        /// Status register 1.
        status: u8,
    },
    /// The host asked for it.
    Cancelled,
    /// Nothing came from the host for [`crate::HOST_SILENT_AFTER_MS`], or its data did not come.
    HostSilent,
}

/// Why a request was not done.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, thiserror::Error)]
pub enum Refusal<'a> {
    /// Another version of the protocol.
    #[error(
        "the programmer's firmware speaks protocol {ours}: put this program's own onto it with `firmhand link install`"
    )]
    Version {
        /// The programmer's.
        ours: u8,
    },
    /// Frames were lost or doubled, or no hello came first. Say hello.
    #[error("frame {got} came to the programmer in place of frame {expected}")]
    OutOfStep {
        /// The number that was due.
        expected: u16,
        /// The one that came.
        got: u16,
    },
    /// Another request still runs.
    #[error("request {running} still runs on the programmer")]
    Busy {
        /// Its number.
        running: u16,
    },
    /// No request at all.
    #[error("the programmer does not understand the request")]
    Malformed,
    /// Outside of the limits or features.
    #[error("the programmer cannot do this: {what}")]
    Unable {
        /// Which limit.
        what: &'a str,
    },
    /// The chip has no supply, or one that the board's inputs do not bear.
    #[error("the chip's supply measures {mv} mV: nothing was driven")]
    Supply {
        /// The supply.
        mv: u16,
    },
}

/// What a programmer is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Hello<'a> {
    /// Its firmware's version, as in the program's own.
    pub firmware: &'a str,
    /// The board's serial number: sixteen hexadecimal digits.
    pub serial: &'a str,
    /// What it runs by itself.
    pub features: Features,
    /// How much of it.
    pub limits: Limits,
}

/// What a programmer runs by itself: one bit for each.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Features(pub u32);

impl Features {
    /// [`Request::ReadRange`].
    pub const READ_RANGE: Self = Self(1);
    /// [`Request::DigestRange`].
    pub const DIGEST_RANGE: Self = Self(1 << 1);
    /// [`Request::ProgramRange`].
    pub const PROGRAM_RANGE: Self = Self(1 << 2);
    /// [`Request::EraseList`].
    pub const ERASE_LIST: Self = Self(1 << 3);
    /// [`Request::LineTest`].
    pub const LINE_TEST: Self = Self(1 << 4);
    /// The line test measures times of rise.
    pub const RISE_TIME: Self = Self(1 << 5);
    /// [`Request::Watch`].
    pub const WATCH: Self = Self(1 << 6);
    /// Ranges can be read on two data lines.
    pub const DUAL: Self = Self(1 << 7);
    /// A divider at the chip's supply is fitted.
    pub const SUPPLY_SENSE: Self = Self(1 << 8);
    /// A switch for the chip's supply is fitted.
    pub const SUPPLY_SWITCH: Self = Self(1 << 9);

    /// Tells whether all of `other` is here.
    #[must_use]
    pub const fn has(self, other: Self) -> bool {
        self.0 & other.0 == other.0
    }

    /// Returns both together.
    #[must_use]
    pub const fn and(self, other: Self) -> Self {
        Self(self.0 | other.0)
    }
}

/// How much a programmer can do at once.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Limits {
    /// Most bytes of one transfer, out and in together.
    pub max_transfer: u32,
    /// Most bytes of one range that is read or programmed.
    pub max_range: u32,
    /// Most blocks of one erase list.
    pub max_blocks: u16,
    /// Slowest clock.
    pub clock_min_hz: u32,
    /// Fastest clock.
    pub clock_max_hz: u32,
    /// What it drives into the chip, in millivolts.
    pub drive_mv: u16,
    /// Time that one request costs beside its bytes, in microseconds.
    pub round_trip_us: u32,
    /// Fastest rate between host and programmer.
    pub bytes_per_second: u32,
}

/// What the lines did: the six signals of [`crate::pins::SIGNALS`], in that order.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct LineReport {
    /// The lines.
    pub lines: [LineState; 6],
    /// The supply at the chip, in millivolts, where it is sensed.
    pub supply_mv: Option<u16>,
}

/// One line under both pulls, and what moved with it.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct LineState {
    /// Its level with the pull-up on.
    pub pulled_up: bool,
    /// Its level with the pull-down on.
    pub pulled_down: bool,
    /// The time in which it rises to half of the supply under the pull-up, in nanoseconds; none when it does not rise.
    pub rise_ns: Option<u32>,
    /// Which lines followed when this one was driven low and high and the others were pulled the other way: bit 0 is the first
    /// of them. Its own bit is clear when something stronger holds it.
    pub moved: u8,
}
