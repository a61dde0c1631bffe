//! The cells: content, wear, and what a failing supply leaves behind.
//!
//! Content is kept in memory by blocks, of which blank ones cost nothing, and each change goes straight into the content
//! file as well: a killed process takes nothing along, just as a chip would not notice. No sync follows, since what is to
//! be survived is the end of a process and not of the computer. A failed write is kept and told with the next answer.
//!
//! A change is done at its start and kept with what was there before. When the supply fails on the way, each bit that
//! was on its way has arrived with the chance of the elapsed share of the time: a program only clears bits and an erase
//! only sets them, so every byte lies between its old and its new value.

use std::fs::File;
use std::io;
use std::os::unix::fs::FileExt;

use crate::random::Stream;

const BLOCK: usize = 65_536;

/// The cells of one chip.
#[derive(Debug)]
pub(crate) struct Cells {
    size: usize,
    blocks: Vec<Option<Box<[u8]>>>,
    file: Option<File>,
    failure: Option<io::Error>,
    wear: Vec<u32>,
    worn: Vec<WornSector>,
    stuck: Vec<StuckBit>,
}

/// A sector whose weak bits do not follow.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct WornSector {
    /// Addresses and bits that are weak.
    weak: Vec<(u32, u8)>,
    /// Whether they stay clear in an erase; else they stay set in a program.
    in_erase: bool,
}

impl WornSector {
    /// Draws `count` weak bits in the sector of `at`, and what they fail in.
    pub(crate) fn draw(at: u32, count: u32, stream: &mut Stream) -> Self {
        let base = at - at % nor::SECTOR;
        let in_erase = stream.bits() & 1 == 0;
        let mut weak = || {
            let bit = u32::try_from(stream.below(u64::from(nor::SECTOR) * 8)).expect("below 32,768");
            (base + bit / 8, 1 << (bit % 8))
        };
        Self { weak: (0..count).map(|_| weak()).collect(), in_erase }
    }
}

/// A bit that reads the same whatever is written.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct StuckBit {
    /// Its byte.
    pub(crate) at: u32,
    /// Its place as a mask.
    pub(crate) mask: u8,
    /// What it reads as.
    pub(crate) level: bool,
}

/// What a change replaced, in case that it does not come to its end.
#[derive(Debug)]
pub(crate) struct Before {
    at: u32,
    bytes: Vec<u8>,
}

impl Cells {
    /// Blank cells without a file.
    pub(crate) fn blank(size: u32) -> Self {
        let size = size as usize;
        Self {
            size,
            blocks: vec![None; size.div_ceil(BLOCK)],
            file: None,
            failure: None,
            wear: vec![0; size / nor::SECTOR as usize],
            worn: Vec::new(),
            stuck: Vec::new(),
        }
    }

    /// Cells that hold `content`, which has the chip's size.
    pub(crate) fn of_content(content: &[u8]) -> Self {
        let mut cells = Self::blank(u32::try_from(content.len()).expect("a chip's size"));
        cells.put(0, content);
        cells
    }

    /// Cells that hold what `file` holds, and keep it up to date.
    ///
    /// # Errors
    /// Whatever reading the file gives; it has `size` bytes.
    pub(crate) fn of_file(file: File, size: u32) -> io::Result<Self> {
        let mut cells = Self::blank(size);
        let mut block = vec![0; BLOCK.min(cells.size)];
        for at in (0..cells.size).step_by(block.len()) {
            file.read_exact_at(&mut block, at as u64)?;
            cells.put(at, &block);
        }
        cells.file = Some(file);
        Ok(cells)
    }

    /// Fills `out` from `at` on, past the end from the beginning again; stuck bits read as they do.
    pub(crate) fn read(&self, at: u32, out: &mut [u8]) {
        let (mut at, mut done) = (at as usize % self.size, 0);
        while done < out.len() {
            let len = (out.len() - done).min(self.size - at);
            self.copy(at, &mut out[done..done + len]);
            for bit in &self.stuck {
                if let Some(byte) = (bit.at as usize).checked_sub(at).filter(|index| *index < len) {
                    let byte = &mut out[done + byte];
                    *byte = if bit.level { *byte | bit.mask } else { *byte & !bit.mask };
                }
            }
            at = 0;
            done += len;
        }
    }

    /// The whole content as the cells hold it, stuck bits aside.
    pub(crate) fn content(&self) -> Vec<u8> {
        let mut content = vec![0; self.size];
        self.copy(0, &mut content);
        content
    }

    /// Clears the bits that are clear in `page`; the range lies inside the chip.
    pub(crate) fn program(&mut self, at: u32, page: &[u8]) -> Before {
        let before = self.before(at, page.len());
        let mut new: Vec<u8> = before.bytes.iter().zip(page).map(|(old, new)| old & new).collect();
        for (address, mask) in self.worn.iter().filter(|sector| !sector.in_erase).flat_map(|sector| &sector.weak) {
            if let Some(index) = inside(*address, at, new.len()) {
                new[index] |= before.bytes[index] & mask;
            }
        }
        self.write(at, &before.bytes, &new);
        before
    }

    /// Sets all bits of a block, and counts it; the range lies inside the chip.
    pub(crate) fn erase(&mut self, at: u32, len: u32) -> Before {
        let before = self.before(at, len as usize);
        let mut new = vec![nor::ERASED; len as usize];
        for (address, mask) in self.worn.iter().filter(|sector| sector.in_erase).flat_map(|sector| &sector.weak) {
            if let Some(index) = inside(*address, at, new.len()) {
                new[index] &= !mask | before.bytes[index];
            }
        }
        self.write(at, &before.bytes, &new);
        let first = (at / nor::SECTOR) as usize;
        let sectors = first..first + (len.div_ceil(nor::SECTOR) as usize);
        for count in &mut self.wear[sectors] {
            *count = count.saturating_add(1);
        }
        before
    }

    /// The supply failed after `share` (0 to 1) of a change's time.
    pub(crate) fn cut(&mut self, before: &Before, share: f64, stream: &mut Stream) {
        #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "0 to 256")]
        let share = (share.clamp(0.0, 1.0) * 256.0) as u16;
        let mut now = vec![0; before.bytes.len()];
        self.copy(before.at as usize, &mut now);
        let left: Vec<u8> = before
            .bytes
            .iter()
            .zip(&now)
            .map(|(old, new)| if old == new { *old } else { old ^ (old ^ new) & stream.mask(share) })
            .collect();
        self.write(before.at, &now, &left);
    }

    /// Which sectors are worn and which bits are stuck from now on.
    pub(crate) fn set_damage(&mut self, worn: Vec<WornSector>, stuck: Vec<StuckBit>) {
        self.worn = worn;
        self.stuck = stuck;
    }

    /// Erases that each sector has seen.
    pub(crate) fn wear(&self) -> &[u32] {
        &self.wear
    }

    /// Takes over erases seen earlier; one number for each sector.
    pub(crate) fn set_wear(&mut self, wear: Vec<u32>) {
        debug_assert_eq!(wear.len(), self.wear.len());
        self.wear = wear;
    }

    /// What went wrong with the content file since this was last asked.
    pub(crate) fn take_failure(&mut self) -> Option<io::Error> {
        self.failure.take()
    }

    fn before(&self, at: u32, len: usize) -> Before {
        let mut bytes = vec![0; len];
        self.copy(at as usize, &mut bytes);
        Before { at, bytes }
    }

    fn write(&mut self, at: u32, old: &[u8], new: &[u8]) {
        if old == new {
            return;
        }
        self.put(at as usize, new);
        if let Some(file) = &self.file
            && let Err(error) = file.write_all_at(new, u64::from(at))
        {
            self.failure.get_or_insert(error);
        }
    }

    fn copy(&self, mut at: usize, mut out: &mut [u8]) {
        while !out.is_empty() {
            let from = at % BLOCK;
            let (part, rest) = out.split_at_mut(out.len().min(BLOCK - from));
            match &self.blocks[at / BLOCK] {
                Some(block) => part.copy_from_slice(&block[from..from + part.len()]),
                None => part.fill(nor::ERASED),
            }
            at += part.len();
            out = rest;
        }
    }

    fn put(&mut self, mut at: usize, mut bytes: &[u8]) {
        while !bytes.is_empty() {
            let from = at % BLOCK;
            let (part, rest) = bytes.split_at(bytes.len().min(BLOCK - from));
            let len = BLOCK.min(self.size);
            let slot = &mut self.blocks[at / BLOCK];
            if part.len() == len && nor::is_blank(part) {
                *slot = None;
            } else if slot.is_some() || !nor::is_blank(part) {
                let block = slot.get_or_insert_with(|| vec![nor::ERASED; len].into_boxed_slice());
                block[from..from + part.len()].copy_from_slice(part);
            }
            at += part.len();
            bytes = rest;
        }
    }
}

/// The index of `address` in a range, if it lies there.
fn inside(address: u32, at: u32, len: usize) -> Option<usize> {
    address.checked_sub(at).map(|index| index as usize).filter(|index| *index < len)
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    #[test]
    fn programming_only_clears_bits() {
        let mut cells = Cells::of_content(&[0xF0; 4096]);
        cells.program(0x100, &[0x3C]);
        assert_eq!(cells.content()[0xFF..0x102], [0xF0, 0x30, 0xF0]);
    }

    #[test]
    fn reading_wraps_at_the_end() {
        let mut content = vec![0xAA; 131_072];
        content[0] = 1;
        content[131_071] = 2;
        let mut out = [0; 3];
        Cells::of_content(&content).read(131_071, &mut out);
        assert_eq!(out, [2, 1, 0xAA]);
    }

    #[test]
    fn a_stuck_bit_reads_the_same_after_every_change() {
        let mut cells = Cells::of_content(&[0x00; 4096]);
        cells.set_damage(Vec::new(), vec![StuckBit { at: 2, mask: 0x10, level: true }]);
        let mut out = [0; 4];
        cells.read(4095, &mut out);
        assert_eq!(out, [0, 0, 0, 0x10]);
        cells.erase(0, 4096);
        cells.program(0, &[0; 16]);
        cells.read(0, &mut out);
        assert_eq!(out, [0, 0, 0x10, 0]);
    }

    #[test]
    fn a_worn_sector_fails_in_erase_or_in_program_and_only_there() {
        let mut seen = [false; 2];
        for seed in 0..16 {
            let mut cells = Cells::of_content(&[0x00; 12_288]);
            let worn = WornSector::draw(5000, 4, &mut Stream::new(seed, "worn"));
            seen[usize::from(worn.in_erase)] = true;
            let in_erase = worn.in_erase;
            cells.set_damage(vec![worn], Vec::new());
            cells.erase(0, 4096);
            cells.erase(4096, 4096);
            assert!(nor::is_blank(&cells.content()[..4096]), "seed {seed}: a sound sector");
            assert_eq!(!nor::is_blank(&cells.content()[4096..8192]), in_erase, "seed {seed}: the worn sector");
            cells.program(4096, &[0; 4096]);
            assert_eq!(cells.content()[4096..8192].iter().any(|byte| *byte != 0), !in_erase, "seed {seed}");
            assert_eq!(cells.wear(), [1, 1, 0]);
        }
        assert_eq!(seen, [true, true], "the seed decides in what it fails");
    }

    proptest! {
        #[test]
        fn s2_a_cut_leaves_bits_between_old_and_new(seed: u64, share in 0.0..=1.0, old: [u8; 32], page: [u8; 32]) {
            let mut content = vec![0xFF; 4096];
            content[..32].copy_from_slice(&old);
            let mut cells = Cells::of_content(&content);
            let before = cells.program(0, &page);
            cells.cut(&before, share, &mut Stream::new(seed, "cut"));
            for ((left, old), new) in cells.content().iter().zip(&old).zip(&page) {
                prop_assert!(left & !old == 0 && old & new & !left == 0, "{old:02x} & {new:02x} <= {left:02x} <= {old:02x}");
            }
            let programmed = cells.content();
            let before = cells.erase(0, 4096);
            cells.cut(&before, share, &mut Stream::new(seed, "cut"));
            prop_assert!(cells.content().iter().zip(&programmed).all(|(left, old)| old & !left == 0), "an erase only sets bits");
        }
    }
}
