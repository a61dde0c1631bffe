//! A judgement and a diagnosis in ten lines for a person.
//!
//! The verdict comes first, then what differs and where, then the contact to look at, then the gravest reasons, as far as
//! the lines go. Everything else is in the values themselves; a caller with more room prints those.
//!
//! The decision a reader would question: lines are counted after wrapping, so a long reason may push out a short one after
//! it. Ten lines are what a person reads with a clip in the other hand.

use std::ops::Range;

use crate::diagnose::{Diagnosis, Fault};
use crate::judge::{Judgement, Verdict};
use crate::reason::{Reason, Severity};

/// Lines at most.
const LINES: usize = 10;
/// Columns at most.
const COLUMNS: usize = 80;
/// Places named in a line.
const PLACES: usize = 3;
/// Share of belief from which a second suspect is named.
const SECOND: f64 = 0.1;

/// Returns what was found, in at most ten lines of at most 80 columns, without line ends.
///
/// A single word longer than a line stays whole; none is in the sentences of this crate.
pub fn explain(judgement: &Judgement, diagnosis: &Diagnosis) -> Vec<String> {
    let mut lines = Vec::new();
    let paragraphs = paragraphs(judgement, diagnosis);
    for (at, paragraph) in paragraphs.iter().enumerate() {
        let wrapped = wrap(paragraph);
        let last = at + 1 == paragraphs.len();
        if lines.len() + wrapped.len() > LINES - usize::from(!last) {
            let left = paragraphs.len() - at;
            lines.push(format!("And {left} further finding{}.", if left == 1 { "" } else { "s" }));
            break;
        }
        lines.extend(wrapped);
    }
    lines
}

fn paragraphs(judgement: &Judgement, diagnosis: &Diagnosis) -> Vec<String> {
    let mut paragraphs = vec![verdict(judgement)];
    if judgement.differing_sectors > 0 {
        paragraphs.push(format!(
            "They differ in {} bit{} of {} sector{} of 4 KiB, first in {}.",
            judgement.differing_bits,
            plural(judgement.differing_bits),
            judgement.differing_sectors,
            plural(judgement.differing_sectors.into()),
            places(&judgement.differing)
        ));
    }
    let first = diagnosis.first();
    if first.fault != Fault::None {
        let seen = if first.places.is_empty() { String::new() } else { format!(", seen at {}", places(&first.places)) };
        paragraphs.push(format!("Suspect: {} ({:.0} %){seen}.", first.fault, 100.0 * first.confidence));
        paragraphs.push(first.advice.to_owned());
        let second = &diagnosis.findings[1];
        if second.confidence >= SECOND && second.fault != Fault::None {
            paragraphs.push(format!("Or {} ({:.0} %): {}", second.fault, 100.0 * second.confidence, second.advice));
        }
    }
    // The verdict's own line has these two already.
    let said = |reason: &&Reason| !matches!(reason, Reason::PassesDiffer { .. } | Reason::TooFewPasses { passes: 1 });
    let refusing = |reason: &&Reason| reason.severity() == Severity::Refuses;
    let reasons = judgement.reasons.iter().filter(said);
    paragraphs.extend(reasons.clone().filter(refusing).map(ToString::to_string));
    paragraphs.extend(reasons.filter(|reason| !refusing(reason)).map(ToString::to_string));
    if let Some(bound) = judgement.error_bound_95 {
        paragraphs.push(format!("With 95 % confidence fewer than {bound:.1e} of all bits fell over at random."));
    }
    paragraphs
}

fn verdict(judgement: &Judgement) -> String {
    let (passes, agreed) = (judgement.passes, judgement.agreed_passes);
    let alike = match agreed {
        0 => "which cannot be compared".to_owned(),
        1 => "no two of them alike".to_owned(),
        _ if agreed == passes => "all alike".to_owned(),
        _ => format!("{agreed} of them alike"),
    };
    let word = match judgement.verdict {
        Verdict::Trusted => "Trusted",
        Verdict::Disputed => "Disputed",
        Verdict::Refused => "Refused",
    };
    match passes {
        1 => format!("{word}: one read is no evidence."),
        _ => format!("{word}: {passes} reads, {alike}."),
    }
}

fn places(ranges: &[Range<u32>]) -> String {
    let named: Vec<String> = ranges
        .iter()
        .take(PLACES)
        .map(|range| format!("{:06x}-{:06x}", range.start, range.end.saturating_sub(1)))
        .collect();
    match ranges.len().saturating_sub(PLACES) {
        0 => named.join(", "),
        more => format!("{} and {more} more", named.join(", ")),
    }
}

fn plural(count: u64) -> &'static str {
    if count == 1 { "" } else { "s" }
}

/// Returns `text` in lines; all but the first are set in by two columns.
fn wrap(text: &str) -> Vec<String> {
    let mut lines: Vec<String> = Vec::new();
    for word in text.split_whitespace() {
        match lines.last_mut() {
            Some(line) if line.chars().count() + 1 + word.chars().count() <= COLUMNS => {
                line.push(' ');
                line.push_str(word);
            }
            Some(_) => lines.push(format!("  {word}")),
            None => lines.push(word.to_owned()),
        }
    }
    lines
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::diagnose::diagnose;
    use crate::files::{BareFile, FileIdentity, judge_files};
    use crate::reading::Reading;
    use crate::testing::{Draw, firmware, for_seeds};

    fn explained(contents: &[Vec<u8>]) -> Vec<String> {
        let identity = |inode| FileIdentity { device: 1, inode };
        let files: Vec<BareFile<'_>> = contents
            .iter()
            .enumerate()
            .map(|(inode, content)| BareFile { content, identity: identity(inode as u64) })
            .collect();
        let judgement = judge_files(&files);
        let readings: Vec<Reading<'_>> = contents.iter().map(|content| Reading::bare(content)).collect();
        explain(&judgement, &diagnose(&readings, &judgement))
    }

    #[test]
    fn a_bounce_is_told_with_its_contact_and_places() {
        let content = firmware(1, 1 << 18);
        let mut bounced = content.clone();
        for end in [1 << 14, 5 << 14, 9 << 14] {
            bounced[end - 3000..end].fill(0xFF);
        }
        let lines = explained(&[content.clone(), bounced, content]);
        assert_eq!(lines[0], "Disputed: 3 reads, 2 of them alike.");
        let text = lines.join("\n");
        assert!(text.contains("Suspect: select-bounce") && text.contains("CS# (pin 1)"), "{text}");
        assert!(text.contains("003448-003fff"), "{text}");
        assert!(text.contains("no capture that allows"), "{text}");
    }

    #[test]
    fn trust_comes_with_its_bound() {
        let content = firmware(1, 1 << 16);
        let lines = explained(&[content.clone(), content]);
        assert_eq!(lines[0], "Trusted: 2 reads, all alike.");
        assert!(lines.last().unwrap().contains("95 %"), "{lines:?}");
    }

    /// Ten lines of 80 columns, whatever is wrong.
    #[test]
    fn never_more_than_ten_lines_of_eighty_columns() {
        for_seeds("never_more_than_ten_lines_of_eighty_columns", 60, |seed| {
            let mut draw = Draw::new(seed);
            let content = firmware(seed, 1 << 16);
            let mut files: Vec<Vec<u8>> = vec![content.clone(); draw.below(11) as usize];
            for file in &mut files {
                for _ in 0..draw.below(30) {
                    let from = draw.below(60_000) as usize;
                    let noise = draw.bytes(1 + seed as usize % 5);
                    file[from..from + noise.len()].copy_from_slice(&noise);
                }
                if draw.below(6) == 0 {
                    file.truncate(draw.below(3) as usize * 20_000);
                }
            }
            let lines = explained(&files);
            assert!((1..=LINES).contains(&lines.len()), "{lines:#?}");
            for line in &lines {
                assert!(line.chars().count() <= COLUMNS, "{line}");
            }
        });
    }
}
