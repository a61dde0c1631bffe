//! Measuring a chip's size by reading: a smaller chip shows its content again past its end.
//!
//! For each power of two below the declared size, windows that lie so far apart are compared. One pair that differs
//! proves that this address line reaches the cells. If every pair is equal and holds something, reading wraps there. If
//! every pair is equal and blank, content cannot show it.

use nor::chip::{Addressing, Chip, THREE_BYTE_REACH};

use crate::bus::Bus;
use crate::error::DriverError;
use crate::reach::Reading;

/// Bytes of one window.
const WINDOW: u32 = 64;
/// Windows compared before blank content is believed to be blank.
const FEW: u32 = 64;
/// Windows compared before a wrap is believed.
const MANY: u32 = 512;
/// Windows that may read differently a second time before the contact counts as bad.
const MOST_UNSTEADY: u32 = 3;
/// The first power of two that is tried; no serial NOR chip is smaller (64 KiB).
const LEAST: u32 = 64 * 1024;

/// What reading shows of a chip's size.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum SizeMeasure {
    /// Measured, in bytes: every address line shown to reach the cells, or a wrap found.
    Measured(u32),
    /// Content cannot show it: blank or repeating, in agreement with what catalogue and tables both say.
    Unproven,
}

/// One address line.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Line {
    Reaches,
    Wraps,
    Silent,
}

/// Measures at the present clock.
pub(crate) async fn measure(bus: &Bus, chip: &Chip) -> Result<SizeMeasure, DriverError> {
    let reading = bus.begin_reading(chip, false).await?;
    let measured = lines(bus, chip, &reading).await?;
    bus.end_reading(chip, &reading).await?;
    Ok(measured)
}

async fn lines(bus: &Bus, chip: &Chip, reading: &Reading) -> Result<SizeMeasure, DriverError> {
    let reach = match chip.addressing {
        // Past the last register value that is needed nothing is asked: a chip may have no cells for it to choose.
        Addressing::ExtendedRegister => chip.size,
        _ if reading.mode.address_bytes == 3 => THREE_BYTE_REACH,
        _ => nor::MAX_SIZE,
    };
    let declared = chip.size.min(reach);
    if declared <= LEAST {
        return Ok(SizeMeasure::Unproven);
    }
    let mut proven = true;
    let mut step = LEAST;
    while step < declared {
        match compare(bus, reading, step, false).await? {
            Line::Reaches => {}
            Line::Silent => proven = false,
            // Content that is there twice looks the same as a wrap. Two sources that agree on the size outweigh it;
            // one alone does not.
            Line::Wraps if chip.catalogue_size.is_some() && chip.catalogue_size == chip.table_size => proven = false,
            Line::Wraps => return Ok(SizeMeasure::Measured(step)),
        }
        step *= 2;
    }
    // A larger chip than declared shows other content past the declared end.
    if declared < reach && compare(bus, reading, declared, true).await? == Line::Reaches {
        return Ok(SizeMeasure::Measured(declared * 2));
    }
    let whole = proven && declared == chip.size && chip.addressing != Addressing::Unknown;
    Ok(if whole { SizeMeasure::Measured(declared) } else { SizeMeasure::Unproven })
}

/// Compares windows `step` apart. Past a chip's end some parts answer a constant level: that is no content, and neither
/// is a blank stretch of a larger chip, so that the next window has to tell.
async fn compare(bus: &Bus, reading: &Reading, step: u32, past_end: bool) -> Result<Line, DriverError> {
    let mut line = Line::Silent;
    let mut unsteady = 0;
    for index in 0..MANY {
        if index == FEW && line == Line::Silent {
            break;
        }
        // Spread over the stretch without a pattern that content could share.
        let at = index.wrapping_mul(0x9E37_79B1) % step / WINDOW * WINDOW;
        let near = bus.read(at, WINDOW, reading).await?;
        let far = bus.read(at + step, WINDOW, reading).await?;
        if near == far {
            if !is_level(&near) {
                line = Line::Wraps;
            }
        } else if !(past_end && is_level(&far)) {
            // One flipped bit must not pass for a chip of another size: such a window says nothing, and several of them
            // are a contact.
            let again = [bus.read(at, WINDOW, reading).await?, bus.read(at + step, WINDOW, reading).await?];
            if again == [near.as_slice(), far.as_slice()] {
                return Ok(Line::Reaches);
            }
            unsteady += 1;
            if unsteady > MOST_UNSTEADY {
                let [near_again, far_again] = again;
                let (first, second) = if near == near_again { (far, far_again) } else { (near, near_again) };
                return Err(DriverError::Unsteady { what: "content", first, second });
            }
        }
    }
    Ok(line)
}

fn is_level(bytes: &[u8]) -> bool {
    bytes.iter().all(|byte| *byte == bytes[0])
}
