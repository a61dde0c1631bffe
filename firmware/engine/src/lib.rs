//! What the programmer does with a request: the half of the firmware that knows no hardware, so that `cargo test` runs it.
//!
//! For each pipe to a host there is a [`Post`] and two futures that share it: [`listen`] turns bytes into requests and program data,
//! and notices heartbeats while a request runs; [`work`] runs one request at a time and is the only one that writes to the host. The
//! [`Station`] is what all pipes share: the chip, the blocks in memory, and who owns them.
//!
//! | who | owes |
//! |---|---|
//! | [`Board`] | pins, buses, pulls, supply; it starts nothing by itself |
//! | [`Inbox`], [`Outbox`] | bytes; an error as soon as the host is gone |
//! | this crate | the protocol, S6 while a list runs, and that nothing starts on the chip once the host is gone |
//!
//! When the host goes (the pipe says so, or nothing came for two seconds), no new command starts. A page or block that is under way is
//! waited for, with the supply as it is; then clock and data-in are released and the other lines are left to their pulls.
//!
//! Everything here is `async` without a runtime of its own: the executor, the time and the interrupts are the firmware's or the test's.

#![no_std]

mod listen;
mod post;
mod run;
mod work;

pub use listen::listen;
pub use post::Post;
pub use work::{Station, work};

use wire::{Features, Limits, LineReport, MAX_FRAME};

/// Time.
pub trait Clock {
    /// Microseconds since some moment in the past.
    fn now_us(&self) -> u64;
    /// Lets time pass.
    fn wait_us(&self, us: u64) -> impl Future<Output = ()>;
}

/// The host is gone: the pipe was closed, reset or suspended.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Gone;

/// The half of a pipe on which the host's bytes come.
pub trait Inbox {
    /// Waits until the host is there.
    fn attached(&mut self) -> impl Future<Output = ()>;
    /// Returns the length of what came, at most 64 bytes.
    ///
    /// # Errors
    /// [`Gone`].
    fn read(&mut self, into: &mut [u8; 64]) -> impl Future<Output = Result<usize, Gone>>;
}

/// The half of a pipe that carries bytes to the host.
pub trait Outbox {
    /// Passes bytes on; they may stay in a packet that is not full.
    ///
    /// # Errors
    /// [`Gone`].
    fn write(&mut self, bytes: &[u8]) -> impl Future<Output = Result<(), Gone>>;
    /// Sends what stayed, with a short or empty packet.
    ///
    /// # Errors
    /// [`Gone`].
    fn flush(&mut self) -> impl Future<Output = Result<(), Gone>>;
    /// Forgets what stayed.
    fn clear(&mut self);
}

/// What the light says.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Light {
    /// No host has said hello.
    Waiting,
    /// A host is there.
    Ready,
    /// Lines to the chip are driven.
    Working,
    /// A list stopped because the chip did not answer as it should; until the next hello.
    Stopped,
}

/// The board and its wires to the chip.
pub trait Board {
    /// What is fitted.
    fn features(&self) -> Features;
    /// What it can.
    fn limits(&self) -> Limits;
    /// The serial number, sixteen hexadecimal digits.
    fn serial(&self) -> &str;
    /// Drives the bus: chip select high, clock and data-in low; WP# and HOLD# high unless something holds them low. Does nothing when
    /// it already does.
    fn claim(&mut self);
    /// Releases clock and data-in; chip select, WP# and HOLD# are left to the pull-ups.
    fn release(&mut self);
    /// Chip select low.
    fn select(&mut self);
    /// Chip select high, for at least the time that chips want between two commands.
    fn deselect(&mut self);
    /// Clocks bytes out.
    fn write(&mut self, bytes: &[u8]) -> impl Future<Output = ()>;
    /// Clocks bytes in, on one line or two.
    fn read(&mut self, into: &mut [u8], data_lines: u8) -> impl Future<Output = ()>;
    /// Takes the fastest clock that is not over `hz` and returns it; none is slower than the slowest.
    fn set_clock(&mut self, hz: u32) -> u32;
    /// Looks at the released lines under both pulls, and drives each alone when `drive` says so. Leaves the lines released.
    fn look(&mut self, drive: bool) -> impl Future<Output = LineReport>;
    /// The chip's supply in millivolts; none without the divider.
    fn supply_mv(&mut self) -> impl Future<Output = Option<u16>>;
    /// Switches the chip's supply; without the switch nothing happens.
    fn feed(&mut self, on: bool);
    /// Whether the switch feeds the chip; none without it.
    fn fed(&self) -> Option<bool>;
    /// Shows a state.
    fn show(&mut self, light: Light);
}

/// Three blocks with room for a frame around each: one is filled, one is sent, one is the one before.
pub type Blocks = [[u8; MAX_FRAME]; 3];
