//! Scrub: reads everything and checks every hash. It removes nothing.
//!
//! | object | checked |
//! |---|---|
//! | pack | its name over all its bytes, its index, every chunk |
//! | manifest | its name over all its bytes; that its chunks give the content's BLAKE3 and SHA-256 |
//! | journal | the whole chain, open or sealed |
//! | note | the chain over all notes |
//!
//! Contents are thus read twice, once by pack and once by manifest: the first finds damage that no content touches, the
//! second is what a restore would do. The index is not checked but made anew, since it is never the truth.

use std::collections::HashSet;
use std::io::{self, Write};
use std::path::PathBuf;

use serde::Serialize;
use sha2::{Digest as _, Sha256};

use crate::Vault;
use crate::error::{VaultError, damaged};
use crate::manifest::Manifest;
use crate::names::Digest;
use crate::objects::Room;
use crate::pack;

/// How far a scrub is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Progress {
    /// Objects and journals checked.
    pub done: u64,
    /// Objects and journals in all.
    pub total: u64,
}

/// Something that is not as it was stored.
#[derive(Debug)]
pub struct Damage {
    /// The object's key, or the journal.
    pub object: String,
    /// What is wrong.
    pub error: VaultError,
}

/// A pack with chunks that no manifest lists: what a put leaves that was cut off.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Unreferenced {
    /// The pack's key.
    pub object: String,
    /// Chunks in it that nothing lists.
    pub chunks: u64,
    /// Bytes that they take.
    pub bytes: u64,
}

/// What a scrub found.
#[derive(Debug, Default)]
pub struct ScrubReport {
    /// Packs read.
    pub packs: u64,
    /// Manifests read, each with its content.
    pub manifests: u64,
    /// Journals read.
    pub journals: u64,
    /// Notes of what was forgotten.
    pub notes: u64,
    /// Bytes of content that were read and gave their hashes.
    pub content_bytes: u64,
    /// All that is damaged.
    pub damaged: Vec<Damage>,
    /// Packs with chunks that no manifest lists. Harmless; `forget` takes them away.
    pub unreferenced: Vec<Unreferenced>,
    /// Files that are no objects: what a write leaves that was cut off. Harmless; `forget` takes them away.
    pub leftovers: Vec<PathBuf>,
    /// Open journals whose last line is torn; the next opening drops it.
    pub torn: Vec<String>,
}

impl ScrubReport {
    /// Returns whether everything that was stored is there and gives its hashes.
    #[must_use]
    pub fn is_sound(&self) -> bool {
        self.damaged.is_empty()
    }
}

impl Vault {
    /// Reads everything and checks every hash; calls `progress` after each object. Works on read-only benches too.
    ///
    /// # Errors
    /// [`VaultError::Io`] when folders cannot be listed. Damage is no error: it stands in the report.
    pub fn scrub(&self, progress: &mut dyn FnMut(Progress)) -> Result<ScrubReport, VaultError> {
        let _share = self.share_store()?;
        self.drop_index()?;
        let packs = self.objects().list(Room::Packs)?;
        let manifests = self.objects().list(Room::Manifests)?;
        let journals = self.journals()?;
        let total = (packs.len() + manifests.len() + journals.len() + 1) as u64;
        let mut report = ScrubReport::default();
        let mut done = 0;
        let mut step = || {
            done += 1;
            progress(Progress { done, total });
        };

        let mut listed = HashSet::new();
        for name in &manifests {
            match self.scrub_manifest(name, &mut listed) {
                Ok(bytes) => report.content_bytes += bytes,
                Err(error) => report.damage(self.objects().key(Room::Manifests, name), error),
            }
            report.manifests += 1;
            step();
        }
        for name in &packs {
            let object = self.objects().key(Room::Packs, name);
            match self.scrub_pack(name, &object, &listed, &mut report) {
                Ok(Unreferenced { chunks: 0, .. }) => {}
                Ok(unreferenced) => report.unreferenced.push(unreferenced),
                Err(error) => report.damage(object, error),
            }
            report.packs += 1;
            step();
        }
        for info in &journals {
            match self.read_journal(&info.job) {
                Ok(log) if log.torn => report.torn.push(info.job.to_string()),
                Ok(_) => {}
                Err(error) => report.damage(format!("the journal of job {}", info.job), error),
            }
            report.journals += 1;
            step();
        }
        match self.notes() {
            Ok(notes) => report.notes = notes.len() as u64,
            Err(error) => report.damage("the notes of what was forgotten".to_owned(), error),
        }
        step();
        report.leftovers = self.objects().leftovers()?;
        report.leftovers.extend(self.journal_leftovers()?);
        Ok(report)
    }

    /// Returns the bytes of the content; adds the manifest's chunks to `listed`.
    fn scrub_manifest(&self, name: &str, listed: &mut HashSet<Digest>) -> Result<u64, VaultError> {
        let object = self.objects().key(Room::Manifests, name);
        let manifest: Manifest = self.read_manifest(name)?;
        listed.extend(manifest.chunks.iter().map(|(hash, _)| *hash));
        let mut sha256 = Hashing(Sha256::new());
        self.write_content(&object, &manifest, &mut sha256)?;
        if sha256.0.finalize()[..] != manifest.sha256.0 {
            return Err(damaged(&object, "its chunks do not give the content's SHA-256"));
        }
        Ok(manifest.size)
    }

    /// Returns what in the pack no manifest lists. Each damaged chunk goes into `report`.
    fn scrub_pack(
        &self,
        name: &str,
        object: &str,
        listed: &HashSet<Digest>,
        report: &mut ScrubReport,
    ) -> Result<Unreferenced, VaultError> {
        let slots = self.read_slots(name)?;
        let bytes = self.objects().read(Room::Packs, name)?;
        let before = report.damaged.len();
        let mut unreferenced = Unreferenced { object: object.to_owned(), chunks: 0, bytes: 0 };
        for slot in &slots {
            if let Err(why) = slot.stored(&bytes).and_then(|stored| pack::unpack(slot, &stored)) {
                let (object, chunk) = (object.to_owned(), Some(slot.hash));
                let error = VaultError::Damaged { object: object.clone(), chunk, at: None, why: why.to_owned() };
                report.damage(object, error);
            }
            if !listed.contains(&slot.hash) {
                unreferenced.chunks += 1;
                unreferenced.bytes += u64::from(slot.stored_len);
            }
        }
        if report.damaged.len() == before && Digest::blake3(&bytes).to_string() != name {
            return Err(damaged(object, "its bytes do not give its name"));
        }
        Ok(unreferenced)
    }
}

impl ScrubReport {
    fn damage(&mut self, object: String, error: VaultError) {
        self.damaged.push(Damage { object, error });
    }
}

struct Hashing(Sha256);

impl Write for Hashing {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.0.update(bytes);
        Ok(bytes.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}
