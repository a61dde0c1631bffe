//! What goes wrong while writing and reading: a stuck chip, protection, a write enable that does not set, a link that is
//! silent or gone. Each ends the operation with its own error, in bounded time, with the cells as physics left them.

mod common;

use common::paper::{Paper, converse, transfer, transfers_only};
use common::{LOWERED, ON_LINK, Recorder, SMALL, bench, fault, identify, plan, random, run, verify, write};
use driver::{DriverError, Order, PATIENCE, PassPlan, WriteJob};
use nor::link::{Answer, Link, LinkError};
use nor::plan::PlanStep;
use nor::protection::Protection;

const SIZE: usize = 1 << 20;

/// Identifies and writes random content over random content, whatever comes of it.
fn attempt(chip: &str, rest: &str) -> (Recorder, Result<(), DriverError>, Times) {
    let present = random(1, SIZE);
    let mut link = Recorder::new(bench(chip, rest, &present));
    let identity = identify(&mut link);
    let wanted = random(2, SIZE);
    let (plan, _) = plan(&identity.chip, &link.limits, &present, &wanted, 0..SIZE as u32);
    link.sent.clear();
    let began = link.now_us();
    let result = write(&mut link, &identity, &plan, &wanted);
    let ended = link.now_us();
    (link, result, Times { began, ended })
}

/// When writing began and ended.
struct Times {
    began: u64,
    ended: u64,
}

impl Times {
    fn at(&self, share: u64) -> u64 {
        self.began + (self.ended - self.began) * share / 100
    }
}

fn sound(features: &str) -> Times {
    let (_, result, times) = attempt(SMALL, features);
    result.expect("a sound chip");
    times
}

#[test]
fn a_chip_that_stays_busy_is_given_up_in_time() {
    // Of this part's own tables: a page takes at most 3,328 us, a block of 64 KiB at most 1,280 ms. Twice as long, and
    // the chip is ill.
    assert_eq!(PATIENCE, 2);
    let limits = [(2 * 3_328, 832), (2 * 1_280_000, 160_000)];
    let mut met = [0; 2];
    for features in [LOWERED, ON_LINK] {
        let times = sound(features);
        // In the first block's erase, and among the pages further on.
        for moment in [times.began + 1_000, times.at(30), times.at(55), times.at(80)] {
            let stuck = fault("busy-forever", &format!("from_us = {moment}"));
            let (mut link, result, times) = attempt(SMALL, &format!("{features}{stuck}"));
            let error = result.expect_err("it never becomes ready");
            let DriverError::Busy { at, waited_ms } = error else { panic!("at {moment} us: {error}") };
            let kind = usize::from(waited_ms > 100);
            met[kind] += 1;
            let (limit_us, typical_us) = limits[kind];
            assert!((limit_us / 1000..=(limit_us + typical_us / 16) / 1000 + 1).contains(&waited_ms), "{waited_ms} ms");
            // What was under way at the moment may have begun a little earlier, and the looks take their time.
            assert!(times.ended - moment <= limit_us + typical_us + 2_000, "{} us", times.ended - moment);
            assert!(link.bench.chip_state().busy && at < SIZE as u32);
        }
    }
    assert!(met[0] > 0 && met[1] > 0, "pages and blocks: {met:?}");
}

#[test]
fn s9_what_is_protected_is_refused_before_any_change() {
    let size = 2 << 20;
    let present = random(3, size);
    for features in [LOWERED, ON_LINK] {
        for (word, from, refused) in [
            ("all", 0, true),
            ("upper-half", 0x10_0000, true),
            ("upper-half", 0x0F_F000, false),
            ("lower-half", 0x0F_F000, true),
            ("lower-half", 0x10_0000, false),
            ("upper-quarter", 0x17_F000, false),
            ("upper-quarter", 0x17_FF00, true),
        ] {
            let chip = format!("marking = \"W25Q16DW\"\nprotected = \"{word}\"");
            let mut link = Recorder::new(bench(&chip, features, &present));
            let identity = identify(&mut link);
            let mut wanted = present.clone();
            wanted[from..from + 512].fill(0xA5);
            let (plan, _) = plan(&identity.chip, &link.limits, &present, &wanted, 0..size as u32);
            link.sent.clear();
            let result = write(&mut link, &identity, &plan, &wanted);
            if !refused {
                result.unwrap_or_else(|error| panic!("{word} from {from:#x}: {error}"));
                assert!(link.bench.chip_content() == wanted);
                continue;
            }
            let error = result.expect_err("it is protected");
            let range = matches!(&error, DriverError::Protected { protection: Protection::Range { .. }, status }
                if *status == identity.status[0]);
            assert!(range && !error.is_resumable(), "{word} from {from:#x}: {error}");
            assert!(link.bench.chip_content() == present);
            assert_eq!(link.count(0x06) + link.count(0x02) + link.count(0x20) + link.count(0xD8), 0);
            assert!(link.sent.iter().all(|sent| sent.opcode().is_some() || sent.request == set_clock()));
        }
    }
}

fn set_clock() -> nor::link::Request {
    nor::link::Request::SetClock { hz: 12_000_000 }
}

#[test]
fn s9_protection_bits_without_a_known_layout_count_as_protected() {
    let (mut link, result, _) = attempt("marking = \"W25Q80DV\"\nprotected = \"all\"", LOWERED);
    assert!(matches!(result, Err(DriverError::Protected { protection: Protection::Undecodable, .. })), "{result:?}");
    assert!(link.bench.chip_content() == random(1, SIZE) && !link.bench.chip_state().write_enabled);
}

#[test]
fn a_write_enable_that_does_not_set_is_told_before_an_erase_and_before_programming() {
    let limits = transfers_only();
    for (name, present) in [("erase", random(4, SIZE)), ("program", vec![0xFF; SIZE])] {
        let mut paper = Paper::new(&[0xEF, 0x40, 0x14], SIZE as u32);
        let (identity, ..) = converse(driver::identify(&limits), |request, _| paper.answer(request));
        let identity = identity.expect("a sound chip");
        paper.enables = false;
        let wanted = random(5, SIZE);
        let (plan, _) = plan(&identity.chip, &limits, &present, &wanted, 0..SIZE as u32);
        assert_eq!(matches!(plan.steps[0], PlanStep::Erase { .. }), name == "erase");
        let job = WriteJob { identity: &identity, plan: &plan, wanted: &wanted, clock_hz: 1_000_000 };
        let (result, asked, _) = converse(driver::write(&limits, job), |request, _| paper.answer(request));
        assert!(matches!(result, Err(DriverError::NotEnabled { at: 0, status: 0 })), "{name}: {result:?}");
        let changes = asked.iter().filter_map(transfer).filter(|(write, _)| [0x02, 0x20, 0xD8].contains(&write[0]));
        assert_eq!(changes.count(), 0, "{name}: nothing is sent that the chip would not take");
        assert!(!result.expect_err("not enabled").is_resumable());
    }
}

#[test]
fn a_stop_of_a_list_says_where() {
    use nor::link::{Features, Limits, Request, Stop};
    let features = Features { program_range: true, erase_list: true, ..Features::default() };
    let limits = Limits { features, max_range: 1 << 20, ..transfers_only() };
    let mut paper = Paper::new(&[0xEF, 0x40, 0x14], SIZE as u32);
    let (identity, ..) = converse(driver::identify(&limits), |request, _| paper.answer(request));
    let identity = identity.expect("a sound chip");
    let full = random(6, SIZE);
    let blank = vec![0xFF; SIZE];
    let stops = [
        (Stop::Busy { waited_us: 7_000_000 }, "the chip stays busy at"),
        (Stop::NotEnabled { status: 0x80 }, "the chip does not take a write enable at"),
        (Stop::Differs { id: vec![0xFF; 3], status: 0xFF }, "contact lost at"),
        (Stop::Differs { id: vec![0xEF, 0x40, 0x14], status: 0x1C }, "the chip's status changed at"),
    ];
    for (stop, text) in stops {
        // Three blocks of 64 KiB are erased, or three pages programmed, when it stops.
        for (present, wanted, done, at) in [(&full, &blank, 3, "0x00030000"), (&blank, &full, 768, "0x00000300")] {
            let (plan, _) = plan(&identity.chip, &limits, present, wanted, 0..SIZE as u32);
            let job = WriteJob { identity: &identity, plan: &plan, wanted, clock_hz: 1_000_000 };
            let (result, ..) = converse(driver::write(&limits, job), |request, _| match request {
                Request::EraseList(_) | Request::ProgramRange(_) => Ok(Answer::Ran { done, stop: Some(stop.clone()) }),
                other => paper.answer(other),
            });
            let told = result.expect_err("it stopped").to_string();
            assert!(told.starts_with(&format!("{text} {at}")), "{told}");
        }
    }
}

#[test]
fn a_silent_link_is_told_as_silent() {
    for features in [LOWERED, ON_LINK] {
        let moment = sound(features).at(60);
        // Without an end, and one lost answer.
        for keys in [format!("from_us = {moment}"), format!("at_us = {moment}")] {
            let (_, result, times) = attempt(SMALL, &format!("{features}{}", fault("link-stall", &keys)));
            let error = result.expect_err("an answer is lost");
            assert!(matches!(error, DriverError::Link { source: LinkError::Silent { .. }, .. }), "{keys}: {error}");
            assert!(error.is_resumable());
            // Two seconds beside what the request itself may take; the longest is 64 KiB programmed by the link.
            assert!(
                times.ended - moment < 2_000_000 + 256 * 3_328 * PATIENCE + 2_000_000,
                "{keys}: {}",
                times.ended - moment
            );
        }
    }
}

#[test]
fn a_stall_that_ends_in_time_is_no_error() {
    for features in [LOWERED, ON_LINK] {
        let moment = sound(features).at(40);
        let keys = format!("from_us = {moment}\nuntil_us = {}", moment + 900_000);
        let (_, result, _) = attempt(SMALL, &format!("{features}{}", fault("link-stall", &keys)));
        result.unwrap_or_else(|error| panic!("{features}: {error}"));
    }
}

/// Identify, pass, write, verify: one after the other, until one fails.
fn whole_job(link: &mut Recorder, wanted: &[u8]) -> Result<[u64; 4], DriverError> {
    let mut ends = [0; 4];
    let identity = run(link, driver::identify)?;
    ends[0] = link.now_us();
    let plan = PassPlan { clock_hz: 12_000_000, fast: false, order: Order::Ascending, chunk: 65_536, digest: false };
    let pass = run(link, |limits| driver::pass(limits, &identity, plan))?;
    ends[1] = link.now_us();
    let driver::Content::Bytes(present) = pass.content else { panic!("no digest was asked for") };
    let (plan, _) = common::plan(&identity.chip, &link.limits, &present, wanted, 0..SIZE as u32);
    write(link, &identity, &plan, wanted)?;
    ends[2] = link.now_us();
    let found = run(link, |limits| driver::verify(limits, &identity, wanted, 0..SIZE as u32, 12_000_000))?;
    assert_eq!(found.differing_bytes, 0);
    ends[3] = link.now_us();
    Ok(ends)
}

#[test]
fn s2_a_link_that_goes_in_any_phase_is_told_and_the_job_can_be_done_again() {
    let (present, wanted) = (random(7, SIZE), random(8, SIZE));
    for features in [LOWERED, ON_LINK] {
        let mut link = Recorder::new(bench(SMALL, features, &present));
        let ends = whole_job(&mut link, &wanted).expect("a sound chip");
        let mut met = Vec::new();
        for (phase, end) in ends.into_iter().enumerate() {
            let began = if phase == 0 { 0 } else { ends[phase - 1] };
            for permille in [3, 350, 700, 950] {
                for kind in ["unplug", "power-cut"] {
                    let moment = began + (end - began) * permille / 1000;
                    let gone = fault(kind, &format!("at_us = {moment}"));
                    let mut link = Recorder::new(bench(SMALL, &format!("{features}{gone}"), &present));
                    let error = whole_job(&mut link, &wanted).expect_err("the link went");
                    let DriverError::Link { doing, source: LinkError::Gone } = &error else {
                        panic!("{kind} at {moment} us: {error}");
                    };
                    met.push(*doing);
                    assert!(error.is_resumable());
                    link.wait_us(sim::VANISHED_US);
                    link.bench.reopen();
                    whole_job(&mut link, &wanted).unwrap_or_else(|error| panic!("again after {moment} us: {error}"));
                    assert!(link.bench.chip_content() == wanted);
                }
            }
        }
        for doing in ["reading the chip's tables", "reading", "programming"] {
            assert!(met.contains(&doing), "{features}: gone while {met:?}");
        }
    }
}

#[test]
fn a_worn_sector_is_found_with_what_it_holds() {
    let mut kinds = [0; 2];
    for seed in 0..6 {
        for features in [LOWERED, ON_LINK] {
            let present = random(9, SIZE);
            let worn = fault("worn-sector", "at = 0x5A123\nseverity = 0.2");
            let mut link = common::seeded_bench(seed, SMALL, &format!("{features}{worn}"), &present);
            let identity = identify(&mut link);
            let wanted = vec![if seed % 2 == 0 { 0xFF } else { 0x00 }; SIZE];
            let (plan, _) = plan(&identity.chip, link.limits(), &present, &wanted, 0..SIZE as u32);
            write(&mut link, &identity, &plan, &wanted).expect("a worn sector takes its commands");
            let found = verify(&mut link, &identity, &wanted, 0..SIZE as u32);
            let cells = link.chip_content();
            let holds = cells[0x5A000..0x5B000].to_vec();
            let differing = holds.iter().filter(|byte| **byte != wanted[0]).count() as u64;
            assert_eq!((found.differing_bytes, found.unsteady), (differing, 0), "seed {seed}");
            kinds[usize::from(differing > 0)] += 1;
            if differing == 0 {
                assert!(
                    found.wrong.is_empty() && found.first.is_none(),
                    "worn in a way that this content does not need"
                );
                continue;
            }
            assert_eq!(found.wrong, [(0x5A000, holds.clone())], "seed {seed}");
            let offset = holds.iter().position(|byte| *byte != wanted[0]).expect("a wrong byte");
            let first = found.first.expect("a wrong byte");
            assert_eq!((first.at, first.wanted, first.read), (0x5A000 + offset as u32, wanted[0], holds[offset]));
        }
    }
    assert!(kinds[1] > 0, "{kinds:?}");
}

#[test]
fn a_stuck_bit_is_found_where_it_is() {
    for features in [LOWERED, ON_LINK] {
        let wanted = vec![0xFF; SIZE];
        let stuck = fault("stuck-bit", "at = 0x7FFFF\nbit = 3\npull = \"down\"");
        let mut link = bench(SMALL, &format!("{features}{stuck}"), &wanted);
        let identity = identify(&mut link);
        let found = verify(&mut link, &identity, &wanted, 0..SIZE as u32);
        let first = found.first.expect("one byte");
        assert_eq!((first.at, first.wanted, first.read, found.differing_bytes), (0x7_FFFF, 0xFF, 0xF7, 1));
    }
}
