//! S2 by kill -9: the process is killed at a random moment of a command, and the same command again finishes.
//!
//! The moments are spread over the length of a whole run, measured first on this computer. The link does nothing by itself, so
//! that a run consists of many small steps. Seven commands are killed, [`KILLS`] times each before their end: 301 kills in all;
//! `FIRMHAND_KILLS` sets another number, and `FIRMHAND_SEED` repeats one moment.

use std::path::Path;
use std::thread::sleep;
use std::time::Instant;

use crate::common::{Bench, MIB, Ran, noise};

const KILLS: u64 = 43;
const SIZE: usize = 2 * MIB;
const LINK: &str = "--link chip.toml";

/// What is killed: a command on a bench that `prepare` made ready, and what has to hold after it ran once more.
struct Story {
    test: &'static str,
    command: &'static str,
    prepare: fn(&Bench),
    check: fn(&Bench, &str),
}

/// A bench with a chip and everything else that a command needs.
fn bench(story: &Story) -> Bench {
    let bench = Bench::new();
    bench.toml("chip.toml", "[chip]\nmarking = \"W25Q16CL\"\ncontent = \"chip.bin\"\n");
    bench.write("chip.bin", &noise(1, SIZE));
    bench.write("new.bin", &noise(2, SIZE));
    (story.prepare)(&bench);
    bench
}

/// Brings a bench back to how it was saved. It is the same folder again: a loose job belongs to a link by its path.
fn bring_back(bench: &Bench, saved: &Bench) {
    for entry in std::fs::read_dir(bench.path("")).expect("our own folder") {
        let path = entry.expect("an entry").path();
        let gone = if path.is_dir() { std::fs::remove_dir_all(&path) } else { std::fs::remove_file(&path) };
        gone.expect("our own files");
    }
    copy(&saved.path(""), &bench.path(""));
}

fn copy(from: &Path, to: &Path) {
    for entry in std::fs::read_dir(from).expect("our own folder") {
        let (entry, name) = entry.map(|entry| (entry.path(), entry.file_name())).expect("an entry");
        let to = to.join(name);
        if entry.is_dir() {
            std::fs::create_dir(&to).expect("our own folder");
            copy(&entry, &to);
        } else {
            std::fs::copy(&entry, &to).expect("our own file");
        }
    }
}

/// Kills a story's command at random moments, each on a fresh bench, runs it again, and checks, until as many as wanted were
/// killed before their end.
fn kill(story: &Story) {
    let number = |name: &str| std::env::var(name).ok().map(|text| text.parse::<u64>().expect("a number"));
    let (one, kills) = (number("FIRMHAND_SEED"), number("FIRMHAND_KILLS").unwrap_or(KILLS));
    let (bench, saved) = (bench(story), Bench::new());
    copy(&bench.path(""), &saved.path(""));
    let began = Instant::now();
    bench.run(story.command).expect(0);
    let mut whole = began.elapsed();
    let (mut seed, mut killed) = (one.unwrap_or_default(), 0);
    while killed < kills {
        let after = whole.mul_f64(fastrand::Rng::with_seed(seed).f64());
        let test = story.test;
        let again = format!("again: FIRMHAND_SEED={seed} cargo test -p firmhand {test} (after {after:?} of {whole:?})");
        bring_back(&bench, &saved);
        let mut child = bench.command(story.command).spawn().expect("the program starts");
        sleep(after);
        child.kill().expect("it is our own child");
        let status = Ran::of(child.wait_with_output().expect("it ended"), story.command).status;
        let ran = bench.run(story.command);
        assert_eq!(ran.status, 0, "{again}\n{}", ran.transcript());
        (story.check)(&bench, &again);
        // Whatever command it was: the first content of the chip is in the vault, and the vault is sound.
        assert!(bench.first_capture() == noise(1, SIZE), "{again}");
        bench.run("vault scrub").expect(0);
        if one.is_some() {
            return;
        }
        if status == 128 + 9 {
            killed += 1;
        } else {
            // It came to its end first: this computer has less to do now than when the whole run was measured.
            whole = whole.mul_f64(0.9);
        }
        seed += 1;
        assert!(seed < 10 * kills + 10, "only {killed} of {seed} runs were killed before their end");
    }
}

fn nothing(_: &Bench) {}

fn captured(bench: &Bench) {
    bench.run(&format!("chip capture {LINK}")).expect(0);
}

fn applied(bench: &Bench) {
    bench.run(&format!("chip apply new.bin {LINK}")).expect(0);
}

fn last_is_applied(bench: &Bench, again: &str) {
    let happened = bench.happened();
    assert_eq!(happened.last().map(String::as_str), Some("applied"), "{again}: {happened:?}");
}

#[test]
fn s2_a_killed_capture_runs_again() {
    kill(&Story {
        test: "s2_a_killed_capture",
        command: "chip capture --link chip.toml",
        prepare: nothing,
        check: |bench, again| assert!(bench.read("chip.bin") == noise(1, SIZE), "{again}"),
    });
}

#[test]
fn s2_a_killed_apply_runs_again() {
    kill(&Story {
        test: "s2_a_killed_apply",
        command: "chip apply new.bin --link chip.toml",
        prepare: nothing,
        check: |bench, again| {
            assert!(bench.read("chip.bin") == noise(2, SIZE), "{again}");
            last_is_applied(bench, again);
        },
    });
}

#[test]
fn s2_a_killed_fill_runs_again() {
    kill(&Story {
        test: "s2_a_killed_fill",
        command: "chip fill 00 --link chip.toml",
        prepare: nothing,
        check: |bench, again| {
            assert!(bench.read("chip.bin").iter().all(|byte| *byte == 0), "{again}");
            last_is_applied(bench, again);
        },
    });
}

#[test]
fn s2_a_killed_restore_runs_again() {
    kill(&Story {
        test: "s2_a_killed_restore",
        command: "chip restore --link chip.toml",
        prepare: applied,
        check: |bench, again| {
            assert!(bench.read("chip.bin") == noise(1, SIZE), "{again}");
            last_is_applied(bench, again);
        },
    });
}

#[test]
fn s2_a_killed_composing_runs_again() {
    kill(&Story {
        test: "s2_a_killed_composing",
        command: "image compose recipe.toml --with new.bin --out out.bin",
        prepare: |bench| {
            captured(bench);
            let base = image::pin::Pin::sha256(&noise(2, SIZE));
            bench.toml("recipe.toml", &format!("[base]\nimage = \"{base}\"\n[[fill]]\nat = 0\nlen = 4096\nbyte = 0\n"));
        },
        check: |bench, again| {
            let mut wanted = noise(2, SIZE);
            wanted[..4096].fill(0);
            assert!(bench.read("out.bin") == wanted, "{again}");
            let id = bench.vault().find("composed image").expect("it is in the vault");
            assert!(bench.vault().read_vec(&id).expect("sound") == wanted, "{again}");
        },
    });
}

#[test]
fn s2_a_killed_scrub_changes_nothing() {
    kill(&Story {
        test: "s2_a_killed_scrub",
        command: "vault scrub",
        prepare: applied,
        check: |bench, again| assert!(bench.read("chip.bin") == noise(2, SIZE), "{again}"),
    });
}

#[test]
fn s2_a_killed_export_leaves_all_of_the_file_or_none_of_it() {
    kill(&Story {
        test: "s2_a_killed_export",
        command: "vault export new.bin out.bin --replace",
        prepare: applied,
        check: |bench, again| assert!(bench.read("out.bin") == noise(2, SIZE), "{again}"),
    });
}

/// A bench folder that is copied while a command works in it: the copy is a bench, and what it holds is whole.
#[test]
fn s2_a_bench_copied_while_in_use_is_a_bench() {
    let story = Story { test: "", command: "chip apply new.bin --link chip.toml", prepare: captured, check: |_, _| {} };
    let bench = bench(&story);
    let mut child = bench.command(story.command).spawn().expect("the program starts");
    let mut copies = Vec::new();
    while child.try_wait().expect("our own child").is_none() {
        let copy = Bench::new();
        // Files may go while they are copied; a person's tool would say so and go on.
        let from = bench.path("bench");
        let copied = std::process::Command::new("cp").arg("-r").arg(&from).arg(copy.path("bench")).output();
        copied.expect("cp is there");
        copies.push(copy);
    }
    assert!(!copies.is_empty(), "the command ended before a copy could be made");
    for copy in copies {
        copy.run("vault list").expect(0);
        assert!(copy.first_capture() == noise(1, SIZE), "the capture is in the copy");
        let scrubbed = copy.run("vault scrub");
        assert!([0, 5].contains(&scrubbed.status), "{}", scrubbed.transcript());
        let id = copy.json("vault list")["contents"]
            .as_array()
            .expect("contents")
            .iter()
            .find(|item| item["kind"] == "capture")
            .expect("the capture")["id"]
            .as_str()
            .expect("an id")
            .to_owned();
        copy.run(&format!("vault export {id} out.bin")).expect(0);
        assert!(copy.read("out.bin") == noise(1, SIZE));
    }
}
