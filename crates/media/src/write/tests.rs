use std::cell::{Cell, RefCell};

use super::*;

/// A drive in memory that can be full early, pulled, smaller than it says, or lie.
struct Stick {
    cells: RefCell<Vec<u8>>,
    full_from: u64,
    pulled_after: Cell<u32>,
    lies_at: usize,
    /// What is there; addresses behind it are cut off.
    real: usize,
}

impl Stick {
    fn of(size: usize) -> Self {
        let cells = RefCell::new(vec![0xA5; size]);
        Self { cells, full_from: u64::MAX, pulled_after: Cell::new(u32::MAX), lies_at: usize::MAX, real: size }
    }

    fn touch(&self, at: u64, len: usize) -> io::Result<()> {
        assert!(at.is_multiple_of(ALIGN as u64), "{at:#x} is not aligned");
        assert!(len.is_multiple_of(ALIGN) || at + len as u64 == self.size(), "{len:#x} is not aligned");
        let left = self.pulled_after.get().checked_sub(1).ok_or_else(|| io::Error::other("No such device"))?;
        self.pulled_after.set(left);
        Ok(())
    }
}

impl Disk for Stick {
    fn size(&self) -> u64 {
        self.cells.borrow().len() as u64
    }

    fn read_at(&self, at: u64, buffer: &mut [u8]) -> io::Result<()> {
        self.touch(at, buffer.len())?;
        for (place, byte) in (at as usize..).zip(buffer) {
            *byte = self.cells.borrow()[place % self.real] ^ u8::from(place == self.lies_at);
        }
        Ok(())
    }

    fn write_at(&self, at: u64, bytes: &[u8]) -> io::Result<()> {
        self.touch(at, bytes.len())?;
        if at + bytes.len() as u64 > self.full_from {
            return Err(io::Error::from(io::ErrorKind::StorageFull));
        }
        for (place, byte) in (at as usize..).zip(bytes) {
            self.cells.borrow_mut()[place % self.real] = *byte;
        }
        Ok(())
    }

    fn flush(&self) -> io::Result<()> {
        Ok(())
    }

    fn is_there(&self) -> bool {
        self.pulled_after.get() > 0
    }
}

const MIB: usize = 1 << 20;

fn image(len: usize) -> Vec<u8> {
    (0..len).map(|at| (at * 31 + at / 251) as u8).collect()
}

fn put(image: &Vec<u8>, stick: &Stick) -> Result<Written, WriteError> {
    write(image, stick, stick.size(), &mut |_, _| true)
}

#[test]
fn what_is_written_is_read_back_and_the_end_is_wiped() {
    for len in [1, 512, 4096, 5000, 4 * MIB, 9 * MIB + 777] {
        let (image, stick) = (image(len), Stick::of(10 * MIB));
        let written = put(&image, &stick).expect("a sound stick");
        let cells = stick.cells.borrow();
        assert!(cells[..len] == image, "{len}");
        assert!(cells[len..10 * MIB - STALE as usize].iter().all(|byte| *byte == 0xA5), "beside the image: {len}");
        assert!(cells[10 * MIB - STALE as usize..].iter().all(|byte| *byte == 0), "{len}");
        assert_eq!((written.size, written.wiped), (len as u64, STALE));
        assert_eq!(written.sha256, <[u8; 32]>::from(Sha256::digest(&image)));
    }
}

/// A drive's size need be no multiple of what transfers are aligned to, and an image may reach to its end.
#[test]
fn an_image_as_large_as_the_drive_is_not_wiped() {
    for size in [8 * MIB, 5 * MIB + 512] {
        let (image, stick) = (image(size), Stick::of(size));
        assert_eq!(put(&image, &stick).expect("a sound stick").wiped, 0);
        assert!(*stick.cells.borrow() == image);
        let short = image[..size - 700].to_vec();
        let stick = Stick::of(size);
        put(&short, &stick).expect("a sound stick");
        assert!(stick.cells.borrow()[..size - 700] == short[..]);
    }
}

#[test]
fn s11_another_size_than_the_named_one_is_never_written() {
    let (image, stick) = (image(MIB), Stick::of(2 * MIB));
    let refused = write(&image, &stick, 2 * MIB as u64 + 512, &mut |_, _| true);
    assert!(matches!(refused, Err(WriteError::OtherSize { .. })));
    let small = Stick::of(MIB / 2);
    assert!(matches!(put(&image, &small), Err(WriteError::TooSmall { .. })));
    assert!(stick.cells.borrow().iter().chain(small.cells.borrow().iter()).all(|byte| *byte == 0xA5));
}

/// Whatever ends a write early, what is on the stick then begins with zeros.
#[test]
fn a_pulled_a_full_and_a_lying_stick_are_told_and_start_nothing() {
    let image = image(9 * MIB);
    // Every transfer of a write: both ends wiped, three pieces written and read back, both ends read, the head written and read.
    for after in 0..12 {
        let stick = Stick::of(10 * MIB);
        stick.pulled_after.set(after);
        let Err(WriteError::Pulled { at, .. }) = put(&image, &stick) else { panic!("after {after}") };
        assert!(at <= 10 * MIB as u64);
        if (1..11).contains(&after) {
            assert!(stick.cells.borrow()[..HEAD].iter().all(|byte| *byte == 0), "after {after}");
        }
    }
    let whole = Stick::of(10 * MIB);
    whole.pulled_after.set(12);
    put(&image, &whole).expect("twelve transfers are all");

    let full = Stick { full_from: 8 * MIB as u64, ..Stick::of(10 * MIB) };
    let Err(WriteError::Transfer { doing: "wiping", at, .. }) = put(&image, &full) else { panic!("full at its end") };
    assert_eq!(at, 10 * MIB as u64 - STALE);
    let full = Stick { full_from: 8 * MIB as u64, ..Stick::of(9 * MIB) };
    let Err(WriteError::Transfer { doing: "writing", at, .. }) = put(&image, &full) else { panic!("full") };
    assert_eq!(at, 8 * MIB as u64);
    let lying = Stick { lies_at: 6 * MIB + 3, ..Stick::of(10 * MIB) };
    let Err(WriteError::Differs { at }) = put(&image, &lying) else { panic!("a lie") };
    assert_eq!(at, 6 * MIB as u64 + 3);
    for stick in [full, lying] {
        assert!(stick.cells.borrow()[..HEAD].iter().all(|byte| *byte == 0));
    }
}

/// A stick with less in it than it says: what is written behind its end lands at its beginning. Also where it is only a sector too
/// small, and where the last bytes of the image alone do not fit.
#[test]
fn a_stick_that_is_smaller_than_it_says_is_told() {
    for (len, real) in [(9 * MIB, 4 * MIB), (9 * MIB, 9 * MIB - 512), (8 * MIB + 4096, 8 * MIB), (64 << 10, 32 << 10)] {
        let image = image(len);
        let stick = Stick { real, ..Stick::of(16 * MIB) };
        assert!(matches!(put(&image, &stick), Err(WriteError::Differs { .. })), "{len} on {real}");
    }
}

#[test]
fn it_stops_when_asked() {
    let (image, stick) = (image(9 * MIB), Stick::of(10 * MIB));
    for phase in [Phase::Writing, Phase::Comparing] {
        let stopped = write(&image, &stick, stick.size(), &mut |now, _| now != phase);
        assert!(matches!(stopped, Err(WriteError::Stopped)), "{phase:?}");
        assert!(stick.cells.borrow()[..HEAD].iter().all(|byte| *byte == 0));
    }
    put(&image, &stick).expect("the same again");
}

/// An image that cannot be read to its end is no fault of the stick.
#[test]
fn an_image_that_ends_early_is_told() {
    struct Short(Vec<u8>, u64);
    impl Source for Short {
        fn len(&self) -> u64 {
            self.1
        }

        fn read_at(&self, at: u64, buffer: &mut [u8]) -> Result<(), SourceError> {
            self.0.read_at(at, buffer)
        }
    }
    let stick = Stick::of(10 * MIB);
    let short = Short(image(5 * MIB), 9 * MIB as u64);
    let refused = write(&short, &stick, stick.size(), &mut |_, _| true);
    assert!(matches!(refused, Err(WriteError::Image(SourceError::Short { .. }))), "{refused:?}");
}
