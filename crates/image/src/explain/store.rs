//! Variable stores and fault-tolerant-write blocks (EDK II `VariableFormat.h`, `VariableParsing.c`, `UpdateWorkingBlock.c`).
//!
//! These are no UEFI standard but what shipped firmware has. A variable's head begins at a multiple of 4, its data follow its
//! name at once. The walk ends where no head begins; the rest of the store has to be erased.
//!
//! The decision a reader would question: a variable's data have no check, but those that UEFI defines as lists of signatures
//! (PK, KEK, db, dbx, dbt, dbr) have to divide into whole lists and entries, and a live one that does not is bad. Firmware that finds
//! it so refuses to start what it should start.

use std::ops::Range;

use super::bytes::{first_other, round_up, text16, u16_at, u32_at, u64_at};
use super::guid::{GLOBAL, Guid, SECURITY, STORE_AUTH};
use super::walk::{Space, Walk};
use super::{Check, Kind, Node, Severity};

const STORE_HEAD: usize = 28;
const FORMATTED: u8 = 0x5A;
const HEALTHY: u8 = 0xFE;
const START: u16 = 0x55AA;
const ERASED: u8 = 0xFF;
const WORKING_HEAD: usize = 32;

/// Returns the variable store whose GUID stands at `at`, when it is one and not a GUID in code.
pub(super) fn read<'a>(walk: &mut Walk<'a, '_>, space: &Space<'a>, at: usize, end: usize) -> Option<Node> {
    let bytes = &space.bytes()[..end];
    let guid = Guid::read(bytes, at)?;
    let stated = u32_at(bytes, at + 16)? as usize;
    let (format, state) = (*bytes.get(at + 20)?, *bytes.get(at + 21)?);
    if end - at < STORE_HEAD {
        return None;
    }
    let fits = stated >= STORE_HEAD && stated <= end - at;
    let signs = [fits, format == FORMATTED, state == HEALTHY];
    if signs.iter().filter(|sign| **sign).count() < 2 {
        return None;
    }
    let size = if fits { stated } else { end - at };
    let mut node = walk.node(space, Kind::VariableStore, at..at + size, STORE_HEAD);
    node.guid = Some(guid);
    node.state = Some(if (format, state) == (FORMATTED, HEALTHY) { "healthy" } else { "not-formatted" });
    node.checks.extend([
        Check::rule("size", fits, at + 16, 4),
        Check::rule("format", format == FORMATTED, at + 20, 1),
        Check::rule("state", state == HEALTHY, at + 21, 1),
    ]);
    if !fits {
        let message = format!("the variable store says it has {stated:#x} bytes; here are {size:#x}");
        walk.bad("store-size", &node, at + 16, message);
    }
    if format != FORMATTED || state != HEALTHY {
        let message = format!("format and state of the store read {format:#04x} and {state:#04x}, not 0x5a and 0xfe");
        walk.bad("store-state", &node, at + 20, message);
    }
    node.children = walk.deeper(|walk| variables(walk, space, &node, at..at + size, guid == STORE_AUTH));
    Some(node)
}

/// Where the fields of a variable's head stand: a plain one, and one with authentication.
struct Layout {
    head: usize,
    name_size: usize,
    vendor: usize,
}

fn variables<'a>(
    walk: &mut Walk<'a, '_>,
    space: &Space<'a>,
    store: &Node,
    range: Range<usize>,
    authenticated: bool,
) -> Vec<Node> {
    let bytes = &space.bytes()[..range.end];
    let layout = match authenticated {
        false => Layout { head: 32, name_size: 8, vendor: 16 },
        true => Layout { head: 60, name_size: 36, vendor: 44 },
    };
    let mut nodes = Vec::new();
    let mut at = range.start + STORE_HEAD;
    while at + layout.head <= range.end && u16_at(bytes, at) == Some(START) {
        if walk.full() {
            nodes.push(walk.node(space, Kind::Unknown, at..range.end, 0));
            return nodes;
        }
        // A size of all ones was never written: the variable ends with its head.
        let size_at = |offset| u32_at(bytes, at + offset).filter(|size| *size != u32::MAX).unwrap_or_default() as usize;
        let (name, data) = (size_at(layout.name_size), size_at(layout.name_size + 4));
        let size = layout.head + name + data;
        if size > range.end - at {
            let node = walk.node(space, Kind::Unknown, at..range.end, 0);
            let message = format!("a variable says it has {size:#x} bytes; the store has {:#x} left", range.end - at);
            walk.bad("variable-size", &node, at, message);
            nodes.push(node);
            return nodes;
        }
        nodes.push(variable(walk, space, at..at + size, name, &layout));
        at = range.start + round_up(at + size - range.start, 4);
    }
    if at < range.end {
        let mut node = walk.node(space, Kind::Free, at..range.end, 0);
        let other = first_other(bytes, at, ERASED);
        node.state = Some(if other.is_none() { "erased" } else { "not-erased" });
        if let Some(other) = other.filter(|_| store.state == Some("healthy")) {
            let message = "something stands behind the last variable, where the store should be erased".to_owned();
            walk.bad("store-not-erased", &node, other, message);
        }
        nodes.push(node);
    }
    nodes
}

fn variable<'a>(walk: &mut Walk<'a, '_>, space: &Space<'a>, range: Range<usize>, name: usize, layout: &Layout) -> Node {
    let at = range.start;
    let bytes = &space.bytes()[..range.end];
    let data = at + layout.head + name..range.end;
    let mut node = walk.node(space, Kind::Variable, range, layout.head + name);
    let (text, ended) = text16(&bytes[at + layout.head..data.start]);
    node.name = Some(text);
    node.guid = Guid::read(bytes, at + layout.vendor);
    node.number = u32_at(bytes, at + 4);
    let (state, known) = match bytes[at + 2] {
        0x7F => ("header-valid", true),
        0x3F => ("added", true),
        0x3E => ("in-deleted-transition", true),
        0x3C | 0x3D => ("deleted", true),
        0x7C..=0x7E => ("deleted", true),
        0xFF => ("unwritten", true),
        _ => ("invalid", false),
    };
    node.state = Some(state);
    node.checks.push(Check::rule("state", known, at + 2, 1));
    if !known {
        let message = format!("the variable's state {:#04x} is none that a write leaves behind", bytes[at + 2]);
        walk.bad("variable-state", &node, at + 2, message);
    }
    let live = ["added", "in-deleted-transition"].contains(&state);
    if live && !ended {
        let message = "the variable's name does not end with a 0000h".to_owned();
        walk.find(Severity::Bad, "variable-name", &node, at + layout.head, message);
    }
    if holds_signatures(&node) {
        let whole = signature_lists(&bytes[data.clone()]);
        node.checks.push(Check::rule("signature-lists", whole, data.start, data.len()));
        if live && !whole {
            let message = "its data do not divide into signature lists with whole entries".to_owned();
            walk.bad("variable-signature-lists", &node, data.start, message);
        }
    }
    node
}

fn holds_signatures(node: &Node) -> bool {
    let name = node.name.as_deref().unwrap_or_default();
    match node.guid {
        Some(GLOBAL) => ["PK", "KEK"].contains(&name),
        Some(SECURITY) => ["db", "dbx", "dbt", "dbr"].contains(&name),
        _ => false,
    }
}

/// Returns whether data are EFI_SIGNATURE_LISTs back to back (UEFI, "Signature Database").
fn signature_lists(mut data: &[u8]) -> bool {
    const HEAD: usize = 28;
    while !data.is_empty() {
        let size = |at| u32_at(data, at).map(|size| size as usize);
        let (Some(list), Some(head), Some(entry)) = (size(16), size(20), size(24)) else { return false };
        let entries = list.checked_sub(HEAD).and_then(|rest| rest.checked_sub(head));
        let Some(rest) = data.get(list..).filter(|_| list >= HEAD) else { return false };
        if entries.is_none_or(|entries| entry == 0 || !entries.is_multiple_of(entry)) {
            return false;
        }
        data = rest;
    }
    true
}

/// Returns the fault-tolerant-write working block whose signature stands at `at`.
///
/// Its CRC-32 goes over the 32 bytes of the head with the CRC itself and the state taken as FFh.
pub(super) fn working_block<'a>(walk: &mut Walk<'a, '_>, space: &Space<'a>, at: usize, end: usize) -> Option<Node> {
    let bytes = &space.bytes()[..end];
    let mut head: [u8; WORKING_HEAD] = *bytes.get(at..)?.first_chunk()?;
    let (crc, state, queue) = (u32_at(&head, 16)?, head[20], u64_at(&head, 24)?);
    head[16..21].fill(0xFF);
    let holds = crc32fast::hash(&head) == crc;
    let room = (end - at - WORKING_HEAD) as u64;
    let fits = queue <= room;
    let plausible = fits && queue > 0 && state & 0xFC == 0xFC;
    if !holds && !plausible {
        return None;
    }
    let size = WORKING_HEAD + if fits { queue as usize } else { room as usize };
    let mut node = walk.node(space, Kind::Ftw, at..at + size, WORKING_HEAD);
    node.guid = Guid::read(bytes, at);
    node.state = Some(match state & 3 {
        0b10 => "valid",
        0b11 => "unwritten",
        _ => "invalid",
    });
    node.checks.push(Check::sum("head-crc-32", holds, at, WORKING_HEAD));
    node.checks.push(Check::rule("size", fits, at + 24, 8));
    if !holds {
        let message = "the CRC-32 over the working block's head is another; an update that was cut off is not finished"
            .to_owned();
        walk.bad("ftw-crc-32", &node, at, message);
    }
    if !fits {
        let message = format!("the working block says a queue of {queue:#x} bytes; here are {room:#x}");
        walk.bad("ftw-size", &node, at + 24, message);
    }
    Some(node)
}
