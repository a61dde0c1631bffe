//! Files of UF2 blocks (the format's public description; facts on families in it).
//!
//! A file is 512-byte blocks, each with three magic numbers, an address and up to 476 bytes of it. The blocks of the first family
//! are put together by their addresses and read as a content of their own.
//!
//! The decision a reader would question: an MD5 that a block may carry is not checked. It goes over flash content that need not be
//! in the file, and boards ignore it.

use std::collections::HashMap;
use std::ops::Range;

use super::bytes::u32_at;
use super::walk::{Space, Walk};
use super::{Check, Kind, Node, Severity, scan};

const BLOCK: usize = 512;
const MAGICS: [(usize, u32); 3] = [(0, 0x0A32_4655), (4, 0x9E5D_5157), (508, 0x0AB1_6F30)];
const LARGEST_PAYLOAD: usize = 476;
/// Bytes between the blocks of a content that are filled up, beside as many as the file has.
const MOST_GAPS: usize = 1 << 20;
const NOT_MAIN_FLASH: u32 = 0x1;
const FILE_CONTAINER: u32 = 0x1000;
const FAMILY_PRESENT: u32 = 0x2000;

/// One block.
struct Block<'b> {
    family: u32,
    number: u32,
    count: u32,
    address: u32,
    stated: usize,
    flash: bool,
    payload: &'b [u8],
}

/// Reads the blocks at the start of `range`, when it begins with one.
pub(super) fn read<'a>(walk: &mut Walk<'a, '_>, space: &Space<'a>, range: Range<usize>) -> Option<Node> {
    let bytes = &space.bytes()[range.clone()];
    let blocks = run(bytes);
    if blocks == 0 {
        return None;
    }
    let size = blocks * BLOCK;
    let mut node = walk.node(space, Kind::Uf2, range.start..range.start + size, 0);
    let all: Vec<Block> = bytes[..size].chunks_exact(BLOCK).map(Block::of).collect();
    node.number = all.first().filter(|it| it.family != 0).map(|it| it.family);
    let torn = bytes[..size].chunks_exact(BLOCK).position(|block| magics(block) < 3);
    let payload = all.iter().position(|it| it.stated > LARGEST_PAYLOAD || !it.address.is_multiple_of(4));
    let (numbers, twice) = (misnumbered(&all), twice(&all));
    for (name, code, place, why) in [
        ("magics", "uf2-magics", torn, "a block with a wrong magic number; a board ignores it"),
        (
            "payloads",
            "uf2-payload",
            payload,
            "a block with more than 476 bytes, or for an address that is no multiple of 4",
        ),
        ("addresses", "uf2-twice", twice, "a block writes bytes that another block of its family writes, too"),
        ("numbers", "uf2-numbers", numbers, "the blocks of one family are not all there, or are counted wrongly"),
    ] {
        node.checks.push(Check::rule(name, place.is_none(), range.start, size));
        if let Some(block) = place {
            walk.bad(code, &node, range.start + block * BLOCK, why.to_owned());
        }
    }
    if bytes.len() > size && bytes.len() - size < BLOCK {
        let message = format!("{} bytes after the last block: the file is cut off", bytes.len() - size);
        walk.bad("uf2-torn", &node, range.start + size, message);
    }
    match assemble(&bytes[..size]).filter(|content| content.len() as u64 <= walk.may_expand_to(0)) {
        Some(content) => walk.within(&mut node, content, |walk, space, node| {
            node.children = walk.deeper(|walk| scan::flash_or(walk, space, 0..space.bytes().len(), true));
        }),
        None => {
            let message = "the blocks' addresses lie too far apart to be read as one content".to_owned();
            walk.find(Severity::Note, "uf2-apart", &node, range.start, message);
        }
    }
    Some(node)
}

/// Returns what the flash blocks of the first family hold, by address from the lowest on, with FFh between. None when there is none or they span much more
/// than the blocks themselves.
pub(crate) fn assemble(bytes: &[u8]) -> Option<Vec<u8>> {
    let blocks = || bytes.chunks_exact(BLOCK).filter(|block| magics(block) == 3).map(Block::of);
    let family = blocks().next()?.family;
    let parts = || blocks().filter(|it| it.flash && it.family == family && !it.payload.is_empty());
    let start = parts().map(|it| it.address).min()? as usize;
    let end = parts().map(|it| it.address as usize + it.payload.len()).max()?;
    if end - start > 2 * bytes.len() + MOST_GAPS {
        return None;
    }
    let mut content = vec![0xFF; end - start];
    for part in parts() {
        let at = part.address as usize - start;
        content[at..at + part.payload.len()].copy_from_slice(part.payload);
    }
    Some(content)
}

impl<'b> Block<'b> {
    fn of(block: &'b [u8]) -> Self {
        let word = |at| u32_at(block, at).unwrap_or_default();
        let flags = word(8);
        let stated = word(16) as usize;
        Self {
            family: if flags & FAMILY_PRESENT != 0 { word(28) } else { 0 },
            number: word(20),
            count: word(24),
            address: word(12),
            stated,
            flash: flags & (NOT_MAIN_FLASH | FILE_CONTAINER) == 0,
            payload: &block[32..32 + stated.min(LARGEST_PAYLOAD)],
        }
    }
}

/// Returns how many blocks follow each other from the start: two of three magic numbers make one, the first needs all.
fn run(bytes: &[u8]) -> usize {
    let blocks = bytes.chunks_exact(BLOCK).take_while(|block| magics(block) >= 2).count();
    if bytes.chunks_exact(BLOCK).take(blocks).any(|block| magics(block) == 3) { blocks } else { 0 }
}

fn magics(block: &[u8]) -> usize {
    MAGICS.iter().filter(|(at, magic)| u32_at(block, *at) == Some(*magic)).count()
}

/// Returns the first block, by address, that writes bytes which another flash block of its family writes.
fn twice(blocks: &[Block]) -> Option<usize> {
    let mut places: Vec<(u32, u64, u64, usize)> = Vec::new();
    for (index, block) in blocks.iter().enumerate().filter(|(_, block)| block.flash && !block.payload.is_empty()) {
        let at = u64::from(block.address);
        places.push((block.family, at, at + block.payload.len() as u64, index));
    }
    places.sort_unstable();
    places.windows(2).find(|pair| pair[0].0 == pair[1].0 && pair[1].1 < pair[0].2).map(|pair| pair[1].3)
}

/// Returns the first block whose number or count does not go with the others of its family.
fn misnumbered(blocks: &[Block]) -> Option<usize> {
    let mut families: HashMap<u32, (u32, u32)> = HashMap::new();
    for block in blocks {
        families.entry(block.family).or_insert((block.count, 0)).1 += 1;
    }
    let mut seen = std::collections::HashSet::new();
    blocks.iter().position(|block| {
        let (count, there) = families[&block.family];
        block.count != count || there != count || block.number >= count || !seen.insert((block.family, block.number))
    })
}
