//! `reads judge`: are these files, said to be reads of one chip, to be trusted, and if not, which contact is bad.
//!
//! The verdict and the diagnosis are the room `evidence`'s; the checks inside the contents are the room `image`'s. Bare files say
//! nothing of clocks, id and size, so their verdict never stands in for a capture (S1).

use std::os::unix::fs::MetadataExt;
use std::path::PathBuf;

use evidence::{BareFile, FileIdentity, Reading, Settlement, Verdict, distinct, judge_files};
use image::explain::{Proof, proof_of};
use serde::Serialize;

use crate::capture::{DiagnosisReport, diagnosis_report};
use crate::error::JobError;
use crate::files;
use crate::proof::{VotesReport, on_two_cores, settled};

/// Largest file that is read.
const MOST_OF_A_FILE: u64 = 256 << 20;
/// Lines that a person reads with a clip in the other hand.
const MOST_LINES: usize = 10;

/// What judging bare files ends with.
#[derive(Debug, Clone, Serialize)]
pub struct ReadsReport {
    /// `trusted`, `disputed` or `refused`.
    pub verdict: &'static str,
    /// Distinct files.
    pub passes: usize,
    /// Bytes of the longest.
    pub size: u64,
    /// Bits that differ between files.
    pub differing_bits: u64,
    /// Sectors of 4 KiB that differ.
    pub differing_sectors: u32,
    /// Upper 95 % bound for a random flip, per bit; none when the files do not agree.
    pub error_bound_95: Option<f64>,
    /// What it looks like, the most probable fault first.
    pub diagnosis: Vec<DiagnosisReport>,
    /// How much of the content its own sums confirm: of the first file.
    pub proof: Proof,
    /// The same for a person, in ten lines or fewer.
    #[serde(skip)]
    lines: Vec<String>,
    /// Everything found, in sentences.
    pub reasons: Vec<String>,
    /// What the files could be put together to, when they differ; none is taken unasked.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub offer: Option<OfferReport>,
}

/// A content put together from files that differ.
#[derive(Debug, Clone, Serialize)]
pub struct OfferReport {
    /// What its differing sectors rest on.
    #[serde(flatten)]
    pub votes: VotesReport,
    /// SHA-256 of it.
    pub sha256: String,
    /// The file that holds it now, when one was asked for.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub file: Option<PathBuf>,
}

/// Judges files; with `out`, writes what they could be put together to.
///
/// # Errors
/// [`JobError::ImageFile`] for a file that cannot be read; [`JobError::BadOption`] for `--offer` without a dispute.
pub fn judge(paths: &[PathBuf], out: Option<&PathBuf>) -> Result<ReadsReport, JobError> {
    let identities = paths.iter().map(identity).collect::<Result<Vec<_>, _>>()?;
    let first_of = |index: usize| identities.iter().position(|other| *other == identities[index]).unwrap_or(index);
    let indices: Vec<usize> = (0..paths.len()).collect();
    // A file that is named twice is in memory once.
    let read = |index: &usize| match first_of(*index) == *index {
        true => files::read(&paths[*index], MOST_OF_A_FILE),
        false => Ok(Vec::new()),
    };
    let contents = on_two_cores(&indices, read).into_iter().collect::<Result<Vec<_>, _>>()?;
    let files: Vec<BareFile<'_>> =
        indices.iter().map(|at| BareFile { content: &contents[first_of(*at)], identity: identities[*at] }).collect();
    let distinct: Vec<&[u8]> = distinct(&files).into_iter().map(|index| files[index].content).collect();
    let first = distinct.first().copied().unwrap_or_default();
    let (judgement, proof) = std::thread::scope(|scope| {
        let proof = scope.spawn(|| proof_of(first));
        (judge_files(&files), proof.join().expect("reading an image does not panic"))
    });
    let readings: Vec<Reading<'_>> = distinct.iter().map(|bytes| Reading::bare(bytes)).collect();
    let (diagnosis, settlement) = std::thread::scope(|scope| {
        let diagnosis = scope.spawn(|| evidence::diagnose(&readings, &judgement));
        let settlement = (judgement.differing_sectors > 0).then(|| settled(&distinct, &judgement.differing)).flatten();
        (diagnosis.join().expect("a diagnosis does not panic"), settlement)
    });
    let offer = match (settlement, out) {
        (Some(settlement), out) => Some(offer(&settlement, out)?),
        (None, None) => None,
        (None, Some(_)) => {
            let why = "the files do not differ in a way that a further content could be put together from".into();
            return Err(JobError::BadOption { what: "--offer".into(), why });
        }
    };
    Ok(ReadsReport {
        verdict: judgement.verdict.name(),
        passes: judgement.passes,
        size: distinct.iter().map(|bytes| bytes.len() as u64).max().unwrap_or(0),
        differing_bits: judgement.differing_bits,
        differing_sectors: judgement.differing_sectors,
        error_bound_95: judgement.error_bound_95,
        lines: evidence::explain(&judgement, &diagnosis),
        diagnosis: match judgement.verdict {
            Verdict::Trusted => Vec::new(),
            _ => diagnosis_report(&diagnosis),
        },
        proof,
        reasons: judgement.reasons.iter().map(ToString::to_string).collect(),
        offer,
    })
}

fn identity(path: &PathBuf) -> Result<FileIdentity, JobError> {
    let no = |error: std::io::Error| JobError::ImageFile { path: path.clone(), why: error.to_string() };
    let meta = std::fs::metadata(path).map_err(no)?;
    Ok(FileIdentity { device: meta.dev(), inode: meta.ino() })
}

fn offer(settlement: &Settlement, out: Option<&PathBuf>) -> Result<OfferReport, JobError> {
    if let Some(out) = out {
        files::write_new(out, &settlement.content)?;
    }
    Ok(OfferReport {
        votes: VotesReport::of(settlement),
        sha256: image::pin::Pin::sha256(&settlement.content).digits(),
        file: out.cloned(),
    })
}

impl ReadsReport {
    /// The report for a person, in ten lines or fewer at 80 columns.
    #[must_use]
    pub fn text(&self) -> String {
        let mut lines = self.lines.clone();
        if let Some(offer) = self.offer.as_ref().filter(|_| lines.len() < MOST_LINES) {
            lines.push(offer.line());
        }
        lines.join("\n")
    }
}

impl OfferReport {
    /// One line, no longer than 80 columns for any count of sectors that a chip has.
    fn line(&self) -> String {
        let VotesReport { by_proof, by_majority, open } = self.votes;
        match &self.file {
            Some(_) => format!("Written: {by_proof} sectors by sums inside, {by_majority} by majority, {open} open."),
            None => format!("`--offer FILE`: {by_proof} sectors by sums, {by_majority} by majority, {open} open."),
        }
    }
}
