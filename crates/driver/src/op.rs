//! An operation as a conversation: [`Op`], and [`run`], the loop around it.
//!
//! An operation is written as an `async` block over a [`Bus`], which makes a long conversation with a chip readable from
//! top to bottom. Nothing here is an async runtime: the future never sees a waker that does anything, it is polled only
//! by [`Op::poll`], and the only things it ever waits for are an answer or a point in time.

use std::cell::{Cell, RefCell};
use std::collections::VecDeque;
use std::future::Future;
use std::pin::Pin;
use std::rc::Rc;
use std::task::{Context, Poll, Waker};

use nor::link::{Answer, Limits, Link, LinkError, Request};

use crate::bus::Bus;

/// What an operation reports on its way.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Event {
    /// A phase begins; `total` bytes lie before it.
    Begins {
        /// What is done, in a word: "reading", "erasing and programming", "reading again".
        phase: &'static str,
        /// Bytes of the phase.
        total: u64,
    },
    /// So many bytes of the phase are done.
    Progress {
        /// Bytes done so far.
        done: u64,
    },
}

/// Whether to go on.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Flow {
    /// Go on.
    Continue,
    /// End the operation before its next request.
    Stop,
}

/// What an operation wants next.
#[derive(Debug)]
pub enum Step<'op, T> {
    /// Do this and hand the answer to [`Op::handle`].
    Request {
        /// What to do.
        request: &'op Request,
        /// By when the link has to answer, on its own clock.
        deadline_us: u64,
    },
    /// Poll again at this time.
    WaitUntil(u64),
    /// The operation has ended; it must not be polled again.
    Done(T),
}

/// What passes between an operation's future and its owner.
#[derive(Default)]
pub(crate) struct Mailbox {
    pub now_us: Cell<u64>,
    pub asked: RefCell<Option<Asked>>,
    pub answer: RefCell<Option<Result<Answer, LinkError>>>,
    pub events: RefCell<VecDeque<Event>>,
}

/// What an operation waits for.
pub(crate) enum Asked {
    Request { request: Request, deadline_us: u64 },
    Wait { until_us: u64 },
}

/// An operation under way.
pub struct Op<'a, T> {
    future: Pin<Box<dyn Future<Output = T> + 'a>>,
    mailbox: Rc<Mailbox>,
    outstanding: Option<Asked>,
}

impl<'a, T> Op<'a, T> {
    /// Makes an operation from the body of its conversation.
    pub(crate) fn new<F: Future<Output = T> + 'a>(limits: &Limits, body: impl FnOnce(Bus) -> F) -> Self {
        let mailbox = Rc::new(Mailbox::default());
        let bus = Bus::new(Rc::clone(&mailbox), limits.clone());
        Self { future: Box::pin(body(bus)), mailbox, outstanding: None }
    }

    /// Tells what to do next. Polling again before the answer is handled, or before the time has come, changes nothing.
    ///
    /// # Panics
    /// When polled after [`Step::Done`].
    pub fn poll(&mut self, now_us: u64) -> Step<'_, T> {
        self.mailbox.now_us.set(now_us);
        if matches!(self.outstanding, Some(Asked::Wait { until_us }) if until_us <= now_us) {
            self.outstanding = None;
        }
        if self.outstanding.is_none() {
            let mut context = Context::from_waker(Waker::noop());
            if let Poll::Ready(result) = self.future.as_mut().poll(&mut context) {
                return Step::Done(result);
            }
            self.outstanding = self.mailbox.asked.borrow_mut().take();
        }
        match self.outstanding.as_ref().expect("an operation that is not done has asked for something") {
            Asked::Request { request, deadline_us } => Step::Request { request, deadline_us: *deadline_us },
            Asked::Wait { until_us } => Step::WaitUntil(*until_us),
        }
    }

    /// Hands over the answer to the request last polled.
    pub fn handle(&mut self, now_us: u64, answer: Result<Answer, LinkError>) {
        debug_assert!(matches!(self.outstanding, Some(Asked::Request { .. })), "an answer to nothing");
        self.mailbox.now_us.set(now_us);
        self.outstanding = None;
        *self.mailbox.answer.borrow_mut() = Some(answer);
    }

    /// Takes the oldest event that was not taken yet.
    pub fn take_event(&mut self) -> Option<Event> {
        self.mailbox.events.borrow_mut().pop_front()
    }
}

/// Runs an operation over a link to its end. `watch` sees every event with the time on the link's clock, and is asked
/// before each request whether to go on; none means that it said stop.
pub fn run<T>(link: &mut dyn Link, mut op: Op<'_, T>, watch: &mut dyn FnMut(Option<Event>, u64) -> Flow) -> Option<T> {
    loop {
        let now = link.now_us();
        let step = op.poll(now);
        let answer = match step {
            Step::Done(result) => {
                while let Some(event) = op.take_event() {
                    watch(Some(event), link.now_us());
                }
                return Some(result);
            }
            Step::WaitUntil(until) => {
                link.wait_us(until.saturating_sub(now));
                None
            }
            Step::Request { request, deadline_us } => {
                if watch(None, now) == Flow::Stop {
                    return None;
                }
                Some(link.run(request, deadline_us))
            }
        };
        if let Some(answer) = answer {
            op.handle(link.now_us(), answer);
        }
        while let Some(event) = op.take_event() {
            watch(Some(event), link.now_us());
        }
    }
}
