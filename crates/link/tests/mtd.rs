//! The MTD link over a made-up kernel: what it does, what it refuses, and how its errors read.

#![allow(clippy::single_range_in_vec_init, reason = "a plan that touches one range is meant")]

use std::cell::RefCell;
use std::io;
use std::path::Path;
use std::rc::Rc;

use link::OpenError;
use link::mtd::{Facts, Flash, FlashError, MtdLink, MtdNode, NOMINAL_HZ};
use nix::errno::Errno;
use nor::command::{ReadMode, Transfer};
use nor::link::{Answer, EraseBlock, EraseList, Guard, Link, LinkError, ProgramRange, Request};

const BLOCK: u32 = 4096;
const SIZE: usize = 64 * 1024;

struct Kernel {
    cells: Vec<u8>,
    facts: Facts,
    locked: Vec<u64>,
    knows_locks: bool,
    error: Option<Errno>,
    erased: Vec<(u64, u64)>,
}

#[derive(Clone)]
struct Node(Rc<RefCell<Kernel>>);

impl std::fmt::Debug for Node {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("made-up node")
    }
}

impl Node {
    fn new() -> Self {
        let facts = Facts {
            name: "firmware".into(),
            kind: "nor".into(),
            size: SIZE as u64,
            erase_bytes: BLOCK,
            write_bytes: 1,
            writable: true,
            offset: None,
        };
        Self(Rc::new(RefCell::new(Kernel {
            cells: vec![0x5A; SIZE],
            facts,
            locked: Vec::new(),
            knows_locks: true,
            error: None,
            erased: Vec::new(),
        })))
    }

    fn link(&self) -> MtdLink<Self> {
        MtdLink::over(self.clone(), BLOCK)
    }

    fn flash(&self) -> Flash<Self> {
        Flash::over(self.clone(), Path::new("/dev/mtd0")).expect("usable")
    }

    fn ask(&self) -> io::Result<()> {
        self.0.borrow().error.map_or(Ok(()), |errno| Err(io::Error::from_raw_os_error(errno as i32)))
    }
}

impl MtdNode for Node {
    fn facts(&mut self) -> io::Result<Facts> {
        self.ask()?;
        Ok(self.0.borrow().facts.clone())
    }

    fn read_at(&mut self, at: u64, into: &mut [u8]) -> io::Result<()> {
        self.ask()?;
        let at = at as usize;
        let cells = &self.0.borrow().cells;
        let from = cells.get(at..at + into.len()).ok_or(io::ErrorKind::UnexpectedEof)?;
        into.copy_from_slice(from);
        Ok(())
    }

    fn write_at(&mut self, at: u64, bytes: &[u8]) -> io::Result<()> {
        self.ask()?;
        let at = at as usize;
        for (cell, byte) in self.0.borrow_mut().cells[at..at + bytes.len()].iter_mut().zip(bytes) {
            *cell &= byte;
        }
        Ok(())
    }

    fn erase(&mut self, at: u64, len: u64) -> io::Result<()> {
        self.ask()?;
        let mut kernel = self.0.borrow_mut();
        kernel.erased.push((at, len));
        kernel.cells[at as usize..(at + len) as usize].fill(0xFF);
        Ok(())
    }

    fn is_locked(&mut self, at: u64, _len: u64) -> io::Result<bool> {
        let kernel = self.0.borrow();
        if kernel.knows_locks {
            Ok(kernel.locked.contains(&at))
        } else {
            Err(io::Error::from_raw_os_error(Errno::EOPNOTSUPP as i32))
        }
    }

    fn is_present(&mut self) -> bool {
        true
    }
}

fn guard() -> Guard {
    Guard { id: Vec::new(), status: 0, status_mask: 0 }
}

fn erase(at: &[u32]) -> Request {
    let block = |at: &u32| EraseBlock { at: *at, opcode: 0, typical_us: 1, limit_us: 1 };
    Request::EraseList(EraseList { blocks: at.iter().map(block).collect(), address_bytes: 3, guard: guard() })
}

fn program(at: u32, data: Vec<u8>) -> Request {
    Request::ProgramRange(ProgramRange {
        at,
        data,
        page: 256,
        opcode: 2,
        address_bytes: 3,
        typical_us: 1,
        limit_us: 1,
        guard: guard(),
    })
}

fn read(at: u32, len: u32) -> Request {
    Request::ReadRange { at, len, mode: ReadMode::plain(3) }
}

#[test]
fn the_kernel_reads_erases_and_writes_where_it_is_told() {
    let node = Node::new();
    let mut link = node.link();
    assert_eq!(link.run(&erase(&[0, 8192]), u64::MAX).expect("erased"), Answer::Ran { done: 2, stop: None });
    assert_eq!(node.0.borrow().erased, [(0, 4096), (8192, 4096)]);
    let data: Vec<u8> = (0..=255).collect();
    assert_eq!(
        link.run(&program(8192, data.clone()), u64::MAX).expect("written"),
        Answer::Ran { done: 256, stop: None }
    );
    assert_eq!(link.run(&read(8192, 256), u64::MAX).expect("read"), Answer::Bytes(data));
    assert_eq!(link.run(&read(4096, 2), u64::MAX).expect("read"), Answer::Bytes(vec![0x5A; 2]));
}

#[test]
fn raw_commands_are_refused_and_the_clock_is_nominal() {
    let mut link = Node::new().link();
    for request in [
        Request::Transfer(Transfer::register(0x9F, 3)),
        Request::LineTest,
        Request::DigestRange { at: 0, len: 4096, mode: ReadMode::plain(3) },
        read(0, 1 << 20),
    ] {
        assert!(matches!(link.run(&request, u64::MAX), Err(LinkError::Unable { .. })), "{request:?}");
    }
    assert_eq!(link.run(&Request::SetClock { hz: 1 }, u64::MAX).expect("set"), Answer::Clock { hz: NOMINAL_HZ });
}

#[test]
fn a_refusal_of_the_kernel_names_what_and_where() {
    let node = Node::new();
    let mut link = node.link();
    node.0.borrow_mut().error = Some(Errno::EIO);
    for (request, doing) in [(read(0x100, 4), "read at 0x100"), (erase(&[0x1000]), "erase at 0x1000")] {
        let error = link.run(&request, u64::MAX).expect_err("refused");
        let LinkError::System(source) = error else { panic!("{error:?}") };
        assert_eq!(source.to_string(), format!("the kernel does not {doing}"));
        assert!(source.source().is_some(), "the system's own words stand behind it");
    }
    node.0.borrow_mut().error = Some(Errno::ENODEV);
    assert!(matches!(link.run(&read(0, 4), u64::MAX), Err(LinkError::Gone)));
    node.0.borrow_mut().error = None;
    assert!(matches!(link.run(&read(0, 4), u64::MAX), Err(LinkError::Gone)), "gone is gone");
    assert!(!link.is_present());
}

#[test]
fn s5_other_memory_is_refused() {
    let node = Node::new();
    node.0.borrow_mut().facts.kind = "nand".into();
    let error = Flash::over(node.clone(), Path::new("/dev/mtd0")).expect_err("NAND");
    assert_eq!(error.to_string(), "/dev/mtd0 is NAND flash, and firmhand writes serial NOR flash alone");
    assert!(error.is_usage());
    node.0.borrow_mut().facts.kind = "nor".into();
    node.0.borrow_mut().facts.erase_bytes = 5000;
    assert!(matches!(Flash::over(node, Path::new("/dev/mtd0")), Err(OpenError::Geometry { .. })));
}

#[test]
fn what_the_kernel_protects_is_told_before_anything_is_erased() {
    let node = Node::new();
    let mut flash = node.flash();
    assert!(flash.check_writable(&[0..SIZE as u32]).is_ok());
    node.0.borrow_mut().locked = vec![8192];
    assert!(flash.check_writable(&[0..8192, 12_288..16_384]).is_ok(), "beside the lock");
    // A write that begins in the middle of a block touches all of it.
    let error = flash.check_writable(&[10_000..10_256]).expect_err("locked");
    assert!(matches!(error, FlashError::Locked { at: 8192, len: 4096 }), "{error:?}");
    node.0.borrow_mut().knows_locks = false;
    assert!(flash.check_writable(&[0..SIZE as u32]).is_ok(), "a flash that cannot tell has no locks that are known");
    node.0.borrow_mut().facts.writable = false;
    let error = node.flash().check_writable(&[0..4096]).expect_err("read-only");
    assert!(matches!(error, FlashError::ReadOnly { .. }) && error.remedy().contains("clip"), "{error:?}");
}

#[test]
fn s1_a_flash_that_became_another_one_is_noticed() {
    let node = Node::new();
    let mut flash = node.flash();
    assert!(flash.check_unchanged().is_ok());
    node.0.borrow_mut().facts.size *= 2;
    let error = flash.check_unchanged().expect_err("another size");
    assert_eq!(
        error.to_string(),
        "the kernel shows `kernel firmware 131072` now, and showed `kernel firmware 65536` before"
    );
    node.0.borrow_mut().error = Some(Errno::ENOENT);
    assert!(matches!(flash.check_unchanged(), Err(FlashError::Gone(_))));
}
