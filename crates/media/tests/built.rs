//! What the crate builds itself, held against others' tools: `fsck.fat` (dosfstools), `mcopy` (mtools), `sfdisk` (fdisk), `xorriso`.
//!
//! What is not installed is passed over with a line that says so; `scripts/test` installs it.

#![allow(clippy::disallowed_methods, reason = "tests run programs and read files")]

use std::path::Path;
use std::process::Command;

use media::Source;
use media::build::{BuildError, disc, drive, fat};
use media::medium::{LengthFrom, Medium, Shape, copy, file_systems};

fn installed(program: &str) -> bool {
    let found =
        ["/usr/bin", "/usr/sbin", "/bin", "/sbin"].iter().any(|folder| Path::new(folder).join(program).exists());
    if !found {
        eprintln!("passed over: {program} is not installed");
    }
    found
}

fn run(folder: &Path, line: &str) -> String {
    let path = "/usr/bin:/usr/sbin:/bin:/sbin";
    let output = Command::new("sh").args(["-ec", line]).current_dir(folder).env("PATH", path).output();
    let output = output.expect("a shell");
    let said = String::from_utf8_lossy(&output.stdout).into_owned() + &String::from_utf8_lossy(&output.stderr);
    assert!(output.status.success(), "{line}\n{said}");
    said
}

fn noise(len: usize) -> Vec<u8> {
    (0..len).map(|at| (at * 31 + at / 251) as u8).collect()
}

#[test]
fn a_file_system_is_sound_and_others_read_its_files() {
    let (main, port) = (noise(700_001), noise(513));
    let image =
        fat(&[("START.BIN", b""), ("UPDATE/MAIN118.CAP", &main), ("UPDATE/PORT.BIN", &port)]).expect("they fit");
    // By ourselves first.
    let [system] = file_systems(&image).expect("memory")[..] else { panic!("one file system") };
    assert_eq!((system.partition, system.fat.name(), system.fat.len), (None, "FAT16", image.len() as u64));
    let files = system.fat.files(&image).expect("sound");
    let paths: Vec<&str> = files.iter().map(|file| file.path.as_str()).collect();
    assert_eq!(paths, ["/START.BIN", "/UPDATE/MAIN118.CAP", "/UPDATE/PORT.BIN"]);
    let opened = system.fat.open(&image, &files[1]).expect("a sound chain");
    let mut bytes = vec![0; main.len()];
    opened.read_at(0, &mut bytes).expect("inside");
    assert!(bytes == main);
    let mut middle = vec![0; 2000];
    opened.read_at(300_003, &mut middle).expect("inside");
    assert!(middle == main[300_003..302_003], "from the middle on");
    assert!(opened.read_at(700_000, &mut middle).is_err(), "past the end");
    if installed("fsck.fat") && installed("mcopy") {
        let folder = tempfile::tempdir().expect("a folder");
        std::fs::write(folder.path().join("fat.img"), &image).expect("written");
        let said = run(folder.path(), "fsck.fat -nv fat.img");
        assert!(said.contains("FAT16") || said.contains("16 bit"), "{said}");
        run(folder.path(), "mcopy -i fat.img ::/UPDATE/MAIN118.CAP ::/UPDATE/PORT.BIN .");
        assert!(std::fs::read(folder.path().join("MAIN118.CAP")).expect("copied") == main);
        assert!(std::fs::read(folder.path().join("PORT.BIN")).expect("copied") == port);
    }
}

#[test]
fn a_disc_starts_a_drive_of_one_partition_as_others_see_it() {
    let main = noise(100_000);
    let stick = drive(&fat(&[("UPDATE/MAIN118.CAP", &main)]).expect("it fits"));
    let iso = disc("LARKSPUR_118", &stick, &[("README.TXT", b"read me")]).expect("plain names");
    let medium = Medium::read(&iso).expect("memory");
    assert_eq!((medium.shape(), medium.notes.len()), (Shape::Disc, 0), "{:?}", medium.notes);
    let [image] = &medium.images[..] else { panic!("one image") };
    assert_eq!((image.len, image.length_from, image.entry.loaded), (stick.len() as u64, LengthFrom::OwnTable, 1));
    let mut bytes = Vec::new();
    copy(&iso, image.at, image.len, &mut |piece| {
        bytes.extend_from_slice(piece);
        Ok(())
    })
    .expect("inside");
    assert!(bytes == stick);
    let folder = tempfile::tempdir().expect("a folder");
    std::fs::write(folder.path().join("disc.iso"), &iso).expect("written");
    std::fs::write(folder.path().join("stick.img"), &stick).expect("written");
    if installed("sfdisk") {
        let said = run(folder.path(), "sfdisk -d stick.img");
        assert!(said.contains("start=        2048, size=       16384, type=6, bootable"), "{said}");
    }
    if installed("xorriso") {
        let said = run(folder.path(), "xorriso -indev disc.iso -report_el_torito plain -find / -exec lsdl -- 2>&1");
        let line = said.lines().find(|line| line.starts_with("El Torito boot img :")).expect("an image");
        let words: Vec<&str> = line.split_whitespace().collect();
        // Columns behind the colon: N  Pltf  B  Emul  Ld_seg  Hdpt  Ldsiz  LBA
        assert_eq!(words[5..9], ["1", "BIOS", "y", "hd"], "{said}");
        assert_eq!(words[11..], ["1", &(image.at / 2048).to_string()], "{said}");
        run(folder.path(), "xorriso -osirrox on -indev disc.iso -extract / out 2>&1; chmod -R u+w out");
        assert!(std::fs::read(folder.path().join("out/START.IMG")).expect("taken out") == stick);
        assert_eq!(std::fs::read(folder.path().join("out/README.TXT")).expect("taken out"), b"read me");
    }
    if installed("mcopy") {
        run(folder.path(), "mcopy -i stick.img@@1M ::/UPDATE/MAIN118.CAP .");
        assert!(std::fs::read(folder.path().join("MAIN118.CAP")).expect("copied") == main);
    }
}

#[test]
fn names_and_sizes_that_there_are_not_are_refused() {
    for path in ["start.bin", "TOOLONGNAME", "A.LONG", "A/B/C", "", "A/", "/A", "F.X/A", "A B"] {
        assert!(matches!(fat(&[(path, b"x")]), Err(BuildError::Path { .. })), "{path}");
        assert!(matches!(disc("X", b"", &[(path, b"x")]), Err(BuildError::Path { .. })), "{path}");
    }
    assert!(matches!(fat(&[("A", &noise(9 << 20))]), Err(BuildError::Full { .. })));
    let many: Vec<String> = (0..60).map(|number| format!("FILE{number}.BIN")).collect();
    let many: Vec<(&str, &[u8])> = many.iter().map(|name| (name.as_str(), &b"x"[..])).collect();
    assert!(disc("X", b"", &many).is_err(), "more than one sector of records");
}
