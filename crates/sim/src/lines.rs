//! The lines between link and chip, bit by bit: what reaches the chip of what the link sends, and what the link samples.
//!
//! | stage | faults | acts on |
//! |---|---|---|
//! | sent | address errors, contention, open DI | bits on DI |
//! | clocks | clock slips, bounces, pauses, open CLK, CS# and HOLD# | edges that the chip sees |
//! | sampled | weak and open DO, contention, noise, late sampling, shift, in this order | bits on DO |
//!
//! The chip is not told of faults and the link is not either: a lost edge shifts everything behind it because the chip's
//! bytes then begin elsewhere, and a damaged opcode does what that opcode does. Every fault draws from a stream of its own
//! the distance to its next event. Up to the nearest event of any, clocks pass in one piece; a bench without wiring
//! faults, and one whose faults are quiet, moves whole ranges.

mod bits;
mod contention;
mod draws;
mod pins;
mod sampled;

use nor::link::Signal;

pub(crate) use pins::Timing;

use self::contention::Contention;
use self::draws::{Bursts, Gap, Length};
use self::pins::Pins;
use self::sampled::{LateSampling, OpenDataOut, Scene, Shift, WeakDataOut, level};
use crate::chip::Chip;
use crate::faults::{Contact, Fault, FaultKind, LONGEST_PAUSE, ONE_OPENING, Pull, StuckLine, WEAK_BURST, When};
use crate::random::Stream;

/// The lines, with what is wrong with them.
#[derive(Debug)]
pub(crate) struct Lines {
    /// In the order in which they act on what is sampled.
    faults: Vec<LineFault>,
    pins: Pins,
    /// A transaction is under way.
    open: bool,
    /// Faults that come or go in the middle of a transaction, from its next piece on.
    waiting: Vec<(usize, bool, u64)>,
    /// Bytes of the answer for which it is settled what the link samples.
    sampled: usize,
    /// When the first byte behind them came.
    since: Option<Timing>,
}

#[derive(Debug)]
struct LineFault {
    /// Its number in the bench file.
    index: usize,
    moment: bool,
    on: bool,
    act: Act,
}

#[derive(Debug)]
enum Act {
    Slip { gap: Gap, doubled: f64, which: Stream },
    Bounce { bursts: Bursts, pull: Pull },
    Pause { bursts: Bursts, pull: Pull },
    Open { signal: Signal, bursts: Bursts, high: bool },
    Flips(Gap),
    Stuck { line: StuckLine, stream: Stream, acts: bool, armed: bool },
    Weak(WeakDataOut),
    OpenDataOut(OpenDataOut),
    Contention(Contention),
    Noise(Gap),
    Late(LateSampling),
    Shift(Shift),
}

/// What the contacts and pauses make of the link's levels just now.
#[derive(Debug, Clone, Copy)]
struct Levels {
    /// CS# is low at the chip.
    selected: bool,
    /// Clocks reach the chip.
    clocked: bool,
    /// HOLD# is low at the chip.
    held: bool,
    /// DI at the chip, where it is not the link's.
    data_in: Option<bool>,
    /// DO while nothing drives it.
    float: bool,
}

/// Bits that pass: sent by the link, or sampled by it.
enum Side<'a> {
    Sent(&'a [u8]),
    Sampled(&'a mut [u8]),
}

impl Lines {
    /// The lines of a bench with `faults`, all off, and streams from `seed`. `salt` is in their names, so that a further
    /// run meets other events than the first one.
    pub(crate) fn new(faults: &[Fault], seed: u64, salt: u64) -> Self {
        let mut lines = Vec::new();
        for (index, fault) in faults.iter().enumerate() {
            // The number among its own kind: a fault of another kind that is added moves no draw of this one.
            let word = fault.kind.word();
            let nth = faults[..index].iter().filter(|other| other.kind.word() == word).count();
            let moment = matches!(fault.when, When::Moment { .. });
            let stream = |part: &str| Stream::new(seed, &format!("{word}{part} {nth} at {salt}"));
            lines.extend(act(&fault.kind, moment, stream).map(|act| LineFault { index, moment, on: false, act }));
        }
        lines.sort_by_key(|fault| fault.act.stage());
        Self { faults: lines, pins: Pins::default(), open: false, waiting: Vec::new(), sampled: 0, since: None }
    }

    /// Tells whether no fault will ever act on these lines.
    pub(crate) fn are_sound(&self) -> bool {
        self.faults.is_empty()
    }

    /// Turns fault number `index` on or off; one of one moment has its event at the first chance from now on.
    pub(crate) fn set_on(&mut self, index: usize, on: bool, now: u64) {
        if self.faults.iter().any(|fault| fault.index == index) {
            self.waiting.push((index, on, now));
        }
        if !self.open {
            self.take_changes();
        }
    }

    /// The link came back: chip select is high, and faults are off until they are told again.
    pub(crate) fn power_up(&mut self) {
        self.pins = Pins::default();
        self.open = false;
        self.waiting.clear();
        for fault in &mut self.faults {
            fault.on = false;
        }
    }

    /// A transaction begins.
    pub(crate) fn begin(&mut self, chip: &mut Chip, now: u64) {
        (self.open, self.sampled, self.since) = (true, 0, None);
        let selected = self.levels(chip, false).selected;
        self.pins.set_select(selected, chip, now);
        for fault in self.faults.iter_mut().filter(|fault| fault.on) {
            match &mut fault.act {
                Act::Stuck { line, stream, acts, armed } => {
                    *acts = std::mem::take(armed) || !fault.moment && stream.fraction() <= line.share;
                }
                Act::Late(late) => late.begin(),
                Act::Shift(shift) => shift.begin(),
                _ => {}
            }
        }
    }

    /// The link sends `bytes`, the first of which is the transaction's bit `first_bit`.
    pub(crate) fn send(&mut self, chip: &mut Chip, bytes: &[u8], first_bit: u64, timing: Timing) {
        self.take_changes();
        let mut damaged = None;
        for fault in self.faults.iter_mut().filter(|fault| fault.on) {
            fault.act.damage(bytes, &mut damaged, first_bit, timing);
        }
        let bytes = damaged.as_deref().unwrap_or(bytes);
        self.pass(chip, &mut Side::Sent(bytes), timing);
    }

    /// Fills the bytes from `from` on of the answer so far, which is settled with the transaction's end.
    pub(crate) fn receive(&mut self, chip: &mut Chip, answer: &mut [u8], from: usize, timing: Timing) {
        if !self.waiting.is_empty() {
            self.settle(chip, &mut answer[..from], timing);
            self.take_changes();
        }
        self.since.get_or_insert(timing);
        self.pass(chip, &mut Side::Sampled(&mut answer[from..]), timing);
    }

    /// The transaction ends: the link has its `answer` and lets CS# rise.
    pub(crate) fn end(&mut self, chip: &mut Chip, answer: &mut [u8], timing: Timing) {
        self.settle(chip, answer, timing);
        self.open = false;
        self.take_changes();
        for fault in &mut self.faults {
            if let Act::Bounce { bursts, .. } = &mut fault.act {
                bursts.end();
            }
        }
        let selected = self.levels(chip, false).selected;
        self.pins.set_select(selected, chip, timing.now);
    }

    /// Makes what the link samples of what was on the line: of all bytes up to here, as the faults were until now.
    ///
    /// Not piece by piece, since who samples too late needs the next bit, with all that happened to it.
    fn settle(&mut self, chip: &mut Chip, answer: &mut [u8], now: Timing) {
        let Some(since) = self.since.take() else { return };
        let out = &mut answer[self.sampled..];
        self.sampled += out.len();
        if self.faults.iter().all(|fault| !fault.on) {
            return;
        }
        let levels = self.levels(chip, true);
        let after = self.sample(chip, levels, now.now);
        let data_in = levels.data_in.unwrap_or(false);
        let scene = Scene { float: levels.float, data_in, after, hz: now.hz };
        for fault in self.faults.iter_mut().filter(|fault| fault.on) {
            match &mut fault.act {
                Act::Weak(weak) => weak.spoil(out, scene),
                Act::OpenDataOut(open) => open.spoil(out, scene),
                Act::Contention(other) => other.spoil(out, since),
                Act::Noise(gap) => sampled::noise(gap, out),
                Act::Late(late) => late.spoil(out, scene),
                Act::Shift(shift) => shift.spoil(out, scene),
                _ => {}
            }
        }
    }

    fn take_changes(&mut self) {
        for (index, on, now) in std::mem::take(&mut self.waiting) {
            for fault in self.faults.iter_mut().filter(|fault| fault.index == index) {
                fault.on = on;
                if on && fault.moment {
                    fault.act.arm(now);
                } else if let Act::Bounce { bursts, .. } | Act::Pause { bursts, .. } = &mut fault.act {
                    bursts.end();
                }
            }
        }
    }

    /// Tells whether the contact of fault number `index` is open now.
    pub(crate) fn is_open(&self, index: usize) -> bool {
        self.faults.iter().filter(|fault| fault.on && fault.index == index).any(|fault| match &fault.act {
            Act::Open { bursts, .. } | Act::OpenDataOut(OpenDataOut { bursts, .. }) => bursts.inside(),
            _ => false,
        })
    }

    /// The level at which another master holds a line now, against nothing but pulls; none when there is none.
    pub(crate) fn other_master(&mut self, now: u64) -> Option<bool> {
        let others = self.faults.iter_mut().filter(|fault| fault.on);
        others.into_iter().find_map(|fault| match &mut fault.act {
            Act::Contention(other) if other.is_there(now) => Some(other.both(true)),
            _ => None,
        })
    }

    /// Lets all clocks of `side` pass.
    fn pass(&mut self, chip: &mut Chip, side: &mut Side<'_>, timing: Timing) {
        let (mut at, clocks) = (0, side.clocks());
        loop {
            let levels = self.levels(chip, true);
            self.pins.set_select(levels.selected, chip, timing.at(at));
            let counts = self.faults.iter().filter(|fault| fault.on).filter_map(|fault| fault.act.clocks_left());
            let to = at.saturating_add(counts.min().unwrap_or(u64::MAX)).min(clocks);
            self.stretch(chip, side, (at, to), levels, timing);
            self.count(to - at);
            at = to;
            if at == clocks {
                return;
            }
            if !self.turn() {
                // Levels are as they were, so that an edge that slips is what is due.
                self.slip(chip, side, at, levels, timing);
                at += 1;
            }
        }
    }

    /// Clocks `from..to`, in which nothing changes.
    fn stretch(
        &mut self,
        chip: &mut Chip,
        side: &mut Side<'_>,
        (from, to): (u64, u64),
        levels: Levels,
        timing: Timing,
    ) {
        if from == to {
            return;
        }
        let reaches = levels.selected && levels.clocked && !levels.held;
        match (side, levels.data_in) {
            (Side::Sent(_), _) if !reaches => {}
            (Side::Sent(sent), None) => self.pins.send(chip, sent, (from, to), timing),
            (Side::Sent(sent), Some(level)) => {
                let stuck = vec![if level { 0xFF } else { 0x00 }; sent.len()];
                self.pins.send(chip, &stuck, (from, to), timing);
            }
            (Side::Sampled(out), _) if !reaches => {
                let level = self.sample(chip, levels, timing.at(from));
                bits::fill(out, from, to, level);
            }
            (Side::Sampled(out), data_in) => {
                self.pins.receive(chip, out, (from, to), (data_in.unwrap_or(false), levels.float), timing);
            }
        }
    }

    /// The clock `at`, whose edge is lost or counts twice.
    fn slip(&mut self, chip: &mut Chip, side: &mut Side<'_>, at: u64, levels: Levels, timing: Timing) {
        let mut times = 1;
        for fault in self.faults.iter_mut().filter(|fault| fault.on) {
            if let Act::Slip { gap, doubled, which } = &mut fault.act {
                if gap.left() == 0 {
                    times = if which.fraction() <= *doubled { 2 } else { 0 };
                    gap.next();
                } else {
                    gap.pass(1);
                }
            } else if let Some(bursts) = fault.act.bursts() {
                bursts.pass(1);
            }
        }
        let now = timing.at(at);
        let sent = match side {
            Side::Sent(sent) => bits::get(sent, at),
            Side::Sampled(out) => {
                let level = self.sample(chip, levels, now);
                bits::set(out, at, level);
                false
            }
        };
        if levels.clocked && !levels.held {
            for _ in 0..times {
                self.pins.clock(chip, levels.data_in.unwrap_or(sent), now);
            }
        }
    }

    /// What DO is at.
    fn sample(&mut self, chip: &mut Chip, levels: Levels, now: u64) -> bool {
        let driven = if levels.held { None } else { self.pins.level(chip, now) };
        driven.unwrap_or(levels.float)
    }

    /// So many clocks passed without an event.
    fn count(&mut self, clocks: u64) {
        for fault in self.faults.iter_mut().filter(|fault| fault.on) {
            if let Act::Slip { gap, .. } = &mut fault.act {
                gap.pass(clocks);
            } else if let Some(bursts) = fault.act.bursts() {
                bursts.pass(clocks);
            }
        }
    }

    /// Contacts and pauses that are due begin or end; tells whether there were any.
    fn turn(&mut self) -> bool {
        let mut turned = false;
        for fault in self.faults.iter_mut().filter(|fault| fault.on) {
            if let Some(bursts) = fault.act.bursts().filter(|bursts| bursts.left() == 0) {
                bursts.turn();
                turned = true;
            }
        }
        turned
    }

    /// Levels at the chip while the link drives CS# low, or high.
    fn levels(&self, chip: &Chip, low: bool) -> Levels {
        let mut levels = Levels { selected: low, clocked: true, held: false, data_in: None, float: true };
        for fault in self.faults.iter().filter(|fault| fault.on) {
            match &fault.act {
                Act::Bounce { bursts, pull } => {
                    levels.selected &= !bursts.inside();
                    levels.float = level(*pull, false);
                }
                Act::Pause { bursts, pull } => {
                    levels.held |= bursts.inside();
                    levels.float = level(*pull, false);
                }
                Act::Open { signal, bursts, high } if bursts.inside() => match signal {
                    Signal::ChipSelect => levels.selected = !high,
                    Signal::Clock => levels.clocked = false,
                    Signal::DataIn => levels.data_in = Some(*high),
                    Signal::Hold => levels.held |= !high,
                    Signal::DataOut | Signal::WriteProtect => {}
                },
                _ => {}
            }
        }
        levels.held &= !chip.is_quad();
        levels
    }
}

impl Side<'_> {
    fn clocks(&self) -> u64 {
        match self {
            Side::Sent(bytes) => bytes.len() as u64 * 8,
            Side::Sampled(bytes) => bytes.len() as u64 * 8,
        }
    }
}

impl Act {
    /// Where it stands between the chip and the link's sampler; those that act on nothing sampled come first.
    fn stage(&self) -> u8 {
        match self {
            Self::Weak(_) => 1,
            Self::OpenDataOut(_) => 2,
            Self::Contention(_) => 3,
            Self::Noise(_) => 4,
            Self::Late(_) => 5,
            Self::Shift(_) => 6,
            _ => 0,
        }
    }

    /// What counts clocks of both sides, and changes levels at the chip.
    fn bursts(&mut self) -> Option<&mut Bursts> {
        match self {
            Self::Bounce { bursts, .. } | Self::Pause { bursts, .. } | Self::Open { bursts, .. } => Some(bursts),
            _ => None,
        }
    }

    /// Clocks until it changes something at the chip.
    fn clocks_left(&self) -> Option<u64> {
        match self {
            Self::Slip { gap, .. } => Some(gap.left()),
            Self::Bounce { bursts, .. } | Self::Pause { bursts, .. } | Self::Open { bursts, .. } => Some(bursts.left()),
            _ => None,
        }
    }

    fn arm(&mut self, now: u64) {
        match self {
            Self::Slip { gap, .. } | Self::Flips(gap) | Self::Noise(gap) => gap.arm(),
            Self::Late(late) => late.gap.arm(),
            Self::Bounce { bursts, .. } | Self::Pause { bursts, .. } | Self::Open { bursts, .. } => bursts.arm(),
            Self::Weak(weak) => weak.bursts.arm(),
            Self::OpenDataOut(open) => open.bursts.arm(),
            Self::Stuck { armed, .. } => *armed = true,
            Self::Contention(other) => other.arm(now),
            Self::Shift(shift) => shift.arm(),
        }
    }

    /// Changes bits on DI; `damaged` is the copy of `bytes` that those before it changed.
    fn damage(&mut self, bytes: &[u8], damaged: &mut Option<Vec<u8>>, first_bit: u64, timing: Timing) {
        match self {
            Self::Flips(gap) if gap.left() < bytes.len() as u64 * 8 => {
                let sent = damaged.get_or_insert_with(|| bytes.to_vec());
                gap.each(bytes.len() as u64 * 8, |at, _| bits::flip(sent, at));
            }
            Self::Flips(gap) => gap.pass(bytes.len() as u64 * 8),
            Self::Stuck { line, acts: true, .. } => {
                let Some(at) = u64::from(line.bit).checked_sub(first_bit) else { return };
                if at < bytes.len() as u64 * 8 {
                    let sent = damaged.get_or_insert_with(|| bytes.to_vec());
                    let before = if at == 0 { bits::get(sent, at) } else { bits::get(sent, at - 1) };
                    bits::set(sent, at, level(line.pull, before));
                }
            }
            Self::Contention(other) => other.spoil(damaged.get_or_insert_with(|| bytes.to_vec()), timing),
            _ => {}
        }
    }
}

/// How a fault acts on the lines; none when it does not. One of one moment has no chance until it is armed.
fn act(kind: &FaultKind, moment: bool, stream: impl Fn(&str) -> Stream) -> Option<Act> {
    let own = |chance: f64| if moment { 0.0 } else { chance };
    let opening = |chance: f64, share: f64| {
        if moment {
            Bursts::new(0.0, Length::Clocks(ONE_OPENING.into()), stream(""))
        } else {
            Bursts::of_share(chance, share, stream(""))
        }
    };
    Some(match *kind {
        FaultKind::Noise { chance } => Act::Noise(Gap::new(own(chance), stream(""))),
        FaultKind::OpenContact { contact: Contact::Line(Signal::DataOut), pull, chance, share } => {
            Act::OpenDataOut(OpenDataOut::new(opening(chance, share), pull, stream(" edges")))
        }
        FaultKind::OpenContact { contact: Contact::Line(signal), pull, chance, share } => {
            Act::Open { signal, bursts: opening(chance, share), high: pull == Pull::Up }
        }
        FaultKind::WeakDataOut { chance, share, pull } => {
            let bursts = Bursts::new(own(chance), Length::Ends(1.0 / f64::from(WEAK_BURST)), stream(""));
            Act::Weak(WeakDataOut { bursts, share, pull })
        }
        FaultKind::ClockSlip { chance, doubled } => {
            Act::Slip { gap: Gap::new(own(chance), stream("")), doubled, which: stream(" direction") }
        }
        FaultKind::SelectBounce { chance, share, pull } => {
            let length = if share >= 1.0 { Length::Endless } else { up_to(share) };
            Act::Bounce { bursts: Bursts::new(own(chance), length, stream("")), pull }
        }
        FaultKind::HoldFloating { signal: Signal::Hold, chance, share, pull } => {
            Act::Pause { bursts: Bursts::new(own(chance), up_to(share), stream("")), pull }
        }
        FaultKind::AddressError { stuck: Some(line), .. } => {
            Act::Stuck { line, stream: stream(""), acts: false, armed: false }
        }
        FaultKind::AddressError { chance, stuck: None } => Act::Flips(Gap::new(own(chance), stream(""))),
        FaultKind::LateSampling { chance, lead } => Act::Late(LateSampling::new(own(chance), lead, stream(""))),
        FaultKind::ConstantShift { share } => Act::Shift(Shift::new(own(share), stream(""))),
        FaultKind::BusContention { per_second, share } if per_second > 0.0 => {
            Act::Contention(Contention::new(per_second, share, moment, stream("")))
        }
        _ => return None,
    })
}

fn up_to(share: f64) -> Length {
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "at most 256")]
    let most = (share * f64::from(LONGEST_PAUSE)).ceil() as u64;
    Length::UpTo(most)
}
