//! What firmhand and its own programmer say to each other. Without the standard library: both sides share this crate.
//!
//! # A frame
//!
//! Both directions are streams of bytes over a USB pipe; packets have no meaning, except that the programmer ends an
//! answer with a short or empty one. In the stream stand frames. Numbers are little-endian.
//!
//! | at | bytes | what |
//! |---|---|---|
//! | 0 | 2 | `A7 4E`: a frame may begin here |
//! | 2 | 1 | version of the protocol, [`VERSION`] |
//! | 3 | 1 | [`Kind`] |
//! | 4 | 2 | the request that this belongs to, chosen by the host |
//! | 6 | 2 | sequence number: 0 for a hello and its answer, then 1 to 65535 and again from 1, in each direction by itself |
//! | 8 | 2 | n, length of the payload, at most [`MAX_PAYLOAD`] |
//! | 10 | 2 | lower half of the CRC-32 of bytes 0 to 9 |
//! | 12 | n | payload |
//! | 12 + n | 4 | CRC-32 (IEEE 802.3) of all that precedes |
//!
//! The first twelve bytes keep their places in every version, so that each side recognises a frame of another version
//! and can say what to do ([`WireError::Version`]). The header has a sum of its own because a length in
//! garbage would otherwise hold up everything behind it.
//!
//! | kind | payload |
//! |---|---|
//! | [`Kind::Control`] | a [`Request`] or a [`Reply`], as `postcard` writes it |
//! | [`Kind::Bytes`] | data as it is, at most [`BLOCK`] bytes |
//! | [`Kind::Fill`] | a value (1), a count (4): so many bytes of that value |
//! | [`Kind::Repeat`] | a count (4): the last so many bytes of this answer once more |
//!
//! # A conversation
//!
//! The host sends a [`Request`] with a number of its own choice; the programmer sends any number of data frames and then exactly
//! one [`Reply`], all with that number. [`Request::ProgramRange`] has its data behind it, in frames with its number.
//! While a request runs, the host may send [`Request::Heartbeat`], [`Request::Cancel`], [`Request::Release`] and
//! [`Request::Hello`]; every other is refused as [`Refusal::Busy`].
//!
//! | who | owes |
//! |---|---|
//! | host | a hello before all else, and again after every error of the stream; some frame at least every [`HEARTBEAT_EVERY_MS`]; requests within the [`Limits`] |
//! | programmer | an answer or a [`Refusal`] to each request; nothing new on the chip once [`HOST_SILENT_AFTER_MS`] passed without a frame |
//!
//! A hello ends whatever ran and starts both counts again. What comes with the number of an older request is
//! dropped by the host. A gap or a repetition in the sequence is [`WireError::OutOfStep`]; the programmer then refuses
//! everything but a hello, because a lost frame may have held data that was to be programmed.
//!
//! # Decisions
//!
//! No windows and no acknowledgements: USB repeats and orders packets by itself and holds a sender back. The sums and
//! numbers are there for what USB does not see: a program that was killed in the middle of a frame, a pipe that
//! still holds yesterday's answer, a driver that drops a buffer.
//!
//! The crate knows nothing of `nor`, which needs the standard library; the host turns one's requests into the other's.

#![no_std]

#[cfg(test)]
extern crate std;

mod crc;
mod data;
mod frame;
mod message;
pub mod pins;

pub use crc::{crc32, crc32_more};
pub use data::Data;
pub use frame::{Decoder, Frame, Kind, Sequence, encode, seal};
pub use message::{
    Block, Blocks, Features, Guard, Hello, Limits, LineReport, LineState, ReadMode, Refusal, Reply, Request, Stop,
};

/// The version of this protocol. It changes whenever an older program or programmer would misread a newer one.
pub const VERSION: u8 = 1;
/// The unit of data: ranges are read, digested and answered in blocks of this size. Equal to the smallest usual sector.
pub const BLOCK: usize = 4096;
/// Bytes before the payload.
pub const HEADER: usize = 12;
/// Bytes behind the payload.
pub const TRAILER: usize = 4;
/// Most bytes of a payload: a block, and what a control message needs beside it.
pub const MAX_PAYLOAD: usize = BLOCK + 64;
/// Most bytes of a frame.
pub const MAX_FRAME: usize = HEADER + MAX_PAYLOAD + TRAILER;
/// Most blocks of one erase list.
pub const MAX_BLOCKS: usize = 256;
/// Most bytes that a transfer writes.
pub const MAX_WRITE: usize = BLOCK;
/// How often the host says that it is there when it has nothing else to say, in milliseconds.
pub const HEARTBEAT_EVERY_MS: u32 = 250;
/// How long after the host's last frame no new command starts on the chip, in milliseconds.
pub const HOST_SILENT_AFTER_MS: u32 = 2000;
/// How long a frame may pause in its middle before the receiver gives it up with [`Decoder::give_up`], in milliseconds.
pub const PAUSE_MS: u32 = 200;

/// USB vendor id. 1209:0001 is an open-source test pair: it says nothing of who made the device.
pub const USB_VENDOR: u16 = 0x1209;
/// USB product id of that pair.
pub const USB_PRODUCT: u16 = 0x0001;
/// The USB product text, by which a programmer is told from other devices with the test pair.
pub const USB_PRODUCT_TEXT: &str = "firmhand programmer";
/// The USB manufacturer text.
pub const USB_MANUFACTURER_TEXT: &str = "firmhand";
/// Class, subclass and protocol of the USB interface with the bulk pair: vendor specific.
pub const USB_INTERFACE_CLASS: (u8, u8, u8) = (0xFF, 0x46, 0x48);
/// The identifier under which Windows lists that interface.
pub const USB_INTERFACE_GUID: &str = "{5F1E6B7C-0A94-4D3A-9C52-6E17D9B0F3A8}";
/// The family number of UF2 files for the RP2040 (from the UF2 specification's list of families).
pub const UF2_FAMILY: u32 = 0xE48B_FF56;

/// Why bytes are no message.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum WireError {
    /// The other side speaks another version of the protocol.
    #[error(
        "the programmer's firmware speaks protocol {theirs} and this program speaks {ours}: {}",
        if *.theirs < *.ours {
            "put this program's own firmware onto the board with `firmhand link install`"
        } else {
            "use the newer firmhand that the firmware came with, or put this program's own firmware onto the board \
             with `firmhand link install`"
        }
    )]
    Version {
        /// The version in the frame.
        theirs: u8,
        /// [`VERSION`].
        ours: u8,
    },
    /// Frames were lost or came twice.
    #[error("frame {got} came in place of frame {expected}: data was lost between host and programmer")]
    OutOfStep {
        /// The sequence number that was due.
        expected: u16,
        /// The one that came.
        got: u16,
    },
    /// A kind of frame that version [`VERSION`] does not have, or not at this place.
    #[error("a frame of kind {kind} where there can be none")]
    Kind {
        /// The kind in the frame.
        kind: u8,
    },
    /// A payload that is no message.
    #[error("a frame of {len} bytes that holds no message")]
    Malformed {
        /// Length of the payload.
        len: usize,
    },
    /// A message or a block does not fit where it was to be written.
    #[error("a message of more than {room} bytes does not fit into a frame")]
    Room {
        /// Bytes that there were.
        room: usize,
    },
}
