//! `media drives` and `media write`: which drives may be written raw, and an image onto one of them (safety rule S11).
//!
//! The person names the drive by its node and its size in bytes; nothing else will do, since names move when sticks are
//! swapped and everything on the drive is lost. Which drive may be written at all, and the write itself, are the room `media`'s.

use std::fs::File;
use std::path::{Path, PathBuf};
use std::time::Instant;

use media::Source;
use media::drives::{Drive, System};
use media::source::FileSource;
use media::write::{OpenDrive, Phase, WriteError, write as write_image};
use serde::Serialize;

use crate::error::JobError;
use crate::front::{Front, News};
use crate::text::about;

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
}

impl DriveReport {
    /// `redact` leaves out the serial number (S15).
    fn of(drive: &Drive, redact: bool) -> Self {
        Self {
            drive: drive.node.clone(),
            model: drive.model.clone(),
            serial: drive.serial.clone().filter(|_| !redact),
            size: drive.size,
            writable: drive.is_writable(),
            refusals: drive.refusals.iter().map(media::drives::Refusal::text).collect(),
        }
    }

    fn line(&self) -> String {
        let serial = self.serial.as_ref().map(|serial| format!(", serial {serial}")).unwrap_or_default();
        let model = if self.model.is_empty() { "of no name" } else { &self.model };
        format!("{}  {model}{serial}, {} ({} bytes)", self.drive.display(), about(self.size), self.size)
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

/// Writes an image onto the drive that has `named` bytes, reads it back and compares.
///
/// # Errors
/// [`JobError::Unanswered`] without a size; [`JobError::DriveRefused`] for a drive that may not be written, or is another than the
/// one named; [`JobError::ImageFile`] for an image that cannot be read; [`JobError::Drive`] for what goes wrong on the way.
pub fn write(
    image: &Path,
    node: &Path,
    named: Option<u64>,
    redact: bool,
    front: &mut dyn Front,
) -> Result<DriveWritten, JobError> {
    let unread =
        |error: &dyn std::fmt::Display| JobError::ImageFile { path: image.to_path_buf(), why: error.to_string() };
    let file = File::open(image).map_err(|error| unread(&error))?;
    let source = FileSource::new(file).map_err(|error| unread(&error))?;
    if source.is_empty() {
        return Err(unread(&"it is empty"));
    }
    let refused = |why: Vec<String>| JobError::DriveRefused { drive: node.to_path_buf(), why: why.join("; ") };
    let drive = System::default().drive_of(node).ok_or_else(|| {
        refused(vec![
            "it is no drive of this computer; `firmhand media drives` lists them (a partition is none)".into(),
        ])
    })?;
    let report = DriveReport::of(&drive, redact);
    if !report.writable {
        return Err(refused(report.refusals));
    }
    let Some(named) = named else {
        let question = format!("everything on {} will be lost: is it the one", report.line());
        return Err(JobError::Unanswered {
            question,
            option: "--size BYTES, with the drive's size as `media drives` shows it",
        });
    };
    if named != drive.size {
        return Err(refused(vec![format!("it has {} bytes and not the {named} that were named", drive.size)]));
    }
    if source.len() > drive.size {
        let (image, drive) = (source.len(), drive.size);
        return Err(JobError::Drive(WriteError::TooSmall { image, drive }));
    }
    front.news(&News::Said(format!("writing {} onto {}", about(source.len()), report.line())));
    let disk = OpenDrive::open(&drive.node).map_err(JobError::Drive)?;
    let written = followed(&source, &disk, named, front);
    drop(disk);
    let written = written.map_err(JobError::Drive)?;
    front.news(&News::Said("everything was read back and is equal: remove the stick now".into()));
    Ok(DriveWritten {
        image: image.to_path_buf(),
        drive: report,
        size: written.size,
        sha256: written.sha256.iter().map(|byte| format!("{byte:02x}")).collect(),
        wiped: written.wiped,
    })
}

/// Writes, and tells the front how far it came.
fn followed(
    source: &FileSource,
    disk: &OpenDrive,
    named: u64,
    front: &mut dyn Front,
) -> Result<media::write::Written, WriteError> {
    let total = source.len();
    let mut begun = Instant::now();
    front.news(&News::Begins { phase: "writing the drive", total });
    let mut now = Phase::Writing;
    let written = write_image(source, disk, named, &mut |phase, done| {
        if phase != now {
            now = phase;
            begun = Instant::now();
            front.news(&News::Ends);
            front.news(&News::Begins { phase: "reading the drive back", total });
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
