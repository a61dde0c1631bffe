//! What the two futures of a pipe leave for each other. One thread, so cells are enough.

use core::cell::{Cell, RefCell};

use embassy_sync::blocking_mutex::raw::NoopRawMutex;
use embassy_sync::signal::Signal;
use wire::{HOST_SILENT_AFTER_MS, MAX_PAYLOAD, Refusal};

/// Program data that has come and was not taken yet.
const RING: usize = 8192;
/// Answers that wait for a gap between two frames. A host that asks faster than it reads loses the later ones.
const OWED: usize = 8;

/// The state that a pipe's [`crate::listen`] and [`crate::work`] share.
pub struct Post {
    pub(crate) heard_us: Cell<u64>,
    pub(crate) attached: Cell<bool>,
    pub(crate) hello: Cell<Option<u16>>,
    pub(crate) release: Cell<Option<u16>>,
    pub(crate) cancel: Cell<bool>,
    /// The request that runs or waits in `request`.
    pub(crate) running: Cell<Option<u16>>,
    pub(crate) done: Cell<u32>,
    pub(crate) waiting: Cell<bool>,
    pub(crate) request: RefCell<Payload>,
    pub(crate) owed: RefCell<Queue>,
    /// The request whose data is taken, and how many bytes of it are still to come.
    pub(crate) program: Cell<Option<(u16, u32)>>,
    pub(crate) data_lost: Cell<bool>,
    /// The listener waits for room: silence then is not the host's.
    pub(crate) held_back: Cell<bool>,
    pub(crate) ring: RefCell<Ring>,
    pub(crate) to_worker: Signal<NoopRawMutex, ()>,
    pub(crate) to_listener: Signal<NoopRawMutex, ()>,
}

impl Default for Post {
    fn default() -> Self {
        Self::new()
    }
}

impl Post {
    /// An empty one.
    #[must_use]
    pub const fn new() -> Self {
        Self {
            heard_us: Cell::new(0),
            attached: Cell::new(false),
            hello: Cell::new(None),
            release: Cell::new(None),
            cancel: Cell::new(false),
            running: Cell::new(None),
            done: Cell::new(0),
            waiting: Cell::new(false),
            request: RefCell::new(Payload { len: 0, bytes: [0; MAX_PAYLOAD] }),
            owed: RefCell::new(Queue { items: [None; OWED] }),
            program: Cell::new(None),
            data_lost: Cell::new(false),
            held_back: Cell::new(false),
            ring: RefCell::new(Ring { bytes: [0; RING], at: 0, len: 0 }),
            to_worker: Signal::new(),
            to_listener: Signal::new(),
        }
    }

    /// Says that the host is gone: the USB was unplugged, reset or suspended. May be called at any time, also when it is known.
    pub fn gone(&self) {
        self.attached.set(false);
        self.cancel.set(true);
        self.to_worker.signal(());
        self.to_listener.signal(());
    }

    /// Tells whether the host said nothing for too long or is gone.
    pub(crate) fn is_lost(&self, now_us: u64) -> bool {
        let silent_us = now_us.saturating_sub(self.heard_us.get());
        !self.attached.get() || (!self.held_back.get() && silent_us >= u64::from(HOST_SILENT_AFTER_MS) * 1000)
    }

    pub(crate) fn owe(&self, request: u16, what: Owed) {
        self.owed.borrow_mut().push(request, what);
        self.to_worker.signal(());
    }

    /// Ends the taking of data for a program request.
    pub(crate) fn end_program(&self) {
        self.program.set(None);
        self.data_lost.set(false);
        self.ring.borrow_mut().len = 0;
        self.to_listener.signal(());
    }
}

/// A request as it came.
pub(crate) struct Payload {
    pub(crate) len: usize,
    pub(crate) bytes: [u8; MAX_PAYLOAD],
}

/// A short answer that is due.
#[derive(Clone, Copy)]
pub(crate) enum Owed {
    Beat,
    Refused(Refusal<'static>),
}

pub(crate) struct Queue {
    items: [Option<(u16, Owed)>; OWED],
}

impl Queue {
    fn push(&mut self, request: u16, what: Owed) {
        if let Some(free) = self.items.iter_mut().find(|item| item.is_none()) {
            *free = Some((request, what));
        }
    }

    pub(crate) fn pop(&mut self) -> Option<(u16, Owed)> {
        let first = self.items[0].take();
        self.items.rotate_left(1);
        first
    }

    pub(crate) fn clear(&mut self) {
        self.items = [None; OWED];
    }
}

pub(crate) struct Ring {
    bytes: [u8; RING],
    at: usize,
    len: usize,
}

impl Ring {
    pub(crate) fn len(&self) -> usize {
        self.len
    }

    /// Takes as many bytes as there is room for and returns how many.
    pub(crate) fn push(&mut self, bytes: &[u8]) -> usize {
        let count = bytes.len().min(RING - self.len);
        for (offset, &byte) in bytes[..count].iter().enumerate() {
            self.bytes[(self.at + self.len + offset) % RING] = byte;
        }
        self.len += count;
        count
    }

    /// Fills `into`, which is no longer than what there is.
    pub(crate) fn pop(&mut self, into: &mut [u8]) {
        for byte in into.iter_mut() {
            *byte = self.bytes[self.at];
            self.at = (self.at + 1) % RING;
        }
        self.len -= into.len();
    }
}
