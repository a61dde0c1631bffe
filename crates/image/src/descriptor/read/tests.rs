use rand_xoshiro::rand_core::Rng;

use super::*;
use crate::descriptor::{RegionKind, UNUSED, descriptor};
use crate::scenario::{LARKSPUR_MAC, MAIN_REGIONS, MAIN_SIZE, larkspur_main, larkspur_port, teal};
use crate::testing::each_seed;

const SMALL: u32 = 512 << 10;
const REGISTERS_AT: usize = 0x40;

/// A chip of 512 KiB whose map reaches to its last byte.
fn small_chip() -> Vec<u8> {
    let map = [
        (RegionKind::Descriptor, 0..0x1000),
        (RegionKind::NetworkNvm, 0x1000..0x3000),
        (RegionKind::SystemFirmware, 0x4_0000..SMALL),
    ];
    let mut chip = descriptor(&map, SMALL).unwrap();
    chip.resize(SMALL as usize, 0xFF);
    chip
}

fn put(chip: &mut [u8], at: usize, value: u32) {
    chip[at..at + 4].copy_from_slice(&value.to_le_bytes());
}

fn with_register(number: usize, value: u32) -> Vec<u8> {
    let mut chip = small_chip();
    put(&mut chip, REGISTERS_AT + 4 * number, value);
    chip
}

fn range_of(chip: &[u8], register: usize) -> Option<Range<u32>> {
    regions(chip).unwrap().into_iter().find(|region| region.register == register).map(|region| region.range)
}

/// What a map must say, found by painting page after page; shares no code with the reader. `None`: must be refused.
fn painted(values: &[u32], content: usize) -> Option<Vec<(usize, u64, u64)>> {
    let mut owner = vec![false; content / 4096];
    let mut found = Vec::new();
    for (number, value) in values.iter().enumerate() {
        let (base, limit) = (u64::from(value % 0x8000), u64::from(value / 0x1_0000 % 0x8000));
        let off = *value == u32::MAX || limit < base || (number > 0 && limit == 0);
        if number == 0 && (off || base > 0) {
            return None;
        }
        if off {
            continue;
        }
        for page in base..=limit {
            let free = owner.get_mut(page as usize)?;
            if std::mem::replace(free, true) {
                return None;
            }
        }
        found.push((number, base * 4096, limit * 4096 + 4096));
    }
    Some(found)
}

fn as_painted(regions: Vec<Region>) -> Vec<(usize, u64, u64)> {
    let plain = |region: Region| (region.register, u64::from(region.range.start), u64::from(region.range.end));
    regions.into_iter().map(plain).collect()
}

#[test]
fn the_example_reads_back_as_it_was_written() {
    let found = regions(&larkspur_main(7, LARKSPUR_MAC)).unwrap();
    let plain: Vec<_> =
        found.iter().map(|region| (region.name.as_str(), region.register, region.range.clone())).collect();
    let wanted = [
        ("descriptor", 0, 0..0x1000),
        ("firmware", 1, 0x20_0000..MAIN_SIZE),
        ("management", 2, 0x3000..0x20_0000),
        ("network", 3, 0x1000..0x3000),
    ];
    assert_eq!(plain, wanted);
    assert_eq!(plain.len(), MAIN_REGIONS.len());
}

#[test]
fn any_map_that_can_be_written_reads_back() {
    each_seed("any_map_that_can_be_written_reads_back", 200, |draw| {
        let pages = u64::from(SMALL / 4096);
        let mut map = vec![(RegionKind::Descriptor, 0..0x1000)];
        let mut at = 1;
        for kind in [
            RegionKind::EmbeddedController,
            RegionKind::Management,
            RegionKind::NetworkNvm,
            RegionKind::SystemFirmware,
            RegionKind::PlatformData,
        ] {
            let start = at + draw.next_u64() % 20;
            let end = start + 1 + draw.next_u64() % 40;
            if end > pages || draw.next_u64().is_multiple_of(4) {
                continue;
            }
            map.push((kind, (start * 4096) as u32..(end * 4096) as u32));
            at = end;
        }
        let mut chip = descriptor(&map, SMALL).unwrap();
        chip.resize(SMALL as usize, 0xFF);
        map.sort_by_key(|(kind, _)| kind.register());
        let wanted: Vec<_> = map.into_iter().map(|(kind, range)| (kind.register(), range)).collect();
        let found: Vec<_> = regions(&chip).unwrap().into_iter().map(|region| (region.register, region.range)).collect();
        assert_eq!(found, wanted);
    });
}

#[test]
fn registers_without_a_name_of_their_own_are_numbered() {
    for (register, wanted) in [(4, "platform"), (5, "region-5"), (8, "region-8"), (15, "region-15")] {
        let found = regions(&with_register(register, 0x0004_0004)).unwrap();
        assert_eq!(found.last().map(|region| (region.name.as_str(), region.register)), Some((wanted, register)));
    }
}

/// edk2-platforms `FitGen.c`: the limit is the last 4 KiB in the region. A region of one page has base and limit alike.
#[test]
fn the_limit_is_inclusive() {
    assert_eq!(range_of(&with_register(4, 0x0005_0004), 4), Some(0x4000..0x6000));
    assert_eq!(range_of(&with_register(4, 0x0004_0004), 4), Some(0x4000..0x5000));
    assert_eq!(range_of(&with_register(1, 0x007F_0040), 1), Some(0x4_0000..0x8_0000));
    let error = regions(&with_register(1, 0x0080_0040)).unwrap_err();
    assert_eq!(error, DescriptorError::Beyond { register: 1, range: 0x4_0000..0x8_1000, len: 0x8_0000 });
    assert_eq!(error.to_string(), "region register 1 says 0x40000 to 0x81000, but the content ends at 0x80000");
    // The last page of the network region (up to 3000h) and the first of another.
    assert_eq!(range_of(&with_register(4, 0x0003_0003), 4), Some(0x3000..0x4000));
    let error = regions(&with_register(4, 0x0003_0002)).unwrap_err();
    assert_eq!(error, DescriptorError::Overlap { first: 3, second: 4, shared: 0x2000..0x3000 });
}

/// Bits 15 and 31 are not part of base and limit (Linux `spi-intel.c`, FREG_BASE_MASK and FREG_LIMIT_MASK).
#[test]
fn reserved_bits_say_nothing() {
    assert_eq!(range_of(&with_register(4, 0x8005_8004), 4), Some(0x4000..0x6000));
}

#[test]
fn registers_not_in_use_are_left_out() {
    for value in [UNUSED, 0xFFFF_FFFF, 0, 0x0004_0005, 0x0000_0001, 0x8000_8000] {
        assert_eq!(range_of(&with_register(4, value), 4), None, "{value:#010x}");
    }
}

#[test]
fn region_0_must_be_the_descriptor() {
    for value in [UNUSED, 0xFFFF_FFFF, 0x0003_0003] {
        assert_eq!(regions(&with_register(0, value)), Err(DescriptorError::NoDescriptorRegion { value }));
    }
    // Larger than 4 KiB is allowed.
    let mut chip = with_register(0, 0x0001_0000);
    put(&mut chip, REGISTERS_AT + 4 * 3, 0x0002_0002);
    assert_eq!(range_of(&chip, 0), Some(0..0x2000));
}

#[test]
fn overlaps_name_both_registers_and_the_shared_bytes() {
    let error = regions(&with_register(9, 0x0007_0002)).unwrap_err();
    assert_eq!(error.to_string(), "region registers 3 and 9 both claim 0x2000 to 0x3000");
}

/// From memory: older chipsets have the master section at 60h, right behind eight registers. Its first DWORD here would
/// read as a region far past the chip.
#[test]
fn registers_end_where_the_next_section_begins() {
    let mut chip = small_chip();
    put(&mut chip, 0x60, 0xFFFF_0000);
    let beyond = DescriptorError::Beyond { register: 8, range: 0..0x800_0000, len: SMALL as usize };
    assert_eq!(regions(&chip), Err(beyond));
    put(&mut chip, SIGNATURE_AT + 8, 0x06);
    assert_eq!(regions(&chip), regions(&small_chip()));
}

#[test]
fn content_without_a_descriptor_says_so() {
    let error = regions(&teal(7)).unwrap_err();
    assert!(matches!(error, DescriptorError::NoSignature { .. }), "{error}");
    assert!(matches!(regions(&larkspur_port(7)), Err(DescriptorError::NoSignature { .. })));
    assert_eq!(regions(&[0xFF; 4096]), Err(DescriptorError::NoSignature { found: [0xFF; 4] }));
    assert_eq!(regions(&[]), Err(DescriptorError::TooShort { len: 0 }));
}

#[test]
fn s10_a_chip_cut_at_any_byte_is_an_error_that_tells_its_length() {
    let chip = small_chip();
    assert!(regions(&chip).is_ok());
    for cut in 0..chip.len() {
        let wanted = match cut {
            0..0x1000 => DescriptorError::TooShort { len: cut },
            _ => DescriptorError::Beyond { register: 1, range: 0x4_0000..SMALL, len: cut },
        };
        // Below 3000h the network region is cut as well, but register 1 comes first.
        assert_eq!(regions(&chip[..cut]), Err(wanted));
    }
}

#[test]
fn s10_any_value_in_any_register_is_read_rightly_or_refused_by_its_number() {
    each_seed("s10_any_value_in_any_register", 20, |draw| {
        for register in 0..16 {
            let at = REGISTERS_AT + 4 * register;
            let mut chip = small_chip();
            let before = u32::from_le_bytes(chip[at..at + 4].try_into().unwrap());
            let flips = (0..32).map(|bit| before ^ 1 << bit);
            let drawn: Vec<u32> = (0..64).map(|_| draw.next_u64() as u32).collect();
            // Small bases and limits, or nearly every draw would lie outside the chip.
            let near = drawn.iter().map(|value| value & 0x00FF_00FF);
            for value in flips.chain(drawn.iter().copied()).chain(near).chain([0, UNUSED, u32::MAX, 0x7FFF_7FFF]) {
                put(&mut chip, at, value);
                let values: Vec<u32> = chip[REGISTERS_AT..REGISTERS_AT + 64]
                    .chunks(4)
                    .map(|bytes| u32::from_le_bytes(bytes.try_into().unwrap()))
                    .collect();
                let result = regions(&chip);
                let named = match &result {
                    Err(DescriptorError::NoDescriptorRegion { .. }) => register == 0,
                    Err(DescriptorError::Beyond { register: named, .. }) => *named == register,
                    Err(DescriptorError::Overlap { first, second, .. }) => *first == register || *second == register,
                    Err(_) => false,
                    Ok(_) => true,
                };
                assert!(named, "register {register} = {value:#010x}: {result:?}");
                let wanted = painted(&values, chip.len());
                assert_eq!(result.ok().map(as_painted), wanted, "register {register} = {value:#010x}");
            }
        }
    });
}

#[test]
fn s10_a_region_section_anywhere_is_read_rightly_or_refused() {
    let (mut read, mut refused) = (0, 0);
    for region_section in 0..=0xFF_u32 {
        for (component, master) in [(0x03, 0x08), (0x00, 0xFF), (0xFF, 0x00), (0x05, 0x20), (0x20, 0x06)] {
            let mut chip = vec![0xFF; SMALL as usize];
            chip[SIGNATURE_AT..SIGNATURE_AT + 4].copy_from_slice(&SIGNATURE);
            let at = (region_section * 16) as usize;
            for number in 0..16 {
                let value = if number == 0 { 0 } else { 0x0010_0010 * number };
                if at >= 0x20 && at + 4 * (number as usize) < 0x1000 {
                    put(&mut chip, at + 4 * number as usize, value);
                }
            }
            put(&mut chip, 0x14, region_section << 16 | component);
            put(&mut chip, 0x18, master);
            let others = [component * 16, master * 16];
            // Counted the slow way: registers until the next section, the descriptor's end, or sixteen.
            let count = (0..16)
                .take_while(|n| at + 4 * n < 0x1000 && (*n == 0 || !others.contains(&((at + 4 * n) as u32))))
                .count();
            // Register 7 is the last one below 512 KiB: 70h; register 8 begins at 80h, right past the chip.
            let wanted = match count {
                _ if at < 0x20 || others.contains(&(at as u32)) => Err(DescriptorError::Section { at }),
                0..=8 => Ok(count),
                _ => Err(DescriptorError::Beyond { register: 8, range: 0x8_0000..0x8_1000, len: SMALL as usize }),
            };
            read += usize::from(wanted.is_ok());
            refused += usize::from(wanted.is_err());
            assert_eq!(
                regions(&chip).map(|found| found.len()),
                wanted,
                "{region_section:#x} {component:#x} {master:#x}"
            );
        }
    }
    assert!(read > 20 && refused > 20, "both kinds were met: {read} read, {refused} refused");
}

#[test]
fn s10_random_descriptors_give_a_sound_map_or_an_error() {
    each_seed("s10_random_descriptors", 2000, |draw| {
        let mut chip: Vec<u8> = (0..512).flat_map(|_| draw.next_u64().to_le_bytes()).collect();
        chip[SIGNATURE_AT..SIGNATURE_AT + 4].copy_from_slice(&SIGNATURE);
        chip.resize(4096 + (draw.next_u64() % u64::from(SMALL)) as usize, 0);
        // Half of them get a good register 0 and few, short regions behind it: pure noise hardly ever lies inside a chip.
        let at = usize::from(chip[0x16]) << 4;
        if (0x20..0xFC0).contains(&at) && draw.next_u64().is_multiple_of(2) {
            put(&mut chip, at, 0);
            for number in 1..16 {
                let base = draw.next_u64() as u32 % 64;
                let short = base | (base + draw.next_u64() as u32 % 4) << 16;
                put(&mut chip, at + 4 * number, if draw.next_u64().is_multiple_of(4) { short } else { UNUSED });
            }
        }
        let Ok(found) = regions(&chip) else { return };
        for (index, region) in found.iter().enumerate() {
            assert!(region.range.start < region.range.end && region.range.end as usize <= chip.len(), "{region:?}");
            assert!(region.range.start % 4096 == 0 && region.range.end % 4096 == 0, "{region:?}");
            for other in &found[..index] {
                assert!(
                    other.range.end <= region.range.start || region.range.end <= other.range.start,
                    "{other:?} {region:?}"
                );
            }
        }
    });
}
