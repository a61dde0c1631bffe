//! The chip map: for each 4 KiB sector of a chip one state.
//!
//! In: what is known of the chip's content, the content that the next writing step wants, the sectors in which passes differed,
//! and the plan that was begun last. Out: one [`Cell`] a sector, in address order. [`cells`] and [`Writing`] are pure; [`ChipMap::read`]
//! fetches what they need from journal and vault.
//!
//! The decision a reader would question: a write that is under way and one that was cut off look alike in the journal. Both give
//! [`Cell::Unsure`] where the plan touches; whoever runs the write knows how far it is and lays [`Writing::run`] over the cells.

use std::collections::HashMap;
use std::ops::Range;
use std::path::{Path, PathBuf};
use std::sync::Arc;

pub use nor::SECTOR;
use serde::Serialize;
use serde_json::Value;
use vault::{Digest, Entry, JobId};

use crate::error::JobError;
use crate::jobs::Work;
use crate::record::Known;
use crate::session::open_bench;
use crate::views::reads::{disputed_in, range_of};

mod wish;

pub use self::wish::Wanted;
use self::wish::{Wish, bytes_of, in_vault, next_wish};

/// The state of one sector. The numbers are those of the desk's messages; a new state gets a new one.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
#[repr(u8)]
pub enum Cell {
    /// It was never read in this job.
    Unknown = 0,
    /// Erased: every byte is FF.
    Blank = 1,
    /// It holds data, which the next write leaves as it is or of which nothing is known yet.
    Data = 2,
    /// It holds something else than the next write wants.
    Differs = 3,
    /// Passes did not agree on it.
    Disputed = 4,
    /// A write touches it and is under way or was cut off: only a read can tell.
    Unsure = 5,
    /// The write that runs has erased it.
    Erased = 6,
    /// The write that runs has programmed it.
    Programmed = 7,
    /// It was read again after the write and holds what was wanted.
    Verified = 8,
}

impl Cell {
    /// Every state, by number.
    pub const ALL: [Self; 9] = [
        Self::Unknown,
        Self::Blank,
        Self::Data,
        Self::Differs,
        Self::Disputed,
        Self::Unsure,
        Self::Erased,
        Self::Programmed,
        Self::Verified,
    ];

    /// Returns the word for it.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::Unknown => "not read",
            Self::Blank => "blank",
            Self::Data => "data",
            Self::Differs => "differs",
            Self::Disputed => "disputed",
            Self::Unsure => "unsure",
            Self::Erased => "erased",
            Self::Programmed => "programmed",
            Self::Verified => "verified",
        }
    }

    /// Returns what it means, in a sentence.
    #[must_use]
    pub fn means(self) -> &'static str {
        match self {
            Self::Unknown => "never read in this job",
            Self::Blank => "erased: every byte is FF",
            Self::Data => "holds data",
            Self::Differs => "holds something else than the next write wants",
            Self::Disputed => "passes read it differently",
            Self::Unsure => "a write is under way or was cut off here: only a read can tell",
            Self::Erased => "erased by the write that runs",
            Self::Programmed => "programmed by the write that runs",
            Self::Verified => "read again after the write, and right",
        }
    }
}

/// The map of one chip.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ChipMap {
    /// The chip's name in the profile.
    pub chip: String,
    /// Its bytes.
    pub size: u32,
    /// What the cells are of: the last capture, or what was applied and verified last; none when it was never read.
    pub content: Option<Digest>,
    /// What the next write wants, as far as it is known and could be found.
    pub wanted: Option<Wanted>,
    /// One for each sector.
    pub cells: Vec<Cell>,
    /// The write that was begun last and has not ended.
    pub writing: Option<Writing>,
    /// Entries of the journal when the map was made: with more, it may be old.
    pub entries: usize,
}

/// What goes into [`cells`].
#[derive(Debug, Clone, Copy, Default)]
pub struct Known4k<'a> {
    /// The chip's content.
    pub content: Option<&'a [u8]>,
    /// What the next write wants.
    pub wanted: Option<&'a [u8]>,
    /// Where passes differ.
    pub disputed: &'a [Range<u32>],
    /// What was verified after a write.
    pub verified: &'a [Range<u32>],
    /// What a write touches that has not ended.
    pub unsure: &'a [Range<u32>],
}

/// Returns the state of each sector of a chip of `size` bytes.
///
/// What is said later in this list wins: content, wanted content, verified, disputed, unsure.
#[must_use]
pub fn cells(size: u32, known: Known4k<'_>) -> Vec<Cell> {
    let sectors = size.div_ceil(SECTOR);
    let sector = |index: u32| {
        let from = (index * SECTOR) as usize;
        let content = known.content?.get(from..).filter(|rest| !rest.is_empty())?;
        let content = &content[..content.len().min(SECTOR as usize)];
        let place = from..from + content.len();
        Some(match known.wanted.and_then(|wanted| wanted.get(place)) {
            Some(wanted) if wanted != content => Cell::Differs,
            _ if nor::is_blank(content) => Cell::Blank,
            _ => Cell::Data,
        })
    };
    let mut cells: Vec<Cell> = (0..sectors).map(|index| sector(index).unwrap_or(Cell::Unknown)).collect();
    for (ranges, cell) in
        [(known.verified, Cell::Verified), (known.disputed, Cell::Disputed), (known.unsure, Cell::Unsure)]
    {
        for range in ranges {
            paint(&mut cells, range.clone(), |old| match (cell, old) {
                // What already differs from a further wish is no longer worth the word.
                (Cell::Verified, Cell::Differs) => old,
                _ => cell,
            });
        }
    }
    cells
}

fn paint(cells: &mut [Cell], range: Range<u32>, with: impl Fn(Cell) -> Cell) {
    let end = (range.end.div_ceil(SECTOR) as usize).min(cells.len());
    let start = ((range.start / SECTOR) as usize).min(end);
    for cell in &mut cells[start..end] {
        *cell = with(*cell);
    }
}

/// A write that was begun, as its plan in the journal has it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Writing {
    /// The step that it belongs to.
    pub step: String,
    /// In the order in which they are done: by address, an erase before the programs of its block.
    acts: Vec<Act>,
    /// What is read again afterwards.
    again: Range<u32>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Act {
    at: u32,
    len: u32,
    erases: bool,
}

/// How far a write is, as its news say.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum HowFar {
    /// So many bytes of erases and programs are done.
    Wrote(u64),
    /// All is written, and so many bytes were read again.
    ReadAgain(u64),
}

impl HowFar {
    /// Reads the news of a phase, by its name; none for a phase that is no part of a write.
    #[must_use]
    pub fn of(phase: &str, done: u64) -> Option<Self> {
        match phase {
            crate::session::WRITING => Some(Self::Wrote(done)),
            "reading again" => Some(Self::ReadAgain(done)),
            _ => None,
        }
    }
}

impl Writing {
    /// Reads a plan out of the body of an entry `planned`.
    fn of(body: &Value) -> Option<Self> {
        let number = |value: &Value| u32::try_from(value.as_u64()?).ok();
        let list = |key: &str| body[key].as_array().into_iter().flatten();
        let act = |erases| move |entry: &Value| Some(Act { at: number(&entry[0])?, len: number(&entry[1])?, erases });
        let mut acts: Vec<Act> =
            list("erases").filter_map(act(true)).chain(list("programs").filter_map(act(false))).collect();
        acts.sort_by_key(|act| (act.at, !act.erases));
        let touched = list("touched").filter_map(range_of);
        let again =
            touched.fold(range_of(&body["range"])?, |hull, more| hull.start.min(more.start)..hull.end.max(more.end));
        Some(Self { step: body["step"].as_str().unwrap_or_default().to_owned(), acts, again })
    }

    /// Lays over `cells` what a write that runs has done so far. `before` are the cells as they were before the write.
    pub fn run(&self, before: &[Cell], how_far: HowFar) -> Vec<Cell> {
        let mut cells = before.to_vec();
        let mut left = match how_far {
            HowFar::Wrote(done) => done,
            HowFar::ReadAgain(_) => u64::MAX,
        };
        for act in &self.acts {
            let cell = if act.erases { Cell::Erased } else { Cell::Programmed };
            let done = u32::try_from(left.min(u64::from(act.len))).expect("no more than a length");
            if done > 0 {
                paint(&mut cells, act.at..act.at + done, |_| cell);
            }
            left -= u64::from(done);
            if left == 0 {
                break;
            }
        }
        if let HowFar::ReadAgain(done) = how_far {
            let from = self.again.start / SECTOR * SECTOR;
            let end = u64::from(from).saturating_add(done).min(u64::from(self.again.end));
            paint(&mut cells, from..u32::try_from(end).expect("inside the chip"), |_| Cell::Verified);
        }
        cells
    }

    /// Returns how many bytes of erases and programs there are, the total of the news.
    #[must_use]
    pub fn total(&self) -> u64 {
        self.acts.iter().map(|act| u64::from(act.len)).sum()
    }
}

impl ChipMap {
    /// Reads the map of a chip of a job. Published files that are not in the vault are looked for in `folders`, by their hash.
    ///
    /// # Errors
    /// [`JobError::BadOption`] for a chip that the profile does not have; [`JobError::WrongJob`]; [`JobError::Vault`].
    pub fn read(bench: &Path, job: &str, chip: &str, folders: &[PathBuf]) -> Result<Self, JobError> {
        let vault = &open_bench(bench)?;
        let work = &Work::open(vault, &JobId::new(job)?)?;
        let spec = super::contents::chip_of(work, chip)?;
        let known = Known::of_chip(&work.entries, chip);
        let last =
            of_chip(&work.entries, chip).rev().find(|entry| matches!(entry.kind.as_str(), "captured" | "applied"));
        let mut content = last.and_then(|entry| entry.body["content"].as_str()?.parse::<Digest>().ok());
        let refused = of_chip(&work.entries, chip).rev().find(|entry| entry.kind == "refused");
        let refused = refused.filter(|entry| last.is_none_or(|last| last.seq < entry.seq));
        if content.is_none() {
            // A refused read is no proof of anything, but all that there is to show.
            content = refused.and_then(|entry| entry.body["content"].as_str()?.parse().ok());
        }
        let mut writing = None;
        let mut unsure = Vec::new();
        let mut verified = Vec::new();
        if let Some(pending) = &known.pending {
            let plans: Vec<&Entry> = of_chip(&work.entries, chip)
                .filter(|entry| entry.kind == "planned" && last.is_none_or(|last| last.seq < entry.seq))
                .collect();
            if plans.len() > 1 {
                // The newest plan was made from a read: beside what it touches, the earlier ones have come to their end.
                content = pending.wanted.last().copied().or(content);
            }
            if let Some(newest) = plans.last() {
                writing = Writing::of(&newest.body);
                unsure = newest.body["touched"].as_array().into_iter().flatten().filter_map(range_of).collect();
            }
        } else if let Some(applied) = last.filter(|entry| entry.kind == "applied") {
            verified.extend(range_of(&applied.body["range"]));
        }
        let wanted = match &known.pending {
            Some(pending) => pending.wanted.last().copied().map(|id| Wish::Content(Wanted::Kept(id))),
            None => next_wish(vault, work, chip, folders)?,
        };
        let bytes = content.map(|id| in_vault(vault, &id)).transpose()?.flatten();
        let wanted_bytes = match &wanted {
            Some(Wish::Content(Wanted::Kept(id))) if Some(*id) == content => None,
            Some(Wish::Content(wanted)) => bytes_of(vault, wanted)?,
            Some(Wish::Fill(byte)) => Some(Arc::new(vec![*byte; spec.size as usize])),
            None => None,
        };
        let disputed = refused.map(|entry| disputed_in(&entry.body["evidence"])).unwrap_or_default();
        let size = spec.size;
        let known4k = Known4k {
            content: bytes.as_deref(),
            wanted: wanted_bytes.as_deref().map(Vec::as_slice),
            disputed: &disputed,
            verified: &verified,
            unsure: &unsure,
        };
        let wanted = match wanted {
            Some(Wish::Content(wanted)) => Some(wanted),
            _ => None,
        };
        Ok(Self {
            chip: chip.to_owned(),
            size,
            content,
            wanted,
            cells: cells(size, known4k),
            writing,
            entries: work.entries.len(),
        })
    }

    /// Returns the cells as they were before the write that was begun last: nothing unsure, what differs named so.
    ///
    /// # Errors
    /// [`JobError::Vault`].
    pub fn before_writing(&self, bench: &Path) -> Result<Vec<Cell>, JobError> {
        let vault = open_bench(bench)?;
        let content = self.content.map(|id| in_vault(&vault, &id)).transpose()?.flatten();
        let wanted = self.wanted.as_ref().map(|wanted| bytes_of(&vault, wanted)).transpose()?.flatten();
        let wanted = wanted.as_deref().map(Vec::as_slice);
        Ok(cells(self.size, Known4k { content: content.as_deref(), wanted, ..Known4k::default() }))
    }

    /// Counts the sectors of each state that occurs.
    #[must_use]
    pub fn counts(&self) -> Vec<CellCount> {
        let mut counts: HashMap<Cell, u32> = HashMap::new();
        for cell in &self.cells {
            *counts.entry(*cell).or_default() += 1;
        }
        let occurs = |cell: Cell| counts.get(&cell).map(|sectors| CellCount { state: cell.name(), sectors: *sectors });
        Cell::ALL.into_iter().filter_map(occurs).collect()
    }
}

/// How many sectors are in a state.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct CellCount {
    /// The state's word.
    pub state: &'static str,
    /// Sectors.
    pub sectors: u32,
}

/// Stretches of cells that are not the same: first sector, count, new state. What a running map sends to a page.
#[must_use]
pub fn changes(old: &[Cell], new: &[Cell]) -> Vec<(u32, u32, Cell)> {
    let mut runs: Vec<(u32, u32, Cell)> = Vec::new();
    for (index, (old, new)) in (0u32..).zip(old.iter().zip(new)) {
        if old == new {
            continue;
        }
        match runs.last_mut() {
            Some((first, count, cell)) if *first + *count == index && cell == new => *count += 1,
            _ => runs.push((index, 1, *new)),
        }
    }
    runs
}

fn of_chip<'e>(entries: &'e [Entry], chip: &'e str) -> impl DoubleEndedIterator<Item = &'e Entry> {
    entries.iter().filter(move |entry| entry.body["chip"].as_str() == Some(chip))
}

#[cfg(test)]
mod tests;
