//! Operations on a chip over any link: identify, pass, write, verify, status writes, and looks at the contacts.
//!
//! An operation is an [`Op`]: ask it what to do ([`Op::poll`]), tell it what came back ([`Op::handle`]). It holds no
//! link, no clock and no thread, so a whole conversation with a chip is a plain test. [`run`] is the loop that a bench
//! needs around it. What a link cannot run by itself is turned into single transfers here ([`Bus`]), in one place.
//!
//! A chip without an id is one that the kernel drives: it is asked nothing, and what it is has been said by the kernel. The link
//! then runs lists and range reads and no transfers.
//!
//! What an operation leaves to its caller: which chip may be written at all (safety rules S1, S4, S5), and what is
//! durable before the first erase (S2). What it keeps itself: S6 (id and status at each erase block and each 64 KiB
//! programmed), and that nothing waits longer than the chip's own maximum times [`PATIENCE`].

mod bus;
mod change;
mod contact;
mod error;
mod fast;
mod identify;
mod op;
mod pass;
mod reach;
mod size;
mod status;
mod verify;
mod write;

pub use bus::Bus;
pub use contact::{AtClock, Look, ids, look};
pub use error::DriverError;
pub use fast::{fast_shift, telling_window};
pub use identify::{Identity, identify};
pub use op::{Event, Flow, Op, Step, run};
pub use pass::{Answered, Content, Order, Pass, PassPlan, parts, pass};
pub use size::SizeMeasure;
pub use status::{set_status, unlock_blocks};
pub use verify::{Verified, Wrong, verify};
pub use write::{WriteJob, check_protection, write};

/// How many times a chip's maximum time an operation waits before it calls the chip stuck.
///
/// Maximum times of datasheets hold over temperature and age, so a chip that needs more is ill; the margin is for the
/// clock of the host and for tables that state a little less than the datasheet.
pub const PATIENCE: u64 = 2;

/// The clock at which a chip is identified: slow enough for long leads (common practice, no source).
pub const IDENTIFY_HZ: u32 = 1_000_000;
