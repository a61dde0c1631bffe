//! What this computer can reach, and what to do about each gap.

use std::path::Path;

use serde::Serialize;

use crate::session::open_bench;

/// How a point stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum Standing {
    /// In order.
    Good,
    /// A gap that stops nothing else.
    Gap,
    /// Nothing works before this is mended.
    Stop,
}

/// One point.
#[derive(Debug, Clone, Serialize)]
pub struct Point {
    /// What was looked at.
    pub what: String,
    /// How it stands.
    pub standing: Standing,
    /// What was found.
    pub found: String,
    /// What to do, where there is a gap.
    pub remedy: Option<String>,
}

/// Looks at everything that a job on this computer would need. Changes nothing but that a missing bench folder is made.
#[must_use]
pub fn ready(bench: &Path) -> Vec<Point> {
    vec![
        bench_folder(bench),
        Point {
            what: "virtual bench".into(),
            standing: Standing::Good,
            found: "always there: a chip described by a FILE.toml".into(),
            remedy: None,
        },
        kernel_nodes("spidev", "SPI buses of this computer"),
        kernel_nodes("mtd", "flash chips that the kernel shows"),
    ]
}

fn bench_folder(bench: &Path) -> Point {
    let what = "bench folder".to_owned();
    match open_bench(bench) {
        Ok(vault) if vault.writable() => {
            Point { what, standing: Standing::Good, found: format!("{} can be written", bench.display()), remedy: None }
        }
        Ok(_) => Point {
            what,
            standing: Standing::Stop,
            found: format!("{} can only be read", bench.display()),
            remedy: Some("name another with `--bench DIR`, or make this one writable for you".into()),
        },
        Err(error) => Point {
            what,
            standing: Standing::Stop,
            found: error.to_string(),
            remedy: error.hint().or_else(|| Some("name another with `--bench DIR`".into())),
        },
    }
}

/// Device nodes of a kind in /dev. This version shows them and does not use them.
fn kernel_nodes(kind: &str, what: &str) -> Point {
    let mut nodes: Vec<String> = std::fs::read_dir("/dev")
        .into_iter()
        .flatten()
        .flatten()
        .map(|entry| entry.file_name().to_string_lossy().into_owned())
        .filter(|name| {
            name.strip_prefix(kind).is_some_and(|rest| rest.starts_with(|first: char| first.is_ascii_digit()))
        })
        .collect();
    nodes.sort();
    Point {
        what: what.to_owned(),
        standing: Standing::Gap,
        found: if nodes.is_empty() {
            format!("no /dev/{kind}* here")
        } else {
            format!("/dev/{}", nodes.join(", /dev/"))
        },
        remedy: Some("this version does not reach chips over it yet; use a virtual bench".into()),
    }
}
