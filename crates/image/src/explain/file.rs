//! Files of a volume (UEFI PI volume 3, chapter 3; EDK II `PiFirmwareFile.h`, `Core/Dxe/FwVol/Ffs.c`, `FwVol.c`).
//!
//! The walk begins where the volume's header ends, so that the pad file around an extended header counts as a file, and steps
//! to the next 8 bytes counted from the volume. A file whose header or state says that its header never became valid is stepped over by its header's
//! size, as the reference reader does. Where a header cannot be believed the walk looks for the next one that can, in steps of 8.
//!
//! Decisions a reader would question. A header whose sum fails is still believed when its size leads to another good header, to
//! free space or to the volume's end. Bodies of raw and pad files are searched for structures but never blamed. The contents of deleted
//! files are not read: they may be torn, and nothing runs them.

use std::collections::HashSet;
use std::ops::Range;

use super::bytes::{all, first_other, round_up, sum8, u24_at, u64_at};
use super::guid::{self, Guid};
use super::walk::{Space, Walk};
use super::{Check, Kind, Node, Severity, scan, section, volume};

const HEAD: usize = 24;
const LARGE_HEAD: usize = 32;
/// FFS_ATTRIB_LARGE_FILE, FFS_ATTRIB_DATA_ALIGNMENT_2, FFS_ATTRIB_CHECKSUM.
const LARGE: u8 = 0x01;
const ALIGNMENT_2: u8 = 0x02;
const CHECKSUM: u8 = 0x40;
/// What stands in place of a data sum that was not made (FFS_FIXED_CHECKSUM).
const FIXED: u8 = 0xAA;
const RAW: u8 = 0x01;
const PAD: u8 = 0xF0;

const HEADER_CONSTRUCTION: u8 = 0x01;
const HEADER_VALID: u8 = 0x02;
const DATA_VALID: u8 = 0x04;
const MARKED_FOR_UPDATE: u8 = 0x08;
const DELETED: u8 = 0x10;
const HEADER_INVALID: u8 = 0x20;

/// A volume's room for files.
pub(super) struct Shelf {
    pub(super) volume: Range<usize>,
    /// First byte after the volume's header.
    pub(super) first: usize,
    /// What an erased byte reads.
    pub(super) erased: u8,
    /// Whether files over 16 MiB are allowed.
    pub(super) large: bool,
}

/// What a file's header says.
struct Head {
    guid: Guid,
    number: u8,
    attributes: u8,
    data_sum: u8,
    /// Bits of the state, 1 for set whatever the polarity.
    bits: u8,
    /// Bytes in the header.
    len: usize,
    stated: u64,
    /// The 24-bit size, which a file with a 64-bit one has as 0.
    short: u32,
    sum: bool,
}

impl Head {
    fn read(bytes: &[u8], at: usize, erased: u8) -> Option<Self> {
        let head = bytes.get(at..at + HEAD)?;
        let attributes = head[0x13];
        let large = attributes & LARGE != 0;
        let short = u24_at(head, 0x14)?;
        let (len, stated) = match large {
            true => (LARGE_HEAD, u64_at(bytes, at + HEAD)?),
            false => (HEAD, u64::from(short)),
        };
        // The state and the data sum count as 0 in the header's sum.
        let sum = sum8(&bytes[at..at + len]).wrapping_sub(head[0x11]).wrapping_sub(head[0x17]) == 0;
        let bits = if erased == 0xFF { !head[0x17] } else { head[0x17] };
        let guid = Guid::read(head, 0)?;
        Some(Self { guid, number: head[0x12], attributes, data_sum: head[0x11], bits, len, stated, short, sum })
    }

    /// Returns the highest bit of the state, which is the state (PI volume 3).
    fn state(&self) -> u8 {
        [HEADER_INVALID, DELETED, MARKED_FOR_UPDATE, DATA_VALID, HEADER_VALID, HEADER_CONSTRUCTION]
            .into_iter()
            .find(|bit| self.bits & bit != 0)
            .unwrap_or(0)
    }

    /// Returns whether the state has the bits that lead to it, and no others.
    fn state_is_whole(&self) -> bool {
        match self.bits & !HEADER_INVALID {
            HEADER_CONSTRUCTION | 0x03 => true,
            0x07 | 0x0F | 0x13 | 0x17 | 0x1F => self.bits & HEADER_INVALID == 0,
            _ => false,
        }
    }

    fn fits(&self, room: usize) -> bool {
        self.stated >= self.len as u64 && self.stated <= room as u64
    }
}

impl Shelf {
    /// Returns whether a good file header stands at the beginning: then a volume of an unknown file system has files after all.
    pub(super) fn begins_well(&self, bytes: &[u8]) -> bool {
        self.good_at(bytes, self.aligned(self.first))
    }

    fn aligned(&self, at: usize) -> usize {
        self.volume.start + round_up(at - self.volume.start, 8)
    }

    fn good_at(&self, bytes: &[u8], at: usize) -> bool {
        let room = self.volume.end.saturating_sub(at);
        let known =
            |head: &Head| matches!(head.number, 0x01..=0x0F | 0xC0..=0xFF) && head.bits & HEADER_CONSTRUCTION != 0;
        Head::read(&bytes[..self.volume.end], at, self.erased).is_some_and(|it| it.sum && it.fits(room) && known(&it))
    }

    /// Returns whether the walk can go on at `at`: a good header, erased bytes, or the end.
    fn goes_on(&self, bytes: &[u8], at: usize) -> bool {
        let at = self.aligned(at);
        let next = &bytes[at.min(self.volume.end)..(at + HEAD).min(self.volume.end)];
        all(next, self.erased) || self.good_at(bytes, at)
    }
}

/// Reads the files on the shelf of `volume`.
pub(super) fn files<'a>(walk: &mut Walk<'a, '_>, space: &Space<'a>, volume: &Node, shelf: &Shelf) -> Vec<Node> {
    let bytes = space.bytes();
    let end = shelf.volume.end;
    let mut nodes = Vec::new();
    let mut names = HashSet::new();
    let mut at = shelf.aligned(shelf.first);
    while at < end {
        if walk.full() {
            nodes.push(walk.node(space, Kind::Unknown, at..end, 0));
            break;
        }
        if let Some(inner) = volume::stands_at(bytes, at, end) {
            let mut inside = walk.deeper(|walk| vec![volume::read(walk, space, at, &inner)]);
            let node = inside.pop().unwrap_or_else(|| walk.node(space, Kind::Unknown, at..at + inner.size, 0));
            let message = format!("another volume begins at {at:#x}, before the one around it ends");
            walk.bad("volume-overlap", &node, at, message);
            nodes.push(node);
            at = shelf.aligned(at + inner.size);
            continue;
        }
        if all(&bytes[at..(at + HEAD).min(end)], shelf.erased) {
            at = free(walk, space, shelf, at, &mut nodes);
            continue;
        }
        let head = Head::read(&bytes[..end], at, shelf.erased).filter(|head| believed(bytes, shelf, at, head));
        let Some(head) = head else {
            let next = resynchronise(bytes, shelf, at + 8);
            let node = walk.node(space, Kind::Unknown, at..next, 0);
            let message = format!("no file header where the walk through the volume leads; it goes on at {next:#x}");
            walk.bad("file-header", &node, at, message);
            nodes.push(node);
            at = next;
            continue;
        };
        let size = step(bytes, shelf, at, &head);
        let node = file(walk, space, shelf, at..at + size, &head);
        if node.state == Some("data-valid") && head.guid != guid::PAD && !names.insert(head.guid) {
            walk.bad("file-twice", &node, at, format!("another file of this volume has the name {} too", head.guid));
        }
        nodes.push(node);
        at = shelf.aligned(at + size);
    }
    if nodes.is_empty() && shelf.first < end {
        let message = "a volume with no room for a file".to_owned();
        walk.find(Severity::Note, "volume-empty", volume, shelf.first, message);
    }
    nodes
}

/// Takes in erased bytes and what may follow them; returns where the walk goes on.
fn free<'a>(walk: &mut Walk<'a, '_>, space: &Space<'a>, shelf: &Shelf, at: usize, nodes: &mut Vec<Node>) -> usize {
    let (bytes, end) = (space.bytes(), shelf.volume.end);
    let other = first_other(&bytes[..end], at, shelf.erased).unwrap_or(end);
    let mut free_end = if other == end { end } else { shelf.volume.start + ((other - shelf.volume.start) & !7) };
    // A volume that begins here begins with zeros, which may be what erased bytes read.
    let begins = free_end.saturating_sub(volume::SYSTEM_AT).max(at);
    let inner = [begins, free_end].into_iter().find(|start| volume::stands_at(bytes, *start, end).is_some());
    free_end = inner.unwrap_or(free_end);
    if free_end > at {
        let mut node = walk.node(space, Kind::Free, at..free_end, 0);
        node.state = Some("erased");
        nodes.push(node);
    }
    if free_end == end || inner.is_some() {
        return free_end;
    }
    let next = if shelf.good_at(bytes, free_end) { free_end } else { resynchronise(bytes, shelf, free_end + 8) };
    let message = "something stands after the free space of the volume, where nothing should".to_owned();
    if next > free_end {
        let node = walk.node(space, Kind::Unknown, free_end..next, 0);
        walk.find(Severity::Warn, "free-not-erased", &node, other, message);
        nodes.push(node);
    } else if let Some(node) = nodes.last() {
        walk.find(Severity::Warn, "free-not-erased", node, other, message);
    }
    next
}

/// Returns whether a header is one: its sum holds, or its size leads somewhere good without jumping over another file.
fn believed(bytes: &[u8], shelf: &Shelf, at: usize, head: &Head) -> bool {
    let room = shelf.volume.end - at;
    if head.stated < head.len as u64 {
        return false;
    }
    if head.sum {
        return true;
    }
    let (body, end) = (at + head.len, at.saturating_add(head.stated as usize));
    let filled = || (0x02..=0x0F).contains(&head.number) && section::fill(&bytes[body..end]);
    head.fits(room)
        && shelf.goes_on(bytes, end)
        && (filled() || resynchronise(bytes, shelf, shelf.aligned(body)) >= end)
}

/// Returns how many bytes the walk takes in for this file.
fn step(bytes: &[u8], shelf: &Shelf, at: usize, head: &Head) -> usize {
    let room = shelf.volume.end - at;
    let whole = usize::try_from(head.stated).unwrap_or(usize::MAX).min(room);
    let never_valid = [HEADER_INVALID, HEADER_CONSTRUCTION].contains(&head.state());
    let by_head = shelf.goes_on(bytes, at + head.len) || !shelf.goes_on(bytes, at + whole);
    if never_valid && by_head { head.len.min(room) } else { whole }
}

/// Returns the next place where a good header stands, or the volume's end.
fn resynchronise(bytes: &[u8], shelf: &Shelf, from: usize) -> usize {
    (from..shelf.volume.end).step_by(8).find(|at| shelf.good_at(bytes, *at)).unwrap_or(shelf.volume.end)
}

fn file<'a>(walk: &mut Walk<'a, '_>, space: &Space<'a>, shelf: &Shelf, range: Range<usize>, head: &Head) -> Node {
    let mut node = walk.node(space, Kind::PiFile, range.clone(), head.len);
    node.guid = Some(head.guid);
    node.number = Some(head.number.into());
    node.state = Some(match head.state() {
        HEADER_INVALID => "header-invalid",
        DELETED => "deleted",
        MARKED_FOR_UPDATE => "marked-for-update",
        DATA_VALID => "data-valid",
        HEADER_VALID => "header-valid",
        HEADER_CONSTRUCTION => "header-construction",
        _ => "none",
    });
    let data_valid = [DATA_VALID, MARKED_FOR_UPDATE].contains(&head.state());
    check_head(walk, &mut node, shelf, range.clone(), head);
    check_data(walk, &mut node, space.bytes(), range.clone(), head, data_valid);
    if !data_valid {
        return node;
    }
    let body = range.start + head.len..range.end;
    node.children = walk.deeper(|walk| match head.number {
        0x02..=0x0F => section::sections(walk, space, body.clone(), &node),
        PAD if all(&space.bytes()[body.clone()], shelf.erased) => Vec::new(),
        _ => scan::search(walk, space, body.clone()),
    });
    node.name = user_interface_name(&node.children);
    check_place(walk, &mut node, shelf, range, head);
    node
}

fn check_head(walk: &mut Walk<'_, '_>, node: &mut Node, shelf: &Shelf, range: Range<usize>, head: &Head) {
    let at = range.start;
    let valid = head.state() != HEADER_CONSTRUCTION && head.state() != HEADER_INVALID;
    node.checks.push(match valid {
        true => Check::sum("header-sum", head.sum, at, head.len),
        false => Check::none("header-sum", at, head.len),
    });
    if valid && !head.sum {
        let message = format!("the {} bytes of the file's header do not add up to 0", head.len);
        walk.bad("file-header-sum", node, at, message);
    }
    node.checks.push(Check::rule("state", head.state_is_whole(), at + 0x17, 1));
    if !head.state_is_whole() {
        let message = format!("the file's state {:#04x} skips bits that lead to it", head.bits);
        walk.find(Severity::Warn, "file-state", node, at + 0x17, message);
    }
    if [HEADER_INVALID, HEADER_CONSTRUCTION, HEADER_VALID].contains(&head.state()) {
        let message = "a file that was begun and never became valid; nothing runs it".to_owned();
        walk.find(Severity::Note, "file-unfinished", node, at, message);
    }
    let whole = !valid || head.stated == range.len() as u64;
    node.checks.push(Check::rule("size", whole, at + 0x14, 3));
    if !whole {
        let message = format!("the file says it has {:#x} bytes; here are {:#x}", head.stated, range.len());
        walk.bad("file-size", node, at + 0x14, message);
    }
    if head.attributes & LARGE != 0 && !shelf.large {
        let message = "a file with a 64-bit size in a volume of file system 2, which has none".to_owned();
        walk.find(Severity::Warn, "file-large", node, at + 0x13, message);
    }
    if head.attributes & LARGE != 0 && head.short != 0 {
        let message = format!("a file with a 64-bit size has 0 as its 24-bit one, and here it is {:#x}", head.short);
        walk.find(Severity::Warn, "file-large", node, at + 0x14, message);
    }
}

fn check_data(
    walk: &mut Walk<'_, '_>,
    node: &mut Node,
    bytes: &[u8],
    range: Range<usize>,
    head: &Head,
    data_valid: bool,
) {
    let body = (range.start + head.len).min(range.end)..range.end;
    if !data_valid {
        node.checks.push(Check::none("data-sum", body.start, body.len()));
    } else if head.attributes & CHECKSUM != 0 {
        let holds = sum8(&bytes[body.clone()]).wrapping_add(head.data_sum) == 0;
        node.checks.push(Check::sum("data-sum", holds, body.start, body.len()));
        if !holds {
            let message = format!("the {} bytes of the file's body do not add up to 0 with their sum", body.len());
            walk.bad("file-data-sum", node, body.start, message);
        }
    } else {
        let fixed = head.data_sum == FIXED;
        node.checks.push(Check::none("data-sum", body.start, body.len()));
        node.checks.push(Check::rule("fixed-value", fixed, range.start + 0x11, 1));
        if !fixed {
            let message = format!("{:#04x} stands where a file without a data sum has {FIXED:#04x}", head.data_sum);
            walk.bad("file-fixed-value", node, range.start + 0x11, message);
        }
    }
}

fn check_place(walk: &mut Walk<'_, '_>, node: &mut Node, shelf: &Shelf, range: Range<usize>, head: &Head) {
    let power = (head.attributes >> 3 & 7) as usize;
    let log2 = match head.attributes & ALIGNMENT_2 != 0 {
        false => [0, 4, 7, 9, 10, 12, 15, 16][power],
        true => 17 + power,
    };
    let offset = range.start + head.len - shelf.volume.start;
    let aligned = offset.trailing_zeros() as usize >= log2;
    node.checks.push(Check::rule("alignment", aligned, range.start + 0x13, 1));
    if !aligned {
        let message =
            format!("the body stands at {offset:#x} of its volume and wants a multiple of {:#x}", 1_usize << log2);
        walk.find(Severity::Warn, "file-alignment", node, range.start + head.len, message);
    }
    if head.guid == guid::VOLUME_TOP {
        let at_end = range.end == shelf.volume.end;
        node.checks.push(Check::rule("at-volume-end", at_end, range.start, range.len()));
        if !at_end {
            let message = "the volume-top file does not end where its volume ends".to_owned();
            walk.bad("file-volume-top", node, range.end, message);
        }
    }
    if head.number != RAW && guid::APRIORI.contains(&head.guid) {
        let list = node.children.first().filter(|it| it.number == Some(0x19)).map(|it| (it.size - it.lead) as usize);
        let whole = list.is_some_and(|list| list.is_multiple_of(16));
        node.checks.push(Check::rule("apriori-list", whole, range.start + head.len, range.len() - head.len));
        if !whole {
            let message = "an a priori file is one raw section of whole GUIDs, and this is not".to_owned();
            walk.bad("file-apriori", node, range.start + head.len, message);
        }
    }
}

/// Returns the text of the first user-interface section, inside other sections too but not inside volumes.
fn user_interface_name(sections: &[Node]) -> Option<Box<str>> {
    sections.iter().filter(|node| node.kind == Kind::PiSection).find_map(|node| match node.number {
        Some(0x15) => node.name.clone(),
        Some(0x01..=0x03) => user_interface_name(&node.children),
        _ => None,
    })
}
