//! The job commands: from intake to handover, over the vault's journals.
//!
//! What may be done is the procedure's to say ([`crate::procedure`]); this room reads and writes journals, asks the person,
//! and makes reports. Each function below is one command and can be called by any face.
//!
//! A job keeps the profile's text in the vault, once for all jobs, and its hash in the header: a profile file that is edited
//! later changes no job that is under way. The vault's journal is the only lock: who signs holds it for that moment, and of two
//! people who sign at once the second is told that it is done.
//!
//! What a reader would question: a machine that stops at intake leaves no journal. Nothing was done to it, and a record of a
//! machine that was turned away would keep data on somebody who may not have been asked.

mod error;
mod handover;
mod known;
mod label;
mod markdown;
mod next;
mod photo;
mod questions;
mod record;
mod redact;
mod sight;
mod sign;
mod start;
mod status;
mod write_up;

use std::path::Path;

use vault::{Digest, Entry, JobId, Journal, Vault, VaultError};

pub use self::error::JobsError;
pub use self::handover::{HandoverReport, HandoverRequest, handover};
pub use self::known::{KnownProfile, KnownProfiles, known_profiles};
pub use self::label::{Label, LabelReport, label, label_into};
pub use self::next::{NextReport, NextStep, next};
pub use self::photo::{MOST_PHOTO, PhotoLine, PhotoRequest, attach, photo};
pub use self::questions::{Asked, Form};
pub use self::record::{ChipRecord, ContentRecord, RecordReport, StepRecord, record};
pub use self::sight::{CaptureSight, ChipSight, Deed, Sight, sight};
pub use self::sign::{SignReport, SignRequest, sign};
pub use self::start::{StartReport, StartRequest, start};
pub use self::status::{JobLine, JobsReport, StatusReport, StepLine, fill_in, status, status_all};
pub use self::write_up::{LessonChip, LessonStep, WriteUp, write_up};
use crate::error::JobError;
use crate::procedure::{JobHeader, State};
use crate::profile::{ImageSource, Profile, Span, Step, Target};
use crate::session::now;

/// A job as read: its entries and its profile.
pub(crate) struct Work {
    pub job: JobId,
    pub header: JobHeader,
    pub profile: Profile,
    pub entries: Vec<Entry>,
    pub sealed: bool,
}

impl Work {
    pub(crate) fn open(vault: &Vault, job: &JobId) -> Result<Self, JobError> {
        let log = vault.read_journal(job)?;
        let header = header_of(&log.entries).ok_or_else(|| JobError::WrongJob {
            job: job.to_string(),
            why: "it is a loose job of a chip command and has no steps".into(),
        })?;
        let profile = kept_profile(vault, &header)?;
        Ok(Self { job: job.clone(), header, profile, entries: log.entries, sealed: log.sealed })
    }

    /// The job, when it is a profile's; none for a loose job.
    pub(crate) fn open_if_profile(vault: &Vault, job: &JobId) -> Result<Option<Self>, JobError> {
        let log = vault.read_journal(job)?;
        if header_of(&log.entries).is_some() { Self::open(vault, job).map(Some) } else { Ok(None) }
    }

    pub(crate) fn state(&self) -> State<'_> {
        State::of(&self.profile, &self.header, &self.entries)
    }

    /// The content that this job last composed for a chip; of an image over several chips, the chip's part.
    pub(crate) fn composed(&self, chip: &str) -> Option<Digest> {
        let content = |entry: &Entry| {
            let parts = entry.body["parts"].as_array().into_iter().flatten();
            let mut places = parts.chain(std::iter::once(&entry.body));
            let found = places.find(|place| place["chip"].as_str() == Some(chip))?;
            found["content"].as_str()?.parse().ok()
        };
        self.entries.iter().rev().filter(|entry| entry.kind == "composed").find_map(content)
    }

    /// The SHA-256 that the chosen variant states for a chip's file, and whether that is the file of the whole span; none for
    /// a recipe.
    pub(crate) fn variant_sha256(&self, chip: &str) -> Option<(String, bool)> {
        let intake = self.intake();
        let variant = self.profile.variant(intake["variant"].as_str()?)?;
        let span = self.profile.span_of(chip).map(|span| span.id.as_str());
        let for_chip = |target: &Target| match target {
            Target::Chip(id) => id == chip,
            Target::Span(id) => Some(id.as_str()) == span,
        };
        let image = variant.images.iter().find(|image| for_chip(&image.target))?;
        match &image.source {
            ImageSource::File(file) => Some((file.sha256.clone(), matches!(image.target, Target::Span(_)))),
            ImageSource::Recipe(_) => None,
        }
    }

    /// The image that the chosen variant has for a step's chip or span.
    pub(crate) fn image_of(&self, step: &Step) -> Option<&ImageSource> {
        let variant = self.profile.variant(self.intake()["variant"].as_str()?)?;
        let image = variant.images.iter().find(|image| match &image.target {
            Target::Chip(chip) => step.chip.as_ref() == Some(chip),
            Target::Span(span) => step.span.as_ref() == Some(span),
        });
        image.map(|image| &image.source)
    }

    /// What this job captured last on each chip of a span, in the span's order; none while one is missing.
    pub(crate) fn span_captures(&self, span: &Span) -> Option<Vec<Digest>> {
        let state = self.state();
        span.chips.iter().map(|chip| state.captures(chip).last().copied()).collect()
    }

    /// The body of the entry `intake`.
    pub(crate) fn intake(&self) -> serde_json::Value {
        let found = self.entries.iter().find(|entry| entry.kind == "intake");
        found.map(|entry| entry.body.clone()).unwrap_or_default()
    }
}

/// The job that a command is about: the one named, or the only one that is open.
fn chosen(vault: &Vault, given: Option<&str>) -> Result<JobId, JobError> {
    if let Some(given) = given {
        return Ok(JobId::new(given)?);
    }
    let mut open = Vec::new();
    for info in vault.journals()?.into_iter().filter(|info| !info.sealed) {
        let log = vault.read_journal(&info.job)?;
        if !log.sealed && header_of(&log.entries).is_some() {
            open.push(info.job);
        }
    }
    match open.as_slice() {
        [only] => Ok(only.clone()),
        _ => Err(JobsError::WhichJob { open: open.iter().map(ToString::to_string).collect() }.into()),
    }
}

pub(crate) fn header_of(entries: &[Entry]) -> Option<JobHeader> {
    JobHeader::of(&entries.first()?.body)
}

fn kept_profile(vault: &Vault, header: &JobHeader) -> Result<Profile, JobError> {
    let bytes = vault.read_vec(&header.profile)?;
    let text = String::from_utf8(bytes).map_err(|_| JobsError::KeptProfile { name: header.profile_name.clone() })?;
    Ok(Profile::parse(&text, Path::new(&header.profile_name))?)
}

/// Opens a journal to append one or two entries. Somebody who signs at this moment is waited for; a chip command that works
/// for minutes is not.
fn opened_journal(vault: &Vault, job: &JobId, who: &str) -> Result<Journal, JobError> {
    const TRIES: u32 = 40;
    const PAUSE: std::time::Duration = std::time::Duration::from_millis(50);
    for _ in 1..TRIES {
        match Journal::open(vault, job, who, &now()) {
            Err(VaultError::Busy { .. }) => std::thread::sleep(PAUSE),
            opened => return Ok(opened?),
        }
    }
    Ok(Journal::open(vault, job, who, &now())?)
}

/// A name or note that a person gave: one line that can be shown anywhere.
fn checked_line(what: &str, text: &str) -> Result<String, JobError> {
    const MOST: usize = 400;
    let text = text.trim();
    if text.is_empty() || text.len() > MOST || text.chars().any(char::is_control) {
        let why = format!("one line of 1 to {MOST} bytes is expected");
        return Err(JobError::BadOption { what: what.to_owned(), why });
    }
    Ok(text.to_owned())
}
