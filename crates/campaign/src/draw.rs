//! Streams of random numbers, one for each thing that a seed decides.
//!
//! A stream is found by its name, so that a further draw for one thing moves no draw for another. The generator is
//! splitmix64 (Steele, Lea, Flood, OOPSLA 2014): the same on every machine, and nothing here is a secret.

/// One stream.
#[derive(Debug, Clone)]
pub struct Draw(u64);

impl Draw {
    /// Returns the stream `name` of `seed`.
    #[must_use]
    pub fn new(seed: u64, name: &str) -> Self {
        let mut stream = Self(seed.wrapping_mul(0xD6E8_FEB8_6659_FD93));
        for byte in name.bytes() {
            stream.0 = stream.bits() ^ u64::from(byte);
        }
        stream
    }

    /// Returns 64 random bits.
    pub fn bits(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut mixed = self.0;
        mixed = (mixed ^ (mixed >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        mixed = (mixed ^ (mixed >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        mixed ^ (mixed >> 31)
    }

    /// Returns a number below `end`; 0 when `end` is 0.
    pub fn below(&mut self, end: u64) -> u64 {
        self.bits().checked_rem(end).unwrap_or(0)
    }

    /// Returns an index below `end`; 0 when `end` is 0.
    pub fn index(&mut self, end: usize) -> usize {
        usize::try_from(self.below(end as u64)).expect("below a length in memory")
    }

    /// Returns true `times` in `of`.
    pub fn chance(&mut self, times: u64, of: u64) -> bool {
        self.below(of) < times
    }

    /// Returns one of `all`, each with its weight; at least one weight is above 0.
    pub fn weighted<T: Copy>(&mut self, all: &[(u64, T)]) -> T {
        let mut at = self.below(all.iter().map(|(weight, _)| weight).sum());
        for (weight, one) in all {
            if at < *weight {
                return *one;
            }
            at -= weight;
        }
        unreachable!("the number is below the sum of the weights")
    }

    /// Fills `bytes`.
    pub fn fill(&mut self, bytes: &mut [u8]) {
        for piece in bytes.chunks_mut(8) {
            piece.copy_from_slice(&self.bits().to_le_bytes()[..piece.len()]);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_stream_depends_on_seed_and_name_alone() {
        let first = |seed, name| Draw::new(seed, name).bits();
        assert_eq!(first(1, "chip"), first(1, "chip"));
        assert_ne!(first(1, "chip"), first(1, "link"));
        assert_ne!(first(1, "chip"), first(2, "chip"));
    }

    #[test]
    fn weights_count() {
        let mut draw = Draw::new(1, "weights");
        let drawn = (0..10_000).filter(|_| draw.weighted(&[(3, true), (1, false), (0, false)])).count();
        assert!((7_200..7_800).contains(&drawn), "{drawn} of 10,000 at three in four");
    }
}
