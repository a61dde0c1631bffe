//! What a job's journal says happened, as far as the safety rules need it.
//!
//! The journal is the truth; [`Known`] is read off it at every opening and never stored. The words used here are the
//! kinds of journal entries that this room writes:
//!
//! | kind | when | body |
//! |---|---|---|
//! | `opened` | first | link, whether loose |
//! | `asked` | a question was answered | question, answer, by |
//! | `supply` | S4 was settled | what the chip bears, what the link drives, who said so |
//! | `identified` | the chip answered | id, unique id, markings, size, status, conflicts |
//! | `refused` | passes make no capture | reasons, evidence |
//! | `captured` | a capture is in the vault | content, evidence |
//! | `not-captured` | `--no-capture` | reason |
//! | `protection` | before the first status write | as_found: status registers |
//! | `protection-settled` | protection is back, or off as the profile wants | status, off |
//! | `planned` | before the first erase | from, wanted, range, erases, programs, cost |
//! | `applied` | verified | content, range, counts |
//! | `verified` | compared without writing | content, counts |
//! | `ended` | a command ended early | what happened |

use std::ops::Range;
use std::str::FromStr;

use serde_json::{Value, json};
use vault::{Digest, Entry};

/// The chip of a job.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ChipKey {
    /// What 9Fh answered, as hexadecimal digits.
    pub id: String,
    /// The unique id, where it has one.
    pub unique_id: Option<String>,
}

/// A write that was begun and not ended.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Pending {
    /// What the chip held before the first of the plans.
    pub from: Digest,
    /// What the plans lead to; the last one is the newest.
    pub wanted: Vec<Digest>,
    /// What any of the plans touches.
    pub touched: Vec<Range<u32>>,
}

/// What is known of a job's chip.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Known {
    /// The link that the job was opened on.
    pub link: Option<String>,
    /// The chip, once identified.
    pub chip: Option<ChipKey>,
    /// Accepted captures, oldest first.
    pub captures: Vec<Digest>,
    /// What was last applied and verified, of the whole chip.
    pub applied: Option<Digest>,
    /// What was begun and not ended.
    pub pending: Option<Pending>,
    /// Status registers as found, while protection is lifted (S9).
    pub protection_as_found: Option<Vec<u8>>,
}

impl Known {
    /// Reads the journal of a job with one chip.
    #[must_use]
    pub fn of(entries: &[Entry]) -> Self {
        let mut known = Self::default();
        for entry in entries {
            known.take(&entry.kind, &entry.body);
        }
        known
    }

    /// Reads a journal as far as it is about one chip of a profile job: entries that name another chip are left out.
    #[must_use]
    pub fn of_chip(entries: &[Entry], chip: &str) -> Self {
        let mut known = Self::default();
        for entry in entries.iter().filter(|entry| entry.body["chip"].as_str().is_none_or(|named| named == chip)) {
            known.take(&entry.kind, &entry.body);
        }
        known
    }

    /// Takes one more entry in.
    pub fn take(&mut self, kind: &str, body: &Value) {
        match kind {
            "opened" => self.link = body["link"].as_str().map(str::to_owned),
            "identified" => {
                self.chip = body["id"]
                    .as_str()
                    .map(|id| ChipKey { id: id.to_owned(), unique_id: body["unique_id"].as_str().map(str::to_owned) });
            }
            "captured" => {
                self.captures.extend(digest(&body["content"]));
                // A capture is the present content: whatever was half done before is part of it now.
                self.pending = None;
            }
            "planned" => self.take_plan(body),
            "applied" => {
                self.applied = digest(&body["content"]);
                self.pending = None;
            }
            "protection" => {
                let bytes = body["as_found"].as_array().into_iter().flatten();
                let bytes = bytes.filter_map(|byte| u8::try_from(byte.as_u64()?).ok());
                self.protection_as_found.get_or_insert_with(|| bytes.collect());
            }
            "protection-settled" => self.protection_as_found = None,
            _ => {}
        }
    }

    fn take_plan(&mut self, body: &Value) {
        let (Some(from), Some(wanted)) = (digest(&body["from"]), digest(&body["wanted"])) else { return };
        let pending = self.pending.get_or_insert(Pending { from, wanted: Vec::new(), touched: Vec::new() });
        if pending.wanted.last() != Some(&wanted) {
            pending.wanted.push(wanted);
        }
        let ranges = body["touched"].as_array().into_iter().flatten();
        pending.touched.extend(ranges.filter_map(|range| {
            let end = |index: usize| u32::try_from(range[index].as_u64()?).ok();
            Some(end(0)?..end(1)?)
        }));
        pending.touched = joined(std::mem::take(&mut pending.touched));
    }
}

/// Ranges as JSON: `[[first, end], ...]`, the end not included.
#[must_use]
pub fn ranges_json(ranges: &[Range<u32>]) -> Value {
    json!(ranges.iter().map(|range| [range.start, range.end]).collect::<Vec<_>>())
}

fn digest(value: &Value) -> Option<Digest> {
    Digest::from_str(value.as_str()?).ok()
}

/// Sorted, with what touches or overlaps joined.
fn joined(mut ranges: Vec<Range<u32>>) -> Vec<Range<u32>> {
    ranges.sort_by_key(|range| range.start);
    let mut joined: Vec<Range<u32>> = Vec::new();
    for range in ranges {
        match joined.last_mut() {
            Some(last) if range.start <= last.end => last.end = last.end.max(range.end),
            _ => joined.push(range),
        }
    }
    joined
}

#[cfg(test)]
mod tests {
    use super::*;

    fn content(byte: u8) -> String {
        format!("{byte:02x}").repeat(32)
    }

    #[test]
    fn s1_the_capture_of_one_chip_is_none_of_another() {
        let entry = |seq: u64, chip: &str, byte: u8| Entry {
            seq,
            time: "2026-03-01T09:00:00Z".into(),
            kind: "captured".into(),
            body: json!({ "chip": chip, "content": content(byte) }),
            prev: Digest([0; 32]),
            hash: Digest([0; 32]),
        };
        let entries = [entry(0, "main", 1), entry(1, "port", 2)];
        assert_eq!(Known::of_chip(&entries, "port").captures, [Digest([2; 32])]);
        assert!(Known::of_chip(&entries, "third").captures.is_empty());
    }

    #[test]
    fn s2_plans_add_up_until_one_is_ended() {
        let mut known = Known::default();
        known.take("captured", &json!({ "content": content(1) }));
        let plan =
            |wanted: u8, touched: Value| json!({ "from": content(1), "wanted": content(wanted), "touched": touched });
        known.take("planned", &plan(2, json!([[0, 4096]])));
        known.take("planned", &plan(2, json!([[4096, 8192], [65536, 131_072]])));
        let pending = known.pending.clone().expect("a plan is open");
        assert_eq!(pending.touched, [0..8192, 65_536..131_072]);
        assert_eq!(pending.wanted.len(), 1);
        known.take("applied", &json!({ "content": content(2) }));
        assert_eq!(known.pending, None);
        assert_eq!(known.applied, digest(&json!(content(2))));
        assert_eq!(known.captures.len(), 1);
    }
}
