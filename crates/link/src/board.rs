//! firmhand's own programmer as a link (`board`, `board@SERIAL`).
//!
//! | module | what it does |
//! |---|---|
//! | [`Pipe`] | bytes to and from the programmer, each wait with an end: USB bulk, or the serial port as fallback |
//! | `talk` | frames, counts, hello, heartbeats |
//! | `requests` | requests of [`nor::link`] turned into those of `wire` and back |
//! | here | which programmer; what may be asked again; heartbeats between requests; the chip's supply |
//!
//! The programmer lets go of the chip when it hears nothing for two seconds, so a thread says that the host is there while nothing
//! else is said: somebody may be reading a question on the screen. Dropping the link lets go at once.
//!
//! What a reader would question: a request whose answer was damaged on the way is asked again only when it cannot have changed
//! the chip. A list of erases or a range of pages ends as a link error, and running the whole command again finds out what
//! became of it, as after every other cut.

mod error;
mod pipe;
mod requests;
mod serial;
mod talk;
mod usb;

use std::path::Path;
use std::sync::mpsc::{RecvTimeoutError, Sender, channel};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use nor::link::{Answer, Features, Limits, Link, LinkError, Request};
use nor::supply::Supply;
use wire::Reply;

use crate::OpenError;
use crate::clock::Clock;
use crate::find::{self, Board, Root};
use requests::{changes_nothing, digests, erase, line_report, other_answer, program, read, set_clock, wire_mode};
use talk::{Came, Talk};

pub use error::Trouble;
pub use pipe::{Pipe, PipeError};
pub use talk::Greeting;

/// How often the thread looks whether the host has to say something.
const LOOK: Duration = Duration::from_millis(50);
/// How long a refusal of the system may be that of a device which has just come.
const SETTLE: Duration = Duration::from_secs(1);
/// How often a request is asked again after frames were lost.
const REPEATS: u32 = 2;
/// What a small request may take that no operation's deadline stands behind.
const SHORT: Duration = Duration::from_secs(2);
/// The least that a programmer has to bring for [`Limits::max_transfer`].
const LEAST_TRANSFER: u32 = 300;

/// The supply at the chip, as the programmer sees it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct SupplySeen {
    /// At the chip's VCC; none when the divider is not fitted.
    pub mv: Option<u16>,
    /// Whether the programmer feeds the chip through its switch; none when the switch is not fitted.
    pub fed: Option<bool>,
}

/// A programmer, open.
pub struct BoardLink {
    talk: Arc<Mutex<Talk>>,
    greeting: Greeting,
    limits: Limits,
    max_blocks: usize,
    clock: Clock,
    /// The clock that was set last: set again after a hello in the middle.
    clock_hz: Option<u32>,
    is_there: Box<dyn FnMut() -> bool + Send>,
    beat: Option<(Sender<()>, JoinHandle<()>)>,
}

impl BoardLink {
    /// Opens the programmer with this serial number, or the only one that is there. Drives nothing.
    ///
    /// The bulk pipe is taken first, and the serial port when this person may use that alone.
    ///
    /// # Errors
    /// [`OpenError`], with what to do about it.
    pub fn open(serial: Option<&str>) -> Result<Self, OpenError> {
        let begun = Instant::now();
        loop {
            match Self::open_at_once(serial) {
                // Just plugged in, a node is there before its rights are.
                Err(OpenError::Permission { .. } | OpenError::System { .. }) if begun.elapsed() < SETTLE => {
                    std::thread::sleep(LOOK);
                }
                opened => return opened,
            }
        }
    }

    fn open_at_once(serial: Option<&str>) -> Result<Self, OpenError> {
        let root = Root::system();
        let board = choose(&find::boards(&root), serial)?;
        let pipe: Box<dyn Pipe> = match usb::UsbPipe::open(&board) {
            Ok(pipe) => Box::new(pipe),
            Err(error @ OpenError::Permission { .. }) => match &board.tty {
                Some(tty) => Box::new(serial::SerialPipe::open(tty).map_err(|_| error)?),
                None => return Err(error),
            },
            Err(error) => return Err(error),
        };
        let wanted = board.serial.clone();
        let is_there = move || find::boards(&root).iter().any(|board| board.serial == wanted);
        Self::over(pipe, Box::new(is_there))
            .map_err(|source| OpenError::Board { path: board.link.clone(), source: Box::new(source) })
    }

    /// A link over a pipe. `is_there` tells whether the device is plugged in.
    ///
    /// # Errors
    /// [`Trouble`] when nothing answers a hello, or the answer is of another version.
    pub fn over(pipe: Box<dyn Pipe>, is_there: Box<dyn FnMut() -> bool + Send>) -> Result<Self, Trouble> {
        let mut talk = Talk::new(pipe);
        let greeting = talk.hello()?;
        let limits = limits(&greeting)?;
        let max_blocks = usize::from(greeting.limits.max_blocks);
        let talk = Arc::new(Mutex::new(talk));
        let (stop, stopped) = channel();
        let beating = Arc::clone(&talk);
        let thread = std::thread::spawn(move || {
            while stopped.recv_timeout(LOOK) == Err(RecvTimeoutError::Timeout) {
                // What is wrong shows at the next request, or by `is_present`.
                let _ = lock(&beating).stay();
            }
        });
        let clock = Clock::start();
        Ok(Self { talk, greeting, limits, max_blocks, clock, clock_hz: None, is_there, beat: Some((stop, thread)) })
    }

    /// What the programmer said of itself.
    #[must_use]
    pub fn greeting(&self) -> &Greeting {
        &self.greeting
    }

    /// Something that asks for the chip's supply, and switches it, while the link is in use elsewhere.
    #[must_use]
    pub fn supply(&self) -> SupplyHandle {
        SupplyHandle { talk: Arc::clone(&self.talk), features: self.greeting.features }
    }

    fn once(&mut self, request: &Request, until: Instant) -> Result<Answer, Trouble> {
        self.get_in_step(until)?;
        let mut talk = lock(&self.talk);
        let talk = &mut *talk;
        match request {
            Request::Transfer(transfer) => {
                if transfer.wire_bytes() > u64::from(self.limits.max_transfer) || transfer.write.len() > wire::MAX_WRITE
                {
                    let most = self.limits.max_transfer;
                    let what = format!("{} bytes of transfer, at most {most}", transfer.wire_bytes());
                    return Err(Trouble::Unable(what));
                }
                let request = wire::Request::Transfer { write: &transfer.write, read: transfer.read };
                read(talk, &request, transfer.read, until).map(Answer::Bytes)
            }
            Request::ReadRange { at, len, mode } => {
                let request = wire::Request::ReadRange { at: *at, len: *len, mode: wire_mode(*mode) };
                read(talk, &request, *len, until).map(Answer::Bytes)
            }
            Request::DigestRange { at, len, mode } => {
                let request = wire::Request::DigestRange { at: *at, len: *len, mode: wire_mode(*mode) };
                digests(talk, &request, len.div_ceil(nor::SECTOR), until).map(Answer::Digests)
            }
            Request::ProgramRange(range) => program(talk, range, until),
            Request::EraseList(list) => erase(talk, list, self.max_blocks, until),
            Request::SetClock { hz } => {
                let hz = set_clock(talk, *hz, until)?;
                self.clock_hz = Some(hz);
                Ok(Answer::Clock { hz })
            }
            Request::LineTest => talk.ask(&wire::Request::LineTest, &[], until, |came| match came {
                Came::Reply(Reply::Lines(lines)) => Ok(Some(Answer::Lines(line_report(&lines)))),
                other => other_answer(&other),
            }),
        }
    }

    /// A hello when the stream needs one, and then what a hello forgets.
    fn get_in_step(&mut self, until: Instant) -> Result<(), Trouble> {
        let mut talk = lock(&self.talk);
        if talk.is_gone() {
            return Err(Trouble::Gone);
        }
        if talk.is_in_step() {
            return Ok(());
        }
        let greeting = talk.hello()?;
        if greeting != self.greeting {
            return Err(Trouble::Greeting { what: "it is another programmer than before".into() });
        }
        if let Some(hz) = self.clock_hz {
            set_clock(&mut talk, hz, until)?;
        }
        Ok(())
    }
}

impl std::fmt::Debug for BoardLink {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("BoardLink").field("greeting", &self.greeting).finish_non_exhaustive()
    }
}

impl Link for BoardLink {
    fn limits(&self) -> &Limits {
        &self.limits
    }

    fn run(&mut self, request: &Request, deadline_us: u64) -> Result<Answer, LinkError> {
        let begun = self.now_us();
        let until = Instant::now() + Duration::from_micros(deadline_us.saturating_sub(begun));
        let mut repeats = 0;
        loop {
            let trouble = match self.once(request, until) {
                Ok(answer) => return Ok(answer),
                Err(trouble) => trouble,
            };
            let again = trouble.may_repeat(changes_nothing(request)) && repeats < REPEATS && Instant::now() < until;
            if !again {
                return Err(trouble.into_link_error(self.now_us() - begun));
            }
            repeats += 1;
        }
    }

    fn now_us(&mut self) -> u64 {
        self.clock.now_us()
    }

    fn wait_us(&mut self, us: u64) {
        self.clock.wait_us(us);
    }

    fn is_present(&mut self) -> bool {
        (self.is_there)()
    }
}

impl Drop for BoardLink {
    fn drop(&mut self) {
        if let Some((stop, thread)) = self.beat.take() {
            drop(stop);
            let _ = thread.join();
        }
        let mut talk = lock(&self.talk);
        if talk.is_in_step() && !talk.is_gone() {
            // A programmer that does not hear this lets go by itself in two seconds.
            let _ = talk.ask(&wire::Request::Release, &[], Instant::now() + SHORT / 4, |came| {
                Ok(matches!(came, Came::Reply(Reply::Released)).then_some(()))
            });
        }
    }
}

/// Asks for the chip's supply, and switches it.
#[derive(Clone)]
pub struct SupplyHandle {
    talk: Arc<Mutex<Talk>>,
    features: wire::Features,
}

impl SupplyHandle {
    /// What is there; nothing when neither divider nor switch is fitted.
    ///
    /// # Errors
    /// [`LinkError`].
    pub fn look(&self) -> Result<SupplySeen, LinkError> {
        let fitted = [wire::Features::SUPPLY_SENSE, wire::Features::SUPPLY_SWITCH];
        if !fitted.iter().any(|feature| self.features.has(*feature)) {
            return Ok(SupplySeen { mv: None, fed: None });
        }
        self.ask(&wire::Request::SenseSupply)
    }

    /// Feeds the chip from the programmer's switch, or stops.
    ///
    /// # Errors
    /// [`LinkError`]; [`LinkError::Unable`] without the switch.
    pub fn feed(&self, on: bool) -> Result<SupplySeen, LinkError> {
        self.ask(&wire::Request::SwitchSupply { on })
    }

    fn ask(&self, request: &wire::Request<'_>) -> Result<SupplySeen, LinkError> {
        let mut talk = lock(&self.talk);
        let begun = Instant::now();
        let mut once = || {
            if !talk.is_in_step() {
                talk.hello()?;
            }
            talk.ask(request, &[], begun + SHORT, |came| match came {
                Came::Reply(Reply::Supply { mv, fed }) => Ok(Some(SupplySeen { mv, fed })),
                other => other_answer(&other),
            })
        };
        let mut asked: Result<SupplySeen, Trouble> = once();
        for _ in 0..REPEATS {
            if !matches!(&asked, Err(trouble) if trouble.may_repeat(true)) {
                break;
            }
            asked = once();
        }
        let waited_us = u64::try_from(begun.elapsed().as_micros()).unwrap_or(u64::MAX);
        asked.map_err(|trouble| trouble.into_link_error(waited_us))
    }
}

/// Which of the programmers is meant.
fn choose(boards: &[Board], serial: Option<&str>) -> Result<Board, OpenError> {
    let path = || find::board_link(serial.unwrap_or_default());
    match (serial, boards) {
        (Some(serial), _) => {
            let is_meant = |board: &&Board| board.serial.eq_ignore_ascii_case(serial);
            boards.iter().find(is_meant).cloned().ok_or_else(|| OpenError::Absent {
                path: path(),
                remedy: match boards {
                    [] => find::NO_BOARD.into(),
                    there => format!("there is {}", names(there)),
                },
            })
        }
        (None, [only]) => Ok(only.clone()),
        (None, []) => Err(OpenError::Absent { path: Path::new("board").into(), remedy: find::NO_BOARD.into() }),
        (None, several) => Err(OpenError::Several { names: names(several) }),
    }
}

fn names(boards: &[Board]) -> String {
    boards.iter().map(|board| board.link.display().to_string()).collect::<Vec<_>>().join(", ")
}

/// A beat that panicked has said so; the conversation itself is in no odd state that a hello would not mend.
fn lock(talk: &Mutex<Talk>) -> MutexGuard<'_, Talk> {
    talk.lock().unwrap_or_else(PoisonError::into_inner)
}

/// The programmer's limits, which are checked: they come over a wire.
fn limits(greeting: &Greeting) -> Result<Limits, Trouble> {
    let said = greeting.limits;
    let wrong = |what: String| Err(Trouble::Greeting { what });
    if said.max_transfer < LEAST_TRANSFER || said.max_range < nor::SECTOR || said.max_blocks == 0 {
        return wrong(format!(
            "limits of {} bytes of transfer, {} of range, {} blocks",
            said.max_transfer, said.max_range, said.max_blocks
        ));
    }
    if said.clock_min_hz == 0 || said.clock_min_hz > said.clock_max_hz {
        return wrong(format!("clocks from {} to {} Hz", said.clock_min_hz, said.clock_max_hz));
    }
    let has = |feature| greeting.features.has(feature);
    Ok(Limits {
        max_transfer: said.max_transfer,
        max_range: said.max_range,
        clock_hz: (said.clock_min_hz, said.clock_max_hz),
        features: Features {
            read_range: has(wire::Features::READ_RANGE),
            digest_range: has(wire::Features::DIGEST_RANGE),
            program_range: has(wire::Features::PROGRAM_RANGE),
            erase_list: has(wire::Features::ERASE_LIST),
            line_test: has(wire::Features::LINE_TEST),
            two_lines: has(wire::Features::DUAL),
        },
        drives: Some(Supply { mv: u32::from(said.drive_mv) }),
        round_trip_us: said.round_trip_us,
        bytes_per_second: (said.bytes_per_second > 0).then_some(said.bytes_per_second),
    })
}

#[cfg(test)]
mod tests {
    use nor::link::SIGNALS;

    use super::*;

    fn board(serial: &str) -> Board {
        Board {
            serial: serial.into(),
            link: find::board_link(serial),
            node: "/dev/null".into(),
            sysfs: "/".into(),
            tty: None,
        }
    }

    #[test]
    fn one_programmer_needs_no_name_and_several_do() {
        assert_eq!(choose(&[board("07")], None).expect("the only one").serial, "07");
        assert_eq!(choose(&[board("07"), board("0A")], Some("0a")).expect("that one").serial, "0A");
        let error = choose(&[board("07"), board("0A")], None).expect_err("two");
        assert!(error.to_string().contains("board@07, board@0A"), "{error}");
        let error = choose(&[board("07")], Some("0A")).expect_err("another one");
        assert!(error.to_string().contains("board@0A") && error.remedy().contains("board@07"), "{error}");
        assert!(choose(&[], None).expect_err("none").remedy().contains("link install"));
    }

    #[test]
    fn the_lines_of_both_sides_are_in_one_order() {
        let names = wire::pins::SIGNALS.map(|wire| wire.signal);
        assert_eq!(names, ["CS#", "DO", "WP#", "DI", "CLK", "HOLD#"]);
        assert_eq!(format!("{SIGNALS:?}"), "[ChipSelect, DataOut, WriteProtect, DataIn, Clock, Hold]");
    }
}
