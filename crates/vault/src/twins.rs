//! Two copies of one chain, read as one. Pure; `journal` and `scrub` read and write the files.
//!
//! A journal stands in two files. Each line vouches for itself by its hash and for the line before by `prev`, so the two
//! are merged line by line: the chain is built from whichever copy has the next line whole. Damage at different lines of
//! both copies is thus survived too. What merging must not do is shorten a journal without a word: when either copy has
//! more lines than the chain that came out, the result is an error and not a chain.
//!
//! | state of a copy | left by a cut? |
//! |---|---|
//! | [`Copy::Whole`] | it is the merged chain |
//! | [`Copy::Behind`] by one entry at most, a torn end or not | yes: entries go into the first copy, then into the second |
//! | [`Copy::Missing`] with one entry in all, or in a seal | yes: the second copy comes later, and goes earlier |
//! | anything else | no: the disk lost something |
//!
//! This holds for open journals. A sealed one appears whole, so that every copy that is not whole is damaged.

use std::collections::HashMap;

use crate::chain::{self, Broken, Chain, Entry};
use crate::names::Digest;

/// A chain out of two copies.
#[derive(Debug)]
pub(crate) struct Merged {
    pub(crate) entries: Vec<Entry>,
    /// The chain's lines.
    pub(crate) bytes: Vec<u8>,
    /// What each copy is, seen from the chain.
    pub(crate) copies: [Copy; 2],
}

/// What one copy is, seen from the merged chain.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) enum Copy {
    Whole,
    /// Its first `good_len` bytes are the beginning of the chain, `by` entries are lacking, and what lies behind is torn.
    Behind {
        by: usize,
        good_len: usize,
        torn: bool,
    },
    Damaged(String),
    Missing,
}

impl Merged {
    /// Returns whether an entry was dropped: it was being written when everything stopped.
    pub(crate) fn torn(&self) -> bool {
        let dropped = |copy: &Copy| matches!(copy, Copy::Behind { by: 0, torn: true, .. });
        self.copies.iter().any(dropped)
    }

    /// Returns what is wrong with a copy of an open journal that no cut leaves; none when it is whole or a cut explains
    /// it.
    pub(crate) fn fault(&self, copy: &Copy) -> Option<String> {
        match copy {
            Copy::Behind { by: 0 | 1, .. } => None,
            Copy::Missing if self.entries.len() <= 1 || self.is_sealed() => None,
            copy => self.lack(copy),
        }
    }

    /// Returns what a copy lacks; none when it is whole.
    pub(crate) fn lack(&self, copy: &Copy) -> Option<String> {
        match copy {
            Copy::Whole => None,
            Copy::Missing => Some("it is missing".to_owned()),
            Copy::Behind { by, .. } => Some(format!("it lacks the last {by} entries, or their end is torn")),
            Copy::Damaged(why) => Some(why.clone()),
        }
    }

    pub(crate) fn is_sealed(&self) -> bool {
        self.entries.last().is_some_and(|entry| entry.kind == chain::SEALED)
    }
}

/// Returns the chain that the copies hold together. `subject` and `may_be_torn` are as in [`chain::decode`].
///
/// # Errors
/// [`Broken`] with the first line that no copy has whole, though one of them goes on behind it; or at which the copies
/// tell different stories.
pub(crate) fn merge(subject: &str, copies: [Option<&[u8]>; 2], may_be_torn: bool) -> Result<Merged, Broken> {
    let mut lines: HashMap<(u64, Digest), (Entry, &[u8])> = HashMap::new();
    for bytes in copies.iter().flatten() {
        let mut after = None;
        for (entry, line) in bytes.split_inclusive(|byte| *byte == b'\n').filter_map(chain::whole_line) {
            // Lines out of their order were put there by somebody: no damage does that.
            if after.is_none_or(|seq| entry.seq > seq) {
                after = Some(entry.seq);
                lines.entry((entry.seq, entry.prev)).or_insert((entry, line));
            }
        }
    }
    let mut merged = Merged { entries: Vec::new(), bytes: Vec::new(), copies: [Copy::Missing, Copy::Missing] };
    let mut prev = chain::root(subject);
    while let Some((entry, line)) = lines.remove(&(merged.entries.len() as u64, prev)) {
        prev = entry.hash;
        merged.bytes.extend_from_slice(line);
        merged.entries.push(entry);
    }
    // A copy may be damaged earlier as well; this is where both are.
    let gap = if lines.is_empty() { 0 } else { merged.entries.len() as u64 + 1 };
    for (copy, bytes) in merged.copies.iter_mut().zip(copies) {
        if let Some(bytes) = bytes {
            let compared = compare(subject, bytes, &merged.entries, &merged.bytes, may_be_torn);
            *copy = compared.map_err(|Broken { line, why }| Broken { line: line.max(gap), why })?;
        }
    }
    Ok(merged)
}

fn compare(subject: &str, bytes: &[u8], entries: &[Entry], merged: &[u8], may_be_torn: bool) -> Result<Copy, Broken> {
    if bytes == merged {
        return Ok(Copy::Whole);
    }
    match chain::decode(subject, bytes, may_be_torn) {
        Ok(Chain { entries: own, good_len, torn }) => {
            if merged.get(..good_len) != Some(&bytes[..good_len]) {
                let same = own.iter().zip(entries).take_while(|(own, entry)| own.hash == entry.hash).count();
                return Err(Broken { line: same as u64 + 1, why: "its two copies tell different stories".to_owned() });
            }
            Ok(Copy::Behind { by: entries.len() - own.len(), good_len, torn })
        }
        Err(Broken { line, why }) => {
            if chain::lines_said(bytes) > entries.len() {
                return Err(Broken { line, why });
            }
            Ok(Copy::Damaged(format!("line {line}: {why}")))
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    fn sample(entries: u64) -> Vec<u8> {
        let mut bytes = Vec::new();
        let mut prev = chain::root("a");
        for seq in 0..entries {
            let (entry, line) = chain::encode(seq, "2026-03-01T09:30:00Z", "note", json!({ "n": seq }), prev);
            prev = entry.hash;
            bytes.extend_from_slice(&line);
        }
        bytes
    }

    fn merged(first: &[u8], twin: &[u8]) -> Result<Merged, Broken> {
        merge("a", [Some(first), Some(twin)], true)
    }

    #[test]
    fn any_flipped_byte_in_one_copy_is_made_good_by_the_other() {
        let whole = sample(3);
        for at in 0..whole.len() {
            let mut bad = whole.clone();
            bad[at] ^= 1;
            for (first, twin, hurt) in [(&bad, &whole, 0), (&whole, &bad, 1)] {
                let merged = merged(first, twin).unwrap();
                assert_eq!(merged.bytes, whole, "byte {at}");
                assert_eq!(merged.copies[1 - hurt], Copy::Whole);
                assert_ne!(merged.copies[hurt], Copy::Whole);
            }
        }
    }

    #[test]
    fn damage_at_different_lines_of_both_copies_is_survived_and_at_the_same_line_told() {
        let whole = sample(4);
        let line = whole.len() / 4;
        for (a, b) in (0..4).flat_map(|a| (0..4).map(move |b| (a, b))) {
            let hurt = |number: usize| {
                let mut bad = whole.clone();
                bad[number * line + 20] ^= 1;
                bad
            };
            match merged(&hurt(a), &hurt(b)) {
                Ok(merged) => assert!(a != b && merged.bytes == whole, "lines {a} and {b}"),
                Err(broken) => assert!(a == b && broken.line == a as u64 + 1, "lines {a} and {b}: {broken:?}"),
            }
        }
    }

    #[test]
    fn every_cut_of_one_copy_is_made_good_and_counted() {
        let whole = sample(3);
        for len in 0..whole.len() {
            let merged = merged(&whole, &whole[..len]).unwrap();
            assert_eq!(merged.bytes, whole, "cut to {len}");
            let lines = whole[..len].iter().filter(|byte| **byte == b'\n').count();
            let Copy::Behind { by, torn, .. } = merged.copies[1] else { panic!("{:?}", merged.copies) };
            assert_eq!((by, torn), (3 - lines, len > 0 && whole[len - 1] != b'\n'), "cut to {len}");
            assert_eq!(merged.fault(&merged.copies[1]).is_some(), by > 1, "cut to {len}");
            assert!(!merged.torn(), "nothing is dropped");
        }
    }

    #[test]
    fn a_line_torn_in_both_copies_is_dropped() {
        let whole = sample(3);
        let torn = &whole[..whole.len() - 5];
        let merged = merged(torn, &torn[..torn.len() - 9]).unwrap();
        assert!(merged.torn() && merged.entries.len() == 2);
    }

    #[test]
    fn two_stories_are_an_error_with_the_line_where_they_part() {
        let one = sample(2);
        let (entry, line) = chain::encode(2, "2026-03-01T09:30:00Z", "note", json!("one"), last(&one));
        let other = chain::encode(2, "2026-03-01T09:30:00Z", "note", json!("other"), entry.prev).1;
        let [one, other] = [line, other].map(|line| [&one[..], &line].concat());
        assert_eq!(merged(&one, &other).unwrap_err().line, 3);
    }

    fn last(bytes: &[u8]) -> Digest {
        chain::decode("a", bytes, false).unwrap().entries.last().unwrap().hash
    }
}
