//! What an operation talks to: requests, waits, and the turning of what a link lacks into single transfers.
//!
//! Range requests go out whole where the link runs them by itself ([`Features`](nor::link::Features)), and as transfers
//! otherwise. Both ways end in the same answers, so that no operation knows which one it was. How the whole of a chip is
//! reached is the business of `reach`, and how it is changed that of `change`.

use std::cell::Cell;
use std::future::poll_fn;
use std::rc::Rc;
use std::task::Poll;

use nor::SECTOR;
use nor::command::{READ_ID, READ_STATUS, ReadMode, Transfer};
use nor::link::{Answer, Guard, Limits, LinkError, Request, Stop};

use crate::error::DriverError;
use crate::op::{Asked, Event, Mailbox};
use crate::reach::{Reading, TwoLines};

/// Beside its time on the wire, a request may take this long: a busy host, a hub, a driver.
const SLACK_US: u64 = 2_000_000;

/// An operation's side of the conversation.
pub struct Bus {
    mailbox: Rc<Mailbox>,
    limits: Limits,
    clock_hz: Cell<u32>,
    /// The upper address byte that the chip's register holds, on chips that are reached so.
    pub(crate) segment: Cell<u8>,
}

impl Bus {
    pub(crate) fn new(mailbox: Rc<Mailbox>, limits: Limits) -> Self {
        let clock_hz = Cell::new(limits.clock_hz.0);
        Self { mailbox, limits, clock_hz, segment: Cell::new(0) }
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
    pub(crate) async fn ask(&self, request: Request, allowed_us: u64) -> Result<Answer, LinkError> {
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
    pub(crate) fn allowance_us(&self, bytes: u64) -> u64 {
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

    /// Most bytes that [`Bus::read`] brings in one request.
    pub(crate) fn read_bytes(&self, mode: ReadMode) -> u32 {
        if self.limits.features.read_range { self.limits.max_range } else { self.limits.max_transfer - mode.lead() }
    }

    /// Reads at most [`Bus::read_bytes`] from the array.
    pub(crate) async fn read(&self, at: u32, len: u32, reading: &Reading) -> Result<Vec<u8>, DriverError> {
        const DOING: &str = "reading";
        let mode = reading.mode;
        let mut all = Vec::with_capacity(len as usize);
        for piece in reading.pieces(at, len) {
            let (at, len) = (piece.start, piece.end - piece.start);
            let at = self.turn_to(reading, at).await?;
            let request = if self.limits.features.read_range {
                Request::ReadRange { at, len, mode }
            } else {
                Request::Transfer(Transfer::array(at, len, mode))
            };
            match self.ask(request, self.allowance_us(u64::from(len) + 16)).await {
                Ok(Answer::Bytes(bytes)) if bytes.len() == len as usize => all.extend(bytes),
                Ok(_) => return Err(DriverError::Answer { doing: DOING }),
                Err(source) => return Err(DriverError::Link { doing: DOING, source }),
            }
        }
        Ok(all)
    }

    /// CRC-32 of each [`SECTOR`] of a range; `at` is a multiple of it.
    ///
    /// Where chip and link can do it from two data lines, that is used from the first sector on in which both ways agree and
    /// which a shift by whole bytes would have changed: firmware may have set another number of clocks before the data.
    pub(crate) async fn digest(&self, at: u32, len: u32, reading: &Reading) -> Result<Vec<u32>, DriverError> {
        let mode = reading.digest_mode();
        let all = self.digest_by(mode, at, len, reading).await?;
        if let TwoLines::Untried(two) = reading.two_lines.get() {
            let telling = all.iter().zip(0..).find(|(sum, nth)| {
                let len = SECTOR.min(len - nth * SECTOR) as usize;
                [0x00, 0xFF].iter().all(|value| crc32fast::hash(&vec![*value; len]) != **sum)
            });
            if let Some((sum, nth)) = telling {
                let at = at + nth * SECTOR;
                let other = self.digest_by(two, at, SECTOR.min(len - nth * SECTOR), reading).await?;
                let proven = other == [*sum];
                reading.two_lines.set(if proven { TwoLines::Proven(two) } else { TwoLines::No });
            }
        }
        Ok(all)
    }

    async fn digest_by(&self, mode: ReadMode, at: u32, len: u32, reading: &Reading) -> Result<Vec<u32>, DriverError> {
        const DOING: &str = "digesting";
        let most = (self.limits.max_range / SECTOR * SECTOR).max(SECTOR);
        let mut all = Vec::with_capacity(len.div_ceil(SECTOR) as usize);
        for from in (at..at + len).step_by(most as usize) {
            for piece in reading.pieces(from, most.min(at + len - from)) {
                let (at, len) = (piece.start, piece.end - piece.start);
                let at = self.turn_to(reading, at).await?;
                let request = Request::DigestRange { at, len, mode };
                match self.ask(request, self.allowance_us(u64::from(len) + 16)).await {
                    Ok(Answer::Digests(digests)) if digests.len() == len.div_ceil(SECTOR) as usize => {
                        all.extend(digests);
                    }
                    Ok(_) => return Err(DriverError::Answer { doing: DOING }),
                    Err(source) => return Err(DriverError::Link { doing: DOING, source }),
                }
            }
        }
        Ok(all)
    }

    /// Has the link run a list.
    pub(crate) async fn list(
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

    /// S6: the same chip, in the same state. The kernel answers for its own.
    pub(crate) async fn check(&self, guard: &Guard, at: u32) -> Result<(), DriverError> {
        if guard.id.is_empty() {
            return Ok(());
        }
        let id = self.read_id(u32::try_from(guard.id.len()).expect("an id is a few bytes")).await?;
        let status = self.read_status().await?;
        if guard.holds(&id, status) { Ok(()) } else { Err(differs(guard, at, id, status)) }
    }
}

/// What a guard's failure means: another id is lost contact, another status is something else.
pub(crate) fn differs(guard: &Guard, at: u32, id: Vec<u8>, status: u8) -> DriverError {
    if id == guard.id {
        DriverError::StatusChanged { at, expected: guard.status, read: status, mask: guard.status_mask }
    } else {
        DriverError::ContactLost { at, expected: guard.id.clone(), read: id, status }
    }
}
