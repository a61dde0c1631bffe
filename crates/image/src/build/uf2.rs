//! UF2 files (microsoft/uf2, README.md): blocks of 512 bytes that say where their 256 bytes go.

/// The RP2040's family.
pub const RP2040: u32 = 0xE48B_FF56;

const PAYLOAD: usize = 256;
const DATA: usize = 476;
const FAMILY_PRESENT: u32 = 0x2000;

/// Returns `bytes` for the address `at` as a UF2 file of `family`; the last block is filled up with zeros.
pub fn uf2(family: u32, at: u32, bytes: &[u8]) -> Vec<u8> {
    let blocks = bytes.len().div_ceil(PAYLOAD) as u32;
    let mut out = Vec::with_capacity(512 * blocks as usize);
    for (number, payload) in bytes.chunks(PAYLOAD).enumerate() {
        let number = number as u32;
        let to = at.wrapping_add(number * PAYLOAD as u32);
        let header = [0x0A32_4655, 0x9E5D_5157, FAMILY_PRESENT, to, PAYLOAD as u32, number, blocks, family]
            .map(u32::to_le_bytes);
        let mut data = payload.to_vec();
        data.resize(DATA, 0);
        out.extend(header.concat());
        out.extend(data);
        out.extend(0x0AB1_6F30_u32.to_le_bytes());
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn blocks_say_where_they_go_and_how_many_they_are() {
        let file = uf2(RP2040, 0x1000_0000, &[0xAB; 600]);
        assert_eq!(file.len(), 3 * 512);
        for (number, block) in file.chunks(512).enumerate() {
            // "UF2\n" is how the first word reads as text.
            assert_eq!(&block[..4], b"UF2\n");
            let word = |at: usize| u32::from_le_bytes(block[at..at + 4].try_into().unwrap());
            assert_eq!((word(4), word(8), word(0x1FC)), (0x9E5D_5157, 0x2000, 0x0AB1_6F30));
            assert_eq!((word(12), word(16)), (0x1000_0000 + 256 * number as u32, 256));
            assert_eq!((word(20), word(24), word(28)), (number as u32, 3, RP2040));
        }
        assert_eq!(file[2 * 512 + 32 + 87..2 * 512 + 32 + 90], [0xAB, 0, 0]);
        assert!(uf2(RP2040, 0, &[]).is_empty());
    }
}
