//! Vectors worked out by hand from the standard's description, round trips, and hostile streams.

use proptest::prelude::*;

use super::*;
use crate::build::encode;
use crate::filler::{Filler, made_up};
use crate::testing::each_value;

const BOTH: [PositionBits; 2] = [PositionBits::Uefi4, PositionBits::Tiano5];

/// Packs bits written as text, spaces ignored, behind a header.
fn stream(size: u32, text: &str) -> Vec<u8> {
    let bits: Vec<u8> = text.bytes().filter(|byte| *byte != b' ').map(|byte| byte - b'0').collect();
    let bytes: Vec<u8> =
        bits.chunks(8).map(|bits| (0..8).fold(0, |byte, at| byte << 1 | bits.get(at).unwrap_or(&0))).collect();
    [&(bytes.len() as u32).to_le_bytes()[..], &size.to_le_bytes(), &bytes].concat()
}

/// One block of the symbol 'A' alone: four symbols; lengths code: only symbol 0; symbol code: only 41h; positions: only
/// 0.
const FOUR_A: &str = "0000000000000100 00000 00000 000000000 001000001 0000 0000";

#[test]
fn a_block_of_one_symbol_worked_by_hand() {
    let input = stream(4, FOUR_A);
    assert_eq!(packed(&input, PositionBits::Uefi4, 4), Ok(Decoded { bytes: b"AAAA".to_vec(), used: input.len() }));
}

#[test]
fn literals_and_a_match_worked_by_hand() {
    // "ab" and a match of 6 bytes from 2 back (position 1): "abababab". Symbols 61h, 62h, and 259 = 256 + 6 - 3.
    // Lengths: 61h has 1 bit, 62h and 259 have 2. Packed: 97 zeros (symbol 2, 77 = 97 - 20 in nine bits), 1 (symbol 3),
    // 2 (symbol 4), 160 zeros (symbol 2, 140), 2 (symbol 4). The code of lengths: symbol 2 has 1 bit, 3 and 4 have 2.
    // It is written as count 5, 0, 0, 1, then how many zeros come after three symbols (0), 2, 2.
    let block = "0000000000000011 00101 000 000 001 00 010 010 \
                 100000100 0 001001101 10 11 0 010001100 11";
    // Symbols: 0 = 61h, 10 = 62h, 11 = the match. The only position symbol is 1, which takes no bits and has no extra
    // ones.
    for (bits, positions) in [(PositionBits::Uefi4, "0000 0001"), (PositionBits::Tiano5, "00000 00001")] {
        let input = stream(8, &format!("{block} {positions} 0 10 11"));
        assert_eq!(packed(&input, bits, 8).map(|decoded| decoded.bytes), Ok(b"abababab".to_vec()), "{bits:?}");
    }
}

#[test]
fn round_trips_of_made_up_content() {
    for kind in [Filler::Code, Filler::Packed, Filler::Tables, Filler::Settings] {
        for len in [0, 1, 2, 3, 255, 256, 257, 8191, 8192, 8193, 100_000] {
            let bytes = made_up(kind, 3, "round trip", len);
            for bits in BOTH {
                let mut input = encode::packed(&bytes, bits);
                let used = input.len();
                input.extend([0xFF; 5]);
                assert_eq!(packed(&input, bits, len), Ok(Decoded { bytes: bytes.clone(), used }), "{kind:?} {len}");
            }
        }
    }
}

#[test]
fn the_tiano_variant_reaches_further_back() {
    let far = made_up(Filler::Packed, 4, "far", 200_000);
    let bytes = [&far[..], &far].concat();
    assert!(encode::packed(&bytes, PositionBits::Tiano5).len() < far.len() + far.len() / 50);
    assert!(encode::packed(&bytes, PositionBits::Uefi4).len() > bytes.len() * 9 / 10);
}

/// Counts that double give Huffman codes longer than 16 bits; the encoder has to flatten them, and codes of 12 to 16
/// bits pass.
#[test]
fn long_codes_round_trip() {
    let mut bytes = Vec::new();
    for symbol in 0..20_u32 {
        bytes.extend(std::iter::repeat_n(symbol as u8, 1 << (symbol / 2)));
    }
    // Interleaved by a fixed step, so that no match takes the literals' place too often.
    let step = 7919;
    let len = bytes.len();
    let mixed: Vec<u8> = (0..len).map(|at| bytes[at * step % len]).collect();
    for bits in BOTH {
        assert_eq!(packed(&encode::packed(&mixed, bits), bits, len).unwrap().bytes, mixed);
    }
}

#[test]
fn s10_random_content_round_trips() {
    let few = prop::collection::vec(0_u8..4, 0..3000);
    let any = prop::collection::vec(any::<u8>(), 0..600);
    let content = prop_oneof![few, any];
    each_value("s10_random_content_round_trips", 300, &content, |bytes| {
        for bits in BOTH {
            let decoded = packed(&encode::packed(&bytes, bits), bits, bytes.len());
            prop_assert_eq!(decoded.map(|decoded| decoded.bytes), Ok(bytes.clone()));
        }
        Ok(())
    });
}

#[test]
fn a_stated_size_over_the_budget_is_refused() {
    let input = stream(u32::MAX, FOUR_A);
    let error = packed(&input, PositionBits::Uefi4, 1 << 20).unwrap_err();
    assert_eq!(error, DecodeError::Budget { stated: Some(u32::MAX.into()), max: 1 << 20 });
    assert_eq!(error.to_string(), "a stated size of 4294967295 bytes goes over the budget of 1048576 bytes");
}

#[test]
fn a_stream_of_too_few_symbols_ends_early() {
    // A fifth byte needs another block, and the bits run out.
    let error = packed(&stream(5, FOUR_A), PositionBits::Uefi4, 9).unwrap_err();
    assert_eq!(error, DecodeError::Ended { at: 8 + 7, produced: 4 });
}

#[test]
fn impossible_streams_are_damaged() {
    let damaged = |size, text: &str| {
        matches!(packed(&stream(size, text), PositionBits::Uefi4, 99), Err(DecodeError::Damaged { .. }))
    };
    let zeros = "0".repeat(64);
    assert!(damaged(4, &format!("0000000000000000 {zeros}")), "a block without symbols");
    assert!(damaged(4, &format!("0000000000000100 00000 00000 000000000 111111110 0000 0000 {zeros}")), "symbol 510");
    assert!(damaged(4, &format!("0000000000000100 00000 10011 {zeros}")), "length symbol 19");
    assert!(damaged(4, &format!("0000000000000100 00010 001 000 {zeros}")), "half a code");
    assert!(damaged(4, &format!("0000000000000100 00011 001 001 001 00 {zeros}")), "three codes of one bit");
    assert!(damaged(4, &format!("0000000000000100 00001 111 1111111111 {zeros}")), "a code of 17 bits");
    let back = "0000000000000001 00000 00000 000000000 100000000 0000 0000";
    assert!(damaged(3, &format!("{back} {zeros}")), "a match before anything was decoded");
    let long = stream(4, &FOUR_A.replace("001000001", "100000000"));
    assert!(packed(&long, PositionBits::Uefi4, 9).is_err());
}

#[test]
fn a_match_past_the_stated_size_is_damaged() {
    let bytes = b"abababab";
    for bits in BOTH {
        let mut input = encode::packed(bytes, bits);
        input[4] = 7;
        let error = packed(&input, bits, 9).unwrap_err();
        assert!(matches!(error, DecodeError::Damaged { produced: 2, .. }), "{bits:?}: {error}");
    }
}

#[test]
fn s10_every_cut_and_every_flip_is_survived() {
    let bytes = made_up(Filler::Code, 5, "cuts", 2000);
    for bits in BOTH {
        let input = encode::packed(&bytes, bits);
        for len in 0..input.len() {
            assert!(packed(&input[..len], bits, 4000).is_err(), "{bits:?}: cut at {len}");
        }
        for bit in 0..input.len() * 8 {
            let mut flipped = input.clone();
            flipped[bit / 8] ^= 1 << (bit % 8);
            if let Ok(decoded) = packed(&flipped, bits, 4000) {
                assert!(decoded.bytes.len() <= 4000, "{bits:?}: bit {bit}");
            }
        }
    }
}

#[test]
fn s10_random_streams_give_no_more_than_asked() {
    let input = prop::collection::vec(any::<u8>(), 0..400);
    each_value("s10_random_streams_give_no_more_than_asked", 3000, &input, |stream| {
        let header = [(stream.len() as u32).to_le_bytes(), 5000_u32.to_le_bytes()].concat();
        let input = [header, stream].concat();
        for bits in BOTH {
            if let Ok(decoded) = packed(&input, bits, 5000) {
                prop_assert_eq!(decoded.bytes.len(), 5000);
            }
        }
        Ok(())
    });
}
