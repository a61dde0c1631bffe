//! What to read next: passes chosen to disprove each other, and when to stop reading and reach for the clip.
//!
//! In: the conditions of every pass so far, the judgement on them and its diagnosis. Out: one next thing to do. The caller
//! (the job) does it, judges again, and asks again; nothing is kept here, so the same history gives the same answer.
//!
//! | what was seen | what comes next |
//! |---|---|
//! | nothing | a pass at the fastest clock, upwards, 03h, in chunks |
//! | one pass | one at three quarters of the clock, downwards, 0Bh, in other chunks, so that no time and no address bit repeats |
//! | passes agree | accepted, or refused when no further pass can mend what is wrong |
//! | few sectors differ and no contact is to blame | those sectors again, twice, slower |
//! | a contact is to blame | reseat it, and begin anew: what came through a bad contact is no evidence |
//! | no contact is to blame and much differs | a slower pass |
//! | patience is over | refuse, with what is left offered as a majority |
//!
//! The decision a reader would question: after reseating, earlier passes do not count. They may be right, but a reseated
//! clip is another way of reading, and two passes through the good one cost less than an argument about the bad one.

use std::ops::Range;

use crate::advice::{OTHER_MASTER_LADDER, advice};
use crate::diagnose::{Diagnosis, Fault};
use crate::judge::{Judgement, Verdict};
use crate::pass::Order;
use crate::reason::Reason;

/// How one pass is to be read.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Manner {
    /// The serial clock in hertz.
    pub clock_hz: u32,
    /// Whether to use the command with dummy clocks (0Bh or 0Ch) instead of the plain one (03h or 13h).
    pub fast: bool,
    /// The order of the chunks.
    pub order: Order,
    /// Bytes of one read command.
    pub chunk: u32,
}

/// What has happened since the contacts were last touched.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Seen<'a> {
    /// Whole passes since the last reseating.
    pub passes: &'a [Manner],
    /// Reads of disputed sectors since the last reseating.
    pub sector_reads: u32,
    /// Times that a contact was reseated, in this capture.
    pub reseated: u32,
    /// The judgement on those passes; `None` before the first.
    pub judgement: Option<&'a Judgement>,
    /// The diagnosis that goes with it.
    pub diagnosis: Option<&'a Diagnosis>,
    /// Whether reads of the disputed sectors agree with each other and with one whole pass, in every such sector.
    pub sectors_settled: bool,
}

/// How long to go on.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Patience {
    /// Whole passes between two reseatings.
    pub passes: u32,
    /// Reads of disputed sectors between two reseatings.
    pub sector_reads: u32,
    /// Reseatings in one capture.
    pub reseatings: u32,
}

/// What the link and the chip allow.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Reach {
    /// The slowest clock in hertz.
    pub slowest_hz: u32,
    /// The fastest clock in hertz.
    pub fastest_hz: u32,
    /// The chip's size in bytes.
    pub size: u32,
}

/// The next thing to do.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Next {
    /// Read the whole chip.
    Pass(Manner),
    /// Read these parts only.
    Sectors {
        /// Byte ranges, ascending, of whole sectors.
        ranges: Vec<Range<u32>>,
        /// How.
        manner: Manner,
    },
    /// Unplug, reseat a contact, and begin anew.
    Reseat {
        /// The fault that speaks for it.
        fault: Fault,
        /// The signal, such as "DO".
        signal: &'static str,
        /// Its pin in the 8-pin package.
        pin: u8,
        /// What to do, in one sentence.
        advice: &'static str,
    },
    /// The capture is accepted.
    Accept,
    /// No further read mends it.
    Refuse {
        /// Whether patience is over, rather than that reading on is of no use.
        patience_over: bool,
        /// What to do, in one sentence.
        advice: &'static str,
    },
}

/// Own choice, no source: five passes of 16 MiB take some two minutes on a fast link, and nobody reseats a clip a fifth time.
impl Default for Patience {
    fn default() -> Self {
        Self { passes: 5, sector_reads: 6, reseatings: 4 }
    }
}

/// Share of sectors up to which disputed ones are read alone; above it a whole pass costs hardly more.
const FEW_OF: u32 = 20;
/// Share of belief from which a contact is to blame.
const BLAMED: f64 = 0.5;

/// Returns what to do next.
pub fn next(seen: &Seen<'_>, reach: &Reach, patience: &Patience) -> Next {
    let (Some(judgement), [_, _, ..]) = (seen.judgement, seen.passes) else {
        return Next::Pass(manner(seen.passes.len(), reach));
    };
    match judgement.verdict {
        Verdict::Trusted => Next::Accept,
        Verdict::Refused => refused(seen, judgement, reach, patience),
        Verdict::Disputed => disputed(seen, judgement, reach, patience),
    }
}

/// Returns how pass number `index` is read: each differs from the one before in clock, command, order and chunk.
fn manner(index: usize, reach: &Reach) -> Manner {
    let share = [(1, 1), (3, 4), (1, 2), (3, 8), (1, 4)][index.min(4)];
    let clock_hz = (u64::from(reach.fastest_hz) * share.0 / share.1) as u32;
    // An odd chunk beside an even one: a held address bit would have to lie outside both to go unseen.
    let chunk = [1 << 16, 3 << 14, 1 << 15, 3 << 13, 1 << 16][index.min(4)];
    Manner {
        clock_hz: clock_hz.clamp(reach.slowest_hz.min(reach.fastest_hz), reach.fastest_hz),
        fast: index % 2 == 1,
        order: [Order::Ascending, Order::Descending, Order::Interleaved][index % 3],
        chunk: chunk.min(reach.size.max(1)),
    }
}

fn refused(seen: &Seen<'_>, judgement: &Judgement, reach: &Reach, patience: &Patience) -> Next {
    // Passes of one kind, or too few of them: another one mends that. A chip that answered otherwise or not at all is a
    // contact's doing until reseating has been tried.
    let more = |reason: &Reason| {
        matches!(reason, Reason::OneKind | Reason::TooFewPasses { .. } | Reason::NoBytes | Reason::PassLength { .. })
    };
    let contact = |reason: &Reason| {
        matches!(
            reason,
            Reason::NoId { .. }
                | Reason::ChipChanged { .. }
                | Reason::TablesWrong { .. }
                | Reason::LooksShifted { .. }
                | Reason::Undescribed { .. }
        )
    };
    let refusing = || judgement.reasons.iter().filter(|reason| reason.severity() == crate::Severity::Refuses);
    if refusing().any(contact) {
        return reseat(seen, patience);
    }
    if refusing().any(more) && (seen.passes.len() as u32) < patience.passes {
        return Next::Pass(manner(seen.passes.len(), reach));
    }
    Next::Refuse { patience_over: false, advice: seen.diagnosis.map_or(advice(Fault::None), |one| one.first().advice) }
}

fn disputed(seen: &Seen<'_>, judgement: &Judgement, reach: &Reach, patience: &Patience) -> Next {
    let blamed = seen.diagnosis.map(Diagnosis::first).filter(|first| first.confidence >= BLAMED);
    let mechanical = blamed.is_some_and(|first| contact(first.fault).is_some() && first.fault != Fault::Noise);
    if mechanical {
        return reseat(seen, patience);
    }
    if seen.sectors_settled && seen.sector_reads >= 2 {
        return Next::Accept;
    }
    let few = u64::from(judgement.differing_sectors) * u64::from(FEW_OF) * 4096 <= u64::from(reach.size).max(1 << 18);
    if few && seen.sector_reads < patience.sector_reads {
        let next = seen.passes.len() + seen.sector_reads as usize;
        return Next::Sectors { ranges: judgement.differing.clone(), manner: manner(next.max(2), reach) };
    }
    if !few && (seen.passes.len() as u32) < patience.passes {
        return Next::Pass(manner(seen.passes.len(), reach));
    }
    reseat(seen, patience)
}

fn reseat(seen: &Seen<'_>, patience: &Patience) -> Next {
    let first = seen.diagnosis.map(Diagnosis::first);
    let fault = first.map_or(Fault::None, |first| first.fault);
    // Whatever else is wrong, ground is the contact that every signal needs.
    let (signal, pin) = contact(fault).unwrap_or(("GND", 4));
    let advice = match fault {
        Fault::BusContention => OTHER_MASTER_LADDER[(seen.reseated as usize).min(OTHER_MASTER_LADDER.len() - 1)],
        fault => advice(fault),
    };
    let rungs = if fault == Fault::BusContention { OTHER_MASTER_LADDER.len() as u32 } else { patience.reseatings };
    if seen.reseated >= rungs {
        return Next::Refuse { patience_over: true, advice };
    }
    Next::Reseat { fault, signal, pin, advice }
}

/// Returns the contact that `fault` points to, by signal and pin of the 8-pin package; `None` when it points to none.
pub fn contact(fault: Fault) -> Option<(&'static str, u8)> {
    match fault {
        Fault::OpenDataOut | Fault::WeakDataOut | Fault::BusContention => Some(("DO", 2)),
        Fault::ClockSlip | Fault::ConstantShift => Some(("CLK", 6)),
        Fault::SelectBounce => Some(("CS#", 1)),
        Fault::AddressError => Some(("DI", 5)),
        Fault::SupplySag => Some(("VCC", 8)),
        Fault::HoldFloating => Some(("HOLD#", 7)),
        Fault::Noise => Some(("GND", 4)),
        Fault::LateSampling | Fault::SizeAlias | Fault::None => None,
    }
}
