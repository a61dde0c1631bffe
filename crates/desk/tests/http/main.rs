//! The desk over a socket: who is let in (S12), what is refused, what is shown, and that both faces may be used at once.

#[path = "../common/visitor.rs"]
mod visitor;

mod guard;
mod hostile;
mod jobs;
mod sticks;
mod wires;

use std::path::{Path, PathBuf};
use std::sync::atomic::AtomicBool;

use desk::Settings;
use job::Nobody;

use visitor::Visitor;

/// Nobody ends these desks: they go with the test.
static NEVER: AtomicBool = AtomicBool::new(false);

/// A bench in a folder of its own, with the demo's machines, and a desk on it.
struct Bench {
    folder: tempfile::TempDir,
    address: String,
    job: String,
}

impl Bench {
    fn open() -> Self {
        let folder = tempfile::tempdir().expect("a folder");
        let bench = folder.path().join("bench");
        let set = job::demo::set_for_desk(&bench, &mut Nobody).expect("the table is set");
        let settings = Settings { bench, port: 0, links: set.links, files: vec![set.files], sticks: set.sticks };
        let desk = desk::open(settings).expect("a free port");
        let address = desk.address();
        std::thread::spawn(move || desk.run(&NEVER));
        Self { folder, address, job: set.job }
    }

    fn visitor(&self) -> Visitor {
        Visitor::enter(&self.address)
    }

    fn path(&self) -> PathBuf {
        self.folder.path().join("bench")
    }

    fn page(&self) -> String {
        format!("/job/{}", self.job)
    }
}

/// Every file of a folder with its length and time of change: what no request may alter.
fn files(folder: &Path) -> Vec<(PathBuf, u64)> {
    let mut found = Vec::new();
    for entry in std::fs::read_dir(folder).expect("a folder").filter_map(Result::ok) {
        let path = entry.path();
        if path.is_dir() {
            found.extend(files(&path));
        } else {
            found.push((path, entry.metadata().map_or(0, |meta| meta.len())));
        }
    }
    found.sort();
    found
}
