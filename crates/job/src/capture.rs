//! Reading a chip until its content is proven, and keeping it (safety rule S1, design of the evidence).
//!
//! Two passes of different kind come first: another clock, another read command, another order of the chunks; the second one by
//! digest where the link can. What is read when they differ is decided in `tries`. A refused capture whose passes agree with
//! each other is kept in the vault under that name, for a look; it never counts for S1.

mod tries;

use driver::{Answered, Content, Order, Pass, PassPlan};
use evidence::{ChipAnswer, Declared, Diagnosis, Judgement, PassContent, Reason, Settlement, SizeProof};
use image::explain::{Proof, proof_of};
use nor::chip::{Conflict, id_text};
use serde::Serialize;
use serde_json::{Value, json};
use vault::{Digest, Kind, PutRequest};

use crate::error::JobError;
use crate::jobs::Work;
use crate::kernel;
use crate::proof::{VotesReport, settled};
use crate::session::{Session, run_op};
use crate::text::counted;
use tries::{End, Tries};

/// A round trip from here on is one to another device, in microseconds: a call to the kernel takes some tens.
const COSTLY_US: u32 = 1000;
/// Most bytes of one part of a pass, usually and over a costly round trip.
const SHORT_PART: u32 = 64 * 1024;
const LONG_PART: u32 = 512 * 1024;

/// What a capture command ends with.
#[derive(Debug, Clone, Serialize)]
pub struct CaptureReport {
    /// The job it belongs to.
    pub job: String,
    /// The chip's name.
    pub chip: String,
    /// The capture's id in the vault: BLAKE3 of its bytes.
    pub content: String,
    /// SHA-256 of its bytes.
    pub sha256: String,
    /// Bytes.
    pub size: u32,
    /// How it was proven.
    pub evidence: EvidenceReport,
    /// When the chip holds an image together with others, and all of them are captured now: the image over all of them.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub span: Option<SpanReport>,
}

/// An image over several chips, put together out of their captures.
#[derive(Debug, Clone, Serialize)]
pub struct SpanReport {
    /// The span's id in the profile.
    pub span: String,
    /// The chips, in order.
    pub chips: Vec<String>,
    /// Its id in the vault: BLAKE3.
    pub content: String,
    /// SHA-256.
    pub sha256: String,
    /// Bytes of all chips together.
    pub size: u64,
}

/// The evidence for a capture.
#[derive(Debug, Clone, Serialize)]
pub struct EvidenceReport {
    /// Whether the passes make a capture.
    pub accepted: bool,
    /// The passes of the try that decided.
    pub passes: Vec<PassReport>,
    /// Times that this job asked for a contact to be reseated before.
    pub reseated: u32,
    /// Sectors of 4 KiB that differed between the first passes, and were read again until two reads and a pass agreed.
    pub settled_sectors: u32,
    /// What the differences look like, the most probable fault first; empty when there is nothing to explain.
    pub diagnosis: Vec<DiagnosisReport>,
    /// How much of the content its own sums confirm; none when the passes differ.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub proof: Option<Proof>,
    /// What could settle the sectors in which the passes differ; nothing is ever taken of it unasked.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub votes: Option<VotesReport>,
    /// Bits that differ between passes.
    pub differing_bits: u64,
    /// 4 KiB sectors that differ between passes.
    pub differing_sectors: u32,
    /// Those sectors, as stretches of bytes `[first, end]`, ascending and joined.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub differing: Vec<[u32; 2]>,
    /// Upper 95 % bound for a random flip, per bit.
    pub error_bound_95: Option<f64>,
    /// Whether the size was measured.
    pub size_measured: bool,
    /// Everything the judgement found, one sentence each.
    pub reasons: Vec<String>,
    /// What agreement cannot exclude.
    pub remains: Vec<String>,
}

/// A fault as an explanation of reads.
#[derive(Debug, Clone, Serialize)]
pub struct DiagnosisReport {
    /// The fault.
    pub fault: String,
    /// Its share of belief, 0 to 1.
    pub confidence: f64,
    /// Where it shows, as `[first, end]`.
    #[serde(rename = "where")]
    pub places: Vec<[u32; 2]>,
    /// What to do about it.
    pub advice: String,
}

/// One pass.
#[derive(Debug, Clone, Serialize)]
pub struct PassReport {
    /// Clock; 0 through the kernel, which does not tell it.
    pub clock_hz: u32,
    /// Read command; 0 through the kernel.
    pub opcode: u8,
    /// `ascending`, `descending` or `interleaved`.
    pub order: &'static str,
    /// Bytes of one chunk.
    pub chunk: u32,
    /// Whether the link digested instead of sending the content.
    pub digest: bool,
    /// Time on the link's clock.
    pub took_ms: u64,
}

impl Session<'_> {
    /// Reads the chip until its content is proven, keeps it, and leaves it as the present content.
    ///
    /// # Errors
    /// [`JobError::NotAccepted`] when the reads are not to be trusted; else as the link and the vault have it.
    pub fn capture(&mut self) -> Result<CaptureReport, JobError> {
        let result = self.capture_in_tries();
        self.conclude(result)
    }

    pub(crate) fn capture_in_tries(&mut self) -> Result<CaptureReport, JobError> {
        let tries = self.gather()?;
        self.keep(tries)
    }

    /// A part is read as a whole by one request. Where each costs a round trip to another device, two for a MiB are enough; elsewhere a stop
    /// is heard sooner.
    fn chunk(&self) -> u32 {
        let limits = self.reached.link.limits();
        let most =
            if limits.round_trip_us >= COSTLY_US { limits.max_range.clamp(SHORT_PART, LONG_PART) } else { SHORT_PART };
        (self.identity.chip.size / 4).clamp(nor::SECTOR, most)
    }

    /// The judgement on whole passes; what the chip answered around `parts` of it counts as well.
    fn judgement_on(&self, passes: &[Pass], parts: &[Pass]) -> Result<Judgement, JobError> {
        let known = match self.known.applied {
            Some(applied) => Some(self.vault.read_vec(&applied)?),
            None => None,
        };
        let chip = &self.identity.chip;
        let judged: Vec<evidence::Pass<'_>> = passes.iter().map(|pass| as_evidence(pass, parts)).collect();
        let judgement = evidence::judge(
            &judged,
            &Declared {
                size: chip.size,
                catalogue_size: chip.catalogue_size,
                table_size: chip.table_size,
                maker_known: !chip.vendor.is_empty(),
                known_content: known.as_deref(),
            },
        );
        Ok(if self.reached.kernel.is_some() { kernel::judged(judgement) } else { judgement })
    }

    /// Whether a pass by 0Bh can be compared with one by 03h: not through the kernel, which chooses the command itself, and not on a
    /// chip whose dummy clocks were set to another number. `first` is a pass that was read by 03h.
    fn fast_read_fits(&mut self, first: Option<&Pass>) -> Result<bool, JobError> {
        if self.reached.kernel.is_some() || self.fast_shifted {
            return Ok(false);
        }
        let Some(Pass { content: Content::Bytes(bytes), .. }) = first else { return Ok(true) };
        let Some(at) = driver::telling_window(bytes) else { return Ok(true) };
        let identity = &self.identity;
        let shift = run_op(self.reached.link.as_mut(), self.front, "comparing read commands", |limits| {
            driver::fast_shift(limits, identity, at)
        })?;
        if let Some(shift) = shift {
            self.fast_shifted = true;
            self.say(format!(
                "0Bh answers {} {} than 03h: the chip's dummy clocks are set otherwise, and every pass is read by 03h",
                counted(shift.unsigned_abs().into(), "byte"),
                if shift > 0 { "later" } else { "earlier" }
            ));
        }
        Ok(shift.is_none())
    }

    pub(crate) fn read_pass(&mut self, plan: PassPlan) -> Result<Pass, JobError> {
        self.check_kernel()?;
        let identity = &self.identity;
        let pass = run_op(self.reached.link.as_mut(), self.front, "reading the chip", |limits| {
            driver::pass(limits, identity, plan)
        })?;
        self.check_kernel()?;
        self.whole_read = true;
        Ok(pass)
    }

    /// The judge compares the passes with each other. Passes that agree may still all be of a chip that took the place of
    /// the one identified, and its content is no way back for that one.
    fn check_same_chip(&self, passes: &[Pass]) -> Result<(), JobError> {
        let identity = &self.identity;
        let expected = identity.chip.id_text();
        for answer in passes.iter().flat_map(|pass| &pass.answers) {
            if answer.id != identity.chip.id {
                return Err(JobError::OtherChip { expected, found: id_text(&answer.id) });
            }
            if answer.unique_id != identity.unique_id {
                return Err(JobError::OtherChip { found: format!("{expected} with another unique id"), expected });
            }
        }
        Ok(())
    }

    fn write_refused(&mut self, mut body: Value, reseat: Option<Value>) -> Result<(), JobError> {
        if let Some(reseat) = reseat {
            body["reseat"] = reseat;
        }
        self.write_down("refused", body)
    }

    /// Puts what was read into the vault: as a capture when it is accepted.
    fn keep(&mut self, tries: Tries) -> Result<CaptureReport, JobError> {
        let report = self.evidence_report(&tries);
        let (advice, reseat) = match &tries.end {
            Some(End::Contact { advice, reseat }) => (Some(advice.clone()), reseat.clone()),
            _ => (None, None),
        };
        let accepted = report.accepted && advice.is_none();
        if accepted {
            self.check_same_chip(&tries.passes)?;
        }
        let judgement = tries.judgement.expect("tries end with a judgement");
        let bytes = tries.passes.into_iter().find_map(|pass| match pass.content {
            Content::Bytes(bytes) => Some(bytes),
            Content::Digests(_) => None,
        });
        let Some(bytes) = bytes.filter(|_| judgement.differing_sectors == 0) else {
            self.write_refused(json!({ "evidence": report }), reseat)?;
            return Err(not_accepted(&judgement, &report, advice, None));
        };
        let chip = self.chip_name();
        let word = if accepted { "capture" } else { "refused read" };
        let stored = self.vault.put(
            bytes.as_slice(),
            &PutRequest {
                name: format!("{word} of {chip}"),
                kind: Kind::Capture,
                job: Some(self.job().clone()),
                taken_at: (self.clock)(),
                facts: json!({ "chip": self.chip_facts(), "accepted": accepted, "evidence": report }),
            },
        )?;
        let body = json!({ "content": stored.id, "sha256": stored.sha256, "size": stored.size, "evidence": report });
        if !accepted {
            self.write_refused(body, reseat)?;
            return Err(not_accepted(&judgement, &report, advice, Some(stored.id.short())));
        }
        self.write_down("captured", body)?;
        if self.reached.kernel.is_some() {
            // The size is the kernel's, whatever the content looks like.
        } else if let SizeProof::Contradicted { measured } = judgement.size {
            self.identity.chip.take_measured_size(measured);
        } else if judgement.size == SizeProof::Measured {
            // The whole content outweighs the windows that identification looked at.
            let declared = self.identity.chip.size;
            self.identity
                .chip
                .conflicts
                .retain(|conflict| !matches!(conflict, Conflict::Measured { measured, .. } if *measured < declared));
        }
        self.present = Some((stored.id, bytes));
        let span = self.keep_span()?;
        Ok(CaptureReport {
            job: self.job().to_string(),
            chip,
            span,
            content: stored.id.to_string(),
            sha256: stored.sha256.to_string(),
            size: self.identity.chip.size,
            evidence: report,
        })
    }

    /// One content and one manifest for what several chips hold together, once each of them is captured.
    fn keep_span(&mut self) -> Result<Option<SpanReport>, JobError> {
        if self.station.as_ref().is_none_or(|station| station.span.is_none()) {
            return Ok(None);
        }
        let work = Work::open(&self.vault, self.job())?;
        let chip = self.chip_name();
        let span = work.profile.span_of(&chip).expect("the station has a span");
        let Some(captures) = work.span_captures(span) else { return Ok(None) };
        let parts = captures.iter().map(|id| self.vault.read_vec(id)).collect::<Result<Vec<_>, _>>()?;
        let parts: Vec<&[u8]> = parts.iter().map(Vec::as_slice).collect();
        let whole = image::span::join(&parts);
        let of: Vec<Value> =
            span.chips.iter().zip(&captures).map(|(chip, id)| json!({ "chip": chip, "content": id })).collect();
        let stored = self.vault.put(
            whole.as_slice(),
            &PutRequest {
                name: format!("capture of {}", span.id),
                kind: Kind::Capture,
                job: Some(self.job().clone()),
                taken_at: (self.clock)(),
                facts: json!({ "span": span.id, "parts": of, "accepted": true }),
            },
        )?;
        let body = json!({
            "span": span.id, "content": stored.id, "sha256": stored.sha256, "size": stored.size, "parts": of,
        });
        self.journal.append("span-captured", body, &(self.clock)())?;
        Ok(Some(SpanReport {
            span: span.id.clone(),
            chips: span.chips.clone(),
            content: stored.id.to_string(),
            sha256: stored.sha256.to_string(),
            size: stored.size,
        }))
    }

    fn chip_facts(&self) -> Value {
        let identity = &self.identity;
        json!({
            "id": identity.chip.id_text(),
            "unique_id": identity.unique_id.as_deref().map(id_text),
            "markings": identity.chip.markings,
            "size": identity.chip.size,
            "status": identity.status,
            "kernel": self.kernel_facts().map(link::mtd::Facts::key),
        })
    }

    fn evidence_report(&self, tries: &Tries) -> EvidenceReport {
        let judgement = tries.judgement.as_ref().expect("judged");
        let facts = self.kernel_facts();
        let contents: Vec<&[u8]> = tries.passes.iter().filter_map(bytes_of).collect();
        let disputed = judgement.differing_sectors > 0;
        let settlement = (disputed && contents.len() > 1).then(|| settled(&contents, &judgement.differing)).flatten();
        let mut reasons: Vec<String> = judgement.reasons.iter().map(ToString::to_string).collect();
        reasons.extend(settlement.iter().flat_map(Settlement::reasons).map(|reason| reason.to_string()));
        EvidenceReport {
            accepted: judgement.accepted,
            passes: tries.passes.iter().map(|pass| pass_report(pass, facts.is_some())).collect(),
            reseated: tries.reseated,
            settled_sectors: tries.settled_sectors,
            diagnosis: tries.diagnosis.as_ref().map(diagnosis_report).unwrap_or_default(),
            proof: contents.first().filter(|_| !disputed).map(|content| proof_of(content)),
            votes: settlement.as_ref().map(VotesReport::of),
            differing_bits: judgement.differing_bits,
            differing_sectors: judgement.differing_sectors,
            differing: judgement.differing.iter().map(|range| [range.start, range.end]).collect(),
            error_bound_95: judgement.error_bound_95,
            size_measured: kernel::size_measured(judgement, facts),
            reasons,
            remains: facts.map_or_else(|| judgement.words(), |facts| kernel::words(judgement, facts)),
        }
    }

    /// Looks at what the chip holds now: one of the known contents, compared by digest where the link can, or else all
    /// of its bytes, read once.
    pub(crate) fn look(&mut self, candidates: &[Digest]) -> Result<Look, JobError> {
        let clock_hz = self.reached.link.limits().clock_hz.1;
        let plan = PassPlan { clock_hz, fast: false, order: Order::Ascending, chunk: self.chunk(), digest: false };
        if !candidates.is_empty() && self.reached.link.limits().features.digest_range {
            let pass = self.read_pass(PassPlan { digest: true, ..plan })?;
            self.check_same_chip(std::slice::from_ref(&pass))?;
            for id in candidates {
                let content = self.vault.read_vec(id)?;
                if pass.content == Content::Digests(evidence::crc32_blocks(&content)) {
                    return Ok(Look::Known(*id, content));
                }
            }
        }
        let pass = self.read_pass(plan)?;
        self.check_same_chip(std::slice::from_ref(&pass))?;
        let Content::Bytes(bytes) = pass.content else { unreachable!("no digest was asked for") };
        for id in candidates {
            if *id == Digest::blake3(&bytes) {
                return Ok(Look::Known(*id, bytes));
            }
        }
        Ok(Look::Other(bytes))
    }
}

/// What a chip was found to hold.
pub(crate) enum Look {
    /// A content of the vault.
    Known(Digest, Vec<u8>),
    /// Something else, read once.
    Other(Vec<u8>),
}

fn not_accepted(
    judgement: &Judgement,
    report: &EvidenceReport,
    advice: Option<String>,
    kept: Option<String>,
) -> JobError {
    let refusals: Vec<&Reason> =
        judgement.reasons.iter().filter(|reason| reason.severity() == evidence::Severity::Refuses).collect();
    // What no reseating can mend: what the chip is, and what its content can show.
    let contact = refusals.iter().any(|reason| {
        !matches!(
            reason,
            Reason::Undescribed { .. }
                | Reason::SizesConflict { .. }
                | Reason::RepeatsUnsupported { .. }
                | Reason::NoSize
        )
    });
    let mut reasons: Vec<String> = refusals.iter().map(ToString::to_string).collect();
    reasons.extend(
        report
            .diagnosis
            .first()
            .filter(|first| first.fault != evidence::Fault::None.name())
            .map(|first| format!("it looks like {} ({:.0} % of belief)", first.fault, first.confidence * 100.0)),
    );
    JobError::NotAccepted { reasons, advice: advice.filter(|_| contact), contact, kept }
}

/// The bytes of a pass; none of one that has digests alone.
fn bytes_of(pass: &Pass) -> Option<&[u8]> {
    match &pass.content {
        Content::Bytes(bytes) => Some(bytes),
        Content::Digests(_) => None,
    }
}

/// A pass as the judge wants it; what the chip answered around `parts` counts as said in between.
fn as_evidence<'p>(pass: &'p Pass, parts: &[Pass]) -> evidence::Pass<'p> {
    let at_clock = |answered: &Answered, clock_hz: u32| ChipAnswer {
        id: answered.id.clone(),
        unique_id: answered.unique_id.clone(),
        status: answered.status.clone(),
        tables_ok: answered.tables_ok,
        clock_hz,
    };
    let answer = |answered: &Answered| at_clock(answered, pass.clock_hz);
    let later = parts.iter().flat_map(|part| part.answers.iter().map(|answered| at_clock(answered, part.clock_hz)));
    let (first, last) = (pass.answers.first().expect("two answers"), pass.answers.last().expect("two answers"));
    evidence::Pass {
        content: match &pass.content {
            Content::Bytes(bytes) => PassContent::Bytes(bytes),
            Content::Digests(digests) => PassContent::Digests(digests),
        },
        clock_hz: pass.clock_hz,
        opcode: pass.opcode,
        order: match pass.order {
            Order::Ascending => evidence::Order::Ascending,
            Order::Descending => evidence::Order::Descending,
            Order::Interleaved => evidence::Order::Interleaved,
        },
        chunk: pass.chunk,
        before: answer(first),
        between: pass.answers[1..pass.answers.len() - 1].iter().map(answer).chain(later).collect(),
        after: answer(last),
    }
}

fn order_of(order: evidence::Order) -> Order {
    match order {
        evidence::Order::Ascending => Order::Ascending,
        evidence::Order::Descending => Order::Descending,
        evidence::Order::Interleaved => Order::Interleaved,
    }
}

/// The faults that are worth a look: those with a twentieth of the belief or more.
pub(crate) fn diagnosis_report(diagnosis: &Diagnosis) -> Vec<DiagnosisReport> {
    const LEAST: f64 = 0.05;
    let worth = diagnosis.findings.iter().filter(|finding| finding.confidence >= LEAST);
    worth
        .map(|finding| DiagnosisReport {
            fault: finding.fault.to_string(),
            confidence: (finding.confidence * 1000.0).round() / 1000.0,
            places: finding.places.iter().map(|range| [range.start, range.end]).collect(),
            advice: finding.advice.to_owned(),
        })
        .collect()
}

/// The kernel tells neither clock nor command: both are 0 then.
fn pass_report(pass: &Pass, by_kernel: bool) -> PassReport {
    PassReport {
        clock_hz: if by_kernel { 0 } else { pass.clock_hz },
        opcode: if by_kernel { 0 } else { pass.opcode },
        order: match pass.order {
            Order::Ascending => "ascending",
            Order::Descending => "descending",
            Order::Interleaved => "interleaved",
        },
        chunk: pass.chunk,
        digest: matches!(pass.content, Content::Digests(_)),
        took_ms: pass.took_us / 1000,
    }
}
