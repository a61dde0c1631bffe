//! Contacts: what the lines do, whether the id answers, and how fast the wires bear it.
//!
//! | operation | asks |
//! |---|---|
//! | [`look`] | one line test, where the link has one, and the id once: some milliseconds, for hands that seat a clip |
//! | [`ids`] | the id many times at one clock, and the first 4 KiB twice |
//!
//! Only 9Fh and 03h are sent (S5): neither has to know which chip it is. What the answers mean for a contact is left to the
//! caller. The decision a reader would question: the window of 4 KiB is compared with what was read at the slowest clock and
//! with nothing else; if that reading is wrong already, the id and the passes of a capture have to say so.

use nor::SECTOR;
use nor::command::{READ_ID, ReadMode, Transfer};
use nor::link::{Answer, Limits, LineReport, Request};

use crate::IDENTIFY_HZ;
use crate::error::DriverError;
use crate::op::Op;

/// Bytes of the id that are asked for.
const ID_BYTES: u32 = 3;

/// What one look found.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Look {
    /// What the lines did; none when the link has no line test.
    pub lines: Option<LineReport>,
    /// What 9Fh answered, three bytes, twice.
    pub ids: [Vec<u8>; 2],
}

/// What the id and the first 4 KiB did at one clock.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct AtClock {
    /// The rate that the link took, in hertz.
    pub clock_hz: u32,
    /// How often the id was asked for.
    pub asked: u32,
    /// How often it was the one expected.
    pub right: u32,
    /// The first 4 KiB, read twice.
    pub windows: [Vec<u8>; 2],
}

/// Looks once: lines, then the id.
#[must_use]
pub fn look(limits: &Limits) -> Op<'static, Result<Look, DriverError>> {
    Op::new(limits, |bus| async move {
        bus.set_clock(IDENTIFY_HZ).await?;
        let lines = if bus.limits().features.line_test { Some(bus.line_test().await?) } else { None };
        let ids = [bus.read_id(ID_BYTES).await?, bus.read_id(ID_BYTES).await?];
        Ok(Look { lines, ids })
    })
}

/// Asks for the id `count` times at a clock, and reads the first 4 KiB twice.
#[must_use]
pub fn ids(limits: &Limits, clock_hz: u32, count: u32, expected: Vec<u8>) -> Op<'static, Result<AtClock, DriverError>> {
    Op::new(limits, move |bus| async move {
        let clock_hz = bus.set_clock(clock_hz).await?;
        let len = u32::try_from(expected.len()).expect("an id is a few bytes");
        let mut right = 0;
        for _ in 0..count {
            let id = bus.transfer(Transfer::register(READ_ID, len), "reading the id").await?;
            right += u32::from(id == expected);
        }
        let windows = [bus.window().await?, bus.window().await?];
        Ok(AtClock { clock_hz, asked: count, right, windows })
    })
}

impl crate::bus::Bus {
    async fn line_test(&self) -> Result<LineReport, DriverError> {
        const DOING: &str = "testing the lines";
        match self.ask(Request::LineTest, self.allowance_us(0)).await {
            Ok(Answer::Lines(report)) => Ok(report),
            Ok(_) => Err(DriverError::Answer { doing: DOING }),
            Err(source) => Err(DriverError::Link { doing: DOING, source }),
        }
    }

    /// The first 4 KiB by plain reads with three address bytes, as every chip of this kind takes them.
    async fn window(&self) -> Result<Vec<u8>, DriverError> {
        let mode = ReadMode::plain(3);
        let most = self.limits().max_transfer - mode.lead();
        let mut all = Vec::with_capacity(SECTOR as usize);
        while all.len() < SECTOR as usize {
            let at = u32::try_from(all.len()).expect("below a sector");
            let len = most.min(SECTOR - at);
            all.extend(self.transfer(Transfer::array(at, len, mode), "reading").await?);
        }
        Ok(all)
    }
}
