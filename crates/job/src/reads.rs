//! `reads judge`: are these files, said to be reads of one chip, to be trusted, and if not, which contact is bad.
//!
//! The verdict and the diagnosis are the room `evidence`'s; the checks inside the contents are the room `image`'s. Bare files say
//! nothing of clocks, id and size, so their verdict never stands in for a capture (S1).

use std::os::unix::fs::MetadataExt;
use std::path::PathBuf;

use evidence::{BareFile, Check, FileIdentity, Judgement, Reading, Settlement, Verdict, distinct, judge_files, settle};
use image::explain::{Explanation, explain};
use serde::Serialize;

use crate::capture::{DiagnosisReport, diagnosis_report};
use crate::error::JobError;
use crate::files;

/// Largest file that is read.
const MOST_OF_A_FILE: u64 = 256 << 20;

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
    pub proof: ProofReport,
    /// Everything found, in sentences.
    pub reasons: Vec<String>,
    /// What the files could be put together to, when they differ; none is taken unasked.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub offer: Option<OfferReport>,
}

/// How much of a content its own sums confirm.
#[derive(Debug, Clone, Serialize)]
#[expect(missing_docs, reason = "as image::explain::Proof has them")]
pub struct ProofReport {
    pub bytes: u64,
    pub blank: u64,
    pub covered: u64,
    pub decoded: u64,
    pub checks_ok: u64,
    pub checks_failed: u64,
}

/// A content put together from files that differ.
#[derive(Debug, Clone, Serialize)]
pub struct OfferReport {
    /// Differing sectors that checks inside the content settle.
    pub by_proof: u32,
    /// Differing sectors that a majority of three or more files settles.
    pub by_majority: u32,
    /// Differing sectors that nothing settles.
    pub open: u32,
    /// SHA-256 of it.
    pub sha256: String,
    /// The file that holds it now, when one was asked for.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub file: Option<PathBuf>,
}

/// Judges files; with `out`, writes what they could be put together to.
///
/// # Errors
/// [`JobError::ImageFile`] for a file that cannot be read; [`JobError::BadOption`] for `--majority` without a dispute.
pub fn judge(paths: &[PathBuf], out: Option<&PathBuf>) -> Result<ReadsReport, JobError> {
    let mut contents = Vec::with_capacity(paths.len());
    for path in paths {
        let no = |error: std::io::Error| JobError::ImageFile { path: path.clone(), why: error.to_string() };
        let meta = std::fs::metadata(path).map_err(no)?;
        let identity = FileIdentity { device: meta.dev(), inode: meta.ino() };
        // A file that is named twice is in memory once.
        let again = contents.iter().any(|(other, _): &(FileIdentity, Vec<u8>)| *other == identity);
        contents.push((identity, if again { Vec::new() } else { files::read(path, MOST_OF_A_FILE)? }));
    }
    let bytes_of = |identity: &FileIdentity| {
        let first = contents.iter().find(|(other, _)| other == identity);
        first.map_or(&[][..], |(_, bytes)| bytes.as_slice())
    };
    let files: Vec<BareFile<'_>> =
        contents.iter().map(|(identity, _)| BareFile { content: bytes_of(identity), identity: *identity }).collect();
    let judgement = judge_files(&files);
    let distinct: Vec<&[u8]> = distinct(&files).into_iter().map(|index| files[index].content).collect();
    let disputed = judgement.differing_sectors > 0;
    let first = explain(distinct.first().copied().unwrap_or_default());
    let settlement = if disputed { settled(&distinct, &first, &judgement) } else { None };
    let readings: Vec<Reading<'_>> = distinct.iter().map(|bytes| Reading::bare(bytes)).collect();
    let diagnosis = if judgement.verdict == Verdict::Trusted {
        Vec::new()
    } else {
        diagnosis_report(&evidence::diagnose(&readings, &judgement))
    };
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
        diagnosis,
        proof: proof(&first),
        reasons: judgement.reasons.iter().map(ToString::to_string).collect(),
        offer,
    })
}

/// The checks inside each content decide where they can; a majority is only counted (rule 5).
fn settled(contents: &[&[u8]], first: &Explanation, judgement: &Judgement) -> Option<Settlement> {
    let mut checks = Vec::with_capacity(contents.len());
    for (index, content) in contents.iter().enumerate() {
        let explained;
        let explanation = if index == 0 {
            first
        } else {
            explained = explain(content);
            &explained
        };
        checks.push(sums(explanation, judgement));
    }
    settle(contents, &checks)
}

/// The sums that cover a disputed place.
fn sums(explanation: &Explanation, judgement: &Judgement) -> Vec<Check> {
    let mut checks = Vec::new();
    for (_, node) in explanation.nodes().filter(|(_, node)| node.space.is_none()) {
        for check in node.checks.iter().filter(|check| check.len > 0 && check.is_sum()) {
            let (Ok(start), Ok(end)) = (u32::try_from(check.at), u32::try_from(check.at + check.len)) else { continue };
            let disputed = judgement.differing.iter().any(|range| range.start < end && start < range.end);
            if let (Some(ok), true) = (check.ok, disputed) {
                checks.push(Check { range: start..end, ok });
            }
        }
    }
    checks
}

fn offer(settlement: &Settlement, out: Option<&PathBuf>) -> Result<OfferReport, JobError> {
    if let Some(out) = out {
        files::write_new(out, &settlement.content)?;
    }
    Ok(OfferReport {
        by_proof: settlement.by_proof,
        by_majority: settlement.by_majority,
        open: settlement.open,
        sha256: image::pin::Pin::sha256(&settlement.content).digits(),
        file: out.cloned(),
    })
}

fn proof(explanation: &Explanation) -> ProofReport {
    let proof = &explanation.proof;
    ProofReport {
        bytes: proof.bytes,
        blank: proof.blank,
        covered: proof.covered,
        decoded: proof.decoded,
        checks_ok: proof.checks_ok,
        checks_failed: proof.checks_failed,
    }
}

impl ReadsReport {
    /// The report for a person, in ten lines or fewer at 80 columns.
    #[must_use]
    pub fn text(&self) -> String {
        const MOST_REASONS: usize = 3;
        let mut lines = vec![format!(
            "{}: {} of {} bytes; {} bits differ in {} sectors",
            self.verdict.to_uppercase(),
            crate::text::counted(self.passes as u64, "file"),
            self.size,
            self.differing_bits,
            self.differing_sectors
        )];
        if let Some(first) = self.diagnosis.first().filter(|first| first.fault != "none") {
            lines.push(format!("looks like {}, {:.0} % of belief", first.fault, first.confidence * 100.0));
            lines.push(first.advice.clone());
        }
        lines.extend(self.reasons.iter().take(MOST_REASONS).cloned());
        if let Some(bound) = self.error_bound_95 {
            lines.push(format!("a random flip: at most {bound:.1e} a bit, with 95 % confidence"));
        }
        if let Some(offer) = &self.offer {
            lines.push(format!(
                "together: {} sectors by sums inside, {} by majority, {} open; `--offer FILE` writes it",
                offer.by_proof, offer.by_majority, offer.open
            ));
        }
        let page = crate::text::page(&lines.join("\n"));
        const MOST_LINES: usize = 10;
        page.lines().take(MOST_LINES).collect::<Vec<_>>().join("\n")
    }
}
