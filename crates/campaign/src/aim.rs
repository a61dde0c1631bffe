//! Faults, aimed: what a rehearsal saw a command do decides where a fault can hit it.

use crate::draw::Draw;
use crate::faults::Kind;
use crate::rules::Stuck;
use crate::watch::{Busy, Span, Watch};

/// What a command was seen to do without faults.
#[derive(Debug, Clone, Default)]
pub struct Rehearsal {
    spans: Vec<Span>,
    requests: u64,
    first_read_us: u64,
    end_us: u64,
    /// Operations that changed the disk.
    pub disk: u64,
}

impl Rehearsal {
    /// Returns what `watch` saw.
    #[must_use]
    pub fn of(watch: &Watch, disk: u64) -> Self {
        Self {
            spans: watch.spans.clone(),
            requests: watch.requests,
            first_read_us: watch.first_read_us.unwrap_or(watch.now_us),
            end_us: watch.now_us,
            disk,
        }
    }

    fn moment_in(&self, busy: Busy, draw: &mut Draw) -> Option<u64> {
        let fitting: Vec<&Span> =
            self.spans.iter().filter(|span| span.busy == busy && span.to_us > span.from_us).collect();
        let span = fitting.get(draw.index(fitting.len()))?;
        Some(span.from_us + 1 + draw.below(span.to_us - span.from_us))
    }

    /// A moment in any request, or after the first read of the array.
    fn moment(&self, draw: &mut Draw) -> u64 {
        self.moment_in(Busy::Request, draw).unwrap_or(self.end_us)
    }

    fn later_moment(&self, draw: &mut Draw) -> u64 {
        self.first_read_us + draw.below(self.end_us.saturating_sub(self.first_read_us) + 1)
    }

    /// A moment in a part of the command in which the chip is changed, if there is one.
    fn writing_moment(&self, draw: &mut Draw) -> Option<u64> {
        let begin = self.spans.iter().find(|span| matches!(span.busy, Busy::Erase | Busy::Program))?.from_us;
        Some(begin + draw.below(self.end_us.saturating_sub(begin) + 1))
    }
}

/// A fault that is set to hit a command.
#[derive(Debug, Clone)]
pub struct Armed {
    /// Its kind.
    pub kind: Kind,
    /// What the bench file says of it, if it is one of the virtual bench.
    pub toml: String,
    /// The name that the virtual bench gives it when it is one of a moment.
    pub fires_as: Option<String>,
    /// When it begins, for a fault that lasts.
    pub from_us: Option<u64>,
    /// The request before which the host dies.
    pub kill_at: Option<u64>,
    /// The request before which the person says stop.
    pub stop_at: Option<u64>,
    /// How the disk fails, and at which operation.
    pub disk: Option<vault::faults::Plan>,
    /// A bit that does not follow any more.
    pub stuck: Option<Stuck>,
}

/// Returns `kind`, aimed at what `rehearsal` saw; none when it has nothing to hit there.
#[must_use]
pub fn arm(kind: Kind, rehearsal: &Rehearsal, size: u32, draw: &mut Draw) -> Option<Armed> {
    let mut armed = Armed {
        kind,
        toml: String::new(),
        fires_as: None,
        from_us: None,
        kill_at: None,
        stop_at: None,
        disk: None,
        stuck: None,
    };
    if rehearsal.requests == 0 && kind.of_disk().is_none() {
        return None;
    }
    let place = |draw: &mut Draw| u32::try_from(draw.below(u64::from(size))).expect("below the chip's size");
    match kind {
        Kind::CutInErase => armed.moment("power-cut", rehearsal.moment_in(Busy::Erase, draw)?),
        Kind::CutInProgram => armed.moment("power-cut", rehearsal.moment_in(Busy::Program, draw)?),
        Kind::CutInStatusWrite => armed.moment("power-cut", rehearsal.moment_in(Busy::StatusWrite, draw)?),
        Kind::Unplug => armed.moment("unplug", rehearsal.moment(draw)),
        Kind::SupplyDip => armed.moment("supply-dip", rehearsal.moment(draw)),
        Kind::LinkStall => armed.moment("link-stall", rehearsal.moment(draw)),
        Kind::OtherChip => armed.moment("wrong-chip", rehearsal.moment(draw)),
        Kind::ProtectRaised => armed.moment("protect-raised", rehearsal.later_moment(draw)),
        Kind::BusyForever => armed.moment("busy-forever", rehearsal.moment(draw)),
        Kind::LongStall => {
            let len = 1000 << draw.below(14);
            armed.window("link-stall", "", rehearsal.moment(draw), len);
        }
        Kind::Noise => {
            let rate = ["1e-7", "1e-5", "1e-3"][draw.index(3)];
            let len = 1 << (6 + draw.below(16));
            armed.window("noise", &format!("rate = {rate}\nseverity = 1.0\n"), rehearsal.moment(draw), len);
        }
        Kind::OpenContact => {
            let signal = ["chip-select", "data-out", "write-protect", "ground", "data-in", "clock", "hold", "supply"];
            let pull = ["up", "down"][draw.index(2)];
            let more = format!("signal = \"{}\"\npull = \"{pull}\"\nseverity = 1.0\n", signal[draw.index(8)]);
            let len = 1 << (4 + draw.below(20));
            armed.window("open-contact", &more, rehearsal.moment(draw), len);
        }
        Kind::BadLine => {
            let line = ["weak-data-out", "clock-slip", "select-bounce", "address-error"][draw.index(4)];
            let rate = ["1e-6", "1e-4", "1e-3"][draw.index(3)];
            let len = 1 << (4 + draw.below(20));
            armed.window(line, &format!("rate = {rate}\nseverity = 0.5\n"), rehearsal.moment(draw), len);
        }
        Kind::OtherChipForAWhile => {
            let len = 1 << (4 + draw.below(20));
            armed.window("wrong-chip", "", rehearsal.moment(draw), len);
        }
        // What lasts begins when the chip is being changed: a capture before it is sound.
        Kind::StuckBit => {
            let (at, bit, level) = (place(draw), draw.below(8).to_le_bytes()[0], draw.chance(1, 2));
            let from_us = rehearsal.writing_moment(draw)?;
            armed.stuck = Some(Stuck { at, bit, level, from_us });
            let pull = if level { "up" } else { "down" };
            armed.lasting("stuck-bit", &format!("at = {at}\nbit = {bit}\npull = \"{pull}\"\n"), from_us);
        }
        Kind::WornSector => {
            let more = format!("at = {}\nseverity = 0.{}\n", place(draw), draw.below(10));
            armed.lasting("worn-sector", &more, rehearsal.writing_moment(draw)?);
        }
        Kind::KilledAtRequest => armed.kill_at = Some(1 + draw.below(rehearsal.requests)),
        Kind::Stopped => armed.stop_at = Some(1 + draw.below(rehearsal.requests)),
        Kind::KilledAtDisk | Kind::HostPowerCut | Kind::DiskFull | Kind::DiskFullOnce | Kind::DiskBroken => {
            let (failure, lasting) = kind.of_disk()?;
            armed.disk =
                Some(vault::faults::Plan { at: 1 + draw.below(rehearsal.disk), failure, lasting, seed: draw.bits() });
        }
        Kind::ChipReplaced | Kind::ObjectDamaged | Kind::JournalDamaged | Kind::ClockBack => return None,
    }
    Some(armed)
}

impl Armed {
    fn moment(&mut self, name: &str, at_us: u64) {
        self.toml = format!("\n[[fault]]\nkind = \"{name}\"\nat_us = {at_us}\n");
        self.fires_as = Some(format!("{name} at {at_us}"));
    }

    fn window(&mut self, name: &str, more: &str, from_us: u64, len_us: u64) {
        let until_us = from_us + len_us;
        self.toml = format!("\n[[fault]]\nkind = \"{name}\"\n{more}from_us = {from_us}\nuntil_us = {until_us}\n");
        self.from_us = Some(from_us);
    }

    fn lasting(&mut self, name: &str, more: &str, from_us: u64) {
        self.toml = format!("\n[[fault]]\nkind = \"{name}\"\n{more}from_us = {from_us}\n");
        self.from_us = Some(from_us);
    }
}
