//! Decompression of what firmware images hold packed: LZMA, the x86 filter, Brotli and the UEFI algorithm.
//!
//! | function | for sections of |
//! |---|---|
//! | [`lzma`] | the LZMA GUID: a `.lzma` header, then the stream |
//! | [`lzma`], then [`x86_filter`] | the LZMA GUID with x86 filter |
//! | [`brotli`] | the Brotli GUID: two sizes, then the stream |
//! | [`packed`] | compression type 1 ([`PositionBits::Uefi4`]) and the Tiano GUID ([`PositionBits::Tiano5`]) |
//!
//! Input is hostile (S10). Every function takes the most bytes it may give out: a stated size over it is refused before
//! anything is reserved, and a stream that states no size stops there. Memory follows what is really decoded and not
//! what a header claims; [`lzma`] needs a window beside its output, of at most the output's size, until it returns.
//! Parsing of the sections around these streams, and the sum of all budgets, are left to the caller.
//!
//! The decision a reader would question: a stream that decodes to another length than its header states is an error,
//! and the bytes are not handed out. None of these formats has a checksum; the length is the only thing they can prove.

mod brotli;
mod lzma;
mod packed;
mod x86;

pub use brotli::brotli;
pub use lzma::lzma;
pub use packed::{PositionBits, packed};
pub use x86::x86_filter;
pub(crate) use x86::{Direction, convert};

/// A decoded stream.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Decoded {
    /// The content.
    pub bytes: Vec<u8>,
    /// How many bytes of the input belong to the stream, its header counted. What follows them is padding, or something
    /// else.
    pub used: usize,
}

/// Why a stream could not be decoded. Offsets are bytes of the input that was given.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum DecodeError {
    /// The input ends within the header.
    #[error("the header needs {need} bytes, and only {have} are there")]
    HeaderCut {
        /// Bytes of a whole header.
        need: usize,
        /// Bytes given.
        have: usize,
    },
    /// A header field has a value that its format does not allow.
    #[error("the header's {field} is {value:#x}, which the format does not allow")]
    Header {
        /// Which field.
        field: &'static str,
        /// Its value.
        value: u64,
    },
    /// The content is larger than the caller allows.
    #[error("{} over the budget of {max} bytes", stated_text(*.stated))]
    Budget {
        /// The size that the header states; absent when it states none and the budget ran out under way.
        stated: Option<u64>,
        /// The most that was allowed.
        max: usize,
    },
    /// The stream says something impossible.
    #[error("the stream is damaged at input offset {at:#x}, after {produced} decoded bytes")]
    Damaged {
        /// How far the input had been read; the damaged bit may lie before it.
        at: usize,
        /// Bytes decoded before.
        produced: usize,
    },
    /// The input ends before the stream does.
    #[error("the input ends at {at:#x} within the stream, after {produced} decoded bytes")]
    Ended {
        /// The input's end.
        at: usize,
        /// Bytes decoded before.
        produced: usize,
    },
    /// The stream ended, and its content has another length than the header states.
    #[error("{produced} bytes came out where the header states {stated}")]
    Length {
        /// Bytes decoded; of a stream that goes on past the stated size, one more than stated.
        produced: usize,
        /// The size that the header states.
        stated: u64,
    },
}

/// Returns the stated size as a length, when it is within the budget.
fn within_budget(stated: u64, max: usize) -> Result<usize, DecodeError> {
    match usize::try_from(stated) {
        Ok(size) if size <= max => Ok(size),
        _ => Err(DecodeError::Budget { stated: Some(stated), max }),
    }
}

fn stated_text(stated: Option<u64>) -> String {
    stated.map_or_else(|| "the content goes".to_owned(), |size| format!("a stated size of {size} bytes goes"))
}
