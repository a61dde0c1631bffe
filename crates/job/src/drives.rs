//! `media drives` and `media write`: which drives may be written raw, and an image onto one of them (safety rule S11).
//!
//! The person names the drive by its node and its size in bytes, beforehand or when asked with model and serial number before
//! their eyes; a mere yes will not do, since names move when sticks are swapped and everything on the drive is lost. Which drive
//! may be written at all, and the write itself, are the room `media`'s.
//!
//! Chips have a virtual bench to be tried on, and drives a file that plays a stick ([`Stick::Virtual`]). It is asked for by its size as
//! a real one is. No command names one: a file is written by other means, and a slip of the name must not make a drive of it.

use std::fs::File;
use std::path::{Path, PathBuf};
use std::time::Instant;

use media::Source;
use media::drives::{Drive, System};
use media::open::{OpenDrive, OpenFile};
use media::write::{Disk, Phase, WriteError, Written, write as write_image};
use serde::Serialize;

use crate::error::JobError;
use crate::front::{Front, News, Question, QuestionKind, Reply};
use crate::part;
use crate::text::about;

mod step;

use step::Place;
pub(crate) use step::write_for_step;

/// What `media write` is asked.
#[derive(Debug, Clone)]
pub struct WriteRequest {
    /// The image.
    pub image: PathBuf,
    /// The drive's node.
    pub drive: PathBuf,
    /// `--size`: its bytes.
    pub size: Option<u64>,
    /// `--job`: the job whose step this does, and its bench folder.
    pub job: Option<(PathBuf, String)>,
}

/// What is written onto.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Stick {
    /// A drive of this computer, by its node.
    Drive(PathBuf),
    /// A file that plays a stick; all of it is the stick.
    Virtual(PathBuf),
}

/// The drives of this computer.
#[derive(Debug, Clone, Serialize)]
pub struct DriveList {
    /// By name.
    pub drives: Vec<DriveReport>,
}

/// A drive.
#[derive(Debug, Clone, Serialize)]
pub struct DriveReport {
    /// What `media write` takes.
    pub drive: PathBuf,
    /// Who made it and what it is called.
    pub model: String,
    /// Its serial number.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub serial: Option<String>,
    /// Its bytes, which `--size` takes.
    pub size: u64,
    /// Where it or something of it is mounted.
    pub mounts: Vec<PathBuf>,
    /// Whether it may be written.
    pub writable: bool,
    /// Why not, one sentence each.
    pub refusals: Vec<String>,
}

/// What was written.
#[derive(Debug, Clone, Serialize)]
pub struct DriveWritten {
    /// The image's file.
    pub image: PathBuf,
    /// The drive.
    pub drive: DriveReport,
    /// Bytes written, read back and compared.
    pub size: u64,
    /// SHA-256 of what was read back.
    pub sha256: String,
    /// Bytes at the drive's end in which an old partition table could have stood, and which are zeros now.
    pub wiped: u64,
    /// The job's step that this closed.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub step: Option<String>,
}

impl DriveReport {
    /// `redact` leaves out the serial number (S15).
    fn of(drive: &Drive, redact: bool) -> Self {
        Self {
            drive: drive.node.clone(),
            model: drive.model.clone(),
            serial: drive.serial.clone().filter(|_| !redact),
            size: drive.size,
            mounts: drive.mounts.clone(),
            writable: drive.is_writable(),
            refusals: drive.refusals.iter().map(media::drives::Refusal::text).collect(),
        }
    }

    fn of_virtual(path: &Path, size: u64) -> Self {
        Self {
            drive: path.to_path_buf(),
            model: "virtual stick".into(),
            serial: None,
            size,
            mounts: Vec::new(),
            writable: true,
            refusals: Vec::new(),
        }
    }

    /// What a person tells it by.
    #[must_use]
    pub fn looks(&self) -> String {
        let serial = self.serial.as_ref().map(|serial| format!(", serial {serial}")).unwrap_or_default();
        let model = if self.model.is_empty() { "of no name" } else { &self.model };
        format!("{model}{serial}, {} ({} bytes)", about(self.size), self.size)
    }

    fn line(&self) -> String {
        format!("{}  {}", self.drive.display(), self.looks())
    }
}

impl Stick {
    /// What a list says of it; none for what is not there.
    #[must_use]
    pub fn report(&self, redact: bool) -> Option<DriveReport> {
        match self {
            Self::Drive(node) => System::default().drive_of(node).map(|drive| DriveReport::of(&drive, redact)),
            Self::Virtual(path) => Some(DriveReport::of_virtual(path, std::fs::metadata(path).ok()?.len())),
        }
    }
}

/// Lists the drives of this computer. Opens none.
#[must_use]
pub fn list(redact: bool) -> DriveList {
    DriveList { drives: System::default().drives().iter().map(|drive| DriveReport::of(drive, redact)).collect() }
}

impl DriveList {
    /// The list for a person: those that may be written first.
    #[must_use]
    pub fn text(&self) -> String {
        let (free, held): (Vec<_>, Vec<_>) = self.drives.iter().partition(|drive| drive.writable);
        let mut lines: Vec<String> = free.iter().map(|drive| drive.line()).collect();
        if lines.is_empty() {
            lines.push("no removable drive that could be written; plug a stick in and look again".into());
        }
        for drive in held {
            lines.push(format!("{}: not to be written", drive.line()));
            lines.extend(drive.refusals.iter().map(|why| format!("  {why}")));
        }
        lines.join("\n")
    }
}

/// Writes an image onto the drive that has the named size, reads it back and compares. Without a size the person is asked. In a job
/// the image has to be the one that the step wants, and the step is done then.
///
/// # Errors
/// [`JobError::WrongJob`], [`JobError::OtherContent`] of a job; [`JobError::Unanswered`] without a size and with nobody to ask,
/// [`JobError::Declined`] without an answer; [`JobError::DriveRefused`] for a drive that may not be written, or is another than the
/// one named; [`JobError::ImageFile`] for an image that cannot be read; [`JobError::Drive`] for what goes wrong on the way.
pub fn write(request: &WriteRequest, redact: bool, front: &mut dyn Front) -> Result<DriveWritten, JobError> {
    let image = request.image.as_path();
    let source = part::open_file(image)?;
    if source.is_empty() {
        return Err(JobError::ImageFile { path: image.to_path_buf(), why: "it is empty".into() });
    }
    let place = match &request.job {
        Some((bench, job)) => Some(Place::find(bench, job, &source)?),
        None => None,
    };
    let stick = Stick::Drive(request.drive.clone());
    let (drive, written) = onto(&source, &stick, request.size, redact, front).map_err(|error| match error {
        JobError::Drive(WriteError::Differs { .. }) if !source.is_unchanged() => {
            let why = "it was changed while it was being written".into();
            JobError::ImageFile { path: image.to_path_buf(), why }
        }
        error => error,
    })?;
    done(image, drive, &written, place)
}

/// Writes a source onto the stick, once a person has named it by its size.
fn onto(
    source: &dyn Source,
    stick: &Stick,
    size: Option<u64>,
    redact: bool,
    front: &mut dyn Front,
) -> Result<(DriveReport, Written), JobError> {
    match stick {
        Stick::Drive(node) => {
            let refused = |why: String| JobError::DriveRefused { drive: node.clone(), why };
            let system = System::default();
            let drive = system.drive_of(node).ok_or_else(|| {
                refused(
                    "it is no drive of this computer; `firmhand media drives` lists them (a partition is none)".into(),
                )
            })?;
            let report = DriveReport::of(&drive, redact);
            if !report.writable {
                return Err(refused(report.refusals.join("; ")));
            }
            let named = size_named(&report, source, size, front)?;
            let disk = OpenDrive::open(&drive, &system).map_err(JobError::Drive)?;
            let written = followed(source, &disk, named, front).map_err(JobError::Drive)?;
            Ok((report, written))
        }
        Stick::Virtual(path) => {
            let io = |source| JobError::Io { doing: "open", path: path.clone(), source };
            let file = File::options().read(true).write(true).open(path).map_err(io)?;
            let disk = OpenFile::new(file).map_err(io)?;
            let report = DriveReport::of_virtual(path, disk.size());
            let named = size_named(&report, source, size, front)?;
            let written = followed(source, &disk, named, front).map_err(JobError::Drive)?;
            Ok((report, written))
        }
    }
}

/// Has the drive named by its size, beforehand or now, and says what begins.
fn size_named(
    report: &DriveReport,
    source: &dyn Source,
    size: Option<u64>,
    front: &mut dyn Front,
) -> Result<u64, JobError> {
    let (image, drive) = (source.len(), report.size);
    if image > drive {
        return Err(JobError::Drive(WriteError::TooSmall { image, drive }));
    }
    let named = size.map_or_else(|| asked(report, front), Ok)?;
    if named != drive {
        let why = format!("it has {drive} bytes and not the {named} that were named");
        return Err(JobError::DriveRefused { drive: report.drive.clone(), why });
    }
    front.news(&News::Said(format!("writing {} onto {}, {}", about(image), report.drive.display(), report.looks())));
    Ok(named)
}

fn done(image: &Path, drive: DriveReport, written: &Written, place: Option<Place>) -> Result<DriveWritten, JobError> {
    let sha256: String = written.sha256.iter().map(|byte| format!("{byte:02x}")).collect();
    let step = place.map(|place| place.close(&drive, written.size, &sha256)).transpose()?;
    let (size, wiped) = (written.size, written.wiped);
    Ok(DriveWritten { image: image.to_path_buf(), drive, size, sha256, wiped, step })
}

/// Has the person name the drive by its size.
fn asked(report: &DriveReport, front: &mut dyn Front) -> Result<u64, JobError> {
    let question = Question {
        name: "drive",
        text: format!(
            "Everything on {}, {}, will be lost. If it is the one, what is its size?",
            report.drive.display(),
            report.looks()
        ),
        cautions: vec![
            "Not sure? Pull the stick out and look whether this drive goes from `firmhand media drives`.".into(),
        ],
        kind: QuestionKind::Size,
    };
    match front.ask(&question) {
        Some(Reply::Size(bytes)) => Ok(bytes),
        Some(_) => Err(JobError::Declined { why: "the drive was not named by its size".into() }),
        None => Err(JobError::Unanswered {
            question: question.text,
            option: "--size BYTES, with the drive's size as `media drives` shows it",
        }),
    }
}

/// Writes, and tells the front how far it came.
fn followed(source: &dyn Source, disk: &dyn Disk, named: u64, front: &mut dyn Front) -> Result<Written, WriteError> {
    let total = source.len();
    let mut begun = Instant::now();
    let begins = |front: &mut dyn Front, phase| {
        front.news(&News::Begins { phase, total });
        // A rate is known only from a second number on.
        front.news(&News::Progress { done: 0, link_us: 0 });
    };
    begins(front, "writing the drive");
    let mut now = Phase::Writing;
    let written = write_image(source, disk, named, &mut |phase, done| {
        if phase != now {
            now = phase;
            begun = Instant::now();
            front.news(&News::Ends);
            begins(front, "reading the drive back");
        }
        let link_us = u64::try_from(begun.elapsed().as_micros()).unwrap_or(u64::MAX);
        front.news(&News::Progress { done, link_us });
        !front.wants_stop()
    });
    front.news(&News::Ends);
    written
}

impl DriveWritten {
    /// The result for a person.
    #[must_use]
    pub fn text(&self) -> String {
        format!(
            "{} holds the image: {} bytes read again, 0 differ\n  SHA-256 {}\n  remove the stick now",
            self.drive.drive.display(),
            self.size,
            self.sha256
        )
    }
}
