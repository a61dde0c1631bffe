//! Each fault as its physics leaves it, made by hand in one reading of three; the campaign in `tests` has everything else.

use super::*;
use crate::bits::{bit, delayed};
use crate::judge::{Verdict, judge};
use crate::pass::{Declared, Order, Pass, PassContent};
use crate::testing::{Draw, firmware, for_seeds, pass_of};

const SIZE: usize = 1 << 18;
const CHUNK: usize = 1 << 13;

fn diagnosed(contents: &[&[u8]]) -> Diagnosis {
    let passes: Vec<Pass<'_>> = contents
        .iter()
        .enumerate()
        .map(|(number, content)| Pass {
            chunk: CHUNK as u32,
            order: if number == 1 { Order::Descending } else { Order::Ascending },
            ..pass_of(PassContent::Bytes(content), 12_000_000 - 2_000_000 * number as u32)
        })
        .collect();
    let size = contents[0].len() as u32;
    let declared =
        Declared { size, catalogue_size: Some(size), table_size: Some(size), maker_known: true, known_content: None };
    let judgement = judge(&passes, &declared);
    let readings: Vec<Reading<'_>> = passes.iter().filter_map(Reading::of_pass).collect();
    let diagnosis = diagnose(&readings, &judgement);
    let sum: f64 = diagnosis.findings.iter().map(|finding| finding.confidence).sum();
    assert!((sum - 1.0).abs() < 1e-9 && diagnosis.findings.len() == Fault::ALL.len());
    assert_eq!(diagnosis, diagnose(&readings, &judgement), "the same input gives the same answer");
    diagnosis
}

/// Says that `damage` in one of three readings is taken for `fault`.
fn named(test: &str, fault: Fault, damage: fn(&mut Vec<u8>, &[u8], &mut Draw)) {
    for_seeds(test, 12, |seed| {
        let truth = firmware(seed, SIZE);
        let mut bad = truth.clone();
        damage(&mut bad, &truth, &mut Draw::new(seed));
        let diagnosis = diagnosed(&[&bad, &truth, &truth]);
        let first = diagnosis.first();
        assert_eq!(first.fault, fault, "{:?}", &diagnosis.findings[..3]);
        assert!(first.advice == advice(fault) && first.confidence > 0.5, "{first:?}");
        assert!(fault == Fault::None || !first.places.is_empty());
    });
}

/// Puts in what comes when every bit of these places is sampled so many clocks late.
fn late(bad: &mut [u8], truth: &[u8], places: Range<usize>, bits: i64) {
    places.for_each(|at| bad[at] = delayed(truth, at, bits).unwrap_or(0xFF));
}

fn chunk_and_byte(draw: &mut Draw) -> (usize, usize) {
    // Random data fills four of five sectors; the byte is well inside of the chunk.
    (draw.below((SIZE / CHUNK) as u64) as usize * CHUNK, 500 + draw.below(3000) as usize)
}

#[test]
fn an_open_data_out_rests_from_anywhere_to_anywhere() {
    named("an_open_data_out_rests_from_anywhere_to_anywhere", Fault::OpenDataOut, |bad, _, draw| {
        let (chunk, byte) = chunk_and_byte(draw);
        let from = chunk.min(SIZE - 3 * CHUNK) + byte;
        bad[from..from + CHUNK + 3100].fill(if draw.below(2) == 0 { 0xFF } else { 0 });
    });
}

#[test]
fn a_weak_data_out_loses_bits_one_way_in_bursts() {
    named("a_weak_data_out_loses_bits_one_way_in_bursts", Fault::WeakDataOut, |bad, _, draw| {
        for _ in 0..60 {
            let at = draw.below(SIZE as u64 - 4) as usize;
            bad[at..at + 3].iter_mut().for_each(|byte| *byte |= draw.bytes(1)[0]);
        }
    });
}

#[test]
fn a_lost_edge_shifts_what_follows() {
    named("a_lost_edge_shifts_what_follows", Fault::ClockSlip, |bad, truth, draw| {
        for _ in 0..3 {
            let (chunk, byte) = chunk_and_byte(draw);
            let way = if draw.below(2) == 0 { 1 } else { -1 };
            late(bad, truth, chunk + byte..chunk + CHUNK, way);
        }
    });
}

#[test]
fn a_bounce_rests_to_the_transactions_end() {
    named("a_bounce_rests_to_the_transactions_end", Fault::SelectBounce, |bad, _, draw| {
        for _ in 0..3 {
            let (chunk, byte) = chunk_and_byte(draw);
            bad[chunk + byte..chunk + CHUNK].fill(0x00);
        }
    });
}

#[test]
fn a_wrong_address_bit_brings_data_from_elsewhere() {
    named("a_wrong_address_bit_brings_data_from_elsewhere", Fault::AddressError, |bad, truth, draw| {
        for _ in 0..3 {
            let (chunk, _) = chunk_and_byte(draw);
            let other = chunk ^ (CHUNK << draw.below(4));
            bad[chunk..chunk + CHUNK].copy_from_slice(&truth[other..other + CHUNK]);
        }
    });
}

#[test]
fn a_sag_ends_with_a_transaction_and_spans_several() {
    named("a_sag_ends_with_a_transaction_and_spans_several", Fault::SupplySag, |bad, _, draw| {
        let (chunk, byte) = chunk_and_byte(draw);
        let chunk = chunk.min(SIZE - 5 * CHUNK);
        bad[chunk + byte..chunk + 4 * CHUNK].fill(0xFF);
    });
}

#[test]
fn late_sampling_errs_where_a_bit_differs_from_the_one_before() {
    named("late_sampling_errs_where_a_bit_differs_from_the_one_before", Fault::LateSampling, |bad, truth, draw| {
        let mut wrong = 0;
        while wrong < 120 {
            let number = 1 + draw.below(SIZE as u64 * 8 - 1);
            if bit(truth, number) != bit(truth, number - 1) {
                bad[(number / 8) as usize] ^= 0x80 >> (number % 8);
                wrong += 1;
            }
        }
    });
}

#[test]
fn a_constant_shift_leaves_no_transaction_out() {
    named("a_constant_shift_leaves_no_transaction_out", Fault::ConstantShift, |bad, truth, draw| {
        let way = if draw.below(2) == 0 { 1 } else { -1 };
        late(bad, truth, 0..SIZE, way);
    });
}

#[test]
fn another_master_keeps_a_time() {
    named("another_master_keeps_a_time", Fault::BusContention, |bad, _, draw| {
        let period = 2000 + draw.below(3000) as usize;
        for at in (draw.below(2000) as usize..SIZE - 40).step_by(period) {
            let noise = draw.bytes(24);
            bad[at..at + 24].copy_from_slice(&noise);
        }
    });
}

/// In a blank stretch nobody sees that a burst is data; of two readings the one with short rests amid the other level is damaged.
#[test]
fn bursts_over_blank_content_are_seen_with_two_readings() {
    for_seeds("bursts_over_blank_content_are_seen_with_two_readings", 12, |seed| {
        let mut draw = Draw::new(seed);
        let mut truth = vec![0xFF; SIZE];
        truth[..SIZE / 8].copy_from_slice(&draw.bytes(SIZE / 8));
        let mut bad = truth.clone();
        let period = 1500 + draw.below(1000) as usize;
        (draw.below(1000) as usize..SIZE - 60).step_by(period).for_each(|at| bad[at..at + 40].fill(0x00));
        for readings in [[&bad, &truth], [&truth, &bad]] {
            let diagnosis = diagnosed(&readings.map(Vec::as_slice));
            assert_eq!(diagnosis.first().fault, Fault::BusContention, "{:?}", &diagnosis.findings[..3]);
            let found = diagnosis.period_bytes.expect("they keep a time");
            // Commands take some time between the chunks.
            assert!((found / period as f64 - 1.0).abs() < 0.03, "{found} for {period}");
        }
    });
}

#[test]
fn a_smaller_chip_comes_again() {
    named("a_smaller_chip_comes_again", Fault::SizeAlias, |bad, truth, draw| {
        let reach = SIZE >> (1 + draw.below(2));
        (0..SIZE).for_each(|at| bad[at] = truth[at % reach]);
    });
}

#[test]
fn a_pause_makes_data_late() {
    named("a_pause_makes_data_late", Fault::HoldFloating, |bad, truth, draw| {
        for _ in 0..3 {
            let (chunk, byte) = chunk_and_byte(draw);
            let bits = 300 + draw.below(700) as i64;
            late(bad, truth, chunk + byte..chunk + CHUNK, bits);
            bad[chunk + byte..chunk + byte + bits as usize / 8 + 1].fill(0xFF);
        }
    });
}

#[test]
fn noise_turns_bits_both_ways_anywhere() {
    named("noise_turns_bits_both_ways_anywhere", Fault::Noise, |bad, _, draw| {
        for _ in 0..80 {
            bad[draw.below(SIZE as u64) as usize] ^= 1 << draw.below(8);
        }
    });
}

#[test]
fn equal_readings_have_no_fault_unless_the_judgement_says_so() {
    let truth = firmware(1, SIZE);
    assert_eq!(diagnosed(&[&truth, &truth]).first().fault, Fault::None);
    assert_eq!(diagnosed(&[&truth]).first().fault, Fault::None);
    let silent = Judgement {
        verdict: Verdict::Refused,
        reasons: vec![Reason::NoId { id: vec![0xFF; 3] }],
        ..judge(
            &[],
            &Declared { size: 0, catalogue_size: None, table_size: None, maker_known: false, known_content: None },
        )
    };
    assert_eq!(diagnose(&[], &silent).first().fault, Fault::OpenDataOut);
    let shifted = Reason::LooksShifted { bits: 1, later: true, tables_answered: false };
    let judgement = Judgement { reasons: vec![shifted], ..silent };
    assert_eq!(diagnose(&[Reading::bare(&truth)], &judgement).first().fault, Fault::ConstantShift);
}

#[test]
fn lengths_alone_can_say_that_a_chip_is_smaller() {
    let half = firmware(2, SIZE / 2);
    let twice = [half.clone(), half.clone()].concat();
    let judgement = crate::judge_files(&[]);
    let diagnosis = diagnose(&[Reading::bare(&half), Reading::bare(&twice), Reading::bare(&[])], &judgement);
    assert_eq!((diagnosis.first().fault, diagnosis.first().places[0].clone()), (Fault::SizeAlias, 131_072..262_144));
    let other = firmware(3, SIZE);
    assert_eq!(diagnose(&[Reading::bare(&half), Reading::bare(&other)], &judgement).first().fault, Fault::None);
}

/// Any bytes at all give an answer, and never a panic.
#[test]
fn s10_arbitrary_readings_are_harmless() {
    for_seeds("s10_arbitrary_readings_are_harmless", 60, |seed| {
        let mut draw = Draw::new(seed);
        let size = draw.below(9000) as usize;
        let base = firmware(seed, size);
        let contents: Vec<Vec<u8>> = (0..draw.below(18))
            .map(|_| {
                let mut content = base.clone();
                for _ in 0..draw.below(6) {
                    let from = draw.below(size as u64 + 1) as usize;
                    let to = from + draw.below((size - from) as u64 + 1) as usize;
                    let noise = draw.bytes(to - from);
                    content[from..to].copy_from_slice(&noise);
                }
                content.truncate(size - draw.below(2) as usize * draw.below(size as u64 + 1) as usize / 2);
                content
            })
            .collect();
        let judgement = crate::judge_files(&[]);
        let lists = crate::Transactions::List(vec![Transaction { opcode: 3, at: seed as u32 * 50, len: 9999 }; 3]);
        let conditions = crate::Conditions { clock_hz: 0, address_bytes: 3, transactions: lists };
        let readings: Vec<Reading<'_>> = contents
            .iter()
            .map(|content| Reading { content, conditions: (seed % 2 == 0).then(|| conditions.clone()) })
            .collect();
        let diagnosis = diagnose(&readings, &judgement);
        assert_eq!(diagnosis.findings.len(), Fault::ALL.len());
        for place in diagnosis.findings.iter().flat_map(|finding| &finding.places) {
            assert!(place.start < place.end && place.end as usize <= size, "{place:?} of {size}");
        }
    });
}
