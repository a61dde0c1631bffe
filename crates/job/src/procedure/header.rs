//! What the first entry of a profile job's journal says: kind, profile, and for a return the chips of the earlier job.
//!
//! The chips of the earlier job are copied into the header at intake, so that the state of a return needs no second journal
//! and stays what it is when the earlier job is forgotten.

use serde_json::{Value, json};
use vault::{Digest, JobId};

use super::event::digest;
use crate::profile::model::JobKind;

/// The header of a profile job.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct JobHeader {
    /// What kind of job it is.
    pub kind: JobKind,
    /// The profile's text: its content in the vault.
    pub profile: Digest,
    /// The profile's file name at intake, for people.
    pub profile_name: String,
    /// The job that is taken back; a return alone has one.
    pub of: Option<JobId>,
    /// The chips of that job, as found then; empty otherwise.
    pub earlier: Vec<EarlierChip>,
}

/// A chip of the job that a return takes back.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct EarlierChip {
    /// The chip's id in the profile.
    pub chip: String,
    /// What it held when it was found: the first capture.
    pub as_found: Digest,
}

impl JobHeader {
    /// Reads the body of a journal's entry `opened`; none when it is no profile job (a loose job) or one of a newer kind.
    #[must_use]
    pub fn of(body: &Value) -> Option<Self> {
        let word = body["kind"].as_str()?;
        let kind = JobKind::ALL.into_iter().find(|kind| kind.as_str() == word)?;
        let chips = body["earlier"].as_array().into_iter().flatten();
        Some(Self {
            kind,
            profile: digest(&body["profile"])?,
            profile_name: body["profile_name"].as_str().unwrap_or_default().to_owned(),
            of: body["of"].as_str().and_then(|id| JobId::new(id).ok()),
            earlier: chips
                .filter_map(|chip| {
                    Some(EarlierChip { chip: chip["chip"].as_str()?.to_owned(), as_found: digest(&chip["as_found"])? })
                })
                .collect(),
        })
    }

    /// Returns the body of the entry `opened`.
    #[must_use]
    pub fn to_json(&self) -> Value {
        let earlier: Vec<Value> =
            self.earlier.iter().map(|chip| json!({ "chip": chip.chip, "as_found": chip.as_found })).collect();
        json!({
            "loose": false,
            "kind": self.kind.as_str(),
            "profile": self.profile,
            "profile_name": self.profile_name,
            "of": self.of,
            "earlier": earlier,
        })
    }
}
