//! JESD216 tables of real chips against independently worked figures (sources in `tests/data/README.md`).

use nor::chip::{Addressing, Chip, Conflict, Times};
use nor::sfdp::{AddressWidths, Basic, SfdpError, Tables, bytes_needed, size_bytes};
use serde_json::Value;

fn hex(text: &str) -> Vec<u8> {
    (0..text.len()).step_by(2).map(|at| u8::from_str_radix(&text[at..at + 2], 16).expect("hexadecimal")).collect()
}

fn lines(text: &str) -> Vec<Value> {
    text.lines().map(|line| serde_json::from_str(line).expect("JSON")).collect()
}

fn tables() -> Vec<Value> {
    lines(include_str!("data/tables.jsonl"))
}

fn basic_of(row: &Value) -> Basic {
    let bytes = hex(row["hex"].as_str().expect("hex"));
    match row["kind"].as_str() {
        Some("whole") => Tables::parse(&bytes).unwrap_or_else(|error| panic!("{}: {error}", row["part"])).basic,
        _ => Basic::parse(&bytes).unwrap_or_else(|error| panic!("{}: {error}", row["part"])),
    }
}

fn pair(row: &Value, key: &str, unit_us: f64) -> Option<Times> {
    let pair = row[key].as_array()?;
    let us = |index: usize| (pair[index].as_f64().expect("a number") * unit_us).round() as u64;
    Some(Times { typical_us: us(0), max_us: us(1) })
}

#[test]
fn all_fifty_three_tables_decode_and_give_the_chips_size() {
    let rows = tables();
    assert_eq!(rows.len(), 53);
    assert_eq!(rows.iter().filter(|row| row["kind"] == "whole").count(), 46);
    for row in &rows {
        let basic = basic_of(row);
        let size = row["size"].as_u64().expect("a size");
        match (row["part"].as_str().expect("a part"), row["kind"].as_str()) {
            ("MX25L51245G", Some("basic")) => {
                assert_eq!(basic.size, Err(SfdpError::Size { dword2: 0xFFFF_FF1F }));
            }
            ("ZD25Q128C (Zetta)", _) => assert_eq!(basic.size, Ok(2 << 20)),
            (part, _) => assert_eq!(basic.size.map(u64::from), Ok(size), "{part}"),
        }
        assert!(!basic.erases.is_empty(), "{}", row["part"]);
        assert!(basic.erases.iter().any(|erase| erase.size == 4096), "{}", row["part"]);
        assert_eq!(basic.page.is_some(), basic.dwords.len() >= 11, "{}", row["part"]);
    }
}

#[test]
fn times_equal_the_independently_worked_figures() {
    let expected = lines(include_str!("data/times.jsonl"));
    let mut met = 0;
    for row in &tables() {
        let basic = basic_of(row);
        let [Some(word10), Some(word11)] = [basic.dwords.get(9), basic.dwords.get(10)] else {
            continue;
        };
        let Some(times) = expected
            .iter()
            .find(|times| times["id"] == row["id"] && times["dword10"] == *word10 && times["dword11"] == *word11)
        else {
            panic!("no worked figures for {}", row["part"]);
        };
        met += 1;
        let part = &row["part"];
        assert_eq!(basic.page.map(u64::from), times["page_bytes"].as_u64(), "{part}");
        assert_eq!(basic.program, pair(times, "page_us", 1.0), "{part}");
        assert_eq!(basic.chip_erase, pair(times, "chip_ms", 1000.0), "{part}");
        for (size, key) in [(4096, "erase_4k_ms"), (32_768, "erase_32k_ms"), (65_536, "erase_64k_ms")] {
            let Some(wanted) = pair(times, key, 1000.0) else {
                continue;
            };
            let stated: Vec<_> =
                basic.erases.iter().filter(|erase| erase.size == size).filter_map(|erase| erase.times).collect();
            assert!(stated.contains(&wanted), "{part}, blocks of {size}: {stated:?}, expected {wanted:?}");
        }
    }
    assert!(met >= 30, "{met} tables have times");
}

/// Rows whose table was not posted whole: the words alone, in a table with 4, 32 and 64 KiB blocks.
#[test]
fn times_follow_from_the_two_words_alone() {
    for row in lines(include_str!("data/times.jsonl")) {
        let mut words = [0xFFFF_20E5_u32, 0x07FF_FFFF, 0, 0, 0, 0, 0, 0x520F_200C, 0x0000_D810, 0, 0];
        words[9] = u32::try_from(row["dword10"].as_u64().expect("a word")).expect("32 bits");
        words[10] = u32::try_from(row["dword11"].as_u64().expect("a word")).expect("32 bits");
        let bytes: Vec<u8> = words.iter().flat_map(|word| word.to_le_bytes()).collect();
        let basic = Basic::parse(&bytes).expect("a basic table");
        assert_eq!(basic.program, pair(&row, "page_us", 1.0), "{}", row["part"]);
        assert_eq!(basic.chip_erase, pair(&row, "chip_ms", 1000.0), "{}", row["part"]);
        assert_eq!(basic.erases[0].times, pair(&row, "erase_4k_ms", 1000.0), "{}", row["part"]);
    }
}

/// Worked example: MX25R6435F as printed by a real-time operating system's decoder (page 896/5376 us, 48/384,
/// 240/1920, 480/3840 ms, chip 52000/312000 ms).
#[test]
fn the_worked_example() {
    let row = tables().into_iter().find(|row| row["part"] == "MX25R6435F").expect("the part");
    let basic = basic_of(&row);
    let ms = |typical: u64, max: u64| Times { typical_us: typical * 1000, max_us: max * 1000 };
    assert_eq!(basic.program, Some(Times { typical_us: 896, max_us: 5376 }));
    assert_eq!(basic.chip_erase, Some(ms(52_000, 312_000)));
    let times: Vec<_> = basic.erases.iter().map(|erase| (erase.opcode, erase.size, erase.times)).collect();
    assert_eq!(
        times,
        [(0x20, 4096, Some(ms(48, 384))), (0x52, 32_768, Some(ms(240, 1920))), (0xD8, 65_536, Some(ms(480, 3840)))]
    );
    assert_eq!(basic.address, AddressWidths::Three);
}

#[test]
fn s5_the_table_of_two_mebibytes_under_a_sixteen_mebibyte_id_is_a_conflict() {
    let row = tables().into_iter().find(|row| row["part"] == "ZD25Q128C (Zetta)").expect("the part");
    let tables = Tables::parse(&hex(row["hex"].as_str().expect("hex")));
    let chip = Chip::describe(&[0xEF, 0x40, 0x18], Some(&tables), 0);
    assert!(chip.conflicts.contains(&Conflict::Size { catalogue: 16 << 20, tables: 2 << 20 }), "{:?}", chip.conflicts);
    assert!(!chip.is_writable());
}

#[test]
fn the_parts_own_table_agrees_with_the_catalogue_and_its_times_stand() {
    let row = tables().into_iter().find(|row| row["part"] == "W25Q128JV").expect("the part");
    let tables = Tables::parse(&hex(row["hex"].as_str().expect("hex")));
    let chip = Chip::describe(&[0xEF, 0x40, 0x18], Some(&tables), 0);
    assert_eq!(chip.conflicts, []);
    assert_eq!(chip.program, Times { typical_us: 704, max_us: 4224 }, "not the slower times of a note");
    assert_eq!(chip.erases.iter().map(|erase| erase.size).collect::<Vec<_>>(), [4096, 32_768, 65_536]);
    assert_eq!(chip.addressing, Addressing::Three);
}

#[test]
fn s5_a_chip_that_nothing_describes_is_never_written() {
    let chip = Chip::describe(&[0x12, 0x34, 0x56], None, 1 << 20);
    assert_eq!(chip.conflicts, [Conflict::Undescribed]);
}

#[test]
fn a_table_alone_describes_a_chip_that_the_catalogue_does_not_know() {
    let row = tables().into_iter().find(|row| row["part"] == "GD25LB512ME").expect("the part");
    let tables = Tables::parse(&hex(row["hex"].as_str().expect("hex")));
    let chip = Chip::describe(&hex(row["id"].as_str().expect("an id")), Some(&tables), 0);
    assert_eq!(chip.conflicts, []);
    assert_eq!(chip.size, 64 << 20);
    assert_eq!(chip.addressing.bytes(), 4);
}

#[test]
fn sizes_follow_both_forms_of_the_density_word() {
    assert_eq!(size_bytes(0x07FF_FFFF), Ok(16 << 20)); // bits less one
    assert_eq!(size_bytes(0x8000_0020), Ok(512 << 20)); // 2^32 bits
    for nonsense in [0, 0x7F, 0x8000_0000, 0x8000_0023, 0xFFFF_FFFF, 0x07FF_FFFE] {
        assert_eq!(size_bytes(nonsense), Err(SfdpError::Size { dword2: nonsense }));
    }
}

#[test]
fn s10_tables_cut_at_every_byte_and_with_every_byte_changed_never_panic() {
    for row in tables().iter().filter(|row| row["kind"] == "whole") {
        let bytes = hex(row["hex"].as_str().expect("hex"));
        for len in 0..bytes.len() {
            let _ = (bytes_needed(&bytes[..len]), Tables::parse(&bytes[..len]));
        }
        for at in 0..bytes.len() {
            for value in [0x00, 0x7F, 0x80, 0xFF, bytes[at] ^ 1] {
                let mut changed = bytes.clone();
                changed[at] = value;
                let tables = Tables::parse(&changed);
                for id in [[0xEF, 0x40, 0x18], [0xC2, 0x20, 0x19]] {
                    let chip = Chip::describe(&id, Some(&tables), 0);
                    assert!(chip.size <= nor::MAX_SIZE && chip.erases.iter().all(|erase| erase.size <= chip.size));
                }
            }
        }
    }
}

#[test]
fn reading_asks_for_the_header_then_the_headers_then_the_table() {
    let row = tables().into_iter().find(|row| row["part"] == "W25Q128JV").expect("the part");
    let bytes = hex(row["hex"].as_str().expect("hex"));
    assert_eq!(bytes_needed(&[]), Ok(8));
    assert_eq!(bytes_needed(&bytes[..8]), Ok(16));
    assert_eq!(bytes_needed(&bytes[..16]), Ok(0x80 + 16 * 4));
    assert!(matches!(bytes_needed(&[0xFF; 8]), Err(SfdpError::Signature { .. })));
    let mut far = bytes;
    far[12..15].copy_from_slice(&[0xFF, 0xFF, 0xFF]);
    assert!(matches!(bytes_needed(&far), Err(SfdpError::Far { .. })));
}
