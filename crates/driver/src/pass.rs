//! One complete read of a chip, with its conditions: clock, command, order, and what the chip answered on the way.
//!
//! Passes that are to prove something must differ in kind (the `evidence` room says how). Before, between and after the
//! chip is asked for id, status and the signature of its tables at the pass's own clock: a chip that was lost for a
//! moment in the middle would otherwise go unnoticed.

use std::ops::Range;

use nor::SECTOR;
use nor::chip::{Addressing, Chip};
use nor::command::Transfer;
use nor::link::Limits;

use crate::bus::Bus;
use crate::error::DriverError;
use crate::identify::Identity;
use crate::op::{Event, Op};
use crate::reach::Reading;

/// The chip is asked again after so many bytes, and on larger chips after an eighth of them.
const ASK_EVERY: u32 = 1 << 20;

/// In which order the chunks of a pass are read.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Order {
    /// From the first byte up.
    Ascending,
    /// The last chunk first.
    Descending,
    /// Every second chunk upwards, then those left out.
    Interleaved,
}

/// How a pass is read.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct PassPlan {
    /// Wanted clock.
    pub clock_hz: u32,
    /// Read with 0Bh rather than 03h.
    pub fast: bool,
    /// Order of the chunks.
    pub order: Order,
    /// Bytes of one chunk; a multiple of [`SECTOR`] in a pass that digests.
    pub chunk: u32,
    /// Let the link digest instead of sending the content, where it can.
    pub digest: bool,
}

/// What a chip answered when it was asked in between.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Answered {
    /// The id.
    pub id: Vec<u8>,
    /// The unique id, where the chip has one.
    pub unique_id: Option<Vec<u8>>,
    /// As many status registers as identification read.
    pub status: Vec<u8>,
    /// Whether the tables began as they did at identification; none for a chip without tables.
    pub tables_ok: Option<bool>,
}

/// What a pass brought.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Content {
    /// Every byte.
    Bytes(Vec<u8>),
    /// CRC-32 of each [`SECTOR`], made by the link from a fresh read.
    Digests(Vec<u32>),
}

/// One pass.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Pass {
    /// Content or digests.
    pub content: Content,
    /// The clock that the link really took.
    pub clock_hz: u32,
    /// The read command.
    pub opcode: u8,
    /// Order of the chunks.
    pub order: Order,
    /// Bytes of one chunk.
    pub chunk: u32,
    /// Most bytes of one read command: a chunk takes several where the link takes less at once.
    pub command: u32,
    /// What the chip answered before, between and after; at least two answers.
    pub answers: Vec<Answered>,
    /// How long the pass took.
    pub took_us: u64,
}

/// Reads the whole chip once.
///
/// `identity` is what the chip was found to be; its size and address width count.
#[must_use]
pub fn pass<'a>(limits: &Limits, identity: &'a Identity, plan: PassPlan) -> Op<'a, Result<Pass, DriverError>> {
    Op::new(limits, move |bus| async move {
        let whole = 0..identity.chip.size;
        run(&bus, identity, plan, std::slice::from_ref(&whole)).await
    })
}

/// Reads parts of the chip once; the content is theirs, one after the other. `ranges` are ascending and of whole sectors.
#[must_use]
pub fn parts<'a>(
    limits: &Limits,
    identity: &'a Identity,
    plan: PassPlan,
    ranges: Vec<Range<u32>>,
) -> Op<'a, Result<Pass, DriverError>> {
    Op::new(limits, move |bus| async move { run(&bus, identity, plan, &ranges).await })
}

/// Pieces of the ranges as long as a chunk, in the plan's order: where each begins on the chip and in the content, and its bytes.
fn pieces(ranges: &[Range<u32>], plan: &PassPlan) -> Vec<(u32, u32, u32)> {
    let mut pieces = Vec::new();
    let mut into = 0;
    for range in ranges {
        for at in range.clone().step_by(plan.chunk as usize) {
            let len = plan.chunk.min(range.end - at);
            pieces.push((at, into, len));
            into += len;
        }
    }
    match plan.order {
        Order::Ascending => {}
        Order::Descending => pieces.reverse(),
        Order::Interleaved => {
            let even = pieces.iter().step_by(2);
            pieces = even.chain(pieces.iter().skip(1).step_by(2)).copied().collect();
        }
    }
    pieces
}

async fn run(bus: &Bus, identity: &Identity, plan: PassPlan, ranges: &[Range<u32>]) -> Result<Pass, DriverError> {
    let chip = &identity.chip;
    reach_all(chip)?;
    let size: u32 = ranges.iter().map(|range| range.end - range.start).sum();
    let digest = plan.digest && bus.limits().features.digest_range;
    let begun = bus.now_us();
    let clock_hz = bus.set_clock(plan.clock_hz).await?;
    bus.tell(Event::Begins { phase: if digest { "digesting" } else { "reading" }, total: u64::from(size) });
    let reading = bus.begin_reading(chip, plan.fast).await?;
    let mut answers = vec![ask(bus, identity, &reading).await?];
    let mut bytes = if digest { Vec::new() } else { vec![0; size as usize] };
    let mut digests = if digest { vec![0; size.div_ceil(SECTOR) as usize] } else { Vec::new() };
    let mut done = 0;
    let ask_every = ASK_EVERY.max(size / 8);
    for (at, into, len) in pieces(ranges, &plan) {
        if digest {
            let from = (into / SECTOR) as usize;
            let answer = bus.digest(at, len, &reading).await?;
            digests[from..from + answer.len()].copy_from_slice(&answer);
        } else {
            read_into(bus, at, &mut bytes[into as usize..(into + len) as usize], &reading).await?;
        }
        if done / ask_every != (done + len) / ask_every {
            answers.push(ask(bus, identity, &reading).await?);
        }
        done += len;
        bus.tell(Event::Progress { done: u64::from(done) });
    }
    answers.push(ask(bus, identity, &reading).await?);
    bus.end_reading(chip, &reading).await?;
    Ok(Pass {
        content: if digest { Content::Digests(digests) } else { Content::Bytes(bytes) },
        clock_hz,
        opcode: if digest { reading.digest_mode().opcode } else { reading.mode.opcode },
        order: plan.order,
        chunk: plan.chunk,
        command: plan.chunk.min(bus.read_bytes(reading.mode)),
        answers,
        took_us: bus.now_us() - begun,
    })
}

/// Refuses a chip whose upper part nothing says how to reach: reading on would show the first 16 MiB over again.
pub(crate) fn reach_all(chip: &Chip) -> Result<(), DriverError> {
    if chip.addressing == Addressing::Unknown { Err(DriverError::Unreachable { size: chip.size }) } else { Ok(()) }
}

/// Fills `bytes` from `at` in requests that the link can take.
pub(crate) async fn read_into(bus: &Bus, at: u32, bytes: &mut [u8], reading: &Reading) -> Result<(), DriverError> {
    let mut from = at;
    for piece in bytes.chunks_mut(bus.read_bytes(reading.mode) as usize) {
        let len = u32::try_from(piece.len()).expect("within a request");
        piece.copy_from_slice(&bus.read(from, len, reading).await?);
        from += len;
    }
    Ok(())
}

async fn ask(bus: &Bus, identity: &Identity, reading: &Reading) -> Result<Answered, DriverError> {
    if identity.chip.id.is_empty() {
        return Ok(Answered { id: Vec::new(), unique_id: None, status: Vec::new(), tables_ok: None });
    }
    let id = bus.read_id(u32::try_from(identity.chip.id.len()).expect("a few bytes")).await?;
    let mut status = Vec::with_capacity(identity.status.len());
    for opcode in identity.chip.status.reads.iter().take(identity.status.len()) {
        status.extend(bus.transfer(Transfer::register(*opcode, 1), "reading the status").await?);
    }
    let unique_id = match identity.unique_id {
        Some(_) => {
            let address_bytes = if reading.in_mode { 4 } else { 3 };
            Some(bus.transfer(Transfer::unique_id(address_bytes), "reading the unique id").await?)
        }
        None => None,
    };
    let tables_ok = match &identity.tables {
        // In four-byte mode some parts want four address bytes for the tables too, so the question is left out there.
        Some(tables) if !reading.in_mode => {
            let read = bus.transfer(Transfer::sfdp(0, 8), "reading the chip's tables").await?;
            Some(tables.starts_with(&read))
        }
        _ => None,
    };
    Ok(Answered { id, unique_id, status, tables_ok })
}
