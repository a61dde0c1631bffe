//! The x86 branch filter of LZMA: targets of CALL (E8h) and JMP (E9h), relative in code, absolute in filtered code.
//!
//! An absolute target comes again wherever the same function is called, which a compressor likes. The four bytes after
//! E8h or E9h are converted when the last of them is 00h or FFh, as a near target's is. Opcode-like bytes that were
//! passed unconverted just before make a difference: their own four bytes overlap these, and the rule has to come to
//! the same decision in both directions. The rule is that of the x86 filter of the xz and LZMA file formats; the tests
//! compare with results of both xz and the crate that decodes LZMA.
//!
//! The decision a reader would question: a filter of our own beside a crate that has one. That one reads from a stream;
//! here the content is converted where it lies, which keeps a second copy of it out of memory.

/// Turns filtered code back into code, in place; the first byte has address 0.
///
/// The last four bytes can begin no whole field and stay. Content shorter than five bytes stays as it is.
pub fn x86_filter(bytes: &mut [u8]) {
    convert(bytes, Direction::Decode);
}

/// Which way the filter runs.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Direction {
    /// Code to filtered code.
    Encode,
    /// Filtered code to code.
    Decode,
}

/// An opcode and its target.
const INSTRUCTION: usize = 5;

/// Runs the filter over `bytes` in place. The address of the first byte is 0, and addresses wrap at 4 GiB.
pub(crate) fn convert(bytes: &mut [u8], direction: Direction) {
    let mut passed = Passed::default();
    let mut at = 0;
    while let Some(step) = bytes.get(at..).and_then(|rest| rest.iter().position(|byte| byte & 0xFE == 0xE8)) {
        at += step;
        passed.go_on(step);
        let Some(&[_, a, b, c, top]) = bytes.get(at..at + INSTRUCTION) else { return };
        match passed.overlap().filter(|_| is_near(top)) {
            Some(overlap) => {
                let target = converted(u32::from_le_bytes([a, b, c, top]), at as u32, overlap, direction);
                bytes[at + 1..at + INSTRUCTION].copy_from_slice(&target.to_le_bytes());
                passed = Passed::default();
                at += INSTRUCTION;
            }
            None => {
                passed.note(is_near(top));
                at += 1;
            }
        }
    }
}

fn is_near(top: u8) -> bool {
    matches!(top, 0x00 | 0xFF)
}

/// The opcode-like bytes among the last three that were passed unconverted: bit 0 is the byte just before.
#[derive(Debug, Default, Clone, Copy)]
struct Passed {
    opcodes: u8,
    /// Those of them whose fourth byte would have fitted a near target.
    near: u8,
}

impl Passed {
    /// Moves on over `step` bytes that look like no opcode.
    fn go_on(&mut self, step: usize) {
        let step = step.min(3);
        self.opcodes = self.opcodes << step & 0b111;
        self.near = self.near << step & 0b111;
    }

    /// Moves on over an opcode-like byte.
    fn note(&mut self, near: bool) {
        self.opcodes = self.opcodes << 1 & 0b111 | 1;
        self.near = self.near << 1 & 0b111 | u8::from(near);
    }

    /// Returns how many of the four bytes of the current field lie outside the field of the one opcode that was passed
    /// (4: none was passed), or nothing when what was passed forbids a conversion.
    fn overlap(self) -> Option<u32> {
        match (self.near, self.opcodes) {
            (0, 0b000) => Some(4),
            (0, 0b001) => Some(1),
            (0, 0b010) => Some(2),
            (0, 0b100) => Some(3),
            _ => None,
        }
    }
}

/// Returns the target in the other form. `outside` is what [`Passed::overlap`] says.
fn converted(target: u32, at: u32, outside: u32, direction: Direction) -> u32 {
    let end = at.wrapping_add(INSTRUCTION as u32);
    let mut target = target;
    loop {
        let result = match direction {
            Direction::Encode => target.wrapping_add(end),
            Direction::Decode => target.wrapping_sub(end),
        };
        // The passed opcode's fourth byte lies within this target. If it came out as that of a near target, the other
        // direction would convert there; the lower bits are turned over and the sum is made again until it does not.
        let low_bits = 32 - 8 * outside;
        if outside == 4 || !is_near((result >> (low_bits - 8)) as u8) {
            // Bits 31:25 follow bit 24, so that the top byte is 00h or FFh again.
            return result & 0x00FF_FFFF | if result >> 24 & 1 == 1 { 0xFF00_0000 } else { 0 };
        }
        target = result ^ ((1_u32 << low_bits) - 1);
    }
}

#[cfg(test)]
mod tests {
    use std::io::{Read, Write};

    use lzma_rust2::filter::bcj::{BcjReader, BcjWriter};
    use proptest::prelude::*;

    use super::*;
    use crate::testing::each_value;

    fn filtered(bytes: &[u8], direction: Direction) -> Vec<u8> {
        let mut out = bytes.to_vec();
        convert(&mut out, direction);
        out
    }

    #[test]
    fn a_call_becomes_absolute_and_relative_again() {
        // CALL at 10h, 0000_0100h bytes ahead of its end (15h): the target is 0115h.
        let mut code = vec![0x90; 0x20];
        code[0x10..0x15].copy_from_slice(&[0xE8, 0x00, 0x01, 0x00, 0x00]);
        let absolute = filtered(&code, Direction::Encode);
        assert_eq!(absolute[0x10..0x15], [0xE8, 0x15, 0x01, 0x00, 0x00]);
        let mut back = absolute;
        x86_filter(&mut back);
        assert_eq!(back, code);
    }

    #[test]
    fn a_far_target_and_the_last_four_bytes_stay() {
        for code in [&[0xE8, 1, 2, 3, 4, 0, 0][..], &[0xE8, 0, 0, 0], &[0, 0, 0xE9, 0, 0, 0], &[]] {
            assert_eq!(filtered(code, Direction::Encode), code);
            assert_eq!(filtered(code, Direction::Decode), code);
        }
    }

    /// Made by xz (x86 filter, then LZMA2, unpacked without the filter): overlapping opcodes with every distance.
    #[test]
    fn overlapping_opcodes_convert_as_xz_does() {
        let vectors: [(&[u8], &[u8]); 6] = [
            (
                &[0x90, 0x90, 0x90, 0xE8, 0xE9, 0x22, 0x33, 0x44, 0x00, 0x90, 0x90, 0x90, 0x90, 0x90, 0x90],
                &[0x90, 0x90, 0x90, 0xE8, 0xE9, 0x2B, 0x33, 0x44, 0x00, 0x90, 0x90, 0x90, 0x90, 0x90, 0x90],
            ),
            (
                &[0x90, 0x90, 0x90, 0xE8, 0x11, 0xE9, 0x22, 0x33, 0x44, 0x00, 0x90, 0x90, 0x90, 0x90, 0x90, 0x90],
                &[0x90, 0x90, 0x90, 0xE8, 0x11, 0xE9, 0x2C, 0x33, 0x44, 0x00, 0x90, 0x90, 0x90, 0x90, 0x90, 0x90],
            ),
            (
                &[0x90, 0x90, 0x90, 0xE8, 0x11, 0x11, 0xE9, 0x22, 0x33, 0x44, 0x00, 0x90, 0x90, 0x90, 0x90, 0x90, 0x90],
                &[0x90, 0x90, 0x90, 0xE8, 0x11, 0x11, 0xE9, 0x2D, 0x33, 0x44, 0x00, 0x90, 0x90, 0x90, 0x90, 0x90, 0x90],
            ),
            (
                &[
                    0x90, 0x90, 0x90, 0xE8, 0x11, 0x11, 0x11, 0xE9, 0x22, 0x33, 0x44, 0x00, 0x90, 0x90, 0x90, 0x90,
                    0x90, 0x90,
                ],
                &[
                    0x90, 0x90, 0x90, 0xE8, 0x11, 0x11, 0x11, 0xE9, 0x2E, 0x33, 0x44, 0x00, 0x90, 0x90, 0x90, 0x90,
                    0x90, 0x90,
                ],
            ),
            (
                &[
                    0x90, 0x90, 0x90, 0xE8, 0x11, 0x11, 0x11, 0x11, 0xE9, 0x22, 0x33, 0x44, 0x00, 0x90, 0x90, 0x90,
                    0x90, 0x90, 0x90,
                ],
                &[
                    0x90, 0x90, 0x90, 0xE8, 0x11, 0x11, 0x11, 0x11, 0xE9, 0x2F, 0x33, 0x44, 0x00, 0x90, 0x90, 0x90,
                    0x90, 0x90, 0x90,
                ],
            ),
            (
                &[
                    0xE8, 0xE8, 0xE8, 0x00, 0x00, 0x00, 0x00, 0xFF, 0xE9, 0xFF, 0xE9, 0xFF, 0xFF, 0xFF, 0xFF, 0x00,
                    0x00, 0x00, 0x00, 0x00,
                ],
                &[
                    0xE8, 0xED, 0xE8, 0x00, 0x00, 0x00, 0x00, 0xFF, 0xE9, 0x0C, 0xEA, 0xFF, 0xFF, 0xFF, 0xFF, 0x00,
                    0x00, 0x00, 0x00, 0x00,
                ],
            ),
        ];
        for (code, xz) in vectors {
            assert_eq!(filtered(code, Direction::Encode), xz, "{code:02X?}");
            assert_eq!(filtered(xz, Direction::Decode), code, "{code:02X?}");
        }
    }

    #[test]
    fn both_directions_agree_with_the_lzma_crate() {
        // Few values, so that opcodes and fitting bytes stand close together.
        let byte = prop::sample::select(vec![0xE8, 0xE9, 0x00, 0xFF, 0x01, 0x90]);
        each_value("both_directions_agree_with_the_lzma_crate", 3000, &prop::collection::vec(byte, 0..80), |code| {
            let mut theirs = Vec::new();
            BcjReader::new_x86(&code[..], 0).read_to_end(&mut theirs).unwrap();
            prop_assert_eq!(&filtered(&code, Direction::Decode), &theirs);
            let mut writer = BcjWriter::new_x86(Vec::new(), 0);
            writer.write_all(&code).unwrap();
            prop_assert_eq!(&filtered(&code, Direction::Encode), &writer.finish().unwrap());
            Ok(())
        });
    }

    #[test]
    fn decoding_undoes_encoding() {
        each_value("decoding_undoes_encoding", 500, &prop::collection::vec(any::<u8>(), 0..2000), |code| {
            prop_assert_eq!(filtered(&filtered(&code, Direction::Encode), Direction::Decode), code);
            Ok(())
        });
    }
}
