//! The lines between link and chip: what the link samples of what the chip says.
//!
//! Noise acts on the bits that the link samples, so it sits here and not in the chip, whose content stays what it is.
//! It is drawn as the gap to the next flipped bit (a geometric distribution), which costs nothing for the bits between:
//! whole ranges pass in one piece and still each bit has had its chance.

use crate::chip::Chip;
use crate::random::Stream;

/// What spoils the line from the chip.
#[derive(Debug, Default)]
pub(crate) struct Lines {
    noises: Vec<Noise>,
}

/// One source of noise, on while its fault is.
#[derive(Debug)]
pub(crate) struct Noise {
    index: usize,
    chance: f64,
    /// Bits until the next flip.
    gap: u64,
    stream: Stream,
    on: bool,
}

impl Lines {
    /// Adds the noise of fault number `index`, which flips a bit with `chance`; it is off at first.
    pub(crate) fn add_noise(&mut self, index: usize, chance: f64, stream: Stream) {
        let mut noise = Noise { index, chance, gap: 0, stream, on: false };
        noise.gap = noise.draw();
        self.noises.push(noise);
    }

    /// Turns the noise of fault number `index` on or off.
    pub(crate) fn set_noise(&mut self, index: usize, on: bool) {
        for noise in self.noises.iter_mut().filter(|noise| noise.index == index) {
            noise.on = on;
        }
    }

    /// Fills `out` with what the link samples from `now` on, a byte every `byte_ns`.
    pub(crate) fn receive(&mut self, chip: &mut Chip, out: &mut [u8], now: u64, byte_ns: u64) {
        chip.give_all(out, now, byte_ns);
        for noise in self.noises.iter_mut().filter(|noise| noise.on) {
            noise.spoil(out);
        }
    }
}

impl Noise {
    fn spoil(&mut self, bytes: &mut [u8]) {
        let bits = bytes.len() as u64 * 8;
        let mut at = self.gap;
        while at < bits {
            let byte = usize::try_from(at / 8).expect("inside the answer");
            bytes[byte] ^= 0x80 >> (at % 8);
            at = at.saturating_add(1).saturating_add(self.draw());
        }
        self.gap = at - bits;
    }

    /// Bits that pass unharmed before the next flip.
    fn draw(&mut self) -> u64 {
        if self.chance <= 0.0 {
            return u64::MAX;
        }
        #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a cast to an integer saturates")]
        let gap = (self.stream.fraction().ln() / (-self.chance).ln_1p()) as u64;
        gap
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn flips(chance: f64, lengths: &[usize]) -> Vec<u8> {
        let mut lines = Lines::default();
        lines.add_noise(0, chance, Stream::new(3, "noise"));
        let mut all = Vec::new();
        for len in lengths {
            let mut bytes = vec![0; *len];
            lines.noises[0].spoil(&mut bytes);
            all.extend(bytes);
        }
        all
    }

    #[test]
    fn every_bit_has_the_same_chance() {
        assert!(flips(0.0, &[4096]).iter().all(|byte| *byte == 0));
        assert!(flips(1.0, &[4096]).iter().all(|byte| *byte == 0xFF));
        let count: u32 = flips(0.01, &[1 << 20]).iter().map(|byte| byte.count_ones()).sum();
        assert!((82_000..86_000).contains(&count), "a hundredth of 8,388,608 bits, not {count}");
    }

    #[test]
    fn cutting_a_read_in_pieces_moves_no_flip() {
        assert_eq!(flips(0.003, &[1000]), flips(0.003, &[1, 0, 499, 300, 200]));
    }
}
