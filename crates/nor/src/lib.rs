//! What a serial NOR flash chip is: commands, geometry, catalogue, JESD216 tables, protection, plans.
//!
//! Pure: no I/O, no clock. Addresses (`at`) count bytes from the chip's first byte; a name that ends in `_us`, `_ms`,
//! `_hz` or `_v` carries its unit. A chip is at most [`MAX_SIZE`] bytes, so that an address plus a length always fits
//! a `u32`. [`link`] is the seam to everything that reaches a chip: requests, answers, limits and the trait.

pub mod catalogue;
pub mod chip;
pub mod command;
pub mod link;
pub mod plan;
pub mod protection;
pub mod sfdp;
pub mod supply;

/// The largest chip that firmhand handles: 2 GiB. The largest serial NOR parts sold have 256 MiB.
pub const MAX_SIZE: u32 = 1 << 31;

/// Bytes that one CRC-32 of a digest covers, and the grain in which disagreement is reported: 4 KiB.
pub const SECTOR: u32 = 4096;

/// The byte value of an erased cell.
pub const ERASED: u8 = 0xFF;

/// Tells whether every byte is [`ERASED`].
#[must_use]
pub fn is_blank(bytes: &[u8]) -> bool {
    let (words, rest) = bytes.as_chunks::<8>();
    words.iter().all(|word| u64::from_ne_bytes(*word) == u64::MAX) && rest.iter().all(|byte| *byte == ERASED)
}
