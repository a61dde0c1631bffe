//! Every row of the module's table, and that every history ends.

use super::*;
use crate::diagnose::diagnose;
use crate::judge::judge;
use crate::pass::{Declared, Pass, PassContent};
use crate::reading::Reading;
use crate::testing::{Draw, firmware, for_seeds, pass_of};

const SIZE: u32 = 1 << 18;
const REACH: Reach = Reach { slowest_hz: 500_000, fastest_hz: 16_000_000, size: SIZE };

fn judged(contents: &[Vec<u8>]) -> (Judgement, Diagnosis) {
    let passes: Vec<Pass<'_>> = contents
        .iter()
        .enumerate()
        .map(|(number, content)| pass_of(PassContent::Bytes(content), 8_000_000 >> number.min(3)))
        .collect();
    let declared = Declared {
        size: SIZE,
        catalogue_size: Some(SIZE),
        table_size: Some(SIZE),
        maker_known: true,
        known_content: None,
    };
    let judgement = judge(&passes, &declared);
    let readings: Vec<Reading<'_>> = passes.iter().filter_map(Reading::of_pass).collect();
    let diagnosis = diagnose(&readings, &judgement);
    (judgement, diagnosis)
}

fn history<'a>(passes: u32, judged: &'a (Judgement, Diagnosis)) -> History<'a> {
    History {
        passes,
        sector_reads: 0,
        reseated: 0,
        judgement: Some(&judged.0),
        diagnosis: Some(&judged.1),
        settled: false,
    }
}

fn ask(history: &History<'_>) -> Next {
    next(history, &REACH, &Patience::default())
}

#[test]
fn passes_are_chosen_to_disprove_each_other() {
    for index in 0..12 {
        let (one, other) = (manner(index, &REACH), manner(index + 1, &REACH));
        assert!(one.clock_hz != other.clock_hz && one.fast != other.fast, "{one:?} {other:?}");
        assert!(one.order != other.order && one.chunk != other.chunk, "{one:?} {other:?}");
        assert!((REACH.slowest_hz..=REACH.fastest_hz).contains(&one.clock_hz));
    }
    let tiny = Reach { slowest_hz: 9, fastest_hz: 3, size: 0 };
    assert_eq!((manner(4, &tiny).clock_hz, manner(4, &tiny).chunk), (3, 1));
}

#[test]
fn two_passes_come_before_any_judgement_and_equal_ones_are_accepted() {
    let content = firmware(1, SIZE as usize);
    let good = judged(&[content.clone(), content]);
    let none = History { judgement: None, diagnosis: None, ..history(0, &good) };
    assert_eq!(ask(&none), Next::Pass(manner(0, &REACH)));
    assert_eq!(ask(&History { passes: 1, ..none }), Next::Pass(manner(1, &REACH)));
    assert_eq!(ask(&history(2, &good)), Next::Accept);
}

#[test]
fn a_contact_to_blame_is_reseated_by_name_until_patience_is_over() {
    let content = firmware(2, SIZE as usize);
    let mut bounced = content.clone();
    for end in [1 << 16, 2 << 16, 3 << 16] {
        bounced[end - 3000..end].fill(0xFF);
    }
    let bad = judged(&[content.clone(), bounced, content]);
    let Next::Reseat { fault, signal, pin, advice } = ask(&history(3, &bad)) else { panic!("{:?}", bad.1.first()) };
    assert_eq!((fault, signal, pin), (Fault::SelectBounce, "CS#", 1));
    assert!(advice.contains("CS# (pin 1)"));
    let tired = History { reseated: 4, ..history(3, &bad) };
    assert!(matches!(ask(&tired), Next::Refuse { patience_over: true, .. }));
}

#[test]
fn another_master_is_met_rung_by_rung() {
    let content = firmware(3, SIZE as usize);
    let mut disturbed = content.clone();
    for at in (700..SIZE as usize - 100).step_by(3001) {
        let burst = Draw::new(at as u64).bytes(20);
        disturbed[at..at + 20].copy_from_slice(&burst);
    }
    let bad = judged(&[content.clone(), disturbed, content]);
    for (reseated, rung) in OTHER_MASTER_LADDER.iter().enumerate() {
        let next = ask(&History { reseated: reseated as u32, ..history(3, &bad) });
        assert!(matches!(next, Next::Reseat { advice, .. } if advice == *rung), "{next:?}");
    }
    assert!(matches!(ask(&History { reseated: 6, ..history(3, &bad) }), Next::Refuse { patience_over: true, .. }));
}

#[test]
fn few_sectors_with_noise_are_read_again_and_settled_ones_accepted() {
    let content = firmware(4, SIZE as usize);
    let mut noisy = [content.clone(), content.clone(), content.clone()];
    for (number, at) in [(0, 300), (1, 100_000), (1, 100_900), (2, 200_000), (0, 9_000)] {
        noisy[number][at] ^= 0x10 >> (at % 3);
    }
    let bad = judged(&noisy);
    let Next::Sectors { ranges, manner } = ask(&history(3, &bad)) else { panic!("{:?}", bad.1.first()) };
    assert_eq!(ranges, bad.0.differing);
    assert!(manner.clock_hz < REACH.fastest_hz);
    let settled = History { sector_reads: 2, settled: true, ..history(3, &bad) };
    assert_eq!(ask(&settled), Next::Accept);
    assert!(matches!(ask(&History { sector_reads: 1, ..settled }), Next::Sectors { .. }));
    assert!(matches!(ask(&History { sector_reads: 6, settled: false, ..settled }), Next::Reseat { .. }));
}

#[test]
fn what_no_read_can_mend_is_refused_and_a_silent_chip_is_reseated() {
    let half = firmware(5, SIZE as usize / 2);
    let doubled = [half.clone(), half].concat();
    let mut bad = judged(&[doubled.clone(), doubled]);
    assert_eq!(bad.0.verdict, Verdict::Trusted, "id and tables support it");
    bad.0.reasons =
        vec![Reason::SizesConflict { declared: SIZE, catalogue: Some(2 * SIZE), table: None, measured: false }];
    bad.0.verdict = Verdict::Refused;
    assert!(matches!(ask(&history(2, &bad)), Next::Refuse { patience_over: false, .. }));
    bad.0.reasons = vec![Reason::NoId { id: vec![0xFF; 3] }];
    assert!(matches!(ask(&history(2, &bad)), Next::Reseat { .. }));
    bad.0.reasons = vec![Reason::OneKind];
    assert_eq!(ask(&history(2, &bad)), Next::Pass(manner(2, &REACH)));
    assert!(matches!(ask(&history(5, &bad)), Next::Refuse { patience_over: true, .. }));
}

/// Whatever is seen on the way, following the advice comes to an end.
#[test]
fn every_history_ends() {
    for_seeds("every_history_ends", 40, |seed| {
        let mut draw = Draw::new(seed);
        let content = firmware(seed, SIZE as usize);
        let mut reach = REACH;
        let mut state =
            History { passes: 0, sector_reads: 0, reseated: 0, judgement: None, diagnosis: None, settled: false };
        for _ in 0..400 {
            let mut reads = vec![content.clone(); 3];
            for _ in 0..draw.below(40) {
                let from = draw.below(u64::from(SIZE) - 4096) as usize;
                let len = 1 + draw.below(3000) as usize;
                let read = &mut reads[draw.below(3) as usize];
                match draw.below(3) {
                    0 => read[from] ^= 1,
                    1 => read[from..from + len].fill(0xFF),
                    _ => read[from..from + len].copy_from_slice(&content[..len]),
                }
            }
            let seen = judged(&reads);
            state.settled = draw.below(9) == 0;
            let now = History { judgement: Some(&seen.0), diagnosis: Some(&seen.1), ..state };
            match next(&now, &reach, &Patience::default()) {
                Next::Pass(_) => state.passes += 1,
                Next::Sectors { .. } => state.sector_reads += 1,
                Next::Slower { clock_hz } => {
                    assert!(clock_hz < reach.fastest_hz);
                    reach.fastest_hz = clock_hz;
                    (state.passes, state.sector_reads) = (0, 0);
                }
                Next::Reseat { .. } => (state.passes, state.sector_reads, state.reseated) = (0, 0, state.reseated + 1),
                Next::Accept | Next::Refuse { .. } => return,
            }
        }
        panic!("no end after 400 steps");
    });
}
