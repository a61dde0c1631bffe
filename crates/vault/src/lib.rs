//! The vault: the store of captures and images, and of the jobs' journals. It never overwrites, and forgets only on
//! request.
//!
//! It lives in the bench folder, which is 0700, and whose files are 0600 (S15):
//!
//! ```text
//! format.toml                          format number and the bench's random id
//! objects/ID/packs/BLAKE3.pack         chunks of contents, each stored once (module `pack` has the bytes)
//! objects/ID/manifests/BLAKE3.json     what a content is, and which chunks make it up
//! objects/ID/journals/JOB.jsonl        sealed journals
//! objects/ID/notes/NUMBER.json         what was forgotten, by whom and why
//! journals/JOB.jsonl                   open journals
//! locks/NAME.lock                      who is at work
//! index.sqlite                         for fast listing; made anew when missing or damaged
//! ```
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
mod error;
mod forget;
mod index;
mod journal;
mod lock;
mod manifest;
mod names;
mod objects;
mod pack;
mod scrub;
mod store;

use std::fs::{self, OpenOptions, Permissions};
use std::io::{self, Write};
use std::os::unix::fs::{OpenOptionsExt, PermissionsExt};
use std::path::{Path, PathBuf};

pub use chain::Entry;
pub use error::{ErrorKind, VaultError};
pub use forget::{ForgetReport, Forgotten};
pub use index::{Filter, Listed};
pub use journal::{Journal, JournalInfo, Log};
pub use lock::{Holder, Lock};
pub use manifest::Manifest;
pub use names::{Digest, JobId, Kind};
pub use scrub::{Damage, Progress, ScrubReport, Unreferenced};
pub use store::{LARGEST, Listing, PutRequest, Stored};

use error::io_error;
use objects::{Objects, make_dir, sync_dir};

/// The newest format of a bench folder that this program knows.
pub const BENCH_FORMAT: u64 = 1;

/// An open bench. Cheap to clone; all handles are equal.
#[derive(Debug, Clone)]
pub struct Vault {
    root: PathBuf,
    bench: String,
    objects: Objects,
    writable: bool,
}

impl Vault {
    /// Opens the bench in `dir`, or makes one when the folder is missing or empty.
    ///
    /// A bench on which nothing can be written is opened for reading. A bench folder that others may enter is closed to
    /// them (0700).
    ///
    /// # Errors
    /// [`VaultError::NotABench`] when `dir` holds other things; [`VaultError::NewerFormat`]; [`VaultError::BadFormat`];
    /// [`VaultError::NoSpace`]; [`VaultError::Io`].
    pub fn open(dir: &Path) -> Result<Self, VaultError> {
        if !dir.join(FORMAT_FILE).exists() {
            create(dir)?;
        }
        let mut vault = Self::open_read_only(dir)?;
        match vault.prepare() {
            Ok(()) => vault.writable = true,
            Err(VaultError::Io { source, .. }) if refuses_writing(&source) => {}
            Err(error) => return Err(error),
        }
        Ok(vault)
    }

    /// Opens the bench in `dir` for reading; writes nothing, not even an index or a lock.
    ///
    /// # Errors
    /// [`VaultError::NotABench`] when there is no bench in `dir`; otherwise as [`Vault::open`].
    pub fn open_read_only(dir: &Path) -> Result<Self, VaultError> {
        let path = dir.join(FORMAT_FILE);
        let text = match fs::read_to_string(&path) {
            Err(error) if error.kind() == io::ErrorKind::NotFound => {
                return Err(VaultError::NotABench { path: dir.to_path_buf() });
            }
            text => text.map_err(io_error("read", &path))?,
        };
        let bench = parse_format(&text, &path)?;
        let objects = Objects::new(&dir.join("objects"), &bench)?;
        Ok(Self { root: dir.to_path_buf(), bench, objects, writable: false })
    }

    /// Returns the bench's random id: 32 hex digits that tell it from every other bench.
    #[must_use]
    pub fn bench_id(&self) -> &str {
        &self.bench
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

    pub(crate) fn objects(&self) -> &Objects {
        &self.objects
    }

    pub(crate) fn must_write(&self) -> Result<(), VaultError> {
        if self.writable { Ok(()) } else { Err(VaultError::ReadOnly { path: self.root.clone() }) }
    }

    /// Sees to modes and folders; fails where nothing can be written.
    fn prepare(&self) -> Result<(), VaultError> {
        let mode = fs::metadata(&self.root).map_err(io_error("look at", &self.root))?.permissions().mode();
        if mode & 0o077 != 0 {
            fs::set_permissions(&self.root, Permissions::from_mode(0o700)).map_err(io_error("protect", &self.root))?;
        }
        self.objects.make_rooms()?;
        make_dir(&self.root.join("journals"))?;
        make_dir(&self.root.join("locks"))?;
        // Permission bits do not tell whether a write would succeed (read-only mounts); opening a lock file does.
        lock::try_writing(&self.root)
    }
}

const FORMAT_FILE: &str = "format.toml";
const NEW_FORMAT_FILE: &str = ".format.toml.part";

/// Makes a bench in a folder that is missing or empty. Two processes may try at once: one's format file wins.
fn create(dir: &Path) -> Result<(), VaultError> {
    make_dir(dir)?;
    for entry in fs::read_dir(dir).map_err(io_error("list", dir))? {
        let name = entry.map_err(io_error("list", dir))?.file_name();
        // What a creation leaves behind when it is cut off, or another process that is just creating.
        if ![FORMAT_FILE, NEW_FORMAT_FILE, "objects"].iter().any(|known| name == *known) {
            return Err(VaultError::NotABench { path: dir.to_path_buf() });
        }
    }
    fs::set_permissions(dir, Permissions::from_mode(0o700)).map_err(io_error("protect", dir))?;
    make_dir(&dir.join("objects"))?;
    let mut id = [0; 16];
    getrandom::fill(&mut id).map_err(|error| io_error("draw an id for", dir)(io::Error::other(error)))?;
    let id: String = id.iter().map(|byte| format!("{byte:02x}")).collect();
    let text = format!("# firmhand bench; do not edit\nformat = {BENCH_FORMAT}\nbench = \"{id}\"\n");
    let (new, path) = (dir.join(NEW_FORMAT_FILE), dir.join(FORMAT_FILE));
    write_synced(&new, text.as_bytes())?;
    match fs::hard_link(&new, &path) {
        // Another process that makes the same bench was first; it may have taken our new file away as well.
        Err(error) if !path.exists() => return Err(io_error("make", &path)(error)),
        _ => {}
    }
    let _ = fs::remove_file(&new);
    sync_dir(dir)
}

/// Writes a file anew, 0600 and durable.
pub(crate) fn write_synced(path: &Path, bytes: &[u8]) -> Result<(), VaultError> {
    let mut options = OpenOptions::new();
    options.write(true).create(true).truncate(true).mode(0o600);
    let file = options.open(path);
    file.and_then(|mut file| file.write_all(bytes).and_then(|()| file.sync_all())).map_err(io_error("write", path))
}

/// Returns the bench id. The format number is looked at before anything else, so that a newer file is told as such.
fn parse_format(text: &str, path: &Path) -> Result<String, VaultError> {
    let bad = |why: &str| VaultError::BadFormat { path: path.to_path_buf(), why: why.to_owned() };
    let table: toml::Table = text.parse().map_err(|error: toml::de::Error| bad(error.message()))?;
    let format = table.get("format").and_then(toml::Value::as_integer).and_then(|format| u64::try_from(format).ok());
    let found = format.ok_or_else(|| bad("`format` is missing or no number"))?;
    if found > BENCH_FORMAT {
        return Err(VaultError::NewerFormat { what: "the bench".to_owned(), found, known: BENCH_FORMAT });
    }
    match table.get("bench").and_then(toml::Value::as_str) {
        Some(id) if id.len() == 32 && id.bytes().all(|byte| byte.is_ascii_hexdigit()) => Ok(id.to_owned()),
        _ => Err(bad("`bench` is missing or not 32 hex digits")),
    }
}

fn refuses_writing(error: &io::Error) -> bool {
    matches!(error.kind(), io::ErrorKind::PermissionDenied | io::ErrorKind::ReadOnlyFilesystem)
}
