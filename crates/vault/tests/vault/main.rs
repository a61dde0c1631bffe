//! The vault from outside: what is put comes back, damage is found, cuts do no harm, and what is forgotten is gone.

mod bench;
mod damage;
mod faults;
mod forget;
mod journals;
mod migrate;
mod model;
mod repair;
mod store;

use std::fs;
use std::path::{Path, PathBuf};

use serde_json::json;
use vault::{Digest, JobId, Kind, PutRequest, ScrubReport, Vault, VaultError};

pub(crate) const NOW: &str = "2026-03-01T09:30:00Z";
pub(crate) const CHUNK: usize = 65536;

/// A bench in a folder that goes when this is dropped.
pub(crate) struct Bench {
    pub(crate) dir: tempfile::TempDir,
    pub(crate) vault: Vault,
}

impl Bench {
    pub(crate) fn new() -> Self {
        let dir = folder();
        let vault = Vault::open(&dir.path().join("bench")).expect("a new bench");
        Self { dir, vault }
    }

    pub(crate) fn root(&self) -> &Path {
        self.vault.root()
    }

    pub(crate) fn put(&self, job: &str, name: &str, content: &[u8]) -> Digest {
        self.vault.put(content, &request(job, name)).expect("a put").id
    }

    pub(crate) fn scrub(&self) -> ScrubReport {
        self.vault.scrub(&mut |_| {}).expect("a scrub")
    }

    /// Returns the bench's files whose path contains `part`, sorted.
    pub(crate) fn files(&self, part: &str) -> Vec<PathBuf> {
        let mut found = all_files(self.root());
        found.retain(|path| path.to_string_lossy().contains(part));
        found
    }

    /// Returns the only file whose path contains `part`, second copies apart.
    pub(crate) fn only_file(&self, part: &str) -> PathBuf {
        let mut found = self.files(part);
        found.retain(|path| !path.to_string_lossy().contains("/twin/"));
        assert_eq!(found.len(), 1, "{part}: {found:?}");
        found.remove(0)
    }
}

/// Returns a folder that goes when this is dropped; in memory where the system offers that, because most tests here sync
/// a thousand times and no test needs the bytes to survive it.
pub(crate) fn folder() -> tempfile::TempDir {
    let memory = tempfile::tempdir_in("/dev/shm");
    memory.or_else(|_| tempfile::tempdir()).expect("a temporary folder")
}

/// Returns where the second copy of an object or an open journal stands.
pub(crate) fn twin_of(path: &Path) -> PathBuf {
    let (room, name) = (path.parent().expect("a room"), path.file_name().expect("a name"));
    room.parent().expect("a folder").join("twin").join(room.file_name().expect("a name")).join(name)
}

/// Writes these bytes over both copies.
pub(crate) fn write_both(path: &Path, bytes: impl AsRef<[u8]>) {
    for path in [path, &twin_of(path)] {
        fs::write(path, bytes.as_ref()).expect("a write");
    }
}

/// Removes both copies.
pub(crate) fn remove_both(path: &Path) {
    for path in [path, &twin_of(path)] {
        fs::remove_file(path).expect("a copy");
    }
}

/// Flips one bit of both copies.
pub(crate) fn flip_both(path: &Path, at: usize) {
    flip(path, at);
    flip(&twin_of(path), at);
}

pub(crate) fn job(text: &str) -> JobId {
    JobId::new(text).expect("a job id")
}

pub(crate) fn request(job_id: &str, name: &str) -> PutRequest {
    PutRequest {
        name: name.to_owned(),
        kind: Kind::Capture,
        job: Some(job(job_id)),
        taken_at: NOW.to_owned(),
        facts: json!({"passes": 2}),
    }
}

pub(crate) fn all_files(dir: &Path) -> Vec<PathBuf> {
    let mut found = Vec::new();
    for entry in fs::read_dir(dir).expect("a folder") {
        let path = entry.expect("an entry").path();
        if path.is_dir() { found.extend(all_files(&path)) } else { found.push(path) }
    }
    found.sort();
    found
}

/// Flips one bit of a file.
pub(crate) fn flip(path: &Path, at: usize) {
    let mut bytes = fs::read(path).expect("a file");
    bytes[at] ^= 0x10;
    fs::write(path, bytes).expect("a write");
}

/// Returns bytes that do not compress, the same for the same seed (splitmix64).
pub(crate) fn noise(seed: u64, len: usize) -> Vec<u8> {
    let mut state = seed;
    let mut bytes = Vec::with_capacity(len + 8);
    while bytes.len() < len {
        state = state.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = state;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        bytes.extend_from_slice(&(z ^ (z >> 31)).to_le_bytes());
    }
    bytes.truncate(len);
    bytes
}

pub(crate) fn is_damage(error: &VaultError) -> bool {
    error.kind() == vault::ErrorKind::Data
}
