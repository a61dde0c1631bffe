//! Identify: which chip is this, what does it say of itself, is it the size it is said to be.
//!
//! Safety rule S5 rules the order: until the id has named the family, only ABh, 9Fh, 5Ah and 05h are sent (and 03h for
//! the size), because other opcodes mean different things to different makers. Everything is read until it reads the
//! same twice: an answer that changes is a contact, not a chip.

use nor::chip::{Addressing, Chip};
use nor::command::{READ_ID, READ_STATUS, RELEASE, STATUS_BUSY, Transfer};
use nor::link::Limits;
use nor::protection::Protection;
use nor::sfdp::{self, SfdpError, Tables};
use nor::{catalogue, chip};

use crate::IDENTIFY_HZ;
use crate::bus::Bus;
use crate::error::DriverError;
use crate::op::Op;
use crate::size::{self, SizeMeasure};

/// Bytes of the id that are read first. Longer ids begin with the same three.
const ID_BYTES: u32 = 3;

/// A sleeping chip needs this long after ABh (from memory: 3 to 50 us among public datasheets).
const WAKE_US: u64 = 100;

/// Time between two looks at a chip that is still busy with what an earlier run began.
const READY_POLL_US: u64 = 5_000;

/// How often a chip is asked the same thing before its answers count as unsteady.
const ASKED: usize = 3;

/// What identifying a chip found.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Identity {
    /// What is believed of the chip, with conflicts; a measured size that disagrees is one.
    pub chip: Chip,
    /// Status registers, the first one always.
    pub status: Vec<u8>,
    /// The unique id, where the chip has one.
    pub unique_id: Option<Vec<u8>>,
    /// What 5Ah answered; none when the chip has no tables.
    pub tables: Option<Vec<u8>>,
    /// What reading showed of the size.
    pub size: SizeMeasure,
    /// What the status register protects.
    pub protection: Protection,
}

/// Identifies the chip at the other end.
#[must_use]
pub fn identify(limits: &Limits) -> Op<'static, Result<Identity, DriverError>> {
    Op::new(limits, |bus| async move { run(&bus).await })
}

async fn run(bus: &Bus) -> Result<Identity, DriverError> {
    bus.set_clock(IDENTIFY_HZ).await?;
    bus.transfer(Transfer::bare(RELEASE), "waking the chip").await?;
    bus.wait(WAKE_US).await;
    wait_until_ready(bus).await?;
    let id = steady(bus, "id", &Transfer::register(READ_ID, ID_BYTES)).await?;
    if id.iter().all(|byte| *byte == 0xFF) || id.iter().all(|byte| *byte == 0x00) {
        return Err(DriverError::NoChip { read: id });
    }
    let id = longer_id(bus, id).await?;
    let (tables, mut decoded) = read_tables(bus).await?;
    let status = steady(bus, "status", &Transfer::register(READ_STATUS, 1)).await?;
    let mut chip = Chip::describe(&id, decoded.as_ref(), chip::THREE_BYTE_REACH);
    let mut unique_id = None;
    // A run that was cut off may have left the chip in four-byte mode, and the commands below count address bytes.
    bus.leave(chip.addressing).await?;
    if let Some(Ok(tables)) = &mut decoded
        && choose_map(bus, &chip, tables).await?
    {
        chip = Chip::describe(&id, decoded.as_ref(), chip::THREE_BYTE_REACH);
    }
    let status = [status, read_registers(bus, chip.status.reads.get(1..).unwrap_or_default()).await?].concat();
    if catalogue::is_winbond_like(&id) {
        unique_id = Some(steady(bus, "unique id", &Transfer::unique_id(3)).await?)
            .filter(|id| !id.iter().all(|byte| *byte == 0xFF) && !id.iter().all(|byte| *byte == 0));
    }
    let size = size::measure(bus, &chip).await?;
    if let SizeMeasure::Measured(measured) = size {
        chip.take_measured_size(measured);
    }
    let after = bus.read_id(u32::try_from(id.len()).expect("a few bytes")).await?;
    if after != id {
        return Err(DriverError::Unsteady { what: "id", first: id, second: after });
    }
    let protection = Protection::of(&chip, &status);
    Ok(Identity { chip, status, unique_id, tables, size, protection })
}

/// The whole id, where the catalogue knows parts with these three bytes that differ in what follows them. What follows on
/// other parts (nothing, the same again, a serial number) is no part of the id.
async fn longer_id(bus: &Bus, id: Vec<u8>) -> Result<Vec<u8>, DriverError> {
    let known: Vec<&Vec<u8>> =
        catalogue::entries().iter().filter(|entry| id == entry.id).flat_map(|entry| &entry.id_more).collect();
    let Some(longest) = known.iter().map(|more| more.len()).max() else { return Ok(id) };
    let len = ID_BYTES + u32::try_from(longest).expect("a few bytes");
    let whole = steady(bus, "id", &Transfer::register(READ_ID, len)).await?;
    if !whole.starts_with(&id) {
        return Err(DriverError::Unsteady { what: "id", first: id, second: whole });
    }
    let own = known.into_iter().filter(|more| whole[id.len()..].starts_with(more)).max_by_key(|more| more.len());
    Ok([id, own.cloned().unwrap_or_default()].concat())
}

/// Sends the commands that choose among the maps of the chip's table; tells whether the map is known now. They go out only
/// once the catalogue has named the family (S5), and only when they are laid out in whole bytes; otherwise the map stays
/// open, which keeps the chip from being written.
async fn choose_map(bus: &Bus, chip: &Chip, tables: &mut Tables) -> Result<bool, DriverError> {
    let Some(map) = tables.sector_map.as_mut().filter(|_| chip.catalogue_size.is_some()) else { return Ok(false) };
    if chip.map_commands.is_empty() {
        return Ok(false);
    }
    let mut answers = Vec::with_capacity(chip.map_commands.len());
    for command in &chip.map_commands {
        // "As set": the chip was just brought back to three address bytes, and comes up with eight dummy clocks.
        let dummy_clocks = command.dummy_clocks.unwrap_or(8);
        if !dummy_clocks.is_multiple_of(8) {
            return Ok(false);
        }
        let own = if chip.addressing == Addressing::Four { 4 } else { 3 };
        let address_bytes = usize::from(command.address_bytes.unwrap_or(own));
        let mut write = vec![command.opcode];
        write.extend_from_slice(&command.address.to_be_bytes()[4 - address_bytes..]);
        write.resize(write.len() + usize::from(dummy_clocks / 8), 0);
        answers.extend(steady(bus, "sector map's setting", &Transfer { write, read: 1 }).await?);
    }
    map.answers = answers;
    Ok(true)
}

/// Registers, each read until it reads the same three times.
pub(crate) async fn read_registers(bus: &Bus, opcodes: &[u8]) -> Result<Vec<u8>, DriverError> {
    let mut status = Vec::with_capacity(opcodes.len());
    for opcode in opcodes {
        status.extend(steady(bus, "status", &Transfer::register(*opcode, 1)).await?);
    }
    Ok(status)
}

/// Waits for the end of what a run that was cut off left going: a busy chip answers nothing but its status, and would
/// look like no chip. A status of ones is a line that floats, and is not waited for.
async fn wait_until_ready(bus: &Bus) -> Result<(), DriverError> {
    let begun = bus.now_us();
    let longest_us = catalogue::class_erase_times(u32::MAX).max_us;
    loop {
        let status = bus.read_status().await?;
        if status == 0xFF || status & STATUS_BUSY == 0 {
            return Ok(());
        }
        let waited = bus.now_us() - begun;
        if waited > longest_us {
            return Err(DriverError::Busy { at: 0, waited_ms: waited / 1000 });
        }
        bus.wait(READY_POLL_US).await;
    }
}

/// Reads until the same bytes come [`ASKED`] times in a row.
async fn steady(bus: &Bus, what: &'static str, transfer: &Transfer) -> Result<Vec<u8>, DriverError> {
    let mut last = bus.transfer(transfer.clone(), what).await?;
    let mut agreed = 1;
    for _ in 0..2 * ASKED {
        let next = bus.transfer(transfer.clone(), what).await?;
        agreed = if next == last { agreed + 1 } else { 1 };
        if agreed == ASKED {
            // The status of a chip that just ends something may move for a while; what counts is that it comes to rest.
            return Ok(next);
        }
        if agreed == 1 && what != "status" {
            return Err(DriverError::Unsteady { what, first: last, second: next });
        }
        last = next;
    }
    let second = bus.transfer(transfer.clone(), what).await?;
    Err(DriverError::Unsteady { what, first: last, second })
}

/// The chip's tables as bytes and decoded; none when 5Ah gives a constant level, as parts without tables do.
async fn read_tables(bus: &Bus) -> Result<(Option<Vec<u8>>, Option<Result<Tables, SfdpError>>), DriverError> {
    let mut needed = 8;
    loop {
        let len = u32::try_from(needed).expect("bounded by the most bytes of tables");
        let bytes = steady_tables(bus, len).await?;
        if bytes.iter().all(|byte| *byte == 0xFF) || bytes.iter().all(|byte| *byte == 0) {
            return Ok((None, None));
        }
        match sfdp::bytes_needed(&bytes) {
            Ok(more) if more > bytes.len() => needed = more,
            Ok(_) => return Ok((Some(bytes.clone()), Some(Tables::parse(&bytes)))),
            Err(error) => return Ok((Some(bytes), Some(Err(error)))),
        }
    }
}

async fn steady_tables(bus: &Bus, len: u32) -> Result<Vec<u8>, DriverError> {
    const PIECE: u32 = 256;
    let mut twice = [Vec::new(), Vec::new()];
    for bytes in &mut twice {
        for at in (0..len).step_by(PIECE as usize) {
            bytes.extend(bus.transfer(Transfer::sfdp(at, PIECE.min(len - at)), "reading the chip's tables").await?);
        }
    }
    let [first, second] = twice;
    if first == second { Ok(first) } else { Err(DriverError::Unsteady { what: "tables", first, second }) }
}
