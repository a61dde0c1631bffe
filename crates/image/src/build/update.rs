//! Microcode updates (Intel SDM volume 3A, "Microcode Update Facilities") and the firmware interface table that names
//! them.
//!
//! Made updates have right sums and mean nothing to any processor. The table's entries follow the edk2-platforms header
//! FirmwareInterfaceTable.h; where the table stands, and the pointer to it at 4 GiB - 40h, are the image's business.

use rand_xoshiro::rand_core::Rng;

use crate::filler::stream;

const HEADER: usize = 48;
const UNIT: usize = 1024;
/// The pointer to the table stands so far before the address 4 GiB.
pub const FIT_POINTER: u32 = 0x40;

/// Types of table entries.
pub mod entry {
    /// The header.
    pub const HEADER: u8 = 0x00;
    /// A microcode update.
    pub const MICROCODE: u8 = 0x01;
    /// Code that starts before the firmware.
    pub const STARTUP: u8 = 0x02;
    /// A stretch of firmware that is measured.
    pub const FIRMWARE_MODULE: u8 = 0x07;
    /// Keys.
    pub const KEY_MANIFEST: u8 = 0x0B;
    /// What the keys allow.
    pub const BOOT_POLICY: u8 = 0x0C;
    /// An entry that a reader leaves out.
    pub const SKIP: u8 = 0x7F;
}

/// A microcode update in the making.
#[derive(Debug, Clone)]
pub struct Microcode {
    signature: u32,
    flags: u32,
    revision: u32,
    date: u32,
    data_size: usize,
    extended: Vec<(u32, u32)>,
}

impl Microcode {
    /// Returns an update for processors of `signature` (CPUID leaf 1, EAX) and the platforms in `flags`, of 2048 bytes.
    pub fn new(signature: u32, flags: u32) -> Self {
        Self { signature, flags, revision: 1, date: 0x0101_2024, data_size: 2000, extended: Vec::new() }
    }

    /// Sets the revision and the date, written as it is stored: 0x07181998 is 18 July 1998.
    #[must_use]
    pub fn revision(mut self, revision: u32, date: u32) -> Self {
        (self.revision, self.date) = (revision, date);
        self
    }

    /// Makes the update `size` bytes long; with an extended table, that many without it.
    ///
    /// # Panics
    ///
    /// When `size` is no multiple of 1024, or 0.
    #[must_use]
    pub fn size(mut self, size: usize) -> Self {
        assert!(size > 0 && size.is_multiple_of(UNIT), "updates come in whole KiB");
        self.data_size = size - HEADER;
        self
    }

    /// Adds a further signature with its platform flags, in the extended table.
    #[must_use]
    pub fn also_for(mut self, signature: u32, flags: u32) -> Self {
        self.extended.push((signature, flags));
        self
    }

    /// Returns the update; its data is drawn from `seed` and the signature.
    pub fn build(&self, seed: u64) -> Vec<u8> {
        let table = if self.extended.is_empty() { 0 } else { 20 + 12 * self.extended.len() };
        let total = (HEADER + self.data_size + table).next_multiple_of(UNIT);
        let words = [
            1,
            self.revision,
            self.date,
            self.signature,
            0,
            1,
            self.flags,
            self.data_size as u32,
            total as u32,
            0,
            0,
            0,
        ];
        let mut out: Vec<u8> = words.iter().flat_map(|word| word.to_le_bytes()).collect();
        let mut data = vec![0; self.data_size];
        stream(seed, &format!("microcode {:x}", self.signature)).fill_bytes(&mut data);
        out.extend(data);
        let sum = negated_sum(&out);
        out[0x10..0x14].copy_from_slice(&sum.to_le_bytes());
        if table > 0 {
            out.extend(self.table(sum));
        }
        out.resize(total, 0);
        out
    }

    /// An entry's sum makes it stand for the main header: signature, flags and sum of the two add up alike.
    fn table(&self, sum: u32) -> Vec<u8> {
        let main = self.signature.wrapping_add(self.flags).wrapping_add(sum);
        let mut words = vec![self.extended.len() as u32, 0, 0, 0, 0];
        for (signature, flags) in &self.extended {
            words.extend([*signature, *flags, main.wrapping_sub(*signature).wrapping_sub(*flags)]);
        }
        words[1] = words.iter().fold(0_u32, |sum, word| sum.wrapping_sub(*word));
        words.iter().flat_map(|word| word.to_le_bytes()).collect()
    }
}

/// An entry of the table.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct FitEntry {
    /// Its type, see [`entry`].
    pub kind: u8,
    /// The address of what it names, in the processor's sight.
    pub address: u64,
    /// The size, in the unit of its type; 0 for microcode.
    pub size: u32,
}

/// Returns the table: a header that counts all entries, the entries in the order of their types, and the header's sum.
pub fn fit(entries: &[FitEntry]) -> Vec<u8> {
    const SUM_VALID: u8 = 0x80;
    let mut sorted = entries.to_vec();
    sorted.sort_by_key(|entry| entry.kind);
    let count = sorted.len() as u32 + 1;
    let mut out = fit_entry(*b"_FIT_   ", count, SUM_VALID | entry::HEADER);
    for entry in sorted {
        out.extend(fit_entry(entry.address.to_le_bytes(), entry.size, entry.kind));
    }
    out[15] = out.iter().fold(0_u8, |sum, byte| sum.wrapping_sub(*byte));
    out
}

fn fit_entry(address: [u8; 8], size: u32, kind: u8) -> Vec<u8> {
    // Size in three bytes, one reserved, version 1.00, type, sum.
    [&address[..], &size.to_le_bytes()[..3], &[0], &0x0100_u16.to_le_bytes(), &[kind, 0]].concat()
}

fn negated_sum(bytes: &[u8]) -> u32 {
    let words = bytes.chunks_exact(4).map(|word| u32::from_le_bytes([word[0], word[1], word[2], word[3]]));
    words.fold(0, u32::wrapping_sub)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn sum(bytes: &[u8]) -> u32 {
        negated_sum(bytes).wrapping_neg()
    }

    fn word(bytes: &[u8], at: usize) -> u32 {
        u32::from_le_bytes(bytes[at..at + 4].try_into().unwrap())
    }

    #[test]
    fn an_update_sums_to_zero() {
        let update = Microcode::new(0x000A_0655, 0x02).revision(0xF2, 0x1114_2023).build(7);
        assert_eq!(update.len(), 2048);
        assert_eq!((word(&update, 0x08), word(&update, 0x0C), word(&update, 0x18)), (0x1114_2023, 0x000A_0655, 2));
        assert_eq!((word(&update, 0x1C), word(&update, 0x20)), (2000, 2048));
        assert_eq!(sum(&update), 0);
        assert_ne!(word(&update, 0x10), 0);
    }

    #[test]
    fn an_extended_table_and_each_entry_have_their_sums() {
        let update = Microcode::new(0x0008_06E9, 0x10).size(4096).also_for(0x0008_06EA, 0xC0).also_for(1, 2).build(7);
        assert_eq!((update.len(), word(&update, 0x1C), word(&update, 0x20)), (5120, 4096 - 48, 5120));
        assert_eq!(sum(&update[..4096]), 0, "header and data");
        let table = &update[4096..4096 + 20 + 24];
        assert_eq!((word(table, 0), sum(table)), (2, 0));
        assert_eq!((word(table, 20), word(table, 24), word(table, 32)), (0x0008_06EA, 0xC0, 1));
        // With the entry's three values in their place, the whole main update sums to zero as well.
        let mut stands_for = update[..4096].to_vec();
        stands_for[0x0C..0x10].copy_from_slice(&table[20..24]);
        stands_for[0x18..0x1C].copy_from_slice(&table[24..28]);
        stands_for[0x10..0x14].copy_from_slice(&table[28..32]);
        assert_eq!(sum(&stands_for), 0);
    }

    #[test]
    fn the_table_counts_sorts_and_sums_itself() {
        let module = FitEntry { kind: entry::FIRMWARE_MODULE, address: 0xFFFF_0000, size: 0x1000 };
        let microcode = FitEntry { kind: entry::MICROCODE, address: 0xFFE0_0000, size: 0 };
        let table = fit(&[module, microcode]);
        assert_eq!(table.len(), 48);
        assert_eq!(&table[..8], b"_FIT_   ");
        assert_eq!(table[8..15], [3, 0, 0, 0, 0, 1, 0x80]);
        assert_eq!(table.iter().fold(0_u8, |sum, byte| sum.wrapping_add(*byte)), 0);
        assert_eq!(table[16..32], [0, 0, 0xE0, 0xFF, 0, 0, 0, 0, 0, 0, 0, 0, 0, 1, 0x01, 0]);
        assert_eq!(table[32..48], [0, 0, 0xFF, 0xFF, 0, 0, 0, 0, 0, 0x10, 0, 0, 0, 1, 0x07, 0]);
    }
}
