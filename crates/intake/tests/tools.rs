//! Lists, signatures and archives made by other programs: coreutils, `gpg`, `minisign`, `tar`, `gzip`, `xz`, `zstd` and `zip` of
//! Debian.
//!
//! What is not installed is passed over with a line that says so; `scripts/test` installs it.

#![allow(clippy::disallowed_methods, reason = "tests run programs and read files")]

#[path = "tools/archives.rs"]
mod archives;
#[path = "tools/gpg.rs"]
mod gpg;
#[path = "tools/lists.rs"]
mod lists;
#[path = "tools/messages.rs"]
mod messages;
#[path = "tools/minisign.rs"]
mod minisign;

use std::path::{Path, PathBuf};
use std::process::Command;

fn installed(programs: &[&str]) -> bool {
    let found = |program: &&str| {
        let paths = std::env::var_os("PATH").unwrap_or_default();
        std::env::split_paths(&paths).any(|folder: PathBuf| folder.join(program).exists())
    };
    let missing: Vec<_> = programs.iter().filter(|program| !found(program)).collect();
    if !missing.is_empty() {
        eprintln!("passed over: {missing:?} not installed");
    }
    missing.is_empty()
}

/// Runs a line in a shell, in this folder.
fn run(folder: &Path, line: &str) -> String {
    let output = Command::new("sh").args(["-ec", line]).current_dir(folder).output().expect("a shell");
    assert!(output.status.success(), "{line}\n{}", String::from_utf8_lossy(&output.stderr));
    String::from_utf8_lossy(&output.stdout).into_owned()
}

/// Bytes that pack badly, the same each time.
fn noise(len: usize) -> Vec<u8> {
    let mut state = 0x2545_F491_4F6C_DD1D_u64;
    let next = || {
        state ^= state << 13;
        state ^= state >> 7;
        state ^= state << 17;
        state.to_le_bytes()[3]
    };
    std::iter::repeat_with(next).take(len).collect()
}
