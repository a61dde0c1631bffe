//! Updates for processors, the table that leads to them, capsules, UF2, descriptors and partition tables.

use super::super::guid::{FMP, PKCS7};
use super::*;
use crate::descriptor::{RegionKind, descriptor};

#[test]
fn an_update_is_believed_by_its_sum_and_blamed_only_when_all_else_fits() {
    let good = microcode(0x906EA, 2000);
    let image = [vec![0xFF; 4096], good.clone(), vec![0xFF; 4096]].concat();
    let explanation = sound(&image);
    let update = of_kind(&explanation, Kind::Microcode)[0];
    assert_eq!((update.at, update.size, update.lead, update.number), (4096, 2048, 48, Some(0x906EA)));
    assert!(codes(&explanation).is_empty());
    let mut damaged = image.clone();
    damaged[4096 + 777] ^= 0x10;
    assert_eq!(codes(&sound(&damaged)), ["microcode-sum"]);
    let mut code = image;
    put(&mut code, 4096 + 8, &0x1234_5678_u32.to_le_bytes());
    assert!(of_kind(&sound(&code), Kind::Microcode).is_empty(), "no date, no sum: code that looks alike");
}

/// An entry's own rule can fail while both sums hold (Intel SDM 3A).
#[test]
fn the_table_of_further_processors_has_two_rules() {
    let mut update = microcode(0x906EA, 960);
    let (head, table) = (48 + 960, 48 + 960);
    update.resize(2048, 0);
    update[head..].fill(0);
    put(&mut update, 0x20, &2048_u32.to_le_bytes());
    put(&mut update, 0x10, &[0; 4]);
    let sum = sum32(&update[..head]).wrapping_neg();
    put(&mut update, 0x10, &sum.to_le_bytes());
    put(&mut update, table, &1_u32.to_le_bytes());
    let own = 0x906EA_u32.wrapping_add(2).wrapping_add(sum);
    let (signature, flags) = (0x906EB_u32, 2_u32);
    for (skew, expected) in [(0, vec![]), (1, vec!["microcode-entry-sum"])] {
        let entry = own.wrapping_sub(signature).wrapping_sub(flags).wrapping_add(skew);
        for (at, value) in [(20, signature), (24, flags), (28, entry)] {
            put(&mut update, table + at, &value.to_le_bytes());
        }
        put(&mut update, table + 4, &[0; 4]);
        let sum = sum32(&update[table..table + 32]).wrapping_neg();
        put(&mut update, table + 4, &sum.to_le_bytes());
        assert_eq!(codes(&sound(&update)), expected);
    }
    update[table + 4] ^= 1;
    assert_eq!(codes(&sound(&update))[0], "microcode-table-sum");
    put(&mut update, table, &u32::MAX.to_le_bytes());
    assert_eq!(codes(&sound(&update)), ["microcode-table-size"]);
}

/// An image of 64 KiB with a table at its middle: a startup module under a sum, an update, a policy that is no address.
fn with_table() -> Vec<u8> {
    let mut image = vec![0xFF; 65536];
    put(&mut image, 0x1000, &microcode(0x906EA, 2000));
    put(&mut image, 0x4000, &[0x21; 256]);
    let address = |at: u64| ((1_u64 << 32) - 65536 + at).to_le_bytes();
    let mut table = vec![0; 64];
    put(&mut table, 0, b"_FIT_   ");
    put(&mut table, 8, &[4, 0, 0, 0, 0, 1, 0x80]);
    put(&mut table, 16, &address(0x1000));
    put(&mut table, 16 + 8, &[0, 0, 0, 0, 0, 1, 0x01]);
    put(&mut table, 32, &address(0x4000));
    put(&mut table, 32 + 8, &[16, 0, 0, 0, 0, 1, 0x87, sum8(&[0x21; 256]).wrapping_neg()]);
    put(&mut table, 48, &[0x70, 0, 0x71, 0, 1, 0, 9, 0, 0, 0, 0, 0, 0, 0, 0x08]);
    table[15] = sum8(&table).wrapping_neg();
    put(&mut image, 0x8000, &table);
    put(&mut image, 65536 - 0x40, &address(0x8000)[..4]);
    image
}

#[test]
fn the_firmware_interface_table_is_found_by_its_pointer_and_its_entries_are_followed() {
    let image = with_table();
    let explanation = sound(&image);
    assert!(codes(&explanation).is_empty(), "{:?}", explanation.findings);
    let table = of_kind(&explanation, Kind::Fit)[0];
    assert_eq!((table.at, table.size, answer(table, "sum")), (0x8000, 64, Some(true)));
    let entries: Vec<_> = table.children.iter().map(|it| (it.number.unwrap(), answer(it, "component-sum"))).collect();
    assert_eq!(entries, [(1, None), (7, Some(true)), (8, None)]);
    assert_eq!(answer(&table.children[0], "target"), Some(true));
    for (at, code) in
        [(0x4001, "fit-component-sum"), (0x1000, "fit-target"), (0x8003, "fit-signature"), (0x8011, "fit-sum")]
    {
        let mut damaged = image.clone();
        damaged[at] ^= 0x20;
        assert!(codes(&sound(&damaged)).contains(&code), "{code} at {at:#x}");
    }
    let mut none = image;
    put(&mut none, 65536 - 0x40, &[0xFF; 4]);
    assert!(of_kind(&sound(&none), Kind::Fit).is_empty());
}

/// Header, then the image.
fn capsule(guid: Guid, lead: usize, body: &[u8]) -> Vec<u8> {
    let mut bytes = vec![0; lead];
    put(&mut bytes, 0, &guid.0);
    put(&mut bytes, 16, &(lead as u32).to_le_bytes());
    put(&mut bytes, 20, &0x5_0000_u32.to_le_bytes());
    put(&mut bytes, 24, &((lead + body.len()) as u32).to_le_bytes());
    [bytes, body.to_vec()].concat()
}

/// The body of a firmware-management capsule with one payload; `version` of the image header.
fn managed(version: u32, signed: bool, payload: &[u8]) -> Vec<u8> {
    let head = [0, 32, 40, 48][version as usize];
    let mut block = Vec::new();
    if signed {
        block = vec![0; 8 + 24 + 100];
        put(&mut block, 8, &(24 + 100_u32).to_le_bytes());
        put(&mut block, 12, &[0x00, 0x02, 0xF1, 0x0E]);
        put(&mut block, 16, &PKCS7.0);
    }
    let mut item = vec![0; head];
    put(&mut item, 0, &version.to_le_bytes());
    put(&mut item, 4, &[0x44; 16]);
    item[20] = 1;
    put(&mut item, 24, &((block.len() + payload.len()) as u32).to_le_bytes());
    let list = [&1_u32.to_le_bytes()[..], &[0, 0, 1, 0], &16_u64.to_le_bytes()].concat();
    [list, item, block, payload.to_vec()].concat()
}

#[test]
fn a_plain_capsule_is_read_at_the_start_of_a_file() {
    for lead in [28, 32, 4096] {
        let image = capsule(Guid([7; 16]), lead, &volume(8192, &[driver(1, "One")]));
        let explanation = sound(&image);
        let [capsule] = &explanation.structures[..] else { panic!("one capsule") };
        assert_eq!((capsule.kind, capsule.lead, answer(capsule, "size")), (Kind::Capsule, lead as u64, Some(true)));
        assert_eq!(capsule.children[0].kind, Kind::PiVolume);
        assert!(codes(&explanation).is_empty());
        assert!(codes(&sound(&image[..image.len() - 1])).contains(&"capsule-size"));
    }
}

#[test]
fn payloads_of_all_three_header_versions_are_read() {
    let payload = volume(8192, &[driver(1, "One")]);
    for (version, signed, lead) in [(1, false, 32), (2, true, 40 + 132), (3, true, 48 + 132)] {
        let image = capsule(FMP, 32, &managed(version, signed, &payload));
        let explanation = sound(&image);
        assert!(codes(&explanation).is_empty(), "{:?}", explanation.findings);
        let item = &explanation.structures[0].children[0];
        assert_eq!((item.kind, item.number, item.lead), (Kind::Capsule, Some(version), lead));
        assert_eq!(item.checks.iter().any(|check| check.name == "signature"), signed);
        assert_eq!(item.children[0].kind, Kind::PiVolume);
    }
    let mut image = capsule(FMP, 32, &managed(3, false, &payload));
    image[32 + 8] = 0xFF;
    image[32 + 9] = 0xFF;
    assert_eq!(codes(&sound(&image)), ["capsule-items"]);
    image = capsule(FMP, 32, &managed(3, false, &payload));
    image[32 + 16 + 24 + 1] ^= 1;
    assert_eq!(codes(&sound(&image)), ["capsule-payload"]);
}

fn uf2(content: &[u8], family: u32) -> Vec<u8> {
    let count = content.len().div_ceil(256);
    let block = |(number, payload): (usize, &[u8])| {
        let mut block = vec![0; 512];
        let words = [
            0x0A32_4655,
            0x9E5D_5157,
            0x2000,
            0x1000_0000 + 256 * number as u32,
            256,
            number as u32,
            count as u32,
            family,
        ];
        for (at, word) in words.into_iter().enumerate() {
            put(&mut block, 4 * at, &word.to_le_bytes());
        }
        put(&mut block, 32, payload);
        put(&mut block, 508, &0x0AB1_6F30_u32.to_le_bytes());
        block
    };
    content.chunks(256).enumerate().flat_map(block).collect()
}

#[test]
fn uf2_blocks_are_put_together_and_read() {
    let content = volume(4096, &[driver(1, "One")]);
    let image = uf2(&content, 0xE48B_FF56);
    let explanation = sound(&image);
    assert!(codes(&explanation).is_empty(), "{:?}", explanation.findings);
    let [file] = &explanation.structures[..] else { panic!("one file") };
    assert_eq!((file.kind, file.number, file.size), (Kind::Uf2, Some(0xE48B_FF56), 8192));
    assert_eq!((file.children[0].kind, file.children[0].at), (Kind::PiVolume, 0));
    assert!(file.children[0].space.is_some());
    let damaged = |at: usize, value: u8| {
        let mut image = image.clone();
        image[at] = value;
        codes(&sound(&image))
    };
    assert!(damaged(512, 0).contains(&"uf2-magics"));
    assert!(damaged(512 + 20, 9).contains(&"uf2-numbers"));
    assert!(damaged(512 + 17, 9).contains(&"uf2-payload"));
    assert!(codes(&sound(&image[..image.len() - 1])).contains(&"uf2-torn"));
}

/// Blocks may come in any order and leave gaps, which read as FFh; two that write one byte are named.
#[test]
fn uf2_blocks_in_any_order_with_gaps_and_twice() {
    let whole = uf2(&volume(4096, &[driver(1, "One")]), 0xE48B_FF56);
    let mut blocks: Vec<Vec<u8>> = whole.chunks(512).map(<[u8]>::to_vec).collect();
    let read = |blocks: &[Vec<u8>]| sound(&blocks.concat());
    let straight = read(&blocks).structures[0].children[0].content_sha256;
    blocks.reverse();
    let backwards = read(&blocks);
    assert_eq!(codes(&backwards), Vec::<&str>::new());
    assert_eq!(backwards.structures[0].children[0].content_sha256, straight);

    // The last quarter stands 512 KiB further on.
    let address = |block: &[u8]| u32::from_le_bytes(block[12..16].try_into().unwrap());
    let last = blocks.iter().map(|block| address(block)).max().unwrap();
    let mut apart = blocks.clone();
    for block in apart.iter_mut().filter(|block| address(block) + 1024 > last) {
        let moved = address(block) + (512 << 10);
        put(block, 12, &moved.to_le_bytes());
    }
    let apart = read(&apart);
    assert_eq!(codes(&apart), Vec::<&str>::new());
    assert_eq!(apart.structures[0].children[0].kind, Kind::PiVolume);

    let mut twice = blocks.clone();
    let shared = address(&twice[1]) + 128;
    put(&mut twice[0], 12, &shared.to_le_bytes());
    assert!(codes(&read(&twice)).contains(&"uf2-twice"));
}

fn flash(regions: &[(RegionKind, std::ops::Range<u32>)]) -> Vec<u8> {
    let mut image = descriptor(regions, 512 << 10).unwrap();
    image.resize(512 << 10, 0xFF);
    image
}

#[test]
fn regions_hold_what_stands_in_them_and_one_flipped_bit_hides_no_map() {
    let map = [(RegionKind::Descriptor, 0..0x1000), (RegionKind::SystemFirmware, 0x4_0000..0x8_0000)];
    let mut image = flash(&map);
    put(&mut image, 0x5_0000, &volume(8192, &[driver(1, "One")]));
    let explanation = sound(&image);
    assert!(codes(&explanation).is_empty(), "{:?}", explanation.findings);
    let top: Vec<_> = explanation.structures.iter().map(|it| (it.kind, it.number, it.at)).collect();
    assert_eq!(top, [(Kind::Region, Some(0), 0), (Kind::Blank, None, 0x1000), (Kind::Region, Some(1), 0x4_0000)]);
    assert_eq!(explanation.structures[0].children[0].kind, Kind::FlashDescriptor);
    let inside: Vec<_> = explanation.structures[2].children.iter().map(|it| (it.kind, it.at)).collect();
    assert_eq!(inside, [(Kind::Blank, 0x4_0000), (Kind::PiVolume, 0x5_0000), (Kind::Blank, 0x5_2000)]);
    image[0x11] ^= 0x40;
    let explanation = sound(&image);
    assert_eq!(codes(&explanation), ["descriptor-signature"]);
    assert_eq!(explanation.structures.len(), 3);
}

#[test]
fn regions_that_overlap_or_go_past_the_end_are_cut_and_named() {
    let map = [(RegionKind::Descriptor, 0..0x1000), (RegionKind::SystemFirmware, 0x4_0000..0x8_0000)];
    let mut image = flash(&map);
    put(&mut image, 0x48, &0x0050_0030_u32.to_le_bytes());
    assert_eq!(codes(&sound(&image)), ["region-overlap"]);
    put(&mut image, 0x48, &0x00FF_0030_u32.to_le_bytes());
    assert_eq!(codes(&sound(&image)), ["region-past-end", "region-overlap"]);
    put(&mut image, 0x40, &[0xFF; 64]);
    assert_eq!(codes(&sound(&image)), ["descriptor-map"]);
    put(&mut image, 0x14, &[0; 4]);
    assert_eq!(codes(&sound(&image)), ["descriptor-map"]);
}

#[test]
fn partitions_of_the_management_region_are_listed() {
    let map = [(RegionKind::Descriptor, 0..0x1000), (RegionKind::Management, 0x1000..0x2_0000)];
    let mut image = flash(&map);
    image[0x1000..0x1010].fill(0x10);
    put(&mut image, 0x1010, b"$FPT");
    put(&mut image, 0x1014, &3_u32.to_le_bytes());
    put(&mut image, 0x1018, &[0x20, 0x10, 0x20, 0]);
    for (entry, (name, offset, len)) in
        [(b"FTPR", 0x2000_u32, 0x3000_u32), (b"NFTP", 0x5000, 0x1000), (b"NONE", 0, 0)].iter().enumerate()
    {
        let at = 0x1030 + 32 * entry;
        put(&mut image, at, &[0; 32]);
        put(&mut image, at, *name);
        put(&mut image, at + 8, &offset.to_le_bytes());
        put(&mut image, at + 12, &len.to_le_bytes());
    }
    image[0x3000..0x6000].fill(0x5A);
    let explanation = sound(&image);
    assert!(codes(&explanation).is_empty(), "{:?}", explanation.findings);
    assert_eq!(of_kind(&explanation, Kind::PartitionTable)[0].at, 0x1010);
    let partitions: Vec<_> = of_kind(&explanation, Kind::Partition)
        .iter()
        .map(|it| (it.name.clone().unwrap(), it.at, it.state.unwrap()))
        .collect();
    assert_eq!(
        partitions,
        [("NONE".into(), 0x1070, "no-place"), ("FTPR".into(), 0x3000, "filled"), ("NFTP".into(), 0x6000, "blank")]
    );
}
