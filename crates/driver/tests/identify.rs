//! Identifying chips on the virtual bench: the whole catalogue, real chips' tables, and chips that are not what they say.

mod common;

use common::{LOWERED, ON_LINK, SMALL, bench, fault, identify, random, run, seeded_bench, seeds};
use driver::{DriverError, Identity, SizeMeasure};
use nor::catalogue::{self, Entry};
use nor::chip::{Addressing, Chip, Conflict, id_text};
use nor::command::Transfer;
use nor::link::{Link, LinkError, Request};
use nor::protection::{Layout, Protection, VOLATILE_BITS};
use nor::sfdp::{self, Tables};
use serde_json::Value;
use sim::VirtualBench;

/// Content in which each 64 KiB block differs from its neighbours, and which is quickly made.
fn blocks(size: u32) -> Vec<u8> {
    let mut content = vec![0; size as usize];
    for (index, block) in (1_u32..).zip(content.chunks_mut(65_536)) {
        block.fill((index.wrapping_mul(0x9E37_79B1) >> 24) as u8);
    }
    content
}

fn send(bench: &mut VirtualBench, write: &[u8]) {
    let transfer = Transfer { write: write.to_vec(), read: 0 };
    bench.run(&Request::Transfer(transfer), u64::MAX).expect("the link is there");
}

fn keys(id: &[u8], size: u32, tables: &[u8]) -> String {
    format!("id = \"{}\"\nsize = {size}\nsfdp = \"{}\"", id_text(id), id_text(tables))
}

/// How far the tables of a chip are read: to the end of its basic table.
fn needed(tables: &[u8]) -> Option<usize> {
    let mut padded = tables.to_vec();
    padded.resize(sfdp::MOST_BYTES, 0xFF);
    sfdp::bytes_needed(&padded).ok()
}

fn of_entry(entry: &Entry) -> (VirtualBench, Identity) {
    let chip = format!("marking = \"{}\"\nid = \"{}\"\nsize = {}", entry.markings[0], id_text(&entry.id), entry.size);
    let mut bench = bench(&chip, LOWERED, &blocks(entry.size));
    let identity = identify(&mut bench);
    (bench, identity)
}

#[test]
fn every_chip_of_the_catalogue_is_known_again() {
    for entry in catalogue::entries() {
        let name = &entry.markings[0];
        let (mut bench, identity) = of_entry(entry);
        let chip = &identity.chip;
        let more = entry.id_more.first().map_or(&[][..], |more| more);
        assert_eq!((chip.id.clone(), chip.size), ([&entry.id[..], more].concat(), entry.size), "{name}");
        assert!(entry.markings.iter().all(|marking| chip.markings.contains(marking)), "{name}: {:?}", chip.markings);
        if chip.addressing != Addressing::Unknown {
            assert_eq!(identity.size, SizeMeasure::Measured(entry.size), "{name}");
        }
        assert_eq!(
            identity.tables,
            entry.tables.as_ref().map(|all| all[..needed(all).expect("sound")].to_vec()),
            "{name}"
        );
        let state = bench.chip_state();
        let unique_id = Some(&state.unique_id[..]).filter(|_| entry.id[0] == 0xEF);
        assert_eq!(identity.unique_id.as_deref(), unique_id, "{name}");
        let comes_up = entry.protection.filter(|_| entry.protection_is_volatile).map_or(0, Layout::mask);
        let mut status = vec![0; chip.status.reads.len()];
        status[0] = comes_up;
        assert_eq!(identity.status, status, "{name}");
        assert_eq!(identity.status[0] & !VOLATILE_BITS, comes_up, "{name}");
        assert!(!state.four_byte && !state.write_enabled && !state.deaf, "{name}: {state:?}");
        assert!(bench.wear().iter().all(|erases| *erases == 0) && bench.chip_content() == blocks(entry.size), "{name}");
    }
}

#[test]
fn real_chips_tables_are_read_and_believed() {
    let (mut writable, mut unreachable) = (Vec::new(), Vec::new());
    for line in include_str!("../../nor/tests/data/tables.jsonl").lines() {
        let row: Value = serde_json::from_str(line).expect("JSON");
        if row["kind"] != "whole" {
            continue;
        }
        let part = row["part"].as_str().expect("a part");
        let bytes = |key: &str| -> Vec<u8> {
            let text = row[key].as_str().expect("hexadecimal");
            (0..text.len()).step_by(2).map(|at| u8::from_str_radix(&text[at..at + 2], 16).expect("digits")).collect()
        };
        let (id, all) = (bytes("id"), bytes("hex"));
        let size = u32::try_from(row["size"].as_u64().expect("a size")).expect("a chip's size");
        let mut bench = bench(&keys(&id, size, &all), LOWERED, &blocks(size));
        let identity = identify(&mut bench);
        let read = &all[..needed(&all).expect("sound")];
        assert_eq!(identity.tables.as_deref(), Some(read), "{part}");
        assert_eq!(identity.unique_id.is_some(), id[0] == 0xEF, "{part}");
        let mut expected = Chip::describe(&id, Some(&Tables::parse(read)), 0);
        match identity.size {
            SizeMeasure::Measured(measured) => {
                assert_eq!(measured, size, "{part}");
                expected.take_measured_size(measured);
            }
            SizeMeasure::Unproven => assert_eq!(expected.addressing, Addressing::Unknown, "{part}"),
        }
        assert_eq!(identity.chip, expected, "{part}");
        if identity.chip.is_writable() {
            writable.push(part.to_owned());
        }
        if identity.chip.addressing == Addressing::Unknown {
            unreachable.push(part.to_owned());
        }
        assert!(
            !bench.chip_state().four_byte || expected.addressing == Addressing::Four,
            "{part} keeps its address width"
        );
    }
    assert!(writable.len() > 35, "{writable:?}");
    assert!(!writable.iter().any(|part| part.starts_with("ZD25Q128C")), "s5: 2 MiB under the id of 16 MiB");
    assert!(unreachable.is_empty(), "{unreachable:?}");
}

#[test]
fn a_line_that_floats_is_no_chip() {
    for (id, level) in [("ffffff", 0xFF), ("000000", 0x00)] {
        let mut bench = bench(&format!("id = \"{id}\"\nsize = 1048576"), LOWERED, &random(1, 1 << 20));
        let result = run(&mut bench, driver::identify);
        assert!(matches!(result, Err(DriverError::NoChip { ref read }) if *read == [level; 3]), "{result:?}");
    }
    let mut unplugged = bench(SMALL, "[link]\npresent = false\n", &random(1, 1 << 20));
    let result = run(&mut unplugged, driver::identify);
    assert!(matches!(result, Err(DriverError::Link { source: LinkError::Gone, .. })), "{result:?}");
}

#[test]
fn a_sleeping_chip_is_woken() {
    let mut bench = bench(SMALL, LOWERED, &random(1, 1 << 20));
    send(&mut bench, &[0xB9]);
    assert!(bench.chip_state().asleep);
    assert_eq!(identify(&mut bench).chip.id, [0xEF, 0x40, 0x14]);
    assert!(!bench.chip_state().asleep);
}

#[test]
fn s2_a_chip_left_erasing_is_waited_for() {
    let mut bench = bench(SMALL, LOWERED, &random(1, 1 << 20));
    send(&mut bench, &[0x06]);
    send(&mut bench, &[0xD8, 0x01, 0, 0]);
    assert!(bench.chip_state().busy);
    assert_eq!(identify(&mut bench).size, SizeMeasure::Measured(1 << 20));
}

#[test]
fn s2_a_chip_left_in_four_byte_mode_is_brought_back() {
    // The second one is no Winbond part: its mode changes only after 06h, and it has no unique id.
    for (chip, enter) in [
        ("marking = \"W25Q256\"\nid = \"ef4019\"", &[&[0xB7_u8][..]][..]),
        ("id = \"20ba19\"\nsize = 33554432\nsfdp = \"SFDP\"", &[&[0x06], &[0xB7]]),
    ] {
        let tables = include_str!("../../nor/tests/data/tables.jsonl").lines().next().expect("N25Q256A stands first");
        let tables: Value = serde_json::from_str(tables).expect("JSON");
        let chip = chip.replace("SFDP", tables["hex"].as_str().expect("hexadecimal"));
        let mut bench = bench(&chip, LOWERED, &blocks(32 << 20));
        let fresh = identify(&mut bench);
        for command in enter {
            send(&mut bench, command);
        }
        assert!(bench.chip_state().four_byte);
        assert_eq!(identify(&mut bench), fresh);
        let state = bench.chip_state();
        assert!(!state.four_byte && !state.write_enabled, "{state:?}");
        assert_eq!(fresh.size, SizeMeasure::Measured(32 << 20));
    }
}

#[test]
fn s5_a_chip_smaller_than_its_id_says_is_measured_and_not_written() {
    for link in [LOWERED, ON_LINK] {
        let mut small = bench("id = \"ef4018\"\nsize = 8388608", link, &random(3, 8 << 20));
        let identity = identify(&mut small);
        assert_eq!(identity.size, SizeMeasure::Measured(8 << 20));
        let conflict = Conflict::Measured { measured: 8 << 20, declared: 16 << 20 };
        assert_eq!(identity.chip.conflicts, [conflict]);
        assert!(!identity.chip.is_writable());
        assert_eq!(identity.chip.size, 16 << 20, "reading misses nothing");
    }
}

#[test]
fn s5_a_chip_larger_than_its_id_says_is_measured_and_not_written() {
    let whole = random(4, 16 << 20);
    let mut sparse = vec![0xFF; 16 << 20];
    sparse[..8 << 20].copy_from_slice(&whole[..8 << 20]);
    sparse[12 << 20..13 << 20].copy_from_slice(&whole[..1 << 20]);
    for (name, content) in [("full", &whole), ("mostly blank above", &sparse)] {
        let mut large = bench("id = \"ef4017\"\nsize = 16777216", LOWERED, content);
        let identity = identify(&mut large);
        assert_eq!(identity.size, SizeMeasure::Measured(16 << 20), "{name}");
        assert_eq!(identity.chip.conflicts, [Conflict::Measured { measured: 16 << 20, declared: 8 << 20 }], "{name}");
    }
}

#[test]
fn a_size_that_the_content_cannot_show_is_called_unproven() {
    let half = random(5, 8 << 20);
    let doubled = [half.as_slice(), &half].concat();
    for (name, content) in [("blank", vec![0xFF; 16 << 20]), ("zeros", vec![0; 16 << 20]), ("doubled", doubled)] {
        // Catalogue and tables agree on the size.
        let mut bench = bench("marking = \"W25Q128\"\nid = \"ef4018\"", LOWERED, &content);
        let identity = identify(&mut bench);
        assert_eq!(identity.size, SizeMeasure::Unproven, "{name}");
        assert!(identity.chip.is_writable(), "{name}: {:?}", identity.chip.conflicts);
    }
    // A blank chip cannot be shown to be smaller either; a doubled content with one source counts as a wrap.
    let mut blank = bench("id = \"ef4018\"\nsize = 8388608", LOWERED, &vec![0xFF; 8 << 20]);
    assert_eq!(identify(&mut blank).size, SizeMeasure::Unproven);
}

#[test]
fn s5_a_chip_that_nothing_describes_is_measured_and_not_written() {
    let mut bench = bench("id = \"770102\"\nsize = 2097152", LOWERED, &random(6, 2 << 20));
    let identity = identify(&mut bench);
    assert_eq!(identity.size, SizeMeasure::Measured(2 << 20));
    assert_eq!((identity.chip.size, identity.chip.conflicts.as_slice()), (2 << 20, &[Conflict::Undescribed][..]));
    assert_eq!((identity.unique_id, identity.status.len()), (None, 1));
}

#[test]
fn s5_an_opcode_of_another_maker_is_not_sent_to_a_chip_that_would_go_deaf() {
    let chip = "id = \"c22018\"\nsize = 16777216";
    let mut touchy = bench(chip, &format!("{LOWERED}{}", fault("deaf-after-opcode", "")), &random(7, 16 << 20));
    let identity = identify(&mut touchy);
    assert_eq!(identity.chip.id, [0xC2, 0x20, 0x18]);
    assert!(!touchy.chip_state().deaf);
}

#[test]
fn what_the_status_protects_is_told() {
    for (word, expected) in [
        ("none", Protection::None),
        ("all", Protection::Range { at: 0, len: 2 << 20 }),
        ("upper-half", Protection::Range { at: 1 << 20, len: 1 << 20 }),
        ("lower-quarter", Protection::Range { at: 0, len: 512 << 10 }),
    ] {
        let chip = format!("marking = \"W25Q16DW\"\nprotected = \"{word}\"");
        let mut bench = bench(&chip, LOWERED, &random(8, 2 << 20));
        assert_eq!(identify(&mut bench).protection, expected, "{word}");
    }
    let mut unknown = bench(SMALL, LOWERED, &random(8, 1 << 20));
    assert_eq!(identify(&mut unknown).protection, Protection::Unknown, "s9: no layout is never called unprotected");
}

#[test]
fn noise_is_told_and_never_read_as_another_chip() {
    let (mut told, mut fine) = (0, 0);
    let content = random(9, 1 << 20);
    seeds("noise_is_told_and_never_read_as_another_chip", 40, |seed, _| {
        let sound = identify(&mut seeded_bench(seed, SMALL, LOWERED, &content));
        for rate in ["1e-2", "1e-3", "1e-5", "1e-7"] {
            let noise = fault("noise", &format!("rate = {rate}"));
            let mut noisy = seeded_bench(seed, SMALL, &format!("{LOWERED}{noise}"), &content);
            match run(&mut noisy, driver::identify) {
                Ok(identity) => {
                    assert_eq!(identity, sound, "rate {rate}");
                    fine += 1;
                }
                Err(DriverError::Unsteady { .. }) => told += 1,
                Err(error) => panic!("rate {rate}: {error}"),
            }
        }
    });
    assert!(std::env::var_os("FIRMHAND_SEED").is_some() || told > 0 && fine > 0, "{told} told, {fine} fine");
}

#[test]
fn s6_two_chips_are_never_taken_for_one() {
    let content = random(10, 1 << 20);
    let mut alone = bench(SMALL, LOWERED, &content);
    let first = identify(&mut alone);
    let took_us = alone.now_us();
    let mut outcomes = [0; 3];
    for part in 0..=200 {
        let moment = took_us * part / 190;
        let swap = fault("wrong-chip", &format!("from_us = {moment}\nto = \"W25Q64\""));
        let mut swapped = bench(SMALL, &format!("{LOWERED}{swap}"), &content);
        match run(&mut swapped, driver::identify) {
            Ok(identity) if identity == first => outcomes[0] += 1,
            Ok(identity) => {
                assert_eq!(identity.chip.id, [0xEF, 0x40, 0x17], "at {moment} us");
                assert_eq!(identity.chip.catalogue_size, Some(8 << 20), "at {moment} us");
                outcomes[1] += 1;
            }
            Err(DriverError::Unsteady { .. }) => outcomes[2] += 1,
            Err(error) => panic!("at {moment} us: {error}"),
        }
    }
    assert!(outcomes[0] >= 10 && outcomes[1] >= 1 && outcomes[2] >= 100, "{outcomes:?}");
}
