//! Bits of a byte row, highest bit first.

use super::Stop;

/// The bits not yet taken. Past the end, [`Bits::peek`] shows zeros, and [`Bits::take`] stops.
pub(super) struct Bits<'a> {
    bytes: &'a [u8],
    /// Bytes moved into `ahead`.
    loaded: usize,
    /// The next bits, from bit 63 down; zeros below `count`.
    ahead: u64,
    count: u32,
}

impl<'a> Bits<'a> {
    pub(super) fn new(bytes: &'a [u8]) -> Self {
        Self { bytes, loaded: 0, ahead: 0, count: 0 }
    }

    /// Returns the offset of the byte that holds the next bit.
    pub(super) fn at(&self) -> usize {
        self.loaded - (self.count as usize).div_ceil(8)
    }

    /// Returns the next `count` bits (1 to 32) without taking them.
    pub(super) fn peek(&mut self, count: u32) -> u32 {
        if self.count < count {
            self.load();
        }
        (self.ahead >> (64 - count)) as u32
    }

    /// Takes `count` bits (0 to 32) that were looked at.
    pub(super) fn skip(&mut self, count: u32) -> Result<(), Stop> {
        if count > self.count {
            return Err(Stop::Ended);
        }
        self.ahead <<= count;
        self.count -= count;
        Ok(())
    }

    /// Takes the next `count` bits (1 to 32).
    pub(super) fn take(&mut self, count: u32) -> Result<u32, Stop> {
        let value = self.peek(count);
        self.skip(count)?;
        Ok(value)
    }

    fn load(&mut self) {
        if let Some(next) = self.bytes.get(self.loaded..).and_then(<[u8]>::first_chunk::<4>) {
            // 32 more always fit: this is called with fewer than 32 at hand.
            self.ahead |= u64::from(u32::from_be_bytes(*next)) << (32 - self.count);
            self.loaded += 4;
            self.count += 32;
            return;
        }
        for byte in &self.bytes[self.loaded..] {
            self.ahead |= u64::from(*byte) << (56 - self.count);
            self.loaded += 1;
            self.count += 8;
        }
    }
}
