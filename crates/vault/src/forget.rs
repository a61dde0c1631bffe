//! Forgetting: the one way in which anything leaves the vault (S15).
//!
//! The order is what lets it be cut off anywhere and run again:
//!
//! 1. everything that decides is read: all manifests and pack indexes. One that cannot be read stops the whole, because
//!    its chunks might be another job's;
//! 2. a note `begun` says who, why, and which contents go, durable before anything goes;
//! 3. the job's manifests are removed;
//! 4. each pack is left (all its chunks are listed), removed (none is), or written anew with the listed ones, the new one
//!    durable before the old is removed; its parity goes with it. Chunks that nothing lists go too, whosever they were: a
//!    put of this job that was cut off would otherwise keep its bytes;
//! 5. the job's journal, what interrupted writes left, and the index (names stand in it) are removed;
//! 6. a note `done` closes it.
//!
//! Both copies of what stands twice go. Run again after a cut, step 2 finds its note and steps 3 to 6 find less to do.
//!
//! What is not ours to remove: exported files, copies of the bench, and what a file system or a flash disk keeps of
//! deleted files.

use std::collections::HashSet;

use serde::{Deserialize, Serialize};
use serde_json::json;

use crate::Vault;
use crate::chain::Entry;
use crate::error::VaultError;
use crate::manifest::Manifest;
use crate::names::{Digest, JobId, Kind, check_line, check_time};
use crate::notes::NOTES;
use crate::objects::Room;
use crate::pack::Slot;
use crate::shards::Draft;

/// A content that a job had.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Forgotten {
    /// The content's id.
    pub id: Digest,
    /// Bytes in it.
    pub size: u64,
    /// Capture or image.
    pub kind: Kind,
    /// Whether another job, or no job, also holds it: then its bytes stay.
    pub shared: bool,
}

/// What a forget did.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct ForgetReport {
    /// The contents that the job had, as the note `begun` says.
    pub contents: Vec<Forgotten>,
    /// Chunks removed in this run.
    pub chunks_removed: u64,
    /// Bytes that they took.
    pub bytes_removed: u64,
    /// Whether this run finished one that was cut off.
    pub resumed: bool,
    /// Number of the note that closes it.
    pub note: u64,
}

impl Vault {
    /// Removes what `job` has put and no other job shares, and the job's journal; leaves a note signed `by`, with the
    /// reason `why`. `now` is a UTC time of RFC 3339.
    ///
    /// Takes the job's lock and the whole store, so no [`Journal`](crate::Journal) of this job may be open. Cut off, it is
    /// run again with the same call.
    ///
    /// # Errors
    /// [`VaultError::NotFound`] when the job has nothing here; [`VaultError::Busy`]; [`VaultError::Damaged`] when it
    /// cannot be told what is shared; [`VaultError::BadName`] for an empty signature or reason; [`VaultError::NoSpace`];
    /// [`VaultError::Io`].
    pub fn forget(&self, job: &JobId, by: &str, why: &str, now: &str) -> Result<ForgetReport, VaultError> {
        check_line("the signature", by)?;
        check_line("the reason", why)?;
        check_time(now)?;
        self.forget_in_steps(job, by, why, now, &mut || Ok(()))
    }

    /// Does the work; calls `step` before each change, and stops where that fails.
    fn forget_in_steps(
        &self,
        job: &JobId,
        by: &str,
        why: &str,
        now: &str,
        step: &mut dyn FnMut() -> Result<(), VaultError>,
    ) -> Result<ForgetReport, VaultError> {
        let _job = self.lock_job(job, "firmhand vault forget", now)?;
        let _store = self.take_store()?;
        self.complete_cut_off_writes()?;

        let mut manifests = Vec::new();
        for name in self.objects().list(Room::Manifests)? {
            let manifest = self.read_manifest(&name)?;
            manifests.push((name, manifest));
        }
        let mut packs = Vec::new();
        for name in self.objects().list(Room::Packs)? {
            let slots = self.read_slots(&name)?;
            packs.push((name, slots));
        }
        let (going, staying): (Vec<_>, Vec<_>) =
            manifests.into_iter().partition(|(_, manifest)| manifest.job.as_ref() == Some(job));
        let journal = self.journals()?.into_iter().any(|info| info.job == *job);
        let mut notes = self.notes()?;

        let begun = unfinished(&notes, job)?;
        if begun.is_none() && going.is_empty() && !journal {
            return Err(VaultError::NotFound { asked: format!("job {job}") });
        }
        let contents = contents(begun.as_deref().unwrap_or_default(), &going, &staying);
        let resumed = begun.is_some();
        // What was put under this job after the cut is not in the note yet.
        if begun.as_ref() != Some(&contents) {
            step()?;
            notes.push(self.note(
                &notes,
                BEGUN,
                json!({"job": job, "by": by, "why": why, "contents": contents}),
                now,
            )?);
        }

        for (name, _) in &going {
            step()?;
            self.objects().remove(Room::Manifests, name)?;
        }
        let live: HashSet<_> =
            staying.iter().flat_map(|(_, manifest)| &manifest.chunks).map(|(hash, _)| *hash).collect();
        let mut report =
            ForgetReport { contents, chunks_removed: 0, bytes_removed: 0, resumed, note: notes.len() as u64 };
        for (name, slots) in &packs {
            self.thin_out(name, slots, &live, &mut report, step)?;
        }
        step()?;
        self.remove_journal(job)?;
        step()?;
        self.remove_leftovers()?;
        // Parity whose pack is gone: it could give a small pack back.
        let packs = self.objects().list(Room::Packs)?;
        for name in self.objects().list(Room::Parity)?.iter().filter(|name| packs.binary_search(name).is_err()) {
            self.objects().remove(Room::Parity, name)?;
        }
        self.drop_index()?;
        step()?;
        self.note(&notes, DONE, json!({"job": job, "by": by}), now)?;
        Ok(report)
    }

    /// Takes the chunks that are not `live` out of one pack.
    fn thin_out(
        &self,
        name: &str,
        slots: &[Slot],
        live: &HashSet<Digest>,
        report: &mut ForgetReport,
        step: &mut dyn FnMut() -> Result<(), VaultError>,
    ) -> Result<(), VaultError> {
        let (keep, drop): (Vec<&Slot>, Vec<&Slot>) = slots.iter().partition(|slot| live.contains(&slot.hash));
        if drop.is_empty() {
            return Ok(());
        }
        if !keep.is_empty() {
            // Stored bytes are carried over as they are, restored where they can be. A chunk among them that is damaged
            // beyond that stays damaged and found, and does not keep another job's data from being forgotten.
            let pack = match self.restored_pack(&self.examine(name)?)? {
                Some(pack) => pack,
                None => self.stored_pack(name)?,
            };
            step()?;
            let mut draft = Draft::begin(self, 0)?;
            for slot in keep {
                let stored = pack.read(slot.offset, slot.stored_len.into())?;
                draft.add(&[Slot { offset: 0, ..*slot }], &stored)?;
            }
            self.store_pack(draft.finish()?)?;
        }
        step()?;
        self.remove_pack(name)?;
        report.chunks_removed += drop.len() as u64;
        report.bytes_removed += drop.iter().map(|slot| u64::from(slot.stored_len)).sum::<u64>();
        Ok(())
    }
}

const BEGUN: &str = "begun";
const DONE: &str = "done";

/// Returns what the last note on `job` says is going, if that forget was begun and not done.
fn unfinished(notes: &[Entry], job: &JobId) -> Result<Option<Vec<Forgotten>>, VaultError> {
    let last = notes.iter().rev().find(|note| note.body["job"] == job.as_str());
    let Some(note) = last.filter(|note| note.kind == BEGUN) else {
        return Ok(None);
    };
    let contents = Vec::<Forgotten>::deserialize(&note.body["contents"]);
    contents.map(Some).map_err(|error| VaultError::JournalDamaged {
        job: NOTES.to_owned(),
        line: note.seq + 1,
        why: format!("it does not say what was to be forgotten: {error}"),
    })
}

/// Returns each content of `begun` and `going` once, sorted by id.
fn contents(begun: &[Forgotten], going: &[(String, Manifest)], staying: &[(String, Manifest)]) -> Vec<Forgotten> {
    let held: HashSet<_> = staying.iter().map(|(_, manifest)| manifest.blake3).collect();
    let found = going.iter().map(|(_, manifest)| Forgotten {
        id: manifest.blake3,
        size: manifest.size,
        kind: manifest.kind,
        shared: held.contains(&manifest.blake3),
    });
    let mut contents: Vec<_> = begun.iter().cloned().chain(found).collect();
    contents.sort_by_key(|content| content.id);
    contents.dedup_by_key(|content| content.id);
    contents
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{Journal, PutRequest, pack};
    use std::path::Path;

    const NOW: &str = "2026-03-01T09:30:00Z";

    fn put(vault: &Vault, job: &str, content: &[u8]) -> Digest {
        let job = Some(JobId::new(job).unwrap());
        let request = PutRequest {
            name: "main".to_owned(),
            kind: Kind::Capture,
            job,
            taken_at: NOW.to_owned(),
            facts: json!({}),
        };
        vault.put(content, &request).unwrap().id
    }

    fn fill(dir: &Path) -> (Vault, Digest, Digest) {
        let vault = Vault::open(dir).unwrap();
        let shared = vec![0x11; pack::CHUNK];
        let gone = [&shared[..], b"what job a alone holds"].concat();
        let gone = put(&vault, "a", &gone);
        let kept = put(&vault, "b", &[&shared[..], b"what job b holds"].concat());
        let job = JobId::new("a").unwrap();
        Journal::create(&vault, &job, json!({}), "test", NOW).unwrap().seal(NOW).unwrap();
        (vault, gone, kept)
    }

    #[test]
    fn s2_s15_forgetting_can_be_cut_off_before_each_step_and_run_again() {
        let cut = || VaultError::BadName { what: "", given: String::new(), rule: "cut" };
        let mut reached = 0;
        for stop in 0.. {
            let dir = tempfile::tempdir().unwrap();
            let (vault, gone, kept) = fill(dir.path());
            let job = JobId::new("a").unwrap();
            let mut count = 0;
            let first = vault.forget_in_steps(&job, "Ada", "given back", NOW, &mut || {
                count += 1;
                if count > stop { Err(cut()) } else { Ok(()) }
            });
            assert_eq!(vault.read_vec(&kept).unwrap().len(), pack::CHUNK + 16, "cut before step {stop}");
            let done = first.is_ok();
            if !done {
                let report = vault.forget(&job, "Ada", "given back", NOW).unwrap();
                assert_eq!(report.resumed, stop > 0, "cut before step {stop}");
                assert_eq!(report.contents.len(), 1, "cut before step {stop}");
                assert_eq!(report.contents[0].id, gone);
            }
            assert!(matches!(vault.read_vec(&gone), Err(VaultError::NotFound { .. })), "cut before step {stop}");
            assert!(matches!(vault.read_journal(&job), Err(VaultError::NotFound { .. })), "cut before step {stop}");
            assert_eq!(vault.read_vec(&kept).unwrap().len(), pack::CHUNK + 16, "cut before step {stop}");
            let scrub = vault.scrub(&mut |_| {}).unwrap();
            assert!(scrub.is_sound() && scrub.unreferenced.is_empty() && scrub.leftovers.is_empty(), "{scrub:?}");
            let notes = vault.notes().unwrap();
            let kinds: Vec<_> = notes.iter().map(|note| note.kind.as_str()).collect();
            assert_eq!(kinds, [BEGUN, DONE], "cut before step {stop}");
            if done {
                break;
            }
            reached = stop;
        }
        assert!(reached >= 6, "only {reached} steps were cut");
    }

    #[test]
    fn s15_what_was_put_after_a_cut_is_noted_before_it_goes() {
        let dir = tempfile::tempdir().unwrap();
        let (vault, gone, _) = fill(dir.path());
        let job = JobId::new("a").unwrap();
        let mut count = 0;
        let cut = vault.forget_in_steps(&job, "Ada", "given back", NOW, &mut || {
            count += 1;
            if count > 2 { Err(VaultError::NotFound { asked: "a cut".to_owned() }) } else { Ok(()) }
        });
        assert!(cut.is_err());
        let later = put(&vault, "a", b"put after the cut");
        let report = vault.forget(&job, "Ada", "given back", NOW).unwrap();
        let mut ids = vec![gone, later];
        ids.sort();
        assert_eq!(report.contents.iter().map(|content| content.id).collect::<Vec<_>>(), ids);
        assert_eq!(vault.notes().unwrap().len(), 3);
    }
}
