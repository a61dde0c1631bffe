//! S2, S9, S13 by faults and full disks: whatever cuts a write off, the same command again reaches the wanted content, and
//! the content before the first erase is never lost.

use std::process::Command;

use crate::common::{Bench, MIB, noise};

const SEEDS: u64 = 20;

/// Bench clock at which a first apply of the chip that `Bench::with_chip` has begins to erase, and at which it is done;
/// from a run without faults, so that no figure of the program is repeated here.
fn window(bench: &Bench) -> (u64, u64) {
    let clock = || {
        let state: serde_json::Value = serde_json::from_slice(&bench.read("chip.bin.state")).expect("a state file");
        state["clock_us"].as_u64().expect("a clock")
    };
    bench.run("chip capture --link chip.toml").expect(0);
    let captured = clock();
    std::fs::remove_file(bench.path("chip.bin.state")).expect("our own file");
    std::fs::remove_dir_all(bench.path("bench")).expect("our own folder");
    bench.run("chip apply new.bin --link chip.toml").expect(0);
    (captured, clock())
}

#[test]
fn s2_a_cut_anywhere_in_an_apply_converges_and_loses_nothing() {
    let (captured, done) = window(&Bench::with_chip());
    for seed in 0..SEEDS {
        let mut random = fastrand::Rng::with_seed(seed);
        let at_us = random.u64(captured + 1000..done);
        let kind = if random.bool() { "power-cut" } else { "unplug" };
        let again = format!("again: seed {seed} of cargo test -p firmhand s2_a_cut_anywhere ({kind} at {at_us} us)");
        let bench = Bench::with_chip();
        bench.chip(&format!("[[fault]]\nkind = \"{kind}\"\nat_us = {at_us}\n"));
        let cut = bench.run("chip apply new.bin --link chip.toml");
        assert_eq!(cut.status, 4, "{again}\n{}", cut.transcript());
        let half = bench.read("chip.bin");
        let report = bench.run("chip apply new.bin --link chip.toml --json");
        assert_eq!(report.status, 0, "{again}\n{}", report.transcript());
        assert_eq!(bench.read("chip.bin"), noise(2, MIB), "{again}");
        assert_eq!(bench.first_capture(), noise(1, MIB), "{again}");
        let happened = bench.happened();
        assert_eq!(happened.iter().filter(|kind| *kind == "captured").count(), 1, "{again}: {happened:?}");
        assert_eq!(report.object()["resumed"], half != noise(1, MIB), "{again}");
        bench.run(&format!("vault export {} first.bin", vault::Digest::blake3(&noise(1, MIB)))).expect(0);
        assert_eq!(bench.read("first.bin"), noise(1, MIB), "{again}");
    }
}

/// A file system of 3 MiB below `folder`; gone when dropped. None where this computer does not let us.
struct SmallDisk(std::path::PathBuf);

impl SmallDisk {
    fn mount(folder: std::path::PathBuf) -> Option<Self> {
        std::fs::create_dir(&folder).expect("our own folder");
        let mounted = Command::new("mount").args(["-t", "tmpfs", "-o", "size=3m", "tmpfs"]).arg(&folder).status();
        mounted.is_ok_and(|status| status.success()).then(|| Self(folder))
    }
}

impl Drop for SmallDisk {
    fn drop(&mut self) {
        let _ = Command::new("umount").arg(&self.0).status();
    }
}

#[test]
fn s2_a_full_disk_erases_nothing_and_works_once_there_is_room() {
    let bench = Bench::with_chip();
    let Some(_disk) = SmallDisk::mount(bench.path("bench")) else {
        eprintln!("skipped: mounting a small file system takes root");
        return;
    };
    bench.run("vault list").expect(0);
    let ballast = bench.path("bench/ballast");
    for (room, what) in [(512 * 1024, "the capture"), (1536 * 1024, "the wanted content")] {
        std::fs::write(&ballast, vec![7; 3 * MIB - room - used(&bench)]).expect("it fits");
        let ran = bench.run("chip apply new.bin --link chip.toml").expect(3);
        assert!(ran.stderr.contains("no space left"), "{what}: {}", ran.transcript());
        assert!(ran.stderr.contains("next:"), "{what}: {}", ran.transcript());
        assert_eq!(bench.read("chip.bin"), noise(1, MIB), "no room for {what}: nothing may be erased");
    }
    std::fs::remove_file(&ballast).expect("our own file");
    bench.run("chip apply new.bin --link chip.toml").expect(0);
    assert_eq!(bench.read("chip.bin"), noise(2, MIB));
    assert_eq!(bench.first_capture(), noise(1, MIB));
}

/// What is kept can be looked at and taken out of a bench on which nothing can be written; what would write says so first.
#[test]
fn s1_a_read_only_bench_is_read_and_no_chip_is_written_from_it() {
    let bench = Bench::with_chip();
    let Some(disk) = SmallDisk::mount(bench.path("bench")) else {
        eprintln!("skipped: mounting a small file system takes root");
        return;
    };
    bench.run("chip capture --link chip.toml").expect(0);
    let now = Command::new("mount").args(["-o", "remount,ro"]).arg(&disk.0).status().expect("mount runs");
    assert!(now.success());
    let id = vault::Digest::blake3(&noise(1, MIB));
    bench.run("vault list").expect(0);
    bench.run("vault scrub").expect(0);
    bench.run(&format!("vault export {id} out.bin")).expect(0);
    assert!(bench.read("out.bin") == noise(1, MIB));
    for command in ["chip capture", "chip apply new.bin", "chip fill 00"] {
        let ran = bench.run(&format!("{command} --link chip.toml")).expect(3);
        assert!(ran.said().contains("is open for reading only"), "{}", ran.transcript());
    }
    assert!(bench.read("chip.bin") == noise(1, MIB), "nothing was written");
}

/// Bytes that the bench folder takes, the ballast aside.
fn used(bench: &Bench) -> usize {
    let path = bench.path("bench/ballast");
    let _ = std::fs::remove_file(path);
    let output = Command::new("du").args(["-s", "-B1"]).arg(bench.path("bench")).output().expect("du runs");
    let text = String::from_utf8(output.stdout).expect("text");
    text.split_whitespace().next().and_then(|number| number.parse().ok()).expect("a number")
}

#[test]
fn s9_protection_that_cannot_be_decoded_is_left_alone() {
    let bench = Bench::with_chip();
    bench.chip("protected = \"all\"\n");
    bench.run("chip apply new.bin --link chip.toml").expect(1);
    assert_eq!(bench.read("chip.bin"), noise(1, MIB));
    assert!(!bench.happened().contains(&"protection".to_owned()), "no status write was begun: {:?}", bench.happened());
}

/// A part whose protection layout is known, with its upper half protected, and an image for it.
fn protected(faults: &str) -> Bench {
    let bench = Bench::new();
    let text = "[chip]\nmarking = \"W25Q32JV\"\ncontent = \"large.bin\"\nprotected = \"upper-half\"\n";
    bench.toml("large.toml", &format!("{text}{faults}"));
    bench.write("large.bin", &noise(1, 4 * MIB));
    bench.write("wanted.bin", &noise(2, 4 * MIB));
    bench
}

#[test]
fn s9_protection_is_lifted_for_a_write_and_is_then_as_it_was_found() {
    let bench = protected("");
    bench.run("chip apply wanted.bin --link large.toml").expect(0);
    assert_eq!(bench.read("large.bin"), noise(2, 4 * MIB));
    let happened = bench.happened();
    let place =
        |kind: &str| happened.iter().position(|is| is == kind).unwrap_or_else(|| panic!("{kind}: {happened:?}"));
    assert!(place("captured") < place("protection") && place("protection") < place("applied"));
    assert!(place("applied") < place("protection-settled"));
    let identified = bench.json("chip identify --link large.toml");
    assert_eq!(identified["protection"]["ranges"], serde_json::json!([[0x20_0000, 0x3F_FFFF]]));
}

#[test]
fn s9_a_run_that_goes_on_after_a_cut_knows_what_was_found() {
    for at_us in [16_000_000, 24_000_000, 34_000_000] {
        let bench = protected(&format!("[[fault]]\nkind = \"unplug\"\nat_us = {at_us}\n"));
        bench.run("chip apply wanted.bin --link large.toml").expect(4);
        bench.run("chip apply wanted.bin --link large.toml").expect(0);
        assert_eq!(bench.read("large.bin"), noise(2, 4 * MIB), "cut at {at_us}");
        let identified = bench.json("chip identify --link large.toml");
        assert_eq!(identified["protection"]["ranges"], serde_json::json!([[0x20_0000, 0x3F_FFFF]]), "cut at {at_us}");
    }
}

#[test]
fn s9_a_write_that_fails_for_good_leaves_protection_as_it_was_found() {
    let bench = protected("[[fault]]\nkind = \"worn-sector\"\nat = 0x300000\n");
    bench.run("chip apply wanted.bin --link large.toml").expect(1);
    assert!(bench.happened().contains(&"protection-settled".to_owned()), "{:?}", bench.happened());
    let identified = bench.json("chip identify --link large.toml");
    assert_eq!(identified["protection"]["ranges"], serde_json::json!([[0x20_0000, 0x3F_FFFF]]));
}
