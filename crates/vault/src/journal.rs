//! Journals: each job's append-only, hash-chained record, kept twice.
//!
//! An open journal is two local files, `journals/JOB.jsonl` and `twin/journals/JOB.jsonl` (the lines are described in
//! module `chain`, what two copies are together in module `twins`); a sealed one is an object, which stands twice as well.
//! A reader need not know which. An entry is durable in both copies when [`Journal::append`] returns.
//!
//! A [`Journal`] is the job's lock: while one is open, nobody else can append to that job, and `forget` refuses it.
//! Reading takes no lock, so the desk can show a journal that a command is writing.
//!
//! | cut off | what is left | what the next opening does |
//! |---|---|---|
//! | in an append, first copy | a torn last line | drops it and says so; that entry was never reported as written |
//! | in an append, second copy | one entry more in the first copy | completes the second one |
//! | in a creation | `.part` files, perhaps one copy | nothing without a copy; else completes the other one |
//! | in a seal | the entry `sealed`, perhaps the object too | finishes the seal |
//!
//! Damage that no cut explains, in one copy: reading takes the other; opening is refused until `scrub --repair` has put it
//! right, because a disk that loses old lines is nothing to go on writing to without a word. In both copies at the same
//! line it is an error and mends itself nowhere.
//!
//! What a reader would question: two syncs for each entry. An entry is written when a person or a chip did something that
//! takes seconds, and a sync takes milliseconds; a copy made at the end alone would leave the journal of the job that is
//! being done, the only one whose loss costs a board, on one file.
//!
//! Times are the caller's and are not compared: a clock that jumps back changes nothing, the order of lines is what counts.

use std::collections::BTreeMap;
use std::fs;
use std::io::{self, Write};
use std::path::{Path, PathBuf};

use bytes::Bytes;
use serde::Serialize;
use serde_json::{Value, json};

use crate::Vault;
use crate::chain::{self, Broken, Entry, SEALED};
use crate::disk::{DiskFile, files};
use crate::error::{ErrorKind, VaultError, damaged, io_error};
use crate::lock::Lock;
use crate::names::{Digest, JobId, check_line, check_time};
use crate::objects::{Created, Place, Room};
use crate::twins::{self, Copy, Merged};

/// An open journal that can be appended to. Holds the job's lock.
#[derive(Debug)]
pub struct Journal {
    vault: Vault,
    job: JobId,
    files: [DiskFile; 2],
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

/// Both copies of a journal, looked at for scrub and repair.
#[derive(Debug)]
pub(crate) struct Looked {
    pub(crate) merged: Merged,
    /// Whether it is an object; else two local files.
    pub(crate) object: bool,
}

const OPENED: &str = "opened";

impl Journal {
    /// Begins the journal of `job` with an entry `opened` that holds `header`. `who` is what runs, for the lock.
    ///
    /// # Errors
    /// [`VaultError::JournalExists`], open or sealed; [`VaultError::Busy`]; [`VaultError::ReadOnly`];
    /// [`VaultError::NoSpace`]; [`VaultError::Io`].
    pub fn create(vault: &Vault, job: &JobId, header: Value, who: &str, now: &str) -> Result<Self, VaultError> {
        check_time(now)?;
        let lock = vault.lock_job(job, who, now)?;
        let paths = vault.journal_paths(job);
        if vault.is_sealed(job) || paths.iter().any(|path| path.exists()) {
            return Err(VaultError::JournalExists { job: job.to_string() });
        }
        let (_, line) = chain::encode(0, now, OPENED, header, chain::root(job.as_str()));
        vault.disk().store(&[&paths[0], &paths[1]], &[Bytes::from(line.clone())])?;
        let merged = merge(job, [Some(&line), Some(&line)], true)?;
        Self::over(vault, job, &merged, lock)
    }

    /// Opens the journal of `job` to append to it. What a cut left of a last entry is dropped, in which case
    /// [`Journal::torn`] says so, or completed in the other copy.
    ///
    /// # Errors
    /// [`VaultError::NotFound`]; [`VaultError::JournalSealed`]; [`VaultError::JournalDamaged`];
    /// [`VaultError::CopyDamaged`] when one copy is damaged and a repair has to come first; [`VaultError::Busy`];
    /// [`VaultError::ReadOnly`]; [`VaultError::NoSpace`]; [`VaultError::Io`].
    pub fn open(vault: &Vault, job: &JobId, who: &str, now: &str) -> Result<Self, VaultError> {
        let lock = vault.lock_job(job, who, now)?;
        let Some(merged) = vault.merge_local(job)? else {
            return Err(if vault.is_sealed(job) {
                VaultError::JournalSealed { job: job.to_string() }
            } else {
                VaultError::NotFound { asked: format!("the journal of job {job}") }
            });
        };
        if let Some(why) = merged.copies.iter().find_map(|copy| merged.fault(copy)) {
            return Err(VaultError::CopyDamaged { object: vault.journal_name(job), why });
        }
        if merged.is_sealed() {
            vault.store_sealed(job, merged.bytes)?;
            return Err(VaultError::JournalSealed { job: job.to_string() });
        }
        Self::over(vault, job, &merged, lock)
    }

    /// Returns whether opening dropped a torn last line: an entry that was being written when everything stopped.
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
    /// After an error the end of the files is not known, so this handle takes no further entry; opening the journal again
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

    /// Closes the journal: it becomes an object, and the local files go. Cut off, the next opening finishes it.
    ///
    /// # Errors
    /// As [`Journal::append`]; [`VaultError::Damaged`] when an object of that name holds something else.
    pub fn seal(mut self, now: &str) -> Result<(), VaultError> {
        self.write(SEALED, json!({}), now)?;
        match self.vault.merge_local(&self.job)? {
            Some(merged) => self.vault.store_sealed(&self.job, merged.bytes),
            None => Err(VaultError::NotFound { asked: self.vault.journal_name(&self.job) }),
        }
    }

    /// Opens both files, each brought to the merged chain before.
    fn over(vault: &Vault, job: &JobId, merged: &Merged, lock: Lock) -> Result<Self, VaultError> {
        let [first, twin] = vault.journal_paths(job);
        let open = |path: &Path, copy: &Copy| -> Result<DiskFile, VaultError> {
            match *copy {
                Copy::Whole => vault.disk().append(path),
                Copy::Behind { good_len, torn, .. } => {
                    let mut file = vault.disk().append(path)?;
                    if torn {
                        file.cut(good_len as u64)?;
                    }
                    file.write_all(&merged.bytes[good_len..]).map_err(io_error("append to", path))?;
                    file.sync()?;
                    Ok(file)
                }
                Copy::Missing | Copy::Damaged(_) => {
                    vault.disk().store(&[path], &[Bytes::copy_from_slice(&merged.bytes)])?;
                    vault.disk().append(path)
                }
            }
        };
        let files = [open(&first, &merged.copies[0])?, open(&twin, &merged.copies[1])?];
        Ok(Self {
            vault: vault.clone(),
            job: job.clone(),
            files,
            len: merged.bytes.len() as u64,
            next: merged.entries.len() as u64,
            last: merged.entries.last().map_or_else(|| chain::root(job.as_str()), |entry| entry.hash),
            torn: merged.torn(),
            broken: false,
            _lock: lock,
        })
    }

    fn write(&mut self, kind: &str, body: Value, now: &str) -> Result<Entry, VaultError> {
        check_time(now)?;
        if self.broken {
            return Err(VaultError::JournalBroken { job: self.job.to_string() });
        }
        let (entry, line) = chain::encode(self.next, now, kind, body, self.last);
        let paths = self.vault.journal_paths(&self.job);
        let written = self.files.iter_mut().zip(&paths).try_for_each(|(file, path)| {
            file.write_all(&line).map_err(io_error("append to", path))?;
            file.sync()
        });
        if let Err(error) = written {
            self.broken = true;
            // Takes a half line away where that can be done; where it cannot, opening does it. The second copy first: it
            // must not be the longer one.
            for file in self.files.iter_mut().rev() {
                let _ = file.cut(self.len).and_then(|()| file.sync());
            }
            return Err(error);
        }
        self.len += line.len() as u64;
        self.next += 1;
        self.last = entry.hash;
        Ok(entry)
    }
}

impl Vault {
    /// Returns the journal of `job`, open or sealed, out of whichever copy is good.
    ///
    /// # Errors
    /// [`VaultError::NotFound`]; [`VaultError::JournalDamaged`] when both copies are; [`VaultError::Io`].
    pub fn read_journal(&self, job: &JobId) -> Result<Log, VaultError> {
        let [first, twin] = self.journal_paths(job);
        // A first copy that is whole and as long as the second needs no second look: this is read for every job's line.
        if let Some(bytes) = read_local(&first)?
            && fs::metadata(&twin).is_ok_and(|twin| twin.len() == bytes.len() as u64)
            && let Some(log) = whole(job, &bytes)
        {
            return Ok(log);
        }
        if let Some(merged) = self.merge_local(job)? {
            // A seal that was cut off: closed in truth, and the next opening tidies up.
            return Ok(Log { torn: merged.torn(), sealed: merged.is_sealed(), entries: merged.entries });
        }
        // Its last entry says that nothing is missing at the end.
        if let Ok(bytes) = self.objects().read_at(Room::Journals, Place::First, job.as_str())
            && let Some(log) = whole(job, &bytes).filter(|log| log.sealed)
        {
            return Ok(log);
        }
        let merged = self.merge_sealed(job)?;
        let merged = merged.ok_or(VaultError::NotFound { asked: self.journal_name(job) })?;
        Ok(Log { entries: merged.entries, torn: false, sealed: true })
    }

    /// Returns all journals, open and sealed, sorted by job.
    ///
    /// # Errors
    /// [`VaultError::Io`].
    pub fn journals(&self) -> Result<Vec<JournalInfo>, VaultError> {
        let mut found = BTreeMap::new();
        for dir in self.journal_dirs() {
            found.extend(files(&dir)?.iter().filter_map(|path| job_of(path)).map(|job| (job, false)));
        }
        let sealed = self.objects().list(Room::Journals)?;
        found.extend(sealed.iter().filter_map(|name| JobId::new(name).ok()).map(|job| (job, true)));
        Ok(found.into_iter().map(|(job, sealed)| JournalInfo { job, sealed }).collect())
    }

    /// Returns the files in the journals' folders that are no journals.
    pub(crate) fn journal_leftovers(&self) -> Result<Vec<PathBuf>, VaultError> {
        let mut left = Vec::new();
        for dir in self.journal_dirs() {
            left.extend(files(&dir)?.into_iter().filter(|path| job_of(path).is_none()));
        }
        Ok(left)
    }

    /// Removes the journal of `job`, open or sealed, if there is one. The caller holds the job's lock.
    pub(crate) fn remove_journal(&self, job: &JobId) -> Result<(), VaultError> {
        self.remove_local(job)?;
        self.objects().remove(Room::Journals, job.as_str())
    }

    /// Returns both copies of the journal of `job`, merged. An unfinished seal counts as the local files.
    pub(crate) fn look_at_journal(&self, job: &JobId) -> Result<Looked, VaultError> {
        if let Some(merged) = self.merge_local(job)? {
            return Ok(Looked { merged, object: false });
        }
        let merged = self.merge_sealed(job)?;
        let merged = merged.ok_or(VaultError::NotFound { asked: self.journal_name(job) })?;
        Ok(Looked { merged, object: true })
    }

    /// Writes the merged journal over each copy that is not it. The caller holds the job's lock and the store.
    pub(crate) fn repair_journal(&self, job: &JobId, looked: &Looked) -> Result<(), VaultError> {
        let parts = [Bytes::copy_from_slice(&looked.merged.bytes)];
        let places = Room::Journals.places().iter().zip(self.journal_paths(job)).zip(&looked.merged.copies);
        for ((place, path), _) in places.filter(|(_, copy)| **copy != Copy::Whole) {
            match looked.object {
                true => self.objects().replace(Room::Journals, *place, job.as_str(), &parts)?,
                false => self.disk().store(&[&path], &parts)?,
            }
        }
        Ok(())
    }

    /// Returns the files of an open journal, the first copy and the second.
    pub(crate) fn journal_paths(&self, job: &JobId) -> [PathBuf; 2] {
        self.journal_dirs().map(|dir| dir.join(format!("{job}.jsonl")))
    }

    pub(crate) fn journal_dirs(&self) -> [PathBuf; 2] {
        [self.root().join("journals"), self.root().join("twin/journals")]
    }

    fn journal_name(&self, job: &JobId) -> String {
        format!("the journal of job {job}")
    }

    /// Returns the two local files, merged; none when neither is there.
    fn merge_local(&self, job: &JobId) -> Result<Option<Merged>, VaultError> {
        let [first, twin] = self.journal_paths(job);
        let (first, twin) = (read_local(&first)?, read_local(&twin)?);
        if first.is_none() && twin.is_none() {
            return Ok(None);
        }
        merge(job, [first.as_deref(), twin.as_deref()], true).map(Some)
    }

    /// Returns the sealed journal; none when neither copy is there. A first copy that is whole is taken as it is.
    fn merge_sealed(&self, job: &JobId) -> Result<Option<Merged>, VaultError> {
        if !self.is_sealed(job) {
            return Ok(None);
        }
        let read = |place| match self.objects().read_at(Room::Journals, place, job.as_str()) {
            Ok(bytes) => Ok(Some(bytes)),
            // Missing, or the disk does not give it back.
            Err(error) if error.kind() == ErrorKind::Data => Ok(None),
            Err(error) => Err(error),
        };
        let (first, twin) = (read(Place::First)?, read(Place::Twin)?);
        let merged = merge(job, [first.as_deref(), twin.as_deref()], false)?;
        if !merged.is_sealed() {
            let why = "the entry that closes it is missing".to_owned();
            let line = merged.entries.len() as u64 + 1;
            return Err(VaultError::JournalDamaged { job: job.to_string(), line, why });
        }
        Ok(Some(merged))
    }

    fn is_sealed(&self, job: &JobId) -> bool {
        let places = Room::Journals.places().iter();
        places.map(|place| self.objects().path(Room::Journals, *place, job.as_str())).any(|path| path.exists())
    }

    /// Stores the bytes of a journal, whose last entry is `sealed`, as an object, then removes the local files.
    fn store_sealed(&self, job: &JobId, bytes: Vec<u8>) -> Result<(), VaultError> {
        let (name, bytes) = (job.as_str(), Bytes::from(bytes));
        let _share = self.share_store()?;
        if self.objects().create(Room::Journals, name, std::slice::from_ref(&bytes))? == Created::WasThere
            && self.objects().read(Room::Journals, name, |stored| stored == bytes)? != bytes
        {
            let key = self.objects().key(Room::Journals, name);
            return Err(damaged(&key, "it is not the journal that is to be sealed"));
        }
        self.remove_local(job)
    }

    fn remove_local(&self, job: &JobId) -> Result<(), VaultError> {
        let [first, twin] = self.journal_paths(job);
        self.disk().unstore(&[&first, &twin])
    }
}

fn read_local(path: &Path) -> Result<Option<Vec<u8>>, VaultError> {
    const NO_DATA: i32 = 5; // EIO on Linux: the other copy may be readable
    match fs::read(path) {
        Ok(bytes) => Ok(Some(bytes)),
        Err(error) if error.kind() == io::ErrorKind::NotFound || error.raw_os_error() == Some(NO_DATA) => Ok(None),
        Err(error) => Err(io_error("read", path)(error)),
    }
}

/// Returns what a copy says that is whole by itself.
fn whole(job: &JobId, bytes: &[u8]) -> Option<Log> {
    let entries = chain::decode(job.as_str(), bytes, false).ok()?.entries;
    let sealed = entries.last()?.kind == SEALED;
    (entries.first()?.kind == OPENED).then_some(Log { entries, torn: false, sealed })
}

/// Returns the chain of the copies, which begins with the entry `opened`.
fn merge(job: &JobId, copies: [Option<&[u8]>; 2], may_be_torn: bool) -> Result<Merged, VaultError> {
    let broken = |Broken { line, why }| VaultError::JournalDamaged { job: job.to_string(), line, why };
    let merged = twins::merge(job.as_str(), copies, may_be_torn).map_err(broken)?;
    if merged.entries.first().is_none_or(|entry| entry.kind != OPENED) {
        // A journal appears under its name with its first entry in it, so this is no torn creation.
        return Err(broken(Broken { line: 1, why: "the entry that opens it is missing".to_owned() }));
    }
    Ok(merged)
}

fn job_of(path: &Path) -> Option<JobId> {
    JobId::new(path.file_name()?.to_str()?.strip_suffix(".jsonl")?).ok()
}
