//! The vault: the store of captures and images, and of the jobs' journals. It never overwrites, and forgets only on
//! request.
//!
//! It lives in the bench folder, which is 0700, and whose files are 0600 (S15):
//!
//! ```text
//! format.toml                          format number and the bench's random id
//! objects/ID/packs/BLAKE3.pack         chunks of contents, each stored once (module `pack` has the bytes)
//! objects/ID/parity/BLAKE3.parity      what repairs the pack of that name (module `parity` has the bytes)
//! objects/ID/manifests/BLAKE3.json     what a content is, and which chunks make it up
//! objects/ID/journals/JOB.jsonl        sealed journals
//! objects/ID/notes/NUMBER.json         what was forgotten or repaired, and why
//! objects/ID/twin/...                  manifests, journals and notes a second time
//! journals/JOB.jsonl                   open journals
//! twin/...                             format.toml and open journals a second time
//! locks/NAME.lock                      who is at work
//! index.sqlite                         for fast listing; made anew when missing or damaged
//! ```
//!
//! Everything that is truth can be lost in one place and comes back: packs from their parity, the rest from its second
//! copy. [`Vault::repair`] does that, and nothing else does; [`Vault::scrub`] says what there is to do.
//!
//! Truth is the objects and the journals. A [`Vault`] holds no state between calls, and everything is looked at afresh:
//! several processes, or several handles in one, see each other's work at once.
//!
//! A caller must know: calls block, on disk and shortly on other processes. There is no clock here; times are arguments,
//! UTC, RFC 3339. Content is checked on every read, and an error of kind [`ErrorKind::Data`] means that nothing which
//! was returned may be used.
//!
//! What a reader would question: the bench id in each key does nothing on one computer. It keeps the place for a store
//! that many benches share, where each writes its own objects only.
//!
//! # Example
//!
//! ```
//! use vault::{JobId, Journal, Kind, PutRequest, Vault};
//!
//! # fn main() -> Result<(), Box<dyn std::error::Error>> {
//! # let folder = tempfile::tempdir()?;
//! # let bench = folder.path().join("bench");
//! let now = "2026-03-01T09:30:00Z";
//! let vault = Vault::open(&bench)?;
//! let job = JobId::new("larkspur-1")?;
//! let request = PutRequest {
//!     name: "main as found".to_owned(),
//!     kind: Kind::Capture,
//!     job: Some(job.clone()),
//!     taken_at: now.to_owned(),
//!     facts: serde_json::json!({"passes": 2}),
//! };
//! let stored = vault.put(&b"what the chip held"[..], &request)?;
//! let mut journal = Journal::create(&vault, &job, serde_json::json!({}), "firmhand chip capture", now)?;
//! journal.append("capture", serde_json::json!({"id": stored.id}), now)?;
//!
//! let id = vault.find("main as found")?;
//! assert_eq!(vault.read_vec(&id)?, b"what the chip held");
//! # Ok(())
//! # }
//! ```

mod chain;
mod chunks;
mod cut;
mod disk;
mod error;
pub mod faults;
mod forget;
mod format;
mod index;
mod journal;
mod lock;
mod manifest;
mod migrate;
mod names;
mod notes;
mod objects;
mod pack;
mod parity;
mod repair;
mod scrub;
mod shards;
mod store;
mod twins;

use std::fs::{self, Permissions};
use std::io;
use std::os::unix::fs::PermissionsExt;
use std::path::{Path, PathBuf};

pub use chain::Entry;
pub use error::{ErrorKind, Repair, VaultError};
pub use forget::{ForgetReport, Forgotten};
pub use index::{Filter, Listed};
pub use journal::{Journal, JournalInfo, Log};
pub use lock::{Holder, Lock};
pub use manifest::Manifest;
pub use names::{Digest, JobId, Kind};
pub use repair::Repaired;
pub use scrub::{Damage, Progress, ScrubReport, Unreferenced};
pub use store::{Hashes, LARGEST, Listing, Prepared, PutRequest, Stored};

pub use format::{BENCH_FORMAT, bench_format};

use disk::Disk;
use error::io_error;
use faults::Faults;
use format::Format;
use objects::Objects;

/// An open bench. Cheap to clone; all handles are equal.
#[derive(Debug, Clone)]
pub struct Vault {
    root: PathBuf,
    format: Format,
    objects: Objects,
    disk: Disk,
    writable: bool,
}

impl Vault {
    /// Opens the bench in `dir`, or makes one when the folder is missing or empty.
    ///
    /// A bench of an older format is brought to the present one first; [`bench_format`] tells whether that is going to
    /// happen. It may take as long as reading all of the bench, can be cut off anywhere, and is then finished by the next
    /// opening.
    ///
    /// A bench on which nothing can be written is opened for reading, in whichever format it is. A bench folder that
    /// others may enter is closed to them (0700).
    ///
    /// # Errors
    /// [`VaultError::NotABench`] when `dir` holds other things; [`VaultError::NewerFormat`]; [`VaultError::BadFormat`];
    /// [`VaultError::Busy`] when somebody works on a bench of an older format; [`VaultError::NoSpace`];
    /// [`VaultError::Io`].
    pub fn open(dir: &Path) -> Result<Self, VaultError> {
        Self::open_on(dir, Disk::here())
    }

    /// Opens the bench as [`Vault::open`] does, on a disk that fails as `faults` plan it. For tests.
    ///
    /// # Errors
    /// As [`Vault::open`], and what the faults bring about.
    pub fn open_with(dir: &Path, faults: &Faults) -> Result<Self, VaultError> {
        Self::open_on(dir, Disk::with(faults.clone()))
    }

    /// Opens the bench in `dir` for reading; writes nothing, not even an index or a lock.
    ///
    /// # Errors
    /// [`VaultError::NotABench`] when there is no bench in `dir`; otherwise as [`Vault::open`].
    pub fn open_read_only(dir: &Path) -> Result<Self, VaultError> {
        Self::open_to_read(dir, Disk::default())
    }

    /// Returns the bench's random id: 32 hex digits that tell it from every other bench.
    #[must_use]
    pub fn bench_id(&self) -> &str {
        &self.format.bench
    }

    /// Returns the bench folder.
    #[must_use]
    pub fn root(&self) -> &Path {
        &self.root
    }

    /// Returns whether this handle can write.
    #[must_use]
    pub fn writable(&self) -> bool {
        self.writable
    }

    fn open_on(dir: &Path, disk: Disk) -> Result<Self, VaultError> {
        if !format::is_there(dir) {
            format::create(dir, &disk)?;
        }
        let mut vault = Self::open_to_read(dir, disk)?;
        match vault.make_ready() {
            Ok(()) => vault.writable = true,
            Err(VaultError::Io { source, .. }) if refuses_writing(&source) => return Ok(vault),
            Err(error) => return Err(error),
        }
        if vault.format.number < BENCH_FORMAT {
            vault.migrate()?;
            vault.format.number = BENCH_FORMAT;
        }
        vault.format.keep_twin(&vault.root, &vault.disk)?;
        Ok(vault)
    }

    fn open_to_read(dir: &Path, disk: Disk) -> Result<Self, VaultError> {
        let format = Format::read(dir)?;
        let objects = Objects::new(&dir.join("objects"), &format.bench, disk.clone())?;
        Ok(Self { root: dir.to_path_buf(), format, objects, disk, writable: false })
    }

    pub(crate) fn objects(&self) -> &Objects {
        &self.objects
    }

    pub(crate) fn disk(&self) -> &Disk {
        &self.disk
    }

    /// Returns whether everything has its parity or its second copy. Not so a bench of format 1, opened for reading.
    pub(crate) fn is_doubled(&self) -> bool {
        self.format.number >= 2
    }

    pub(crate) fn must_write(&self) -> Result<(), VaultError> {
        if self.writable { Ok(()) } else { Err(VaultError::ReadOnly { path: self.root.clone() }) }
    }

    /// Sees to modes and folders; fails where nothing can be written.
    fn make_ready(&self) -> Result<(), VaultError> {
        let mode = fs::metadata(&self.root).map_err(io_error("look at", &self.root))?.permissions().mode();
        if mode & 0o077 != 0 {
            fs::set_permissions(&self.root, Permissions::from_mode(0o700)).map_err(io_error("protect", &self.root))?;
        }
        self.objects.make_rooms()?;
        for dir in self.journal_dirs().iter().chain([&self.root.join("locks")]) {
            self.disk.make_dir(dir)?;
        }
        // Permission bits do not tell whether a write would succeed (read-only mounts); opening a lock file does.
        lock::try_writing(&self.root)
    }
}

fn refuses_writing(error: &io::Error) -> bool {
    matches!(error.kind(), io::ErrorKind::PermissionDenied | io::ErrorKind::ReadOnlyFilesystem)
}
