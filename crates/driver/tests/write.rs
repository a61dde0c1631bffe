//! Writing and verifying on the virtual bench: the wanted content is reached over every kind of link, and nothing beside it.

mod common;

use std::ops::Range;

use common::{
    LOWERED, ON_LINK, Recorder, SMALL, bench, features, identify, plan, random, run, seeds, stretches, verify, write,
};
use driver::{Event, Flow, WriteJob};
use nor::link::Link;
use nor::plan::Plan;
use serde_json::Value;
use sim::VirtualBench;

const MIB: usize = 1 << 20;

/// Sectors that a plan erases, counted.
fn erased(plan: &Plan, sectors: usize) -> Vec<u32> {
    let mut counts = vec![0; sectors];
    for (at, erase) in plan.erases() {
        let first = (at / nor::SECTOR) as usize;
        counts[first..first + (erase.size / nor::SECTOR) as usize].iter_mut().for_each(|count| *count += 1);
    }
    counts
}

/// Writes `wanted` over what the bench holds, and sees that it is there, verified, and nothing else happened.
fn apply(link: &mut Recorder, wanted: &[u8], range: Range<u32>) -> Plan {
    let identity = identify(link);
    let present = link.bench.chip_content();
    let (plan, _) = plan(&identity.chip, &link.limits, &present, wanted, range.clone());
    write(link, &identity, &plan, wanted).unwrap_or_else(|error| panic!("write: {error}"));
    assert!(link.bench.chip_content() == wanted, "the cells hold something else");
    let found = verify(link, &identity, wanted, range.clone());
    assert_eq!((found.differing_bytes, found.first, found.unsteady), (0, None, 0));
    assert_eq!(found.len, u64::from(range.end - range.start));
    assert_eq!(found.ended_us, link.now_us());
    let state = link.bench.chip_state();
    assert!(!state.busy && !state.write_enabled && !state.four_byte, "left as it was found: {state:?}");
    assert_eq!(state.status, 0);
    plan
}

/// Bytes of the range are drawn, the others stay.
fn wanted_in(rng: &mut fastrand::Rng, present: &[u8], range: &Range<u32>) -> Vec<u8> {
    let (from, end) = (range.start as usize, range.end as usize);
    let drawn = stretches(rng, end - from, Some(&present[from..end]));
    [&present[..from], &drawn, &present[end..]].concat()
}

#[test]
fn every_set_of_features_reaches_the_wanted_content() {
    seeds("every_set_of_features_reaches_the_wanted_content", 3, |_, rng| {
        let present = stretches(rng, MIB, None);
        let whole = 0..MIB as u32;
        let (from, len) = (rng.u32(0..1 << 19), rng.u32(1..1 << 19));
        for range in [whole, from..from + len] {
            let wanted = wanted_in(rng, &present, &range);
            let mut plans = Vec::new();
            for set in 0..16 {
                let mut link = Recorder::new(bench(SMALL, &features(set), &present));
                let plan = apply(&mut link, &wanted, range.clone());
                assert_eq!(link.bench.wear(), erased(&plan, MIB / 4096), "set {set}: only planned blocks are erased");
                plans.push(plan.steps);
            }
            assert!(plans.iter().all(|steps| *steps == plans[0]), "features do not change what is done");
        }
    });
}

#[test]
fn small_transfers_and_ranges_reach_it_as_well() {
    seeds("small_transfers_and_ranges_reach_it_as_well", 2, |_, rng| {
        let present = stretches(rng, MIB, None);
        let wanted = stretches(rng, MIB, Some(&present));
        for (set, max_transfer, max_range) in
            [(0, 300, 0), (0, 4096, 0), (15, 300, 5000), (15, 300, 70_000), (6, 300, 4096)]
        {
            let mut link = Recorder::new(bench(SMALL, &features(set), &present));
            (link.limits.max_transfer, link.limits.max_range) = (max_transfer, max_range);
            apply(&mut link, &wanted, 0..MIB as u32);
        }
    });
}

#[test]
fn the_longest_times_are_waited_for() {
    let (present, wanted) = (random(1, MIB), random(2, MIB));
    for link in [LOWERED, ON_LINK] {
        let times = "[time]\nchip_times = \"maximum\"\n";
        let mut link = Recorder::new(bench(SMALL, &format!("{link}{times}"), &present));
        let began = link.now_us();
        apply(&mut link, &wanted, 0..MIB as u32);
        // 16 blocks of at most 1,280 ms and 4,096 pages of at most 3,328 us (this part's own table).
        let longest = 16 * 1_280_000 + 4096 * 3_328;
        let took = link.now_us() - began;
        assert!((longest..longest * 3 / 2).contains(&took), "{took} us, the chip alone takes {longest} us");
    }
}

#[test]
fn chips_past_sixteen_mebibytes_are_written_in_both_halves() {
    let line = include_str!("../../nor/tests/data/tables.jsonl").lines().next().expect("N25Q256A stands first");
    let row: Value = serde_json::from_str(line).expect("JSON");
    let other = format!("id = \"20ba19\"\nsize = 33554432\nsfdp = {}", row["hex"]);
    let size = 32 * MIB;
    let present = random(3, size);
    let mut wanted = present.clone();
    for at in [0, size / 2 - 5000, size - 70_000] {
        wanted[at..at + 70_000].copy_from_slice(&random(at as u64, 70_000));
    }
    for chip in ["marking = \"W25Q256\"\nid = \"ef4019\"", &other] {
        for features in [LOWERED, ON_LINK] {
            let mut link = Recorder::new(bench(chip, features, &present));
            apply(&mut link, &wanted, 0..size as u32);
        }
    }
}

#[test]
fn an_empty_plan_sends_no_command_that_changes_anything() {
    let content = random(4, MIB);
    for features in [LOWERED, ON_LINK] {
        let mut link = Recorder::new(bench(SMALL, features, &content));
        let identity = identify(&mut link);
        link.sent.clear();
        let (plan, _) = plan(&identity.chip, &link.limits, &content, &content, 0..MIB as u32);
        assert!(plan.is_empty());
        write(&mut link, &identity, &plan, &content).expect("nothing to do");
        let opcodes: Vec<_> = link.sent.iter().map(common::Sent::opcode).collect();
        assert_eq!(opcodes, [None, Some(0x9F), Some(0x05)], "clock, id, status");
    }
}

#[test]
fn progress_moves_on_and_ends_at_the_whole() {
    // Half of the chip becomes blank, so that long lists of erases are among the steps.
    let (present, mut wanted) = (random(5, 4 * MIB), random(6, 4 * MIB));
    wanted[..2 * MIB].fill(0xFF);
    for features in [LOWERED, ON_LINK] {
        let mut link = bench("marking = \"W25Q32\"", features, &present);
        let identity = identify(&mut link);
        let (plan, _) = plan(&identity.chip, link.limits(), &present, &wanted, 0..4 << 20);
        let (events, result) =
            watched(&mut link, WriteJob { identity: &identity, plan: &plan, wanted: &wanted, clock_hz: 12_000_000 });
        result.expect("a sound chip");
        let total = plan.erases().map(|(_, erase)| u64::from(erase.size)).sum::<u64>() + plan.programmed_bytes();
        assert_eq!(events[0].0, Event::Begins { phase: "erasing and programming", total });
        let done: Vec<u64> = events[1..]
            .iter()
            .map(|(event, _)| match event {
                Event::Progress { done } => *done,
                Event::Begins { .. } => panic!("a second beginning"),
            })
            .collect();
        assert!(done.is_sorted() && done.last() == Some(&total), "{done:?} of {total}");
        let longest = events.windows(2).map(|pair| pair[1].1 - pair[0].1).max().expect("several events");
        // The catalogue has no times for this part: 16 blocks in class times of 250 ms each.
        assert!(longest < 5_000_000, "no news for {longest} us");
    }
}

type Watched = (Vec<(Event, u64)>, Result<(), driver::DriverError>);

fn watched(link: &mut VirtualBench, job: WriteJob<'_>) -> Watched {
    let mut events = Vec::new();
    let op = driver::write(link.limits(), job);
    let result = driver::run(link, op, &mut |event, at| {
        events.extend(event.map(|event| (event, at)));
        Flow::Continue
    });
    (events, result.expect("nobody said stop"))
}

#[test]
fn s2_a_run_stopped_anywhere_can_be_run_again() {
    seeds("s2_a_run_stopped_anywhere_can_be_run_again", 12, |seed, rng| {
        let features = features(rng.u8(0..16));
        let chip = ["marking = \"W25Q80DV\"", "marking = \"W25Q256\"\nid = \"ef4019\""][seed as usize % 2];
        let size = [MIB, 32 * MIB][seed as usize % 2];
        let mut present = vec![0xFF; size];
        let mut wanted = present.clone();
        let from = size - MIB;
        present[from..].copy_from_slice(&stretches(rng, MIB, None));
        wanted[from..].copy_from_slice(&stretches(rng, MIB, None));
        let mut link = Recorder::new(bench(chip, &features, &present));
        for _ in 0..3 {
            let identity = identify(&mut link);
            let present = link.bench.chip_content();
            let (plan, _) = plan(&identity.chip, &link.limits, &present, &wanted, 0..size as u32);
            let job = WriteJob { identity: &identity, plan: &plan, wanted: &wanted, clock_hz: 12_000_000 };
            let mut left = rng.u32(0..2000);
            let op = driver::write(&link.limits, job);
            driver::run(&mut link, op, &mut |event, _| {
                left = left.saturating_sub(u32::from(event.is_none()));
                if left == 0 { Flow::Stop } else { Flow::Continue }
            });
        }
        apply(&mut link, &wanted, 0..size as u32);
    });
}

#[test]
fn equal_runs_leave_equal_traces() {
    let trace = || {
        let mut link = Recorder::new(bench(SMALL, &features(5), &random(7, MIB)));
        apply(&mut link, &random(8, MIB), 0..MIB as u32);
        link.sent.iter().map(|sent| format!("{sent:?}")).collect::<Vec<_>>()
    };
    assert!(trace() == trace());
}

#[test]
fn a_clock_beyond_the_links_is_brought_inside() {
    let content = random(9, MIB);
    let mut link = Recorder::new(bench(SMALL, LOWERED, &content));
    let identity = identify(&mut link);
    for (wanted_hz, taken) in [(1, 100_000), (200_000_000, 12_000_000)] {
        link.sent.clear();
        run(&mut link, |limits| driver::verify(limits, &identity, &content, 0..4096, wanted_hz)).expect("a sound chip");
        assert!(
            matches!(link.sent[0].request, nor::link::Request::SetClock { hz } if hz == taken),
            "{:?}",
            link.sent[0]
        );
    }
}
