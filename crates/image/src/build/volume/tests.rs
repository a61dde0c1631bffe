//! Against headers of a real image, and the sums of the standard.

use super::*;

const ONE: Guid = guid::guid("11111111-2222-3333-4444-555555555555");

fn sum(bytes: &[u8]) -> u8 {
    bytes.iter().fold(0, |sum, byte| sum.wrapping_add(*byte))
}

/// The first 120 bytes of Debian's OVMF_CODE_4M.fd (package ovmf 2022.11-6+deb12u2), by its known facts: size, block
/// map, attributes 0004FEFFh, checksum 62F3h, a name in an extended header at 60h within a pad file of 2Ch bytes at
/// 48h.
#[test]
fn the_header_of_a_real_volume_comes_out() {
    let volume = Volume::ffs2(3_440_640).named(guid::guid("48db5e17-707c-472d-91cd-1613e7ef51b0")).build().unwrap();
    assert_eq!(volume[0x20..0x28], 3_440_640_u64.to_le_bytes());
    assert_eq!(volume[0x2C..0x30], 0x0004_FEFF_u32.to_le_bytes());
    assert_eq!(volume[0x30..0x38], [0x48, 0, 0xF3, 0x62, 0x60, 0, 0, 2]);
    assert_eq!(volume[0x38..0x48], [0x48, 3, 0, 0, 0, 0x10, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0]);
    // The pad file's whole hash is among the known facts too.
    use sha2::{Digest, Sha256};
    let hash: String = Sha256::digest(&volume[0x48..0x74]).iter().map(|byte| format!("{byte:02x}")).collect();
    assert_eq!(hash, "addc4bbbc7716f3b134d268434daaba0c655f7e679f5fbbb158a75a0c4a29094");
    assert!(volume[0x74..].iter().all(|byte| *byte == 0xFF));
}

#[test]
fn sums_of_header_and_content_come_to_zero() {
    let file = File::new(kind::FREEFORM, ONE).body(b"content with a sum").summed();
    let volume = Volume::ffs2(0x1000).file(file).build().unwrap();
    let words = volume[..0x48].chunks(2).map(|word| u16::from_le_bytes([word[0], word[1]]));
    assert_eq!(words.fold(0, u16::wrapping_add), 0);
    let mut header = volume[0x48..0x60].to_vec();
    assert_eq!((header[0x13], header[0x17]), (0x40, 0xF8));
    assert_eq!(sum(&volume[0x60..0x60 + 18]).wrapping_add(header[0x11]), 0);
    header[0x11] = 0;
    header[0x17] = 0;
    assert_eq!(sum(&header), 0);
}

#[test]
fn states_follow_the_erase_polarity() {
    let states = [
        (FileState::HeaderConstruction, 0x01),
        (FileState::HeaderInvalid, 0x21),
        (FileState::HeaderValid, 0x03),
        (FileState::DataValid, 0x07),
        (FileState::MarkedForUpdate, 0x0F),
        (FileState::Deleted, 0x17),
    ];
    for (state, bits) in states {
        let file = || File::new(kind::RAW, ONE).body(&[1; 8]).state(state);
        let one = Volume::ffs2(0x1000).file(file()).build().unwrap();
        let zero = Volume::ffs2(0x1000).erased_to_zero().file(file()).build().unwrap();
        assert_eq!((one[0x48 + 0x17], zero[0x48 + 0x17]), (!bits, bits), "{state:?}");
        assert_eq!((one[0x2D] & 8, zero[0x2D] & 8), (8, 0));
        assert_eq!((one[0xFFF], zero[0xFFF]), (0xFF, 0x00));
        assert_eq!(one[0x60] == 1, state.has_body(), "{state:?}");
    }
}

#[test]
fn content_is_aligned_behind_a_pad_file() {
    for alignment in [16, 128, 512, 1024, 4096, 32 << 10, 64 << 10, 128 << 10, 1 << 20] {
        let content = [0xC5; 40];
        let odd = File::new(kind::RAW, ONE).body(&[0; 13]);
        let file = File::new(kind::RAW, ONE).body(&content).aligned(alignment);
        let volume = Volume::ffs2(2 << 20).file(odd).file(file).build().unwrap();
        let at = volume.windows(40).position(|window| window == content).unwrap();
        assert_eq!(at % alignment, 0);
        assert_eq!(1_usize << (volume[0x2E] & 0x1F), alignment.max(16));
        // From file to file by the sizes, the walk comes to it.
        let mut walk = 0x48;
        while walk + 24 < at {
            let size = u32::from_le_bytes([volume[walk + 0x14], volume[walk + 0x15], volume[walk + 0x16], 0]);
            assert!(size >= 24);
            walk += (size as usize).next_multiple_of(8);
        }
        assert_eq!(walk + 24, at, "alignment {alignment}");
    }
}

#[test]
fn the_volume_top_file_ends_where_the_volume_ends() {
    let top = File::new(kind::RAW, guid::VOLUME_TOP).body(&[0x90; 104]);
    let volume = Volume::ffs2(0x4000).file(driver(ONE, "First", &[0; 77])).file(top.clone()).build().unwrap();
    assert_eq!(volume[0x4000 - 128..0x4000 - 112], guid::VOLUME_TOP);
    assert_eq!(volume[0x4000 - 104..], [0x90; 104]);
    let late = Volume::ffs2(0x4000).file(top).file(driver(ONE, "Late", &[0; 9])).build();
    assert_eq!(late.unwrap_err(), VolumeError::AfterTop { number: 1 });
    let top = |len| File::new(kind::RAW, guid::VOLUME_TOP).body(&vec![0x90; len]);
    let odd = Volume::ffs2(0x1000).file(top(100)).build();
    assert_eq!(odd.unwrap_err(), VolumeError::Top { number: 0, len: 124 });
    // Eight bytes too few for a pad file's header before it.
    let tight = Volume::ffs2(0x1000).file(top(0x1000 - 0x48 - 24 - 16)).build();
    assert_eq!(tight.unwrap_err(), VolumeError::Full { number: 0, short: 8 });
    assert!(Volume::ffs2(0x1000).file(top(0x1000 - 0x48 - 24)).build().is_ok());
    assert!(Volume::ffs2(0x1000).file(top(0x1000 - 0x48 - 24 - 24)).build().is_ok());
}

#[test]
fn large_files_have_the_extended_size_and_need_file_system_3() {
    let file = || File::new(kind::RAW, ONE).body(&[7; 50]).large();
    assert_eq!(Volume::ffs2(0x1000).file(file()).build().unwrap_err(), VolumeError::Large { number: 0 });
    let volume = Volume::ffs3(0x1000).file(file()).build().unwrap();
    assert_eq!(volume[0x48 + 0x13] & 1, 1);
    assert_eq!(volume[0x48 + 0x14..0x48 + 0x17], [0; 3]);
    assert_eq!(volume[0x48 + 0x18..0x48 + 0x20], 82_u64.to_le_bytes());
    assert_eq!(volume[0x48 + 0x20..0x48 + 0x52], [7; 50]);
    let mut header = volume[0x48..0x68].to_vec();
    header[0x11] = 0;
    header[0x17] = 0;
    assert_eq!(sum(&header), 0);
}

#[test]
fn several_blocks_make_the_header_longer() {
    let volume = Volume::ffs2(0x30000).blocks(&[(8, 0x2000), (2, 0x10000)]).named(ONE).build().unwrap();
    assert_eq!(volume[0x30], 0x50);
    assert_eq!(volume[0x34], 0x68);
    assert_eq!(volume[0x68..0x78], ONE);
    let wrong = Volume::ffs2(0x30000).blocks(&[(8, 0x2000)]).build();
    assert_eq!(wrong.unwrap_err(), VolumeError::Blocks { mapped: 0x10000, size: 0x30000 });
}

#[test]
fn what_does_not_fit_is_told_with_its_number() {
    let file = |len| File::new(kind::RAW, ONE).body(&vec![0; len]);
    let error = Volume::ffs2(0x1000).file(file(10)).file(file(0x1000)).build().unwrap_err();
    let ends_at = (0x48 + 24 + 10_usize).next_multiple_of(8) + 24 + 0x1000;
    assert_eq!(error, VolumeError::Full { number: 1, short: ends_at - 0x1000 });
}
