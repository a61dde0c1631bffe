//! The verdict on bare files, of which nothing is known but their bytes.
//!
//! "Trusted" means that all reads agree, come from at least two files, and nothing in the content speaks against it. Which
//! clocks and commands made them, which chip answered and how large it is were not seen; the reasons say so, and
//! [`Judgement::accepted`] stays false: no write may rest on it. Two names of one file are told by device and inode, never
//! by equal content, since two good reads are equal.
//!
//! The decision a reader would question: content that repeats (a blank chip, a doubled half) is refused here although it may
//! be right. Only the chip's answers between reads could say so, and bare files hold none.

use crate::bound::error_bound_95;
use crate::compare::{Comparison, compare};
use crate::judge::{Judgement, SizeProof, Verdict, WhyUnproven};
use crate::pass::PassContent;
use crate::reason::{Lack, Reason};
use crate::repeat::repetition;
use crate::shift::{looks_shifted, shift_between};

/// Which file it is on this computer.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct FileIdentity {
    /// Number of the device that holds it.
    pub device: u64,
    /// Its inode there.
    pub inode: u64,
}

/// A file with a read in it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct BareFile<'a> {
    /// Its bytes.
    pub content: &'a [u8],
    /// Which file it is; the names are the caller's business.
    pub identity: FileIdentity,
}

/// Returns the indices of `files` without those that are an earlier one by another name.
pub fn distinct(files: &[BareFile<'_>]) -> Vec<usize> {
    (0..files.len()).filter(|index| same_as(files, *index).is_none()).collect()
}

/// Returns the verdict on `files`.
///
/// [`Judgement::passes`] counts the distinct files; [`Reason`]s number them in the order given, from 1. Any input gives an
/// answer; there is no error.
pub fn judge_files(files: &[BareFile<'_>]) -> Judgement {
    let mut reasons = vec![Reason::BareFiles];
    for index in 0..files.len() {
        if let Some(of) = same_as(files, index) {
            reasons.push(Reason::SameFile { file: index + 1, of: of + 1 });
        }
        if files[index].content.is_empty() {
            reasons.push(Reason::EmptyFile { file: index + 1 });
        }
        if u32::try_from(files[index].content.len()).is_err() {
            reasons.push(Reason::TooLarge { file: index + 1 });
        }
    }
    let distinct = distinct(files);
    if distinct.len() < 2 {
        reasons.push(Reason::TooFewPasses { passes: distinct.len() });
    }
    let usable = |index: &&usize| {
        let len = files[**index].content.len();
        len > 0 && u32::try_from(len).is_ok()
    };
    let numbers: Vec<usize> = distinct.iter().filter(usable).copied().collect();
    let contents: Vec<&[u8]> = numbers.iter().map(|index| files[*index].content).collect();
    let shortest = contents.iter().map(|content| content.len()).min().unwrap_or(0);
    let longest = contents.iter().map(|content| content.len()).max().unwrap_or(0);
    let mut found = None;
    if shortest == longest {
        found = agreement(&contents, &numbers, &mut reasons);
    } else {
        let equal_so_far = contents.iter().all(|content| content[..shortest] == contents[0][..shortest]);
        reasons.push(Reason::LengthsDiffer { shortest, longest, equal_so_far });
    }
    let leader = found.as_ref().map(|found| contents[found.leader]);
    let size = about_content(leader, &mut reasons);
    let found = found.unwrap_or(Comparison {
        agreed: 0,
        leader: 0,
        differing_bits: 0,
        differing_sectors: 0,
        differing: Vec::new(),
    });
    let undisturbed = found.agreed >= 2 && found.differing_sectors == 0;
    Judgement {
        accepted: false,
        verdict: Verdict::of(&reasons),
        passes: distinct.len(),
        agreed_passes: found.agreed,
        differing_bits: found.differing_bits,
        differing_sectors: found.differing_sectors,
        differing: found.differing,
        error_bound_95: if undisturbed { error_bound_95(longest as u64 * 8 * found.agreed as u64) } else { None },
        size,
        reasons,
    }
}

/// Returns the index of the earlier file that `index` is.
fn same_as(files: &[BareFile<'_>], index: usize) -> Option<usize> {
    files[..index].iter().position(|earlier| earlier.identity == files[index].identity)
}

fn agreement(contents: &[&[u8]], numbers: &[usize], reasons: &mut Vec<Reason>) -> Option<Comparison> {
    let compared: Vec<PassContent<'_>> = contents.iter().map(|content| PassContent::Bytes(content)).collect();
    let size = u32::try_from(contents.first()?.len()).expect("larger files were left out");
    let found = compare(&compared, size)?;
    if found.differing_sectors > 0 {
        reasons.push(Reason::PassesDiffer {
            sectors: found.differing_sectors,
            bits: found.differing_bits,
            agreed: found.agreed,
            passes: contents.len(),
        });
        for (index, content) in contents.iter().enumerate() {
            if let Some(shift) = shift_between(contents[found.leader], content, &found.differing) {
                let [pass, against] = [index, found.leader].map(|index| numbers[index] + 1);
                reasons.push(Reason::Shifted { pass, against, shift });
            }
        }
    }
    Some(found)
}

/// Rule 4, as far as bare content can speak.
fn about_content(content: Option<&[u8]>, reasons: &mut Vec<Reason>) -> SizeProof {
    let Some(content) = content else { return SizeProof::Unproven { why: WhyUnproven::NoContent } };
    if let Some(how) = repetition(content) {
        reasons.push(Reason::RepeatsUnsupported { how, lacks: Lack::Unasked });
        return SizeProof::Unproven { why: WhyUnproven::Repeats(how) };
    }
    if let Some((bits, later)) = looks_shifted(content) {
        reasons.push(Reason::LooksShifted { bits, later, tables_answered: false });
    }
    SizeProof::Unproven { why: WhyUnproven::BareFiles }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::testing::firmware;

    fn file(content: &[u8], inode: u64) -> BareFile<'_> {
        BareFile { content, identity: FileIdentity { device: 1, inode } }
    }

    #[test]
    fn two_equal_files_are_trusted_and_never_accepted() {
        let content = firmware(1, 1 << 16);
        let judgement = judge_files(&[file(&content, 1), file(&content, 2)]);
        assert_eq!((judgement.verdict, judgement.accepted, judgement.passes), (Verdict::Trusted, false, 2));
        assert_eq!(judgement.reasons, [Reason::BareFiles]);
        assert_eq!(judgement.error_bound_95, error_bound_95((2 * 8) << 16));
        assert!(judgement.words().iter().any(|sentence| sentence.contains("not proven")));
    }

    #[test]
    fn one_file_by_two_names_counts_once_and_equal_content_does_not_make_one_file() {
        let content = firmware(1, 1 << 16);
        let judgement = judge_files(&[file(&content, 7), file(&content, 7)]);
        assert_eq!((judgement.verdict, judgement.passes), (Verdict::Refused, 1));
        assert!(judgement.reasons.contains(&Reason::SameFile { file: 2, of: 1 }));
        assert!(judgement.reasons.contains(&Reason::TooFewPasses { passes: 1 }));
        let judgement = judge_files(&[file(&content, 7), file(&content, 7), file(&content, 8)]);
        assert_eq!((judgement.verdict, judgement.passes, judgement.agreed_passes), (Verdict::Trusted, 2, 2));
        let other_device = BareFile { content: &content, identity: FileIdentity { device: 2, inode: 7 } };
        assert_eq!(judge_files(&[file(&content, 7), other_device]).verdict, Verdict::Trusted);
    }

    #[test]
    fn files_that_differ_are_disputed_with_counts() {
        let content = firmware(1, 1 << 16);
        let mut other = content.clone();
        other[40_000] ^= 0x11;
        let files = [file(&content, 1), file(&other, 2), file(&content, 3)];
        let judgement = judge_files(&files);
        assert_eq!((judgement.verdict, judgement.agreed_passes), (Verdict::Disputed, 2));
        assert_eq!((judgement.differing_bits, judgement.differing_sectors), (2, 1));
        assert_eq!(judgement.error_bound_95, None);
    }

    #[test]
    fn lengths_emptiness_and_too_few_are_refused_with_their_numbers() {
        let content = firmware(1, 1 << 16);
        let short = &content[..40_000];
        let judgement = judge_files(&[file(&content, 1), file(short, 2), file(&[], 3)]);
        assert_eq!(judgement.verdict, Verdict::Refused);
        assert!(judgement.reasons.contains(&Reason::EmptyFile { file: 3 }));
        let lengths = Reason::LengthsDiffer { shortest: 40_000, longest: 1 << 16, equal_so_far: true };
        assert!(judgement.reasons.contains(&lengths));
        assert_eq!(judge_files(&[]).verdict, Verdict::Refused);
        assert_eq!(judge_files(&[file(&[], 1), file(&[], 2)]).verdict, Verdict::Refused);
        assert_eq!(judge_files(&[file(&content, 1)]).verdict, Verdict::Refused);
    }

    #[test]
    fn rule_4_holds_for_bare_files_too() {
        let blank = vec![0xFF; 1 << 16];
        let half = firmware(3, 1 << 15);
        let doubled = [half.clone(), half].concat();
        for content in [&blank, &doubled] {
            let judgement = judge_files(&[file(content, 1), file(content, 2)]);
            assert_eq!(judgement.verdict, Verdict::Refused);
            let refused = |reason: &Reason| matches!(reason, Reason::RepeatsUnsupported { lacks: Lack::Unasked, .. });
            assert!(judgement.reasons.iter().any(refused));
        }
        let spaced: Vec<u8> = (0..200).flat_map(|seed| [firmware(seed, 100), vec![0; 60]].concat()).collect();
        assert_eq!(judge_files(&[file(&spaced, 1), file(&spaced, 2)]).verdict, Verdict::Trusted);
        let late: Vec<u8> = (0..spaced.len()).map(|at| crate::bits::delayed(&spaced, at, 1).unwrap_or(0)).collect();
        let judgement = judge_files(&[file(&late, 1), file(&late, 2)]);
        let wanted = Reason::LooksShifted { bits: 1, later: true, tables_answered: false };
        assert!(judgement.verdict == Verdict::Refused && judgement.reasons.contains(&wanted), "{judgement:?}");
    }
}
