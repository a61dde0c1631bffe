//! The link: what requests cost, what it refuses, and lists that it runs by itself.

mod common;

use common::{blank, change, pattern, patterned, program, read, send, status};
use nor::command::{ReadMode, Transfer};
use nor::link::{Answer, EraseBlock, EraseList, Guard, Link, LinkError, ProgramRange, Request, SIGNALS, Signal, Stop};
use sim::VirtualBench;

const SMALL: &str = "marking = \"W25Q80DV\"";
const ALL: &str = "[link]\nfeatures = [\"read-range\", \"digest\", \"program-range\", \"erase-list\", \"line-test\"]\n";

fn run(bench: &mut VirtualBench, request: &Request) -> Answer {
    bench.run(request, u64::MAX).expect("the link is there")
}

fn guard() -> Guard {
    Guard { id: vec![0xEF, 0x40, 0x14], status: 0, status_mask: 0xFC }
}

fn erase_list(blocks: &[(u8, u32)]) -> EraseList {
    let block = |&(opcode, at)| EraseBlock { at, opcode, typical_us: 48_000, limit_us: 2_000_000 };
    EraseList { blocks: blocks.iter().map(block).collect(), address_bytes: 3, guard: guard() }
}

fn program_range(at: u32, data: Vec<u8>) -> ProgramRange {
    let guard = guard();
    ProgramRange { at, data, page: 256, opcode: 0x02, address_bytes: 3, typical_us: 832, limit_us: 3328, guard }
}

#[test]
fn a_request_costs_its_round_trip_and_the_slower_of_wire_and_host() {
    // 4 + 4,096 bytes: 2,733.3 us at 12 MHz, 3,280 us at 10 Mbit/s.
    let transfer = Request::Transfer(Transfer::array(0, 4096, ReadMode::plain(3)));
    for (link, wanted_us) in [
        ("", 2_733),
        ("round_trip_us = 250", 2_983),
        ("bytes_per_second = 1250000", 3_280),
        ("bytes_per_second = 1250000\nround_trip_us = 1000", 4_280),
        ("clock_hz = 1000000\nbytes_per_second = 1250000", 32_800),
    ] {
        let mut bench = blank(SMALL, &format!("[link]\n{link}"));
        run(&mut bench, &transfer);
        assert_eq!(bench.now_us(), wanted_us, "{link}");
    }
}

#[test]
fn a_list_costs_one_round_trip_and_all_of_its_wire() {
    let mut bench = blank(SMALL, &format!("{ALL}clock_hz = 8000000\nround_trip_us = 1000\nbytes_per_second = 1000000"));
    run(&mut bench, &Request::ProgramRange(program_range(0, vec![0; 512])));
    // At 1 us a byte: guard 4 + 2, then 1 + 2 (looked at once) + 260 + 832 + 2, then 1 + 260 + 832 + 2.
    assert_eq!(bench.now_us(), 1000 + 6 + 1097 + 1095);
    let before = bench.now_us();
    run(&mut bench, &Request::DigestRange { at: 0, len: 65_536, mode: ReadMode::fast(3) });
    assert_eq!(bench.now_us() - before, 1000 + 65_541);
}

#[test]
fn a_digest_from_two_data_lines_is_the_same_in_half_the_time() {
    let mut bench = patterned(SMALL, "[link]\nfeatures = [\"digest\", \"two-lines\"]\nclock_hz = 8000000\n");
    let digest = |mode| Request::DigestRange { at: 0x1000, len: 65_536, mode };
    let one = run(&mut bench, &digest(ReadMode::fast(3)));
    let before = bench.now_us();
    let two = ReadMode { opcode: 0x3B, data_lines: 2, ..ReadMode::fast(3) };
    assert_eq!(run(&mut bench, &digest(two)), one);
    assert_eq!(bench.now_us() - before, 5 + 65_536 / 2, "at 1 us a byte on one line");
    // Not what this link can do: a read on two lines to the host, a third line, and two lines that faults act on.
    let read = Request::ReadRange { at: 0, len: 4096, mode: two };
    let three = digest(ReadMode { data_lines: 3, ..two });
    for request in [read, three] {
        let refused = bench.run(&request, u64::MAX);
        assert!(matches!(refused, Err(LinkError::Unable { .. })), "{refused:?}");
    }
    let noisy = "[link]\nfeatures = [\"digest\", \"two-lines\"]\n[[fault]]\nkind = \"noise\"\nrate = 1e-6\n";
    assert!(!patterned(SMALL, noisy).limits().features.two_lines);
}

#[test]
fn a_request_past_its_deadline_is_silent_and_done_all_the_same() {
    let mut bench = blank(SMALL, "[link]\nround_trip_us = 500");
    send(&mut bench, &[0x06], 0);
    let page = Request::Transfer(Transfer { write: program(0, &[0x5A; 256]), read: 0 });
    let late = bench.run(&page, 600);
    assert!(matches!(late, Err(LinkError::Silent { waited_us: 673 | 674 })), "{late:?}");
    bench.wait_us(1000);
    assert_eq!(read(&mut bench, 0, 1), [0x5A]);
}

#[test]
fn ranges_equal_the_same_work_done_by_transfers() {
    let mut by_lists = patterned(SMALL, ALL);
    let mut by_hand = patterned(SMALL, "");
    let data = pattern(2 * 65_536 + 300);
    let blocks = [(0xD8, 0x2_0000), (0xD8, 0x3_0000), (0x20, 0x4_0000), (0x52, 0x8_8000)];
    let erased = run(&mut by_lists, &Request::EraseList(erase_list(&blocks)));
    assert_eq!(erased, Answer::Ran { done: 4, stop: None });
    for (opcode, at) in blocks {
        change(&mut by_hand, &Transfer::erase(opcode, at, 3).write);
    }
    let programmed = run(&mut by_lists, &Request::ProgramRange(program_range(0x2_0000, data.clone())));
    assert_eq!(programmed, Answer::Ran { done: 131_372, stop: None });
    for (page, at) in data.chunks(256).zip((0x2_0000..).step_by(256)) {
        change(&mut by_hand, &program(at, page));
    }
    let content = by_hand.chip_content();
    assert!(by_lists.chip_content() == content);
    assert!(content[0x2_0000..0x2_0000 + data.len()] == data[..]);
    let (at, len, mode) = (0x1_F800, 0x2_1234, ReadMode::fast(3));
    let range = &content[at as usize..][..len as usize];
    assert!(run(&mut by_lists, &Request::ReadRange { at, len, mode }) == Answer::Bytes(range.to_vec()));
    let digests = range.chunks(4096).map(crc32fast::hash).collect();
    assert_eq!(run(&mut by_lists, &Request::DigestRange { at, len, mode }), Answer::Digests(digests));
}

#[test]
fn the_digest_is_the_one_of_the_standard() {
    // CRC-32 of "123456789": CBF43926h, the check value of the published parameters of IEEE 802.3's polynomial.
    let mut bench = blank(SMALL, ALL);
    change(&mut bench, &program(0, b"123456789"));
    let request = Request::DigestRange { at: 0, len: 9, mode: ReadMode::plain(3) };
    assert_eq!(run(&mut bench, &request), Answer::Digests(vec![0xCBF4_3926]));
}

#[test]
fn s6_a_list_stops_when_id_or_status_differ() {
    let wrong = "[[fault]]\nkind = \"wrong-chip\"\nto = \"W25Q64\"\nat_us = 60000";
    let mut bench = patterned(SMALL, &format!("{ALL}{wrong}"));
    let list = Request::EraseList(erase_list(&[(0x20, 0), (0x20, 0x1000), (0x20, 0x2000)]));
    let Answer::Ran { done: 2, stop: Some(Stop::Differs { id, .. }) } = run(&mut bench, &list) else {
        panic!("the list went on on another chip");
    };
    assert_eq!(id, [0xEF, 0x40, 0x17]);
    assert_eq!(bench.chip_content()[0x2000..], pattern(1 << 20)[0x2000..]);

    let raised = "[[fault]]\nkind = \"protect-raised\"\nat_us = 100000";
    let mut bench = blank("marking = \"W25Q128\"", &format!("{ALL}{raised}"));
    let mut range = program_range(0, vec![0; 256 * 1024]);
    range.guard.id = vec![0xEF, 0x40, 0x18];
    let Answer::Ran { done, stop: Some(Stop::Differs { status: 0x1C, .. }) } =
        run(&mut bench, &Request::ProgramRange(range))
    else {
        panic!("the list went on under protection");
    };
    assert_eq!(done, 65_536, "the guard looks every 64 KiB");
}

#[test]
fn a_list_stops_when_the_chip_does_not_end_or_does_not_enable() {
    let busy = "[[fault]]\nkind = \"busy-forever\"\nfrom_us = 100000";
    let mut bench = patterned(SMALL, &format!("{ALL}{busy}"));
    let list = Request::EraseList(erase_list(&[(0x20, 0), (0x20, 0x1000), (0x20, 0x2000)]));
    let Answer::Ran { done: 2, stop: Some(Stop::Busy { waited_us }) } = run(&mut bench, &list) else {
        panic!("the third block cannot have ended");
    };
    assert!((2_000_000..2_010_000).contains(&waited_us), "{waited_us}");

    let mut bench = patterned(SMALL, ALL);
    send(&mut bench, &[0xB9], 0);
    let mut asleep = erase_list(&[(0x20, 0)]);
    asleep.guard = Guard { id: vec![0xFF; 3], status: 0, status_mask: 0 };
    let answer = run(&mut bench, &Request::EraseList(asleep));
    assert!(matches!(answer, Answer::Ran { done: 0, stop: Some(Stop::Busy { .. }) }), "a floating line reads busy");

    let mut bench = blank(SMALL, &format!("{ALL}[[fault]]\nkind = \"noise\"\nrate = 1.0"));
    let mut blind = erase_list(&[(0x20, 0)]);
    blind.guard = Guard { id: Vec::new(), status: 0, status_mask: 0 };
    let answer = run(&mut bench, &Request::EraseList(blind));
    assert_eq!(answer, Answer::Ran { done: 0, stop: Some(Stop::NotEnabled { status: 0xFD }) });
}

#[test]
fn a_list_ends_with_the_link() {
    let cut = "[[fault]]\nkind = \"unplug\"\nat_us = 60000";
    let mut bench = patterned(SMALL, &format!("{ALL}{cut}"));
    let list = Request::EraseList(erase_list(&[(0x20, 0), (0x20, 0x1000), (0x20, 0x2000)]));
    assert!(matches!(bench.run(&list, u64::MAX), Err(LinkError::Gone)));
    let content = bench.chip_content();
    assert!(nor::is_blank(&content[..0x1000]) && !nor::is_blank(&content[0x1000..0x2000]));
    assert_eq!(content[0x2000..], pattern(1 << 20)[0x2000..]);
}

#[test]
fn a_list_is_silent_when_its_deadline_passes_first() {
    let mut bench = patterned(SMALL, &format!("{ALL}[[fault]]\nkind = \"busy-forever\""));
    let mut list = erase_list(&[(0x20, 0)]);
    list.blocks[0].limit_us = u64::MAX;
    assert!(matches!(bench.run(&Request::EraseList(list), 500_000), Err(LinkError::Silent { .. })));
}

#[test]
fn what_is_outside_the_limits_is_refused_and_touches_nothing() {
    let mut bench = blank(SMALL, ALL);
    let mode = ReadMode::plain(3);
    let range = |at, len| Request::ReadRange { at, len, mode };
    let mut crooked = program_range(0x80, vec![0; 16]);
    let mut wide = erase_list(&[(0x20, 0)]);
    wide.address_bytes = 5;
    let refused = [
        Request::Transfer(Transfer { write: vec![3, 0, 0, 0], read: 65_537 }),
        range(0, (1 << 20) + 1),
        range(u32::MAX, 2),
        Request::ReadRange { at: 0, len: 1, mode: ReadMode { address_bytes: 0, ..mode } },
        Request::DigestRange { at: 0, len: u32::MAX, mode },
        Request::ProgramRange(crooked.clone()),
        Request::EraseList(wide),
        Request::SetClock { hz: 99_999 },
    ];
    for request in &refused {
        assert!(matches!(bench.run(request, u64::MAX), Err(LinkError::Unable { .. })), "{request:?}");
    }
    crooked.page = 0;
    assert!(matches!(bench.run(&Request::ProgramRange(crooked), u64::MAX), Err(LinkError::Unable { .. })));
    let mut bare = blank(SMALL, "");
    let lists = [
        range(0, 1),
        Request::DigestRange { at: 0, len: 1, mode },
        Request::ProgramRange(program_range(0, vec![0])),
        Request::EraseList(erase_list(&[])),
        Request::LineTest,
    ];
    for request in &lists {
        assert!(matches!(bare.run(request, u64::MAX), Err(LinkError::Unable { .. })), "{request:?}");
    }
    assert_eq!((bench.now_us(), bare.now_us()), (0, 0));
    assert!(nor::is_blank(&bench.chip_content()));
}

#[test]
fn the_clock_is_the_fastest_that_is_not_faster_than_asked_for() {
    let mut bench = blank(SMALL, "[link]\nclock_hz = 20000000");
    assert_eq!(bench.limits().clock_hz, (100_000, 20_000_000));
    for (asked, given) in [(100_000, 100_000), (33_000_000, 20_000_000)] {
        assert_eq!(run(&mut bench, &Request::SetClock { hz: asked }), Answer::Clock { hz: given });
    }
    run(&mut bench, &Request::SetClock { hz: 100_000 });
    let before = bench.now_us();
    status(&mut bench);
    assert_eq!(bench.now_us() - before, 160);
}

#[test]
fn s4_the_bench_says_what_the_chip_bears_and_what_the_link_drives() {
    let fits = blank("marking = \"W25Q128FW\"", "");
    assert_eq!((fits.supply().min_mv, fits.drives().mv), (1650, 1800));
    let burns = blank("marking = \"W25Q128FW\"", "[link]\ndrives_v = 3.3");
    assert!(!burns.supply().bears(burns.drives()));
    assert_eq!(burns.limits().drives, Some(burns.drives()));
    let own = blank(&format!("{SMALL}\nsupply_v = [2.0, 2.6]"), "");
    assert_eq!((own.supply().max_mv, own.drives().mv), (2600, 2300));
}

#[test]
fn a_line_test_sees_a_seated_clip() {
    let mut bench = blank(SMALL, ALL);
    let Answer::Lines(report) = run(&mut bench, &Request::LineTest) else { panic!("a line test was asked for") };
    assert_eq!(report.supply_mv, Some(3300));
    assert_eq!(report.lines.iter().map(|line| line.signal).collect::<Vec<_>>(), SIGNALS);
    for line in report.lines {
        let pulled_up_on_the_board = matches!(line.signal, Signal::ChipSelect | Signal::WriteProtect | Signal::Hold);
        assert_eq!((line.pulled_up, line.pulled_down), (true, pulled_up_on_the_board), "{:?}", line.signal);
    }
    let mut low = blank(&format!("{SMALL}\nwrite_protect_pin = true"), ALL);
    let Answer::Lines(report) = run(&mut low, &Request::LineTest) else { panic!("a line test was asked for") };
    assert!(!report.lines[2].pulled_up);
}

#[test]
fn sixteen_mebibytes_are_erased_written_and_found_in_the_file() {
    let folder = tempfile::tempdir().expect("a folder for the test");
    let path = folder.path().join("bench.toml");
    let text = format!("[chip]\nmarking = \"W25Q128\"\ncontent = \"main.bin\"\n{ALL}");
    std::fs::write(&path, text).expect("a file in it");
    std::fs::write(folder.path().join("main.bin"), pattern(16 << 20)).expect("a content");
    let mut bench = VirtualBench::open(&path).unwrap_or_else(|error| panic!("{error}"));
    let guard = Guard { id: vec![0xEF, 0x40, 0x18], ..guard() };
    let blocks: Vec<_> = (0..256).map(|block| (0xD8, block << 16)).collect();
    let list = EraseList { guard: guard.clone(), ..erase_list(&blocks) };
    assert_eq!(run(&mut bench, &Request::EraseList(list)), Answer::Ran { done: 256, stop: None });
    let wanted: Vec<u8> = pattern(16 << 20).iter().map(|byte| !byte).collect();
    for (data, at) in wanted.chunks(1 << 20).zip((0..).step_by(1 << 20)) {
        let range = ProgramRange { guard: guard.clone(), ..program_range(at, data.to_vec()) };
        assert_eq!(run(&mut bench, &Request::ProgramRange(range)), Answer::Ran { done: 1 << 20, stop: None });
    }
    std::mem::forget(bench); // what is in the file is there without a proper end
    assert!(std::fs::read(folder.path().join("main.bin")).expect("the content") == wanted);
}
