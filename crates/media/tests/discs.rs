//! Disc images made with `xorriso` (Debian) in every boot mode and held against its own report, a real one of Debian's package
//! `memtest86+` against facts that another program read out of it, and damage.
//!
//! FAT images are made with `mkfs.fat` (dosfstools) and filled with `mcopy` (mtools). What is not installed is passed over with a
//! line that says so; `scripts/test` installs it.

#![allow(clippy::disallowed_methods, reason = "tests run programs and read files")]

use std::path::{Path, PathBuf};
use std::process::Command;

use media::boot::Emulation;
use media::medium::{BootImage, LengthFrom, Medium, Shape, copy};
use media::source::{FileSource, Part};
use media::{Error, Source};
use sha2::{Digest, Sha256};
use tempfile::TempDir;

fn hex(bytes: &[u8]) -> String {
    bytes.iter().map(|byte| format!("{byte:02x}")).collect()
}

fn sha256(source: &dyn Source, at: u64, len: u64) -> String {
    let mut hash = Sha256::new();
    copy(source, at, len, &mut |piece| {
        hash.update(piece);
        Ok(())
    })
    .expect("the image is there");
    hex(&hash.finalize())
}

fn installed(programs: &[&str]) -> bool {
    let found = |program: &&str| {
        let paths = std::env::var_os("PATH").unwrap_or_default();
        let mut folders = std::env::split_paths(&paths).chain(["/usr/sbin".into(), "/sbin".into()]);
        folders.any(|folder: PathBuf| folder.join(program).exists())
    };
    let missing: Vec<_> = programs.iter().filter(|program| !found(program)).collect();
    if !missing.is_empty() {
        eprintln!("passed over: {missing:?} not installed");
    }
    missing.is_empty()
}

fn run(folder: &Path, line: &str) -> String {
    let path = format!("{}:/usr/sbin:/sbin", std::env::var("PATH").unwrap_or_default());
    let output =
        Command::new("sh").args(["-ec", line]).current_dir(folder).env("PATH", path).output().expect("a shell");
    assert!(output.status.success(), "{line}\n{}", String::from_utf8_lossy(&output.stderr));
    String::from_utf8_lossy(&output.stdout).into_owned()
}

fn read(path: &Path) -> (FileSource, Medium) {
    let source = FileSource::new(std::fs::File::open(path).expect("our own file")).expect("a file");
    let medium = Medium::read(&source).expect("it can be read");
    (source, medium)
}

#[test]
fn a_real_disc_reads_as_the_facts_say() {
    let path = Path::new("/usr/lib/memtest86+/memtest86+x64.iso");
    if !path.exists() {
        return eprintln!("passed over: memtest86+ is not installed");
    }
    let facts: serde_json::Value =
        serde_json::from_str(include_str!("expected/memtest86+x64.iso.json")).expect("our own file");
    let (source, medium) = read(path);
    if sha256(&source, 0, source.len()) != facts["sha256"] {
        return eprintln!("passed over: another version of memtest86+");
    }
    let volume = medium.volume.as_ref().expect("a volume");
    assert_eq!(volume.name, facts["volume_id"].as_str().expect("text"));
    assert_eq!(u64::from(volume.sectors), facts["volume_blocks"]);
    assert_eq!(medium.files.len() as u64, facts["file_count"]);
    assert_eq!(medium.shape(), Shape::Hybrid);
    let partitions = &medium.table.as_ref().expect("a table").partitions;
    for (partition, facts) in partitions.iter().zip(facts["mbr"].as_array().expect("a list")) {
        assert_eq!((partition.at / 512, partition.len / 512), (n(&facts["start"]), n(&facts["blocks"])));
    }
    let torito = &facts["el_torito"];
    let catalogue = medium.catalogue.as_ref().expect("a catalogue");
    assert_eq!(catalogue.at, n(&torito["catalog_at"]));
    assert_eq!((catalogue.sum_ok, catalogue.key_ok), (true, true));
    let entries = torito["entries"].as_array().expect("a list");
    assert_eq!((catalogue.entries.len(), medium.images.len()), (entries.len(), entries.len()));
    for (image, facts) in medium.images.iter().zip(entries) {
        let entry = image.entry;
        assert_eq!(u64::from(entry.platform), n(&facts["platform"]));
        assert_eq!(entry.bootable, facts["bootable"]);
        assert_eq!((u64::from(entry.loaded), u64::from(entry.sector)), (n(&facts["sector_count"]), n(&facts["lba"])));
        assert_eq!(image.at, n(&facts["at"]));
        match facts["image_length"].as_u64() {
            Some(len) => {
                assert_eq!(image.len, len);
                assert_eq!(sha256(&source, image.at, image.len), facts["image_sha256"].as_str().expect("text"));
            }
            None => assert_eq!(image.len, n(&facts["loaded_length"])),
        }
        // The facts have the plain tree's names; Rock Ridge gives the other spelling.
        assert_eq!(image.file.as_deref().map(str::to_uppercase).as_deref(), facts["iso_file"].as_str());
    }
}

fn n(value: &serde_json::Value) -> u64 {
    value.as_u64().expect("a number")
}

/// A folder with what goes onto the discs.
fn stage() -> TempDir {
    let folder = tempfile::tempdir().expect("a folder");
    std::fs::create_dir_all(folder.path().join("tree/boot/deep")).expect("a folder");
    let mut random = 1_u32;
    let mut noise = |len: usize| -> Vec<u8> {
        (0..len)
            .map(|_| {
                random = random.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
                (random >> 24) as u8
            })
            .collect()
    };
    std::fs::write(folder.path().join("tree/boot/loader.bin"), noise(29_541)).expect("our own file");
    std::fs::write(folder.path().join("tree/boot/deep/A Long Name.text"), noise(5_000)).expect("our own file");
    std::fs::write(folder.path().join("payload.rom"), noise(300_001)).expect("our own file");
    folder
}

/// A FAT image with one file of a long name in a folder, made by others' tools.
fn fat(folder: &Path, name: &str, kilobytes: u32, bits: u32) {
    run(
        folder,
        &format!(
            "mkfs.fat -F {bits} -C {name} {kilobytes} >/dev/null; mmd -i {name} ::/firmware; \
             mcopy -i {name} payload.rom '::/firmware/Vendor Update 1.23.rom'; mcopy -i {name} tree/boot/loader.bin ::/START.BIN"
        ),
    );
}

/// Holds every image against what xorriso itself says of the disc: number, platform, count, and first sector.
fn as_reported(folder: &Path, disc: &str, medium: &Medium) {
    let report = run(folder, &format!("xorriso -indev {disc} -report_el_torito plain 2>/dev/null"));
    let lines: Vec<Vec<&str>> = report
        .lines()
        .filter_map(|line| line.strip_prefix("El Torito boot img :"))
        .map(|line| line.split_whitespace().collect())
        .collect();
    assert_eq!(lines.len(), medium.images.len(), "{report}");
    for (image, words) in medium.images.iter().zip(lines) {
        // Columns: N  Pltf  B  Emul  Ld_seg  Hdpt  Ldsiz  LBA
        assert_eq!(words[1], if image.entry.platform == 0xEF { "UEFI" } else { "BIOS" });
        assert_eq!(words[2] == "y", image.entry.bootable);
        let emulation = match image.entry.emulation {
            Emulation::None => "none",
            Emulation::Floppy(_) => "fd1.4",
            _ => "hd",
        };
        assert_eq!(words[3], emulation);
        assert_eq!(words[6].parse::<u16>().ok(), Some(image.entry.loaded), "{report}");
        assert_eq!(words[7].parse::<u32>().ok(), Some(image.entry.sector), "{report}");
    }
}

fn holds_payload(folder: &Path, source: &FileSource, image: &BootImage) {
    let files = image.files(source).expect("a file system");
    let found = files.iter().find(|file| file.path == "/firmware/Vendor Update 1.23.rom").expect("the long name");
    let (at, fat) = image.file_system(source).expect("it reads").expect("a file system");
    let mut bytes = Vec::new();
    let part = Part::new(source, at, image.at + image.len - at).expect("inside");
    let file = fat.open(&part, found).expect("a sound chain");
    copy(&file, 0, file.len(), &mut |piece| {
        bytes.extend_from_slice(piece);
        Ok(())
    })
    .expect("it can be read");
    assert!(bytes == std::fs::read(folder.join("payload.rom")).expect("our own file"));
}

const MAKE: &str = "xorriso -as mkisofs -quiet -o disc.iso -V BENCH -R";

#[test]
fn a_loader_without_emulation_is_as_long_as_its_file() {
    if !installed(&["xorriso"]) {
        return;
    }
    let folder = stage();
    run(folder.path(), &format!("{MAKE} -b boot/loader.bin -c boot/catalogue -no-emul-boot -boot-load-size 4 tree"));
    let (source, medium) = read(&folder.path().join("disc.iso"));
    as_reported(folder.path(), "disc.iso", &medium);
    let [image] = &medium.images[..] else { panic!("one image") };
    assert_eq!((image.len, image.length_from, image.entry.loaded), (29_541, LengthFrom::File, 4));
    assert_eq!(image.file.as_deref(), Some("/boot/loader.bin"));
    let loader = std::fs::read(folder.path().join("tree/boot/loader.bin")).expect("our own file");
    assert_eq!(sha256(&source, image.at, image.len), hex(&Sha256::digest(loader)));
    assert!(medium.files.iter().any(|file| file.path == "/boot/deep/A Long Name.text" && file.len == 5000));
    assert_eq!(medium.shape(), Shape::Disc);
    assert!(medium.notes.is_empty(), "{:?}", medium.notes);
}

#[test]
fn a_floppy_is_as_long_as_its_kind() {
    if !installed(&["xorriso", "mkfs.fat", "mcopy"]) {
        return;
    }
    let folder = stage();
    fat(folder.path(), "tree/floppy.img", 1440, 12);
    run(folder.path(), &format!("{MAKE} -b floppy.img -c boot/catalogue tree"));
    let (source, medium) = read(&folder.path().join("disc.iso"));
    as_reported(folder.path(), "disc.iso", &medium);
    let [image] = &medium.images[..] else { panic!("one image") };
    assert_eq!((image.len, image.length_from), (1_474_560, LengthFrom::Disk));
    holds_payload(folder.path(), &source, image);
}

/// What vendors' update discs are: a hard disk of one partition, of which the catalogue counts one sector.
#[test]
fn a_hard_disk_is_as_long_as_its_own_table_says() {
    if !installed(&["xorriso", "mkfs.fat", "mcopy", "sfdisk"]) {
        return;
    }
    let folder = stage();
    fat(folder.path(), "part.img", 20_000, 16);
    run(
        folder.path(),
        "truncate -s $((2048 * 512)) tree/disk.img; cat part.img >>tree/disk.img; \
         echo 'start=2048, type=6, bootable' | sfdisk -q tree/disk.img",
    );
    run(folder.path(), &format!("{MAKE} -b disk.img -c boot/catalogue -hard-disk-boot tree"));
    let (source, medium) = read(&folder.path().join("disc.iso"));
    as_reported(folder.path(), "disc.iso", &medium);
    let [image] = &medium.images[..] else { panic!("one image") };
    assert_eq!((image.length_from, image.entry.loaded), (LengthFrom::OwnTable, 1));
    assert_eq!(image.len, std::fs::metadata(folder.path().join("tree/disk.img")).expect("our own file").len());
    holds_payload(folder.path(), &source, image);
}

#[test]
fn an_appended_uefi_partition_is_found_outside_the_volume() {
    if !installed(&["xorriso", "mkfs.fat", "mcopy"]) {
        return;
    }
    let folder = stage();
    fat(folder.path(), "efi.img", 40_000, 16);
    run(
        folder.path(),
        &format!(
            "{MAKE} -b boot/loader.bin -c boot/catalogue -no-emul-boot -boot-load-size 4 -eltorito-alt-boot \
             -append_partition 2 0xef efi.img -e --interval:appended_partition_2:all:: -no-emul-boot tree"
        ),
    );
    let (source, medium) = read(&folder.path().join("disc.iso"));
    as_reported(folder.path(), "disc.iso", &medium);
    let [_, image] = &medium.images[..] else { panic!("two images") };
    assert!(image.len >= 40_000 * 1024, "{image:?}");
    assert_eq!((image.entry.platform, image.file.as_deref()), (0xEF, None));
    assert_eq!(medium.shape(), Shape::Hybrid);
    holds_payload(folder.path(), &source, image);
}

#[test]
fn large_file_systems_are_read_by_their_clusters() {
    if !installed(&["mkfs.fat", "mcopy"]) {
        return;
    }
    let folder = stage();
    fat(folder.path(), "big.img", 300_000, 32);
    let (source, medium) = read(&folder.path().join("big.img"));
    assert_eq!((medium.shape(), medium.fat.expect("a file system").name()), (Shape::FileSystem, "FAT32"));
    let files = medium.fat.expect("a file system").files(&source).expect("sound");
    let mut names: Vec<&str> = files.iter().map(|file| file.path.as_str()).collect();
    names.sort_unstable();
    assert_eq!(names, ["/START.BIN", "/firmware/Vendor Update 1.23.rom"]);
}

/// Cut off anywhere and flipped anywhere: an answer or an error, never a panic, and never for long.
#[test]
fn s10_damage_is_an_answer_or_an_error() {
    if !installed(&["xorriso", "mkfs.fat", "mcopy"]) {
        return;
    }
    let folder = stage();
    fat(folder.path(), "tree/floppy.img", 1440, 12);
    run(folder.path(), &format!("{MAKE} -b floppy.img -c boot/catalogue tree"));
    let whole = std::fs::read(folder.path().join("disc.iso")).expect("our own file");
    let look = |bytes: &Vec<u8>| {
        let medium = Medium::read(bytes).expect("memory can be read");
        for image in &medium.images {
            if let (Ok(files), Ok(Some((at, fat)))) = (image.files(bytes), image.file_system(bytes)) {
                let part = Part::new(bytes, at, image.at + image.len - at).expect("inside");
                for file in files.iter().take(20) {
                    let opened = fat.open(&part, file);
                    let _ = opened.and_then(|file| copy(&file, 0, file.len(), &mut |_| Ok(())));
                }
            }
        }
        medium
    };
    let sound = look(&whole);
    assert!(sound.notes.is_empty(), "{:?}", sound.notes);
    for end in (0..whole.len()).step_by(1999) {
        look(&whole[..end].to_vec());
    }
    let image = &sound.images[0];
    let heads = [16 * 2048..24 * 2048, image.at as usize..image.at as usize + 16 * 1024];
    let catalogue = sound.catalogue.as_ref().expect("a catalogue").at as usize;
    let places = heads.into_iter().flatten().chain(catalogue..catalogue + 128);
    for (index, at) in places.enumerate().filter(|(index, _)| index % 7 == 0) {
        let mut damaged = whole.clone();
        damaged[at] ^= [0xFF, 0x01, 0x80, 0x7F][index / 7 % 4];
        look(&damaged);
    }
}

/// Section headers that announce nothing, one after the other, to the end of the file.
#[test]
fn s10_a_catalogue_of_empty_headers_ends() {
    let mut bytes = vec![0; 64 * 2048];
    let mut put = |at: usize, value: &[u8]| bytes[at..at + value.len()].copy_from_slice(value);
    put(17 * 2048, b"\0CD001\x01EL TORITO SPECIFICATION");
    put(17 * 2048 + 0x47, &20_u32.to_le_bytes());
    put(20 * 2048, &[1, 0]);
    put(20 * 2048 + 30, &[0x55, 0xAA]);
    for entry in 2..1300 {
        put(20 * 2048 + entry * 32, &[0x90]);
    }
    let catalogue = media::boot::Catalogue::read(&bytes, 20).expect("a catalogue");
    assert!(catalogue.cut && catalogue.entries.len() == 1 && !catalogue.sum_ok);
    let outside = media::boot::Catalogue::read(&bytes, 4_000_000_000);
    assert!(matches!(outside, Err(Error::Short { .. })));
}
