//! Journals: each job's append-only, hash-chained record.
//!
//! An open journal is the local file `journals/JOB.jsonl` (the lines are described in module `chain`); a sealed one is an
//! object. A reader need not know which. An entry is durable when [`Journal::append`] returns.
//!
//! A [`Journal`] is the job's lock: while one is open, nobody else can append to that job, and `forget` refuses it.
//! Reading takes no lock, so the desk can show a journal that a command is writing.
//!
//! | cut off | what is left | what the next opening does |
//! |---|---|---|
//! | in an append | a torn last line | drops it and says so; that entry was never reported as written |
//! | in a creation | a `.part` file | nothing; the journal is not there |
//! | in a seal | the entry `sealed`, perhaps the object too | finishes the seal |
//!
//! Damage before the last line is an error and mends itself nowhere.

use std::fs::{self, File, OpenOptions};
use std::io::{self, Write};
use std::path::{Path, PathBuf};

use bytes::Bytes;
use serde::Serialize;
use serde_json::{Value, json};

use crate::chain::{self, Broken, Chain, Entry};
use crate::error::{VaultError, damaged, io_error};
use crate::lock::Lock;
use crate::names::{Digest, JobId, check_line, check_time};
use crate::objects::{Created, Room, files, sync_dir};
use crate::{Vault, write_synced};

/// An open journal that can be appended to. Holds the job's lock.
#[derive(Debug)]
pub struct Journal {
    vault: Vault,
    job: JobId,
    file: File,
    path: PathBuf,
    len: u64,
    next: u64,
    last: Digest,
    torn: bool,
    broken: bool,
    _lock: Lock,
}

/// A journal as read.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Log {
    /// The entries, all hashes checked. The first is of kind `opened`, and its body is the header.
    pub entries: Vec<Entry>,
    /// Whether a torn last line was left out. While a command is appending, it may just not be finished.
    pub torn: bool,
    /// Whether the journal is closed.
    pub sealed: bool,
}

/// A journal that is there.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct JournalInfo {
    /// The job.
    pub job: JobId,
    /// Whether it is closed.
    pub sealed: bool,
}

const OPENED: &str = "opened";
const SEALED: &str = "sealed";

impl Journal {
    /// Begins the journal of `job` with an entry `opened` that holds `header`. `who` is what runs, for the lock.
    ///
    /// # Errors
    /// [`VaultError::JournalExists`], open or sealed; [`VaultError::Busy`]; [`VaultError::ReadOnly`];
    /// [`VaultError::NoSpace`]; [`VaultError::Io`].
    pub fn create(vault: &Vault, job: &JobId, header: Value, who: &str, now: &str) -> Result<Self, VaultError> {
        check_time(now)?;
        let lock = vault.lock_job(job, who, now)?;
        let exists = || VaultError::JournalExists { job: job.to_string() };
        if vault.sealed_jobs()?.contains(job) {
            return Err(exists());
        }
        let (entry, line) = chain::encode(0, now, OPENED, header, chain::root(job.as_str()));
        let path = vault.journal_path(job);
        let part = path.with_extension("jsonl.part");
        write_synced(&part, &line)?;
        let linked = fs::hard_link(&part, &path);
        fs::remove_file(&part).map_err(io_error("remove", &part))?;
        match linked {
            Err(error) if error.kind() == io::ErrorKind::AlreadyExists => return Err(exists()),
            linked => linked.map_err(io_error("make", &path))?,
        }
        sync_dir(&vault.journals_dir())?;
        let chain = Chain { entries: vec![entry], good_len: line.len(), torn: false };
        Self::over(vault, job, &chain, lock)
    }

    /// Opens the journal of `job` to append to it. A torn last line is cut off; [`Journal::torn`] says so.
    ///
    /// # Errors
    /// [`VaultError::NotFound`]; [`VaultError::JournalSealed`]; [`VaultError::JournalDamaged`]; [`VaultError::Busy`];
    /// [`VaultError::ReadOnly`]; [`VaultError::Io`].
    pub fn open(vault: &Vault, job: &JobId, who: &str, now: &str) -> Result<Self, VaultError> {
        let lock = vault.lock_job(job, who, now)?;
        let path = vault.journal_path(job);
        let bytes = match fs::read(&path) {
            Err(error) if error.kind() == io::ErrorKind::NotFound => {
                return Err(if vault.sealed_jobs()?.contains(job) {
                    VaultError::JournalSealed { job: job.to_string() }
                } else {
                    VaultError::NotFound { asked: format!("the journal of job {job}") }
                });
            }
            bytes => bytes.map_err(io_error("read", &path))?,
        };
        let chain = decode(job, &bytes, true)?;
        let journal = Self::over(vault, job, &chain, lock)?;
        if chain.entries.last().is_some_and(|entry| entry.kind == SEALED) {
            journal.store_sealed()?;
            return Err(VaultError::JournalSealed { job: job.to_string() });
        }
        Ok(journal)
    }

    /// Returns whether opening cut off a torn last line: an entry that was being written when everything stopped.
    #[must_use]
    pub fn torn(&self) -> bool {
        self.torn
    }

    /// Returns the job.
    #[must_use]
    pub fn job(&self) -> &JobId {
        &self.job
    }

    /// Appends an entry and returns it once it is durable. `now` is a UTC time of RFC 3339.
    ///
    /// After an error the end of the file is not known, so this handle takes no further entry; opening the journal again
    /// finds out.
    ///
    /// # Errors
    /// [`VaultError::NoSpace`], [`VaultError::Io`]; [`VaultError::JournalBroken`] after one of these;
    /// [`VaultError::BadName`] for the time, or a kind that is empty or the vault's own.
    pub fn append(&mut self, kind: &str, body: Value, now: &str) -> Result<Entry, VaultError> {
        check_line("the entry's kind", kind)?;
        if [OPENED, SEALED].contains(&kind) {
            return Err(VaultError::BadName {
                what: "the entry's kind",
                given: kind.to_owned(),
                rule: "`opened` and `sealed` are written by the vault alone",
            });
        }
        self.write(kind, body, now)
    }

    /// Closes the journal: it becomes an object, and the local file goes. Cut off, the next opening finishes it.
    ///
    /// # Errors
    /// As [`Journal::append`]; [`VaultError::Damaged`] when an object of that name holds something else.
    pub fn seal(mut self, now: &str) -> Result<(), VaultError> {
        self.write(SEALED, json!({}), now)?;
        self.store_sealed()
    }

    fn over(vault: &Vault, job: &JobId, chain: &Chain, lock: Lock) -> Result<Self, VaultError> {
        let path = vault.journal_path(job);
        let file = OpenOptions::new().append(true).open(&path).map_err(io_error("open", &path))?;
        let len = chain.good_len as u64;
        if chain.torn {
            file.set_len(len).and_then(|()| file.sync_all()).map_err(io_error("cut the torn end off", &path))?;
        }
        let last = chain.entries.last().map_or_else(|| chain::root(job.as_str()), |entry| entry.hash);
        let next = chain.entries.len() as u64;
        let (vault, job) = (vault.clone(), job.clone());
        Ok(Self { vault, job, file, path, len, next, last, torn: chain.torn, broken: false, _lock: lock })
    }

    fn write(&mut self, kind: &str, body: Value, now: &str) -> Result<Entry, VaultError> {
        check_time(now)?;
        if self.broken {
            return Err(VaultError::JournalBroken { job: self.job.to_string() });
        }
        let (entry, line) = chain::encode(self.next, now, kind, body, self.last);
        if let Err(error) = self.file.write_all(&line).and_then(|()| self.file.sync_data()) {
            self.broken = true;
            // Takes a half line away where that can be done; where it cannot, opening does it.
            let _ = self.file.set_len(self.len).and_then(|()| self.file.sync_data());
            return Err(io_error("append to", &self.path)(error));
        }
        self.len += line.len() as u64;
        self.next += 1;
        self.last = entry.hash;
        Ok(entry)
    }

    /// Stores the file, whose last entry is `sealed`, as an object, then removes it.
    fn store_sealed(&self) -> Result<(), VaultError> {
        let objects = self.vault.objects();
        let name = self.job.as_str();
        let bytes = Bytes::from(fs::read(&self.path).map_err(io_error("read", &self.path))?);
        let _share = self.vault.share_store()?;
        if objects.create(Room::Journals, name, bytes.clone().into())? == Created::WasThere
            && objects.read(Room::Journals, name)? != bytes
        {
            return Err(damaged(&objects.key(Room::Journals, name), "it is not the journal that is to be sealed"));
        }
        fs::remove_file(&self.path).map_err(io_error("remove", &self.path))?;
        sync_dir(&self.vault.journals_dir())
    }
}

impl Vault {
    /// Returns the journal of `job`, open or sealed.
    ///
    /// # Errors
    /// [`VaultError::NotFound`]; [`VaultError::JournalDamaged`]; [`VaultError::Io`].
    pub fn read_journal(&self, job: &JobId) -> Result<Log, VaultError> {
        let path = self.journal_path(job);
        match fs::read(&path) {
            Ok(bytes) => {
                let Chain { entries, torn, .. } = decode(job, &bytes, true)?;
                // A seal that was cut off: closed in truth, and the next opening tidies up.
                let sealed = entries.last().is_some_and(|entry| entry.kind == SEALED);
                Ok(Log { entries, torn, sealed })
            }
            Err(error) if error.kind() == io::ErrorKind::NotFound => self.read_sealed(job),
            Err(error) => Err(io_error("read", &path)(error)),
        }
    }

    /// Returns all journals, open and sealed, sorted by job.
    ///
    /// # Errors
    /// [`VaultError::Io`].
    pub fn journals(&self) -> Result<Vec<JournalInfo>, VaultError> {
        let mut found: Vec<_> = self.sealed_jobs()?.into_iter().map(|job| JournalInfo { job, sealed: true }).collect();
        for path in files(&self.journals_dir())? {
            let Some(job) = job_of(&path) else { continue };
            if !found.iter().any(|info| info.job == job) {
                found.push(JournalInfo { job, sealed: false });
            }
        }
        found.sort_by(|a, b| a.job.cmp(&b.job));
        Ok(found)
    }

    /// Returns the files in the journals' folder that are no journals.
    pub(crate) fn journal_leftovers(&self) -> Result<Vec<PathBuf>, VaultError> {
        let mut files = files(&self.journals_dir())?;
        files.retain(|path| job_of(path).is_none());
        Ok(files)
    }

    /// Removes the journal of `job`, open or sealed, if there is one. The caller holds the job's lock.
    pub(crate) fn remove_journal(&self, job: &JobId) -> Result<(), VaultError> {
        let path = self.journal_path(job);
        match fs::remove_file(&path) {
            Err(error) if error.kind() != io::ErrorKind::NotFound => return Err(io_error("remove", &path)(error)),
            _ => sync_dir(&self.journals_dir())?,
        }
        self.objects().remove(Room::Journals, job.as_str())
    }

    pub(crate) fn journals_dir(&self) -> PathBuf {
        self.root().join("journals")
    }

    fn read_sealed(&self, job: &JobId) -> Result<Log, VaultError> {
        if !self.sealed_jobs()?.contains(job) {
            return Err(VaultError::NotFound { asked: format!("the journal of job {job}") });
        }
        let entries = decode(job, &self.objects().read(Room::Journals, job.as_str())?, false)?.entries;
        if entries.last().is_none_or(|entry| entry.kind != SEALED) {
            let (job, line) = (job.to_string(), entries.len() as u64 + 1);
            return Err(VaultError::JournalDamaged {
                job,
                line,
                why: "the entry that closes it is missing".to_owned(),
            });
        }
        Ok(Log { entries, torn: false, sealed: true })
    }

    fn sealed_jobs(&self) -> Result<Vec<JobId>, VaultError> {
        Ok(self.objects().list(Room::Journals)?.iter().filter_map(|name| JobId::new(name).ok()).collect())
    }

    fn journal_path(&self, job: &JobId) -> PathBuf {
        self.journals_dir().join(format!("{job}.jsonl"))
    }
}

/// Returns the chain in `bytes`, which begins with the entry `opened`.
fn decode(job: &JobId, bytes: &[u8], may_be_torn: bool) -> Result<Chain, VaultError> {
    let broken = |Broken { line, why }| VaultError::JournalDamaged { job: job.to_string(), line, why };
    let chain = chain::decode(job.as_str(), bytes, may_be_torn).map_err(broken)?;
    if chain.entries.first().is_none_or(|entry| entry.kind != OPENED) {
        // A journal appears under its name with its first entry in it, so this is no torn creation.
        return Err(broken(Broken { line: 1, why: "the entry that opens it is missing".to_owned() }));
    }
    Ok(chain)
}

fn job_of(path: &Path) -> Option<JobId> {
    JobId::new(path.file_name()?.to_str()?.strip_suffix(".jsonl")?).ok()
}
