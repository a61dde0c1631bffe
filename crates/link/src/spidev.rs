//! An SPI controller of this computer as a link (`/dev/spidevB.C`).
//!
//! One request is one message to the kernel: bytes out, bytes in, chip select held in between. What a message may carry is the
//! module's parameter `bufsiz`, counted for each direction by itself and rounded up to the machine's cache lines
//! (drivers/spi/spidev.c); this link rounds down to [`LINE`] and so never asks for more. A read range is split at that limit,
//! each piece a read command of its own; there is no smaller number of calls, since every byte that comes in counts.
//!
//! The device tree states the clock that board and wiring of the header bear (`spi-max-frequency`); it is read once, right after
//! opening, and is the upper limit, together with [`FASTEST_HZ`]. A controller divides its own clock and takes the next lower
//! rate without saying so: reported is what the kernel says it was set to.
//!
//! What a reader would question: the answer to "is it there" is the node in /dev. A header cannot be unplugged as a programmer
//! can; the caller asks a hold for that (safety rule S13).

mod kernel;

use std::io;
use std::path::Path;

use nix::errno::Errno;
use nor::command::{ReadMode, Transfer};
use nor::link::{Answer, Features, Limits, Link, LinkError, Request};

use crate::OpenError;
use crate::clock::Clock;

pub use kernel::KernelNode;

/// Modes of the clock line: mode 0 idles low, mode 3 idles high; both sample at the rising edge, as serial flash needs.
pub const MODES: [u8; 2] = [0, 3];
/// The fastest clock that is used, whatever the device tree says. Leads and clips: common practice, no source.
pub const FASTEST_HZ: u32 = 20_000_000;
/// The slowest clock. A controller with a higher limit of its own refuses it, and says so at the first transfer.
pub const SLOWEST_HZ: u32 = 100_000;
/// Messages are rounded up to the alignment of DMA memory, at most so many bytes (128 on 64-bit ARM).
pub const LINE: u32 = 128;
/// Least limit of a message: a page of 256 bytes and its command, rounded to [`LINE`].
const LEAST: u32 = 384;
/// Most bytes of one read range: a stop is heard between two, and at 100 kHz this takes 5 s.
const RANGE: u32 = 64 * 1024;
/// What one call costs beside its bytes: an estimate for plans.
const CALL_US: u32 = 60;

/// The few calls that a spidev link makes.
pub trait SpiNode {
    /// Sets the mode of the clock line, and eight bits in a word, most significant first.
    ///
    /// # Errors
    /// As the kernel has it.
    fn set_mode(&mut self, mode: u8) -> io::Result<()>;
    /// Tells the clock that the kernel has.
    ///
    /// # Errors
    /// As the kernel has it.
    fn clock_hz(&self) -> io::Result<u32>;
    /// Sets the clock; answers what the kernel has afterwards.
    ///
    /// # Errors
    /// As the kernel has it.
    fn set_clock(&mut self, hz: u32) -> io::Result<u32>;
    /// One message: `write` goes out, then `read` is filled, chip select held.
    ///
    /// # Errors
    /// As the kernel has it.
    fn message(&mut self, write: &[u8], read: &mut [u8]) -> io::Result<()>;
    /// Whether the node is still there.
    fn is_present(&mut self) -> bool;
}

/// A spidev link.
#[derive(Debug)]
pub struct SpidevLink<N> {
    node: N,
    limits: Limits,
    /// Most bytes of one message and direction.
    most: u32,
    clock: Clock,
    gone: bool,
}

impl SpidevLink<KernelNode> {
    /// Opens `/dev/spidevB.C` and locks it. Drives nothing: chip select moves with the first message.
    ///
    /// # Errors
    /// [`OpenError`], with what to do about it.
    pub fn open(path: &Path) -> Result<Self, OpenError> {
        let node = KernelNode::open(path)?;
        let bufsiz = kernel::bufsiz();
        Self::over(node, bufsiz, path)
    }
}

impl<N: SpiNode> SpidevLink<N> {
    /// A link over a node. `bufsiz` is the module's parameter; `path` is for messages.
    ///
    /// # Errors
    /// [`OpenError::Setting`], [`OpenError::SmallBuffer`].
    pub fn over(mut node: N, bufsiz: u32, path: &Path) -> Result<Self, OpenError> {
        let most = bufsiz / LINE * LINE;
        if most < LEAST {
            return Err(OpenError::SmallBuffer { path: path.to_path_buf(), bytes: bufsiz });
        }
        let setting = |what: &str, source| OpenError::Setting { path: path.to_path_buf(), what: what.into(), source };
        // Mode 3 is as good: some controllers have no other idle level.
        let [first, second] = MODES;
        if node.set_mode(first).is_err() {
            node.set_mode(second).map_err(|source| setting("SPI mode 0 or 3 with eight bits", source))?;
        }
        let stated = node.clock_hz().map_err(|source| setting("a question for its clock", source))?;
        let fastest = if stated == 0 { FASTEST_HZ } else { stated.min(FASTEST_HZ) };
        let limits = Limits {
            max_transfer: most,
            max_range: RANGE,
            clock_hz: (SLOWEST_HZ.min(fastest), fastest),
            features: Features { read_range: true, ..Features::default() },
            drives: None,
            round_trip_us: CALL_US,
            bytes_per_second: None,
        };
        Ok(Self { node, limits, most, clock: Clock::start(), gone: false })
    }

    fn transfer(&mut self, transfer: &Transfer) -> Result<Vec<u8>, LinkError> {
        if transfer.wire_bytes() > u64::from(self.limits.max_transfer) {
            let what = format!("{} bytes of transfer, at most {}", transfer.wire_bytes(), self.limits.max_transfer);
            return Err(LinkError::Unable { what });
        }
        let mut read = vec![0; transfer.read as usize];
        self.node.message(&transfer.write, &mut read).map_err(|error| self.failed(error))?;
        Ok(read)
    }

    /// Reads in pieces of the limit. A controller that takes less than the module allows says so, and gets less.
    fn read(&mut self, at: u32, len: u32, mode: ReadMode) -> Result<Vec<u8>, LinkError> {
        if len > self.limits.max_range || u64::from(at) + u64::from(len) > 1 << 32 {
            return Err(LinkError::Unable { what: format!("{len} bytes of range from {at:#x}, at most {RANGE}") });
        }
        let mut bytes = vec![0; len as usize];
        let mut done = 0;
        while done < len {
            let piece = self.most.min(len - done);
            let command = Transfer::array(at + done, piece, mode).write;
            let into = &mut bytes[done as usize..(done + piece) as usize];
            match self.node.message(&command, into) {
                Ok(()) => done += piece,
                Err(error) if error.raw_os_error() == Some(Errno::EMSGSIZE as i32) && self.most > LEAST => {
                    self.most = (self.most / 2 / LINE * LINE).max(LEAST);
                }
                Err(error) => return Err(self.failed(error)),
            }
        }
        Ok(bytes)
    }

    /// What a refusal of the kernel means.
    fn failed(&mut self, error: io::Error) -> LinkError {
        let gone = [Errno::ESHUTDOWN, Errno::ENODEV, Errno::ENXIO];
        if error.raw_os_error().is_some_and(|number| gone.iter().any(|errno| *errno as i32 == number)) {
            self.gone = true;
            return LinkError::Gone;
        }
        LinkError::System(Box::new(error))
    }
}

impl<N: SpiNode> Link for SpidevLink<N> {
    fn limits(&self) -> &Limits {
        &self.limits
    }

    fn run(&mut self, request: &Request, deadline_us: u64) -> Result<Answer, LinkError> {
        if self.gone {
            return Err(LinkError::Gone);
        }
        let begun = self.now_us();
        let answer = match request {
            Request::Transfer(transfer) => Answer::Bytes(self.transfer(transfer)?),
            Request::ReadRange { at, len, mode } => Answer::Bytes(self.read(*at, *len, *mode)?),
            Request::SetClock { hz } => {
                let hz = (*hz).clamp(self.limits.clock_hz.0, self.limits.clock_hz.1);
                Answer::Clock { hz: self.node.set_clock(hz).map_err(|error| self.failed(error))? }
            }
            Request::DigestRange { .. } | Request::ProgramRange(_) | Request::EraseList(_) | Request::LineTest => {
                return Err(LinkError::Unable {
                    what: "a header runs single transactions and read ranges alone".into(),
                });
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
