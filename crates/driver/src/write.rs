//! Carrying out a plan: erase and program, checked on the way (safety rule S6).
//!
//! The caller made the plan from a read of this very chip and made it durable (S1, S2). This operation refuses before
//! the first erase when block protection covers any of it, and ends at once when the chip's id or status changes: at
//! each erase block and each 64 KiB programmed. On chips that may lose their address mode the mode is proven before each
//! single step as well (`reach` says how). Verifying is an operation of its own.

use nor::chip::Addressing;
use nor::link::{EraseBlock, EraseList, Guard, Limits, ProgramRange};
use nor::plan::{Plan, PlanStep};
use nor::protection::VOLATILE_BITS;

use crate::PATIENCE;
use crate::bus::Bus;
use crate::change::Changing;
use crate::error::DriverError;
use crate::identify::Identity;
use crate::op::{Event, Op};
use crate::reach::Proof;

/// Most erases of one list: progress shows and a stop is heard within seconds, on links that run lists as well.
const ERASES_AT_ONCE: usize = 16;

/// What to write.
#[derive(Debug, Clone, Copy)]
pub struct WriteJob<'a> {
    /// The chip as it was identified in this run.
    pub identity: &'a Identity,
    /// What to do.
    pub plan: &'a Plan,
    /// The wanted content of the whole chip.
    pub wanted: &'a [u8],
    /// Wanted clock.
    pub clock_hz: u32,
}

/// Erases and programs as planned.
#[must_use]
pub fn write<'a>(limits: &Limits, job: WriteJob<'a>) -> Op<'a, Result<(), DriverError>> {
    Op::new(limits, move |bus| async move { run(&bus, job).await })
}

/// Refuses a plan of which block protection covers any part; pure, so that it can be asked before anything is begun.
///
/// # Errors
/// [`DriverError::Protected`].
pub fn check_protection(identity: &Identity, plan: &Plan) -> Result<(), DriverError> {
    if plan.touched().iter().any(|range| identity.protection.forbids(range.start, range.end - range.start)) {
        return Err(DriverError::Protected { protection: identity.protection.clone(), status: first_status(identity) });
    }
    Ok(())
}

async fn run(bus: &Bus, job: WriteJob<'_>) -> Result<(), DriverError> {
    let identity = job.identity;
    let chip = &identity.chip;
    let steps = &job.plan.steps;
    let total: u64 = steps.iter().map(|step| u64::from(weight(step))).sum();
    bus.set_clock(job.clock_hz).await?;
    let guard = Guard { id: chip.id.clone(), status: first_status(identity), status_mask: !VOLATILE_BITS };
    let proof = Proof::of(chip, job.plan, job.wanted);
    let changing = Changing { chip, guard, proof };
    bus.check(&changing.guard, 0).await?;
    check_protection(identity, job.plan)?;
    bus.tell(Event::Begins { phase: "erasing and programming", total });
    bus.enter(chip.addressing).await?;
    if !steps.is_empty() {
        bus.hold_mode(&changing, 0).await?;
    }
    let mut done = 0;
    let mut index = 0;
    while let Some(step) = steps.get(index) {
        match *step {
            PlanStep::Erase { .. } => {
                // Erases that follow each other go out as one list.
                let erases = steps[index..].iter().take_while(|step| matches!(step, PlanStep::Erase { .. }));
                let run = erases.take(ERASES_AT_ONCE).count();
                let blocks = steps[index..index + run].iter().filter_map(erase_block).collect();
                let list = EraseList { blocks, address_bytes: chip.addressing.bytes(), guard: changing.guard.clone() };
                bus.erase(&changing, list).await?;
                done += steps[index..index + run].iter().map(|step| u64::from(weight(step))).sum::<u64>();
                index += run;
            }
            PlanStep::Program { at, len } => {
                let most = bus.program_bytes(chip.page);
                for from in (at..at + len).step_by(most as usize) {
                    let len = most.min(at + len - from);
                    let range = ProgramRange {
                        at: from,
                        data: job.wanted[from as usize..(from + len) as usize].to_vec(),
                        page: chip.page,
                        opcode: chip.program_opcode,
                        address_bytes: chip.addressing.bytes(),
                        typical_us: chip.program.typical_us,
                        limit_us: chip.program.max_us * PATIENCE,
                        guard: changing.guard.clone(),
                    };
                    bus.program(&changing, range).await?;
                    done += u64::from(len);
                    bus.tell(Event::Progress { done });
                }
                index += 1;
            }
        }
        bus.tell(Event::Progress { done });
    }
    if let Some(last) = job.plan.touched().last() {
        bus.hold_mode(&changing, last.end - 1).await?;
    }
    bus.leave(chip.addressing).await?;
    debug_assert_ne!(chip.addressing, Addressing::Unknown, "such a chip is never written (S5)");
    Ok(())
}

/// Status register 1; the kernel keeps it to itself, and nothing is then compared with it.
fn first_status(identity: &Identity) -> u8 {
    identity.status.first().copied().unwrap_or(0)
}

/// How much of the progress a step is: its bytes.
fn weight(step: &PlanStep) -> u32 {
    match *step {
        PlanStep::Erase { erase, .. } => erase.size,
        PlanStep::Program { len, .. } => len,
    }
}

fn erase_block(step: &PlanStep) -> Option<EraseBlock> {
    match *step {
        PlanStep::Erase { at, erase } => Some(EraseBlock {
            at,
            opcode: erase.opcode,
            typical_us: erase.times.typical_us,
            limit_us: erase.times.max_us * PATIENCE,
        }),
        PlanStep::Program { .. } => None,
    }
}
