//! Content that repeats itself, and so cannot show how large the chip is.
//!
//! A chip smaller than declared ignores the upper address bits: each byte then equals the one whose address differs in
//! such a bit. An address line is *shown* when flipping it changes content somewhere; when every line from 4 KiB up is
//! shown, the size is measured. Content with a line that is never shown either is so by nature (blank, filled, two equal
//! halves) or was read wrongly; the content alone cannot tell, so it goes to `judge` with what kind of repetition it is.
//!
//! Lines below 4 KiB are not looked at: a fault there would break every table and string, and blank sectors hide them
//! anyway. A repeated unit of up to 4 KiB is looked for on its own, since it need not be a power of two.

use crate::pass::SECTOR;

/// The way in which a whole content repeats.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Repetition {
    /// Every byte is this one: blank (FFh), filled, or no contact.
    Uniform {
        /// The byte.
        byte: u8,
    },
    /// One unit of `period` bytes, 2 to 4096, all the way through.
    Pattern {
        /// The smallest such unit, in bytes.
        period: u32,
    },
    /// The first `period` bytes, 4 KiB or more and a power of two, fill the whole content again and again.
    Doubled {
        /// The smallest such length, in bytes; the size the chip would have if the reads wrapped.
        period: u32,
    },
    /// Flipping this one address bit changes nothing anywhere, although a higher one does.
    DeadLine {
        /// The lowest such bit's weight, in bytes.
        line: u32,
    },
}

/// Returns how `content` repeats, the strongest kind first; `None` when every address line from 4 KiB up is shown.
///
/// Costs next to nothing for content that does not repeat: each test ends at its first difference.
pub fn repetition(content: &[u8]) -> Option<Repetition> {
    match short_period(content) {
        Some(1) => return Some(Repetition::Uniform { byte: content[0] }),
        Some(period) => return Some(Repetition::Pattern { period }),
        None => {}
    }
    let dead: Vec<u32> = lines(content.len()).filter(|line| !is_shown(content, *line as usize)).collect();
    let lowest = *dead.first()?;
    // A wrap kills every line from the true size up, so the topmost ones count for it as far down as they go unbroken.
    let wrapped = lines(content.len()).rev().take_while(|line| dead.contains(line)).last();
    Some(match wrapped {
        Some(period) => Repetition::Doubled { period },
        None => Repetition::DeadLine { line: lowest },
    })
}

/// Returns the weights of the address lines that are looked at for content of `len` bytes: 4 KiB and up, below `len`.
fn lines(len: usize) -> impl DoubleEndedIterator<Item = u32> {
    (SECTOR.trailing_zeros()..32).map(|bit| 1_u32 << bit).filter(move |line| (*line as usize) < len)
}

fn is_shown(content: &[u8], line: usize) -> bool {
    content.chunks(2 * line).any(|pair| {
        let (low, high) = pair.split_at(line.min(pair.len()));
        low[..high.len()] != *high
    })
}

/// Returns the smallest period of 1 to 4096 bytes that the whole of `content` has at least twice.
fn short_period(content: &[u8]) -> Option<u32> {
    // Any period of the whole up to 4096 is one of the first 8192 bytes, and the smallest one there divides it (Fine and
    // Wilf, 1965), so only that single candidate has to be held against the rest.
    let head = &content[..content.len().min(2 * SECTOR)];
    let period = head.len() - longest_border(head);
    let repeats = !content.is_empty() && period <= SECTOR && 2 * period <= content.len();
    (repeats && content[period..] == content[..content.len() - period]).then_some(period as u32)
}

/// Returns the length of the longest proper prefix of `text` that is also its end (the Morris-Pratt failure function).
fn longest_border(text: &[u8]) -> usize {
    let mut border = vec![0_usize; text.len()];
    for i in 1..text.len() {
        let mut len = border[i - 1];
        while len > 0 && text[i] != text[len] {
            len = border[len - 1];
        }
        border[i] = if text[i] == text[len] { len + 1 } else { 0 };
    }
    border.last().copied().unwrap_or(0)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::testing::{Draw, firmware, for_seeds};

    #[test]
    fn firmware_shows_every_line() {
        assert_eq!(repetition(&firmware(1, 1 << 20)), None);
        assert_eq!(repetition(&firmware(1, (1 << 20) + 4096 + 7)), None);
    }

    #[test]
    fn one_byte_all_over_is_uniform() {
        assert_eq!(repetition(&vec![0xFF; 65536]), Some(Repetition::Uniform { byte: 0xFF }));
        assert_eq!(repetition(&vec![0; 65536]), Some(Repetition::Uniform { byte: 0 }));
        let mut nearly = vec![0xFF; 65536];
        nearly[65535] = 0xFE;
        assert_eq!(repetition(&nearly), None);
    }

    #[test]
    fn finds_the_smallest_unit_of_any_length_up_to_4_kib() {
        for_seeds("finds_the_smallest_unit_of_any_length_up_to_4_kib", 40, |seed| {
            let mut draw = Draw::new(seed);
            // Two bytes that differ keep a drawn unit from being uniform; a drawn one is next to never periodic itself.
            let period = 2 + draw.below(4095) as usize;
            let mut unit = draw.bytes(period);
            unit[0] = !unit[1];
            let len = 4 * SECTOR + draw.below(60_000) as usize;
            let content: Vec<u8> = unit.iter().copied().cycle().take(len).collect();
            let Some(Repetition::Pattern { period: found }) = repetition(&content) else {
                panic!("unit of {period} bytes not found");
            };
            let plain = (1..=period).find(|p| (*p..len).all(|i| content[i] == content[i - p])).unwrap();
            assert_eq!(found as usize, plain);

            let mut broken = content;
            broken[len - 1] ^= 1;
            assert!(!matches!(repetition(&broken), Some(Repetition::Pattern { .. })));
        });
    }

    #[test]
    fn a_wrap_is_found_at_the_true_size() {
        for half in [4096_usize, 8192, 65536, 1 << 19] {
            let part = firmware(half as u64, half);
            let content: Vec<u8> = part.iter().copied().cycle().take(1 << 20).collect();
            // One unit of 4 KiB is a short pattern as well, and that name comes first.
            let wanted = match half {
                4096 => Repetition::Pattern { period: 4096 },
                _ => Repetition::Doubled { period: half as u32 },
            };
            assert_eq!(repetition(&content), Some(wanted));
        }
    }

    #[test]
    fn a_wrap_of_an_odd_size_is_found() {
        let part = firmware(9, 8 << 12);
        let content: Vec<u8> = part.iter().copied().cycle().take(12 << 12).collect();
        assert_eq!(repetition(&content), Some(Repetition::Doubled { period: 8 << 12 }));
    }

    #[test]
    fn one_byte_breaks_a_wrap() {
        let half = firmware(5, 1 << 16);
        let mut content = [half.clone(), half].concat();
        content[(1 << 16) + 77] ^= 4;
        assert_eq!(repetition(&content), None);
    }

    #[test]
    fn an_address_line_stuck_in_the_middle_is_named() {
        let chip = firmware(6, 1 << 18);
        let read: Vec<u8> = (0..chip.len()).map(|at| chip[at & !(1 << 14)]).collect();
        assert_eq!(repetition(&read), Some(Repetition::DeadLine { line: 1 << 14 }));
    }

    #[test]
    fn tiny_content_does_not_panic() {
        assert_eq!(repetition(&[]), None);
        assert_eq!(repetition(&[7]), None);
        assert_eq!(repetition(&[7, 7]), Some(Repetition::Uniform { byte: 7 }));
        assert_eq!(repetition(&[7, 8]), None);
    }
}
