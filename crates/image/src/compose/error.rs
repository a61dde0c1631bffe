//! Why a recipe does not compose. Places and hashes are told, never bytes of a content (S15).

use std::ops::Range;

use super::VariableError;
use crate::descriptor::{AccessError, DescriptorError};
use crate::mac::UnfitMac;
use crate::nvm::NvmError;
use crate::pin::Pin;
use crate::recipe::{SourceRef, TextPlace};
use crate::select::SelectError;

/// Why a recipe does not compose. Ranges are bytes from a content's first.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum ComposeError {
    /// The caller gave no such content.
    #[error("{place}: {content} was not given")]
    Missing {
        /// Where the recipe first takes it.
        place: TextPlace,
        /// Which one.
        content: Box<SourceRef>,
    },
    /// A content is empty or larger than any chip can be.
    #[error("{place}: {content} has {len} bytes, which is no size of a chip or a part of one")]
    Size {
        /// Where the recipe first takes it.
        place: TextPlace,
        /// Which one.
        content: Box<SourceRef>,
        /// Its bytes.
        len: usize,
    },
    /// The present capture is not of the base's size, so the base is for another chip (S8).
    #[error("{place}: the base has {base} bytes and the present capture {present}; the base is for another chip")]
    PresentSize {
        /// Where the recipe first takes the present capture.
        place: TextPlace,
        /// Bytes of the present capture.
        present: usize,
        /// Bytes of the base.
        base: usize,
    },
    /// A content is not the one that the recipe pins.
    #[error("{place}: {content} is {found}, and the recipe asks for {pinned}")]
    NotPinned {
        /// Where the recipe first takes it.
        place: TextPlace,
        /// Which one.
        content: Box<SourceRef>,
        /// What the recipe says.
        pinned: Pin,
        /// What was given.
        found: Pin,
    },
    /// A region is named in a content that has no region map.
    #[error("{place}: there are no regions in {content}, neither in a descriptor of its own nor from a profile")]
    NoMap {
        /// Where.
        place: TextPlace,
        /// Which content.
        content: Box<SourceRef>,
        /// What is wrong with the descriptor.
        source: DescriptorError,
    },
    /// A region is named that a content does not have.
    #[error("{place}: there is no region `{region}` in {content}; there are {}", .known.join(", "))]
    NoRegion {
        /// Where.
        place: TextPlace,
        /// Which content.
        content: Box<SourceRef>,
        /// The name.
        region: String,
        /// Those that there are.
        known: Vec<String>,
    },
    /// A range is not inside its content.
    #[error("{place}: {:#x} to {:#x} is no range inside {content}, which ends at {len:#x}", .range.start, .range.end)]
    Beyond {
        /// Where.
        place: TextPlace,
        /// Which content.
        content: Box<SourceRef>,
        /// The range.
        range: Range<u32>,
        /// Bytes in the content.
        len: u32,
    },
    /// What is taken has not the size of the place it is put into (S8).
    #[error("{place}: {:#x} to {:#x} of {content} are {} bytes, but {:#x} to {:#x} are {}",
        .from.start, .from.end, .from.end - .from.start, .to.start, .to.end, .to.end - .to.start)]
    Misfit {
        /// Where.
        place: TextPlace,
        /// What it is taken from.
        content: Box<SourceRef>,
        /// Which bytes of that.
        from: Range<u32>,
        /// Where it should go.
        to: Range<u32>,
    },
    /// Two fills, keeps or places write one byte.
    #[error("{second} writes {:#x} to {:#x}, and {first} writes {:#x} to {:#x}",
        .second_range.start, .second_range.end, .first_range.start, .first_range.end)]
    Overlap {
        /// The one that begins first in the image.
        first: TextPlace,
        /// Its bytes.
        first_range: Range<u32>,
        /// The other one.
        second: TextPlace,
        /// Its bytes.
        second_range: Range<u32>,
    },
    /// A selector names nothing in a content, or several things, or what does not unpack.
    #[error("{place}: of {content}: {source}")]
    NoStructure {
        /// Where.
        place: TextPlace,
        /// The content.
        content: Box<SourceRef>,
        /// Why.
        source: Box<SelectError>,
    },
    /// A structure stands inside packed content, and has no bytes of its own to keep or to write to.
    #[error("{place}: of {content}: the structure stands inside packed content")]
    InsidePacked {
        /// Where.
        place: TextPlace,
        /// The content.
        content: Box<SourceRef>,
    },
    /// The recipe wants an address that whoever composes says, and none was said.
    #[error("{place}: no address was given for this machine")]
    NotGiven {
        /// Where.
        place: TextPlace,
    },
    /// The address that was given is not one that a machine can have.
    #[error("{place}: the address that was given is none that a machine can have")]
    GivenAmiss {
        /// Where.
        place: TextPlace,
        /// Why.
        source: UnfitMac,
    },
    /// The recipe wants a drawn address and none was given.
    #[error("{place}: no address was drawn for this machine")]
    NotDrawn {
        /// Where.
        place: TextPlace,
    },
    /// The drawn address is not an individual, locally administered one.
    #[error("{place}: the drawn address is not an individual, locally administered one")]
    DrawnAmiss {
        /// Where.
        place: TextPlace,
    },
    /// The present capture has no address that could be carried over.
    #[error("{place}: the network NVM of the present capture has no address to carry over")]
    NothingToCarry {
        /// Where.
        place: TextPlace,
        /// What is wrong with it; none when the address is all zeros or all ones.
        source: Option<NvmError>,
    },
    /// The address cannot be put into the image.
    #[error("{place}: the address cannot be put into the image")]
    AddressAmiss {
        /// Where.
        place: TextPlace,
        /// Why.
        source: NvmError,
    },
    /// A variable cannot be kept.
    #[error("{place}: the variable cannot be kept")]
    Variable {
        /// Where.
        place: TextPlace,
        /// Why.
        source: Box<VariableError>,
    },
    /// The access bits cannot be set.
    #[error("{place}: the rights cannot be given")]
    Access {
        /// Where.
        place: TextPlace,
        /// Why.
        source: AccessError,
    },
    /// Requirements do not hold on the result.
    #[error("{}", .0.iter().map(ToString::to_string).collect::<Vec<_>>().join("; "))]
    Unmet(Vec<Unmet>),
}

/// A requirement that does not hold.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{place}: {why}")]
pub struct Unmet {
    /// Where the recipe says so.
    pub place: TextPlace,
    /// What was found.
    pub why: String,
}

impl ComposeError {
    /// Returns what to do about it: one sentence, without a full stop.
    pub fn remedy(&self) -> &'static str {
        match self {
            Self::Missing { content, .. } if **content == SourceRef::Donor => {
                "a rescue names its donor at the intake, `--answer donor-CHIP=CONTENT`; outside of a job say `--donor CONTENT`"
            }
            Self::Missing { content, .. } if **content == SourceRef::Present => {
                "capture the chip, and compose again with that capture"
            }
            Self::Missing { content, .. } if matches!(**content, SourceRef::Part { .. }) => {
                "name the vendor's file with `--with`, or take it into the vault"
            }
            Self::Missing { .. } => "take the content into the vault, or put the file beside the recipe",
            Self::Size { .. } => "give the image itself, unpacked, as it stands in the chip",
            Self::PresentSize { .. } => "compare the chip with the profile, and choose the base for this chip",
            Self::NotPinned { .. } => {
                "get the right content; change the hash only if the recipe is meant for the other one"
            }
            Self::NoMap { .. } => "say the range with an offset and a length, or give the profile's region map",
            Self::NoRegion { .. } => "name one of these regions, or say the range with an offset and a length",
            Self::Beyond { .. } => "give a range that lies inside",
            Self::Misfit { .. } => "take as many bytes as there is room for; nothing is cut off or filled up",
            Self::Overlap { .. } => "take out one of the two, or make their ranges touch without sharing a byte",
            Self::NoStructure { .. } => {
                "look with `firmhand image take IMAGE --list /` at what that content has, and name it so that it fits once"
            }
            Self::InsidePacked { .. } => {
                "keep the packed structure as a whole; a `[[place]]` with `decoded = true` takes a part of one out"
            }
            Self::NotGiven { .. } => {
                "read it off the machine's label and say it with `--mac`; a rescue asks for it at the intake"
            }
            Self::GivenAmiss { .. } => "read the label again: an address of a group, all zeros or all ones is none",
            Self::NotDrawn { .. } => "draw one for this job, once; it is kept and used again",
            Self::DrawnAmiss { .. } => "draw another one for this job",
            Self::NothingToCarry { .. } => {
                "write `address = \"given\"` with the address on the label, or `address = \"drawn\"`"
            }
            Self::AddressAmiss { .. } => {
                "let the image have a sound network NVM: keep that of the machine, or place one"
            }
            Self::Variable { source, .. } => match **source {
                VariableError::NotThere { .. } => {
                    "look with `firmhand image explain` what the capture has; write `optional = true` if machines may lack it"
                }
                VariableError::Several { .. } => "say which with `vendor = \"GUID\"`",
                VariableError::Stores { .. } => {
                    "keep what holds the variable by `region` or `select`, if base and capture have it alike"
                }
                VariableError::Full { .. } => "keep fewer variables, or take a base with a larger store",
                VariableError::Authentication => "leave this variable out; the new firmware makes its own",
            },
            Self::Access { source: AccessError::LayoutUnclear { .. }, .. } => {
                "find out how this chipset lays its access fields out, and write `layout = \"eight-regions\"` or \"twelve-regions\""
            }
            Self::Access { source: AccessError::LayoutDiffers { .. }, .. } => {
                "take the line `layout` out of `[access]`"
            }
            Self::Access { source: AccessError::NoBit { .. }, .. } => "name regions that this descriptor has bits for",
            Self::Access { source: AccessError::NoMaster { .. }, .. } => "take this master out of `[access]`",
            Self::Access { .. } => "keep the machine's own descriptor, or take `[access]` out",
            Self::Unmet(_) => "compare the recipe and its contents with the machine; no image was made",
        }
    }
}
