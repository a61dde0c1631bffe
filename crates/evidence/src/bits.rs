//! Words of eight bytes, votes among them, and contents read at a bit offset.
//!
//! Serial NOR sends the highest bit of each byte first, so words are taken big endian and bit number `n` of a content is the
//! n-th that crossed the wire. The decision a reader would question: a vote with as many for as against takes the first
//! reading's bit, so that two readings have a reference too; what rests on such a vote has to try both sides.

/// Readings that vote; further ones are compared but have no vote.
pub(crate) const VOTERS: usize = 15;

/// Returns the bits that more than half of `words` have; a tie takes those of the first word.
pub(crate) fn vote(words: &[u64]) -> u64 {
    let words = &words[..words.len().min(VOTERS)];
    match words {
        [] => 0,
        [only] => *only,
        [a, b, c] => (a & b) | (a & c) | (b & c),
        _ => {
            // Four planes hold, bit by bit, how many words have the bit set.
            let mut planes = [0_u64; 4];
            for word in words {
                let mut carry = *word;
                for plane in &mut planes {
                    (*plane, carry) = (*plane ^ carry, *plane & carry);
                }
            }
            let half = words.len() / 2;
            let (above, equal) = compare(&planes, half);
            if words.len().is_multiple_of(2) { above | (equal & words[0]) } else { above }
        }
    }
}

/// Returns where the count in `planes` is above `limit`, and where it is equal.
fn compare(planes: &[u64; 4], limit: usize) -> (u64, u64) {
    let (mut above, mut equal) = (0, !0);
    for (bit, plane) in planes.iter().enumerate().rev() {
        if limit >> bit & 1 == 1 {
            equal &= plane;
        } else {
            above |= equal & plane;
            equal &= !plane;
        }
    }
    (above, equal)
}

/// Returns the eight bytes of `content` from `at`, zeros after its end.
pub(crate) fn word(content: &[u8], at: usize) -> u64 {
    match content.get(at..at + 8) {
        Some(bytes) => u64::from_be_bytes(bytes.try_into().expect("eight bytes")),
        None => {
            let mut bytes = [0; 8];
            let rest = content.get(at..).unwrap_or(&[]);
            bytes[..rest.len()].copy_from_slice(rest);
            u64::from_be_bytes(bytes)
        }
    }
}

/// Returns the byte of `content` that ends up at `at` when every bit comes `delay` bits later; `None` beyond its ends.
pub(crate) fn delayed(content: &[u8], at: usize, delay: i64) -> Option<u8> {
    let first = usize::try_from(at as i64 * 8 - delay).ok()?;
    let (byte, bit) = (first / 8, first % 8);
    let high = *content.get(byte)?;
    if bit == 0 {
        return Some(high);
    }
    let low = *content.get(byte + 1)?;
    Some((u16::from_be_bytes([high, low]) >> (8 - bit)) as u8)
}

/// Returns bit number `at` of `content`, the highest bit of byte 0 being number 0; `None` past its end.
pub(crate) fn bit(content: &[u8], at: u64) -> Option<bool> {
    let byte = *content.get(usize::try_from(at / 8).ok()?)?;
    Some(byte >> (7 - at % 8) & 1 == 1)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::testing::{Draw, for_seeds};

    #[test]
    fn a_vote_agrees_with_counting_bit_by_bit() {
        for_seeds("a_vote_agrees_with_counting_bit_by_bit", 60, |seed| {
            let mut draw = Draw::new(seed);
            let words: Vec<u64> = (0..1 + seed % 15).map(|_| draw.below(u64::MAX)).collect();
            let voted = vote(&words);
            for bit in 0..64 {
                let set = words.iter().filter(|word| *word >> bit & 1 == 1).count();
                let wanted = match (2 * set).cmp(&words.len()) {
                    std::cmp::Ordering::Greater => 1,
                    std::cmp::Ordering::Less => 0,
                    std::cmp::Ordering::Equal => words[0] >> bit & 1,
                };
                assert_eq!(voted >> bit & 1, wanted, "bit {bit} of {words:x?}");
            }
        });
    }

    /// Worked by hand: A5 3C is 1010 0101 0011 1100.
    #[test]
    fn a_delay_moves_bits_towards_higher_addresses() {
        let content = [0xA5, 0x3C];
        assert_eq!(delayed(&content, 1, 1), Some(0b1001_1110));
        assert_eq!(delayed(&content, 1, 8), Some(0xA5));
        assert_eq!(delayed(&content, 0, -1), Some(0b0100_1010));
        assert_eq!(delayed(&content, 0, 1), None);
        assert_eq!(delayed(&content, 1, -1), None);
        assert_eq!((bit(&content, 0), bit(&content, 1), bit(&content, 16)), (Some(true), Some(false), None));
    }

    #[test]
    fn a_word_past_the_end_is_filled_with_zeros() {
        assert_eq!(word(&[1, 2, 3], 1), 0x0203 << 48);
        assert_eq!(word(&[1; 8], 0), 0x0101_0101_0101_0101);
        assert_eq!(word(&[1], 9), 0);
    }
}
