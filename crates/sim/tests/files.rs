//! What stays on the disk: content, registers, wear, clock, fired faults; and a link that is plugged by editing a file.

mod common;

use std::fs;
use std::path::{Path, PathBuf};

use common::{change, pattern, program, read, send, status, try_send};
use nor::link::{Link, LinkError};
use sim::VirtualBench;
use tempfile::TempDir;

fn folder(text: &str) -> (TempDir, PathBuf) {
    let folder = tempfile::tempdir().expect("a folder for the test");
    let path = folder.path().join("bench.toml");
    fs::write(&path, text).expect("a file in it");
    (folder, path)
}

fn open(path: &Path) -> VirtualBench {
    VirtualBench::open(path).unwrap_or_else(|error| panic!("{error}"))
}

const BENCH: &str = "[chip]\nmarking = \"W25Q80DV\"\ncontent = \"port.bin\"\n";

#[test]
fn a_missing_content_is_created_blank_and_kept() {
    let (folder, path) = folder(BENCH);
    let mut bench = open(&path);
    assert!(nor::is_blank(&read(&mut bench, 0, 60_000)));
    change(&mut bench, &program(0x100, b"kept"));
    bench.close().expect("room on the disk");
    let content = fs::read(folder.path().join("port.bin")).expect("the content");
    assert_eq!((content.len(), &content[0x100..0x104]), (1 << 20, &b"kept"[..]));
    assert_eq!(read(&mut open(&path), 0x100, 4), b"kept");
    let mut names: Vec<_> =
        fs::read_dir(folder.path()).expect("the folder").map(|entry| entry.expect("an entry").file_name()).collect();
    names.sort();
    assert_eq!(names, ["bench.toml", "port.bin", "port.bin.state"], "nothing half-written is left");
}

#[test]
fn s2_what_a_killed_process_did_to_the_chip_stays_done() {
    let (folder, path) = folder(&format!("{BENCH}[[fault]]\nkind = \"unplug\"\nat_us = 60000"));
    fs::write(folder.path().join("port.bin"), pattern(1 << 20)).expect("a content");
    let mut bench = open(&path);
    change(&mut bench, &[0x01, 0x80]);
    send(&mut bench, &[0x06], 0);
    send(&mut bench, &[0x20, 0, 0x10, 0], 0);
    bench.wait_us(100_000);
    assert!(matches!(try_send(&mut bench, &[0x9F], 3), Err(LinkError::Gone)));
    let cut = bench.chip_content();
    std::mem::forget(bench); // a killed process closes nothing

    let mut bench = open(&path);
    assert!(bench.chip_content() == cut, "the half-erased block is what the next one finds");
    assert_ne!(cut[0x1000..0x2000], pattern(1 << 20)[0x1000..0x2000]);
    assert_eq!(status(&mut bench), 0x80, "the non-volatile register as well");
    bench.wait_us(200_000);
    assert!(bench.is_present(), "the fault has had its moment");
    change(&mut bench, &[0x20, 0, 0x10, 0]);
    send(&mut bench, &[0x06], 0);
    send(&mut bench, &program(0x1000, b"under way"), 0);
    std::mem::forget(bench);
    assert_eq!(read(&mut open(&path), 0x1000, 9), b"under way", "the chip kept its supply and finished");
}

#[test]
fn s9_a_killed_process_loses_no_register_and_repeats_no_fault() {
    let (_folder, path) = folder(&format!("{BENCH}[[fault]]\nkind = \"protect-raised\"\nat_us = 60000"));
    let mut bench = open(&path);
    change(&mut bench, &[0x01, 0x80]);
    std::mem::forget(bench);
    let mut bench = open(&path);
    assert_eq!(status(&mut bench), 0x80, "stored before the write was answered");
    bench.wait_us(60_000);
    assert_eq!(status(&mut bench), 0x9C);
    std::mem::forget(bench);
    let mut bench = open(&path);
    bench.wait_us(120_000);
    assert_eq!(status(&mut bench), 0x80, "the fault has had its moment");
}

#[test]
fn clock_and_wear_go_on() {
    let (_folder, path) = folder(BENCH);
    let mut bench = open(&path);
    change(&mut bench, &[0x20, 0, 0x10, 0]);
    change(&mut bench, &[0xD8, 0, 0, 0]);
    let until = bench.now_us();
    drop(bench);
    let mut bench = open(&path);
    assert_eq!(bench.now_us(), until);
    assert_eq!(
        bench.wear()[..17],
        [[1, 2, 1, 1], [1; 4], [1; 4], [1; 4]].concat().into_iter().chain([0]).collect::<Vec<_>>()
    );
}

#[test]
fn clock_and_wear_are_recorded_on_the_way() {
    let (_folder, path) = folder(BENCH);
    let mut bench = open(&path);
    change(&mut bench, &[0x20, 0, 0x10, 0]);
    for _ in 0..5 {
        read(&mut bench, 0, 65_000);
    }
    let now = bench.now_us();
    std::mem::forget(bench);
    let mut bench = open(&path);
    assert_eq!(bench.wear()[1], 1);
    assert!(bench.now_us() <= now && bench.now_us() > 200_000, "all but the last 256 KiB");
}

#[test]
fn a_state_that_is_another_chips_does_not_count() {
    let (_folder, path) = folder(BENCH);
    let mut bench = open(&path);
    change(&mut bench, &[0x01, 0x1C]);
    drop(bench);
    assert_eq!(status(&mut open(&path)), 0x1C);
    let text = "[chip]\nid = \"c22014\"\nsize = 1048576\ncontent = \"port.bin\"\n";
    fs::write(&path, text).expect("another chip");
    let mut other = open(&path);
    assert_eq!((status(&mut other), other.now_us()), (0, 1));
    drop(other);
    fs::write(&path, BENCH).expect("the first chip");
    assert_eq!(status(&mut open(&path)), 0, "the other chip's record took its place");
}

#[test]
fn a_state_without_its_content_does_not_count() {
    let (folder, path) = folder(BENCH);
    let mut bench = open(&path);
    change(&mut bench, &[0x01, 0x1C]);
    drop(bench);
    fs::remove_file(folder.path().join("port.bin")).expect("a content to lose");
    let mut fresh = open(&path);
    assert_eq!(status(&mut fresh), 0);
    assert_eq!(fresh.now_us(), 1, "the status read alone");
}

#[test]
fn protection_of_the_bench_file_counts_until_the_chip_is_told_otherwise() {
    let (_folder, path) = folder(&format!("{BENCH}protected = \"all\""));
    assert_eq!(status(&mut open(&path)), 0x1C);
    let mut bench = open(&path);
    change(&mut bench, &[0x01, 0x00]);
    drop(bench);
    assert_eq!(status(&mut open(&path)), 0x00);
}

#[test]
fn s13_editing_the_file_plugs_the_link_out_and_in() {
    let (_folder, path) = folder(BENCH);
    let mut bench = open(&path);
    send(&mut bench, &[0x06], 0);
    fs::write(&path, format!("{BENCH}[link]\npresent = false")).expect("an edit");
    assert!(!bench.is_present());
    assert!(!bench.chip_state().powered, "the chip has lost its supply");
    assert!(matches!(try_send(&mut bench, &[0x9F], 3), Err(LinkError::Gone)));
    assert!(!open(&path).is_present(), "another open finds it away as well");
    fs::write(&path, "half a fi").expect("an edit");
    assert!(!bench.is_present(), "a file that is being written says nothing new");
    fs::write(&path, format!("{BENCH}[link]\npresent = true")).expect("an edit");
    assert!(bench.is_present());
    assert!(matches!(try_send(&mut bench, &[0x9F], 3), Err(LinkError::Gone)), "this handle has seen it go");
    bench.reopen();
    assert_eq!(status(&mut bench), 0x00, "powered up anew");
    assert_eq!(read(&mut open(&path), 0, 2), [0xFF; 2]);
}

#[test]
fn a_content_that_can_no_longer_be_written_is_told() {
    let (folder, path) = folder(BENCH);
    let bench = open(&path);
    // A folder in place of the file that replaces the state: the rename has no file to move.
    fs::create_dir(folder.path().join("port.bin.state.new")).expect("a folder in the way");
    let text = bench.close().expect_err("the state cannot be written").to_string();
    assert!(text.contains("port.bin.state") && text.contains("could not be written"), "{text}");
}

fn refusal(path: &Path) -> String {
    let folder = path.parent().expect("a folder").display().to_string();
    let error = VirtualBench::open(path).expect_err("this bench cannot be opened");
    format!("{error}\nhint: {}", error.remedy).replace(&folder, "DIR")
}

#[test]
fn files_that_do_not_fit_are_refused_with_a_remedy() {
    let (folder, path) = folder(BENCH);
    let content = folder.path().join("port.bin");
    fs::write(&content, [0; 5]).expect("a file");
    assert_eq!(
        refusal(&path),
        "DIR/port.bin: the content has 5 bytes, the chip 1048576\n\
         hint: name another content, or another chip; a missing content is created blank"
    );
    fs::remove_file(&content).expect("the file");
    fs::create_dir(&content).expect("a folder");
    assert_eq!(refusal(&path), "DIR/port.bin: the content is no file\nhint: name a file, or one that is to be created");
    fs::write(&path, BENCH.replace("port.bin", "nowhere/port.bin")).expect("a file");
    assert_eq!(
        refusal(&path),
        "DIR/nowhere/port.bin: the content cannot be created\n\
         hint: create the folder, or name a content file in one that exists"
    );
    assert_eq!(
        refusal(folder.path()).split_once(": ").expect("a message").1,
        "this is no file\nhint: name the bench file itself"
    );
}

#[test]
fn s10_a_damaged_state_is_refused_and_named() {
    let (folder, path) = folder(BENCH);
    drop(open(&path));
    let state = folder.path().join("port.bin.state");
    let wear = |runs: &str| format!(r#"{{"id":"ef4014","clock_us":1,"registers":null,"fired":[],"wear":{runs}}}"#);
    for text in ["", "{}", "[1", &wear("[[1,2]]"), &wear("[[1,4294967295],[1,4294967295]]"), &wear("[[-1,256]]")] {
        fs::write(&state, text).expect("a state");
        let refused = refusal(&path);
        assert!(
            refused.starts_with("DIR/port.bin.state: ") && refused.contains("hint: delete it"),
            "{text}: {refused}"
        );
    }
    fs::write(&state, wear("[[7,256]]").replace(":1,", ":18446744073709551615,")).expect("a state");
    let mut bench = open(&path);
    assert_eq!((bench.wear()[255], status(&mut bench)), (7, 0), "an end of time is no end of the chip");
}
