//! The cheapest way from what a chip holds to what it should hold.
//!
//! In: the present and the wanted content, the erase types, what everything costs, and the range asked for. Out: erases
//! and programs in the order in which they are done. Nothing here talks to a chip; a [`Plan`] is a value to print, count
//! and test.
//!
//! The erase types legal in one [`Region`] of the chip nest, and the regions are the roots, so the cheapest cover is exact
//! by one walk over the trees: a block costs either its erase and the
//! programming of all its pages that are not blank, or the sum of its children; a smallest sector needs no erase when
//! every page to be changed is blank. Three rules a reader would question:
//!
//! - A page that holds data is not programmed over, though clearing bits would work on many chips: those with internal
//!   error correction forbid it.
//! - A block that crosses the range asked for is not erased, unless even the smallest type crosses it: the erase would
//!   take content that nobody asked to touch. The smallest one is then written back as it was.
//! - Chip erase is not used, even where it would be a little cheaper: it cannot be watched block by block (safety rule
//!   S6), and cut off in the middle it leaves nothing in place.
//!
//! Costs are whole nanoseconds, so that equal plans have equal costs on every machine.

use std::ops::Range;

use crate::chip::{Chip, EraseType, Region};
use crate::is_blank;
use crate::link::{GUARD_EVERY, Limits};

/// What erasing, programming and the wire cost.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Costs {
    /// Typical time of one block, for each erase type in the order of [`Chip::erases`].
    pub erase_ns: Vec<u64>,
    /// Typical time of one page.
    pub page_ns: u64,
    /// One byte to program, on its way to the chip.
    pub byte_ns: u64,
    /// One byte to read again, on its way from the chip.
    pub read_byte_ns: u64,
    /// What one erase or page program costs beside its time and its data: write enable, opcode and address, one poll.
    pub command_ns: u64,
    /// One check of id and status (S6).
    pub guard_ns: u64,
    /// One read request beside its bytes.
    pub read_ns: u64,
    /// Bytes that one read request brings.
    pub read_bytes: u32,
}

impl Costs {
    /// What `chip` costs over a link with `limits`, at `clock_hz`.
    #[must_use]
    pub fn of(chip: &Chip, limits: &Limits, clock_hz: u32) -> Self {
        let features = limits.features;
        let wire_ns = 8_000_000_000 / u64::from(clock_hz.max(1));
        let host_ns = limits.bytes_per_second.map_or(0, |rate| 1_000_000_000 / u64::from(rate.max(1)));
        // A link that runs lists fetches the next data while the chip is busy; one that digests sends next to nothing.
        let byte_ns = if features.program_range { wire_ns } else { wire_ns.max(host_ns) };
        let read_byte_ns = if features.digest_range { wire_ns } else { wire_ns.max(host_ns) };
        let trip_ns = u64::from(limits.round_trip_us) * 1000;
        let address = u64::from(chip.addressing.bytes());
        let lead = 1 + address;
        let id = chip.id.len() as u64;
        let lists = features.program_range && features.erase_list;
        let trips = |count: u64| if lists { 0 } else { count * trip_ns };
        Self {
            erase_ns: chip.erases.iter().map(|erase| erase.times.typical_us * 1000).collect(),
            page_ns: chip.program.typical_us * 1000,
            byte_ns,
            read_byte_ns,
            command_ns: (1 + lead + 2) * byte_ns + trips(3),
            guard_ns: (1 + id + 2) * byte_ns + trips(2),
            read_ns: trip_ns + (lead + 1) * wire_ns,
            read_bytes: if features.read_range { limits.max_range } else { limits.max_transfer - 6 },
        }
    }
}

/// One thing to do, in a plan's order.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum PlanStep {
    /// Erase one block.
    Erase {
        /// First byte.
        at: u32,
        /// Which of the chip's erase types.
        erase: EraseType,
    },
    /// Program whole pages.
    Program {
        /// First byte, at a page's beginning.
        at: u32,
        /// Length, whole pages.
        len: u32,
    },
}

/// A list of erases and programs, with what it costs.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Plan {
    /// In order of addresses; the programs of an erased block follow its erase.
    pub steps: Vec<PlanStep>,
    /// Cost of all steps.
    pub cost_ns: u64,
    /// The range asked for.
    pub range: Range<u32>,
}

/// Why no plan can be made.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum PlanError {
    /// Contents and chip have different sizes.
    #[error("the chip has {chip} bytes, the present content {present}, the wanted content {wanted}")]
    Sizes {
        /// The chip's size.
        chip: u32,
        /// Length of the present content.
        present: usize,
        /// Length of the wanted content.
        wanted: usize,
    },
    /// The range is empty or reaches past the chip.
    #[error("the range from {} to {} does not lie in a chip of {chip} bytes", range.start, range.end)]
    Range {
        /// The range.
        range: Range<u32>,
        /// The chip's size.
        chip: u32,
    },
    /// Some part of the chip has no usable erase type.
    #[error("the chip has no erase type that can be used, at least not everywhere")]
    NoErase,
}

/// A block of one level of the tree.
#[derive(Clone, Copy)]
struct Node {
    /// The cheapest way to the wanted content of this block.
    cost: u64,
    /// Pages of the wanted content that hold data.
    filled: u32,
    /// Whether the cheapest way erases the block as a whole.
    erase: bool,
}

impl Plan {
    /// Plans the way from `present` to `wanted`, both of the whole chip. Outside `range` they have to be equal.
    ///
    /// # Errors
    /// [`PlanError`].
    ///
    /// # Panics
    /// In debug builds, when the contents differ outside the range.
    pub fn new(
        chip: &Chip,
        costs: &Costs,
        present: &[u8],
        wanted: &[u8],
        range: Range<u32>,
    ) -> Result<Self, PlanError> {
        let size = chip.size;
        if present.len() != size as usize || wanted.len() != size as usize {
            return Err(PlanError::Sizes { chip: size, present: present.len(), wanted: wanted.len() });
        }
        if range.is_empty() || range.end > size {
            return Err(PlanError::Range { range, chip: size });
        }
        debug_assert!(
            present[..range.start as usize] == wanted[..range.start as usize]
                && present[range.end as usize..] == wanted[range.end as usize..],
            "the contents differ outside the range"
        );
        let covered = chip.regions.last().is_some_and(|region| region.end() == size);
        if !covered || chip.regions.iter().any(|region| region.erases.is_empty()) {
            return Err(PlanError::NoErase);
        }
        let mut steps = Vec::new();
        let mut cost_ns = 0;
        for region in &chip.regions {
            let walk = Walk::of(chip, costs, region, present, wanted, range.clone());
            let levels = walk.levels();
            let roots = levels.last().expect("the leaves at least");
            cost_ns += roots.iter().map(|node| node.cost).sum::<u64>();
            for block in 0..roots.len() {
                walk.emit(&levels, levels.len() - 1, block, &mut steps);
            }
        }
        Ok(Self { steps: merged(steps), cost_ns, range })
    }

    /// Tells whether there is nothing to do.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.steps.is_empty()
    }

    /// The erases alone.
    pub fn erases(&self) -> impl Iterator<Item = (u32, EraseType)> + '_ {
        self.steps.iter().filter_map(|step| match step {
            PlanStep::Erase { at, erase } => Some((*at, *erase)),
            PlanStep::Program { .. } => None,
        })
    }

    /// The programs alone: first byte and length.
    pub fn programs(&self) -> impl Iterator<Item = (u32, u32)> + '_ {
        self.steps.iter().filter_map(|step| match step {
            PlanStep::Program { at, len } => Some((*at, *len)),
            PlanStep::Erase { .. } => None,
        })
    }

    /// Bytes that will be programmed.
    #[must_use]
    pub fn programmed_bytes(&self) -> u64 {
        self.programs().map(|(_, len)| u64::from(len)).sum()
    }

    /// The stretches that the plan touches, ascending and joined: each erase block and each programmed run.
    #[must_use]
    pub fn touched(&self) -> Vec<Range<u32>> {
        let mut touched: Vec<Range<u32>> = Vec::new();
        for step in &self.steps {
            let (at, end) = match *step {
                PlanStep::Erase { at, erase } => (at, at + erase.size),
                PlanStep::Program { at, len } => (at, at + len),
            };
            match touched.last_mut() {
                Some(last) if at <= last.end => last.end = last.end.max(end),
                _ => touched.push(at..end),
            }
        }
        touched
    }

    /// What the checks of id and status along the way cost (S6).
    #[must_use]
    pub fn checks_ns(&self, costs: &Costs) -> u64 {
        let checks: u64 = self
            .steps
            .iter()
            .map(|step| match step {
                PlanStep::Erase { .. } => 1,
                PlanStep::Program { len, .. } => u64::from(len.div_ceil(GUARD_EVERY)),
            })
            .sum();
        checks * costs.guard_ns
    }

    /// What reading the range again costs.
    #[must_use]
    pub fn verify_ns(&self, costs: &Costs) -> u64 {
        let len = self.range.end - self.range.start;
        u64::from(len) * costs.read_byte_ns + u64::from(len.div_ceil(costs.read_bytes)) * costs.read_ns
    }
}

/// The walk over one region's tree.
struct Walk<'a> {
    chip: &'a Chip,
    costs: &'a Costs,
    region: &'a Region,
    /// What one block costs beside the command, for each of the region's types.
    erase_ns: Vec<u64>,
    present: &'a [u8],
    wanted: &'a [u8],
    range: Range<u32>,
}

impl<'a> Walk<'a> {
    fn of(
        chip: &'a Chip,
        costs: &'a Costs,
        region: &'a Region,
        present: &'a [u8],
        wanted: &'a [u8],
        range: Range<u32>,
    ) -> Self {
        let cost = |erase: &EraseType| {
            let index = chip.erases.iter().position(|known| known == erase);
            costs.erase_ns[index.expect("the chip's types are those of its regions")]
        };
        let erase_ns = region.erases.iter().map(cost).collect();
        Self { chip, costs, region, erase_ns, present, wanted, range }
    }

    /// The nodes of every level, smallest blocks first.
    fn levels(&self) -> Vec<Vec<Node>> {
        let smallest = self.region.erases[0].size;
        let leaves =
            (0..self.region.len / smallest).map(|index| self.leaf(self.region.at + index * smallest, smallest));
        let mut levels = vec![leaves.collect::<Vec<Node>>()];
        for (level, erase) in self.region.erases.iter().enumerate().skip(1) {
            let below = levels.last().expect("the leaves");
            let ratio = (erase.size / self.region.erases[level - 1].size) as usize;
            let nodes =
                below.chunks(ratio).enumerate().map(|(block, children)| self.node(block, level, children)).collect();
            levels.push(nodes);
        }
        levels
    }

    /// First byte of a block.
    fn at(&self, level: usize, block: usize) -> u32 {
        self.region.at + u32::try_from(block).expect("fewer blocks than bytes") * self.region.erases[level].size
    }

    /// One page with its data, on its way into the chip.
    fn page_ns(&self) -> u64 {
        self.costs.page_ns + u64::from(self.chip.page) * self.costs.byte_ns + self.costs.command_ns
    }

    fn erase_ns(&self, level: usize, filled: u32) -> u64 {
        self.erase_ns[level] + self.costs.command_ns + u64::from(filled) * self.page_ns()
    }

    fn leaf(&self, at: u32, len: u32) -> Node {
        let stretch = at as usize..(at + len) as usize;
        let page = self.chip.page as usize;
        let (present, wanted) = (&self.present[stretch.clone()], &self.wanted[stretch]);
        #[expect(clippy::cast_possible_truncation, reason = "fewer pages than bytes, which fit")]
        let filled = wanted.chunks(page).filter(|page| !is_blank(page)).count() as u32;
        if present == wanted {
            return Node { cost: 0, filled, erase: false };
        }
        let mut changed = 0;
        for (old, new) in present.chunks(page).zip(wanted.chunks(page)) {
            if old != new {
                if !is_blank(old) {
                    return Node { cost: self.erase_ns(0, filled), filled, erase: true };
                }
                changed += 1;
            }
        }
        Node { cost: changed * self.page_ns(), filled, erase: false }
    }

    fn node(&self, block: usize, level: usize, children: &[Node]) -> Node {
        let apart = children.iter().map(|child| child.cost).sum();
        let filled = children.iter().map(|child| child.filled).sum();
        let size = self.region.erases[level].size;
        let at = self.at(level, block);
        let inside = self.range.start <= at && at + size <= self.range.end;
        let whole = self.erase_ns(level, filled);
        if inside && whole < apart {
            Node { cost: whole, filled, erase: true }
        } else {
            Node { cost: apart, filled, erase: false }
        }
    }

    fn emit(&self, levels: &[Vec<Node>], level: usize, block: usize, steps: &mut Vec<PlanStep>) {
        let node = levels[level][block];
        if node.cost == 0 {
            return;
        }
        let erase = self.region.erases[level];
        let at = self.at(level, block);
        if node.erase {
            steps.push(PlanStep::Erase { at, erase });
        }
        if node.erase || level == 0 {
            for page in (at..at + erase.size).step_by(self.chip.page as usize) {
                let stretch = page as usize..(page + self.chip.page) as usize;
                let (old, new) = (&self.present[stretch.clone()], &self.wanted[stretch]);
                if if node.erase { !is_blank(new) } else { old != new } {
                    steps.push(PlanStep::Program { at: page, len: self.chip.page });
                }
            }
            return;
        }
        let ratio = (erase.size / self.region.erases[level - 1].size) as usize;
        for child in block * ratio..(block + 1) * ratio {
            self.emit(levels, level - 1, child, steps);
        }
    }
}

/// Joins programs that follow each other without a gap.
fn merged(steps: Vec<PlanStep>) -> Vec<PlanStep> {
    let mut merged: Vec<PlanStep> = Vec::new();
    for step in steps {
        if let (Some(PlanStep::Program { at, len }), PlanStep::Program { at: next, len: more }) =
            (merged.last_mut(), step)
            && *at + *len == next
        {
            *len += more;
        } else {
            merged.push(step);
        }
    }
    merged
}
