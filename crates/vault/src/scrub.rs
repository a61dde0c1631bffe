//! Scrub: reads everything and checks every hash. It changes nothing; module `repair` does that with what this finds.
//!
//! | object | checked |
//! |---|---|
//! | pack | its name over all its bytes; of a damaged one, each shard |
//! | parity | both tables, each shard |
//! | manifest | its name over all its bytes, both copies; that its chunks give the content's BLAKE3 and SHA-256 |
//! | journal | the whole chain, open or sealed, both copies |
//! | note | both copies, and the chain over all notes |
//! | `format.toml` | both copies |
//!
//! Contents are thus read twice, once by pack and once by manifest: the first finds damage that no content touches, the
//! second is what a restore would do. The index is not checked but made anew, since it is never the truth.
//!
//! What a cut leaves is no damage: a copy that is missing with an unfinished file beside it, a last entry in one copy of a
//! journal alone.

use std::collections::HashSet;
use std::io::{self, Write};
use std::path::PathBuf;

use serde::Serialize;
use sha2::{Digest as _, Sha256};

use crate::Vault;
use crate::chunks::ChunkSource;
use crate::disk::was_cut_off;
use crate::error::{ErrorKind, Repair, VaultError, damaged};
use crate::format::{Format, paths};
use crate::journal::Looked;
use crate::names::{Digest, JobId};
use crate::notes::is_note;
use crate::objects::{Place, Room, is_named};
use crate::repair::Repaired;
use crate::shards::Examined;
use crate::twins::Copy;

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
    /// Whether [`Vault::repair`] brings it back.
    pub repairable: bool,
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
    /// Notes of what was forgotten and repaired.
    pub notes: u64,
    /// Bytes of content that were read and gave their hashes.
    pub content_bytes: u64,
    /// All that is damaged.
    pub damaged: Vec<Damage>,
    /// What a repair brought back; empty after a mere scrub.
    pub repaired: Vec<Repaired>,
    /// Packs with chunks that no manifest lists. Harmless; `forget` takes them away.
    pub unreferenced: Vec<Unreferenced>,
    /// Files that are no objects: what a write leaves that was cut off. Harmless; `forget` takes them away.
    pub leftovers: Vec<PathBuf>,
    /// Open journals of which a last entry was cut off in the middle; the next opening puts that right.
    pub torn: Vec<String>,
}

/// What a repair may have to do.
#[derive(Debug)]
pub(crate) struct Fault {
    pub(crate) object: String,
    pub(crate) why: String,
    pub(crate) mend: Mend,
    /// Left by a cut: to be completed, and no damage.
    pub(crate) quiet: bool,
}

/// How to bring something back.
#[derive(Debug)]
pub(crate) enum Mend {
    /// Not at all, or by mending something else.
    Nothing,
    Pack(Box<Examined>),
    Copies {
        room: Room,
        name: String,
        good: Place,
        bad: Vec<Place>,
    },
    Journal {
        job: JobId,
        looked: Looked,
    },
    Format,
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
        Ok(self.survey(progress)?.0)
    }

    /// Scrubs; the caller holds the store. Also returns what a repair has to do.
    pub(crate) fn survey(&self, progress: &mut dyn FnMut(Progress)) -> Result<(ScrubReport, Vec<Fault>), VaultError> {
        self.drop_index()?;
        let packs = self.objects().list(Room::Packs)?;
        let manifests = self.objects().list(Room::Manifests)?;
        let journals = self.journals()?;
        let notes = self.objects().list(Room::Notes)?;
        let mut survey = Survey::default();
        survey.report.packs = packs.len() as u64;
        survey.report.manifests = manifests.len() as u64;
        survey.report.journals = journals.len() as u64;
        survey.report.notes = notes.len() as u64;
        let total = (packs.len() + manifests.len() + journals.len() + 1) as u64;
        let mut done = 0;
        let mut step = || {
            done += 1;
            progress(Progress { done, total });
        };

        for name in &manifests {
            self.scrub_manifest(name, &mut survey)?;
            step();
        }
        for name in &packs {
            self.scrub_pack(name, &mut survey)?;
            step();
        }
        for name in self.objects().list(Room::Parity)?.iter().filter(|name| packs.binary_search(name).is_err()) {
            self.scrub_lone_parity(name, &mut survey)?;
        }
        for info in &journals {
            self.scrub_journal(&info.job, &mut survey)?;
            step();
        }
        for name in &notes {
            self.scrub_copies(Room::Notes, name, |bytes| is_note(bytes, name), &mut survey)?;
        }
        if let Err(error) = self.notes() {
            survey.damage("the notes of what was forgotten and repaired".to_owned(), error, Mend::Nothing);
        }
        self.scrub_format(&mut survey)?;
        step();
        survey.report.leftovers.extend(self.objects().leftovers()?);
        survey.report.leftovers.extend(self.journal_leftovers()?);
        Ok((survey.report, survey.faults))
    }

    fn scrub_manifest(&self, name: &str, survey: &mut Survey) -> Result<(), VaultError> {
        if !self.scrub_copies(Room::Manifests, name, |bytes| is_named(bytes, name), survey)? {
            return Ok(());
        }
        let object = self.objects().key(Room::Manifests, name);
        let manifest = match self.read_manifest(name) {
            Ok(manifest) => manifest,
            Err(error) => {
                survey.damage(object, error, Mend::Nothing);
                return Ok(());
            }
        };
        survey.listed.extend(manifest.chunks.iter().map(|(hash, _)| *hash));
        let mut sha256 = Hashing(Sha256::new());
        match self.write_content(&object, &manifest, &mut sha256) {
            Ok(()) if sha256.0.finalize()[..] == manifest.sha256.0 => survey.report.content_bytes += manifest.size,
            Ok(()) => {
                let error = damaged(&object, "its chunks do not give the content's SHA-256");
                survey.damage(object, error, Mend::Nothing);
            }
            // Its packs are mended, not the manifest.
            Err(error) => survey.damage(object, self.with_prospects(error, &manifest), Mend::Nothing),
        }
        Ok(())
    }

    fn scrub_pack(&self, name: &str, survey: &mut Survey) -> Result<(), VaultError> {
        let object = self.objects().key(Room::Packs, name);
        let examined = self.examine(name)?;
        let slots = match self.restored_pack(&examined)? {
            Some(pack) => pack.slots(),
            None => self.read_slots(name),
        };
        let slots = slots.unwrap_or_default(); // an index that is lost counts nothing
        let unreferenced = slots.iter().filter(|slot| !survey.listed.contains(&slot.hash));
        let (chunks, bytes) =
            unreferenced.fold((0, 0), |(chunks, bytes), slot| (chunks + 1, bytes + u64::from(slot.stored_len)));
        if chunks > 0 {
            survey.report.unreferenced.push(Unreferenced { object: object.clone(), chunks, bytes });
        }
        if !examined.is_sound() && (self.is_doubled() || !examined.whole) {
            survey.pack(object, examined);
        }
        Ok(())
    }

    /// A parity without its pack is left by a cut, or its pack is lost and small enough to come back.
    fn scrub_lone_parity(&self, name: &str, survey: &mut Survey) -> Result<(), VaultError> {
        let examined = self.examine(name)?;
        if let Some(pack) = self.restored_pack(&examined)? {
            let wanted: Vec<Digest> =
                pack.slots()?.iter().map(|slot| slot.hash).filter(|hash| survey.listed.contains(hash)).collect();
            let mut source = ChunkSource::new(self, wanted.clone())?;
            if wanted.iter().any(|hash| !source.holds(hash)) {
                survey.pack(self.objects().key(Room::Packs, name), examined);
                return Ok(());
            }
        }
        survey.report.leftovers.push(self.objects().path(Room::Parity, Place::First, name));
        Ok(())
    }

    fn scrub_journal(&self, job: &JobId, survey: &mut Survey) -> Result<(), VaultError> {
        let object = format!("the journal of job {job}");
        let found = |looked: &Looked| {
            let places: &[usize] = if self.is_doubled() { &[0, 1] } else { &[0] };
            let merged = &looked.merged;
            let fault = |copy: &Copy| if looked.object { merged.lack(copy) } else { merged.fault(copy) };
            places.iter().find_map(|place| fault(&merged.copies[*place]))
        };
        let mut looked = self.look_at_journal(job);
        // Somebody may be appending, entry after entry, between the looks at one copy and at the other.
        for _ in 0..3 {
            if looked.as_ref().is_ok_and(|looked| found(looked).is_none()) {
                break;
            }
            looked = self.look_at_journal(job);
        }
        let looked = match looked {
            Ok(looked) => looked,
            Err(error) if error.kind() == ErrorKind::System => return Err(error),
            // It was forgotten since the listing.
            Err(VaultError::NotFound { .. }) => return Ok(()),
            Err(error) => {
                survey.damage(object, error, Mend::Nothing);
                return Ok(());
            }
        };
        let [first, twin] = self.journal_paths(job);
        let cut_off = if looked.object {
            self.twin_was_cut_off(Room::Journals, job.as_str())
        } else {
            !first.exists() && twin.exists() && was_cut_off(&first)
        };
        match found(&looked) {
            Some(why) if !cut_off => {
                let error = VaultError::CopyDamaged { object: object.clone(), why };
                survey.damage(object, error, Mend::Journal { job: job.clone(), looked });
            }
            Some(why) => survey.complete(object, why, Mend::Journal { job: job.clone(), looked }),
            None => {
                let even = !self.is_doubled() || looked.merged.copies.iter().all(|copy| *copy == Copy::Whole);
                if looked.merged.torn() || !(even || looked.merged.is_sealed()) {
                    survey.report.torn.push(job.to_string());
                }
            }
        }
        Ok(())
    }

    /// Checks both copies of an object; returns whether one of them is good.
    fn scrub_copies(
        &self,
        room: Room,
        name: &str,
        is_good: impl Fn(&[u8]) -> bool,
        survey: &mut Survey,
    ) -> Result<bool, VaultError> {
        let object = self.objects().key(room, name);
        let places = if self.is_doubled() { room.places() } else { &[Place::First] };
        let (mut good, mut bad, mut why) = (None, Vec::new(), String::new());
        for place in places {
            let key = self.objects().key_at(room, *place, name);
            match self.objects().read_at(room, *place, name) {
                Ok(bytes) if is_good(&bytes) => {
                    good.get_or_insert(*place);
                    continue;
                }
                Ok(_) => why = format!("the bytes of {key} are not what was stored"),
                Err(VaultError::Damaged { why: cause, .. }) => why = format!("{key}: {cause}"),
                Err(error) => return Err(error),
            }
            bad.push(*place);
        }
        match good {
            None => {
                let repair = Repair::Impossible { lost: Box::default() };
                let error = damage_of(&object, &why, repair);
                survey.damage(object, error, Mend::Nothing);
            }
            Some(_) if bad.is_empty() => {}
            Some(good) => {
                let mend = Mend::Copies { room, name: name.to_owned(), good, bad };
                if self.twin_was_cut_off(room, name) {
                    survey.complete(object, why, mend);
                } else {
                    let error = VaultError::CopyDamaged { object: object.clone(), why };
                    survey.damage(object, error, mend);
                }
            }
        }
        Ok(good.is_some())
    }

    /// Returns whether a write of the object ended after its second copy and before its first.
    pub(crate) fn twin_was_cut_off(&self, room: Room, name: &str) -> bool {
        let [first, twin] = [Place::First, Place::Twin].map(|place| self.objects().path(room, place, name));
        !first.exists() && twin.exists() && was_cut_off(&first)
    }

    fn scrub_format(&self, survey: &mut Survey) -> Result<(), VaultError> {
        let [first, twin] = paths(self.root()).map(|path| Format::read_file(&path));
        let why = match (first, twin) {
            (Err(error @ VaultError::Io { .. }), _) => return Err(error),
            (Err(error), _) => error.to_string(),
            (_, Err(error)) if self.is_doubled() => error.to_string(),
            (Ok(first), Ok(twin)) if first != twin && self.is_doubled() => {
                "its second copy says something else".to_owned()
            }
            _ => return Ok(()),
        };
        let object = "format.toml".to_owned();
        survey.damage(object.clone(), VaultError::CopyDamaged { object, why }, Mend::Format);
        Ok(())
    }
}

#[derive(Default)]
struct Survey {
    report: ScrubReport,
    faults: Vec<Fault>,
    /// Chunks that manifests list.
    listed: HashSet<Digest>,
}

impl Survey {
    fn damage(&mut self, object: String, error: VaultError, mend: Mend) {
        let by_another = matches!(error, VaultError::Damaged { repair: Repair::Possible, .. });
        let repairable = by_another || !matches!(mend, Mend::Nothing);
        self.faults.push(Fault { object: object.clone(), why: error.to_string(), mend, quiet: false });
        self.report.damaged.push(Damage { object, error, repairable });
    }

    fn complete(&mut self, object: String, why: String, mend: Mend) {
        self.faults.push(Fault { object, why, mend, quiet: true });
    }

    fn pack(&mut self, object: String, examined: Examined) {
        let repairable = examined.is_repairable();
        let repair = if repairable { Repair::Possible } else { Repair::Impossible { lost: Box::default() } };
        let why = examined.why();
        let error = damage_of(&object, &why, repair);
        self.damage(object, error, if repairable { Mend::Pack(Box::new(examined)) } else { Mend::Nothing });
    }
}

fn damage_of(object: &str, why: &str, repair: Repair) -> VaultError {
    VaultError::Damaged { object: object.into(), chunk: None, at: None, why: why.into(), repair }
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
