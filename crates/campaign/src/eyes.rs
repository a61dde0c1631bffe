//! The campaign's own eyes on a bench folder: journals and stored contents, read by the formats' descriptions alone.
//!
//! Nothing here calls the vault. The formats are simple enough for a second reader: a journal is lines with a hash over
//! their own bytes, a pack is chunks with an index at its end, a manifest is JSON that lists chunks.

mod journal;
mod store;

pub use journal::{Entry, Journal, journals};
pub use store::{Manifest, Store};

/// Returns the BLAKE3 of `bytes` as 64 hexadecimal digits.
#[must_use]
pub fn blake3_hex(bytes: &[u8]) -> String {
    blake3::hash(bytes).to_hex().to_string()
}
