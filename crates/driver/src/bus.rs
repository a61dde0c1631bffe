//! What an operation talks to: requests, waits, and the turning of what a link lacks into single transfers.
//!
//! Range requests go out whole where the link runs them by itself ([`Features`](nor::link::Features)), and as transfers
//! otherwise. Both ways end in the same answers, so that no operation knows which one it was.

use std::cell::Cell;
use std::future::poll_fn;
use std::rc::Rc;
use std::task::Poll;

use nor::SECTOR;
use nor::chip::{Addressing, Chip};
use nor::command::{
    ENTER_FOUR_BYTE, LEAVE_FOUR_BYTE, READ_ID, READ_STATUS, ReadMode, STATUS_BUSY, STATUS_WRITE_ENABLED, Transfer,
    WRITE_DISABLE, WRITE_ENABLE,
};
use nor::link::{Answer, EraseList, GUARD_EVERY, Guard, Limits, LinkError, ProgramRange, Request, Stop};

use crate::error::DriverError;
use crate::op::{Asked, Event, Mailbox};

/// Beside its time on the wire, a request may take this long: a busy host, a hub, a driver.
const SLACK_US: u64 = 2_000_000;

/// Shortest time between two polls of the status register.
const LEAST_POLL_US: u64 = 20;

/// How the array is read just now.
pub(crate) struct Reading {
    pub mode: ReadMode,
    /// The chip takes four address bytes where it usually takes three.
    pub in_mode: bool,
}

/// An operation's side of the conversation.
pub struct Bus {
    mailbox: Rc<Mailbox>,
    limits: Limits,
    clock_hz: Cell<u32>,
}

impl Bus {
    pub(crate) fn new(mailbox: Rc<Mailbox>, limits: Limits) -> Self {
        let clock_hz = Cell::new(limits.clock_hz.0);
        Self { mailbox, limits, clock_hz }
    }

    /// What the link can do.
    pub(crate) fn limits(&self) -> &Limits {
        &self.limits
    }

    pub(crate) fn now_us(&self) -> u64 {
        self.mailbox.now_us.get()
    }

    pub(crate) fn tell(&self, event: Event) {
        self.mailbox.events.borrow_mut().push_back(event);
    }

    /// Asks the link, which may take `allowed_us`.
    async fn ask(&self, request: Request, allowed_us: u64) -> Result<Answer, LinkError> {
        let deadline_us = self.now_us() + allowed_us;
        *self.mailbox.asked.borrow_mut() = Some(Asked::Request { request, deadline_us });
        poll_fn(|_| self.mailbox.answer.borrow_mut().take().map_or(Poll::Pending, Poll::Ready)).await
    }

    /// Lets time pass.
    pub(crate) async fn wait(&self, us: u64) {
        let until_us = self.now_us() + us;
        poll_fn(|_| {
            if self.now_us() >= until_us {
                return Poll::Ready(());
            }
            *self.mailbox.asked.borrow_mut() = Some(Asked::Wait { until_us });
            Poll::Pending
        })
        .await;
    }

    /// Time that `bytes` may need on the wire and to the host, generously.
    fn allowance_us(&self, bytes: u64) -> u64 {
        let wire = bytes * 8_000_000 / u64::from(self.clock_hz.get().max(1));
        let host = self.limits.bytes_per_second.map_or(0, |rate| bytes * 1_000_000 / u64::from(rate.max(1)));
        SLACK_US + 4 * (wire + host + u64::from(self.limits.round_trip_us))
    }

    /// Sets the clock; answers the rate that the link took.
    pub(crate) async fn set_clock(&self, hz: u32) -> Result<u32, DriverError> {
        const DOING: &str = "setting the clock";
        let hz = hz.clamp(self.limits.clock_hz.0, self.limits.clock_hz.1);
        match self.ask(Request::SetClock { hz }, SLACK_US).await {
            Ok(Answer::Clock { hz }) => {
                self.clock_hz.set(hz);
                Ok(hz)
            }
            Ok(_) => Err(DriverError::Answer { doing: DOING }),
            Err(source) => Err(DriverError::Link { doing: DOING, source }),
        }
    }

    /// Does one transaction.
    pub(crate) async fn transfer(&self, transfer: Transfer, doing: &'static str) -> Result<Vec<u8>, DriverError> {
        let allowed = self.allowance_us(transfer.wire_bytes());
        let len = transfer.read as usize;
        match self.ask(Request::Transfer(transfer), allowed).await {
            Ok(Answer::Bytes(bytes)) if bytes.len() == len => Ok(bytes),
            Ok(_) => Err(DriverError::Answer { doing }),
            Err(source) => Err(DriverError::Link { doing, source }),
        }
    }

    /// The id, as many bytes as asked for.
    pub(crate) async fn read_id(&self, len: u32) -> Result<Vec<u8>, DriverError> {
        self.transfer(Transfer::register(READ_ID, len), "reading the id").await
    }

    /// Status register 1.
    pub(crate) async fn read_status(&self) -> Result<u8, DriverError> {
        Ok(self.transfer(Transfer::register(READ_STATUS, 1), "reading the status").await?[0])
    }

    /// Makes the whole chip addressable.
    pub(crate) async fn enter(&self, addressing: Addressing) -> Result<(), DriverError> {
        self.switch(addressing, ENTER_FOUR_BYTE).await
    }

    /// Leaves the chip as it was before [`Bus::enter`]: a board expects three address bytes.
    pub(crate) async fn leave(&self, addressing: Addressing) -> Result<(), DriverError> {
        self.switch(addressing, LEAVE_FOUR_BYTE).await
    }

    async fn switch(&self, addressing: Addressing, opcode: u8) -> Result<(), DriverError> {
        let doing = "switching the address width";
        let Addressing::FourByMode { write_enable } = addressing else { return Ok(()) };
        if write_enable {
            self.transfer(Transfer::bare(WRITE_ENABLE), doing).await?;
        }
        self.transfer(Transfer::bare(opcode), doing).await?;
        if write_enable {
            self.transfer(Transfer::bare(WRITE_DISABLE), doing).await?;
        }
        Ok(())
    }

    /// Chooses how the array is read and makes it readable: on large chips that have them, by opcodes that take four
    /// address bytes whatever the mode, so that a chip which lost its mode cannot show its lower part twice.
    pub(crate) async fn begin_reading(&self, chip: &Chip, fast: bool) -> Result<Reading, DriverError> {
        if chip.has_long_reads {
            return Ok(Reading { mode: ReadMode::long(fast), in_mode: false });
        }
        self.enter(chip.addressing).await?;
        let address_bytes = chip.addressing.bytes();
        let mode = if fast { ReadMode::fast(address_bytes) } else { ReadMode::plain(address_bytes) };
        Ok(Reading { mode, in_mode: address_bytes == 4 })
    }

    /// Undoes what [`Bus::begin_reading`] did.
    pub(crate) async fn end_reading(&self, chip: &Chip, reading: &Reading) -> Result<(), DriverError> {
        if reading.in_mode { self.leave(chip.addressing).await } else { Ok(()) }
    }

    /// Most bytes that [`Bus::read`] brings in one request.
    pub(crate) fn read_bytes(&self, mode: ReadMode) -> u32 {
        if self.limits.features.read_range { self.limits.max_range } else { self.limits.max_transfer - mode.lead() }
    }

    /// Reads at most [`Bus::read_bytes`] from the array.
    pub(crate) async fn read(&self, at: u32, len: u32, mode: ReadMode) -> Result<Vec<u8>, DriverError> {
        const DOING: &str = "reading";
        let request = if self.limits.features.read_range {
            Request::ReadRange { at, len, mode }
        } else {
            Request::Transfer(Transfer::array(at, len, mode))
        };
        match self.ask(request, self.allowance_us(u64::from(len) + 16)).await {
            Ok(Answer::Bytes(bytes)) if bytes.len() == len as usize => Ok(bytes),
            Ok(_) => Err(DriverError::Answer { doing: DOING }),
            Err(source) => Err(DriverError::Link { doing: DOING, source }),
        }
    }

    /// CRC-32 of each [`SECTOR`] of a range; `at` is a multiple of it.
    pub(crate) async fn digest(&self, at: u32, len: u32, mode: ReadMode) -> Result<Vec<u32>, DriverError> {
        const DOING: &str = "digesting";
        let most = (self.limits.max_range / SECTOR * SECTOR).max(SECTOR);
        let mut all = Vec::with_capacity(len.div_ceil(SECTOR) as usize);
        for from in (at..at + len).step_by(most as usize) {
            let len = most.min(at + len - from);
            let request = Request::DigestRange { at: from, len, mode };
            match self.ask(request, self.allowance_us(u64::from(len) + 16)).await {
                Ok(Answer::Digests(digests)) if digests.len() == len.div_ceil(SECTOR) as usize => all.extend(digests),
                Ok(_) => return Err(DriverError::Answer { doing: DOING }),
                Err(source) => return Err(DriverError::Link { doing: DOING, source }),
            }
        }
        Ok(all)
    }

    /// Erases the blocks of a list, by the link or one by one.
    pub(crate) async fn erase(&self, list: EraseList) -> Result<(), DriverError> {
        let places: Vec<u32> = list.blocks.iter().map(|block| block.at).collect();
        if self.limits.features.erase_list {
            let busy: u64 = list.blocks.iter().map(|block| block.limit_us).sum();
            let deadline = busy + self.allowance_us(64 * list.blocks.len() as u64);
            let guard = list.guard.clone();
            let (done, stop) = self.list(Request::EraseList(list), deadline, "erasing").await?;
            let at = places.get(done as usize).copied().unwrap_or_default();
            return stop.map_or(Ok(()), |stop| Err(stopped(stop, at, &guard)));
        }
        for block in &list.blocks {
            self.check(&list.guard, block.at).await?;
            self.write_enable(block.at).await?;
            self.transfer(Transfer::erase(block.opcode, block.at, list.address_bytes), "erasing").await?;
            self.wait_ready(&list.guard, block.at, block.typical_us, block.limit_us).await?;
        }
        Ok(())
    }

    /// Most bytes that [`Bus::program`] takes: what lies between two checks (S6), and what the link takes at once.
    pub(crate) fn program_bytes(&self, page: u32) -> u32 {
        let most = if self.limits.features.program_range { self.limits.max_range / page * page } else { GUARD_EVERY };
        most.min(GUARD_EVERY).max(page)
    }

    /// Programs a range of at most [`Bus::program_bytes`] page by page, by the link or one by one.
    pub(crate) async fn program(&self, range: ProgramRange) -> Result<(), DriverError> {
        let first = range.at;
        if self.limits.features.program_range {
            let pages = range.data.len().div_ceil(range.page as usize) as u64;
            let deadline = pages * range.limit_us + self.allowance_us(2 * range.data.len() as u64);
            let guard = range.guard.clone();
            let (done, stop) = self.list(Request::ProgramRange(range), deadline, "programming").await?;
            return stop.map_or(Ok(()), |stop| Err(stopped(stop, first + done, &guard)));
        }
        let mut at = first;
        for page in range.data.chunks(range.page as usize) {
            if (at - first).is_multiple_of(GUARD_EVERY) {
                self.check(&range.guard, at).await?;
                self.write_enable(at).await?;
            } else {
                self.transfer(Transfer::bare(WRITE_ENABLE), "enabling a write").await?;
            }
            self.transfer(Transfer::program(range.opcode, at, range.address_bytes, page), "programming").await?;
            self.wait_ready(&range.guard, at, range.typical_us, range.limit_us).await?;
            at += range.page;
        }
        Ok(())
    }

    async fn list(
        &self,
        request: Request,
        deadline_us: u64,
        doing: &'static str,
    ) -> Result<(u32, Option<Stop>), DriverError> {
        match self.ask(request, deadline_us).await {
            Ok(Answer::Ran { done, stop }) => Ok((done, stop)),
            Ok(_) => Err(DriverError::Answer { doing }),
            Err(source) => Err(DriverError::Link { doing, source }),
        }
    }

    /// S6: the same chip, in the same state.
    pub(crate) async fn check(&self, guard: &Guard, at: u32) -> Result<(), DriverError> {
        let id = self.read_id(u32::try_from(guard.id.len()).expect("an id is a few bytes")).await?;
        let status = self.read_status().await?;
        if guard.holds(&id, status) { Ok(()) } else { Err(differs(guard, at, id, status)) }
    }

    /// Sets the write enable latch and sees that it is set: a chip that ignores it would ignore what follows as well.
    async fn write_enable(&self, at: u32) -> Result<(), DriverError> {
        self.transfer(Transfer::bare(WRITE_ENABLE), "enabling a write").await?;
        let status = self.read_status().await?;
        if status & STATUS_WRITE_ENABLED == 0 { Err(DriverError::NotEnabled { at, status }) } else { Ok(()) }
    }

    /// Waits until the chip is ready: first for the typical time, then in sixteenths of it. A line that floats high
    /// looks like a busy chip too.
    async fn wait_ready(&self, guard: &Guard, at: u32, typical_us: u64, limit_us: u64) -> Result<(), DriverError> {
        let begun = self.now_us();
        let mut pause = typical_us;
        loop {
            self.wait(pause).await;
            let status = self.read_status().await?;
            if status & STATUS_BUSY == 0 {
                return Ok(());
            }
            let waited = self.now_us() - begun;
            if waited > limit_us {
                // A busy chip answers nothing but its status, so the id is asked only when that looks like a floating line.
                if status == 0xFF {
                    let id = self.read_id(u32::try_from(guard.id.len()).expect("an id is a few bytes")).await?;
                    return Err(differs(guard, at, id, status));
                }
                return Err(DriverError::Busy { at, waited_ms: waited / 1000 });
            }
            pause = (typical_us / 16).max(LEAST_POLL_US);
        }
    }
}

/// What a guard's failure means: another id is lost contact, another status is something else.
fn differs(guard: &Guard, at: u32, id: Vec<u8>, status: u8) -> DriverError {
    if id == guard.id {
        DriverError::StatusChanged { at, expected: guard.status, read: status, mask: guard.status_mask }
    } else {
        DriverError::ContactLost { at, expected: guard.id.clone(), read: id, status }
    }
}

fn stopped(stop: Stop, at: u32, guard: &Guard) -> DriverError {
    match stop {
        Stop::Differs { id, status } => differs(guard, at, id, status),
        Stop::Busy { waited_us } => DriverError::Busy { at, waited_ms: waited_us / 1000 },
        Stop::NotEnabled { status } => DriverError::NotEnabled { at, status },
    }
}
