//! What writing costs: which transfers it takes, how often the chip is asked, and how near the plan's forecast comes.
//!
//! All times are those of the virtual bench, so that they repeat to the microsecond.

mod common;

use std::collections::BTreeMap;

use common::paper::{Paper, REQUEST_US, converse, transfer, transfers_only};
use common::{LOWERED, ON_LINK, Recorder, SMALL, bench, identify, plan, random, verify, write};
use driver::WriteJob;
use nor::chip::Chip;
use nor::link::{Answer, Link, Request};
use nor::plan::Plan;

/// Single transfers by opcode; everything else under 0.
fn counts(link: &Recorder) -> BTreeMap<u8, usize> {
    let mut counts = BTreeMap::new();
    for sent in &link.sent {
        *counts.entry(sent.opcode().unwrap_or(0)).or_default() += 1;
    }
    counts
}

fn written(present: &[u8], wanted: &[u8], rest: &str) -> Recorder {
    let mut link = Recorder::new(bench(SMALL, rest, present));
    let identity = identify(&mut link);
    let (plan, _) = plan(&identity.chip, &link.limits, present, wanted, 0..1 << 20);
    link.sent.clear();
    write(&mut link, &identity, &plan, wanted).expect("a sound chip");
    link
}

#[test]
fn a_page_costs_a_write_enable_a_program_and_one_look() {
    let blank = vec![0xFF; 1 << 20];
    for pages in [1_usize, 2, 255, 256, 257, 1000] {
        let mut wanted = blank.clone();
        wanted[..pages * 256].copy_from_slice(&random(1, pages * 256));
        let link = written(&blank, &wanted, LOWERED);
        // One look at id and status before all else, one at each 64 KiB, which also sees the write enable set.
        let checks = pages.div_ceil(256);
        let expected = [(0, 1), (0x02, pages), (0x05, pages + 2 * checks + 1), (0x06, pages), (0x9F, checks + 1)];
        assert_eq!(counts(&link), BTreeMap::from(expected), "{pages} pages");
    }
}

#[test]
fn a_block_costs_a_check_a_write_enable_an_erase_and_one_look() {
    let (present, blank) = (random(2, 1 << 20), vec![0xFF; 1 << 20]);
    let link = written(&present, &blank, LOWERED);
    let expected = [(0, 1), (0x05, 1 + 3 * 16), (0x06, 16), (0x9F, 1 + 16), (0xD8, 16)];
    assert_eq!(counts(&link), BTreeMap::from(expected));
}

#[test]
fn a_list_costs_one_request() {
    let (present, wanted) = (random(3, 1 << 20), random(4, 1 << 20));
    let link = written(&present, &wanted, ON_LINK);
    // The clock, id and status; then for each of 16 blocks its erase and its 64 KiB.
    assert_eq!(counts(&link), BTreeMap::from([(0, 1 + 16 + 16), (0x05, 1), (0x9F, 1)]));
}

#[test]
fn the_chip_is_asked_at_most_twice_a_page() {
    let blank = vec![0xFF; 1 << 20];
    let wanted = random(5, 1 << 20);
    for round_trip_us in [0, 125, 1000] {
        let rest = format!("[link]\nround_trip_us = {round_trip_us}\n");
        let link = written(&blank, &wanted, &rest);
        let mut looks = 0;
        let mut most = 0;
        for sent in &link.sent {
            match sent.opcode() {
                Some(0x02) => looks = 0,
                Some(0x05) => looks += 1,
                Some(0x06) => most = most.max(looks),
                // The looks at the page before end here; what follows is the check.
                Some(0x9F) => {
                    most = most.max(looks);
                    looks = 0;
                }
                _ => {}
            }
        }
        assert!((1..=2).contains(&most), "{most} looks at one page, round trip {round_trip_us} us");
    }
}

/// A chip that needs a little more than its typical time is asked often enough to lose no more than a sixteenth.
#[test]
fn a_slow_page_is_noticed_within_a_sixteenth() {
    let limits = transfers_only();
    let mut paper = Paper::new(&[0xEF, 0x40, 0x14], 1 << 20);
    let (identity, ..) = converse(driver::identify(&limits), |request, _| paper.answer(request));
    let mut identity = identity.expect("a sound chip");
    identity.chip.program.typical_us = 800;
    let (present, mut wanted) = (vec![0xFF; 1 << 20], vec![0xFF; 1 << 20]);
    wanted[..256].fill(0);
    let (plan, _) = plan(&identity.chip, &limits, &present, &wanted, 0..1 << 20);
    for busy_us in [1, 799, 801, 900, 1_000, 1_599, 1_601, 3_000] {
        let mut ready_us = 0;
        let job = WriteJob { identity: &identity, plan: &plan, wanted: &wanted, clock_hz: 1_000_000 };
        let (result, _, ended) = converse(driver::write(&limits, job), |request, now| match transfer(request) {
            Some((&[0x02, ..], _)) => {
                ready_us = now + REQUEST_US + busy_us;
                paper.answer(request)
            }
            Some((&[0x05], _)) if now < ready_us => Ok(Answer::Bytes(vec![0x03])),
            _ => paper.answer(request),
        });
        result.expect("a sound chip");
        let late = ended - ready_us.max(ready_us - busy_us + 800);
        assert!(late <= 800 / 16 + 2 * REQUEST_US, "busy for {busy_us} us, noticed {late} us later");
    }
}

/// Random content over random content on a chip of 16 MiB, from the first erase to the last byte read again.
struct Apply {
    took_us: u64,
    predicted_us: u64,
    /// Typical times of the plan and what passes on the wire, without any command.
    least_us: u64,
}

const WHOLE: usize = 16 << 20;

fn apply(rest: &str, present: &[u8], wanted: &[u8]) -> Apply {
    let mut link = Recorder::new(bench("marking = \"W25Q128\"\nid = \"ef4018\"", rest, present));
    let identity = identify(&mut link);
    let (plan, costs) = plan(&identity.chip, &link.limits, present, wanted, 0..WHOLE as u32);
    link.sent.clear();
    write(&mut link, &identity, &plan, wanted).expect("a sound chip");
    let began = first_erase(&link);
    link.sent.clear();
    let found = verify(&mut link, &identity, wanted, 0..WHOLE as u32);
    assert_eq!(found.differing_bytes, 0);
    let predicted = plan.cost_ns + plan.verify_ns(&costs) + plan.checks_ns(&costs);
    let hz = u64::from(link.limits.clock_hz.1);
    let wire_us = (plan.programmed_bytes() + found.len) * 8_000_000 / hz;
    Apply {
        took_us: found.ended_us - began,
        predicted_us: predicted / 1000,
        least_us: chip_us(&identity.chip, &plan) + wire_us,
    }
}

/// When the first erase, or the first list of them, was sent.
fn first_erase(link: &Recorder) -> u64 {
    let is_erase = |sent: &&common::Sent| {
        matches!(sent.request, Request::EraseList(_)) || matches!(sent.opcode(), Some(0x20 | 0x52 | 0xD8))
    };
    link.sent.iter().find(is_erase).expect("an erase").began_us
}

/// What the chip itself takes for a plan, by its typical times.
fn chip_us(chip: &Chip, plan: &Plan) -> u64 {
    let erases: u64 = plan.erases().map(|(_, erase)| erase.times.typical_us).sum();
    erases + plan.programmed_bytes() / u64::from(chip.page) * chip.program.typical_us
}

#[test]
fn a_whole_chip_takes_little_more_than_its_own_time_and_the_wires() {
    let (present, wanted) = (random(6, WHOLE), random(7, WHOLE));
    for features in [LOWERED, ON_LINK] {
        let apply = apply(features, &present, &wanted);
        // 256 blocks of 160 ms, 65,536 pages of 704 us (this part's own table), 32 MiB at 12 MHz.
        assert_eq!(apply.least_us, 256 * 160_000 + 65_536 * 704 + 22_369_621);
        let most = apply.least_us * 105 / 100;
        assert!(apply.took_us <= most, "{features}: {} us, at most {most} us", apply.took_us);
        assert!(apply.took_us >= apply.least_us, "{features}: {} us is less than the chip takes", apply.took_us);
    }
}

#[test]
fn the_forecast_is_within_two_percent() {
    let present = random(8, WHOLE);
    let mut some = present.clone();
    for at in (0..WHOLE).step_by(300_000) {
        some[at..at + 20_000.min(WHOLE - at)].copy_from_slice(&random(at as u64, 20_000.min(WHOLE - at)));
    }
    let half = [&vec![0xFF; WHOLE / 2], &present[WHOLE / 2..]].concat();
    let full = random(9, WHOLE);
    for (name, wanted) in [("full", &full), ("some", &some), ("half blank", &half)] {
        for features in [LOWERED, ON_LINK] {
            for link in ["", "clock_hz = 24000000\n", "round_trip_us = 125\n"] {
                let apply = apply(&format!("{features}{link}"), &present, wanted);
                let off = apply.took_us.abs_diff(apply.predicted_us);
                let name = format!("{name}, {features}{link}");
                assert!(
                    off * 50 <= apply.predicted_us,
                    "{name}: {} us, predicted {} us",
                    apply.took_us,
                    apply.predicted_us
                );
            }
        }
    }
}

#[test]
fn the_wires_carry_nothing_twice() {
    // A page on the way to the chip and back again, and some 5 % of commands, whoever runs the lists.
    let (present, wanted) = (random(10, 1 << 20), random(11, 1 << 20));
    let link = written(&present, &wanted, LOWERED);
    let bytes: u64 = link
        .sent
        .iter()
        .map(|sent| match (&sent.request, &sent.answer) {
            (Request::Transfer(transfer), Ok(Answer::Bytes(_))) => transfer.wire_bytes(),
            _ => 0,
        })
        .sum();
    assert!((1 << 20..(1 << 20) * 105 / 100).contains(&bytes), "{bytes} bytes on the wire");
    assert!(link.sent.is_sorted_by_key(|sent| sent.began_us));
}

#[test]
fn waiting_is_a_value_and_takes_no_request() {
    let link = written(&vec![0xFF; 1 << 20], &random(12, 1 << 20), LOWERED);
    let busy: u64 = link.sent.iter().map(|sent| sent.ended_us - sent.began_us).sum();
    let mut bench = link.bench;
    // 4,096 pages of 832 us (this part's own table) passed between the requests.
    let whole = bench.now_us() - link.sent[0].began_us;
    assert!(whole - busy >= 4096 * 832, "{whole} us, of which requests took {busy} us");
}
