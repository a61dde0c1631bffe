//! The chip: a slave on four wires that sees chip select and bytes, and knows nothing of requests.
//!
//! The output during a byte depends only on the bytes before it; commands take effect when chip select rises. Modelled
//! are the commands of [`nor::command`], the erase types of the [`Model`] (by region where it has a sector map), 60h, 31h
//! and 11h, the opcodes with four address bytes, bank and extended address registers, block locks, words instead of pages,
//! and error bits, each where the model has it. While an operation runs only the status registers answer; asleep (B9h) only
//! ABh is heard. A command that is cut short or has bytes too many does nothing. Everything beside JESD216's 5Ah is from
//! memory of public datasheets, as `nor::command` says it.
//!
//! Whoever holds the chip brings the time, in nanoseconds, and it never goes back. Waking up, reset and mode changes
//! take no time here. An operation's change is made in the cells at its start (see `cells`) and ends by the clock.

mod decode;

use nor::chip::Times;
use nor::command as op;

use crate::bench_file::{ChipSpec, ChipTimes};
use crate::cells::{Before, Cells};
use crate::model::{Model, Reach};
use crate::phase::{Output, Phase, Then};
use crate::random::Stream;
use crate::registers::{Registers, StatusWrite};

/// Time of a status write (from memory of Winbond datasheets; tables do not state it).
const STATUS_TIMES: Times = Times { typical_us: 10_000, max_us: 15_000 };

/// Time in which block locks open: class value of a page (common practice, no source).
const LOCK_TIMES: Times = Times { typical_us: 25, max_us: 100 };

/// Bits of [`Chip::errors`], as the flag register has them and, but for the last, the status register too.
const ERASE_FAILED: u8 = 0x20;
const PROGRAM_FAILED: u8 = 0x10;
const WAS_PROTECTED: u8 = 0x02;

/// One chip on its socket.
#[derive(Debug)]
pub(crate) struct Chip {
    pub(crate) model: Model,
    pub(crate) cells: Cells,
    registers: Registers,
    times: ChipTimes,
    unique_id: [u8; 8],
    powered: bool,
    phase: Phase,
    busy: Option<Busy>,
    asleep: bool,
    /// B7h was taken.
    four_byte: bool,
    /// The bank register; bit 7 chooses four address bytes.
    bank: u8,
    /// The upper byte of three-byte addresses.
    extended: u8,
    /// The locks of single blocks are closed.
    locked: bool,
    /// Where the next word goes, after a first one.
    next_word: Option<u32>,
    /// What failed, until it is cleared.
    errors: u8,
    reset_enabled: bool,
    deaf: bool,
    page: Vec<u8>,
    stored_changed: bool,
    /// Operations do not end (a fault).
    never_ends: bool,
    /// Opcodes of other makers make the chip deaf (a fault).
    deafens: bool,
    /// Bytes behind which addresses begin anew (a fault); the size for a chip that is what it says.
    reach: u32,
}

/// An operation under way.
#[derive(Debug)]
struct Busy {
    started: u64,
    /// None: it does not end.
    ends: Option<u64>,
    change: Change,
}

#[derive(Debug)]
enum Change {
    Cells(Before),
    Status {
        before: [u8; 3],
    },
    /// Nothing that a failing supply could leave half done.
    None,
}

/// A look into a chip, for tests and for people.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct ChipState {
    /// Whether it has its supply.
    pub powered: bool,
    /// Whether an operation is under way.
    pub busy: bool,
    /// The write enable latch.
    pub write_enabled: bool,
    /// Status register 1 as read now.
    pub status: u8,
    /// The non-volatile registers 1 to 3.
    pub stored: [u8; 3],
    /// Deep power-down.
    pub asleep: bool,
    /// Four-byte address mode, by B7h or by the bank register.
    pub four_byte: bool,
    /// Whether the locks of single blocks are closed; false on a chip without.
    pub locked: bool,
    /// The register of the upper address byte; 0 on a chip without.
    pub extended_address: u8,
    /// Whether it went deaf on an opcode.
    pub deaf: bool,
    /// What 4Bh answers on a Winbond-like chip.
    pub unique_id: [u8; 8],
}

impl Chip {
    /// A chip with its supply on; `stored` are its non-volatile registers, `stream` draws its unique id.
    pub(crate) fn new(spec: &ChipSpec, stored: [u8; 3], times: ChipTimes, cells: Cells, stream: &mut Stream) -> Self {
        let model = spec.model.clone();
        let registers = Registers::new(&model, spec.write_protect_pin, stored);
        let mut unique_id = [0; 8];
        stream.fill(&mut unique_id);
        let four_byte = model.reach == Reach::Four;
        let locked = model.block_locks.is_some();
        let page = vec![nor::ERASED; model.page as usize];
        Self {
            reach: model.size,
            model,
            cells,
            registers,
            times,
            unique_id,
            powered: true,
            phase: Phase::Idle,
            busy: None,
            asleep: false,
            four_byte,
            bank: 0,
            extended: 0,
            locked,
            next_word: None,
            errors: 0,
            reset_enabled: false,
            deaf: false,
            page,
            stored_changed: false,
            never_ends: false,
            deafens: false,
        }
    }

    /// Chip select falls.
    pub(crate) fn select(&mut self, now: u64) {
        self.settle(now);
        self.phase = if self.powered { Phase::Opcode } else { Phase::Ignore };
    }

    /// The byte that the chip puts on its output next.
    pub(crate) fn next_out(&mut self, now: u64) -> u8 {
        self.settle(now);
        let Phase::Out(output) = &self.phase else { return nor::ERASED };
        match *output {
            Output::Status(number) => self.status(number).unwrap_or(nor::ERASED),
            // Bit 7: ready; bit 0: four address bytes.
            Output::Flags => u8::from(self.busy.is_none()) << 7 | self.errors | u8::from(self.is_four_byte()),
            Output::Bank => self.bank,
            Output::Extended => self.extended,
            Output::Setting(opcode, at) => {
                let setting = self.model.settings.iter().find(|setting| (setting.opcode, setting.at) == (opcode, at));
                setting.map_or(nor::ERASED, |setting| setting.value)
            }
            Output::Id(index) => self.model.id.get(index).copied().unwrap_or(0),
            Output::Maker(swapped) => {
                if swapped {
                    self.device_code()
                } else {
                    self.model.id[0]
                }
            }
            Output::Release => self.device_code(),
            Output::Tables(at) => self.model.tables.get(at).copied().unwrap_or(nor::ERASED),
            Output::UniqueId(index) => self.unique_id[index % 8],
            Output::Array(at) => {
                let mut byte = [0];
                self.cells.read(at & (self.reach - 1), &mut byte);
                byte[0]
            }
        }
    }

    /// Tells whether the chip drives its output in the byte that begins now; else the line floats.
    pub(crate) fn drives(&self) -> bool {
        self.powered && matches!(self.phase, Phase::Out(_))
    }

    /// Tells whether the next bytes, whatever they are, change nothing about [`Self::drives`].
    pub(crate) fn is_steady(&self) -> bool {
        matches!(self.phase, Phase::Out(_) | Phase::Ignore | Phase::Idle)
    }

    /// Tells whether the chip has its supply.
    pub(crate) fn is_powered(&self) -> bool {
        self.powered
    }

    /// Tells whether HOLD# and WP# are data lines now (quad enable), so that their levels stop nothing.
    pub(crate) fn is_quad(&self) -> bool {
        self.registers.is_quad()
    }

    /// A byte came in.
    pub(crate) fn take_in(&mut self, byte: u8) {
        let phase = std::mem::replace(&mut self.phase, Phase::Ignore);
        self.phase = match phase {
            Phase::Opcode => self.decode(byte),
            Phase::Page { at, count } => self.latch(at, count, &[byte]),
            Phase::Out(Output::Array(at)) => Phase::Out(Output::Array(at.wrapping_add(1) & (self.reach - 1))),
            other => other.after(byte),
        };
    }

    /// Bytes come in, one after the other; page data is taken in one piece.
    pub(crate) fn take_all(&mut self, bytes: &[u8]) {
        for (index, byte) in bytes.iter().enumerate() {
            if let Phase::Page { at, count } = self.phase {
                self.phase = self.latch(at, count, &bytes[index..]);
                return;
            }
            self.take_in(*byte);
        }
    }

    /// Fills `out` with what the chip answers from `now` on, a byte every `byte_ns`; array data comes in one piece.
    pub(crate) fn give_all(&mut self, out: &mut [u8], now: u64, byte_ns: u64) {
        if let Phase::Out(Output::Array(mut at)) = self.phase {
            let mut rest = out;
            while !rest.is_empty() {
                at &= self.reach - 1;
                let (part, behind) = rest.split_at_mut(rest.len().min((self.reach - at) as usize));
                self.cells.read(at, part);
                at = at.wrapping_add(u32::try_from(part.len()).expect("inside the chip"));
                rest = behind;
            }
            self.phase = Phase::Out(Output::Array(at & (self.reach - 1)));
            return;
        }
        let mut now = now;
        for byte in out {
            *byte = self.next_out(now);
            self.take_in(0);
            now = now.saturating_add(byte_ns);
        }
    }

    /// Chip select rises: the command takes effect. `whole` tells that it rose between two bytes; in the middle of one,
    /// commands do nothing, a page program takes the whole bytes it got, and a waking chip wakes (from memory of public
    /// datasheets, which differ on the page program: the harmful reading is the one to be prepared for).
    pub(crate) fn deselect(&mut self, now: u64, whole: bool) {
        self.settle(now);
        let phase = std::mem::replace(&mut self.phase, Phase::Idle);
        let lasts =
            matches!(phase, Phase::Page { .. } | Phase::Lead { then: Then::Release, .. } | Phase::Out(Output::Release));
        if !whole && !lasts {
            return;
        }
        match phase {
            Phase::Bare(opcode) => self.act(opcode, now),
            Phase::Lead { then: Then::Release, .. } | Phase::Out(Output::Release) => self.asleep = false,
            Phase::Erase { at, opcode } => {
                let at = at & (self.reach - 1);
                if let Some(kind) = self.model.erase_at(opcode, at) {
                    let size = kind.size.min(self.reach);
                    self.erase(at & !(size - 1), size, kind.times, now);
                }
            }
            Phase::Word { at, bytes } if bytes.len() == 2 => self.program_word(at, &bytes, now),
            Phase::Value { opcode: op::WRITE_BANK, value: Some(value) } => self.bank = value,
            Phase::Value { value: Some(value), .. } if std::mem::take(&mut self.registers.latch) => {
                self.extended = value;
            }
            Phase::Page { at, count } if count > 0 => self.program(at, now),
            Phase::Status { first, bytes } => {
                if let StatusWrite::Stored { before } = self.registers.write(first, &bytes) {
                    self.stored_changed = true;
                    self.start(Change::Status { before }, STATUS_TIMES, now);
                }
            }
            _ => {}
        }
    }

    /// The supply fails: what is under way stays where it is, what is volatile is gone.
    pub(crate) fn power_down(&mut self, now: u64, stream: &mut Stream) {
        self.settle(now);
        if let Some(busy) = self.busy.take() {
            let share = match busy.ends {
                #[expect(clippy::cast_precision_loss, reason = "a share needs no more than a double's digits")]
                Some(ends) if ends > busy.started => (now - busy.started) as f64 / (ends - busy.started) as f64,
                _ => 1.0,
            };
            match busy.change {
                Change::Cells(before) => self.cells.cut(&before, share, stream),
                Change::Status { before } if stream.fraction() > share => {
                    self.registers.restore(before);
                    self.stored_changed = true;
                }
                Change::Status { .. } | Change::None => {}
            }
        }
        self.powered = false;
        self.phase = Phase::Ignore;
    }

    /// The supply comes back.
    pub(crate) fn power_up(&mut self) {
        self.registers.power_up();
        self.powered = true;
        self.deaf = false;
        self.asleep = false;
        self.reset_enabled = false;
        self.start_anew();
        self.phase = Phase::Idle;
    }

    /// From now on operations end or do not; one under way is caught as well.
    pub(crate) fn set_never_ends(&mut self, never: bool, now: u64) {
        self.settle(now);
        self.never_ends = never;
        if let Some(busy) = self.busy.as_mut().filter(|_| never) {
            busy.ends = None;
        }
    }

    /// From now on other makers' opcodes make the chip deaf, or do not.
    pub(crate) fn set_deafens(&mut self, deafens: bool) {
        self.deafens = deafens;
    }

    /// From now on the chip has only its size halved so often, and addresses wrap there; at least a sector is left.
    pub(crate) fn set_halvings(&mut self, halvings: u32) {
        self.reach = self.model.size.checked_shr(halvings).unwrap_or(0).max(crate::model::LEAST_SIZE);
    }

    /// From now on the WP# pin is low, or is not.
    pub(crate) fn set_pin_low(&mut self, low: bool) {
        self.registers.set_pin_low(low);
    }

    /// All protection bits rise, until the next power-up.
    pub(crate) fn raise_protection(&mut self) {
        self.registers.raise_protection();
    }

    /// The non-volatile registers, if a status write touched them since this was last asked.
    pub(crate) fn take_stored(&mut self) -> Option<[u8; 3]> {
        std::mem::take(&mut self.stored_changed).then(|| self.registers.stored())
    }

    /// What a test may look at.
    pub(crate) fn state(&mut self, now: u64) -> ChipState {
        self.settle(now);
        ChipState {
            powered: self.powered,
            busy: self.busy.is_some(),
            write_enabled: self.registers.latch,
            status: self.status(1).expect("every chip has the first register"),
            stored: self.registers.stored(),
            asleep: self.asleep,
            four_byte: self.is_four_byte(),
            locked: self.locked,
            extended_address: self.extended,
            deaf: self.deaf,
            unique_id: self.unique_id,
        }
    }

    /// Puts page data into the latch; past the page's end it goes on at the page's beginning.
    fn latch(&mut self, at: u32, count: usize, bytes: &[u8]) -> Phase {
        let len = self.page.len();
        for (index, byte) in (at as usize + count..).zip(bytes) {
            self.page[index % len] = *byte;
        }
        Phase::Page { at, count: count + bytes.len() }
    }

    fn act(&mut self, opcode: u8, now: u64) {
        match opcode {
            op::WRITE_ENABLE => self.registers.latch = true,
            op::WRITE_DISABLE => {
                self.registers.latch = false;
                self.next_word = None;
            }
            op::WRITE_ENABLE_VOLATILE if self.flags_errors() => self.errors = 0,
            op::WRITE_ENABLE_VOLATILE => self.registers.volatile_next = true,
            _ if Some(opcode) == self.clears_errors() => {
                self.errors = 0;
                self.registers.latch = false;
            }
            _ if Some(opcode) == self.model.block_locks && self.registers.latch => {
                self.locked = false;
                self.start(Change::None, LOCK_TIMES, now);
            }
            op::POWER_DOWN => self.asleep = true,
            op::RESET_ENABLE => self.reset_enabled = true,
            op::RESET if std::mem::take(&mut self.reset_enabled) => {
                self.registers.reset();
                self.start_anew();
            }
            op::ENTER_FOUR_BYTE | op::LEAVE_FOUR_BYTE => {
                if let Reach::Mode { write_enable } = self.model.reach
                    && (!write_enable || std::mem::take(&mut self.registers.latch))
                {
                    self.four_byte = opcode == op::ENTER_FOUR_BYTE;
                }
            }
            op::CHIP_ERASE | 0x60 => self.erase(0, self.reach, self.model.chip_erase, now),
            _ => {}
        }
    }

    /// What a reset and a power-up have in common: modes, address registers, locks and errors are as they come.
    fn start_anew(&mut self) {
        self.four_byte = self.model.reach == Reach::Four;
        self.bank = 0;
        self.extended = 0;
        self.locked = self.model.block_locks.is_some();
        self.next_word = None;
        self.errors = 0;
    }

    fn is_four_byte(&self) -> bool {
        self.four_byte || self.bank & 0x80 != 0
    }

    /// A status register as read. Errors of the status register's kind stand in bits 5 and 6 of the first one, and keep
    /// it busy and enabled; on parts that take words bit 6 tells that more of them are expected.
    fn status(&self, number: usize) -> Option<u8> {
        let read = self.registers.read(number, self.busy.is_some(), self.is_four_byte())?;
        if number != 1 {
            return Some(read);
        }
        let failed = if self.holds_errors() {
            let erase = if self.errors & ERASE_FAILED != 0 { 0x20 } else { 0 };
            let program = if self.errors & PROGRAM_FAILED != 0 { 0x40 } else { 0 };
            erase | program | 0x03
        } else {
            0
        };
        Some(read | failed | u8::from(self.next_word.is_some()) << 6)
    }

    fn erase(&mut self, at: u32, size: u32, times: Times, now: u64) {
        if self.may_change(at, size, ERASE_FAILED) {
            let before = self.cells.erase(at, size);
            self.start(Change::Cells(before), times, now);
        }
    }

    fn program(&mut self, at: u32, now: u64) {
        let at = at & (self.reach - 1) & !(self.model.page - 1);
        if self.may_change(at, self.model.page, PROGRAM_FAILED) {
            let before = self.cells.program(at, &self.page);
            self.start(Change::Cells(before), self.model.program, now);
        }
    }

    /// Programs a word and expects the next one behind it; a refused one ends the row.
    fn program_word(&mut self, at: u32, bytes: &[u8], now: u64) {
        let at = at & (self.reach - 1) & !1;
        self.next_word = None;
        if self.may_change(at, 2, PROGRAM_FAILED) {
            let before = self.cells.program(at, bytes);
            self.next_word = Some((at + 2) & (self.reach - 1));
            self.start(Change::Cells(before), self.model.program, now);
        }
    }

    /// Without the latch nothing happens; a protected range takes the latch and leaves an error, where the chip tells them.
    fn may_change(&mut self, at: u32, len: u32, failed: u8) -> bool {
        let enabled = self.registers.latch;
        if enabled && (self.locked || self.registers.protects(at, len)) {
            self.registers.latch = false;
            if self.model.status_errors.is_some() {
                self.errors = failed | WAS_PROTECTED;
            }
            return false;
        }
        enabled
    }

    fn start(&mut self, change: Change, times: Times, now: u64) {
        let us = match self.times {
            ChipTimes::Typical => times.typical_us,
            ChipTimes::Maximum => times.max_us,
        };
        let ends = now.saturating_add(us.saturating_mul(1000));
        self.busy = Some(Busy { started: now, ends: (!self.never_ends).then_some(ends), change });
    }

    /// Ends what is due.
    fn settle(&mut self, now: u64) {
        if self.busy.as_ref().and_then(|busy| busy.ends).is_some_and(|ends| ends <= now) {
            self.busy = None;
            // In a row of words the latch stays until 04h.
            self.registers.latch = self.next_word.is_some();
        }
    }

    /// The eight-bit device code of 90h and ABh: one less than the id's capacity code (from memory, Winbond).
    fn device_code(&self) -> u8 {
        self.model.id.get(2).map_or(0, |capacity| capacity.wrapping_sub(1))
    }
}
