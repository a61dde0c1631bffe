//! Shared by the tests: benches in memory, a link that records what passes over it, contents and seeds.

#![allow(dead_code, reason = "each test file uses its part of it")]

pub mod paper;
pub mod tables;

use std::ops::Range;

use driver::{DriverError, Flow, Identity, Op, Verified, WriteJob};
use nor::chip::Chip;
use nor::link::{Answer, Features, Limits, Link, LinkError, Request};
use nor::plan::{Costs, Plan};
use sim::{BenchFile, VirtualBench};

/// 1 MiB, tables of its own, no known layout of its protection bits.
pub const SMALL: &str = "marking = \"W25Q80DV\"";

/// A link without any range request of its own.
pub const LOWERED: &str = "[link]\n";

/// A link that runs all range requests by itself.
pub const ON_LINK: &str = "[link]\nfeatures = [\"read-range\", \"digest\", \"program-range\", \"erase-list\"]\n";

/// The `[link]` of a bench file with one of the sixteen sets of features: one bit for each.
pub fn features(set: u8) -> String {
    let names = ["read-range", "digest", "program-range", "erase-list"];
    let chosen: Vec<_> = (0..4).filter(|bit| set >> bit & 1 == 1).map(|bit| format!("\"{}\"", names[bit])).collect();
    format!("[link]\nfeatures = [{}]\n", chosen.join(", "))
}

/// A `[[fault]]`.
pub fn fault(kind: &str, lines: &str) -> String {
    format!("[[fault]]\nkind = \"{kind}\"\n{lines}\n")
}

/// A bench in memory: keys of `[chip]`, what follows that table, and the content.
pub fn bench(chip: &str, rest: &str, content: &[u8]) -> VirtualBench {
    seeded_bench(7, chip, rest, content)
}

/// As [`bench`], with a seed for what the faults draw.
pub fn seeded_bench(seed: u64, chip: &str, rest: &str, content: &[u8]) -> VirtualBench {
    let text = format!("seed = {seed}\n[chip]\n{chip}\ncontent = \"none\"\n{rest}");
    let file = BenchFile::parse(&text, "bench.toml".as_ref()).unwrap_or_else(|error| panic!("{error}"));
    VirtualBench::in_memory(file, content).expect("a content of the chip's size")
}

/// Random bytes.
pub fn random(seed: u64, len: usize) -> Vec<u8> {
    let mut bytes = vec![0; len];
    fastrand::Rng::with_seed(seed).fill(&mut bytes);
    bytes
}

/// Content in stretches of whole sectors and odd lengths: random, blank, zeros, or (given `old`) as it was.
pub fn stretches(rng: &mut fastrand::Rng, len: usize, old: Option<&[u8]>) -> Vec<u8> {
    let mut bytes = Vec::with_capacity(len);
    while bytes.len() < len {
        let grain = [256, 4096, 65_536, 777][rng.usize(0..4)];
        let more = (grain * rng.usize(1..9)).min(len - bytes.len());
        let from = bytes.len();
        match (rng.u8(0..6), old) {
            (0, _) => bytes.resize(from + more, 0xFF),
            (1, _) => bytes.resize(from + more, 0),
            (2..=3, Some(old)) => bytes.extend_from_slice(&old[from..from + more]),
            _ => bytes.extend((0..more).map(|_| rng.u8(..))),
        }
    }
    bytes
}

/// Runs `test` with `count` seeds, or with the one in FIRMHAND_SEED; a failure prints the command that repeats it.
pub fn seeds(test: &str, count: u64, mut body: impl FnMut(u64, &mut fastrand::Rng)) {
    struct Again<'a>(&'a str, u64);
    impl Drop for Again<'_> {
        fn drop(&mut self) {
            if std::thread::panicking() {
                eprintln!("again: FIRMHAND_SEED={} cargo test -p driver {}", self.1, self.0);
            }
        }
    }
    let seeds = match std::env::var("FIRMHAND_SEED") {
        Ok(seed) => vec![seed.parse().expect("FIRMHAND_SEED is a number")],
        Err(_) => (0..count).collect(),
    };
    for seed in seeds {
        let _again = Again(test, seed);
        body(seed, &mut fastrand::Rng::with_seed(seed));
    }
}

/// Runs an operation to its end.
pub fn run<'a, T>(link: &mut dyn Link, make: impl FnOnce(&Limits) -> Op<'a, T>) -> T {
    let op = make(link.limits());
    driver::run(link, op, &mut |_, _| Flow::Continue).expect("nobody said stop")
}

/// Identifies; must succeed.
pub fn identify(link: &mut dyn Link) -> Identity {
    run(link, driver::identify).unwrap_or_else(|error| panic!("identify: {error}"))
}

/// The plan from `present` to `wanted` over the whole of `range`, at the link's fastest clock.
pub fn plan(chip: &Chip, limits: &Limits, present: &[u8], wanted: &[u8], range: Range<u32>) -> (Plan, Costs) {
    let costs = Costs::of(chip, limits, limits.clock_hz.1);
    (Plan::new(chip, &costs, present, wanted, range).expect("a plan"), costs)
}

/// Carries out a plan at the link's fastest clock.
pub fn write(link: &mut dyn Link, identity: &Identity, plan: &Plan, wanted: &[u8]) -> Result<(), DriverError> {
    let job = WriteJob { identity, plan, wanted, clock_hz: link.limits().clock_hz.1 };
    run(link, |limits| driver::write(limits, job))
}

/// Reads a range again at the link's fastest clock; must succeed.
pub fn verify(link: &mut dyn Link, identity: &Identity, wanted: &[u8], range: Range<u32>) -> Verified {
    let clock_hz = link.limits().clock_hz.1;
    run(link, |limits| driver::verify(limits, identity, wanted, range, clock_hz))
        .unwrap_or_else(|error| panic!("verify: {error}"))
}

/// One request with its answer and the time it took.
#[derive(Debug)]
pub struct Sent {
    pub began_us: u64,
    pub ended_us: u64,
    pub request: Request,
    pub answer: Result<Answer, String>,
}

impl Sent {
    /// The opcode of a single transfer.
    pub fn opcode(&self) -> Option<u8> {
        match &self.request {
            Request::Transfer(transfer) => transfer.write.first().copied(),
            _ => None,
        }
    }
}

/// A bench behind a link that records all requests, may have tighter limits, and holds the caller to them.
pub struct Recorder {
    pub bench: VirtualBench,
    pub sent: Vec<Sent>,
    pub limits: Limits,
}

impl Recorder {
    pub fn new(bench: VirtualBench) -> Self {
        Self { limits: bench.limits().clone(), bench, sent: Vec::new() }
    }

    /// Single transfers with this opcode.
    pub fn count(&self, opcode: u8) -> usize {
        self.sent.iter().filter(|sent| sent.opcode() == Some(opcode)).count()
    }
}

impl Link for Recorder {
    fn limits(&self) -> &Limits {
        &self.limits
    }

    fn run(&mut self, request: &Request, deadline_us: u64) -> Result<Answer, LinkError> {
        assert_inside(&self.limits, request);
        let began_us = self.bench.now_us();
        assert!(deadline_us > began_us, "no time for {request:?}");
        let answer = self.bench.run(request, deadline_us);
        let kept = answer.as_ref().map(Clone::clone).map_err(ToString::to_string);
        self.sent.push(Sent { began_us, ended_us: self.bench.now_us(), request: request.clone(), answer: kept });
        answer
    }

    fn now_us(&mut self) -> u64 {
        self.bench.now_us()
    }

    fn wait_us(&mut self, us: u64) {
        self.bench.wait_us(us);
    }

    fn is_present(&mut self) -> bool {
        self.bench.is_present()
    }
}

/// The caller's side of the seam: requests within limits, only range requests that the features name.
fn assert_inside(limits: &Limits, request: &Request) {
    let Features { read_range, digest_range, program_range, erase_list, line_test, two_lines } = limits.features;
    let range = |feature: bool, len: u64| feature && len > 0 && len <= u64::from(limits.max_range);
    let inside = match request {
        Request::Transfer(transfer) => transfer.wire_bytes() <= u64::from(limits.max_transfer),
        Request::ReadRange { len, .. } => range(read_range, u64::from(*len)),
        Request::DigestRange { len, mode, .. } => {
            range(digest_range, u64::from(*len)) && mode.data_lines <= 1 + u8::from(two_lines)
        }
        Request::ProgramRange(program) => range(program_range, program.data.len() as u64),
        Request::EraseList(list) => erase_list && !list.blocks.is_empty(),
        Request::SetClock { hz } => (limits.clock_hz.0..=limits.clock_hz.1).contains(hz),
        Request::LineTest => line_test,
    };
    assert!(inside, "outside {limits:?}: {request:?}");
}
