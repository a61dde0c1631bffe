//! What one virtual chip is: id, geometry, erase types, times, tables, supply, where its protection bits stand.
//!
//! Facts come from the catalogue's entry, from tables given in the bench file, or are class values. The chip model acts
//! by these and shares no judgement with the code that identifies chips: a table that contradicts the size is taken as
//! it stands, so that whoever reads it meets the contradiction.

use nor::catalogue::{self, Entry, StatusErrors};
use nor::chip::{EraseType, THREE_BYTE_REACH, Times};
use nor::protection::Layout;
use nor::sfdp::{AddressWidths, Basic, QuadEnable, SectorMap, StatusEnable, Tables};
use nor::supply::{CLASS_3V, SupplyRange};

/// Least size of a virtual chip: one sector.
pub const LEAST_SIZE: u32 = nor::SECTOR;

/// How a chip reaches past 16 MiB.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Reach {
    /// It does not need to.
    Three,
    /// By a mode that B7h enters and E9h leaves; a reset and a power-up leave it too.
    Mode {
        /// Whether the mode only changes after 06h.
        write_enable: bool,
    },
    /// Not by B7h: only by what [`Model::bank_register`], [`Model::extended_register`] and [`Model::long`] name.
    NoMode,
    /// Four address bytes always.
    Four,
}

/// Opcodes that carry four address bytes whatever the mode.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct LongOpcodes {
    /// 13h reads.
    pub read: bool,
    /// 0Ch reads after eight dummy clocks.
    pub fast_read: bool,
    /// 3Ch reads on two data lines, after so many dummy bytes.
    pub two_line_read: Option<u8>,
    /// 12h programs.
    pub program: bool,
    /// Erases: the opcode, and the one with the mode's address width that does the same.
    pub erases: Vec<(u8, u8)>,
}

/// A stretch in which the same erase types are legal.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ModelRegion {
    /// First byte.
    pub at: u32,
    /// Bytes.
    pub len: u32,
    /// Erase types.
    pub erases: Vec<EraseType>,
}

/// A setting that a command of the sector map reads.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Setting {
    /// Opcode.
    pub opcode: u8,
    /// Address bytes; none: as many as the chip takes at the moment.
    pub address_bytes: Option<u8>,
    /// Dummy bytes.
    pub dummy_bytes: u8,
    /// Address.
    pub at: u32,
    /// What stands there.
    pub value: u8,
}

/// The facts of one chip.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Model {
    /// What 9Fh answers.
    pub id: Vec<u8>,
    /// Bytes; a power of two from [`LEAST_SIZE`] to [`nor::MAX_SIZE`].
    pub size: u32,
    /// Bytes of one program page.
    pub page: u32,
    /// Block erases, each opcode once; where there are [`Model::regions`], those count.
    pub erases: Vec<EraseType>,
    /// Regions of the sector map; empty when the erases are legal everywhere.
    pub regions: Vec<ModelRegion>,
    /// What the commands of the sector map read: the settings of the map that the table gives first.
    pub settings: Vec<Setting>,
    /// Time of C7h and 60h.
    pub chip_erase: Times,
    /// Time of one page.
    pub program: Times,
    /// What 5Ah answers; empty for a chip without tables.
    pub tables: Vec<u8>,
    /// Where the protection bits stand, where the catalogue knows.
    pub layout: Option<Layout>,
    /// The supply it bears.
    pub supply: SupplyRange,
    /// Address widths.
    pub reach: Reach,
    /// Whether bit 7 of a register that 17h writes and 16h reads chooses four address bytes.
    pub bank_register: bool,
    /// Whether C5h writes and C8h reads a register with the upper byte of three-byte addresses.
    pub extended_register: bool,
    /// Opcodes with four address bytes.
    pub long: LongOpcodes,
    /// The read on two data lines: opcode and dummy bytes.
    pub two_line_read: Option<(u8, u8)>,
    /// Status registers that it has: 1 to 3.
    pub status_registers: usize,
    /// Whether 50h makes the next status write volatile.
    pub volatile_status: bool,
    /// Whether all protection bits are set at each power-up.
    pub protection_is_volatile: bool,
    /// The opcode that opens the locks of single blocks, all of which are closed at power-up.
    pub block_locks: Option<u8>,
    /// Whether it takes single bytes by 02h and words by ADh instead of pages.
    pub words_only: bool,
    /// Where a failed erase or program shows.
    pub status_errors: Option<StatusErrors>,
    /// Whether it has the Winbond family's second and third register, unique id and volatile status writes.
    pub winbond_like: bool,
}

impl Model {
    /// The chip of a catalogue entry as it stands there.
    #[must_use]
    pub fn of_entry(entry: &Entry) -> Self {
        Self::new(&whole_id(entry), entry.size, Some(entry), entry.tables.clone().unwrap_or_default())
    }

    /// A chip that answers `id`, has `size` bytes and `tables` (none: empty), and for the rest is as `entry` says.
    ///
    /// Without an entry and without usable tables it erases by 20h (4 KiB) and D8h (64 KiB) in class times and bears the
    /// 3 V class (common practice, no source).
    #[must_use]
    pub fn new(id: &[u8], size: u32, entry: Option<&Entry>, tables: Vec<u8>) -> Self {
        let parsed = Tables::parse(&tables).ok();
        let basic = parsed.as_ref().map(|tables| &tables.basic);
        let class = catalogue::class_times(size);
        let page = basic.and_then(|basic| basic.page).or(entry.map(|entry| entry.page)).unwrap_or(256);
        let class_program = if page == 1 { catalogue::WORD_PROGRAM } else { class.program };
        let winbond_like = catalogue::is_winbond_like(id);
        let habit = catalogue::status_write(id);
        let entries = basic.and_then(|basic| basic.four_byte_entry).unwrap_or(0);
        let map = parsed.as_ref().and_then(|tables| tables.sector_map.as_ref());
        Self {
            id: id.to_vec(),
            size,
            page: page.min(size),
            erases: erases(size, entry, basic),
            regions: map.zip(basic).map_or(Vec::new(), |(map, basic)| regions(map, basic, entry)),
            settings: map.map_or(Vec::new(), settings),
            chip_erase: basic
                .and_then(|basic| basic.chip_erase)
                .or(entry.and_then(|entry| entry.chip_erase))
                .unwrap_or(class.chip_erase),
            program: basic
                .and_then(|basic| basic.program)
                .or(entry.and_then(|entry| entry.program))
                .unwrap_or(class_program),
            layout: entry.and_then(|entry| entry.protection),
            supply: entry.map_or(CLASS_3V, |entry| entry.supply),
            reach: reach(id, size, basic),
            bank_register: entries & 0x08 != 0 && size > THREE_BYTE_REACH,
            extended_register: entries & 0x04 != 0 && size > THREE_BYTE_REACH,
            two_line_read: basic.and_then(two_line_read),
            long: long_opcodes(size, winbond_like, entry, parsed.as_ref()),
            status_registers: match basic.and_then(|basic| basic.quad_enable) {
                _ if winbond_like => 3,
                Some(
                    QuadEnable::SecondClearedByOne
                    | QuadEnable::SecondKeptByOne
                    | QuadEnable::SecondBy01
                    | QuadEnable::SecondBy31,
                ) => 2,
                _ => habit.map_or(1, |habit| usize::from(habit.bytes)),
            },
            volatile_status: match basic.and_then(|basic| basic.status_enable) {
                Some(enable) => matches!(enable, StatusEnable::Both | StatusEnable::VolatileBy50),
                None => habit.is_some_and(|habit| habit.volatile),
            },
            protection_is_volatile: entry.is_some_and(|entry| entry.protection_is_volatile),
            block_locks: entry.and_then(|entry| entry.block_locks),
            words_only: entry.is_some_and(|entry| entry.words_only),
            status_errors: entry.and_then(|entry| entry.status_errors),
            winbond_like,
            tables,
        }
    }

    /// The erase type behind `opcode`.
    pub(crate) fn erase_by(&self, opcode: u8) -> Option<EraseType> {
        self.erases.iter().find(|erase| erase.opcode == opcode).copied()
    }

    /// What `opcode` erases at `at`, if it erases anything there.
    pub(crate) fn erase_at(&self, opcode: u8, at: u32) -> Option<EraseType> {
        if self.regions.is_empty() {
            return self.erase_by(opcode);
        }
        let region = self.regions.iter().find(|region| at >= region.at && at - region.at < region.len)?;
        region.erases.iter().find(|erase| erase.opcode == opcode).copied()
    }
}

/// What a chip of this entry answers to 9Fh: its three bytes, and the first of the longer ids that the entry is meant for.
pub(crate) fn whole_id(entry: &Entry) -> Vec<u8> {
    let more = entry.id_more.first().map_or(&[][..], |more| more);
    [&entry.id[..], more].concat()
}

/// The regions of the first map, with the erase types that its numbers name.
fn regions(map: &SectorMap, basic: &Basic, entry: Option<&Entry>) -> Vec<ModelRegion> {
    let mut at = 0_u32;
    let regions = map.maps.first().into_iter().flat_map(|map| &map.regions).map(|region| {
        let stated = basic.erases.iter().filter(|erase| region.has(erase.number));
        let erases = stated.map(|erase| {
            let listed = || entry.and_then(|entry| entry.erase_times(erase.size));
            let times = erase.times.or_else(listed).unwrap_or_else(|| catalogue::class_erase_times(erase.size));
            EraseType { opcode: erase.opcode, size: erase.size, times }
        });
        let region = ModelRegion { at, len: region.len, erases: erases.collect() };
        at = at.saturating_add(region.len);
        region
    });
    regions.collect()
}

/// Settings that choose the first map: its number in bits, the first command's highest. Two commands may read one byte.
fn settings(map: &SectorMap) -> Vec<Setting> {
    let number = map.maps.first().map_or(0, |map| u32::from(map.number));
    let mut settings: Vec<Setting> = Vec::new();
    for (index, command) in map.commands.iter().rev().enumerate() {
        let value = if number.checked_shr(u32::try_from(index).unwrap_or(u32::MAX)).unwrap_or(0) & 1 == 1 {
            command.mask
        } else {
            0
        };
        match settings.iter_mut().find(|known| (known.opcode, known.at) == (command.opcode, command.address)) {
            Some(known) => known.value |= value,
            None => settings.push(Setting {
                opcode: command.opcode,
                address_bytes: command.address_bytes,
                // "As set" comes up as eight clocks (from memory of parts whose tables say so).
                dummy_bytes: command.dummy_clocks.map_or(1, |clocks| clocks.div_ceil(8)),
                at: command.address,
                value,
            }),
        }
    }
    settings
}

/// Opcode and dummy bytes; none where the table's clocks are no whole bytes, which this chip model cannot count.
fn two_line_read(basic: &Basic) -> Option<(u8, u8)> {
    let (opcode, clocks) = basic.two_line_read?;
    let dummy = u8::try_from(clocks / 8).ok().filter(|_| clocks % 8 == 0)?;
    Some((opcode, dummy))
}

/// From the chip's own table, else from the entry; large Winbond-like parts read so whatever the table says (from memory).
fn long_opcodes(size: u32, winbond_like: bool, entry: Option<&Entry>, tables: Option<&Tables>) -> LongOpcodes {
    if let Some((table, basic)) = tables.and_then(|tables| Some((tables.four_byte.as_ref()?, &tables.basic))) {
        let erases = basic.erases.iter().filter_map(|erase| Some((table.erase(erase.number)?, erase.opcode)));
        let (read, fast_read, program) = (table.read, table.fast_read, table.program);
        let two_line_read = two_line_read(basic).filter(|_| table.two_line_read).map(|(_, dummy)| dummy);
        return LongOpcodes { read, fast_read, two_line_read, program, erases: erases.collect() };
    }
    if entry.is_some_and(|entry| entry.long_opcodes) {
        let erases = vec![(0x21, 0x20), (0xDC, 0xD8)];
        return LongOpcodes { read: true, fast_read: true, two_line_read: None, program: true, erases };
    }
    let reads = winbond_like && size > THREE_BYTE_REACH;
    LongOpcodes { read: reads, fast_read: reads, ..LongOpcodes::default() }
}

fn erases(size: u32, entry: Option<&Entry>, basic: Option<&Basic>) -> Vec<EraseType> {
    let stated = basic.into_iter().flat_map(|basic| &basic.erases).map(|erase| (erase.opcode, erase.size, erase.times));
    let listed = entry.into_iter().flat_map(|entry| &entry.erase).map(|(opcode, block)| (*opcode, *block, None));
    let mut all: Vec<EraseType> = Vec::new();
    for (opcode, block, times) in stated.chain(listed) {
        if block <= size && all.iter().all(|known| known.opcode != opcode) {
            let times = times.or(entry.and_then(|entry| entry.erase_times(block)));
            let times = times.unwrap_or_else(|| catalogue::class_erase_times(block));
            all.push(EraseType { opcode, size: block, times });
        }
    }
    if all.is_empty() {
        let class = |(opcode, block)| EraseType { opcode, size: block, times: catalogue::class_erase_times(block) };
        all = [(0x20, 4096), (0xD8, 65_536)].into_iter().filter(|(_, block)| *block <= size).map(class).collect();
    }
    all
}

/// JESD216: DWORD 1 says four bytes always; DWORD 16 bit 30 the same, bit 25 that 06h precedes B7h, bit 24 that it need not,
/// bits 26, 27 and 29 registers and opcodes instead of a mode. A table that says nothing leaves it to the maker's habit.
fn reach(id: &[u8], size: u32, basic: Option<&Basic>) -> Reach {
    let entry = basic.and_then(|basic| basic.four_byte_entry).unwrap_or(0);
    if basic.is_some_and(|basic| basic.address == AddressWidths::Four) {
        return Reach::Four;
    }
    if size <= THREE_BYTE_REACH {
        return Reach::Three;
    }
    match entry {
        entry if entry & 0x40 != 0 => Reach::Four,
        entry if entry & 0x01 != 0 => Reach::Mode { write_enable: false },
        entry if entry & 0x02 != 0 => Reach::Mode { write_enable: true },
        entry if entry & 0x2C != 0 => Reach::NoMode,
        _ => Reach::Mode { write_enable: catalogue::enters_four_bytes(id).unwrap_or(false) },
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn tables_say_more_than_the_list_and_both_are_kept() {
        let model = Model::of_entry(catalogue::by_marking("W25Q128")[0]);
        let opcodes: Vec<_> = model.erases.iter().map(|erase| (erase.opcode, erase.size)).collect();
        assert_eq!(opcodes, [(0x20, 4096), (0x52, 32_768), (0xD8, 65_536)]);
        // JESD216 DWORD 11 = C914EA82h: (10 + 1) x 64 us; twice (2 + 1) of it at most.
        assert_eq!(model.program, Times { typical_us: 704, max_us: 4224 });
    }

    #[test]
    fn a_chip_that_nothing_describes_gets_class_values() {
        let model = Model::new(&[0x77, 1, 2], 8192, None, Vec::new());
        assert_eq!(model.erases.len(), 1, "a block larger than the chip is left out");
        assert_eq!((model.page, model.supply, model.reach), (256, CLASS_3V, Reach::Three));
    }

    #[test]
    fn large_chips_reach_by_mode() {
        let model = Model::new(&[0x20, 0xBA, 0x19], 1 << 25, None, Vec::new());
        assert_eq!(model.reach, Reach::Mode { write_enable: true });
        assert_eq!(
            Model::new(&[0xEF, 0x40, 0x19], 1 << 25, None, Vec::new()).reach,
            Reach::Mode { write_enable: false }
        );
    }
}
