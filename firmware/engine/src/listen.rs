//! From bytes to requests: reads at any time, so that a heartbeat or a cancel is noticed while a request runs.

use embassy_futures::select::{Either, select};
use wire::{Data, Decoder, Frame, Kind, PAUSE_MS, Refusal, Request, Sequence, VERSION, WireError};

use crate::post::Owed;
use crate::{Clock, Gone, Inbox, Post};

/// Reads a pipe for ever and leaves in `post` what came.
pub async fn listen(inbox: &mut impl Inbox, clock: &impl Clock, post: &Post, decoder: &mut Decoder) -> ! {
    loop {
        inbox.attached().await;
        decoder.clear();
        post.heard_us.set(clock.now_us());
        post.attached.set(true);
        let Err(Gone) = read(inbox, clock, post, decoder).await;
        post.gone();
    }
}

async fn read(
    inbox: &mut impl Inbox,
    clock: &impl Clock,
    post: &Post,
    decoder: &mut Decoder,
) -> Result<core::convert::Infallible, Gone> {
    let mut sequence = Sequence::new();
    let mut packet = [0; 64];
    loop {
        let mut input = if decoder.is_inside() {
            match select(inbox.read(&mut packet), clock.wait_us(u64::from(PAUSE_MS) * 1000)).await {
                Either::First(len) => &packet[..len?],
                Either::Second(()) => {
                    decoder.give_up();
                    &[]
                }
            }
        } else {
            let len = inbox.read(&mut packet).await?;
            &packet[..len]
        };
        loop {
            match decoder.feed(&mut input) {
                Ok(None) => break,
                Ok(Some(frame)) => {
                    post.heard_us.set(clock.now_us());
                    take(&frame, &mut sequence, post, clock).await;
                }
                Err(WireError::Version { .. }) => post.owe(0, Owed::Refused(Refusal::Version { ours: VERSION })),
                Err(_) => post.owe(0, Owed::Refused(Refusal::Malformed)),
            }
        }
    }
}

async fn take(frame: &Frame<'_>, sequence: &mut Sequence, post: &Post, clock: &impl Clock) {
    if let Err(error) = sequence.accept(frame.sequence) {
        if post.program.get().is_some() {
            // The range's own answer tells of it.
            post.data_lost.set(true);
            post.to_worker.signal(());
        } else if let (Kind::Control, WireError::OutOfStep { expected, got }) = (frame.kind, error) {
            post.owe(frame.request, Owed::Refused(Refusal::OutOfStep { expected, got }));
        }
        return;
    }
    if frame.kind == Kind::Control {
        match frame.message::<Request>() {
            Ok(request) => control(frame, &request, post),
            Err(_) => post.owe(frame.request, Owed::Refused(Refusal::Malformed)),
        }
    } else {
        data(frame, post, clock).await;
    }
}

fn control(frame: &Frame<'_>, request: &Request<'_>, post: &Post) {
    let number = frame.request;
    match request {
        Request::Hello => {
            // What was owed belongs to the count before.
            post.owed.borrow_mut().clear();
            // A suspension ends without a word, and a packet that came before it may be read after it.
            post.attached.set(true);
            post.hello.set(Some(number));
            post.cancel.set(true);
        }
        Request::Release => {
            post.release.set(Some(number));
            post.cancel.set(true);
        }
        Request::Cancel => {
            if post.running.get() == Some(number) {
                post.cancel.set(true);
            }
        }
        Request::Heartbeat => post.owe(number, Owed::Beat),
        _ => {
            if let Some(running) = post.running.get() {
                post.owe(number, Owed::Refused(Refusal::Busy { running }));
                return;
            }
            let mut waiting = post.request.borrow_mut();
            waiting.len = frame.payload.len();
            waiting.bytes[..frame.payload.len()].copy_from_slice(frame.payload);
            if let Request::ProgramRange { len, .. } = request {
                post.program.set(Some((number, *len)));
            }
            post.cancel.set(false);
            post.done.set(0);
            post.running.set(Some(number));
            post.waiting.set(true);
        }
    }
    post.to_worker.signal(());
}

async fn data(frame: &Frame<'_>, post: &Post, clock: &impl Clock) {
    // Behind a request that was refused or has ended, data still comes.
    let Some((number, left)) = post.program.get().filter(|(number, _)| *number == frame.request) else { return };
    match Data::of(frame) {
        Ok(data @ (Data::Bytes(_) | Data::Fill { .. })) if data.len() <= left => {
            post.program.set(Some((number, left - data.len())));
            match data {
                Data::Bytes(bytes) => push(number, bytes, post, clock).await,
                Data::Fill { value, mut len } => {
                    while len > 0 {
                        let part = len.min(64);
                        push(number, &[value; 64][..part as usize], post, clock).await;
                        len -= part;
                    }
                }
                Data::Repeat { .. } => {}
            }
        }
        _ => post.data_lost.set(true),
    }
    post.to_worker.signal(());
}

/// Waits for room as long as the request runs.
async fn push(number: u16, mut bytes: &[u8], post: &Post, clock: &impl Clock) {
    while post.program.get().is_some_and(|(running, _)| running == number) {
        let taken = post.ring.borrow_mut().push(bytes);
        bytes = &bytes[taken..];
        post.to_worker.signal(());
        if bytes.is_empty() {
            break;
        }
        post.held_back.set(true);
        post.to_listener.wait().await;
    }
    if post.held_back.replace(false) {
        post.heard_us.set(clock.now_us());
    }
}
