//! What keeps a chip from being written (safety rule S5), and how it is said to people.

use std::fmt;

use crate::sfdp::{MapError, SfdpError};

/// Why a chip must not be written (S5).
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Conflict {
    /// Neither the catalogue nor its own tables describe it.
    Undescribed,
    /// Two sources, two sizes.
    Size {
        /// By the catalogue.
        catalogue: u32,
        /// By the chip's tables.
        tables: u32,
    },
    /// The tables' size word is nonsense.
    TableSize(SfdpError),
    /// The catalogue's candidates have several sizes and the tables choose none.
    CandidateSizes(Vec<u32>),
    /// The measured size is another.
    Measured {
        /// What reading shows.
        measured: u32,
        /// What the sources say.
        declared: u32,
    },
    /// Two page sizes.
    Page {
        /// By the catalogue.
        catalogue: u32,
        /// By the chip's tables.
        tables: u32,
    },
    /// One opcode with two block sizes.
    EraseSize {
        /// The opcode.
        opcode: u8,
        /// The two sizes.
        sizes: [u32; 2],
    },
    /// No erase type, or one that is smaller than a page.
    Erase,
    /// The tables' address width does not fit.
    Address,
    /// No way known to address past 16 MiB.
    Reach,
    /// The candidates bear no common supply.
    Supply,
    /// Blocks differ by address, and the chip's sector map does not say where.
    SectorMap(MapError),
}

impl fmt::Display for Conflict {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Undescribed => f.write_str("neither the catalogue nor tables of its own describe this chip"),
            Self::Size { catalogue, tables } => {
                write!(f, "size: the catalogue says {catalogue} bytes, the chip's own table {tables}")
            }
            Self::TableSize(error) => write!(f, "size: {error}"),
            Self::CandidateSizes(sizes) => {
                write!(f, "size: parts with this id have {sizes:?} bytes")
            }
            Self::Measured { measured, declared } => {
                write!(f, "size: reading shows {measured} bytes, the chip is said to have {declared}")
            }
            Self::Page { catalogue, tables } => {
                write!(f, "page size: the catalogue says {catalogue} bytes, the chip's own table {tables}")
            }
            Self::EraseSize { opcode, sizes: [one, other] } => {
                write!(f, "erase opcode {opcode:02X}h stands for blocks of {one} and of {other} bytes")
            }
            Self::Erase => f.write_str("no erase type that can be used"),
            Self::Address => f.write_str("address width: what the chip's table says does not fit its size"),
            Self::Reach => f.write_str("address width: nothing says how to reach past the first 16 MiB"),
            Self::SectorMap(error) => write!(f, "erase blocks: {error}"),
            Self::Supply => f.write_str("supply: the parts with this id bear no common voltage"),
        }
    }
}
