//! The boot-media step of a job, which is closed by what was read back from a drive.

use std::path::{Path, PathBuf};

use image::pin::{Hasher, Pin};
use media::Source;
use media::write::WriteError;
use serde_json::json;
use vault::{JobId, Journal};

use super::{DriveReport, DriveWritten, Stick, done, onto};
use crate::error::JobError;
use crate::files;
use crate::front::Front;
use crate::jobs::Work;
use crate::part;
use crate::pinned;
use crate::profile::{MediaSpec, StepKind};
use crate::session::{now, open_bench};

/// Does a job's step that puts something onto a drive: it is taken out of the vendor's file, which is found by its hash in these
/// folders or in the vault, and goes from there onto the stick; nothing is written to the side. Without a size the person is asked
/// for it.
///
/// # Errors
/// [`JobError::FileMissing`] when the file is nowhere; [`JobError::Part`] for a file that does not have it; else as
/// [`write`](super::write).
pub(crate) fn write_for_step(
    (bench, job): (&Path, &str),
    media: &MediaSpec,
    folders: &[PathBuf],
    (stick, size): (&Stick, Option<u64>),
    front: &mut dyn Front,
) -> Result<DriveWritten, JobError> {
    let missing = || JobError::FileMissing { file: media.image.file.clone(), folders: folders.to_vec() };
    let (pin, way) = match &media.inside {
        Some(inside) => (inside.from, inside.take.containers.as_slice()),
        None => (format!("sha256:{}", media.image.sha256).parse::<Pin>().map_err(|_| missing())?, [].as_slice()),
    };
    let found = pinned::source(&open_bench(bench)?, &pin, &files::smallest_first(folders)?)?.ok_or_else(missing)?;
    part::follow(&found, way, &mut |image| {
        let place = Place::find(bench, job, image)?;
        let (drive, written) = onto(image, stick, size, false, front)?;
        done(Path::new(&media.image.file), drive, &written, Some(place))
    })
}

/// A step that wants an image on a drive.
pub(super) struct Place {
    journal: Journal,
    step: String,
    wanted: String,
}

impl Place {
    /// Finds the step that may be done now and wants this very image.
    ///
    /// # Errors
    /// [`JobError::WrongJob`] for a job without one; [`JobError::OtherContent`] for another image; [`JobError::Vault`].
    pub(super) fn find(bench: &Path, job: &str, image: &dyn Source) -> Result<Self, JobError> {
        let vault = open_bench(bench)?;
        let job = JobId::new(job)?;
        let journal = Journal::open(&vault, &job, "firmhand media write", &now())?;
        let work = Work::open(&vault, &job)?;
        let state = work.state();
        let mut against = Vec::new();
        let mut found = None;
        for step in work.profile.steps_of(work.header.kind).filter(|step| step.kind == StepKind::BootMedia) {
            match state.may_do(&step.id) {
                Ok(()) => {
                    found = step.media.as_ref().map(|media| (step.id.clone(), media.clone()));
                    break;
                }
                Err(blocked) => against.push(blocked.to_string()),
            }
        }
        let Some((step, MediaSpec { image: wanted, .. })) = found else {
            let why = if against.is_empty() { "its profile has no boot-media step".into() } else { against.join("; ") };
            return Err(JobError::WrongJob { job: job.to_string(), why });
        };
        let found = if image.len() == wanted.size { Some(sha256_of(image)?) } else { None };
        if found.as_ref() != Some(&wanted.sha256) {
            let found = found.map_or_else(|| format!("has {} bytes", image.len()), |sha256| format!("has {sha256}"));
            let why = format!(
                "step `{step}` wants {} bytes of SHA-256 {} on the drive, and this image {found}; nothing was written",
                wanted.size, wanted.sha256
            );
            return Err(JobError::OtherContent { why });
        }
        Ok(Self { journal, step, wanted: wanted.sha256 })
    }

    /// Writes down that the drive holds it; returns the step.
    ///
    /// # Errors
    /// [`JobError::OtherContent`] for an image that changed meanwhile; [`JobError::Vault`].
    pub(super) fn close(mut self, drive: &DriveReport, size: u64, sha256: &str) -> Result<String, JobError> {
        if sha256 != self.wanted {
            let why = format!("the image changed while it was written: the drive holds {sha256}, not {}", self.wanted);
            return Err(JobError::OtherContent { why });
        }
        let step = self.step;
        let body =
            json!({ "step": step, "sha256": sha256, "size": size, "model": drive.model, "drive_size": drive.size });
        self.journal.append("medium-written", body, &now())?;
        let body = json!({ "step": step, "by": "firmhand", "evidence": { "sha256": sha256 } });
        self.journal.append("step-done", body, &now())?;
        Ok(step)
    }
}

fn sha256_of(image: &dyn Source) -> Result<String, JobError> {
    let mut hash = Hasher::Sha256(sha2::Digest::new());
    media::medium::copy(image, 0, image.len(), &mut |piece| {
        hash.update(piece);
        Ok(())
    })
    .map_err(|error| JobError::Drive(WriteError::Image(error)))?;
    Ok(hash.pin().digits())
}
