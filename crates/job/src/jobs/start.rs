//! `job start`: a machine is taken in.

use std::collections::{BTreeMap, HashSet};
use std::path::{Path, PathBuf};

use serde::Serialize;
use serde_json::json;
use vault::{Digest, JobId, Journal, Kind, PutRequest, Vault, VaultError};

use super::questions::{questions, settle, told_in};
use super::{JobsError, Work, checked_line};
use crate::error::JobError;
use crate::front::Front;
use crate::procedure::{EarlierChip, JobHeader, State};
use crate::profile::{JobKind, MOST_BYTES, Profile, ProfileError};
use crate::session::{now, open_bench};

/// What a person says with the options of `job start`.
#[derive(Debug, Clone)]
pub struct StartRequest {
    /// `--as`.
    pub kind: JobKind,
    /// `--profile`; a return that names its job may leave it out and uses that job's.
    pub profile: Option<PathBuf>,
    /// A profile that the vault keeps, in place of a file.
    pub kept: Option<Digest>,
    /// `--of`: the job that is taken back.
    pub of: Option<String>,
    /// `--machine`: which machine it is, for people.
    pub machine: String,
    /// `--owner`: whose it is.
    pub owner: String,
    /// `--consent`: who consents, and may.
    pub consent: String,
    /// `--answer ID=VALUE`, as often as needed.
    pub answers: Vec<String>,
}

/// What `job start` ends with.
#[derive(Debug, Clone, Serialize)]
pub struct StartReport {
    /// The new job.
    pub job: String,
    /// Its kind.
    pub kind: &'static str,
    /// The profile's machine.
    pub board: String,
    /// The profile's content in the vault.
    pub profile: String,
    /// The variant chosen, if there was a choice.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub variant: Option<String>,
    /// What stays to be known: extras that nobody tried, warnings of the profile.
    pub remarks: Vec<String>,
    /// The chips that a return brings back.
    pub restores: Vec<String>,
    /// The step to begin with.
    pub next: Vec<String>,
}

/// Takes a machine in: checks, questions, then journal.
///
/// # Errors
/// [`JobsError`] with its exit status: a machine that stops at intake, a question without answer, a profile with mistakes;
/// [`JobError`] of the vault.
pub fn start(bench: &Path, request: &StartRequest, front: &mut dyn Front) -> Result<StartReport, JobError> {
    let machine = checked_line("--machine", &request.machine)?;
    let owner = checked_line("--owner", &request.owner)?;
    let consent = checked_line("--consent", &request.consent)?;
    let vault = open_bench(bench)?;
    let earlier = earlier_job(&vault, request)?;
    let (text, name, remarks) = profile_text(&vault, request, earlier.as_ref())?;
    let profile = Profile::parse(&text, Path::new(&name))?;
    if !profile.board.jobs.contains(&request.kind) {
        let words: Vec<&str> = profile.board.jobs.iter().map(|kind| kind.as_str()).collect();
        let why = format!("the profile of {} is for {} alone", profile.board.name, words.join(", "));
        return Err(JobError::BadOption { what: format!("--as {}", request.kind.as_str()), why });
    }
    let mut header = JobHeader {
        kind: request.kind,
        profile: Digest::blake3(text.as_bytes()),
        profile_name: name.clone(),
        of: None,
        earlier: Vec::new(),
    };
    if let Some(earlier) = &earlier {
        header.of = Some(earlier.job.clone());
        header.earlier = chips_to_restore(&vault, earlier, &profile)?;
    }
    if State::of(&profile, &header, &[]).is_fused() {
        let why = "it checks its firmware in hardware before it runs, so other firmware would never start".into();
        return Err(JobsError::StopsAtIntake { why }.into());
    }
    let asked = questions(&profile, request.kind);
    let answers = settle(&asked, &request.answers, front)?;
    check_donors(&vault, &profile, &answers)?;
    keep_profile(&vault, &profile, &header, &text)?;
    let mut journal = create(&vault, &profile, &header)?;
    let limits: Vec<&str> = profile
        .limits
        .iter()
        .filter(|limit| told_in(limit.when, request.kind))
        .map(|limit| limit.id.as_str())
        .collect();
    let body = json!({
        "by": consent,
        "machine": machine,
        "owner": owner,
        "consent": consent,
        "answers": answers,
        "variant": answers.get("variant"),
        "limits": limits,
    });
    // The questions on the machine first: once it is taken in, they are answered.
    for (id, answer) in &answers {
        if let Some(gate) = id.strip_prefix("gate-") {
            journal.append("gate", json!({ "id": gate, "answer": answer, "by": consent }), &now())?;
        }
    }
    journal.append("intake", body, &now())?;
    let job = journal.job().clone();
    drop(journal);
    let work = Work::open(&vault, &job)?;
    let state = work.state();
    let untried = work
        .profile
        .options
        .iter()
        .filter(|option| answers.get(&format!("option-{}", option.id)).is_some_and(|answer| answer == "yes"));
    let untried = untried.map(|option| format!("nobody has tried this with the new firmware: {}", option.name));
    Ok(StartReport {
        job: job.to_string(),
        kind: request.kind.as_str(),
        board: work.profile.board.name.clone(),
        profile: header.profile.to_string(),
        variant: answers.get("variant").cloned(),
        remarks: remarks.into_iter().chain(untried).collect(),
        restores: header.earlier.iter().map(|chip| chip.chip.clone()).collect(),
        next: state.next().iter().map(|step| step.id.clone()).collect(),
    })
}

impl StartReport {
    /// The report for a person.
    #[must_use]
    pub fn text(&self) -> String {
        let mut text = format!("job {}: {} taken in, {}", self.job, self.board, self.kind);
        if let Some(variant) = &self.variant {
            text += &format!("\n  images: {variant}");
        }
        if !self.restores.is_empty() {
            text += &format!("\n  brings back: {}", self.restores.join(", "));
        }
        for remark in &self.remarks {
            text += &format!("\n  {remark}");
        }
        text + &format!("\n  profile kept as {}\n  next: `firmhand job next {}`", self.profile, self.job)
    }
}

fn earlier_job(vault: &Vault, request: &StartRequest) -> Result<Option<Work>, JobError> {
    match (&request.of, request.kind) {
        (Some(of), JobKind::Return) => Ok(Some(Work::open(vault, &JobId::new(of)?)?)),
        (None, JobKind::Return) => {
            let why = "a return needs `--of JOB`: the job that is taken back".into();
            Err(JobError::BadOption { what: "--as return".into(), why })
        }
        (Some(of), _) => {
            let why = "only a return takes an earlier job back".into();
            Err(JobError::BadOption { what: format!("--of {of}"), why })
        }
        (None, _) => Ok(None),
    }
}

/// The profile's text, its file name, and what the checker remarks on it.
fn profile_text(
    vault: &Vault,
    request: &StartRequest,
    earlier: Option<&Work>,
) -> Result<(String, String, Vec<String>), JobError> {
    let Some(path) = &request.profile else {
        if let Some(kept) = &request.kept {
            let bytes = vault.read_vec(kept)?;
            let name = vault.show(kept)?.into_iter().next().map_or_else(|| "profile".into(), |manifest| manifest.name);
            let text = String::from_utf8(bytes).map_err(|_| JobsError::KeptProfile { name: name.clone() })?;
            return Ok((text, name, Vec::new()));
        }
        let Some(earlier) = earlier else {
            let why = "a profile says what the machine is: `--profile FILE`".into();
            return Err(JobError::BadOption { what: "--profile".into(), why });
        };
        let bytes = vault.read_vec(&earlier.header.profile)?;
        let name = earlier.header.profile_name.clone();
        let text = String::from_utf8(bytes).map_err(|_| JobsError::KeptProfile { name: name.clone() })?;
        return Ok((text, name, Vec::new()));
    };
    let checked = Profile::check(path)?;
    // Read once more: what is kept has to be the very text, and the checker hands out none.
    let io = |source| JobError::Profile(ProfileError::Io { path: path.clone(), source });
    let text = std::fs::read_to_string(path).map_err(io)?;
    if text.len() as u64 > MOST_BYTES {
        return Err(ProfileError::TooLong { path: path.clone(), most: MOST_BYTES }.into());
    }
    let name = path.file_name().map_or_else(|| "profile".into(), |name| name.to_string_lossy().into_owned());
    let warnings = checked.warnings.iter().map(|warning| format!("{name}, {warning}")).collect();
    Ok((text, name, warnings))
}

/// The chips of the earlier job, each with its first capture, which has to be in the vault still.
fn chips_to_restore(vault: &Vault, earlier: &Work, profile: &Profile) -> Result<Vec<EarlierChip>, JobError> {
    let no = |why: String| JobError::from(JobsError::NoReturn { of: earlier.job.to_string(), why });
    if earlier.profile.board.name != profile.board.name {
        let (was, is) = (&earlier.profile.board.name, &profile.board.name);
        return Err(no(format!("its machine was a {was}, and the profile is of a {is}")));
    }
    let state = earlier.state();
    let mut chips = Vec::new();
    for chip in &earlier.profile.chips {
        let Some(as_found) = state.captures(&chip.id).first() else { continue };
        if profile.chip(&chip.id).is_none() {
            return Err(no(format!("the profile has no chip `{}`", chip.id)));
        }
        match vault.show(as_found) {
            Ok(_) => chips.push(EarlierChip { chip: chip.id.clone(), as_found: *as_found }),
            Err(VaultError::NotFound { .. }) => {
                return Err(no(format!("the capture of {} is no longer in the vault", chip.id)));
            }
            Err(error) => return Err(error.into()),
        }
    }
    if chips.is_empty() {
        return Err(no("it has captured no chip".into()));
    }
    Ok(chips)
}

/// A donor has to be in the vault and of the chip's size (S8).
fn check_donors(vault: &Vault, profile: &Profile, answers: &BTreeMap<String, String>) -> Result<(), JobError> {
    for chip in &profile.chips {
        let id = format!("donor-{}", chip.id);
        let Some(given) = answers.get(&id) else { continue };
        let bad = |why: String| JobsError::BadAnswer { given: format!("{id}={given}"), why };
        let found = match vault.find(given) {
            Ok(found) => found,
            Err(VaultError::NotFound { .. } | VaultError::BadName { .. }) => {
                return Err(bad("the vault holds no such content; take the donor in first".into()).into());
            }
            Err(error) => return Err(error.into()),
        };
        let size = vault.show(&found)?.first().map_or(0, |manifest| manifest.size);
        if size != u64::from(chip.size) {
            return Err(bad(format!("it has {size} bytes, the chip {}", chip.size)).into());
        }
    }
    Ok(())
}

/// Begins the journal, under the first free number of the day.
fn create(vault: &Vault, profile: &Profile, header: &JobHeader) -> Result<Journal, JobError> {
    let time = now();
    let day: String = time.chars().filter(char::is_ascii_digit).take(8).collect();
    let stem = format!("{}-{day}", slug(&profile.board.name));
    let taken: HashSet<JobId> = vault.journals()?.into_iter().map(|info| info.job).collect();
    for number in 1.. {
        let job = JobId::new(&format!("{stem}-{number}"))?;
        if taken.contains(&job) {
            continue;
        }
        match Journal::create(vault, &job, header.to_json(), "firmhand job start", &time) {
            Err(VaultError::JournalExists { .. } | VaultError::Busy { .. }) => {}
            made => return Ok(made?),
        }
    }
    unreachable!("some number is free")
}

/// Keeps the profile's text, once for all jobs: it holds nothing of a single machine (S15), and a thousand entries for one
/// content would make each look at it slow.
fn keep_profile(vault: &Vault, profile: &Profile, header: &JobHeader, text: &str) -> Result<(), JobError> {
    if vault.read_vec(&header.profile).is_ok() {
        return Ok(());
    }
    let request = PutRequest {
        name: header.profile_name.clone(),
        kind: Kind::Image,
        job: None,
        taken_at: now(),
        facts: json!({ "profile": profile.board.name }),
    };
    vault.put(text.as_bytes(), &request)?;
    Ok(())
}

/// A machine's name as part of a job id: letters and digits, the rest as dashes.
fn slug(name: &str) -> String {
    const MOST: usize = 32;
    let mut slug = String::new();
    for letter in name.chars() {
        if letter.is_ascii_alphanumeric() {
            slug.push(letter.to_ascii_lowercase());
        } else if !slug.is_empty() && !slug.ends_with('-') {
            slug.push('-');
        }
    }
    slug.truncate(MOST);
    let slug = slug.trim_end_matches('-');
    if slug.is_empty() { "job".into() } else { slug.into() }
}

#[cfg(test)]
mod tests {
    use super::slug;

    #[test]
    fn a_job_id_is_made_of_any_name() {
        assert_eq!(slug("Larkspur Nine"), "larkspur-nine");
        assert_eq!(slug("  ü -- "), "job");
        assert!(slug(&"x y".repeat(40)).len() <= 32);
    }
}
