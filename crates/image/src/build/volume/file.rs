//! Files of a volume.

use super::super::guid::Guid;
use super::super::section;

/// A file header without the extended size.
pub(super) const HEADER: usize = 24;
const LARGE_HEADER: usize = 32;
/// Sizes from here on need the extended field.
const LARGE: usize = 1 << 24;
const PAD_NAME: Guid = [0xFF; 16];
/// The data checksum of a file that has none.
const NO_SUM: u8 = 0xAA;

const ATTRIBUTE_LARGE: u8 = 0x01;
const ATTRIBUTE_ALIGNMENT_2: u8 = 0x02;
const ATTRIBUTE_SUM: u8 = 0x40;

/// Types of files.
pub mod kind {
    /// Anything, without sections.
    pub const RAW: u8 = 0x01;
    /// Sections of any kind.
    pub const FREEFORM: u8 = 0x02;
    /// The security phase's core.
    pub const SECURITY_CORE: u8 = 0x03;
    /// The early phase's core.
    pub const PEI_CORE: u8 = 0x04;
    /// The driver phase's core.
    pub const DXE_CORE: u8 = 0x05;
    /// An early module.
    pub const PEIM: u8 = 0x06;
    /// A driver.
    pub const DRIVER: u8 = 0x07;
    /// An application.
    pub const APPLICATION: u8 = 0x09;
    /// A volume inside a file.
    pub const VOLUME_IMAGE: u8 = 0x0B;
    /// A pad file.
    pub const PAD: u8 = 0xF0;
}

/// How far a file has come in its life (PI Specification volume 3, EFI_FFS_FILE_STATE). The bits add up.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum FileState {
    /// The header is being written; only the header is there.
    HeaderConstruction,
    /// The header was given up; only the header is there.
    HeaderInvalid,
    /// The header is whole, the content is being written.
    HeaderValid,
    /// Whole.
    DataValid,
    /// Whole, and a successor is being written.
    MarkedForUpdate,
    /// Deleted.
    Deleted,
}

impl FileState {
    fn bits(self) -> u8 {
        match self {
            Self::HeaderConstruction => 0x01,
            Self::HeaderInvalid => 0x21,
            Self::HeaderValid => 0x03,
            Self::DataValid => 0x07,
            Self::MarkedForUpdate => 0x0F,
            Self::Deleted => 0x17,
        }
    }

    pub(super) fn has_body(self) -> bool {
        !matches!(self, Self::HeaderConstruction | Self::HeaderInvalid)
    }
}

/// A file in the making.
#[derive(Debug, Clone)]
pub struct File {
    name: Guid,
    kind: u8,
    body: Vec<u8>,
    summed: bool,
    alignment: usize,
    large: bool,
    state: FileState,
}

impl File {
    /// Returns an empty file of type `kind`, whole, without data checksum and without alignment.
    pub fn new(kind: u8, name: Guid) -> Self {
        let state = FileState::DataValid;
        Self { name, kind, body: Vec::new(), summed: false, alignment: 1, large: false, state }
    }

    /// Returns a pad file of `size` bytes, header counted, filled with `erased`.
    ///
    /// # Panics
    ///
    /// When `size` has no room for the header.
    pub fn pad(size: usize, erased: u8) -> Self {
        Self::pad_with(&vec![erased; size.checked_sub(HEADER).expect("a pad file is at least its header")])
    }

    /// Returns a pad file that holds `body`.
    pub fn pad_with(body: &[u8]) -> Self {
        Self::new(kind::PAD, PAD_NAME).body(body)
    }

    /// Takes these bytes as content.
    #[must_use]
    pub fn body(mut self, body: &[u8]) -> Self {
        self.body = body.to_vec();
        self
    }

    /// Takes these sections as content.
    #[must_use]
    pub fn sections(self, sections: &[Vec<u8>]) -> Self {
        self.body(&section::stream(sections))
    }

    /// Gives the content a checksum.
    #[must_use]
    pub fn summed(mut self) -> Self {
        self.summed = true;
        self
    }

    /// Aligns the content, from the volume's start.
    ///
    /// # Panics
    ///
    /// When the standard has no code for `alignment`: it has 1, 16, 128, 512, 1 KiB, 4 KiB, 32 KiB, 64 KiB, and from
    /// 128 KiB each double up to 16 MiB.
    #[must_use]
    pub fn aligned(mut self, alignment: usize) -> Self {
        assert!(alignment_code(alignment).is_some(), "there is no code for an alignment of {alignment} bytes");
        self.alignment = alignment;
        self
    }

    /// Makes it a large file though its size does not need it.
    #[must_use]
    pub fn large(mut self) -> Self {
        self.large = true;
        self
    }

    /// Puts it into this state.
    #[must_use]
    pub fn state(mut self, state: FileState) -> Self {
        self.state = state;
        self
    }

    pub(super) fn name(&self) -> Guid {
        self.name
    }

    pub(super) fn alignment(&self) -> usize {
        self.alignment
    }

    pub(super) fn is_large(&self) -> bool {
        self.large || self.body.len() + HEADER >= LARGE
    }

    pub(super) fn header_len(&self) -> usize {
        if self.is_large() { LARGE_HEADER } else { HEADER }
    }

    /// Returns the file's bytes in a volume whose erased byte is `erased`.
    pub(super) fn bytes(&self, erased: u8) -> Vec<u8> {
        let size = self.header_len() + self.body.len();
        let (code, second_table) = alignment_code(self.alignment).expect("checked when it was set");
        let mut attributes = code << 3;
        attributes |= if second_table { ATTRIBUTE_ALIGNMENT_2 } else { 0 };
        attributes |= if self.summed { ATTRIBUTE_SUM } else { 0 };
        let mut out = self.name.to_vec();
        out.extend([0, 0, self.kind, attributes]);
        if self.is_large() {
            out[0x13] |= ATTRIBUTE_LARGE;
            out.extend([0; 4]);
            out.extend((size as u64).to_le_bytes());
        } else {
            out.extend(&(size as u32).to_le_bytes()[..3]);
            out.push(0);
        }
        // State and data checksum are still 0, as the header's sum wants them.
        out[0x10] = sum_to_zero(&out);
        out[0x11] = if self.summed { sum_to_zero(&self.body) } else { NO_SUM };
        out[0x17] = self.state.bits() ^ erased;
        if self.state.has_body() {
            out.extend(&self.body);
        }
        out
    }
}

fn sum_to_zero(bytes: &[u8]) -> u8 {
    bytes.iter().fold(0_u8, |sum, byte| sum.wrapping_sub(*byte))
}

/// Returns the three-bit code of an alignment, and whether it is one of the second table.
fn alignment_code(alignment: usize) -> Option<(u8, bool)> {
    const FIRST: [usize; 8] = [1, 16, 128, 512, 1 << 10, 4 << 10, 32 << 10, 64 << 10];
    let code = |table: [usize; 8]| table.iter().position(|entry| *entry == alignment).map(|at| at as u8);
    let second = std::array::from_fn(|at| (128 << 10) << at);
    code(FIRST).map(|code| (code, false)).or_else(|| code(second).map(|code| (code, true)))
}
