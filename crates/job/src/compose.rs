//! `image compose`: a recipe's sources are fetched, the image is composed and kept, and a job's compose step is closed.
//!
//! The composing itself is pure and lives in the room `image`. Here its sources come from the files that a person names
//! and from the vault, each found by the hash that the recipe pins. In a job the present capture is the newest one of the
//! chip, and an address that was drawn once is kept in the journal and used again: composing again gives the same bytes.

mod donor;

use std::path::{Path, PathBuf};

use image::compose::{Address, NamedRange, Sources};
use image::mac::Mac;
use image::recipe::{Recipe, SourceRef};
use serde::Serialize;
use serde_json::{Value, json};
use vault::{Digest, JobId, Journal, Kind, PutRequest, Vault};

use crate::error::JobError;
use crate::files;
use crate::jobs::Work;
use crate::mac::{Register, in_words};
use crate::part;
use crate::pinned;
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
    /// `--donor`: the donor's content, outside of a job.
    pub donor: Option<String>,
    /// `--mac`: the machine's address, for a recipe that says `given` without a value.
    pub mac: Option<String>,
    /// `--with`: files that the recipe pins.
    pub with: Vec<PathBuf>,
    /// `--out`: where the image goes besides the vault.
    pub out: Option<PathBuf>,
    /// `--redact`: the address is not told.
    pub redact: bool,
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
    /// The address that was put in.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub address: Option<String>,
    /// What it says of itself, in words.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub address_says: Option<String>,
}

/// The compose step of a job, and what it works on.
struct Place {
    work: Work,
    step: Step,
    /// The chip's id, or the span's.
    name: String,
    /// The chips whose content is composed: one, or those of the span in order.
    chips: Vec<String>,
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
        let job = JobId::new(job)?;
        journal = Some(Journal::open(&vault, &job, "firmhand image compose", &now())?);
        place = Some(Place::find(Work::open(&vault, &job)?)?);
    }
    let named = |asked: &Option<String>| asked.as_ref().map(|asked| vault.read_vec(&vault.find(asked)?)).transpose();
    let (present, donor) = match &place {
        Some(place) => (place.present(&vault)?, place.donor(&vault)?),
        None => (named(&request.capture)?, named(&request.donor)?),
    };
    let mut fetched: Vec<(SourceRef, Vec<u8>)> = Vec::new();
    for source in recipe.sources() {
        let found = match &source {
            SourceRef::Present => present.clone(),
            SourceRef::Donor => donor.clone(),
            _ => fetch(&vault, &source, request)?,
        };
        if let Some(bytes) = found {
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
    let said = said_address(request, place.as_ref())?;
    let register = Register::read(&vault)?;
    let (address, address_drawn) = match (recipe.draws_address(), said) {
        (false, None) => (Address::None, false),
        (false, Some(mac)) => (Address::Given(mac), false),
        (true, _) => match place.as_ref().and_then(Place::drawn) {
            Some(mac) => (Address::Drawn(mac), false),
            None => (Address::Drawn(draw(&register)?), true),
        },
    };
    let composed =
        image::compose::compose(&recipe, &sources, address).map_err(|error| JobError::Compose(Box::new(error)))?;
    let drawn = match address {
        Address::Drawn(mac) => Some(mac.to_string()),
        Address::Given(_) | Address::None => None,
    };
    let mut findings: Vec<String> = composed.findings.iter().map(|finding| finding.message.clone()).collect();
    if let Some(mac) = composed.mac {
        findings.extend(register.look(mac, &own_jobs(&vault, request, place.as_ref())?)?);
    }
    if let (Some(place), Some(donor)) = (&place, &donor) {
        donor::check(&vault, &place.identity_of_rescue(&vault)?, donor, &composed.bytes)?;
    }
    let steps: Vec<String> = composed.steps.iter().map(ToString::to_string).collect();
    let of = place.as_ref().map_or_else(|| "image".to_owned(), |place| place.name.clone());
    let name = format!("composed {of}");
    let put = |bytes: &[u8], name: String, facts: Value| {
        vault.put(
            bytes,
            &PutRequest {
                name,
                kind: Kind::Image,
                job: place.as_ref().map(|place| place.work.job.clone()),
                taken_at: now(),
                facts,
            },
        )
    };
    let mac = composed.mac.map(|mac| mac.to_string());
    let facts = json!({ "recipe": text, "steps": steps, "address": mac, "address_drawn": drawn });
    let stored = put(&composed.bytes, name.clone(), facts)?;
    if let (Some(journal), Some(place)) = (&mut journal, &place) {
        let step = &place.step.id;
        let mut body = json!({ "step": step, "content": stored.id, "address_drawn": drawn });
        if let [chip] = place.chips.as_slice() {
            body["chip"] = json!(chip);
        } else {
            let mut parts = Vec::new();
            for (chip, bytes) in place.chips.iter().zip(place.split(&composed.bytes)?) {
                let part = put(bytes, format!("{name}, part {chip}"), json!({ "part_of": stored.id, "chip": chip }))?;
                parts.push(json!({ "chip": chip, "content": part.id }));
            }
            body["span"] = json!(place.name);
            body["parts"] = json!(parts);
        }
        journal.append("composed", body, &now())?;
        let body = json!({ "step": step, "by": "firmhand", "evidence": { "content": stored.id } });
        journal.append("step-done", body, &now())?;
    }
    if let Some(out) = &request.out {
        files::export(&vault, &stored.id, out, false)?;
    }
    Ok(ComposeReport {
        name,
        content: stored.id.to_string(),
        sha256: stored.sha256.to_string(),
        size: stored.size,
        steps,
        findings,
        step: place.map(|place| place.step.id),
        address_drawn,
        address: mac.filter(|_| !request.redact),
        address_says: composed.mac.filter(|_| !request.redact).map(in_words),
    })
}

/// The jobs that say which machine an image is for: that of the step, or those of the present capture.
fn own_jobs(vault: &Vault, request: &ComposeRequest, place: Option<&Place>) -> Result<Vec<JobId>, JobError> {
    match (place, &request.capture) {
        (Some(place), _) => Ok(vec![place.work.job.clone()]),
        (None, Some(asked)) => {
            let captures =
                vault.show(&vault.find(asked)?)?.into_iter().filter(|manifest| manifest.kind == Kind::Capture);
            Ok(captures.filter_map(|manifest| manifest.job).collect())
        }
        (None, None) => Ok(Vec::new()),
    }
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
        let chips = work.profile.chips_of(&step).into_iter().map(str::to_owned).collect();
        let name = step.chip.clone().or_else(|| step.span.clone()).expect("a compose step has a chip or a span");
        Ok(Self { work, step, name, chips })
    }

    /// The newest captures of this job, one after the other; none while one is missing.
    fn present(&self, vault: &Vault) -> Result<Option<Vec<u8>>, JobError> {
        let state = self.work.state();
        let captures: Option<Vec<Digest>> =
            self.chips.iter().map(|chip| state.captures(chip).last().copied()).collect();
        captures.map(|captures| joined(vault, &captures)).transpose()
    }

    /// The donors that the intake of a rescue names, one after the other; none while one is missing.
    fn donor(&self, vault: &Vault) -> Result<Option<Vec<u8>>, JobError> {
        let answers = &self.work.intake()["answers"];
        let named = |chip: &String| answers[format!("donor-{chip}")].as_str().map(|asked| vault.find(asked));
        let donors: Option<Vec<Result<Digest, _>>> = self.chips.iter().map(named).collect();
        let Some(donors) = donors else { return Ok(None) };
        joined(vault, &donors.into_iter().collect::<Result<Vec<_>, _>>()?).map(Some)
    }

    /// What the machine's own label says, and who the donors are.
    fn identity_of_rescue(&self, vault: &Vault) -> Result<donor::Identity, JobError> {
        let answers = self.work.intake()["answers"].clone();
        let mut donors = Vec::new();
        for chip in &self.chips {
            if let Some(asked) = answers[format!("donor-{chip}")].as_str() {
                donors.push(vault.find(asked)?);
            }
        }
        let said = |id: &str| answers[id].as_str().filter(|answer| *answer != "none").map(str::to_owned);
        Ok(donor::Identity {
            mac: said("label-mac").and_then(|mac| mac.parse().ok()),
            serial: said("label-serial"),
            donors,
            map: self.map(),
        })
    }

    /// The part of a composed image for each chip (S8).
    fn split<'i>(&self, image: &'i [u8]) -> Result<Vec<&'i [u8]>, JobError> {
        let size = |chip: &String| self.work.profile.chip(chip).map_or(0, |spec| spec.size);
        let sizes: Vec<u32> = self.chips.iter().map(size).collect();
        image::span::split(image, &sizes)
            .map_err(|error| JobError::WrongJob { job: self.work.job.to_string(), why: error.to_string() })
    }

    /// The region map that the profile lends to a content without one of its own.
    fn map(&self) -> Vec<NamedRange> {
        let mut begin = 0;
        let mut map = Vec::new();
        for spec in self.chips.iter().filter_map(|chip| self.work.profile.chip(chip)) {
            map.extend(spec.regions.iter().map(|region| NamedRange {
                name: region.name.clone(),
                range: begin + region.at..begin + region.at + region.size,
            }));
            begin += spec.size;
        }
        map
    }

    /// The address that an earlier composing of this step drew.
    fn drawn(&self) -> Option<Mac> {
        let composed = |entry: &&vault::Entry| entry.kind == "composed" && entry.body["step"] == json!(self.step.id);
        let entry = self.work.entries.iter().rev().find(composed)?;
        entry.body.get("address_drawn").and_then(Value::as_str)?.parse().ok()
    }
}

/// Six bytes of the system's generator, made locally administered and unicast, until they are no address of this bench yet.
fn draw(register: &Register<'_>) -> Result<Mac, JobError> {
    const TRIES: u32 = 1000;
    let failed = |why: String| JobError::Io {
        doing: "draw random bytes from",
        path: PathBuf::from("the system"),
        source: std::io::Error::other(why),
    };
    for _ in 0..TRIES {
        let mut bytes = [0; 6];
        getrandom::fill(&mut bytes).map_err(|error| failed(error.to_string()))?;
        let mac = Mac::local_from(bytes);
        if !register.has(mac) {
            return Ok(mac);
        }
    }
    Err(failed("every address that it gave is taken".into()))
}

/// The address that somebody said: with the command, or at the intake of a rescue, off the label.
fn said_address(request: &ComposeRequest, place: Option<&Place>) -> Result<Option<Mac>, JobError> {
    if let Some(text) = &request.mac {
        let bad = |error: image::mac::MacError| JobError::BadOption { what: "--mac".into(), why: error.to_string() };
        return text.parse().map(Some).map_err(bad);
    }
    let answers = place.map(|place| place.work.intake()["answers"].clone()).unwrap_or_default();
    Ok(answers["label-mac"].as_str().and_then(|mac| mac.parse().ok()))
}

/// Contents one after the other.
fn joined(vault: &Vault, ids: &[Digest]) -> Result<Vec<u8>, JobError> {
    let parts = ids.iter().map(|id| vault.read_vec(id)).collect::<Result<Vec<_>, _>>()?;
    Ok(parts.concat())
}

/// A pinned source's bytes; none when it is nowhere, which composing then says.
fn fetch(vault: &Vault, source: &SourceRef, request: &ComposeRequest) -> Result<Option<Vec<u8>>, JobError> {
    match source {
        SourceRef::Present | SourceRef::Donor => Ok(None),
        SourceRef::Image(pin) => pinned::bytes(vault, pin, &request.with),
        SourceRef::Capture { asked, .. } => Ok(Some(vault.read_vec(&vault.find(asked)?)?)),
        SourceRef::File { path, pin } => {
            let beside = request.recipe.parent().unwrap_or_else(|| Path::new("")).join(path);
            if beside.exists() {
                return files::read(&beside, u64::from(nor::MAX_SIZE)).map(Some);
            }
            pinned::bytes(vault, pin, &request.with)
        }
        SourceRef::Part { from, take, form, .. } => {
            let Some(container) = pinned::source(vault, from, &request.with)? else { return Ok(None) };
            part::take(&container, take, *form).map(Some)
        }
    }
}
