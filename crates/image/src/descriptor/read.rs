//! Reading the region map back out of a chip's content.
//!
//! In: the content of a whole chip. Out: the regions in use, in the order of their registers, or the first thing that makes
//! the map unfit to be relied on. The content is hostile input (S10): nothing is read past its end, and no range goes past it.
//!
//! Sources: region registers (base in bits 14:0, limit in bits 30:16, 4 KiB units) from Linux `drivers/spi/spi-intel.c` (6.12);
//! place of the region section and the inclusive limit from tianocore edk2-platforms `FitGen.c`; the rest is marked.
//!
//! The decision a reader would question: one wrong register refuses the whole map. Whoever asks for a region is about to carry
//! it over or write it; a map that contradicts itself in one place is no ground for that in another.

use std::ops::Range;

use super::{DESCRIPTOR_SIZE, REGISTERS, SIGNATURE, SIGNATURE_AT};

/// Where the map words end: FLMAP0 to FLMAP2 follow the signature (FLMAP2 from memory).
const MAP_WORDS_END: usize = 0x20;
/// A register that was never written. Chipsets with few registers leave the rest so (common practice, no source).
const ERASED: u32 = 0xFFFF_FFFF;

/// A region that the descriptor lists as in use.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Region {
    /// This project's name for what stands there: `descriptor`, `firmware`, `management`, `network`, `platform` for registers
    /// 0 to 4 (meaning of 2 to 4 from memory), then `region-5` to `region-15`.
    pub name: String,
    /// The number of its register, 0 to 15.
    pub register: usize,
    /// Its bytes, from the chip's first byte; whole 4 KiB, never empty, inside the content.
    pub range: Range<u32>,
}

/// Why a content's region map cannot be relied on.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum DescriptorError {
    /// The content ends before a descriptor would.
    #[error("{len} bytes are too few for a flash descriptor of {DESCRIPTOR_SIZE} bytes")]
    TooShort {
        /// Bytes in the content.
        len: usize,
    },
    /// The signature is not there. A chip without a descriptor says this, and so does the end of a chip without its start.
    #[error("no flash descriptor: its signature {SIGNATURE:02x?} does not stand at {SIGNATURE_AT:#x}")]
    NoSignature {
        /// What stands in its place; not part of the text, since contents hold secrets (S15).
        found: [u8; 4],
    },
    /// FLMAP0 puts the registers where something else stands.
    #[error("FLMAP0 puts the region registers at {at:#x}, on top of the map words or of another section")]
    Section {
        /// Address of the region section.
        at: usize,
    },
    /// Region 0 is not in use, or does not begin at 0.
    #[error("region register 0 says {value:#010x}, which is no descriptor region that begins at 0")]
    NoDescriptorRegion {
        /// The register.
        value: u32,
    },
    /// A region ends past the content.
    #[error("region register {register} says {:#x} to {:#x}, but the content ends at {len:#x}", .range.start, .range.end)]
    Beyond {
        /// Number of the register.
        register: usize,
        /// The range it claims.
        range: Range<u32>,
        /// Bytes in the content.
        len: usize,
    },
    /// Two regions claim the same bytes.
    #[error("region registers {first} and {second} both claim {:#x} to {:#x}", .shared.start, .shared.end)]
    Overlap {
        /// Number of the lower register.
        first: usize,
        /// Number of the higher register.
        second: usize,
        /// The bytes that both claim.
        shared: Range<u32>,
    },
}

/// Returns the regions in use, in the order of their registers; the first is the descriptor's own.
///
/// `content` is that of a whole chip; its first byte is the chip's. A register is not in use when its base lies above its
/// limit, when it was never written (FFFFFFFFh), or, but for register 0, when its limit is 0 (Linux `spi-intel.c`). Registers
/// end where the next section of the descriptor begins, at most 16 of them (from memory: older chipsets have fewer, and the
/// master section right behind them).
///
/// # Errors
///
/// [`DescriptorError`] when there is no descriptor, or its map puts a region outside `content` or two regions on one byte.
///
/// # Example
///
/// ```
/// use image::descriptor::{RegionKind, descriptor, regions};
///
/// let map = [(RegionKind::Descriptor, 0..0x1000), (RegionKind::SystemFirmware, 0x4_0000..0x8_0000)];
/// let mut chip = descriptor(&map, 0x8_0000)?;
/// chip.resize(0x8_0000, 0xFF);
/// let found = regions(&chip)?;
/// assert_eq!((found[1].name.as_str(), found[1].range.clone()), ("firmware", 0x4_0000..0x8_0000));
/// # Ok::<(), Box<dyn std::error::Error>>(())
/// ```
pub fn regions(content: &[u8]) -> Result<Vec<Region>, DescriptorError> {
    let Some(descriptor) = content.first_chunk::<{ DESCRIPTOR_SIZE as usize }>() else {
        return Err(DescriptorError::TooShort { len: content.len() });
    };
    if dword(descriptor, SIGNATURE_AT).to_le_bytes() != SIGNATURE {
        return Err(DescriptorError::NoSignature { found: dword(descriptor, SIGNATURE_AT).to_le_bytes() });
    }
    let mut found: Vec<Region> = Vec::new();
    for (register, value) in registers(descriptor)?.into_iter().enumerate() {
        let range = claimed(register, value);
        if register == 0 && range.as_ref().is_none_or(|range| range.start != 0) {
            return Err(DescriptorError::NoDescriptorRegion { value });
        }
        let Some(range) = range else { continue };
        if range.end as usize > content.len() {
            return Err(DescriptorError::Beyond { register, range, len: content.len() });
        }
        if let Some((first, shared)) = found.iter().find_map(|other| Some((other.register, shared(other, &range)?))) {
            return Err(DescriptorError::Overlap { first, second: register, shared });
        }
        found.push(Region { name: name(register), register, range });
    }
    Ok(found)
}

type Descriptor = [u8; DESCRIPTOR_SIZE as usize];

/// Returns the region registers: 4 to 16 of them, since sections begin at multiples of 16.
fn registers(descriptor: &Descriptor) -> Result<Vec<u32>, DescriptorError> {
    let (map0, map1) = (dword(descriptor, SIGNATURE_AT + 4), dword(descriptor, SIGNATURE_AT + 8));
    let section = |word: u32, bit: u32| ((word >> bit & 0xFF) << 4) as usize;
    // FLMAP0: component section in bits 7:0, region section in 23:16. FLMAP1: master section in bits 7:0 (from memory).
    let (at, others) = (section(map0, 16), [section(map0, 0), section(map1, 0)]);
    if at < MAP_WORDS_END || others.contains(&at) {
        return Err(DescriptorError::Section { at });
    }
    let next = others.into_iter().filter(|other| *other > at).min().unwrap_or(descriptor.len());
    let count = ((next - at) / 4).min(REGISTERS);
    Ok((0..count).map(|number| dword(descriptor, at + 4 * number)).collect())
}

/// Returns the range that a register claims, or `None` when it is not in use.
fn claimed(register: usize, value: u32) -> Option<Range<u32>> {
    let (base, limit) = (value & 0x7FFF, value >> 16 & 0x7FFF);
    let empty = base > limit || value == ERASED || (limit == 0 && register != 0);
    (!empty).then(|| base * DESCRIPTOR_SIZE..(limit + 1) * DESCRIPTOR_SIZE)
}

fn shared(region: &Region, range: &Range<u32>) -> Option<Range<u32>> {
    let shared = region.range.start.max(range.start)..region.range.end.min(range.end);
    (!shared.is_empty()).then_some(shared)
}

fn name(register: usize) -> String {
    match register {
        0 => "descriptor".to_owned(),
        1 => "firmware".to_owned(),
        2 => "management".to_owned(),
        3 => "network".to_owned(),
        4 => "platform".to_owned(),
        _ => format!("region-{register}"),
    }
}

/// Returns the DWORD at `at`, which must lie four bytes or more before the descriptor's end.
fn dword(descriptor: &Descriptor, at: usize) -> u32 {
    u32::from_le_bytes([descriptor[at], descriptor[at + 1], descriptor[at + 2], descriptor[at + 3]])
}

#[cfg(test)]
mod tests;
