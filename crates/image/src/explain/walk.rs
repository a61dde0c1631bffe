//! What every reader of a structure shares: nodes with their hashes, findings, and the budgets of S10.
//!
//! Budgets, with `n` the image's size: [`MAX_NODES`] nodes, [`MAX_DEPTH`] levels, 2n + 32 MiB of decompressed content at once,
//! 16n + 256 MiB of it in all, 16n + 16 MiB of sums over what only looks like an update, 128n + 2 GiB of work altogether.
//! Real images need a tenth of the last four; they keep a made-up image from taking hours. What decompresses hardest gives about
//! 100 MB/s and hashing 300 MB/s without help of the processor, so all stays inside ten seconds and a second for each MiB.
//!
//! The decision a reader would question: nodes are made even when their number is spent. A reader asks [`Walk::full`] before
//! it goes on and makes one `unknown` node of what is left; a reserve of two for each level keeps the promise.

use std::cell::RefCell;
use std::collections::HashMap;
use std::ops::Range;
use std::sync::Arc;

use super::hash::{Ground, Hasher};
use super::{Explanation, Finding, Kind, MAX_DEPTH, MAX_FINDINGS, MAX_NODES, Node, Severity, path, proof, scan};

const MIB: u64 = 1 << 20;
/// Below this size a helper thread costs more than it saves.
const HELPED_FROM: usize = 64 << 10;

/// Bytes that nodes stand in: the image, or a content that was decompressed.
pub(super) struct Space<'a> {
    ground: Ground<'a>,
    pub(super) number: u32,
    /// Ranges hashed already: a volume and the section that holds nothing else share one hash.
    hashed: RefCell<HashMap<(usize, usize), u32>>,
}

/// A finding before its path is known.
struct Raw {
    finding: Finding,
    node: Option<u32>,
}

/// What a walk is for. Sums are found without either; both cost more than everything else.
#[derive(Clone, Copy)]
pub(super) struct Aim {
    /// Each node gets its hashes; zeros stand there otherwise.
    pub(super) hashes: bool,
    /// Compressed contents are read too.
    pub(super) decodes: bool,
}

/// Where the walk through an image stands.
pub(super) struct Walk<'a, 'h> {
    aim: Aim,
    hasher: &'h Hasher<'a>,
    findings: Vec<Raw>,
    /// For each space the node whose content it is; the image has none.
    owners: Vec<Option<u32>>,
    nodes: usize,
    depth: usize,
    size: u64,
    live_left: u64,
    output_left: u64,
    sums_left: u64,
    work_left: u64,
    spent: Vec<&'static str>,
    /// Where the firmware interface table stands in the image, until some stretch takes it in.
    pub(super) fit: Option<Range<usize>>,
}

impl<'a> Space<'a> {
    pub(super) fn bytes(&self) -> &[u8] {
        self.ground.bytes()
    }

    pub(super) fn is_image(&self) -> bool {
        self.number == 0
    }
}

/// Reads the whole image; [`super::explain`] says what comes out.
pub(super) fn explain(image: &[u8], aim: Aim) -> Explanation {
    let hasher = Hasher::default();
    let size = image.len() as u64;
    let mut walk = Walk {
        aim,
        hasher: &hasher,
        findings: Vec::new(),
        owners: vec![None],
        nodes: 0,
        depth: 0,
        size,
        live_left: 2 * size + 32 * MIB,
        output_left: 16 * size + 256 * MIB,
        sums_left: 16 * size + 16 * MIB,
        work_left: 128 * size + 2048 * MIB,
        spent: Vec::new(),
        fit: None,
    };
    let space = Space { ground: Ground::Given(image), number: 0, hashed: RefCell::default() };
    let (mut structures, whole, hashes) = std::thread::scope(|scope| {
        if aim.hashes && image.len() >= HELPED_FROM {
            scope.spawn(|| hasher.help());
        }
        let whole = walk.hash(&space, 0..image.len());
        let structures = scan::image(&mut walk, &space);
        hasher.drain();
        (structures, whole, hasher.close())
    });
    let wanted = walk.findings.iter().filter_map(|raw| raw.node).chain(walk.owners.iter().copied().flatten()).collect();
    let paths = path::of_ids(&structures, &wanted);
    let empty: Arc<str> = Arc::from("");
    let path = |node: Option<u32>| node.and_then(|id| paths.get(&id)).unwrap_or(&empty).clone();
    let spaces: Vec<Arc<str>> = walk.owners.iter().map(|owner| path(*owner)).collect();
    fill(&mut structures, &hashes, &spaces);
    let findings = walk.findings.into_iter().map(|raw| Finding { path: path(raw.node), ..raw.finding }).collect();
    let proof = proof::of(&structures, size);
    Explanation { size, sha256: hashes.get(whole as usize).copied().unwrap_or_default(), structures, findings, proof }
}

/// Puts hashes and names of spaces into the nodes.
fn fill(nodes: &mut Vec<Node>, hashes: &[[u8; 32]], spaces: &[Arc<str>]) {
    nodes.shrink_to_fit();
    for node in nodes {
        [node.sha256, node.content_sha256] =
            node.hashes.map(|number| hashes.get(number as usize).copied().unwrap_or_default());
        node.space = (node.ground != 0).then(|| spaces[node.ground as usize].clone());
        fill(&mut node.children, hashes, spaces);
    }
}

impl<'a> Walk<'a, '_> {
    /// Makes a node over `range`, whose content follows after `lead` bytes.
    pub(super) fn node(&mut self, space: &Space<'a>, kind: Kind, range: Range<usize>, lead: usize) -> Node {
        let mut node = self.head(space, kind, range.clone(), lead);
        self.set_content(&mut node, space, (range.start + lead).min(range.end)..range.end);
        node
    }

    /// Makes a node whose content is told later, by [`Walk::set_content`].
    pub(super) fn head(&mut self, space: &Space<'a>, kind: Kind, range: Range<usize>, lead: usize) -> Node {
        let id = self.nodes as u32;
        self.nodes += 1;
        let whole = self.hash(space, range.clone());
        Node {
            kind,
            at: range.start as u64,
            size: range.len() as u64,
            lead: lead.min(range.len()) as u64,
            space: None,
            name: None,
            guid: None,
            number: None,
            state: None,
            checks: Vec::new(),
            sha256: [0; 32],
            content_sha256: [0; 32],
            children: Vec::new(),
            id,
            hashes: [whole; 2],
            ground: space.number,
        }
    }

    /// Says over which bytes the content's hash goes.
    pub(super) fn set_content(&mut self, node: &mut Node, space: &Space<'a>, range: Range<usize>) {
        node.hashes[1] = self.hash(space, range);
    }

    fn hash(&mut self, space: &Space<'a>, range: Range<usize>) -> u32 {
        if !self.aim.hashes {
            self.work_left = self.work_left.saturating_sub(range.len() as u64 + 64);
            return 0;
        }
        let known = space.hashed.borrow().get(&(range.start, range.end)).copied();
        known.unwrap_or_else(|| {
            self.work_left = self.work_left.saturating_sub(range.len() as u64 + 64);
            let number = self.hasher.add(&space.ground, range.clone());
            space.hashed.borrow_mut().insert((range.start, range.end), number);
            number
        })
    }

    /// Returns whether compressed contents are read.
    pub(super) fn decodes(&self) -> bool {
        self.aim.decodes
    }

    /// Reads a decompressed content: `read` gets it as a space of its own. Its memory is free again afterwards.
    pub(super) fn within(
        &mut self,
        owner: &mut Node,
        content: Vec<u8>,
        read: impl FnOnce(&mut Self, &Space<'a>, &mut Node),
    ) {
        let bytes = content.len() as u64;
        self.live_left = self.live_left.saturating_sub(bytes);
        self.output_left = self.output_left.saturating_sub(bytes);
        let number = self.owners.len() as u32;
        self.owners.push(Some(owner.id));
        let space = Space { ground: Ground::Made(Arc::new(content)), number, hashed: RefCell::default() };
        read(self, &space, owner);
        drop(space);
        self.hasher.drain();
        self.live_left += bytes;
    }

    /// Returns how many bytes a content may decompress to now, when the decoder keeps a window of at most `window` bytes of
    /// it beside.
    pub(super) fn may_expand_to(&self, window: u64) -> u64 {
        // Image, contents and window together stay within four times the image and 48 MiB; the rest is for the tree.
        let room = self.size + 16 * MIB + self.live_left;
        let with_window = (room / 2).max(room.saturating_sub(window));
        self.live_left.min(self.output_left).min(with_window)
    }

    /// Counts bytes that were decompressed in vain.
    pub(super) fn wasted(&mut self, bytes: u64) {
        self.output_left = self.output_left.saturating_sub(bytes);
    }

    /// Returns whether a sum over `bytes` that may be nothing of the kind can still be afforded.
    pub(super) fn may_sum(&mut self, bytes: usize) -> bool {
        let affordable = self.sums_left >= bytes as u64;
        if affordable {
            self.sums_left -= bytes as u64;
        } else {
            self.spend("sums");
        }
        affordable
    }

    /// Returns whether nodes or work are spent; then what is left of a stretch becomes one node.
    pub(super) fn full(&mut self) -> bool {
        if self.nodes >= MAX_NODES - 2 * MAX_DEPTH {
            self.spend("nodes");
            return true;
        }
        if self.work_left == 0 {
            self.spend("work");
            return true;
        }
        false
    }

    /// Runs `read` one level deeper, or not at all when that would be too deep.
    pub(super) fn deeper(&mut self, read: impl FnOnce(&mut Self) -> Vec<Node>) -> Vec<Node> {
        if self.depth + 1 >= MAX_DEPTH {
            self.spend("depth");
            return Vec::new();
        }
        self.depth += 1;
        let nodes = read(self);
        self.depth -= 1;
        nodes
    }

    /// Notes a finding on `node`, at `at` of its space.
    pub(super) fn find(&mut self, severity: Severity, code: &'static str, node: &Node, at: usize, message: String) {
        self.note(severity, code, Some(node.id), at, message);
    }

    /// Notes a bad finding.
    pub(super) fn bad(&mut self, code: &'static str, node: &Node, at: usize, message: String) {
        self.find(Severity::Bad, code, node, at, message);
    }

    /// Notes that a budget is spent, once for each.
    pub(super) fn spend(&mut self, which: &'static str) {
        if self.spent.contains(&which) {
            return;
        }
        self.spent.push(which);
        let (code, what) = match which {
            "nodes" => ("budget-nodes", format!("more than {MAX_NODES} structures; the rest stands as unknown")),
            "depth" => ("budget-depth", format!("nested deeper than {MAX_DEPTH} levels; what is deeper is not read")),
            "output" => {
                ("budget-output", "contents decompress to more than the image allows for; not all were read".into())
            }
            "sums" => ("budget-sums", "too much looks like microcode updates; the rest was not tried".into()),
            _ => (
                "budget-work",
                "reading on would take too long for an image of this size; the rest stands as unknown".into(),
            ),
        };
        self.note(Severity::Warn, code, None, 0, what);
    }

    fn note(&mut self, severity: Severity, code: &'static str, node: Option<u32>, at: usize, message: String) {
        if self.findings.len() >= MAX_FINDINGS {
            return;
        }
        let (code, message, severity) = match self.findings.len() + 1 {
            MAX_FINDINGS => ("more-findings", "there are more findings than are kept".to_owned(), Severity::Warn),
            _ => (code, message, severity),
        };
        let finding = Finding { severity, code, at: at as u64, path: Arc::from(""), message };
        self.findings.push(Raw { finding, node });
    }
}
