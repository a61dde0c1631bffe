//! Whole lists run on the link: program a range, erase blocks, and keep safety rule S6 on the way.
//!
//! The same work as a host does by transfers, with one round trip for all of it: the guard before each erase block and
//! each [`GUARD_EVERY`] bytes, a write enable for each step (looked at once in a list), the step, then polls of the
//! status register from the typical time on.

use nor::command::{READ_ID, READ_STATUS, STATUS_BUSY, STATUS_WRITE_ENABLED, Transfer, WRITE_ENABLE};
use nor::link::{Answer, EraseList, GUARD_EVERY, Guard, Link, LinkError, ProgramRange, Stop};

use crate::bench::VirtualBench;

/// Least time between two polls.
const POLL_EVERY_US: u64 = 20;

impl VirtualBench {
    /// Programs a range page by page.
    pub(crate) fn program_range(&mut self, range: &ProgramRange, deadline_us: u64) -> Result<Answer, LinkError> {
        let mut done = 0;
        let mut guarded_to = 0;
        for page in range.data.chunks(range.page as usize) {
            if done >= guarded_to {
                if let Some(stop) = self.differs(&range.guard)? {
                    return Ok(Answer::Ran { done, stop: Some(stop) });
                }
                guarded_to = done + GUARD_EVERY;
            }
            let step = Transfer::program(range.opcode, range.at + done, range.address_bytes, page);
            if let Some(stop) = self.step(&step, done == 0, (range.typical_us, range.limit_us), deadline_us)? {
                return Ok(Answer::Ran { done, stop: Some(stop) });
            }
            done += u32::try_from(page.len()).expect("a range is at most `max_range` bytes");
        }
        Ok(Answer::Ran { done, stop: None })
    }

    /// Erases blocks in order.
    pub(crate) fn erase_list(&mut self, list: &EraseList, deadline_us: u64) -> Result<Answer, LinkError> {
        for (done, block) in (0..).zip(&list.blocks) {
            let step = Transfer::erase(block.opcode, block.at, list.address_bytes);
            let stop = match self.differs(&list.guard)? {
                Some(stop) => Some(stop),
                None => self.step(&step, done == 0, (block.typical_us, block.limit_us), deadline_us)?,
            };
            if stop.is_some() {
                return Ok(Answer::Ran { done, stop });
            }
        }
        let done = u32::try_from(list.blocks.len()).unwrap_or(u32::MAX);
        Ok(Answer::Ran { done, stop: None })
    }

    /// Looks at id and status (S6).
    fn differs(&mut self, guard: &Guard) -> Result<Option<Stop>, LinkError> {
        let len = u32::try_from(guard.id.len()).unwrap_or(u32::MAX);
        let id = self.transact(&[READ_ID], len)?;
        let status = self.status()?;
        Ok((!guard.holds(&id, status)).then_some(Stop::Differs { id, status }))
    }

    /// Write enable, the step itself, and the wait for its end: typical and longest time in microseconds.
    fn step(
        &mut self,
        step: &Transfer,
        look: bool,
        (typical_us, limit_us): (u64, u64),
        deadline_us: u64,
    ) -> Result<Option<Stop>, LinkError> {
        self.transact(&[WRITE_ENABLE], 0)?;
        if look {
            let status = self.status()?;
            if status & STATUS_WRITE_ENABLED == 0 {
                return Ok(Some(Stop::NotEnabled { status }));
            }
        }
        self.transact(&step.write, 0)?;
        let began = self.now_us();
        self.wait_us(typical_us);
        loop {
            let busy = self.status()? & STATUS_BUSY != 0;
            let now = self.now_us();
            if !busy {
                return Ok(None);
            }
            if now - began >= limit_us {
                return Ok(Some(Stop::Busy { waited_us: now - began }));
            }
            if now > deadline_us {
                return Err(LinkError::Silent { waited_us: now - began });
            }
            self.wait_us((typical_us / 16).max(POLL_EVERY_US));
        }
    }

    fn status(&mut self) -> Result<u8, LinkError> {
        Ok(self.transact(&[READ_STATUS], 1)?[0])
    }
}
