//! Wiring faults together: with each other, over runs, in pieces, under the requests that the link runs by itself.

mod common;

use common::{blank, pattern, patterned, program, read, send};
use nor::command::ReadMode;
use nor::link::{Answer, Guard, Link, ProgramRange, Request};
use sim::VirtualBench;

const SMALL: &str = "marking = \"W25Q80DV\"";

fn fault(lines: &str) -> String {
    format!("[[fault]]\n{lines}\n")
}

#[test]
fn what_comes_once_is_remembered_beside_the_content() {
    let folder = tempfile::tempdir().expect("a folder for the test");
    let path = folder.path().join("bench.toml");
    let kinds =
        ["noise", "clock-slip", "select-bounce", "address-error", "constant-shift", "hold-floating", "open-data-out"];
    for kind in kinds {
        let text = format!(
            "[chip]\n{SMALL}\ncontent = \"{kind}.bin\"\n[[fault]]\nkind = \"{kind}\"\nat_us = 0\npull = \"down\""
        );
        std::fs::write(&path, text).expect("a file");
        let mut runs = Vec::new();
        for _ in 0..2 {
            let mut bench = VirtualBench::open(&path).unwrap_or_else(|error| panic!("{error}"));
            runs.push(send(&mut bench, &[0x9F], 3));
            bench.close().unwrap_or_else(|error| panic!("{error}"));
        }
        assert_ne!(runs[0], [0xEF, 0x40, 0x14], "{kind}");
        assert_eq!(runs[1], [0xEF, 0x40, 0x14], "{kind}");
    }
}

#[test]
fn cutting_a_read_moves_no_fault_of_the_answer() {
    for lines in [
        "kind = \"noise\"\nrate = 0.001",
        "kind = \"weak-data-out\"\nrate = 0.001",
        "kind = \"open-data-out\"\nrate = 0.001\nseverity = 0.3\npull = \"neighbour\"",
    ] {
        let mut whole = patterned(SMALL, &fault(lines));
        let mut pieces = patterned(SMALL, &fault(lines));
        let mut answer = Vec::new();
        for (at, len) in [(0, 1), (1, 999), (1000, 30_001), (31_001, 8_999)] {
            answer.extend(read(&mut pieces, at, len));
        }
        assert!(read(&mut whole, 0, 40_000) == answer, "{lines}");
        assert!(answer != pattern(40_000), "{lines}");
    }
}

/// Every fault that draws, at rates at which a short read has many.
const BUSY: [&str; 10] = [
    "kind = \"noise\"\nrate = 0.001",
    "kind = \"weak-data-out\"\nrate = 0.001",
    "kind = \"open-data-out\"\nrate = 0.0005\nseverity = 0.2",
    "kind = \"clock-slip\"\nrate = 0.0005",
    "kind = \"select-bounce\"\nrate = 0.0001\nseverity = 0.5",
    "kind = \"address-error\"\nrate = 0.01",
    "kind = \"late-sampling\"\nrate = 0.01",
    "kind = \"constant-shift\"\nseverity = 0.5",
    "kind = \"bus-contention\"\nrate = 1000",
    "kind = \"hold-floating\"\nrate = 0.0005\nseverity = 0.1",
];

/// Answers of a few reads and the content after a program.
fn trace(faults: &str) -> Vec<Vec<u8>> {
    let mut bench = patterned(SMALL, faults);
    let mut answers: Vec<_> = (0..6).map(|at| read(&mut bench, at * 7919, 4001)).collect();
    send(&mut bench, &[0x06], 0);
    send(&mut bench, &[0x20, 0, 0, 0], 0);
    bench.wait_us(100_000);
    for page in 0..16 {
        send(&mut bench, &[0x06], 0);
        send(&mut bench, &program(page * 256, &[0x5A; 256]), 0);
        bench.wait_us(10_000);
    }
    answers.push(bench.chip_content());
    answers
}

#[test]
fn two_runs_give_one_trace_and_edges_of_other_faults_move_nothing() {
    // Windows that do nothing cut the transactions into pieces at odd places.
    let mut cuts = String::new();
    for window in 0..60 {
        let from = 17 + window * 311;
        cuts += &fault(&format!("kind = \"supply-sag\"\nrate = 0.0\nfrom_us = {from}\nuntil_us = {}", from + 5));
    }
    let pairs = BUSY.iter().enumerate().flat_map(|(nth, one)| BUSY[nth + 1..].iter().map(move |two| (*one, *two)));
    let singles = BUSY.iter().map(|one| (*one, ""));
    let clean = trace("");
    for (one, two) in singles.chain(pairs) {
        let faults = fault(one) + &if two.is_empty() { String::new() } else { fault(two) };
        let first = trace(&faults);
        assert!(first != clean, "{faults}");
        assert!(first == trace(&faults), "{faults}");
        assert!(first == trace(&(faults.clone() + &cuts)), "cut in pieces: {faults}");
    }
}

#[test]
fn a_fault_of_another_kind_moves_no_draw() {
    // The quiet ones act later than the trace; they are in the file before and behind the one that is looked at.
    for (nth, one) in BUSY.iter().enumerate() {
        let quiet: String = BUSY
            .iter()
            .enumerate()
            .filter(|(other, _)| *other != nth)
            .map(|(_, other)| fault(&format!("{other}\nfrom_us = 900000000000")))
            .collect();
        assert!(trace(&fault(one)) == trace(&(quiet.clone() + &fault(one) + &quiet)), "{one}");
    }
}

#[test]
fn ranges_pass_over_the_same_lines() {
    const ALL: &str = "[link]\nfeatures = [\"read-range\", \"digest\", \"program-range\", \"erase-list\"]\n";
    let content = pattern(1 << 20);
    let stuck = format!("{ALL}{}", fault("kind = \"address-error\"\nbit = 15\npull = \"up\""));
    let mut bench = patterned(SMALL, &stuck);
    let mode = ReadMode::plain(3);
    let found = bench.run(&Request::ReadRange { at: 0, len: 4096, mode }, u64::MAX).expect("an answer");
    assert_eq!(found, Answer::Bytes(content[0x1_0000..0x1_1000].to_vec()));
    let found = bench.run(&Request::DigestRange { at: 0, len: 4096, mode }, u64::MAX).expect("an answer");
    assert_eq!(found, Answer::Digests(vec![crc32fast::hash(&content[0x1_0000..0x1_1000])]));
    let mut bench = blank(SMALL, &stuck);
    let guard = Guard { id: vec![0xEF, 0x40, 0x14], status: 0, status_mask: 0xFC };
    let range = ProgramRange {
        at: 0,
        data: vec![0; 512],
        page: 256,
        opcode: 0x02,
        address_bytes: 3,
        typical_us: 832,
        limit_us: 3328,
        guard,
    };
    let done = bench.run(&Request::ProgramRange(range), u64::MAX).expect("an answer");
    assert_eq!(done, Answer::Ran { done: 512, stop: None }, "whoever writes cannot see it");
    let left = bench.chip_content();
    assert!(nor::is_blank(&left[..0x1_0000]) && left[0x1_0000..0x1_0200].iter().all(|byte| *byte == 0));
    let slipped = format!("{ALL}{}", fault("kind = \"clock-slip\"\nrate = 0.0001"));
    let mut bench = patterned(SMALL, &slipped);
    let found = bench.run(&Request::ReadRange { at: 0, len: 65_536, mode }, u64::MAX).expect("an answer");
    assert_ne!(found, Answer::Bytes(content[..65_536].to_vec()));
}
