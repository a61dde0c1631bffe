//! A host of few words for the tests: raw bytes out and in, and the waits between.

#![allow(dead_code, reason = "each test file uses its part of it")]

use nor::command::Transfer;
use nor::link::{Answer, Link, LinkError, Request};
use sim::{BenchFile, VirtualBench};

/// A bench in memory around `chip` (keys of `[chip]`), all FF; `rest` is what follows that table.
pub fn blank(chip: &str, rest: &str) -> VirtualBench {
    let file = file(chip, rest);
    let size = file.chip.model.size as usize;
    VirtualBench::in_memory(file, vec![0xFF; size]).expect("a content of the chip's size")
}

/// As [`blank`], holding a pattern in which every byte tells its place.
pub fn patterned(chip: &str, rest: &str) -> VirtualBench {
    let file = file(chip, rest);
    let content = pattern(file.chip.model.size);
    VirtualBench::in_memory(file, content).expect("a content of the chip's size")
}

pub fn file(chip: &str, rest: &str) -> BenchFile {
    let text = format!("seed = 7\n[chip]\n{chip}\ncontent = \"none\"\n{rest}");
    BenchFile::parse(&text, "bench.toml".as_ref()).unwrap_or_else(|error| panic!("{error}"))
}

pub fn pattern(size: u32) -> Vec<u8> {
    (0..size).map(|at| (at.wrapping_mul(0x9E37_79B1) >> 24) as u8).collect()
}

/// One transaction that must succeed.
pub fn send(bench: &mut VirtualBench, write: &[u8], read: u32) -> Vec<u8> {
    try_send(bench, write, read).expect("the link is there")
}

pub fn try_send(bench: &mut VirtualBench, write: &[u8], read: u32) -> Result<Vec<u8>, LinkError> {
    let request = Request::Transfer(Transfer { write: write.to_vec(), read });
    match bench.run(&request, u64::MAX)? {
        Answer::Bytes(bytes) => Ok(bytes),
        other => panic!("a transfer was answered by {other:?}"),
    }
}

pub fn status(bench: &mut VirtualBench) -> u8 {
    send(bench, &[0x05], 1)[0]
}

/// Waits for the end of what is under way.
pub fn until_ready(bench: &mut VirtualBench) {
    while status(bench) & 1 != 0 {
        bench.wait_us(100);
    }
}

/// An erase, a program or a status write with its write enable, waited for.
pub fn change(bench: &mut VirtualBench, write: &[u8]) {
    send(bench, &[0x06], 0);
    send(bench, write, 0);
    until_ready(bench);
}

pub fn program(at: u32, data: &[u8]) -> Vec<u8> {
    [&[0x02], &at.to_be_bytes()[1..], data].concat()
}

pub fn read(bench: &mut VirtualBench, at: u32, len: u32) -> Vec<u8> {
    let [_, high, middle, low] = at.to_be_bytes();
    send(bench, &[0x03, high, middle, low], len)
}
