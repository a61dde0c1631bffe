//! Wiring faults: what each does to the bits on the lines, both ways. Expected bytes are worked out by hand.
//!
//! At 1 MHz a clock takes 1 us and a byte 8 us, so that `at_us` names the byte of a transaction that is hit. The chip
//! answers EFh 40h 14h to 9Fh: 1110 1111, 0100 0000, 0001 0100; zeros follow.

mod common;

use common::{blank, change, pattern, patterned, program, read, send};
use nor::link::{Link, Request};
use sim::VirtualBench;

const SMALL: &str = "marking = \"W25Q80DV\"";

/// A bench at 1 MHz with one fault.
fn slow(lines: &str) -> VirtualBench {
    patterned(SMALL, &format!("[link]\nclock_hz = 1000000\n[[fault]]\n{lines}"))
}

fn fault(lines: &str) -> String {
    format!("[[fault]]\n{lines}\n")
}

fn id(lines: &str) -> Vec<u8> {
    send(&mut slow(lines), &[0x9F], 3)
}

fn ones(bytes: &[u8]) -> u32 {
    bytes.iter().map(|byte| byte.count_ones()).sum()
}

/// The bits of `bytes` from the second on, with a zero behind.
fn one_early(bytes: &[u8]) -> Vec<u8> {
    bytes.windows(2).map(|pair| pair[0] << 1 | pair[1] >> 7).collect()
}

#[test]
fn a_lost_edge_gives_one_bit_twice_and_a_doubled_one_leaves_one_out() {
    // The first clock of the answer: 1 | 1110 1111 0100 0000 0001 010, and 1 | 10 1111 0100 0000 0001 0100 0.
    assert_eq!(id("kind = \"clock-slip\"\nat_us = 8\nseverity = 0.0"), [0xF7, 0xA0, 0x0A]);
    assert_eq!(id("kind = \"clock-slip\"\nat_us = 8\nseverity = 1.0"), [0xDE, 0x80, 0x28]);
    // The first clock of its second byte.
    assert_eq!(id("kind = \"clock-slip\"\nat_us = 16\nseverity = 0.0"), [0xEF, 0x20, 0x0A]);
    let mut bench = slow("kind = \"clock-slip\"\nat_us = 16\nseverity = 0.0");
    assert_eq!(send(&mut bench, &[0x9F], 3), [0xEF, 0x20, 0x0A]);
    assert_eq!(send(&mut bench, &[0x9F], 3), [0xEF, 0x40, 0x14], "chip select puts it right again");
}

#[test]
fn an_edge_lost_in_the_opcode_makes_another_opcode() {
    // 1001 1111 without its first bit, and a zero of the answer's time: 3Eh, which no chip answers.
    assert_eq!(id("kind = \"clock-slip\"\nat_us = 0\nseverity = 0.0"), [0xFF; 3]);
    // 02h with its first zero lost and the address's first one in its place is 05h: a status register, all the time.
    let mut bench = slow("kind = \"clock-slip\"\nat_us = 0\nseverity = 0.0");
    send(&mut bench, &[0x02, 0x80], 0);
    let mut bench = slow("kind = \"clock-slip\"\nat_us = 0\nseverity = 0.0");
    assert_eq!(send(&mut bench, &[0x02, 0x80], 2), [0x00, 0x00]);
}

#[test]
fn an_edge_doubled_in_the_address_fetches_other_data() {
    // 000080h with its first zero twice is 000040h, and its last zero the first clock of the data.
    let mut bench = slow("kind = \"clock-slip\"\nat_us = 8\nseverity = 1.0");
    let content = pattern(1 << 20);
    assert_eq!(read(&mut bench, 0x80, 4), one_early(&content[0x40..0x45]));
}

#[test]
fn a_shift_in_a_long_read_stays_to_its_end() {
    // The edge is doubled with byte 10,000 of the transaction, 9,996 of the answer: its first bit stands, its second is left out.
    let mut bench = slow("kind = \"clock-slip\"\nat_us = 80000\nseverity = 1.0");
    let content = pattern(1 << 20);
    let answer = read(&mut bench, 0, 30_000);
    assert_eq!(answer[..9_996], content[..9_996]);
    let rest = one_early(&content[9_996..30_001]);
    assert_eq!(answer[9_996], content[9_996] & 0x80 | rest[0] & 0x7F);
    assert!(answer[9_997..] == rest[1..]);
}

#[test]
fn an_edge_lost_in_page_data_programs_shifted_data() {
    // After the write enable (8 us) and the command (32 us): A5h 3Ch without the first bit is 0100 1010, 0111 100.
    let mut bench =
        blank(SMALL, "[link]\nclock_hz = 1000000\n[[fault]]\nkind = \"clock-slip\"\nat_us = 40\nseverity = 0.0");
    change(&mut bench, &program(0x100, &[0xA5, 0x3C]));
    assert_eq!(bench.chip_content()[0x100..0x103], [0x4A, 0xFF, 0xFF], "what is no whole byte is not programmed");
}

#[test]
fn an_erase_that_is_not_whole_bytes_long_is_not_done() {
    for severity in ["0.0", "1.0"] {
        let mut bench = slow(&format!("kind = \"clock-slip\"\nat_us = 8\nseverity = {severity}"));
        change(&mut bench, &[0x20, 0, 0, 0]);
        assert_eq!(bench.chip_content(), pattern(1 << 20));
        assert!(bench.chip_state().write_enabled, "the latch waits for a whole command");
    }
}

#[test]
fn slips_come_at_their_rate() {
    let faults = fault("kind = \"clock-slip\"\nrate = 0.0001");
    let mut bench = blank(SMALL, &faults);
    let shifted = (0..4000).filter(|_| send(&mut bench, &[0x9F], 5) != [0xEF, 0x40, 0x14, 0, 0]).count();
    // 48 clocks: one transaction in 209 slips; a slip among the zeros at the end is not seen.
    assert!((8..30).contains(&shifted), "{shifted}");
}

#[test]
fn a_bounce_ends_the_transaction_and_the_line_floats() {
    assert_eq!(id("kind = \"select-bounce\"\nat_us = 16"), [0xEF, 0xFF, 0xFF]);
    assert_eq!(id("kind = \"select-bounce\"\nat_us = 16\npull = \"down\""), [0xEF, 0x00, 0x00]);
    // One clock long: the chip then takes the zeros that follow for an opcode.
    assert_eq!(id("kind = \"select-bounce\"\nat_us = 16\npull = \"down\"\nseverity = 0.001"), [0xEF, 0x00, 0x00]);
    let mut bench = slow("kind = \"select-bounce\"\nat_us = 16");
    send(&mut bench, &[0x9F], 3);
    assert_eq!(send(&mut bench, &[0x9F], 3), [0xEF, 0x40, 0x14]);
}

#[test]
fn a_bounce_makes_an_opcode_of_what_follows() {
    // CS# is high for the first clock of the second byte; what follows is 100 1111 and 1: 9Fh. Seven bits of EFh pass with
    // the third byte: the link reads its last one, 0100 0000 and 0001 010.
    let mut bench = slow("kind = \"select-bounce\"\nat_us = 8\nseverity = 0.001");
    assert_eq!(send(&mut bench, &[0x00, 0x4F, 0x80], 3)[..2], [0xA0, 0x0A]);
}

#[test]
fn a_page_program_cut_short_programs_what_it_got() {
    let mut bench = blank(SMALL, "[link]\nclock_hz = 1000000\n[[fault]]\nkind = \"select-bounce\"\nat_us = 56");
    change(&mut bench, &program(0x100, &[0x11, 0x22, 0x33, 0x44]));
    assert_eq!(bench.chip_content()[0x100..0x105], [0x11, 0x22, 0xFF, 0xFF, 0xFF]);
    let mut bench = slow("kind = \"select-bounce\"\nat_us = 24");
    change(&mut bench, &[0x20, 0, 0, 0]);
    assert_eq!(bench.chip_content(), pattern(1 << 20), "an erase without its whole address is none");
}

#[test]
fn an_open_data_out_reads_as_its_pull_and_the_chip_works_on() {
    assert_eq!(id("kind = \"open-data-out\""), [0xFF; 3]);
    assert_eq!(id("kind = \"open-contact\"\nsignal = \"data-out\"\npull = \"down\""), [0x00; 3]);
    let mut bench = blank(SMALL, &fault("kind = \"open-data-out\"\nuntil_us = 900000"));
    send(&mut bench, &[0x06], 0);
    send(&mut bench, &program(0, &[0x5A]), 0);
    bench.wait_us(900_000);
    assert_eq!(read(&mut bench, 0, 2), [0x5A, 0xFF]);
    // Data-in is low while the link reads; the clock lifts one bit in 16.
    let mut bench = blank(SMALL, &fault("kind = \"open-data-out\"\npull = \"neighbour\""));
    let lifted = ones(&read(&mut bench, 0, 60_000));
    assert!((28_000..32_000).contains(&lifted), "{lifted} of 480,000");
}

#[test]
fn a_contact_that_comes_and_goes_is_open_for_its_share() {
    let mut bench = patterned(
        "marking = \"W25Q80DV\"",
        &fault("kind = \"open-data-out\"\nrate = 0.0001\nseverity = 0.25\npull = \"down\""),
    );
    let content = pattern(1 << 20);
    let (mut lost, mut of) = (0, 0);
    for at in (0..1 << 20).step_by(1 << 15) {
        let answer = read(&mut bench, at, 1 << 15);
        let wanted = &content[at as usize..][..1 << 15];
        assert!(answer.iter().zip(wanted).all(|(found, held)| found & !held == 0), "pulled down, nothing rises");
        lost += ones(wanted) - ones(&answer);
        of += ones(wanted);
    }
    assert!((of / 5..of * 3 / 10).contains(&lost), "{lost} of {of}");
}

#[test]
fn a_weak_data_out_fails_in_one_direction() {
    for (pull, fails) in [("up", 0x00), ("down", 0xFF), ("neighbour", 0xFF)] {
        for value in [0x00, 0xFF] {
            let lines = format!("kind = \"weak-data-out\"\nrate = 0.001\npull = \"{pull}\"");
            let file = common::file(SMALL, &fault(&lines));
            let mut bench = VirtualBench::in_memory(file, vec![value; 1 << 20]).expect("a fitting content");
            let wrong: u32 = read(&mut bench, 0, 60_000).iter().map(|byte| (byte ^ value).count_ones()).sum();
            // In bursts of 64 after 1,000: 0.060 of 480,000 bits, half of them lost.
            let wanted = if value == fails { 11_000..18_000 } else { 0..1 };
            assert!(wanted.contains(&wrong), "{pull}, {value:02x}: {wrong}");
        }
    }
}

#[test]
fn a_stuck_bit_of_the_address_reads_programs_and_erases_elsewhere() {
    // Bit 8 is A23; bit 15 is A16.
    let mut bench = slow("kind = \"address-error\"\nbit = 15\npull = \"up\"");
    let content = pattern(1 << 20);
    assert_eq!(read(&mut bench, 0x20, 16), content[0x1_0020..0x1_0030]);
    change(&mut bench, &[0x20, 0, 0x10, 0]);
    change(&mut bench, &program(0x1000, &[0x77]));
    let left = bench.chip_content();
    assert_eq!(left[..0x1_1000], content[..0x1_1000], "nothing happened where it should");
    assert_eq!(left[0x1_1000], 0x77);
    assert!(nor::is_blank(&left[0x1_1001..0x1_2000]) && left[0x1_2000..] == content[0x1_2000..]);
    // A15 too slow to leave A16's level: 010000h is 018000h.
    let mut bench = slow("kind = \"address-error\"\nbit = 16\npull = \"neighbour\"");
    assert_eq!(read(&mut bench, 0x1_0000, 4), content[0x1_8000..0x1_8004]);
    // Bit 6 of the opcode down: 03h is 01h, a status write that is not enabled and answers nothing.
    let mut bench = slow("kind = \"address-error\"\nbit = 6");
    assert_eq!(read(&mut bench, 0, 4), [0xFF; 4]);
    assert_eq!(bench.chip_state().stored, [0; 3]);
}

#[test]
fn s14_a_stuck_opcode_bit_can_write_the_status() {
    // 03h after a write enable is a status write of the address's bytes: 04h and 02h.
    let mut bench = slow("kind = \"address-error\"\nbit = 6\nfrom_us = 8");
    send(&mut bench, &[0x06], 0);
    send(&mut bench, &[0x03, 0x04, 0x02, 0x00], 0);
    bench.wait_us(20_000);
    assert_eq!(bench.chip_state().stored[..2], [0x04, 0x02]);
}

#[test]
fn bits_sent_flip_at_their_rate_and_one_at_a_moment() {
    let mut bench = patterned(SMALL, &fault("kind = \"address-error\"\nrate = 0.01"));
    let content = pattern(1 << 20);
    let wrong = (0..2000_u32).filter(|at| read(&mut bench, at * 512, 8) != content[*at as usize * 512..][..8]).count();
    // 32 bits: 27.5 % of the reads; flips of the four address bits above the chip do nothing: 24.5 %.
    assert!((420..560).contains(&wrong), "{wrong}");
    // The first bit of the second byte, A23, is beyond this chip; of the third, A15.
    let mut bench = slow("kind = \"address-error\"\nat_us = 16");
    assert_eq!(read(&mut bench, 0, 4), content[0x8000..0x8004]);
    assert_eq!(read(&mut bench, 0, 4), content[..4]);
    let mut every = blank(SMALL, &fault("kind = \"address-error\"\nrate = 1.0"));
    assert_eq!(send(&mut every, &[0x60, 0xFF], 1), [0x40], "9Fh 00h: EFh passed with the second byte");
}

#[test]
fn a_sag_resets_the_chip_and_answers_cease() {
    let mut bench = blank("marking = \"W25Q256\"", &fault("kind = \"supply-sag\"\nat_us = 1000\nseverity = 0.5"));
    send(&mut bench, &[0xB7], 0);
    send(&mut bench, &[0x06], 0);
    bench.wait_us(1000);
    assert!(!bench.chip_state().powered);
    assert_eq!(send(&mut bench, &[0x9F], 3), [0xFF; 3]);
    bench.wait_us(5_050); // 0.1 ms and half of 9.9
    let state = bench.chip_state();
    assert!(state.powered && !state.four_byte && !state.write_enabled);
    assert_eq!(send(&mut bench, &[0x9F], 3), [0xEF, 0x40, 0x19]);
    bench.wait_us(60_000_000);
    assert!(bench.chip_state().powered, "it comes once");
}

#[test]
fn a_sag_in_a_read_leaves_the_rest_floating_and_an_erase_half_done() {
    let mut bench = slow("kind = \"supply-sag\"\nat_us = 1000\nseverity = 0.0");
    let content = pattern(1 << 20);
    let answer = read(&mut bench, 0, 1000);
    // 125 bytes passed, four of them the command; the supply is back after 100 us, but chip select has not fallen since.
    assert_eq!(answer[..121], content[..121]);
    assert!(nor::is_blank(&answer[121..]));
    assert_eq!(read(&mut bench, 0, 4), content[..4]);
    let mut bench = patterned(SMALL, &fault("kind = \"supply-sag\"\nat_us = 24000"));
    send(&mut bench, &[0x06], 0);
    send(&mut bench, &[0x20, 0, 0, 0], 0);
    bench.wait_us(100_000);
    let left = bench.chip_content();
    assert!(!nor::is_blank(&left[..4096]) && left[..4096] != content[..4096]);
}

#[test]
fn sags_come_at_their_rate_in_their_window() {
    let window = "kind = \"supply-sag\"\nrate = 10\nseverity = 0.0\nfrom_us = 1000000\nuntil_us = 11000000";
    let mut bench = blank(SMALL, &fault(window));
    let mut found = Vec::new();
    let mut was = false;
    while bench.now_us() < 20_000_000 {
        let down = !bench.chip_state().powered;
        if down && !was {
            found.push(bench.now_us());
        }
        was = down;
        bench.wait_us(50);
    }
    assert!((70..130).contains(&found.len()), "{} sags in ten seconds", found.len());
    assert!(found.iter().all(|us| (1_000_000..11_000_000).contains(us)));
}

#[test]
fn late_sampling_takes_a_neighbour_at_transitions_and_a_slower_clock_cures_it() {
    let content = pattern(1 << 20);
    let bit = |bytes: &[u8], at: usize| bytes[at / 8] >> (7 - at % 8) & 1;
    let mut directions = [0, 0];
    for seed in 0..8 {
        let mut file = common::file(SMALL, &fault("kind = \"late-sampling\"\nrate = 0.001"));
        file.seed = seed;
        let mut bench = VirtualBench::in_memory(file, content.clone()).expect("a fitting content");
        let answer = read(&mut bench, 0, 60_000);
        let wrong: Vec<usize> = (1..479_999).filter(|at| bit(&answer, *at) != bit(&content, *at)).collect();
        // Half of the bits of a pattern are transitions: 240.
        assert!((180..310).contains(&wrong.len()), "seed {seed}: {}", wrong.len());
        let before = wrong.iter().all(|at| bit(&answer, *at) == bit(&content, at - 1));
        let after = wrong.iter().all(|at| bit(&answer, *at) == bit(&content, at + 1));
        assert!(before != after, "seed {seed}: all to one side");
        directions[usize::from(after)] += 1;
        bench.run(&Request::SetClock { hz: 6_000_000 }, u64::MAX).expect("a clock");
        assert!(read(&mut bench, 0, 60_000) == content[..60_000], "seed {seed}: half the clock");
    }
    assert!(directions[0] > 0 && directions[1] > 0, "{directions:?}");
    let mut longer = patterned(SMALL, &fault("kind = \"late-sampling\"\nrate = 0.001\nseverity = 0.6"));
    let wrong: u32 =
        read(&mut longer, 0, 60_000).iter().zip(&content).map(|(read, held)| (read ^ held).count_ones()).sum();
    // A tenth of the leads more is 5 ns: e^(5/3), 5.3 times as many.
    assert!((950..1_600).contains(&wrong), "{wrong}");
}

#[test]
fn a_constant_shift_is_one_bit_and_the_seed_says_which_way() {
    let mut seen = std::collections::BTreeSet::new();
    for seed in 0..8 {
        let mut file = common::file(SMALL, &fault("kind = \"constant-shift\""));
        file.seed = seed;
        let mut bench = VirtualBench::in_memory(file, pattern(1 << 20)).expect("a fitting content");
        let first = send(&mut bench, &[0x9F], 3);
        assert_eq!(send(&mut bench, &[0x9F], 3), first, "seed {seed}: always the same");
        seen.insert(first);
    }
    // 1 | 1110 1111 0100 0000 0001 010 after a line that floated high; 110 1111 0100 0000 0001 0100 | 0.
    assert_eq!(seen.into_iter().collect::<Vec<_>>(), [[0xDE, 0x80, 0x28], [0xF7, 0xA0, 0x0A]]);
    let lines = "kind = \"constant-shift\"\nat_us = 0";
    let mut once = slow(lines);
    assert_ne!(send(&mut once, &[0x9F], 3), [0xEF, 0x40, 0x14]);
    assert_eq!(send(&mut once, &[0x9F], 3), [0xEF, 0x40, 0x14]);
}

#[test]
fn another_master_clears_bits_in_bursts_of_equal_distance() {
    // 200 bursts a second of a tenth: 5 ms from one to the next, 0.5 ms long; 12 MHz: 7,500 and 750 bytes.
    let file = common::file(SMALL, &fault("kind = \"bus-contention\"\nrate = 200\nseverity = 0.1"));
    let mut bench = VirtualBench::in_memory(file, vec![0xFF; 1 << 20]).expect("a fitting content");
    let answer = read(&mut bench, 0, 60_000);
    let hit: Vec<usize> = (0..answer.len()).filter(|at| answer[*at] != 0xFF).collect();
    let begins: Vec<usize> =
        hit.iter().enumerate().filter(|(nth, at)| *nth == 0 || *at - hit[nth - 1] > 1000).map(|(_, at)| *at).collect();
    assert!((7..=9).contains(&begins.len()), "{begins:?}");
    assert!(begins.windows(2).skip(1).all(|pair| (7_480..7_520).contains(&(pair[1] - pair[0]))), "{begins:?}");
    assert!((5_500..6_500).contains(&hit.len()), "a tenth of 60,000: {}", hit.len());
    assert_eq!(bench.chip_content(), vec![0xFF; 1 << 20]);
}

#[test]
fn what_is_sent_while_another_master_drives_reaches_the_chip_damaged() {
    let mut bench = blank(SMALL, &fault("kind = \"bus-contention\"\nat_us = 100\nseverity = 1.0\nrate = 1000"));
    send(&mut bench, &[0x06], 0);
    bench.wait_us(50);
    // The page begins at 50.7 us, its data at 53.3 us; the other master comes at 100 us, with byte 74 of 260.
    send(&mut bench, &program(0, &[0xFF, 0x55].repeat(128)), 0);
    bench.wait_us(10_000);
    let left = bench.chip_content();
    assert_eq!(left[..64], [0xFF, 0x55].repeat(32));
    let damaged = &left[80..256];
    assert_ne!(damaged, [0xFF, 0x55].repeat(88));
    assert!(damaged.iter().zip([0xFF_u8, 0x55].iter().cycle()).all(|(found, sent)| found & !sent == 0), "low wins");
    assert!(nor::is_blank(&left[256..]));
}

#[test]
fn a_smaller_chip_wraps_and_keeps_its_id() {
    let content = pattern(1 << 20);
    let mut bench = patterned(SMALL, &fault("kind = \"size-alias\""));
    assert_eq!(send(&mut bench, &[0x9F], 3), [0xEF, 0x40, 0x14]);
    assert_eq!(read(&mut bench, 0x8_0000, 64), content[..64]);
    let across = read(&mut bench, 0x7_FFF0, 32);
    assert_eq!(across, [&content[0x7_FFF0..0x8_0000], &content[..16]].concat());
    change(&mut bench, &[0x20, 0x08, 0x10, 0x00]);
    change(&mut bench, &program(0x8_1000, &[0x12]));
    let left = bench.chip_content();
    assert_eq!((left[0x1000], left[0x8_1000]), (0x12, content[0x8_1000]));
    change(&mut bench, &[0xC7]);
    assert!(nor::is_blank(&bench.chip_content()[..0x8_0000]));
    assert_eq!(bench.chip_content()[0x8_0000..], content[0x8_0000..]);
    let mut quarter = patterned(SMALL, &fault("kind = \"size-alias\"\nseverity = 0.3"));
    assert_eq!(read(&mut quarter, 0xC_0000, 8), content[..8]);
}

#[test]
fn a_floating_hold_puts_gaps_into_the_answer() {
    // One clock long, after EFh: a bit of the pull, then 0100 0000 0001 010.
    assert_eq!(id("kind = \"hold-floating\"\nat_us = 16\nseverity = 0.001"), [0xEF, 0xA0, 0x0A]);
    assert_eq!(id("kind = \"hold-floating\"\nat_us = 16\nseverity = 0.001\npull = \"down\""), [0xEF, 0x20, 0x0A]);
    // In the opcode the chip misses a bit: 3Eh.
    assert_eq!(id("kind = \"hold-floating\"\nat_us = 0\nseverity = 0.001"), [0xFF; 3]);
    let mut quad = slow("kind = \"hold-floating\"\nrate = 0.5\nfrom_us = 100000");
    send(&mut quad, &[0x06], 0);
    send(&mut quad, &[0x01, 0x00, 0x02], 0);
    quad.wait_us(200_000);
    assert_eq!(send(&mut quad, &[0x9F], 3), [0xEF, 0x40, 0x14], "with quad enable the pin is a data line");
}

#[test]
fn a_floating_write_protect_can_refuse_status_writes() {
    for (pull, wanted) in [("down", 0x80), ("up", 0x84)] {
        let mut bench =
            slow(&format!("kind = \"hold-floating\"\nsignal = \"write-protect\"\npull = \"{pull}\"\nfrom_us = 50000"));
        change(&mut bench, &[0x01, 0x80]);
        bench.wait_us(50_000);
        change(&mut bench, &[0x01, 0x84]);
        assert_eq!(bench.chip_state().stored[0], wanted, "{pull}");
    }
}

#[test]
fn each_open_contact_does_what_its_wire_does() {
    let open = |signal: &str, more: &str| id(&format!("kind = \"open-contact\"\nsignal = \"{signal}\"\n{more}"));
    // From the second byte of the id on.
    assert_eq!(open("clock", "from_us = 16"), [0xEF, 0x00, 0x00], "the chip goes on driving the first bit of 40h");
    assert_eq!(open("clock", "from_us = 16\nuntil_us = 24"), [0xEF, 0x00, 0x40], "no bit is lost, all come later");
    assert_eq!(open("chip-select", "from_us = 16"), [0xEF, 0xFF, 0xFF]);
    assert_eq!(open("data-in", "from_us = 16"), [0xEF, 0x40, 0x14], "what is sent while reading says nothing");
    assert_eq!(open("hold", "from_us = 16"), [0xEF, 0x40, 0x14]);
    assert_eq!(open("hold", "from_us = 16\nuntil_us = 24\npull = \"down\""), [0xEF, 0xFF, 0x40]);
    assert_eq!(open("write-protect", "from_us = 16"), [0xEF, 0x40, 0x14]);
    assert_eq!(open("supply", "from_us = 16"), [0xEF, 0xFF, 0xFF]);
    assert_eq!(open("ground", "from_us = 16"), [0xEF, 0xFF, 0xFF]);
    for signal in ["clock", "chip-select", "data-in", "data-out", "supply", "ground"] {
        assert_eq!(open(signal, ""), [0xFF; 3], "{signal}");
    }
    // DI down: 00h for every opcode. A read that goes on with DI open begins with an opcode of ones.
    assert_eq!(open("data-in", "pull = \"down\""), [0xFF; 3]);
}

#[test]
fn a_chip_select_that_stays_low_never_ends_a_command() {
    let mut bench =
        blank(SMALL, &fault("kind = \"open-contact\"\nsignal = \"chip-select\"\npull = \"down\"\nuntil_us = 1000"));
    send(&mut bench, &[0x06], 0);
    assert!(!bench.chip_state().write_enabled, "chip select did not rise");
    assert_eq!(send(&mut bench, &[0x9F], 3), [0xFF; 3], "9Fh undid the write enable");
    bench.wait_us(1000);
    assert_eq!(send(&mut bench, &[0x9F], 3), [0xEF, 0x40, 0x14]);
    let mut bench = blank(SMALL, &fault("kind = \"open-contact\"\nsignal = \"chip-select\"\npull = \"down\""));
    assert_eq!(send(&mut bench, &[0x9F], 2), [0xEF, 0x40]);
    // The next two bytes are clocks of the same answer: 14h passes with the opcode.
    assert_eq!(send(&mut bench, &[0x9F], 2), [0x00, 0x00]);
}

#[test]
fn an_open_supply_takes_what_is_volatile() {
    for signal in ["supply", "ground"] {
        let window = format!("kind = \"open-contact\"\nsignal = \"{signal}\"\nfrom_us = 1000\nuntil_us = 2000");
        let mut bench = blank("marking = \"W25Q256\"", &fault(&window));
        send(&mut bench, &[0xB7], 0);
        send(&mut bench, &[0x06], 0);
        bench.wait_us(1000);
        assert!(!bench.chip_state().powered);
        bench.wait_us(1000);
        let state = bench.chip_state();
        assert!(state.powered && !state.four_byte && !state.write_enabled, "{signal}");
        let mut bench = blank(SMALL, &fault(&format!("kind = \"open-contact\"\nsignal = \"{signal}\"\nat_us = 1000")));
        send(&mut bench, &[0x06], 0);
        bench.wait_us(1000);
        assert!(bench.chip_state().powered && !bench.chip_state().write_enabled, "{signal} for a moment");
    }
}

#[test]
fn an_opening_of_one_moment_is_short_and_comes_once() {
    let mut bench = patterned(SMALL, &fault("kind = \"open-data-out\"\nat_us = 1000\npull = \"down\""));
    let content = pattern(1 << 20);
    bench.wait_us(1000);
    let answer = read(&mut bench, 0, 4096);
    assert!(answer[..1024].iter().all(|byte| *byte == 0), "8,192 bits");
    assert_eq!(answer[1024..], content[1024..4096]);
    let mut noise = blank(SMALL, &fault("kind = \"noise\"\nat_us = 1000"));
    noise.wait_us(1000);
    assert_eq!(read(&mut noise, 0, 2), [0x7F, 0xFF], "one bit, the first that is read");
    assert_eq!(read(&mut noise, 0, 2), [0xFF, 0xFF]);
}
