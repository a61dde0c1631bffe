//! Which chip a seed gets.
//!
//! | class | why it is here | share |
//! |---|---|---|
//! | its own tables alone, 64 to 256 KiB | small, so that a seed is short; one source says the size, erase types of three sizes | three in five |
//! | catalogue, up to 1 MiB | listed chips without tables, or with both sources | a quarter |
//! | words instead of pages | another way to program, protection that comes up set | a few |
//! | block protection whose layout is known, 2 MiB | the smallest of the catalogue: protection that can be lifted | a tenth |
//! | four address bytes, 32 MiB | address modes; a seed takes a second | one in 600 |
//!
//! The tables of the first class are written here by JESD216 (basic table, DWORDs 1, 2, 8 and 9) and not taken from the
//! code that reads them.

use nor::catalogue::{self, Entry};

use crate::draw::Draw;

/// A chip, as the campaign needs to know it.
#[derive(Debug, Clone)]
pub struct ChipPick {
    /// Keys of `[chip]` that say which one it is.
    pub toml: String,
    /// Its id as hexadecimal digits.
    pub id: String,
    /// Bytes.
    pub size: u32,
    /// Whether it takes words instead of pages.
    pub words: bool,
    /// Whether the catalogue knows where its protection bits stand.
    pub layout_known: bool,
    /// Whether protection comes up set at each power-up.
    pub comes_up_protected: bool,
    /// Whether two sources agree on its size, so that content that is there twice can still be believed.
    pub size_twice: bool,
}

/// Draws a chip.
#[must_use]
pub fn draw(draw: &mut Draw) -> ChipPick {
    if draw.chance(1, 600) {
        // Without tables: two sources may disagree on address widths, and such a chip is only read.
        let fits = |entry: &Entry| entry.size == 32 << 20 && entry.long_opcodes && entry.tables.is_none();
        return listed(draw, |entry| fits(entry) && entry.id_more.is_empty());
    }
    match draw.weighted(&[(60, 0), (22, 1), (4, 2), (9, 3), (5, 4)]) {
        0 => own_tables(draw),
        1 => listed(draw, |entry| entry.size <= 512 << 10 && !entry.words_only),
        2 => listed(draw, |entry| entry.size <= 1 << 20 && entry.words_only),
        4 => listed(draw, |entry| entry.size == 1 << 20 && !entry.words_only),
        _ => listed(draw, |entry| entry.size <= 2 << 20 && entry.protection.is_some() && !entry.words_only),
    }
}

/// A chip of the catalogue for which `fits` holds.
fn listed(draw: &mut Draw, fits: impl Fn(&Entry) -> bool) -> ChipPick {
    let fitting: Vec<&Entry> = catalogue::entries().iter().filter(|entry| fits(entry)).collect();
    let entry = fitting[draw.index(fitting.len())];
    let id = hex(&entry.id);
    // Parts of one id differ in what is known of them; the engine believes only what all of them agree on.
    let alike = catalogue::by_id(&entry.id);
    ChipPick {
        toml: format!("marking = \"{}\"\nid = \"{id}\"\nsize = {}\n", entry.markings[0], entry.size),
        id,
        size: entry.size,
        words: entry.words_only,
        layout_known: entry.protection.is_some() && alike.iter().all(|other| other.protection == entry.protection),
        comes_up_protected: entry.protection_is_volatile,
        size_twice: entry.tables.is_some(),
    }
}

/// A chip that only its own tables describe.
fn own_tables(draw: &mut Draw) -> ChipPick {
    let size = 65_536_u32 << draw.below(3);
    // Known makers, and device codes that no list has.
    let maker = [0xEF_u8, 0xC8, 0xC2, 0x9D, 0x20][draw.index(5)];
    let id = hex(&[maker, 0x7E, 0x11]);
    let erases: &[(u8, u8)] = match draw.below(4) {
        0 => &[(12, 0x20), (15, 0x52), (16, 0xD8)],
        1 => &[(12, 0x20), (16, 0xD8)],
        2 => &[(12, 0x20)],
        _ => &[(16, 0xD8)],
    };
    ChipPick {
        toml: format!("id = \"{id}\"\nsize = {size}\nsfdp = \"{}\"\n", hex(&tables(size, erases))),
        id,
        size,
        words: false,
        layout_known: false,
        comes_up_protected: false,
        size_twice: false,
    }
}

/// JESD216: header, one parameter header, a basic table of nine DWORDs.
fn tables(size: u32, erases: &[(u8, u8)]) -> Vec<u8> {
    let mut bytes = b"SFDP".to_vec();
    bytes.extend([0x00, 0x01, 0x00, 0xFF]);
    bytes.extend([0x00, 0x00, 0x01, 9, 0x10, 0x00, 0x00, 0xFF]);
    let four_kib = erases.iter().any(|(exponent, _)| *exponent == 12);
    let opcode: u8 = if four_kib { 0x20 } else { 0xFF };
    // DWORD 1: bits 1:0 whether 4 KiB erases everywhere (01) or not (11), bits 15:8 its opcode, bits 18:17 00 three
    // address bytes, what is reserved reads 1.
    let first = 0xFFF1_00E4_u32 | u32::from(opcode) << 8 | if four_kib { 0b01 } else { 0b11 };
    let mut words = [0_u32; 9];
    words[0] = first & !0x0006_0000;
    words[1] = size * 8 - 1;
    let mut types = [0_u8; 8];
    for (pair, (exponent, opcode)) in types.chunks_mut(2).zip(erases) {
        pair.copy_from_slice(&[*exponent, *opcode]);
    }
    words[7] = u32::from_le_bytes([types[0], types[1], types[2], types[3]]);
    words[8] = u32::from_le_bytes([types[4], types[5], types[6], types[7]]);
    bytes.extend(words.iter().flat_map(|word| word.to_le_bytes()));
    bytes
}

/// Returns bytes as hexadecimal digits.
#[must_use]
pub fn hex(bytes: &[u8]) -> String {
    bytes.iter().map(|byte| format!("{byte:02x}")).collect()
}

/// Returns the bytes behind hexadecimal digits; what is no digit ends them.
#[must_use]
pub fn bytes(digits: &str) -> Vec<u8> {
    let pair = |at: usize| digits.get(at..at + 2).and_then(|pair| u8::from_str_radix(pair, 16).ok());
    (0..digits.len()).step_by(2).map_while(pair).collect()
}
