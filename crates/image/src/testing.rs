//! What the tests of this crate share: seeds, and the command that repeats a failure.

use proptest::prelude::*;
use proptest::test_runner::{RngSeed, TestCaseError, TestRunner};
use rand_xoshiro::Xoshiro256PlusPlus;

use crate::filler::stream;

/// Runs `test` with `count` seeds, or with the one in FIRMHAND_SEED; a failure prints the command that repeats it.
pub(crate) fn each_seed(name: &str, count: u64, test: impl Fn(&mut Xoshiro256PlusPlus)) {
    struct Again<'a>(&'a str, u64);
    impl Drop for Again<'_> {
        fn drop(&mut self) {
            if std::thread::panicking() {
                eprintln!("again: FIRMHAND_SEED={} cargo test -p image {}", self.1, self.0);
            }
        }
    }
    let seeds = match std::env::var("FIRMHAND_SEED") {
        Ok(seed) => vec![seed.parse().expect("FIRMHAND_SEED is a number")],
        Err(_) => (0..count).collect(),
    };
    for seed in seeds {
        let _again = Again(name, seed);
        test(&mut stream(seed, name));
    }
}

/// Runs `test` on `cases` values of `strategy`, from seed 7 or the one in FIRMHAND_SEED; a failure prints the smallest value
/// that fails and the command that repeats it.
pub(crate) fn each_value<S: Strategy>(
    name: &str,
    cases: u32,
    strategy: &S,
    test: impl Fn(S::Value) -> Result<(), TestCaseError>,
) {
    let seed = std::env::var("FIRMHAND_SEED").ok().map_or(7, |seed| seed.parse().expect("FIRMHAND_SEED is a number"));
    let rng_seed = RngSeed::Fixed(seed);
    let config = ProptestConfig { cases, rng_seed, failure_persistence: None, ..ProptestConfig::default() };
    if let Err(error) = TestRunner::new(config).run(strategy, test) {
        panic!("{error}\nagain: FIRMHAND_SEED={seed} cargo test -p image {name}");
    }
}
