//! The images of the worked example, whole.
//!
//! The Larkspur Nine is an invented notebook with two chips, `main` (16 MiB) and `port` (1 MiB); Meadowlark is the
//! invented firmware that replaces its own. The Teal is an invented router board with one chip (8 MiB) and no
//! descriptor. Images are the same for the same seed and address, and tests pin their checksums.
//!
//! The system firmware of `main` is made of real structures: volumes, files, packed sections, a variable store,
//! microcode and the table that names it (`firmware` has the layout). Larkspur's and Meadowlark's `main` share the
//! region map, the first part of the management region, a vendor's memory part and the boot volume, at the same
//! addresses: a plan between the two has something to save, and a recipe has something to carry over. The decision a
//! reader would question: the Meadowlark image has a network NVM with whatever address it is given. As published it
//! carries [`PLACEHOLDER_MAC`]; the machine's own address is put in when the image is composed.

use std::ops::Range;

use crate::build::ImageBuilder;
use crate::descriptor::{DESCRIPTOR_SIZE, RegionKind, descriptor};
use crate::filler::{Filler, made_up};
use crate::mac::Mac;
use crate::nvm::network_nvm;

mod firmware;

pub use firmware::PROCESSORS;
use firmware::Placed;

/// Size of the notebook's `main` chip: 16 MiB.
pub const MAIN_SIZE: u32 = 16 << 20;
/// Size of the notebook's `port` chip: 1 MiB.
pub const PORT_SIZE: u32 = 1 << 20;
/// Size of the router board's only chip: 8 MiB.
pub const TEAL_SIZE: u32 = 8 << 20;

/// The address of the example's notebook, out of the range kept for documentation (RFC 7042, from memory).
pub const LARKSPUR_MAC: Mac = Mac([0x00, 0x00, 0x5E, 0x00, 0x53, 0x29]);
/// The address in a Meadowlark image as published: locally administered, and no machine's own.
pub const PLACEHOLDER_MAC: Mac = Mac([0x02, 0, 0, 0, 0, 0]);

/// The regions of the notebook's `main` chip, in the order of their addresses; they cover the chip.
pub const MAIN_REGIONS: [(RegionKind, Range<u32>); 4] = [
    (RegionKind::Descriptor, 0..DESCRIPTOR_SIZE),
    (RegionKind::NetworkNvm, 0x1000..0x3000),
    (RegionKind::Management, 0x3000..0x20_0000),
    (RegionKind::SystemFirmware, 0x20_0000..MAIN_SIZE),
];

/// Returns the notebook's `main` chip as found, with the address `mac`.
pub fn larkspur_main(seed: u64, mac: Mac) -> Vec<u8> {
    main_image(seed, mac, &LARKSPUR_MANAGEMENT, firmware::larkspur(seed))
}

/// Returns the Meadowlark image for the notebook's `main` chip, with the address `mac`.
pub fn meadowlark_main(seed: u64, mac: Mac) -> Vec<u8> {
    main_image(seed, mac, &MEADOWLARK_MANAGEMENT, firmware::meadowlark(seed))
}

/// Returns the Meadowlark image as the example's recipe completes it for the example's machine: with the address `mac`, and with
/// the machine's serial number and asset tag among its variables.
pub fn meadowlark_completed(seed: u64, mac: Mac) -> Vec<u8> {
    main_image(seed, mac, &MEADOWLARK_MANAGEMENT, firmware::meadowlark_completed(seed))
}

/// Returns the notebook's `port` chip as found.
pub fn larkspur_port(seed: u64) -> Vec<u8> {
    port_image(seed, 0x0102, &LARKSPUR_PORT)
}

/// Returns the new image for the notebook's `port` chip.
pub fn meadowlark_port(seed: u64) -> Vec<u8> {
    port_image(seed, 0x0207, &MEADOWLARK_PORT)
}

/// Returns the file in which the vendor of the notebook publishes its firmware 1.18. In it the memory part is the content of
/// `file:LarkMemoryPart/section%2/section%19`.
pub fn larkspur_update(seed: u64) -> Vec<u8> {
    firmware::update(seed)
}

/// Returns the router board's chip.
pub fn teal(seed: u64) -> Vec<u8> {
    let builder = ImageBuilder::new(TEAL_SIZE);
    place(builder, seed, &TEAL).finish().expect("the layout is fixed and free of overlap")
}

/// Returns the router board's firmware as published: without the settings and the calibration, which are each board's
/// own.
pub fn teal_published(seed: u64) -> Vec<u8> {
    let of_all_boards = TEAL.iter().filter(|stretch| TEAL_SHARED.contains(&stretch.name));
    place(ImageBuilder::new(TEAL_SIZE), seed, of_all_boards).finish().expect("the layout is fixed and free of overlap")
}

/// The router board's stretches that are alike on all boards.
const TEAL_SHARED: [&str; 3] = ["teal loader", "teal kernel", "teal root"];

/// A stretch of made-up content; two with the same kind, name and length are the same bytes.
struct Stretch {
    range: Range<u32>,
    filler: Filler,
    name: &'static str,
}

const fn stretch(range: Range<u32>, filler: Filler, name: &'static str) -> Stretch {
    Stretch { range, filler, name }
}

// What no stretch covers is blank.
const LARKSPUR_MANAGEMENT: [Stretch; 4] = [
    stretch(0x00_3000..0x00_4000, Filler::Tables, "management index"),
    stretch(0x00_4000..0x05_4000, Filler::Packed, "management start"),
    stretch(0x05_4000..0x16_0000, Filler::Packed, "management rest"),
    stretch(0x16_0000..0x1E_0000, Filler::Code, "management code"),
];

const MEADOWLARK_MANAGEMENT: [Stretch; 2] = [
    stretch(0x00_3000..0x00_4000, Filler::Tables, "management index"),
    stretch(0x00_4000..0x05_4000, Filler::Packed, "management start"),
];

const LARKSPUR_PORT: [Stretch; 3] = [
    stretch(0x0_1000..0x0_9000, Filler::Tables, "port tables"),
    stretch(0x1_0000..0x7_8000, Filler::Code, "port code one"),
    stretch(0x8_0000..0x8_4000, Filler::Settings, "port settings"),
];

const MEADOWLARK_PORT: [Stretch; 3] = [
    stretch(0x0_1000..0x0_A000, Filler::Tables, "port tables two"),
    stretch(0x1_0000..0x8_C000, Filler::Code, "port code two"),
    stretch(0xC_0000..0xC_4000, Filler::Settings, "port settings two"),
];

const TEAL: [Stretch; 6] = [
    stretch(0x00_0000..0x04_0000, Filler::Code, "teal loader"),
    stretch(0x04_0000..0x05_0000, Filler::Settings, "teal environment"),
    stretch(0x06_0000..0x20_0000, Filler::Packed, "teal kernel"),
    stretch(0x20_0000..0x58_0000, Filler::Packed, "teal root"),
    stretch(0x58_0000..0x60_0000, Filler::Tables, "teal overlay"),
    stretch(0x7F_0000..0x80_0000, Filler::Tables, "teal calibration"),
];

fn main_image(seed: u64, mac: Mac, management: &[Stretch], firmware: Vec<Placed>) -> Vec<u8> {
    let mut builder = ImageBuilder::new(MAIN_SIZE);
    for (kind, range) in MAIN_REGIONS {
        builder = builder.region(&format!("{kind:?}"), range);
    }
    let map = descriptor(&MAIN_REGIONS, MAIN_SIZE).expect("the map is fixed and sound");
    builder = builder.bytes(0, &map).bytes(0x1000, &network_nvm(mac, seed));
    for (at, bytes) in firmware.into_iter().chain(firmware::shared(seed)) {
        builder = builder.bytes(at, &bytes);
    }
    place(builder, seed, management).finish().expect("the layout is fixed and free of overlap")
}

fn port_image(seed: u64, version: u16, stretches: &[Stretch]) -> Vec<u8> {
    let mut header = b"LARKPORT".to_vec();
    header.extend(version.to_le_bytes());
    header.extend((stretches.len() as u16).to_le_bytes());
    for stretch in stretches {
        header.extend(stretch.range.start.to_le_bytes());
        header.extend((stretch.range.end - stretch.range.start).to_le_bytes());
    }
    let builder = ImageBuilder::new(PORT_SIZE).bytes(0, &header);
    place(builder, seed, stretches).finish().expect("the layout is fixed and free of overlap")
}

fn place<'s>(builder: ImageBuilder, seed: u64, stretches: impl IntoIterator<Item = &'s Stretch>) -> ImageBuilder {
    stretches.into_iter().fold(builder, |builder, stretch| {
        let Range { start, end } = stretch.range;
        builder.bytes(start, &made_up(stretch.filler, seed, stretch.name, (end - start) as usize))
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::build::update::FIT_POINTER;
    use crate::descriptor::SIGNATURE_AT;
    use crate::explain::{Kind, Node, explain};

    fn share(units: impl Iterator<Item = bool>) -> f64 {
        let units: Vec<bool> = units.collect();
        units.iter().filter(|unit| **unit).count() as f64 / units.len() as f64
    }

    fn is_blank(bytes: &[u8]) -> bool {
        bytes.iter().all(|byte| *byte == 0xFF)
    }

    /// Every image that the project shows or tests with, pinned: a change of any byte is a change of the example.
    #[test]
    fn images_are_pinned() {
        let pins = [
            ("larkspur main", larkspur_main(7, LARKSPUR_MAC), MAIN_SIZE, 0x963A_3FD7),
            ("meadowlark main", meadowlark_main(7, PLACEHOLDER_MAC), MAIN_SIZE, 0x12D2_2323),
            ("larkspur port", larkspur_port(7), PORT_SIZE, 0x0A01_AB9E),
            ("meadowlark port", meadowlark_port(7), PORT_SIZE, 0x821D_971E),
            ("larkspur update", larkspur_update(7), 0xC_1000, 0x591C_2010),
            ("teal", teal(7), TEAL_SIZE, 0xC3CC_2D95),
            ("teal published", teal_published(7), TEAL_SIZE, 0x7C18_F9E4),
        ];
        for (name, image, size, crc) in pins {
            assert_eq!(image.len(), size as usize, "{name}");
            assert_eq!(crc32fast::hash(&image), crc, "{name}: {:#010X}", crc32fast::hash(&image));
        }
    }

    /// What the recipe carries over stands in the chip as found, byte for byte.
    #[test]
    fn the_update_holds_the_memory_part_of_the_chip() {
        let update = larkspur_update(7);
        assert!(explain(&update).findings.is_empty());
        let part = "file:LarkMemoryPart/section%2/section%19".parse().unwrap();
        let part = crate::select::take(&update, &part, crate::select::Form::Decoded).unwrap();
        assert!(part == larkspur_main(7, LARKSPUR_MAC)[0xC8_0000..0xD0_0000]);
    }

    #[test]
    fn teal_and_port_have_no_descriptor() {
        for image in [teal(7), larkspur_port(7), meadowlark_port(7)] {
            assert_ne!(image[SIGNATURE_AT..SIGNATURE_AT + 4], crate::descriptor::SIGNATURE);
        }
    }

    #[test]
    fn the_map_covers_the_chip_without_overlap() {
        let mut at = 0;
        for (kind, range) in MAIN_REGIONS {
            assert_eq!(range.start, at, "{kind:?}");
            at = range.end;
        }
        assert_eq!(at, MAIN_SIZE);
    }

    #[test]
    fn both_main_images_have_one_map_and_their_own_address() {
        let found = larkspur_main(7, LARKSPUR_MAC);
        let new = meadowlark_main(7, PLACEHOLDER_MAC);
        assert_eq!(found[SIGNATURE_AT..SIGNATURE_AT + 4], [0x5A, 0xA5, 0xF0, 0x0F]);
        assert_eq!(found[..0x1000], new[..0x1000]);
        assert_eq!(found[0x1000..0x1006], LARKSPUR_MAC.0);
        assert_eq!(found[0x2000..0x2006], LARKSPUR_MAC.0);
        assert_eq!(new[0x1000..0x1006], PLACEHOLDER_MAC.0);
        assert!(PLACEHOLDER_MAC.is_local() && !PLACEHOLDER_MAC.is_group());
        assert!(!LARKSPUR_MAC.is_local() && !LARKSPUR_MAC.is_group());
        // The same machine's address in both leaves the whole NVM alike.
        assert_eq!(found[..0x3000], meadowlark_main(7, LARKSPUR_MAC)[..0x3000]);
    }

    #[test]
    fn a_plan_between_the_two_has_something_to_save() {
        let found = larkspur_main(7, LARKSPUR_MAC);
        let new = meadowlark_main(7, LARKSPUR_MAC);
        let sectors = || found.chunks(4096).zip(new.chunks(4096));
        let kept = share(sectors().map(|(old, new)| old == new && !is_blank(old)));
        let erased_only = share(sectors().map(|(old, new)| old != new && is_blank(new)));
        let program_only = share(sectors().map(|(old, new)| is_blank(old) && !is_blank(new)));
        assert!((0.05..0.20).contains(&kept), "kept {kept}");
        assert!((0.10..0.30).contains(&erased_only), "erased only {erased_only}");
        assert!(program_only > 0.01, "programmed only {program_only}");
    }

    #[test]
    fn the_new_system_firmware_is_blank_by_about_30_percent_and_its_management_region_mostly() {
        let new = meadowlark_main(7, PLACEHOLDER_MAC);
        let blank = |bytes: &[u8]| share(bytes.chunks(4096).map(is_blank));
        let system = blank(&new[0x20_0000..]);
        assert!((0.27..0.35).contains(&system), "system firmware {system}");
        let management = blank(&new[0x3000..0x20_0000]);
        assert!(management > 0.8, "management region {management}");
    }

    /// A wrap at a smaller size must show in every image, or no read of the example could prove its size.
    #[test]
    fn every_address_line_shows_in_every_image() {
        for image in [
            larkspur_main(7, LARKSPUR_MAC),
            meadowlark_main(7, PLACEHOLDER_MAC),
            larkspur_port(7),
            meadowlark_port(7),
            teal(7),
        ] {
            for line in (12..).map(|bit| 1_usize << bit).take_while(|line| *line < image.len()) {
                assert!((0..image.len()).any(|at| image[at] != image[at ^ line]), "{line:#x} of {:#x}", image.len());
            }
        }
    }

    /// Every structure reads back, nothing is amiss, and what a person looks for has its name.
    #[test]
    fn both_main_images_read_to_the_bottom() {
        let images = [("Lark", larkspur_main(7, LARKSPUR_MAC)), ("Meadow", meadowlark_main(7, PLACEHOLDER_MAC))];
        for (prefix, image) in images {
            let explanation = explain(&image);
            assert!(explanation.findings.is_empty(), "{prefix}: {:#?}", explanation.findings);
            assert!(explanation.proof.checks_ok > 300 && explanation.proof.checks_failed == 0);
            assert!(explanation.proof.decoded > 300_000, "{prefix}: {}", explanation.proof.decoded);
            let mut nodes = Vec::new();
            collect(&explanation.structures, &mut nodes);
            let count = |kind: Kind| nodes.iter().filter(|node| node.kind == kind).count();
            let counts = [Kind::Microcode, Kind::Fit, Kind::FitEntry, Kind::VariableStore, Kind::Ftw].map(count);
            assert_eq!(counts, [2, 1, 3, 1, 1], "{prefix}");
            let named = |name: &str| nodes.iter().any(|node| node.name.as_deref() == Some(name));
            for name in ["FirstStep", "CardReader", "CardWriter", "BootOrder", "Timeout"] {
                assert!(named(name), "{prefix}: {name}");
            }
            for name in ["Menu", "Fonts", "EarlyPanel", "Setup"] {
                assert!(named(&format!("{prefix}{name}")), "{prefix}{name}");
            }
            assert_eq!(named("SerialNumber"), prefix == "Lark");
        }
    }

    fn collect<'a>(nodes: &'a [Node], into: &mut Vec<&'a Node>) {
        for node in nodes {
            into.push(node);
            collect(&node.children, into);
        }
    }

    #[test]
    fn the_table_names_the_same_places_in_both_and_they_hold_microcode() {
        let (found, new) = (larkspur_main(7, LARKSPUR_MAC), meadowlark_main(7, PLACEHOLDER_MAC));
        assert_eq!(found[0xFC_0000..], new[0xFC_0000..]);
        let number = |at: usize| u32::from_le_bytes(found[at..at + 4].try_into().unwrap());
        let place = |address: u32| (MAIN_SIZE - 0_u32.wrapping_sub(address)) as usize;
        let table = place(number(MAIN_SIZE as usize - FIT_POINTER as usize));
        assert_eq!(&found[table..table + 8], b"_FIT_   ");
        for (entry, signature) in PROCESSORS.into_iter().enumerate() {
            let at = place(number(table + 16 * (entry + 1)));
            for image in [&found, &new] {
                assert_eq!(image[at + 0x0C..at + 0x10], signature.to_le_bytes());
            }
            assert!(found[at + 4..at + 8] < new[at + 4..at + 8], "the new image has the newer revision");
        }
    }

    #[test]
    fn the_port_header_names_its_stretches() {
        for (image, version, end) in [(larkspur_port(7), 0x0102, 0x8_4000), (meadowlark_port(7), 0x0207, 0xC_4000)] {
            assert_eq!(&image[..8], b"LARKPORT");
            assert_eq!(u16::from_le_bytes([image[8], image[9]]), version);
            assert_eq!(image[10], 3);
            let last: Vec<u32> =
                image[28..36].chunks(4).map(|field| u32::from_le_bytes(field.try_into().unwrap())).collect();
            assert_eq!(last[0] + last[1], end);
            assert!(is_blank(&image[end as usize..]));
        }
    }
}
