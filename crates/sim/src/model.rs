//! What one virtual chip is: id, geometry, erase types, times, tables, supply, where its protection bits stand.
//!
//! Facts come from the catalogue's entry, from tables given in the bench file, or are class values. The chip model acts
//! by these and shares no judgement with the code that identifies chips: a table that contradicts the size is taken as
//! it stands, so that whoever reads it meets the contradiction.

use nor::catalogue::{self, Entry};
use nor::chip::{EraseType, THREE_BYTE_REACH, Times};
use nor::protection::Layout;
use nor::sfdp::{AddressWidths, Basic, Tables};
use nor::supply::{CLASS_3V, SupplyRange};

/// Least size of a virtual chip: one sector.
pub const LEAST_SIZE: u32 = nor::SECTOR;

/// How a chip reaches past 16 MiB.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Reach {
    /// It does not need to.
    Three,
    /// By a mode that B7h enters and E9h leaves, and by opcodes that carry four address bytes themselves.
    Mode {
        /// Whether the mode only changes after 06h.
        write_enable: bool,
    },
    /// Four address bytes always.
    Four,
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
    /// Block erases, each opcode once.
    pub erases: Vec<EraseType>,
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
    /// Whether it has the Winbond family's second and third register, unique id and volatile status writes.
    pub winbond_like: bool,
}

impl Model {
    /// The chip of a catalogue entry as it stands there.
    #[must_use]
    pub fn of_entry(entry: &Entry) -> Self {
        Self::new(&entry.id, entry.size, Some(entry), entry.tables.clone().unwrap_or_default())
    }

    /// A chip that answers `id`, has `size` bytes and `tables` (none: empty), and for the rest is as `entry` says.
    ///
    /// Without an entry and without usable tables it erases by 20h (4 KiB) and D8h (64 KiB) in class times and bears the
    /// 3 V class (common practice, no source).
    #[must_use]
    pub fn new(id: &[u8], size: u32, entry: Option<&Entry>, tables: Vec<u8>) -> Self {
        let basic = Tables::parse(&tables).ok().map(|tables| tables.basic);
        let basic = basic.as_ref();
        let class = catalogue::class_times(size);
        let page = basic.and_then(|basic| basic.page).or(entry.map(|entry| entry.page)).unwrap_or(256);
        Self {
            id: id.to_vec(),
            size,
            page: page.min(size),
            erases: erases(size, entry, basic),
            chip_erase: basic
                .and_then(|basic| basic.chip_erase)
                .or(entry.and_then(|entry| entry.chip_erase))
                .unwrap_or(class.chip_erase),
            program: basic
                .and_then(|basic| basic.program)
                .or(entry.and_then(|entry| entry.program))
                .unwrap_or(class.program),
            layout: entry.and_then(|entry| entry.protection),
            supply: entry.map_or(CLASS_3V, |entry| entry.supply),
            reach: reach(id, size, basic),
            winbond_like: catalogue::is_winbond_like(id),
            tables,
        }
    }

    /// The erase type behind `opcode`.
    pub(crate) fn erase_by(&self, opcode: u8) -> Option<EraseType> {
        self.erases.iter().find(|erase| erase.opcode == opcode).copied()
    }

    /// Tells whether the opcodes that carry four address bytes themselves exist.
    pub(crate) fn has_long_opcodes(&self) -> bool {
        self.size > THREE_BYTE_REACH
    }
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

/// JESD216: DWORD 1 says four bytes always; DWORD 16 bit 30 the same, bit 25 that 06h precedes B7h, bit 24 that it need not.
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
