//! Reading a chip until its content is proven, and keeping it (safety rule S1, design of the evidence).
//!
//! Two passes of different kind make a first try: another clock, another read command, another order of the chunks; the
//! second one by digest where the link can. When they differ, a second try reads three times at lower clocks. What still
//! differs then is refused: a majority would only vote for the more frequent error. A refused capture whose passes agree
//! with each other is kept in the vault under that name, for a look; it never counts for S1.

use driver::{Answered, Content, Order, Pass, PassPlan};
use evidence::{ChipAnswer, Declared, Judgement, PassContent, Reason, SizeProof};
use nor::chip::{Conflict, id_text};
use serde::Serialize;
use serde_json::{Value, json};
use vault::{Digest, Kind, PutRequest};

use crate::error::JobError;
use crate::jobs::Work;
use crate::session::{Session, run_op};
use crate::text::counted;

/// Bytes of one read that is short: a page of most chips.
const SHORT: u32 = 256;

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
    /// Tries that it took.
    pub tries: u32,
    /// Bits that differ between passes.
    pub differing_bits: u64,
    /// 4 KiB sectors that differ between passes.
    pub differing_sectors: u32,
    /// Upper 95 % bound for a random flip, per bit.
    pub error_bound_95: Option<f64>,
    /// Whether the size was measured.
    pub size_measured: bool,
    /// Everything the judgement found, one sentence each.
    pub reasons: Vec<String>,
    /// What agreement cannot exclude.
    pub remains: Vec<String>,
}

/// One pass.
#[derive(Debug, Clone, Serialize)]
pub struct PassReport {
    /// Clock.
    pub clock_hz: u32,
    /// Read command.
    pub opcode: u8,
    /// `ascending` or `descending`.
    pub order: &'static str,
    /// Bytes of one chunk.
    pub chunk: u32,
    /// Whether the link digested instead of sending the content.
    pub digest: bool,
    /// Time on the link's clock.
    pub took_ms: u64,
}

/// What one try gave.
struct Try {
    passes: Vec<Pass>,
    judgement: Judgement,
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
        let fastest = self.reached.link.limits().clock_hz.1;
        let plans = [self.first_try(fastest), self.second_try(fastest)];
        let mut tries = 0;
        let mut decided = None;
        for plans in &plans {
            tries += 1;
            let this = self.one_try(plans)?;
            let again = this.judgement.reasons.iter().any(|reason| matches!(reason, Reason::PassesDiffer { .. }));
            if again {
                let report = evidence_report(&this, tries);
                self.write_down("refused", json!({ "evidence": report }))?;
                let (bits, sectors) =
                    (counted(report.differing_bits, "bit"), counted(report.differing_sectors.into(), "sector"));
                self.say(format!("the passes differ: {bits} in {sectors} of 4 KiB"));
                if tries == 1 {
                    self.say("reading again, slower and three times");
                }
            }
            decided = Some(this);
            if !again {
                break;
            }
        }
        let decided = decided.expect("at least one try");
        self.keep(decided, tries)
    }

    fn chunk(&self) -> u32 {
        (self.identity.chip.size / 4).clamp(nor::SECTOR, 64 * 1024)
    }

    fn first_try(&self, fastest: u32) -> Vec<PassPlan> {
        let chunk = self.chunk();
        vec![
            PassPlan { clock_hz: fastest, fast: false, order: Order::Ascending, chunk, digest: false },
            PassPlan { clock_hz: fastest / 4 * 3, fast: true, order: Order::Descending, chunk, digest: true },
        ]
    }

    fn second_try(&self, fastest: u32) -> Vec<PassPlan> {
        let chunk = self.chunk();
        vec![
            PassPlan { clock_hz: fastest / 2, fast: false, order: Order::Descending, chunk, digest: false },
            PassPlan {
                clock_hz: fastest / 8 * 3,
                fast: true,
                order: Order::Ascending,
                chunk: chunk / 2,
                digest: false,
            },
            PassPlan { clock_hz: fastest / 4, fast: false, order: Order::Ascending, chunk, digest: false },
        ]
    }

    /// A pass for content that is one value all over. That is what every long read looks like when chip select bounces or
    /// a contact opens in the middle of it, and the short questions for id and status are still answered rightly; reads
    /// as short as a page are not.
    fn short_reads(&self, clock_hz: u32) -> PassPlan {
        PassPlan { clock_hz, fast: false, order: Order::Descending, chunk: SHORT, digest: false }
    }

    fn one_try(&mut self, plans: &[PassPlan]) -> Result<Try, JobError> {
        let mut passes = Vec::with_capacity(plans.len() + 1);
        for plan in plans {
            passes.push(self.read_pass(*plan)?);
        }
        if passes.iter().any(|pass| matches!(&pass.content, Content::Bytes(bytes) if is_one_value(bytes))) {
            passes.push(self.read_pass(self.short_reads(passes[0].clock_hz))?);
        }
        let known = match self.known.applied {
            Some(applied) => Some(self.vault.read_vec(&applied)?),
            None => None,
        };
        let chip = &self.identity.chip;
        let judged: Vec<evidence::Pass<'_>> = passes.iter().map(as_evidence).collect();
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
        Ok(Try { passes, judgement })
    }

    pub(crate) fn read_pass(&mut self, plan: PassPlan) -> Result<Pass, JobError> {
        let identity = &self.identity;
        let pass = run_op(self.reached.link.as_mut(), self.front, "reading the chip", |limits| {
            driver::pass(limits, identity, plan)
        })?;
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

    /// Puts what was read into the vault: as a capture when it is accepted.
    fn keep(&mut self, decided: Try, tries: u32) -> Result<CaptureReport, JobError> {
        let report = evidence_report(&decided, tries);
        let accepted = report.accepted;
        if accepted {
            self.check_same_chip(&decided.passes)?;
        }
        let judgement = decided.judgement;
        let bytes = decided.passes.into_iter().find_map(|pass| match pass.content {
            Content::Bytes(bytes) => Some(bytes),
            Content::Digests(_) => None,
        });
        let Some(bytes) = bytes.filter(|_| judgement.differing_sectors == 0) else {
            return Err(not_accepted(&judgement, None));
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
            self.write_down("refused", body)?;
            return Err(not_accepted(&judgement, Some(stored.id.short())));
        }
        self.write_down("captured", body)?;
        if let SizeProof::Contradicted { measured } = judgement.size {
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
        })
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

fn is_one_value(bytes: &[u8]) -> bool {
    bytes.first().is_some_and(|first| bytes.iter().all(|byte| byte == first))
}

fn not_accepted(judgement: &Judgement, kept: Option<String>) -> JobError {
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
    JobError::NotAccepted { reasons: refusals.iter().map(ToString::to_string).collect(), contact, kept }
}

fn as_evidence(pass: &Pass) -> evidence::Pass<'_> {
    let answer = |answered: &Answered| ChipAnswer {
        id: answered.id.clone(),
        unique_id: answered.unique_id.clone(),
        status: answered.status.clone(),
        tables_ok: answered.tables_ok,
        clock_hz: pass.clock_hz,
    };
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
        },
        chunk: pass.chunk,
        before: answer(first),
        between: pass.answers[1..pass.answers.len() - 1].iter().map(answer).collect(),
        after: answer(last),
    }
}

fn evidence_report(decided: &Try, tries: u32) -> EvidenceReport {
    let judgement = &decided.judgement;
    EvidenceReport {
        accepted: judgement.accepted,
        passes: decided.passes.iter().map(pass_report).collect(),
        tries,
        differing_bits: judgement.differing_bits,
        differing_sectors: judgement.differing_sectors,
        error_bound_95: judgement.error_bound_95,
        size_measured: judgement.size == SizeProof::Measured,
        reasons: judgement.reasons.iter().map(ToString::to_string).collect(),
        remains: judgement.words(),
    }
}

fn pass_report(pass: &Pass) -> PassReport {
    PassReport {
        clock_hz: pass.clock_hz,
        opcode: pass.opcode,
        order: match pass.order {
            Order::Ascending => "ascending",
            Order::Descending => "descending",
        },
        chunk: pass.chunk,
        digest: matches!(pass.content, Content::Digests(_)),
        took_ms: pass.took_us / 1000,
    }
}
