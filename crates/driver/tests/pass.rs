//! Passes: the chip's cells, whatever the order, the chunks and the link; and what the chip answers on the way.

mod common;

use common::{LOWERED, ON_LINK, Recorder, SMALL, bench, fault, features, identify, random, run};
use driver::{Answered, Content, DriverError, Event, Flow, Identity, Order, Pass, PassPlan};
use nor::SECTOR;
use nor::chip::{Addressing, Conflict};
use nor::link::{Answer, Limits, Link, LinkError, Request};
use serde_json::Value;

const KIB: u32 = 1024;

fn pass(link: &mut dyn Link, identity: &Identity, plan: PassPlan) -> Result<Pass, DriverError> {
    run(link, |limits| driver::pass(limits, identity, plan))
}

fn plan(order: Order, chunk: u32) -> PassPlan {
    PassPlan { clock_hz: 12_000_000, fast: false, order, chunk, digest: false }
}

/// CRC-32 (IEEE 802.3), bit by bit; shares nothing with what makes the digests.
fn crc32(bytes: &[u8]) -> u32 {
    !bytes.iter().fold(u32::MAX, |crc, byte| {
        (0..8).fold(crc ^ u32::from(*byte), |crc, _| crc >> 1 ^ if crc & 1 == 1 { 0xEDB8_8320 } else { 0 })
    })
}

#[test]
fn the_sum_of_these_tests_gives_the_published_check_value() {
    // CRC-32/ISO-HDLC, check value over the digits 1 to 9 (catalogue of parametrised CRC algorithms).
    assert_eq!(crc32(b"123456789"), 0xCBF4_3926);
}

#[test]
fn every_way_of_reading_gives_the_cells() {
    let content = random(1, 1 << 20);
    let sums: Vec<u32> = content.chunks(SECTOR as usize).map(crc32).collect();
    let sizes = [(300, 4096), (4096, 10_000), (65_540, 1 << 20)];
    for set in 0..4 {
        for (max_transfer, max_range) in sizes {
            let mut link = Recorder::new(bench(SMALL, &features(set), &content));
            link.limits.max_transfer = max_transfer;
            link.limits.max_range = max_range;
            let identity = identify(&mut link);
            for order in [Order::Ascending, Order::Descending] {
                // 12 KiB does not divide the chip; 2 MiB is more than there is.
                for chunk in [4 * KIB, 12 * KIB, 64 * KIB, 2048 * KIB] {
                    for (fast, digest) in [(false, false), (true, false), (false, true), (true, true)] {
                        let name = format!("set {set}, {max_transfer}, {order:?}, {chunk}, {fast}, {digest}");
                        link.sent.clear();
                        let plan = PassPlan { fast, digest, ..plan(order, chunk) };
                        let pass = pass(&mut link, &identity, plan).unwrap_or_else(|error| panic!("{name}: {error}"));
                        let digested = digest && link.limits.features.digest_range;
                        let expected =
                            if digested { Content::Digests(sums.clone()) } else { Content::Bytes(content.clone()) };
                        assert!(pass.content == expected, "{name}");
                        let facts = (pass.opcode, pass.order, pass.chunk, pass.clock_hz);
                        assert_eq!(facts, (if fast { 0x0B } else { 0x03 }, order, chunk, 12_000_000), "{name}");
                        assert_eq!(pass.answers.len(), 3, "before, at the end of the one MiB, and after: {name}");
                        assert!(pass.answers.iter().all(|answer| *answer == pass.answers[0]), "{name}");
                        let took = link.sent.last().expect("requests").ended_us - link.sent[0].began_us;
                        assert_eq!(pass.took_us, took, "{name}");
                    }
                }
            }
        }
    }
}

/// What a link's own wire carries for `sent`, with 32 bytes of head for each request and each answer: more than any link needs.
fn traffic(sent: &[common::Sent]) -> usize {
    let answered = |sent: &common::Sent| match sent.answer.as_ref().expect("a sound link") {
        Answer::Bytes(bytes) => bytes.len(),
        Answer::Digests(digests) => 4 * digests.len(),
        _ => 0,
    };
    sent.iter().map(|sent| 64 + answered(sent)).sum()
}

#[test]
fn a_second_pass_over_a_link_that_digests_costs_a_hundredth_of_the_first() {
    const SIZE: usize = 16 << 20;
    let mut link = Recorder::new(bench("marking = \"W25Q128\"", ON_LINK, &random(5, SIZE)));
    let identity = identify(&mut link);
    let mut cost = |digest, order| {
        link.sent.clear();
        pass(&mut link, &identity, PassPlan { digest, ..plan(order, 64 * KIB) }).expect("a sound chip");
        traffic(&link.sent)
    };
    let (first, second) = (cost(false, Order::Ascending), cost(true, Order::Descending));
    println!("16 MiB: the first pass {first} bytes, the second {second}");
    assert!(first > SIZE && second <= first / 100 + 32 * 1024, "{second} after {first}");
}

/// A link over a chip whose read on two data lines begins so many bytes late: firmware set its register to another number of
/// clocks.
struct LateOnTwo {
    bench: sim::VirtualBench,
    by: u32,
    two_line_digests: u32,
}

impl Link for LateOnTwo {
    fn limits(&self) -> &Limits {
        self.bench.limits()
    }

    fn run(&mut self, request: &Request, deadline_us: u64) -> Result<Answer, LinkError> {
        let mut request = request.clone();
        if let Request::DigestRange { at, mode, .. } = &mut request
            && mode.data_lines == 2
        {
            self.two_line_digests += 1;
            *at += self.by;
        }
        self.bench.run(&request, deadline_us)
    }

    fn now_us(&mut self) -> u64 {
        self.bench.now_us()
    }

    fn wait_us(&mut self, us: u64) {
        self.bench.wait_us(us);
    }

    fn is_present(&mut self) -> bool {
        true
    }
}

#[test]
fn two_data_lines_digest_once_they_answered_as_one_did() {
    const TWO: &str = "[link]\nfeatures = [\"digest\", \"two-lines\"]\n";
    let size = 1 << 20;
    let mut content = vec![0xFF; size];
    content[0x8_0000..].copy_from_slice(&random(4, size - 0x8_0000));
    let sums: Vec<u32> = content.chunks(4096).map(crc32).collect();
    let plan = PassPlan { digest: true, ..plan(Order::Ascending, 64 * KIB) };
    // (content, late by, opcode of the pass, digests from two lines): half the chip is blank and tells nothing; the first chunk
    // with content is digested from one line, and one sector of it from two; seven chunks are left.
    let blank = vec![0xFF; size];
    for (content, by, opcode, digests) in [(&content, 0, 0x3B, 8), (&content, 1, 0x03, 1), (&blank, 0, 0x03, 0)] {
        let mut link = LateOnTwo { bench: bench(SMALL, TWO, content), by, two_line_digests: 0 };
        let identity = identify(&mut link);
        let pass = pass(&mut link, &identity, plan).expect("a pass");
        let expected = if content == &blank { vec![sums[0]; sums.len()] } else { sums.clone() };
        assert_eq!(pass.content, Content::Digests(expected), "late by {by}");
        assert_eq!((pass.opcode, link.two_line_digests), (opcode, digests), "late by {by}");
    }
    // A link that has one line alone is asked for no more.
    let mut link = LateOnTwo { bench: bench(SMALL, ON_LINK, &content), by: 0, two_line_digests: 0 };
    let identity = identify(&mut link);
    assert_eq!(pass(&mut link, &identity, plan).expect("a pass").content, Content::Digests(sums));
    assert_eq!(link.two_line_digests, 0);
}

#[test]
fn the_order_is_the_one_asked_for() {
    let content = random(2, 1 << 20);
    for (order, first, last) in [(Order::Ascending, 0, 0xF_0000), (Order::Descending, 0xF_0000, 0)] {
        let mut link = Recorder::new(bench(SMALL, LOWERED, &content));
        let identity = identify(&mut link);
        link.sent.clear();
        pass(&mut link, &identity, plan(order, 64 * KIB)).expect("a pass");
        let reads = link.sent.iter().filter(|sent| sent.opcode() == Some(0x03));
        let places: Vec<u32> = reads.map(|sent| place(&sent.request)).collect();
        assert_eq!((places[0], places[places.len() - 1], places.len()), (first, last, 16));
    }
}

fn place(request: &Request) -> u32 {
    let (write, _) = common::paper::transfer(request).expect("a transfer");
    u32::from_be_bytes([0, write[1], write[2], write[3]])
}

#[test]
fn the_clock_is_what_the_link_took() {
    let mut link = bench(SMALL, LOWERED, &random(3, 1 << 20));
    let identity = identify(&mut link);
    for (wanted, taken) in [(1_000, 100_000), (9_000_000, 9_000_000), (99_000_000, 12_000_000)] {
        let plan = PassPlan { clock_hz: wanted, ..plan(Order::Ascending, 64 * KIB) };
        let pass = pass(&mut link, &identity, plan).expect("a pass");
        assert_eq!(pass.clock_hz, taken);
        let wire_us = (8_u64 << 20) * 1_000_000 / u64::from(taken);
        assert!((wire_us..wire_us * 101 / 100).contains(&pass.took_us), "{} us at {taken} Hz", pass.took_us);
    }
}

#[test]
fn the_chip_is_asked_before_between_and_after() {
    let content = random(4, 4 << 20);
    let mut link = bench("marking = \"W25Q32\"", LOWERED, &content);
    let identity = identify(&mut link);
    for chunk in [4 * KIB, 64 * KIB, 3072 * KIB] {
        let pass = pass(&mut link, &identity, plan(Order::Descending, chunk)).expect("a pass");
        let expected = Answered {
            id: vec![0xEF, 0x40, 0x16],
            unique_id: Some(link.chip_state().unique_id.to_vec()),
            status: vec![0; 3],
            tables_ok: None,
        };
        assert_eq!(pass.answers.len(), if chunk == 3072 * KIB { 4 } else { 6 });
        assert!(pass.answers.iter().all(|answer| *answer == expected), "{:?}", pass.answers);
    }
    // This one has tables, and nothing but the one status register that every maker's chip has.
    let mut other = bench(&n25q256(), LOWERED, &vec![0xFF; 32 << 20]);
    let identity = identify(&mut other);
    let pass = pass(&mut other, &identity, plan(Order::Ascending, 1024 * KIB)).expect("a pass");
    let expected = Answered { id: vec![0x20, 0xBA, 0x19], unique_id: None, status: vec![0], tables_ok: None };
    assert!(pass.answers.iter().all(|answer| *answer == expected), "{:?}", pass.answers[0]);
}

#[test]
fn s1_another_chip_in_the_middle_shows_in_the_answers() {
    let content = random(5, 4 << 20);
    let chip = "marking = \"W25Q32\"";
    let mut link = bench(chip, LOWERED, &content);
    let identity = identify(&mut link);
    let began = link.now_us();
    pass(&mut link, &identity, plan(Order::Ascending, 64 * KIB)).expect("a pass");
    let took = link.now_us() - began;
    // Away for 30 % of the time, which holds at least one of the looks a quarter apart.
    for part in 0..7 {
        let from = began + took * part / 10;
        let until = from + took * 3 / 10;
        let swap = fault("wrong-chip", &format!("from_us = {from}\nuntil_us = {until}\nto = \"W25Q64\""));
        let mut link = bench(chip, &format!("{LOWERED}{swap}"), &content);
        let identity = identify(&mut link);
        let pass = pass(&mut link, &identity, plan(Order::Ascending, 64 * KIB)).expect("reading goes on");
        assert!(pass.answers.iter().any(|answer| answer.id == [0xEF, 0x40, 0x17]), "away from {from} us");
        assert!(pass.content != Content::Bytes(content.clone()), "it read the other chip's cells");
    }
}

#[test]
fn tables_that_no_longer_answer_show_in_the_answers() {
    let content = random(6, 1 << 20);
    let mut link = bench(SMALL, LOWERED, &content);
    let mut identity = identify(&mut link);
    let sound = pass(&mut link, &identity, plan(Order::Ascending, 64 * KIB)).expect("a pass");
    assert!(sound.answers.iter().all(|answer| answer.tables_ok == Some(true)));
    identity.tables.as_mut().expect("it has tables")[4] ^= 1;
    let other = pass(&mut link, &identity, plan(Order::Ascending, 64 * KIB)).expect("a pass");
    assert!(other.answers.iter().all(|answer| answer.tables_ok == Some(false)));
}

/// A chip past 16 MiB of a maker without 13h, whose mode changes only after a write enable.
fn n25q256() -> String {
    let line = include_str!("../../nor/tests/data/tables.jsonl").lines().next().expect("N25Q256A stands first");
    let row: Value = serde_json::from_str(line).expect("JSON");
    format!("id = \"20ba19\"\nsize = 33554432\nsfdp = {}", row["hex"])
}

#[test]
fn the_upper_half_of_a_large_chip_is_its_own() {
    let content = random(7, 32 << 20);
    let winbond = "marking = \"W25Q256\"\nid = \"ef4019\"".to_owned();
    for (chip, opcodes) in [(winbond, [0x13, 0x0C]), (n25q256(), [0x03, 0x0B])] {
        for link in [LOWERED, ON_LINK] {
            let mut link = bench(&chip, link, &content);
            let identity = identify(&mut link);
            for (fast, order) in [(false, Order::Descending), (true, Order::Ascending)] {
                let plan = PassPlan { fast, ..plan(order, 1024 * KIB) };
                let pass = pass(&mut link, &identity, plan).expect("a pass");
                assert!(pass.content == Content::Bytes(content.clone()), "{chip}");
                assert_eq!(pass.opcode, opcodes[usize::from(fast)]);
                assert!(pass.answers.iter().all(|answer| answer.id == identity.chip.id));
                assert!(!link.chip_state().four_byte && !link.chip_state().write_enabled, "as the board left it");
            }
        }
    }
}

#[test]
fn s5_a_chip_whose_upper_part_cannot_be_reached_is_not_read_wrongly() {
    // A table without the sixteenth word, and a maker whose way to the upper part is not known.
    let chip = n25q256().replace("20ba19", "010219");
    let mut link = Recorder::new(bench(&chip, LOWERED, &random(8, 32 << 20)));
    let identity = identify(&mut link);
    assert_eq!((identity.chip.size, identity.chip.addressing), (32 << 20, Addressing::Unknown));
    assert_eq!(identity.chip.conflicts, [Conflict::Reach]);
    link.sent.clear();
    let read = pass(&mut link, &identity, plan(Order::Ascending, 64 * KIB));
    assert!(matches!(read, Err(DriverError::Unreachable { size: 0x200_0000 })), "{read:?}");
    let wanted = vec![0; 32 << 20];
    let compared = run(&mut link, |limits| driver::verify(limits, &identity, &wanted, 0..32 << 20, 1_000_000));
    assert!(matches!(compared, Err(DriverError::Unreachable { .. })), "{compared:?}");
    assert!(link.sent.is_empty(), "nothing was asked");
}

#[test]
fn progress_ends_at_the_whole() {
    for (link, digest, word) in [(LOWERED, false, "reading"), (ON_LINK, false, "reading"), (ON_LINK, true, "digesting")]
    {
        let mut link = bench(SMALL, link, &random(9, 1 << 20));
        let identity = identify(&mut link);
        let plan = PassPlan { digest, ..plan(Order::Descending, 96 * KIB) };
        let mut events = Vec::new();
        let op = driver::pass(link.limits(), &identity, plan);
        let pass = driver::run(&mut link, op, &mut |event, at| {
            events.extend(event.map(|event| (event, at)));
            Flow::Continue
        });
        assert!(pass.expect("nobody said stop").is_ok());
        assert_eq!(events[0].0, Event::Begins { phase: word, total: 1 << 20 });
        let done: Vec<u64> = events[1..].iter().map(|(event, _)| progress(event)).collect();
        assert!(done.is_sorted_by(|one, next| one < next), "{done:?}");
        assert_eq!((done.len(), done.last()), (11, Some(&(1 << 20))));
        assert!(events.is_sorted_by_key(|(_, at)| *at));
    }
}

fn progress(event: &Event) -> u64 {
    match event {
        Event::Progress { done } => *done,
        Event::Begins { .. } => panic!("a second beginning"),
    }
}

#[test]
fn stop_ends_before_the_next_request() {
    for stop_at in [0, 1, 7, 20] {
        let mut link = Recorder::new(bench(SMALL, LOWERED, &random(10, 1 << 20)));
        let identity = identify(&mut link);
        link.sent.clear();
        let mut asked = 0;
        let op = driver::pass(link.limits(), &identity, plan(Order::Ascending, 64 * KIB));
        let result = driver::run(&mut link, op, &mut |event, _| {
            if event.is_none() {
                asked += 1;
            }
            if asked > stop_at { Flow::Stop } else { Flow::Continue }
        });
        assert!(result.is_none());
        assert_eq!(link.sent.len(), stop_at);
    }
}

/// A link behind which 0Bh comes late: each answer to it has `late` bytes of nothing in front.
struct Late {
    bench: sim::VirtualBench,
    late: usize,
}

impl Link for Late {
    fn limits(&self) -> &Limits {
        self.bench.limits()
    }

    fn run(&mut self, request: &Request, deadline_us: u64) -> Result<Answer, LinkError> {
        let answer = self.bench.run(request, deadline_us)?;
        let (Request::Transfer(transfer), Answer::Bytes(bytes)) = (request, &answer) else {
            return Ok(answer);
        };
        if transfer.write[0] != nor::command::READ_FAST {
            return Ok(answer);
        }
        let kept = bytes.len() - self.late.min(bytes.len());
        Ok(Answer::Bytes([&vec![0; self.late], &bytes[..kept]].concat()[..bytes.len()].to_vec()))
    }

    fn now_us(&mut self) -> u64 {
        self.bench.now_us()
    }

    fn wait_us(&mut self, us: u64) {
        self.bench.wait_us(us);
    }

    fn is_present(&mut self) -> bool {
        self.bench.is_present()
    }
}

/// Chips whose firmware set another number of dummy clocks answered 0Bh late for good, and no two passes were ever equal.
#[test]
fn a_late_fast_read_is_told_from_a_contact() {
    let content = random(11, 1 << 20);
    let at = driver::telling_window(&content).expect("random content tells");
    for late in [0, 1, 7] {
        let mut link = Late { bench: bench(SMALL, LOWERED, &content), late };
        let identity = identify(&mut link);
        let shift = run(&mut link, |limits| driver::fast_shift(limits, &identity, at)).expect("an answer");
        assert_eq!(shift, (late > 0).then_some(late as i32), "late by {late}");
    }
}
