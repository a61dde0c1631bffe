//! JESD216 tables of real chips against independently worked figures (sources in `tests/data/README.md`).

use nor::chip::{Addressing, Chip, Conflict, Times};
use nor::command::ReadMode;
use nor::sfdp::{AddressWidths, Basic, MapError, Polling, QuadEnable, SfdpError, StatusEnable, TableFault, Tables};
use nor::sfdp::{bytes_needed, size_bytes};
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

fn whole(part: &str) -> (Vec<u8>, Vec<u8>) {
    let row = tables().into_iter().find(|row| row["part"] == part && row["kind"] == "whole").expect("the part");
    (hex(row["id"].as_str().expect("an id")), hex(row["hex"].as_str().expect("hex")))
}

/// Finds a table and reads bits out of its bytes; written for these tests alone, on bytes and not on words.
struct Plain<'a>(&'a [u8]);

impl Plain<'_> {
    fn table(&self, id: [u8; 2]) -> Option<&[u8]> {
        let header =
            self.0[8..].chunks(8).take(usize::from(self.0[6]) + 1).find(|header| [header[0], header[7]] == id)?;
        let at = usize::from(header[4]) + usize::from(header[5]) * 256 + usize::from(header[6]) * 65_536;
        self.0.get(at..at + usize::from(header[3]) * 4)
    }

    /// Bit `bit` of word `number` (from 1).
    fn bit(table: &[u8], number: usize, bit: usize) -> bool {
        table[(number - 1) * 4 + bit / 8] >> (bit % 8) & 1 == 1
    }
}

#[test]
fn every_table_of_every_chip_equals_an_independent_reading_of_its_bytes() {
    let (mut four_byte, mut maps, mut long_basic) = (0, 0, 0);
    for row in tables().iter().filter(|row| row["kind"] == "whole") {
        let part = &row["part"];
        let bytes = hex(row["hex"].as_str().expect("hex"));
        let plain = Plain(&bytes);
        let read = Tables::parse(&bytes).expect("sound");
        assert_eq!(read.faults, [], "{part}");
        assert_eq!(read.four_byte.is_some(), plain.table([0x84, 0xFF]).is_some(), "{part}");
        if let (Some(table), Some(decoded)) = (plain.table([0x84, 0xFF]), &read.four_byte) {
            four_byte += 1;
            let bit = |bit| Plain::bit(table, 1, bit);
            assert_eq!((decoded.read, decoded.fast_read, decoded.program), (bit(0), bit(1), bit(6)), "{part}");
            assert_eq!(decoded.two_line_read, bit(2), "{part}");
            for index in 0..4 {
                let opcode = Some(table[4 + index]).filter(|opcode| bit(9 + index) && *opcode != 0xFF);
                assert_eq!(decoded.erases[index], opcode, "{part}, type {}", index + 1);
                assert!(opcode.is_none_or(|opcode| [0x21, 0x5C, 0xDC].contains(&opcode)), "{part}: {opcode:02x?}");
            }
        }
        maps += usize::from(read.sector_map.is_some());
        let basic = plain.table([0x00, 0xFF]).expect("a basic table");
        let bit = |number, bit| Plain::bit(basic, number, bit);
        let told = bit(1, 16).then(|| (basic[13], u32::from(basic[12] & 31) + u32::from(basic[12] >> 5)));
        assert_eq!(read.basic.two_line_read, told, "{part}");
        assert!(
            told.is_none_or(|told| told == (0x3B, 8)),
            "{part}: every part here that has it has 3Bh and eight clocks"
        );
        if basic.len() < 64 {
            assert_eq!((read.basic.sleep, read.basic.resets, read.basic.quad_enable), (None, None, None), "{part}");
            continue;
        }
        long_basic += 1;
        let resets = read.basic.resets.expect("DWORD 16");
        assert_eq!((resets.enable_and_reset, resets.f0), (bit(16, 12), bit(16, 11)), "{part}");
        assert_eq!(resets.all_high_clocks, [bit(16, 8), bit(16, 9), bit(16, 10)], "{part}");
        assert_eq!(read.basic.sleep.is_some(), !bit(14, 31), "{part}");
        assert!(read.basic.sleep.is_none_or(|sleep| (sleep.enter, sleep.wake) == (0xB9, 0xAB) || part == "MX66L2G45G"));
        assert_eq!(read.basic.four_byte_entry, Some(basic[63]), "{part}");
        let quad = u8::from(bit(15, 20)) | u8::from(bit(15, 21)) << 1 | u8::from(bit(15, 22)) << 2;
        assert_eq!(read.basic.quad_enable.is_none(), quad == 7, "{part}");
        assert_eq!(read.basic.polling, Some(if bit(14, 2) { Polling::Status } else { Polling::FlagStatus }), "{part}");
    }
    assert_eq!((four_byte, maps, long_basic), (33, 1, 38), "tables in the data, counted from the headers alone");
}

/// Values worked by hand from the words that stand beside them.
#[test]
fn worked_values_of_the_later_words() {
    let basic = |part: &str| Tables::parse(&whole(part).1).expect("sound").basic;
    let winbond = basic("W25Q128JV"); // DWORD 14 5CD5A2F7, 15 FF4DF719, 16 80F830E9
    let sleep = winbond.sleep.expect("it sleeps");
    assert_eq!((sleep.enter, sleep.wake, sleep.wake_ns), (0xB9, 0xAB, 3_000)); // 01b: 1 us, count 00010b
    assert_eq!(winbond.quad_enable, Some(QuadEnable::SecondKeptByOne)); // 4Dh = 0100 1101b: 100b
    assert_eq!(winbond.status_enable, Some(StatusEnable::Both)); // 69h: bits 0, 3, 5, 6
    assert!(winbond.resets.expect("DWORD 16").enable_and_reset); // 30h: bits 12 and 13
    let micron = basic("MT25QU256ABA"); // 14 5CD5BDFB, 15 FF820F4A, 16 363DBD81
    assert_eq!(micron.sleep.expect("it sleeps").wake_ns, 30_000); // count 11101b, 1 us
    assert_eq!(micron.polling, Some(Polling::FlagStatus)); // FBh: bit 3 and not bit 2
    assert_eq!((micron.quad_enable, micron.status_enable), (Some(QuadEnable::None), Some(StatusEnable::Lasting)));
    assert_eq!(micron.four_byte_entry, Some(0x36));
    assert_eq!(micron.two_line_read, Some((0x3B, 8))); // 1 FFFB20E5, 4 BB273B27: seven clocks to wait and one of mode
    assert_eq!(basic("GD25LB512ME").two_line_read, None); // 1 FFEA20E5, although 4 BB003B00 names an opcode
    let macronix = basic("MX25U51245G"); // 15 FF299E4A, 16 85F950F0
    assert_eq!(macronix.quad_enable, Some(QuadEnable::FirstBit6)); // 29h: 010b
    assert_eq!(macronix.status_enable, Some(StatusEnable::Mixed)); // 70h: bits 4, 5, 6
    assert_eq!(macronix.four_byte_exit, Some(0b11_1110_0101)); // F950h: bits 23:14 of F9 50
    assert_eq!(basic("SST26VF064B").sleep, None); // 14 FFFFFFF7
    assert_eq!(basic("GD25LB512ME").quad_enable, None); // 15 00740629: 111b is reserved
}

#[test]
fn large_chips_with_a_four_byte_table_need_no_mode() {
    for (part, opcodes) in [
        ("W25Q512JV", &[0x21, 0xDC][..]),     // FFF00AFF FFDCFF21: types 1 and 3
        ("GD25LB512ME", &[0x21, 0x5C, 0xDC]), // FFF08FF3 FFDC5C21
        ("MX25UM51245G", &[0x21, 0xDC]),      // 000F0643 FFFFDC21
        ("MT35XU02G", &[0x21, 0x5C, 0xDC]),   // FFFF0E43 FF5CDC21, DCh being 128 KiB there
    ] {
        let (id, bytes) = whole(part);
        let chip = Chip::describe(&id, Some(&Tables::parse(&bytes)), 0);
        assert_eq!(chip.conflicts, [], "{part}");
        assert_eq!(
            (chip.addressing, chip.program_opcode, chip.has_long_reads),
            (Addressing::Long, 0x12, true),
            "{part}"
        );
        assert_eq!(chip.erases.iter().map(|erase| erase.opcode).collect::<Vec<_>>(), opcodes, "{part}");
    }
    let two = |opcode, address_bytes| Some(ReadMode { opcode, address_bytes, dummy_bytes: 1, data_lines: 2 });
    for (part, mode) in [
        ("W25Q512JV", two(0x3C, 4)), // FFF00AFF: bit 2 is set
        ("MX25UM51245G", None),      // 1 FF8A20E5: bit 16 is clear
        ("MX25L25635F", two(0x3B, 4)),
        ("W25Q128JV", two(0x3B, 3)),
    ] {
        let (id, bytes) = whole(part);
        assert_eq!(Chip::describe(&id, Some(&Tables::parse(&bytes)), 0).two_line_read, mode, "{part}");
    }
    let (id, bytes) = whole("MX25L25635F");
    let chip = Chip::describe(&id, Some(&Tables::parse(&bytes)), 0);
    assert_eq!(chip.addressing, Addressing::FourByMode { write_enable: false }, "no such table: its maker's mode");
    assert_eq!(chip.program_opcode, 0x02);
}

/// DWORD 16 of W25Q512JV changed, its four-byte table taken away: each way in, alone.
#[test]
fn each_way_into_four_bytes_is_told() {
    let (_, bytes) = whole("W25Q512JV");
    for (entry, expected) in [
        (0x01, Addressing::FourByMode { write_enable: false }),
        (0x02, Addressing::FourByMode { write_enable: true }),
        (0x04, Addressing::ExtendedRegister),
        (0x08, Addressing::FourByBank),
        (0x0C, Addressing::FourByBank),
        (0x40, Addressing::Four),
        (0x10, Addressing::Unknown),
    ] {
        let mut bytes = bytes.clone();
        bytes[6] = 0;
        bytes[0x80 + 63] = entry;
        let chip = Chip::describe(&[0x01, 0x77, 0x20], Some(&Tables::parse(&bytes)), 0);
        assert_eq!(chip.addressing, expected, "{entry:02x}");
        assert_eq!(chip.conflicts.contains(&Conflict::Reach), expected == Addressing::Unknown, "s5 {entry:02x}");
    }
}

/// FF81h of SST26VF064B: FF0400FF 00007FF3 00007FF5 007DFFF9 00007FF5 00007FF3. D8h erases 8, 32 or 64 KiB by address.
#[test]
fn a_sector_map_makes_one_opcode_with_three_sizes_plain() {
    let (id, bytes) = whole("SST26VF064B");
    let chip = Chip::describe(&id, Some(&Tables::parse(&bytes)), 0);
    assert_eq!(chip.conflicts, []);
    let regions: Vec<_> = chip
        .regions
        .iter()
        .map(|region| (region.at, region.len, region.erases.iter().map(|erase| (erase.opcode, erase.size)).collect()))
        .collect();
    let kib = |size: u32| size << 10;
    let with = |size: u32| -> Vec<(u8, u32)> { vec![(0x20, kib(4)), (0xD8, kib(size))] };
    assert_eq!(
        regions,
        [
            (0, kib(32), with(8)),
            (kib(32), kib(32), with(32)),
            (kib(64), kib(8064), with(64)),
            (kib(8128), kib(32), with(32)),
            (kib(8160), kib(32), with(8)),
        ]
    );
    assert_eq!(chip.erases.iter().map(|erase| erase.size).collect::<Vec<_>>(), [4, 8, 32, 64].map(kib));
}

#[test]
fn s5_without_its_sector_map_such_a_chip_is_read_only() {
    let (id, bytes) = whole("SST26VF064B");
    let alone = Chip::describe(&id, None, 0);
    assert_eq!(alone.conflicts, [Conflict::SectorMap(MapError::Missing)]);
    assert!(alone.regions.is_empty() && alone.erases.is_empty());
    let map = bytes[16..].iter().position(|byte| *byte == 0x81).expect("a header") + 16;
    let mut hidden = bytes.clone();
    hidden[map] = 0x80;
    let chip = Chip::describe(&[0x01, 0x77, 0x17], Some(&Tables::parse(&hidden)), 0);
    assert!(matches!(chip.conflicts[0], Conflict::EraseSize { opcode: 0xD8, .. }), "no map: {:?}", chip.conflicts);
    let mut far = bytes.clone();
    far[map + 6] = 0x7F;
    let tables = Tables::parse(&far);
    assert!(matches!(tables.as_ref().expect("the rest").faults[..], [TableFault::Outside { id: 0xFF81, .. }]));
    assert_eq!(bytes_needed(&far).expect("the rest"), 0x30 + 64, "not read for");
    let chip = Chip::describe(&id, Some(&tables), 0);
    assert!(matches!(chip.conflicts[..], [Conflict::SectorMap(MapError::Unusable { .. })]), "{:?}", chip.conflicts);
    let mut overlapping = bytes.clone();
    overlapping[map + 4..map + 7].copy_from_slice(&[0x34, 0, 0]);
    let faults = Tables::parse(&overlapping).expect("the rest").faults;
    assert_eq!(faults, [TableFault::Overlaps { id: 0xFF81, what: "the basic table" }]);
    // One region shorter: the map in use no longer adds up.
    let at = usize::from(bytes[map + 4]) + usize::from(bytes[map + 5]) * 256;
    let mut short = bytes;
    short[at + 4 + 1] = 0x3F;
    let chip = Chip::describe(&id, Some(&Tables::parse(&short)), 0);
    let sum = MapError::Sum { regions: (8 << 20) - (16 << 10), chip: 8 << 20 };
    assert_eq!(chip.conflicts, [Conflict::SectorMap(sum)]);
}

/// Two settings choose among three maps (layout of a part with 4 KiB sectors at one end, from memory); the chip is
/// read only until the driver has sent the commands.
#[test]
fn s5_a_map_that_depends_on_settings_waits_for_their_answers() {
    let words: [u32; 11] = [
        0x08FF_65FC,
        0x0000_0004,
        0x02FF_65FD,
        0x0000_0003, // bits 3 and 1 of two registers
        0x0001_00FE,
        0x0000_FFF1,
        0x007E_FFF2, // map 0: 64 KiB of small sectors at the bottom
        0x0001_01FE,
        0x007E_FFF2,
        0x0000_FFF1, // map 1: at the top
        0x0000_02FF, // map 2, cut below
    ];
    let (_, mut bytes) = whole("SST26VF064B");
    bytes[0x30 + 28..0x30 + 36].copy_from_slice(&[12, 0x20, 16, 0xD8, 0, 0, 0, 0]);
    let at = u32::try_from(bytes.len()).expect("small");
    bytes.extend(words.iter().flat_map(|word| word.to_le_bytes()));
    bytes.extend(0x007F_FFF2_u32.to_le_bytes());
    let map = bytes[16..].iter().position(|byte| *byte == 0x81).expect("a header") + 16;
    bytes[map + 3] = 12;
    bytes[map + 4..map + 7].copy_from_slice(&at.to_le_bytes()[..3]);
    assert_eq!(bytes_needed(&bytes).expect("sound"), bytes.len());
    let mut tables = Tables::parse(&bytes).expect("sound");
    let id = [0x01, 0x77, 0x17];
    let waiting = Chip::describe(&id, Some(&Ok(tables.clone())), 0);
    assert_eq!(waiting.conflicts, [Conflict::SectorMap(MapError::Undetected { commands: 2, answers: 0 })]);
    assert_eq!(waiting.map_commands.iter().map(|command| command.address).collect::<Vec<_>>(), [4, 3]);
    for (answers, expected) in [
        (vec![0x00, 0x00], Some(vec![(64 << 10, 4096), (8128 << 10, 65_536)])),
        (vec![0xF7, 0x02], Some(vec![(8128 << 10, 65_536), (64 << 10, 4096)])),
        (vec![0x08, 0x00], Some(vec![(8192 << 10, 65_536)])),
        (vec![0x08, 0x02], None),
    ] {
        tables.sector_map.as_mut().expect("a map").answers = answers.clone();
        let chip = Chip::describe(&id, Some(&Ok(tables.clone())), 0);
        assert!(chip.map_commands.is_empty());
        match expected {
            Some(expected) => {
                assert_eq!(chip.conflicts, [], "{answers:02x?}");
                let regions: Vec<_> = chip.regions.iter().map(|region| (region.len, region.erases[0].size)).collect();
                assert_eq!(regions, expected, "{answers:02x?}");
            }
            None => assert_eq!(chip.conflicts, [Conflict::SectorMap(MapError::NoMap { number: 3 })]),
        }
    }
}

#[test]
fn s10_every_table_with_every_byte_changed_leaves_regions_that_a_plan_can_walk() {
    for row in tables().iter().filter(|row| ["SST26VF064B", "IS25WP01G"].map(Value::from).contains(&row["part"])) {
        let bytes = hex(row["hex"].as_str().expect("hex"));
        for at in 0..bytes.len().min(0x130) {
            for value in [0x00, 0x01, 0x03, 0x7F, 0x80, 0xFE, 0xFF, bytes[at] ^ 0x10] {
                let mut changed = bytes.clone();
                changed[at] = value;
                let _ = bytes_needed(&changed);
                let chip = Chip::describe(&[0x01, 0x77, 0x17], Some(&Tables::parse(&changed)), 0);
                let mut next = 0;
                for region in &chip.regions {
                    assert_eq!(region.at, next, "byte {at:#x} = {value:02x}");
                    next = region.end();
                    assert!(!region.erases.is_empty());
                    for erase in &region.erases {
                        assert!(chip.erases.contains(erase));
                        assert_eq!(
                            (region.at % erase.size, region.len % erase.size),
                            (0, 0),
                            "byte {at:#x} = {value:02x}"
                        );
                    }
                }
                assert!(
                    next == chip.size || (chip.regions.is_empty() && !chip.is_writable()),
                    "byte {at:#x} = {value:02x}"
                );
            }
        }
    }
}
