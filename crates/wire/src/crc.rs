//! CRC-32 of IEEE 802.3: of frames, and of the 4 KiB blocks of a digest.
//!
//! By a table of 256 words and in software: the programmer has time for it at
//! the speed of its bus, and one code for both sides is tested once.

/// Returns the CRC-32 (IEEE 802.3, reflected, as in zlib and Ethernet) of `bytes`.
#[must_use]
pub fn crc32(bytes: &[u8]) -> u32 {
    crc32_more(0, bytes)
}

/// Returns the CRC-32 of what `crc` is the sum of, followed by `bytes`.
#[must_use]
pub fn crc32_more(crc: u32, bytes: &[u8]) -> u32 {
    let mut state = !crc;
    for &byte in bytes {
        state = (state >> 8) ^ TABLE[((state ^ u32::from(byte)) & 0xFF) as usize];
    }
    !state
}

static TABLE: [u32; 256] = table();

const fn table() -> [u32; 256] {
    let mut table = [0; 256];
    let mut at = 0;
    while at < 256 {
        let mut value = at as u32;
        let mut bit = 0;
        while bit < 8 {
            value = if value & 1 == 1 { (value >> 1) ^ 0xEDB8_8320 } else { value >> 1 };
            bit += 1;
        }
        table[at] = value;
        at += 1;
    }
    table
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_check_value_of_the_catalogue_of_parametrised_crcs() {
        // CRC-32/ISO-HDLC, check value over the digits 1 to 9.
        assert_eq!(crc32(b"123456789"), 0xCBF4_3926);
    }

    #[test]
    fn a_sum_in_two_parts_is_the_sum_of_the_whole() {
        let bytes = std::vec::Vec::from_iter((0..1000u32).map(|n| ((n * 7) >> 2) as u8));
        for cut in [0, 1, 500, 1000] {
            assert_eq!(crc32_more(crc32(&bytes[..cut]), &bytes[cut..]), crc32fast::hash(&bytes));
        }
    }
}
