//! The firmware interface table (Intel, "Firmware Interface Table BIOS Specification"; edk2-platforms
//! `FirmwareInterfaceTable.h` and `FitGen.c`).
//!
//! A pointer 40h bytes before 4 GiB leads to it. 4 GiB is where the region of the system firmware ends, or the image where there
//! is no descriptor. Other images have other bytes at that place: only a pointer into the image whose target begins like a table is one.
//!
//! The decision a reader would question: a component outside the image, or one whose entry says that no sum was made, is
//! "covered by nothing" and no failure; the table of another chip of the machine can stand here.

use std::ops::Range;

use super::bytes::{sum8, u16_at, u24_at, u32_at, u64_at};
use super::walk::{Space, Walk};
use super::{Check, Kind, Node, Severity, flash, microcode};

const SIGNATURE: &[u8; 8] = b"_FIT_   ";
const ENTRY: usize = 16;
const POINTER_BEFORE_END: usize = 0x40;
const FOUR_GIB: u64 = 1 << 32;
/// Most entries that are read; tables have a few dozen.
const ENTRIES: usize = 1024;
const MICROCODE: u8 = 0x01;
/// Entries of this type are to be skipped.
const SKIP: u8 = 0x7F;

/// Returns where the table stands in the image, when it has one.
pub(super) fn locate(image: &[u8]) -> Option<Range<usize>> {
    let end = flash::firmware_end(image);
    let pointer = u32_at(image, end.checked_sub(POINTER_BEFORE_END)?)?;
    let at = place(u64::from(pointer), end)?;
    let head = image.get(at..at + ENTRY).filter(|_| at.is_multiple_of(16) && at + POINTER_BEFORE_END <= end)?;
    let count = u24_at(head, 8)? as usize;
    // A flipped bit in the signature leaves seven bytes of it and the type of the first entry.
    let alike = head.iter().zip(SIGNATURE).filter(|(one, other)| one == other).count() >= 7;
    let fits = (1..=ENTRIES).contains(&count) && count * ENTRY <= end - at;
    (alike && head[14] & 0x7F == 0).then(|| at..at + if fits { count * ENTRY } else { ENTRY })
}

/// Returns where in the image the byte stands that a processor sees at `address`, when the firmware ends at `end`.
fn place(address: u64, end: usize) -> Option<usize> {
    let before_end = usize::try_from(FOUR_GIB.checked_sub(address)?).ok()?;
    end.checked_sub(before_end).filter(|at| *at < end)
}

/// Reads the table that [`locate`] found.
pub(super) fn read<'a>(walk: &mut Walk<'a, '_>, space: &Space<'a>, range: Range<usize>) -> Node {
    let image = space.bytes();
    let end = flash::firmware_end(image);
    let table = &image[range.clone()];
    let mut node = walk.node(space, Kind::Fit, range.clone(), ENTRY);
    let signature = table.starts_with(SIGNATURE);
    let stated = u24_at(table, 8).unwrap_or_default() as usize * ENTRY;
    let whole = stated == range.len();
    node.checks.push(Check::rule("signature", signature, range.start, 8));
    node.checks.push(Check::rule("size", whole, range.start + 8, 3));
    if !signature {
        walk.bad("fit-signature", &node, range.start, "the table's signature is not whole".into());
    }
    if !whole {
        let message = format!("the table says it has {stated:#x} bytes, which end outside the image or are too many");
        walk.bad("fit-size", &node, range.start + 8, message);
    }
    match table[14] & 0x80 != 0 {
        true => {
            let holds = sum8(table) == 0;
            node.checks.push(Check::sum("sum", holds, range.start, range.len()));
            if !holds {
                walk.bad("fit-sum", &node, range.start, "the table's bytes do not add up to 0".into());
            }
        }
        false => node.checks.push(Check::none("sum", range.start, range.len())),
    }
    node.children = walk.deeper(|walk| {
        let places = (range.start + ENTRY..range.end).step_by(ENTRY);
        places.map(|at| entry(walk, space, at, end)).collect()
    });
    let types: Vec<u32> = node.children.iter().filter_map(|entry| entry.number).collect();
    if !types.is_sorted() {
        let message = "the entries do not stand in rising order of their types".to_owned();
        walk.find(Severity::Warn, "fit-order", &node, range.start, message);
    }
    node
}

fn entry<'a>(walk: &mut Walk<'a, '_>, space: &Space<'a>, at: usize, end: usize) -> Node {
    let image = space.bytes();
    let bytes = &image[at..at + ENTRY];
    let (address, version) = (u64_at(bytes, 0).unwrap_or_default(), u16_at(bytes, 12).unwrap_or_default());
    let (number, summed) = (bytes[14] & 0x7F, bytes[14] & 0x80 != 0);
    let mut node = walk.node(space, Kind::FitEntry, at..at + ENTRY, ENTRY);
    node.number = Some(number.into());
    node.name = Some(type_name(number).into());
    let is_address = number != SKIP && !([0x08, 0x0A].contains(&number) && version == 0);
    let target = place(address, end).filter(|_| is_address);
    let unit = if [0x0B, 0x0C].contains(&number) { 1 } else { ENTRY };
    let len = u24_at(bytes, 8).unwrap_or_default() as usize * unit;
    let component = target.and_then(|start| image.get(start..start.checked_add(len)?).map(|bytes| (start, bytes)));
    match component.filter(|_| summed) {
        Some((start, component)) => {
            let holds = sum8(component).wrapping_add(bytes[15]) == 0;
            node.checks.push(Check::sum("component-sum", holds, start, len));
            if !holds {
                let message = format!("the {len:#x} bytes that the entry leads to do not add up to 0 with its sum");
                walk.bad("fit-component-sum", &node, start, message);
            }
        }
        None => {
            let covered = if target.is_some() { len } else { 0 };
            node.checks.push(Check::none("component-sum", target.unwrap_or(at), covered));
        }
    }
    if let Some(target) = target.filter(|_| number == MICROCODE) {
        let stands = microcode::looks_like_one(image, target);
        node.checks.push(Check::rule("target", stands, target, ENTRY));
        let empty = image.get(target..target + ENTRY).is_some_and(|bytes| bytes.iter().all(|byte| *byte == 0xFF));
        if !stands {
            let message = format!("the entry leads to {target:#x}, where no microcode update begins");
            let severity = if empty { Severity::Warn } else { Severity::Bad };
            walk.find(severity, "fit-target", &node, target, message);
        }
    }
    node
}

/// Notes that the table stands where no stretch takes it in, inside some structure's content.
pub(super) fn hidden(walk: &mut Walk<'_, '_>, nodes: &[Node], at: usize) {
    let holder = nodes.iter().find(|node| node.range().contains(&(at as u64)));
    if let Some(node) = holder {
        let message =
            "a firmware interface table stands inside a structure that has no room for one; it is not read".to_owned();
        walk.find(Severity::Warn, "fit-hidden", node, at, message);
    }
}

/// Returns what entries of this type lead to.
fn type_name(number: u8) -> &'static str {
    match number {
        0x01 => "microcode",
        0x02 => "startup module",
        0x03 => "diagnostic module",
        0x04 => "protected boot policy",
        0x06 => "reset state",
        0x07 => "firmware startup module",
        0x08 => "TPM policy",
        0x09 => "firmware policy",
        0x0A => "TXT policy",
        0x0B => "key manifest",
        0x0C => "boot policy manifest",
        0x0D => "FSP boot manifest",
        0x10 => "secure boot of the management engine",
        0x2C..=0x2F => "debug or feature policy",
        SKIP => "skipped",
        _ => "reserved",
    }
}
