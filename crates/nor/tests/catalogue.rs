//! The whole catalogue: each entry by itself, ids that several entries share, and maker codes against JEDEC's own list.

use nor::catalogue::{self, Entry, StatusErrors, by_id, by_marking, class_erase_times, class_times};
use nor::chip::{Addressing, Chip, Conflict, Times};
use nor::protection::{BottomBit, Layout};
use nor::sfdp::{MapError, Tables};

fn described(entry: &Entry) -> Chip {
    let mut id = entry.id.to_vec();
    id.extend(entry.id_more.first().into_iter().flatten());
    let tables = entry.tables.as_ref().map(|bytes| Tables::parse(bytes));
    Chip::describe(&id, tables.as_ref(), 0)
}

#[test]
fn every_entry_is_sound() {
    let entries = catalogue::entries();
    assert_eq!(entries.len(), 142, "one for each row of the lists, and the part that QEMU's board has");
    for entry in entries {
        let name = &entry.markings[0];
        assert!(entry.size.is_power_of_two() && (1 << 19..=1 << 26).contains(&entry.size), "{name}: {}", entry.size);
        assert_eq!(entry.page, if entry.words_only { 1 } else { 256 }, "{name}");
        assert!(!entry.erase.is_empty(), "{name}");
        for (opcode, size) in &entry.erase {
            assert!(matches!((opcode, size), (0x20, 4096) | (0xD8, 65_536)), "{name}: {opcode:02x} {size}");
        }
        assert!(!catalogue::vendors(&entry.id).is_empty(), "{name} has a maker");
        let (min, max) = (entry.supply.min_mv, entry.supply.max_mv);
        assert!(matches!((min, max), (2700 | 2300 | 1650, 3600) | (1650, 2000)), "{name}: {min} {max}");
        assert!(entry.markings.iter().all(|marking| *marking == marking.to_uppercase()), "{name}");
        assert!(entry.id_more.iter().all(|more| (1..=3).contains(&more.len())), "{name}: six bytes are read");
        assert!(entry.sources().next().expect("a source").starts_with(name.as_str()), "{name}");
        assert!(entry.protection.is_none_or(|layout| matches!(layout.bits, 3 | 4)), "{name}");
    }
}

#[test]
fn sizes_follow_the_capacity_code_where_it_is_one() {
    // From memory: 1Fh and BFh do not code the size so; Macronix's types 25h and 95h add 20h; 64 MiB is 20h or 1Ah.
    for entry in catalogue::entries().iter().filter(|entry| !matches!(entry.id[0], 0x1F | 0xBF)) {
        let code = match entry.id {
            [0xC2, 0x25 | 0x95, low] => low - 0x20,
            [0x20 | 0xEF, 0xBA | 0xBB | 0x40 | 0x60 | 0x70 | 0x80, 0x20] => 0x1A,
            [.., low] => low,
        };
        assert_eq!(entry.size, 1 << code, "{:?}", entry.markings);
    }
}

#[test]
fn every_entry_describes_a_chip_and_only_known_doubts_keep_one_from_being_written() {
    for entry in catalogue::entries() {
        let name = &entry.markings[0];
        let chip = described(entry);
        assert!(entry.markings.iter().all(|marking| chip.markings.contains(marking)), "{name}");
        assert_eq!(chip.size, entry.size, "{name}");
        let expected: &[Conflict] = match name.as_str() {
            // 32 MiB, and its own table says that three address bytes are all.
            "IS25WP256" => &[Conflict::Address],
            // Blocks differ by address, and the lists have no map.
            "S25FS064S" => &[Conflict::SectorMap(MapError::Missing)],
            // Beside that, its maker has no habit of entering four-byte mode; long opcodes read it all the same.
            "S25FS256T" => &[Conflict::SectorMap(MapError::Missing)],
            _ => &[],
        };
        assert_eq!(chip.conflicts, expected, "{name}");
        if chip.is_writable() {
            assert_eq!(chip.regions.iter().map(|region| region.len).sum::<u32>(), chip.size, "{name}");
            assert!(chip.erases.iter().all(|erase| erase.size >= chip.page), "{name}");
        }
    }
}

#[test]
fn stated_times_lie_within_the_class() {
    let within = |name: &str, times: Option<Times>, class: Times| {
        if let Some(times) = times {
            assert!(times.typical_us <= times.max_us && times.max_us <= class.max_us, "{name}: {times:?} {class:?}");
        }
    };
    let mut stated = 0;
    for entry in catalogue::entries() {
        let (name, class) = (&entry.markings[0], class_times(entry.size));
        within(name, entry.program, class.program);
        within(name, entry.chip_erase, class.chip_erase);
        stated += usize::from(entry.program.is_some());
        for size in [4096, 32_768, 65_536] {
            within(name, entry.erase_times(size), class_erase_times(size));
        }
    }
    assert_eq!(stated, 20, "entries with page times, counted in the files");
}

/// Figures of new entries, copied from their sources by hand: [typical, maximum] in ms.
#[test]
fn times_are_those_of_the_sources() {
    let ms = |pair: [u64; 2]| Some(Times { typical_us: pair[0] * 1000, max_us: pair[1] * 1000 });
    let of = |marking: &str| by_marking(marking)[0];
    assert_eq!(of("MX25L8005").erase_times(65_536), ms([1000, 2000]), "datasheet, features page");
    assert_eq!(of("GD25LB512ME").chip_erase, ms([100_000, 800_000]), "DWORD 11 = 5814D683h");
    assert_eq!(of("SST26VF064B").erase_times(4096), ms([19, 38]), "DWORD 10 = 24489120h");
    // Two sources, the slower figure of each kind: DWORD 10 = 00BD4182h, and the datasheet from memory.
    assert_eq!(of("MX25L12835F").erase_times(65_536), ms([280, 2000]));
    assert_eq!(of("MX25L1606E").program, None, "a typical time alone is no pair");
}

#[test]
fn the_six_ids_of_two_entries_answer_both() {
    let names = |id: &[u8]| by_id(id).iter().map(|entry| entry.markings[0].as_str()).collect::<Vec<_>>();
    assert_eq!(names(&[0xEF, 0x40, 0x14]), ["W25Q80BL", "S25FL008K"]);
    assert_eq!(names(&[0xEF, 0x40, 0x15]), ["W25Q16CL", "S25FL016K"]);
    assert_eq!(names(&[0xEF, 0x40, 0x17]), ["W25Q64", "S25FL064K"]);
    assert_eq!(names(&[0xEF, 0x60, 0x19]), ["W25Q256JW", "W25Q256FW"]);
    assert_eq!(names(&[0x20, 0xBA, 0x19]), ["N25Q256A"]);
    assert_eq!(names(&[0x20, 0xBA, 0x19, 0x10, 0x44, 0x00]), ["MT25QL256A", "N25Q256A"]);
    assert_eq!(names(&[0x20, 0xBB, 0x19, 0x10, 0x44, 0x00]), ["MT25QU256A", "N25Q256AX1"]);
    let mut ids: Vec<_> = catalogue::entries().iter().map(|entry| entry.id).collect();
    ids.sort_unstable();
    let double = ids.windows(2).filter(|pair| pair[0] == pair[1]).count();
    assert_eq!(double, 6);
}

#[test]
fn a_marking_matches_without_case_and_may_name_several_ids() {
    let ids: Vec<_> = by_marking(" w25q128jv ").iter().map(|entry| entry.id).collect();
    assert_eq!(ids, [[0xEF, 0x40, 0x18], [0xEF, 0x70, 0x18]]);
    assert!(by_id(&[0xEF, 0x60]).is_empty(), "half an id names nothing");
}

#[test]
fn the_maker_stands_behind_the_continuation_code() {
    assert_eq!(catalogue::vendors(&[0x7F, 0x9D, 0x20]), catalogue::vendors(&[0x9D, 0x20, 0x00]));
    assert!(catalogue::vendors(&[0x00, 0x00, 0x00]).is_empty());
}

#[test]
fn a_longer_id_counts_only_when_it_was_read() {
    assert!(by_id(&[0x01, 0x02, 0x17]).is_empty(), "three bytes do not name it");
    assert!(by_id(&[0x01, 0x02, 0x17, 0x4D, 0x00, 0x81]).is_empty(), "another one");
    assert_eq!(by_id(&[0x01, 0x02, 0x17, 0x4D, 0x01, 0x81])[0].markings, ["S25FS064S"]);
    assert_eq!(by_id(&[0x01, 0x02, 0x17, 0x4D, 0x01, 0x81])[0].status_errors, Some(StatusErrors::StatusClearedBy30));
}

#[test]
fn s9_candidates_that_differ_leave_the_layout_unknown_and_the_times_cautious() {
    let chip = Chip::describe(&[0xEF, 0x60, 0x19], None, 0);
    assert_eq!(chip.protection, None, "one of two has bits");
    let chip = Chip::describe(&[0x20, 0xBB, 0x19, 0x10, 0x44, 0x00], None, 0);
    assert_eq!(chip.protection, None);
    assert_eq!(chip.addressing, Addressing::FourByMode { write_enable: true }, "not both have long opcodes");
    assert_eq!(chip.status_errors, Some(StatusErrors::FlagRegister), "both say so");
    let narrower = Chip::describe(&[0xEF, 0x40, 0x14], None, 0).supply.expect("a supply");
    assert_eq!((narrower.min_mv, narrower.max_mv), (2700, 3600), "what both bear");
}

#[test]
fn layouts_are_those_of_the_lists() {
    let of = |marking: &str| by_marking(marking)[0].protection;
    assert_eq!(of("N25Q128A13"), Some(Layout { bits: 4, bottom: Some(BottomBit::Bit5) }));
    assert_eq!(of("N25Q128A13").and_then(Layout::fourth_bit), Some(6));
    assert_eq!(of("MX25L12805D"), Some(Layout { bits: 4, bottom: None }));
    assert_eq!(of("GD25Q256"), Some(Layout { bits: 3, bottom: Some(BottomBit::Bit6) }));
    assert_eq!(of("AT25DF321A"), None, "its status bits are no block-protection bits");
    assert_eq!(by_marking("SST26VF064B")[0].block_locks, Some(0x98));
    let word_parts: Vec<_> = catalogue::entries().iter().filter(|entry| entry.words_only).collect();
    assert_eq!(word_parts.len(), 4);
    for entry in word_parts {
        let chip = described(entry);
        assert!(chip.protection_is_volatile && chip.words_only && chip.page == 1);
        assert_eq!(chip.program, catalogue::WORD_PROGRAM, "a byte is no page");
    }
}

#[test]
fn large_parts_are_reached_by_long_opcodes_where_the_list_names_them() {
    let chip = Chip::describe(&[0x20, 0x40, 0x19], None, 0);
    assert_eq!((chip.addressing, chip.program_opcode, chip.has_long_reads), (Addressing::Long, 0x12, true));
    assert_eq!(chip.erases.iter().map(|erase| erase.opcode).collect::<Vec<_>>(), [0x21, 0xDC]);
    let small = Chip::describe(&[0x01, 0x60, 0x18], None, 0);
    assert_eq!((small.addressing, small.program_opcode), (Addressing::Three, 0x02), "16 MiB need none");
}

/// JEDEC's list of makers in the edition of the `jep106` crate, asked with the bank that the company really has: banks
/// count from 0 there, and the codes are without their parity bit. Only the company's own bank makes it the right name: in
/// bank 0, C8h, 9Dh and 1Ch belong to others.
#[test]
fn maker_codes_are_those_of_jedec_in_the_right_bank() {
    let listed = |bank: u8, code: u8| jep106::JEP106Code::new(bank, code & 0x7F).get().unwrap_or_default();
    for (code, bank, theirs, ours) in [
        (0xC2, 0, "Macronix", "Macronix"),
        (0xC8, 6, "GigaDevice", "GigaDevice"),
        (0x20, 0, "STMicroelectronics", "ST / Numonyx / Micron"),
        (0x20, 9, "XMC", "XMC"),
        (0x2C, 0, "Micron", "Micron"),
        (0x01, 0, "AMD", "AMD"),
        (0x34, 0, "Cypress", "Cypress"),
        (0x9D, 1, "ISSI", "ISSI"),
        (0x1F, 0, "Atmel", "Atmel"),
        (0xBF, 0, "Silicon Storage Technology", "SST"),
        (0x1C, 1, "Eon", "Eon"),
        (0x62, 0, "Sanyo", "Sanyo"),
        (0x8C, 3, "Elite Flash Storage", "ESMT"),
        (0x89, 0, "Intel", "Intel"),
        (0x0B, 9, "XTX", "XTX"),
        (0x5E, 9, "Zbit", "Zbit"),
        (0x68, 8, "Boya", "Boya"),
        (0x85, 9, "Puya", "Puya"),
        (0xA1, 7, "Fudan", "Fudan"),
        (0xBA, 8, "Zetta", "Zetta"),
        (0xE5, 8, "Dosilicon", "Dosilicon"),
    ] {
        assert!(listed(bank, code).contains(theirs), "{code:02x} in bank {bank}: {:?}", listed(bank, code));
        let names = catalogue::vendors(&[code, 0, 0]);
        assert!(names.iter().any(|name| name.contains(ours)), "{code:02x}: {names:?}");
    }
    // EFh is the code of the company that made Winbond's first serial parts and was bought by it; Winbond's own is DAh.
    assert_eq!(listed(0, 0xEF), "NEXCOM");
    assert!(listed(0, 0xDA).contains("Winbond"));
    // 25h stands for another company: the part leaves the continuation bytes out, and its bank is in no source here.
    assert!(!listed(0, 0x25).contains("Kaiser") && catalogue::vendors(&[0x25, 0, 0])[0].contains("SiliconKaiser"));
    // 37h has no bank here either: the crate's bank 0 has no company under it.
    assert_eq!(listed(0, 0x37), "");
}
