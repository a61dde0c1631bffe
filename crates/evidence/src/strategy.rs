//! What to read next: passes chosen to disprove each other, and when to stop reading and reach for the clip.
//!
//! In: the manner of every pass so far, the judgement on them and its diagnosis. Out: one next thing to do. The caller does
//! it, judges again, and asks again; nothing is kept here, so the same history gives the same answer.
//!
//! | what was seen | what comes next |
//! |---|---|
//! | nothing | a pass at the fastest clock, upwards, in chunks |
//! | one pass | one slower, downwards, by the other read command, in chunks of another size, so that no moment and no address bit repeats |
//! | passes agree | accepted, or refused when no further pass can mend what is wrong |
//! | a contact is to blame | reseat it and begin anew: what came through a bad contact is no evidence |
//! | bits are taken too late | begin anew at half of the clock |
//! | few sectors differ and no contact is to blame | those sectors again, slower, until two such reads agree |
//! | much differs and no contact is to blame | one more pass, slower |
//! | patience is over | refused; what is there may be offered as a majority |
//!
//! What a caller must know: "begin anew" means that earlier passes no longer count; they may be right, but a reseated clip is
//! another way of reading, and two passes through the good one cost less than an argument about the bad one.
//!
//! The decision a reader would question: settled sectors are accepted although whole passes differ there. Two later reads in
//! other manners agree with each other and with a whole pass, which is what rule 1 asks of every sector; the caller
//! puts the content together and says so in the record.

use std::ops::Range;

use crate::advice::{OTHER_MASTER_LADDER, advice};
use crate::diagnose::{Diagnosis, Fault};
use crate::judge::{Judgement, Verdict};
use crate::pass::Order;
use crate::reason::{Reason, Severity};

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

/// What has happened in this capture.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct History<'a> {
    /// Whole passes since the last new beginning.
    pub passes: u32,
    /// Reads of disputed sectors since the last new beginning.
    pub sector_reads: u32,
    /// Times that a contact was reseated.
    pub reseated: u32,
    /// The judgement on those passes; `None` before there are any.
    pub judgement: Option<&'a Judgement>,
    /// The diagnosis that goes with it.
    pub diagnosis: Option<&'a Diagnosis>,
    /// Whether, in every disputed sector, two reads of it in different manners agree with each other and with a whole pass.
    pub settled: bool,
}

/// What the link and the chip allow.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Reach {
    /// The slowest clock in hertz.
    pub slowest_hz: u32,
    /// The fastest clock in hertz; lower after [`Next::Slower`].
    pub fastest_hz: u32,
    /// The chip's size in bytes.
    pub size: u32,
}

/// How long to go on.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Patience {
    /// Whole passes between two new beginnings.
    pub passes: u32,
    /// Reads of disputed sectors between two new beginnings.
    pub sector_reads: u32,
    /// Reseatings in one capture.
    pub reseatings: u32,
}

/// Own choice, no source: five passes of 16 MiB take some two minutes, and hardly anybody reseats a clip a fifth time.
impl Default for Patience {
    fn default() -> Self {
        Self { passes: 5, sector_reads: 6, reseatings: 4 }
    }
}

/// The next thing to do.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Next {
    /// Read the whole chip.
    Pass(Manner),
    /// Read these parts only.
    Sectors {
        /// Byte ranges, ascending, of whole sectors of 4 KiB.
        ranges: Vec<Range<u32>>,
        /// How.
        manner: Manner,
    },
    /// Begin anew with this as the fastest clock.
    Slower {
        /// In hertz.
        clock_hz: u32,
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
    /// The capture is accepted: as it is, or with the settled sectors put in.
    Accept,
    /// No further read mends it.
    Refuse {
        /// Whether patience is over, rather than that reading on is of no use.
        patience_over: bool,
        /// What to do, in one sentence.
        advice: &'static str,
    },
}

/// Returns what to do next. Never asks for more than `patience` allows.
pub fn next(history: &History<'_>, reach: &Reach, patience: &Patience) -> Next {
    let judged = history.judgement.filter(|_| history.passes >= 2);
    let Some(judgement) = judged else { return Next::Pass(manner(history.passes, reach)) };
    match judgement.verdict {
        Verdict::Trusted => Next::Accept,
        Verdict::Refused => after_refusal(history, judgement, reach, patience),
        Verdict::Disputed => after_dispute(history, judgement, reach, patience),
    }
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

/// Disputed sectors may be this part of the chip to be read alone; above it a whole pass costs hardly more.
const FEW: u64 = 16;
/// Share of belief from which a fault is to blame.
const BLAMED: f64 = 0.5;

/// Returns how pass number `index`, from 0, is read: unlike the one before in clock, command, order and chunk.
fn manner(index: u32, reach: &Reach) -> Manner {
    let step = (index % 5) as usize;
    let eighths = [8, 6, 4, 3, 2][step];
    // A chunk that is no power of two beside one that is: a held address bit then cannot damage both in the same way.
    let chunk = [1 << 16, 3 << 14, 1 << 15, 3 << 13, 1 << 14][step];
    let slowest = reach.slowest_hz.min(reach.fastest_hz);
    Manner {
        clock_hz: ((u64::from(reach.fastest_hz) * eighths / 8) as u32).clamp(slowest, reach.fastest_hz),
        fast: index % 2 == 1,
        order: [Order::Ascending, Order::Descending, Order::Interleaved][index as usize % 3],
        chunk: chunk.min(reach.size.max(1)),
    }
}

fn after_refusal(history: &History<'_>, judgement: &Judgement, reach: &Reach, patience: &Patience) -> Next {
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
    // What another pass in another manner mends.
    let more = |reason: &Reason| {
        matches!(reason, Reason::OneKind | Reason::TooFewPasses { .. } | Reason::NoBytes | Reason::PassLength { .. })
    };
    let any = |wanted: &dyn Fn(&Reason) -> bool| {
        judgement.reasons.iter().any(|reason| reason.severity() == Severity::Refuses && wanted(reason))
    };
    if any(&contact) {
        return reseat(history, patience);
    }
    if any(&more) && history.passes < patience.passes {
        return Next::Pass(manner(history.passes, reach));
    }
    Next::Refuse { patience_over: any(&more), advice: sentence(history) }
}

fn after_dispute(history: &History<'_>, judgement: &Judgement, reach: &Reach, patience: &Patience) -> Next {
    let blamed = history.diagnosis.map(Diagnosis::first).filter(|first| first.confidence >= BLAMED);
    match blamed.map(|first| first.fault) {
        Some(Fault::LateSampling) if reach.fastest_hz / 2 >= reach.slowest_hz.max(1) => {
            return Next::Slower { clock_hz: reach.fastest_hz / 2 };
        }
        Some(Fault::SizeAlias) => return Next::Refuse { patience_over: false, advice: advice(Fault::SizeAlias) },
        // Single bits at random are mended by reading again; every other contact has to be touched first.
        Some(fault) if fault != Fault::Noise && contact(fault).is_some() => return reseat(history, patience),
        _ => {}
    }
    if history.settled && history.sector_reads >= 2 {
        return Next::Accept;
    }
    let few = u64::from(judgement.differing_sectors) * 4096 * FEW <= u64::from(reach.size);
    if few && history.sector_reads < patience.sector_reads {
        let manner = manner((history.passes + history.sector_reads).max(2), reach);
        return Next::Sectors { ranges: judgement.differing.clone(), manner };
    }
    if !few && history.passes < patience.passes {
        return Next::Pass(manner(history.passes, reach));
    }
    reseat(history, patience)
}

fn reseat(history: &History<'_>, patience: &Patience) -> Next {
    let fault = history.diagnosis.map_or(Fault::None, |diagnosis| diagnosis.first().fault);
    let advice = sentence(history);
    let most = match fault {
        Fault::BusContention => patience.reseatings.max(OTHER_MASTER_LADDER.len() as u32),
        _ => patience.reseatings,
    };
    if history.reseated >= most {
        return Next::Refuse { patience_over: true, advice };
    }
    // Whatever else is wrong, ground is the contact that every signal needs.
    let (signal, pin) = contact(fault).unwrap_or(("GND", 4));
    Next::Reseat { fault, signal, pin, advice }
}

/// Returns the advice on the first fault; against another master the next rung of its ladder.
fn sentence(history: &History<'_>) -> &'static str {
    match history.diagnosis.map(|diagnosis| diagnosis.first().fault) {
        Some(Fault::BusContention) => {
            OTHER_MASTER_LADDER[(history.reseated as usize).min(OTHER_MASTER_LADDER.len() - 1)]
        }
        Some(fault) => advice(fault),
        None => advice(Fault::None),
    }
}

#[cfg(test)]
mod tests;
