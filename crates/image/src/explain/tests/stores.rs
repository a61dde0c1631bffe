//! Variable stores, fault-tolerant-write blocks, network NVMs, descriptors, partition tables.

use super::super::guid::{FTW, GLOBAL, SECURITY, STORE_AUTH, STORE_PLAIN};
use super::*;
use crate::mac::Mac;
use crate::scenario;

/// A plain variable store with these variables: vendor, name, state, data.
fn store(guid: Guid, size: usize, variables: &[(Guid, &str, u8, Vec<u8>)]) -> Vec<u8> {
    let mut bytes = vec![0xFF; size];
    put(&mut bytes, 0, &guid.0);
    put(&mut bytes, 16, &(size as u32).to_le_bytes());
    put(&mut bytes, 20, &[0x5A, 0xFE, 0, 0, 0, 0, 0, 0]);
    let (head, name_at) = if guid == STORE_AUTH { (60, 36) } else { (32, 8) };
    let mut at = 28;
    for (vendor, name, state, data) in variables {
        let name = text16(name);
        put(&mut bytes, at, &vec![0; head]);
        put(&mut bytes, at, &[0xAA, 0x55, *state, 0, 7, 0, 0, 0]);
        put(&mut bytes, at + name_at, &(name.len() as u32).to_le_bytes());
        put(&mut bytes, at + name_at + 4, &(data.len() as u32).to_le_bytes());
        put(&mut bytes, at + name_at + 8, &vendor.0);
        put(&mut bytes, at + head, &name);
        put(&mut bytes, at + head + name.len(), data);
        at = (at + head + name.len() + data.len()).next_multiple_of(4);
    }
    bytes
}

#[test]
fn variables_of_every_state_are_read_in_both_formats() {
    let states = [
        (0x3F, "added"),
        (0x3E, "in-deleted-transition"),
        (0x3C, "deleted"),
        (0x3D, "deleted"),
        (0x7F, "header-valid"),
    ];
    for guid in [STORE_PLAIN, STORE_AUTH] {
        let variables: Vec<_> = states.iter().map(|(state, _)| (GLOBAL, "BootOrder", *state, vec![1, 2, 3])).collect();
        let explanation = sound(&store(guid, 4096, &variables));
        assert_eq!(codes(&explanation), Vec::<&str>::new());
        let found = of_kind(&explanation, Kind::Variable);
        let seen: Vec<_> = found.iter().map(|it| it.state.unwrap()).collect();
        assert_eq!(seen, states.map(|(_, state)| state));
        for variable in found {
            assert_eq!((variable.name.as_deref(), variable.guid), (Some("BootOrder"), Some(GLOBAL)));
            assert_eq!(variable.size - variable.lead, 3);
        }
    }
}

#[test]
fn a_store_says_what_is_wrong_in_it() {
    let good = store(STORE_PLAIN, 2048, &[(GLOBAL, "Lang", 0x3F, vec![9; 5]), (GLOBAL, "Timeout", 0x3F, vec![1, 0])]);
    let broken = |change: &dyn Fn(&mut Vec<u8>)| {
        let mut image = good.clone();
        change(&mut image);
        codes(&sound(&image))
    };
    assert_eq!(broken(&|image| image[28 + 2] = 0x2F), ["variable-state"]);
    assert_eq!(broken(&|image| put(image, 28 + 12, &[0xF0, 0xFF, 0, 0])), ["variable-size"]);
    assert_eq!(broken(&|image| image[28] ^= 1), ["store-not-erased"]);
    assert_eq!(broken(&|image| image[21] = 0xFC), ["store-state"]);
    assert_eq!(broken(&|image| image[18] = 1), ["store-size"]);
    assert_eq!(broken(&|image| image[2000] = 0), ["store-not-erased"]);
}

#[test]
fn signature_lists_have_to_divide() {
    let mut list = vec![0x11; 28 + 2 * 48];
    for (at, value) in [(16, 28 + 2 * 48_u32), (20, 0), (24, 48)] {
        put(&mut list, at, &value.to_le_bytes());
    }
    let with = |data: Vec<u8>, state| codes(&sound(&store(STORE_AUTH, 4096, &[(SECURITY, "db", state, data)])));
    assert!(with([list.clone(), list.clone()].concat(), 0x3F).is_empty());
    assert!(with(Vec::new(), 0x3F).is_empty());
    for at in [16, 20, 24] {
        let mut wrong = list.clone();
        wrong[at] ^= 1;
        assert_eq!(with(wrong.clone(), 0x3F), ["variable-signature-lists"]);
        assert!(with(wrong, 0x3C).is_empty(), "nobody reads deleted ones");
    }
    let mut zero = list;
    zero[24] = 0;
    assert_eq!(with(zero, 0x3F), ["variable-signature-lists"]);
}

#[test]
fn a_working_block_is_known_by_its_crc() {
    let mut block = vec![0xFF; 4096];
    put(&mut block, 0, &FTW.0);
    put(&mut block, 24, &(4096 - 32_u64).to_le_bytes());
    let crc = crc32fast::hash(&block[..32]);
    put(&mut block, 16, &crc.to_le_bytes());
    block[20] = 0xFE;
    let image = [vec![0xFF; 8192], block.clone()].concat();
    let explanation = sound(&image);
    let ftw = of_kind(&explanation, Kind::Ftw)[0];
    assert_eq!((ftw.at, ftw.size, ftw.state, answer(ftw, "head-crc-32")), (8192, 4096, Some("valid"), Some(true)));
    block[25] ^= 0x04;
    assert_eq!(codes(&sound(&block)), ["ftw-crc-32"]);
}

#[test]
fn the_worked_example_shows_its_regions_and_its_address() {
    let mac = Mac::drawn(3);
    let image = scenario::larkspur_main(5, mac);
    let explanation = sound(&image);
    assert!(codes(&explanation).is_empty(), "{:#?}", explanation.findings);
    let regions: Vec<_> = of_kind(&explanation, Kind::Region).iter().map(|it| it.name.clone().unwrap()).collect();
    assert!(regions.iter().any(|name| &**name == "network"), "{regions:?}");
    let nvm = of_kind(&explanation, Kind::Nvm);
    assert_eq!(nvm.len(), 3, "the region and its two banks");
    assert!(nvm.iter().all(|it| it.name.as_deref() == Some(mac.to_string().as_str())));
    let mut redacted = explanation.clone();
    redacted.redact();
    assert!(!format!("{redacted:?}").contains(&mac.to_string()));
}
