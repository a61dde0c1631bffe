//! Reading little-endian numbers out of bytes that may end anywhere, and sums over them.

/// Returns the 16-bit number at `at`, or `None` past the end.
pub(super) fn u16_at(bytes: &[u8], at: usize) -> Option<u16> {
    Some(u16::from_le_bytes(*bytes.get(at..)?.first_chunk()?))
}

/// Returns the 24-bit number at `at`, or `None` past the end.
pub(super) fn u24_at(bytes: &[u8], at: usize) -> Option<u32> {
    let [a, b, c] = *bytes.get(at..)?.first_chunk()?;
    Some(u32::from_le_bytes([a, b, c, 0]))
}

/// Returns the 32-bit number at `at`, or `None` past the end.
pub(super) fn u32_at(bytes: &[u8], at: usize) -> Option<u32> {
    Some(u32::from_le_bytes(*bytes.get(at..)?.first_chunk()?))
}

/// Returns the 64-bit number at `at`, or `None` past the end.
pub(super) fn u64_at(bytes: &[u8], at: usize) -> Option<u64> {
    Some(u64::from_le_bytes(*bytes.get(at..)?.first_chunk()?))
}

/// Returns the sum of all bytes, modulo 256.
pub(super) fn sum8(bytes: &[u8]) -> u8 {
    bytes.iter().fold(0, |sum, byte| sum.wrapping_add(*byte))
}

/// Returns the sum of all whole 16-bit words, modulo 65,536.
pub(super) fn sum16(bytes: &[u8]) -> u16 {
    bytes.as_chunks().0.iter().fold(0, |sum, word| sum.wrapping_add(u16::from_le_bytes(*word)))
}

/// Returns the sum of all whole 32-bit words, modulo 2^32.
pub(super) fn sum32(bytes: &[u8]) -> u32 {
    bytes.as_chunks().0.iter().fold(0, |sum, word| sum.wrapping_add(u32::from_le_bytes(*word)))
}

/// Returns whether every byte is `value`; true of no bytes.
pub(super) fn all(bytes: &[u8], value: u8) -> bool {
    let (blocks, rest) = bytes.as_chunks::<64>();
    blocks.iter().all(|block| block.iter().fold(0, |other, byte| other | (byte ^ value)) == 0)
        && rest.iter().all(|byte| *byte == value)
}

/// Returns the first offset at or after `from` whose byte is not `value`.
pub(super) fn first_other(bytes: &[u8], from: usize, value: u8) -> Option<usize> {
    let mut at = from;
    while let Some(block) = bytes.get(at..at + 64) {
        if !all(block, value) {
            break;
        }
        at += 64;
    }
    bytes.get(at..)?.iter().position(|byte| *byte != value).map(|offset| at + offset)
}

/// Returns the smallest multiple of `unit` (a power of two) that is not below `value`.
pub(super) fn round_up(value: usize, unit: usize) -> usize {
    value.saturating_add(unit - 1) & !(unit - 1)
}

/// Returns the 16-bit text in `bytes` up to its 0000h, and whether it has one. Longer texts are cut at 255 characters.
pub(super) fn text16(bytes: &[u8]) -> (Box<str>, bool) {
    let words = || bytes.as_chunks().0.iter().map(|word| u16::from_le_bytes(*word));
    let ended = words().any(|word| word == 0);
    let text: String = char::decode_utf16(words().take_while(|word| *word != 0))
        .take(255)
        .map(|unit| unit.unwrap_or(char::REPLACEMENT_CHARACTER))
        .collect();
    (text.into_boxed_str(), ended)
}
