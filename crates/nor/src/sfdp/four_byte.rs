//! JESD216's table of opcodes that take four address bytes whatever the mode (FF84h, since revision B).
//!
//! They are worth having because a chip that lost its address mode, through a reset or a dip of its supply, would take
//! an erase with three address bytes for another place. Bits from memory of JESD216B, as Linux
//! drivers/mtd/spi-nor/sfdp.c uses them too.

use super::basic::field;

/// The opcodes that the table names.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct FourByte {
    /// 13h reads (DWORD 1, bit 0).
    pub read: bool,
    /// 0Ch reads after eight dummy clocks (bit 1).
    pub fast_read: bool,
    /// 3Ch reads on two data lines (bit 2).
    pub two_line_read: bool,
    /// 12h programs a page (bit 6).
    pub program: bool,
    /// The opcodes of erase types 1 to 4 of the basic table (bits 9 to 12, and DWORD 2).
    pub erases: [Option<u8>; 4],
}

impl FourByte {
    /// Decodes the table's words; none when there are fewer than two, or the first is blank.
    #[must_use]
    pub fn parse(dwords: &[u32]) -> Option<Self> {
        let [support, opcodes, ..] = *dwords else { return None };
        if support == u32::MAX {
            return None;
        }
        let has = |bit| field(support, bit, bit) == 1;
        let erases = [0, 1, 2, 3].map(|index: usize| {
            let opcode = opcodes.to_le_bytes()[index];
            (support >> (9 + index) & 1 == 1 && !matches!(opcode, 0x00 | 0xFF)).then_some(opcode)
        });
        Some(Self { read: has(0), fast_read: has(1), two_line_read: has(2), program: has(6), erases })
    }

    /// The opcode for the erase type of this number in the basic table.
    #[must_use]
    pub fn erase(&self, number: u8) -> Option<u8> {
        usize::from(number).checked_sub(1).and_then(|index| self.erases.get(index).copied().flatten())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_opcode_counts_only_where_its_bit_is_set() {
        let table = FourByte::parse(&[0b0010_0100_0011, 0xFFDC_5C21]).expect("two words");
        assert_eq!(
            table,
            FourByte {
                read: true,
                fast_read: true,
                two_line_read: false,
                program: true,
                erases: [Some(0x21), None, None, None],
            }
        );
        assert_eq!((table.erase(0), table.erase(1), table.erase(5)), (None, Some(0x21), None));
        assert_eq!(FourByte::parse(&[0x0000_0001]), None);
        assert_eq!(FourByte::parse(&[0xFFFF_FFFF, 0xFFDC_5C21]), None, "s5: blank cells promise nothing");
    }
}
