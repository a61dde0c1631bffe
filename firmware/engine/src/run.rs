//! The requests themselves: what goes to the chip, in which order, and when to stop.
//!
//! A range is one transaction from its first byte to its last; chip select stays low while the host takes its time, and is
//! raised when the host goes. While one block is clocked in by DMA, the one before is summed up or sent.
//!
//! Lists keep S6 here: id and status are read before each erase block, before the first page and before each 64 KiB.

use core::mem::swap;

use embassy_futures::join::join;
use wire::{
    BLOCK, Features, Guard, HEADER, Limits, MAX_FRAME, MAX_PAYLOAD, MAX_WRITE, ReadMode, Refusal, Reply, Request, Stop,
    crc32,
};

use crate::work::{End, Mouth, waiting};
use crate::{Blocks, Board, Clock, Gone, Light, Outbox};

/// How many programmed bytes may pass between two checks (S6).
const GUARD_EVERY: u32 = 64 * 1024;
/// Longest id that a guard compares.
const MAX_ID: usize = 16;
/// The supply at which a chip is spoken to, in millivolts: below, it is unpowered; above, the board's inputs suffer.
const SUPPLY_MV: core::ops::RangeInclusive<u16> = 1500..=3700;

const READ_ID: u8 = 0x9F;
const READ_STATUS: u8 = 0x05;
const WRITE_ENABLE: u8 = 0x06;
const PROGRAM_WORDS: u8 = 0xAD;
const STATUS_BUSY: u8 = 1;
const STATUS_WRITE_ENABLED: u8 = 2;

type Refused = Refusal<'static>;

fn unable(what: &'static str) -> Refused {
    Refusal::Unable { what }
}

/// Runs the request that waits and answers it.
///
/// # Errors
/// [`Gone`] when the answer did not go out whole.
pub(crate) async fn run<B: Board, O: Outbox, C: Clock>(
    board: &mut B,
    blocks: &mut Blocks,
    mouth: &mut Mouth<'_, O, C>,
    number: u16,
) -> Result<(), Gone> {
    let mut copy = [0; MAX_PAYLOAD];
    let Some(request) = waiting(mouth.post, &mut copy) else {
        return mouth.last(number, &Reply::Refused(Refusal::Malformed)).await;
    };
    if let Err(refusal) = check(&request, &board.limits(), board.features()) {
        return mouth.last(number, &Reply::Refused(refusal)).await;
    }
    if drives(&request) {
        if let Some(mv) = board.supply_mv().await.filter(|mv| !SUPPLY_MV.contains(mv)) {
            return mouth.last(number, &Reply::Refused(Refusal::Supply { mv })).await;
        }
        board.claim();
        board.show(Light::Working);
    }
    let mut id = [0; MAX_ID];
    let reply = match request {
        Request::Transfer { write, read } => {
            let frame = &mut blocks[0];
            let read = read as usize;
            board.select();
            board.write(write).await;
            board.read(&mut frame[HEADER..HEADER + read], 1).await;
            board.deselect();
            if read > 0 {
                mouth.block(number, frame, read, None).await?;
            }
            Reply::Read { len: read as u32 }
        }
        Request::ReadRange { at, len, mode } => {
            let read = read_range(board, blocks, mouth, number, (at, len, mode)).await;
            board.deselect();
            Reply::Read { len: read? }
        }
        Request::DigestRange { at, len, mode } => {
            let count = digest_range(board, blocks, mouth, number, (at, len, mode)).await;
            board.deselect();
            Reply::Digests { count: count? }
        }
        Request::ProgramRange { .. } => {
            let (done, stop) = program_range(board, mouth, &request, &mut blocks[0], &mut id).await;
            Reply::Ran { done, stop }
        }
        Request::EraseList { .. } => {
            let (done, stop) = erase_list(board, mouth, &request, &mut id).await;
            Reply::Ran { done, stop }
        }
        Request::SetClock { hz } => Reply::Clock { hz: board.set_clock(hz) },
        Request::LineTest => Reply::Lines(board.look(true).await),
        Request::Watch { every_ms } => {
            while mouth.end().is_none() {
                let report = board.look(false).await;
                mouth.last(number, &Reply::Seen(report)).await?;
                watch_pause(mouth, every_ms).await;
            }
            Reply::Released
        }
        Request::SenseSupply => Reply::Supply { mv: board.supply_mv().await, fed: board.fed() },
        Request::SwitchSupply { on } => {
            board.release();
            board.feed(on);
            Reply::Supply { mv: board.supply_mv().await, fed: board.fed() }
        }
        Request::Hello | Request::Heartbeat | Request::Cancel | Request::Release => return Ok(()),
    };
    let stopped = matches!(
        reply,
        Reply::Ran { stop: Some(Stop::Differs { .. } | Stop::Busy { .. } | Stop::NotEnabled { .. }), .. }
    );
    board.show(if stopped { Light::Stopped } else { Light::Ready });
    mouth.last(number, &reply).await
}

/// Tells whether a request drives lines as a bus.
fn drives(request: &Request) -> bool {
    matches!(
        request,
        Request::Transfer { .. }
            | Request::ReadRange { .. }
            | Request::DigestRange { .. }
            | Request::ProgramRange { .. }
            | Request::EraseList { .. }
    )
}

fn check(request: &Request, limits: &Limits, features: Features) -> Result<(), Refused> {
    let range = |at: u32, len: u32, address_bytes: u8, most: u32| {
        let end = u64::from(at) + u64::from(len);
        match address_bytes {
            _ if len == 0 || len > most => Err(unable("a range that is empty or longer than the limit")),
            3 if end <= 1 << 24 => Ok(()),
            4 if end <= 1 << 32 => Ok(()),
            _ => Err(unable("a range beyond its address width, which is 3 or 4 bytes")),
        }
    };
    let mode = |mode: &ReadMode| match mode.data_lines {
        _ if mode.dummy_bytes > 16 => Err(unable("more than 16 dummy bytes")),
        1 => Ok(()),
        2 if features.has(Features::DUAL) => Ok(()),
        _ => Err(unable("that many data lines")),
    };
    let guard = |guard: &Guard| {
        if guard.id.len() > MAX_ID { Err(unable("an id of more than 16 bytes")) } else { Ok(()) }
    };
    match request {
        Request::Transfer { write, read } => {
            let all = u64::from(*read) + write.len() as u64;
            if write.is_empty() || write.len() > MAX_WRITE || all > u64::from(limits.max_transfer) {
                return Err(unable("a transfer that is empty or longer than the limit"));
            }
            Ok(())
        }
        Request::ReadRange { at, len, mode: how } => {
            mode(how)?;
            range(*at, *len, how.address_bytes, limits.max_range)
        }
        Request::DigestRange { at, len, mode: how } => {
            mode(how)?;
            range(*at, *len, how.address_bytes, u32::MAX)
        }
        Request::ProgramRange { at, len, page, opcode, address_bytes, guard: what, .. } => {
            guard(what)?;
            if *page == 0 || usize::from(*page) > BLOCK || !at.is_multiple_of(u32::from(*page)) {
                return Err(unable("a page of no bytes or more than 4096, or a range that begins inside of one"));
            }
            if *opcode == PROGRAM_WORDS {
                return Err(unable("programming word by word"));
            }
            range(*at, *len, *address_bytes, limits.max_range)
        }
        Request::EraseList { address_bytes, guard: what, blocks } => {
            guard(what)?;
            if !blocks.is_sound() || blocks.iter().count() > usize::from(limits.max_blocks) {
                return Err(unable("an erase list that is longer than the limit"));
            }
            blocks.iter().try_for_each(|block| range(block.at, 1, *address_bytes, 1))
        }
        Request::Watch { every_ms } if *every_ms < 10 => Err(unable("looking more often than every 10 ms")),
        Request::SwitchSupply { .. } if !features.has(Features::SUPPLY_SWITCH) => {
            Err(unable("switching the supply: no switch is fitted"))
        }
        _ => Ok(()),
    }
}

/// Opcode, address and dummy bytes in front of data.
fn lead(opcode: u8, at: u32, address_bytes: u8, dummy_bytes: u8, into: &mut [u8; 21]) -> &[u8] {
    let width = usize::from(address_bytes);
    into.fill(0);
    into[0] = opcode;
    into[1..=width].copy_from_slice(&at.to_be_bytes()[4 - width..]);
    &into[..1 + width + usize::from(dummy_bytes)]
}

async fn begin_read<B: Board>(board: &mut B, at: u32, mode: ReadMode) {
    let mut room = [0; 21];
    board.select();
    board.write(lead(mode.opcode, at, mode.address_bytes, mode.dummy_bytes, &mut room)).await;
}

/// Returns how many bytes went out.
async fn read_range<B: Board, O: Outbox, C: Clock>(
    board: &mut B,
    blocks: &mut Blocks,
    mouth: &mut Mouth<'_, O, C>,
    number: u16,
    (at, len, mode): (u32, u32, ReadMode),
) -> Result<u32, Gone> {
    let [mut full, mut next, mut before] = blocks.each_mut();
    let mut part = (len as usize).min(BLOCK);
    let mut done = 0;
    begin_read(board, at, mode).await;
    board.read(&mut full[HEADER..HEADER + part], mode.data_lines).await;
    while done < len && mouth.end().is_none() {
        let following = ((len - done) as usize - part).min(BLOCK);
        let old: Option<&[u8]> = (done > 0).then_some(&before[HEADER..HEADER + BLOCK]);
        let fill = board.read(&mut next[HEADER..HEADER + following], mode.data_lines);
        let ((), sent) = join(fill, mouth.block(number, full, part, old)).await;
        sent?;
        done += part as u32;
        mouth.post.done.set(done);
        part = following;
        swap(&mut full, &mut before);
        swap(&mut full, &mut next);
    }
    Ok(done)
}

/// Returns how many sums went out.
async fn digest_range<B: Board, O: Outbox, C: Clock>(
    board: &mut B,
    blocks: &mut Blocks,
    mouth: &mut Mouth<'_, O, C>,
    number: u16,
    (at, len, mode): (u32, u32, ReadMode),
) -> Result<u32, Gone> {
    let [mut full, mut next, sums] = blocks.each_mut();
    let mut part = (len as usize).min(BLOCK);
    let (mut done, mut count, mut held) = (0, 0, 0);
    begin_read(board, at, mode).await;
    board.read(&mut full[..part], mode.data_lines).await;
    while done < len && mouth.end().is_none() {
        let following = ((len - done) as usize - part).min(BLOCK);
        let sum = async { crc32(&full[..part]) };
        // The read is looked at first, so its DMA runs while the sum is made.
        let ((), sum) = join(board.read(&mut next[..following], mode.data_lines), sum).await;
        sums[HEADER + held..HEADER + held + 4].copy_from_slice(&sum.to_le_bytes());
        held += 4;
        count += 1;
        if held == BLOCK {
            mouth.block(number, sums, held, None).await?;
            held = 0;
        } else {
            mouth.owed().await?;
        }
        done += part as u32;
        mouth.post.done.set(done);
        part = following;
        swap(&mut full, &mut next);
    }
    if held > 0 {
        mouth.block(number, sums, held, None).await?;
    }
    Ok(count)
}

async fn program_range<'a, B: Board, O: Outbox, C: Clock>(
    board: &mut B,
    mouth: &mut Mouth<'_, O, C>,
    request: &Request<'_>,
    room: &mut [u8; MAX_FRAME],
    id: &'a mut [u8; MAX_ID],
) -> (u32, Option<Stop<'a>>) {
    let Request::ProgramRange { at, len, page, opcode, address_bytes, typical_us, limit_us, guard } = *request else {
        return (0, None);
    };
    let (mut done, mut guarded) = (0, None);
    while done < len {
        let part = (len - done).min(u32::from(page)) as usize;
        let data = &mut room[..part];
        if let Err(end) = page_data(mouth, data).await {
            return (done, Some(stop(end)));
        }
        if guarded.is_none_or(|at| done - at >= GUARD_EVERY) {
            if let Some(status) = differs(board, guard, id).await {
                return (done, Some(Stop::Differs { id: &id[..guard.id.len()], status }));
            }
            guarded = Some(done);
        }
        let status = write_enable(board).await;
        if status & STATUS_WRITE_ENABLED == 0 {
            return (done, Some(Stop::NotEnabled { status }));
        }
        let mut front = [0; 21];
        board.select();
        board.write(lead(opcode, at + done, address_bytes, 0, &mut front)).await;
        board.write(data).await;
        board.deselect();
        if let Some(stop) = until_ready(board, mouth, typical_us, limit_us).await {
            return (done, Some(stop));
        }
        done += part as u32;
        mouth.post.done.set(done);
    }
    (done, None)
}

/// Waits for the data of a page.
async fn page_data<O: Outbox, C: Clock>(mouth: &mut Mouth<'_, O, C>, into: &mut [u8]) -> Result<(), End> {
    loop {
        if let Some(end) = mouth.end() {
            return Err(end);
        }
        if mouth.post.data_lost.get() {
            return Err(End::Silent);
        }
        if mouth.post.ring.borrow().len() >= into.len() {
            mouth.post.ring.borrow_mut().pop(into);
            mouth.post.to_listener.signal(());
            return Ok(());
        }
        if mouth.owed().await.is_err() {
            return Err(mouth.end().unwrap_or(End::Silent));
        }
        mouth.pause().await;
    }
}

async fn erase_list<'a, B: Board, O: Outbox, C: Clock>(
    board: &mut B,
    mouth: &mut Mouth<'_, O, C>,
    request: &Request<'_>,
    id: &'a mut [u8; MAX_ID],
) -> (u32, Option<Stop<'a>>) {
    let Request::EraseList { address_bytes, guard, blocks } = *request else { return (0, None) };
    let mut done = 0;
    for block in blocks.iter() {
        if let Some(end) = mouth.end() {
            return (done, Some(stop(end)));
        }
        if let Some(status) = differs(board, guard, id).await {
            return (done, Some(Stop::Differs { id: &id[..guard.id.len()], status }));
        }
        let status = write_enable(board).await;
        if status & STATUS_WRITE_ENABLED == 0 {
            return (done, Some(Stop::NotEnabled { status }));
        }
        let mut front = [0; 21];
        board.select();
        board.write(lead(block.opcode, block.at, address_bytes, 0, &mut front)).await;
        board.deselect();
        if let Some(stop) = until_ready(board, mouth, block.typical_us, block.limit_us).await {
            return (done, Some(stop));
        }
        done += 1;
        mouth.post.done.set(done);
    }
    (done, None)
}

fn stop(end: End) -> Stop<'static> {
    match end {
        End::Cancelled => Stop::Cancelled,
        End::Silent => Stop::HostSilent,
    }
}

/// Reads id and status; returns the status when they are not as they were.
async fn differs<B: Board>(board: &mut B, guard: Guard<'_>, id: &mut [u8; MAX_ID]) -> Option<u8> {
    let id = &mut id[..guard.id.len()];
    if !id.is_empty() {
        board.select();
        board.write(&[READ_ID]).await;
        board.read(id, 1).await;
        board.deselect();
    }
    let status = read_status(board).await;
    (id != guard.id || (status ^ guard.status) & guard.status_mask != 0).then_some(status)
}

async fn read_status<B: Board>(board: &mut B) -> u8 {
    let mut status = [0];
    board.select();
    board.write(&[READ_STATUS]).await;
    board.read(&mut status, 1).await;
    board.deselect();
    status[0]
}

async fn write_enable<B: Board>(board: &mut B) -> u8 {
    board.select();
    board.write(&[WRITE_ENABLE]).await;
    board.deselect();
    read_status(board).await
}

/// Waits for the end of a page or a block, whatever becomes of the host: what has begun on the chip ends.
async fn until_ready<B: Board, O: Outbox, C: Clock>(
    board: &mut B,
    mouth: &mut Mouth<'_, O, C>,
    typical_us: u32,
    limit_us: u32,
) -> Option<Stop<'static>> {
    let began = mouth.clock.now_us();
    mouth.wait_us(u64::from(typical_us.min(limit_us))).await;
    // Polls cost the chip nothing; sixteen within the typical time keep the loss small.
    let step = u64::from(typical_us / 16).clamp(10, 5000);
    loop {
        let overdue = mouth.clock.now_us() - began >= u64::from(limit_us);
        if read_status(board).await & STATUS_BUSY == 0 {
            return None;
        }
        if overdue {
            return Some(Stop::Busy { waited_us: (mouth.clock.now_us() - began) as u32 });
        }
        mouth.wait_us(step).await;
    }
}

async fn watch_pause<O: Outbox, C: Clock>(mouth: &mut Mouth<'_, O, C>, every_ms: u16) {
    let until = mouth.clock.now_us() + u64::from(every_ms) * 1000;
    while mouth.end().is_none() && mouth.clock.now_us() < until {
        let left = until - mouth.clock.now_us();
        mouth.wait_us(left.min(10_000)).await;
    }
}
