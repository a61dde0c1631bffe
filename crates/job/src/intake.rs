//! `intake`: a file is taken in: hashed, held against list and signature, kept with its proofs.
//!
//! The file is read once: the hashes, a signature over it and the vault's chunks are made from the same bytes, and only what has
//! passed is kept: until then the vault holds it in a file without a name. For a member of an archive the archive is what list and signature are about; it is read a second time to take
//! the member out, and has to be the same still. An OpenPGP signed message is held in memory, and what is inside is kept in its place.
//!
//! In a job, a step of kind `intake` with a key `takes` says which file it wants; the command closes it.
//!
//! What a reader would question: a file that nothing vouches for is taken in all the same. Its hashes and origin are then known
//! when somebody asks later, and the report says that nothing vouches for it. A job's step asks for more.

mod error;
mod pins;
mod proofs;
mod report;
mod step;

use std::fs::File;
use std::io::{BufReader, Cursor, Read};
use std::path::{Path, PathBuf};
use std::time::Instant;

use intake::archive;
use intake::digest::{Sum, Sums, Tap, sums};
use intake::list::{self, Agrees, ListError};
use intake::openpgp;
use intake::proof::{Proof, SignatureError};
use serde_json::{Value, json};
use vault::{Digest, Hashes, JobId, Journal, Kind, Prepared, PutRequest, Vault, VaultError};

pub use self::error::IntakeError;
use self::pins::Fresh;
use self::proofs::{Over, Paper, Papers};
pub use self::report::{IntakeReport, MembersReport, SignatureReport, proof_lines};
use self::step::Place;
use crate::error::JobError;
use crate::files;
use crate::front::{Front, News};
use crate::session::{now, open_bench};

/// What a person says with the options of `intake`.
#[derive(Debug, Clone, Default)]
pub struct IntakeRequest {
    /// The file.
    pub file: PathBuf,
    /// `--list`: a checksum list.
    pub list: Option<PathBuf>,
    /// `--signature`: over the file or over the list.
    pub signature: Option<PathBuf>,
    /// `--key`: whose signature it has to be.
    pub key: Option<PathBuf>,
    /// `--origin`: whose file it is, in a person's words.
    pub origin: Option<String>,
    /// `--expect`: a hash that it has to have.
    pub expect: Option<String>,
    /// `--weak`: MD5 or SHA-1 alone will do.
    pub weak: bool,
    /// `--member`, again for an archive inside: what is taken out and kept in place of the file.
    pub members: Vec<String>,
    /// `--change-key`: another key than the pinned one, on purpose.
    pub change_key: bool,
    /// `--job`.
    pub job: Option<String>,
    /// `--signed`: who compared a new key.
    pub signed: Option<String>,
}

/// Takes a file in.
///
/// # Errors
/// [`JobError::Intake`] for what does not vouch for it; [`JobError::WrongJob`]; [`JobError::Vault`]. Nothing was kept then.
pub fn intake(bench: &Path, request: &IntakeRequest, front: &mut dyn Front) -> Result<IntakeReport, JobError> {
    let vault = open_bench(bench)?;
    let job = request.job.as_deref().map(JobId::new).transpose()?;
    let mut journal = match &job {
        Some(job) => Some(Journal::open(&vault, job, "firmhand intake", &now())?),
        None => None,
    };
    let name = name_of(&request.file);
    let place = job.as_ref().map(|job| Place::find(&vault, job, &name)).transpose()?.flatten();
    let pins = pins::read(&vault)?;
    let (file, size) = regular(&request.file)?;
    let form = openpgp::recognise(&mut &file);
    rewind(&file, &request.file)?;
    let now_s = seconds();
    let mut papers = Papers::gather(&vault, &pins, request, &name, form, now_s)?;
    if papers.message.is_some() && size > vault::LARGEST {
        return Err(IntakeError::LargeMessage { file: name, size, most: vault::LARGEST }.into());
    }
    if papers.unmentioned() {
        return Err(elsewhere(&request.file, &file, &name, &papers));
    }
    let mut read = read(&vault, &file, size, &papers, request, front)?;
    let mut file_proof = read.proof.transpose().map_err(IntakeError::Signature)?.map(|proof| (Over::File, proof));
    let entries: Vec<&list::Entry> = papers.entries.iter().collect();
    let agrees = list::check(&entries, &read.sums, request.weak).map_err(IntakeError::List)?;
    let inner = match (&papers.message, read.whole.take()) {
        (Some(key), Some(message)) => {
            let most = archive::most_live(message.len() as u64).min(vault::LARGEST);
            let opened = openpgp::open(&message, key, now_s, most).map_err(IntakeError::Signature)?;
            file_proof = Some((Over::Message, opened.proof));
            papers.signature = Some(Paper { name: format!("signature in {name}"), bytes: opened.signature });
            drop(message);
            let failed = |error| IntakeError::Archive { file: name.clone(), error };
            inside(&file, Some(opened.content), &request.members).map_err(failed)?
        }
        _ => member(&file, &name, &read.sums, request)?,
    };
    let proof = file_proof.or(papers.list_proof.clone().map(|proof| (Over::List, proof)));
    let taken = Taken { name, sums: read.sums, agrees, proof };
    if let Some(place) = &place {
        place.check(&taken, inner.as_ref())?;
    }
    let signed_by = match (&papers.print, papers.known) {
        (Some((scheme, key, user)), false) => {
            let origin = request.origin.as_deref().unwrap_or_default();
            let fresh = Fresh { origin, scheme: *scheme, key, user: user.as_deref() };
            Some((pins::ask(&pins, &fresh, request.signed.as_deref(), front)?, fresh))
        }
        _ => None,
    };
    let kept = keep(&vault, job.as_ref(), &papers, &taken, request, read.prepared, inner)?;
    if let (Some((by, fresh)), Some(key)) = (signed_by, kept.key) {
        pins::add(&vault, &fresh, key, &by, request.change_key)?;
    }
    let step = place.map(|place| place.step);
    if let Some(journal) = &mut journal {
        let body = json!({ "step": step, "content": kept.content, "name": kept.name, "kept": kept.whole, "proofs": kept.proofs });
        journal.append("file-taken", body, &now())?;
        if let Some(step) = &step {
            let body = json!({ "step": step, "by": "firmhand", "evidence": { "content": kept.content } });
            journal.append("step-done", body, &now())?;
        }
    }
    Ok(IntakeReport::new(&taken, kept, step, request))
}

/// Lists the members of an archive, or of one in a signed message, whoever signed it; nothing is kept.
///
/// # Errors
/// [`JobError::Intake`].
pub fn members(path: &Path, chain: &[String]) -> Result<MembersReport, JobError> {
    let (file, size) = regular(path)?;
    let name = name_of(path);
    let failed = |error| IntakeError::Archive { file: name.clone(), error };
    let is_message = size <= vault::LARGEST && openpgp::recognise(&mut &file).is_some_and(openpgp::Form::is_signed);
    let content = if is_message {
        let message = read_small(path, vault::LARGEST)?;
        Some(openpgp::look(&message, archive::most_live(size)).map_err(IntakeError::Signature)?)
    } else {
        None
    };
    let listing = match inside(&file, content, chain).map_err(failed)? {
        None => archive::list(&mut BufReader::new(&file)),
        Some(bytes) => archive::list(&mut Cursor::new(bytes)),
    };
    Ok(MembersReport::new(&name, listing.map_err(failed)?))
}

/// What is known of a file once it was read.
struct Taken {
    name: String,
    sums: Sums,
    agrees: Vec<Agrees>,
    proof: Option<(Over, Proof)>,
}

/// What was kept.
struct Kept {
    content: Digest,
    name: String,
    size: u64,
    /// Whether the content itself is in the vault; of one that is too large only the proofs are.
    whole: bool,
    key: Option<Digest>,
    proofs: Value,
}

struct WasRead<'a> {
    sums: Sums,
    proof: Option<Result<Proof, SignatureError>>,
    prepared: Option<Prepared<'a>>,
    /// All of it, of a message.
    whole: Option<Vec<u8>>,
}

/// What reads along.
enum Tapped<'a> {
    Proof(Result<Proof, SignatureError>),
    Prepared(Result<Prepared<'a>, VaultError>),
    Whole(std::io::Result<Vec<u8>>),
}

/// Reads the file once.
fn read<'a>(
    vault: &'a Vault,
    file: &File,
    size: u64,
    papers: &Papers,
    request: &IntakeRequest,
    front: &mut dyn Front,
) -> Result<WasRead<'a>, JobError> {
    let mut taps: Vec<Tap<'_, Tapped<'a>>> = Vec::new();
    if let Some(held) = &papers.held {
        taps.push(Box::new(move |source| Tapped::Proof(held.verify(source))));
    }
    let name = name_of(&request.file);
    // A member is kept in the file's place, and the content of a message; a file that is too large stays where it is.
    if papers.message.is_some() {
        taps.push(Box::new(move |source| {
            let mut bytes = Vec::with_capacity(usize::try_from(size).unwrap_or_default() + 1);
            Tapped::Whole(source.take(size + 1).read_to_end(&mut bytes).map(|_| bytes))
        }));
    } else if request.members.is_empty() && size <= vault::LARGEST {
        let name = name.clone();
        taps.push(Box::new(move |source| {
            let pieces = std::iter::from_fn(|| source.next_piece().map(Ok));
            Tapped::Prepared(vault.prepare(pieces, &name))
        }));
    }
    front.news(&News::Begins { phase: "reading the file", total: size });
    let mut source = Watched { inner: file, front, done: 0, begun: Instant::now(), stopped: false };
    let result = sums(&mut source, &papers.needed(), taps);
    let stopped = source.stopped;
    front.news(&News::Ends);
    if stopped {
        return Err(JobError::Stopped { doing: "reading the file" });
    }
    let unread = |error: std::io::Error| IntakeError::File { path: request.file.clone(), why: error.to_string() };
    let (sums, tapped) = result.map_err(unread)?;
    if sums.size != size {
        return Err(IntakeError::Changed { path: request.file.clone() }.into());
    }
    let (mut proof, mut prepared, mut whole) = (None, None, None);
    for tap in tapped {
        match tap {
            Tapped::Proof(found) => proof = Some(found),
            Tapped::Prepared(found) => prepared = Some(found?),
            Tapped::Whole(found) => whole = Some(found.map_err(unread)?),
        }
    }
    Ok(WasRead { sums, proof, prepared, whole })
}

/// The hashes that the vault wants, of the bytes that it read along.
fn hashes(sums: &Sums) -> Result<Hashes, VaultError> {
    let digest = |sum| sums.digits(sum).unwrap_or_default().parse();
    Ok(Hashes { blake3: digest(Sum::Blake3)?, sha256: digest(Sum::Sha256)? })
}

/// A file that tells how far it is read, and ends when somebody wants to stop.
struct Watched<'a> {
    inner: &'a File,
    front: &'a mut dyn Front,
    done: u64,
    begun: Instant,
    stopped: bool,
}

impl Read for Watched<'_> {
    fn read(&mut self, buffer: &mut [u8]) -> std::io::Result<usize> {
        if self.front.wants_stop() {
            self.stopped = true;
            return Err(std::io::Error::other("stopped"));
        }
        let read = self.inner.read(buffer)?;
        self.done += read as u64;
        let link_us = u64::try_from(self.begun.elapsed().as_micros()).unwrap_or(u64::MAX);
        self.front.news(&News::Progress { done: self.done, link_us });
        Ok(read)
    }
}

/// Takes the wanted member out, and sees that the archive is the one that was hashed.
fn member(file: &File, name: &str, hashed: &Sums, request: &IntakeRequest) -> Result<Option<Vec<u8>>, JobError> {
    let failed = |error| IntakeError::Archive { file: name.to_owned(), error };
    let Some(bytes) = inside(file, None, &request.members).map_err(failed)? else { return Ok(None) };
    let mut again = file;
    let unread = |error: std::io::Error| IntakeError::File { path: request.file.clone(), why: error.to_string() };
    rewind(file, &request.file)?;
    let (again, _) = sums::<()>(&mut again, &[], Vec::new()).map_err(unread)?;
    if again.digits(Sum::Sha512) == hashed.digits(Sum::Sha512) {
        Ok(Some(bytes))
    } else {
        Err(IntakeError::Changed { path: request.file.clone() }.into())
    }
}

/// Goes down a chain of archives, from the file or from what was inside it; none for an empty chain and the file itself.
fn inside(file: &File, mut inner: Option<Vec<u8>>, chain: &[String]) -> Result<Option<Vec<u8>>, archive::ArchiveError> {
    if chain.len() > archive::DEEPEST {
        return Err(archive::ArchiveError::Budget { what: "archives in each other", most: archive::DEEPEST as u64 });
    }
    for path in chain {
        inner = Some(match inner {
            None => archive::open(&mut BufReader::new(file), path)?,
            Some(bytes) => archive::open(&mut Cursor::new(bytes), path)?,
        });
    }
    Ok(inner)
}

/// Keeps the papers, then the content with what they prove.
fn keep(
    vault: &Vault,
    job: Option<&JobId>,
    papers: &Papers,
    taken: &Taken,
    request: &IntakeRequest,
    prepared: Option<Prepared<'_>>,
    inner: Option<Vec<u8>>,
) -> Result<Kept, JobError> {
    let paper = |paper: &Option<Paper>, what: &str, job: Option<&JobId>| match paper {
        // Once is enough: a thousand entries for one key would make each look at it slow.
        Some(paper) if vault.read_vec(&Digest::blake3(&paper.bytes)).is_ok() => Ok(Some(Digest::blake3(&paper.bytes))),
        Some(paper) => {
            let (name, facts) = (kept_name(&paper.name), json!({ "paper": what, "of": taken.name }));
            let request = PutRequest { name, kind: Kind::Image, job: job.cloned(), taken_at: now(), facts };
            vault.put(paper.bytes.as_slice(), &request).map(|stored| Some(stored.id))
        }
        None => Ok(None),
    };
    let list = paper(&papers.list, "checksum list", job)?;
    let signature = paper(&papers.signature, "signature", job)?;
    // A key is pinned for the bench: it stays when the job is forgotten.
    let key = papers.print.as_ref().map_or(Ok(None), |_| paper(&papers.key, "key", None))?;
    let proofs = report::proofs(taken, papers, [list, signature, key], request);
    let facts = json!({ "intake": proofs });
    // The name inside a message is nobody's word: it is not signed.
    let own = || papers.message.as_ref().and_then(|_| proofs::message_name(&taken.name)).unwrap_or(&taken.name);
    let name = request.members.last().map_or_else(own, |path| path.rsplit('/').next().unwrap_or(path));
    let name = kept_name(name);
    let ask =
        |name: String| PutRequest { name, kind: Kind::Image, job: job.cloned(), taken_at: now(), facts: facts.clone() };
    let (stored, whole) = match (inner, prepared) {
        (Some(bytes), _) => (vault.put(bytes.as_slice(), &ask(name.clone()))?, true),
        (None, Some(prepared)) => (vault.put_prepared(prepared, hashes(&taken.sums)?, &ask(name.clone()))?, true),
        (None, None) => {
            let sheet = serde_json::to_vec_pretty(&proofs).expect("JSON in memory");
            (vault.put(sheet.as_slice(), &ask(format!("proofs of {name}")))?, false)
        }
    };
    let size = if whole { stored.size } else { taken.sums.size };
    Ok(Kept { content: stored.id, name, size, whole, key, proofs })
}

/// A list that does not mention the file: whether it has the file's hash under another name, the file itself tells.
fn elsewhere(path: &Path, mut file: &File, name: &str, papers: &Papers) -> JobError {
    let sums = sums::<()>(&mut file, &[], Vec::new());
    let Ok((sums, _)) = sums else {
        return IntakeError::File { path: path.to_path_buf(), why: "it cannot be read".into() }.into();
    };
    let under = papers.whole_list.as_ref().and_then(|list| list.name_of(&sums)).map(str::to_owned);
    IntakeError::List(ListError::NotMentioned { file: name.to_owned(), under }).into()
}

fn rewind(mut file: &File, path: &Path) -> Result<(), IntakeError> {
    let unread = |error: std::io::Error| IntakeError::File { path: path.to_path_buf(), why: error.to_string() };
    std::io::Seek::rewind(&mut file).map_err(unread)
}

/// Opens a regular file; returns its bytes' number too.
fn regular(path: &Path) -> Result<(File, u64), JobError> {
    let (file, size) = files::open_regular(path).map_err(as_intake)?;
    Ok((file, size))
}

/// Reads a small regular file.
fn read_small(path: &Path, most: u64) -> Result<Vec<u8>, JobError> {
    files::read(path, most).map_err(as_intake)
}

fn as_intake(error: JobError) -> JobError {
    match error {
        JobError::ImageFile { path, why } => IntakeError::File { path, why }.into(),
        error => error,
    }
}

/// A file's name without its folder, as a list has it.
fn name_of(path: &Path) -> String {
    path.file_name().unwrap_or_default().to_string_lossy().into_owned()
}

/// A name fit for the vault: one line of at most 360 bytes.
fn kept_name(name: &str) -> String {
    const MOST: usize = 90;
    let name: String = name.chars().take(MOST).map(|letter| if letter.is_control() { '_' } else { letter }).collect();
    if name.trim().is_empty() { "file".into() } else { name }
}

/// Seconds since 1970, by the computer's clock.
fn seconds() -> u64 {
    u64::try_from(jiff::Timestamp::now().as_second()).unwrap_or_default()
}
