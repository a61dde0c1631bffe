//! What the tests of the program share: a folder with a virtual bench, runs of the program in it, and what came out.
//!
//! Every test has a folder of its own, in `/tmp` and nowhere else: its path is then always of one length, so that lines
//! which hold it break at the same place on every machine.

use std::collections::BTreeMap;
use std::fs;
use std::path::PathBuf;
use std::process::{Command, Stdio};

use serde_json::Value;
use tempfile::TempDir;
use vault::{Entry, Vault};

/// Size of the chip that most tests use, `W25Q80DV`: 1 MiB.
pub const MIB: usize = 1 << 20;

/// What intake asks of a Larkspur Nine that is rescued, without what differs from one to the next: label and donor.
pub const RESCUE_ANSWERS: [&str; 10] = [
    "unlocked=yes",
    "recovery-key=yes",
    "gate-dry=yes",
    "gate-battery-sound=yes",
    "gate-revision=yes",
    "option-mobile-card=no",
    "option-finger-reader=no",
    "limit-finger-reader=yes",
    "limit-charge-limit=yes",
    "variant=donor",
];

/// A folder with a bench folder `bench` and whatever files a test puts beside it; the program runs in it.
pub struct Bench {
    folder: TempDir,
}

/// What a run of the program left.
pub struct Ran {
    /// Standard output.
    pub stdout: String,
    /// Standard error.
    pub stderr: String,
    /// Exit status; 128 and more: ended by a signal.
    pub status: i32,
    command: String,
}

impl Bench {
    /// An empty folder.
    pub fn new() -> Self {
        let folder = tempfile::Builder::new().prefix("fh-").rand_bytes(6).tempdir_in("/tmp").expect("a folder in /tmp");
        Self { folder }
    }

    /// A folder with the chip `W25Q80DV` in `chip.toml`, holding `noise(1)`, and `noise(2)` in `new.bin`.
    pub fn with_chip() -> Self {
        let bench = Self::new();
        bench.chip("");
        bench.write("chip.bin", &noise(1, MIB));
        bench.write("new.bin", &noise(2, MIB));
        bench
    }

    /// Writes `chip.toml`: a `W25Q80DV`, and what `more` adds.
    pub fn chip(&self, more: &str) {
        self.toml("chip.toml", &format!("[chip]\nmarking = \"W25Q80DV\"\ncontent = \"chip.bin\"\n{more}"));
    }

    /// Writes a bench file.
    pub fn toml(&self, name: &str, text: &str) {
        self.write(name, text.as_bytes());
    }

    /// The path of a file in the folder.
    pub fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    /// Writes a file as a whole, so that nobody reads half of it.
    pub fn write(&self, name: &str, bytes: &[u8]) {
        let part = self.path(&format!("{name}.new"));
        fs::write(&part, bytes).and_then(|()| fs::rename(&part, self.path(name))).expect("a file in our folder");
    }

    /// Reads a file.
    pub fn read(&self, name: &str) -> Vec<u8> {
        fs::read(self.path(name)).expect("a file in our folder")
    }

    /// The program, ready to run with these arguments (divided at blanks, but for those in single quotes) and nobody at the
    /// keyboard.
    pub fn command(&self, arguments: &str) -> Command {
        let mut command = Command::new(env!("CARGO_BIN_EXE_firmhand"));
        for (number, part) in arguments.split('\'').enumerate() {
            match number % 2 {
                0 => command.args(part.split(' ').filter(|argument| !argument.is_empty())),
                _ => command.arg(part),
            };
        }
        command.current_dir(self.folder.path()).env_clear().env("FIRMHAND_BENCH", self.path("bench"));
        command.stdin(Stdio::null()).stdout(Stdio::piped()).stderr(Stdio::piped());
        command
    }

    /// Runs the program.
    pub fn run(&self, arguments: &str) -> Ran {
        Ran::of(self.command(arguments).output().expect("the program starts"), arguments)
    }

    /// Runs the program, which has to succeed, with `--json`; answers its one object.
    pub fn json(&self, arguments: &str) -> Value {
        self.run(&format!("{arguments} --json")).expect(0).object()
    }

    /// The bench's vault.
    pub fn vault(&self) -> Vault {
        Vault::open(&self.path("bench")).expect("a bench")
    }

    /// The entries of all journals, each journal in order; by job.
    pub fn journals(&self) -> BTreeMap<String, Vec<Entry>> {
        let vault = self.vault();
        let read = |job: vault::JobId| (job.to_string(), vault.read_journal(&job).expect("a sound journal").entries);
        vault.journals().expect("a list of journals").into_iter().map(|info| read(info.job)).collect()
    }

    /// The entries of the one journal that there is.
    pub fn journal(&self) -> Vec<Entry> {
        let journals = self.journals();
        assert_eq!(journals.len(), 1, "one journal: {:?}", journals.keys());
        journals.into_values().next().expect("one journal")
    }

    /// The kinds of the one journal's entries, without those that every command begins with.
    pub fn happened(&self) -> Vec<String> {
        let every = ["opened", "asked", "supply", "identified"];
        self.journal().into_iter().map(|entry| entry.kind).filter(|kind| !every.contains(&kind.as_str())).collect()
    }

    /// What the first capture of the one journal holds.
    pub fn first_capture(&self) -> Vec<u8> {
        let journal = self.journal();
        let captured = journal.iter().find(|entry| entry.kind == "captured").expect("a capture");
        let id = captured.body["content"].as_str().expect("an id").parse().expect("an id");
        self.vault().read_vec(&id).expect("a sound content")
    }

    /// The folder's path.
    pub fn folder(&self) -> String {
        self.folder.path().display().to_string()
    }
}

impl Ran {
    /// What a process left.
    pub fn of(output: std::process::Output, arguments: &str) -> Self {
        use std::os::unix::process::ExitStatusExt;
        let text = |bytes| String::from_utf8(bytes).expect("the program writes UTF-8");
        let status = output.status;
        Self {
            stdout: text(output.stdout),
            stderr: text(output.stderr),
            status: status.code().unwrap_or_else(|| 128 + status.signal().unwrap_or_default()),
            command: format!("firmhand {arguments}"),
        }
    }

    /// The same, if it ended with this status; a failed test shows what was said.
    #[track_caller]
    pub fn expect(self, status: i32) -> Self {
        assert_eq!(self.status, status, "{}", self.transcript());
        self
    }

    /// The one JSON object on standard output.
    #[track_caller]
    pub fn object(&self) -> Value {
        assert_eq!(self.stdout.lines().count(), 1, "{}", self.transcript());
        serde_json::from_str(&self.stdout).unwrap_or_else(|error| panic!("{error}: {}", self.transcript()))
    }

    /// The events on standard error.
    #[track_caller]
    pub fn events(&self) -> Vec<Value> {
        let event = |line| serde_json::from_str(line).unwrap_or_else(|error| panic!("{error}: {line}"));
        self.stderr.lines().map(event).collect()
    }

    /// Standard error with its line breaks taken out.
    pub fn said(&self) -> String {
        self.stderr.split_whitespace().collect::<Vec<_>>().join(" ")
    }

    /// Command, status and both streams, each apart.
    pub fn transcript(&self) -> String {
        let mut text = format!("$ {}\n", self.command);
        for (name, stream) in [("stdout", &self.stdout), ("stderr", &self.stderr)] {
            if !stream.is_empty() {
                text += &format!("[{name}]\n{stream}");
            }
        }
        text + &format!("[status {}]\n", self.status)
    }
}

/// Bytes without any order, the same for the same seed.
pub fn noise(seed: u64, len: usize) -> Vec<u8> {
    let mut bytes = vec![0; len];
    fastrand::Rng::with_seed(seed).fill(&mut bytes);
    bytes
}

/// Compares transcripts with the snapshot `name`, after what changes from run to run was taken out; lines for people
/// have to keep within 80 columns, unless one word alone is longer.
#[track_caller]
pub fn snapshot(name: &str, bench: &Bench, runs: &[Ran]) {
    for ran in runs {
        for line in ran.stdout.lines().chain(ran.stderr.lines()) {
            let longest = line.split(' ').map(|word| word.chars().count()).max().unwrap_or_default();
            assert!(line.chars().count() <= 80 || longest > 66, "longer than 80 columns: {line}\n{}", ran.transcript());
        }
    }
    let text: Vec<String> = runs.iter().map(Ran::transcript).collect();
    let mut settings = insta::Settings::clone_current();
    settings.set_prepend_module_to_snapshot(false);
    settings.set_omit_expression(true);
    settings.set_snapshot_path("../program/snapshots");
    settings.add_filter(&bench.folder(), "[DIR]");
    settings.add_filter(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\dZ", "[TIME]");
    settings.add_filter(r"loose-\d{8}-\d{6}(-\d+)?", "[JOB]");
    settings.add_filter(r"(larkspur-nine|teal-router-board)-\d{8}-", "$1-[DAY]-");
    settings.add_filter(r"process \d+", "process [PID]");
    // What the computer that runs the tests has of links.
    let points = r"(?m)^(good|gap ) +(SPI buses|flash that the kernel drives|udev rules)[^\n]*\n(      [^\n]*\n)*";
    settings.add_filter(points, "[LINKS]\n");
    settings.add_filter(r"there is no /dev/spidev[^\n]*\nnext:[^\n]*\n(       [^\n]*\n)*", "[NO LINK]\n");
    settings.bind(|| insta::assert_snapshot!(name, text.join("\n")));
}
