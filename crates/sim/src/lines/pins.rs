//! The chip's end of the lines: which edges of chip select and clock reach it, and with which bits.
//!
//! The chip itself acts by bytes; what it sees may begin and end in the middle of the link's bytes. Between the two
//! stand these pins: they collect bits into the chip's bytes and hand its bytes out bit by bit. Stretches in which the
//! chip's bytes begin with the link's, or only lie apart by a constant number of bits, pass in one piece.

use super::bits;
use crate::chip::Chip;

/// Bytes taken from the chip at once when they have to be moved by some bits.
const CHUNK: usize = 4096;

/// When a clock comes.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Timing {
    /// Time of the piece's first clock, in nanoseconds.
    pub(crate) now: u64,
    /// Clock rate.
    pub(crate) hz: u32,
}

impl Timing {
    /// Time of so many clocks later, in nanoseconds.
    pub(crate) fn at(self, clock: u64) -> u64 {
        let passed = u128::from(clock) * 1_000_000_000 / u128::from(self.hz);
        self.now.saturating_add(u64::try_from(passed).unwrap_or(u64::MAX))
    }

    /// Clocks of this piece that come before `time`.
    pub(crate) fn clocks_before(self, time: u64) -> u64 {
        let passed = u128::from(time.saturating_sub(self.now)) * u128::from(self.hz);
        u64::try_from(passed.div_ceil(1_000_000_000)).unwrap_or(u64::MAX)
    }
}

/// The pins of the chip.
#[derive(Debug, Default)]
pub(crate) struct Pins {
    selected: bool,
    /// Bits of the present byte that have passed.
    count: u32,
    taken: u8,
    given: u8,
    drives: bool,
}

impl Pins {
    /// Brings CS# to a level.
    pub(crate) fn set_select(&mut self, low: bool, chip: &mut Chip, now: u64) {
        if low == self.selected {
            return;
        }
        self.selected = low;
        if low {
            chip.select(now);
        } else {
            chip.deselect(now, self.count == 0);
        }
        self.count = 0;
    }

    /// What the chip puts on DO before its next clock; none while it floats.
    pub(crate) fn level(&mut self, chip: &mut Chip, now: u64) -> Option<bool> {
        if !self.selected {
            return None;
        }
        self.load(chip, now);
        (self.drives && chip.is_powered()).then(|| self.given << self.count & 0x80 != 0)
    }

    /// One clock with this level on DI.
    pub(crate) fn clock(&mut self, chip: &mut Chip, bit: bool, now: u64) {
        if !self.selected {
            return;
        }
        self.load(chip, now);
        self.taken = self.taken << 1 | u8::from(bit);
        self.count += 1;
        if self.count == 8 {
            self.count = 0;
            chip.take_in(self.taken);
        }
    }

    /// The link sends the bits `from..to` of `sent`.
    pub(crate) fn send(&mut self, chip: &mut Chip, sent: &[u8], (from, to): (u64, u64), timing: Timing) {
        let mut at = if self.selected { from } else { to };
        while at < to {
            if self.count == 0 && at.is_multiple_of(8) && to - at >= 8 {
                let whole = bits::index(at)..bits::index(to);
                at += whole.len() as u64 * 8;
                chip.take_all(&sent[whole]);
            } else {
                self.clock(chip, bits::get(sent, at), timing.at(at));
                at += 1;
            }
        }
    }

    /// The link samples into the bits `from..to` of `out`, with DI at one level; `float` is what DO is at when nothing
    /// drives it.
    pub(crate) fn receive(
        &mut self,
        chip: &mut Chip,
        out: &mut [u8],
        (from, to): (u64, u64),
        (di, float): (bool, bool),
        timing: Timing,
    ) {
        let mut at = from;
        while at < to {
            if self.count == 0 && to - at >= 8 && (!self.selected || chip.is_steady()) {
                let len = bits::index(to - at);
                if self.level(chip, timing.at(at)).is_none() {
                    bits::fill(out, at, at + len as u64 * 8, float);
                } else if at.is_multiple_of(8) {
                    chip.give_all(&mut out[bits::index(at)..][..len], timing.at(at), timing.at(8) - timing.now);
                } else {
                    self.receive_apart(chip, out, at, len, timing);
                }
                at += len as u64 * 8;
            } else if self.count == 0 && to - at >= 8 {
                // What the chip does next depends on this byte, and what it drives in it does not.
                let driven = self.level(chip, timing.at(at)).is_some();
                let byte = if driven { self.given } else { levels_of(float) };
                bits::put(out, at, &[byte]);
                chip.take_in(levels_of(di));
                at += 8;
            } else {
                let level = self.level(chip, timing.at(at)).unwrap_or(float);
                bits::set(out, at, level);
                self.clock(chip, di, timing.at(at));
                at += 1;
            }
        }
    }

    /// As [`Self::receive`], for whole bytes of the chip that lie across two of the link's.
    fn receive_apart(&mut self, chip: &mut Chip, out: &mut [u8], at: u64, len: usize, timing: Timing) {
        let mut chunk = [0; CHUNK];
        for done in (0..len).step_by(CHUNK) {
            let at = at + done as u64 * 8;
            let chunk = &mut chunk[..CHUNK.min(len - done)];
            chip.give_all(chunk, timing.at(at), timing.at(8) - timing.now);
            bits::put(out, at, chunk);
        }
    }

    fn load(&mut self, chip: &mut Chip, now: u64) {
        if self.count == 0 {
            self.given = chip.next_out(now);
            self.drives = chip.drives();
        }
    }
}

/// A byte of one level.
fn levels_of(level: bool) -> u8 {
    if level { 0xFF } else { 0x00 }
}
