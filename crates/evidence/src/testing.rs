//! Seeds and content for this crate's tests.

use crate::pass::{ChipAnswer, Order, Pass, PassContent};
use rand_xoshiro::SplitMix64;
use rand_xoshiro::rand_core::{Rng, SeedableRng};

/// A seeded stream of numbers.
pub(crate) struct Draw(SplitMix64);

impl Draw {
    pub(crate) fn new(seed: u64) -> Self {
        Self(SplitMix64::seed_from_u64(seed))
    }

    /// Returns a number from 0 up to and without `limit`.
    pub(crate) fn below(&mut self, limit: u64) -> u64 {
        self.0.next_u64() % limit
    }

    pub(crate) fn bytes(&mut self, len: usize) -> Vec<u8> {
        let mut bytes = vec![0; len];
        self.0.fill_bytes(&mut bytes);
        bytes
    }
}

/// Returns content without any repetition: random, with blank stretches as real firmware has them.
pub(crate) fn firmware(seed: u64, len: usize) -> Vec<u8> {
    let mut draw = Draw::new(seed);
    let mut content = draw.bytes(len);
    for sector in content.chunks_mut(4096).skip(1).step_by(5) {
        sector.fill(0xFF);
    }
    content
}

/// Runs `test` with `count` seeds, or with the one in FIRMHAND_SEED; a failure prints the command that repeats it.
pub(crate) fn for_seeds(name: &str, count: u64, test: impl Fn(u64)) {
    struct Repeat<'a>(&'a str, u64);
    impl Drop for Repeat<'_> {
        fn drop(&mut self) {
            if std::thread::panicking() {
                eprintln!("again: FIRMHAND_SEED={} cargo test -p evidence {}", self.1, self.0);
            }
        }
    }
    let seeds = match std::env::var("FIRMHAND_SEED") {
        Ok(seed) => vec![seed.parse().expect("FIRMHAND_SEED is a number")],
        Err(_) => (0..count).collect(),
    };
    for seed in seeds {
        let _repeat = Repeat(name, seed);
        test(seed);
    }
}

/// Returns the answer of a healthy 3 V chip of 16 MiB, asked at `clock_hz`.
pub(crate) fn answer(clock_hz: u32) -> ChipAnswer {
    ChipAnswer {
        id: vec![0xEF, 0x40, 0x18],
        unique_id: Some(vec![1, 2, 3, 4, 5, 6, 7, 8]),
        status: vec![0, 2, 0x60],
        tables_ok: Some(true),
        clock_hz,
    }
}

/// Returns a pass of `content` at `clock_hz` in 64 KiB chunks, with a healthy chip around it.
pub(crate) fn pass_of(content: PassContent<'_>, clock_hz: u32) -> Pass<'_> {
    Pass {
        content,
        clock_hz,
        opcode: 0x03,
        order: Order::Ascending,
        chunk: 1 << 16,
        before: answer(clock_hz),
        between: vec![answer(clock_hz)],
        after: answer(clock_hz),
    }
}

/// Returns [`pass_of`] bytes at 4 MHz.
pub(crate) fn bytes_pass(content: &[u8]) -> Pass<'_> {
    pass_of(PassContent::Bytes(content), 4_000_000)
}
