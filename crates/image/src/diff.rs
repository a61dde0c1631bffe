//! What differs between two images: by structure, then by sector.
//!
//! Structures are paired by what names them, as in paths: files by their GUIDs, volumes by theirs, variables by name and state,
//! sections by type; of several that read the same, those with equal bytes first and the rest in order. A pair with equal
//! bytes is the same or, when it stands elsewhere in what holds it, moved. Of a changed pair what is inside is compared in
//! turn, decompressed contents too. Blank and free space is no structure; it shows in the sectors.
//!
//! Values of variables and bytes of files are not part of the answer: it may go into a record.
//!
//! The decision a reader would question: a place counts from the structure around it. A file that only stands elsewhere
//! because its volume does is not called moved, since nothing in the volume changed.

use std::collections::{HashMap, VecDeque};
use std::ops::Range;

use serde::ser::{Serialize, SerializeStruct, Serializer};

use crate::explain::{Explanation, Kind, Node, explain, hex, human, label, plain, steps};

/// Bytes of a sector, the least that chips erase.
pub const SECTOR: usize = 4096;

/// What differs between two images, the first called `a` and the second `b`.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Diff {
    /// Sizes and SHA-256 of the two.
    pub images: [(u64, [u8; 32]); 2],
    /// How many structures had which outcome; what stands inside a structure that is the same is not counted by itself.
    pub counts: Counts,
    /// Structures that are not the same, in the order of `a`, then what was added.
    pub structures: Vec<Change>,
    /// Sectors that differ.
    pub sectors: Sectors,
}

/// How many structures had which outcome.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
#[allow(missing_docs)]
pub struct Counts {
    pub added: u64,
    pub removed: u64,
    pub changed: u64,
    pub moved: u64,
    pub same: u64,
}

/// What became of a structure.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Outcome {
    /// In `b` alone.
    Added,
    /// In `a` alone.
    Removed,
    /// In both, with other bytes.
    Changed,
    /// In both with equal bytes, at another place in what holds it.
    Moved,
}

/// A structure that is not the same.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Change {
    /// What became of it.
    pub outcome: Outcome,
    /// What it is.
    pub kind: Kind,
    /// Its name, when it has one.
    pub name: Option<Box<str>>,
    /// Where it stands in `a` and in `b`; none where it does not.
    pub sides: [Option<Side>; 2],
    /// What is not the same inside it, when it changed.
    pub children: Vec<Change>,
}

/// Where a structure stands in one of the images.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Side {
    /// Its path, which is a selector.
    pub path: String,
    /// First byte, in its space.
    pub at: u64,
    /// Bytes as stored.
    pub size: u64,
}

/// Which sectors of the two images differ.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Sectors {
    /// Sectors with equal bytes.
    pub same: u64,
    /// Sectors with other bytes, those that only one image has among them.
    pub differing: u64,
    /// The stretches of sectors that differ, in bytes, merged.
    pub ranges: Vec<Range<u64>>,
}

/// Returns what differs between the images `a` and `b`.
pub fn diff(a: &[u8], b: &[u8]) -> Diff {
    let (one, other) = (explain(a), explain(b));
    let mut counts = Counts::default();
    let structures = compare(&mut counts, [&one.structures, &other.structures], ["", ""], [0, 0]);
    let image = |explanation: &Explanation| (explanation.size, explanation.sha256);
    Diff { images: [image(&one), image(&other)], counts, structures, sectors: sectors(a, b) }
}

impl Diff {
    /// Returns whether the two images have equal bytes.
    pub fn is_same(&self) -> bool {
        self.images[0] == self.images[1]
    }

    /// Returns the difference as text of lines up to `width` characters.
    pub fn render(&self, width: usize) -> String {
        let mut lines = Vec::new();
        let counts = &self.counts;
        lines.push(format!(
            "{} changed, {} moved, {} added, {} removed, {} the same",
            counts.changed, counts.moved, counts.added, counts.removed, counts.same
        ));
        for change in &self.structures {
            change.render(0, &mut lines);
        }
        let sectors = &self.sectors;
        lines.push(format!("{} of {} sectors of 4 KiB differ", sectors.differing, sectors.differing + sectors.same));
        for range in &sectors.ranges {
            lines.push(format!("  {:x} to {:x}, {}", range.start, range.end, human(range.end - range.start)));
        }
        lines.iter().map(|line| line.chars().take(width).chain(['\n']).collect::<String>()).collect()
    }
}

/// Compares what stands in two structures, whose paths and first bytes are given.
fn compare(counts: &mut Counts, nodes: [&[Node]; 2], paths: [&str; 2], starts: [u64; 2]) -> Vec<Change> {
    let names = nodes.map(steps);
    let side = |which: usize, index: usize| {
        let node = &nodes[which][index];
        Side { path: format!("{}/{}", paths[which], names[which][index]), at: node.at, size: node.size }
    };
    let mut changes = Vec::new();
    let (pairs, added) = pairs(nodes);
    for (index, partner) in pairs {
        let node = &nodes[0][index];
        let mut change = Change {
            outcome: Outcome::Removed,
            kind: node.kind,
            name: name(node),
            sides: [Some(side(0, index)), partner.map(|partner| side(1, partner))],
            children: Vec::new(),
        };
        match partner.map(|partner| &nodes[1][partner]) {
            None => counts.removed += 1,
            Some(partner) if partner.sha256 == node.sha256 => {
                if node.at - starts[0] == partner.at - starts[1] {
                    counts.same += 1;
                    continue;
                }
                counts.moved += 1;
                change.outcome = Outcome::Moved;
            }
            Some(partner) => {
                counts.changed += 1;
                change.outcome = Outcome::Changed;
                let paths = change.sides.each_ref().map(|side| side.as_ref().map_or("", |side| side.path.as_str()));
                // Unpacked content counts from its own start.
                let start = |node: &Node| match node.children.first() {
                    Some(child) if child.space != node.space => 0,
                    _ => node.at,
                };
                let inside = [node.children.as_slice(), partner.children.as_slice()];
                change.children = compare(counts, inside, paths, [start(node), start(partner)]);
            }
        }
        changes.push(change);
    }
    for index in added {
        let node = &nodes[1][index];
        counts.added += 1;
        changes.push(Change {
            outcome: Outcome::Added,
            kind: node.kind,
            name: name(node),
            sides: [None, Some(side(1, index))],
            children: Vec::new(),
        });
    }
    changes
}

/// Returns for each structure of the first list its partner in the second, and what is left of the second.
fn pairs(nodes: [&[Node]; 2]) -> (Vec<(usize, Option<usize>)>, Vec<usize>) {
    let counts = |node: &&Node| !matches!(node.kind, Kind::Blank | Kind::Free);
    let indices = |nodes: &[Node]| -> Vec<usize> { (0..nodes.len()).filter(|index| counts(&&nodes[*index])).collect() };
    let [first, second] = nodes.map(indices);
    let mut by_label: HashMap<String, Vec<usize>> = HashMap::new();
    for index in &second {
        by_label.entry(label(&nodes[1][*index])).or_default().push(*index);
    }
    // Equal bytes find each other first, then the rest in order.
    let mut equal: HashMap<(String, [u8; 32]), VecDeque<usize>> = HashMap::new();
    for index in &second {
        equal.entry((label(&nodes[1][*index]), nodes[1][*index].sha256)).or_default().push_back(*index);
    }
    let mut taken = vec![false; nodes[1].len()];
    let mut pairs: Vec<(usize, Option<usize>)> = first
        .iter()
        .map(|index| {
            let node = &nodes[0][*index];
            let partner = equal.get_mut(&(label(node), node.sha256)).and_then(VecDeque::pop_front);
            if let Some(partner) = partner {
                taken[partner] = true;
            }
            (*index, partner)
        })
        .collect();
    let mut rest: HashMap<String, VecDeque<usize>> = HashMap::new();
    for (label, indices) in by_label {
        rest.insert(label, indices.into_iter().filter(|index| !taken[*index]).collect());
    }
    for (index, partner) in pairs.iter_mut().filter(|(_, partner)| partner.is_none()) {
        *partner = rest.get_mut(&label(&nodes[0][*index])).and_then(VecDeque::pop_front);
        if let Some(partner) = partner {
            taken[*partner] = true;
        }
    }
    let added = second.into_iter().filter(|index| !taken[*index]).collect();
    (pairs, added)
}

fn sectors(a: &[u8], b: &[u8]) -> Sectors {
    let mut sectors = Sectors::default();
    let len = a.len().max(b.len());
    for start in (0..len).step_by(SECTOR) {
        if sector(a, start) == sector(b, start) {
            sectors.same += 1;
            continue;
        }
        sectors.differing += 1;
        let (start, end) = (start as u64, (start + SECTOR).min(len) as u64);
        match sectors.ranges.last_mut() {
            Some(range) if range.end == start => range.end = end,
            _ => sectors.ranges.push(start..end),
        }
    }
    sectors
}

/// Returns the sector that begins at `start`, as far as the image has it.
fn sector(image: &[u8], start: usize) -> &[u8] {
    let rest = image.get(start..).unwrap_or_default();
    &rest[..rest.len().min(SECTOR)]
}

/// Returns the name to tell: that of a network NVM is the machine's address and stays out (S15).
fn name(node: &Node) -> Option<Box<str>> {
    node.name.clone().filter(|_| node.kind != Kind::Nvm)
}

impl Outcome {
    /// Returns the name that the JSON has for it.
    pub fn name(self) -> &'static str {
        match self {
            Self::Added => "added",
            Self::Removed => "removed",
            Self::Changed => "changed",
            Self::Moved => "moved",
        }
    }
}

impl Change {
    fn render(&self, depth: usize, lines: &mut Vec<String>) {
        let step =
            self.sides.iter().flatten().next().map_or("", |side| side.path.rsplit('/').next().unwrap_or_default());
        let step = self.name.as_deref().map_or(step.to_owned(), |name| format!("{} {}", self.kind, plain(name)));
        let places = match &self.sides {
            [Some(a), Some(b)] if a.size != b.size => {
                format!("{:x}, {} -> {:x}, {}", a.at, human(a.size), b.at, human(b.size))
            }
            [Some(a), Some(b)] if a.at != b.at => format!("{:x} -> {:x}, {}", a.at, b.at, human(a.size)),
            [Some(side), _] | [None, Some(side)] => format!("{:x}, {}", side.at, human(side.size)),
            [None, None] => String::new(),
        };
        lines.push(format!("{}{:<8} {step}  ({places})", "  ".repeat(depth), self.outcome.name()));
        for change in &self.children {
            change.render(depth + 1, lines);
        }
    }
}

impl Serialize for Diff {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let mut object = serializer.serialize_struct("Diff", 6)?;
        object.serialize_field("same", &self.is_same())?;
        for (name, (size, sha256)) in ["a", "b"].into_iter().zip(&self.images) {
            object.serialize_field(name, &Image { size: *size, sha256: hex(sha256) })?;
        }
        object.serialize_field("counts", &self.counts)?;
        object.serialize_field("structures", &self.structures)?;
        object.serialize_field("sectors", &self.sectors)?;
        object.end()
    }
}

struct Image {
    size: u64,
    sha256: String,
}

impl Serialize for Image {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let mut object = serializer.serialize_struct("Image", 2)?;
        object.serialize_field("size", &self.size)?;
        object.serialize_field("sha256", &self.sha256)?;
        object.end()
    }
}

impl Serialize for Counts {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let mut object = serializer.serialize_struct("Counts", 5)?;
        object.serialize_field("added", &self.added)?;
        object.serialize_field("removed", &self.removed)?;
        object.serialize_field("changed", &self.changed)?;
        object.serialize_field("moved", &self.moved)?;
        object.serialize_field("same", &self.same)?;
        object.end()
    }
}

impl Serialize for Change {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let mut object = serializer.serialize_struct("Change", 6)?;
        object.serialize_field("outcome", self.outcome.name())?;
        object.serialize_field("kind", self.kind.name())?;
        if let Some(name) = &self.name {
            object.serialize_field("name", &**name)?;
        }
        for (name, side) in ["a", "b"].into_iter().zip(&self.sides) {
            if let Some(side) = side {
                object.serialize_field(name, side)?;
            }
        }
        object.serialize_field("children", &self.children)?;
        object.end()
    }
}

impl Serialize for Side {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let mut object = serializer.serialize_struct("Side", 3)?;
        object.serialize_field("path", &self.path)?;
        object.serialize_field("at", &self.at)?;
        object.serialize_field("size", &self.size)?;
        object.end()
    }
}

impl Serialize for Sectors {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let ranges: Vec<[u64; 2]> = self.ranges.iter().map(|range| [range.start, range.end]).collect();
        let mut object = serializer.serialize_struct("Sectors", 4)?;
        object.serialize_field("size", &SECTOR)?;
        object.serialize_field("same", &self.same)?;
        object.serialize_field("differing", &self.differing)?;
        object.serialize_field("ranges", &ranges)?;
        object.end()
    }
}

#[cfg(test)]
mod tests;
