//! An open virtual bench: chip, lines, clock and faults together, and what of them outlives the run.
//!
//! Time moves only by [`VirtualBench::pass_to`], which stops at every moment where a fault begins or ends, so that a
//! supply fails at its microsecond and not at the end of a request. A transaction is carried in pieces between those
//! moments; its command takes effect when all its bytes have passed.
//!
//! | what | reaches the disk |
//! |---|---|
//! | content | with each change |
//! | registers, a fault that fired | at once, before the request is answered |
//! | clock, wear | every [`SAVE_EVERY`] bytes on the wire, when the link vanishes or comes back, and at the end |
//!
//! Opening is a power-up of the chip. An operation that is under way when the bench is dropped counts as done: the chip
//! keeps its supply when a process ends. One open bench at a time belongs to one file; whoever opens links sees to that.

use std::io;
use std::path::Path;
use std::time::{Duration, Instant};

use nor::link::{Features, Limits, LinkError, Signal};
use nor::supply::{Supply, SupplyRange};

use crate::bench_file::{BenchFile, ChipSpec, LEAST_HZ, Speed};
use crate::cells::{Cells, StuckBit, WornSector};
use crate::chip::{Chip, ChipState};
use crate::clock::{Clock, ns};
use crate::error::BenchError;
use crate::faults::{Change, Contact, FaultKind, Faults, Pull, VANISHED_US, When};
use crate::lines::{Lines, Timing};
use crate::model::Model;
use crate::random::Stream;
use crate::store::{self, State, StateFile};
use crate::supply::{Feed, Sags};

/// Bytes on the wire between two records of clock and wear.
const SAVE_EVERY: u64 = 256 * 1024;

/// Real time between two looks at `present` while requests run. It decides when an edit of the file is noticed and
/// nothing else, so that it does not touch what repeats.
const LOOK_EVERY: Duration = Duration::from_millis(5);

/// Content that a chip under a wrong clip has; the rest of it is blank.
const OTHER_CONTENT: u32 = 1 << 20;

/// A virtual bench; reaches its chip as a [`nor::link::Link`].
#[derive(Debug)]
pub struct VirtualBench {
    pub(crate) file: BenchFile,
    pub(crate) limits: Limits,
    pub(crate) drives: Supply,
    pub(crate) hz: u32,
    pub(crate) clock: Clock,
    pub(crate) faults: Faults,
    /// A stall of one moment takes the next answer.
    pub(crate) lost_answer: bool,
    pub(crate) gone: bool,
    own: Chip,
    /// The chip under a wrong clip, with its fault's number.
    other: Option<(usize, Chip)>,
    pub(crate) lines: Lines,
    pub(crate) sags: Sags,
    cuts: Stream,
    plugged: bool,
    back_at_us: u64,
    looked: Instant,
    state: State,
    state_file: Option<StateFile>,
    traffic: u64,
    unsaved: bool,
    failure: Option<io::Error>,
}

impl VirtualBench {
    /// Opens the bench that the file at `path` describes; a missing content is created blank.
    ///
    /// # Errors
    /// [`BenchError`] when the bench file, the content or the state beside it cannot be used.
    pub fn open(path: &Path) -> Result<Self, BenchError> {
        let file = BenchFile::load(path)?;
        let chip = &file.chip;
        let content = store::open_content(chip)?;
        let cells =
            Cells::of_file(content, chip.model.size).map_err(|error| store::unreadable(&chip.content, error))?;
        let state_file = StateFile::beside(&chip.content);
        let state = state_file.load(&chip.model.id)?;
        Self::put_up(file, cells, state, Some(state_file))
    }

    /// A bench as `file` describes it, holding `content`, that touches no file: neither its own nor the content's.
    ///
    /// # Errors
    /// [`BenchError`] when `content` is not of the chip's size.
    pub fn in_memory(file: BenchFile, content: impl AsRef<[u8]>) -> Result<Self, BenchError> {
        let content = content.as_ref();
        if content.len() as u64 != u64::from(file.chip.model.size) {
            return Err(store::other_length(&file.chip.content, content.len() as u64, file.chip.model.size.into()));
        }
        let state = State::new(&file.chip.model.id);
        Self::put_up(file, Cells::of_content(content), state, None)
    }

    /// What the bench file said when the bench was opened.
    #[must_use]
    pub fn file(&self) -> &BenchFile {
        &self.file
    }

    /// The supply that the chip bears, as the bench states it: `supply_v`, else the catalogue's, else the 3 V class.
    #[must_use]
    pub fn supply(&self) -> SupplyRange {
        self.file.chip.model.supply
    }

    /// What the link drives: `drives_v`, else what fits the chip.
    #[must_use]
    pub fn drives(&self) -> Supply {
        self.drives
    }

    /// Whether the bench wants to be asked about like a real link.
    #[must_use]
    pub fn asks(&self) -> bool {
        self.file.link.asks
    }

    /// Whether time is waited for.
    #[must_use]
    pub fn speed(&self) -> Speed {
        self.file.time.speed
    }

    /// What the bench's own chip holds, stuck bits aside.
    #[must_use]
    pub fn chip_content(&self) -> Vec<u8> {
        self.own.cells.content()
    }

    /// How the bench's own chip stands now.
    pub fn chip_state(&mut self) -> ChipState {
        self.own.state(self.clock.now_ns())
    }

    /// Erases that each [`nor::SECTOR`] of the bench's own chip has seen, over all runs.
    #[must_use]
    pub fn wear(&self) -> &[u32] {
        self.own.cells.wear()
    }

    /// Opens a link that was gone once more, as far as it is there: the chip is powered up anew. A link that is not
    /// gone stays as it is. The bench file is not read again, `present` excepted.
    pub fn reopen(&mut self) {
        if self.gone {
            self.look();
            self.power_up();
        }
    }

    /// Records what outlives the run, and ends it. Dropping the bench does the same and cannot tell of a failure.
    ///
    /// # Errors
    /// [`BenchError`] when the content or the state could not be written.
    pub fn close(mut self) -> Result<(), BenchError> {
        self.save();
        let Some(error) = self.own.cells.take_failure().or(self.failure.take()) else { return Ok(()) };
        let path = self.state_file.as_ref().map_or(self.file.chip.content.as_path(), StateFile::path);
        let remedy = "make room, or make the folder writable, and run again";
        Err(BenchError::of_system(path, "the content or the state beside it could not be written", remedy, error))
    }

    fn put_up(file: BenchFile, cells: Cells, state: State, state_file: Option<StateFile>) -> Result<Self, BenchError> {
        let clock = Clock::new(state.clock_us, file.time.speed);
        let stored = state.registers.unwrap_or([file.chip.status, 0, 0]);
        let mut own = Chip::new(&file.chip, stored, file.time.chip_times, cells, &mut Stream::new(file.seed, "chip"));
        let wear = state.wear_of(own.cells.wear().len()).ok_or_else(|| {
            let path = state_file.as_ref().map_or(file.path.as_path(), StateFile::path);
            BenchError::of_file(
                path,
                "the wear is that of a chip of another size",
                "delete it; the chip then counts as new",
            )
        })?;
        own.cells.set_wear(wear);
        // The clock is in the streams' names, so that trying again meets other events than the first time.
        let salt = clock.now_us();
        let lines = Lines::new(&file.faults, file.seed, salt);
        let sags = Sags::new(&file.faults, file.seed, salt);
        let drives = file.link.drives.unwrap_or_else(|| fitting(file.chip.model.supply));
        let mut bench = Self {
            limits: Limits {
                max_transfer: 65_540,
                max_range: 1 << 20,
                clock_hz: (LEAST_HZ, file.link.clock_hz),
                // The lines' faults act on DO alone, so a bench that has any reads from one line.
                features: Features {
                    two_lines: file.link.features.two_lines && lines.are_sound(),
                    ..file.link.features
                },
                drives: Some(drives),
                round_trip_us: file.link.round_trip_us,
                bytes_per_second: file.link.bytes_per_second,
            },
            drives,
            hz: file.link.clock_hz,
            faults: Faults::new(file.faults.clone(), state.fired.clone()),
            lost_answer: false,
            gone: false,
            own,
            other: None,
            lines,
            sags,
            cuts: Stream::new(file.seed, &format!("cut after {}", clock.now_us())),
            plugged: file.link.present,
            back_at_us: 0,
            looked: Instant::now(),
            state,
            state_file,
            traffic: 0,
            unsaved: false,
            failure: None,
            clock,
            file,
        };
        bench.power_up();
        Ok(bench)
    }

    /// Lets time pass up to `to_ns`, with everything that faults do on the way.
    pub(crate) fn pass_to(&mut self, to_ns: u64) {
        while let Some(edge) = self.next_edge(to_ns / 1000) {
            self.clock.move_to(ns(edge));
            self.settle_faults();
        }
        self.clock.move_to(to_ns);
        self.unsaved = true;
    }

    /// One transaction on the wire, carried in pieces between the moments at which faults begin and end.
    pub(crate) fn transact(&mut self, write: &[u8], read: u32) -> Result<Vec<u8>, LinkError> {
        self.transact_on(1, write, read)
    }

    /// The same with an answer on one or two data lines: it comes in half the time then. The lines' faults act on one line, and a
    /// bench with such has no second one.
    pub(crate) fn transact_on(&mut self, data_lines: u8, write: &[u8], read: u32) -> Result<Vec<u8>, LinkError> {
        let start = self.clock.now_ns();
        let mut answer = vec![0; read as usize];
        let bytes = write.len() + answer.len();
        let lines = usize::from(data_lines.max(1));
        let bytes_by = |bench: &Self, passed_ns: u64| {
            let passed = bench.bytes_by(passed_ns);
            passed.saturating_add(passed.saturating_sub(write.len()).saturating_mul(lines - 1))
        };
        let time_of = |bench: &Self, bytes: usize| {
            let sent = bytes.min(write.len());
            start.saturating_add(bench.wire_ns((sent * lines + bytes - sent) as u64) / lines as u64)
        };
        let (chip, lines) = self.wired();
        lines.begin(chip, start);
        let mut done = 0;
        while done < bytes {
            let edge = self.next_edge(time_of(self, bytes) / 1000);
            let passed = edge.map_or(bytes, |edge| bytes_by(self, ns(edge) - start)).clamp(done + 1, bytes);
            // A piece lies on one side of the end of what the link sends.
            let end = if done < write.len() { passed.min(write.len()) } else { passed };
            let timing = Timing { now: self.clock.now_ns(), hz: self.hz };
            let (chip, lines) = self.wired();
            if done < write.len() {
                lines.send(chip, &write[done..end], done as u64 * 8, timing);
            } else {
                lines.receive(chip, &mut answer[..end - write.len()], done - write.len(), timing);
            }
            done = end;
            self.pass_to(time_of(self, done));
        }
        self.there()?;
        let timing = Timing { now: self.clock.now_ns(), hz: self.hz };
        let (chip, lines) = self.wired();
        lines.end(chip, &mut answer, timing);
        self.traffic += write.len() as u64 + u64::from(read);
        if let Some(stored) = self.own.take_stored() {
            self.state.registers = Some(stored);
            self.save();
        } else if self.traffic >= SAVE_EVERY {
            self.save();
        }
        Ok(answer)
    }

    /// The first moment from now to `until_us` at which a fault begins or ends.
    fn next_edge(&self, until_us: u64) -> Option<u64> {
        let now_us = self.clock.now_us();
        let edges = [self.faults.next_edge(now_us, until_us), self.sags.next_edge(now_us, until_us)];
        edges.into_iter().flatten().min()
    }

    /// An error when the link is gone.
    pub(crate) fn there(&self) -> Result<(), LinkError> {
        if self.gone { Err(LinkError::Gone) } else { Ok(()) }
    }

    /// Time of so many bytes at the present clock, in nanoseconds.
    pub(crate) fn wire_ns(&self, bytes: u64) -> u64 {
        bytes.saturating_mul(8_000_000_000) / u64::from(self.hz)
    }

    /// Bytes that have passed, the last one perhaps in part, after so many nanoseconds.
    fn bytes_by(&self, passed_ns: u64) -> usize {
        let bytes = (u128::from(passed_ns) * u128::from(self.hz)).div_ceil(8_000_000_000);
        usize::try_from(bytes).unwrap_or(usize::MAX)
    }

    /// What went wrong with the files since this was last asked.
    pub(crate) fn take_failure(&mut self) -> Option<io::Error> {
        self.own.cells.take_failure().or(self.failure.take())
    }

    /// Reads `present` again, and lets the link vanish when it says so.
    pub(crate) fn look(&mut self) {
        if self.state_file.is_some() {
            self.looked = Instant::now();
            self.plugged = BenchFile::present_in(&self.file.path).unwrap_or(self.plugged);
        }
        if !self.plugged && !self.gone {
            self.vanish();
        }
    }

    /// [`Self::look`], but not more often than needed.
    pub(crate) fn look_sometimes(&mut self) {
        if self.looked.elapsed() >= LOOK_EVERY {
            self.look();
        }
    }

    /// Whether the link is plugged in now, gone for this handle or not.
    pub(crate) fn is_there_now(&self) -> bool {
        let away = |kind: &FaultKind| matches!(kind, FaultKind::PowerCut | FaultKind::Unplug);
        self.plugged && self.clock.now_us() >= self.back_at_us && !self.faults.active().any(|fault| away(&fault.kind))
    }

    /// The chip under the clip, and the lines to it.
    fn wired(&mut self) -> (&mut Chip, &mut Lines) {
        (self.other.as_mut().map_or(&mut self.own, |(_, chip)| chip), &mut self.lines)
    }

    /// The chip under the clip.
    fn chip(&mut self) -> &mut Chip {
        self.other.as_mut().map_or(&mut self.own, |(_, chip)| chip)
    }

    fn power_up(&mut self) {
        self.gone = false;
        self.back_at_us = 0;
        self.lost_answer = false;
        self.hz = self.file.link.clock_hz;
        self.other = None;
        self.own.power_up();
        self.lines.power_up();
        self.sags.power_up();
        // Windows that are on begin anew for the new power-up; faults of one moment that fired are over.
        self.faults.power_up();
        self.refresh();
        self.settle_faults();
        if !self.plugged && !self.gone {
            self.vanish();
        }
    }

    /// Takes the link away, and the supply from the chip.
    fn vanish(&mut self) {
        let now = self.clock.now_ns();
        self.gone = true;
        self.own.power_down(now, &mut self.cuts);
        if let Some((_, other)) = &mut self.other {
            other.power_down(now, &mut self.cuts);
        }
        if let Some(stored) = self.own.take_stored() {
            self.state.registers = Some(stored);
        }
        self.save();
    }

    fn settle_faults(&mut self) {
        let fired = self.faults.fired().len();
        for change in self.faults.settle(self.clock.now_us()) {
            self.take_change(change);
        }
        self.sags.settle(self.clock.now_us());
        self.settle_supply();
        if self.faults.fired().len() > fired {
            self.save();
        }
    }

    fn take_change(&mut self, Change { index, on }: Change) {
        let now = self.clock.now_ns();
        self.lines.set_on(index, on, now);
        self.sags.set_on(index, on, now / 1000);
        let moment = self.is_moment(index);
        match self.faults.kind(index).clone() {
            FaultKind::PowerCut | FaultKind::Unplug => self.take_away(index, on),
            FaultKind::SupplyDip | FaultKind::OpenContact { contact: Contact::Supply | Contact::Ground, .. }
                if on && moment =>
            {
                self.faults.end(index);
                let chip = self.other.as_mut().map_or(&mut self.own, |(_, chip)| chip);
                chip.power_down(now, &mut self.cuts);
                chip.power_up();
            }
            FaultKind::WrongChip { to } => self.change_chip(index, on, *to),
            FaultKind::LinkStall if on && moment => self.lost_answer = true,
            FaultKind::ProtectRaised if on => self.chip().raise_protection(),
            _ => {}
        }
        self.refresh();
    }

    /// Gives the chip its supply or takes it away, as the contacts and sags have it.
    fn settle_supply(&mut self) {
        let (fed, now) = (!self.gone && self.feed() == Feed::Fed, self.clock.now_ns());
        let chip = self.other.as_mut().map_or(&mut self.own, |(_, chip)| chip);
        if chip.is_powered() && !fed {
            chip.power_down(now, &mut self.cuts);
        } else if !chip.is_powered() && fed {
            chip.power_up();
        }
    }

    fn take_away(&mut self, index: usize, on: bool) {
        if on && !self.gone {
            self.vanish();
        }
        if on && self.is_moment(index) {
            self.faults.end(index);
            self.back_at_us = self.clock.now_us().saturating_add(VANISHED_US);
        }
        if !on {
            self.save(); // the clock, so that another open after this one does not find the window again
        }
    }

    /// Moving the clip takes the supply from the one chip and gives it to the other.
    fn change_chip(&mut self, index: usize, on: bool, to: Model) {
        let now = self.clock.now_ns();
        if on {
            self.own.power_down(now, &mut self.cuts);
            let mut stream = Stream::new(self.file.seed, &format!("chip {}", nor::chip::id_text(&to.id)));
            let mut bytes = vec![0; to.size.min(OTHER_CONTENT) as usize];
            stream.fill(&mut bytes);
            let mut cells = Cells::blank(to.size);
            cells.program(0, &bytes);
            let spec = ChipSpec { model: to, status: 0, ..self.file.chip.clone() };
            let chip = Chip::new(&spec, [0; 3], self.file.time.chip_times, cells, &mut stream);
            self.other = Some((index, chip));
        } else if self.other.as_ref().is_some_and(|(under, _)| *under == index) {
            self.other = None; // the bench's own chip gets its supply with the next look at it
        }
    }

    fn is_moment(&self, index: usize) -> bool {
        matches!(self.file.faults[index].when, When::Moment { .. })
    }

    /// Brings chip and cells in line with the faults that are on.
    fn refresh(&mut self) {
        let (mut worn, mut stuck) = (Vec::new(), Vec::new());
        let (mut never_ends, mut deafens, mut halvings) = (false, false, 0);
        let mut pin_low = self.file.chip.write_protect_pin;
        for fault in self.faults.active() {
            match fault.kind {
                FaultKind::WornSector { at, weak_bits } => {
                    let mut stream = Stream::new(self.file.seed, &format!("worn sector {at}"));
                    worn.push(WornSector::draw(at, weak_bits, &mut stream));
                }
                FaultKind::StuckBit { at, bit, level } => {
                    let mut stream = Stream::new(self.file.seed, &format!("stuck bit {at} {bit}"));
                    let level = level.unwrap_or_else(|| stream.bits() & 1 == 1);
                    stuck.push(StuckBit { at, mask: 1 << bit, level });
                }
                FaultKind::BusyForever => never_ends = true,
                FaultKind::DeafAfterOpcode => deafens = true,
                FaultKind::SizeAlias { halvings: more } => halvings += more,
                FaultKind::OpenContact { contact: Contact::Line(Signal::WriteProtect), pull, .. }
                | FaultKind::HoldFloating { signal: Signal::WriteProtect, pull, .. } => pin_low = pull == Pull::Down,
                _ => {}
            }
        }
        self.own.cells.set_damage(worn, stuck);
        let now = self.clock.now_ns();
        let chip = self.chip();
        chip.set_never_ends(never_ends, now);
        chip.set_deafens(deafens);
        chip.set_halvings(halvings);
        chip.set_pin_low(pin_low);
    }

    /// Writes the state file. A failure is kept and told with the next answer or at the end.
    fn save(&mut self) {
        self.traffic = 0;
        self.unsaved = false;
        let Some(file) = &self.state_file else { return };
        self.state.clock_us = self.clock.now_us();
        self.state.fired.clone_from(self.faults.fired());
        self.state.set_wear(self.own.cells.wear());
        if let Err(error) = file.save(&self.state) {
            self.failure.get_or_insert(error);
        }
    }
}

impl Drop for VirtualBench {
    fn drop(&mut self) {
        if self.unsaved {
            self.save();
        }
    }
}

/// A usual voltage that the chip bears; else the middle of its range.
fn fitting(range: SupplyRange) -> Supply {
    let usual = [3300, 1800].map(|mv| Supply { mv }).into_iter().find(|supply| range.bears(*supply));
    usual.unwrap_or(Supply { mv: range.min_mv.midpoint(range.max_mv) })
}
