//! The flash descriptor: the first 4 KiB of a chip, which says where the regions are.
//!
//! [`descriptor`] writes one; [`regions`] reads the region map out of a chip's content, which it does not trust; [`access`](fn@access) and
//! [`set_access`] read and change who may read and write which region.
//!
//! Signature and registers follow Linux `drivers/spi/spi-intel.c` (6.12) where it reads them, and tianocore edk2-platforms
//! `FitGen.c` for the region section; the rest is from memory of the chipset's programming guide and marked so. All numbers
//! are little-endian DWORDs. Written here: one chip, the region map, and an access table that lets the processor read and write
//! everything, so that a machine of the example can be worked on from inside as well.
//!
//! The decision a reader would question: regions must begin and end on 4 KiB and may leave gaps. The register counts in
//! 4 KiB, and shipped maps have gaps.

use std::ops::Range;

mod access;
mod read;

pub use access::{Access, AccessError, Layout, Master, Register, access, set_access};
pub use read::{DescriptorError, Region, regions};

/// Size of the descriptor, and the unit of the region registers: 4 KiB.
pub const DESCRIPTOR_SIZE: u32 = 4096;
/// Where the signature stands (Linux `spi-intel.c`, `intel_spi_read_desc`); FLMAP0 and FLMAP1 follow it.
pub const SIGNATURE_AT: usize = 0x10;
/// The signature, as the four bytes stand in the chip: 0FF0A55Ah (Linux `spi-intel.c`, FLVALSIG_MAGIC).
pub const SIGNATURE: [u8; 4] = [0x5A, 0xA5, 0xF0, 0x0F];
/// A region register that says "not used" (from memory; its base lies above its limit).
pub const UNUSED: u32 = 0x0000_7FFF;

const COMPONENT_SECTION: usize = 0x30;
const REGION_SECTION: usize = 0x40;
const MASTER_SECTION: usize = 0x80;
const REGISTERS: usize = 16;

/// What a region holds. The number of its register stands with it (from memory, but for 0 and 1).
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum RegionKind {
    /// The descriptor itself; register 0.
    Descriptor,
    /// The system firmware that the processor starts; register 1.
    SystemFirmware,
    /// The firmware of the management controller; register 2.
    Management,
    /// The network controller's NVM; register 3.
    NetworkNvm,
    /// Platform data; register 4.
    PlatformData,
    /// The embedded controller's firmware; register 8.
    EmbeddedController,
}

/// Why a region map cannot be written down.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum MapError {
    /// The chip's size has no density code.
    #[error("a chip of {size} bytes has no density code; there are codes for 512 KiB doubled up to 64 MiB")]
    Density {
        /// Bytes.
        size: u32,
    },
    /// Register 0 does not say 0 to 4 KiB or more.
    #[error("the map has no descriptor region that begins at 0")]
    NoDescriptor,
    /// A region is empty, off 4 KiB, or ends past the chip.
    #[error("region {kind:?} at {:#x} to {:#x} is no range of whole 4 KiB inside the chip", .range.start, .range.end)]
    Limits {
        /// Which region.
        kind: RegionKind,
        /// Its range.
        range: Range<u32>,
    },
    /// Two regions share bytes, or one kind stands twice.
    #[error("regions {first:?} and {second:?} overlap, or are one kind")]
    Clash {
        /// The one listed first.
        first: RegionKind,
        /// The one listed later.
        second: RegionKind,
    },
}

impl RegionKind {
    /// Returns the number of the region's register.
    pub fn register(self) -> usize {
        match self {
            Self::Descriptor => 0,
            Self::SystemFirmware => 1,
            Self::Management => 2,
            Self::NetworkNvm => 3,
            Self::PlatformData => 4,
            Self::EmbeddedController => 8,
        }
    }
}

/// Returns the 4 KiB descriptor for one chip of `chip_size` bytes with these regions.
///
/// # Errors
///
/// [`MapError`] when the size has no density code, or the map is not one of separate, whole 4 KiB ranges of different
/// kinds inside the chip with the descriptor first.
pub fn descriptor(regions: &[(RegionKind, Range<u32>)], chip_size: u32) -> Result<Vec<u8>, MapError> {
    let density = density_code(chip_size)?;
    check_map(regions, chip_size)?;
    let mut bytes = vec![0xFF; DESCRIPTOR_SIZE as usize];
    let mut put = |at: usize, value: u32| bytes[at..at + 4].copy_from_slice(&value.to_le_bytes());
    put(SIGNATURE_AT, u32::from_le_bytes(SIGNATURE));
    // FLMAP0: component section in bits 7:0, chips less one in 9:8 (one chip: 0), region section in 23:16, both over 16.
    put(SIGNATURE_AT + 4, (COMPONENT_SECTION as u32 >> 4) | (REGION_SECTION as u32 >> 4) << 16);
    // FLMAP1: master section over 16 in bits 7:0 (from memory).
    put(SIGNATURE_AT + 8, MASTER_SECTION as u32 >> 4);
    // FLCOMP: density of the first chip in bits 3:0. With one chip the rest says nothing and stays 0.
    put(COMPONENT_SECTION, density);
    for number in 0..REGISTERS {
        let region = regions.iter().find(|(kind, _)| kind.register() == number);
        put(REGION_SECTION + 4 * number, region.map_or(UNUSED, |(_, range)| region_register(range)));
    }
    // FLMSTR1: the processor may write (bits 31:20) and read (bits 19:8) every region (from memory).
    put(MASTER_SECTION, 0xFFFF_FF00);
    Ok(bytes)
}

/// Returns the region register of a checked range: base in bits 14:0, inclusive limit in bits 30:16, in 4 KiB.
fn region_register(range: &Range<u32>) -> u32 {
    let (base, limit) = (range.start / DESCRIPTOR_SIZE, range.end / DESCRIPTOR_SIZE - 1);
    base | limit << 16
}

/// Returns the density code: 0 for 512 KiB, one more for each doubling (Linux `spi-intel.c`, FLCOMP_C0DEN).
fn density_code(size: u32) -> Result<u32, MapError> {
    (0..8).find(|code| size == 512 << 10 << code).ok_or(MapError::Density { size })
}

fn check_map(regions: &[(RegionKind, Range<u32>)], chip_size: u32) -> Result<(), MapError> {
    for (index, (kind, range)) in regions.iter().enumerate() {
        let whole = range.start % DESCRIPTOR_SIZE == 0 && range.end % DESCRIPTOR_SIZE == 0;
        if !whole || range.start >= range.end || range.end > chip_size {
            return Err(MapError::Limits { kind: *kind, range: range.clone() });
        }
        let clash = |(other, taken): &&(RegionKind, Range<u32>)| {
            other == kind || (taken.start < range.end && range.start < taken.end)
        };
        if let Some((first, _)) = regions[..index].iter().find(clash) {
            return Err(MapError::Clash { first: *first, second: *kind });
        }
    }
    let first = regions.iter().find(|(kind, _)| *kind == RegionKind::Descriptor);
    if first.is_none_or(|(_, range)| range.start != 0) {
        return Err(MapError::NoDescriptor);
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn dword(bytes: &[u8], at: usize) -> u32 {
        u32::from_le_bytes(bytes[at..at + 4].try_into().unwrap())
    }

    type Map = Vec<(RegionKind, Range<u32>)>;

    fn map() -> Map {
        vec![
            (RegionKind::Descriptor, 0..0x1000),
            (RegionKind::NetworkNvm, 0x1000..0x3000),
            (RegionKind::Management, 0x3000..0x20_0000),
            (RegionKind::SystemFirmware, 0x20_0000..0x100_0000),
        ]
    }

    /// Linux `drivers/spi/spi-intel.c`: signature bytes at 10h, FLMAP0 at 14h with FCBA in bits 7:0 and the count in 9:8,
    /// FLCOMP bits 3:0 (5 = 16 MiB), registers {limit 30:16, base 14:0}. FRBA in bits 23:16: edk2-platforms `FitGen.c`.
    #[test]
    fn registers_stand_where_their_readers_look() {
        let bytes = descriptor(&map(), 16 << 20).unwrap();
        assert_eq!(bytes.len(), 4096);
        assert_eq!(bytes[0x10..0x14], [0x5A, 0xA5, 0xF0, 0x0F]);
        let flmap0 = dword(&bytes, 0x14);
        assert_eq!(flmap0 >> 8 & 3, 0, "one chip");
        assert_eq!(dword(&bytes, ((flmap0 & 0xFF) << 4) as usize) & 0xF, 5);

        let region_section = ((flmap0 >> 16 & 0xFF) << 4) as usize;
        let region = |number: usize| {
            let register = dword(&bytes, region_section + 4 * number);
            ((register & 0x7FFF) << 12, ((register >> 16 & 0x7FFF) << 12) + 0xFFF)
        };
        assert_eq!(region(0), (0, 0xFFF));
        assert_eq!(region(1), (0x20_0000, 0xFF_FFFF));
        assert_eq!(region(2), (0x3000, 0x1F_FFFF));
        assert_eq!(region(3), (0x1000, 0x2FFF));
        for number in 4..16 {
            assert_eq!(dword(&bytes, region_section + 4 * number), 0x0000_7FFF);
            assert!(region(number).0 > region(number).1, "an unused region is empty for every reader");
        }
    }

    /// Linux `spi-intel.c`, FLCOMP_C0DEN_512K (0) to FLCOMP_C0DEN_64M (7).
    #[test]
    fn density_codes_run_from_512_kib_to_64_mib() {
        let only = [(RegionKind::Descriptor, 0..0x1000)];
        let code = |size| descriptor(&only, size).map(|bytes| dword(&bytes, 0x30));
        assert_eq!(code(512 << 10), Ok(0));
        assert_eq!(code(8 << 20), Ok(4));
        assert_eq!(code(64 << 20), Ok(7));
        for size in [0, 256 << 10, 12 << 20, 128 << 20, 1 << 31] {
            assert_eq!(code(size), Err(MapError::Density { size }));
        }
    }

    #[test]
    fn maps_that_cannot_be_written_down_are_errors() {
        let with = |change: &dyn Fn(&mut Map)| {
            let mut map = map();
            change(&mut map);
            descriptor(&map, 16 << 20).unwrap_err()
        };
        let limits = |error| matches!(error, MapError::Limits { kind: RegionKind::NetworkNvm, .. });
        assert!(limits(with(&|map| map[1].1 = 0x1800..0x3000)));
        assert!(limits(with(&|map| map[1].1 = 0x1000..0x1000)));
        assert!(limits(with(&|map| map[1].1 = 0x100_0000..0x100_1000)));
        assert_eq!(
            with(&|map| map[2].1 = 0x2000..0x3000),
            MapError::Clash { first: RegionKind::NetworkNvm, second: RegionKind::Management }
        );
        assert_eq!(
            with(&|map| map[2].0 = RegionKind::NetworkNvm),
            MapError::Clash { first: RegionKind::NetworkNvm, second: RegionKind::NetworkNvm }
        );
        assert_eq!(with(&|map| map.retain(|(kind, _)| *kind != RegionKind::Descriptor)), MapError::NoDescriptor);
        let late = [(RegionKind::Descriptor, 0x1000..0x2000)];
        assert_eq!(descriptor(&late, 16 << 20), Err(MapError::NoDescriptor));
    }
}
