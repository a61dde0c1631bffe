//! The reasons of a judgement: what was found, how much it weighs, and one sentence for people.
//!
//! A reason either refuses the capture or is a note that the person should know of; there is nothing between, so that a
//! verdict can be read off the list. Sentences name passes by their number from 1, in the order they were given.

use std::fmt;

use crate::repeat::Repetition;
use crate::shift::Shift;

/// How much a reason weighs.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Severity {
    /// The capture is not accepted.
    Refuses,
    /// The person should know; the capture may be accepted all the same.
    Note,
}

/// What of a chip's answer is meant.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Trait {
    /// The id bytes.
    Id,
    /// The unique id.
    UniqueId,
    /// The status registers.
    Status,
}

/// When around a pass the chip was asked.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Moment {
    /// Before the first chunk.
    Before,
    /// Between chunks.
    Between,
    /// After the last chunk.
    After,
}

/// What repeated content lacks to be accepted.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Lack {
    /// The chip did not answer rightly between the reads of every pass at that pass's own clock.
    AnswersBetween,
    /// Neither catalogue nor tables state a size.
    AnySize,
    /// Only one of catalogue and tables states a size, and this content needs both.
    SecondSize,
    /// It repeats at 16 MiB or below on a larger chip, and no pass used a read command that always takes four address bytes.
    LongAddress,
    /// Bare files: nobody was there to ask the chip.
    Unasked,
}

/// One finding about a set of passes.
#[derive(Debug, Clone, PartialEq, Eq)]
#[non_exhaustive]
pub enum Reason {
    /// Fewer than two passes.
    TooFewPasses {
        /// How many there are.
        passes: usize,
    },
    /// Every pass is a list of digests; none has the content.
    NoBytes,
    /// The declared size is 0: there is nothing that passes could agree on.
    NoSize,
    /// A pass has another length than the chip.
    PassLength {
        /// Number of the pass, from 1.
        pass: usize,
        /// Its bytes, or its digests.
        has: usize,
        /// Bytes or digests that a chip of the declared size gives.
        wanted: usize,
    },
    /// Passes differ.
    PassesDiffer {
        /// 4 KiB sectors that differ.
        sectors: u32,
        /// Bits that differ among byte passes.
        bits: u64,
        /// Passes in the largest group of equal ones.
        agreed: usize,
        /// All passes.
        passes: usize,
    },
    /// One pass is another one, shifted.
    Shifted {
        /// Number of the pass, from 1.
        pass: usize,
        /// Number of the pass it was compared with, from 1.
        against: usize,
        /// How far and which way.
        shift: Shift,
    },
    /// All passes were made in one way: equality may be one error twice.
    OneKind,
    /// What differs between the conditions of the passes.
    KindsDiffer {
        /// The serial clock.
        clock: bool,
        /// The read command.
        opcode: bool,
        /// Chunk size or order.
        order: bool,
    },
    /// The id is missing, or all 00h or FFh: nothing answered.
    NoId {
        /// The id bytes that came.
        id: Vec<u8>,
    },
    /// The chip answered otherwise than before the first pass. The first such change of each trait is listed.
    ChipChanged {
        /// What changed.
        what: Trait,
        /// Number of the pass, from 1.
        pass: usize,
        /// When.
        moment: Moment,
        /// The answer before the first pass; `None`: no answer of this kind.
        was: Option<Vec<u8>>,
        /// The answer now.
        is: Option<Vec<u8>>,
    },
    /// The JESD216 signature did not answer rightly although the chip has one.
    TablesWrong {
        /// Number of the pass, from 1.
        pass: usize,
        /// When; the first such moment.
        moment: Moment,
    },
    /// The catalogue does not know the id and there are no tables: of a constant bit shift only the maker's code in the
    /// id could speak.
    Undescribed {
        /// The id bytes.
        id: Vec<u8>,
        /// Whether that code is one of a known maker.
        maker_known: bool,
    },
    /// The chip has no tables: only its id speaks against a constant bit shift.
    NoTables,
    /// The chip has no unique id: another one of its kind would look the same.
    NoUniqueId,
    /// Declared, catalogue and table sizes are not one.
    SizesConflict {
        /// Bytes that were read.
        declared: u32,
        /// Bytes in the catalogue.
        catalogue: Option<u32>,
        /// Bytes in the chip's tables.
        table: Option<u32>,
        /// Whether the content proves the size that was read, and nothing states a larger one.
        measured: bool,
    },
    /// The content repeats, and what would support it is missing.
    RepeatsUnsupported {
        /// How.
        how: Repetition,
        /// What is missing.
        lacks: Lack,
    },
    /// The content repeats, but what rule 4 asks for is there: answers between the reads and enough statements of the size.
    RepeatsSupported {
        /// How.
        how: Repetition,
    },
    /// The content repeats, but it is what this job last applied and verified there.
    RepeatsAsApplied {
        /// How.
        how: Repetition,
    },
    /// Some passes are digests.
    ByDigest {
        /// How many.
        passes: usize,
    },
    /// Where blank stretches of the content begin and end, it looks as if every bit came too late or too early.
    LooksShifted {
        /// How far, 1 to 4 bits.
        bits: u8,
        /// Whether the bits come later (towards higher addresses).
        later: bool,
        /// Whether the chip's tables answered rightly, which a shift would not let them.
        tables_answered: bool,
    },
    /// The reads are bare files.
    BareFiles,
    /// Two names of one file: it counts once.
    SameFile {
        /// Number of the file, from 1.
        file: usize,
        /// Number of the one it is, from 1.
        of: usize,
    },
    /// A file is empty.
    EmptyFile {
        /// Number of the file, from 1.
        file: usize,
    },
    /// Files have different lengths.
    LengthsDiffer {
        /// The shortest, in bytes, of those that are not empty.
        shortest: usize,
        /// The longest, in bytes.
        longest: usize,
        /// Whether all are equal as far as the shortest goes.
        equal_so_far: bool,
    },
    /// A file is larger than any chip that is looked at.
    TooLarge {
        /// Number of the file, from 1.
        file: usize,
    },
    /// Checks inside the content hold in some passes and fail in others.
    ProofDecides {
        /// Differing sectors of 4 KiB that they decide.
        sectors: u32,
        /// Differing sectors that they do not.
        left: u32,
    },
    /// Checks inside the content fail in every pass: the content has it so.
    FailsInEveryPass {
        /// How many.
        checks: usize,
    },
}

impl Reason {
    /// Returns whether this reason refuses the capture or is a note.
    pub fn severity(&self) -> Severity {
        match self {
            Self::TooFewPasses { .. }
            | Self::NoBytes
            | Self::NoSize
            | Self::PassLength { .. }
            | Self::PassesDiffer { .. }
            | Self::OneKind
            | Self::NoId { .. }
            | Self::ChipChanged { .. }
            | Self::TablesWrong { .. }
            | Self::Undescribed { maker_known: false, .. }
            | Self::SizesConflict { measured: false, .. }
            | Self::RepeatsUnsupported { .. }
            | Self::LooksShifted { tables_answered: false, .. }
            | Self::EmptyFile { .. }
            | Self::LengthsDiffer { .. }
            | Self::TooLarge { .. } => Severity::Refuses,
            Self::Undescribed { maker_known: true, .. }
            | Self::SizesConflict { measured: true, .. }
            | Self::Shifted { .. }
            | Self::KindsDiffer { .. }
            | Self::NoTables
            | Self::NoUniqueId
            | Self::RepeatsSupported { .. }
            | Self::RepeatsAsApplied { .. }
            | Self::LooksShifted { tables_answered: true, .. }
            | Self::BareFiles
            | Self::SameFile { .. }
            | Self::ProofDecides { .. }
            | Self::FailsInEveryPass { .. }
            | Self::ByDigest { .. } => Severity::Note,
        }
    }
}

impl fmt::Display for Reason {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::TooFewPasses { passes: 1 } => f.write_str("There is one pass and it takes at least two."),
            Self::TooFewPasses { passes } => write!(f, "There are {passes} passes and it takes at least two."),
            Self::NoBytes => f.write_str("Every pass is a list of digests; at least one must bring the bytes."),
            Self::NoSize => f.write_str("The chip's size is given as 0 bytes."),
            Self::PassLength { pass, has, wanted } => {
                write!(f, "Pass {pass} has {has} bytes or digests where this chip gives {wanted}.")
            }
            Self::PassesDiffer { sectors, bits, agreed, passes } => {
                write!(f, "The passes differ in {sectors} sectors of 4 KiB ({bits} bits among those with bytes); ")?;
                match agreed {
                    1 => write!(f, "no two of the {passes} are equal."),
                    _ => write!(f, "at most {agreed} of {passes} are equal."),
                }
            }
            Self::Shifted { pass, against, shift } => write!(
                f,
                "Pass {pass} equals pass {against} shifted by {} bit{} towards {} addresses, in {} of {} differing bytes looked at.",
                shift.bits,
                if shift.bits == 1 { "" } else { "s" },
                if shift.later { "higher" } else { "lower" },
                shift.explained,
                shift.looked_at
            ),
            Self::OneKind => f.write_str(
                "All passes used one clock, one read command and one chunk order, so one error could repeat in all of them.",
            ),
            Self::KindsDiffer { clock, opcode, order } => {
                let names = [(*clock, "clock"), (*opcode, "read command"), (*order, "chunk order")];
                let differ: Vec<&str> = names.iter().filter(|(differs, _)| *differs).map(|(_, name)| *name).collect();
                write!(f, "The passes were made with different {}.", differ.join(", different "))
            }
            Self::NoId { id } if id.is_empty() => f.write_str("The chip gave no id."),
            Self::NoId { id } => write!(f, "The id reads {}, which is no chip but an idle wire.", Hex(id)),
            // A unique id belongs to one machine: it stays out of what is printed (S15).
            Self::ChipChanged { what: what @ Trait::UniqueId, pass, moment, .. } => {
                write!(f, "The chip's {what} changed {moment} pass {pass}.")
            }
            Self::ChipChanged { what, pass, moment, was, is } => {
                write!(f, "The chip's {what} changed {moment} pass {pass}: it was {}, it is {}.", Given(was), Given(is))
            }
            Self::TablesWrong { pass, moment } => {
                write!(f, "The signature of the chip's own tables did not answer rightly {moment} pass {pass}.")
            }
            Self::Undescribed { id, maker_known } => {
                write!(f, "Neither the catalogue nor tables of its own describe the id {}", Hex(id))?;
                f.write_str(if *maker_known {
                    "; only its maker's code speaks against a constant bit shift."
                } else {
                    ", and its first byte is no known maker's code: a constant bit shift would not show."
                })
            }
            Self::NoTables => {
                f.write_str("The chip has no tables of its own; its id alone speaks against a constant bit shift.")
            }
            Self::NoUniqueId => {
                f.write_str("The chip has no unique id, so another one of its kind would look the same.")
            }
            Self::SizesConflict { declared, catalogue, table, measured } => {
                write!(f, "The sizes disagree: {declared} bytes were read")?;
                if let Some(catalogue) = catalogue {
                    write!(f, ", the catalogue says {catalogue}")?;
                }
                if let Some(table) = table {
                    write!(f, ", the chip's tables say {table}")?;
                }
                f.write_str(if *measured { "; the content proves what was read." } else { "." })
            }
            Self::RepeatsUnsupported { how: how @ Repetition::Doubled { period }, lacks: lacks @ (Lack::AnySize | Lack::SecondSize) } => {
                write!(f, "{how}: it may be a smaller chip of {period} bytes, and {lacks}.")
            }
            Self::RepeatsUnsupported { how, lacks } => write!(f, "{how}, and {lacks}."),
            Self::RepeatsSupported { how } => {
                write!(f, "{how}; the chip was asked between the reads at the same clock, and catalogue or tables state this size.")
            }
            Self::RepeatsAsApplied { how } => write!(f, "{how}; it is what this job last applied and verified there."),
            Self::ByDigest { passes } => write!(
                f,
                "Compared by CRC-32 of each 4 KiB: {passes} of the passes; each such sector hides a difference with a chance of 2^-32."
            ),
            Self::LooksShifted { bits, later, tables_answered } => {
                let plural = if *bits == 1 { "" } else { "s" };
                let way = if *later { "late" } else { "early" };
                write!(f, "Blank stretches begin and end inside bytes, as if every bit came {bits} bit{plural} too {way}")?;
                f.write_str(if *tables_answered { "; but the chip's tables answered rightly." } else { "." })
            }
            Self::BareFiles => f.write_str(
                "These are bare files: clocks, id and size of the chip were not seen, so they are no capture that allows a write.",
            ),
            Self::SameFile { file, of } => {
                write!(f, "File {file} is file {of} by another name, and does not count as another read.")
            }
            Self::EmptyFile { file } => write!(f, "File {file} is empty; read the chip again."),
            Self::LengthsDiffer { shortest, longest, equal_so_far } => {
                write!(f, "The lengths differ, from {shortest} to {longest} bytes")?;
                f.write_str(match equal_so_far {
                    true => "; as far as the shortest goes, all are equal.",
                    false => ".",
                })
            }
            Self::TooLarge { file } => write!(f, "File {file} has 4 GiB or more, which four address bytes do not reach."),
            Self::ProofDecides { sectors, left } => write!(
                f,
                "Checks inside the content decide {sectors} of the differing sectors, and leave {left}; what they decide is offered and not taken."
            ),
            Self::FailsInEveryPass { checks } => write!(
                f,
                "Checks inside the content that fail in every pass: {checks}; the content has it so, which is a finding and no refusal."
            ),
        }
    }
}

impl fmt::Display for Trait {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Id => "id",
            Self::UniqueId => "unique id",
            Self::Status => "status",
        })
    }
}

impl fmt::Display for Moment {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Before => "before",
            Self::Between => "during",
            Self::After => "after",
        })
    }
}

impl fmt::Display for Lack {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::AnswersBetween => {
                "id and tables were not seen to answer rightly between the reads of every pass at its own clock"
            }
            Self::AnySize => "neither the catalogue nor the chip's tables state its size",
            Self::SecondSize => "only one of catalogue and chip's tables states its size",
            Self::LongAddress => {
                "reads that fell back to three address bytes would look so; read once more with command 13h or 0Ch"
            }
            Self::Unasked => "bare files do not say what the chip answered meanwhile",
        })
    }
}

/// A part of a sentence without a full stop, for the sentences of [`Reason`].
impl fmt::Display for Repetition {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Uniform { byte } => write!(f, "Every byte is {byte:02X}h"),
            Self::Pattern { period } => {
                write!(f, "The content is one unit of {period} bytes, repeated")
            }
            Self::Doubled { period } => {
                write!(f, "The content is its first {period} bytes, repeated")
            }
            Self::DeadLine { line } => {
                write!(f, "The content is the same wherever addresses differ by the bit worth {line} bytes alone")
            }
        }
    }
}

struct Hex<'a>(&'a [u8]);

impl fmt::Display for Hex<'_> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for (i, byte) in self.0.iter().enumerate() {
            write!(f, "{}{byte:02x}", if i == 0 { "" } else { " " })?;
        }
        Ok(())
    }
}

struct Given<'a>(&'a Option<Vec<u8>>);

impl fmt::Display for Given<'_> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.0 {
            Some(bytes) if !bytes.is_empty() => Hex(bytes).fmt(f),
            _ => f.write_str("no answer"),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn sentences_read_as_sentences() {
        let cases: [(Reason, &str); 6] = [
            (
                Reason::ChipChanged {
                    what: Trait::Status,
                    pass: 2,
                    moment: Moment::After,
                    was: Some(vec![0, 2]),
                    is: Some(vec![0x1C, 2]),
                },
                "The chip's status changed after pass 2: it was 00 02, it is 1c 02.",
            ),
            (
                Reason::RepeatsUnsupported { how: Repetition::Doubled { period: 8192 }, lacks: Lack::SecondSize },
                "The content is its first 8192 bytes, repeated: it may be a smaller chip of 8192 bytes, and only one of \
                 catalogue and chip's tables states its size.",
            ),
            (
                Reason::KindsDiffer { clock: true, opcode: false, order: true },
                "The passes were made with different clock, different chunk order.",
            ),
            (
                Reason::Shifted {
                    pass: 2,
                    against: 1,
                    shift: Shift { bits: 1, later: true, explained: 99, looked_at: 100 },
                },
                "Pass 2 equals pass 1 shifted by 1 bit towards higher addresses, in 99 of 100 differing bytes looked at.",
            ),
            (Reason::NoId { id: vec![0xFF; 3] }, "The id reads ff ff ff, which is no chip but an idle wire."),
            (
                Reason::PassesDiffer { sectors: 3, bits: 9, agreed: 1, passes: 2 },
                "The passes differ in 3 sectors of 4 KiB (9 bits among those with bytes); no two of the 2 are equal.",
            ),
        ];
        for (reason, sentence) in cases {
            assert_eq!(reason.to_string(), sentence);
        }
    }
}
