//! What is in the journal when a command that had nothing to write finds that it has to write after all.

use std::cell::{Cell, RefCell};
use std::fs;
use std::path::PathBuf;
use std::rc::Rc;

use job::{ChipOptions, Front, Ground, News, Place, Question, Reply, Session, Target};
use nor::link::{Answer, Limits, Link, LinkError, Request};

/// Hears when the command knows what the chip holds; only the comparison comes after that.
struct Listener {
    known: Rc<Cell<bool>>,
}

impl Front for Listener {
    fn ask(&mut self, _: &Question) -> Option<Reply> {
        None
    }

    fn is_attended(&self) -> bool {
        false
    }

    fn news(&mut self, news: &News) {
        if matches!(news, News::Said(text) if text.contains("holds what this job knows")) {
            self.known.set(true);
        }
    }

    fn wants_stop(&self) -> bool {
        false
    }
}

/// A link that reads one bit wrong twice in the comparison, and looks into the journals when something is erased.
struct ReadsWrong {
    link: Box<dyn Link>,
    known: Rc<Cell<bool>>,
    left: u32,
    journals: PathBuf,
    planned: Rc<RefCell<Vec<bool>>>,
}

impl Link for ReadsWrong {
    fn limits(&self) -> &Limits {
        self.link.limits()
    }

    fn run(&mut self, request: &Request, deadline_us: u64) -> Result<Answer, LinkError> {
        let Request::Transfer(transfer) = request else { return self.link.run(request, deadline_us) };
        if [0x20, 0xD8].contains(&transfer.write[0]) {
            let entry = fs::read_dir(&self.journals).expect("the journals").next().expect("one of them");
            let text = fs::read_to_string(entry.expect("one of them").path()).expect("a text");
            self.planned.borrow_mut().push(text.contains("\"kind\":\"planned\""));
        }
        let mut answer = self.link.run(request, deadline_us);
        let reads_first_byte = [0x03, 0x0B].contains(&transfer.write[0]) && transfer.write[1..4] == [0, 0, 0];
        if let (Ok(Answer::Bytes(bytes)), true, true, 1..) =
            (&mut answer, self.known.get(), reads_first_byte, self.left)
        {
            bytes[0] ^= 1;
            self.left -= 1;
        }
        answer
    }

    fn now_us(&mut self) -> u64 {
        self.link.now_us()
    }

    fn wait_us(&mut self, us: u64) {
        self.link.wait_us(us);
    }

    fn is_present(&mut self) -> bool {
        self.link.is_present()
    }
}

/// The fault campaign found this: a chip that held the wanted content already was read wrong in the comparison, and what
/// was then written had no plan in the journal.
#[test]
fn s2_what_is_written_after_a_comparison_has_a_durable_plan() {
    let folder = tempfile::tempdir().expect("a folder");
    let mut random = fastrand::Rng::with_seed(7);
    let content: Vec<u8> = (0..512 * 1024).map(|_| random.u8(..)).collect();
    fs::write(folder.path().join("chip.bin"), &content).expect("our own file");
    let link = folder.path().join("chip.toml");
    fs::write(&link, "[chip]\nmarking = \"MX25L4005A\"\ncontent = \"chip.bin\"\n").expect("our own file");
    let bench = folder.path().join("bench");
    let (known, planned) = (Rc::new(Cell::new(false)), Rc::new(RefCell::new(Vec::new())));
    let target = Target { name: "the same".into(), bytes: content.clone(), place: Place::Whole };
    let mut last = None;
    // The first command captures; the second one knows the chip.
    for _ in 0..2 {
        let (known_there, planned_there, journals) = (Rc::clone(&known), Rc::clone(&planned), bench.join("journals"));
        let over_link = move |link| -> Box<dyn Link> {
            Box::new(ReadsWrong { link, known: known_there, left: 2, journals, planned: planned_there })
        };
        let ground = Ground { over_link: Box::new(over_link), ..Ground::of_bench(&bench).expect("a bench") };
        let options = ChipOptions { link: link.display().to_string(), ..ChipOptions::default() };
        let mut listener = Listener { known: Rc::clone(&known) };
        let mut session = Session::open_on(ground, options, "test", &mut listener).expect("a chip");
        last = Some(session.apply(&target).expect("nothing is in the way for good"));
    }
    assert_eq!(last.expect("two commands").repairs, 1, "the comparison was read wrong");
    assert_eq!(*planned.borrow(), [true], "one erase, with a plan before it");
    assert_eq!(fs::read(folder.path().join("chip.bin")).expect("the cells"), content);
}
