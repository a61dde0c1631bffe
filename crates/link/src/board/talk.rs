//! The host's side of a conversation in frames: hello, requests and answers, heartbeats in between.
//!
//! Whatever is wrong with the stream (a frame lost, doubled, cut short, of another request) ends in a hello before the next
//! request: it stops what the programmer does and starts both counts anew, so that nothing old can be taken for an answer.
//! Whether a request may then be asked again is the caller's business, who knows what it does to a chip.

use std::time::{Duration, Instant};

use wire::{
    BLOCK, Data, Decoder, Features, HEARTBEAT_EVERY_MS, Kind, Limits, MAX_FRAME, PAUSE_MS, Refusal, Reply, Request,
    Sequence, WireError,
};

use super::error::Trouble;
use super::pipe::{Pipe, PipeError};

/// How long one hello is waited for. A programmer may first have to give up a frame that another program left half sent.
const HELLO_WAIT: Duration = Duration::from_millis(PAUSE_MS as u64 * 3);
/// How often it is said.
const HELLO_TRIES: u32 = 4;
/// Without any frame for so long a programmer that was spoken to is hung.
const QUIET: Duration = Duration::from_secs(5);
/// How long a heartbeat or the end of a cancelled request is waited for.
const BEAT_WAIT: Duration = Duration::from_millis(500);
const BEAT_EVERY: Duration = Duration::from_millis(HEARTBEAT_EVERY_MS as u64);

/// What a programmer said of itself.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Greeting {
    /// Its firmware's version.
    pub firmware: String,
    /// Its serial number.
    pub serial: String,
    /// What it runs by itself.
    pub features: Features,
    /// How much of it.
    pub limits: Limits,
}

/// Something that came for the request that is waited for.
pub(super) enum Came<'a> {
    Data(Data<'a>),
    Reply(Reply<'a>),
}

/// A conversation over a pipe.
pub(super) struct Talk {
    pipe: Box<dyn Pipe>,
    decoder: Box<Decoder>,
    sent: Sequence,
    received: Sequence,
    number: u16,
    inbox: Vec<u8>,
    /// Bytes of the inbox that the decoder has taken.
    taken: usize,
    said: Instant,
    heard: Instant,
    in_step: bool,
    gone: bool,
}

impl Talk {
    pub(super) fn new(pipe: Box<dyn Pipe>) -> Self {
        Self {
            pipe,
            decoder: Box::default(),
            sent: Sequence::new(),
            received: Sequence::new(),
            number: 0,
            inbox: Vec::new(),
            taken: 0,
            said: Instant::now(),
            heard: Instant::now(),
            in_step: false,
            gone: false,
        }
    }

    /// Whether a request may go out without a hello before it.
    pub(super) fn is_in_step(&self) -> bool {
        self.in_step
    }

    pub(super) fn is_gone(&self) -> bool {
        self.gone
    }

    /// Says hello until the programmer answers.
    pub(super) fn hello(&mut self) -> Result<Greeting, Trouble> {
        let mut last = Trouble::NoHello;
        for _ in 0..HELLO_TRIES {
            self.in_step = false;
            self.sent.restart();
            self.received.restart();
            let number = match self.post(&Request::Hello, HELLO_WAIT) {
                Err(Trouble::Silent) => continue,
                other => other?,
            };
            let until = Instant::now() + HELLO_WAIT;
            let answer = self.listen(number, until, true, |came| match came {
                Came::Reply(Reply::Hello(hello)) => Ok(Some(Greeting {
                    firmware: hello.firmware.to_owned(),
                    serial: hello.serial.to_owned(),
                    features: hello.features,
                    limits: hello.limits,
                })),
                Came::Reply(Reply::Refused(refusal)) => Err(refused(refusal)),
                _ => Ok(None),
            });
            match answer {
                Ok(greeting) => {
                    self.in_step = true;
                    return Ok(greeting);
                }
                Err(Trouble::Silent | Trouble::NotDone(_) | Trouble::Wire(WireError::Malformed { .. })) => {}
                // In use over its other pipe: by a program that goes on, or by one that ended without a word, which shows in two seconds.
                Err(error @ Trouble::Unable(_)) => {
                    last = error;
                    std::thread::sleep(HELLO_WAIT);
                }
                Err(error) => return Err(error),
            }
        }
        Err(last)
    }

    /// Sends a request with its data and hands what comes for it to `on`, until that returns something.
    pub(super) fn ask<T>(
        &mut self,
        request: &Request<'_>,
        data: &[u8],
        until: Instant,
        on: impl FnMut(Came<'_>) -> Result<Option<T>, Trouble>,
    ) -> Result<T, Trouble> {
        let asked = self.ask_in_step(request, data, until, on);
        // A refusal that leaves the counts alone is an answer; everything else may have left something behind.
        if let Err(error) = &asked
            && !matches!(error, Trouble::Unable(_) | Trouble::Supply { .. })
        {
            self.in_step = false;
        }
        asked
    }

    fn ask_in_step<T>(
        &mut self,
        request: &Request<'_>,
        data: &[u8],
        until: Instant,
        on: impl FnMut(Came<'_>) -> Result<Option<T>, Trouble>,
    ) -> Result<T, Trouble> {
        let left = |until: Instant| until.saturating_duration_since(Instant::now());
        let number = self.post(request, left(until))?;
        if !data.is_empty() {
            let mut frames = Vec::with_capacity(data.len() + data.len() / 100 + MAX_FRAME);
            for block in data.chunks(BLOCK) {
                let sequence = self.sent.take();
                let at = frames.len();
                frames.resize(at + MAX_FRAME, 0);
                let len = Data::shortest(block, None).encode(&mut frames[at..], number, sequence)?;
                frames.truncate(at + len);
            }
            self.send(&frames, left(until))?;
        }
        let heard = self.listen(number, until, false, on);
        if matches!(heard, Err(Trouble::Silent)) {
            // Nobody waits for it any more: what runs on the chip ends, and no further command starts.
            self.post_as(number, &Request::Cancel, BEAT_WAIT)?;
            let _ = self.listen(number, Instant::now() + BEAT_WAIT, false, |came| {
                Ok(matches!(came, Came::Reply(_)).then_some(()))
            });
        }
        heard
    }

    /// Says that the host is there, when it has said nothing for a while, and listens for the answer.
    pub(super) fn stay(&mut self) -> Result<(), Trouble> {
        if !self.in_step || self.gone || self.said.elapsed() < BEAT_EVERY {
            return Ok(());
        }
        self.ask(&Request::Heartbeat, &[], Instant::now() + BEAT_WAIT, |came| {
            Ok(matches!(came, Came::Reply(Reply::Beat { .. })).then_some(()))
        })
    }

    /// Sends one control frame and returns its number.
    fn post(&mut self, request: &Request<'_>, allowed: Duration) -> Result<u16, Trouble> {
        self.number = self.number.wrapping_add(1);
        self.post_as(self.number, request, allowed)?;
        Ok(self.number)
    }

    fn post_as(&mut self, number: u16, request: &Request<'_>, allowed: Duration) -> Result<(), Trouble> {
        let mut frame = [0; MAX_FRAME];
        let len = wire::encode(&mut frame, number, self.sent.take(), request)?;
        self.send(&frame[..len], allowed)
    }

    fn send(&mut self, bytes: &[u8], allowed: Duration) -> Result<(), Trouble> {
        if self.gone {
            return Err(Trouble::Gone);
        }
        let sent = self.pipe.send(bytes, allowed);
        self.said = Instant::now();
        self.passed(sent)
    }

    /// Listens until `on` returns something for the request of this number. After a hello, what was under way before it is
    /// passed over.
    fn listen<T>(
        &mut self,
        number: u16,
        until: Instant,
        after_hello: bool,
        mut on: impl FnMut(Came<'_>) -> Result<Option<T>, Trouble>,
    ) -> Result<T, Trouble> {
        self.heard = Instant::now();
        loop {
            let mut rest = &self.inbox[self.taken..];
            let before = rest.len();
            let fed = self.decoder.feed(&mut rest);
            self.taken += before - rest.len();
            match fed {
                Ok(Some(frame)) => {
                    self.heard = Instant::now();
                    match self.received.accept(frame.sequence) {
                        Err(_) if after_hello => continue,
                        accepted => accepted?,
                    }
                    let came = match frame.kind {
                        Kind::Control => Came::Reply(frame.message()?),
                        _ => Came::Data(Data::of(&frame)?),
                    };
                    if let (Came::Reply(Reply::Refused(refusal @ Refusal::OutOfStep { .. })), false) =
                        (&came, after_hello)
                    {
                        return Err(refused(*refusal));
                    }
                    if frame.request == number
                        && let Some(done) = on(came)?
                    {
                        return Ok(done);
                    }
                }
                Err(error @ WireError::Version { .. }) => return Err(error.into()),
                Err(_) if after_hello => {}
                Err(error) => return Err(error.into()),
                Ok(None) => self.wait_for_more(until, after_hello)?,
            }
        }
    }

    fn wait_for_more(&mut self, until: Instant, after_hello: bool) -> Result<(), Trouble> {
        self.inbox.clear();
        self.taken = 0;
        let now = Instant::now();
        if now >= until || now - self.heard >= QUIET {
            return Err(Trouble::Silent);
        }
        if !after_hello && now - self.said >= BEAT_EVERY {
            self.post(&Request::Heartbeat, BEAT_WAIT)?;
        }
        let wait = (until - now).min(BEAT_EVERY.saturating_sub(self.said.elapsed())).max(Duration::from_millis(1));
        let received = self.pipe.receive(&mut self.inbox, wait);
        self.passed(received)?;
        let pause = Duration::from_millis(u64::from(PAUSE_MS));
        if self.inbox.is_empty() {
            if self.decoder.is_inside() && self.heard.elapsed() >= pause {
                self.decoder.give_up();
            }
        } else {
            self.heard = Instant::now();
        }
        Ok(())
    }

    fn passed(&mut self, result: Result<(), PipeError>) -> Result<(), Trouble> {
        result.map_err(|error| match error {
            PipeError::Gone => {
                self.gone = true;
                Trouble::Gone
            }
            PipeError::Full => {
                // A frame may have gone out in part.
                self.in_step = false;
                Trouble::Silent
            }
            PipeError::System(error) => Trouble::System(error),
        })
    }
}

/// What a refusal means to the host.
pub(super) fn refused(refusal: Refusal<'_>) -> Trouble {
    match refusal {
        Refusal::Version { ours } => WireError::Version { theirs: ours, ours: wire::VERSION }.into(),
        Refusal::OutOfStep { .. } | Refusal::Busy { .. } => Trouble::NotDone(refusal.to_string()),
        Refusal::Malformed | Refusal::Unable { .. } => Trouble::Unable(refusal.to_string()),
        Refusal::Supply { mv } => Trouble::Supply { mv },
    }
}
