//! Streams made by xz, by our own encoder, and one out of a real image; and hostile ones.

use proptest::prelude::*;
use sha2::{Digest, Sha256};

use super::*;
use crate::build::encode;
use crate::filler::{Filler, made_up};
use crate::testing::each_value;

/// "firmhand firmhand firmhand\n", packed by xz 5.4 (`xz --format=lzma`), which states no size and sets an end mark.
const FROM_XZ: &[u8] = &[
    0x5D, 0x00, 0x00, 0x80, 0x00, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0x00, 0x33, 0x1A, 0x4A, 0xAB, 0x8D,
    0xA1, 0xD8, 0x42, 0xBA, 0xE3, 0x9D, 0x69, 0xB8, 0xFC, 0x92, 0xFB, 0xFF, 0xFF, 0x2B, 0xD0, 0x00, 0x00,
];
const FROM_XZ_CONTENT: &[u8] = b"firmhand firmhand firmhand\n";

fn with_size(stream: &[u8], size: u64) -> Vec<u8> {
    [&stream[..5], &size.to_le_bytes(), &stream[13..]].concat()
}

#[test]
fn a_stream_from_xz_ends_at_its_mark() {
    let input = [FROM_XZ, &[0xAA; 70_000]].concat();
    let decoded = lzma(&input, 100).unwrap();
    assert_eq!((&decoded.bytes[..], decoded.used), (FROM_XZ_CONTENT, FROM_XZ.len()));
}

#[test]
fn a_stated_size_and_an_end_mark_together_are_legal() {
    let decoded = lzma(&with_size(FROM_XZ, FROM_XZ_CONTENT.len() as u64), 100).unwrap();
    assert_eq!((&decoded.bytes[..], decoded.used), (FROM_XZ_CONTENT, FROM_XZ.len()));
}

#[test]
fn an_end_mark_before_the_stated_size_is_damage() {
    let error = lzma(&with_size(FROM_XZ, 28), 100).unwrap_err();
    assert!(matches!(error, DecodeError::Damaged { produced: 27, .. }), "{error}");
}

#[test]
fn a_stated_size_that_stops_within_the_stream_is_damage() {
    for size in [1, 9, 26] {
        let error = lzma(&with_size(FROM_XZ, size), 100).unwrap_err();
        assert!(matches!(error, DecodeError::Damaged { .. } | DecodeError::Ended { .. }), "{size}: {error}");
    }
}

#[test]
fn packing_and_unpacking_gives_the_same_and_the_bytes_used() {
    for kind in [Filler::Code, Filler::Packed, Filler::Tables] {
        for len in [0, 1, 13, 4096, 300_000] {
            let bytes = made_up(kind, 1, "round trip", len);
            for mut input in [encode::lzma(&bytes), encode::lzma_with_end_mark(&bytes)] {
                let used = input.len();
                input.extend([0; 9]);
                assert_eq!(lzma(&input, len), Ok(Decoded { bytes: bytes.clone(), used }), "{kind:?} {len}");
            }
        }
    }
}

#[test]
fn s10_a_budget_holds_with_and_without_a_stated_size() {
    let bytes = vec![0; 1 << 20];
    let stated = encode::lzma(&bytes);
    let marked = encode::lzma_with_end_mark(&bytes);
    let max = (1 << 20) - 1;
    assert_eq!(lzma(&stated, max), Err(DecodeError::Budget { stated: Some(1 << 20), max }));
    let error = lzma(&marked, max).unwrap_err();
    assert_eq!(error, DecodeError::Budget { stated: None, max });
    assert_eq!(error.to_string(), "the content goes over the budget of 1048575 bytes");
    for claim in [1 << 32, u64::MAX - 1, 1 << 63] {
        let claimed = with_size(&stated, claim);
        assert_eq!(lzma(&claimed, max), Err(DecodeError::Budget { stated: Some(claim), max }));
    }
    assert!(lzma(&stated, 1 << 20).is_ok() && lzma(&marked, 1 << 20).is_ok());
}

#[test]
fn a_dictionary_field_of_4_gib_is_only_a_claim() {
    let bytes = made_up(Filler::Code, 2, "claim", 50_000);
    for mut input in [encode::lzma(&bytes), encode::lzma_with_end_mark(&bytes)] {
        input[1..5].fill(0xFF);
        assert_eq!(lzma(&input, 60_000).unwrap().bytes, bytes);
    }
}

#[test]
fn headers_that_cannot_be() {
    assert_eq!(lzma(&[0x5D; 12], 9), Err(DecodeError::HeaderCut { need: 13, have: 12 }));
    let mut input = encode::lzma(b"properties");
    input[0] = 225;
    assert_eq!(lzma(&input, 99), Err(DecodeError::Header { field: "properties byte", value: 225 }));
    // The first byte of the stream itself is always 0.
    let mut input = encode::lzma(b"range coder");
    input[13] = 1;
    assert_eq!(lzma(&input, 99), Err(DecodeError::Damaged { at: 13, produced: 0 }));
}

#[test]
fn s10_every_cut_is_an_error_and_every_flip_is_survived() {
    let bytes = made_up(Filler::Code, 3, "cuts", 1500);
    for input in [encode::lzma(&bytes), encode::lzma_with_end_mark(&bytes)] {
        for len in 0..input.len() {
            let error = lzma(&input[..len], 4000).unwrap_err();
            assert!(matches!(error, DecodeError::HeaderCut { .. } | DecodeError::Ended { .. }), "{len}: {error}");
        }
        for bit in 0..input.len() * 8 {
            let mut flipped = input.clone();
            flipped[bit / 8] ^= 1 << (bit % 8);
            if let Ok(decoded) = lzma(&flipped, 4000) {
                assert!(decoded.bytes.len() <= 4000, "bit {bit}");
            }
        }
    }
}

#[test]
fn s10_random_streams_give_no_more_than_asked() {
    let input = (0_u8..225, any::<u32>(), prop::collection::vec(any::<u8>(), 0..400));
    each_value("s10_random_streams_give_no_more_than_asked", 2000, &input, |(properties, dictionary, stream)| {
        for size in [3000, u64::MAX] {
            let header = [&[properties][..], &dictionary.to_le_bytes(), &size.to_le_bytes(), &[0]].concat();
            if let Ok(decoded) = lzma(&[&header[..], &stream].concat(), 3000) {
                prop_assert!(decoded.bytes.len() <= 3000 && decoded.used <= header.len() + stream.len());
            }
        }
        Ok(())
    });
}

/// The main volume's section of a real image (Debian 12, package ovmf 2022.11-6+deb12u2), against hashes read by
/// others.
#[test]
fn the_section_of_a_real_image_decodes_to_the_known_content() {
    let path = "/usr/share/OVMF/OVMF_CODE_4M.fd";
    let whole = "b157d97b1f69729514feb7f201d2cbe4957f23ab77920e361fe9f822ba49ca4c";
    #[expect(clippy::disallowed_methods, reason = "a test reads its own input")]
    let Ok(image) = std::fs::read(path) else {
        eprintln!("skipped: {path} is not here; `apt-get install ovmf` brings it");
        return;
    };
    if hex(&image) != whole {
        eprintln!("skipped: {path} is of another version than 2022.11-6+deb12u2");
        return;
    }
    // The volume's second file at 120 has a header of 24 bytes; its only section has another 24.
    let section = &image[120 + 24 + 24..120 + 1_511_439];
    assert_eq!(hex(section), "462855a36bee3c5a81ffe6c52e0ba92e4c15e06944f1b554242632159b943eff");
    let decoded = lzma(section, 16 << 20).unwrap();
    assert_eq!((decoded.bytes.len(), decoded.used), (13_500_560, section.len()));
    assert_eq!(hex(&decoded.bytes), "9b26042c7c6623ae470c552c66b3d2956bcf4f9ce3f4adaa66087eae71bd7a71");
}

fn hex(bytes: &[u8]) -> String {
    Sha256::digest(bytes).iter().map(|byte| format!("{byte:02x}")).collect()
}
