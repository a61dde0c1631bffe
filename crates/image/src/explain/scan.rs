//! Stretches that nothing describes: finding out what stands where.
//!
//! [`image`] takes the whole image in, [`fill`] a stretch, so that every byte is in a node; [`search`] finds structures in a
//! stretch and leaves the rest out. What nothing claims is `blank` (FFh or 00h throughout, or 4 KiB of it and more) or
//! `unknown`, named by its entropy.
//!
//! One pass at steps of 4 bytes looks for the first words of all structures at once; volumes are searched for by their signature
//! at odd places too. Whatever is found is jumped over, so that no byte is searched twice on one level.
//!
//! The decision a reader would question: a network NVM outside the region of its own is believed only when both banks hold, or
//! one holds and the other is blank. A 16-bit sum alone holds by chance in one of 65,536 blocks.

use std::ops::Range;

use memchr::memmem;

use super::bytes::{all, first_other, u32_at};
use super::guid::{FFS2, FFS3, FMP, FTW, Guid, NV_DATA, STORE_AUTH, STORE_PLAIN};
use super::walk::{Space, Walk};
use super::{Kind, Node, capsule, fit, flash, microcode, nvm, store, uf2, volume};

/// Blank runs from this size on stand by themselves.
const RUN: usize = 4096;
/// Steps in which runs are looked for; half of a run at most, so that each run covers a whole step.
const STEP: usize = 1024;
/// Bytes that entropy is told from, at most.
const SAMPLE: usize = 1 << 20;

const fn first_word(guid: Guid) -> u32 {
    u32::from_le_bytes([guid.0[0], guid.0[1], guid.0[2], guid.0[3]])
}

/// First words of structures, and of updates last: these are tried at multiples of 16 only.
const MARKS: [u32; 10] = [
    u32::from_le_bytes(volume::SIGNATURE),
    first_word(FFS2),
    first_word(FFS3),
    first_word(NV_DATA),
    first_word(STORE_PLAIN),
    first_word(STORE_AUTH),
    first_word(FTW),
    first_word(FMP),
    u32::from_le_bytes(flash::PARTITIONS),
    microcode::FIRST_WORD,
];

/// Reads a whole image.
pub(super) fn image<'a>(walk: &mut Walk<'a, '_>, space: &Space<'a>) -> Vec<Node> {
    if space.bytes().is_empty() {
        return Vec::new();
    }
    walk.fit = fit::locate(space.bytes());
    let nodes = flash_or(walk, space, 0..space.bytes().len(), true);
    if let Some(table) = walk.fit.take() {
        fit::hidden(walk, &nodes, table.start);
    }
    nodes
}

/// Reads a stretch that may begin like a file: with a descriptor, a capsule or blocks of UF2.
pub(super) fn flash_or<'a>(walk: &mut Walk<'a, '_>, space: &Space<'a>, range: Range<usize>, fill: bool) -> Vec<Node> {
    if let Some(nodes) = flash::read(walk, space, range.clone()) {
        return nodes;
    }
    let head = uf2::read(walk, space, range.clone()).or_else(|| capsule::read(walk, space, range.clone(), false));
    let mut nodes: Vec<Node> = head.into_iter().collect();
    let rest = nodes.last().map_or(range.start, |node| node.range().end as usize);
    stretch(walk, space, rest..range.end, fill, &mut nodes);
    nodes
}

/// Reads a stretch; every byte of it is in one of the nodes.
pub(super) fn fill<'a>(walk: &mut Walk<'a, '_>, space: &Space<'a>, range: Range<usize>) -> Vec<Node> {
    let mut nodes = Vec::new();
    stretch(walk, space, range, true, &mut nodes);
    nodes
}

/// Returns the structures found in a stretch, and nothing for the rest of it.
pub(super) fn search<'a>(walk: &mut Walk<'a, '_>, space: &Space<'a>, range: Range<usize>) -> Vec<Node> {
    let mut nodes = Vec::new();
    stretch(walk, space, range, false, &mut nodes);
    nodes
}

fn stretch<'a>(walk: &mut Walk<'a, '_>, space: &Space<'a>, range: Range<usize>, fill: bool, nodes: &mut Vec<Node>) {
    let bytes = &space.bytes()[..range.end];
    let finder = memmem::Finder::new(&volume::SIGNATURE);
    let mut odd = Odd { finder, next: None, from: range.start };
    let mut done = range.start;
    let mut from = range.start;
    while from < range.end && !walk.full() {
        let mark = next_mark(bytes, from);
        let odd_mark = odd.next(bytes, from);
        let table = walk.fit.clone().filter(|it| space.is_image() && it.start >= done && it.end <= range.end);
        let mut mark_at = mark.unwrap_or(range.end).min(odd_mark.unwrap_or(range.end));
        let found = match table {
            Some(table) if table.start <= mark_at => {
                mark_at = table.start;
                walk.fit = None;
                vec![fit::read(walk, space, table)]
            }
            _ if mark_at == range.end => break,
            _ => structure(walk, space, mark_at, done..range.end),
        };
        from = (mark_at + 1).next_multiple_of(4);
        for node in found {
            if fill {
                gap(walk, space, done..node.at as usize, nodes);
            }
            done = node.range().end as usize;
            from = done.next_multiple_of(4);
            nodes.push(node);
        }
    }
    if !fill {
        return;
    }
    match walk.full() {
        false => gap(walk, space, done..range.end, nodes),
        true if done < range.end => nodes.push(walk.node(space, Kind::Unknown, done..range.end, 0)),
        true => {}
    }
}

/// Volume signatures at places that are no multiples of 4; each is searched for once.
struct Odd<'n> {
    finder: memmem::Finder<'n>,
    next: Option<usize>,
    from: usize,
}

impl Odd<'_> {
    fn next(&mut self, bytes: &[u8], from: usize) -> Option<usize> {
        while self.next.is_none_or(|at| at < from || at.is_multiple_of(4)) {
            let start = self.next.map_or(self.from, |at| at + 1).max(from);
            let Some(offset) = bytes.get(start..).and_then(|rest| self.finder.find(rest)) else {
                // Nothing more up to the end: the next call begins there.
                self.from = bytes.len();
                self.next = None;
                return None;
            };
            self.next = Some(start + offset);
        }
        self.next
    }
}

/// Returns the next multiple of 4 at which the first word of a structure stands.
fn next_mark(bytes: &[u8], from: usize) -> Option<usize> {
    let mut at = from.next_multiple_of(4);
    let is_mark = |word: u32| MARKS.contains(&word);
    while let Some(block) = bytes.get(at..at + 256) {
        let words = block.as_chunks().0.iter().map(|word| u32::from_le_bytes(*word));
        // Without a branch for each word, so that the compiler compares many at once.
        if words.fold(false, |any, word| any | MARKS.iter().fold(false, |any, mark| any | (word == *mark))) {
            let hit =
                (at..at + 256).step_by(4).find(|at| u32_at(bytes, *at).is_some_and(is_mark) && fits_mark(bytes, *at));
            if hit.is_some() {
                return hit;
            }
        }
        at += 256;
    }
    (at..bytes.len()).step_by(4).find(|at| u32_at(bytes, *at).is_some_and(is_mark) && fits_mark(bytes, *at))
}

/// Returns whether more of the structure than its first word is there.
fn fits_mark(bytes: &[u8], at: usize) -> bool {
    match u32_at(bytes, at) {
        Some(microcode::FIRST_WORD) => at.is_multiple_of(16) && microcode::looks_like_one(bytes, at),
        Some(word) if [volume::SIGNATURE, flash::PARTITIONS].map(u32::from_le_bytes).contains(&word) => true,
        _ => [FFS2, FFS3, NV_DATA, STORE_PLAIN, STORE_AUTH, FTW, FMP]
            .contains(&Guid::read(bytes, at).unwrap_or(Guid([0; 16]))),
    }
}

/// Reads the structures that begin with the mark at `mark`, in rising order; they may take bytes inside `free`.
fn structure<'a>(walk: &mut Walk<'a, '_>, space: &Space<'a>, mark: usize, free: Range<usize>) -> Vec<Node> {
    if space.bytes()[mark..free.end].starts_with(&flash::PARTITIONS) {
        return flash::partitions(walk, space, mark, free).unwrap_or_default();
    }
    single(walk, space, mark, free).into_iter().collect()
}

fn single<'a>(walk: &mut Walk<'a, '_>, space: &Space<'a>, mark: usize, free: Range<usize>) -> Option<Node> {
    let bytes = &space.bytes()[..free.end];
    let word = u32_at(bytes, mark)?;
    let guid = Guid::read(bytes, mark);
    let volume_at = match guid {
        _ if word == u32::from_le_bytes(volume::SIGNATURE) => mark.checked_sub(volume::SIGNATURE_AT),
        Some(FFS2 | FFS3 | NV_DATA) => mark.checked_sub(volume::SYSTEM_AT),
        Some(STORE_PLAIN | STORE_AUTH) => return store::read(walk, space, mark, free.end),
        Some(FTW) => return store::working_block(walk, space, mark, free.end),
        Some(FMP) => return capsule::read(walk, space, mark..free.end, true),
        _ => return microcode::read(walk, space, mark, free.end),
    };
    let at = volume_at.filter(|at| *at >= free.start)?;
    let head = volume::probe(bytes, at, free.end)?;
    Some(volume::read(walk, space, at, &head))
}

/// Takes in a stretch that no structure claims.
fn gap<'a>(walk: &mut Walk<'a, '_>, space: &Space<'a>, range: Range<usize>, nodes: &mut Vec<Node>) {
    let mut done = range.start;
    while let Some(found) = nvm::find(&space.bytes()[..range.end], done).filter(|_| !walk.full()) {
        runs(walk, space, done..found.start, nodes);
        done = found.end;
        nodes.push(nvm::read(walk, space, found));
    }
    runs(walk, space, done..range.end, nodes);
}

/// Parts a stretch without structures into blank runs and the rest.
fn runs<'a>(walk: &mut Walk<'a, '_>, space: &Space<'a>, range: Range<usize>, nodes: &mut Vec<Node>) {
    let bytes = &space.bytes()[..range.end];
    let mut done = range.start;
    while done < range.end {
        if walk.full() {
            nodes.push(walk.node(space, Kind::Unknown, done..range.end, 0));
            return;
        }
        let run = next_run(bytes, done);
        let rest = run.clone().map_or(range.end, |run| run.start);
        let whole = all(&bytes[done..rest], 0xFF) || all(&bytes[done..rest], 0);
        if done < rest && whole {
            nodes.push(blank(walk, space, done..rest));
        } else if done < rest {
            nodes.push(anything(walk, space, done..rest));
        }
        done = run.map_or(range.end, |run| {
            let end = run.end;
            nodes.push(blank(walk, space, run));
            end
        });
    }
}

fn blank<'a>(walk: &mut Walk<'a, '_>, space: &Space<'a>, range: Range<usize>) -> Node {
    let value = space.bytes()[range.start];
    let mut node = walk.node(space, Kind::Blank, range, 0);
    node.state = Some(if value == 0xFF { "ff" } else { "00" });
    node
}

fn anything<'a>(walk: &mut Walk<'a, '_>, space: &Space<'a>, range: Range<usize>) -> Node {
    let bits = entropy(&space.bytes()[range.clone()]);
    let mut node = walk.node(space, Kind::Unknown, range, 0);
    let guess = match bits {
        bits if bits >= 7.5 => "like compressed or encrypted data",
        bits if bits >= 5.0 => "like code",
        bits if bits < 0.5 => "almost all of it one value",
        _ => "like tables or text",
    };
    node.name = Some(format!("{bits:.1} bits of entropy a byte, {guess}").into());
    node
}

/// Returns the next run of at least [`RUN`] equal bytes FFh or 00h.
fn next_run(bytes: &[u8], from: usize) -> Option<Range<usize>> {
    let mut at = from;
    while let Some(step) = bytes.get(at..at + STEP) {
        let value = step[0];
        if (value == 0 || value == 0xFF) && all(step, value) {
            let before = bytes[from..at].iter().rev().take_while(|byte| **byte == value).count();
            let end = first_other(bytes, at, value).unwrap_or(bytes.len());
            if end - (at - before) >= RUN {
                return Some(at - before..end);
            }
            at = end;
        } else {
            at += STEP;
        }
    }
    None
}

/// Returns the entropy of the bytes in bits a byte, 0 to 8, told from at most 1 MiB of them.
pub(crate) fn entropy(bytes: &[u8]) -> f64 {
    let stride = bytes.len().div_ceil(SAMPLE).max(1);
    let mut counts = [0_u32; 256];
    let mut total = 0_u32;
    for block in bytes.chunks(4096).step_by(stride) {
        total += block.len() as u32;
        for byte in block {
            counts[*byte as usize] += 1;
        }
    }
    let share = |count: &u32| f64::from(*count) / f64::from(total);
    counts.iter().filter(|count| **count > 0).map(share).map(|share| -share * share.log2()).sum::<f64>().abs()
}
