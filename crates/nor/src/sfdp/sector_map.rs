//! JESD216's sector map (FF81h, since revision B): where on a chip which erase types are legal.
//!
//! A chip may have several maps and choose one by its settings. The table then begins with commands to read those
//! settings: each gives one bit, and the bits, first one highest, are the number of the map in use. Sending them is the
//! driver's business; [`SectorMap::choose`] takes what they answered. The layout of the words is from memory of JESD216B,
//! as Linux drivers/mtd/spi-nor/sfdp.c reads it too; the one real map in `tests/data` (SST26VF064B) agrees.

use super::basic::field;
use crate::MAX_SIZE;

/// What is wrong with a sector map.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum MapError {
    /// A descriptor runs past the table's end.
    #[error("descriptor at word {word} of the sector map runs past its {words} words")]
    Cut {
        /// Where the descriptor begins, counted from 0.
        word: usize,
        /// Length of the table.
        words: usize,
    },
    /// A region is larger than any chip.
    #[error("a region of the sector map has {len} bytes, more than any chip")]
    Region {
        /// Its length.
        len: u64,
    },
    /// The table ends without any map.
    #[error("the sector map describes no map at all")]
    Empty,
    /// The chip's settings were not read, or not all of them.
    #[error("the map in use depends on the chip's settings: {commands} commands to read, {answers} answers at hand")]
    Undetected {
        /// Commands to send.
        commands: usize,
        /// Answers at hand.
        answers: usize,
    },
    /// No map has the number that the settings give.
    #[error("the chip's settings choose map {number}, which its table does not describe")]
    NoMap {
        /// The number.
        number: u32,
    },
    /// The regions do not add up to the chip.
    #[error("the regions of the map in use add up to {regions} bytes, the chip has {chip}")]
    Sum {
        /// Bytes of all regions.
        regions: u64,
        /// The chip's size.
        chip: u32,
    },
    /// Blocks of one opcode differ by address, and no map says where.
    #[error("blocks of one erase opcode differ by address on this part, and it shows no map that says where")]
    Missing,
    /// A map is announced, and the table cannot be used.
    #[error("the chip announces a sector map that cannot be used: {reason}")]
    Unusable {
        /// Why.
        reason: String,
    },
    /// No erase type fits a region.
    #[error("no erase type fits the region of {len} bytes at {at:#x}")]
    NoErase {
        /// First byte of the region.
        at: u32,
        /// Its length.
        len: u32,
    },
}

/// One command that reads a setting.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct MapCommand {
    /// Opcode.
    pub opcode: u8,
    /// Address bytes; none: as many as the chip takes at the moment.
    pub address_bytes: Option<u8>,
    /// Dummy clocks before the data; none: as many as the chip is set to.
    pub dummy_clocks: Option<u8>,
    /// What to read.
    pub address: u32,
    /// Which bits of the answered byte count: any of them set gives 1.
    pub mask: u8,
}

/// A stretch with the same erase types.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct MapRegion {
    /// Length in bytes.
    pub len: u32,
    /// Erase types of the basic table: bit 0 for number 1, up to bit 3.
    pub types: u8,
}

impl MapRegion {
    /// Tells whether the erase type of this number is legal here.
    #[must_use]
    pub fn has(self, number: u8) -> bool {
        (1..=4).contains(&number) && self.types >> (number - 1) & 1 == 1
    }
}

/// One map: regions from the chip's first byte on.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Map {
    /// The number that the settings choose it by.
    pub number: u8,
    /// Its regions, in order of addresses.
    pub regions: Vec<MapRegion>,
}

/// The table, decoded.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SectorMap {
    /// The commands that read the settings, in order; none on a chip with one map.
    pub commands: Vec<MapCommand>,
    /// The maps.
    pub maps: Vec<Map>,
    /// What the commands answered, one byte each, once the driver has sent them.
    pub answers: Vec<u8>,
}

impl SectorMap {
    /// Decodes the table's words.
    ///
    /// # Errors
    /// [`MapError::Cut`], [`MapError::Region`] and [`MapError::Empty`].
    pub fn parse(dwords: &[u32]) -> Result<Self, MapError> {
        let mut commands = Vec::new();
        let mut maps = Vec::new();
        let mut at = 0;
        while let Some(word) = dwords.get(at).copied() {
            let cut = MapError::Cut { word: at, words: dwords.len() };
            let is_map = field(word, 1, 1) == 1;
            let following = if is_map { field(word, 23, 16) as usize + 1 } else { 1 };
            let rest = dwords.get(at + 1..at + 1 + following).ok_or(cut)?;
            at += 1 + following;
            if !is_map {
                commands.push(command(word, rest[0]));
                continue;
            }
            let regions = rest.iter().map(|word| region(*word)).collect::<Result<_, _>>()?;
            #[expect(clippy::cast_possible_truncation, reason = "eight bits")]
            maps.push(Map { number: field(word, 15, 8) as u8, regions });
            if field(word, 0, 0) == 1 {
                break;
            }
        }
        if maps.is_empty() { Err(MapError::Empty) } else { Ok(Self { commands, maps, answers: Vec::new() }) }
    }

    /// The map in use, by what the commands answered.
    ///
    /// # Errors
    /// [`MapError::Undetected`] and [`MapError::NoMap`].
    pub fn choose(&self) -> Result<&Map, MapError> {
        let (commands, answers) = (self.commands.len(), self.answers.len());
        if commands != answers {
            return Err(MapError::Undetected { commands, answers });
        }
        let number = self
            .commands
            .iter()
            .zip(&self.answers)
            .fold(0_u32, |number, (command, answer)| number << 1 | u32::from(answer & command.mask != 0));
        self.maps.iter().find(|map| u32::from(map.number) == number).ok_or(MapError::NoMap { number })
    }
}

/// Bits 15:8 opcode, 19:16 dummy clocks (1111b: as set), 23:22 address bytes (0, 3, 4, as set), 31:24 mask; the next word is
/// the address.
#[expect(clippy::cast_possible_truncation, reason = "eight bits and fewer")]
fn command(word: u32, address: u32) -> MapCommand {
    MapCommand {
        opcode: field(word, 15, 8) as u8,
        address_bytes: [Some(0), Some(3), Some(4), None][field(word, 23, 22) as usize],
        dummy_clocks: Some(field(word, 19, 16) as u8).filter(|clocks| *clocks != 15),
        address,
        mask: field(word, 31, 24) as u8,
    }
}

/// Bits 3:0 erase types, 31:8 length in units of 256 bytes, less one.
#[expect(clippy::cast_possible_truncation, reason = "four bits; the length is checked")]
fn region(word: u32) -> Result<MapRegion, MapError> {
    let len = (u64::from(field(word, 31, 8)) + 1) * 256;
    if len > u64::from(MAX_SIZE) {
        return Err(MapError::Region { len });
    }
    Ok(MapRegion { len: len as u32, types: field(word, 3, 0) as u8 })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Two settings and three maps, laid out as JESD216B has it (from memory).
    fn words() -> Vec<u32> {
        vec![
            0x08FF_65FC,
            0x0000_0004,
            0x0240_65FD,
            0x0000_0003,
            0x0001_00FE,
            0x0000_7FF1,
            0x007F_7FF4,
            0x0000_02FE,
            0x007F_FFF4,
            0x0000_03FF,
            0x007F_FFF2,
        ]
    }

    #[test]
    fn settings_choose_the_map() {
        let mut map = SectorMap::parse(&words()).expect("sound");
        assert_eq!(map.commands[0].address_bytes, None, "as set");
        assert_eq!((map.commands[0].dummy_clocks, map.commands[1].dummy_clocks), (None, Some(0)));
        assert_eq!((map.commands[1].address_bytes, map.commands[1].address, map.commands[1].mask), (Some(3), 3, 2));
        assert_eq!(map.choose(), Err(MapError::Undetected { commands: 2, answers: 0 }));
        map.answers = vec![0xF7, 0xFD];
        assert_eq!(map.choose().expect("map 0").regions[0], MapRegion { len: 32 << 10, types: 1 });
        map.answers = vec![0x08, 0x02];
        assert_eq!(map.choose().expect("map 3").regions[0].types, 2);
        map.answers = vec![0x00, 0x02];
        assert_eq!(map.choose(), Err(MapError::NoMap { number: 1 }));
    }

    #[test]
    fn s10_a_map_cut_anywhere_is_an_error_or_a_shorter_map() {
        let words = words();
        for len in 0..words.len() {
            match SectorMap::parse(&words[..len]) {
                Ok(map) => assert!(map.maps.len() < 3, "{len} words"),
                Err(error) => assert!(matches!(error, MapError::Cut { .. } | MapError::Empty), "{len}: {error}"),
            }
        }
        assert!(matches!(SectorMap::parse(&[0x0000_00FF, 0xFFFF_FFF1]), Err(MapError::Region { .. })));
    }
}
