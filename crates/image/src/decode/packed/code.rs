//! A prefix code out of its lengths: codes of one length count up with the symbols, longer ones follow shorter ones.
//!
//! Codes of up to [`FAST`] bits are looked up at once; longer ones, which are rare by nature, by the first code of
//! their length. One table of 16 bits for all would be simpler, but filling it for each of many small blocks is what a
//! hostile stream would make us spend our time on.

use super::bits::Bits;
use super::{SYMBOLS, Stop};

const LONGEST: usize = 16;
const FAST: usize = 11;

/// A code; empty until it is set.
#[derive(Default)]
pub(super) struct Code {
    only: Option<u16>,
    /// For each value of the next [`FAST`] bits: the symbol over its length, or 0 when the code is longer.
    fast: Vec<u16>,
    /// For each length: its first code, aligned to the top of 16 bits, and one past its last.
    ranges: [(u32, u32); LONGEST + 1],
    /// For each length: where its symbols begin in `sorted`.
    starts: [u16; LONGEST + 1],
    /// Symbols by length, then by number.
    sorted: Vec<u16>,
}

impl Code {
    /// Makes this the code of a single symbol, which takes no bits.
    pub(super) fn set_only(&mut self, symbol: u16) -> Result<(), Stop> {
        self.only = Some(symbol);
        Ok(())
    }

    /// Makes this the code in which symbol n has `lengths[n]` bits; 0 means that it does not occur.
    ///
    /// A code that leaves a bit pattern without meaning, or gives one two meanings, is damaged.
    pub(super) fn set(&mut self, lengths: &[u8]) -> Result<(), Stop> {
        debug_assert!(lengths.len() <= SYMBOLS, "a symbol and its length share 16 bits");
        self.only = None;
        let mut counts = [0_u32; LONGEST + 1];
        for length in lengths {
            counts[usize::from(*length)] += 1;
        }
        let (mut next, mut start) = (0_u32, 0_u16);
        for (length, count) in counts.into_iter().enumerate().skip(1) {
            let end = next + (count << (LONGEST - length));
            self.ranges[length] = (next, end);
            self.starts[length] = start;
            next = end;
            start += count as u16;
        }
        if next != 1 << LONGEST {
            return Err(Stop::Damaged);
        }
        self.sort(lengths, start);
        self.fill_fast();
        Ok(())
    }

    /// Takes one symbol off `source`.
    pub(super) fn decode(&self, source: &mut Bits) -> Result<u16, Stop> {
        if let Some(only) = self.only {
            return Ok(only);
        }
        let bits = source.peek(LONGEST as u32);
        let entry = self.fast[bits as usize >> (LONGEST - FAST)];
        if entry != 0 {
            source.skip(u32::from(entry) & 0xF)?;
            return Ok(entry >> 4);
        }
        let length = (FAST + 1..=LONGEST).find(|length| bits < self.ranges[*length].1).ok_or(Stop::Damaged)?;
        source.skip(length as u32)?;
        let number = (bits - self.ranges[length].0) >> (LONGEST - length);
        Ok(self.sorted[usize::from(self.starts[length]) + number as usize])
    }

    fn sort(&mut self, lengths: &[u8], count: u16) {
        self.sorted.clear();
        self.sorted.resize(count.into(), 0);
        let mut at = self.starts;
        for (symbol, length) in lengths.iter().enumerate().filter(|(_, length)| **length > 0) {
            let at = &mut at[usize::from(*length)];
            self.sorted[usize::from(*at)] = symbol as u16;
            *at += 1;
        }
    }

    fn fill_fast(&mut self) {
        self.fast.clear();
        for length in 1..=FAST {
            let start = usize::from(self.starts[length]);
            let end = usize::from(self.starts[length + 1]);
            for symbol in &self.sorted[start..end] {
                self.fast.resize(self.fast.len() + (1 << (FAST - length)), symbol << 4 | length as u16);
            }
        }
        self.fast.resize(1 << FAST, 0);
    }
}
