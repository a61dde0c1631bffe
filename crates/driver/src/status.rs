//! Status writes and block locks as operations of their own (safety rules S9 and S14).
//!
//! What is written was worked out by `nor::protection::lift`; what the registers were as found is durable before
//! either operation runs: both are the caller's business. Here lies what has to be seen on the chip: three equal reads
//! before, that nothing moved since the write was worked out, one write, and the registers afterwards.

use nor::command::{READ_STATUS, STATUS_BUSY, STATUS_WRITE_ENABLED, Transfer, WRITE_ENABLE};
use nor::link::{Guard, Limits};
use nor::protection::VOLATILE_BITS;
use nor::protection::lift::StatusWrite;

use crate::IDENTIFY_HZ;
use crate::bus::Bus;
use crate::error::DriverError;
use crate::identify::{Identity, read_registers};
use crate::op::Op;

/// A status write takes at most so long: tables do not state it, public datasheets give 15 to 200 ms (from memory); times
/// ten for what no sheet at hand covers.
const LONGEST_US: u64 = 2_000_000;

/// Time between two looks while it runs.
const POLL_US: u64 = 1_000;

/// Writes the status registers as `write` says; answers all registers as they read afterwards.
///
/// The registers must still be as `identity` has them: after a write, put what came back into [`Identity::status`].
#[must_use]
pub fn set_status<'a>(
    limits: &Limits,
    identity: &'a Identity,
    write: &'a StatusWrite,
) -> Op<'a, Result<Vec<u8>, DriverError>> {
    Op::new(limits, move |bus| async move { change_status(&bus, identity, write).await })
}

/// Opens all locks of single blocks, on chips of which the catalogue names the command. They close at the next power-up.
#[must_use]
pub fn unlock_blocks<'a>(limits: &Limits, identity: &'a Identity) -> Op<'a, Result<(), DriverError>> {
    Op::new(limits, move |bus| async move { open_locks(&bus, identity).await })
}

async fn change_status(bus: &Bus, identity: &Identity, write: &StatusWrite) -> Result<Vec<u8>, DriverError> {
    const DOING: &str = "writing the status";
    begin(bus, identity).await?;
    let [enable, set] = write.transfers();
    bus.transfer(enable, DOING).await?;
    if !write.volatile {
        let status = bus.read_status().await?;
        if status & STATUS_WRITE_ENABLED == 0 {
            return Err(DriverError::NotEnabled { at: 0, status });
        }
    }
    bus.transfer(set, DOING).await?;
    until_ready(bus).await?;
    let after = read_registers(bus, &identity.chip.status.reads).await?;
    if write.holds(&after) {
        return Ok(after);
    }
    let write_protect = write.needs_write_protect_high;
    Err(DriverError::StatusRefused { expected: write.expect_after.clone(), read: after, write_protect })
}

async fn open_locks(bus: &Bus, identity: &Identity) -> Result<(), DriverError> {
    const DOING: &str = "opening the block locks";
    let opcode = identity.chip.block_locks.ok_or(DriverError::NoBlockLocks)?;
    begin(bus, identity).await?;
    bus.transfer(Transfer::bare(WRITE_ENABLE), DOING).await?;
    let status = bus.read_status().await?;
    if status & STATUS_WRITE_ENABLED == 0 {
        return Err(DriverError::NotEnabled { at: 0, status });
    }
    bus.transfer(Transfer::bare(opcode), DOING).await?;
    // A chip that took the command clears the latch at its end; one that ignored it keeps the latch set.
    let status = until_ready(bus).await?;
    if status & STATUS_WRITE_ENABLED == 0 { Ok(()) } else { Err(DriverError::LocksStay { opcode, status }) }
}

/// The same chip, and three equal reads that are what `identity` has.
async fn begin(bus: &Bus, identity: &Identity) -> Result<(), DriverError> {
    bus.set_clock(IDENTIFY_HZ).await?;
    let guard = Guard { id: identity.chip.id.clone(), status: identity.status[0], status_mask: !VOLATILE_BITS };
    bus.check(&guard, 0).await?;
    let before = read_registers(bus, &identity.chip.status.reads).await?;
    let steady = |status: &[u8]| {
        let mut status = status.to_vec();
        status[0] &= !VOLATILE_BITS;
        status
    };
    if steady(&before) == steady(&identity.status) {
        return Ok(());
    }
    Err(DriverError::Unsteady { what: "status", first: identity.status.clone(), second: before })
}

async fn until_ready(bus: &Bus) -> Result<u8, DriverError> {
    let begun = bus.now_us();
    loop {
        bus.wait(POLL_US).await;
        let status = bus.transfer(Transfer::register(READ_STATUS, 1), "reading the status").await?[0];
        if status & STATUS_BUSY == 0 {
            return Ok(status);
        }
        let waited = bus.now_us() - begun;
        if waited > LONGEST_US {
            return Err(DriverError::Busy { at: 0, waited_ms: waited / 1000 });
        }
    }
}
