//! What is in a firmware image: every structure down to the bottom, the checks that the structures carry, and what these
//! prove.
//!
//! [`explain`](fn@explain) reads an image into a tree of [`Node`]s, with [`Finding`]s on what does not follow the standards and
//! a [`Proof`] of how much is under sums that hold. [`render`] shows it to a person; `select`, `diff` and `check` work on it.
//!
//! | part | reads | after |
//! |---|---|---|
//! | `scan` | stretches that nothing describes: what stands where | |
//! | `flash` | flash descriptor, regions, partition table | Linux `spi-intel.c`, edk2-platforms `FitGen.c`, memory |
//! | `nvm` | network NVM | Linux `e1000e` |
//! | `volume`, `file`, `section` | volumes, files, sections | UEFI PI volume 3 |
//! | `store` | variable stores, fault-tolerant-write blocks | EDK II `VariableFormat.h`, `UpdateWorkingBlock.c` |
//! | `microcode`, `fit` | updates, the firmware interface table | Intel SDM 3A; `FirmwareInterfaceTable.h` |
//! | `capsule`, `uf2` | files that carry images | UEFI; the UF2 description |
//!
//! What a caller must know. An image is hostile input (S10): the tree has at most [`MAX_NODES`] nodes and [`MAX_DEPTH`]
//! levels; decompressed content that is held at once has at most twice the image's size plus 32 MiB; the work of hashing,
//! summing and decompressing is bounded by the image's size. A spent budget is a finding, and what is left stands as
//! `unknown`. A damaged image gives a tree too: what is whole is shown, and each check that fails is named.
//!
//! A structure is believed by its own check where it has one, and by the agreement of its fields where that check fails, so that
//! one flipped bit does not hide a volume. A check has three answers, and the third, "covered by nothing", is the usual one
//! for the bodies of files: shipped firmware seldom uses their sum.
//!
//! The decision a reader would question: two scoped threads in a crate that decides. Hashing each node is most of the work,
//! the result does not depend on who hashes first, and the threads end before the call returns.

use std::fmt;
use std::sync::Arc;

mod bytes;
mod capsule;
mod decode;
mod file;
mod fit;
mod flash;
mod guid;
mod hash;
mod json;
mod microcode;
mod nvm;
mod path;
mod proof;
mod render;
mod scan;
mod section;
mod store;
mod uf2;
mod unpack;
mod volume;
mod walk;

pub use guid::{Guid, GuidError};
pub use path::path_of;
pub(crate) use path::{label, quoted, short, steps};
pub use render::render;
pub(crate) use render::{human, plain};

pub(crate) use decode::Fault;
use decode::Method;
pub(crate) use flash::{firmware_end, map, region_name};
pub(crate) use json::hex;
pub(crate) use unpack::content;

/// Most nodes in a tree.
pub const MAX_NODES: usize = 64_000;
/// Most levels in a tree, decompressed ones counted. Shipped images have up to sixteen; a volume in a file in a volume takes
/// three levels.
pub const MAX_DEPTH: usize = 48;
/// Most findings kept; the last one then says that there are more.
pub const MAX_FINDINGS: usize = 2048;

/// What an image holds.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Explanation {
    /// Bytes in the image.
    pub size: u64,
    /// SHA-256 of the whole image.
    pub sha256: [u8; 32],
    /// What stands in it, in the order of addresses; each byte belongs to exactly one of these.
    pub structures: Vec<Node>,
    /// What does not follow the standards, or deserves a look; in the order it was met.
    pub findings: Vec<Finding>,
    /// How much of the image the sums inside it confirm.
    pub proof: Proof,
}

/// One structure of an image.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Node {
    /// What it is.
    pub kind: Kind,
    /// Its first byte: counted from the image's first byte, or, with a `space`, from the start of that decompressed content.
    pub at: u64,
    /// Its bytes as stored, head included. Padding after it is not.
    pub size: u64,
    /// Bytes before its content: its header.
    pub lead: u64,
    /// Path of the node whose decompressed content this one stands in; none in the image itself.
    pub space: Option<Arc<str>>,
    /// Its name: of a file that of its user-interface section, of a volume the GUID of its extended header, of a variable its
    /// own, of a network NVM its MAC address.
    pub name: Option<Box<str>>,
    /// Its GUID: of a volume the file system's, of a variable the vendor's, of a section that of its method or subtype.
    pub guid: Option<Guid>,
    /// The number of its type in its standard.
    pub number: Option<u32>,
    /// Its state in words: of a file `data-valid`, of a variable `added`, and so on; see the table in docs/formats.md.
    pub state: Option<&'static str>,
    /// The checks that its standard defines for it.
    pub checks: Vec<Check>,
    /// SHA-256 of the node as stored.
    pub sha256: [u8; 32],
    /// SHA-256 of what follows the lead; of a compressed section that could be decompressed, of the decompressed content.
    pub content_sha256: [u8; 32],
    /// What stands inside it.
    pub children: Vec<Node>,
    id: u32,
    hashes: [u32; 2],
    /// Space that it stands in: 0 is the image.
    ground: u32,
}

/// What a structure is. The names are those of the JSON.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
#[allow(missing_docs)]
pub enum Kind {
    FlashDescriptor,
    Region,
    PiVolume,
    PiFile,
    PiSection,
    VariableStore,
    Variable,
    Ftw,
    Nvm,
    Microcode,
    Fit,
    FitEntry,
    Capsule,
    Uf2,
    PartitionTable,
    Partition,
    Free,
    Blank,
    Unknown,
}

/// A check that a standard defines, and its answer.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Check {
    /// Name of the check; the table of them is in docs/formats.md.
    pub name: &'static str,
    /// Whether it holds; none when no check covers these bytes.
    pub ok: Option<bool>,
    /// First byte that it covers, counted as the node's own place is.
    pub at: u64,
    /// Bytes that it covers.
    pub len: u64,
    /// Whether the answer is that of a sum over these bytes, and not of a rule on fields.
    sum: bool,
}

/// Something that does not follow a standard or deserves a look.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Finding {
    /// How bad it is.
    pub severity: Severity,
    /// Stable name; the table of codes, meanings and remedies is in docs/formats.md.
    pub code: &'static str,
    /// Where, counted as the place of the node at `path` is.
    pub at: u64,
    /// Path of the node it stands on; empty for the image.
    pub path: Arc<str>,
    /// One sentence.
    pub message: String,
}

/// How bad a finding is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Severity {
    /// Worth knowing; nothing is wrong.
    Note,
    /// Against a rule that shipped images break too, or a limit of this program.
    Warn,
    /// A check failed, or a structure is torn.
    Bad,
}

/// How much of an image the sums inside it confirm. Each stored byte counts once.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Proof {
    /// Bytes in the image.
    pub bytes: u64,
    /// Bytes in blank runs and erased free space.
    pub blank: u64,
    /// Bytes under sums that hold.
    pub covered: u64,
    /// Compressed bytes whose content decompressed whole.
    pub decoded: u64,
    /// Checks that hold, in the whole tree.
    pub checks_ok: u64,
    /// Checks that fail, in the whole tree.
    pub checks_failed: u64,
}

/// Returns what `image` holds.
///
/// Never fails: an image with nothing in it gives one `blank` or `unknown` node. The same bytes give the same answer.
///
/// # Example
///
/// ```
/// let explanation = image::explain::explain(&[0xFF; 8192]);
/// assert_eq!(explanation.structures.len(), 1);
/// assert_eq!(explanation.structures[0].kind.name(), "blank");
/// assert_eq!(explanation.proof.blank, 8192);
/// ```
pub fn explain(image: &[u8]) -> Explanation {
    walk::explain(image, walk::Aim { hashes: true, decodes: true })
}

/// Returns how much of `image` its sums confirm, as [`explain`](fn@explain) has it, without the cost of hashing each node.
pub fn proof_of(image: &[u8]) -> Proof {
    walk::explain(image, walk::Aim { hashes: false, decodes: true }).proof
}

/// Returns the sums over stored bytes of `image` that have an answer, parents before children.
///
/// Those inside compressed contents cover no stored byte and are left out; so nothing is decompressed for them.
pub fn stored_sums(image: &[u8]) -> Vec<Check> {
    let explanation = walk::explain(image, walk::Aim { hashes: false, decodes: false });
    let answered = |check: &&Check| check.sum && check.ok.is_some() && check.len > 0;
    let stored = explanation.nodes().filter(|(_, node)| node.space.is_none());
    stored.flat_map(|(_, node)| node.checks.iter().filter(answered)).copied().collect()
}

impl Explanation {
    /// Returns the nodes of the tree with the levels above each, parents before children, in the order of addresses.
    pub fn nodes(&self) -> impl Iterator<Item = (usize, &Node)> {
        let mut stack: Vec<(usize, &Node)> = self.structures.iter().rev().map(|node| (0, node)).collect();
        std::iter::from_fn(move || {
            let (depth, node) = stack.pop()?;
            stack.extend(node.children.iter().rev().map(|child| (depth + 1, child)));
            Some((depth, node))
        })
    }

    /// Returns the explanation as the JSON of docs/schemas/image-explain.json; `file` is how the image is called there.
    ///
    /// What is returned writes itself piece by piece, so that a large tree is never a text in memory.
    pub fn to_json<'a>(&'a self, file: &'a str) -> impl serde::Serialize + 'a {
        json::Whole { file, explanation: self }
    }

    /// Takes out what belongs to one machine (S15): MAC addresses, which stand as names of network NVMs.
    pub fn redact(&mut self) {
        fn redact(nodes: &mut [Node]) {
            for node in nodes {
                if node.kind == Kind::Nvm {
                    node.name = None;
                }
                redact(&mut node.children);
            }
        }
        redact(&mut self.structures);
    }
}

impl Node {
    /// Returns the bytes that the node takes, in its space.
    pub fn range(&self) -> std::ops::Range<u64> {
        self.at..self.at + self.size
    }

    /// Returns whether this is a section whose content is decompressed before it is read, and could be.
    pub fn is_decoded(&self) -> bool {
        self.checks.iter().any(|check| check.name == DECODES && check.ok == Some(true))
    }
}

/// Name of the check that a compressed content decompresses whole.
pub(crate) const DECODES: &str = "decodes";

impl Kind {
    /// Every kind.
    pub const ALL: [Self; 19] = [
        Self::FlashDescriptor,
        Self::Region,
        Self::PiVolume,
        Self::PiFile,
        Self::PiSection,
        Self::VariableStore,
        Self::Variable,
        Self::Ftw,
        Self::Nvm,
        Self::Microcode,
        Self::Fit,
        Self::FitEntry,
        Self::Capsule,
        Self::Uf2,
        Self::PartitionTable,
        Self::Partition,
        Self::Free,
        Self::Blank,
        Self::Unknown,
    ];

    /// Returns the name that the JSON has for it.
    pub fn name(self) -> &'static str {
        match self {
            Self::FlashDescriptor => "flash-descriptor",
            Self::Region => "region",
            Self::PiVolume => "pi-volume",
            Self::PiFile => "pi-file",
            Self::PiSection => "pi-section",
            Self::VariableStore => "variable-store",
            Self::Variable => "variable",
            Self::Ftw => "ftw",
            Self::Nvm => "nvm",
            Self::Microcode => "microcode",
            Self::Fit => "fit",
            Self::FitEntry => "fit-entry",
            Self::Capsule => "capsule",
            Self::Uf2 => "uf2",
            Self::PartitionTable => "partition-table",
            Self::Partition => "partition",
            Self::Free => "free",
            Self::Blank => "blank",
            Self::Unknown => "unknown",
        }
    }
}

impl fmt::Display for Kind {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(self.name())
    }
}

impl Severity {
    /// Returns the name that the JSON has for it.
    pub fn name(self) -> &'static str {
        match self {
            Self::Note => "note",
            Self::Warn => "warn",
            Self::Bad => "bad",
        }
    }
}

impl Check {
    /// Returns whether the answer is that of a sum over the bytes that it covers, and not of a rule on fields.
    pub fn is_sum(&self) -> bool {
        self.sum
    }

    /// Returns a check of a rule on fields.
    pub(crate) fn rule(name: &'static str, ok: bool, at: usize, len: usize) -> Self {
        Self { name, ok: Some(ok), at: at as u64, len: len as u64, sum: false }
    }

    /// Returns a check of a sum over bytes.
    pub(crate) fn sum(name: &'static str, ok: bool, at: usize, len: usize) -> Self {
        Self { name, ok: Some(ok), at: at as u64, len: len as u64, sum: true }
    }

    /// Returns that nothing covers these bytes.
    pub(crate) fn none(name: &'static str, at: usize, len: usize) -> Self {
        Self { name, ok: None, at: at as u64, len: len as u64, sum: false }
    }
}

#[cfg(test)]
pub(crate) mod tests;
