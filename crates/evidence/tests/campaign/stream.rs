//! A seeded stream of numbers, and contents drawn from one.

use rand_xoshiro::SplitMix64;
use rand_xoshiro::rand_core::{Rng, SeedableRng};

/// A seeded stream.
pub struct Stream(SplitMix64);

impl Stream {
    /// Returns the stream of `seed` that belongs to `purpose`; a draw in one moves no other.
    pub fn new(seed: u64, purpose: u64) -> Self {
        Self(SplitMix64::seed_from_u64(seed ^ purpose.wrapping_mul(0x9E37_79B9_7F4A_7C15)))
    }

    pub fn below(&mut self, limit: u64) -> u64 {
        self.0.next_u64() % limit.max(1)
    }

    /// Returns a number from 0 up to and without 1.
    pub fn unit(&mut self) -> f64 {
        (self.0.next_u64() >> 11) as f64 / (1_u64 << 53) as f64
    }

    pub fn chance(&mut self, share: f64) -> bool {
        self.unit() < share
    }

    /// Returns a number between the limits, each order of magnitude as likely as the next.
    pub fn spread(&mut self, low: f64, high: f64) -> f64 {
        (low.ln() + self.unit() * (high / low).ln()).exp()
    }

    /// Returns the distance to the next event that has `rate` a step.
    pub fn gap(&mut self, rate: f64) -> u64 {
        if rate <= 0.0 {
            return u64::MAX / 2;
        }
        (-(1.0 - self.unit()).ln() / rate).ceil().min(1e18) as u64
    }

    pub fn pick<T: Copy>(&mut self, from: &[T]) -> T {
        from[self.below(from.len() as u64) as usize]
    }

    pub fn bytes(&mut self, len: usize) -> Vec<u8> {
        let mut bytes = vec![0; len];
        self.0.fill_bytes(&mut bytes);
        bytes
    }
}

/// The kinds of content that a campaign reads.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    Structured,
    MostlyBlank,
    Random,
    Repeated,
}

/// Returns content of one kind.
pub fn content(kind: Kind, seed: u64, size: usize) -> Vec<u8> {
    let mut draw = Stream::new(seed, 77);
    match kind {
        Kind::Random => draw.bytes(size),
        Kind::Structured => {
            let mut all = Vec::with_capacity(size + 8192);
            while all.len() < size {
                piece(&mut draw, &mut all);
            }
            all.truncate(size);
            all
        }
        Kind::MostlyBlank => {
            let mut all = vec![0xFF; size];
            let islands = 6 + draw.below(12);
            for _ in 0..islands {
                let at = draw.below(size as u64 - 4096) as usize;
                let mut data = Vec::new();
                piece(&mut draw, &mut data);
                data.truncate(3000);
                all[at..at + data.len()].copy_from_slice(&data);
            }
            all
        }
        Kind::Repeated => {
            let len = 512 << draw.below(5);
            let mut unit = Vec::new();
            while unit.len() < len {
                piece(&mut draw, &mut unit);
            }
            unit.truncate(len);
            let mut all: Vec<u8> = unit.iter().copied().cycle().take(size).collect();
            for (number, unit) in all.chunks_mut(len).enumerate() {
                let header = Stream::new(seed, 1000 + number as u64).bytes(16);
                let most = unit.len().min(16);
                unit[..most].copy_from_slice(&header[..most]);
            }
            all
        }
    }
}

/// Appends something that firmware holds: code, text, a table, packed data or a gap.
fn piece(draw: &mut Stream, all: &mut Vec<u8>) {
    let len = 200 + draw.below(4000) as usize;
    match draw.below(6) {
        0 => all.extend(draw.bytes(len)),
        1 => all.extend((0..len).map(|_| draw.pick(b"the quick brown fox jumps over a lazy dog 0123456789_./"))),
        2 => {
            for _ in 0..len / 16 {
                all.extend([draw.below(200) as u8, draw.below(4) as u8, 0, 0]);
                all.extend([0, 0, 0, 0, 0x10, 0, 0, 0, draw.below(256) as u8, 0, 0, 0]);
            }
        }
        3 => all.resize(all.len() + len, 0xFF),
        4 => all.resize(all.len() + len / 2, 0x00),
        _ => {
            // Code: some opcodes are much more frequent than others.
            let common = [0x8B, 0x48, 0x89, 0xE8, 0x00, 0xFF, 0x0F, 0x74, 0xC3, 0x24];
            all.extend((0..len).map(|_| if draw.chance(0.5) { draw.pick(&common) } else { draw.below(256) as u8 }));
        }
    }
}
