//! A chip behind bad contacts, clock by clock.
//!
//! The host counts its own clocks; the chip counts the edges that reach it. A transaction is a command that the host drives
//! on data-in and data that it samples from data-out. Each fault acts on one of the lines: it takes edges away, ends the
//! selection, lets data-out float, turns a bit on its way in. What the host reads follows from that and is nowhere
//! damaged by hand. Nothing here is shared with the crate under test.

use super::stream::Stream;
use evidence::Fault;

/// How one fault acts in one pass. Times are host clocks since the pass began.
#[derive(Debug, Clone)]
pub struct Ill {
    pub fault: Fault,
    /// Events that the whole pass is expected to see.
    pub events: f64,
    /// The level that a floating data-out takes.
    pub pull: bool,
    /// A choice between the variants that a fault has.
    pub variant: u64,
    /// Clocks from burst to burst, of a fault that keeps time.
    pub period: f64,
    /// Bits turned or held, where a fault has a fixed one.
    pub bit: u32,
}

/// The wires of one pass.
pub struct Wires<'a> {
    chip: &'a [u8],
    ills: Vec<Acting>,
    now: u64,
    /// Addresses are folded to this many bytes.
    reach: usize,
    /// And by the command that depends on the address mode to these, once the chip forgot its mode.
    after_reset: usize,
}

struct Acting {
    ill: Ill,
    draw: Stream,
    rate: f64,
    /// Next event and the end of the one under way.
    next: u64,
    until: u64,
    length: f64,
}

/// What a pass looks like from outside.
pub struct Plan {
    pub clocks: u64,
    pub transactions: u64,
}

impl<'a> Wires<'a> {
    pub fn new(chip: &'a [u8], ills: &[Ill], seed: u64, plan: &Plan) -> Self {
        let acting = ills.iter().enumerate().map(|(number, ill)| {
            let mut draw = Stream::new(seed, 500 + number as u64);
            let rate = ill.events / plan.clocks as f64;
            let per_transaction = (plan.clocks / plan.transactions) as f64;
            let length = match ill.fault {
                Fault::OpenDataOut => (plan.clocks as f64 / ill.events * draw.spread(0.02, 0.4)).max(4000.0),
                Fault::SupplySag => per_transaction * (2.2 + draw.unit() * 3.0),
                Fault::BusContention => ill.period * (0.02 + 0.06 * draw.unit()),
                _ => 0.0,
            };
            let next = match ill.fault {
                Fault::BusContention => (draw.unit() * ill.period) as u64,
                Fault::SupplySag => (draw.unit() * 0.5 * plan.clocks as f64) as u64,
                _ => draw.gap(rate),
            };
            // The chip works again before the pass is over; one that does not is an open contact as much as a sag.
            let length = match ill.fault {
                Fault::SupplySag => length.min(0.85 * plan.clocks as f64 - next as f64),
                _ => length,
            };
            Acting { ill: ill.clone(), draw, rate, next, until: 0, length }
        });
        let mut wires = Self { chip, ills: acting.collect(), now: 0, reach: chip.len(), after_reset: chip.len() };
        if ills.iter().any(|ill| ill.fault == Fault::SizeAlias) {
            let by = ills.iter().find(|ill| ill.fault == Fault::SizeAlias).map_or(1, |ill| 1 + ill.variant % 2);
            wires.reach = chip.len() >> by;
        }
        wires
    }

    /// Sends a command and returns `len` bytes that were sampled after it.
    pub fn transaction(&mut self, command: &[u8], len: usize) -> Vec<u8> {
        let mut chip = Selected { bits: 0, opcode: 0, address: 0, deaf: false };
        let out_bits = command.len() * 8;
        if self.ills.is_empty() {
            // Through good wires comes what the chip sends, byte by byte; most of a campaign's clocks are such.
            (0..out_bits).for_each(|clock| chip.take(command[clock / 8] >> (7 - clock % 8) & 1 == 1));
            return (0..len).map(|number| chip.byte(number, self.chip, self.chip.len()).unwrap_or(0xFF)).collect();
        }
        let mut read = vec![0_u8; len];
        let mut bounce_at = self.bounce(out_bits + len * 8);
        let mut pause: Option<(u64, u64, bool)> = self.pause(out_bits, len * 8);
        let wrong_bit = self.wrong_bit(command);
        let mut last = true;
        for clock in 0..(out_bits + len * 8) as u64 {
            self.now += 1;
            let mut di = (clock as usize) < out_bits && command[clock as usize / 8] >> (7 - clock % 8) & 1 == 1;
            if let Some((bit, stuck)) = wrong_bit
                && clock == bit
            {
                di = stuck.unwrap_or(!di);
            }
            if bounce_at.is_some_and(|at| clock >= at) {
                chip.deaf = true;
                bounce_at = None;
            }
            if self.sagging() {
                chip.deaf = true;
            }
            let paused = pause.filter(|(from, until, _)| (*from..*until).contains(&clock));
            let floats = self.pull();
            let mut out = match paused {
                Some((.., repeats)) => {
                    if repeats {
                        last
                    } else {
                        floats
                    }
                }
                None => chip.out(0, self.chip, self.folded(&chip)).unwrap_or(floats),
            };
            if let Some((_, until, _)) = pause
                && clock >= until
            {
                pause = None;
            }
            last = out;
            let reach = self.folded(&chip);
            for acting in &mut self.ills {
                out = acting.on_data_out(out, di, self.now, &chip, self.chip, reach);
            }
            if clock as usize >= out_bits {
                let at = clock as usize - out_bits;
                read[at / 8] |= u8::from(out) << (7 - at % 8);
            }
            let edges = if paused.is_some() { 0 } else { self.edges() };
            for _ in 0..edges {
                chip.take(di);
            }
        }
        self.now += 64;
        read
    }

    /// 03h takes as many address bytes as the mode says; 0Bh stands here for a command that always takes all of them.
    fn folded(&self, chip: &Selected) -> usize {
        if chip.opcode == 0x03 { self.reach.min(self.after_reset) } else { self.reach }
    }

    fn of(&mut self, fault: Fault) -> Option<&mut Acting> {
        self.ills.iter_mut().find(|acting| acting.ill.fault == fault)
    }

    fn pull(&self) -> bool {
        self.ills.first().is_none_or(|acting| acting.ill.pull)
    }

    /// Clock edges that reach the chip for one that the host makes.
    fn edges(&mut self) -> u32 {
        let now = self.now;
        let Some(slip) = self.of(Fault::ClockSlip) else { return 1 };
        if now < slip.next {
            return 1;
        }
        slip.next = now + slip.draw.gap(slip.rate);
        if slip.ill.variant.is_multiple_of(4) { 2 } else { 0 }
    }

    fn bounce(&mut self, clocks: usize) -> Option<u64> {
        let now = self.now;
        let bounce = self.of(Fault::SelectBounce)?;
        if now + clocks as u64 <= bounce.next {
            return None;
        }
        let at = bounce.next.saturating_sub(now);
        bounce.next = now + clocks as u64 + bounce.draw.gap(bounce.rate);
        Some(at)
    }

    fn pause(&mut self, out_bits: usize, clocks: usize) -> Option<(u64, u64, bool)> {
        let now = self.now;
        let hold = self.of(Fault::HoldFloating)?;
        if now + clocks as u64 <= hold.next {
            return None;
        }
        let from = out_bits as u64 + hold.next.saturating_sub(now);
        let len = hold.draw.spread(2.0, 1200.0) as u64;
        hold.next = now + clocks as u64 + hold.draw.gap(hold.rate);
        Some((from, from + len, hold.ill.variant.is_multiple_of(3)))
    }

    /// Which bit of the command arrives wrong: turned, or held at a level.
    fn wrong_bit(&mut self, command: &[u8]) -> Option<(u64, Option<bool>)> {
        let now = self.now;
        let wrong = self.of(Fault::AddressError)?;
        if now < wrong.next {
            return None;
        }
        let bits = (command.len() as u64 * 8).min(32);
        if wrong.ill.variant.is_multiple_of(4) {
            // An address bit held for a while.
            if wrong.until == 0 {
                wrong.until = now + (2.0 / wrong.rate) as u64;
            }
            if now > wrong.until {
                (wrong.next, wrong.until) = (now + wrong.draw.gap(wrong.rate / 2.0), 0);
                return None;
            }
            return (bits == 32).then_some((u64::from(31 - wrong.ill.bit), Some(wrong.ill.pull)));
        }
        wrong.next = now + wrong.draw.gap(wrong.rate);
        // Address bits above the chip's size change nothing.
        let bit = wrong.draw.below(8 + 18);
        Some((if bit < 8 { bit } else { bits.saturating_sub(bit - 7) }, None))
    }

    fn sagging(&mut self) -> bool {
        let (now, size) = (self.now, self.chip.len());
        let Some(sag) = self.of(Fault::SupplySag) else { return false };
        if sag.until == 0 && now >= sag.next {
            sag.until = now + sag.length as u64;
        }
        let sags = now >= sag.next && now < sag.until;
        if sags && sag.ill.variant.is_multiple_of(3) {
            // It forgot its address mode.
            self.after_reset = size / 2;
        }
        sags
    }
}

impl Acting {
    fn on_data_out(&mut self, out: bool, di: bool, now: u64, chip: &Selected, content: &[u8], reach: usize) -> bool {
        match self.ill.fault {
            Fault::OpenDataOut => {
                if now >= self.next {
                    self.until = now + (self.length * (0.5 + self.draw.unit())) as u64;
                    self.next = self.until + self.draw.gap(self.rate);
                }
                match now < self.until {
                    true if self.ill.variant.is_multiple_of(3) => di,
                    true => self.ill.pull,
                    false => out,
                }
            }
            Fault::WeakDataOut => {
                if now >= self.next {
                    self.until = now + 1 + self.draw.below(3 + self.ill.variant % 40);
                    self.next = self.until + self.draw.gap(self.rate);
                }
                if now < self.until && self.draw.chance(0.8) { self.ill.pull } else { out }
            }
            Fault::Noise if now >= self.next => {
                self.next = now + self.draw.gap(self.rate);
                !out
            }
            Fault::BusContention => {
                if now >= self.next {
                    self.until = now + (self.length as u64).max(3);
                    self.next = (self.next as f64 + self.ill.period) as u64;
                }
                match now < self.until {
                    true if self.ill.variant.is_multiple_of(3) => self.draw.chance(0.5),
                    true if self.ill.variant % 3 == 1 => out && self.draw.chance(0.5),
                    true => self.ill.pull,
                    false => out,
                }
            }
            Fault::LateSampling => {
                let early = self.ill.variant.is_multiple_of(2);
                let other = chip.out(if early { 1 } else { -1 }, content, reach).unwrap_or(out);
                // Chances count per clock; about half of the clocks have no transition to get wrong.
                if now >= self.next && other != out {
                    self.next = now + self.draw.gap(self.rate * 2.0);
                    return other;
                }
                out
            }
            Fault::ConstantShift => {
                let early = self.ill.variant.is_multiple_of(2);
                chip.out(if early { 1 } else { -1 }, content, reach).unwrap_or(out)
            }
            _ => out,
        }
    }
}

/// A chip between the fall and the rise of chip select.
struct Selected {
    /// Edges seen.
    bits: u64,
    opcode: u8,
    address: u32,
    deaf: bool,
}

/// The first bytes of a chip's own tables, as JESD216 has them: the signature.
const SIGNATURE: &[u8; 8] = b"SFDP\x06\x01\x00\xFF";
pub const ID: [u8; 3] = [0xEF, 0x40, 0x18];

impl Selected {
    fn take(&mut self, di: bool) {
        if self.bits < 8 {
            self.opcode = self.opcode << 1 | u8::from(di);
        } else if self.bits < 32 {
            self.address = self.address << 1 | u32::from(di);
        }
        self.bits += 1;
    }

    /// Returns the bits after which the chip answers; `None` for a command that it does not know.
    fn first(&self) -> Option<u64> {
        match self.opcode {
            0x9F | 0x05 => Some(8),
            0x03 => Some(32),
            0x0B | 0x5A => Some(40),
            _ => None,
        }
    }

    /// Returns byte `number` of the answer.
    fn byte(&self, number: usize, content: &[u8], reach: usize) -> Option<u8> {
        self.first()?;
        let at = self.address as usize + number;
        Some(match self.opcode {
            0x9F => *ID.get(number).unwrap_or(&0),
            0x05 => 0x00,
            0x5A => *SIGNATURE.get(at).unwrap_or(&0xFF),
            _ => content[at % reach.min(content.len())],
        })
    }

    /// Returns the level that the chip drives on data-out, `ahead` bits later than now; `None` while it drives nothing.
    fn out(&self, ahead: i64, content: &[u8], reach: usize) -> Option<bool> {
        let first = self.first()?;
        if self.deaf || self.bits < first {
            return None;
        }
        let number = u64::try_from((self.bits - first) as i64 + ahead).ok()?;
        Some(self.byte((number / 8) as usize, content, reach)? >> (7 - number % 8) & 1 == 1)
    }
}
