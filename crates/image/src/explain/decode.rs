//! Which decompression a section asks for, and running it within the budget. The methods themselves stand in [`crate::decode`].

use super::bytes::u32_at;
use crate::decode::{self as methods, DecodeError, Decoded, PositionBits};

/// How a section's content is packed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Method {
    /// The standard's own, of compression sections: four position bits.
    Standard,
    /// The same stream with five position bits, by its GUID.
    Tiano,
    /// LZMA with a `.lzma` header.
    Lzma,
    /// LZMA, then the x86 branch converter over the whole.
    LzmaX86,
    /// Brotli after two sizes.
    Brotli,
}

/// Why a content was not decompressed.
#[derive(Debug)]
pub(crate) enum Fault {
    /// It would go past the budget.
    TooLarge,
    /// It is damaged.
    Broken {
        /// What is wrong, in words.
        reason: String,
        /// Bytes that were made in vain, at most.
        produced: usize,
    },
}

/// Returns the most bytes that the decoder keeps beside its output: of LZMA the dictionary that its header claims.
pub(super) fn window(method: Method, stored: &[u8]) -> u64 {
    match method {
        Method::Lzma | Method::LzmaX86 => u32_at(stored, 1).unwrap_or_default().into(),
        // Brotli streams of sections have windows of up to 16 MiB (RFC 7932, section 9.1).
        Method::Brotli => 16 << 20,
        Method::Standard | Method::Tiano => 0,
    }
}

/// Returns the decompressed content of a section, at most `limit` bytes.
///
/// # Errors
///
/// [`Fault`] when it is larger or damaged.
pub(crate) fn expand(method: Method, stored: &[u8], limit: usize) -> Result<Vec<u8>, Fault> {
    let decoded = match method {
        Method::Standard => methods::packed(stored, PositionBits::Uefi4, limit),
        Method::Tiano => methods::packed(stored, PositionBits::Tiano5, limit),
        Method::Lzma => methods::lzma(stored, limit),
        Method::LzmaX86 => methods::lzma(stored, limit).map(|decoded| {
            let Decoded { mut bytes, used } = decoded;
            methods::x86_filter(&mut bytes);
            Decoded { bytes, used }
        }),
        Method::Brotli => methods::brotli(stored, limit),
    };
    match decoded {
        Ok(decoded) => Ok(decoded.bytes),
        Err(DecodeError::Budget { .. }) => Err(Fault::TooLarge),
        Err(error) => {
            let produced = match error {
                DecodeError::Damaged { produced, .. }
                | DecodeError::Ended { produced, .. }
                | DecodeError::Length { produced, .. } => produced,
                DecodeError::HeaderCut { .. } | DecodeError::Header { .. } | DecodeError::Budget { .. } => 0,
            };
            Err(Fault::Broken { reason: error.to_string(), produced })
        }
    }
}
