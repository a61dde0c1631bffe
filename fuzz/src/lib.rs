//! What the targets share.
//!
//! A target gives a function hostile input and checks what must hold of every answer: the budget, the bytes used, and,
//! where a second way to the same result exists, that both agree. A panic, a sanitizer's report or a timeout is a
//! finding.

#![forbid(unsafe_code)]

use image::build::encode;
use image::decode::{DecodeError, Decoded, PositionBits, packed};

/// The most that a decoder may give out here: small, so that the time goes into paths and not into bytes.
pub const MAX_OUT: usize = 1 << 20;

/// Checks what holds of every decoder's answer: no more bytes than allowed, none used that were not there, and a budget
/// that is refused for a reason.
pub fn check_bounds(input: &[u8], result: &Result<Decoded, DecodeError>) {
    match result {
        Ok(decoded) => {
            assert!(decoded.bytes.len() <= MAX_OUT);
            assert!(decoded.used <= input.len());
        }
        Err(DecodeError::Budget { stated, max }) => {
            assert_eq!(*max, MAX_OUT);
            assert!(stated.is_none_or(|stated| stated > MAX_OUT as u64));
        }
        Err(DecodeError::Damaged { at, produced } | DecodeError::Ended { at, produced }) => {
            assert!(*at <= input.len());
            assert!(*produced <= MAX_OUT);
        }
        Err(DecodeError::Length { produced, stated }) => assert_ne!(*produced as u64, *stated),
        Err(DecodeError::HeaderCut { need, have }) => assert!(have < need && *have == input.len()),
        Err(DecodeError::Header { .. }) => {}
    }
}

/// Decodes `input` by the UEFI algorithm, checks the answer, and packs what came out again: it has to come back.
pub fn check_packed(input: &[u8], bits: PositionBits) {
    let result = packed(input, bits, MAX_OUT);
    check_bounds(input, &result);
    if let Ok(decoded) = result {
        // The encoder is made for small images and is slow.
        let bytes = &decoded.bytes[..decoded.bytes.len().min(1 << 14)];
        let again = packed(&encode::packed(bytes, bits), bits, MAX_OUT).expect("what the encoder packs is sound");
        assert_eq!(again.bytes, bytes);
    }
}
