//! Tables of chips that nobody sells: laid out after JESD216B (from memory), to meet ways that no table at hand takes.

/// A basic table of 16 words: 4 KiB by 20h, 64 KiB by D8h, pages of 256 bytes, `size` bytes, ways into four-byte addressing
/// as in bits 31:24 of DWORD 16.
pub fn basic(size: u32, entry: u8) -> Vec<u32> {
    let widths = if size > 1 << 24 { 0xFFF3_20E5 } else { 0xFFF1_20E5 };
    // DWORDs 10 and 11 are those of W25Q128JV.
    let times = [0x00A6_0236, 0xC914_EA82];
    let mut words = vec![widths, size * 8 - 1, 0, 0, 0, 0, 0, 0xD810_200C, 0];
    words.extend(times);
    words.extend([0, 0, 0x8000_0000, 0, u32::from(entry) << 24]);
    words
}

/// A whole set of tables: the basic one and, when it is not empty, a sector map.
pub fn whole(basic: &[u32], map: &[u32]) -> Vec<u8> {
    let more = u8::from(!map.is_empty());
    let mut bytes = b"SFDP\x06\x01".to_vec();
    bytes.extend([more, 0xFF]);
    bytes.extend([0x00, 0x06, 0x01, u8::try_from(basic.len()).expect("few words"), 0x20, 0, 0, 0xFF]);
    if more == 1 {
        bytes.extend([0x81, 0x00, 0x01, u8::try_from(map.len()).expect("few words"), 0x80, 0, 0, 0xFF]);
    }
    bytes.resize(0x20, 0xFF);
    bytes.extend(basic.iter().flat_map(|word| word.to_le_bytes()));
    bytes.resize(0x80, 0xFF);
    bytes.extend(map.iter().flat_map(|word| word.to_le_bytes()));
    bytes
}

/// Keys of `[chip]`.
pub fn keys(id: &str, size: u32, tables: &[u8]) -> String {
    format!("id = \"{id}\"\nsize = {size}\nsfdp = \"{}\"", nor::chip::id_text(tables))
}
