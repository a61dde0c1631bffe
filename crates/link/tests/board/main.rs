//! The link to firmhand's own programmer, with the firmware's own engine at its other end: whole operations, what passes on the
//! pipe, and everything that goes wrong there.

mod programmer;

use std::time::Duration;

use driver::{Content, Flow, Op, Order, PassPlan, WriteJob};
use link::board::{BoardLink, Pipe, PipeError, Trouble};
use nor::command::{READ_ID, ReadMode, Transfer};
use nor::link::{Answer, EraseBlock, EraseList, Guard, Limits, Link, LinkError, ProgramRange, Request, Stop};
use nor::plan::{Costs, Plan};
use programmer::{Faults, Like, open};
use sim::{BenchFile, VirtualBench};
use wire::{Data, WireError};

const MIB: usize = 1 << 20;
const ID: [u8; 3] = [0xEF, 0x40, 0x14];
const MODE: ReadMode = ReadMode { opcode: 0x03, address_bytes: 3, dummy_bytes: 0, data_lines: 1 };

/// A chip of 1 MiB.
fn chip(content: &[u8]) -> VirtualBench {
    let text = "seed = 7\n[chip]\nmarking = \"W25Q80DV\"\ncontent = \"none\"\n[link]\n";
    let file = BenchFile::parse(text, "bench.toml".as_ref()).unwrap_or_else(|error| panic!("{error}"));
    VirtualBench::in_memory(file, content).expect("a content of the chip's size")
}

fn random(seed: u64, len: usize) -> Vec<u8> {
    let mut bytes = vec![0; len];
    fastrand::Rng::with_seed(seed).fill(&mut bytes);
    bytes
}

fn run<'a, T>(link: &mut dyn Link, make: impl FnOnce(&Limits) -> Op<'a, T>) -> T {
    let op = make(link.limits());
    driver::run(link, op, &mut |_, _| Flow::Continue).expect("nobody said stop")
}

/// Asks with five seconds to answer.
fn ask(link: &mut BoardLink, request: &Request) -> Result<Answer, LinkError> {
    let deadline = link.now_us() + 5_000_000;
    link.run(request, deadline)
}

fn id(link: &mut BoardLink) -> Result<Vec<u8>, LinkError> {
    match ask(link, &Request::Transfer(Transfer::register(READ_ID, 3)))? {
        Answer::Bytes(bytes) => Ok(bytes),
        other => panic!("{other:?}"),
    }
}

fn range(link: &mut BoardLink, at: u32, len: usize) -> Result<Vec<u8>, LinkError> {
    match ask(link, &Request::ReadRange { at, len: len as u32, mode: MODE })? {
        Answer::Bytes(bytes) => Ok(bytes),
        other => panic!("{other:?}"),
    }
}

fn guard() -> Guard {
    Guard { id: ID.to_vec(), status: 0, status_mask: 0x7C }
}

fn program(at: u32, data: Vec<u8>) -> Request {
    Request::ProgramRange(ProgramRange {
        at,
        data,
        page: 256,
        opcode: 0x02,
        address_bytes: 3,
        typical_us: 700,
        limit_us: 100_000,
        guard: guard(),
    })
}

fn read_plan(digest: bool) -> PassPlan {
    PassPlan { clock_hz: 24_000_000, fast: false, order: Order::Ascending, chunk: 64 * 1024, digest }
}

#[test]
fn a_chip_is_identified_read_digested_and_written() {
    let before = random(1, MIB);
    let (link, cable) = open(chip(&before), Like::default(), Faults::default());
    let mut link = link.expect("a programmer");
    assert_eq!(link.greeting().serial, "0123456789ABCDEF");
    let identity = run(&mut link, driver::identify).expect("a chip");
    assert_eq!(identity.chip.size as usize, MIB);
    let pass = run(&mut link, |limits| driver::pass(limits, &identity, read_plan(false))).expect("a pass");
    assert!(pass.content == Content::Bytes(before.clone()));
    let digest = run(&mut link, |limits| driver::pass(limits, &identity, read_plan(true))).expect("a digest");
    let sums = before.chunks(4096).map(wire::crc32).collect();
    assert!(digest.content == Content::Digests(sums), "other sums than the host's");
    assert_eq!(cable.passed().on_two_lines, 0, "this board has one data line");
    let mut wanted = before.clone();
    wanted[0x2000..0x8000].copy_from_slice(&random(2, 0x6000));
    wanted[0x10000..0x20000].fill(0xFF);
    let costs = Costs::of(&identity.chip, link.limits(), 24_000_000);
    let plan = Plan::new(&identity.chip, &costs, &before, &wanted, 0..MIB as u32).expect("a plan");
    let job = WriteJob { identity: &identity, plan: &plan, wanted: &wanted, clock_hz: 24_000_000 };
    run(&mut link, |limits| driver::write(limits, job)).expect("written");
    drop(link);
    assert!(cable.chip() == wanted);
}

#[test]
fn a_board_with_two_data_lines_digests_from_both() {
    let content = random(1, MIB);
    let features = Like::default().features.and(wire::Features::DUAL);
    let (link, cable) = open(chip(&content), Like { features, ..Like::default() }, Faults::default());
    let mut link = link.expect("a programmer");
    let identity = run(&mut link, driver::identify).expect("a chip");
    let digest = run(&mut link, |limits| driver::pass(limits, &identity, read_plan(true))).expect("a digest");
    assert!(digest.content == Content::Digests(content.chunks(4096).map(wire::crc32).collect()));
    // The first chunk from one line, one sector of it from two, and from there on all.
    assert_eq!((digest.opcode, cable.passed().on_two_lines), (0x3B, MIB - 65_536 + 4096));
}

/// The promises about what passes on the pipe: payload share, round trips, digests, blank space.
#[test]
fn what_need_not_cross_the_usb_does_not() {
    let mut content = random(3, MIB);
    let (link, cable) = open(chip(&content), Like::default(), Faults::default());
    let mut link = link.expect("a programmer");
    let from = cable.passed();
    assert!(range(&mut link, 0, MIB).expect("read") == content);
    let to = cable.passed();
    assert!(MIB as f64 / (to.back - from.back + to.out - from.out) as f64 >= 0.97, "{from:?} {to:?}");
    assert!(to.messages - from.messages <= 2, "round trips of one MiB: {from:?} {to:?}");
    let answer = ask(&mut link, &Request::DigestRange { at: 0, len: MIB as u32, mode: MODE }).expect("a digest");
    assert_eq!(answer, Answer::Digests(content.chunks(4096).map(wire::crc32).collect()));
    let digested = cable.passed();
    // 32 KiB for 16 MiB.
    assert!(digested.back - to.back + digested.out - to.out <= 2048, "{to:?} {digested:?}");
    drop(link);
    content[MIB / 2..].fill(0xFF);
    let (link, cable) = open(chip(&content), Like::default(), Faults::default());
    let mut link = link.expect("a programmer");
    let from = cable.passed();
    assert!(range(&mut link, 0, MIB).expect("read") == content);
    let to = cable.passed();
    // 8.3 MiB for a half-blank chip of 16 MiB.
    assert!((to.back - from.back + to.out - from.out) as f64 <= 8.3 / 16.0 * MIB as f64, "{from:?} {to:?}");
}

#[test]
fn a_long_erase_list_goes_out_in_parts() {
    let like = Like { limits: wire::Limits { max_blocks: 3, ..Like::default().limits }, ..Like::default() };
    let (link, cable) = open(chip(&[0; MIB]), like, Faults::default());
    let mut link = link.expect("a programmer");
    let block = |number: u32| EraseBlock { at: number * 0x1000, opcode: 0x20, typical_us: 30_000, limit_us: 500_000 };
    let list = EraseList { blocks: (0..7).map(block).collect(), address_bytes: 3, guard: guard() };
    assert_eq!(ask(&mut link, &Request::EraseList(list)).expect("erased"), Answer::Ran { done: 7, stop: None });
    drop(link);
    let content = cable.chip();
    assert!(content[..0x7000].iter().all(|byte| *byte == 0xFF) && content[0x7000..].iter().all(|byte| *byte == 0));
}

#[test]
fn s6_a_list_whose_chip_is_another_stops_and_the_data_behind_it_does_no_harm() {
    let (link, cable) = open(chip(&[0xFF; MIB]), Like::default(), Faults::default());
    let mut link = link.expect("a programmer");
    let Request::ProgramRange(mut range) = program(0, random(4, 0x10000)) else { unreachable!() };
    range.guard.id = vec![0xC2, 0x20, 0x14];
    let answer = ask(&mut link, &Request::ProgramRange(range)).expect("an answer");
    assert_eq!(answer, Answer::Ran { done: 0, stop: Some(Stop::Differs { id: ID.to_vec(), status: 0 }) });
    assert_eq!(id(&mut link).expect("goes on"), ID);
    drop(link);
    assert!(cable.chip() == [0xFF; MIB]);
}

#[test]
fn a_link_that_nobody_uses_stays_with_its_programmer() {
    let (link, cable) = open(chip(&[0; MIB]), Like::default(), Faults::default());
    let mut link = link.expect("a programmer");
    ask(&mut link, &Request::SetClock { hz: 1_000_000 }).expect("a clock");
    let before = cable.passed();
    std::thread::sleep(Duration::from_millis(2600));
    let after = cable.passed();
    assert!(after.messages > before.messages, "no heartbeat");
    assert_eq!(id(&mut link).expect("still there"), ID);
    // One message: no hello was needed.
    assert!(cable.passed().messages <= after.messages + 2);
}

#[test]
fn an_unplug_at_any_byte_is_gone_and_the_next_link_goes_on() {
    let content = random(5, MIB);
    for after in [300, 4000, 70_000, 400_000] {
        let faults = Faults { unplug_after_in: Some(after), ..Faults::default() };
        let (link, _) = open(chip(&content), Like::default(), faults);
        let mut link = link.expect("a programmer");
        assert!(matches!(range(&mut link, 0, MIB), Err(LinkError::Gone)), "after {after}");
        assert!(!link.is_present());
        assert!(matches!(id(&mut link), Err(LinkError::Gone)), "gone is gone");
    }
    for after in [200, 20_000] {
        let faults = Faults { unplug_after_out: Some(after), ..Faults::default() };
        let (link, _) = open(chip(&[0xFF; MIB]), Like::default(), faults);
        let mut link = link.expect("a programmer");
        assert!(matches!(ask(&mut link, &program(0, content[..0x10000].to_vec())), Err(LinkError::Gone)), "{after}");
    }
}

#[test]
fn an_unplug_while_nothing_is_asked_shows_at_the_next_request() {
    let (link, cable) = open(chip(&[0; MIB]), Like::default(), Faults::default());
    let mut link = link.expect("a programmer");
    cable.unplug();
    assert!(!link.is_present());
    assert!(matches!(id(&mut link), Err(LinkError::Gone)));
}

#[test]
fn lost_bytes_of_a_read_are_read_again() {
    let content = random(6, MIB);
    for (from, count) in [(5000, 1), (5000, 64), (5000, 4112), (100_000, 9000)] {
        let faults = Faults { lose_in: Some((from, count)), ..Faults::default() };
        let (link, _) = open(chip(&content), Like::default(), faults);
        let mut link = link.expect("a programmer");
        assert!(range(&mut link, 0, 256 * 1024).expect("read again") == content[..256 * 1024], "{from} {count}");
    }
}

#[test]
fn a_lost_or_doubled_request_is_asked_again_when_it_did_nothing() {
    for faults in [
        Faults { lose_out: Some((20, 30)), ..Faults::default() },
        Faults { double_out: Some(1), ..Faults::default() },
        Faults { double_out: Some(2), ..Faults::default() },
    ] {
        let (link, _) = open(chip(&[0; MIB]), Like::default(), faults.clone());
        let mut link = link.expect("a programmer");
        for _ in 0..4 {
            assert_eq!(id(&mut link).unwrap_or_else(|error| panic!("{faults:?}: {error:?}")), ID, "{faults:?}");
        }
    }
}

#[test]
fn program_data_that_got_lost_ends_in_an_error_and_is_not_sent_again() {
    let wanted = random(7, 0x10000);
    let faults = Faults { lose_out: Some((30_000, 64)), ..Faults::default() };
    let (link, cable) = open(chip(&[0xFF; MIB]), Like::default(), faults);
    let mut link = link.expect("a programmer");
    let error = ask(&mut link, &program(0, wanted.clone())).expect_err("data is missing");
    assert!(matches!(error, LinkError::System(_) | LinkError::Silent { .. }), "{error:?}");
    assert_eq!(id(&mut link).expect("the programmer goes on"), ID);
    drop(link);
    let content = cable.chip();
    // What was programmed is right, page for page; the rest is blank.
    for (page, right) in content[..0x10000].chunks(256).zip(wanted.chunks(256)) {
        assert!(page == right || page.iter().all(|byte| *byte == 0xFF));
    }
}

#[test]
fn what_stands_in_the_pipe_from_before_is_passed_over() {
    let mut old = vec![0; 5000];
    let len = Data::Bytes(&[0xA7; 4000]).encode(&mut old, 9, 77).expect("room");
    let half = old[..len / 2].to_vec();
    for (garbage, half_sent) in
        [(random(8, 3000), vec![]), (old[..len].to_vec(), vec![]), (vec![], half.clone()), (half.clone(), half)]
    {
        let (link, _) = open(chip(&[0; MIB]), Like::default(), Faults { garbage, half_sent, ..Faults::default() });
        assert_eq!(id(&mut link.expect("a programmer")).expect("an id"), ID);
    }
}

#[test]
fn a_programmer_that_answers_late_is_waited_for() {
    let faults = Faults { late: Some(Duration::from_millis(900)), ..Faults::default() };
    let (link, _) = open(chip(&[0; MIB]), Like::default(), faults);
    assert_eq!(id(&mut link.expect("a programmer")).expect("an id"), ID);
}

#[test]
fn a_programmer_that_hangs_is_silent_at_the_deadline() {
    let faults = Faults { hang_after_in: Some(2000), ..Faults::default() };
    let (link, _) = open(chip(&random(9, MIB)), Like::default(), faults);
    let mut link = link.expect("a programmer");
    let deadline = link.now_us() + 300_000;
    let asked = Request::ReadRange { at: 0, len: 0x10000, mode: MODE };
    assert!(matches!(link.run(&asked, deadline), Err(LinkError::Silent { .. })));
    let error = id(&mut link).expect_err("it hangs");
    assert!(matches!(&error, LinkError::System(cause) if cause.to_string().contains("hello")), "{error:?}");
    assert!(link.is_present(), "it is still plugged in");
}

#[test]
fn another_version_is_refused_with_the_remedy() {
    // A frame of version 2, sound as far as its header: its sum is over its first ten bytes.
    let mut frame = vec![0xA7, 0x4E, 2, 1, 0, 0, 0, 0, 0, 0];
    let sum = wire::crc32(&frame).to_le_bytes();
    frame.extend(&sum[..2]);
    let (link, _) = open(chip(&[0; MIB]), Like::default(), Faults { garbage: frame, ..Faults::default() });
    let error = link.expect_err("another version");
    assert!(matches!(error, Trouble::Wire(WireError::Version { theirs: 2, .. })), "{error:?}");
    assert!(error.remedy().contains("firmhand link install"));
}

#[test]
fn limits_that_cannot_be_are_refused() {
    let usual = Like::default().limits;
    for limits in [
        wire::Limits { max_transfer: 64, ..usual },
        wire::Limits { max_range: 100, ..usual },
        wire::Limits { max_blocks: 0, ..usual },
        wire::Limits { clock_min_hz: 0, ..usual },
        wire::Limits { clock_min_hz: 2, clock_max_hz: 1, ..usual },
    ] {
        let (link, _) = open(chip(&[0; MIB]), Like { limits, ..Like::default() }, Faults::default());
        assert!(matches!(link, Err(Trouble::Greeting { .. })), "{limits:?}");
    }
}

#[test]
fn what_is_outside_of_the_limits_is_said_and_does_no_harm() {
    let (link, _) = open(chip(&[0; MIB]), Like::default(), Faults::default());
    let mut link = link.expect("a programmer");
    for request in [
        Request::Transfer(Transfer { write: vec![0x9F], read: 5000 }),
        Request::Transfer(Transfer { write: vec![0x02; 5000], read: 0 }),
        Request::ReadRange { at: 0, len: 2 << 20, mode: MODE },
    ] {
        assert!(matches!(ask(&mut link, &request), Err(LinkError::Unable { .. })), "{request:?}");
        assert_eq!(id(&mut link).expect("goes on"), ID);
    }
}

#[test]
fn the_line_test_keeps_its_signals() {
    let mut moved = Like::default().moved;
    // DI and CLK, the fourth and the fifth, move together.
    (moved[3], moved[4]) = (0b01_1000, 0b01_1000);
    let (link, _) = open(chip(&[0; MIB]), Like { moved, ..Like::default() }, Faults::default());
    let answer = ask(&mut link.expect("a programmer"), &Request::LineTest).expect("lines");
    let Answer::Lines(lines) = answer else { panic!("{answer:?}") };
    assert_eq!(lines.supply_mv, Some(3300));
    let both = [false, false, false, true, true, false];
    assert_eq!((lines.lines[3].moved, lines.lines[4].moved), (both, both));
    assert_eq!(lines.lines[0].moved, [true, false, false, false, false, false]);
}

/// A programmer whose other pipe is in use for so many hellos.
struct InUse {
    refusals: u32,
    back: Vec<u8>,
}

impl Pipe for InUse {
    fn send(&mut self, bytes: &[u8], _: Duration) -> Result<(), PipeError> {
        let (mut decoder, mut rest, mut out) = (wire::Decoder::new(), bytes, [0; wire::MAX_FRAME]);
        while let Ok(Some(frame)) = decoder.feed(&mut rest) {
            let hello = wire::Hello {
                firmware: "0.1.0",
                serial: "07",
                features: wire::Features(0),
                limits: Like::default().limits,
            };
            let what = "another program uses this programmer over its other USB interface";
            let reply = match self.refusals {
                0 => wire::Reply::Hello(hello),
                _ => wire::Reply::Refused(wire::Refusal::Unable { what }),
            };
            self.refusals = self.refusals.saturating_sub(1);
            let len = wire::encode(&mut out, frame.request, 0, &reply).expect("room");
            self.back.extend_from_slice(&out[..len]);
        }
        Ok(())
    }

    fn receive(&mut self, into: &mut Vec<u8>, _: Duration) -> Result<(), PipeError> {
        into.append(&mut self.back);
        Ok(())
    }
}

#[test]
fn a_programmer_that_another_program_has_just_left_is_waited_for() {
    let open = |refusals| BoardLink::over(Box::new(InUse { refusals, back: Vec::new() }), Box::new(|| true));
    assert_eq!(open(2).expect("it lets go in time").greeting().serial, "07");
    let error = open(u32::MAX).expect_err("it is in use");
    assert!(error.to_string().contains("another program") && error.remedy().contains("wait"), "{error}");
}
