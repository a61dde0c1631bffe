//! Whether 0Bh answers as 03h does.
//!
//! 0Bh has eight dummy clocks as JESD216 has it, and many parts let a register say another number; a firmware that set it leaves it
//! so until the chip loses its supply. Every byte then comes too early or too late, steadily, and a pass by 0Bh would differ from
//! one by 03h all over. That is no contact fault, so it is looked for before such a pass: one window, both commands, twice each, at
//! the clock of identification. Only a steady answer that is the other one shifted counts; anything else is left to the passes.

use nor::link::Limits;

use crate::IDENTIFY_HZ;
use crate::bus::Bus;
use crate::error::DriverError;
use crate::identify::Identity;
use crate::op::Op;
use crate::pass::reach_all;

/// Bytes of the window.
const WINDOW: u32 = 64;
/// Most bytes that the answer is looked for early or late: 15 dummy clocks each way, taken for bytes.
const MOST: usize = 16;

/// Where in a chip's content a shift of up to 16 bytes would show: a window that is like none of its own shifts. None when there is
/// no such place, as on a chip that holds one value.
#[must_use]
pub fn telling_window(content: &[u8]) -> Option<u32> {
    let windows = content.chunks_exact(WINDOW as usize);
    let at = windows.into_iter().position(|window| (1..=MOST).all(|by| window[by..] != window[..window.len() - by]))?;
    u32::try_from(at).ok().map(|at| at * WINDOW)
}

/// Compares both commands in the window from `at` on, which [`telling_window`] gave. Answers how many bytes later 0Bh is than 03h
/// (less than 0: earlier) when that is what it is; none when they agree, or when the answers are unsteady.
#[must_use]
pub fn fast_shift<'a>(limits: &Limits, identity: &'a Identity, at: u32) -> Op<'a, Result<Option<i32>, DriverError>> {
    Op::new(limits, move |bus| async move { run(&bus, identity, at).await })
}

async fn run(bus: &Bus, identity: &Identity, at: u32) -> Result<Option<i32>, DriverError> {
    reach_all(&identity.chip)?;
    bus.set_clock(IDENTIFY_HZ).await?;
    let mut answers = Vec::with_capacity(2);
    for fast in [false, true] {
        let reading = bus.begin_reading(&identity.chip, fast).await?;
        let first = bus.read(at, WINDOW, &reading).await?;
        let second = bus.read(at, WINDOW, &reading).await?;
        bus.end_reading(&identity.chip, &reading).await?;
        if first != second {
            return Ok(None);
        }
        answers.push(first);
    }
    Ok(shift(&answers[0], &answers[1]))
}

fn shift(plain: &[u8], fast: &[u8]) -> Option<i32> {
    if plain == fast {
        return None;
    }
    (1..=MOST).zip(1..).find_map(|(by, shift)| {
        let rest = plain.len() - by;
        match (fast[by..] == plain[..rest], plain[by..] == fast[..rest]) {
            (true, _) => Some(shift),
            (_, true) => Some(-shift),
            _ => None,
        }
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn content() -> Vec<u8> {
        (0..1024_u32).map(|at| (at.wrapping_mul(2_654_435_761) >> 24) as u8).collect()
    }

    #[test]
    fn early_and_late_are_told_by_how_much() {
        let content = content();
        let window = |at: usize| &content[at..at + 64];
        assert_eq!(shift(window(100), window(100)), None);
        assert_eq!(shift(window(100), window(93)), Some(7));
        assert_eq!(shift(window(100), window(101)), Some(-1));
        assert_eq!(shift(window(100), window(500)), None, "something else altogether");
        // What comes before the first byte need not be content.
        let late = [&[0; 7], &window(100)[..57]].concat();
        assert_eq!(shift(window(100), &late), Some(7));
    }

    #[test]
    fn the_window_is_one_that_can_tell() {
        let mut content = vec![0xFF; 4096];
        assert_eq!(telling_window(&content), None);
        for (at, byte) in content[1024..2048].iter_mut().enumerate() {
            *byte = [0xA5, 0x5A][at % 2];
        }
        assert_eq!(telling_window(&content), None, "a period of two bytes hides a shift of two");
        for (at, byte) in content[3000..3200].iter_mut().enumerate() {
            *byte = u8::try_from(at).expect("below 200");
        }
        assert_eq!(telling_window(&content), Some(2944), "the last of what is blank and the first of what counts up");
    }
}
