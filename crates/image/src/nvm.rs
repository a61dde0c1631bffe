//! The network controller's NVM: two banks, each with the machine's MAC address and a checksum.
//!
//! Follows Linux `drivers/net/ethernet/intel/e1000e` (6.12: `defines.h`, `nvm.c`, `ich8lan.c`); the order of the MAC's octets
//! is that of `e1000/e1000_hw.c`. Words are 16 bits, little-endian. Words 00h to 3Fh of a bank add up to BABAh; the rest of
//! the bank is blank. The decision a reader would question: both banks are written alike and both are marked valid. A driver
//! takes the first valid one, and a second good copy keeps the address when the first is lost.

use rand_xoshiro::rand_core::Rng;

use crate::filler::stream;
use crate::mac::Mac;

/// Size of one bank; the region is two (from memory: the driver takes half the region).
pub const BANK_SIZE: usize = 4096;
/// What the words of a bank add up to (Linux e1000e, NVM_SUM).
pub const SUM: u16 = 0xBABA;
/// Words that count, the checksum word among them.
const WORDS: usize = 0x40;
/// Word with "checksum valid" in bit 0 (NVM_COMPAT, on the newer chipsets).
const COMPAT: usize = 0x03;
/// Word whose top two bits say 10b in a valid bank (E1000_ICH_NVM_SIG_WORD).
const VALID: usize = 0x13;
/// Word that points to an alternate MAC address; FFFFh is none (NVM_ALT_MAC_ADDR_PTR).
const ALTERNATE: usize = 0x37;
const CHECKSUM: usize = 0x3F;

/// Returns the 8 KiB network NVM for a machine with the address `mac`; its other settings are drawn from `seed`.
pub fn network_nvm(mac: Mac, seed: u64) -> Vec<u8> {
    let mut words = [0_u16; WORDS];
    let mut draw = stream(seed, "network nvm");
    for word in &mut words {
        *word = draw.next_u64() as u16;
    }
    for (word, octets) in words.iter_mut().zip(mac.0.chunks_exact(2)) {
        *word = u16::from_le_bytes([octets[0], octets[1]]);
    }
    words[COMPAT] |= 1;
    words[VALID] = words[VALID] & 0x3FFF | 0x8000;
    words[ALTERNATE] = 0xFFFF;
    let rest = words[..CHECKSUM].iter().fold(0_u16, |sum, word| sum.wrapping_add(*word));
    words[CHECKSUM] = SUM.wrapping_sub(rest);

    let mut bank: Vec<u8> = words.iter().flat_map(|word| word.to_le_bytes()).collect();
    bank.resize(BANK_SIZE, 0xFF);
    bank.repeat(2)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn word(bank: &[u8], number: usize) -> u16 {
        u16::from_le_bytes([bank[2 * number], bank[2 * number + 1]])
    }

    /// Linux e1000e `nvm.c`: words 0 to 3Fh add up to BABAh. `ich8lan.c`: (byte at 13h * 2 + 1) & C0h == 80h in a valid bank.
    #[test]
    fn both_banks_add_up_and_are_valid() {
        for seed in 0..50 {
            let region = network_nvm(Mac::drawn(seed), seed);
            assert_eq!(region.len(), 8192);
            for bank in region.chunks(4096) {
                let sum = (0..0x40).fold(0_u16, |sum, number| sum.wrapping_add(word(bank, number)));
                assert_eq!(sum, 0xBABA, "seed {seed}");
                assert_eq!(bank[0x13 * 2 + 1] & 0xC0, 0x80, "seed {seed}");
                assert_eq!(word(bank, 0x03) & 1, 1, "seed {seed}");
                assert_eq!(word(bank, 0x37), 0xFFFF, "seed {seed}");
                assert!(bank[0x80..].iter().all(|byte| *byte == 0xFF), "seed {seed}");
            }
        }
    }

    /// Linux e1000 `e1000_hw.c`, e1000_read_mac_addr: the low byte of words 0, 1, 2 is the earlier octet.
    #[test]
    fn the_address_stands_first_in_both_banks() {
        let mac: Mac = "02:13:24:35:46:57".parse().unwrap();
        for bank in network_nvm(mac, 1).chunks(4096) {
            assert_eq!(word(bank, 0), 0x1302);
            assert_eq!(bank[..6], mac.0);
        }
    }

    #[test]
    fn another_address_changes_nothing_but_address_and_checksum() {
        let first = network_nvm(Mac::drawn(1), 7);
        let second = network_nvm(Mac::drawn(2), 7);
        let differing: Vec<usize> = (0..4096).filter(|at| first[*at] != second[*at]).collect();
        assert!(differing.iter().all(|at| *at < 6 || [0x7E, 0x7F].contains(at)), "{differing:?}");
        assert!(!differing.is_empty());
    }
}
