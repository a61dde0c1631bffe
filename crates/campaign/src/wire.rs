//! What a request does to a chip, read off its bytes with the campaign's own list of opcodes.
//!
//! Opcodes by JESD216 and public datasheets (from memory); nothing here comes from the code that builds requests.

use nor::link::Request;

/// What a request does.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Deed {
    /// Asks for the id.
    ReadId,
    /// Asks for status register 1.
    ReadStatus,
    /// Reads this stretch of the array, or has it digested.
    Read(u32, u32),
    /// Erases a block: first byte, length; none for the whole chip.
    Erase(Option<(u32, u32)>),
    /// Programs this stretch.
    Program(u32, u32),
    /// Writes a status register.
    WriteStatus,
    /// Something that changes nothing that lasts.
    Other,
}

/// Follows the modes that decide what bytes mean.
#[derive(Debug, Clone, Default)]
pub struct Wire {
    four_byte: bool,
    next_word: u32,
}

impl Wire {
    /// Returns what a request does, in the order in which it does it; a list of the link gives a deed for each block.
    pub fn deeds(&mut self, request: &Request) -> Vec<Deed> {
        match request {
            Request::Transfer(transfer) => vec![self.transfer(&transfer.write, transfer.read)],
            Request::ReadRange { at, len, .. } | Request::DigestRange { at, len, .. } => vec![Deed::Read(*at, *len)],
            Request::ProgramRange(range) => {
                vec![Deed::Program(range.at, u32::try_from(range.data.len()).expect("within the link's limits"))]
            }
            Request::EraseList(list) => list.blocks.iter().map(|block| erase(block.opcode, block.at)).collect(),
            Request::SetClock { .. } | Request::LineTest => vec![Deed::Other],
        }
    }

    fn transfer(&mut self, write: &[u8], read: u32) -> Deed {
        let Some((opcode, rest)) = write.split_first() else { return Deed::Other };
        let address = |bytes: usize| rest.iter().take(bytes).fold(0_u32, |at, byte| at << 8 | u32::from(*byte));
        let width = if self.four_byte { 4 } else { 3 };
        match opcode {
            0x9F => Deed::ReadId,
            0x05 => Deed::ReadStatus,
            0xB7 => {
                self.four_byte = true;
                Deed::Other
            }
            0xE9 => {
                self.four_byte = false;
                Deed::Other
            }
            0x03 | 0x0B => Deed::Read(address(width), read),
            0x13 | 0x0C => Deed::Read(address(4), read),
            0x20 | 0x52 | 0xD8 => erase(*opcode, address(width)),
            0x21 | 0x5C | 0xDC => erase(*opcode, address(4)),
            0xC7 | 0x60 => Deed::Erase(None),
            0x02 => program(address(width), rest.len().saturating_sub(width)),
            0x12 => program(address(4), rest.len().saturating_sub(4)),
            0xAD => {
                let at = if rest.len() > 2 { address(width) } else { self.next_word };
                self.next_word = at.wrapping_add(2);
                Deed::Program(at, 2)
            }
            0x01 | 0x31 | 0x11 => Deed::WriteStatus,
            _ => Deed::Other,
        }
    }
}

fn program(at: u32, len: usize) -> Deed {
    Deed::Program(at, u32::try_from(len).expect("within one page"))
}

fn erase(opcode: u8, at: u32) -> Deed {
    let len = match opcode {
        0x20 | 0x21 => 4096,
        0x52 | 0x5C => 32_768,
        _ => 65_536,
    };
    Deed::Erase(Some((at / len * len, len)))
}

#[cfg(test)]
mod tests {
    use nor::command::Transfer;

    use super::*;

    #[test]
    fn bytes_mean_what_the_mode_says() {
        let mut wire = Wire::default();
        let mut deed =
            |write: &[u8]| wire.deeds(&Request::Transfer(Transfer { write: write.to_vec(), read: 0 })).remove(0);
        assert_eq!(deed(&[0xD8, 0x01, 0x23, 0x45]), Deed::Erase(Some((0x01_0000, 65_536))));
        assert_eq!(deed(&[0x02, 0, 1, 0, 9, 9, 9]), Deed::Program(0x100, 3));
        assert_eq!(deed(&[0xB7]), Deed::Other);
        assert_eq!(deed(&[0x02, 1, 0, 1, 0, 9, 9, 9]), Deed::Program(0x0100_0100, 3));
        assert_eq!(deed(&[0xE9]), Deed::Other);
        assert_eq!(deed(&[0xAD, 0, 0, 8, 1, 2]), Deed::Program(8, 2));
        assert_eq!(deed(&[0xAD, 1, 2]), Deed::Program(10, 2));
        assert_eq!(deed(&[0x60]), Deed::Erase(None));
        assert_eq!(deed(&[0x01, 0x1C]), Deed::WriteStatus);
    }
}
