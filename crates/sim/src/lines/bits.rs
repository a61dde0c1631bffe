//! Bits of byte strings in the order in which they go over a line: the highest of each byte first.

/// The byte in which a bit lies, or as many bytes as so many bits fill.
pub(crate) fn index(bit: u64) -> usize {
    usize::try_from(bit / 8).expect("bits of a string that is in memory")
}

/// One bit.
pub(crate) fn get(bytes: &[u8], at: u64) -> bool {
    bytes[index(at)] & mask(at) != 0
}

/// Sets one bit to a level.
pub(crate) fn set(bytes: &mut [u8], at: u64, level: bool) {
    let byte = &mut bytes[index(at)];
    *byte = if level { *byte | mask(at) } else { *byte & !mask(at) };
}

/// Turns one bit over.
pub(crate) fn flip(bytes: &mut [u8], at: u64) {
    bytes[index(at)] ^= mask(at);
}

/// Sets the bits `from..to` to a level.
pub(crate) fn fill(bytes: &mut [u8], from: u64, to: u64, level: bool) {
    let mut at = from;
    while at < to {
        if at.is_multiple_of(8) && to - at >= 8 {
            bytes[index(at)..index(to)].fill(if level { 0xFF } else { 0x00 });
            at = to / 8 * 8;
        } else {
            set(bytes, at, level);
            at += 1;
        }
    }
}

/// Writes whole bytes from bit `at` on.
pub(crate) fn put(bytes: &mut [u8], at: u64, source: &[u8]) {
    let shift = u32::try_from(at % 8).expect("below 8");
    let from = index(at);
    if shift == 0 {
        bytes[from..from + source.len()].copy_from_slice(source);
        return;
    }
    let kept = !(0xFF_u8 >> shift);
    let mut carry = bytes[from] & kept;
    for (target, byte) in bytes[from..].iter_mut().zip(source) {
        *target = carry | byte >> shift;
        carry = byte << (8 - shift);
    }
    let last = &mut bytes[from + source.len()];
    *last = carry | *last & !kept;
}

/// Moves all bits one place later; `first` comes first. Returns the bit that falls out.
pub(crate) fn later(bytes: &mut [u8], first: bool) -> bool {
    let mut carry = first;
    for byte in bytes {
        let out = *byte & 1 != 0;
        *byte = u8::from(carry) << 7 | *byte >> 1;
        carry = out;
    }
    carry
}

/// Moves all bits one place earlier; `last` comes last.
pub(crate) fn earlier(bytes: &mut [u8], last: bool) {
    for index in 0..bytes.len() {
        let next = bytes.get(index + 1).map_or(last, |next| next & 0x80 != 0);
        bytes[index] = bytes[index] << 1 | u8::from(next);
    }
}

fn mask(at: u64) -> u8 {
    0x80 >> (at % 8)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn filling_touches_its_bits_alone() {
        let mut bytes = [0x00; 4];
        fill(&mut bytes, 3, 18, true);
        assert_eq!(bytes, [0b0001_1111, 0xFF, 0b1100_0000, 0]);
        fill(&mut bytes, 4, 6, false);
        assert_eq!(bytes[0], 0b0001_0011);
    }

    #[test]
    fn bytes_are_put_across_bytes() {
        let mut bytes = [0b1010_1010, 0, 0b1111_1111];
        put(&mut bytes, 3, &[0b1100_0011, 0b0000_1111]);
        // 101 11000011 00001111 11111
        assert_eq!(bytes, [0b1011_1000, 0b0110_0001, 0b1111_1111]);
        put(&mut bytes, 8, &[0b0101_0101]);
        assert_eq!(bytes, [0b1011_1000, 0b0101_0101, 0b1111_1111]);
    }

    #[test]
    fn moving_by_one() {
        let mut bytes = [0b1000_0001, 0b0000_0001];
        assert!(later(&mut bytes, false));
        assert_eq!(bytes, [0b0100_0000, 0b1000_0000]);
        earlier(&mut bytes, true);
        assert_eq!(bytes, [0b1000_0001, 0b0000_0001]);
    }
}
