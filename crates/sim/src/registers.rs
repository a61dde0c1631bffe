//! Status registers: write enable latch, protection bits, what is volatile and what outlives the supply.
//!
//! One to three registers, as the model says; chips whose protection is volatile come up with all of its bits set. Modelled bits: busy and latch, the protection bits of the
//! catalogue's layout, SRWD (register 1 bit 7) with the WP# pin, and on Winbond-like chips lock-until-power-down
//! (register 2 bit 0), one-time lock bits (register 2 bits 3 to 5) and complement (register 2 bit 6). Other bits are kept
//! and do nothing. Which bits stand where is from memory of public datasheets; the protected lengths follow Linux
//! drivers/mtd/spi-nor/swp.c. They are worked out here anew and not taken from `nor::protection`, since a chip that
//! shared its decoder with the driver could not contradict it.

use nor::protection::{BottomBit, Layout};

use crate::model::Model;

/// How the chip comes up: which part its status register protects.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Protected {
    /// Nothing.
    None,
    /// Everything.
    All,
    /// The upper 1/2^n of the chip.
    Upper(u8),
    /// The lower 1/2^n of the chip.
    Lower(u8),
}

/// BP0 to BP2, which a chip without a known layout is taken to have.
const COMMON_BITS: u8 = 0x1C;
/// Register 1, bit 7: status writes need the WP# pin high.
const SRWD: u8 = 0x80;
/// Register 2, bit 0: no status write until the next power-up.
const LOCK_DOWN: u8 = 0x01;
/// Register 2, bit 1: quad enable; turns the WP# pin into a data line.
const QUAD: u8 = 0x02;
/// Register 2, bits 3 to 5: set once and for ever.
const ONE_TIME: u8 = 0x38;
/// Register 2, bit 6: what was protected is free, and the other way round.
const COMPLEMENT: u8 = 0x40;
/// What a status write can change in each register.
const WRITABLE: [u8; 3] = [0xFC, LOCK_DOWN | QUAD | ONE_TIME | COMPLEMENT, 0xE4];

/// The registers of one chip.
#[derive(Debug, Clone)]
pub(crate) struct Registers {
    layout: Option<Layout>,
    size: u32,
    winbond_like: bool,
    count: usize,
    volatile: bool,
    comes_up_protected: bool,
    pin_low: bool,
    stored: [u8; 3],
    now: [u8; 3],
    pub(crate) latch: bool,
    /// 50h came last: the next status write is volatile.
    pub(crate) volatile_next: bool,
}

/// What became of a status write.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum StatusWrite {
    /// Nothing changed.
    Refused,
    /// Done at once, gone at power-down.
    Volatile,
    /// Being stored; `before` is what was stored.
    Stored {
        /// The non-volatile registers before.
        before: [u8; 3],
    },
}

impl Registers {
    /// Registers of `model` that hold `stored` from now on; `pin_low` is the WP# pin.
    pub(crate) fn new(model: &Model, pin_low: bool, stored: [u8; 3]) -> Self {
        let mut registers = Self {
            layout: model.layout,
            size: model.size,
            winbond_like: model.winbond_like,
            count: model.status_registers,
            volatile: model.volatile_status,
            comes_up_protected: model.protection_is_volatile && model.layout.is_some(),
            pin_low,
            stored,
            now: stored,
            latch: false,
            volatile_next: false,
        };
        registers.power_up();
        registers
    }

    /// The supply came back. The lock until power-down ends here, stored or not.
    pub(crate) fn power_up(&mut self) {
        if self.winbond_like {
            self.stored[1] &= !LOCK_DOWN;
        }
        self.reset();
        if self.comes_up_protected {
            self.raise_protection();
        }
    }

    /// Volatile values and latches fall back to what is stored.
    pub(crate) fn reset(&mut self) {
        self.now = self.stored;
        self.latch = false;
        self.volatile_next = false;
    }

    /// Register 1 to 3 as read; none when this chip has no such register.
    pub(crate) fn read(&self, number: usize, busy: bool, four_byte: bool) -> Option<u8> {
        match number {
            1 => Some(self.now[0] & !3 | u8::from(self.latch) << 1 | u8::from(busy)),
            2 if self.count >= 2 => Some(self.now[1]),
            3 if self.count >= 3 => Some(self.now[2] | u8::from(four_byte)),
            _ => None,
        }
    }

    /// The non-volatile registers.
    pub(crate) fn stored(&self) -> [u8; 3] {
        self.stored
    }

    /// Puts non-volatile values back: a status write that lost its supply before the cells took it.
    pub(crate) fn restore(&mut self, stored: [u8; 3]) {
        self.stored = stored;
    }

    /// From now on the WP# pin is low, or is not.
    pub(crate) fn set_pin_low(&mut self, low: bool) {
        self.pin_low = low;
    }

    /// Tells whether quad enable is set, where the second register is known to have it.
    pub(crate) fn is_quad(&self) -> bool {
        self.winbond_like && self.now[1] & QUAD != 0
    }

    /// Sets all protection bits in the volatile register, as a disturbed supply can.
    pub(crate) fn raise_protection(&mut self) {
        self.now[0] |= bp_mask(self.layout);
    }

    /// Tells whether any of `at..at + len` is protected.
    pub(crate) fn protects(&self, at: u32, len: u32) -> bool {
        let range = protected_range(self.layout, self.now[0], self.size);
        let (from, end) = range.map_or((0, 0), |(from, len)| (u64::from(from), u64::from(from) + u64::from(len)));
        let (at, last) = (u64::from(at), u64::from(at) + u64::from(len));
        if self.winbond_like && self.now[1] & COMPLEMENT != 0 {
            return at < from || last > end;
        }
        at < end && from < last
    }

    /// Writes `bytes` from register `first` (1 to 3) on.
    pub(crate) fn write(&mut self, first: usize, bytes: &[u8]) -> StatusWrite {
        let volatile = std::mem::take(&mut self.volatile_next) && self.volatile;
        let pin_holds = self.pin_low && self.now[0] & SRWD != 0 && self.now[1] & QUAD == 0;
        let locked = self.winbond_like && self.now[1] & LOCK_DOWN != 0;
        if bytes.is_empty() || pin_holds || locked || !(volatile || self.latch) {
            self.latch = false;
            return StatusWrite::Refused;
        }
        let before = self.stored;
        let mut written = self.now;
        for (index, value) in (first - 1..self.count).zip(bytes) {
            let kept = if index == 1 { self.now[1] & ONE_TIME } else { 0 };
            written[index] = written[index] & !WRITABLE[index] | value & WRITABLE[index] | kept;
        }
        // One byte to 01h clears quad enable on many parts (from memory): whoever writes one byte finds it out here.
        if first == 1 && bytes.len() == 1 {
            written[1] &= !QUAD;
        }
        self.now = written;
        if volatile {
            return StatusWrite::Volatile;
        }
        self.stored = written;
        StatusWrite::Stored { before }
    }
}

/// The status register that protects just this part, if the chip can say it.
pub(crate) fn status_for(protected: Protected, layout: Option<Layout>, size: u32) -> Option<u8> {
    let wanted = match protected {
        Protected::None => return Some(0),
        Protected::All => return Some(bp_mask(layout)),
        Protected::Upper(halvings) => (size - (size >> halvings), size >> halvings),
        Protected::Lower(halvings) => (0, size >> halvings),
    };
    let layout = layout?;
    let levels = (0..=0xFF_u8).filter(|status| status & !bp_mask(Some(layout)) == 0);
    levels
        .flat_map(|bits| [bits, bits | bottom_mask(layout)])
        .find(|status| protected_range(Some(layout), *status, size) == Some(wanted))
}

fn bp_mask(layout: Option<Layout>) -> u8 {
    layout.map_or(COMMON_BITS, |layout| COMMON_BITS | fourth_mask(layout))
}

/// The fourth bit is bit 5, or bit 6 where bit 5 is the bottom bit (swp.c: `SPI_NOR_BP3_SR_BIT6`).
fn fourth_mask(layout: Layout) -> u8 {
    match (layout.bits, layout.bottom) {
        (..=3, _) => 0,
        (_, Some(BottomBit::Bit5)) => 0x40,
        _ => 0x20,
    }
}

fn bottom_mask(layout: Layout) -> u8 {
    match layout.bottom {
        None => 0,
        Some(BottomBit::Bit5) => 0x20,
        Some(BottomBit::Bit6) => 0x40,
    }
}

/// First byte and length of what register 1 protects. Without a known layout any of BP0 to BP2 protects everything.
fn protected_range(layout: Option<Layout>, status: u8, size: u32) -> Option<(u32, u32)> {
    let fourth = layout.is_some_and(|layout| status & fourth_mask(layout) != 0);
    let level = u32::from((status & COMMON_BITS) >> 2) | u32::from(fourth) << 3;
    let Some(layout) = layout.filter(|_| level != 0) else { return (level != 0).then_some((0, size)) };
    let values = (1_u32 << layout.bits) - 2;
    let halvings = (size >> 16).max(1).ilog2();
    let least = 65_536_u64 << halvings.saturating_sub(values);
    let len =
        if level > values { size } else { u32::try_from((least << (level - 1)).min(u64::from(size))).unwrap_or(size) };
    let at_bottom = status & bottom_mask(layout) != 0;
    Some((if at_bottom { 0 } else { size - len }, len))
}

#[cfg(test)]
mod tests {
    use super::*;

    const LAYOUT: Option<Layout> = Some(Layout { bits: 3, bottom: Some(BottomBit::Bit5) });

    fn model(winbond_like: bool) -> Model {
        let id = if winbond_like { [0xEF, 0x40, 0x17] } else { [0xC2, 0x20, 0x17] };
        Model { layout: LAYOUT, ..Model::new(&id, 8 << 20, None, Vec::new()) }
    }

    fn registers(winbond_like: bool, pin_low: bool, stored: [u8; 3]) -> Registers {
        Registers::new(&model(winbond_like), pin_low, stored)
    }

    /// Worked by hand for 16 MiB: level 8, the fourth bit alone, is 64 KiB << 7, half of the chip.
    #[test]
    fn the_fourth_bit_counts_where_it_stands() {
        let size = 16 << 20;
        for (bottom, status) in [(None, 0x20), (Some(BottomBit::Bit5), 0x40), (Some(BottomBit::Bit6), 0x20)] {
            let layout = Some(Layout { bits: 4, bottom });
            assert_eq!(protected_range(layout, status, size), Some((size / 2, size / 2)), "{bottom:?}");
            assert_eq!(status_for(Protected::Upper(1), layout, size), Some(status), "{bottom:?}");
        }
        let at_6 = Some(Layout { bits: 4, bottom: Some(BottomBit::Bit5) });
        assert_eq!(status_for(Protected::All, at_6, size), Some(0x5C));
        assert_eq!(status_for(Protected::Lower(1), at_6, size), Some(0x60));
    }

    #[test]
    fn s9_volatile_protection_comes_up_all_set_at_every_power_up() {
        let model = Model { protection_is_volatile: true, volatile_status: true, ..model(false) };
        let mut chip = Registers::new(&model, false, [0; 3]);
        assert_eq!(chip.read(1, false, false), Some(0x1C));
        chip.volatile_next = true;
        assert_eq!(chip.write(1, &[0]), StatusWrite::Volatile);
        assert!(!chip.protects(0, 8 << 20));
        chip.power_up();
        assert!(chip.protects(0, 1));
    }

    #[test]
    fn the_power_up_words_mean_what_the_kernels_table_says() {
        // Linux drivers/mtd/spi-nor/swp.c, its table for 8 MiB: level 6 is half of the chip, bit 5 the lower one.
        assert_eq!(status_for(Protected::Upper(1), LAYOUT, 8 << 20), Some(6 << 2));
        assert_eq!(status_for(Protected::Lower(2), LAYOUT, 8 << 20), Some(5 << 2 | 0x20));
        assert_eq!(status_for(Protected::All, LAYOUT, 8 << 20), Some(0x1C));
        assert_eq!(status_for(Protected::Lower(1), Some(Layout { bits: 3, bottom: None }), 8 << 20), None);
        assert_eq!(status_for(Protected::Upper(1), None, 8 << 20), None, "an unknown layout has no halves");
    }

    #[test]
    fn a_protected_range_ends_where_it_should() {
        let chip = registers(true, false, [6 << 2, 0, 0]);
        assert!(!chip.protects(0, 4 << 20));
        assert!(chip.protects((4 << 20) - 1, 2));
        let complement = registers(true, false, [6 << 2, COMPLEMENT, 0]);
        assert!(complement.protects(0, 1));
        assert!(!complement.protects(4 << 20, 4 << 20));
    }

    #[test]
    fn s9_a_volatile_status_write_is_gone_at_power_up() {
        let mut chip = registers(true, false, [0x1C, 0, 0]);
        chip.volatile_next = true;
        assert_eq!(chip.write(1, &[0, 0]), StatusWrite::Volatile);
        assert_eq!(chip.read(1, false, false), Some(0));
        chip.power_up();
        assert_eq!(chip.read(1, false, false), Some(0x1C));
    }

    #[test]
    fn s9_a_low_write_protect_pin_holds_the_register_when_it_is_told_to() {
        let mut held = registers(true, true, [SRWD | 0x1C, 0, 0]);
        held.latch = true;
        assert_eq!(held.write(1, &[0]), StatusWrite::Refused);
        assert!(!held.latch, "a refused write clears the latch");
        let mut free = registers(true, true, [0x1C, 0, 0]);
        free.latch = true;
        assert_eq!(free.write(1, &[0]), StatusWrite::Stored { before: [0x1C, 0, 0] });
    }

    #[test]
    fn s14_one_time_bits_never_clear() {
        let mut chip = registers(true, false, [0, 0, 0]);
        for value in [0x08, 0x00] {
            chip.latch = true;
            chip.write(2, &[value]);
        }
        assert_eq!(chip.read(2, false, false), Some(0x08));
    }

    #[test]
    fn a_lock_until_power_down_ends_there() {
        let mut chip = registers(true, false, [0, 0, 0]);
        chip.latch = true;
        chip.write(2, &[LOCK_DOWN]);
        chip.latch = true;
        assert_eq!(chip.write(1, &[0x1C]), StatusWrite::Refused);
        chip.power_up();
        chip.latch = true;
        assert_ne!(chip.write(1, &[0x1C]), StatusWrite::Refused);
    }

    #[test]
    fn one_byte_clears_quad_enable_and_two_keep_it() {
        let mut chip = registers(true, false, [0, QUAD, 0]);
        chip.latch = true;
        chip.write(1, &[0x04, QUAD]);
        assert_eq!(chip.read(2, false, false), Some(QUAD));
        chip.latch = true;
        chip.write(1, &[0x00]);
        assert_eq!(chip.read(2, false, false), Some(0));
    }

    #[test]
    fn other_makers_have_one_register() {
        let chip = registers(false, false, [0, 0xFF, 0xFF]);
        assert_eq!((chip.read(2, false, false), chip.read(3, false, true)), (None, None));
    }
}
