//! The contents that a job has to do with: what was found, what was composed, what was written; and single sectors of them.

use std::path::Path;

use serde::Serialize;
use vault::{Digest, JobId, VaultError};

use crate::error::JobError;
use crate::jobs::Work;
use crate::profile::ChipSpec;
use crate::session::open_bench;

/// A content that a job names.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct JobContent {
    /// Its id in the vault: BLAKE3.
    pub content: String,
    /// The chip or span that it is of.
    pub of: String,
    /// What it is to the job: `as found`, `captured later`, `composed`, `as left`.
    pub what: &'static str,
}

/// Returns the contents of a job that are in the vault, in the order of the profile's chips and spans, each once for what it is.
///
/// # Errors
/// [`JobError::WrongJob`]; [`JobError::Vault`].
pub fn of_job(bench: &Path, job: &str) -> Result<Vec<JobContent>, JobError> {
    let vault = open_bench(bench)?;
    let work = Work::open(&vault, &JobId::new(job)?)?;
    let mut contents = Vec::new();
    let mut add = |content: &Digest, of: &str, what: &'static str| -> Result<(), JobError> {
        match vault.show(content) {
            Ok(_) => contents.push(JobContent { content: content.to_string(), of: of.to_owned(), what }),
            Err(VaultError::NotFound { .. }) => {}
            Err(error) => return Err(error.into()),
        }
        Ok(())
    };
    let state = work.state();
    for chip in &work.profile.chips {
        let mut captures = state.captures(&chip.id).iter();
        if let Some(first) = captures.next() {
            add(first, &chip.id, "as found")?;
        }
        for later in captures {
            add(later, &chip.id, "captured later")?;
        }
        if let Some(composed) = work.composed(&chip.id) {
            add(&composed, &chip.id, "composed")?;
        }
        if let Some(left) = state.applied(&chip.id).filter(|left| work.composed(&chip.id) != Some(*left)) {
            add(&left, &chip.id, "as left")?;
        }
    }
    for span in &work.profile.spans {
        let of_span = |entry: &&vault::Entry| entry.body["span"].as_str() == Some(span.id.as_str());
        for entry in work.entries.iter().filter(of_span) {
            let what = match entry.kind.as_str() {
                "span-captured" => "as found",
                "composed" => "composed",
                _ => continue,
            };
            if let Some(content) = entry.body["content"].as_str().and_then(|id| id.parse().ok()) {
                add(&content, &span.id, what)?;
            }
        }
    }
    Ok(contents)
}

/// Tells whether a job names a content that is in the vault.
///
/// # Errors
/// As [`of_job`].
pub fn is_named(bench: &Path, job: &str, content: &str) -> Result<bool, JobError> {
    Ok(of_job(bench, job)?.iter().any(|one| one.content == content))
}

/// Returns the bytes of a content that a job names.
///
/// # Errors
/// [`JobError::BadOption`] for a content that the job does not name; [`JobError::Vault`].
pub fn bytes(bench: &Path, job: &str, content: &str) -> Result<Vec<u8>, JobError> {
    let named = is_named(bench, job, content)?;
    let id = content.parse::<Digest>().ok().filter(|_| named).ok_or_else(|| JobError::BadOption {
        what: "content".into(),
        why: format!("job {job} has no content of this id in the vault"),
    })?;
    Ok(open_bench(bench)?.read_vec(&id)?)
}

/// Returns how many entries the journal of a job has: what was read off it before is old when there are more.
///
/// # Errors
/// [`JobError::Vault`].
pub fn entries(bench: &Path, job: &str) -> Result<usize, JobError> {
    Ok(open_bench(bench)?.read_journal(&JobId::new(job)?)?.entries.len())
}

/// The chip of this name.
pub(crate) fn chip_of<'w>(work: &'w Work, chip: &str) -> Result<&'w ChipSpec, JobError> {
    work.profile.chip(chip).ok_or_else(|| JobError::BadOption {
        what: format!("chip {chip}"),
        why: format!(
            "the profile has {}",
            work.profile.chips.iter().map(|chip| chip.id.as_str()).collect::<Vec<_>>().join(", ")
        ),
    })
}
