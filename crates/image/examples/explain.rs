//! Prints what stands in an image, as text or as JSON, or how long that takes: `cargo run --release -p image --example explain`
//! with a file and `text`, `json` or `time`.
//!
//! `time` prints the median of five runs, with the image in memory before.

#![allow(clippy::disallowed_methods, reason = "a program around the crate: reading files and the clock is its job")]

use std::time::Instant;

use image::explain::{explain, render};

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let [file, what] = &arguments[..] else { return Err("give a file and one of text, json, time".into()) };
    let image = std::fs::read(file)?;
    match what.as_str() {
        "text" => print!("{}", render(&explain(&image), 80, usize::MAX)),
        "json" => serde_json::to_writer(std::io::stdout().lock(), &explain(&image).to_json(file))?,
        "time" => {
            let mut times: Vec<_> = (0..5).map(|_| timed(&image)).collect();
            times.sort_unstable();
            println!("{file}: {:.1} ms, median of five", times[2].as_secs_f64() * 1e3);
        }
        other => return Err(format!("`{other}` is none of text, json, time").into()),
    }
    Ok(())
}

fn timed(image: &[u8]) -> std::time::Duration {
    let begin = Instant::now();
    std::hint::black_box(explain(std::hint::black_box(image)));
    begin.elapsed()
}
