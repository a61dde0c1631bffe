//! A programmer in a thread: the firmware's own engine, with a chip of the virtual bench behind it, at the other end of a pipe
//! that a test can disturb.

use std::collections::VecDeque;
use std::future::poll_fn;
use std::pin::pin;
use std::sync::{Arc, Condvar, Mutex};
use std::task::{Context, Poll, Waker};
use std::time::{Duration, Instant};

use embassy_futures::select::select;
use engine::{Blocks, Board, Clock, Gone, Inbox, Light, Outbox, Post, Station, listen, work};
use link::board::{BoardLink, Pipe, PipeError, Trouble};
use nor::command::{READ, READ_FAST, READ_FAST_LONG, READ_LONG, Transfer};
use nor::link::{Answer, Link, Request};
use sim::VirtualBench;
use wire::{Decoder, Features, Limits, LineReport, LineState, MAX_FRAME};

/// Bytes that may be under way to the host before the engine has to wait.
const UNDER_WAY: usize = 4096;

/// What a test wants to happen on the pipe. Byte counts are from the pipe's beginning.
#[derive(Debug, Clone, Default)]
pub struct Faults {
    /// Unplugged after so many bytes to the host.
    pub unplug_after_in: Option<usize>,
    /// Unplugged after so many bytes to the programmer.
    pub unplug_after_out: Option<usize>,
    /// Bytes to the host that are lost, from and count.
    pub lose_in: Option<(usize, usize)>,
    /// Bytes to the programmer that are lost, from and count.
    pub lose_out: Option<(usize, usize)>,
    /// The message to the programmer of this number goes out twice.
    pub double_out: Option<usize>,
    /// What stands in the pipe to the host before anything was asked.
    pub garbage: Vec<u8>,
    /// What an older program left half sent.
    pub half_sent: Vec<u8>,
    /// The first bytes to the host come so late.
    pub late: Option<Duration>,
    /// Nothing comes to the host after so many bytes, and the plug stays in.
    pub hang_after_in: Option<usize>,
}

#[derive(Default)]
struct Wires {
    out: VecDeque<u8>,
    back: VecDeque<u8>,
    plugged: bool,
    ended: bool,
    chip: Option<Vec<u8>>,
    passed: Passed,
}

/// What passed on the pipe.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Passed {
    pub out: usize,
    pub back: usize,
    /// Messages that the host sent.
    pub messages: usize,
    /// Bytes that the programmer read on two data lines.
    pub on_two_lines: usize,
}

/// The pipe between host and engine, seen from a test.
#[derive(Clone, Default)]
pub struct Cable(Arc<(Mutex<Wires>, Condvar)>);

impl Cable {
    fn with<T>(&self, look: impl FnOnce(&mut Wires) -> T) -> T {
        let seen = look(&mut self.0.0.lock().expect("no panic"));
        self.0.1.notify_all();
        seen
    }

    pub fn unplug(&self) {
        self.with(|wires| wires.plugged = false);
    }

    pub fn is_plugged(&self) -> bool {
        self.with(|wires| wires.plugged)
    }

    pub fn passed(&self) -> Passed {
        self.with(|wires| wires.passed)
    }

    /// Ends the programmer and returns what its chip holds.
    pub fn chip(&self) -> Vec<u8> {
        self.with(|wires| wires.ended = true);
        loop {
            if let Some(content) = self.with(|wires| wires.chip.take()) {
                return content;
            }
            std::thread::sleep(Duration::from_millis(1));
        }
    }
}

/// What the board is like.
#[derive(Debug, Clone, Copy)]
pub struct Like {
    pub features: Features,
    pub limits: Limits,
    /// Lines whose own bit is set move together with others: a short.
    pub moved: [u8; 6],
}

impl Default for Like {
    fn default() -> Self {
        Self {
            features: [Features::DIGEST_RANGE, Features::PROGRAM_RANGE, Features::ERASE_LIST, Features::LINE_TEST]
                .into_iter()
                .fold(Features::READ_RANGE, Features::and),
            limits: Limits {
                max_transfer: 4096,
                max_range: 1 << 20,
                max_blocks: 256,
                clock_min_hz: 100_000,
                clock_max_hz: 24_000_000,
                drive_mv: 3300,
                round_trip_us: 2000,
                bytes_per_second: 1_216_000,
            },
            moved: std::array::from_fn(|line| 1 << line),
        }
    }
}

/// Starts a programmer with this chip and returns the link to it, with the cable.
pub fn open(chip: VirtualBench, like: Like, faults: Faults) -> (Result<BoardLink, Trouble>, Cable) {
    let cable = Cable::default();
    let pipe = plug(chip, like, faults, &cable);
    let seen = cable.clone();
    (BoardLink::over(Box::new(pipe), Box::new(move || seen.is_plugged())), cable)
}

fn plug(chip: VirtualBench, like: Like, faults: Faults, cable: &Cable) -> HostEnd {
    cable.with(|wires| {
        wires.plugged = true;
        wires.back.extend(&faults.garbage);
        wires.out.extend(&faults.half_sent);
    });
    let engine = cable.clone();
    std::thread::spawn(move || serve(chip, like, &engine));
    let since = Instant::now();
    HostEnd { cable: cable.clone(), faults, since }
}

/// The host's end of the pipe, with what goes wrong there.
struct HostEnd {
    cable: Cable,
    faults: Faults,
    since: Instant,
}

/// Takes `lost` bytes out of a piece that begins at `at`.
fn without(piece: &[u8], at: usize, lost: Option<(usize, usize)>) -> Vec<u8> {
    let (from, count) = lost.unwrap_or_default();
    let keep = |(offset, byte): (usize, &u8)| (!(from..from + count).contains(&(at + offset))).then_some(*byte);
    piece.iter().enumerate().filter_map(keep).collect()
}

impl Pipe for HostEnd {
    fn send(&mut self, bytes: &[u8], _: Duration) -> Result<(), PipeError> {
        let faults = &self.faults;
        self.cable.with(|wires| {
            if !wires.plugged {
                return Err(PipeError::Gone);
            }
            let times = if faults.double_out == Some(wires.passed.messages) { 2 } else { 1 };
            for _ in 0..times {
                let sent = without(bytes, wires.passed.out, faults.lose_out);
                wires.out.extend(sent);
            }
            wires.passed.messages += 1;
            wires.passed.out += bytes.len();
            if faults.unplug_after_out.is_some_and(|most| wires.passed.out >= most) {
                wires.plugged = false;
                return Err(PipeError::Gone);
            }
            Ok(())
        })
    }

    fn receive(&mut self, into: &mut Vec<u8>, allowed: Duration) -> Result<(), PipeError> {
        let until = Instant::now() + allowed;
        let late = self.faults.late.is_some_and(|late| self.since.elapsed() < late);
        loop {
            let faults = &self.faults;
            let got = self.cable.with(|wires| {
                if !wires.plugged {
                    return Err(PipeError::Gone);
                }
                if late || faults.hang_after_in.is_some_and(|most| wires.passed.back >= most) {
                    return Ok(0);
                }
                let bytes: Vec<u8> = wires.back.drain(..).collect();
                into.extend(without(&bytes, wires.passed.back, faults.lose_in));
                wires.passed.back += bytes.len();
                if faults.unplug_after_in.is_some_and(|most| wires.passed.back >= most) {
                    wires.plugged = false;
                }
                Ok(bytes.len())
            })?;
            if got > 0 || Instant::now() >= until {
                return Ok(());
            }
            std::thread::sleep(Duration::from_micros(50));
        }
    }
}

/// Runs the engine until the test ends it.
fn serve(chip: VirtualBench, like: Like, cable: &Cable) {
    let clock = &RealClock(Instant::now());
    let bench =
        Bench { chip, like, last: Instant::now(), selected: None, position: 0, ended: cable.clone(), claimed: false };
    let mut blocks = Blocks::from([[0; MAX_FRAME]; 3]);
    let station = Station::new(bench, &mut blocks);
    let post = Post::new();
    let (mut inbox, mut outbox) = (cable.clone(), Packer { cable: cable.clone(), kept: Vec::new() });
    let (mut decoder, mut scratch) = (Decoder::new(), [0; MAX_FRAME]);
    let mut all = pin!(select(
        listen(&mut inbox, &clock, &post, &mut decoder),
        work(0, &station, &mut outbox, &clock, &post, &mut scratch),
    ));
    let mut context = Context::from_waker(Waker::noop());
    loop {
        let _ = all.as_mut().poll(&mut context);
        let wires = cable.0.0.lock().expect("no panic");
        if wires.ended {
            break;
        }
        if wires.out.is_empty() {
            let _ = cable.0.1.wait_timeout(wires, Duration::from_micros(100)).expect("no panic");
        }
    }
}

struct RealClock(Instant);

impl Clock for &RealClock {
    fn now_us(&self) -> u64 {
        self.0.elapsed().as_micros() as u64
    }

    async fn wait_us(&self, us: u64) {
        let until = self.now_us() + us;
        poll_fn(|_| if self.now_us() >= until { Poll::Ready(()) } else { Poll::Pending }).await;
    }
}

impl Inbox for Cable {
    async fn attached(&mut self) {
        poll_fn(|_| if self.is_plugged() { Poll::Ready(()) } else { Poll::Pending }).await;
    }

    async fn read(&mut self, into: &mut [u8; 64]) -> Result<usize, Gone> {
        poll_fn(|_| {
            self.with(|wires| {
                if !wires.plugged {
                    return Poll::Ready(Err(Gone));
                }
                let count = wires.out.len().min(64);
                for (byte, from) in into.iter_mut().zip(wires.out.drain(..count)) {
                    *byte = from;
                }
                if count == 0 { Poll::Pending } else { Poll::Ready(Ok(count)) }
            })
        })
        .await
    }
}

/// A packet goes when it is full or flushed.
struct Packer {
    cable: Cable,
    kept: Vec<u8>,
}

impl Packer {
    async fn send(&mut self) -> Result<(), Gone> {
        poll_fn(|_| {
            self.cable.with(|wires| {
                if !wires.plugged {
                    return Poll::Ready(Err(Gone));
                }
                if wires.back.len() >= UNDER_WAY {
                    return Poll::Pending;
                }
                wires.back.extend(self.kept.drain(..));
                Poll::Ready(Ok(()))
            })
        })
        .await
    }
}

impl Outbox for Packer {
    async fn write(&mut self, bytes: &[u8]) -> Result<(), Gone> {
        for piece in bytes.chunks(64) {
            self.kept.extend_from_slice(piece);
            self.send().await?;
        }
        Ok(())
    }

    async fn flush(&mut self) -> Result<(), Gone> {
        self.send().await
    }

    fn clear(&mut self) {
        self.kept.clear();
    }
}

/// A board over a chip of the virtual bench, whose counted time follows the real one.
struct Bench {
    chip: VirtualBench,
    like: Like,
    last: Instant,
    selected: Option<Vec<u8>>,
    position: u32,
    claimed: bool,
    ended: Cable,
}

impl Bench {
    fn transact(&mut self, write: Vec<u8>, read: u32) -> Vec<u8> {
        self.chip.wait_us(self.last.elapsed().as_micros() as u64);
        self.last = Instant::now();
        match self.chip.run(&Request::Transfer(Transfer { write, read }), u64::MAX) {
            Ok(Answer::Bytes(bytes)) => bytes,
            other => panic!("the bench answers transfers: {other:?}"),
        }
    }
}

impl Drop for Bench {
    fn drop(&mut self) {
        let content = self.chip.chip_content();
        self.ended.with(|wires| wires.chip = Some(content));
    }
}

impl Board for Bench {
    fn features(&self) -> Features {
        self.like.features
    }

    fn limits(&self) -> Limits {
        self.like.limits
    }

    fn serial(&self) -> &str {
        "0123456789ABCDEF"
    }

    fn claim(&mut self) {
        self.claimed = true;
    }

    fn release(&mut self) {
        assert!(self.selected.is_none(), "released in the middle of a command");
        self.claimed = false;
    }

    fn select(&mut self) {
        assert!(self.claimed, "a command on a released bus");
        self.selected = Some(Vec::new());
        self.position = 0;
    }

    fn deselect(&mut self) {
        let command = self.selected.take().expect("selected");
        if self.position == 0 {
            self.transact(command, 0);
        }
    }

    async fn write(&mut self, bytes: &[u8]) {
        self.selected.as_mut().expect("selected").extend_from_slice(bytes);
    }

    /// The bench knows whole transactions: what is read on is read anew from where it stands.
    async fn read(&mut self, into: &mut [u8], data_lines: u8) {
        let mut command = self.selected.clone().expect("selected");
        let len = into.len() as u32;
        assert_eq!(data_lines == 2, command[0] == 0x3B, "the chip and the programmer disagree on the lines");
        if data_lines == 2 {
            self.ended.with(|wires| wires.passed.on_two_lines += into.len());
        }
        let width = match command[0] {
            READ | READ_FAST | 0x3B => 3,
            READ_LONG | READ_FAST_LONG => 4,
            _ => 0,
        };
        if width > 0 {
            let at = command[1..=width].iter().fold(0u32, |at, byte| at << 8 | u32::from(*byte)) + self.position;
            command[1..=width].copy_from_slice(&at.to_be_bytes()[4 - width..]);
            into.copy_from_slice(&self.transact(command, len));
        } else {
            let all = self.transact(command, self.position + len);
            into.copy_from_slice(&all[self.position as usize..]);
        }
        self.position += len;
    }

    fn set_clock(&mut self, hz: u32) -> u32 {
        hz.clamp(self.like.limits.clock_min_hz, self.like.limits.clock_max_hz)
    }

    async fn look(&mut self, _: bool) -> LineReport {
        let lines =
            self.like.moved.map(|moved| LineState { pulled_up: true, pulled_down: true, rise_ns: Some(900), moved });
        LineReport { lines, supply_mv: Some(3300) }
    }

    async fn supply_mv(&mut self) -> Option<u16> {
        Some(3300)
    }

    fn feed(&mut self, _: bool) {}

    fn fed(&self) -> Option<bool> {
        None
    }

    fn show(&mut self, _: Light) {}
}
