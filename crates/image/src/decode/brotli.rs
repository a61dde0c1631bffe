//! Brotli behind the prefix of firmware sections, by the `brotli-decompressor` crate.
//!
//! The prefix: the content's size and the size of the scratch memory that a firmware decoder wants, eight bytes each,
//! then the stream of RFC 7932. The scratch size says nothing about the content and is not looked at. Windows over 16
//! MiB, an extension of the format, are refused: firmware decoders refuse them, and the window is memory.

use brotli_decompressor::{BrotliDecompressStream, BrotliResult, BrotliState, StandardAlloc};

use super::{DecodeError, Decoded, within_budget};

const PREFIX: usize = 16;

/// Returns the content of a Brotli section's data of at most `max_out` bytes.
///
/// # Errors
///
/// [`DecodeError::HeaderCut`], [`DecodeError::Budget`], [`DecodeError::Damaged`], [`DecodeError::Ended`], and
/// [`DecodeError::Length`] when the stream's content has another length than stated.
pub fn brotli(input: &[u8], max_out: usize) -> Result<Decoded, DecodeError> {
    let Some((prefix, stream)) = input.split_first_chunk::<PREFIX>() else {
        return Err(DecodeError::HeaderCut { need: PREFIX, have: input.len() });
    };
    let stated = u64::from_le_bytes(prefix[..8].try_into().expect("the first eight bytes of the prefix"));
    let size = within_budget(stated, max_out)?;
    let mut bytes = vec![0; size];
    let mut state =
        BrotliState::new_strict(StandardAlloc::default(), StandardAlloc::default(), StandardAlloc::default());
    let (mut left, mut used, mut room, mut produced, mut total) = (stream.len(), 0, size, 0, 0);
    let result = BrotliDecompressStream(
        &mut left,
        &mut used,
        stream,
        &mut room,
        &mut produced,
        &mut bytes,
        &mut total,
        &mut state,
    );
    let at = PREFIX + used;
    match result {
        BrotliResult::ResultSuccess if produced == size => Ok(Decoded { bytes, used: at }),
        BrotliResult::ResultSuccess => Err(DecodeError::Length { produced, stated }),
        BrotliResult::NeedsMoreOutput => Err(DecodeError::Length { produced: size + 1, stated }),
        BrotliResult::NeedsMoreInput => Err(DecodeError::Ended { at: input.len(), produced }),
        BrotliResult::ResultFailure => Err(DecodeError::Damaged { at, produced }),
    }
}

#[cfg(test)]
mod tests {
    use std::io::Write;

    use proptest::prelude::*;

    use super::*;
    use crate::build::encode;
    use crate::filler::{Filler, made_up};
    use crate::testing::each_value;

    /// Packs with the reference encoder's port, behind the prefix.
    fn section(bytes: &[u8], quality: u32) -> Vec<u8> {
        let mut out = [(bytes.len() as u64).to_le_bytes(), 0x4000_u64.to_le_bytes()].concat();
        let mut writer = brotli_encoder::CompressorWriter::new(&mut out, 4096, quality, 22);
        writer.write_all(bytes).unwrap();
        drop(writer);
        out
    }

    #[test]
    fn what_another_encoder_packed_comes_back_with_the_bytes_used() {
        for (quality, len) in [(0, 0), (1, 1), (5, 70_000), (9, 300_000), (11, 20_000)] {
            let bytes = made_up(Filler::Code, 1, "packed", len);
            let mut packed = section(&bytes, quality);
            let used = packed.len();
            packed.extend([0xFF; 40]);
            assert_eq!(brotli(&packed, len), Ok(Decoded { bytes, used }), "quality {quality}");
        }
    }

    #[test]
    fn sizes_that_do_not_fit_are_told_apart() {
        let bytes = made_up(Filler::Code, 1, "sizes", 5000);
        let packed = section(&bytes, 5);
        let with_size = |size: u64| [&size.to_le_bytes()[..], &packed[8..]].concat();
        assert_eq!(brotli(&packed, 4999), Err(DecodeError::Budget { stated: Some(5000), max: 4999 }));
        assert_eq!(
            brotli(&with_size(u64::MAX), 1 << 20),
            Err(DecodeError::Budget { stated: Some(u64::MAX), max: 1 << 20 })
        );
        assert_eq!(brotli(&with_size(4999), 9999), Err(DecodeError::Length { produced: 5000, stated: 4999 }));
        assert_eq!(brotli(&with_size(5001), 9999), Err(DecodeError::Length { produced: 5000, stated: 5001 }));
        assert_eq!(brotli(&packed[..15], 9999), Err(DecodeError::HeaderCut { need: 16, have: 15 }));
    }

    #[test]
    fn s10_every_cut_is_an_error() {
        let packed = section(&made_up(Filler::Code, 1, "cuts", 3000), 9);
        for len in 0..packed.len() {
            let error = brotli(&packed[..len], 1 << 20).unwrap_err();
            assert!(matches!(error, DecodeError::HeaderCut { .. } | DecodeError::Ended { .. }), "{len}: {error}");
        }
    }

    #[test]
    fn s10_a_window_over_the_formats_limit_is_refused() {
        // RFC 7932, section 9.1: the window bits 0010001b are kept for extensions; here with 30 bits, as the extension
        // has it.
        let packed = [&16_u64.to_le_bytes()[..], &[0; 8], &[0x11, 0x1E, 0x03]].concat();
        assert!(matches!(brotli(&packed, 1 << 20), Err(DecodeError::Damaged { .. })));
    }

    #[test]
    fn s10_random_streams_give_no_more_than_asked() {
        let input = prop::collection::vec(any::<u8>(), 0..300);
        each_value("s10_random_streams_give_no_more_than_asked", 2000, &input, |mut stream| {
            let prefix = 1000_u64.to_le_bytes();
            stream.splice(..0, prefix.into_iter().chain(prefix));
            if let Ok(decoded) = brotli(&stream, 1000) {
                prop_assert_eq!(decoded.bytes.len(), 1000);
                prop_assert!(decoded.used <= stream.len());
            }
            Ok(())
        });
    }

    #[test]
    fn stored_streams_of_the_builder_are_brotli() {
        for len in [0, 1, 65_536, 200_000] {
            let bytes = made_up(Filler::Packed, 2, "stored", len);
            let packed = encode::brotli_stored(&bytes);
            assert_eq!(brotli(&packed, len), Ok(Decoded { bytes, used: packed.len() }), "{len}");
        }
    }
}
