//! What is judged: passes, the conditions they were made under, and what the chip said of itself around them.
//!
//! The caller fills these from a conversation with a chip; nothing here can tell an honest condition from an invented one.
//! A pass may carry digests in place of bytes, because a programmer board can read a chip afresh and send only a CRC-32 of
//! each 4 KiB. A digest pass counts as a pass, since the chip was really read again; the chance that it hides a
//! difference is stated with the judgement.

/// Bytes that one digest covers, and the grain in which differences are reported: 4 KiB, the smallest erase of most chips.
pub const SECTOR: usize = 4096;

/// One complete read of a chip with the conditions it was made under.
#[derive(Debug, Clone)]
pub struct Pass<'a> {
    /// What was read.
    pub content: PassContent<'a>,
    /// The serial clock during the read, in hertz.
    pub clock_hz: u32,
    /// The read command: 03h, 0Bh, 13h, 0Ch and so on.
    pub opcode: u8,
    /// The order in which the chunks were read.
    pub order: Order,
    /// Bytes of one read command; 0 or at least the chip's size: the whole chip in one command.
    pub chunk: u32,
    /// What the chip said before the first chunk.
    pub before: ChipAnswer,
    /// What the chip said between chunks.
    pub between: Vec<ChipAnswer>,
    /// What the chip said after the last chunk.
    pub after: ChipAnswer,
}

/// What a pass brought: the bytes themselves, or a digest of each sector.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum PassContent<'a> {
    /// Every byte of the chip, from address 0.
    Bytes(&'a [u8]),
    /// The CRC-32 of each 4 KiB as [`crc32_blocks`] forms it; the last sector may be shorter.
    Digests(&'a [u32]),
}

/// The order in which a pass reads its chunks.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Order {
    /// From address 0 upwards.
    Ascending,
    /// From the last chunk downwards.
    Descending,
    /// Every second chunk upwards, then those left out.
    Interleaved,
}

/// What a chip said of itself at one moment. Id, unique id and status are asked for at every moment or at none.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ChipAnswer {
    /// The answer to 9Fh (or 90h, ABh where the chip has only that), as many bytes as were asked for.
    pub id: Vec<u8>,
    /// The unique id, where the chip has one.
    pub unique_id: Option<Vec<u8>>,
    /// The status registers that were read, in a fixed order.
    pub status: Vec<u8>,
    /// Whether the JESD216 signature answered rightly; `None` for a chip without such tables, or when it was not asked for.
    pub tables_ok: Option<bool>,
    /// The serial clock during these questions, in hertz.
    pub clock_hz: u32,
}

/// What is known of the chip before its content is looked at.
#[derive(Debug, Clone, Copy)]
pub struct Declared<'a> {
    /// The size that was read, in bytes.
    pub size: u32,
    /// The size in the catalogue, if the id stands there.
    pub catalogue_size: Option<u32>,
    /// The size in the chip's own JESD216 tables, if it has them.
    pub table_size: Option<u32>,
    /// Whether the first byte of the id is that of a known maker.
    pub maker_known: bool,
    /// What this job last applied to this chip and verified there.
    pub known_content: Option<&'a [u8]>,
}

/// Returns the CRC-32 (IEEE 802.3, the reflected form with initial value and final inversion FFFFFFFFh) of each 4 KiB.
///
/// The last block may be shorter. Empty content has no blocks.
pub fn crc32_blocks(content: &[u8]) -> Vec<u32> {
    content.chunks(SECTOR).map(crc32fast::hash).collect()
}

impl Pass<'_> {
    /// Returns chunk size and order as far as they make a difference on a chip of `size` bytes.
    pub(crate) fn manner(&self, size: u32) -> (u32, Order) {
        // A single command for the whole chip has no order: calling it ascending or descending changes no edge on any wire.
        if self.chunk == 0 || self.chunk >= size { (size, Order::Ascending) } else { (self.chunk, self.order) }
    }

    /// Returns every answer of the chip around this pass, oldest first.
    pub(crate) fn answers(&self) -> impl Iterator<Item = &ChipAnswer> {
        std::iter::once(&self.before).chain(&self.between).chain(std::iter::once(&self.after))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The check value of this CRC, given for the nine digits by published CRC catalogues: CBF43926h.
    #[test]
    fn digest_has_the_published_check_value() {
        assert_eq!(crc32_blocks(b"123456789"), [0xCBF4_3926]);
    }

    #[test]
    fn digests_cover_4_kib_each_and_a_shorter_rest() {
        let content: Vec<u8> = (0..SECTOR * 2 + 9).map(|i| (i % 251) as u8).collect();
        let digests = crc32_blocks(&content);
        assert_eq!(digests.len(), 3);
        assert_eq!(digests[1], crc32fast::hash(&content[SECTOR..2 * SECTOR]));
        assert_eq!(digests[2], crc32fast::hash(&content[2 * SECTOR..]));
        assert!(crc32_blocks(&[]).is_empty());
    }
}
