//! From format 1 to format 2: parity for each pack, a second copy of everything else.
//!
//! It happens when a bench of format 1 is opened for writing, before anything else is done with it, because one format at a
//! time is what keeps all the other code simple. Opening for reading only reads format 1 as it is.
//!
//! Nothing that format 1 wrote is changed or removed, apart from the number in `format.toml`: packs keep their bytes and
//! names. So a run that is cut off anywhere has lost nothing, an older program can still use the bench, and the next run
//! begins again and finds less to do. The number changes last, after every new file was read back.
//!
//! Two things a reader would question. What is damaged already gets neither parity nor copy, because these would pass the
//! damage on as good; it stays, and scrub tells it. And a second copy without a first one is removed: a run was cut off,
//! and then an older program, which knows of no copies, forgot the first (S15).
//!
//! The whole bench is locked. Whoever works on a job with an older program keeps this waiting or gets it refused.

use std::fs;

use bytes::Bytes;

use crate::Vault;
use crate::disk::folder_of;
use crate::error::{ErrorKind, VaultError, damaged, io_error};
use crate::format::{BENCH_FORMAT, Format, paths};
use crate::names::JobId;
use crate::notes::is_note;
use crate::objects::{Place, Room, is_named};
use crate::twins;

const WHO: &str = "firmhand, bringing the bench to a new format";

impl Vault {
    /// Brings the bench to [`BENCH_FORMAT`].
    pub(crate) fn migrate(&self) -> Result<(), VaultError> {
        let _store = self.wait_for_store()?;
        if Format::read_file(&paths(self.root())[0]).is_ok_and(|format| format.number == BENCH_FORMAT) {
            return Ok(()); // another process did it while this one waited
        }
        let open: Vec<JobId> = self.journals()?.into_iter().filter(|info| !info.sealed).map(|info| info.job).collect();
        let _jobs = self.lock_jobs(open.iter().cloned(), WHO)?;
        self.add_parity()?;
        self.add_twins(Room::Manifests, is_named)?;
        self.add_twins(Room::Notes, is_note)?;
        self.add_twins(Room::Journals, |bytes, name| {
            twins::merge(name, [Some(bytes), None], false)
                .is_ok_and(|merged| merged.is_sealed() && merged.bytes == bytes)
        })?;
        for job in &open {
            self.add_journal_twin(job)?;
        }
        Format { number: BENCH_FORMAT, bench: self.bench_id().to_owned() }.write(self.root(), self.disk())
    }

    fn add_parity(&self) -> Result<(), VaultError> {
        let packs = self.objects().list(Room::Packs)?;
        for name in self.objects().list(Room::Parity)? {
            if packs.binary_search(&name).is_err() {
                self.objects().remove(Room::Parity, &name)?;
            }
        }
        for name in &packs {
            let examined = self.examine(name)?;
            if !examined.whole || examined.is_sound() {
                continue;
            }
            self.make_parity(name)?;
            if !self.examine(name)?.is_sound() {
                return Err(damaged(&self.objects().key(Room::Parity, name), "it is not what was just written"));
            }
        }
        Ok(())
    }

    /// Gives each object of a room that is `good` its second copy.
    fn add_twins(&self, room: Room, good: impl Fn(&[u8], &str) -> bool) -> Result<(), VaultError> {
        let read = |place, name: &str| match self.objects().read_at(room, place, name) {
            Ok(bytes) => Ok(Some(bytes)),
            Err(error) if error.kind() == ErrorKind::Data => Ok(None),
            Err(error) => Err(error),
        };
        for name in self.objects().list(room)? {
            if !self.objects().path(room, Place::First, &name).exists() {
                self.objects().remove(room, &name)?;
                continue;
            }
            let first = read(Place::First, &name)?;
            let Some(first) = first.filter(|bytes| good(bytes, &name)) else { continue };
            if read(Place::Twin, &name)?.as_ref() != Some(&first) {
                self.objects().replace(room, Place::Twin, &name, std::slice::from_ref(&first))?;
            }
            if read(Place::Twin, &name)?.as_ref() != Some(&first) {
                let key = self.objects().key_at(room, Place::Twin, &name);
                return Err(damaged(&key, "it is not what was just written"));
            }
        }
        Ok(())
    }

    /// Gives an open journal its second copy, without a torn end.
    fn add_journal_twin(&self, job: &JobId) -> Result<(), VaultError> {
        let [first, twin] = self.journal_paths(job);
        if !first.exists() {
            self.disk().remove(&twin)?;
            return self.disk().sync_dir(folder_of(&twin));
        }
        let bytes = fs::read(&first).map_err(io_error("read", &first))?;
        let Ok(merged) = twins::merge(job.as_str(), [Some(&bytes), None], true) else { return Ok(()) };
        if fs::read(&twin).is_ok_and(|twin| twin == merged.bytes) {
            return Ok(());
        }
        self.disk().store(&[&twin], &[Bytes::from(merged.bytes.clone())])?;
        if fs::read(&twin).map_err(io_error("read", &twin))? == merged.bytes {
            Ok(())
        } else {
            Err(damaged(&format!("twin/journals/{job}.jsonl"), "it is not what was just written"))
        }
    }
}
