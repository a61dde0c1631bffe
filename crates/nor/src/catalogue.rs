//! The catalogue: what lists, tables and notes say of parts, by id and by marking.
//!
//! The data stands in `data/chips/` (one file a maker) and `data/vendors.toml`, each figure with its source and confidence, and is
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

/// Where a failed erase or program shows.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
pub enum StatusErrors {
    /// In the flag register that 70h reads: bit 5 erase, bit 4 program, bit 1 protected; 50h clears it.
    #[serde(rename = "70h")]
    FlagRegister,
    /// In status bits 5 (erase) and 6 (program); 30h clears them.
    #[serde(rename = "bits 5 and 6")]
    StatusClearedBy30,
    /// In status bits 5 (erase) and 6 (program); 82h clears them.
    #[serde(rename = "82h")]
    StatusClearedBy82,
}

/// One catalogue entry.
#[derive(Debug, Clone)]
pub struct Entry {
    /// Names printed on parts of this entry; the first is the entry's own.
    pub markings: Vec<String>,
    /// The first three bytes that 9Fh answers.
    pub id: [u8; 3],
    /// What follows them: when not empty, the entry is meant only for chips that answer one of these.
    pub id_more: Vec<Vec<u8>>,
    /// Size in bytes.
    pub size: u32,
    /// Page size in bytes.
    pub page: u32,
    /// Supply it bears.
    pub supply: SupplyRange,
    /// Erase opcodes with their block sizes.
    pub erase: Vec<(u8, u32)>,
    /// Whether blocks of one opcode differ in size by address, so that only the part's own sector map says where.
    pub blocks_vary: bool,
    /// Layout of the protection bits, where known.
    pub protection: Option<Layout>,
    /// Whether it comes up with everything protected at each power-up.
    pub protection_is_volatile: bool,
    /// The opcode that opens all its locks of single blocks, where it has them.
    pub block_locks: Option<u8>,
    /// Whether it has no page program: 02h takes one byte, ADh two at a time.
    pub words_only: bool,
    /// Where a failed erase or program shows.
    pub status_errors: Option<StatusErrors>,
    /// Whether 13h, 0Ch, 12h, 21h and DCh take four address bytes whatever the mode.
    pub long_opcodes: bool,
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

/// The catalogue's files, one for each maker.
const FILES: [&str; 11] = [
    include_str!("../data/chips/winbond.toml"),
    include_str!("../data/chips/macronix.toml"),
    include_str!("../data/chips/micron.toml"),
    include_str!("../data/chips/gigadevice.toml"),
    include_str!("../data/chips/issi.toml"),
    include_str!("../data/chips/spansion.toml"),
    include_str!("../data/chips/sst.toml"),
    include_str!("../data/chips/eon.toml"),
    include_str!("../data/chips/xmc.toml"),
    include_str!("../data/chips/xtx.toml"),
    include_str!("../data/chips/others.toml"),
];

/// All entries.
#[must_use]
pub fn entries() -> &'static [Entry] {
    static ENTRIES: LazyLock<Vec<Entry>> = LazyLock::new(|| {
        let entries = FILES.iter().flat_map(|text| {
            let file: ChipFile = toml::from_str(text).expect("the compiled-in catalogue is sound");
            file.chip
        });
        entries.map(ChipRow::into_entry).collect()
    });
    &ENTRIES
}

/// Entries whose id is the beginning of what 9Fh answered. One with a longer id counts only when the longer id was read
/// and is its own; those with a short id stay candidates beside it.
#[must_use]
pub fn by_id(id: &[u8]) -> Vec<&'static Entry> {
    let longer = |entry: &Entry| entry.id_more.is_empty() || entry.id_more.iter().any(|more| id[3..].starts_with(more));
    entries().iter().filter(|entry| id.starts_with(&entry.id) && longer(entry)).collect()
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

/// How this maker's parts take a status write by 01h, where they are known to be alike. From memory of public datasheets;
/// what a chip's own table says goes before it.
#[must_use]
pub fn status_write(id: &[u8]) -> Option<StatusHabit> {
    vendor(id).and_then(|vendor| vendor.status_write).map(|(bytes, volatile)| StatusHabit { bytes, volatile })
}

/// A maker's habit with 01h.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct StatusHabit {
    /// Registers that one write takes: 1, or 2 with the second read by 35h.
    pub bytes: u8,
    /// Whether 50h before it makes the write volatile.
    pub volatile: bool,
}

/// Time of 02h and ADh on parts that take single bytes and words: 10 us, from memory of the public datasheets of SST25;
/// the limit is four times that.
pub const WORD_PROGRAM: Times = Times { typical_us: 10, max_us: 40 };

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
    #[serde(default)]
    id_more: Vec<String>,
    size: u32,
    page: u32,
    supply_v: SupplyRange,
    erase: Vec<(u8, u32)>,
    #[serde(default)]
    blocks_vary: bool,
    protect_bits: Option<u8>,
    top_or_bottom: Option<BottomBit>,
    fourth_bit: Option<FourthBit>,
    #[serde(default)]
    protection_is_volatile: bool,
    block_locks: Option<String>,
    #[serde(default)]
    words_only: bool,
    status_errors: Option<StatusErrors>,
    #[serde(default)]
    long_opcodes: bool,
    source: String,
    confidence: Confidence,
    #[serde(default)]
    times: Vec<TimesRow>,
    tables: Option<TablesRow>,
}

#[derive(Clone, Copy, PartialEq, Eq, Deserialize)]
enum FourthBit {
    #[serde(rename = "bit 6")]
    Bit6,
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
        let protection = self.protect_bits.map(|bits| Layout { bits, bottom: self.top_or_bottom });
        let fourth_at_6 = protection.is_some_and(|layout| layout.fourth_bit() == Some(6));
        assert_eq!(
            fourth_at_6,
            self.fourth_bit.is_some(),
            "{}: the fourth bit follows from the others",
            self.markings[0]
        );
        Entry {
            id: id.as_slice().try_into().expect("an id of three bytes"),
            size: self.size,
            page: self.page,
            supply: self.supply_v,
            erase: self.erase.clone(),
            blocks_vary: self.blocks_vary,
            protection,
            protection_is_volatile: self.protection_is_volatile,
            block_locks: self.block_locks.as_ref().map(|opcode| hex(opcode.trim_end_matches('h'))[0]),
            words_only: self.words_only,
            status_errors: self.status_errors,
            long_opcodes: self.long_opcodes,
            id_more: self.id_more.iter().map(|more| hex(more)).collect(),
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
    status_write: Option<(u8, bool)>,
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
