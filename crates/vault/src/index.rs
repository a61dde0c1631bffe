//! The index: which manifests there are, and which pack holds a chunk. SQLite, and never the truth.
//!
//! It is brought up to date from the names of the objects each time it is used, so a put writes objects alone, and a
//! missing, damaged or outdated file mends itself: it is made anew, and that fills it from the objects. When the file
//! cannot be used at all (read-only folder, full disk) the same tables stand in memory for the length of one call.
//!
//! Nobody trusts it with content: a place found here is checked against the pack's own index and the chunk's hash, and a
//! search that finds nothing is repeated on a fresh index before it is believed. Its file is opened and closed within one
//! call under the lock `vault.index`; two processes thus never disagree about which file is the index, and `forget` can
//! remove it whole. Names and job ids stand in it; facts do not (S15).

use std::collections::{HashMap, HashSet};
use std::fs;
use std::os::unix::fs::OpenOptionsExt;
use std::path::{Path, PathBuf};

use rusqlite::{Connection, Row, params};
use serde::Serialize;

use crate::Vault;
use crate::error::{VaultError, io_error};
use crate::manifest::Manifest;
use crate::names::{Digest, JobId, Kind};
use crate::objects::Room;
use crate::pack::Slot;

/// A line of the list of what is stored.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Listed {
    /// The content's id.
    pub id: Digest,
    /// The name that the caller gave.
    pub name: String,
    /// Capture or image.
    pub kind: Kind,
    /// The job that it belongs to, if any.
    pub job: Option<JobId>,
    /// Bytes in the content.
    pub size: u64,
    /// UTC time of RFC 3339 when it was taken.
    pub taken_at: String,
}

/// What to list; a field that is `None` does not narrow the list.
#[derive(Debug, Clone, Default)]
pub struct Filter {
    /// Contents of this job alone.
    pub job: Option<JobId>,
    /// Contents of this kind alone.
    pub kind: Option<Kind>,
    /// Contents of this name alone.
    pub name: Option<String>,
    /// The content of this id alone.
    pub id: Option<Digest>,
    /// The content of this SHA-256 alone.
    pub sha256: Option<Digest>,
}

/// The open index.
pub(crate) struct Index {
    db: Connection,
    /// Objects that could not be read into it.
    pub(crate) unreadable: Vec<VaultError>,
}

const SCHEMA: i64 = 2;
const TABLES: &str = "
    CREATE TABLE manifests (object TEXT PRIMARY KEY, id TEXT NOT NULL, name TEXT NOT NULL, kind TEXT NOT NULL, job TEXT,
                            size INTEGER NOT NULL, taken_at TEXT NOT NULL, sha256 TEXT NOT NULL);
    CREATE INDEX manifests_id ON manifests (id);
    CREATE INDEX manifests_sha256 ON manifests (sha256);
    CREATE TABLE packs (number INTEGER PRIMARY KEY, object TEXT NOT NULL UNIQUE);
    CREATE TABLE chunks (hash BLOB NOT NULL, pack INTEGER NOT NULL, PRIMARY KEY (hash, pack)) WITHOUT ROWID;
    CREATE INDEX chunks_pack ON chunks (pack);
";

impl Vault {
    /// Runs `query` on the index, brought up to date before.
    ///
    /// `query` may run again on an index made anew, and must not use the index or its lock itself.
    pub(crate) fn with_index<T>(
        &self,
        mut query: impl FnMut(&mut Index) -> rusqlite::Result<T>,
    ) -> Result<T, VaultError> {
        let _lock = self.take_index()?;
        if self.writable() {
            // The second turn is for a file that proved unusable in the first.
            for _ in 0..2 {
                match self.query_file(&mut query) {
                    Err(VaultError::Index { .. } | VaultError::NoSpace { .. } | VaultError::Io { .. }) => {}
                    result => return result,
                }
                if self.remove_index_files().is_err() {
                    break;
                }
            }
        }
        let mut index = Index { db: Connection::open_in_memory()?, unreadable: Vec::new() };
        index.db.execute_batch(TABLES)?;
        index.update(self)?;
        Ok(query(&mut index)?)
    }

    /// Removes the index; its next use makes it anew.
    pub(crate) fn drop_index(&self) -> Result<(), VaultError> {
        let _lock = self.take_index()?;
        if self.writable() { self.remove_index_files() } else { Ok(()) }
    }

    fn query_file<T>(&self, query: &mut impl FnMut(&mut Index) -> rusqlite::Result<T>) -> Result<T, VaultError> {
        let mut index = Index::open(&self.index_path())?;
        index.update(self)?;
        let answer = query(&mut index)?;
        index.db.close().map_err(|(_, source)| source)?;
        Ok(answer)
    }

    fn remove_index_files(&self) -> Result<(), VaultError> {
        for suffix in ["", "-wal", "-shm", "-journal"] {
            let mut path = self.index_path().into_os_string();
            path.push(suffix);
            let path = PathBuf::from(path);
            match fs::remove_file(&path) {
                Err(error) if error.kind() != std::io::ErrorKind::NotFound => {
                    return Err(io_error("remove", &path)(error));
                }
                _ => {}
            }
        }
        Ok(())
    }

    fn index_path(&self) -> PathBuf {
        self.root().join("index.sqlite")
    }
}

impl Index {
    fn open(path: &Path) -> Result<Self, VaultError> {
        // Made here and not by SQLite, for the mode; SQLite gives its side files the mode of the main one.
        let mut options = fs::OpenOptions::new();
        options.write(true).create(true).truncate(false).mode(0o600).open(path).map_err(io_error("open", path))?;
        let db = Connection::open(path)?;
        db.pragma_update(None, "journal_mode", "WAL")?;
        db.pragma_update(None, "synchronous", "NORMAL")?;
        let version: i64 = db.pragma_query_value(None, "user_version", |row| row.get(0))?;
        let tables: i64 = db.query_row("SELECT count(*) FROM sqlite_schema", [], |row| row.get(0))?;
        if version != SCHEMA {
            if tables != 0 {
                // Another program's schema: the caller removes the file and comes again.
                return Err(rusqlite::Error::InvalidQuery.into());
            }
            db.execute_batch(&format!("BEGIN; {TABLES} PRAGMA user_version = {SCHEMA}; COMMIT;"))?;
        }
        Ok(Self { db, unreadable: Vec::new() })
    }

    /// Takes in the objects that are new and drops those that are gone.
    fn update(&mut self, vault: &Vault) -> Result<(), VaultError> {
        let transaction = self.db.transaction()?;
        let known = names(&transaction, "SELECT object FROM manifests")?;
        let there: HashSet<_> = vault.objects().list(Room::Manifests)?.into_iter().collect();
        for name in there.difference(&known) {
            match vault.read_manifest(name) {
                Ok(manifest) => add_manifest(&transaction, name, &manifest)?,
                Err(error) => self.unreadable.push(error),
            }
        }
        for gone in known.difference(&there) {
            transaction.execute("DELETE FROM manifests WHERE object = ?1", [gone])?;
        }

        let known = names(&transaction, "SELECT object FROM packs")?;
        let there: HashSet<_> = vault.objects().list(Room::Packs)?.into_iter().collect();
        for name in there.difference(&known) {
            match vault.read_slots(name) {
                Ok(slots) => add_pack(&transaction, name, &slots)?,
                Err(error) => self.unreadable.push(error),
            }
        }
        for gone in known.difference(&there) {
            let number = "SELECT number FROM packs WHERE object = ?1";
            transaction.execute(&format!("DELETE FROM chunks WHERE pack IN ({number})"), [gone])?;
            transaction.execute("DELETE FROM packs WHERE object = ?1", [gone])?;
        }
        Ok(transaction.commit()?)
    }

    /// Returns the packs that are said to hold each of the chunks. Chunks that none holds are not in the answer.
    pub(crate) fn packs_of(&self, chunks: &[Digest]) -> rusqlite::Result<HashMap<Digest, Vec<String>>> {
        let mut query = self.db.prepare("SELECT object FROM chunks JOIN packs ON pack = number WHERE hash = ?1")?;
        let mut answer = HashMap::new();
        for chunk in chunks {
            let packs = query.query_map([&chunk.0], |row| row.get(0))?.collect::<rusqlite::Result<Vec<String>>>()?;
            if !packs.is_empty() {
                answer.insert(*chunk, packs);
            }
        }
        Ok(answer)
    }

    /// Returns the names of the manifests of a content, the oldest capture first.
    pub(crate) fn manifests_of(&self, id: &Digest) -> rusqlite::Result<Vec<String>> {
        let mut query = self.db.prepare("SELECT object FROM manifests WHERE id = ?1 ORDER BY taken_at, object")?;
        query.query_map([id.to_string()], |row| row.get(0))?.collect()
    }

    /// Returns what matches, newest first.
    pub(crate) fn list(&self, filter: &Filter) -> rusqlite::Result<Vec<Listed>> {
        let mut query = self.db.prepare(
            "SELECT id, name, kind, job, size, taken_at FROM manifests
             WHERE (?1 IS NULL OR job = ?1) AND (?2 IS NULL OR kind = ?2) AND (?3 IS NULL OR name = ?3)
               AND (?4 IS NULL OR sha256 = ?4) AND (?5 IS NULL OR id = ?5)
             ORDER BY taken_at DESC, name, object",
        )?;
        let job = filter.job.as_ref().map(JobId::as_str);
        let [sha256, id] = [filter.sha256, filter.id].map(|hash| hash.map(|hash| hash.to_string()));
        query.query_map(params![job, filter.kind.map(Kind::as_str), filter.name, sha256, id], listed)?.collect()
    }

    /// Returns what has this name, or an id that begins with these lower-case hex digits.
    pub(crate) fn find(&self, name: &str, digits: Option<&str>) -> rusqlite::Result<Vec<Listed>> {
        let mut query = self.db.prepare(
            "SELECT id, name, kind, job, size, taken_at FROM manifests
             WHERE name = ?1 OR (?2 IS NOT NULL AND substr(id, 1, length(?2)) = ?2) ORDER BY id, taken_at, object",
        )?;
        query.query_map(params![name, digits], listed)?.collect()
    }
}

fn names(db: &Connection, query: &str) -> rusqlite::Result<HashSet<String>> {
    db.prepare(query)?.query_map([], |row| row.get(0))?.collect()
}

fn add_manifest(db: &Connection, object: &str, manifest: &Manifest) -> rusqlite::Result<()> {
    let Manifest { blake3, sha256, name, kind, job, size, taken_at, .. } = manifest;
    let job = job.as_ref().map(JobId::as_str);
    // Sizes stay far below 2^63: a manifest's chunks are listed one by one or in runs of chunks that exist.
    let size = i64::try_from(*size).unwrap_or(i64::MAX);
    db.prepare_cached("INSERT INTO manifests VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8)")?.execute(params![
        object,
        blake3.to_string(),
        name,
        kind.as_str(),
        job,
        size,
        taken_at,
        sha256.to_string()
    ])?;
    Ok(())
}

fn add_pack(db: &Connection, object: &str, slots: &[Slot]) -> rusqlite::Result<()> {
    db.execute("INSERT INTO packs (object) VALUES (?1)", [object])?;
    let number = db.last_insert_rowid();
    let mut insert = db.prepare_cached("INSERT OR IGNORE INTO chunks VALUES (?1, ?2)")?;
    for slot in slots {
        insert.execute(params![slot.hash.0, number])?;
    }
    Ok(())
}

fn listed(row: &Row<'_>) -> rusqlite::Result<Listed> {
    let id: String = row.get(0)?;
    let kind: String = row.get(2)?;
    let job: Option<String> = row.get(3)?;
    let size: i64 = row.get(4)?;
    // A value that breaks its rule was not written by us: the index is damaged, and its file is made anew.
    let broken = |_| rusqlite::Error::InvalidQuery;
    Ok(Listed {
        id: id.parse().map_err(broken)?,
        name: row.get(1)?,
        kind: match kind.as_str() {
            "capture" => Kind::Capture,
            "image" => Kind::Image,
            _ => return Err(rusqlite::Error::InvalidQuery),
        },
        job: job.map(|job| JobId::new(&job)).transpose().map_err(broken)?,
        size: u64::try_from(size).map_err(|_| rusqlite::Error::InvalidQuery)?,
        taken_at: row.get(5)?,
    })
}
