//! Chained lines: the form of journals and of the notes on what was forgotten.
//!
//! One line is one JSON object with the keys `seq`, `time`, `kind`, `prev`, `body`, `hash`, in this order. `hash` is the
//! BLAKE3 of the line's bytes as they are stored, from the first `{` up to, not including, `,"hash":`; `prev` is the hash
//! of the line before. The bytes as stored are the canonical ones, so that no reader has to write JSON the same way to
//! check it: cut the last 75 bytes off a line and hash the rest.
//!
//! The first line's `prev` is the BLAKE3 of the chain's subject (the job id, or `notes`), so that the file of one job
//! cannot stand in for another's. What a chain cannot show is that its last lines are missing: a sealed journal ends with
//! an entry of kind `sealed` for that reason.
//!
//! Pure: `journal` and `forget` do the reading and writing.

use serde::{Deserialize, Serialize};
use serde_json::Value;

use crate::names::Digest;

/// One entry of a journal.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Entry {
    /// Number in its chain, from 0.
    pub seq: u64,
    /// UTC time of RFC 3339, as the caller gave it.
    pub time: String,
    /// What kind of thing happened; the words are the caller's, but `opened` and `sealed` are the vault's.
    pub kind: String,
    /// What happened.
    pub body: Value,
    /// Hash of the entry before.
    pub prev: Digest,
    /// Hash of this entry.
    pub hash: Digest,
}

/// Entries read from a file, and how much of the file they are.
#[derive(Debug)]
pub(crate) struct Chain {
    pub(crate) entries: Vec<Entry>,
    /// Bytes of whole lines; what lies behind is torn.
    pub(crate) good_len: usize,
    pub(crate) torn: bool,
}

/// The line that does not fit, counted from 1, and why.
#[derive(Debug, PartialEq, Eq)]
pub(crate) struct Broken {
    pub(crate) line: u64,
    pub(crate) why: String,
}

/// Returns what the first entry of `subject`'s chain has for `prev`.
pub(crate) fn root(subject: &str) -> Digest {
    Digest::blake3(subject.as_bytes())
}

/// Returns an entry and its line, newline included.
pub(crate) fn encode(seq: u64, time: &str, kind: &str, body: Value, prev: Digest) -> (Entry, Vec<u8>) {
    let head = Head { seq, time: time.to_owned(), kind: kind.to_owned(), prev, body };
    let mut line = serde_json::to_vec(&head).expect("a JSON value can be written as JSON");
    line.pop();
    let hash = Digest::blake3(&line);
    line.extend_from_slice(format!("{HASH_KEY}{hash}\"}}\n").as_bytes());
    let Head { seq, time, kind, prev, body } = head;
    (Entry { seq, time, kind, body, prev, hash }, line)
}

/// Returns the entries of `bytes`, every hash checked.
///
/// With `may_be_torn`, a last line without newline or that is no entry at all is left out and reported: that is what a
/// cut-off append leaves. A last line that is an entry with a wrong hash, or that goes on after a whole entry (two lines
/// run together), is damage all the same: no append leaves that.
pub(crate) fn decode(subject: &str, bytes: &[u8], may_be_torn: bool) -> Result<Chain, Broken> {
    let mut chain = Chain { entries: Vec::new(), good_len: 0, torn: false };
    let mut prev = root(subject);
    for line in bytes.split_inclusive(|byte| *byte == b'\n') {
        let seq = chain.entries.len() as u64;
        let last = chain.good_len + line.len() == bytes.len();
        let broken = |why: &str| Broken { line: seq + 1, why: why.to_owned() };
        let entry = match line.strip_suffix(b"\n").and_then(parse) {
            Some(entry) => entry,
            None if last && may_be_torn && !holds_an_entry(line) => {
                chain.torn = true;
                break;
            }
            None => return Err(broken("it is no entry")),
        };
        if entry.hash != Digest::blake3(&line[..line.len() - 1 - TAIL]) {
            return Err(broken("its bytes do not give its hash"));
        }
        if entry.seq != seq {
            return Err(broken(&format!("it says that it is number {}, not {seq}", entry.seq)));
        }
        if entry.prev != prev {
            return Err(broken("it does not follow the entry before"));
        }
        prev = entry.hash;
        chain.good_len += line.len();
        chain.entries.push(entry);
    }
    Ok(chain)
}

/// Returns the entry of a line and the line, when it is whole and gives its hash; whose it is it need not say.
pub(crate) fn whole_line(line: &[u8]) -> Option<(Entry, &[u8])> {
    let entry = parse(line.strip_suffix(b"\n")?)?;
    (entry.hash == Digest::blake3(&line[..line.len() - 1 - TAIL])).then_some((entry, line))
}

/// Returns how many entries `bytes` say there are: all lines, but for a last one that an append may have torn.
pub(crate) fn lines_said(bytes: &[u8]) -> usize {
    let lines: Vec<_> = bytes.split_inclusive(|byte| *byte == b'\n').collect();
    let torn = |line: &&&[u8]| line.strip_suffix(b"\n").and_then(parse).is_none() && !holds_an_entry(line);
    lines.len() - usize::from(lines.last().filter(torn).is_some())
}

/// The kind of the entry that closes a journal.
pub(crate) const SEALED: &str = "sealed";

const HASH_KEY: &str = ",\"hash\":\"";
const TAIL: usize = HASH_KEY.len() + 64 + 2;

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct Head {
    seq: u64,
    time: String,
    kind: String,
    prev: Digest,
    body: Value,
}

fn parse(line: &[u8]) -> Option<Entry> {
    let (head, tail) = line.split_at_checked(line.len().checked_sub(TAIL)?)?;
    let hash = tail.strip_prefix(HASH_KEY.as_bytes())?.strip_suffix(b"\"}")?;
    let hash = std::str::from_utf8(hash).ok()?.parse().ok()?;
    let Head { seq, time, kind, prev, body } = serde_json::from_slice(&[head, b"}"].concat()).ok()?;
    Some(Entry { seq, time, kind, body, prev, hash })
}

/// Returns whether the line begins with a whole entry and goes on with more than zeros.
fn holds_an_entry(line: &[u8]) -> bool {
    let key = HASH_KEY.as_bytes();
    let ends = line.windows(key.len()).enumerate().filter(|(_, window)| *window == key).map(|(at, _)| at + TAIL);
    ends.filter_map(|end| line.split_at_checked(end))
        .any(|(entry, rest)| rest.iter().any(|byte| *byte != 0) && parse(entry).is_some())
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    fn sample() -> Vec<u8> {
        let mut bytes = Vec::new();
        let mut prev = root("a");
        for seq in 0..3 {
            let (entry, line) = encode(seq, "2026-03-01T09:30:00Z", "note", json!({"n": seq, "f": 0.1}), prev);
            prev = entry.hash;
            bytes.extend_from_slice(&line);
        }
        bytes
    }

    #[test]
    fn the_documented_rule_gives_the_hash() {
        let bytes = sample();
        let line = bytes.split(|byte| *byte == b'\n').next().unwrap();
        let (head, tail) = line.split_at(line.len() - 75);
        assert_eq!(tail, format!(",\"hash\":\"{}\"}}", Digest::blake3(head)).as_bytes());
    }

    #[test]
    fn any_flipped_byte_is_found() {
        let bytes = sample();
        let whole = decode("a", &bytes, false).unwrap();
        assert_eq!((whole.entries.len(), whole.torn), (3, false));
        for at in 0..bytes.len() {
            let mut bad = bytes.clone();
            bad[at] ^= 1;
            assert!(decode("a", &bad, false).is_err(), "byte {at}");
            if let Ok(chain) = decode("a", &bad, true) {
                assert!(chain.torn && chain.entries.len() == 2, "byte {at}: only the last line may be taken for torn");
            }
        }
    }

    #[test]
    fn a_cut_shows_as_torn_or_at_a_line_end() {
        let bytes = sample();
        for len in 0..bytes.len() {
            let chain = decode("a", &bytes[..len], true).unwrap();
            let at_line_end = len == 0 || bytes[len - 1] == b'\n';
            assert_eq!(chain.torn, !at_line_end, "cut to {len}");
            assert!(chain.good_len <= len);
        }
    }

    #[test]
    fn one_chain_cannot_stand_in_for_another() {
        assert_eq!(decode("b", &sample(), true).unwrap_err().line, 1);
    }
}
