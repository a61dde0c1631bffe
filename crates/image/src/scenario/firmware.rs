//! The system firmware of the notebook's `main` chip: real volumes around made-up code.
//!
//! | at | Larkspur, as found | Meadowlark |
//! |---|---|---|
//! | 20_0000h | settings: 128 KiB, with the machine's serial number | settings: 64 KiB, as published |
//! | 30_0000h | main volume: 5 MiB, drivers packed with LZMA | |
//! | 40_0000h | | main volume: 4 MiB |
//! | 80_0000h | further drivers, packed in several ways: 3 MiB | 2.25 MiB |
//! | C8_0000h | vendor's memory part, the same in both | |
//! | D0_0000h | microcode in fixed places | newer microcode |
//! | D1_0000h | a volume of tables | its own |
//! | E0_0000h | early modules: 1.75 MiB | its own |
//! | FC_0000h | boot volume, up to 4 GiB in the processor's sight, the same in both | |
//!
//! The boot volume's table names the microcode by its places, so it stays the same when the microcode changes. Names
//! and GUIDs of modules are invented: a module's GUID and its code follow from its title and the seed, so modules of
//! one title are the same in both images.

use crate::build::capsule::{PERSISTS, RESETS, capsule};
use crate::build::guid::{self, Guid, guid};
use crate::build::section;
use crate::build::update::{FIT_POINTER, FitEntry, Microcode, entry, fit};
use crate::build::variables::{KEPT_FOR_BOOT, Store, Variable, state};
use crate::build::volume::{File, Volume, kind};
use crate::filler::{Filler, made_up, stream};
use rand_xoshiro::rand_core::Rng;

/// Signatures of the two processors that Larkspur Nines came with: of family 0, which no processor has.
pub const PROCESSORS: [u32; 2] = [0x0000_0A21, 0x0000_0A22];

const FITS: &str = "the volumes are laid out with room for what the seed changes";
const KIB: usize = 1 << 10;
const MICROCODE_AT: u32 = 0xD0_0000;
const MICROCODE_SIZE: usize = 16 * KIB;
const TABLES_AT: u32 = 0xD1_0000;
const BOOT_AT: u32 = 0xFC_0000;
const BOOT_SIZE: usize = 256 * KIB;
/// The last page of the boot volume: the volume-top file with its header.
const TOP: usize = 4 * KIB;
const TABLE_BEFORE_END: usize = 0x400;
/// Settings of the vendor's own; invented.
const VENDOR: Guid = guid("5e77a9c2-0f3d-4b61-9d52-1a2b8c4e7701");

/// Bytes with their place in the chip.
pub(super) type Placed = (u32, Vec<u8>);

/// Returns the system firmware of a Larkspur Nine as found, without the parts that both images share.
pub(super) fn larkspur(seed: u64) -> Vec<Placed> {
    let main = Volume::ffs2(0x50_0000)
        .named(module_guid("larkspur main volume"))
        .file(apriori(&["LarkClock", "LarkMemoryMap"]))
        .file(packed_drivers(seed, 0x18_0000, &LARKSPUR_DRIVERS))
        .file(pictures(seed, "LarkPictures", 2300 * KIB))
        .file(pictures(seed, "LarkFonts", 1400 * KIB));
    let early = plain_modules(seed, kind::PEIM, section::te, &LARKSPUR_EARLY);
    vec![
        (0x20_0000, settings(0x1_0000 - 0x2000, 0x2_0000, larkspur_variables())),
        (0x30_0000, build(main)),
        (0x80_0000, build(drivers(seed, 0x30_0000, "larkspur drivers", &LARKSPUR_FURTHER))),
        (MICROCODE_AT, microcode(seed, 0x1A, 0x0310_2021)),
        (TABLES_AT, build(tables(seed, 0xB_0000, "larkspur tables"))),
        (0xE0_0000, build(with_files(Volume::ffs2(0x1C_0000).named(module_guid("larkspur early volume")), early))),
    ]
}

/// Returns Meadowlark's system firmware as published, without the parts that both images share.
pub(super) fn meadowlark(seed: u64) -> Vec<Placed> {
    meadowlark_with(seed, meadowlark_variables())
}

/// Returns it with what the example's Larkspur Nine is called.
pub(super) fn meadowlark_completed(seed: u64) -> Vec<Placed> {
    meadowlark_with(seed, meadowlark_variables().into_iter().chain(identity()).collect())
}

fn meadowlark_with(seed: u64, variables: Vec<Variable>) -> Vec<Placed> {
    let main = Volume::ffs2(0x40_0000)
        .named(module_guid("meadowlark main volume"))
        .file(apriori(&["MeadowStart", "MeadowStorage"]))
        .file(packed_drivers(seed, 0x14_0000, &MEADOWLARK_DRIVERS))
        .file(pictures(seed, "MeadowPictures", 2400 * KIB))
        .file(pictures(seed, "MeadowFonts", 1250 * KIB));
    let early = plain_modules(seed, kind::PEIM, section::te, &MEADOWLARK_EARLY);
    vec![
        (0x20_0000, settings(0x8000 - 0x2000, 0x1_0000, variables)),
        (0x40_0000, build(main)),
        (0x80_0000, build(drivers(seed, 0x24_0000, "meadowlark drivers", &MEADOWLARK_FURTHER))),
        (MICROCODE_AT, microcode(seed, 0x2C, 0x0905_2024)),
        (TABLES_AT, build(tables(seed, 0xF_0000, "meadowlark tables"))),
        (0xE0_0000, build(with_files(Volume::ffs2(0x1C_0000).named(module_guid("meadowlark early volume")), early))),
    ]
}

/// Returns what both images have at the same places: the vendor's memory part and the boot volume.
pub(super) fn shared(seed: u64) -> Vec<Placed> {
    vec![(0xC8_0000, memory_part(seed)), (BOOT_AT, boot_volume(seed))]
}

/// Returns the vendor's memory part: what only the vendor's own firmware holds, and the new one needs as it is.
pub(super) fn memory_part(seed: u64) -> Vec<u8> {
    made_up(Filler::Packed, seed, "vendor memory part", 0x8_0000)
}

/// Returns the file in which the vendor publishes its firmware 1.18: a capsule around a volume, in which the memory part is
/// packed together with its name.
pub(super) fn update(seed: u64) -> Vec<u8> {
    let part = section::stream(&[section::section(section::RAW, &memory_part(seed))]);
    let name = section::user_interface("LarkMemoryPart");
    let file =
        File::new(kind::FREEFORM, module_guid("LarkMemoryPart")).sections(&[section::lzma(&part), name]).summed();
    let core = module_sections(seed, "LarkUpdate", 140, section::pe32);
    let updater = File::new(kind::DRIVER, module_guid("LarkUpdate")).sections(&core).aligned(16);
    let volume = Volume::ffs2(0xC_0000).named(module_guid("larkspur update")).file(updater).file(file);
    capsule(module_guid("larkspur update capsule"), 0x1000, PERSISTS | RESETS, &build(volume))
}

/// Modules by title, with the size of their code in KiB.
type Modules = [(&'static str, usize)];

const LARKSPUR_DRIVERS: [(&str, usize); 18] = [
    ("LarkClock", 24),
    ("LarkMemoryMap", 48),
    ("LarkMenu", 210),
    ("LarkPanel", 96),
    ("LarkKeyboard", 40),
    ("LarkPointer", 28),
    ("LarkStorage", 132),
    ("LarkNetwork", 160),
    ("LarkUsb", 118),
    ("LarkSound", 36),
    ("LarkBattery", 52),
    ("LarkFan", 20),
    ("LarkLid", 12),
    ("LarkFingerprint", 88),
    ("LarkUpdate", 140),
    ("LarkTables", 64),
    ("LidLight", 8),
    ("CardReader", 44),
];
const LARKSPUR_FURTHER: [(&str, usize); 8] = [
    ("LarkDock", 300),
    ("LarkCamera", 220),
    ("LarkDiagnostics", 520),
    ("LarkRemote", 410),
    ("LarkSelfTest", 330),
    ("LarkLanguages", 480),
    ("LarkRadio", 260),
    ("CardWriter", 140),
];
const LARKSPUR_EARLY: [(&str, usize); 7] = [
    ("LarkEarlyCore", 180),
    ("LarkEarlyMemory", 540),
    ("LarkEarlyBus", 160),
    ("LarkEarlyPower", 140),
    ("LarkEarlyRecovery", 280),
    ("LarkEarlyTimer", 60),
    ("LarkEarlyPanel", 190),
];
const MEADOWLARK_DRIVERS: [(&str, usize); 12] = [
    ("MeadowStart", 60),
    ("MeadowStorage", 120),
    ("MeadowMenu", 180),
    ("MeadowPanel", 90),
    ("MeadowKeyboard", 40),
    ("MeadowUsb", 104),
    ("MeadowNetwork", 150),
    ("MeadowBattery", 48),
    ("MeadowUpdate", 110),
    ("MeadowTables", 72),
    ("LidLight", 8),
    ("CardReader", 44),
];
const MEADOWLARK_FURTHER: [(&str, usize); 6] = [
    ("MeadowPayload", 640),
    ("MeadowShell", 600),
    ("MeadowDiagnostics", 380),
    ("MeadowRadio", 260),
    ("MeadowSound", 180),
    ("CardWriter", 140),
];
const MEADOWLARK_EARLY: [(&str, usize); 6] = [
    ("MeadowEarlyCore", 240),
    ("MeadowEarlyMemory", 480),
    ("MeadowEarlyBus", 220),
    ("MeadowEarlyPower", 190),
    ("MeadowEarlyConsole", 120),
    ("MeadowEarlyPanel", 480),
];

fn build(volume: Volume) -> Vec<u8> {
    volume.build().expect(FITS)
}

fn with_files(volume: Volume, files: impl IntoIterator<Item = File>) -> Volume {
    files.into_iter().fold(volume, Volume::file)
}

/// A GUID of random form (RFC 9562, version 4) that follows from the title.
fn module_guid(title: &str) -> Guid {
    let mut bytes = [0; 16];
    stream(0, title).fill_bytes(&mut bytes);
    bytes[7] = bytes[7] & 0x0F | 0x40;
    bytes[8] = bytes[8] & 0x3F | 0x80;
    bytes
}

fn module_sections(seed: u64, title: &str, kib: usize, image: fn(&[u8]) -> Vec<u8>) -> [Vec<u8>; 3] {
    let code = made_up(Filler::Code, seed, title, kib * KIB);
    [image(&code), section::user_interface(title), section::version(0, "1.0")]
}

fn plain_modules(seed: u64, kind: u8, image: fn(&[u8]) -> Vec<u8>, modules: &Modules) -> Vec<File> {
    let module = |(title, kib): &(&str, usize)| {
        File::new(kind, module_guid(title)).sections(&module_sections(seed, title, *kib, image)).aligned(16)
    };
    modules.iter().map(module).collect()
}

fn apriori(titles: &[&str]) -> File {
    let names: Vec<u8> = titles.iter().flat_map(|title| module_guid(title)).collect();
    File::new(kind::FREEFORM, guid::DXE_APRIORI).sections(&[section::section(section::RAW, &names)]).summed()
}

/// A file whose only section is packed with LZMA and holds a volume with the drivers.
fn packed_drivers(seed: u64, size: usize, modules: &Modules) -> File {
    let inner = build(with_files(
        Volume::ffs2(size).named(module_guid("drivers")),
        plain_modules(seed, kind::DRIVER, section::pe32, modules),
    ));
    // A filler brings the inner volume's start to a multiple of 16.
    let stream =
        section::stream(&[section::section(section::RAW, &[0; 8]), section::section(section::VOLUME_IMAGE, &inner)]);
    File::new(kind::VOLUME_IMAGE, module_guid("packed drivers")).sections(&[section::lzma(&stream)])
}

/// Dense content under a subtype of its own, with a checksum.
fn pictures(seed: u64, title: &str, len: usize) -> File {
    let body = section::freeform(module_guid("pictures"), &made_up(Filler::Packed, seed, title, len));
    File::new(kind::FREEFORM, module_guid(title)).sections(&[body, section::user_interface(title)]).summed()
}

/// A volume of drivers. The small ones are packed, each in another way, as firmware of several hands is.
fn drivers(seed: u64, size: usize, title: &str, modules: &Modules) -> Volume {
    let packings = [section::tiano, section::standard, section::lzma_x86, section::crc32];
    let packed = packings.into_iter().enumerate().map(|(number, packing)| {
        let title = format!("{title} {}", number + 1);
        let inside = section::stream(&module_sections(seed, &title, 24, section::pe32));
        File::new(kind::DRIVER, module_guid(&title)).sections(&[packing(&inside)])
    });
    let plain = plain_modules(seed, kind::DRIVER, section::pe32, modules);
    with_files(Volume::ffs2(size).named(module_guid(title)), packed.chain(plain))
}

/// A volume that one file of tables fills.
fn tables(seed: u64, size: usize, title: &str) -> Volume {
    let body = made_up(Filler::Tables, seed, title, size - 4 * KIB);
    Volume::ffs2(size).file(File::new(kind::RAW, module_guid(title)).body(&body).summed())
}

fn settings(store_size: usize, volume_size: usize, variables: Vec<Variable>) -> Vec<u8> {
    let store = variables.into_iter().fold(Store::authenticated(store_size), Store::variable);
    store.volume(volume_size).expect(FITS)
}

fn larkspur_variables() -> Vec<Variable> {
    let vendor = |name: &str, data: &[u8]| Variable::new(name, VENDOR, data);
    let [serial, tag] = identity();
    let mut variables = vec![
        serial,
        tag,
        global("BootOrder", &[0, 0]).state(state::DELETED),
        boot_option(0, "Drive"),
        boot_option(1, "Boot stick"),
        global("BootOrder", &[0, 0, 1, 0]),
        global("Timeout", &[3, 0]),
        global("PlatformLang", b"en\0"),
    ];
    // Settings that were changed again and again, as a machine in use leaves them.
    for (name, len) in [("LarkSetup", 1200), ("LarkMemoryTraining", 3800), ("LarkFanCurve", 64)] {
        for change in 0..4_u8 {
            let data: Vec<u8> = (0..len).map(|at| (at as u8).wrapping_mul(change + 3)).collect();
            let state = if change == 3 { state::ADDED } else { state::DELETED };
            variables.push(vendor(name, &data).attributes(KEPT_FOR_BOOT).state(state));
        }
    }
    variables.push(vendor("LarkOnce", &[1]).state(state::DELETED_AT_ONCE));
    variables
}

/// What the example's machine is called.
fn identity() -> [Variable; 2] {
    let vendor = |name: &str, data: &[u8]| Variable::new(name, VENDOR, data).attributes(KEPT_FOR_BOOT);
    [vendor("SerialNumber", b"LS9-00412"), vendor("AssetTag", b"LANTERN-17")]
}

fn meadowlark_variables() -> Vec<Variable> {
    vec![
        boot_option(0, "Drive"),
        global("BootOrder", &[0, 0]),
        global("Timeout", &[1, 0]),
        global("PlatformLang", b"en\0"),
        Variable::new("MeadowSetup", VENDOR, &[0x11; 300]).attributes(KEPT_FOR_BOOT),
    ]
}

fn global(name: &str, data: &[u8]) -> Variable {
    Variable::new(name, guid::GLOBAL_VARIABLE, data)
}

/// A load option (UEFI Specification, "Load Options"): active, a description, and a device path that is only its end.
fn boot_option(number: u16, description: &str) -> Variable {
    let mut data = [&1_u32.to_le_bytes()[..], &4_u16.to_le_bytes()].concat();
    data.extend(description.encode_utf16().chain([0]).flat_map(u16::to_le_bytes));
    data.extend([0x7F, 0xFF, 4, 0]);
    global(&format!("Boot{number:04X}"), &data)
}

fn microcode(seed: u64, revision: u32, date: u32) -> Vec<u8> {
    let update = |signature| Microcode::new(signature, 0x80).revision(revision, date).size(MICROCODE_SIZE).build(seed);
    PROCESSORS.into_iter().flat_map(update).collect()
}

/// Where the processor sees this place of the chip: the chip ends at 4 GiB.
fn address(at: u32) -> u32 {
    at.wrapping_sub(super::MAIN_SIZE)
}

fn boot_volume(seed: u64) -> Vec<u8> {
    let modules = plain_modules(seed, kind::PEIM, section::te, &[("FirstCache", 40), ("FirstRecovery", 120)]);
    let core = File::new(kind::SECURITY_CORE, module_guid("FirstStep"))
        .sections(&module_sections(seed, "FirstStep", 48, section::te))
        .summed();
    let top = File::new(kind::RAW, guid::VOLUME_TOP).body(&top_of_memory(seed));
    let volume = Volume::ffs2(BOOT_SIZE).named(module_guid("boot volume"));
    build(with_files(volume, [core].into_iter().chain(modules).chain([top])))
}

/// The last bytes below 4 GiB: code, the table of microcode, the pointer to it, and the jump that the processor starts
/// with.
fn top_of_memory(seed: u64) -> Vec<u8> {
    let mut body = made_up(Filler::Code, seed, "top of memory", TOP - 24);
    let entry_of = |number: u32| FitEntry {
        kind: entry::MICROCODE,
        address: address(MICROCODE_AT + number * MICROCODE_SIZE as u32).into(),
        size: 0,
    };
    let module =
        FitEntry { kind: entry::FIRMWARE_MODULE, address: address(BOOT_AT).into(), size: BOOT_SIZE as u32 / 16 };
    let end = body.len();
    let mut put = |before_end: usize, bytes: &[u8]| {
        body[end - before_end..end - before_end + bytes.len()].copy_from_slice(bytes);
    };
    put(TABLE_BEFORE_END, &fit(&[entry_of(0), entry_of(1), module]));
    put(FIT_POINTER as usize, &u64::from(0_u32.wrapping_sub(TABLE_BEFORE_END as u32)).to_le_bytes());
    // Write back the caches (0F 09), then jump back within the page (E9), and nothing behind.
    put(16, &[0x0F, 0x09, 0xE9, 0x00, 0xF8, 0x90, 0x90, 0x90, 0, 0, 0, 0, 0, 0, 0, 0]);
    body
}
