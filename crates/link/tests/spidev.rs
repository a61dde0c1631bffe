//! The spidev link over a made-up kernel: limits, splitting, errors, and what a byte costs. Behind the kernel stands a chip of
//! the virtual bench, so that whole operations of the driver run.

use std::cell::RefCell;
use std::collections::BTreeMap;
use std::io;
use std::path::Path;
use std::rc::Rc;
use std::time::Instant;

use driver::{Content, Flow, Op, Order, PassPlan, WriteJob};
use link::OpenError;
use link::spidev::{FASTEST_HZ, LINE, SLOWEST_HZ, SpiNode, SpidevLink};
use nix::errno::Errno;
use nor::command::{ReadMode, Transfer};
use nor::link::{Answer, Limits, Link, LinkError, Request};
use nor::plan::{Costs, Plan};
use sim::{BenchFile, VirtualBench};

const MIB: usize = 1 << 20;

/// A kernel that counts, with a chip behind it.
struct Kernel {
    chip: Option<VirtualBench>,
    bufsiz: u32,
    clock_hz: u32,
    modes: Vec<u8>,
    refuses_mode: Vec<u8>,
    /// Errors that the next messages give, in order.
    errors: Vec<Errno>,
    /// A controller that takes less than the module.
    controller_takes: usize,
    calls: u64,
    bytes: u64,
    opcodes: BTreeMap<u8, u64>,
    last: Instant,
}

#[derive(Clone)]
struct Node(Rc<RefCell<Kernel>>);

impl std::fmt::Debug for Node {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("made-up node")
    }
}

impl Node {
    fn new(bufsiz: u32, chip: Option<VirtualBench>) -> Self {
        Self(Rc::new(RefCell::new(Kernel {
            chip,
            bufsiz,
            clock_hz: 12_000_000,
            modes: Vec::new(),
            refuses_mode: Vec::new(),
            errors: Vec::new(),
            controller_takes: usize::MAX,
            calls: 0,
            bytes: 0,
            opcodes: BTreeMap::new(),
            last: Instant::now(),
        })))
    }

    fn link(&self) -> SpidevLink<Self> {
        let bufsiz = self.0.borrow().bufsiz;
        SpidevLink::over(self.clone(), bufsiz, Path::new("/dev/spidev0.0")).expect("a usable node")
    }

    fn begin_counting(&self) {
        let mut kernel = self.0.borrow_mut();
        (kernel.calls, kernel.bytes) = (0, 0);
        kernel.opcodes.clear();
    }
}

fn errno<T>(errno: Errno) -> io::Result<T> {
    Err(io::Error::from_raw_os_error(errno as i32))
}

impl SpiNode for Node {
    fn set_mode(&mut self, mode: u8) -> io::Result<()> {
        let mut kernel = self.0.borrow_mut();
        if kernel.refuses_mode.contains(&mode) {
            return errno(Errno::EINVAL);
        }
        kernel.modes.push(mode);
        Ok(())
    }

    fn clock_hz(&self) -> io::Result<u32> {
        Ok(self.0.borrow().clock_hz)
    }

    fn set_clock(&mut self, hz: u32) -> io::Result<u32> {
        let mut kernel = self.0.borrow_mut();
        kernel.calls += 2;
        kernel.clock_hz = hz;
        Ok(hz)
    }

    fn message(&mut self, write: &[u8], read: &mut [u8]) -> io::Result<()> {
        let kernel = &mut *self.0.borrow_mut();
        kernel.calls += 1;
        // As drivers/spi/spidev.c counts: each direction by itself, rounded up.
        for len in [write.len(), read.len()] {
            if len.next_multiple_of(LINE as usize) > kernel.bufsiz as usize {
                return errno(Errno::EMSGSIZE);
            }
        }
        if write.len() + read.len() > kernel.controller_takes {
            return errno(Errno::EMSGSIZE);
        }
        if !kernel.errors.is_empty() {
            return errno(kernel.errors.remove(0));
        }
        kernel.bytes += (write.len() + read.len()) as u64;
        *kernel.opcodes.entry(write[0]).or_default() += 1;
        if let Some(chip) = &mut kernel.chip {
            // The bench's time is counted; the link's passes.
            chip.wait_us(kernel.last.elapsed().as_micros() as u64);
            kernel.last = Instant::now();
            let transfer = Transfer { write: write.to_vec(), read: read.len() as u32 };
            match chip.run(&Request::Transfer(transfer), u64::MAX).expect("the bench answers") {
                Answer::Bytes(bytes) => read.copy_from_slice(&bytes),
                other => panic!("{other:?}"),
            }
        }
        Ok(())
    }

    fn is_present(&mut self) -> bool {
        true
    }
}

fn chip(marking: &str, content: &[u8]) -> VirtualBench {
    let text = format!("seed = 7\n[chip]\nmarking = \"{marking}\"\ncontent = \"none\"\n[link]\n");
    let file = BenchFile::parse(&text, "bench.toml".as_ref()).unwrap_or_else(|error| panic!("{error}"));
    VirtualBench::in_memory(file, content).expect("a content of the chip's size")
}

fn random(seed: u64, len: usize) -> Vec<u8> {
    let mut bytes = vec![0; len];
    fastrand::Rng::with_seed(seed).fill(&mut bytes);
    bytes
}

fn run<'a, T>(link: &mut dyn Link, make: impl FnOnce(&Limits) -> Op<'a, T>) -> T {
    let op = make(link.limits());
    driver::run(link, op, &mut |_, _| Flow::Continue).expect("nobody said stop")
}

fn read_plan(link: &dyn Link) -> PassPlan {
    PassPlan {
        clock_hz: link.limits().clock_hz.1,
        fast: false,
        order: Order::Ascending,
        chunk: 64 * 1024,
        digest: false,
    }
}

/// The figures that the design of this link promises, on the part that is asked the most between its reads.
#[test]
fn a_whole_read_costs_hardly_more_than_its_bytes() {
    let content = random(1, 16 * MIB);
    for (bufsiz, most_per_byte, most_calls) in [(65_536, 1.0005, 20.0), (4096, 1.002, 260.0)] {
        let node = Node::new(bufsiz, Some(chip("W25Q128", &content)));
        let mut link = node.link();
        let identity = run(&mut link, driver::identify).expect("a chip");
        let plan = read_plan(&link);
        node.begin_counting();
        let pass = run(&mut link, |limits| driver::pass(limits, &identity, plan)).expect("a pass");
        assert!(pass.content == Content::Bytes(content.clone()), "bufsiz {bufsiz}: other content");
        let kernel = node.0.borrow();
        let (per_byte, calls) = (kernel.bytes as f64 / content.len() as f64, kernel.calls as f64 / 16.0);
        assert!(per_byte <= most_per_byte, "bufsiz {bufsiz}: {per_byte} bytes on the bus for each byte");
        assert!(calls <= most_calls, "bufsiz {bufsiz}: {calls} calls for each MiB");
    }
}

#[test]
fn s6_a_write_sends_write_enables_programs_polls_and_the_checks() {
    let (before, size) = (vec![0xFF; MIB], MIB);
    let node = Node::new(4096, Some(chip("W25Q80DV", &before)));
    let mut link = node.link();
    let identity = run(&mut link, driver::identify).expect("a chip");
    let mut wanted = before.clone();
    wanted[..128 * 1024].copy_from_slice(&random(2, 128 * 1024));
    let clock_hz = link.limits().clock_hz.1;
    let costs = Costs::of(&identity.chip, link.limits(), clock_hz);
    let plan = Plan::new(&identity.chip, &costs, &before, &wanted, 0..size as u32).expect("a plan");
    node.begin_counting();
    let job = WriteJob { identity: &identity, plan: &plan, wanted: &wanted, clock_hz };
    run(&mut link, |limits| driver::write(limits, job)).expect("written");
    {
        let kernel = node.0.borrow();
        let sent = |opcode: u8| kernel.opcodes.get(&opcode).copied().unwrap_or(0);
        let pages = 128 * 1024 / 256;
        assert_eq!((sent(0x02), sent(0x06)), (pages, pages));
        assert_eq!(sent(0x9F), 1 + 2, "before the first page, and at each 64 KiB");
        // A poll for each page at least, and three status reads with the checks; a chip that is waited for is not asked at once.
        assert!(sent(0x05) >= pages + 3, "{:?}", kernel.opcodes);
        let known = [0x02, 0x06, 0x9F, 0x05];
        assert!(kernel.opcodes.keys().all(|opcode| known.contains(opcode)), "{:x?}", kernel.opcodes);
    }
    let range = 0..size as u32;
    let found = run(&mut link, |limits| driver::verify(limits, &identity, &wanted, range, clock_hz)).expect("read");
    assert_eq!(found.differing_bytes, 0);
}

#[test]
fn no_message_is_larger_than_the_module_takes() {
    // Odd limits too: whoever sets the parameter may set anything.
    for bufsiz in [384, 500, 4096, 5000, 65_536, 1 << 20] {
        let content = random(3, MIB);
        let node = Node::new(bufsiz, Some(chip("W25Q80DV", &content)));
        let mut link = node.link();
        assert!(link.limits().max_transfer >= 300 && link.limits().max_transfer <= bufsiz, "{:?}", link.limits());
        let request = Request::ReadRange { at: 77, len: 64 * 1024, mode: ReadMode::plain(3) };
        let answer = link.run(&request, u64::MAX).unwrap_or_else(|error| panic!("bufsiz {bufsiz}: {error}"));
        assert_eq!(answer, Answer::Bytes(content[77..77 + 64 * 1024].to_vec()), "bufsiz {bufsiz}");
        let over = Transfer::register(0x9F, link.limits().max_transfer);
        let refused = link.run(&Request::Transfer(over), u64::MAX);
        assert!(matches!(refused, Err(LinkError::Unable { .. })), "{refused:?}");
    }
}

#[test]
fn a_controller_that_takes_less_is_given_less() {
    let content = random(4, MIB);
    let node = Node::new(65_536, Some(chip("W25Q80DV", &content)));
    node.0.borrow_mut().controller_takes = 1000;
    let mut link = node.link();
    let request = Request::ReadRange { at: 0, len: 64 * 1024, mode: ReadMode::plain(3) };
    assert_eq!(link.run(&request, u64::MAX).expect("read"), Answer::Bytes(content[..64 * 1024].to_vec()));
    // And it is not asked for more a second time.
    node.begin_counting();
    link.run(&request, u64::MAX).expect("read");
    let kernel = node.0.borrow();
    assert_eq!(kernel.calls, kernel.opcodes[&0x03], "every message went through");
    drop(kernel);
    node.0.borrow_mut().controller_takes = 100;
    assert!(matches!(link.run(&request, u64::MAX), Err(LinkError::System(_))), "there is an end to it");
}

#[test]
fn a_module_that_takes_no_page_is_refused_with_the_remedy() {
    for bufsiz in [0, 256, 383] {
        let node = Node::new(bufsiz, None);
        let error = SpidevLink::over(node, bufsiz, Path::new("/dev/spidev0.0")).expect_err("too small");
        assert!(matches!(error, OpenError::SmallBuffer { .. }), "{error:?}");
        assert!(error.remedy().contains("bufsiz=65536"));
    }
}

#[test]
fn mode_3_serves_where_mode_0_is_not_to_be_had() {
    let node = Node::new(4096, None);
    drop(node.link());
    assert_eq!(node.0.borrow().modes, [0]);
    let node = Node::new(4096, None);
    node.0.borrow_mut().refuses_mode = vec![0];
    drop(node.link());
    assert_eq!(node.0.borrow().modes, [3]);
    node.0.borrow_mut().refuses_mode = vec![0, 3];
    let error = SpidevLink::over(node, 4096, Path::new("/dev/spidev0.0")).expect_err("no mode");
    assert!(matches!(error, OpenError::Setting { .. }), "{error:?}");
}

#[test]
fn a_clock_above_the_limit_is_brought_down_to_it() {
    for (stated, fastest) in [(12_000_000, 12_000_000), (125_000_000, FASTEST_HZ), (0, FASTEST_HZ), (50_000, 50_000)] {
        let node = Node::new(4096, None);
        node.0.borrow_mut().clock_hz = stated;
        let mut link = node.link();
        assert_eq!(link.limits().clock_hz, (SLOWEST_HZ.min(fastest), fastest));
        let set = link.run(&Request::SetClock { hz: 400_000_000 }, u64::MAX).expect("set");
        assert_eq!(set, Answer::Clock { hz: fastest }, "what the kernel says afterwards");
        assert_eq!(node.0.borrow().clock_hz, fastest);
    }
}

#[test]
fn a_device_that_vanishes_is_gone_for_good() {
    for vanished in [Errno::ESHUTDOWN, Errno::ENODEV, Errno::ENXIO] {
        let node = Node::new(4096, None);
        let mut link = node.link();
        let ask = Request::Transfer(Transfer::register(0x9F, 3));
        assert!(link.run(&ask, u64::MAX).is_ok() && link.is_present());
        node.0.borrow_mut().errors = vec![vanished];
        assert!(matches!(link.run(&ask, u64::MAX), Err(LinkError::Gone)), "{vanished}");
        let calls = node.0.borrow().calls;
        assert!(matches!(link.run(&ask, u64::MAX), Err(LinkError::Gone)));
        assert_eq!(node.0.borrow().calls, calls, "the kernel is not asked again");
        assert!(!link.is_present());
    }
}

#[test]
fn another_refusal_carries_the_systems_own_words() {
    let node = Node::new(4096, None);
    let mut link = node.link();
    node.0.borrow_mut().errors = vec![Errno::EIO];
    let error = link.run(&Request::Transfer(Transfer::register(0x9F, 3)), u64::MAX).expect_err("refused");
    let LinkError::System(source) = error else { panic!("{error:?}") };
    assert!(source.to_string().contains("nput/output error"), "{source}");
    assert!(link.run(&Request::Transfer(Transfer::register(0x9F, 3)), u64::MAX).is_ok(), "and the next one may work");
}

#[test]
fn what_a_header_cannot_do_is_said_and_late_answers_do_not_count() {
    let mut link = Node::new(4096, None).link();
    for request in [
        Request::LineTest,
        Request::DigestRange { at: 0, len: 4096, mode: ReadMode::plain(3) },
        Request::ReadRange { at: 0, len: 1 << 24, mode: ReadMode::plain(3) },
        Request::ReadRange { at: u32::MAX, len: 2, mode: ReadMode::plain(4) },
    ] {
        assert!(matches!(link.run(&request, u64::MAX), Err(LinkError::Unable { .. })), "{request:?}");
    }
    link.wait_us(1000);
    assert!(link.now_us() >= 1000);
    let late = link.run(&Request::Transfer(Transfer::register(0x9F, 3)), 0);
    assert!(matches!(late, Err(LinkError::Silent { .. })), "{late:?}");
    assert_eq!(link.limits().drives, None, "S4: a header cannot know what it drives");
}
