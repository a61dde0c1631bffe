//! S2 by kill -9: the process is killed at a random moment of a capture or an apply, and the same command again finishes.
//!
//! The moments are spread over the length of a whole run, measured first on this computer; `FIRMHAND_SEED` repeats one.
//! The link does nothing by itself, so that a run consists of many small steps.

use std::thread::sleep;
use std::time::{Duration, Instant};

use crate::common::{Bench, MIB, Ran, noise};

const KILLS: u64 = 50;
const SIZE: usize = 4 * MIB;

fn bench() -> Bench {
    let bench = Bench::new();
    bench.toml("chip.toml", "[chip]\nmarking = \"W25Q32JV\"\ncontent = \"chip.bin\"\n");
    bench.write("chip.bin", &noise(1, SIZE));
    bench.write("new.bin", &noise(2, SIZE));
    bench
}

/// Runs `command` to its end on a fresh bench and answers how long that took.
fn whole_run(command: &str) -> Duration {
    let (bench, began) = (bench(), Instant::now());
    bench.run(command).expect(0);
    began.elapsed()
}

/// Kills `command` at random moments, each on a fresh bench, runs it again, and hands the bench to `check`; until
/// [`KILLS`] runs were killed before their end.
fn kill(test: &str, command: &str, check: impl Fn(&Bench, &str)) {
    let mut whole = whole_run(command);
    let one = std::env::var("FIRMHAND_SEED").ok().map(|seed| seed.parse::<u64>().expect("FIRMHAND_SEED is a number"));
    let (mut seed, mut killed) = (one.unwrap_or_default(), 0);
    while killed < KILLS {
        let after = whole.mul_f64(fastrand::Rng::with_seed(seed).f64());
        let again = format!("again: FIRMHAND_SEED={seed} cargo test -p firmhand {test} (after {after:?} of {whole:?})");
        let bench = bench();
        let mut child = bench.command(command).spawn().expect("the program starts");
        sleep(after);
        child.kill().expect("it is our own child");
        let status = Ran::of(child.wait_with_output().expect("it ended"), command).status;
        let ran = bench.run(command);
        assert_eq!(ran.status, 0, "{again}\n{}", ran.transcript());
        assert_eq!(bench.first_capture(), noise(1, SIZE), "{again}");
        check(&bench, &again);
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
        assert!(seed < 10 * KILLS, "only {killed} of {seed} runs were killed before their end");
    }
}

#[test]
fn s2_a_killed_capture_runs_again() {
    kill("s2_a_killed_capture", "chip capture --link chip.toml", |bench, again| {
        assert_eq!(bench.read("chip.bin"), noise(1, SIZE), "{again}");
    });
}

#[test]
fn s2_a_killed_apply_runs_again() {
    kill("s2_a_killed_apply", "chip apply new.bin --link chip.toml", |bench, again| {
        assert_eq!(bench.read("chip.bin"), noise(2, SIZE), "{again}");
        let happened = bench.happened();
        assert_eq!(happened.last().map(String::as_str), Some("applied"), "{again}: {happened:?}");
    });
}
