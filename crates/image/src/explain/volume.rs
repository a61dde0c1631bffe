//! Firmware volumes (UEFI PI volume 3, chapter 3; EDK II `PiFirmwareVolume.h`).
//!
//! [`probe`] says whether a volume stands at a place, [`read`] makes the node. The header's own sum is the proof of a volume. Where it
//! fails, four of these signs have to agree: signature, a known file system, revision with its reserved byte, length and block map
//! that each fit into what is there. One flipped bit breaks the sum and one more.
//!
//! Decisions a reader would question. A block map that disagrees with the length is a warning: the variable volumes of shipped
//! images say so, with the block map of the whole device. A volume that goes past its end is cut there and read as far as it goes. The ZeroVector is
//! not looked at: it may hold code.

use std::ops::Range;

use super::bytes::{sum16, u16_at, u32_at, u64_at};
use super::file::{self, Shelf};
use super::guid::{FFS2, FFS3, Guid, NV_DATA};
use super::scan;
use super::walk::{Space, Walk};
use super::{Check, Kind, Node, Severity};

/// "_FVH", and where it stands in a volume.
pub(super) const SIGNATURE: [u8; 4] = *b"_FVH";
pub(super) const SIGNATURE_AT: usize = 0x28;
/// Where the file system's GUID stands in a volume.
pub(super) const SYSTEM_AT: usize = 0x10;

const BLOCK_MAP_AT: usize = 0x38;
const SMALLEST: usize = 0x40;
/// Longest block map that is followed; shipped volumes have one or two entries.
const MAP_ENTRIES: usize = 128;
/// Longest header that is summed: with the longest block map and its end.
const LONGEST_HEADER: usize = BLOCK_MAP_AT + 8 * (MAP_ENTRIES + 1);
/// EFI_FVB2_ERASE_POLARITY: set when erased bytes are FFh.
const ERASE_POLARITY: u32 = 0x800;

/// What the header of a volume says, and how far it can be believed.
pub(super) struct Head {
    system: Guid,
    /// FvLength as it stands there.
    declared: u64,
    /// Bytes that the volume takes here.
    pub(super) size: usize,
    header: usize,
    signature: bool,
    sum: bool,
    /// What the block map adds up to; none when it does not end.
    mapped: Option<u64>,
}

/// Returns the head of the volume at `at`, when one stands there; it may take bytes up to `end`.
pub(super) fn probe(bytes: &[u8], at: usize, end: usize) -> Option<Head> {
    let bytes = bytes.get(at..end).filter(|bytes| bytes.len() >= SMALLEST)?;
    let system = Guid::read(bytes, SYSTEM_AT)?;
    let known = [FFS2, FFS3, NV_DATA].contains(&system);
    let signature = bytes[SIGNATURE_AT..SIGNATURE_AT + 4] == SIGNATURE;
    if !signature && !known {
        return None;
    }
    let declared = u64_at(bytes, 0x20)?;
    let stated = u16_at(bytes, 0x30)? as usize;
    let revision = [1, 2].contains(&bytes[0x37]) && bytes[0x36] == 0;
    // What is cheap to see comes first: a GUID or a signature can stand in every few bytes of a hostile image.
    let may_fit = declared >= SMALLEST as u64 && declared <= bytes.len() as u64;
    if !signature && [known, revision, may_fit].iter().filter(|sign| **sign).count() < 2 {
        return None;
    }
    let (mapped, map_end) = block_map(bytes);
    let longest = LONGEST_HEADER.min(bytes.len());
    let usable = (SMALLEST..=longest).contains(&stated) && stated.is_multiple_of(2);
    let sum = usable && sum16(&bytes[..stated]) == 0;
    let header = match map_end {
        Some(end) if !sum => end,
        _ if usable => stated,
        _ => return None,
    };
    let fits = declared >= header as u64 && declared <= bytes.len() as u64;
    let mapped_size = mapped.filter(|size| (header as u64..=bytes.len() as u64).contains(size));
    let signs = [signature, known, revision, mapped_size.is_some(), sum, fits];
    let certain = signature && sum && declared >= header as u64;
    if !certain && signs.iter().filter(|sign| **sign).count() < 4 {
        return None;
    }
    let size = match fits {
        true => declared as usize,
        false if sum => bytes.len(),
        false => mapped_size.map_or(bytes.len(), |size| size as usize),
    };
    Some(Head { system, declared, size, header, signature, sum, mapped })
}

/// Returns whether a volume stands at `at` whose header is beyond doubt.
pub(super) fn stands_at(bytes: &[u8], at: usize, end: usize) -> Option<Head> {
    let signature = bytes.get(at + SIGNATURE_AT..)?.starts_with(&SIGNATURE);
    signature.then(|| probe(bytes, at, end)).flatten().filter(|head| head.sum && head.declared == head.size as u64)
}

/// Returns what the block map adds up to and where the header ends after it.
fn block_map(bytes: &[u8]) -> (Option<u64>, Option<usize>) {
    let mut total = Some(0_u64);
    for entry in 0..MAP_ENTRIES {
        let at = BLOCK_MAP_AT + 8 * entry;
        let (Some(count), Some(length)) = (u32_at(bytes, at), u32_at(bytes, at + 4)) else { break };
        if (count, length) == (0, 0) {
            return (total, Some(at + 8));
        }
        total = total.and_then(|total| total.checked_add(u64::from(count) * u64::from(length)));
    }
    (None, None)
}

/// Reads the volume whose head stands at `at`.
pub(super) fn read<'a>(walk: &mut Walk<'a, '_>, space: &Space<'a>, at: usize, head: &Head) -> Node {
    let range = at..at + head.size;
    let bytes = &space.bytes()[range.clone()];
    let mut node = walk.node(space, Kind::PiVolume, range.clone(), head.header);
    node.guid = Some(head.system);
    check_head(walk, &mut node, at, head);
    let attributes = u32_at(bytes, 0x2C).unwrap_or_default();
    let erased = if attributes & ERASE_POLARITY != 0 { 0xFF } else { 0 };
    extended_header(walk, &mut node, at, bytes);
    let first = at + head.header;
    let known_files = [FFS2, FFS3].contains(&head.system);
    let shelf_of = |erased| Shelf { volume: range.clone(), first, erased, large: head.system != FFS2 };
    let mut shelf = shelf_of(erased);
    if !head.sum && !shelf.begins_well(space.bytes()) && shelf_of(!erased).begins_well(space.bytes()) {
        // The bit that failed the sum is that of the polarity.
        shelf = shelf_of(!erased);
    }
    node.children =
        walk.deeper(|walk| match known_files || (head.system != NV_DATA && shelf.begins_well(space.bytes())) {
            true => file::files(walk, space, &node, &shelf),
            false => scan::fill(walk, space, first.min(range.end)..range.end),
        });
    node
}

fn check_head(walk: &mut Walk<'_, '_>, node: &mut Node, at: usize, head: &Head) {
    let long_enough = head.declared == head.size as u64;
    let map_agrees = head.mapped == Some(head.declared);
    node.checks.extend([
        Check::rule("signature", head.signature, at + SIGNATURE_AT, 4),
        Check::sum("header-sum", head.sum, at, head.header),
        Check::rule("length", long_enough, at + 0x20, 8),
        Check::rule("block-map", map_agrees, at + BLOCK_MAP_AT, head.header - BLOCK_MAP_AT),
    ]);
    if !head.signature {
        walk.bad("volume-signature", node, at + SIGNATURE_AT, "a volume without its signature `_FVH`".into());
    }
    if !head.sum {
        let message = format!("the 16-bit words of the header's {} bytes do not add up to 0", head.header);
        walk.bad("volume-header-sum", node, at, message);
    }
    if !long_enough {
        let message = format!("its length says {:#x} bytes; here are {:#x}", head.declared, head.size);
        walk.bad("volume-length", node, at + 0x20, message);
    }
    if !map_agrees {
        let message = match head.mapped {
            Some(mapped) => format!("its block map adds up to {mapped:#x} bytes, its length says {:#x}", head.declared),
            None => "its block map does not end, or adds up to more than 64 bits".to_owned(),
        };
        walk.find(Severity::Warn, "volume-block-map", node, at + BLOCK_MAP_AT, message);
    }
}

/// Reads the extended header, if the volume says that it has one; its GUID is the volume's name.
fn extended_header(walk: &mut Walk<'_, '_>, node: &mut Node, at: usize, bytes: &[u8]) {
    let offset = u16_at(bytes, 0x34).unwrap_or_default() as usize;
    if offset == 0 {
        return;
    }
    let size = u32_at(bytes, offset + 16).map(|size| size as usize);
    let whole = size.filter(|size| *size >= 20 && *size <= bytes.len() - offset && offset >= SMALLEST);
    let entries_end = whole.is_some_and(|size| entries_end(bytes, offset + 20..offset + size));
    node.checks.push(Check::rule("extended-header", entries_end, at + offset, whole.unwrap_or(20)));
    if whole.is_some() {
        node.name = Guid::read(bytes, offset).map(|guid| guid.to_string().into());
    }
    if !entries_end {
        let message = "its extended header, or an entry of it, goes past its end".to_owned();
        walk.bad("volume-extended-header", node, at + offset, message);
    }
}

/// Returns whether the entries of an extended header, {16-bit size, 16-bit type, data}, fill it exactly.
fn entries_end(bytes: &[u8], mut entries: Range<usize>) -> bool {
    while entries.len() >= 4 {
        match u16_at(bytes, entries.start) {
            Some(size) if size >= 4 && size as usize <= entries.len() => entries.start += size as usize,
            _ => return false,
        }
    }
    // An entry of an odd size may be followed by padding.
    entries.len() < 4
}
