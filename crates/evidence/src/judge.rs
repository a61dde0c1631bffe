//! The verdict on a set of passes.
//!
//! Every rule is looked at even when an earlier one refuses, so that a person sees all that is wrong at once; only passes
//! of a wrong length end the comparison of contents, because they cannot be laid side by side. The caller decides what to do
//! with a refused capture (keep it as disputed, read again); [`Judgement::words`] gives the sentences that go with an
//! accepted one. The decision a reader would question: a chip that neither the catalogue nor its own tables describe is
//! refused when its id names no known maker either, because a wire that shifts every bit turns any chip into just such a
//! chip.

use std::ops::Range;

use crate::bound::error_bound_95;
use crate::compare::{Comparison, compare, fits};
use crate::pass::{ChipAnswer, Declared, Order, Pass, PassContent, SECTOR};
use crate::reason::{Lack, Moment, Reason, Severity, Trait};
use crate::repeat::{Repetition, repetition};
use crate::shift::{looks_shifted, shift_between};

/// What may be thought of a set of reads.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Verdict {
    /// They agree and nothing speaks against them.
    Trusted,
    /// They differ.
    Disputed,
    /// They do not differ, or cannot be compared, and something speaks against them.
    Refused,
}

impl Verdict {
    /// Returns the word that people and JSON get.
    pub fn name(self) -> &'static str {
        match self {
            Self::Trusted => "trusted",
            Self::Disputed => "disputed",
            Self::Refused => "refused",
        }
    }

    /// Returns the verdict that these reasons make.
    pub fn of(reasons: &[Reason]) -> Self {
        if reasons.iter().any(|reason| matches!(reason, Reason::PassesDiffer { .. })) {
            Self::Disputed
        } else if reasons.iter().any(|reason| reason.severity() == Severity::Refuses) {
            Self::Refused
        } else {
            Self::Trusted
        }
    }
}

/// The verdict, with everything it rests on.
#[derive(Debug, Clone, PartialEq)]
pub struct Judgement {
    /// Whether the passes make a capture: no reason refuses, and they are no bare files.
    pub accepted: bool,
    /// The verdict in one word.
    pub verdict: Verdict,
    /// Passes looked at.
    pub passes: usize,
    /// Passes in the largest group of equal ones; 0 when they cannot be compared.
    pub agreed_passes: usize,
    /// Bits at which byte passes are not all alike.
    pub differing_bits: u64,
    /// Sectors of 4 KiB in which any two passes differ.
    pub differing_sectors: u32,
    /// Those sectors as byte ranges, ascending, neighbours joined.
    pub differing: Vec<Range<u32>>,
    /// Upper 95 % bound for the rate of random bit errors; only when two or more passes agree and none differs.
    pub error_bound_95: Option<f64>,
    /// What the content proves of the chip's size.
    pub size: SizeProof,
    /// Everything found, refusals and notes.
    pub reasons: Vec<Reason>,
}

/// What the content proves of the chip's size.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum SizeProof {
    /// Every address line from 4 KiB up changes the content: reads do not wrap, the chip has the declared size.
    Measured,
    /// The content cannot show it; the declared size counts, and is not proven.
    Unproven {
        /// Why not.
        why: WhyUnproven,
    },
    /// The content wraps as that of a smaller chip would, and not enough speaks for the declared size.
    Contradicted {
        /// The smaller size, in bytes.
        measured: u32,
    },
}

/// Why the content does not prove the size.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum WhyUnproven {
    /// There is no content to look at: no pass with bytes, or a wrong length.
    NoContent,
    /// Passes differ, so none of them is the content.
    PassesDiffer,
    /// At 4 KiB or less there is no address line to look at.
    TooSmall,
    /// It repeats, in this way.
    Repeats(Repetition),
    /// Bare files declare no size that could be held against them.
    BareFiles,
}

/// Returns the verdict on `passes` of one chip.
///
/// The rules are those of the crate's top comment. Any input gives an answer; there is no error. A set of passes without
/// any is refused like every other that falls short.
pub fn judge(passes: &[Pass<'_>], declared: &Declared<'_>) -> Judgement {
    let mut reasons = Vec::new();
    let contents: Vec<PassContent<'_>> = passes.iter().map(|pass| pass.content).collect();
    if passes.len() < 2 {
        reasons.push(Reason::TooFewPasses { passes: passes.len() });
    }
    if !contents.iter().any(|content| matches!(content, PassContent::Bytes(_))) {
        reasons.push(Reason::NoBytes);
    }
    if declared.size == 0 {
        reasons.push(Reason::NoSize);
    }
    check_lengths(&contents, declared.size, &mut reasons);
    let comparison = compare(&contents, declared.size);
    if let Some(found) = &comparison {
        check_agreement(&contents, found, &mut reasons);
    }
    check_kinds(passes, declared.size, &mut reasons);
    check_chip(passes, declared, &mut reasons);
    let size = check_content(passes, declared, comparison.as_ref(), &mut reasons);
    check_sizes(declared, size, &mut reasons);
    let by_digest = contents.iter().filter(|content| matches!(content, PassContent::Digests(_))).count();
    if by_digest > 0 {
        reasons.push(Reason::ByDigest { passes: by_digest });
    }

    let comparison = comparison.unwrap_or(Comparison {
        agreed: 0,
        leader: 0,
        differing_bits: 0,
        differing_sectors: 0,
        differing: Vec::new(),
    });
    let undisturbed = comparison.agreed >= 2 && comparison.differing_sectors == 0;
    Judgement {
        accepted: reasons.iter().all(|reason| reason.severity() == Severity::Note),
        verdict: Verdict::of(&reasons),
        passes: passes.len(),
        agreed_passes: comparison.agreed,
        differing_bits: comparison.differing_bits,
        differing_sectors: comparison.differing_sectors,
        differing: comparison.differing,
        error_bound_95: if undisturbed {
            error_bound_95(u64::from(declared.size) * 8 * comparison.agreed as u64)
        } else {
            None
        },
        size,
        reasons,
    }
}

impl Judgement {
    /// Returns, sentence by sentence, what is left open even when the passes agree.
    ///
    /// Empty when no passes agree: then nothing has been shown that could have limits.
    pub fn words(&self) -> Vec<String> {
        let Some(bound) = self.error_bound_95 else {
            return Vec::new();
        };
        let mut words = vec![
            format!(
                "{} passes are equal in every bit, so with 95 % confidence fewer than {bound:.1e} of all bits read fell over at random \
                 (Hanley and Lippman-Hand, JAMA 1983).",
                self.agreed_passes
            ),
            "Agreement cannot exclude an error that repeats the same at every clock, read command and chunk order used, nor a \
             chip that gives the same false answer each time."
                .to_owned(),
        ];
        match self.size {
            SizeProof::Measured => {}
            SizeProof::Unproven { why } => {
                let because = match why {
                    WhyUnproven::NoContent => "there is no content to show it",
                    WhyUnproven::PassesDiffer => "the passes differ",
                    WhyUnproven::TooSmall => "it is too small to wrap",
                    WhyUnproven::Repeats(_) => "the content repeats itself",
                    WhyUnproven::BareFiles => "bare files do not say which chip they came from",
                };
                words.push(format!("The chip's size is declared and not proven: {because}."));
            }
            SizeProof::Contradicted { measured } => {
                words.push(format!("The chip's size is in doubt: the content looks like that of {measured} bytes."));
            }
        }
        let told = |reason: &&Reason| matches!(reason, Reason::ByDigest { .. } | Reason::NoUniqueId | Reason::NoTables);
        words.extend(self.reasons.iter().filter(told).map(ToString::to_string));
        words
    }
}

fn check_lengths(contents: &[PassContent<'_>], size: u32, reasons: &mut Vec<Reason>) {
    for (index, content) in contents.iter().enumerate().filter(|(_, content)| !fits(content, size)) {
        let (has, wanted) = match content {
            PassContent::Bytes(bytes) => (bytes.len(), size as usize),
            PassContent::Digests(digests) => (digests.len(), (size as usize).div_ceil(SECTOR)),
        };
        reasons.push(Reason::PassLength { pass: index + 1, has, wanted });
    }
}

fn check_agreement(contents: &[PassContent<'_>], found: &Comparison, reasons: &mut Vec<Reason>) {
    if found.differing_sectors == 0 {
        return;
    }
    reasons.push(Reason::PassesDiffer {
        sectors: found.differing_sectors,
        bits: found.differing_bits,
        agreed: found.agreed,
        passes: contents.len(),
    });
    let PassContent::Bytes(base) = contents[found.leader] else {
        return;
    };
    for (index, content) in contents.iter().enumerate() {
        if let PassContent::Bytes(other) = content
            && let Some(shift) = shift_between(base, other, &found.differing)
        {
            reasons.push(Reason::Shifted { pass: index + 1, against: found.leader + 1, shift });
        }
    }
}

fn check_kinds(passes: &[Pass<'_>], size: u32, reasons: &mut Vec<Reason>) {
    let Some(first) = passes.first() else { return };
    let manner: (u32, Order) = first.manner(size);
    let clock = clocks_differ(passes);
    let opcode = passes.iter().any(|pass| pass.opcode != first.opcode);
    let order = passes.iter().any(|pass| pass.manner(size) != manner);
    if clock || opcode || order {
        reasons.push(Reason::KindsDiffer { clock, opcode, order });
    } else if passes.len() >= 2 {
        reasons.push(Reason::OneKind);
    }
}

/// Returns whether slowest and fastest clock are at least a sixteenth apart.
///
/// Less is one clock named twice: links round the clock asked for, and no contact fault tells 12.0 from 12.1 MHz. Own choice,
/// no source.
fn clocks_differ(passes: &[Pass<'_>]) -> bool {
    let clocks = || passes.iter().map(|pass| pass.clock_hz);
    let (slowest, fastest) = (clocks().min().unwrap_or(0), clocks().max().unwrap_or(0));
    fastest > slowest && fastest - slowest >= slowest / 16
}

/// Rule 2, and the part of rule 4 that the chip's answers decide.
fn check_chip(passes: &[Pass<'_>], declared: &Declared<'_>, reasons: &mut Vec<Reason>) {
    let Some(first) = passes.first().map(|pass| &pass.before) else {
        return;
    };
    if !is_id(&first.id) {
        reasons.push(Reason::NoId { id: first.id.clone() });
    }
    for what in [Trait::Id, Trait::UniqueId, Trait::Status] {
        let changed = moments(passes).find(|(.., answer)| what.of(answer) != what.of(first));
        if let Some((pass, moment, answer)) = changed {
            let [was, is] = [first, answer].map(|answer| what.of(answer).map(<[u8]>::to_vec));
            reasons.push(Reason::ChipChanged { what, pass, moment, was, is });
        }
    }
    if let Some((pass, moment, _)) = moments(passes).find(|(.., answer)| answer.tables_ok == Some(false)) {
        reasons.push(Reason::TablesWrong { pass, moment });
    } else if !saw_tables(passes) {
        reasons.push(match declared.catalogue_size {
            Some(_) => Reason::NoTables,
            None => Reason::Undescribed { id: first.id.clone(), maker_known: declared.maker_known },
        });
    }
    if first.unique_id.is_none() {
        reasons.push(Reason::NoUniqueId);
    }
}

impl Trait {
    fn of(self, answer: &ChipAnswer) -> Option<&[u8]> {
        match self {
            Self::Id => Some(&answer.id),
            Self::UniqueId => answer.unique_id.as_deref(),
            Self::Status => Some(&answer.status),
        }
    }
}

fn moments<'a>(passes: &'a [Pass<'_>]) -> impl Iterator<Item = (usize, Moment, &'a ChipAnswer)> {
    passes.iter().enumerate().flat_map(|(index, pass)| {
        let last = 1 + pass.between.len();
        pass.answers().enumerate().map(move |(at, answer)| {
            let moment = match at {
                0 => Moment::Before,
                _ if at == last => Moment::After,
                _ => Moment::Between,
            };
            (index + 1, moment, answer)
        })
    })
}

fn saw_tables(passes: &[Pass<'_>]) -> bool {
    moments(passes).any(|(.., answer)| answer.tables_ok == Some(true))
}

fn is_id(id: &[u8]) -> bool {
    !id.is_empty() && !id.iter().all(|byte| *byte == 0x00) && !id.iter().all(|byte| *byte == 0xFF)
}

fn check_sizes(declared: &Declared<'_>, proof: SizeProof, reasons: &mut Vec<Reason>) {
    let Declared { size, catalogue_size: catalogue, table_size: table, .. } = *declared;
    if [catalogue, table].iter().flatten().any(|stated| *stated != size) {
        // A larger chip than the one that was read would go unseen, so nothing may state more than was measured.
        let largest = catalogue.max(table).unwrap_or(0);
        let measured = proof == SizeProof::Measured && largest <= size;
        reasons.push(Reason::SizesConflict { declared: size, catalogue, table, measured });
    }
}

/// Rule 3, and the part of rule 4 that repeated content decides.
fn check_content(
    passes: &[Pass<'_>],
    declared: &Declared<'_>,
    comparison: Option<&Comparison>,
    reasons: &mut Vec<Reason>,
) -> SizeProof {
    let unproven = |why| SizeProof::Unproven { why };
    let Some(found) = comparison else {
        return unproven(WhyUnproven::NoContent);
    };
    let PassContent::Bytes(content) = passes[found.leader].content else {
        return unproven(WhyUnproven::NoContent);
    };
    let Some(how) = repetition(content) else {
        if let Some((bits, later)) = looks_shifted(content).filter(|_| declared.known_content != Some(content)) {
            reasons.push(Reason::LooksShifted { bits, later, tables_answered: saw_tables(passes) });
        }
        return match found.differing_sectors {
            0 if content.len() <= SECTOR => unproven(WhyUnproven::TooSmall),
            0 => SizeProof::Measured,
            _ => unproven(WhyUnproven::PassesDiffer),
        };
    };
    if declared.known_content == Some(content) {
        reasons.push(Reason::RepeatsAsApplied { how });
        return unproven(WhyUnproven::Repeats(how));
    }
    match lack(how, passes, declared) {
        None => reasons.push(Reason::RepeatsSupported { how }),
        Some(lacks) => reasons.push(Reason::RepeatsUnsupported { how, lacks }),
    }
    match how {
        Repetition::Doubled { period } if sources(declared) < 2 => SizeProof::Contradicted { measured: period },
        _ => unproven(WhyUnproven::Repeats(how)),
    }
}

/// Returns what repeated content lacks to be accepted, the gravest first.
fn lack(how: Repetition, passes: &[Pass<'_>], declared: &Declared<'_>) -> Option<Lack> {
    const THREE_BYTES_REACH: u32 = 1 << 24;
    let unit_is_short = matches!(how, Repetition::Uniform { .. } | Repetition::Pattern { .. });
    if sources(declared) == 0 {
        return Some(Lack::AnySize);
    }
    // A short unit is what a freshly erased or filled chip holds; a doubled half is what a smaller chip looks like.
    if !unit_is_short && sources(declared) < 2 {
        return Some(Lack::SecondSize);
    }
    let has_tables = declared.table_size.is_some() || saw_tables(passes);
    if !passes.iter().all(|pass| answered_between(pass, has_tables)) {
        return Some(Lack::AnswersBetween);
    }
    // From memory: 13h and 0Ch take four address bytes in every mode, so they cannot fall back to three.
    let long_address = passes.iter().any(|pass| matches!(pass.opcode, 0x13 | 0x0C | 0x3C));
    match how {
        Repetition::Doubled { period }
            if period <= THREE_BYTES_REACH && declared.size > THREE_BYTES_REACH && !long_address =>
        {
            Some(Lack::LongAddress)
        }
        _ => None,
    }
}

/// Returns how many of catalogue and tables state the size that was read.
fn sources(declared: &Declared<'_>) -> usize {
    [declared.catalogue_size, declared.table_size].iter().flatten().filter(|stated| **stated == declared.size).count()
}

/// Returns whether the chip was asked between this pass's reads at the pass's own clock, tables and all where it has them.
///
/// That the answers are right needs no second look: `check_chip` refuses for every one that is not.
fn answered_between(pass: &Pass<'_>, has_tables: bool) -> bool {
    pass.between.iter().any(|answer| answer.clock_hz == pass.clock_hz && (answer.tables_ok.is_some() || !has_tables))
}

#[cfg(test)]
mod tests;
