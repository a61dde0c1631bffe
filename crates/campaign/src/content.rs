//! Contents and wanted images: structured, blank, random, one value, or a small change of another.

use crate::draw::Draw;

/// What a content looks like.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Look {
    /// Stretches of code-like noise, text, counters and blanks.
    Structured,
    /// All FF.
    Blank,
    /// Noise from end to end.
    Random,
    /// A few islands in a blank chip: what large and slow chips hold here, so that a seed stays short.
    Islands,
}

/// Returns `size` bytes that look like `look`.
#[must_use]
pub fn make(look: Look, size: usize, draw: &mut Draw) -> Vec<u8> {
    let mut bytes = vec![0xFF; size];
    match look {
        Look::Blank => {}
        Look::Random => draw.fill(&mut bytes),
        Look::Structured => {
            let mut at = 0;
            while at < size {
                let len = (256 << draw.below(8)).min(size - at);
                stretch(&mut bytes[at..at + len], draw);
                at += len;
            }
        }
        Look::Islands => {
            for _ in 0..2 + draw.below(3) {
                let len = 256 + draw.index(3 * 1024);
                let at = draw.index(size - len);
                draw.fill(&mut bytes[at..at + len]);
            }
        }
    }
    bytes
}

/// Returns `from` with a few places changed: single bits, bytes, and short stretches that may cross sectors.
#[must_use]
pub fn change(from: &[u8], draw: &mut Draw) -> Vec<u8> {
    let mut bytes = from.to_vec();
    for _ in 0..=draw.below(3) {
        let at = draw.index(bytes.len());
        match draw.below(3) {
            0 => bytes[at] ^= 1 << draw.below(8),
            1 => bytes[at] = 0xFF,
            _ => {
                let end = (at + 1 + draw.index(700)).min(bytes.len());
                draw.fill(&mut bytes[at..end]);
            }
        }
    }
    bytes
}

fn stretch(bytes: &mut [u8], draw: &mut Draw) {
    match draw.below(5) {
        0 | 1 => draw.fill(bytes),
        2 => bytes.iter_mut().zip(0_u32..).for_each(|(byte, count)| *byte = count.to_le_bytes()[0]),
        3 => {
            let text = b"larkspur nine, port side, slot ";
            bytes.iter_mut().zip(text.iter().cycle()).for_each(|(byte, letter)| *byte = *letter);
        }
        _ => {}
    }
}
