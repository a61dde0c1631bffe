//! Measures the judge and the diagnosis over five files of 32 MiB, as a person has them after five reads.
//!
//! `cargo run --release -p evidence --example measure` prints the median of five runs, reading the files included, for equal
//! files and for files in which one bit in a million is wrong; and the most memory that was used. It leaves the files in the
//! folder that it names, so that `sha512sum` can be timed over them.

// A measurement reads files and the clock; the crate itself does neither.
#![allow(clippy::disallowed_methods)]

use std::path::{Path, PathBuf};
use std::time::Instant;

use evidence::{BareFile, FileIdentity, Reading, diagnose, explain, judge_files};
use rand_xoshiro::SplitMix64;
use rand_xoshiro::rand_core::{Rng, SeedableRng};

const SIZE: usize = 32 << 20;

fn main() -> std::io::Result<()> {
    let folder = std::env::temp_dir().join("firmhand-measure");
    std::fs::create_dir_all(&folder)?;
    let mut draw = SplitMix64::seed_from_u64(1);
    let truth = structured(&mut draw);
    for (name, wrong) in [("equal", 0), ("noisy", SIZE * 8 / 1_000_000)] {
        let paths: Vec<PathBuf> = (1..=5).map(|number| folder.join(format!("{name}-{number}.bin"))).collect();
        for path in &paths {
            let mut content = truth.clone();
            for _ in 0..wrong {
                let bit = draw.next_u64() % (SIZE as u64 * 8);
                content[(bit / 8) as usize] ^= 1 << (bit % 8);
            }
            std::fs::write(path, content)?;
        }
        let mut times = Vec::new();
        for _ in 0..5 {
            let begin = Instant::now();
            let lines = whole(&paths)?;
            times.push(begin.elapsed().as_millis());
            if times.len() == 1 {
                println!("{}", lines.join("\n"));
            }
        }
        times.sort_unstable();
        println!("{name}: {} ms (median of five)\n", times[2]);
    }
    println!("most memory: {} MiB", most_memory().unwrap_or(0) >> 10);
    println!("for comparison: sha512sum {}/noisy-*.bin", folder.display());
    Ok(())
}

/// Reads, judges, diagnoses and explains, as a person asks for it.
fn whole(paths: &[PathBuf]) -> std::io::Result<Vec<String>> {
    let contents = std::thread::scope(|scope| {
        let (first, rest) = paths.split_at(paths.len() / 2);
        let read = |paths: &[PathBuf]| paths.iter().map(std::fs::read).collect::<std::io::Result<Vec<_>>>();
        let other = scope.spawn(move || read(first));
        let rest = read(rest)?;
        let mut all = other.join().expect("reading does not panic")?;
        all.extend(rest);
        Ok::<_, std::io::Error>(all)
    })?;
    let files: Vec<BareFile<'_>> = contents
        .iter()
        .enumerate()
        .map(|(inode, content)| BareFile { content, identity: FileIdentity { device: 0, inode: inode as u64 } })
        .collect();
    let judgement = judge_files(&files);
    let readings: Vec<Reading<'_>> = contents.iter().map(|content| Reading::bare(content)).collect();
    Ok(explain(&judgement, &diagnose(&readings, &judgement)))
}

/// Code, tables, text and gaps, in pieces of some KiB.
fn structured(draw: &mut SplitMix64) -> Vec<u8> {
    let mut all = Vec::with_capacity(SIZE + 8192);
    while all.len() < SIZE {
        let len = 1024 + (draw.next_u64() % 7168) as usize;
        match draw.next_u64() % 4 {
            0 => all.resize(all.len() + len, 0xFF),
            1 => all.extend((0..len).map(|at| if at % 16 < 3 { draw.next_u64() as u8 } else { 0 })),
            2 => all.extend((0..len).map(|_| b' ' + (draw.next_u64() % 90) as u8)),
            _ => all.extend((0..len).map(|_| draw.next_u64() as u8)),
        }
    }
    all.truncate(SIZE);
    all
}

/// Returns the most memory that this process had, in KiB, from the kernel's `VmHWM` in proc(5).
fn most_memory() -> Option<u64> {
    let status = std::fs::read_to_string(Path::new("/proc/self/status")).ok()?;
    status.lines().find_map(|line| line.strip_prefix("VmHWM:"))?.trim().trim_end_matches(" kB").parse().ok()
}
