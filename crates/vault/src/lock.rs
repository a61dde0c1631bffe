//! Locks between processes, which say who holds them.
//!
//! A lock is a file in `locks/`, locked by the operating system and so released when its process ends, however it ends.
//! The file says who holds it; it stays behind empty, because removing a lock file races with whoever just opened it.
//!
//! | lock | held by | how |
//! |---|---|---|
//! | `job ID` | whoever may append to the job's journal; `forget`, repair, migration | alone, refused when taken |
//! | what callers name (links) | the caller, through [`Vault::lock`] | alone, refused when taken |
//! | `vault.store` | readers and puts; `forget` and repair alone | shared by the first, refused to the others when taken |
//! | | migration | alone, waits: it is over before the command that needs it begins |
//! | `vault.index` | whoever uses the index, for the length of a query | alone, waits |
//!
//! Callers' names have no dot in their file names, so none meets the vault's own.

use std::fmt;
use std::fs::{File, OpenOptions, TryLockError};
use std::io::{Read, Write};
use std::os::unix::fs::OpenOptionsExt;
use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};

use crate::Vault;
use crate::error::{VaultError, io_error};
use crate::names::{Digest, JobId, check_line, check_time};

/// Who holds a lock, as its file says.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Holder {
    /// Process id; 0 when the file did not say.
    pub pid: u32,
    /// What runs, for example `firmhand chip apply`.
    pub who: String,
    /// Since when, UTC; empty for what lasts moments.
    pub since: String,
}

impl fmt::Display for Holder {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if self.pid == 0 {
            return f.write_str(&self.who);
        }
        write!(f, "`{}` (process {})", self.who, self.pid)?;
        if self.since.is_empty() { Ok(()) } else { write!(f, " since {}", self.since) }
    }
}

/// A lock that is held until this is dropped or the process ends.
#[derive(Debug)]
pub struct Lock {
    file: File,
}

impl Vault {
    /// Takes the lock `name` for the caller alone. `who` says what runs, for example `firmhand chip apply`; `now` is a UTC
    /// time of RFC 3339. Any text will do as a name, slashes included.
    ///
    /// A job's lock is taken by opening its [`Journal`](crate::Journal) and needs no call here.
    ///
    /// # Errors
    /// [`VaultError::Busy`] with the holder when it is taken; [`VaultError::ReadOnly`]; [`VaultError::Io`].
    pub fn lock(&self, name: &str, who: &str, now: &str) -> Result<Lock, VaultError> {
        check_line("the holder", who)?;
        check_time(now)?;
        self.lock_since(name, who, now)
    }

    /// Takes the locks of these jobs, for what needs nobody at work on any of them.
    pub(crate) fn lock_jobs(&self, jobs: impl IntoIterator<Item = JobId>, who: &str) -> Result<Vec<Lock>, VaultError> {
        jobs.into_iter().map(|job| self.lock_since(&job_lock(&job), who, "")).collect()
    }

    fn lock_since(&self, name: &str, who: &str, since: &str) -> Result<Lock, VaultError> {
        self.must_write()?;
        let path = self.lock_path(&file_name(name));
        let mut file = open(&path)?;
        match file.try_lock() {
            Ok(()) => {}
            Err(TryLockError::WouldBlock) => {
                return Err(VaultError::Busy { name: name.to_owned(), holder: holder(&path) });
            }
            Err(TryLockError::Error(error)) => return Err(io_error("lock", &path)(error)),
        }
        let holder = Holder { pid: std::process::id(), who: who.to_owned(), since: since.to_owned() };
        let text = serde_json::to_vec(&holder).expect("a holder can be written as JSON");
        file.set_len(0).and_then(|()| file.write_all(&text)).map_err(io_error("write", &path))?;
        Ok(Lock { file })
    }

    pub(crate) fn lock_job(&self, job: &JobId, who: &str, now: &str) -> Result<Lock, VaultError> {
        self.lock(&job_lock(job), who, now)
    }

    /// Waits for the whole store.
    pub(crate) fn wait_for_store(&self) -> Result<Lock, VaultError> {
        let path = self.lock_path(STORE);
        let file = open(&path)?;
        file.lock().map_err(io_error("lock", &path))?;
        Ok(Lock { file })
    }

    /// Waits for a share of the store. A bench that is open for reading only has no locks: whoever made it so answers for
    /// its peace.
    pub(crate) fn share_store(&self) -> Result<Option<Lock>, VaultError> {
        self.own_lock(STORE, File::lock_shared)
    }

    /// Waits for the index.
    pub(crate) fn take_index(&self) -> Result<Option<Lock>, VaultError> {
        self.own_lock("vault.index", File::lock)
    }

    /// Takes the whole store, or says that somebody reads or writes.
    pub(crate) fn take_store(&self) -> Result<Lock, VaultError> {
        self.must_write()?;
        let path = self.lock_path(STORE);
        let file = open(&path)?;
        match file.try_lock() {
            Ok(()) => Ok(Lock { file }),
            Err(TryLockError::WouldBlock) => {
                let who = "another command that reads or writes it".to_owned();
                let holder = Holder { pid: 0, who, since: String::new() };
                Err(VaultError::Busy { name: "the vault".to_owned(), holder })
            }
            Err(TryLockError::Error(error)) => Err(io_error("lock", &path)(error)),
        }
    }

    fn own_lock(&self, name: &str, lock: fn(&File) -> std::io::Result<()>) -> Result<Option<Lock>, VaultError> {
        if !self.writable() {
            return Ok(None);
        }
        let path = self.lock_path(name);
        let file = open(&path)?;
        lock(&file).map_err(io_error("lock", &path))?;
        Ok(Some(Lock { file }))
    }

    fn lock_path(&self, name: &str) -> PathBuf {
        lock_path(self.root(), name)
    }
}

impl Drop for Lock {
    fn drop(&mut self) {
        // Only tidiness: the operating system's lock counts, and it goes with the file handle.
        let _ = self.file.set_len(0);
    }
}

/// Fails where lock files cannot be opened for writing.
pub(crate) fn try_writing(root: &Path) -> Result<(), VaultError> {
    open(&lock_path(root, STORE)).map(drop)
}

const STORE: &str = "vault.store";

fn job_lock(job: &JobId) -> String {
    format!("job {job}")
}

fn lock_path(root: &Path, name: &str) -> PathBuf {
    root.join("locks").join(format!("{name}.lock"))
}

fn open(path: &Path) -> Result<File, VaultError> {
    let mut options = OpenOptions::new();
    options.read(true).write(true).create(true).truncate(false).mode(0o600);
    options.open(path).map_err(io_error("open", path))
}

fn holder(path: &Path) -> Holder {
    let mut text = String::new();
    // Whoever just took the lock may not have written yet.
    let read = File::open(path).and_then(|file| file.take(4096).read_to_string(&mut text));
    read.ok().and_then(|_| serde_json::from_str(&text).ok()).unwrap_or_else(|| Holder {
        pid: 0,
        who: "a command that did not say its name yet".to_owned(),
        since: String::new(),
    })
}

/// Returns a file name for any text: letters, digits and `-` stand, the rest becomes `%XX`; long ones end in their hash.
fn file_name(name: &str) -> String {
    const MOST: usize = 150;
    let mut text = String::new();
    for byte in name.bytes() {
        if byte.is_ascii_alphanumeric() || byte == b'-' {
            text.push(char::from(byte));
        } else {
            text.push_str(&format!("%{byte:02X}"));
        }
    }
    if text.len() > MOST {
        text.truncate(MOST);
        text.push('-');
        text.push_str(&Digest::blake3(name.as_bytes()).short());
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lock_names_become_plain_and_distinct_file_names() {
        assert_eq!(file_name("/dev/spidev0.0"), "%2Fdev%2Fspidev0%2E0");
        assert_ne!(file_name("a/b"), file_name("a-b"));
        let long = |end: char| file_name(&format!("{}{end}", "/".repeat(300)));
        assert!(long('a').len() < 200);
        assert_ne!(long('a'), long('b'));
        assert!(!file_name("vault.store").contains('.'));
    }
}
