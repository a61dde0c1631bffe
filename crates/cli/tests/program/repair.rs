//! Damage in the bench folder: who refuses what, what the way out is, and that it is one. And a bench of format 1.

use std::fs;
use std::path::{Path, PathBuf};

use crate::common::{Bench, MIB, noise};

fn files(bench: &Bench, part: &str) -> Vec<PathBuf> {
    let mut left = vec![bench.path("bench")];
    let mut found = Vec::new();
    while let Some(folder) = left.pop() {
        for entry in fs::read_dir(folder).expect("a folder") {
            let path = entry.expect("an entry").path();
            if path.is_dir() {
                left.push(path);
            } else if path.to_string_lossy().contains(part) {
                found.push(path);
            }
        }
    }
    found.sort();
    found
}

fn smash(path: &Path, from: usize, len: usize) {
    let mut bytes = fs::read(path).expect("a file");
    bytes[from..from + len].iter_mut().for_each(|byte| *byte = !*byte);
    fs::write(path, bytes).expect("our own file");
}

#[test]
fn s2_repairable_damage_is_refused_everywhere_until_it_is_repaired() {
    let bench = Bench::with_chip();
    bench.run("chip apply new.bin --link chip.toml").expect(0);
    let capture = vault::Digest::blake3(&noise(1, MIB));
    for pack in files(&bench, ".pack") {
        smash(&pack, 300_000, 30_000);
    }
    let chip = bench.read("chip.bin");
    for command in [
        &*format!("vault export {capture} out.bin"),
        "chip restore --link chip.toml",
        &format!("chip apply {capture} --link chip.toml"),
    ] {
        let ran = bench.run(command).expect(5);
        assert!(
            ran.stderr.contains("is damaged") && ran.stderr.contains("`firmhand vault scrub --repair`"),
            "{}",
            ran.stderr
        );
    }
    assert!(!bench.path("out.bin").exists());
    assert_eq!(bench.read("chip.bin"), chip, "nothing was written");

    let ran = bench.run("vault scrub").expect(5);
    assert!(ran.stdout.contains("  repairable: ") && !ran.stdout.contains("not repairable"), "{}", ran.stdout);
    let ran = bench.run("vault scrub --repair").expect(0);
    assert!(ran.stdout.contains("  repaired: ") && ran.stdout.contains("every hash holds"), "{}", ran.stdout);
    bench.run(&format!("vault export {capture} out.bin")).expect(0);
    assert_eq!(bench.read("out.bin"), noise(1, MIB));
    bench.run("chip restore --link chip.toml").expect(0);
    assert_eq!(bench.read("chip.bin"), noise(1, MIB));
}

#[test]
fn damage_beyond_repair_names_what_is_lost_and_stays_told() {
    let bench = Bench::with_chip();
    bench.run("chip capture --link chip.toml").expect(0);
    let capture = vault::Digest::blake3(&noise(1, MIB));
    smash(&files(&bench, ".pack")[0], 0x20000, 0x40000);
    let ran = bench.run(&format!("vault export {capture} out.bin")).expect(5);
    // The chip's content does not compress: chunk 1 begins 16 bytes behind its place in the content.
    assert!(ran.stderr.contains("lost of the content: 0x10000 to 0x5ffff"), "{}", ran.stderr);
    assert!(ran.stderr.contains("a repair cannot bring it back"), "{}", ran.stderr);
    let ran = bench.run("vault scrub --repair").expect(5);
    assert!(ran.stdout.contains("not repairable: "), "{}", ran.stdout);
}

#[test]
fn s2_a_lost_copy_of_a_journal_is_told_and_the_job_goes_on_after_the_repair() {
    let bench = Bench::with_chip();
    bench.run("chip capture --link chip.toml").expect(0);
    let journals = files(&bench, "journals/");
    assert_eq!(journals.len(), 2, "{journals:?}");
    fs::remove_file(&journals[0]).expect("a copy");
    let ran = bench.run("chip capture --link chip.toml").expect(5);
    assert!(ran.stderr.contains("the other one is good") && ran.stderr.contains("--repair"), "{}", ran.stderr);
    bench.run("vault scrub --repair").expect(0);
    bench.run("chip capture --link chip.toml").expect(0);
    assert_eq!(fs::read(&journals[0]).expect("a copy"), fs::read(&journals[1]).expect("a copy"));
}

fn copy(from: &Path, to: &Path) {
    fs::create_dir_all(to).expect("a folder");
    for entry in fs::read_dir(from).expect("the fixture") {
        let path = entry.expect("an entry").path();
        let to = to.join(path.file_name().expect("a name"));
        if path.is_dir() {
            copy(&path, &to);
        } else {
            fs::copy(&path, &to).expect("a copy");
        }
    }
}

#[test]
fn a_bench_of_format_1_is_brought_across_once_and_that_is_said() {
    let bench = Bench::new();
    copy(&Path::new(env!("CARGO_MANIFEST_DIR")).join("../vault/tests/fixtures/format1"), &bench.path("bench"));
    let ran = bench.run("vault list").expect(0);
    assert!(ran.stderr.contains("bringing the bench from format 1 to 2"), "{}", ran.stderr);
    assert_eq!(ran.stdout.matches("as found").count(), 3, "{}", ran.stdout);
    assert_eq!(bench.run("vault list").expect(0).stderr, "");
    bench.run("vault scrub").expect(0);
}
