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
//! | times | the chip's own table as it stands; else the most cautious of the candidates; else class values |
//! | supply | the catalogue (tables do not say it): what all candidates bear |
//! | protection layout | the catalogue, and only when all candidates agree |

use std::fmt;

use crate::catalogue::{self, Entry};
use crate::protection::Layout;
use crate::sfdp::{AddressWidths, Basic, SfdpError, Tables};
use crate::supply::SupplyRange;

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

/// How the whole of a chip is addressed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Addressing {
    /// Three address bytes reach everything.
    Three,
    /// Four address bytes after B7h; left again with E9h. Some makers want a write enable before both.
    FourByMode {
        /// Whether 06h has to precede B7h and E9h.
        write_enable: bool,
    },
    /// Four address bytes always.
    Four,
    /// Nothing says how to reach past the first 16 MiB.
    Unknown,
}

impl Addressing {
    /// Address bytes on the wire once the mode is entered.
    #[must_use]
    pub fn bytes(self) -> u8 {
        match self {
            Self::Three | Self::Unknown => 3,
            Self::FourByMode { .. } | Self::Four => 4,
        }
    }
}

/// Why a chip must not be written (S5).
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Conflict {
    /// Neither the catalogue nor its own tables describe it.
    Undescribed,
    /// Two sources, two sizes.
    Size {
        /// By the catalogue.
        catalogue: u32,
        /// By the chip's tables.
        tables: u32,
    },
    /// The tables' size word is nonsense.
    TableSize(SfdpError),
    /// The catalogue's candidates have several sizes and the tables choose none.
    CandidateSizes(Vec<u32>),
    /// The measured size is another.
    Measured {
        /// What reading shows.
        measured: u32,
        /// What the sources say.
        declared: u32,
    },
    /// Two page sizes.
    Page {
        /// By the catalogue.
        catalogue: u32,
        /// By the chip's tables.
        tables: u32,
    },
    /// One opcode with two block sizes.
    EraseSize {
        /// The opcode.
        opcode: u8,
        /// The two sizes.
        sizes: [u32; 2],
    },
    /// No erase type, or one that is smaller than a page.
    Erase,
    /// The tables' address width does not fit.
    Address,
    /// No way known to address past 16 MiB.
    Reach,
    /// The candidates bear no common supply.
    Supply,
}

impl fmt::Display for Conflict {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Undescribed => f.write_str("neither the catalogue nor tables of its own describe this chip"),
            Self::Size { catalogue, tables } => {
                write!(f, "size: the catalogue says {catalogue} bytes, the chip's own table {tables}")
            }
            Self::TableSize(error) => write!(f, "size: {error}"),
            Self::CandidateSizes(sizes) => {
                write!(f, "size: parts with this id have {sizes:?} bytes")
            }
            Self::Measured { measured, declared } => {
                write!(f, "size: reading shows {measured} bytes, the chip is said to have {declared}")
            }
            Self::Page { catalogue, tables } => {
                write!(f, "page size: the catalogue says {catalogue} bytes, the chip's own table {tables}")
            }
            Self::EraseSize { opcode, sizes: [one, other] } => {
                write!(f, "erase opcode {opcode:02X}h stands for blocks of {one} and of {other} bytes")
            }
            Self::Erase => f.write_str("no erase type that can be used"),
            Self::Address => f.write_str("address width: what the chip's table says does not fit its size"),
            Self::Reach => f.write_str("address width: nothing says how to reach past the first 16 MiB"),
            Self::Supply => f.write_str("supply: the parts with this id bear no common voltage"),
        }
    }
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
    /// The supply it bears; none when no source says.
    pub supply: Option<SupplyRange>,
    /// Erase types, smallest first.
    pub erases: Vec<EraseType>,
    /// Chip erase.
    pub chip_erase: Times,
    /// Page program.
    pub program: Times,
    /// Layout of the block-protection bits; none means unknown, never unprotected.
    pub protection: Option<Layout>,
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
        let basic = tables.and_then(|tables| tables.as_ref().ok()).map(|tables| &tables.basic);
        let mut conflicts = Vec::new();
        let candidates = fitting(catalogue::by_id(id), basic);
        let sizes = Sizes::of(&candidates, basic, fallback_size, &mut conflicts);
        let page = page_size(&candidates, basic, &mut conflicts);
        let class = catalogue::class_times(sizes.size);
        if candidates.is_empty() && basic.is_none() {
            conflicts.push(Conflict::Undescribed);
        }
        let program = basic.and_then(|basic| basic.program).or_else(|| cautious(&candidates, |entry| entry.program));
        let chip_erase =
            basic.and_then(|basic| basic.chip_erase).or_else(|| cautious(&candidates, |entry| entry.chip_erase));
        let mut sources: Vec<String> = candidates.iter().flat_map(|entry| entry.sources()).collect();
        match tables {
            Some(Ok(tables)) => {
                let (major, minor) = tables.revision;
                sources.push(format!("the chip's own JESD216 tables, revision {major}.{minor}"));
            }
            Some(Err(error)) => sources.push(format!("the chip's own JESD216 tables cannot be used: {error}")),
            None => {}
        }
        let erases = erase_types(&candidates, basic, sizes.size, page, &mut conflicts);
        if program.is_none() || chip_erase.is_none() || erases.iter().any(|erase| !erase.1) {
            sources.push("class values for times that no source states (longest known maximum, times four)".into());
        }
        let addressing = addressing(id, !candidates.is_empty(), sizes.size, basic, &mut conflicts);
        Self {
            id: id.to_vec(),
            markings: candidates.iter().flat_map(|entry| entry.markings.iter().cloned()).collect(),
            vendor: catalogue::vendors(id),
            size: sizes.size,
            catalogue_size: sizes.catalogue,
            table_size: sizes.table,
            page,
            addressing,
            has_long_reads: sizes.size > THREE_BYTE_REACH && catalogue::is_winbond_like(id),
            supply: supply(&candidates, &mut conflicts),
            erases: erases.into_iter().map(|(erase, _)| erase).collect(),
            chip_erase: chip_erase.unwrap_or(class.chip_erase),
            program: program.unwrap_or(class.program),
            protection: layout(&candidates),
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

/// The erase types with their times; the flag tells whether a source stated the times.
fn erase_types(
    candidates: &[&Entry],
    basic: Option<&Basic>,
    size: u32,
    page: u32,
    conflicts: &mut Vec<Conflict>,
) -> Vec<(EraseType, bool)> {
    let listed: Vec<(u8, u32)> = candidates.iter().flat_map(|entry| entry.erase.iter().copied()).collect();
    let stated: Vec<(u8, u32)> =
        basic.map(|basic| basic.erases.iter().map(|erase| (erase.opcode, erase.size)).collect()).unwrap_or_default();
    let mut all: Vec<(u8, u32)> = listed.iter().chain(&stated).copied().collect();
    all.sort_unstable();
    all.dedup();
    for pair in all.windows(2) {
        if pair[0].0 == pair[1].0 {
            conflicts.push(Conflict::EraseSize { opcode: pair[0].0, sizes: [pair[0].1, pair[1].1] });
        }
    }
    let mut used = if stated.is_empty() { listed } else { stated };
    used.sort_unstable_by_key(|(opcode, block)| (*block, *opcode));
    used.dedup_by_key(|(_, block)| *block);
    used.retain(|(_, block)| *block <= size);
    if (used.is_empty() && (basic.is_some() || !candidates.is_empty())) || used.iter().any(|(_, block)| *block < page) {
        conflicts.push(Conflict::Erase);
    }
    used.into_iter()
        .map(|(opcode, block)| {
            let own = basic.and_then(|basic| {
                basic
                    .erases
                    .iter()
                    .find(|erase| (erase.opcode, erase.size) == (opcode, block))
                    .and_then(|erase| erase.times)
            });
            let known = own.or_else(|| cautious(candidates, |entry| entry.erase_times(block)));
            let times = known.unwrap_or_else(|| catalogue::class_erase_times(block));
            (EraseType { opcode, size: block, times }, known.is_some())
        })
        .collect()
}

fn addressing(id: &[u8], listed: bool, size: u32, basic: Option<&Basic>, conflicts: &mut Vec<Conflict>) -> Addressing {
    let widths = basic.map(|basic| basic.address);
    match widths {
        Some(AddressWidths::Four) => {
            if listed && size <= THREE_BYTE_REACH {
                conflicts.push(Conflict::Address);
            }
            return Addressing::Four;
        }
        Some(AddressWidths::Reserved) => conflicts.push(Conflict::Address),
        Some(AddressWidths::Three) if size > THREE_BYTE_REACH => conflicts.push(Conflict::Address),
        _ => {}
    }
    if size <= THREE_BYTE_REACH {
        return Addressing::Three;
    }
    // DWORD 16: bit 24 is B7h alone, bit 25 write enable and B7h, bit 30 always four bytes.
    let entry = basic.and_then(|basic| basic.four_byte_entry);
    match entry {
        Some(entry) if entry & 0x40 != 0 => Addressing::Four,
        Some(entry) if entry & 0x01 != 0 => Addressing::FourByMode { write_enable: false },
        Some(entry) if entry & 0x02 != 0 => Addressing::FourByMode { write_enable: true },
        _ => {
            if let Some(write_enable) = catalogue::enters_four_bytes(id) {
                Addressing::FourByMode { write_enable }
            } else {
                conflicts.push(Conflict::Reach);
                Addressing::Unknown
            }
        }
    }
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

fn layout(candidates: &[&Entry]) -> Option<Layout> {
    let mut layouts = candidates.iter().map(|entry| entry.protection);
    let first = layouts.next()??;
    layouts.all(|layout| layout == Some(first)).then_some(first)
}

/// The slowest of what the candidates state; none when none states anything.
fn cautious(candidates: &[&Entry], times: impl Fn(&Entry) -> Option<Times>) -> Option<Times> {
    candidates.iter().filter_map(|entry| times(entry)).reduce(Times::cautious)
}
