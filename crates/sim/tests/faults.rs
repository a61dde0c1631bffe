//! Faults: each kind, when it comes and goes, and what holds under it.

mod common;

use common::{blank, change, pattern, patterned, program, read, send, status, try_send, until_ready};
use nor::command::Transfer;
use nor::link::{Answer, Link, LinkError, Request};
use sim::{VANISHED_US, VirtualBench};

const SMALL: &str = "marking = \"W25Q80DV\"";

fn fault(lines: &str) -> String {
    format!("[[fault]]\n{lines}")
}

fn is_gone<T>(result: &Result<T, LinkError>) -> bool {
    matches!(result, Err(LinkError::Gone))
}

/// Bits that went the way that `new` wants, from `old`; panics on any bit that went another way.
fn arrived(old: &[u8], new: &[u8], left: &[u8]) -> u32 {
    let mut count = 0;
    for ((old, new), left) in old.iter().zip(new).zip(left) {
        assert_eq!((old ^ left) & !(old ^ new), 0, "{left:02x} is not between {old:02x} and {new:02x}");
        count += (old ^ left).count_ones();
    }
    count
}

#[test]
fn s2_a_power_cut_leaves_a_page_between_old_and_new() {
    // The command itself has passed 21.667 us after it began at 10 ms; a page takes 832 us (this part's DWORD 11).
    for (at_us, least, most) in
        [(10_100, 50, 350), (10_430, 800, 1_200), (10_840, 1_900, 2_048), (20_000, 2_048, 2_048)]
    {
        let mut bench = blank(SMALL, &fault(&format!("kind = \"power-cut\"\nat_us = {at_us}")));
        bench.wait_us(9_820);
        send(&mut bench, &[0x06], 0);
        send(&mut bench, &program(0x300, &[0; 256]), 0);
        bench.wait_us(50_000);
        let left = bench.chip_content();
        let count = arrived(&[0xFF; 256], &[0; 256], &left[0x300..0x400]);
        assert!((least..=most).contains(&count), "cut at {at_us} us: {count} bits of 2,048 are programmed");
        assert!(nor::is_blank(&left[..0x300]) && nor::is_blank(&left[0x400..]), "nothing beside the page moved");
    }
}

#[test]
fn s2_a_power_cut_leaves_an_erased_block_between_old_and_new() {
    for (opcode, len, time_us) in
        [(0x20_u8, 0x1000, 48_000_u64), (0xD8, 0x1_0000, 160_000), (0xC7, 0x10_0000, 2_048_000)]
    {
        let mut bench = patterned(SMALL, &fault(&format!("kind = \"power-cut\"\nat_us = {}", time_us / 2)));
        let old = bench.chip_content();
        send(&mut bench, &[0x06], 0);
        let command = [opcode, 0, 0, 0];
        send(&mut bench, if opcode == 0xC7 { &command[..1] } else { &command }, 0);
        bench.wait_us(10 * time_us);
        let left = bench.chip_content();
        let zeros: u32 = old[..len].iter().map(|byte| byte.count_zeros()).sum();
        let count = arrived(&old[..len], &vec![0xFF; len], &left[..len]);
        assert!((zeros * 4 / 10..zeros * 6 / 10).contains(&count), "{opcode:02x}h: {count} of {zeros} bits");
        assert_eq!(left[len..], old[len..]);
    }
}

#[test]
fn s2_a_power_cut_leaves_the_old_status_or_the_new_one() {
    let mut seen = Vec::new();
    for at_us in [100, 2_000, 4_000, 6_000, 8_000, 30_000] {
        let mut bench = blank(SMALL, &fault(&format!("kind = \"power-cut\"\nat_us = {at_us}")));
        send(&mut bench, &[0x06], 0);
        send(&mut bench, &[0x01, 0x1C], 0);
        bench.wait_us(50_000);
        bench.reopen();
        seen.push(status(&mut bench));
    }
    assert!(seen.iter().all(|status| [0x00, 0x1C].contains(status)), "{seen:02x?}");
    assert_eq!((seen[0], seen[5]), (0x00, 0x1C));
}

#[test]
fn a_cut_in_the_middle_of_a_command_undoes_the_command() {
    // 260 bytes at 12 MHz take 173 us; the supply fails before chip select rises.
    let mut bench = blank(SMALL, &fault("kind = \"power-cut\"\nat_us = 100"));
    send(&mut bench, &[0x06], 0);
    assert!(is_gone(&try_send(&mut bench, &program(0, &[0; 256]), 0)));
    assert_eq!(bench.now_us(), 173, "the write enable and the page, 261 bytes");
    assert!(nor::is_blank(&bench.chip_content()));
}

#[test]
fn a_power_cut_takes_what_is_volatile() {
    let mut bench = blank("marking = \"W25Q256\"", &fault("kind = \"power-cut\"\nat_us = 1000"));
    send(&mut bench, &[0xB7], 0);
    send(&mut bench, &[0x06], 0);
    bench.wait_us(2000);
    assert!(!bench.chip_state().powered);
    bench.reopen();
    let state = bench.chip_state();
    assert!(state.powered && !state.four_byte && !state.write_enabled);
}

#[test]
fn a_link_that_vanished_stays_gone_until_it_is_opened_again() {
    for kind in ["unplug", "power-cut"] {
        let mut bench = patterned(SMALL, &fault(&format!("kind = \"{kind}\"\nat_us = 500")));
        assert!(bench.is_present());
        bench.wait_us(499);
        send(&mut bench, &[0x05], 0);
        assert!(is_gone(&try_send(&mut bench, &[0x9F], 3)), "it went while this was on the wire");
        assert!(!bench.is_present(), "it can be watched vanishing");
        bench.wait_us(VANISHED_US);
        assert!(bench.is_present(), "and coming back");
        assert!(is_gone(&try_send(&mut bench, &[0x9F], 3)), "this handle is gone for good");
        bench.reopen();
        assert_eq!(send(&mut bench, &[0x9F], 3), [0xEF, 0x40, 0x14]);
        bench.wait_us(10_000_000);
        assert_eq!(send(&mut bench, &[0x9F], 3), [0xEF, 0x40, 0x14], "it comes once ever");
    }
}

#[test]
fn a_link_is_away_for_its_window_and_a_reopening_in_it_finds_nothing() {
    let mut bench = blank(SMALL, &fault("kind = \"unplug\"\nfrom_us = 1000\nuntil_us = 5000"));
    bench.wait_us(1000);
    assert!(!bench.is_present());
    bench.reopen();
    assert!(is_gone(&try_send(&mut bench, &[0x9F], 3)));
    bench.wait_us(4000);
    assert!(bench.is_present());
    bench.reopen();
    assert_eq!(send(&mut bench, &[0x9F], 1), [0xEF]);
    let mut never = blank(SMALL, &fault("kind = \"unplug\""));
    assert!(!never.is_present() && is_gone(&try_send(&mut never, &[0x9F], 3)));
}

#[test]
fn s6_another_chip_answers_while_it_is_under_the_clip() {
    let window = "kind = \"wrong-chip\"\nfrom_us = 1000\nuntil_us = 2000\nto = \"W25Q64\"";
    let mut bench = patterned(SMALL, &fault(window));
    let content = bench.chip_content();
    send(&mut bench, &[0x06], 0);
    bench.wait_us(1000);
    assert_eq!(send(&mut bench, &[0x9F], 3), [0xEF, 0x40, 0x17]);
    assert_ne!(read(&mut bench, 0, 64), content[..64]);
    change(&mut bench, &[0x20, 0, 0, 0]);
    assert_eq!(bench.chip_content(), content, "what is done to the other chip is not done to this one");
    bench.wait_us(1000);
    assert_eq!(send(&mut bench, &[0x9F], 3), [0xEF, 0x40, 0x14]);
    assert_eq!(status(&mut bench), 0, "it was without supply in between");
    let mut under_way = patterned(SMALL, &fault(window));
    send(&mut under_way, &[0x06], 0);
    send(&mut under_way, &[0x20, 0, 0, 0], 0);
    under_way.wait_us(100_000);
    assert!(!nor::is_blank(&under_way.chip_content()[..4096]), "the clip was taken off in the middle of an erase");
    let mut unnamed = blank(SMALL, &fault("kind = \"wrong-chip\""));
    assert_eq!(send(&mut unnamed, &[0x9F], 3), [0xEF, 0x30, 0x14], "without `to`: the same maker, the same size");
}

#[test]
fn busy_for_ever_lasts_until_the_next_power_up() {
    let faults = fault("kind = \"busy-forever\"\nat_us = 400\n") + &fault("kind = \"power-cut\"\nat_us = 900000000");
    let mut bench = blank(SMALL, &faults);
    send(&mut bench, &[0x06], 0);
    send(&mut bench, &program(0, &[0]), 0);
    bench.wait_us(800_000_000);
    assert_eq!(status(&mut bench), 0x03, "the program that was under way at 400 us never ended");
    bench.wait_us(100_000_000);
    bench.reopen();
    assert_eq!(status(&mut bench), 0x00);
    change(&mut bench, &[0x20, 0, 0, 0]);
}

#[test]
fn a_stall_holds_answers_back() {
    let mut bench = blank(SMALL, &fault("kind = \"link-stall\"\nfrom_us = 1000\nuntil_us = 9000"));
    bench.wait_us(2000);
    let id = Request::Transfer(Transfer::register(0x9F, 3));
    let silent = bench.run(&id, 5000);
    assert!(matches!(silent, Err(LinkError::Silent { waited_us: 3000 })), "{silent:?}");
    assert_eq!(bench.now_us(), 5000);
    let late = bench.run(&id, 20_000).expect("the stall ends before this deadline");
    assert_eq!(late, Answer::Bytes(vec![0xEF, 0x40, 0x14]));
    assert_eq!(bench.now_us(), 9002, "four bytes after the end of the stall");
}

#[test]
fn a_stall_of_one_moment_loses_one_answer_and_not_the_work() {
    let mut bench = blank(SMALL, &fault("kind = \"link-stall\"\nat_us = 100"));
    send(&mut bench, &[0x06], 0);
    let page = Request::Transfer(Transfer { write: program(0, &[0x5A; 256]), read: 0 });
    let lost = bench.run(&page, 400);
    assert!(matches!(lost, Err(LinkError::Silent { .. })), "{lost:?}");
    until_ready(&mut bench);
    assert_eq!(read(&mut bench, 0, 1), [0x5A], "the page was on the wire when the answer was lost");
}

#[test]
fn a_supply_dip_takes_modes_and_latches_and_leaves_the_link() {
    let mut bench = blank("marking = \"W25Q256\"", &fault("kind = \"supply-dip\"\nat_us = 1000"));
    send(&mut bench, &[0xB7], 0);
    send(&mut bench, &[0x06], 0);
    assert!(bench.chip_state().four_byte && bench.chip_state().write_enabled);
    bench.wait_us(1000);
    assert_eq!(send(&mut bench, &[0x9F], 3), [0xEF, 0x40, 0x19]);
    assert!(!bench.chip_state().four_byte && !bench.chip_state().write_enabled);
    let mut away = blank(SMALL, &fault("kind = \"supply-dip\"\nfrom_us = 1000\nuntil_us = 2000"));
    away.wait_us(1000);
    assert_eq!(send(&mut away, &[0x9F], 3), [0xFF; 3]);
    away.wait_us(1000);
    assert_eq!(send(&mut away, &[0x9F], 3), [0xEF, 0x40, 0x14]);
}

#[test]
fn protection_that_rises_is_volatile() {
    let faults = fault("kind = \"protect-raised\"\nat_us = 100\n") + &fault("kind = \"unplug\"\nat_us = 5000");
    let mut bench = blank("marking = \"W25Q128\"", &faults);
    assert_eq!(status(&mut bench), 0);
    bench.wait_us(100);
    assert_eq!(status(&mut bench), 0x1C);
    assert_eq!(bench.chip_state().stored, [0; 3]);
    bench.wait_us(5000);
    bench.reopen();
    assert_eq!(status(&mut bench), 0);
}

#[test]
fn noise_spoils_what_is_read_in_its_window_and_nothing_on_the_chip() {
    let window = "kind = \"noise\"\nrate = 0.01\nseverity = 0.5\nfrom_us = 100000\nuntil_us = 200000";
    let mut bench = patterned(SMALL, &fault(window));
    let content = pattern(1 << 20);
    assert_eq!(read(&mut bench, 0, 65_000), content[..65_000]);
    bench.wait_us(70_000);
    // The read begins at 113 ms, ends at 157 ms, and 520,000 bits at 1 in 200 make 2,600 flips.
    let noisy = read(&mut bench, 0, 65_000);
    let flips: u32 = noisy.iter().zip(&content).map(|(read, held)| (read ^ held).count_ones()).sum();
    assert!((2_300..2_900).contains(&flips), "{flips}");
    assert_ne!(read(&mut bench, 0, 65_000), noisy, "the next pass meets other noise");
    assert_eq!(read(&mut bench, 0, 65_000), content[..65_000], "the window is over");
    assert_eq!(bench.chip_content(), content);
}

#[test]
fn a_window_that_opens_in_the_middle_of_a_read_spoils_its_second_half() {
    let mut bench = blank(SMALL, &fault("kind = \"noise\"\nrate = 1.0\nfrom_us = 2000"));
    let answer = read(&mut bench, 0, 4096);
    // 12 MHz: 1.5 bytes a microsecond; the window begins with byte 3,000 on the wire, of which four are the command.
    assert!(nor::is_blank(&answer[..2996]) && answer[2996..].iter().all(|byte| *byte == 0));
}

#[test]
fn s3_a_worn_sector_and_a_stuck_bit_do_not_follow() {
    let worn = fault("kind = \"worn-sector\"\nat = 8192\nfrom_us = 0\nseverity = 1.0\n");
    let stuck = fault("kind = \"stuck-bit\"\nat = 100\nbit = 3\npull = \"down\"");
    let mut bench = blank(SMALL, &(worn + &stuck));
    for round in 0..2 {
        for sector in 0..3_u8 {
            for page in 0..16 {
                change(&mut bench, &program(u32::from(sector) * 4096 + page * 256, &[0; 256]));
            }
            change(&mut bench, &[0x20, 0, sector * 16, 0]);
        }
        let first = read(&mut bench, 0, 4096);
        assert_eq!(first.iter().position(|byte| *byte != 0xFF), Some(100), "round {round}");
        assert_eq!(first[100], 0xF7);
        assert!(nor::is_blank(&read(&mut bench, 4096, 4096)), "round {round}: a sound sector");
    }
    for page in 0..16 {
        change(&mut bench, &program(8192 + page * 256, &[0; 256]));
    }
    let programmed = read(&mut bench, 8192, 4096).iter().any(|byte| *byte != 0);
    change(&mut bench, &[0x20, 0, 0x20, 0]);
    let erased = !nor::is_blank(&read(&mut bench, 8192, 4096));
    assert!(programmed != erased, "it fails in one of the two");
}

#[test]
fn s5_a_chip_goes_deaf_on_another_makers_opcode() {
    let mut bench = patterned("id = \"c22014\"\nsize = 1048576", &fault("kind = \"deaf-after-opcode\""));
    for command in [&[0xAB, 0, 0, 0][..], &[0x9F], &[0x5A, 0, 0, 0, 0], &[0x05], &[0x90, 0, 0, 0], &[0x03, 0, 0, 0]] {
        send(&mut bench, command, 1);
        assert!(!bench.chip_state().deaf, "{command:02x?}");
    }
    change(&mut bench, &[0xD8, 0, 0, 0]);
    change(&mut bench, &program(0, &[0x12]));
    assert_eq!(read(&mut bench, 0, 1), [0x12]);
    send(&mut bench, &[0x35], 1);
    assert!(bench.chip_state().deaf);
    assert_eq!((send(&mut bench, &[0x9F], 3), status(&mut bench)), (vec![0xFF; 3], 0xFF));
}

/// A host that wants zeros in the first 64 KiB and gives up at the first error.
fn apply(bench: &mut VirtualBench) -> Result<(), LinkError> {
    let step = |bench: &mut VirtualBench, write: &[u8]| {
        try_send(bench, &[0x06], 0)?;
        try_send(bench, write, 0)?;
        while try_send(bench, &[0x05], 1)?[0] & 1 != 0 {
            bench.wait_us(500);
        }
        Ok(())
    };
    step(bench, &[0xD8, 0, 0, 0])?;
    (0..256).try_for_each(|page| step(bench, &program(page * 256, &[0x5A; 256])))
}

#[test]
fn s2_an_apply_cut_anywhere_converges_when_it_is_run_again() {
    let seeds = match std::env::var("FIRMHAND_SEED") {
        Ok(seed) => vec![seed.parse().expect("FIRMHAND_SEED is a number")],
        Err(_) => (0..40_u64).collect::<Vec<_>>(),
    };
    for seed in seeds {
        // About 0.43 s of work; two cuts spread over it by the seed.
        let moments = [seed.wrapping_mul(0x9E37_79B9_7F4A_7C15) >> 45, seed.wrapping_mul(0xD1B5_4A32_D192_ED03) >> 44];
        let faults: String = moments.iter().map(|at| fault(&format!("kind = \"power-cut\"\nat_us = {at}\n"))).collect();
        let mut bench = patterned(SMALL, &faults);
        let mut runs = 0;
        while apply(&mut bench).is_err() {
            runs += 1;
            bench.reopen();
            assert!(runs <= 2, "again: FIRMHAND_SEED={seed} cargo test -p sim --test faults s2_an_apply");
        }
        let content = bench.chip_content();
        let right =
            content[..65_536].iter().all(|byte| *byte == 0x5A) && content[65_536..] == pattern(1 << 20)[65_536..];
        assert!(
            right,
            "cuts at {moments:?} us; again: FIRMHAND_SEED={seed} cargo test -p sim --test faults s2_an_apply"
        );
    }
}

/// Everything that a host can see of a run under many faults.
fn trace(seed: u64, more: &str) -> (Vec<Vec<u8>>, Vec<u8>, u64) {
    let faults = fault("kind = \"noise\"\nrate = 0.001\n")
        + &fault("kind = \"worn-sector\"\nat = 0\n")
        + &fault("kind = \"power-cut\"\nat_us = 350000\n")
        + more;
    let mut file = common::file(SMALL, &faults);
    file.seed = seed;
    let mut bench = VirtualBench::in_memory(file, pattern(1 << 20)).expect("a fitting content");
    let mut answers = vec![send(&mut bench, &[0x4B, 0, 0, 0, 0], 8), read(&mut bench, 0, 65_000)];
    for block in [0, 1] {
        send(&mut bench, &[0x06], 0);
        send(&mut bench, &[0xD8, block, 0, 0], 0);
        bench.wait_us(165_000);
    }
    answers.push(vec![u8::from(bench.is_present())]);
    (answers, bench.chip_content(), bench.now_us())
}

#[test]
fn two_runs_of_a_seed_give_one_trace() {
    assert!(trace(11, "") == trace(11, ""));
    assert!(trace(11, "") != trace(12, ""));
}

#[test]
fn a_further_fault_moves_no_draw_of_the_others() {
    let more =
        fault("kind = \"stuck-bit\"\nat = 1000000\n") + &fault("kind = \"noise\"\nrate = 0.5\nfrom_us = 900000000");
    assert!(trace(11, "") == trace(11, &more));
}
