use proptest::prelude::*;

use super::*;
use crate::testing::each_value;

fn word(bank: &[u8], number: usize) -> u16 {
    u16::from_le_bytes([bank[2 * number], bank[2 * number + 1]])
}

fn put(bank: &mut [u8], number: usize, value: u16) {
    bank[2 * number..2 * number + 2].copy_from_slice(&value.to_le_bytes());
}

fn mac(text: &str) -> Mac {
    text.parse().unwrap()
}

/// A region of two banks that say what `words` say; all other words are 0.
fn region(words: &[(usize, u16)]) -> Vec<u8> {
    let mut bank = vec![0; BANK_SIZE];
    for (number, value) in words {
        put(&mut bank, *number, *value);
    }
    bank.repeat(2)
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
    let mac = mac("02:13:24:35:46:57");
    for bank in network_nvm(mac, 1).chunks(4096) {
        assert_eq!(word(bank, 0), 0x1302);
        assert_eq!(bank[..6], mac.0);
    }
}

/// Worked by hand. Words 0 to 2 of 00:00:5e:00:53:29 are 0000h, 005Eh, 2953h; with 8000h in word 13h and 0001h in word 03h
/// they add up to A9B2h, so word 3Fh has to be BABAh - A9B2h = 1108h. For 02:00:00:00:00:01 the words are 0002h, 0000h,
/// 0100h; the sum is 8103h and the word 39B7h.
#[test]
fn sums_are_those_of_the_worked_example() {
    let mut bytes = region(&[(0, 0x0000), (1, 0x005E), (2, 0x2953), (0x03, 1), (0x13, 0x8000), (0x3F, 0x1108)]);
    let nvm = Nvm::parse(&bytes).unwrap();
    let wanted = Bank {
        blank: false,
        valid: true,
        sum: Sum::Holds,
        sum_flag: true,
        mac: Some(mac("00:00:5e:00:53:29")),
        alternate: None,
    };
    assert_eq!(nvm, Nvm { banks: [wanted; 2], bank_size: 4096 });
    assert_eq!((nvm.in_force(), nvm.mac()), (Some(0), wanted.mac));

    assert_eq!(set_address(&mut bytes, mac("02:00:00:00:00:01")), Ok([true; 2]));
    let after = region(&[(0, 0x0002), (1, 0), (2, 0x0100), (0x03, 1), (0x13, 0x8000), (0x3F, 0x39B7)]);
    assert_eq!(bytes, after);
}

/// Linux e1000e `ich8lan.c`: bank 0 is looked at first, then bank 1; only 10b counts.
#[test]
fn the_first_bank_marked_10b_is_in_force() {
    let of = |first: u16, second: u16| {
        let mut bytes = region(&[]);
        put(&mut bytes, 0x13, first);
        put(&mut bytes[BANK_SIZE..], 0x13, second);
        Nvm::parse(&bytes).unwrap().in_force()
    };
    assert_eq!(of(0x8000, 0x8000), Some(0));
    assert_eq!(of(0xBFFF, 0x0000), Some(0));
    for other in [0x0000, 0x4000, 0x3FFF, 0xC000, 0xFFFF] {
        assert_eq!(of(other, 0x8123), Some(1), "{other:#06x}");
        assert_eq!(of(other, other), None, "{other:#06x}");
    }
}

/// Flags: Linux e1000e `defines.h` and `ich8lan.c`. FFFFh: `nvm.c`, NVM_CHECKSUM_UNINITIALIZED.
#[test]
fn a_sum_holds_or_fails_or_was_never_made() {
    let sum = |words: &[(usize, u16)]| {
        let bank = Nvm::parse(&region(words)).unwrap().banks[0];
        (bank.sum, bank.sum_flag)
    };
    assert_eq!(sum(&[(0x3F, 0xBABA)]), (Sum::Holds, false));
    assert_eq!(sum(&[(0x03, 1), (0x3F, 0xBAB9)]), (Sum::Holds, true));
    assert_eq!(sum(&[(0x03, 1), (0x3F, 0xBABA)]), (Sum::Fails, true));
    assert_eq!(sum(&[(0x19, 0x40), (0x3F, 0xBABA)]), (Sum::Fails, true));
    assert_eq!(sum(&[(0x03, 0xFFFE), (0x19, 0xFFBF), (0x3F, 1)]), (Sum::NotMade, false));
    assert_eq!(sum(&[(0x03, 1), (0x3F, 0xFFFF)]), (Sum::NotInitialised, true));
    // FFFFh that is the right sum is one: BABBh and FFFFh add up to BABAh.
    assert_eq!(sum(&[(0x03, 1), (0x10, 0xBABA), (0x3F, 0xFFFF)]), (Sum::Holds, true));
}

#[test]
fn no_address_and_an_alternate_one_are_told() {
    let bank = |words: &[(usize, u16)]| Nvm::parse(&region(words)).unwrap().banks[1];
    assert_eq!(bank(&[(0x10, 1)]).mac, None);
    assert_eq!(bank(&[(0, 0xFFFF), (1, 0xFFFF), (2, 0xFFFF)]).mac, None);
    assert_eq!(bank(&[(2, 0x0100)]).mac, Some(mac("00:00:00:00:00:01")));
    for (pointer, alternate) in [(0, None), (0xFFFF, None), (0x0123, Some(0x0123))] {
        assert_eq!(bank(&[(0x37, pointer)]).alternate, alternate);
    }
    let mut damaged = region(&[(2, 0x0100), (0x03, 1), (0x13, 0x8000)]);
    assert_eq!(Nvm::parse(&damaged).unwrap().mac(), None, "the bank in force fails its sum");
    put(&mut damaged, 0x3F, 0x39B9);
    assert_eq!(Nvm::parse(&damaged).unwrap().mac(), Some(mac("00:00:00:00:00:01")));
}

#[test]
fn another_address_changes_nothing_but_address_and_checksum() {
    let first = network_nvm(Mac::drawn(1), 7);
    let mut second = first.clone();
    set_address(&mut second, Mac::drawn(2)).unwrap();
    assert_eq!(second, network_nvm(Mac::drawn(2), 7));
    let differing: Vec<usize> = (0..8192).filter(|at| first[*at] != second[*at]).collect();
    assert!(differing.iter().all(|at| at % 4096 < 6 || [0x7E, 0x7F].contains(&(at % 4096))), "{differing:?}");
    assert!(!differing.is_empty());
}

#[test]
fn a_blank_bank_stays_blank_and_a_bank_that_fails_stays_as_it_is() {
    let good = network_nvm(Mac::drawn(1), 7);
    let mut half = good.clone();
    half[BANK_SIZE..].fill(0xFF);
    assert_eq!(set_address(&mut half, Mac::drawn(2)), Ok([true, false]));
    assert!(half[BANK_SIZE..].iter().all(|byte| *byte == 0xFF));
    assert_eq!(half[..BANK_SIZE], network_nvm(Mac::drawn(2), 7)[..BANK_SIZE]);

    let mut damaged = good.clone();
    damaged[BANK_SIZE + 0x20] ^= 1;
    let before = damaged.clone();
    assert_eq!(set_address(&mut damaged, Mac::drawn(2)), Ok([true, false]));
    assert_eq!(damaged[BANK_SIZE..], before[BANK_SIZE..]);

    // The bank in force decides: when it fails, the second one is not written either.
    let mut first_damaged = good;
    first_damaged[0x20] ^= 1;
    let before = first_damaged.clone();
    assert_eq!(set_address(&mut first_damaged, Mac::drawn(2)), Err(NvmError::SumFails { bank: 0 }));
    assert_eq!(first_damaged, before);
}

#[test]
fn where_no_sum_was_made_none_is_made() {
    for words in [[(0x03, 1), (0x13, 0x8000), (0x3F, 0xFFFF)], [(0x03, 0), (0x13, 0x8000), (0x3F, 0x1234)]] {
        let original = region(&words);
        let mut bytes = original.clone();
        set_address(&mut bytes, Mac::drawn(5)).unwrap();
        assert_eq!(word(&bytes, 0x3F), words[2].1);
        assert_eq!(Nvm::parse(&bytes).unwrap().mac(), Some(Mac::drawn(5)));
        bytes[..6].fill(0);
        bytes[BANK_SIZE..BANK_SIZE + 6].fill(0);
        assert_eq!(bytes, original);
    }
}

#[test]
fn what_cannot_be_set_is_refused_and_changes_nothing() {
    let good = network_nvm(Mac::drawn(1), 7);
    for (address, why) in
        [(Mac([0; 6]), UnfitMac::Zero), (Mac([0xFF; 6]), UnfitMac::Ones), (Mac([1, 0, 0, 0, 0, 1]), UnfitMac::Group)]
    {
        let mut bytes = good.clone();
        assert_eq!(set_address(&mut bytes, address), Err(NvmError::Unfit(why)));
        assert_eq!(bytes, good);
    }
    let mut blank = vec![0xFF; 8192];
    assert_eq!(set_address(&mut blank, Mac::drawn(1)), Err(NvmError::NoValidBank));
    assert!(blank.iter().all(|byte| *byte == 0xFF));
}

#[test]
fn s10_a_region_of_any_length_is_parsed_or_refused() {
    let good = network_nvm(Mac::drawn(1), 7);
    for len in 0..600 {
        let parsed = Nvm::parse(&good[..len]);
        if len >= 256 && len % 4 == 0 {
            assert_eq!(parsed.unwrap().bank_size, len / 2);
        } else {
            assert_eq!(parsed, Err(NvmError::Size { len }));
        }
    }
}

/// Two other addresses and then the first one again give the first bytes.
#[test]
fn setting_twice_and_back_gives_the_original() {
    let values = (any::<u64>(), any::<[[u8; 6]; 2]>());
    each_value("setting_twice_and_back", 256, &values, |(seed, others)| {
        let original = network_nvm(Mac::drawn(seed), seed);
        let mut bytes = original.clone();
        for other in others {
            set_address(&mut bytes, Mac::local_from(other)).unwrap();
            let nvm = Nvm::parse(&bytes).unwrap();
            prop_assert_eq!(nvm.mac(), Some(Mac::local_from(other)));
            prop_assert_eq!(nvm.banks.map(|bank| bank.sum), [Sum::Holds; 2]);
        }
        set_address(&mut bytes, Mac::drawn(seed)).unwrap();
        prop_assert!(bytes == original);
        Ok(())
    });
}

/// A few set words in an otherwise random bank: without them hardly any would be valid and take an address.
#[test]
fn s10_random_regions_neither_panic_nor_lose_a_byte_on_a_refusal() {
    let words = prop::collection::vec(
        (prop::sample::select(vec![0x03_usize, 0x13, 0x19, 0x37, 0x3F, 0x53]), any::<u16>()),
        0..8,
    );
    let values = (prop::collection::vec(any::<u8>(), 0..520), words, any::<[u8; 6]>());
    each_value("s10_random_regions", 2000, &values, |(mut bytes, words, octets)| {
        for (number, value) in words {
            if bytes.len() >= 2 * number + 2 {
                put(&mut bytes, number, value);
            }
        }
        let before = bytes.clone();
        match set_address(&mut bytes, Mac(octets)) {
            Ok(_) => prop_assert_eq!(Nvm::parse(&bytes).unwrap().mac(), Some(Mac(octets))),
            Err(_) => prop_assert!(bytes == before),
        }
        Ok(())
    });
}
