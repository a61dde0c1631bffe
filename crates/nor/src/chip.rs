//! What firmhand believes of one chip, and how sure it may be: catalogue candidates and the chip's own tables merged.
//!
//! [`Chip::describe`] is the whole of it: an id and what 5Ah answered go in, a description comes out. It carries the
//! conflicts between its sources (safety rule S5): a chip that nothing describes, or whose sources conflict, is read and
//! never written. Who believes whom:
//!
//! | fact | rule |
//! |---|---|
//! | size, page, address width, one opcode with two block sizes | sources must agree, else a conflict |
//! | erase types | the chip's own table, where there is one: it often says more than a list does |
//! | erase regions | the chip's own sector map; one that is announced and cannot be used is a conflict |
//! | times | the chip's own table as it stands; else the most cautious of the candidates; else class values |
//! | supply | the catalogue (tables do not say it): what all candidates bear |
//! | protection layout | the catalogue, and only when all candidates agree |

mod address;
mod conflict;
mod erase;
mod status;

pub use address::Addressing;
pub use conflict::Conflict;
pub use erase::Region;
pub use status::StatusForm;

use crate::catalogue::{self, Entry, StatusErrors};
use crate::command::ReadMode;
use crate::protection::Layout;
use crate::sfdp::{Basic, MapCommand, Polling, QuadEnable, Resets, SfdpError, Sleep, Tables};
use crate::supply::SupplyRange;
use address::LongOpcodes;
use erase::Erases;

/// Bytes that three address bytes reach.
pub const THREE_BYTE_REACH: u32 = 1 << 24;

/// A typical and a maximum time, in microseconds.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Times {
    /// Typical.
    pub typical_us: u64,
    /// Maximum.
    pub max_us: u64,
}

impl Times {
    /// JESD216's rule for a maximum: 2 x (multiplier + 1) x typical.
    #[must_use]
    pub fn scaled(typical_us: u64, multiplier: u32) -> Self {
        Self { typical_us, max_us: 2 * (u64::from(multiplier) + 1) * typical_us }
    }

    /// The slower of both, each figure by itself.
    #[must_use]
    pub fn cautious(self, other: Self) -> Self {
        Self { typical_us: self.typical_us.max(other.typical_us), max_us: self.max_us.max(other.max_us) }
    }
}

/// One way to erase.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct EraseType {
    /// Opcode.
    pub opcode: u8,
    /// Block size in bytes, a power of two; blocks lie on multiples of it.
    pub size: u32,
    /// How long one block takes.
    pub times: Times,
}

/// What is believed of one chip.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Chip {
    /// What 9Fh answered.
    pub id: Vec<u8>,
    /// Names that the catalogue knows for it.
    pub markings: Vec<String>,
    /// Who may have made it.
    pub vendor: Vec<String>,
    /// Size in bytes; the largest that a source claims, so that reading misses nothing.
    pub size: u32,
    /// What the catalogue says of the size, when it names the id.
    pub catalogue_size: Option<u32>,
    /// What the chip's own table says of the size.
    pub table_size: Option<u32>,
    /// Page size in bytes.
    pub page: u32,
    /// How all of it is addressed.
    pub addressing: Addressing,
    /// Whether 13h and 0Ch read with four address bytes whatever the mode.
    pub has_long_reads: bool,
    /// How the chip's own table says that it is read on two data lines; none where no table says so, or where the clocks
    /// between address and data are no whole bytes.
    pub two_line_read: Option<ReadMode>,
    /// The supply it bears; none when no source says.
    pub supply: Option<SupplyRange>,
    /// Erase types of all regions, each once, smallest first.
    pub erases: Vec<EraseType>,
    /// Where which of them are legal, in order of addresses, without gaps; empty when nothing usable is known.
    pub regions: Vec<Region>,
    /// Commands that have to be sent before the regions are known (their answers go into [`SectorMap::answers`] of the
    /// tables, and the chip is described again); empty when none are needed or all are answered.
    ///
    /// [`SectorMap::answers`]: crate::sfdp::SectorMap::answers
    pub map_commands: Vec<MapCommand>,
    /// Opcode that programs one page, or one byte on [`Chip::words_only`] parts.
    pub program_opcode: u8,
    /// Whether there is no page program: 02h takes one byte, ADh two at a time. `page` is 1 then.
    pub words_only: bool,
    /// Chip erase.
    pub chip_erase: Times,
    /// Page program.
    pub program: Times,
    /// Layout of the block-protection bits; none means unknown, never unprotected.
    pub protection: Option<Layout>,
    /// Whether it comes up with everything protected at each power-up.
    pub protection_is_volatile: bool,
    /// The opcode that opens all its locks of single blocks, where it has them.
    pub block_locks: Option<u8>,
    /// Status registers: what reads them, and how the first one is written.
    pub status: StatusForm,
    /// Where a failed erase or program shows, where all candidates agree.
    pub status_errors: Option<StatusErrors>,
    /// Where the end of an erase or program shows, by its own table.
    pub polling: Option<Polling>,
    /// How four data lines are switched on, by its own table.
    pub quad_enable: Option<QuadEnable>,
    /// Soft resets that it takes, by its own table.
    pub resets: Option<Resets>,
    /// Deep power-down, by its own table.
    pub sleep: Option<Sleep>,
    /// Where the facts come from.
    pub sources: Vec<String>,
    /// Why it must not be written; empty when it may.
    pub conflicts: Vec<Conflict>,
}

impl Chip {
    /// Merges what is known of a chip that answered `id` to 9Fh; `tables` is what its own tables gave, if it has any.
    ///
    /// `fallback_size` is the size to read when neither source says one (a person's statement); without it an
    /// undescribed chip has size 0 and nothing can be read from it.
    #[must_use]
    pub fn describe(id: &[u8], tables: Option<&Result<Tables, SfdpError>>, fallback_size: u32) -> Self {
        let read = tables.and_then(|tables| tables.as_ref().ok());
        let basic = read.map(|tables| &tables.basic);
        let mut conflicts = Vec::new();
        let candidates = fitting(catalogue::by_id(id), basic);
        let sizes = Sizes::of(&candidates, basic, fallback_size, &mut conflicts);
        let page = page_size(&candidates, basic, &mut conflicts);
        if candidates.is_empty() && basic.is_none() {
            conflicts.push(Conflict::Undescribed);
        }
        let (numbered, erases_timed) =
            Erases { candidates: &candidates, tables: read, size: sizes.size, page }.regions(&mut conflicts);
        let long = LongOpcodes::of(id, sizes.size, &candidates, read);
        let converted: Option<Vec<_>> = numbered.iter().map(|region| long.erases(&region.erases)).collect();
        let converted = converted.filter(|regions| !regions.is_empty());
        // A chip without regions is only read, and long opcodes read it.
        let all_long = converted.is_some() || (numbered.is_empty() && long.programs);
        let addressing = address::addressing(id, !candidates.is_empty(), sizes.size, basic, all_long, &mut conflicts);
        let mut regions: Vec<Region> = numbered.into_iter().map(erase::Numbered::plain).collect();
        if let (Addressing::Long, Some(converted)) = (addressing, converted) {
            for (region, erases) in regions.iter_mut().zip(converted) {
                region.erases = erases.into_iter().map(|(_, erase)| erase).collect();
            }
        }
        let program = basic.and_then(|basic| basic.program).or_else(|| cautious(&candidates, |entry| entry.program));
        let chip_erase =
            basic.and_then(|basic| basic.chip_erase).or_else(|| cautious(&candidates, |entry| entry.chip_erase));
        let class = catalogue::class_times(sizes.size);
        let class_program = if page == 1 { catalogue::WORD_PROGRAM } else { class.program };
        let mut sources = sources(&candidates, tables);
        if program.is_none() || chip_erase.is_none() || !erases_timed {
            sources.push("class values for times that no source states (longest known maximum, times four)".into());
        }
        Self {
            id: id.to_vec(),
            markings: candidates.iter().flat_map(|entry| entry.markings.iter().cloned()).collect(),
            vendor: catalogue::vendors(id),
            size: sizes.size,
            catalogue_size: sizes.catalogue,
            table_size: sizes.table,
            page,
            addressing,
            has_long_reads: long.reads,
            two_line_read: long.two_line_read(addressing),
            supply: supply(&candidates, &mut conflicts),
            erases: erase::union(&regions),
            regions,
            map_commands: map_commands(read),
            program_opcode: addressing.program_opcode(),
            words_only: candidates.iter().any(|entry| entry.words_only),
            chip_erase: chip_erase.unwrap_or(class.chip_erase),
            program: program.unwrap_or(class_program),
            protection: agreed(&candidates, |entry| entry.protection),
            protection_is_volatile: candidates.iter().any(|entry| entry.protection_is_volatile),
            block_locks: agreed(&candidates, |entry| entry.block_locks),
            status: StatusForm::of(id, basic),
            status_errors: agreed(&candidates, |entry| entry.status_errors),
            polling: basic.and_then(|basic| basic.polling),
            quad_enable: basic.and_then(|basic| basic.quad_enable),
            resets: basic.and_then(|basic| basic.resets),
            sleep: basic.and_then(|basic| basic.sleep),
            sources,
            conflicts,
        }
    }

    /// Tells whether S5 lets this chip be written.
    #[must_use]
    pub fn is_writable(&self) -> bool {
        self.conflicts.is_empty()
    }

    /// Takes what reading showed of the size; another size than declared is a conflict. A chip that nothing describes
    /// has the size that reading shows.
    pub fn take_measured_size(&mut self, measured: u32) {
        if self.conflicts.contains(&Conflict::Undescribed) {
            self.size = measured;
        } else if measured != self.size {
            self.conflicts.push(Conflict::Measured { measured, declared: self.size });
        }
    }

    /// The id as hexadecimal digits.
    #[must_use]
    pub fn id_text(&self) -> String {
        id_text(&self.id)
    }

    /// One name for people: the first marking, or the id.
    #[must_use]
    pub fn name(&self) -> String {
        self.markings.first().cloned().unwrap_or_else(|| format!("chip {}", self.id_text()))
    }
}

/// An id as hexadecimal digits.
#[must_use]
pub fn id_text(id: &[u8]) -> String {
    id.iter().map(|byte| format!("{byte:02x}")).collect()
}

/// Of several entries with one id, those whose size is the one that the chip's table states, if there are any.
fn fitting(candidates: Vec<&'static Entry>, basic: Option<&Basic>) -> Vec<&'static Entry> {
    let Some(size) = basic.and_then(|basic| basic.size.clone().ok()) else {
        return candidates;
    };
    let fit: Vec<_> = candidates.iter().copied().filter(|entry| entry.size == size).collect();
    if fit.is_empty() { candidates } else { fit }
}

/// The size by each source.
struct Sizes {
    size: u32,
    catalogue: Option<u32>,
    table: Option<u32>,
}

impl Sizes {
    fn of(candidates: &[&Entry], basic: Option<&Basic>, fallback: u32, conflicts: &mut Vec<Conflict>) -> Self {
        let mut sizes: Vec<u32> = candidates.iter().map(|entry| entry.size).collect();
        sizes.sort_unstable();
        sizes.dedup();
        let catalogue = sizes.last().copied();
        let table = basic.and_then(|basic| match &basic.size {
            Ok(size) => Some(*size),
            Err(error) => {
                conflicts.push(Conflict::TableSize(error.clone()));
                None
            }
        });
        if sizes.len() > 1 {
            conflicts.push(Conflict::CandidateSizes(sizes));
        }
        if let (Some(catalogue), Some(table)) = (catalogue, table)
            && catalogue != table
        {
            conflicts.push(Conflict::Size { catalogue, tables: table });
        }
        Self { size: catalogue.max(table).unwrap_or(fallback), catalogue, table }
    }
}

fn page_size(candidates: &[&Entry], basic: Option<&Basic>, conflicts: &mut Vec<Conflict>) -> u32 {
    let listed = candidates.iter().map(|entry| entry.page).min();
    let stated = basic.and_then(|basic| basic.page);
    if let (Some(catalogue), Some(tables)) = (listed, stated)
        && catalogue != tables
    {
        conflicts.push(Conflict::Page { catalogue, tables });
    }
    // Tables of the first revision give no page size. Those that say "at least 64 bytes at once" belong to parts with
    // pages of 256 bytes (from memory); a part that takes single bytes has no page at all.
    let class = if basic.is_some_and(|basic| !basic.page_programs) { 1 } else { 256 };
    stated.into_iter().chain(listed).min().unwrap_or(class)
}

fn supply(candidates: &[&Entry], conflicts: &mut Vec<Conflict>) -> Option<SupplyRange> {
    let mut ranges = candidates.iter().map(|entry| entry.supply);
    let first = ranges.next()?;
    let common = ranges.try_fold(first, SupplyRange::common);
    if common.is_none() {
        conflicts.push(Conflict::Supply);
    }
    common
}

/// What all candidates say; none when they differ or one says nothing.
fn agreed<T: PartialEq>(candidates: &[&Entry], says: impl Fn(&Entry) -> Option<T>) -> Option<T> {
    let mut said = candidates.iter().map(|entry| says(entry));
    let first = said.next()??;
    said.all(|other| other.as_ref() == Some(&first)).then_some(first)
}

fn sources(candidates: &[&Entry], tables: Option<&Result<Tables, SfdpError>>) -> Vec<String> {
    let mut sources: Vec<String> = candidates.iter().flat_map(|entry| entry.sources()).collect();
    match tables {
        Some(Ok(tables)) => {
            let (major, minor) = tables.revision;
            sources.push(format!("the chip's own JESD216 tables, revision {major}.{minor}"));
            sources.extend(tables.faults.iter().map(|fault| format!("left out of the chip's own tables: {fault}")));
        }
        Some(Err(error)) => sources.push(format!("the chip's own JESD216 tables cannot be used: {error}")),
        None => {}
    }
    sources
}

/// What has to be asked before the sector map says which regions there are.
fn map_commands(tables: Option<&Tables>) -> Vec<MapCommand> {
    match tables.and_then(|tables| tables.sector_map.as_ref()) {
        Some(map) if map.answers.len() != map.commands.len() => map.commands.clone(),
        _ => Vec::new(),
    }
}

/// The slowest of what the candidates state; none when none states anything.
fn cautious(candidates: &[&Entry], times: impl Fn(&Entry) -> Option<Times>) -> Option<Times> {
    candidates.iter().filter_map(|entry| times(entry)).reduce(Times::cautious)
}
