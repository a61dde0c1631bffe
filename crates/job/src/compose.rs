//! `image compose`: a recipe's sources are fetched, the image is composed and kept, and a job's compose step is closed.
//!
//! The composing itself is pure and lives in the room `image`. Here its sources come from the files that a person names
//! and from the vault, each found by the hash that the recipe pins. In a job the present capture is the newest one of the
//! chip, and an address that was drawn once is kept in the journal and used again: composing again gives the same bytes.

use std::path::{Path, PathBuf};

use image::compose::{Address, NamedRange, Sources};
use image::mac::Mac;
use image::pin::Pin;
use image::recipe::{Recipe, SourceRef};
use serde::Serialize;
use serde_json::{Value, json};
use vault::{Digest, Filter, Journal, Kind, PutRequest, Vault};

use crate::error::JobError;
use crate::files;
use crate::jobs::Work;
use crate::profile::{Step, StepKind};
use crate::session::{now, open_bench};

/// Longest text of a recipe.
const MOST_OF_A_RECIPE: u64 = 256 * 1024;

/// What a person says with the options of `image compose`.
#[derive(Debug, Clone, Default)]
pub struct ComposeRequest {
    /// The recipe.
    pub recipe: PathBuf,
    /// `--job`.
    pub job: Option<String>,
    /// `--capture`: the present capture, outside of a job.
    pub capture: Option<String>,
    /// `--with`: files that the recipe pins.
    pub with: Vec<PathBuf>,
    /// `--out`: where the image goes besides the vault.
    pub out: Option<PathBuf>,
}

/// What composing ends with.
#[derive(Debug, Clone, Serialize)]
pub struct ComposeReport {
    /// The image's name in the vault.
    pub name: String,
    /// Its id there: BLAKE3.
    pub content: String,
    /// SHA-256.
    pub sha256: String,
    /// Bytes.
    pub size: u64,
    /// What was done, one line each, in order.
    pub steps: Vec<String>,
    /// What a person should know about it.
    pub findings: Vec<String>,
    /// The job's step that this closed.
    pub step: Option<String>,
    /// Whether the address was drawn now.
    pub address_drawn: bool,
}

/// The compose step of a job, and what it works on.
struct Place {
    work: Work,
    step: Step,
    chip: String,
}

/// Composes an image and keeps it.
///
/// # Errors
/// [`JobError::Recipe`], [`JobError::Compose`], [`JobError::ImageFile`], [`JobError::WrongJob`], [`JobError::Vault`].
pub fn compose(bench: &Path, request: &ComposeRequest) -> Result<ComposeReport, JobError> {
    let text = String::from_utf8(files::read(&request.recipe, MOST_OF_A_RECIPE)?)
        .map_err(|_| JobError::ImageFile { path: request.recipe.clone(), why: "a recipe is UTF-8 text".into() })?;
    let name = request.recipe.display().to_string();
    let recipe = Recipe::parse(&text, &name).map_err(|error| JobError::Recipe(Box::new(error)))?;
    let vault = open_bench(bench)?;
    let mut journal = None;
    let mut place = None;
    if let Some(job) = &request.job {
        let job = vault::JobId::new(job)?;
        journal = Some(Journal::open(&vault, &job, "firmhand image compose", &now())?);
        place = Some(Place::find(Work::open(&vault, &job)?)?);
    }
    let present = match (&place, &request.capture) {
        (Some(place), _) => place.capture().map(|id| vault.read_vec(&id)).transpose()?,
        (None, Some(asked)) => Some(vault.read_vec(&vault.find(asked)?)?),
        (None, None) => None,
    };
    let mut fetched: Vec<(SourceRef, Vec<u8>)> = Vec::new();
    for source in recipe.sources() {
        if let Some(bytes) = fetch(&vault, &source, present.as_deref(), request)? {
            fetched.push((source, bytes));
        }
    }
    let mut sources = Sources::new();
    for (source, bytes) in &fetched {
        sources = sources.with(source.clone(), bytes);
    }
    if let Some(place) = &place {
        sources = sources.with_map(place.map());
    }
    let (address, address_drawn) = match recipe.draws_address() {
        false => (Address::None, false),
        true => match place.as_ref().and_then(Place::drawn) {
            Some(mac) => (Address::Drawn(mac), false),
            None => (Address::Drawn(draw()?), true),
        },
    };
    let composed =
        image::compose::compose(&recipe, &sources, address).map_err(|error| JobError::Compose(Box::new(error)))?;
    let drawn = match address {
        Address::Drawn(mac) => Some(mac.to_string()),
        Address::None => None,
    };
    let steps: Vec<String> = composed.steps.iter().map(ToString::to_string).collect();
    let chip = place.as_ref().map_or_else(|| "image".to_owned(), |place| place.chip.clone());
    let name = format!("composed {chip}");
    let stored = vault.put(
        composed.bytes.as_slice(),
        &PutRequest {
            name: name.clone(),
            kind: Kind::Image,
            job: place.as_ref().map(|place| place.work.job.clone()),
            taken_at: now(),
            facts: json!({ "recipe": text, "steps": steps, "address_drawn": drawn }),
        },
    )?;
    if let (Some(journal), Some(place)) = (&mut journal, &place) {
        let step = &place.step.id;
        let body = json!({ "step": step, "chip": place.chip, "content": stored.id, "address_drawn": drawn });
        journal.append("composed", body, &now())?;
        let body = json!({ "step": step, "by": "firmhand", "evidence": { "content": stored.id } });
        journal.append("step-done", body, &now())?;
    }
    if let Some(out) = &request.out {
        vault.export(&stored.id, out, false)?;
    }
    Ok(ComposeReport {
        name,
        content: stored.id.to_string(),
        sha256: stored.sha256.to_string(),
        size: stored.size,
        steps,
        findings: composed.findings.iter().map(|finding| finding.message.clone()).collect(),
        step: place.map(|place| place.step.id),
        address_drawn,
    })
}

impl Place {
    fn find(work: Work) -> Result<Self, JobError> {
        let state = work.state();
        let of_kind = |step: &&Step| step.kind == StepKind::Compose;
        let mut against = Vec::new();
        let mut found = None;
        for step in work.profile.steps_of(work.header.kind).filter(of_kind) {
            match state.may_do(&step.id) {
                Ok(()) => {
                    found = Some(step.clone());
                    break;
                }
                Err(blocked) => {
                    against.extend(blocked.reasons.iter().map(|reason| format!("`{}`: {reason}", step.id)));
                }
            }
        }
        let Some(step) = found else {
            let why = if against.is_empty() { "its profile has no compose step".into() } else { against.join("; ") };
            return Err(JobError::WrongJob { job: work.job.to_string(), why });
        };
        let Some(chip) = step.chip.clone() else {
            let why = format!("`{}` composes an image over several chips, which this version cannot", step.id);
            return Err(JobError::WrongJob { job: work.job.to_string(), why });
        };
        Ok(Self { work, step, chip })
    }

    /// The newest capture of the chip in this job.
    fn capture(&self) -> Option<Digest> {
        self.work.state().captures(&self.chip).last().copied()
    }

    /// The region map that the profile lends to a content without one of its own.
    fn map(&self) -> Vec<NamedRange> {
        let chip = self.work.profile.chip(&self.chip);
        chip.map(|chip| chip.regions.as_slice())
            .unwrap_or_default()
            .iter()
            .map(|region| NamedRange { name: region.name.clone(), range: region.at..region.at + region.size })
            .collect()
    }

    /// The address that an earlier composing of this job drew.
    fn drawn(&self) -> Option<Mac> {
        let composed = |entry: &&vault::Entry| entry.kind == "composed" && entry.body["chip"] == json!(self.chip);
        let entry = self.work.entries.iter().rev().find(composed)?;
        entry.body.get("address_drawn").and_then(Value::as_str)?.parse().ok()
    }
}

/// Six bytes of the system's generator, made locally administered and unicast.
fn draw() -> Result<Mac, JobError> {
    let mut bytes = [0; 6];
    getrandom::fill(&mut bytes).map_err(|error| JobError::Io {
        doing: "draw random bytes from",
        path: PathBuf::from("the system"),
        source: std::io::Error::other(error.to_string()),
    })?;
    Ok(Mac::local_from(bytes))
}

/// A source's bytes; none when it is nowhere, which composing then says.
fn fetch(
    vault: &Vault,
    source: &SourceRef,
    present: Option<&[u8]>,
    request: &ComposeRequest,
) -> Result<Option<Vec<u8>>, JobError> {
    match source {
        SourceRef::Present => Ok(present.map(<[u8]>::to_vec)),
        SourceRef::Image(pin) => pinned(vault, pin, &request.with),
        SourceRef::Capture { asked, .. } => Ok(Some(vault.read_vec(&vault.find(asked)?)?)),
        SourceRef::File { path, pin } => {
            let beside = request.recipe.parent().unwrap_or_else(|| Path::new("")).join(path);
            if beside.exists() {
                return files::read(&beside, u64::from(nor::MAX_SIZE)).map(Some);
            }
            pinned(vault, pin, &request.with)
        }
    }
}

/// The bytes of this hash, out of the files that were named or out of the vault.
fn pinned(vault: &Vault, pin: &Pin, with: &[PathBuf]) -> Result<Option<Vec<u8>>, JobError> {
    for path in with {
        let bytes = files::read(path, u64::from(nor::MAX_SIZE))?;
        if pin.of_same_kind(&bytes) == *pin {
            return Ok(Some(bytes));
        }
    }
    let digits = pin.digits();
    for item in vault.list(&Filter::default())?.items {
        let found = match pin {
            Pin::Blake3(_) => item.id.to_string() == digits,
            Pin::Sha256(_) => vault.show(&item.id)?.iter().any(|manifest| manifest.sha256.to_string() == digits),
        };
        if found {
            return Ok(Some(vault.read_vec(&item.id)?));
        }
    }
    Ok(None)
}
