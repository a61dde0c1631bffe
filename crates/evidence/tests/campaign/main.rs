//! A campaign of faulty captures: does the judge accept a wrong content, and does the diagnosis name the fault?
//!
//! Each case has a seed that draws a content, a plan of passes, one fault or two, and their events. A chip behind wires
//! (`wires`) is then read clock by clock. A short campaign runs with every test; the long one, which prints the tables of
//! the handbook, runs by
//!
//! ```text
//! cargo test --release -p evidence --test campaign long -- --ignored --nocapture --test-threads 1
//! ```
//!
//! `FIRMHAND_CASES=2000` runs fewer cases, `FIRMHAND_FROM=50000` other seeds; `FIRMHAND_SEED=17` runs the one case of that
//! seed and says what was seen.

mod cases;
mod stream;
mod tally;
mod wires;

use std::path::{Path, PathBuf};

use cases::{Case, Outcome, bare_case, good_case, known_case, picture};
use evidence::Fault;
use tally::Tally;

/// Runs the cases on two threads and adds them up in the order of their seeds.
fn campaign(seeds: std::ops::Range<u64>, make: fn(u64) -> (Case, Outcome)) -> Tally {
    let run = |from: u64| -> Vec<(Case, Outcome)> { (seeds.start + from..seeds.end).step_by(2).map(make).collect() };
    let halves = std::thread::scope(|scope| {
        let other = scope.spawn(|| run(1));
        [run(0), other.join().expect("a case panicked")]
    });
    let mut all: Vec<(Case, Outcome)> = halves.into_iter().flatten().collect();
    all.sort_by_key(|(case, _)| case.seed);
    let mut tally = Tally::default();
    all.iter().for_each(|(case, outcome)| tally.add(case, outcome));
    tally
}

/// Returns the number in an environment variable.
fn number(name: &str) -> Option<u64> {
    let value = std::env::var(name).ok()?;
    Some(value.parse().unwrap_or_else(|_| panic!("{name} is a number, not `{value}`")))
}

fn again(seed: u64) {
    println!("again: FIRMHAND_SEED={seed} cargo test -p evidence --test campaign -- --nocapture");
}

/// Runs `count` cases of the campaign that begins at `first`; with FIRMHAND_SEED that one alone, if it is one of it.
fn check(name: &str, first: u64, count: u64, make: fn(u64) -> (Case, Outcome), least: f64) {
    if let Some(seed) = number("FIRMHAND_SEED") {
        if (first..first + APART).contains(&seed) {
            let (case, outcome) = make(seed);
            println!("{case:#?}\n{outcome:#?}");
            assert!(!outcome.accepted_wrong || outcome.repeats_alike, "a wrong content was accepted");
        }
        return;
    }
    let seeds = first + from()..first + from() + count;
    println!("{name}: seeds {} to {}\n", seeds.start, seeds.end - 1);
    let tally = campaign(seeds, make);
    println!("{}", tally.tables());
    tally.details().for_each(|line| println!("missed {line}"));
    tally.wrong_accepted.iter().copied().for_each(again);
    assert!(tally.wrong_accepted.is_empty(), "{name}: {} wrong contents accepted", tally.wrong_accepted.len());
    if tally.share() < least {
        tally.missed.iter().copied().take(5).for_each(again);
    }
    assert!(tally.share() >= least, "{name}: right first in {:.1} % of the cases", 100.0 * tally.share());
}

/// Seeds of the campaigns do not overlap, so that one of them names its case.
const APART: u64 = 1 << 32;
const KNOWN: u64 = 0;
const BARE: u64 = APART;
const GOOD: u64 = 2 * APART;

/// Returns how far after a campaign's first seed it begins: FIRMHAND_FROM, or 0.
fn from() -> u64 {
    number("FIRMHAND_FROM").unwrap_or(0)
}

/// Returns the cases of each long campaign: FIRMHAND_CASES, or ten thousand.
fn long() -> u64 {
    number("FIRMHAND_CASES").unwrap_or(10_000)
}

/// Counts the refused of `count` good captures; with FIRMHAND_SEED of that one alone.
fn refused(count: u64) -> usize {
    let seeds = match number("FIRMHAND_SEED") {
        Some(seed) => seed..seed + u64::from((GOOD..GOOD + APART).contains(&seed)),
        None => GOOD + from()..GOOD + from() + count,
    };
    let refused: Vec<u64> = seeds.filter(|seed| !good_case(*seed)).collect();
    refused.iter().copied().for_each(again);
    refused.len()
}

#[test]
fn faults_are_named_when_transactions_are_known() {
    check("transactions known", KNOWN, 160, known_case, 0.95);
}

#[test]
fn faults_are_named_from_bare_files() {
    check("bare files", BARE, 100, bare_case, 0.85);
}

#[test]
fn good_captures_are_accepted() {
    assert_eq!(refused(60), 0, "of 60 good captures");
}

#[test]
#[ignore = "ten thousand cases take minutes; prints the tables of the handbook"]
fn long_known() {
    check("transactions known", KNOWN, long(), known_case, 0.95);
}

#[test]
#[ignore = "ten thousand cases take minutes; prints the tables of the handbook"]
fn long_bare() {
    check("bare files", BARE, long(), bare_case, 0.85);
}

#[test]
#[ignore = "thousands of good captures take a minute"]
fn long_good() {
    let count = long();
    let refused = refused(count);
    println!("{refused} of {count} good captures refused");
    assert!(refused as u64 * 100 <= count);
}

/// The pictures that the handbook shows.
const SHOWN: [Fault; 6] = [
    Fault::OpenDataOut,
    Fault::WeakDataOut,
    Fault::SelectBounce,
    Fault::SupplySag,
    Fault::BusContention,
    Fault::SizeAlias,
];

fn shown(fault: Fault) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join(format!("../../docs/pictures/{fault}.svg"))
}

#[test]
#[expect(clippy::disallowed_methods, reason = "the pictures are files; the crate itself reads none")]
fn the_handbooks_pictures_are_what_is_drawn_now() {
    for fault in SHOWN {
        let path = shown(fault);
        let kept = std::fs::read_to_string(&path).unwrap_or_else(|error| panic!("{}: {error}", path.display()));
        assert!(kept.len() < 25 * 1024, "{fault}: {} bytes", kept.len());
        assert!(
            kept == picture(fault),
            "docs/pictures/{fault}.svg is stale; again: cargo test -p evidence --test campaign pictures -- --ignored"
        );
    }
}

#[test]
#[ignore = "writes a picture of each fault, and those of the handbook"]
#[expect(clippy::disallowed_methods, reason = "the pictures are files; the crate itself writes none")]
fn pictures() {
    let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join("faults");
    std::fs::create_dir_all(&folder).expect("a folder for the pictures");
    for fault in &Fault::ALL[..12] {
        let svg = picture(*fault);
        assert!(svg.contains("class=\"bar\""), "{fault} shows nothing");
        if SHOWN.contains(fault) {
            std::fs::write(shown(*fault), &svg).expect("a picture of the handbook is written");
        }
        std::fs::write(folder.join(format!("{fault}.svg")), svg).expect("a picture is written");
    }
    println!("{}", folder.display());
}
