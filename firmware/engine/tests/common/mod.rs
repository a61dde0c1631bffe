//! A host, a pipe, a chip and a clock, all in one thread and without real time.
//!
//! Time moves only when every future waits; it then goes to the earliest moment that one of them waits for.
#![allow(dead_code, reason = "each test file uses its part")]
#![allow(missing_docs, reason = "a bench for tests, described above")]

use std::cell::{Cell, RefCell};
use std::collections::VecDeque;
use std::future::poll_fn;
use std::pin::pin;
use std::task::{Context, Poll, Waker};

use embassy_futures::select::{Either, select};
use engine::{Blocks, Board, Clock, Gone, Inbox, Light, Outbox, Post, Station, listen, work};
use wire::{
    Data, Decoder, Features, Guard, Kind, Limits, LineReport, LineState, MAX_FRAME, ReadMode, Reply, Request, Sequence,
    encode,
};

pub const ID: [u8; 3] = [0xEF, 0x40, 0x18];
pub const GUARD: Guard = Guard { id: &ID, status: 0, status_mask: 0x7C };
pub const MODE: ReadMode = ReadMode { opcode: 0x03, address_bytes: 3, dummy_bytes: 0, data_lines: 1 };
/// 24 MHz, one line.
const BYTE_NS: u64 = 333;

#[derive(Default)]
pub struct SimClock {
    now_us: Cell<u64>,
    next_us: Cell<Option<u64>>,
}

impl Clock for &SimClock {
    fn now_us(&self) -> u64 {
        self.now_us.get()
    }

    async fn wait_us(&self, us: u64) {
        let until = self.now_us.get() + us;
        poll_fn(|_| {
            if self.now_us.get() >= until {
                return Poll::Ready(());
            }
            self.next_us.set(Some(self.next_us.get().map_or(until, |next| next.min(until))));
            Poll::Pending
        })
        .await;
    }
}

/// One direction of a pipe, in packets.
#[derive(Default)]
pub struct Way {
    packets: RefCell<VecDeque<Vec<u8>>>,
    /// Set while the host takes nothing.
    pub stuck: Cell<bool>,
}

#[derive(Default)]
pub struct Pipe {
    pub out: Way,
    pub back: Way,
    pub plugged: Cell<bool>,
}

impl Pipe {
    fn packets(&self) -> usize {
        self.out.packets.borrow().len() + self.back.packets.borrow().len()
    }
}

impl Inbox for &Pipe {
    async fn attached(&mut self) {
        poll_fn(|_| if self.plugged.get() { Poll::Ready(()) } else { Poll::Pending }).await;
    }

    async fn read(&mut self, into: &mut [u8; 64]) -> Result<usize, Gone> {
        poll_fn(|_| {
            if !self.plugged.get() {
                return Poll::Ready(Err(Gone));
            }
            match self.out.packets.borrow_mut().pop_front() {
                Some(packet) => {
                    into[..packet.len()].copy_from_slice(&packet);
                    Poll::Ready(Ok(packet.len()))
                }
                None => Poll::Pending,
            }
        })
        .await
    }
}

/// Packs as the firmware does: a packet goes when it is full or flushed.
pub struct Packer<'a> {
    pub pipe: &'a Pipe,
    clock: &'a SimClock,
    kept: Vec<u8>,
}

impl Outbox for Packer<'_> {
    async fn write(&mut self, bytes: &[u8]) -> Result<(), Gone> {
        for &byte in bytes {
            self.kept.push(byte);
            if self.kept.len() == 64 {
                send(self.pipe, self.clock, std::mem::take(&mut self.kept)).await?;
            }
        }
        Ok(())
    }

    async fn flush(&mut self) -> Result<(), Gone> {
        send(self.pipe, self.clock, std::mem::take(&mut self.kept)).await
    }

    fn clear(&mut self) {
        self.kept.clear();
    }
}

/// Two packets are under way at most: the host has to take them.
async fn send(pipe: &Pipe, clock: &SimClock, packet: Vec<u8>) -> Result<(), Gone> {
    // USB 2.0, full speed: at most nineteen packets in a millisecond.
    clock.wait_us(53).await;
    let mut packet = Some(packet);
    poll_fn(|_| {
        if !pipe.plugged.get() {
            return Poll::Ready(Err(Gone));
        }
        let mut packets = pipe.back.packets.borrow_mut();
        if packets.len() >= 2 {
            return Poll::Pending;
        }
        packets.push_back(packet.take().expect("sent once"));
        Poll::Ready(Ok(()))
    })
    .await
}

/// A chip of 1 MiB on a board, byte by byte.
pub struct Chip {
    pub content: Vec<u8>,
    pub id: Vec<u8>,
    pub status: u8,
    pub busy_until_us: u64,
    pub page_us: u64,
    pub erase_us: u64,
    pub protected: bool,
    /// Each command that reached the chip and when.
    pub log: Vec<(u64, Vec<u8>)>,
    pub claimed: bool,
    pub supply_mv: Option<u16>,
    pub light: Light,
    pub hz: u32,
}

pub struct Bench<'a> {
    pub chip: &'a RefCell<Chip>,
    clock: &'a SimClock,
    selected: Option<Vec<u8>>,
    position: usize,
    features: Features,
    /// Clocked bytes that are less than a microsecond so far.
    left_ns: u64,
}

impl Bench<'_> {
    async fn clocked(&mut self, bytes: usize, data_lines: u8) {
        self.left_ns += bytes as u64 * BYTE_NS / u64::from(data_lines);
        self.clock.wait_us(self.left_ns / 1000).await;
        self.left_ns %= 1000;
    }
}

impl Board for Bench<'_> {
    fn features(&self) -> Features {
        self.features
    }

    fn limits(&self) -> Limits {
        Limits {
            max_transfer: 4096,
            max_range: 1 << 20,
            max_blocks: 256,
            clock_min_hz: 100_000,
            clock_max_hz: 31_250_000,
            drive_mv: 3300,
            round_trip_us: 2000,
            bytes_per_second: 1_216_000,
        }
    }

    fn serial(&self) -> &str {
        "0123456789ABCDEF"
    }

    fn claim(&mut self) {
        self.chip.borrow_mut().claimed = true;
    }

    fn release(&mut self) {
        assert!(self.selected.is_none(), "released in the middle of a command");
        self.chip.borrow_mut().claimed = false;
    }

    fn select(&mut self) {
        assert!(self.chip.borrow().claimed, "a command on a released bus");
        assert!(self.selected.replace(Vec::new()).is_none(), "selected twice");
        self.position = 0;
    }

    fn deselect(&mut self) {
        let command = self.selected.take().expect("selected");
        let now = self.clock.now_us.get();
        let mut chip = self.chip.borrow_mut();
        chip.log.push((now, command.clone()));
        let busy = now < chip.busy_until_us;
        let at = |command: &[u8]| command[1..4].iter().fold(0, |at, &byte| at << 8 | usize::from(byte));
        match command[0] {
            0x05 | 0x9F | 0x03 | 0x0B | 0x3B => {}
            opcode if busy => panic!("command {opcode:02x} while busy"),
            0x06 => chip.status |= 2,
            0x02 if chip.status & 2 != 0 => {
                let (at, page_us) = (at(&command), chip.page_us);
                for (offset, byte) in command[4..].iter().enumerate() {
                    let to = (at & !255) | ((at + offset) & 255);
                    chip.content[to] &= byte;
                }
                chip.status &= !2;
                chip.busy_until_us = now + page_us;
            }
            0x20 if chip.status & 2 != 0 => {
                let (at, erase_us) = (at(&command) & !4095, chip.erase_us);
                chip.content[at..at + 4096].fill(0xFF);
                chip.status &= !2;
                chip.busy_until_us = now + erase_us;
            }
            opcode => panic!("command {opcode:02x} without write enable"),
        }
        if chip.protected {
            chip.status &= !2;
        }
    }

    async fn write(&mut self, bytes: &[u8]) {
        self.selected.as_mut().expect("selected").extend_from_slice(bytes);
        self.clocked(bytes.len(), 1).await;
    }

    async fn read(&mut self, into: &mut [u8], data_lines: u8) {
        self.clocked(into.len(), data_lines).await;
        let command = self.selected.as_ref().expect("selected");
        let chip = self.chip.borrow();
        let busy = u8::from(self.clock.now_us.get() < chip.busy_until_us);
        for byte in into {
            *byte = match command[0] {
                0x05 => chip.status | busy,
                0x9F => chip.id.get(self.position).copied().unwrap_or(0xFF),
                0x03 | 0x0B | 0x3B => {
                    assert_eq!(command.len(), if command[0] == 0x03 { 4 } else { 5 });
                    assert_eq!(data_lines, if command[0] == 0x3B { 2 } else { 1 });
                    let at = command[1..4].iter().fold(0, |at, &byte| at << 8 | usize::from(byte));
                    chip.content[(at + self.position) % chip.content.len()]
                }
                _ => 0xFF,
            };
            self.position += 1;
        }
    }

    fn set_clock(&mut self, hz: u32) -> u32 {
        self.chip.borrow_mut().hz = hz;
        hz.clamp(100_000, 31_250_000)
    }

    async fn look(&mut self, drive: bool) -> LineReport {
        self.chip.borrow_mut().claimed = false;
        self.clock.wait_us(500).await;
        let moved = |line: usize| if drive { 1 << line } else { 0 };
        let lines =
            core::array::from_fn(|line| LineState { pulled_up: true, moved: moved(line), ..LineState::default() });
        LineReport { lines, supply_mv: self.chip.borrow().supply_mv }
    }

    async fn supply_mv(&mut self) -> Option<u16> {
        self.chip.borrow().supply_mv
    }

    fn feed(&mut self, on: bool) {
        self.chip.borrow_mut().supply_mv = Some(if on { 3300 } else { 0 });
    }

    fn fed(&self) -> Option<bool> {
        None
    }

    fn show(&mut self, light: Light) {
        self.chip.borrow_mut().light = light;
    }
}

/// The host's end.
pub struct Host<'a> {
    pub pipe: &'a Pipe,
    pub clock: &'a SimClock,
    pub chip: &'a RefCell<Chip>,
    decoder: Decoder,
    pub sent: Sequence,
    expected: Sequence,
    pub number: u16,
    /// Bytes that passed, out and back.
    pub bytes: (usize, usize),
    /// Answers that were waited for.
    pub turns: usize,
    input: Vec<u8>,
}

/// An answer with its data.
#[derive(Debug, Clone, PartialEq)]
pub struct Answer {
    pub number: u16,
    pub data: Vec<u8>,
    /// The reply as text, for it borrows what is gone.
    pub reply: String,
}

impl Host<'_> {
    pub fn raw(&mut self, bytes: &[u8]) {
        self.bytes.0 += bytes.len();
        for packet in bytes.chunks(64) {
            self.pipe.out.packets.borrow_mut().push_back(packet.to_vec());
        }
    }

    pub fn send_as(&mut self, number: u16, sequence: u16, request: &Request) {
        let mut out = [0; MAX_FRAME];
        let len = encode(&mut out, number, sequence, request).expect("fits");
        self.raw(&out[..len]);
    }

    pub fn send(&mut self, request: &Request) -> u16 {
        if matches!(request, Request::Hello) {
            self.sent.restart();
        }
        self.number += 1;
        let sequence = self.sent.take();
        self.send_as(self.number, sequence, request);
        self.number
    }

    pub fn send_data(&mut self, number: u16, data: &Data) {
        let mut out = [0; MAX_FRAME];
        let len = data.encode(&mut out, number, self.sent.take()).expect("fits");
        self.raw(&out[..len]);
    }

    /// Waits for the next reply, of whatever request; none when nothing comes for five seconds.
    pub async fn answer(&mut self) -> Option<Answer> {
        self.turns += 1;
        let mut data = Vec::new();
        loop {
            let mut input = &self.input[..];
            if let Some(frame) = self.decoder.feed(&mut input).expect("our own version") {
                self.expected.accept(frame.sequence).expect("in step");
                if frame.kind == Kind::Control {
                    let reply: Reply = frame.message().expect("a reply");
                    let answer = Answer { number: frame.request, data, reply: format!("{reply:?}") };
                    self.input = input.to_vec();
                    return Some(answer);
                }
                match Data::of(&frame).expect("data") {
                    Data::Bytes(bytes) => data.extend_from_slice(bytes),
                    Data::Fill { value, len } => data.extend(std::iter::repeat_n(value, len as usize)),
                    Data::Repeat { len } => data.extend_from_within(data.len() - len as usize..),
                }
                self.input = input.to_vec();
                continue;
            }
            self.input.clear();
            let pipe = self.pipe;
            let packet = poll_fn(|_| match pipe.back.packets.borrow_mut().pop_front() {
                Some(packet) if !pipe.back.stuck.get() => Poll::Ready(packet),
                _ => Poll::Pending,
            });
            match select(packet, self.clock.wait_us(5_000_000)).await {
                Either::First(packet) => {
                    self.bytes.1 += packet.len();
                    self.input = packet;
                }
                Either::Second(()) => return None,
            }
        }
    }

    pub async fn ask(&mut self, request: &Request<'_>) -> Answer {
        let number = self.send(request);
        let answer = self.answer().await.expect("an answer");
        assert_eq!(answer.number, number, "{answer:?}");
        answer
    }

    pub async fn hello(&mut self) -> Answer {
        self.ask(&Request::Hello).await
    }

    /// Lets time pass with heartbeats, as a host does; drops their answers.
    pub async fn wait_alive(&mut self, us: u64) {
        let until = self.clock.now_us() + us;
        while self.clock.now_us() < until {
            self.clock.wait_us(250_000).await;
            self.ask(&Request::Heartbeat).await;
        }
    }
}

/// A program range of pages as most chips have them.
pub fn program(at: u32, len: u32) -> Request<'static> {
    Request::ProgramRange {
        at,
        len,
        page: 256,
        opcode: 0x02,
        address_bytes: 3,
        typical_us: 700,
        limit_us: 3000,
        guard: GUARD,
    }
}

/// Content that repeats in no block.
pub fn pattern(at: usize) -> u8 {
    (at.wrapping_mul(7) ^ (at >> 8).wrapping_mul(13)) as u8
}

pub fn chip() -> Chip {
    Chip {
        content: (0..1 << 20).map(pattern).collect(),
        id: ID.to_vec(),
        status: 0,
        busy_until_us: 0,
        page_us: 700,
        erase_us: 45_000,
        protected: false,
        log: Vec::new(),
        claimed: false,
        supply_mv: Some(3300),
        light: Light::Waiting,
        hz: 0,
    }
}

/// Runs `script` against the engine until it ends.
pub fn with_chip(chip: Chip, script: impl AsyncFnOnce(&mut Host<'_>)) {
    with_pipes(chip, async |host, _other| script(host).await);
}

/// The same with a host at each of two pipes.
pub fn with_pipes(chip: Chip, script: impl AsyncFnOnce(&mut Host<'_>, &mut Host<'_>)) {
    let (clock, chip) = (SimClock::default(), RefCell::new(chip));
    let bench = Bench {
        chip: &chip,
        clock: &clock,
        selected: None,
        position: 0,
        features: Features::READ_RANGE.and(Features::DUAL),
        left_ns: 0,
    };
    let mut blocks: Blocks = [[0; MAX_FRAME]; 3];
    let station = Station::new(bench, &mut blocks);
    let pipes = [Pipe::default(), Pipe::default()];
    let posts = [Post::new(), Post::new()];
    let serve = async |number: u8| {
        let (pipe, post) = (&pipes[usize::from(number)], &posts[usize::from(number)]);
        pipe.plugged.set(true);
        let (mut inbox, mut outbox) = (pipe, Packer { pipe, clock: &clock, kept: Vec::new() });
        let (mut decoder, mut scratch) = (Decoder::new(), [0; MAX_FRAME]);
        select(
            listen(&mut inbox, &&clock, post, &mut decoder),
            work(number, &station, &mut outbox, &&clock, post, &mut scratch),
        )
        .await;
    };
    let host = |pipe| Host {
        pipe,
        clock: &clock,
        chip: &chip,
        decoder: Decoder::new(),
        sent: Sequence::new(),
        expected: Sequence::new(),
        number: 0,
        bytes: (0, 0),
        turns: 0,
        input: Vec::new(),
    };
    let script = async {
        let (mut first, mut second) = (host(&pipes[0]), host(&pipes[1]));
        script(&mut first, &mut second).await;
    };
    let mut all = pin!(select(script, select(serve(0), serve(1))));
    let mut context = Context::from_waker(Waker::noop());
    loop {
        // Futures see each other's work only when they are looked at: a few rounds before time moves.
        let mut quiet = 0;
        while quiet < 3 {
            clock.next_us.set(None);
            let moves: usize = pipes.iter().map(Pipe::packets).sum();
            if all.as_mut().poll(&mut context).is_ready() {
                return;
            }
            quiet = if pipes.iter().map(Pipe::packets).sum::<usize>() == moves { quiet + 1 } else { 0 };
        }
        let next = clock.next_us.get().expect("somebody waits for a time");
        assert!(next < 3_600_000_000, "an hour has passed");
        clock.now_us.set(clock.now_us.get().max(next));
    }
}

impl Host<'_> {
    /// Lets time pass in silence.
    pub async fn clock_wait(&mut self, us: u64) {
        self.clock.wait_us(us).await;
    }

    /// Waits for the next reply that is no beat, sending heartbeats until it comes.
    pub async fn answer_alive(&mut self) -> Answer {
        loop {
            self.clock.wait_us(250_000).await;
            self.send(&Request::Heartbeat);
            let answer = self.answer().await.expect("an answer");
            if !answer.reply.starts_with("Beat") {
                return answer;
            }
        }
    }
}

/// Ways in which a host goes.
impl Host<'_> {
    /// Pulls the cable; returns when.
    pub fn unplug(&mut self) -> u64 {
        self.pipe.plugged.set(false);
        self.forget();
        self.clock.now_us()
    }

    pub fn plug(&mut self) {
        self.pipe.plugged.set(true);
    }

    /// Ends the program, and with it what it had queued; returns when.
    pub fn kill(&mut self) -> u64 {
        self.forget();
        self.clock.now_us()
    }

    fn forget(&mut self) {
        self.pipe.out.packets.borrow_mut().clear();
        self.pipe.back.packets.borrow_mut().clear();
        self.input.clear();
        self.decoder.clear();
        self.sent.restart();
    }

    /// Takes answers for a while.
    pub async fn take_for(&mut self, us: u64) {
        let until = self.clock.now_us() + us;
        while self.clock.now_us() < until {
            let taken = self.pipe.back.packets.borrow_mut().pop_front();
            if let Some(packet) = taken {
                self.input.extend_from_slice(&packet);
            }
            self.clock.wait_us(50).await;
        }
    }

    /// As `answer`, of whatever count.
    pub async fn answer_any(&mut self) -> Option<Answer> {
        loop {
            let mut input = &self.input[..];
            if let Ok(Some(frame)) = self.decoder.feed(&mut input) {
                let answer = frame.message::<Reply>().ok().map(|reply| {
                    if frame.sequence == 0 {
                        self.expected.restart();
                    }
                    let _ = self.expected.accept(frame.sequence);
                    Answer { number: frame.request, data: Vec::new(), reply: format!("{reply:?}") }
                });
                self.input = input.to_vec();
                if answer.is_some() {
                    return answer;
                }
                continue;
            }
            self.input.clear();
            let pipe = self.pipe;
            let packet = poll_fn(|_| pipe.back.packets.borrow_mut().pop_front().map_or(Poll::Pending, Poll::Ready));
            match select(packet, self.clock.wait_us(1_000_000)).await {
                Either::First(packet) => self.input = packet,
                Either::Second(()) => return None,
            }
        }
    }
}
