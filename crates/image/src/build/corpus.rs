//! Small images that together hold every structure that firmware images are made of, for tests and fuzzing.

use super::guid::{self, Guid, guid};
use super::section::{self, stream};
use super::update::{FIT_POINTER, FitEntry, Microcode, entry, fit};
use super::variables::{self, Store, Variable, state};
use super::volume::{File, FileState, Volume, driver, kind};
use super::{ImageBuilder, capsule, partitions, uf2};
use crate::descriptor::{RegionKind, descriptor};
use crate::filler::{Filler, made_up, stream as numbers};
use crate::nvm::network_nvm;
use crate::scenario::{LARKSPUR_MAC, PLACEHOLDER_MAC};

const ONE: Guid = guid("f1a5a001-0000-4000-8000-000000000001");
const TWO: Guid = guid("f1a5a002-0000-4000-8000-000000000002");
const THREE: Guid = guid("f1a5a003-0000-4000-8000-000000000003");
const PROTOCOL: Guid = guid("f1a5a0ff-0000-4000-8000-0000000000ff");
/// Processors that the made microcode is for; the signatures belong to no real one (family 0).
const SIGNATURE: u32 = 0x0000_0A01;
const SIZE: usize = 0x4000;
const WHOLE: u32 = 512 << 10;
const FITS: &str = "the images of the corpus are laid out to fit";

/// Returns named images: the same for the same seed. Most have a few KiB; the whole chip with a descriptor has 512 KiB.
///
/// All are sound: every sum in them holds. Damage is for the caller to do.
pub fn corpus(seed: u64) -> Vec<(String, Vec<u8>)> {
    let code = made_up(Filler::Code, seed, "corpus code", 900);
    let mut images = volumes(&code);
    images.extend(sections(&code));
    images.extend(stores());
    images.extend(updates(seed, &code));
    images.extend(carriers(seed, &code));
    images.into_iter().map(|(name, bytes)| (name.to_owned(), bytes)).collect()
}

type Named = (&'static str, Vec<u8>);

fn built(volume: Volume) -> Vec<u8> {
    volume.build().expect(FITS)
}

/// A stream as a driver's file holds it.
fn module(title: &str, code: &[u8]) -> Vec<u8> {
    stream(&[
        section::depends_on(section::DXE_DEPEX, PROTOCOL),
        section::pe32(code),
        section::user_interface(title),
        section::version(7, "1.7"),
    ])
}

fn volumes(code: &[u8]) -> Vec<Named> {
    let files = |volume: Volume| volume.file(driver(ONE, "First", code)).file(driver(TWO, "Second", &code[..99]));
    let states = [
        FileState::HeaderConstruction,
        FileState::HeaderInvalid,
        FileState::HeaderValid,
        FileState::MarkedForUpdate,
        FileState::Deleted,
        FileState::DataValid,
    ];
    let in_states = |volume: Volume| {
        states.iter().fold(volume, |volume, state| {
            volume.file(File::new(kind::FREEFORM, THREE).sections(&[module("Moved", &code[..50])]).state(*state))
        })
    };
    let top = File::new(kind::RAW, guid::VOLUME_TOP).body(&code[..0x100]);
    let apriori = File::new(kind::FREEFORM, guid::DXE_APRIORI)
        .sections(&[section::section(section::RAW, &[TWO, ONE].concat())])
        .summed();
    let aligned = |name, alignment| File::new(kind::RAW, name).body(code).aligned(alignment);
    let pad = File::pad_with(b"a pad file with data is no damage");
    vec![
        ("volume-empty", built(Volume::ffs2(0x1000))),
        ("volume-files", built(files(Volume::ffs2(SIZE)))),
        (
            "volume-named",
            built(files(Volume::ffs2(SIZE).named(THREE).entry(2, &TWO).entry(3, &SIZE.to_le_bytes()[..4]))),
        ),
        ("volume-blocks", built(files(Volume::ffs2(SIZE).blocks(&[(2, 0x1000), (4, 0x800)])))),
        ("volume-erased-to-zero", built(in_states(files(Volume::ffs2(SIZE).erased_to_zero())))),
        ("volume-states", built(in_states(Volume::ffs2(SIZE)))),
        ("volume-summed", built(Volume::ffs2(SIZE).file(apriori).file(driver(ONE, "Summed", code).summed()))),
        (
            "volume-aligned",
            built(Volume::ffs2(SIZE).file(aligned(ONE, 16)).file(aligned(TWO, 512)).file(aligned(THREE, 4096))),
        ),
        ("volume-top", built(files(Volume::ffs2(SIZE)).file(top))),
        ("volume-large", built(files(Volume::ffs3(SIZE)).file(driver(THREE, "Large", code).large()))),
        ("volume-pad", built(files(Volume::ffs2(SIZE).file(pad)))),
        ("volume-behind-code", [code, &built(files(Volume::ffs2(SIZE)))].concat()),
    ]
}

fn sections(code: &[u8]) -> Vec<Named> {
    let holds =
        |sections: &[Vec<u8>]| built(Volume::ffs2(SIZE).file(File::new(kind::FREEFORM, ONE).sections(sections)));
    let inner = built(Volume::ffs2(0x1000).file(driver(TWO, "Inner", &code[..300])));
    let nested = stream(&[section::section(section::RAW, &[0; 12]), section::section(section::VOLUME_IMAGE, &inner)]);
    let deep = (0..6).fold(nested.clone(), |inner, level| match level % 3 {
        0 => section::lzma(&inner),
        1 => section::uncompressed(&inner),
        _ => section::tiano(&inner),
    });
    let stored = |packed: Vec<u8>| holds(&[packed]);
    vec![
        ("section-leaves", holds(&leaves(code))),
        ("section-volume", holds(std::slice::from_ref(&nested))),
        ("section-uncompressed", stored(section::uncompressed(&nested))),
        ("section-standard", stored(section::standard(&nested))),
        ("section-lzma", stored(section::lzma(&nested))),
        ("section-lzma-x86", stored(section::lzma_x86(&nested))),
        ("section-tiano", stored(section::tiano(&nested))),
        ("section-brotli", stored(section::brotli(&nested))),
        ("section-crc32", stored(section::crc32(&nested))),
        ("section-signed", stored(section::signed(&[0x30, 0x03, 0x02, 0x01, 0x01], &nested))),
        ("section-disposable", stored(section::section(section::DISPOSABLE, &nested))),
        ("section-unknown-method", stored(section::guided(THREE, section::PROCESSING_REQUIRED, &[1, 2, 3, 4], code))),
        ("section-unknown-walkable", stored(section::guided(THREE, 0, &[1, 2, 3, 4], &module("Walked", code)))),
        ("section-deep", stored(deep)),
    ]
}

fn leaves(code: &[u8]) -> Vec<Vec<u8>> {
    vec![
        section::pe32(code),
        section::te(&code[..200]),
        section::depends_on(section::DXE_DEPEX, PROTOCOL),
        section::depends_on(section::PEI_DEPEX, PROTOCOL),
        section::depends_on(section::MM_DEPEX, PROTOCOL),
        section::version(3, "3.0 é"),
        section::user_interface("Leaves"),
        section::freeform(THREE, &code[..40]),
        section::extended_section(section::RAW, &code[..60]),
        section::section(section::RAW, &[]),
    ]
}

fn stores() -> Vec<Named> {
    let filled = |store: Store| {
        let states = [
            state::ADDED,
            state::IN_TRANSITION,
            state::DELETED,
            state::DELETED_AT_ONCE,
            state::HEADER_ONLY,
            state::ADDED,
        ];
        states.into_iter().enumerate().fold(store, |store, (number, state)| {
            let variable = Variable::new(&format!("Boot000{number}"), guid::GLOBAL_VARIABLE, &[number as u8; 5]);
            store.variable(variable.state(state).attributes(variables::KEPT_FOR_ALL).time(2024, 2, 29))
        })
    };
    let volume = |store: Store| filled(store).volume(0x6000).expect(FITS);
    vec![
        ("store-plain", filled(Store::plain(0x800)).build().expect(FITS)),
        ("store-authenticated", filled(Store::authenticated(0x800)).build().expect(FITS)),
        ("store-empty-volume", Store::plain(0x1000).volume(0x6000).expect(FITS)),
        ("store-plain-volume", volume(Store::plain(0x1000))),
        ("store-authenticated-volume", volume(Store::authenticated(0x1000))),
        ("store-working-block", variables::working_block(0x1000)),
    ]
}

fn updates(seed: u64, code: &[u8]) -> Vec<Named> {
    let plain = Microcode::new(SIGNATURE, 1).size(1024).build(seed);
    let extended = Microcode::new(SIGNATURE, 1).size(1024).also_for(SIGNATURE + 1, 2).also_for(SIGNATURE + 2, 6);
    let capsule_of = |version, image| capsule::Payload::new(version, THREE, image);
    let signed = capsule::authenticated(1, &[0x30, 0x01, 0x00], &capsule::versioned(2, 1, code));
    vec![
        ("microcode", plain.clone()),
        ("microcode-default-size", Microcode::new(SIGNATURE, 0x80).build(seed)),
        ("microcode-extended", extended.build(seed)),
        ("fit", at_top(&plain, code)),
        ("capsule", capsule::capsule(ONE, 32, capsule::PERSISTS, code)),
        ("capsule-management-1", capsule::firmware_management(28, &[], &[capsule_of(1, code.to_vec())])),
        ("capsule-management-2", capsule::firmware_management(32, &[code.to_vec()], &[capsule_of(2, code.to_vec())])),
        (
            "capsule-management-3",
            capsule::firmware_management(0x100, &[], &[capsule_of(3, signed), capsule_of(3, code[..9].to_vec())]),
        ),
    ]
}

/// 16 KiB that end at 4 GiB: a volume, a microcode update, the table, the pointer to it and a jump at the reset vector.
fn at_top(microcode: &[u8], code: &[u8]) -> Vec<u8> {
    let size = SIZE as u32;
    let address = |at: u32| 0_u32.wrapping_sub(size - at);
    let table = fit(&[
        FitEntry { kind: entry::MICROCODE, address: address(0x2000).into(), size: 0 },
        FitEntry { kind: entry::FIRMWARE_MODULE, address: address(0).into(), size: 0x2000 / 16 },
        FitEntry { kind: entry::SKIP, address: 0xFFFF_FFFF_FFFF_FFF0, size: 0 },
    ]);
    ImageBuilder::new(size)
        .bytes(0, &built(Volume::ffs2(0x2000).file(driver(ONE, "Early", code))))
        .bytes(0x2000, microcode)
        .bytes(0x3000, &table)
        .bytes(size - FIT_POINTER, &address(0x3000).to_le_bytes())
        .bytes(size - 16, &[0x0F, 0x09, 0xE9, 0x00, 0xF0])
        .finish()
        .expect(FITS)
}

fn carriers(seed: u64, code: &[u8]) -> Vec<Named> {
    let table = partitions::partition_table(&[
        partitions::Partition { name: *b"CODE", at: 0x1000, size: 0x1000 },
        partitions::Partition { name: *b"DATA", at: 0x2000, size: 0x1000 },
    ]);
    let mut region = table.clone();
    region.resize(0x1000, 0xFF);
    region.extend(code.iter().cycle().take(0x2000));
    let mut noise = vec![0; 0x1000];
    rand_xoshiro::rand_core::Rng::fill_bytes(&mut numbers(seed, "corpus noise"), &mut noise);
    vec![
        ("network-nvm", network_nvm(PLACEHOLDER_MAC, seed)),
        ("partition-table", region),
        ("uf2", uf2::uf2(uf2::RP2040, 0x1000_0000, code)),
        ("blank", vec![0xFF; 0x2000]),
        ("zeros", vec![0x00; 0x2000]),
        ("noise", noise),
        ("text", b"no structure at all\n".repeat(40)),
        ("empty", Vec::new()),
        ("whole-chip", whole(seed, &table, code)),
    ]
}

fn whole(seed: u64, table: &[u8], code: &[u8]) -> Vec<u8> {
    let regions = [
        (RegionKind::Descriptor, 0..0x1000),
        (RegionKind::NetworkNvm, 0x1000..0x3000),
        (RegionKind::Management, 0x3000..0x1_0000),
        (RegionKind::SystemFirmware, 0x4_0000..WHOLE),
    ];
    let store = Store::authenticated(0x1000).variable(Variable::new("BootOrder", guid::GLOBAL_VARIABLE, &[0, 0]));
    ImageBuilder::new(WHOLE)
        .bytes(0, &descriptor(&regions, WHOLE).expect(FITS))
        .bytes(0x1000, &network_nvm(LARKSPUR_MAC, seed))
        .bytes(0x3000, table)
        .bytes(0x4000, code)
        .bytes(0x4_0000, &store.volume(0x6000).expect(FITS))
        .bytes(WHOLE - SIZE as u32, &at_top(&Microcode::new(SIGNATURE, 1).size(1024).build(seed), code))
        .finish()
        .expect(FITS)
}

#[cfg(test)]
mod tests {
    use std::collections::HashSet;

    use super::*;
    use crate::explain::{Severity, explain};

    #[test]
    fn the_corpus_is_the_same_for_the_same_seed_and_its_names_are_unlike() {
        let images = corpus(7);
        assert_eq!(images, corpus(7));
        assert_ne!(images, corpus(8));
        let names: HashSet<&String> = images.iter().map(|(name, _)| name).collect();
        assert_eq!(names.len(), images.len());
        assert!(images.len() > 45);
        for (name, bytes) in &images {
            assert!(bytes.len() <= 0x6000 || name == "whole-chip", "{name} has {} bytes", bytes.len());
        }
    }

    #[test]
    fn the_reader_finds_nothing_amiss_in_any() {
        let mut amiss = Vec::new();
        for (name, bytes) in corpus(7) {
            let explanation = explain(&bytes);
            amiss.extend(explanation.findings.into_iter().filter_map(|finding| match finding.severity {
                Severity::Note => None,
                _ => Some(format!("{name}: {} at {:#x}: {}", finding.code, finding.at, finding.message)),
            }));
        }
        assert!(amiss.is_empty(), "{amiss:#?}");
    }

    #[test]
    fn the_table_is_found_from_the_top() {
        let images = corpus(7);
        for name in ["fit", "whole-chip"] {
            let (_, image) = images.iter().find(|(of, _)| of == name).unwrap();
            let at = |address: u64| image.len() - ((1 << 32) - address) as usize;
            let pointer = image.len() - FIT_POINTER as usize;
            let table = at(u32::from_le_bytes(image[pointer..pointer + 4].try_into().unwrap()).into());
            assert_eq!(&image[table..table + 8], b"_FIT_   ");
            let microcode = at(u64::from_le_bytes(image[table + 16..table + 24].try_into().unwrap()));
            assert_eq!(image[microcode + 0x0C..microcode + 0x10], SIGNATURE.to_le_bytes());
        }
    }
}
