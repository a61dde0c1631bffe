//! The reads of a job: what each try of a capture showed, pass by pass, and which contact it named.
//!
//! A try stands in the journal as `captured` or `refused`, with its evidence. This room turns such an entry into a [`Try`]: what a
//! face shows, with the sectors in which passes differed and the contact to look at.

use std::ops::Range;
use std::path::Path;

use serde::Serialize;
use serde_json::Value;
use vault::{Entry, JobId};

use crate::error::JobError;
use crate::jobs::Work;
use crate::session::open_bench;

/// One try of a capture.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Try {
    /// The journal entry's number.
    pub seq: u64,
    /// Its time, UTC.
    pub when: String,
    /// The chip's name in the profile.
    pub chip: String,
    /// Whether it is a capture now.
    pub accepted: bool,
    /// The content that was kept, if any: BLAKE3.
    pub content: Option<String>,
    /// The passes.
    pub passes: Vec<TryPass>,
    /// Bits in which passes differ.
    pub differing_bits: u64,
    /// Sectors of 4 KiB in which passes differ.
    pub differing_sectors: u64,
    /// Those sectors, as stretches of bytes `[first, end]`.
    pub disputed: Vec<[u32; 2]>,
    /// Sectors that were settled by reading them again.
    pub settled_sectors: u64,
    /// Upper 95 % bound for a random flip, per bit.
    pub error_bound_95: Option<f64>,
    /// Whether the size was measured.
    pub size_measured: bool,
    /// What the differences look like, the most probable fault first.
    pub diagnosis: Vec<TryFault>,
    /// The contact to look at.
    pub contact: Option<NamedContact>,
    /// Everything the judgement found, one sentence each.
    pub reasons: Vec<String>,
    /// What agreement cannot exclude.
    pub remains: Vec<String>,
}

/// One pass of a try.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct TryPass {
    /// Clock; 0 through the kernel.
    pub clock_hz: u64,
    /// Read command; 0 through the kernel.
    pub opcode: u8,
    /// `ascending`, `descending` or `interleaved`.
    pub order: String,
    /// Whether the link digested instead of sending the content.
    pub digest: bool,
    /// Time on the link's clock.
    pub took_ms: u64,
}

/// A fault that would explain the differences.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct TryFault {
    /// The fault.
    pub fault: String,
    /// Its share of belief, 0 to 1.
    pub confidence: f64,
    /// What to do about it.
    pub advice: String,
}

/// A contact, by pin of an eight-pin package and by signal.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct NamedContact {
    /// The pin.
    pub pin: u8,
    /// Its signal.
    pub signal: String,
}

/// Reads the tries of a job, oldest first; of one chip when one is named.
///
/// # Errors
/// [`JobError::BadOption`] for a chip that the profile does not have; [`JobError::WrongJob`]; [`JobError::Vault`].
pub fn tries(bench: &Path, job: &str, chip: Option<&str>) -> Result<Vec<Try>, JobError> {
    let vault = open_bench(bench)?;
    let work = Work::open(&vault, &JobId::new(job)?)?;
    if let Some(chip) = chip {
        super::contents::chip_of(&work, chip)?;
    }
    let all = work.entries.iter().filter_map(Try::of);
    Ok(all.filter(|one| chip.is_none_or(|chip| one.chip == chip)).collect())
}

impl Try {
    /// Reads an entry; none when it is no try of a capture.
    #[must_use]
    pub fn of(entry: &Entry) -> Option<Self> {
        if !matches!(entry.kind.as_str(), "captured" | "refused") {
            return None;
        }
        let body = &entry.body;
        let evidence = &body["evidence"];
        let list = |key: &str| evidence[key].as_array().into_iter().flatten();
        let texts = |key: &str| list(key).filter_map(Value::as_str).map(str::to_owned).collect();
        let text = |value: &Value| value.as_str().unwrap_or_default().to_owned();
        let diagnosis: Vec<TryFault> = list("diagnosis")
            .map(|found| TryFault {
                fault: text(&found["fault"]),
                confidence: found["confidence"].as_f64().unwrap_or_default(),
                advice: text(&found["advice"]),
            })
            .collect();
        Some(Self {
            seq: entry.seq,
            when: entry.time.clone(),
            chip: text(&body["chip"]),
            accepted: entry.kind == "captured",
            content: body["content"].as_str().map(str::to_owned),
            passes: list("passes")
                .map(|pass| TryPass {
                    clock_hz: pass["clock_hz"].as_u64().unwrap_or_default(),
                    opcode: pass["opcode"].as_u64().and_then(|opcode| u8::try_from(opcode).ok()).unwrap_or_default(),
                    order: text(&pass["order"]),
                    digest: pass["digest"].as_bool().unwrap_or_default(),
                    took_ms: pass["took_ms"].as_u64().unwrap_or_default(),
                })
                .collect(),
            differing_bits: evidence["differing_bits"].as_u64().unwrap_or_default(),
            differing_sectors: evidence["differing_sectors"].as_u64().unwrap_or_default(),
            disputed: disputed_in(evidence).into_iter().map(|range| [range.start, range.end]).collect(),
            settled_sectors: evidence["settled_sectors"].as_u64().unwrap_or_default(),
            error_bound_95: evidence["error_bound_95"].as_f64(),
            size_measured: evidence["size_measured"].as_bool().unwrap_or_default(),
            contact: named(&body["reseat"]),
            diagnosis,
            reasons: texts("reasons"),
            remains: texts("remains"),
        })
    }
}

/// The contact that a try asked to reseat.
fn named(reseat: &Value) -> Option<NamedContact> {
    let pin = u8::try_from(reseat["pin"].as_u64()?).ok().filter(|pin| (1..=8).contains(pin))?;
    Some(NamedContact { pin, signal: reseat["signal"].as_str()?.to_owned() })
}

/// The stretches in which passes differ, of the evidence in a journal entry.
pub(crate) fn disputed_in(evidence: &Value) -> Vec<Range<u32>> {
    evidence["differing"].as_array().into_iter().flatten().filter_map(range_of).collect()
}

/// A stretch `[first, end]` out of a journal entry; none when it is none.
pub(crate) fn range_of(value: &Value) -> Option<Range<u32>> {
    let end = |index: usize| u32::try_from(value[index].as_u64()?).ok();
    Some(end(0)?..end(1)?).filter(|range| range.start < range.end)
}

#[cfg(test)]
mod tests {
    use serde_json::json;

    use super::*;

    fn entry(kind: &str, body: Value) -> Entry {
        let hash = vault::Digest([0; 32]);
        Entry { seq: 4, time: "2026-03-01T09:00:00Z".into(), kind: kind.into(), body, prev: hash, hash }
    }

    #[test]
    fn a_refusal_names_its_contact_and_its_sectors() {
        let body = json!({
            "chip": "main",
            "reseat": { "pin": 6, "signal": "CLK" },
            "evidence": {
                "passes": [{ "clock_hz": 12_000_000, "opcode": 3, "order": "ascending", "chunk": 65_536, "digest": false, "took_ms": 9 }],
                "differing": [[4096, 8192], [1_048_576, 1_056_768]],
                "differing_bits": 12, "differing_sectors": 3,
                "diagnosis": [{ "fault": "clock-slip", "confidence": 0.9, "where": [[0, 1]], "advice": "reseat CLK" }],
                "reasons": ["one"], "remains": [],
            },
        });
        let found = Try::of(&entry("refused", body)).expect("a try");
        assert_eq!(found.contact, Some(NamedContact { pin: 6, signal: "CLK".into() }));
        assert_eq!(found.disputed, [[4096, 8192], [1_048_576, 1_056_768]]);
        assert_eq!((found.accepted, found.passes.len(), found.diagnosis[0].fault.as_str()), (false, 1, "clock-slip"));
    }

    #[test]
    fn what_is_no_try_or_damaged_is_left_out() {
        assert_eq!(Try::of(&entry("applied", json!({}))), None);
        let odd = json!({ "reseat": { "pin": 300, "signal": "CLK" }, "evidence": { "differing": [[9, 3], [1], "x", [-1, 4]] } });
        let found = Try::of(&entry("refused", odd)).expect("a try");
        assert_eq!((found.contact, found.disputed), (None, vec![]));
    }
}
