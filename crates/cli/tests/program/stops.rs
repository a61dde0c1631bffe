//! Runs that are stopped from outside: Ctrl-C, and a link that is pulled out (S13) or used by somebody else.
//!
//! These run in real speed and act when the program's own events say that it is in the middle of something; no test
//! measures time.

use std::io::{BufRead, BufReader, Read};
use std::process::{Child, Command};

use crate::common::{Bench, MIB, Ran, noise};

const REAL: &str = "[time]\nspeed = \"real\"\n";

/// A capture that is running.
struct Running {
    child: Child,
    events: BufReader<std::process::ChildStderr>,
}

impl Running {
    /// Starts a capture with `--json` and waits until it reads the chip.
    fn start(bench: &Bench) -> Self {
        let mut running = Self::spawn(bench);
        running.wait_for("\"phase\":\"reading\"");
        running
    }

    /// Starts a capture with `--json`.
    fn spawn(bench: &Bench) -> Self {
        let mut child = bench.command("chip capture --link chip.toml --json").spawn().expect("the program starts");
        let events = BufReader::new(child.stderr.take().expect("a pipe"));
        Self { child, events }
    }

    /// Reads events until one holds this text.
    fn wait_for(&mut self, text: &str) {
        let mut line = String::new();
        while !line.contains(text) {
            line.clear();
            assert_ne!(self.events.read_line(&mut line).expect("a pipe"), 0, "it ended before it said {text}");
        }
    }

    /// Ctrl-C.
    fn interrupt(&self) {
        let pid = self.child.id().to_string();
        let status = Command::new("sh").args(["-c", "kill -INT \"$1\"", "sh", &pid]).status().expect("a shell");
        assert!(status.success());
    }

    fn end(mut self) -> Ran {
        let mut rest = String::new();
        self.events.read_to_string(&mut rest).expect("a pipe");
        let mut ran = Ran::of(self.child.wait_with_output().expect("it ends"), "chip capture --link chip.toml --json");
        ran.stderr = rest;
        ran
    }
}

fn slow_bench(link: &str) -> Bench {
    let bench = Bench::with_chip();
    bench.chip(&format!("{link}{REAL}"));
    bench
}

#[test]
fn ctrl_c_ends_the_operation_and_is_journaled() {
    let bench = slow_bench("[link]\nclock_hz = 2000000\n");
    let mut running = Running::start(&bench);
    running.interrupt();
    running.wait_for("ending the running operation");
    let ran = running.end().expect(4);
    assert_eq!(ran.object()["error"]["exit"], 4);
    ran.events();
    assert_eq!(bench.happened(), ["ended"]);
    assert_eq!(bench.journal().last().expect("an entry").body["exit"], 4);
    bench.chip("");
    bench.run("chip capture --link chip.toml").expect(0);
}

#[test]
fn a_second_ctrl_c_ends_the_program_at_once() {
    // Each request takes ten seconds, and the first Ctrl-C waits for the end of the one that runs.
    let bench = slow_bench("[link]\nround_trip_us = 10000000\n");
    let mut running = Running::spawn(&bench);
    while !journal_text(&bench).contains("\"kind\":\"supply\"") {
        std::thread::sleep(std::time::Duration::from_millis(1));
    }
    // Between this entry and the first request lies the entry's second copy; the request itself says nothing.
    std::thread::sleep(std::time::Duration::from_secs(1));
    running.interrupt();
    running.wait_for("ending the running operation");
    running.interrupt();
    let ran = running.end().expect(4);
    assert_eq!(ran.stdout, "");
    assert_eq!(bench.happened(), Vec::<String>::new(), "it did not come to write anything down");
}

/// What the journals hold so far; empty before there is one.
fn journal_text(bench: &Bench) -> String {
    let files = std::fs::read_dir(bench.path("bench/journals")).into_iter().flatten().flatten();
    files.filter_map(|file| std::fs::read_to_string(file.path()).ok()).collect()
}

#[test]
fn s13_a_link_that_vanishes_ends_the_capture_and_the_same_command_goes_on() {
    let link = "[link]\nclock_hz = 2000000\n";
    let bench = slow_bench(link);
    let running = Running::start(&bench);
    bench.chip(&format!("{link}present = false\n{REAL}"));
    let ran = running.end().expect(4);
    assert_eq!(ran.object()["error"]["exit"], 4);
    assert_eq!(bench.happened(), ["ended"]);
    bench.run("chip capture --link chip.toml").expect(3);
    bench.chip(link);
    bench.run("chip capture --link chip.toml").expect(0);
    assert_eq!(bench.first_capture(), noise(1, MIB));
}

#[test]
fn a_link_in_use_is_refused_and_names_its_user() {
    let bench = slow_bench("[link]\nclock_hz = 2000000\n");
    let running = Running::start(&bench);
    let ran = bench.run("chip identify --link chip.toml").expect(3);
    let said = ran.said();
    assert!(said.contains("is in use by `firmhand chip capture` (process "), "{said}");
    // Another bench folder, the same link.
    let ran = bench.run("chip identify --link chip.toml --bench other").expect(3);
    assert!(ran.stderr.contains("in use by another program"), "{}", ran.transcript());
    running.interrupt();
    running.end().expect(4);
}

#[test]
fn a_job_in_use_is_refused_and_names_its_user() {
    let bench = Bench::with_chip();
    bench.run("chip capture --link chip.toml").expect(0);
    let job = bench.journals().into_keys().next().expect("a job");
    let vault = bench.vault();
    let open =
        vault::Journal::open(&vault, &vault::JobId::new(&job).expect("an id"), "another bench", "2026-03-01T09:30:00Z");
    let ran = bench.run(&format!("chip apply new.bin --link chip.toml --job {job}")).expect(3);
    let said = ran.said();
    assert!(said.contains(&format!("job {job} is in use by `another bench` (process ")), "{said}");
    drop(open.expect("nobody else had it"));
    bench.run(&format!("chip apply new.bin --link chip.toml --job {job}")).expect(0);
}

/// Two programs work on two chips of one bench at once; neither waits for the other.
#[test]
fn two_programs_at_once_share_a_bench() {
    let bench = Bench::with_chip();
    bench.toml("other.toml", "[chip]\nmarking = \"W25Q80DV\"\ncontent = \"other.bin\"\n");
    bench.write("other.bin", &noise(3, MIB));
    let run = |link: &str| bench.command(&format!("chip apply new.bin --link {link}")).spawn().expect("it starts");
    let both = [run("chip.toml"), run("other.toml")];
    for child in both {
        Ran::of(child.wait_with_output().expect("it ends"), "chip apply").expect(0);
    }
    for (chip, found) in [("chip.bin", 1), ("other.bin", 3)] {
        assert!(bench.read(chip) == noise(2, MIB), "{chip}");
        let kept = bench.vault().read_vec(&vault::Digest::blake3(&noise(found, MIB))).expect("its capture");
        assert!(kept == noise(found, MIB), "{chip}");
    }
    bench.run("vault scrub").expect(0);
}
