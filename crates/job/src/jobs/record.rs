//! `job record`: what was done to one machine, for whoever gets it and whoever meets it again.

use std::path::Path;

use serde::Serialize;
use serde_json::Value;
use vault::{Digest, Entry, Vault, VaultError};

use super::next::minutes_between;
use super::photo::{PhotoLine, photos};
use super::questions::told_in;
use super::redact::{LEFT_OUT, People, private};
use super::{Work, chosen};
use crate::error::JobError;
use crate::procedure::{Note, Standing, State, StepView};
use crate::profile::{LimitWhen, cautions_for};
use crate::session::open_bench;

/// The record of a job.
#[derive(Debug, Clone, Serialize)]
pub struct RecordReport {
    /// The job.
    pub job: String,
    /// Whether its journal is sealed.
    pub sealed: bool,
    /// Why the machine went back as it is, when it did.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub given_back: Option<String>,
    /// Its kind.
    pub kind: &'static str,
    /// The profile's machine.
    pub board: String,
    /// Hash of the profile's text: BLAKE3.
    pub profile: String,
    /// The job that a return takes back.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub of: Option<String>,
    /// Which machine it is.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub machine: Option<String>,
    /// Whose it is.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub owner: Option<String>,
    /// Who consented.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub consent: Option<String>,
    /// When it was taken in.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub taken_in: Option<String>,
    /// The answers at intake.
    pub answers: Vec<(String, String)>,
    /// What will not work, acknowledged at intake and told at handover.
    pub limits: Vec<LimitRecord>,
    /// Each chip as found and as left.
    pub chips: Vec<ChipRecord>,
    /// Each image over several chips, as found and as composed.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub spans: Vec<ChipRecord>,
    /// Files that were taken in for this job, oldest first.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub files: Vec<FileRecord>,
    /// Each step that was done or is left.
    pub steps: Vec<StepRecord>,
    /// Photos, oldest first.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub photos: Vec<PhotoLine>,
    /// Answers to gates, with who gave them.
    pub gates: Vec<GateRecord>,
    /// What a person has to hear.
    pub warnings: Vec<String>,
    /// What is odd in the journal.
    pub notes: Vec<Note>,
    /// Entries in the journal.
    pub entries: usize,
    /// Hash of its last entry, which holds all before it.
    pub last_hash: String,
}

/// A limit in the record.
#[derive(Debug, Clone, Serialize)]
pub struct LimitRecord {
    /// Its id.
    pub id: String,
    /// What it says.
    pub text: String,
    /// After what it holds.
    pub when: LimitWhen,
    /// Whether it was acknowledged at intake.
    pub acknowledged: bool,
    /// Whether it was told at handover.
    pub told: bool,
}

/// A chip in the record.
#[derive(Debug, Clone, Serialize)]
pub struct ChipRecord {
    /// Its id.
    pub chip: String,
    /// What it held when found.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub as_found: Option<ContentRecord>,
    /// Further captures of this job, oldest first.
    pub further: Vec<ContentRecord>,
    /// What it holds as the job left it; none when it was not written.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub as_left: Option<ContentRecord>,
}

/// A content in the record.
#[derive(Debug, Clone, Serialize)]
pub struct ContentRecord {
    /// Its id in the vault: BLAKE3.
    pub content: String,
    /// SHA-256, to compare with lists that others publish; none when the vault has forgotten it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub sha256: Option<String>,
}

/// A file in the record.
#[derive(Debug, Clone, Serialize)]
pub struct FileRecord {
    /// Its content in the vault, or its proofs' where it is too large to be kept.
    pub content: String,
    /// What it is called.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub name: Option<String>,
    /// Whose it is, as a person said.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub origin: Option<String>,
    /// What vouches for it, the strongest.
    pub vouched_by: String,
}

/// A step in the record.
#[derive(Debug, Clone, Serialize)]
pub struct StepRecord {
    /// Its id.
    pub id: String,
    /// What it is called.
    pub title: String,
    /// `done`, `open` or `waiting`.
    pub standing: &'static str,
    /// When it was done.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub when: Option<String>,
    /// Who did or signed it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub by: Option<String>,
    /// Minutes since it was begun or, where nobody wrote that down, since the entry before: at most so long.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub minutes: Option<f64>,
    /// What was measured, with its unit.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub measured: Option<String>,
    /// What the person noted.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub note: Option<String>,
    /// Chips for which no way back existed when it was signed.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub no_way_back: Vec<String>,
    /// The cautions that whoever signed it was shown.
    pub cautions: Vec<String>,
}

/// An answer to a gate.
#[derive(Debug, Clone, Serialize)]
pub struct GateRecord {
    /// The gate.
    pub id: String,
    /// What was answered.
    pub answer: String,
    /// By whom.
    pub by: String,
    /// When.
    pub when: String,
}

/// Makes the record of a job, open or closed; the only open one when none is named.
///
/// With `redact` it holds nothing that S15 names: no owner, label, free note, nor names of people.
///
/// # Errors
/// [`super::JobsError::WhichJob`], [`JobError`].
pub fn record(bench: &Path, job: Option<&str>, redact: bool) -> Result<RecordReport, JobError> {
    let vault = open_bench(bench)?;
    let work = Work::open(&vault, &chosen(&vault, job)?)?;
    let state = work.state();
    let mut people = People::new(redact);
    let intake = work.intake();
    let (acknowledged, told) = (limits_of(&work.entries, "intake"), limits_of(&work.entries, "signed"));
    let limits = work.profile.limits.iter().filter(|limit| told_in(limit.when, work.header.kind));
    let chips = work.profile.chips.iter().map(|chip| chip_record(&vault, &state, &chip.id));
    Ok(RecordReport {
        job: work.job.to_string(),
        sealed: work.sealed,
        given_back: private(given_back(&work.entries), redact),
        kind: work.header.kind.as_str(),
        board: work.profile.board.name.clone(),
        profile: work.header.profile.to_string(),
        of: work.header.of.as_ref().map(ToString::to_string),
        machine: private(intake["machine"].as_str(), redact),
        owner: private(intake["owner"].as_str(), redact),
        consent: intake["consent"].as_str().map(|name| people.name(name)),
        taken_in: state.intake().map(|mark| mark.when.clone()),
        answers: answers(&intake["answers"], redact),
        limits: limits
            .map(|limit| LimitRecord {
                id: limit.id.clone(),
                text: limit.text.clone(),
                when: limit.when,
                acknowledged: acknowledged.contains(&limit.id.as_str()),
                told: told.contains(&limit.id.as_str()),
            })
            .collect(),
        chips: chips.collect::<Result<_, _>>()?,
        spans: spans(&vault, &work)?,
        photos: photos(&work.entries, &mut people, redact),
        gates: gates(&work.entries, &mut people),
        files: files(&work.entries, redact),
        steps: state
            .steps()
            .iter()
            .filter(|view| !matches!(view.standing, Standing::Skipped(_)))
            .map(|view| step_record(&work, view, &mut people, redact))
            .collect(),
        warnings: state.warnings(),
        notes: if redact { Vec::new() } else { state.notes().to_vec() },
        entries: work.entries.len(),
        last_hash: work.entries.last().map(|entry| entry.hash.to_string()).unwrap_or_default(),
    })
}

fn given_back(entries: &[Entry]) -> Option<&str> {
    entries.iter().find(|entry| entry.kind == "given-back")?.body["reason"].as_str()
}

fn texts(list: &Value) -> Vec<&str> {
    list.as_array().into_iter().flatten().filter_map(Value::as_str).collect()
}

/// The limits that entries of a kind name.
fn limits_of<'a>(entries: &'a [Entry], kind: &str) -> Vec<&'a str> {
    entries.iter().filter(|entry| entry.kind == kind).flat_map(|entry| texts(&entry.body["limits"])).collect()
}

fn answers(answers: &Value, redact: bool) -> Vec<(String, String)> {
    let pairs = answers.as_object().into_iter().flatten();
    pairs
        .map(|(id, value)| {
            let secret = redact && (id.starts_with("label-") || id.starts_with("donor-"));
            let value = value.as_str().unwrap_or_default();
            (id.clone(), if secret { LEFT_OUT.to_owned() } else { value.to_owned() })
        })
        .collect()
}

fn gates(entries: &[Entry], people: &mut People) -> Vec<GateRecord> {
    let gates = entries.iter().filter(|entry| entry.kind == "gate");
    gates
        .map(|entry| {
            let text = |key: &str| entry.body[key].as_str().unwrap_or_default().to_owned();
            GateRecord {
                id: text("id"),
                answer: text("answer"),
                by: people.name(&text("by")),
                when: entry.time.clone(),
            }
        })
        .collect()
}

fn files(entries: &[Entry], redact: bool) -> Vec<FileRecord> {
    let taken = entries.iter().filter(|entry| entry.kind == "file-taken");
    taken
        .map(|entry| {
            let text = |value: &Value| value.as_str().unwrap_or_default().to_owned();
            FileRecord {
                content: text(&entry.body["content"]),
                name: private(entry.body["name"].as_str(), redact),
                origin: private(entry.body["proofs"]["origin"].as_str(), redact),
                vouched_by: text(&entry.body["proofs"]["vouched_by"]),
            }
        })
        .collect()
}

fn chip_record(vault: &Vault, state: &State<'_>, chip: &str) -> Result<ChipRecord, JobError> {
    let mut captures = Vec::new();
    for content in state.captures(chip) {
        captures.push(content_record(vault, content)?);
    }
    let as_found = if captures.is_empty() { None } else { Some(captures.remove(0)) };
    let as_left = state.applied(chip).map(|content| content_record(vault, &content)).transpose()?;
    Ok(ChipRecord { chip: chip.to_owned(), as_found, further: captures, as_left })
}

/// The images over several chips: what they held together when found, and what was composed for them.
fn spans(vault: &Vault, work: &Work) -> Result<Vec<ChipRecord>, JobError> {
    let contents = |kind: &str, span: &str| {
        let of_span = |entry: &&Entry| entry.kind == kind && entry.body["span"].as_str() == Some(span);
        let ids = work.entries.iter().filter(of_span).filter_map(|entry| entry.body["content"].as_str()?.parse().ok());
        ids.map(|id| content_record(vault, &id)).collect::<Result<Vec<_>, _>>()
    };
    let mut records = Vec::new();
    for span in &work.profile.spans {
        let mut captures = contents("span-captured", &span.id)?;
        let as_found = if captures.is_empty() { None } else { Some(captures.remove(0)) };
        let as_left = contents("composed", &span.id)?.pop();
        records.push(ChipRecord { chip: span.id.clone(), as_found, further: captures, as_left });
    }
    Ok(records)
}

fn content_record(vault: &Vault, content: &Digest) -> Result<ContentRecord, JobError> {
    let sha256 = match vault.show(content) {
        Ok(manifests) => manifests.first().map(|manifest| manifest.sha256.to_string()),
        Err(VaultError::NotFound { .. }) => None,
        Err(error) => return Err(error.into()),
    };
    Ok(ContentRecord { content: content.to_string(), sha256 })
}

fn step_record(work: &Work, view: &StepView<'_>, people: &mut People, redact: bool) -> StepRecord {
    let mark = match &view.standing {
        Standing::Done(mark) => Some(mark),
        _ => None,
    };
    let find = |seq: u64| work.entries.iter().find(|entry| entry.seq == seq);
    let entry = mark.and_then(|mark| find(mark.seq));
    let from = view.begun.as_ref().and_then(|begun| find(begun.seq));
    let from = from.or_else(|| entry.and_then(|entry| find(entry.seq.checked_sub(1)?)));
    let body = entry.map(|entry| &entry.body);
    let measured = body.and_then(|body| body["measured"].as_f64()).map(|value| {
        let unit = view.step.measure.as_ref().map(|measure| measure.unit.as_str()).unwrap_or_default();
        format!("{value} {unit}")
    });
    let cautions = if mark.is_some() { cautions_for(&work.profile, view.step) } else { Vec::new() };
    StepRecord {
        id: view.step.id.clone(),
        title: view.step.title.clone(),
        standing: view.standing.code(),
        when: mark.map(|mark| mark.when.clone()),
        by: mark.map(|mark| people.name(&mark.by)),
        minutes: entry.zip(from).and_then(|(entry, from)| minutes_between(from, entry)),
        measured,
        note: private(body.and_then(|body| body["note"].as_str()), redact),
        no_way_back: body
            .map(|body| texts(&body["no_way_back"]))
            .unwrap_or_default()
            .into_iter()
            .map(str::to_owned)
            .collect(),
        cautions: cautions.into_iter().map(str::to_owned).collect(),
    }
}
