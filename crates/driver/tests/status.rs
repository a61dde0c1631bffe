//! Status writes, block locks, error flags, words, longer ids and sector maps, each against the virtual bench.

mod common;

use common::{LOWERED, ON_LINK, Recorder, bench, fault, identify, plan, random, run, tables, verify, write};
use driver::{DriverError, Identity};
use nor::chip::Conflict;
use nor::command::Transfer;
use nor::link::{Link, Request};
use nor::protection::Protection;
use nor::protection::lift::StatusWrite;

const MIB: usize = 1 << 20;

fn lift(identity: &Identity) -> StatusWrite {
    Protection::lift(&identity.chip, &identity.status).expect("may be lifted").expect("something is protected")
}

fn set_status(link: &mut Recorder, identity: &Identity, write: &StatusWrite) -> Result<Vec<u8>, DriverError> {
    run(link, |limits| driver::set_status(limits, identity, write))
}

fn send(link: &mut Recorder, write: &[u8]) {
    link.bench
        .run(&Request::Transfer(Transfer { write: write.to_vec(), read: 0 }), u64::MAX)
        .expect("the link is there");
    link.bench.wait_us(100_000);
}

#[test]
fn s9_protection_is_lifted_and_comes_back_as_found() {
    for (chip, volatile) in [("W25Q16DW", true), ("GD25Q16", true), ("N25Q128A13", false)] {
        for word in ["all", "upper-half"] {
            let keys = format!("marking = \"{chip}\"\nprotected = \"{word}\"");
            let size = nor::catalogue::by_marking(chip)[0].size as usize;
            let mut link = Recorder::new(bench(&keys, LOWERED, &random(51, size)));
            let mut identity = identify(&mut link);
            let found = identity.status.clone();
            assert!(matches!(identity.protection, Protection::Range { .. }), "{chip}: {:?}", identity.protection);
            let write = lift(&identity);
            link.sent.clear();
            identity.status = set_status(&mut link, &identity, &write).unwrap_or_else(|e| panic!("{chip}: {e}"));
            assert_eq!(Protection::of(&identity.chip, &identity.status), Protection::None, "{chip}");
            assert_eq!(link.count(0x01), 1, "{chip}: one write");
            assert_eq!((link.count(0x50), link.count(0x06)), (usize::from(volatile), usize::from(!volatile)), "{chip}");
            let before = link.sent.iter().position(|sent| sent.opcode() == Some(0x01)).expect("it was sent");
            for opcode in &identity.chip.status.reads {
                let reads = link.sent[..before].iter().filter(|sent| sent.opcode() == Some(*opcode)).count();
                assert!(reads >= 3, "{chip}: {opcode:02x}h was read {reads} times before");
            }
            assert_eq!(link.bench.chip_state().stored[0] == found[0], volatile, "{chip}: volatile where the chip can");
            let back = Protection::restore(&identity.chip, &found, &identity.status).expect("may").expect("differs");
            assert_eq!(set_status(&mut link, &identity, &back).expect("it comes back"), found, "{chip}");
        }
    }
}

#[test]
fn s14_a_status_that_moved_since_is_not_written() {
    let mut link = Recorder::new(bench("marking = \"W25Q16DW\"\nprotected = \"all\"", LOWERED, &random(52, 2 * MIB)));
    let identity = identify(&mut link);
    let write = lift(&identity);
    send(&mut link, &[0x06]);
    send(&mut link, &[0x01, 0x1C, 0x02]);
    link.sent.clear();
    let error = set_status(&mut link, &identity, &write).expect_err("quad enable was set meanwhile");
    assert!(matches!(error, DriverError::Unsteady { what: "status", .. }), "{error}");
    assert_eq!(link.count(0x01) + link.count(0x06) + link.count(0x50), 0);
}

#[test]
fn s14_a_write_that_the_pin_holds_back_is_told_with_its_remedy() {
    let keys = "marking = \"W25Q16DW\"\nprotected = \"all\"\nwrite_protect_pin = true";
    let mut link = Recorder::new(bench(keys, LOWERED, &random(53, 2 * MIB)));
    send(&mut link, &[0x06]);
    send(&mut link, &[0x01, 0x9C, 0x00]);
    let identity = identify(&mut link);
    assert_eq!(identity.status[0], 0x9C);
    let error = set_status(&mut link, &identity, &lift(&identity)).expect_err("WP# is low");
    assert!(matches!(&error, DriverError::StatusRefused { write_protect: true, .. }), "{error}");
    assert!(error.to_string().contains("pull WP# up") && !error.is_resumable(), "{error}");
    assert_eq!(identify(&mut link).status, identity.status);
}

#[test]
fn s14_no_lock_is_opened_on_a_chip_of_which_nothing_says_how() {
    let mut link = Recorder::new(bench("marking = \"W25Q16DW\"", LOWERED, &random(54, 2 * MIB)));
    let identity = identify(&mut link);
    link.sent.clear();
    let error = run(&mut link, |limits| driver::unlock_blocks(limits, &identity)).expect_err("no such command");
    assert!(matches!(error, DriverError::NoBlockLocks), "{error}");
    assert!(link.sent.is_empty());
}

#[test]
fn s3_closed_block_locks_are_found_by_verifying() {
    let present = random(55, 8 * MIB);
    let wanted = [&random(56, 8192)[..], &present[8192..]].concat();
    let mut link = Recorder::new(bench("marking = \"SST26VF064B\"", LOWERED, &present));
    let identity = identify(&mut link);
    let (plan, _) = plan(&identity.chip, &link.limits, &present, &wanted, 0..8192);
    write(&mut link, &identity, &plan, &wanted).expect("this chip ignores it without a word");
    assert!(verify(&mut link, &identity, &wanted, 0..8192).differing_bytes > 8000);
    run(&mut link, |limits| driver::unlock_blocks(limits, &identity)).expect("98h opens all");
    write(&mut link, &identity, &plan, &wanted).expect("open");
    assert!(link.bench.chip_content() == wanted);
}

/// A sector map after the layout of the part's public description (from memory): 4 KiB blocks in the first 32 KiB, one block
/// of 32 KiB, 64 KiB blocks behind; or 64 KiB blocks everywhere. Two settings choose.
fn hybrid(uniform_first: bool) -> String {
    let commands = [0x08FF_65FC, 0x0000_0004, 0x0240_65FC, 0x0000_0003];
    let parts: [&[u32]; 2] = [&[0x0002_00FE, 0x0000_7FF1, 0x0000_7FF2, 0x007E_FFF4], &[0x0000_03FE, 0x007F_FFF4]];
    let mut map = commands.to_vec();
    map.extend(parts[usize::from(uniform_first)]);
    let last = map.len();
    map.extend(parts[usize::from(!uniform_first)]);
    map[last] |= 1;
    let mut basic = tables::basic(8 << 20, 0);
    (basic[7], basic[8]) = (0xD80F_200C, 0x0000_D810);
    tables::keys("0102174d0181", 8 << 20, &tables::whole(&basic, &map))
}

#[test]
fn s5_the_settings_choose_the_sector_map_once_the_family_is_named() {
    for (uniform, sizes) in [(false, vec![4096, 32_768, 65_536]), (true, vec![65_536])] {
        let present = random(57, 8 * MIB);
        let mut link = Recorder::new(bench(&hybrid(uniform), LOWERED, &present));
        let identity = identify(&mut link);
        let chip = &identity.chip;
        assert_eq!(chip.id, [0x01, 0x02, 0x17, 0x4D, 0x01, 0x81]);
        assert_eq!(chip.conflicts, []);
        assert_eq!(chip.erases.iter().map(|erase| erase.size).collect::<Vec<_>>(), sizes);
        assert_eq!(chip.regions.len(), sizes.len());
        assert_eq!(link.count(0x65), 6, "two settings, three times each");
        let mut wanted = present.clone();
        wanted[..200_000].copy_from_slice(&random(58, 200_000));
        let (plan, _) = plan(chip, &link.limits, &present, &wanted, 0..8 << 20);
        write(&mut link, &identity, &plan, &wanted).expect("a sound chip");
        assert!(link.bench.chip_content() == wanted);
    }
    // The same table under an id that no list has: the commands may mean anything there.
    let unknown = hybrid(false).replace("0102174d0181", "770217");
    let mut link = Recorder::new(bench(&unknown, LOWERED, &random(57, 8 * MIB)));
    let identity = identify(&mut link);
    assert!(matches!(identity.chip.conflicts[..], [Conflict::SectorMap(_)]), "{:?}", identity.chip.conflicts);
    assert_eq!(link.count(0x65), 0);
}

/// The protection bits rise in the middle of 64 KiB, where no check of the status lies, so that the chip's own error is what
/// tells of it.
#[test]
fn s6_an_error_that_the_chip_itself_tells_is_cleared_and_reported() {
    for (keys, told) in [("marking = \"N25Q128A13\"".to_owned(), true), (hybrid(true), false)] {
        for features in [LOWERED, ON_LINK] {
            let size = if told { 16 * MIB } else { 8 * MIB };
            let present = vec![0xFF; size];
            let mut wanted = present.clone();
            wanted[0x10_0000..0x12_0000].copy_from_slice(&random(59, 0x2_0000));
            let write_with = |fault: &str| {
                let mut link = Recorder::new(bench(&keys, &format!("{features}{fault}"), &present));
                let mut identity = identify(&mut link);
                identity.chip.conflicts.clear(); // a blank chip shows no size
                let (plan, _) = plan(&identity.chip, &link.limits, &present, &wanted, 0x10_0000..0x12_0000);
                let began = link.now_us();
                let result = write(&mut link, &identity, &plan, &wanted);
                (result, began, link)
            };
            let (sound, began, mut link) = write_with("");
            sound.unwrap_or_else(|error| panic!("{keys}: {error}"));
            let at_us = began + (link.now_us() - began) / 4;
            let (result, _, mut link) = write_with(&fault("protect-raised", &format!("at_us = {at_us}")));
            let error = result.expect_err("the rest is refused by the chip");
            let DriverError::Failed { at, erase: false, protected } = error else { panic!("{keys}: {error}") };
            assert_eq!(protected, told, "the flag register gives the reason, the status register does not");
            assert!((0x10_0000..0x11_0000).contains(&at) && !error.is_resumable(), "{error}");
            let state = link.bench.chip_state();
            assert!(!state.busy && state.status & 0x63 & !0x40 == 0, "cleared: {state:?}");
        }
    }
}

#[test]
fn parts_without_pages_take_words_from_any_place_to_any_place() {
    let present = random(60, MIB / 2);
    let mut link = Recorder::new(bench("marking = \"SST25VF040B\"", ON_LINK, &present));
    let mut identity = identify(&mut link);
    let write_status = lift(&identity);
    identity.status = set_status(&mut link, &identity, &write_status).expect("50h, 01h");
    identity.protection = Protection::of(&identity.chip, &identity.status);
    for (from, len) in [(0x1001, 1), (0x2001, 2), (0x3000, 3), (0x4FFF, 4), (0x5001, 4097)] {
        let present = link.bench.chip_content();
        let mut wanted = present.clone();
        wanted[from..from + len].copy_from_slice(&random(from as u64, len));
        let (plan, _) =
            plan(&identity.chip, &link.limits, &present, &wanted, 0..u32::try_from(MIB / 2).expect("small"));
        write(&mut link, &identity, &plan, &wanted).unwrap_or_else(|error| panic!("{from:#x}: {error}"));
        assert!(link.bench.chip_content() == wanted, "{len} bytes from {from:#x}");
        assert!(!link.bench.chip_state().write_enabled);
    }
    assert!(link.count(0xAD) > 0 && link.count(0x02) > 0);
    assert!(!link.sent.iter().any(|sent| matches!(sent.request, Request::ProgramRange(_))));
}

#[test]
fn a_longer_id_tells_parts_apart_that_share_three_bytes() {
    let markings = |keys: &str| {
        let mut link = bench(keys, LOWERED, &random(61, 32 * MIB));
        let chip = identify(&mut link).chip;
        (chip.id_text(), chip.markings)
    };
    let (id, names) = markings("marking = \"MT25QL256A\"");
    assert_eq!(id, "20ba19104400");
    assert!(names.contains(&"MT25QL256A".to_owned()));
    for other in ["marking = \"N25Q256A\"", "marking = \"N25Q256A\"\nid = \"20ba19100000\""] {
        let (id, names) = markings(other);
        assert_eq!((id.as_str(), names), ("20ba19", vec!["N25Q256A".to_owned()]), "{other}");
    }
}
