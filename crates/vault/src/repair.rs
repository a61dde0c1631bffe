//! Repair: brings damaged objects back from their parity or their second copy, and leaves notes of it.
//!
//! | damage | comes back from |
//! |---|---|
//! | up to two of 32 shards of a pack, with head and index, or a pack of up to 8 KiB as a whole | the other shards |
//! | a parity, as a whole | its pack |
//! | one copy of a manifest, a note, `format.toml` | the other copy |
//! | one copy of a journal, or different lines of both | the lines that are whole |
//!
//! Each file is written beside, its bytes checked before, synced, and renamed over the damaged one; so a repair that is cut
//! off anywhere has made nothing worse, and the next one does the rest. What cannot come back stays as it is. The whole
//! bench is locked: no other command reads or writes it meanwhile.
//!
//! Notes say before what is damaged and afterwards what was done (module `notes`). Damaged notes are put right before the
//! first of these is written; when the chain of notes itself is beyond repair, the rest is repaired without one.

use serde::Serialize;
use serde_json::json;

use crate::Vault;
use crate::chain::Entry;
use crate::disk::folder_of;
use crate::error::VaultError;
use crate::format::Format;
use crate::names::check_time;
use crate::objects::{Place, Room};
use crate::scrub::{Fault, Mend, Progress, ScrubReport};

/// Something that a repair brought back.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Repaired {
    /// The object's key, or the journal.
    pub object: String,
    /// What was done.
    pub done: String,
}

const BEGUN: &str = "repair-begun";
const DONE: &str = "repair-done";
const WHO: &str = "firmhand vault scrub --repair";

impl Vault {
    /// Scrubs, brings back what can be brought back, removes unfinished files, and scrubs again: the report is the second
    /// scrub's, with what was repaired. `now` is a UTC time of RFC 3339.
    ///
    /// Takes the whole bench: no journal may be open and nobody else may read or write. Cut off, it is run again with the
    /// same call.
    ///
    /// # Errors
    /// [`VaultError::Busy`]; [`VaultError::ReadOnly`]; [`VaultError::NoSpace`]; [`VaultError::Io`]. Damage is no error: what
    /// is left of it stands in the report.
    pub fn repair(&self, now: &str, progress: &mut dyn FnMut(Progress)) -> Result<ScrubReport, VaultError> {
        check_time(now)?;
        let _store = self.take_store()?;
        let open = self.journals()?.into_iter().filter(|info| !info.sealed).map(|info| info.job);
        let _jobs = self.lock_jobs(open, WHO)?;
        let (report, faults) = self.survey(progress)?;
        if faults.is_empty() && report.leftovers.is_empty() {
            return Ok(report);
        }
        let (of_notes, others): (Vec<Fault>, Vec<Fault>) =
            faults.into_iter().partition(|fault| matches!(fault.mend, Mend::Copies { room: Room::Notes, .. }));
        let mut repaired = Vec::new();
        // A note that a cut left in one copy is no damage to tell of, but is completed here as well.
        for fault in &of_notes {
            self.mend(fault, &mut repaired)?;
        }
        let mut notes = self.notes().ok();
        let damaged = of_notes.iter().chain(&others).filter(|fault| !fault.quiet);
        let objects: Vec<_> = damaged.map(|fault| json!({"object": fault.object, "why": fault.why})).collect();
        if !objects.is_empty() {
            self.add_note(&mut notes, BEGUN, &json!({ "objects": objects }), now)?;
        }
        for fault in &others {
            self.mend(fault, &mut repaired)?;
        }
        self.remove_leftovers()?;
        if !objects.is_empty() {
            self.add_note(&mut notes, DONE, &json!({ "objects": repaired }), now)?;
        }
        let (report, _) = self.survey(progress)?;
        Ok(ScrubReport { repaired, ..report })
    }

    /// Makes the first copies of objects whose writing was cut off after the second one. The caller holds the store.
    ///
    /// To be done before leftovers are removed: an unfinished file is what tells such an object from one that lost a copy.
    pub(crate) fn complete_cut_off_writes(&self) -> Result<(), VaultError> {
        for room in [Room::Manifests, Room::Journals, Room::Notes] {
            for name in self.objects().list(room)? {
                if self.twin_was_cut_off(room, &name) {
                    let bytes = self.objects().read_at(room, Place::Twin, &name)?;
                    self.objects().replace(room, Place::First, &name, &[bytes])?;
                }
            }
        }
        Ok(())
    }

    /// Removes what writes that were cut off left unfinished, which may be half a gigabyte of a download. The caller holds the
    /// store: nobody writes now.
    pub(crate) fn remove_leftovers(&self) -> Result<(), VaultError> {
        for path in self.objects().leftovers()?.into_iter().chain(self.journal_leftovers()?) {
            self.disk().remove(&path)?;
            self.disk().sync_dir(folder_of(&path))?;
        }
        Ok(())
    }

    fn add_note(
        &self,
        notes: &mut Option<Vec<Entry>>,
        kind: &str,
        body: &serde_json::Value,
        now: &str,
    ) -> Result<(), VaultError> {
        let Some(notes) = notes else { return Ok(()) };
        notes.push(self.note(notes, kind, body.clone(), now)?);
        Ok(())
    }

    fn mend(&self, fault: &Fault, repaired: &mut Vec<Repaired>) -> Result<(), VaultError> {
        let done = match &fault.mend {
            Mend::Nothing => return Ok(()),
            Mend::Pack(examined) => match self.repair_pack(examined)? {
                Some(done) => done,
                None => return Ok(()),
            },
            Mend::Copies { room, name, good, bad } => {
                let bytes = self.objects().read_at(*room, *good, name)?;
                for place in bad {
                    self.objects().replace(*room, *place, name, std::slice::from_ref(&bytes))?;
                }
                "its damaged copy was made anew from the other one".to_owned()
            }
            Mend::Journal { job, looked } => {
                self.repair_journal(job, looked)?;
                "its damaged copies were made anew from the lines that are whole".to_owned()
            }
            Mend::Format => {
                Format::read(self.root())?.write(self.root(), self.disk())?;
                "it was made anew from its second copy".to_owned()
            }
        };
        if !fault.quiet {
            repaired.push(Repaired { object: fault.object.clone(), done });
        }
        Ok(())
    }
}
