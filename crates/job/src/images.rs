//! The `image` commands that look: what is in an image, does it fit this machine, what differs, and one part of it.
//!
//! What is in images is the business of the room `image`; here they come from files and the vault, and what they are held
//! against from chips, captures, profiles and jobs.

use std::path::{Path, PathBuf};

use image::chain::{Chain, ChainError};
use image::check::{Against, Checked, Controller, Question, Remark, check};
use image::explain::{Explanation, Severity, explain};
use image::select::{Form, completions};
use nor::catalogue;
use serde::Serialize;
use vault::{Digest, JobId, Vault, VaultError};

use crate::error::JobError;
use crate::files;
use crate::jobs::Work;
use crate::profile::{FusedState, GateKind, Profile, Target};
use crate::session::open_bench;
use crate::{media, part};

/// Largest image that is read: chips of this kind end at 256 MiB, and what emulators use at 64.
pub(crate) const MOST_OF_AN_IMAGE: u64 = 256 << 20;

/// What a person means by a name.
pub(crate) enum Given {
    /// A file.
    File(PathBuf),
    /// A content of the vault.
    Kept(Vault, Digest),
}

impl Given {
    /// Looks for a file, or else for a content by id or name. A bench is opened only when there is no such file.
    ///
    /// # Errors
    /// [`JobError::ImageFile`], [`JobError::Vault`].
    pub fn find(bench: &Path, given: &str) -> Result<Self, JobError> {
        let path = PathBuf::from(given);
        if path.exists() {
            return Ok(Self::File(path));
        }
        let none = || JobError::ImageFile {
            path: path.clone(),
            why: "no such file, and the vault holds no content of this id or name".into(),
        };
        let vault = match Vault::open_read_only(bench) {
            Ok(vault) => vault,
            Err(VaultError::NotABench { .. }) => return Err(none()),
            Err(error) => return Err(error.into()),
        };
        match vault.find(given) {
            Ok(id) => Ok(Self::Kept(vault, id)),
            Err(VaultError::NotFound { .. } | VaultError::BadName { .. }) => Err(none()),
            Err(error) => Err(error.into()),
        }
    }
}

/// An image out of a file or the vault.
pub struct Named {
    /// How it was named.
    pub name: String,
    /// Its bytes.
    pub bytes: Vec<u8>,
}

impl Named {
    /// Reads the image that a person names.
    ///
    /// # Errors
    /// [`JobError::ImageFile`], [`JobError::Vault`].
    pub fn open(bench: &Path, given: &str) -> Result<Self, JobError> {
        let bytes = match Given::find(bench, given)? {
            Given::File(path) => files::read(&path, MOST_OF_AN_IMAGE)?,
            Given::Kept(vault, id) => vault.read_vec(&id)?,
        };
        Ok(Self { name: given.to_owned(), bytes })
    }

    /// Returns what is in it; with `redact`, nothing that belongs to one machine.
    #[must_use]
    pub fn explain(&self, redact: bool) -> Explanation {
        let mut explanation = explain(&self.bytes);
        if redact {
            explanation.redact();
        }
        explanation
    }

    /// Returns the selectors that begin with what was typed.
    #[must_use]
    pub fn selectors(&self, typed: &str) -> Vec<String> {
        completions(&explain(&self.bytes), typed)
    }
}

/// What an image is held against, as a person says it.
#[derive(Debug, Clone, Default)]
pub struct CheckRequest {
    /// `--stock`: the image that the machine came with, a file or a content.
    pub stock: Option<String>,
    /// `--chip`: a marking of the catalogue, or a size in bytes; several hold one image together.
    pub chips: Vec<String>,
    /// `--profile`.
    pub profile: Option<PathBuf>,
    /// `--of`: a chip or span of the profile or job, where it has several.
    pub of: Option<String>,
    /// `--job`: its profile, and what it captured first.
    pub job: Option<String>,
}

/// Holds an image against a chip, a capture and a profile.
///
/// # Errors
/// [`JobError::BadOption`] for what cannot be found, [`JobError`] of files and the vault. An image that does not fit is a result.
pub fn check_image(bench: &Path, image: &Named, request: &CheckRequest) -> Result<Checked, JobError> {
    let mut chips = request.chips.iter().map(|given| chip_size(given)).collect::<Result<Vec<_>, _>>()?;
    let mut stock = request.stock.as_ref().map(|given| Named::open(bench, given)).transpose()?.map(|named| named.bytes);
    let mut gate = None;
    let mut controllers = Vec::new();
    if let Some(path) = &request.profile {
        let profile = Profile::load(path)?;
        let ids = ids(&profile, request.of.as_deref())?;
        chips.extend(sizes(&profile, &ids));
        controllers = controllers_of(&profile, &ids);
        gate = fused(&profile);
    }
    if let Some(job) = &request.job {
        let vault = open_bench(bench)?;
        let work = Work::open(&vault, &JobId::new(job)?)?;
        let ids = ids(&work.profile, request.of.as_deref())?;
        chips = sizes(&work.profile, &ids);
        controllers = controllers_of(&work.profile, &ids);
        gate = if work.state().is_fused() { Some(FusedState::Fused) } else { fused(&work.profile) };
        let state = work.state();
        let first: Option<Vec<_>> = ids.iter().map(|chip| state.captures(chip).first().copied()).collect();
        if let Some(first) = first.filter(|_| stock.is_none()) {
            let parts = first.iter().map(|id| vault.read_vec(id)).collect::<Result<Vec<_>, _>>()?;
            stock = Some(parts.concat());
        }
    }
    let mut checked = check(&image.bytes, &Against { chips, stock: stock.as_deref(), controllers });
    if let Some(remark) = gate.and_then(gate_remark) {
        checked.remarks.insert(0, remark);
    }
    Ok(checked)
}

/// S16, as far as the profile says it.
fn gate_remark(state: FusedState) -> Option<Remark> {
    let remark = |severity, code, message: &str, means, remedy| Remark {
        severity,
        question: Question::Fuses,
        code,
        at: 0,
        path: String::new(),
        message: message.to_owned(),
        means,
        remedy,
    };
    match state {
        FusedState::Open => None,
        FusedState::Fused => Some(remark(
            Severity::Bad,
            "fused",
            "the profile or the job says that this machine is fused",
            "it starts with its maker's firmware alone, and nothing overrides that",
            "leave the machine as it is",
        )),
        FusedState::Unknown => Some(remark(
            Severity::Warn,
            "fuses-unknown",
            "nobody knows whether this machine is fused",
            "a fused machine stays dark with other firmware until the old one is restored",
            "keep the capture, and sign the gate before the first write",
        )),
    }
}

fn fused(profile: &Profile) -> Option<FusedState> {
    profile.gates.iter().find_map(|gate| match gate.kind {
        GateKind::Fused { says } => Some(says),
        GateKind::Fit { .. } => None,
    })
}

/// The chips that hold the image: those of a span, one by its id, or the only system chip.
fn ids(profile: &Profile, of: Option<&str>) -> Result<Vec<String>, JobError> {
    let names = || {
        let chips = profile.chips.iter().map(|chip| chip.id.as_str());
        chips.chain(profile.spans.iter().map(|span| span.id.as_str())).collect::<Vec<_>>().join(", ")
    };
    if let Some(of) = of {
        if let Some(span) = profile.span(of) {
            return Ok(span.chips.clone());
        }
        return match profile.chip(of) {
            Some(chip) => Ok(vec![chip.id.clone()]),
            None => {
                let why = format!("the profile has {}", names());
                Err(JobError::BadOption { what: format!("--of {of}"), why })
            }
        };
    }
    match (profile.chips.as_slice(), profile.spans.as_slice()) {
        ([only], _) => Ok(vec![only.id.clone()]),
        (_, [only]) => Ok(only.chips.clone()),
        _ => {
            Err(JobError::BadOption { what: "--of".into(), why: format!("say which of {} the image is for", names()) })
        }
    }
}

/// What the profile says of embedded controllers in the image that these chips hold.
fn controllers_of(profile: &Profile, ids: &[String]) -> Vec<Controller> {
    let here = |target: &Target| match target {
        Target::Chip(id) => ids == std::slice::from_ref(id),
        Target::Span(id) => profile.span(id).is_some_and(|span| span.chips == ids),
    };
    profile.controllers.iter().filter(|it| here(&it.target)).map(|it| it.wanted.clone()).collect()
}

fn sizes(profile: &Profile, ids: &[String]) -> Vec<u64> {
    ids.iter().filter_map(|id| profile.chip(id)).map(|chip| u64::from(chip.size)).collect()
}

/// The size of a chip: of a marking, or a number of bytes.
fn chip_size(given: &str) -> Result<u64, JobError> {
    let number = match given.strip_prefix("0x") {
        Some(digits) => u64::from_str_radix(digits, 16).ok(),
        None => given.parse().ok(),
    };
    if let Some(bytes) = number.filter(|bytes| *bytes > 0) {
        return Ok(bytes);
    }
    let entries = catalogue::by_marking(given);
    let bad = |why: &str| JobError::BadOption { what: format!("--chip {given}"), why: why.into() };
    let first =
        entries.first().ok_or_else(|| bad("the catalogue does not know this marking; give the size in bytes"))?;
    if entries.iter().any(|entry| entry.size != first.size) {
        return Err(bad("parts of this marking come in several sizes; give the size in bytes"));
    }
    Ok(u64::from(first.size))
}

/// What taking a part ends with.
#[derive(Debug, Clone, Serialize)]
pub struct TakeReport {
    /// What it was taken out of: a file, or a content.
    pub image: String,
    /// What was taken: a chain of steps.
    pub selector: String,
    /// Whether its content was taken, decompressed where it is packed.
    pub decoded: bool,
    /// Bytes.
    pub size: u64,
    /// SHA-256 of the bytes.
    pub sha256: String,
    /// The file that holds them now.
    pub file: PathBuf,
}

/// Takes a part into a file: a structure of an image, or what a chain of containers leads to. The file or content that it is taken
/// out of may have any length; what is taken may not.
///
/// # Errors
/// [`JobError::Chain`] for a text that is none; [`JobError::Part`], [`JobError::Select`] for what is not there;
/// [`JobError::BadOption`] for the content of something that is no structure; [`JobError::Io`] for a file that is there already
/// and holds something else, or cannot be written.
pub fn take_into(bench: &Path, image: &str, chain: &str, form: Form, file: &Path) -> Result<TakeReport, JobError> {
    let parsed: Chain =
        chain.parse().map_err(|source: ChainError| JobError::Chain { chain: chain.to_owned(), source })?;
    if form == Form::Decoded && parsed.structure.is_none() {
        let why = "only a structure has a content of its own; the last step of this chain is a container".into();
        return Err(JobError::BadOption { what: "--decoded".into(), why });
    }
    let report = |size: u64, sha256: String| TakeReport {
        image: image.to_owned(),
        selector: chain.to_owned(),
        decoded: form == Form::Decoded,
        size,
        sha256,
        file: file.to_path_buf(),
    };
    // What containers lead to goes from file to file; only a structure needs its image in memory.
    if parsed.structure.is_none() {
        let source = part::open(bench, image)?;
        let written = part::follow(&source, &parsed.containers, &mut |inner| media::write_whole(file, inner))?;
        return Ok(report(written.size, written.sha256));
    }
    let bytes = match parsed.containers.is_empty() {
        true => part::take(&Named::open(bench, image)?.bytes, &parsed, form)?,
        false => part::take(&part::open(bench, image)?, &parsed, form)?,
    };
    files::write_new(file, &bytes)?;
    Ok(report(bytes.len() as u64, image::pin::Pin::sha256(&bytes).digits()))
}

/// The answers and remarks for a person.
#[must_use]
pub fn checked_text(checked: &Checked) -> String {
    let mut text = String::new();
    for (question, answer) in &checked.answers {
        let word = match answer {
            Some(true) => "yes",
            Some(false) => "NO",
            None => "cannot be told",
        };
        text += &format!("{:<10} {word}\n", question.name());
    }
    for remark in &checked.remarks {
        let place =
            if remark.path.is_empty() { String::new() } else { format!(" at {:#x}, {}", remark.at, remark.path) };
        text += &format!("\n{}: {}{place}\n", remark.severity.name(), remark.message);
        text += &format!("  means: {}\n  do: {}\n", remark.means, remark.remedy);
    }
    text
}
