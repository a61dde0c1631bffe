//! The partition table at the start of a management region, from memory: no public standard describes it.
//!
//! A header of 32 bytes ("$FPT", the count of entries, versions 20h and 10h, its own length, a sum over the header)
//! stands 16 bytes into the region; entries of 32 bytes follow, each with a name of four letters, an offset from the
//! region's start and a size.

const JUMP: usize = 16;
const HEADER: usize = 32;
const ENTRY: usize = 32;

/// A partition: its name, where it begins in the region, and its size.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Partition {
    /// Four letters; shorter names are filled up with zeros.
    pub name: [u8; 4],
    /// Bytes from the region's start.
    pub at: u32,
    /// Bytes.
    pub size: u32,
}

/// Returns the table as it stands at the region's start: 16 bytes of 00h, the header, the entries.
pub fn partition_table(partitions: &[Partition]) -> Vec<u8> {
    let mut out = vec![0; JUMP];
    out.extend(b"$FPT");
    out.extend((partitions.len() as u32).to_le_bytes());
    out.extend([0x20, 0x10, HEADER as u8, 0]);
    out.resize(JUMP + HEADER, 0);
    out[JUMP + 11] = out[JUMP..].iter().fold(0_u8, |sum, byte| sum.wrapping_sub(*byte));
    for partition in partitions {
        out.extend(partition.name);
        out.extend([0xFF; 4]); // the owner, unused
        out.extend(partition.at.to_le_bytes());
        out.extend(partition.size.to_le_bytes());
        out.resize(out.len() + ENTRY - 16, 0);
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_header_sums_to_zero_and_the_entries_follow() {
        let table = partition_table(&[
            Partition { name: *b"FTPR", at: 0x1000, size: 0x5000 },
            Partition { name: *b"MFS\0", at: 0x6000, size: 0x400 },
        ]);
        assert_eq!(table.len(), 16 + 32 + 64);
        assert_eq!(&table[16..20], b"$FPT");
        assert_eq!(table[20..24], [2, 0, 0, 0]);
        assert_eq!(table[16..48].iter().fold(0_u8, |sum, byte| sum.wrapping_add(*byte)), 0);
        assert_eq!(table[80..84], *b"MFS\0");
        assert_eq!(table[88..96], [0, 0x60, 0, 0, 0, 4, 0, 0]);
    }
}
