//! From requests to answers: one at a time, and always ready to say that the board is there.

use embassy_futures::select::{Either, select};
use embassy_sync::blocking_mutex::raw::NoopRawMutex;
use embassy_sync::mutex::Mutex;
use wire::{Data, HOST_SILENT_AFTER_MS, Hello, MAX_FRAME, Refusal, Reply, Request, Sequence, encode, seal};

use core::cell::Cell;

use crate::post::Owed;
use crate::{Blocks, Board, Clock, Gone, Light, Outbox, Post};

/// How long to wait before looking again whether the host is still there: half of the time in which a loss has to show.
const LOOK_US: u64 = 50_000;

/// What all pipes share.
pub struct Station<'a, B> {
    pub(crate) bench: Mutex<NoopRawMutex, (B, &'a mut Blocks)>,
    /// The pipe whose host said hello last.
    owner: Cell<Option<u8>>,
    turns: Cell<u32>,
}

impl<'a, B: Board> Station<'a, B> {
    /// A board that nobody uses yet.
    pub fn new(board: B, blocks: &'a mut Blocks) -> Self {
        Self { bench: Mutex::new((board, blocks)), owner: Cell::new(None), turns: Cell::new(0) }
    }

    /// Returns a number that changes as long as work goes on, also when there is none: for a watchdog.
    pub fn turns(&self) -> u32 {
        self.turns.get()
    }
}

/// Serves one pipe for ever. `pipe` tells it from the others.
pub async fn work<B: Board>(
    pipe: u8,
    station: &Station<'_, B>,
    outbox: &mut impl Outbox,
    clock: &impl Clock,
    post: &Post,
    scratch: &mut [u8; MAX_FRAME],
) -> ! {
    let mut mouth = Mouth { outbox, clock, post, turns: &station.turns, sequence: Sequence::new(), scratch };
    loop {
        mouth.turn();
        if let Some(number) = post.hello.take() {
            hello(pipe, station, &mut mouth, number).await;
        } else if let Some(number) = post.release.take() {
            let_go(pipe, station).await;
            let _ = mouth.last(number, &Reply::Released).await;
        } else if post.waiting.get() {
            let number = post.running.get().unwrap_or_default();
            let owned = station.owner.get() == Some(pipe);
            let ended = if owned {
                let mut bench = station.bench.lock().await;
                let (board, blocks) = &mut *bench;
                crate::run::run(board, blocks, &mut mouth, number).await
            } else {
                mouth.last(number, &Reply::Refused(Refusal::OutOfStep { expected: 0, got: 1 })).await
            };
            post.waiting.set(false);
            post.end_program();
            post.running.set(None);
            if ended.is_err() {
                mouth.outbox.clear();
            }
        } else if mouth.owed().await.is_err() || post.is_lost(clock.now_us()) {
            mouth.outbox.clear();
            post.owed.borrow_mut().clear();
            let_go(pipe, station).await;
            mouth.pause().await;
        } else {
            mouth.pause().await;
        }
    }
}

async fn hello<B: Board>(
    pipe: u8,
    station: &Station<'_, B>,
    mouth: &mut Mouth<'_, impl Outbox, impl Clock>,
    number: u16,
) {
    mouth.sequence.restart();
    if station.owner.get().is_some_and(|owner| owner != pipe) {
        let what = "another program uses this programmer over its other USB interface";
        let _ = mouth.last(number, &Reply::Refused(Refusal::Unable { what })).await;
        return;
    }
    let mut bench = station.bench.lock().await;
    let board = &mut bench.0;
    board.release();
    board.show(Light::Ready);
    station.owner.set(Some(pipe));
    let hello = Hello {
        firmware: env!("CARGO_PKG_VERSION"),
        serial: board.serial(),
        features: board.features(),
        limits: board.limits(),
    };
    let _ = mouth.last(number, &Reply::Hello(hello)).await;
}

/// Lets go of the chip, if it was this pipe's.
async fn let_go<B: Board>(pipe: u8, station: &Station<'_, B>) {
    if station.owner.get() == Some(pipe) {
        let mut bench = station.bench.lock().await;
        bench.0.release();
        bench.0.show(Light::Waiting);
        station.owner.set(None);
    }
}

/// Why a request does not go on.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum End {
    /// The host asked for it.
    Cancelled,
    /// The host is gone, silent, or its data was lost.
    Silent,
}

/// The way to the host, with what has to be minded on it.
pub(crate) struct Mouth<'a, O, C> {
    outbox: &'a mut O,
    pub(crate) clock: &'a C,
    pub(crate) post: &'a Post,
    turns: &'a Cell<u32>,
    sequence: Sequence,
    scratch: &'a mut [u8; MAX_FRAME],
}

impl<O: Outbox, C: Clock> Mouth<'_, O, C> {
    /// Tells whether the request that runs has to end.
    pub(crate) fn end(&self) -> Option<End> {
        if self.post.is_lost(self.clock.now_us()) {
            Some(End::Silent)
        } else if self.post.cancel.get() {
            Some(End::Cancelled)
        } else {
            None
        }
    }

    /// Sends a reply that others follow.
    ///
    /// # Errors
    /// [`Gone`], also when a hello came: nothing of the old count may be sent behind it.
    pub(crate) async fn reply(&mut self, request: u16, reply: &Reply<'_>) -> Result<(), Gone> {
        let sequence = self.sequence.take();
        let len = encode(self.scratch, request, sequence, reply).expect("replies are shorter than a frame");
        let (outbox, bytes) = (&mut *self.outbox, &self.scratch[..len]);
        guarded(self.post, self.clock, self.turns, outbox.write(bytes)).await
    }

    /// Sends a reply and ends the packet.
    ///
    /// # Errors
    /// As [`Mouth::reply`].
    pub(crate) async fn last(&mut self, request: u16, reply: &Reply<'_>) -> Result<(), Gone> {
        self.reply(request, reply).await?;
        self.flush().await
    }

    /// Ends the packet.
    ///
    /// # Errors
    /// As [`Mouth::reply`].
    pub(crate) async fn flush(&mut self) -> Result<(), Gone> {
        guarded(self.post, self.clock, self.turns, self.outbox.flush()).await
    }

    /// Sends the block of `len` bytes that stands in `frame` behind the room for a header.
    ///
    /// # Errors
    /// As [`Mouth::reply`].
    pub(crate) async fn block(
        &mut self,
        request: u16,
        frame: &mut [u8; MAX_FRAME],
        len: usize,
        before: Option<&[u8]>,
    ) -> Result<(), Gone> {
        self.owed().await?;
        let sequence = self.sequence.take();
        let (outbox, scratch) = (&mut *self.outbox, &mut *self.scratch);
        let block = &frame[wire::HEADER..wire::HEADER + len];
        let bytes: &[u8] = match Data::shortest(block, before) {
            Data::Bytes(_) => {
                let whole = seal(frame, wire::Kind::Bytes, request, sequence, len).expect("a block fits into a frame");
                &frame[..whole]
            }
            short => {
                let whole = short.encode(scratch, request, sequence).expect("fills and repetitions are short");
                &scratch[..whole]
            }
        };
        guarded(self.post, self.clock, self.turns, outbox.write(bytes)).await
    }

    /// Sends the short answers that are due.
    ///
    /// # Errors
    /// As [`Mouth::reply`].
    pub(crate) async fn owed(&mut self) -> Result<(), Gone> {
        let mut any = false;
        loop {
            let next = self.post.owed.borrow_mut().pop();
            let Some((request, owed)) = next else { break };
            any = true;
            let running = self.post.running.get();
            match owed {
                Owed::Beat => self.reply(request, &Reply::Beat { running, done: self.post.done.get() }).await?,
                Owed::Refused(refusal) => self.reply(request, &Reply::Refused(refusal)).await?,
            }
        }
        if any { self.flush().await } else { Ok(()) }
    }

    /// Waits for a chip: `us`, answering heartbeats. Not cut short by anything, since the chip is not either.
    pub(crate) async fn wait_us(&mut self, us: u64) {
        let until = self.clock.now_us() + us;
        loop {
            self.turn();
            let left = until.saturating_sub(self.clock.now_us());
            if left == 0 {
                return;
            }
            if self.post.hello.get().is_none() {
                let _ = self.owed().await;
            }
            let left = until.saturating_sub(self.clock.now_us());
            let _ = select(self.clock.wait_us(left.min(LOOK_US)), self.post.to_worker.wait()).await;
        }
    }

    /// Waits until something happens or it is time to look at the host again.
    pub(crate) async fn pause(&mut self) {
        self.turn();
        let _ = select(self.post.to_worker.wait(), self.clock.wait_us(LOOK_US)).await;
    }

    fn turn(&self) {
        self.turns.set(self.turns.get().wrapping_add(1));
    }
}

/// Sends, unless the host goes or says hello.
///
/// A host whose data is held back because this very sending stands still would wait for ever, and so would we.
async fn guarded(
    post: &Post,
    clock: &impl Clock,
    turns: &Cell<u32>,
    sending: impl Future<Output = Result<(), Gone>>,
) -> Result<(), Gone> {
    let began = clock.now_us();
    let lost = async {
        loop {
            let stands = clock.now_us() - began >= u64::from(HOST_SILENT_AFTER_MS) * 1000;
            turns.set(turns.get().wrapping_add(1));
            if stands && post.held_back.get() {
                post.gone();
            }
            if post.is_lost(clock.now_us()) || post.hello.get().is_some() {
                return;
            }
            clock.wait_us(LOOK_US).await;
        }
    };
    match select(sending, lost).await {
        Either::First(sent) => sent,
        Either::Second(()) => Err(Gone),
    }
}

/// Reads the request that waits into `copy` and returns it.
pub(crate) fn waiting<'a>(post: &Post, copy: &'a mut [u8; wire::MAX_PAYLOAD]) -> Option<Request<'a>> {
    let waiting = post.request.borrow();
    copy[..waiting.len].copy_from_slice(&waiting.bytes[..waiting.len]);
    let payload = &copy[..waiting.len];
    wire::Frame { kind: wire::Kind::Control, request: 0, sequence: 0, payload }.message().ok()
}
