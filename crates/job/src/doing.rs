//! What firmhand itself does at a step of a job: the chip command or the composing that the profile means by it.
//!
//! Whoever shows a job does not have to know which command that is, nor name its image: profile and journal say what is
//! written, and files are found by the hash that the profile pins, in folders that the person named or in the vault. The rules
//! are those of the commands, which are called here and nowhere passed by.
//!
//! What a reader would question: the step is named although the procedure knows the next one. Two people may look at the same
//! page, and whoever presses second must not begin the step after it.

use std::path::{Path, PathBuf};

use vault::JobId;

use crate::apply::{Place, Target};
use crate::compose::{ComposeRequest, compose};
use crate::drives::{Stick, write_for_step};
use crate::error::JobError;
use crate::files;
use crate::front::Front;
use crate::intake::{IntakeRequest, intake};
use crate::jobs::{JobsError, Work};
use crate::pinned;
use crate::procedure::{Blocked, Reason};
use crate::profile::{ImageSource, MediaSpec, Step, StepKind, Takes};
use crate::session::{ChipOptions, Session, open_bench};
use crate::station::Wanted;
use crate::text::{applied, captured, counted, duration, passes, verified};

/// Which step is to be done, and with what.
#[derive(Debug, Clone, Default)]
pub struct DoRequest {
    /// The job.
    pub job: String,
    /// The step.
    pub step: String,
    /// How to reach the chip; none for a step without one.
    pub link: Option<String>,
    /// Who signs the step's hold point.
    pub signed: Option<String>,
    /// What the link drives in volts, where it cannot know itself.
    pub drives: Option<f64>,
    /// Folders with recipes and images.
    pub files: Vec<PathBuf>,
    /// The file that is taken in, and what vouches for it.
    pub papers: Papers,
    /// What a boot stick is made of.
    pub stick: Option<Stick>,
    /// The stick's bytes, where a person has named it by them already (S11); else it is asked for.
    pub size: Option<u64>,
}

/// A file with what vouches for it.
#[derive(Debug, Clone, Default)]
pub struct Papers {
    /// The file.
    pub file: Option<PathBuf>,
    /// A checksum list.
    pub list: Option<PathBuf>,
    /// A signature over the file or the list.
    pub signature: Option<PathBuf>,
    /// Whose signature it has to be.
    pub key: Option<PathBuf>,
}

/// Whether firmhand itself does this step.
#[must_use]
pub fn is_done_here(step: &Step) -> bool {
    step.kind.talks_to_chip() || matches!(step.kind, StepKind::Compose | StepKind::BootMedia) || step.takes.is_some()
}

/// Does the step; returns what came of it, one sentence each.
///
/// # Errors
/// [`JobsError::Blocked`] with every reason when it may not be done now; what the command itself ends with.
pub fn do_step(bench: &Path, request: &DoRequest, front: &mut dyn Front) -> Result<Vec<String>, JobError> {
    let work = {
        let vault = open_bench(bench)?;
        Work::open(&vault, &JobId::new(&request.job)?)?
    };
    let blocked =
        |reasons| JobError::from(JobsError::Blocked { blocked: Blocked { step: request.step.clone(), reasons } });
    let Some(step) = work.profile.step(&request.step).filter(|step| is_done_here(step)) else {
        return Err(blocked(vec![Reason::NoSuchStep]));
    };
    if let Err(Blocked { mut reasons, .. }) = work.state().may_do(&step.id) {
        // What a signature frees is signed where the command begins.
        let signed = request.signed.is_some();
        reasons.retain(|reason| !(signed && matches!(reason, Reason::HoldNotSigned | Reason::FusedUnknown { .. })));
        if !reasons.is_empty() {
            return Err(blocked(reasons));
        }
    }
    match (&step.takes, &step.media) {
        (Some(takes), _) => taken_in(bench, takes, request, front),
        (_, Some(media)) => onto_stick(bench, media, request, front),
        _ if step.kind == StepKind::Compose => put_together(bench, &work, step, request),
        _ => on_chip(bench, step, request, front),
    }
}

/// A key that is not pinned yet is shown and asked for, unless somebody has signed for it beforehand.
fn taken_in(bench: &Path, takes: &Takes, request: &DoRequest, front: &mut dyn Front) -> Result<Vec<String>, JobError> {
    let Papers { file, list, signature, key } = request.papers.clone();
    let Some(file) = file else {
        return Err(JobError::FileMissing { file: takes.file.clone(), folders: request.files.clone() });
    };
    let request = IntakeRequest {
        file,
        list,
        signature,
        key,
        origin: takes.origin.clone(),
        job: Some(request.job.clone()),
        signed: request.signed.clone(),
        ..IntakeRequest::default()
    };
    let report = intake(bench, &request, front)?;
    Ok(report.text().lines().map(|line| line.trim().to_owned()).collect())
}

fn onto_stick(
    bench: &Path,
    media: &MediaSpec,
    request: &DoRequest,
    front: &mut dyn Front,
) -> Result<Vec<String>, JobError> {
    let Some(stick) = &request.stick else {
        let why = "its step wants a drive to write onto, and none was named".into();
        return Err(JobError::WrongJob { job: request.job.clone(), why });
    };
    let written = write_for_step((bench, &request.job), media, &request.files, (stick, request.size), front)?;
    Ok(written.text().lines().map(|line| line.trim().to_owned()).collect())
}

fn put_together(bench: &Path, work: &Work, step: &Step, request: &DoRequest) -> Result<Vec<String>, JobError> {
    let Some(ImageSource::Recipe(recipe)) = work.image_of(step) else {
        let why = format!("the images that were chosen have no recipe for `{}`", step.id);
        return Err(JobError::WrongJob { job: request.job.clone(), why });
    };
    let Some(path) = request.files.iter().map(|folder| folder.join(recipe)).find(|path| path.is_file()) else {
        return Err(JobError::FileMissing { file: recipe.display().to_string(), folders: request.files.clone() });
    };
    let with = files::smallest_first(&request.files)?;
    let report = compose(
        bench,
        &ComposeRequest { recipe: path, job: Some(request.job.clone()), with, ..ComposeRequest::default() },
    )?;
    let kept = report.content.get(..12).unwrap_or_default();
    let mut said = vec![format!("{} steps of the recipe, every condition holds: {kept}", report.steps.len())];
    said.extend(report.address_says.map(|says| format!("its network address is {says}")));
    said.extend(report.findings);
    Ok(said)
}

fn on_chip(bench: &Path, step: &Step, request: &DoRequest, front: &mut dyn Front) -> Result<Vec<String>, JobError> {
    let options = ChipOptions {
        link: request.link.clone().unwrap_or_default(),
        job: Some(request.job.clone()),
        signed: request.signed.clone(),
        drives: request.drives,
        ..ChipOptions::default()
    };
    let verb = format!("chip {}", step.kind.as_str());
    let mut session = Session::open(bench, options, &verb, front)?;
    if session.step() != Some(&step.id) {
        let why = format!("`{}` is not what is open now; look again at what comes next", step.id);
        return Err(JobError::WrongJob { job: request.job.clone(), why });
    }
    Ok(match step.kind {
        StepKind::Identify => {
            let chip = &session.identity().chip;
            vec![format!("{}, id {}", chip.name(), chip.id_text())]
        }
        StepKind::Capture => {
            let report = session.capture()?;
            let mut said = vec![captured(&report)];
            said.extend(passes(&report.evidence));
            said.extend(report.evidence.remains);
            said
        }
        StepKind::Fill | StepKind::Apply => {
            let report = match step.fill {
                Some(value) => session.fill(value)?,
                None => {
                    let target = wanted(&session, &request.files)?;
                    session.apply(&target)?
                }
            };
            let count = counted(report.erases as u64, "block");
            vec![
                format!("{} in {}", applied(&report), duration(report.took_ms)),
                format!("{count} erased, {} programmed", crate::text::about(report.programmed_bytes)),
            ]
        }
        _ => {
            let target = session.last_applied()?;
            vec![verified(&session.verify(&target)?)]
        }
    })
}

/// What the open step writes, out of the vault or of the folders.
fn wanted(session: &Session<'_>, folders: &[PathBuf]) -> Result<Target, JobError> {
    match session.wanted_by_step() {
        Some(Wanted::Sha256(sha256) | Wanted::PartOf(sha256)) => {
            let missing = || JobError::FileMissing {
                file: format!("the file with the SHA-256 {sha256}"),
                folders: folders.to_vec(),
            };
            let pin = format!("sha256:{sha256}").parse().map_err(|_| missing())?;
            if let Some(path) = pinned::among(&pin, &files::images_in(folders)?)? {
                return Target::from_file(path, Place::Whole);
            }
            let id = pinned::kept(session.vault(), &pin)?.ok_or_else(missing)?;
            let name = format!("content {}", id.short());
            Ok(Target { name, bytes: session.vault().read_vec(&id)?, place: Place::Whole })
        }
        _ => session.wanted_content(),
    }
}
