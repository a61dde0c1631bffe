//! The chip by its commands, as a host sees it that sends raw bytes.

mod common;

use common::{blank, change, file, pattern, patterned, program, read, send, status, until_ready};
use nor::catalogue;
use nor::link::Link;
use sim::{Model, VirtualBench};

const MAIN: &str = "marking = \"W25Q128\"";
const SMALL: &str = "marking = \"W25Q80DV\"";
const LARGE: &str = "marking = \"W25Q256\"";

#[test]
fn every_catalogue_entry_comes_up_and_says_who_it_is() {
    for entry in catalogue::entries() {
        let id = nor::chip::id_text(&entry.id);
        let mut bench = blank(&format!("marking = {:?}\nid = \"{id}\"", entry.markings[0]), "");
        assert_eq!(bench.file().chip.model, Model::of_entry(entry), "{:?}", entry.markings);
        assert_eq!(bench.supply(), entry.supply);
        assert!(entry.supply.bears(bench.drives()), "{:?}", entry.markings);
        let more = entry.id_more.first().map_or(&[][..], |more| more);
        let answer = send(&mut bench, &[0x9F], 7);
        assert!(answer.starts_with(&[&entry.id[..], more, &[0]].concat()), "{:?}: {answer:02x?}", entry.markings);
        let tables = entry.tables.clone().unwrap_or_else(|| vec![0xFF; 8]);
        let answer = send(&mut bench, &[0x5A, 0, 0, 0, 0], u32::try_from(tables.len() + 1).expect("short"));
        assert_eq!(answer, [&tables[..], &[0xFF]].concat(), "the tables, and nothing behind them");
        assert_eq!(send(&mut bench, &[0x90, 0, 0, 1], 3), [entry.id[2] - 1, entry.id[0], entry.id[2] - 1]);
    }
}

#[test]
fn nothing_changes_without_the_latch() {
    let mut bench = patterned(SMALL, "");
    for command in [&program(0, &[0])[..], &[0x20, 0, 0, 0], &[0xC7], &[0x01, 0x1C]] {
        send(&mut bench, command, 0);
        assert_eq!(status(&mut bench), 0, "{command:02x?}");
    }
    assert_eq!(bench.chip_content(), pattern(1 << 20));
    send(&mut bench, &[0x06], 0);
    assert_eq!(status(&mut bench), 0x02);
    send(&mut bench, &[0x04], 0);
    assert_eq!(status(&mut bench), 0x00);
}

#[test]
fn the_latch_falls_when_an_operation_ends() {
    let mut bench = blank(SMALL, "");
    send(&mut bench, &[0x06], 0);
    send(&mut bench, &program(0, &[0x12]), 0);
    assert_eq!(status(&mut bench), 0x03, "busy, the latch still up");
    until_ready(&mut bench);
    assert_eq!(status(&mut bench), 0x00);
    assert_eq!(read(&mut bench, 0, 2), [0x12, 0xFF]);
}

#[test]
fn programming_clears_bits_and_wraps_in_its_page() {
    let mut bench = blank(SMALL, "");
    change(&mut bench, &program(0x1F0, &[0xF0; 32]));
    change(&mut bench, &program(0x1F0, &[0x3C]));
    assert_eq!(read(&mut bench, 0x1F0, 17), [&[0x30][..], &[0xF0; 15], &[0xFF]].concat());
    assert_eq!(
        read(&mut bench, 0x100, 17),
        [&[0xF0; 16][..], &[0xFF]].concat(),
        "the rest went to the page's beginning"
    );
}

#[test]
fn of_more_than_a_page_the_last_bytes_count() {
    let mut bench = blank(SMALL, "");
    let data: Vec<u8> = (0..300_u32).map(|index| (index / 256) as u8 + 1).collect();
    change(&mut bench, &program(0, &data));
    assert_eq!(read(&mut bench, 0, 257), [&[2; 44][..], &[1; 212], &[0xFF]].concat());
}

#[test]
fn every_erase_type_clears_its_block_and_nothing_beside_it() {
    for (opcode, size) in [(0x20, 4096), (0x52, 32_768), (0xD8, 65_536)] {
        let mut bench = patterned(MAIN, "");
        change(&mut bench, &[opcode, 0x12, 0xF3, 0x45]);
        let mut wanted = pattern(16 << 20);
        let from = 0x0012_F345 / size * size;
        wanted[from..from + size].fill(0xFF);
        assert!(bench.chip_content() == wanted, "{opcode:02x}h");
    }
    for opcode in [0xC7, 0x60] {
        let mut bench = patterned(SMALL, "");
        change(&mut bench, &[opcode]);
        assert!(nor::is_blank(&bench.chip_content()), "{opcode:02x}h");
        assert!(bench.wear().iter().all(|count| *count == 1));
    }
}

#[test]
fn a_busy_chip_answers_its_status_and_nothing_else() {
    let mut bench = patterned(MAIN, "");
    send(&mut bench, &[0x06], 0);
    send(&mut bench, &[0x20, 0, 0x10, 0], 0);
    let began = bench.now_us();
    assert_eq!(read(&mut bench, 0, 4), [0xFF; 4]);
    assert_eq!(send(&mut bench, &[0x9F], 3), [0xFF; 3]);
    send(&mut bench, &program(0, &[0]), 0);
    assert_eq!(send(&mut bench, &[0x35], 1), [0x00], "the second register answers");
    // JESD216 DWORD 10 = 00A60236h of this part: (3 + 1) x 16 ms.
    let passed = bench.now_us() - began;
    bench.wait_us(63_990 - passed);
    assert_eq!(status(&mut bench), 0x03);
    bench.wait_us(10);
    assert_eq!(status(&mut bench), 0x00);
    assert_eq!(read(&mut bench, 0, 4), pattern(4)[..], "what came while it was busy was not heard");
}

#[test]
fn maximum_times_are_taken_when_asked_for() {
    let mut bench = blank(MAIN, "[time]\nchip_times = \"maximum\"");
    send(&mut bench, &[0x06], 0);
    send(&mut bench, &program(0, &[0]), 0);
    bench.wait_us(4_200); // DWORD 11 of this part: 704 us typical, 4,224 us at most
    assert_eq!(status(&mut bench) & 1, 1);
    bench.wait_us(30);
    assert_eq!(status(&mut bench) & 1, 0);
}

#[test]
fn a_protected_range_is_kept_and_the_latch_falls() {
    let mut bench = patterned(MAIN, "");
    change(&mut bench, &[0x01, 0x18, 0x00]); // level 6: the upper half
    let content = bench.chip_content();
    for command in [&program(0x80_0000, &[0])[..], &[0x20, 0x80, 0, 0], &[0xC7]] {
        send(&mut bench, &[0x06], 0);
        send(&mut bench, command, 0);
        assert_eq!(status(&mut bench), 0x18, "{command:02x?} is refused at once");
    }
    assert!(bench.chip_content() == content);
    change(&mut bench, &[0x20, 0x7F, 0xF0, 0]);
    assert!(nor::is_blank(&bench.chip_content()[0x7F_F000..0x80_0000]), "the lower half is free");
}

#[test]
fn a_chip_comes_up_as_the_bench_file_protects_it() {
    let mut all = blank("id = \"c22014\"\nsize = 1048576\nprotected = \"all\"", "");
    assert_eq!(status(&mut all), 0x1C, "the common bits of a chip whose layout nobody knows");
    send(&mut all, &[0x06], 0);
    send(&mut all, &program(0, &[0]), 0);
    assert_eq!(status(&mut all), 0x1C);
    let mut lower = blank(&format!("{MAIN}\nprotected = \"lower-half\""), "");
    assert_eq!(status(&mut lower), 0x38);
}

#[test]
fn s9_a_volatile_status_write_takes_no_time_and_no_latch() {
    let mut bench = blank(&format!("{MAIN}\nprotected = \"all\""), "");
    send(&mut bench, &[0x50], 0);
    send(&mut bench, &[0x01, 0, 0], 0);
    assert_eq!(status(&mut bench), 0x00);
    assert_eq!(bench.chip_state().stored, [0x1C, 0, 0], "what is stored stays as found");
    send(&mut bench, &[0x66], 0);
    send(&mut bench, &[0x99], 0);
    assert_eq!(status(&mut bench), 0x1C);
    send(&mut bench, &[0x50], 0);
    send(&mut bench, &[0x9F], 3);
    send(&mut bench, &[0x01, 0, 0], 0);
    assert_eq!(status(&mut bench), 0x1C, "50h counts for the next command only");
}

#[test]
fn s9_the_write_protect_pin_keeps_the_status_register() {
    let mut bench = blank(&format!("{MAIN}\nwrite_protect_pin = true"), "");
    change(&mut bench, &[0x01, 0x9C, 0]);
    change(&mut bench, &[0x01, 0x00, 0]);
    assert_eq!(status(&mut bench), 0x9C);
}

#[test]
fn second_and_third_register_are_written_by_their_own_opcodes() {
    let mut bench = blank(MAIN, "");
    change(&mut bench, &[0x31, 0x02]);
    change(&mut bench, &[0x11, 0x60]);
    assert_eq!(bench.chip_state().stored, [0, 0x02, 0x60]);
    assert_eq!((send(&mut bench, &[0x35], 1), send(&mut bench, &[0x15], 1)), (vec![0x02], vec![0x60]));
}

#[test]
fn a_sleeping_chip_hears_the_release_alone() {
    let mut bench = patterned(MAIN, "");
    send(&mut bench, &[0xB9], 0);
    assert!(bench.chip_state().asleep);
    for command in [&[0x9F][..], &[0x05], &[0x03, 0, 0, 0], &[0x5A, 0, 0, 0, 0]] {
        assert_eq!(send(&mut bench, command, 2), [0xFF; 2], "{command:02x?}");
    }
    assert_eq!(send(&mut bench, &[0xAB, 0, 0, 0], 2), [0x17, 0x17]);
    assert_eq!(send(&mut bench, &[0x9F], 3), [0xEF, 0x40, 0x18]);
    send(&mut bench, &[0xB9], 0);
    send(&mut bench, &[0xAB], 0);
    assert_eq!(send(&mut bench, &[0x9F], 3), [0xEF, 0x40, 0x18], "the release alone wakes it too");
}

#[test]
fn four_byte_mode_reaches_past_sixteen_mebibytes() {
    let mut bench = patterned(LARGE, "");
    let content = pattern(32 << 20);
    let upper = &content[0x0123_4567..0x0123_4567 + 5];
    assert_eq!(
        send(&mut bench, &[0x03, 0x23, 0x45, 0x67], 5),
        content[0x23_4567..0x23_456C],
        "three bytes: the lower part"
    );
    assert_eq!(send(&mut bench, &[0x13, 1, 0x23, 0x45, 0x67], 5), upper);
    assert_eq!(send(&mut bench, &[0x0C, 1, 0x23, 0x45, 0x67, 0], 5), upper);
    send(&mut bench, &[0xB7], 0);
    assert_eq!(send(&mut bench, &[0x15], 1), [0x01]);
    assert_eq!(send(&mut bench, &[0x03, 1, 0x23, 0x45, 0x67], 5), upper);
    assert_eq!(send(&mut bench, &[0x0B, 1, 0x23, 0x45, 0x67, 0], 5), upper);
    change(&mut bench, &[0x20, 1, 0x23, 0x45, 0x67]);
    change(&mut bench, &[0x02, 1, 0x23, 0x45, 0x67, 0x5A]);
    send(&mut bench, &[0xE9], 0);
    assert_eq!(send(&mut bench, &[0x15], 1), [0x00]);
    for absent in [&[0x21, 1, 0xFF, 0xFF, 0xFF][..], &[0xDC, 1, 0, 0, 0], &[0x12, 1, 0, 0, 1, 0xA5]] {
        change(&mut bench, absent);
    }
    let mut wanted = content;
    wanted[0x0123_4000..0x0123_5000].fill(0xFF);
    wanted[0x0123_4567] = 0x5A;
    assert!(bench.chip_content() == wanted, "this part reads by long opcodes and changes nothing by them");
}

#[test]
fn opcodes_with_four_address_bytes_change_what_lies_past_sixteen_mebibytes() {
    let mut bench = patterned("marking = \"GD25LB256\"", "");
    let mut wanted = bench.chip_content();
    change(&mut bench, &[0x21, 1, 0xFF, 0xFF, 0xFF]);
    change(&mut bench, &[0xDC, 1, 0, 0, 0]);
    change(&mut bench, &[0x12, 1, 0, 0, 1, 0xA5]);
    wanted[0x01FF_F000..].fill(0xFF);
    wanted[0x0100_0000..0x0101_0000].fill(0xFF);
    wanted[0x0100_0001] = 0xA5;
    assert!(bench.chip_content() == wanted);
}

#[test]
fn some_makers_want_a_write_enable_before_the_mode_changes() {
    let mut bench = blank("id = \"20ba19\"\nsize = 33554432", "");
    send(&mut bench, &[0xB7], 0);
    assert!(!bench.chip_state().four_byte);
    send(&mut bench, &[0x06], 0);
    send(&mut bench, &[0xB7], 0);
    assert!(bench.chip_state().four_byte && !bench.chip_state().write_enabled);
}

#[test]
fn a_reset_needs_both_its_halves() {
    let mut bench = blank(LARGE, "");
    send(&mut bench, &[0xB7], 0);
    send(&mut bench, &[0x06], 0);
    send(&mut bench, &[0x99], 0);
    send(&mut bench, &[0x66], 0);
    send(&mut bench, &[0x05], 1);
    send(&mut bench, &[0x99], 0);
    assert!(bench.chip_state().four_byte && bench.chip_state().write_enabled, "another command came between");
    send(&mut bench, &[0x66], 0);
    send(&mut bench, &[0x99], 0);
    assert!(!bench.chip_state().four_byte && !bench.chip_state().write_enabled);
}

#[test]
fn the_unique_id_comes_from_the_seed() {
    let of_seed = |seed: u64, chip: &str| {
        let mut file = file(chip, "");
        file.seed = seed;
        let size = file.chip.model.size as usize;
        let mut bench = VirtualBench::in_memory(file, vec![0; size]).expect("a fitting content");
        send(&mut bench, &[0x4B, 0, 0, 0, 0], 9)
    };
    let id = of_seed(7, SMALL);
    assert_eq!(id, of_seed(7, SMALL));
    assert_ne!(id, of_seed(8, SMALL));
    assert_eq!(id[8], id[0], "it begins again");
    assert_eq!(of_seed(7, "id = \"c22014\"\nsize = 1048576"), [0xFF; 9], "other makers do not have it");
}

#[test]
fn s5_other_makers_do_not_answer_the_winbond_registers() {
    let mut bench = blank("id = \"c22018\"\nsize = 16777216", "");
    assert_eq!((send(&mut bench, &[0x35], 2), send(&mut bench, &[0x15], 2)), (vec![0xFF; 2], vec![0xFF; 2]));
    assert_eq!(send(&mut bench, &[0x9F], 3), [0xC2, 0x20, 0x18]);
}

#[test]
fn reads_and_addresses_wrap_at_the_end_of_the_chip() {
    let mut bench = patterned(SMALL, "");
    let content = pattern(1 << 20);
    assert_eq!(read(&mut bench, 0x000F_FFFE, 4), [content[0xF_FFFE], content[0xF_FFFF], content[0], content[1]]);
    assert_eq!(read(&mut bench, 0x0070_1234, 2), content[0x1234..0x1236], "a chip smaller than said");
    assert_eq!(send(&mut bench, &[0x0B, 0, 0x12, 0x34, 0], 2), content[0x1234..0x1236]);
}

#[test]
fn a_command_of_another_length_does_nothing() {
    let mut bench = patterned(SMALL, "");
    send(&mut bench, &[0x06, 0x00], 0);
    assert_eq!(status(&mut bench), 0, "a byte too many");
    send(&mut bench, &[0x06], 0);
    for command in [&[0x20, 0, 0][..], &[0x20, 0, 0, 0, 0], &[0x02, 0, 0, 0], &[0xC7, 0], &[0x01]] {
        send(&mut bench, command, 0);
        assert_eq!(status(&mut bench) & 1, 0, "{command:02x?}");
        send(&mut bench, &[0x06], 0);
    }
    assert_eq!(bench.chip_content(), pattern(1 << 20));
}

#[test]
fn tables_in_the_bench_file_are_what_the_chip_answers() {
    let mut bench = blank("marking = \"W25Q80DV\"\nsfdp = \"53464450 0001\"", "");
    assert_eq!(send(&mut bench, &[0x5A, 0, 0, 0, 0], 7), [0x53, 0x46, 0x44, 0x50, 0, 1, 0xFF]);
    let mut other_size = blank("marking = \"W25Q128\"\nsize = 8388608", "");
    assert_eq!(send(&mut other_size, &[0x5A, 0, 0, 0, 0], 4), [0xFF; 4], "the catalogue's tables say another size");
}
