//! Real links: what Linux gives to reach a chip.
//!
//! | link | module | what it is |
//! |---|---|---|
//! | `/dev/spidevB.C` | [`spidev`] | an SPI controller of this computer, one transaction at a time |
//! | `/dev/mtdN` | [`mtd`] | a flash that the kernel itself drives: read, write, erase, and no commands |
//! | `board@SERIAL` | [`board`] | firmhand's own programmer: an RP2040 board over USB, with range requests of its own |
//!
//! [`boot`] puts the firmware onto such a board. [`find`] looks for all of them without touching a chip. Each link talks to the kernel through a trait of a few calls, so that its
//! limits, its splitting and its errors are tested without hardware.
//!
//! What is left to the caller: the safety rules (what the chip bears, what the link drives, which hands were where), and the
//! knowledge of chips. A spidev link cannot know what voltage it drives and cannot vanish when a clip is moved; an MTD link
//! reaches the flash of the very machine that runs this program.

pub mod board;
pub mod boot;
mod clock;
mod error;
pub mod find;
pub mod mtd;
mod node;
pub mod spidev;

pub use error::OpenError;
