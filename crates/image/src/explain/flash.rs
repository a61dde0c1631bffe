//! Flash descriptors with their regions, and the partition table of the management region.
//!
//! Unlike [`crate::descriptor::regions`], which refuses a map that contradicts itself, this shows what can be shown: a region that
//! goes past the end or over another one is cut and the contradiction is a finding. Sources of the registers stand there; the partition table
//! is from memory ("$FPT" after 16 bytes of vectors or at once, then a count, at 20h entries of 32 bytes: name, 4 bytes, offset, length).
//!
//! The decision a reader would question: a descriptor is believed without its signature when the whole region map fits, so
//! that one flipped bit does not hide the map that everything else hangs on.

use std::ops::Range;

use super::bytes::{all, u32_at};
use super::walk::{Space, Walk};
use super::{Check, Kind, Node, Severity, nvm, scan};
use crate::descriptor::{DESCRIPTOR_SIZE, SIGNATURE, SIGNATURE_AT};

const PAGE: usize = DESCRIPTOR_SIZE as usize;
const MAP_WORDS_END: usize = 0x20;
const REGISTERS: usize = 16;
const FIRMWARE: usize = 1;
const NETWORK: usize = 3;

/// "$FPT", by which partition tables are searched for.
pub(super) const PARTITIONS: [u8; 4] = *b"$FPT";
const TABLE_HEAD: usize = 32;
const TABLE_ENTRY: usize = 32;

/// What a descriptor says.
pub(crate) struct Map {
    /// Whether the signature stands where it has to.
    pub(crate) signature: bool,
    /// Regions in use by the numbers of their registers, as they are claimed.
    pub(crate) regions: Vec<(usize, Range<usize>)>,
    /// Bytes in each chip, by the density codes; none for a code that is not defined.
    pub(crate) chips: Vec<Option<usize>>,
}

/// Returns what the descriptor at the start of `content` says, when there is one.
pub(crate) fn map(content: &[u8]) -> Option<Map> {
    let page = content.get(..PAGE)?;
    let word = |at| u32_at(page, at).unwrap_or(u32::MAX);
    let signature = page[SIGNATURE_AT..SIGNATURE_AT + 4] == SIGNATURE;
    let (map0, map1) = (word(SIGNATURE_AT + 4), word(SIGNATURE_AT + 8));
    let section = |word: u32, bit: u32| ((word >> bit & 0xFF) << 4) as usize;
    let (at, components, masters) = (section(map0, 16), section(map0, 0), section(map1, 0));
    let sane = at >= MAP_WORDS_END && components >= MAP_WORDS_END && at != components;
    if !sane {
        return signature.then(|| Map { signature, regions: Vec::new(), chips: Vec::new() });
    }
    let next = [components, masters].into_iter().filter(|other| *other > at).min().unwrap_or(PAGE);
    let count = ((next - at) / 4).min(REGISTERS);
    let regions: Vec<_> =
        (0..count).filter_map(|number| Some((number, claimed(number, word(at + 4 * number))?))).collect();
    let densities = word(components);
    let chips = (0..=(map0 >> 8 & 1)).map(|chip| densities >> (4 * chip) & 0xF);
    let chips = chips.map(|code| (code < 8).then(|| (512 << 10) << code)).collect();
    if !signature {
        // All of it has to fit before a descriptor without a signature is believed.
        let first = regions.first().is_some_and(|(number, range)| *number == 0 && range.start == 0);
        let apart = regions.iter().enumerate().all(|(index, (_, range))| {
            range.end <= content.len()
                && regions[..index].iter().all(|(_, it)| it.end <= range.start || range.end <= it.start)
        });
        let vector = all(&page[..SIGNATURE_AT], 0xFF);
        if !(first && apart && vector && regions.len() >= 2) {
            return None;
        }
    }
    Some(Map { signature, regions, chips })
}

/// Returns where the system firmware ends, which a processor sees end at 4 GiB: the end of its region, or of the image.
pub(crate) fn firmware_end(image: &[u8]) -> usize {
    let region = map(image).and_then(|map| map.regions.into_iter().find(|(number, _)| *number == FIRMWARE));
    region.map(|(_, range)| range.end).filter(|end| *end <= image.len()).unwrap_or(image.len())
}

/// Returns the range that a register claims, as [`crate::descriptor::regions`] reads it.
fn claimed(number: usize, value: u32) -> Option<Range<usize>> {
    let (base, limit) = ((value & 0x7FFF) as usize, (value >> 16 & 0x7FFF) as usize);
    let empty = base > limit || value == u32::MAX || (limit == 0 && number != 0);
    (!empty).then(|| base * PAGE..(limit + 1) * PAGE)
}

/// Reads a stretch that begins with a flash descriptor; none when it does not.
pub(super) fn read<'a>(walk: &mut Walk<'a, '_>, space: &Space<'a>, range: Range<usize>) -> Option<Vec<Node>> {
    let content = &space.bytes()[range.clone()];
    let map = map(content)?;
    let start = range.start;
    let mut descriptor = walk.node(space, Kind::FlashDescriptor, start..start + PAGE, 0);
    descriptor.checks.push(Check::rule("signature", map.signature, start + SIGNATURE_AT, 4));
    if !map.signature {
        let message = "a flash descriptor without its signature 0ff0a55ah; the chipset ignores it".to_owned();
        walk.bad("descriptor-signature", &descriptor, start + SIGNATURE_AT, message);
    }
    let sane = check_map(walk, &mut descriptor, &map, start, content.len());
    descriptor.checks.push(Check::rule("region-map", sane, start, PAGE));

    let mut regions = map.regions;
    regions.sort_by_key(|(_, range)| range.start);
    let mut nodes = Vec::new();
    let mut done = start;
    let mut descriptor = Some(descriptor);
    for (number, claimed) in regions {
        let claimed = (start + claimed.start).max(done)..(start + claimed.end).min(range.end);
        if claimed.is_empty() {
            continue;
        }
        if done == start && claimed.start > start {
            // The descriptor has no region of its own.
            nodes.extend(descriptor.take());
            done = start + PAGE;
        }
        let claimed = claimed.start.max(done)..claimed.end;
        if claimed.is_empty() {
            continue;
        }
        nodes.extend(scan::fill(walk, space, done..claimed.start));
        done = claimed.end;
        nodes.push(region(walk, space, number, claimed, &mut descriptor));
    }
    if let Some(descriptor) = descriptor {
        nodes.push(descriptor);
        done = done.max(start + PAGE);
    }
    nodes.extend(scan::fill(walk, space, done..range.end));
    Some(nodes)
}

fn region<'a>(
    walk: &mut Walk<'a, '_>,
    space: &Space<'a>,
    number: usize,
    range: Range<usize>,
    descriptor: &mut Option<Node>,
) -> Node {
    let mut node = walk.node(space, Kind::Region, range.clone(), 0);
    node.number = Some(number as u32);
    node.name = Some(region_name(number).into());
    let inside = descriptor.take_if(|it| it.range().start >= node.at && it.range().end <= node.range().end);
    node.children = walk.deeper(|walk| match (number, inside) {
        (_, Some(descriptor)) => {
            let rest = descriptor.range().end as usize..range.end;
            let mut nodes = vec![descriptor];
            nodes.extend(scan::fill(walk, space, rest));
            nodes
        }
        (NETWORK, None) if nvm::is_one(&space.bytes()[range.clone()]) => vec![nvm::read(walk, space, range)],
        _ => scan::fill(walk, space, range),
    });
    node
}

/// Checks the map against itself and the image; returns whether it holds.
fn check_map(walk: &mut Walk<'_, '_>, node: &mut Node, map: &Map, at: usize, len: usize) -> bool {
    let chips: Option<usize> = map.chips.iter().copied().sum();
    let mut sane = map.regions.first().is_some_and(|(number, range)| *number == 0 && range.start == 0);
    if !sane {
        walk.bad("descriptor-map", node, at, "the map has no descriptor region that begins at 0".into());
    }
    for (index, (number, range)) in map.regions.iter().enumerate() {
        if range.end > len {
            // The image of the first of two chips is shorter than what its descriptor maps.
            let first_chip =
                map.chips.len() > 1 && map.chips[0] == Some(len) && chips.is_some_and(|all| range.end <= all);
            let severity = if first_chip { Severity::Note } else { Severity::Bad };
            let message =
                format!("region {} goes to {:#x}, and the image ends at {len:#x}", region_name(*number), range.end);
            walk.find(severity, "region-past-end", node, at, message);
            sane &= first_chip;
        }
        let clash = map.regions[..index].iter().find(|(_, it)| it.start < range.end && range.start < it.end);
        if let Some((other, _)) = clash {
            let message = format!("regions {} and {} share bytes", region_name(*other), region_name(*number));
            walk.bad("region-overlap", node, at, message);
            sane = false;
        }
    }
    if let Some(chips) = chips.filter(|chips| *chips > 0 && *chips != len && map.chips[0] != Some(len)) {
        let message = format!("its density codes say chips of {chips:#x} bytes in all; the image has {len:#x}");
        walk.find(Severity::Warn, "descriptor-density", node, at, message);
    }
    sane
}

/// Returns this project's name of a region, as [`crate::descriptor::regions`] has it.
pub(crate) fn region_name(number: usize) -> String {
    match number {
        0 => "descriptor".to_owned(),
        1 => "firmware".to_owned(),
        2 => "management".to_owned(),
        3 => "network".to_owned(),
        4 => "platform".to_owned(),
        _ => format!("region-{number}"),
    }
}

/// Reads the partition table whose mark stands at `mark`, and the partitions it lists; all inside `free`, in rising order.
pub(super) fn partitions<'a>(
    walk: &mut Walk<'a, '_>,
    space: &Space<'a>,
    mark: usize,
    free: Range<usize>,
) -> Option<Vec<Node>> {
    let bytes = &space.bytes()[..free.end];
    let count = u32_at(bytes, mark + 4)? as usize;
    let len = TABLE_HEAD + TABLE_ENTRY * count;
    let head_len = *bytes.get(mark + 10)? as usize;
    if !(1..=128).contains(&count) || len > free.end - mark || head_len != TABLE_HEAD {
        return None;
    }
    // Offsets count from the region's start: 16 bytes of vectors stand before the mark, or none.
    let base = match mark.checked_sub(16) {
        Some(base) if base >= free.start && base.is_multiple_of(PAGE) => base,
        _ => mark,
    };
    let mut table = walk.node(space, Kind::PartitionTable, mark..mark + len, TABLE_HEAD);
    let mut placed: Vec<(Range<usize>, Box<str>)> = Vec::new();
    for entry in (0..count).map(|number| mark + TABLE_HEAD + TABLE_ENTRY * number) {
        let name: Box<str> =
            bytes[entry..entry + 4].iter().filter(|it| it.is_ascii_graphic()).map(|it| *it as char).collect();
        let (offset, length) = (u32_at(bytes, entry + 8)? as usize, u32_at(bytes, entry + 12)? as usize);
        let range = base + offset..base.saturating_add(offset).saturating_add(length);
        if offset > 0 && length > 0 && range.start >= mark + len && range.end <= free.end {
            placed.push((range, name));
            continue;
        }
        let mut node = walk.node(space, Kind::Partition, entry..entry + TABLE_ENTRY, 0);
        node.name = Some(name);
        node.state = Some("no-place");
        if offset > 0 && length > 0 && length != u32::MAX as usize && offset != u32::MAX as usize {
            let message =
                format!("the partition says {offset:#x} and {length:#x} bytes, which is outside of its region");
            walk.find(Severity::Warn, "partition-place", &node, entry, message);
        }
        table.children.push(node);
    }
    placed.sort_by_key(|(range, _)| (range.start, range.end));
    let mut nodes = vec![table];
    let mut done = mark + len;
    for (range, name) in placed {
        let shared = range.start < done;
        let own = range.start.max(done)..range.end;
        if own.is_empty() {
            continue;
        }
        let mut node = walk.node(space, Kind::Partition, own.clone(), 0);
        node.name = Some(name);
        node.state = Some(if all(&bytes[own.clone()], 0xFF) { "blank" } else { "filled" });
        if shared {
            let message =
                "the partition shares bytes with the one before it, and is shown from where that ends".to_owned();
            walk.find(Severity::Warn, "partition-place", &node, own.start, message);
        }
        done = own.end;
        nodes.push(node);
    }
    Some(nodes)
}
