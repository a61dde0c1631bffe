//! Which erase types are legal where.
//!
//! The chip's own table goes before the catalogue, since it often says more than a list does. Without a sector map a
//! chip is one region. With one, each region has the types that the map gives it, as far as they fit: blocks have to lie
//! on multiples of their size and inside their region. An opcode may then have two sizes on one chip, but not in one
//! region (safety rule S5). An announced map that cannot be used leaves the chip without regions: it is read only.

use super::{Conflict, EraseType, cautious};
use crate::catalogue::{self, Entry};
use crate::sfdp::sector_map::MapRegion;
use crate::sfdp::{MapError, ParameterHeader, TableErase, Tables};

/// A stretch of a chip in which the same erase types are legal.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Region {
    /// First byte.
    pub at: u32,
    /// Length in bytes.
    pub len: u32,
    /// Erase types, smallest first; each size divides the next one, the region's length and its first byte.
    pub erases: Vec<EraseType>,
}

impl Region {
    /// The byte after the region.
    #[must_use]
    pub fn end(&self) -> u32 {
        self.at + self.len
    }
}

/// A region with its types under their numbers in the basic table (0: none).
pub(super) struct Numbered {
    pub at: u32,
    pub len: u32,
    pub erases: Vec<(u8, EraseType)>,
}

impl Numbered {
    pub(super) fn plain(self) -> Region {
        Region { at: self.at, len: self.len, erases: self.erases.into_iter().map(|(_, erase)| erase).collect() }
    }
}

/// What is known of a chip's erases, on the way to its regions.
pub(super) struct Erases<'a> {
    pub candidates: &'a [&'static Entry],
    pub tables: Option<&'a Tables>,
    pub size: u32,
    pub page: u32,
}

impl Erases<'_> {
    /// The regions, and whether a source stated the times of all their types.
    pub(super) fn regions(&self, conflicts: &mut Vec<Conflict>) -> (Vec<Numbered>, bool) {
        let listed: Vec<(u8, u32)> = self.candidates.iter().flat_map(|entry| entry.erase.iter().copied()).collect();
        let stated = self.tables.map_or(&[][..], |tables| &tables.basic.erases);
        for (opcode, size) in &listed {
            let other = |erase: &&TableErase| erase.opcode == *opcode;
            if let Some(erase) = stated.iter().find(other)
                && !stated.iter().filter(other).any(|erase| erase.size == *size)
            {
                let sizes = [*size.min(&erase.size), *size.max(&erase.size)];
                conflicts.push(Conflict::EraseSize { opcode: *opcode, sizes });
            }
        }
        let described = self.tables.is_some() || !self.candidates.is_empty();
        if self.size == 0 || !described {
            return (Vec::new(), true);
        }
        let stretches = match self.stretches() {
            Ok(stretches) => stretches,
            Err(error) => {
                conflicts.push(Conflict::SectorMap(error));
                return (Vec::new(), true);
            }
        };
        let mapped = stretches.len() > 1 || stretches[0].2.is_some();
        let mut all_timed = true;
        let mut regions = Vec::new();
        for (at, len, map) in stretches {
            let mut used: Vec<(u8, u8, u32)> = match map {
                Some(map) => stated
                    .iter()
                    .filter(|erase| map.has(erase.number))
                    .map(|erase| (erase.number, erase.opcode, erase.size))
                    .collect(),
                None if stated.is_empty() => listed.iter().map(|(opcode, size)| (0, *opcode, *size)).collect(),
                None => stated.iter().map(|erase| (erase.number, erase.opcode, erase.size)).collect(),
            };
            // Before the types that do not fit are left out: one that shares its opcode with another makes both doubtful.
            conflicting(&used, conflicts);
            used.retain(|(_, _, block)| at % block == 0 && len % block == 0);
            used.sort_unstable_by_key(|(_, opcode, block)| (*block, *opcode));
            used.dedup_by_key(|(_, _, block)| *block);
            if used.is_empty() && mapped {
                conflicts.push(Conflict::SectorMap(MapError::NoErase { at, len }));
            } else if used.is_empty() || used.iter().any(|(_, _, block)| *block < self.page) {
                conflicts.push(Conflict::Erase);
            }
            let erases = used.into_iter().map(|(number, opcode, size)| {
                let known = self.times(opcode, size);
                all_timed &= known.is_some();
                let times = known.unwrap_or_else(|| catalogue::class_erase_times(size));
                (number, EraseType { opcode, size, times })
            });
            regions.push(Numbered { at, len, erases: erases.collect() });
        }
        if regions.iter().any(|region| region.erases.is_empty()) {
            regions.clear();
        }
        (regions, all_timed)
    }

    /// First byte, length and map entry of each region; without a map the whole chip.
    fn stretches(&self) -> Result<Vec<(u32, u32, Option<MapRegion>)>, MapError> {
        let fault = self.tables.and_then(|tables| {
            tables.faults.iter().find(|fault| fault.id() == ParameterHeader::SECTOR_MAP).map(ToString::to_string)
        });
        if let Some(reason) = fault {
            return Err(MapError::Unusable { reason });
        }
        let Some(map) = self.tables.and_then(|tables| tables.sector_map.as_ref()) else {
            let varies = self.candidates.iter().any(|entry| entry.blocks_vary);
            return if varies { Err(MapError::Missing) } else { Ok(vec![(0, self.size, None)]) };
        };
        let map = map.choose()?;
        let regions = map.regions.iter().map(|region| u64::from(region.len)).sum();
        if regions != u64::from(self.size) {
            return Err(MapError::Sum { regions, chip: self.size });
        }
        let mut at = 0;
        let mut stretches = Vec::new();
        for region in &map.regions {
            stretches.push((at, region.len, Some(*region)));
            at += region.len;
        }
        Ok(stretches)
    }

    /// The chip's own table, or the slowest of the candidates.
    fn times(&self, opcode: u8, size: u32) -> Option<super::Times> {
        let stated = self.tables.map_or(&[][..], |tables| &tables.basic.erases);
        let own =
            stated.iter().find(|erase| (erase.opcode, erase.size) == (opcode, size)).and_then(|erase| erase.times);
        own.or_else(|| cautious(self.candidates, |entry| entry.erase_times(size)))
    }
}

/// One opcode with two sizes in one region.
fn conflicting(used: &[(u8, u8, u32)], conflicts: &mut Vec<Conflict>) {
    let mut pairs: Vec<(u8, u32)> = used.iter().map(|(_, opcode, size)| (*opcode, *size)).collect();
    pairs.sort_unstable();
    pairs.dedup();
    for pair in pairs.windows(2) {
        let conflict = Conflict::EraseSize { opcode: pair[0].0, sizes: [pair[0].1, pair[1].1] };
        if pair[0].0 == pair[1].0 && !conflicts.contains(&conflict) {
            conflicts.push(conflict);
        }
    }
}

/// All types of all regions, each once, smallest first.
pub(super) fn union(regions: &[Region]) -> Vec<EraseType> {
    let mut all: Vec<EraseType> = Vec::new();
    for erase in regions.iter().flat_map(|region| &region.erases) {
        if !all.contains(erase) {
            all.push(*erase);
        }
    }
    all.sort_by_key(|erase| (erase.size, erase.opcode));
    all
}
