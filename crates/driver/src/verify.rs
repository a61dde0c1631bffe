//! Reading a range again and comparing it with what it should hold (safety rule S3).
//!
//! Over a link that digests, 4 KiB are compared by the CRC-32 that the link makes of a fresh read; only what differs
//! crosses to the host. What differs is read once more before it counts, so that a bad read is told from a bad write.

use std::ops::Range;

use nor::SECTOR;
use nor::chip::Chip;
use nor::link::Limits;

use crate::bus::Bus;
use crate::error::DriverError;
use crate::identify::Identity;
use crate::op::{Event, Op};
use crate::pass::{reach_all, read_into};
use crate::reach::Reading;

/// What verifying found.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Verified {
    /// Bytes compared.
    pub len: u64,
    /// Bytes that differ, by the second of two reads.
    pub differing_bytes: u64,
    /// The first differing byte.
    pub first: Option<Wrong>,
    /// Sectors that differ, with what they hold: for another plan.
    pub wrong: Vec<(u32, Vec<u8>)>,
    /// Sectors that differed in the first read and not in the second: the reading is not to be trusted.
    pub unsteady: u32,
    /// Sectors compared by digest; each has a chance of 2^-32 that a difference goes unseen.
    pub digested: u32,
    /// When the last byte was read, on the link's clock.
    pub ended_us: u64,
}

/// One byte that differs.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Wrong {
    /// Where.
    pub at: u32,
    /// What should stand there.
    pub wanted: u8,
    /// What was read.
    pub read: u8,
}

/// Reads `range` again and compares it with `wanted`, the content of the whole chip.
#[must_use]
pub fn verify<'a>(
    limits: &Limits,
    identity: &'a Identity,
    wanted: &'a [u8],
    range: Range<u32>,
    clock_hz: u32,
) -> Op<'a, Result<Verified, DriverError>> {
    Op::new(limits, move |bus| async move { run(&bus, &identity.chip, wanted, range, clock_hz).await })
}

async fn run(bus: &Bus, chip: &Chip, wanted: &[u8], range: Range<u32>, clock_hz: u32) -> Result<Verified, DriverError> {
    const CHUNK: u32 = 256 * 1024;
    reach_all(chip)?;
    bus.set_clock(clock_hz).await?;
    let reading = bus.begin_reading(chip, false).await?;
    // Whole sectors, so that digests have their usual grain.
    let from = range.start / SECTOR * SECTOR;
    let end = range.end.next_multiple_of(SECTOR).min(chip.size);
    bus.tell(Event::Begins { phase: "reading again", total: u64::from(end - from) });
    let mut found = Verified {
        len: u64::from(range.end - range.start),
        differing_bytes: 0,
        first: None,
        wrong: Vec::new(),
        unsteady: 0,
        digested: 0,
        ended_us: 0,
    };
    let digest = bus.limits().features.digest_range;
    for at in (from..end).step_by(CHUNK as usize) {
        let len = CHUNK.min(end - at);
        let wanted_chunk = &wanted[at as usize..(at + len) as usize];
        let mut suspects = Vec::new();
        if digest {
            let digests = bus.digest(at, len, &reading).await?;
            for (index, (sector, digest)) in wanted_chunk.chunks(SECTOR as usize).zip(&digests).enumerate() {
                found.digested += 1;
                if crc32fast::hash(sector) != *digest {
                    suspects.push(at + u32::try_from(index).expect("few sectors") * SECTOR);
                }
            }
        } else {
            let mut bytes = vec![0; len as usize];
            read_into(bus, at, &mut bytes, &reading).await?;
            if bytes != wanted_chunk {
                let sectors = bytes.chunks(SECTOR as usize).zip(wanted_chunk.chunks(SECTOR as usize));
                for (index, (read, wanted)) in sectors.enumerate() {
                    if read != wanted {
                        suspects.push(at + u32::try_from(index).expect("few sectors") * SECTOR);
                    }
                }
            }
        }
        for sector in suspects {
            look_again(bus, sector, wanted, &range, &reading, &mut found).await?;
        }
        bus.tell(Event::Progress { done: u64::from(at + len - from) });
    }
    bus.end_reading(chip, &reading).await?;
    found.ended_us = bus.now_us();
    Ok(found)
}

async fn look_again(
    bus: &Bus,
    sector: u32,
    wanted: &[u8],
    range: &Range<u32>,
    reading: &Reading,
    found: &mut Verified,
) -> Result<(), DriverError> {
    let wanted = &wanted[sector as usize..wanted.len().min((sector + SECTOR) as usize)];
    let mut read = vec![0; wanted.len()];
    read_into(bus, sector, &mut read, reading).await?;
    if read == wanted {
        found.unsteady += 1;
        return Ok(());
    }
    let mut inside = false;
    for (at, (wanted, read)) in (sector..).zip(wanted.iter().zip(&read)) {
        if wanted != read && range.contains(&at) {
            inside = true;
            found.differing_bytes += 1;
            found.first.get_or_insert(Wrong { at, wanted: *wanted, read: *read });
        }
    }
    if inside {
        found.wrong.push((sector, read));
    }
    Ok(())
}
