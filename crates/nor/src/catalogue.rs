//! The catalogue: what lists, tables and notes say of parts, by id and by marking.
//!
//! The data stands in `data/chips.toml` and `data/vendors.toml`, each figure with its source and confidence, and is
//! compiled in. One id often belongs to several parts, so every lookup answers a list; `chip::Chip::describe` merges it.
//! Parts without times use class values, stated here: typical times as the slowest that the sources state for common
//! parts, and as limit the longest known maximum of the class, times four.

use std::sync::LazyLock;

use serde::Deserialize;

use crate::chip::Times;
use crate::protection::{BottomBit, Layout};
use crate::supply::SupplyRange;

/// How far a figure is to be trusted.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Confidence {
    /// From the lists named as source.
    Listed,
    /// From the part's own JESD216 tables.
    Computed,
    /// From a public note that quotes the datasheet.
    Secondary,
    /// From memory of the public datasheet.
    Memory,
}

/// One catalogue entry.
#[derive(Debug, Clone)]
pub struct Entry {
    /// Names printed on parts of this entry; the first is the entry's own.
    pub markings: Vec<String>,
    /// What 9Fh answers.
    pub id: [u8; 3],
    /// Size in bytes.
    pub size: u32,
    /// Page size in bytes.
    pub page: u32,
    /// Supply it bears.
    pub supply: SupplyRange,
    /// Erase opcodes with their block sizes.
    pub erase: Vec<(u8, u32)>,
    /// Layout of the protection bits, where known.
    pub protection: Option<Layout>,
    /// Page program, where a source states it.
    pub program: Option<Times>,
    /// Chip erase, where a source states it.
    pub chip_erase: Option<Times>,
    /// What the part answers to 5Ah, where known.
    pub tables: Option<Vec<u8>>,
    block_times: Vec<(u32, Times)>,
    described_by: Vec<String>,
}

impl Entry {
    /// Times of an erase block of `size` bytes, where a source states them.
    #[must_use]
    pub fn erase_times(&self, size: u32) -> Option<Times> {
        self.block_times.iter().find(|(block, _)| *block == size).map(|(_, times)| *times)
    }

    /// The entry's sources as text for people.
    pub fn sources(&self) -> impl Iterator<Item = String> + '_ {
        self.described_by.iter().cloned()
    }
}

/// All entries.
#[must_use]
pub fn entries() -> &'static [Entry] {
    static ENTRIES: LazyLock<Vec<Entry>> = LazyLock::new(|| {
        let file: ChipFile =
            toml::from_str(include_str!("../data/chips.toml")).expect("the compiled-in catalogue is sound");
        file.chip.into_iter().map(ChipRow::into_entry).collect()
    });
    &ENTRIES
}

/// Entries whose id is the beginning of what 9Fh answered.
#[must_use]
pub fn by_id(id: &[u8]) -> Vec<&'static Entry> {
    entries().iter().filter(|entry| id.starts_with(&entry.id)).collect()
}

/// Entries that carry this marking, upper or lower case; one marking may name several ids.
#[must_use]
pub fn by_marking(marking: &str) -> Vec<&'static Entry> {
    entries()
        .iter()
        .filter(|entry| entry.markings.iter().any(|name| name.eq_ignore_ascii_case(marking.trim())))
        .collect()
}

/// Who may have made a chip with this id; empty when nobody is known.
#[must_use]
pub fn vendors(id: &[u8]) -> Vec<String> {
    vendor(id).map(|vendor| vendor.names.clone()).unwrap_or_default()
}

/// Whether this maker's large parts enter four-byte mode by B7h, and if so, whether 06h has to precede it.
#[must_use]
pub fn enters_four_bytes(id: &[u8]) -> Option<bool> {
    vendor(id).and_then(|vendor| vendor.four_byte_mode).map(|mode| mode == FourByteMode::AfterWriteEnable)
}

/// Tells whether this maker's parts have the status registers 2 and 3 (35h, 15h), the unique id (4Bh) and, past 16 MiB,
/// the four-byte reads (13h, 0Ch) of the Winbond family. Other makers' parts go deaf on some of these opcodes (S5).
/// From memory of public datasheets.
#[must_use]
pub fn is_winbond_like(id: &[u8]) -> bool {
    id.first() == Some(&0xEF)
}

/// Class values for a chip of a given size.
#[derive(Debug, Clone, Copy)]
pub struct ClassTimes {
    /// One page.
    pub program: Times,
    /// The whole chip.
    pub chip_erase: Times,
}

const fn ms(typical: u64, longest_known_max: u64) -> Times {
    Times { typical_us: typical * 1000, max_us: longest_known_max * 4 * 1000 }
}

/// Class values by chip size. Sources of the longest known maxima: JESD216 tables of parts of each size
/// (MX25R6435F for pages; MX25UW6345G, MX25UW12845G, MX25L25645G and MX25UM51245G for the whole chip).
#[must_use]
pub fn class_times(size: u32) -> ClassTimes {
    let program = Times { typical_us: 700, max_us: 5376 * 4 };
    let chip_erase = match size >> 20 {
        0 | 1 => ms(2_048, 8_192),
        2..=8 => ms(52_000, 640_000),
        9..=16 => ms(80_000, 1_280_000),
        17..=32 => ms(112_000, 2_128_000),
        _ => ms(256_000, 6_144_000),
    };
    ClassTimes { program, chip_erase }
}

/// Class values by erase block size. Sources of the longest known maxima: JESD216 tables of W25Q128JV (4 KiB),
/// MX66U1G45G (32 KiB) and MX25UM51245G (64 KiB and more).
#[must_use]
pub fn class_erase_times(block: u32) -> Times {
    match block {
        0..=4096 => ms(64, 896),
        4097..=32_768 => ms(160, 3_200),
        _ => ms(250, 6_144),
    }
}

#[derive(Deserialize)]
struct ChipFile {
    chip: Vec<ChipRow>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct ChipRow {
    markings: Vec<String>,
    id: String,
    size: u32,
    page: u32,
    supply_v: SupplyRange,
    erase: Vec<(u8, u32)>,
    protect_bits: Option<u8>,
    top_or_bottom: Option<BottomBit>,
    source: String,
    confidence: Confidence,
    #[serde(default)]
    times: Vec<TimesRow>,
    tables: Option<TablesRow>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct TimesRow {
    of: String,
    page_us: Option<[u64; 2]>,
    erase_4k_ms: Option<[u64; 2]>,
    erase_32k_ms: Option<[u64; 2]>,
    erase_64k_ms: Option<[u64; 2]>,
    chip_ms: Option<[u64; 2]>,
    source: String,
    confidence: Confidence,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct TablesRow {
    #[expect(dead_code, reason = "kept in the data for its reader; checked to be there")]
    of: String,
    #[expect(dead_code, reason = "kept in the data for its reader; checked to be there")]
    source: String,
    hex: String,
}

impl ChipRow {
    fn into_entry(self) -> Entry {
        let millis = |pair: [u64; 2]| Times { typical_us: pair[0] * 1000, max_us: pair[1] * 1000 };
        let slowest =
            |pick: &dyn Fn(&TimesRow) -> Option<Times>| self.times.iter().filter_map(pick).reduce(Times::cautious);
        let mut block_times = Vec::new();
        for (size, times) in [
            (4096, slowest(&|row| row.erase_4k_ms.map(millis))),
            (32_768, slowest(&|row| row.erase_32k_ms.map(millis))),
            (65_536, slowest(&|row| row.erase_64k_ms.map(millis))),
        ] {
            block_times.extend(times.map(|times| (size, times)));
        }
        let mut described_by = vec![format!("{}: {} ({:?})", self.markings[0], self.source, self.confidence)];
        described_by
            .extend(self.times.iter().map(|row| format!("times of {}: {} ({:?})", row.of, row.source, row.confidence)));
        let id = hex(&self.id);
        Entry {
            id: id.as_slice().try_into().expect("an id of three bytes"),
            size: self.size,
            page: self.page,
            supply: self.supply_v,
            erase: self.erase.clone(),
            protection: self.protect_bits.map(|bits| Layout { bits, bottom: self.top_or_bottom }),
            program: slowest(&|row| row.page_us.map(|[typical_us, max_us]| Times { typical_us, max_us })),
            chip_erase: slowest(&|row| row.chip_ms.map(millis)),
            tables: self.tables.as_ref().map(|row| hex(&row.hex)),
            block_times,
            described_by,
            markings: self.markings,
        }
    }
}

fn hex(text: &str) -> Vec<u8> {
    let digits: Vec<u8> = text.bytes().filter(|byte| !byte.is_ascii_whitespace()).collect();
    digits
        .chunks(2)
        .map(|pair| {
            let pair = std::str::from_utf8(pair).expect("the compiled-in data is ASCII");
            u8::from_str_radix(pair, 16).expect("the compiled-in data is hexadecimal")
        })
        .collect()
}

#[derive(Deserialize)]
struct VendorFile {
    vendor: Vec<Vendor>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Vendor {
    code: u8,
    names: Vec<String>,
    four_byte_mode: Option<FourByteMode>,
    #[expect(dead_code, reason = "kept in the data for its reader; checked to be there")]
    source: String,
}

#[derive(Clone, Copy, PartialEq, Eq, Deserialize)]
enum FourByteMode {
    #[serde(rename = "B7h")]
    Alone,
    #[serde(rename = "06h B7h")]
    AfterWriteEnable,
}

/// The maker by the first id byte; 7Fh is JEP106's continuation code, after which some old parts put the maker.
fn vendor(id: &[u8]) -> Option<&'static Vendor> {
    static VENDORS: LazyLock<Vec<Vendor>> = LazyLock::new(|| {
        let file: VendorFile =
            toml::from_str(include_str!("../data/vendors.toml")).expect("the compiled-in vendor list is sound");
        file.vendor
    });
    let code = id.iter().find(|byte| **byte != 0x7F)?;
    VENDORS.iter().find(|vendor| vendor.code == *code)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_entry_is_sound() {
        for entry in entries() {
            assert!(entry.size.is_power_of_two() && entry.page.is_power_of_two(), "{:?}", entry.markings);
            assert!(
                entry
                    .erase
                    .iter()
                    .all(|(_, size)| size.is_power_of_two() && *size >= entry.page && *size <= entry.size)
            );
            assert!(!vendors(&entry.id).is_empty(), "{:?} has a maker", entry.markings);
        }
    }

    #[test]
    fn a_marking_matches_without_case_and_may_name_several_ids() {
        let ids: Vec<_> = by_marking(" w25q128jv ").iter().map(|entry| entry.id).collect();
        assert_eq!(ids, [[0xEF, 0x40, 0x18], [0xEF, 0x70, 0x18]]);
    }

    #[test]
    fn one_id_may_have_several_entries() {
        assert_eq!(by_id(&[0xEF, 0x60, 0x19, 0x00]).len(), 2);
        assert!(by_id(&[0xEF, 0x60]).is_empty(), "half an id names nothing");
    }

    #[test]
    fn the_maker_stands_behind_the_continuation_code() {
        assert_eq!(vendors(&[0x7F, 0x9D, 0x20]), vendors(&[0x9D, 0x20, 0x00]));
        assert!(vendors(&[0x00, 0x00, 0x00]).is_empty());
    }
}
