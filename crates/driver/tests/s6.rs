//! Safety rule S6: a chip that is lost or changes while it is written stops the writing within one block or 64 KiB.
//!
//! Two plans whose steps can be told from the cells: one programs a blank chip from below, one erases a full one. What
//! the cells hold says how far the writing came before the fault, the error says how far it went on.

mod common;

use common::paper::{Paper, converse, transfer, transfers_only};
use common::{LOWERED, ON_LINK, Recorder, bench, fault, identify, plan, random, verify, write};
use driver::{DriverError, PATIENCE, WriteJob};
use nor::link::{Answer, GUARD_EVERY, Link, Request, Stop};

const SIZE: usize = 4 << 20;
const CHIP: &str = "marking = \"W25Q32\"";
const BLOCK: u32 = 65_536;

/// What is written over what.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Work {
    Program,
    Erase,
}

impl Work {
    fn contents(self) -> (Vec<u8>, Vec<u8>) {
        let (blank, full) = (vec![0xFF; SIZE], random(1, SIZE));
        if self == Self::Program { (blank, full) } else { (full, blank) }
    }

    /// The most that may be done after the chip was lost.
    fn most(self) -> u32 {
        if self == Self::Program { GUARD_EVERY } else { BLOCK }
    }
}

/// A bench with the fault, identified and about to write, with the result of writing.
struct Outcome {
    link: Recorder,
    wanted: Vec<u8>,
    result: Result<(), DriverError>,
    began_us: u64,
}

fn attempt(work: Work, features: &str, fault: &str) -> Outcome {
    let (present, wanted) = work.contents();
    let mut link = Recorder::new(bench(CHIP, &format!("{features}{fault}"), &present));
    let identity = identify(&mut link);
    let (plan, _) = plan(&identity.chip, &link.limits, &present, &wanted, 0..SIZE as u32);
    link.sent.clear();
    let began_us = link.now_us();
    let result = write(&mut link, &identity, &plan, &wanted);
    Outcome { link, wanted, result, began_us }
}

/// When a sound run begins and ends.
fn span(work: Work, features: &str) -> (u64, u64) {
    let mut outcome = attempt(work, features, "");
    outcome.result.expect("a sound chip");
    (outcome.began_us, outcome.link.now_us())
}

/// Moments spread over a run, the first one just after its beginning.
fn moments(work: Work, features: &str) -> impl Iterator<Item = u64> {
    let (began, ended) = span(work, features);
    (0..7).map(move |part| began + 1_500 + (ended - began) * part / 7)
}

/// How far the bench's own chip was written, from below, in bytes.
fn reached(work: Work, cells: &[u8]) -> u32 {
    let grain = if work == Work::Program { 256 } else { BLOCK as usize };
    let whole = cells.chunks(grain).take_while(|part| nor::is_blank(part) == (work == Work::Erase)).count();
    u32::try_from(whole * grain).expect("inside the chip")
}

/// Bytes that transfers or lists begun after `moment` programmed or erased, by what was sent and answered.
fn begun_after(link: &Recorder, moment: u64) -> u32 {
    let later = link.sent.iter().filter(|sent| sent.began_us > moment);
    later
        .map(|sent| match (&sent.request, &sent.answer) {
            (Request::Transfer(transfer), _) if transfer.write[0] == 0x02 => transfer.write.len() as u32 - 4,
            (Request::Transfer(transfer), _) if transfer.write[0] == 0xD8 => BLOCK,
            (Request::ProgramRange(_), Ok(Answer::Ran { done, .. })) => *done,
            (Request::EraseList(_), Ok(Answer::Ran { done, .. })) => done * BLOCK,
            _ => 0,
        })
        .sum()
}

/// Where the operation stood when it noticed.
fn noticed(error: &DriverError) -> u32 {
    match error {
        DriverError::ContactLost { at, .. } | DriverError::StatusChanged { at, .. } => *at,
        other => panic!("another error: {other}"),
    }
}

fn stops_in_time(work: Work, features: &str, kind: &str, keys: &str, is_told: impl Fn(&DriverError) -> bool) {
    for moment in moments(work, features) {
        let name = format!("{work:?}, {kind} at {moment} us, {features}");
        let mut outcome = attempt(work, features, &fault(kind, &format!("from_us = {moment}\n{keys}")));
        let error = outcome.result.expect_err(&name);
        assert!(is_told(&error) && error.is_resumable(), "{name}: {error}");
        let reached = reached(work, &outcome.link.bench.chip_content());
        let at = noticed(&error);
        assert!(at <= reached + work.most(), "{name}: the cells end at {reached:#x}, noticed at {at:#x}");
        assert!(reached <= at, "{name}: the cells end at {reached:#x}, noticed at {at:#x}");
        let after = begun_after(&outcome.link, moment);
        assert!(after <= work.most(), "{name}: {after} bytes after the fault");
        // Nothing that changes a chip is sent once it was noticed: the last thing asked is the id or the status.
        let last = outcome.link.sent.last().expect("requests");
        let asks = matches!(last.opcode(), Some(0x9F | 0x05));
        assert!(
            asks || matches!(&last.answer, Ok(Answer::Ran { stop: Some(Stop::Differs { .. }), .. })),
            "{name}: {last:?}"
        );
        assert!(outcome.link.now_us() > moment);
    }
}

#[test]
fn s6_another_chip_stops_the_writing() {
    for work in [Work::Program, Work::Erase] {
        for features in [LOWERED, ON_LINK] {
            stops_in_time(work, features, "wrong-chip", "to = \"W25Q64\"", |error| match error {
                DriverError::ContactLost { expected, read, .. } => {
                    (expected.as_slice(), read.as_slice()) == (&[0xEF, 0x40, 0x16], &[0xEF, 0x40, 0x17])
                }
                _ => false,
            });
        }
    }
}

#[test]
fn s6_a_status_that_changes_stops_the_writing() {
    for work in [Work::Program, Work::Erase] {
        for features in [LOWERED, ON_LINK] {
            stops_in_time(work, features, "protect-raised", "", |error| {
                matches!(error, DriverError::StatusChanged { expected: 0, read: 0x1C | 0x1E, mask: 0xFC, .. })
            });
        }
    }
}

#[test]
fn s6_after_the_fault_the_same_work_comes_to_its_end() {
    for work in [Work::Program, Work::Erase] {
        for features in [LOWERED, ON_LINK] {
            for moment in moments(work, features).step_by(2) {
                let until = moment + 5_000_000;
                let keys = format!("from_us = {moment}\nuntil_us = {until}\nto = \"W25Q64\"");
                let mut outcome = attempt(work, features, &fault("wrong-chip", &keys));
                outcome.result.expect_err("the chip was lost");
                let now = outcome.link.now_us();
                outcome.link.wait_us(until.saturating_sub(now));
                let identity = identify(&mut outcome.link);
                let (present, wanted) = (outcome.link.bench.chip_content(), &outcome.wanted);
                let (plan, _) = plan(&identity.chip, &outcome.link.limits, &present, wanted, 0..SIZE as u32);
                write(&mut outcome.link, &identity, &plan, wanted).expect("the chip is back");
                assert!(outcome.link.bench.chip_content() == *wanted);
                assert_eq!(verify(&mut outcome.link, &identity, wanted, 0..SIZE as u32).differing_bytes, 0);
            }
        }
    }
}

#[test]
fn s6_a_chip_that_goes_deaf_is_lost_before_anything_is_erased() {
    // B7h is not among the opcodes that this chip takes: it answers nothing from then on.
    let size = 32 << 20;
    let chip = "marking = \"W25Q256\"\nid = \"ef4019\"";
    let (present, wanted) = (random(2, size), vec![0xFF; size]);
    for features in [LOWERED, ON_LINK] {
        let mut sound = bench(chip, features, &present);
        identify(&mut sound);
        let deaf = fault("deaf-after-opcode", &format!("from_us = {}", sound.now_us()));
        let mut link = Recorder::new(bench(chip, &format!("{features}{deaf}"), &present));
        let identity = identify(&mut link);
        let (plan, _) = plan(&identity.chip, &link.limits, &present, &wanted, 0..size as u32);
        let error = write(&mut link, &identity, &plan, &wanted).expect_err("it is deaf");
        assert!(matches!(&error, DriverError::ContactLost { at: 0, read, .. } if *read == [0xFF; 3]), "{error}");
        assert!(link.bench.chip_state().deaf && link.bench.chip_content() == present);
        assert_eq!(link.count(0xD8), 0);
    }
}

#[test]
fn s6_id_and_status_are_asked_at_each_block_and_each_sixty_four_kibibytes() {
    let mut outcome = attempt(Work::Program, LOWERED, "");
    outcome.result.expect("a sound chip");
    let mut since_check = u32::MAX;
    let mut last = Vec::new();
    for sent in &outcome.link.sent {
        let opcode = sent.opcode().unwrap_or(0);
        if last == [0x9F] && opcode == 0x05 {
            since_check = 0;
        }
        if let Some((write, _)) = transfer(&sent.request).filter(|(write, _)| write[0] == 0x02) {
            since_check = since_check.saturating_add(write.len() as u32 - 4);
            assert!(since_check <= GUARD_EVERY, "{since_check} bytes without a look at id and status");
        }
        last = vec![opcode];
    }
    assert_eq!(outcome.link.count(0x9F), 1 + SIZE / GUARD_EVERY as usize);
    outcome = attempt(Work::Erase, LOWERED, "");
    outcome.result.expect("a sound chip");
    let opcodes: Vec<u8> = outcome.link.sent.iter().filter_map(common::Sent::opcode).collect();
    for (at, _) in opcodes.iter().enumerate().filter(|(_, opcode)| **opcode == 0xD8) {
        assert_eq!(opcodes[at - 4..at], [0x9F, 0x05, 0x06, 0x05], "id, status, write enable, is it set");
    }
    assert_eq!(outcome.link.count(0xD8), SIZE / BLOCK as usize);
}

#[test]
fn s6_lists_carry_the_guard_of_the_chip_that_was_identified() {
    for work in [Work::Program, Work::Erase] {
        let outcome = attempt(work, ON_LINK, "");
        outcome.result.expect("a sound chip");
        let mut lists = 0;
        for sent in &outcome.link.sent {
            let guard = match &sent.request {
                Request::ProgramRange(range) => {
                    assert!(range.data.len() as u32 <= GUARD_EVERY);
                    &range.guard
                }
                Request::EraseList(list) => &list.guard,
                _ => continue,
            };
            lists += 1;
            assert_eq!((guard.id.as_slice(), guard.status, guard.status_mask), (&[0xEF, 0x40, 0x16][..], 0, 0xFC));
        }
        assert!(lists > 1, "{work:?}");
    }
}

/// A line that floats high in the middle of a page looks like a busy chip; it is told after that page's time.
#[test]
fn s6_a_line_that_floats_in_the_middle_of_a_page_is_lost_contact() {
    let mut paper = Paper::new(&[0xEF, 0x40, 0x14], 1 << 20);
    let limits = transfers_only();
    let (identity, ..) = converse(driver::identify(&limits), |request, _| paper.answer(request));
    let identity = identity.expect("a sound chip");
    let (present, wanted) = (vec![0xFF; 1 << 20], random(3, 1 << 20));
    let (plan, _) = plan(&identity.chip, &limits, &present, &wanted, 0..1 << 20);
    let limit_us = identity.chip.program.max_us * PATIENCE;
    for lost_at in [0, 1, 100, 255, 256, 300] {
        let (mut pages, mut lost_us) = (0, None);
        let job = WriteJob { identity: &identity, plan: &plan, wanted: &wanted, clock_hz: 1_000_000 };
        let (result, _, ended) = converse(driver::write(&limits, job), |request, now| {
            if transfer(request).is_some_and(|(write, _)| write[0] == 0x02) {
                if pages == lost_at {
                    lost_us = Some(now);
                }
                pages += 1;
            }
            match (lost_us, transfer(request)) {
                (Some(_), Some((_, read))) => Ok(Answer::Bytes(vec![0xFF; read as usize])),
                _ => paper.answer(request),
            }
        });
        let error = result.expect_err("the contact is lost");
        let lost = matches!(&error, DriverError::ContactLost { at, read, status: 0xFF, .. }
            if *at == lost_at * 256 && *read == [0xFF; 3]);
        assert!(lost, "page {lost_at}: {error}");
        assert_eq!(pages, lost_at + 1, "no further page is sent");
        let waited = ended - lost_us.expect("it was lost");
        assert!(waited < limit_us + identity.chip.program.typical_us, "{waited} us");
    }
}
