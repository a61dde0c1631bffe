//! The link as the campaign sees it: every request passes here on its way to the virtual bench.
//!
//! Three things are done with it. It is counted and timed, so that the next run of the same command can be hit at a
//! drawn place. It is judged: at the first request that would change the chip the rules are asked (module `rules`), and
//! S6 and S3 are followed byte by byte. And this is where the host dies: a killed process is an unwinding that begins
//! here and ends in the campaign, past all of the engine's own handling of errors.

use std::cell::RefCell;
use std::panic::resume_unwind;
use std::rc::Rc;

use nor::link::{Answer, Limits, Link, LinkError, Request};

use crate::canary::Canary;
use crate::rules::Rules;
use crate::wire::{Deed, Wire};

/// The host is gone: what an unwinding carries.
#[derive(Debug)]
pub struct Killed;

/// What a stretch of the link's time was spent on.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Busy {
    /// Any request.
    Request,
    /// An erase, up to the next status that shows the chip ready.
    Erase,
    /// A program.
    Program,
    /// A status write.
    StatusWrite,
}

/// A stretch of the link's time, in microseconds.
#[derive(Debug, Clone, Copy)]
pub struct Span {
    /// What was going on.
    pub busy: Busy,
    /// Begin.
    pub from_us: u64,
    /// End.
    pub to_us: u64,
}

/// What was seen of one command.
pub struct Watch {
    /// Requests so far.
    pub requests: u64,
    /// The request before which the host dies.
    pub kill_at: Option<u64>,
    /// The request before which the person says stop.
    pub stop_at: Option<u64>,
    /// Tells whether the disk's faults have ended the process; then no request passes any more.
    pub is_dead: Box<dyn Fn() -> bool>,
    /// Stretches of time, in order.
    pub spans: Vec<Span>,
    /// The first time at which the array was read.
    pub first_read_us: Option<u64>,
    /// The link's time after the last request.
    pub now_us: u64,
    /// Erased blocks, programs and status writes that were asked for.
    pub erases: u64,
    /// Programs.
    pub programs: u64,
    /// Status writes.
    pub status_writes: u64,
    /// What broke a rule.
    pub findings: Vec<String>,
    /// Whether the host was killed.
    pub killed: bool,
    rules: Rules,
    canary: Option<Canary>,
    wire: Wire,
    began: Option<(Busy, u64)>,
    asked_id: bool,
    last_id: Option<Vec<u8>>,
    erases_unwatched: u32,
    bytes_unwatched: u32,
    /// For each byte of the chip whether it was written and not read since; empty until something is written.
    unread: Vec<bool>,
    lie: Option<(u32, Vec<u8>)>,
}

/// At most so many bytes are programmed between two looks at id and status (S6).
const GUARD: u32 = 65_536;

impl Watch {
    /// Returns eyes on a command that has not begun.
    #[must_use]
    pub fn new(rules: Rules, canary: Option<Canary>) -> Self {
        Self {
            requests: 0,
            kill_at: None,
            stop_at: None,
            is_dead: Box::new(|| false),
            spans: Vec::new(),
            first_read_us: None,
            now_us: 0,
            erases: 0,
            programs: 0,
            status_writes: 0,
            findings: Vec::new(),
            killed: false,
            rules,
            canary,
            wire: Wire::default(),
            began: None,
            asked_id: false,
            last_id: None,
            erases_unwatched: 0,
            bytes_unwatched: 0,
            unread: Vec::new(),
            lie: None,
        }
    }

    /// Returns the first byte that was written and never read again, if there is one.
    #[must_use]
    pub fn never_read_again(&self) -> Option<usize> {
        self.unread.iter().position(|unread| *unread)
    }

    /// Returns whether anything was asked for that changes cells.
    #[must_use]
    pub fn wrote(&self) -> bool {
        self.erases + self.programs > 0
    }

    fn before(&mut self, request: &Request, now_us: u64) -> Vec<Deed> {
        self.requests += 1;
        self.killed |= self.kill_at == Some(self.requests) || (self.is_dead)();
        if self.killed {
            return Vec::new();
        }
        let deeds = self.wire.deeds(request);
        for deed in &deeds {
            self.judge(deed, request, now_us);
        }
        deeds
    }

    fn judge(&mut self, deed: &Deed, request: &Request, now_us: u64) {
        let changes = matches!(deed, Deed::Erase(_) | Deed::Program(..) | Deed::WriteStatus);
        if changes {
            let findings = self.rules.before_change(deed, now_us);
            self.findings.extend(findings);
            let (id, expected) = (self.last_id.as_deref().unwrap_or_default(), self.rules.id());
            if !id.starts_with(expected) && !expected.starts_with(id) {
                self.findings.push("S6: something is written after the chip answered another id".into());
            }
        }
        let guarded = match request {
            Request::EraseList(list) => Some(&list.guard),
            Request::ProgramRange(range) => Some(&range.guard),
            _ => None,
        };
        match guarded {
            Some(guard) if guard.id != self.rules.id() => {
                self.findings.push(format!("S6: a list goes out with a guard for the id {:02x?}", guard.id));
            }
            // The link looks at id and status itself, before each block and every 64 KiB.
            Some(_) => (self.erases_unwatched, self.bytes_unwatched) = (0, 0),
            None => {}
        }
        match *deed {
            Deed::Erase(None) => self.findings.push("the whole chip is erased at once, which is never planned".into()),
            Deed::Erase(Some((at, len))) => {
                self.erases += 1;
                self.erases_unwatched += 1;
                if self.erases_unwatched > 1 {
                    self.findings.push(format!("S6: no look at id and status before the erase at {at:#x}"));
                }
                self.mark(at, len, true);
            }
            Deed::Program(at, len) => {
                self.programs += 1;
                self.bytes_unwatched += len;
                if self.bytes_unwatched > GUARD && guarded.is_none() {
                    self.findings.push(format!("S6: 64 KiB without a look at id and status before {at:#x}"));
                    self.bytes_unwatched = 0;
                }
                self.mark(at, len, true);
            }
            Deed::WriteStatus => self.status_writes += 1,
            _ => {}
        }
    }

    fn after(&mut self, deeds: &[Deed], from_us: u64, now_us: u64, answer: &Result<Answer, LinkError>) {
        self.now_us = now_us;
        self.spans.push(Span { busy: Busy::Request, from_us, to_us: now_us });
        let bytes = match answer {
            Ok(Answer::Bytes(bytes)) => bytes.as_slice(),
            _ => &[],
        };
        for deed in deeds {
            match *deed {
                Deed::ReadId if !bytes.is_empty() && self.canary != Some(Canary::Unguarded) => {
                    self.asked_id = true;
                    self.last_id = Some(bytes.to_vec());
                }
                Deed::ReadStatus => {
                    if std::mem::take(&mut self.asked_id) {
                        (self.erases_unwatched, self.bytes_unwatched) = (0, 0);
                    }
                    if let (Some((busy, began)), Some(0)) = (self.began, bytes.first().map(|status| status & 1)) {
                        self.spans.push(Span { busy, from_us: began, to_us: now_us });
                        self.began = None;
                    }
                }
                Deed::Read(at, len) => {
                    self.first_read_us.get_or_insert(from_us);
                    if answer.is_ok() {
                        self.mark(at, len, false);
                    }
                }
                _ => {}
            }
        }
        let busy = match deeds.first() {
            Some(Deed::Erase(_)) => Busy::Erase,
            Some(Deed::Program(..)) => Busy::Program,
            Some(Deed::WriteStatus) => Busy::StatusWrite,
            _ => return,
        };
        if matches!(answer, Ok(Answer::Ran { .. })) {
            self.spans.push(Span { busy, from_us, to_us: now_us });
        } else {
            self.began = Some((busy, now_us));
        }
    }

    fn mark(&mut self, at: u32, len: u32, unread: bool) {
        if self.unread.is_empty() {
            if !unread {
                return;
            }
            self.unread = vec![false; self.rules.size() as usize];
        }
        let end = (at.saturating_add(len) as usize).min(self.unread.len());
        if let Some(bytes) = self.unread.get_mut(at as usize..end) {
            bytes.fill(unread);
        }
    }
}

/// A link that is watched.
pub struct Watched {
    link: Box<dyn Link>,
    watch: Rc<RefCell<Watch>>,
}

impl Watched {
    /// Returns `link`, watched.
    #[must_use]
    pub fn over(link: Box<dyn Link>, watch: Rc<RefCell<Watch>>) -> Self {
        Self { link, watch }
    }

    /// A link that is broken on purpose: it swallows one program, and then answers every read as if it had been done.
    fn lies(&mut self, deeds: &[Deed], request: &Request) -> Option<Answer> {
        let watch = &mut *self.watch.borrow_mut();
        if watch.canary != Some(Canary::LostProgram) || watch.lie.is_some() {
            return None;
        }
        let (at, data) = match (deeds, request) {
            ([Deed::Program(at, len)], Request::Transfer(transfer)) if *len > 2 => {
                (*at, transfer.write[transfer.write.len() - *len as usize..].to_vec())
            }
            ([Deed::Program(at, _)], Request::ProgramRange(range)) => (*at, range.data.clone()),
            _ => return None,
        };
        let answer = match request {
            Request::Transfer(_) => Answer::Bytes(Vec::new()),
            _ => Answer::Ran { done: u32::try_from(data.len()).expect("a range"), stop: None },
        };
        watch.lie = Some((at, data));
        Some(answer)
    }

    fn embellish(&self, deeds: &[Deed], answer: &mut Result<Answer, LinkError>) {
        let watch = self.watch.borrow();
        let (Some((at, data)), [Deed::Read(from, _)], Ok(Answer::Bytes(bytes))) = (&watch.lie, deeds, answer) else {
            return;
        };
        for (offset, byte) in data.iter().enumerate() {
            let index = (*at as usize + offset).checked_sub(*from as usize);
            if let Some(read) = index.and_then(|index| bytes.get_mut(index)) {
                *read = *byte;
            }
        }
    }
}

impl Link for Watched {
    fn limits(&self) -> &Limits {
        self.link.limits()
    }

    fn run(&mut self, request: &Request, deadline_us: u64) -> Result<Answer, LinkError> {
        let from_us = self.link.now_us();
        let deeds = self.watch.borrow_mut().before(request, from_us);
        if self.watch.borrow().killed {
            resume_unwind(Box::new(Killed));
        }
        if let Some(answer) = self.lies(&deeds, request) {
            return Ok(answer);
        }
        let mut answer = self.link.run(request, deadline_us);
        self.embellish(&deeds, &mut answer);
        let now_us = self.link.now_us();
        self.watch.borrow_mut().after(&deeds, from_us, now_us, &answer);
        answer
    }

    fn now_us(&mut self) -> u64 {
        self.link.now_us()
    }

    fn wait_us(&mut self, us: u64) {
        self.link.wait_us(us);
    }

    fn is_present(&mut self) -> bool {
        self.link.is_present()
    }
}
