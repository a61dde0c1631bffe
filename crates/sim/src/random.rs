//! Streams of random numbers, one for each component, all from the bench file's one seed.
//!
//! A stream is found by a name and not by its turn: a component that draws once more, or a fault of another kind that is
//! added, moves no draw of another. The generator is xoshiro256** (Blackman and Vigna), which is fast and repeats everywhere; nothing
//! here is meant to be secret.

use rand_xoshiro::Xoshiro256StarStar;
use rand_xoshiro::rand_core::{Rng, SeedableRng};

/// One component's draws.
#[derive(Debug, Clone)]
pub(crate) struct Stream(Xoshiro256StarStar);

impl Stream {
    /// The stream of the component `name` under `seed`.
    pub(crate) fn new(seed: u64, name: &str) -> Self {
        // FNV-1a spreads names that differ in one digit; the generator's own seeding mixes the rest.
        let hash = name
            .bytes()
            .fold(0xCBF2_9CE4_8422_2325_u64, |hash, byte| (hash ^ u64::from(byte)).wrapping_mul(0x0000_0100_0000_01B3));
        Self(Xoshiro256StarStar::seed_from_u64(hash ^ seed.rotate_left(32)))
    }

    /// Sixty-four random bits.
    pub(crate) fn bits(&mut self) -> u64 {
        self.0.next_u64()
    }

    /// A number below `end`, which is not 0. The bias of the remainder is under `end` in 2^64.
    pub(crate) fn below(&mut self, end: u64) -> u64 {
        self.bits() % end
    }

    /// A number above 0 and up to 1.
    pub(crate) fn fraction(&mut self) -> f64 {
        #[expect(clippy::cast_precision_loss, reason = "53 bits fit a double exactly")]
        let numerator = ((self.bits() >> 11) + 1) as f64;
        numerator / (1_u64 << 53) as f64
    }

    /// Eight bits, each set with `share` of 256.
    pub(crate) fn mask(&mut self, share: u16) -> u8 {
        self.bits().to_le_bytes().iter().fold(0, |mask, lane| mask << 1 | u8::from(u16::from(*lane) < share))
    }

    /// Fills `bytes`.
    pub(crate) fn fill(&mut self, bytes: &mut [u8]) {
        self.0.fill_bytes(bytes);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_stream_depends_on_seed_and_name_alone() {
        let draw = |seed, name| Stream::new(seed, name).bits();
        assert_eq!(draw(7, "noise 0"), draw(7, "noise 0"));
        assert_ne!(draw(7, "noise 0"), draw(7, "noise 1"));
        assert_ne!(draw(7, "noise 0"), draw(8, "noise 0"));
    }

    #[test]
    fn a_mask_sets_bits_in_the_share_asked_for() {
        let mut stream = Stream::new(1, "mask");
        assert!((0..1000).all(|_| stream.mask(0) == 0 && stream.mask(256) == 0xFF));
        let set: u32 = (0..10_000).map(|_| stream.mask(64).count_ones()).sum();
        assert!((19_000..21_000).contains(&set), "a quarter of 80,000 bits, not {set}");
    }
}
