//! `media extract`: looked into, taken out, refused.

use crate::common::{Bench, MIB, snapshot};

/// A disc image by hand: one volume without files, one boot image without emulation, of which the catalogue counts one unit of
/// 512 bytes, and whose length its FAT boot sector tells. Offsets as in ECMA-119 and the specification of 1995.
pub fn disc() -> Vec<u8> {
    const SECTOR: usize = 2048;
    let mut bytes = vec![0; 2 * MIB];
    let mut put = |at: usize, value: &[u8]| bytes[at..at + value.len()].copy_from_slice(value);
    put(16 * SECTOR, b"\x01CD001\x01");
    put(16 * SECTOR + 40, b"UPDATE\x1b[2J                     ");
    put(16 * SECTOR + 80, &1024_u32.to_le_bytes());
    put(16 * SECTOR + 128, &2048_u16.to_le_bytes());
    put(16 * SECTOR + 156, &[34]);
    put(16 * SECTOR + 158, &20_u32.to_le_bytes());
    put(16 * SECTOR + 166, &2048_u32.to_le_bytes());
    put(17 * SECTOR, b"\0CD001\x01EL TORITO SPECIFICATION");
    put(17 * SECTOR + 0x47, &19_u32.to_le_bytes());
    put(18 * SECTOR, b"\xffCD001\x01");
    // Validation entry, whose words add up to 0, and the default entry.
    put(19 * SECTOR, &[1, 0]);
    put(19 * SECTOR + 28, &[0xAA, 0x55, 0x55, 0xAA]);
    put(19 * SECTOR + 32, &[0x88, 0, 0, 0, 0, 0, 1, 0]);
    put(19 * SECTOR + 40, &32_u32.to_le_bytes());
    // 2,048 sectors of 512 bytes, one table of 8, 512 entries in the root folder.
    let image = 32 * SECTOR;
    put(image, &[0xEB, 0x3C, 0x90]);
    put(image + 11, &[0, 2, 1, 1, 0, 1, 0, 2, 0, 8, 0xF8, 8, 0]);
    put(image + 510, &[0x55, 0xAA]);
    // The table's first entries, and one file of 700 bytes in clusters 2 and 3.
    put(image + 512, &[0xF8, 0xFF, 0xFF, 0x03, 0xF0, 0xFF]);
    let root = image + 9 * 512;
    put(root, b"UPDATE  ROM");
    put(root + 11, &[0x20]);
    put(root + 26, &2_u16.to_le_bytes());
    put(root + 28, &700_u32.to_le_bytes());
    put(root + 512 * 32, &[0x5A; 700]);
    bytes
}

#[test]
fn a_boot_image_and_a_file_in_it_are_taken_out() {
    let bench = Bench::new();
    bench.write("disc.iso", &disc());
    let looked = bench.json("media extract disc.iso");
    assert_eq!(looked["volume"], "UPDATE\u{1b}[2J", "{looked}");
    let image = &looked["images"][0];
    assert_eq!((image["size"].as_u64(), image["catalogue_size"].as_u64()), (Some(1 << 20), Some(512)), "{looked}");
    assert_eq!(image["files"][0]["path"], "/UPDATE.ROM");
    assert_eq!(looked["notes"].as_array().map(Vec::len), Some(0), "{looked}");
    bench.run("media extract disc.iso --out boot.img").expect(0);
    assert!(bench.read("boot.img") == disc()[65536..65536 + (1 << 20)]);
    // Again: the same file is left alone. Another one is never written over.
    bench.run("media extract disc.iso --out boot.img").expect(0);
    bench.run("media extract disc.iso --inside update.rom --out boot.img").expect(3);
    bench.run("media extract disc.iso --inside /update.rom --out part.rom").expect(0);
    assert_eq!(bench.read("part.rom"), [0x5A; 700]);
    let left: Vec<_> = std::fs::read_dir(bench.path(".")).expect("the folder").flatten().collect();
    assert!(left.iter().all(|entry| !entry.file_name().to_string_lossy().contains(".part")), "{left:?}");
}

/// The computer that runs the tests has a disk of its own, and that is refused whatever else is said.
#[test]
fn s11_no_drive_is_written_that_was_not_named_by_its_size_or_is_not_removable() {
    let bench = Bench::new();
    bench.write("stick.img", &[1; 4096]);
    let drives = bench.json("media drives");
    for drive in drives["drives"].as_array().expect("a list") {
        let (node, size) = (drive["drive"].as_str().expect("a name"), drive["size"].as_u64().expect("bytes"));
        if drive["writable"] == true {
            bench.run(&format!("media write stick.img {node}")).expect(2);
            bench.run(&format!("media write stick.img {node} --size {}", size + 512)).expect(1);
        } else {
            assert!(drive["refusals"].as_array().is_some_and(|why| !why.is_empty()), "{drive}");
            bench.run(&format!("media write stick.img {node} --size {size}")).expect(1);
        }
    }
    for other in ["/dev/null", "/dev/loop0", "stick.img", "nowhere"] {
        let ran = bench.run(&format!("media write stick.img {other} --size 4096")).expect(1);
        assert!(ran.stderr.contains("is no drive of this computer"), "{}", ran.stderr);
    }
    bench.write("empty.img", &[]);
    bench.run("media write empty.img /dev/null --size 4096").expect(2);
    assert_eq!(bench.read("stick.img"), [1; 4096]);
}

/// The way through a disc's boxes, typed; what a step meets instead of what it asks for; nothing of it reaches the terminal raw.
#[test]
fn a_part_is_taken_through_a_chain() {
    let bench = Bench::new();
    bench.write("disc.iso", &disc());
    let taken = bench.json("image take disc.iso 'boot then fat:/UPDATE.ROM' --out part.rom");
    assert_eq!((taken["size"].as_u64(), taken["selector"].as_str()), (Some(700), Some("boot then fat:/UPDATE.ROM")));
    assert_eq!(bench.read("part.rom"), [0x5A; 700]);
    bench.run("image take disc.iso boot --out boot.img").expect(0);
    assert!(bench.read("boot.img") == disc()[65536..65536 + (1 << 20)], "as `media extract` takes it");
    let runs = [
        bench.run("image take disc.iso 'boot then fat:/UPDATE.RUM' --out x").expect(1),
        bench.run("image take disc.iso 'boot then iso:/UPDATE.ROM' --out x").expect(1),
        bench.run("image take disc.iso 'boot#2' --out x").expect(1),
        bench.run("image take disc.iso 'boot then fat:/UPDATE.ROM then file:Core' --out x").expect(1),
        bench.run("image take disc.iso 'boot then fat' --out x").expect(2),
        bench.run("image take disc.iso 'boot fat:/UPDATE.ROM' --out x").expect(2),
        bench.run("image take disc.iso boot --decoded --out x").expect(2),
        bench.run("image take disc.iso 'boot then fat:/UPDATE.ROM' --out boot.img").expect(3),
    ];
    snapshot("media_chain", &bench, &runs);
    assert!(!bench.path("x").exists());
}

#[test]
fn what_is_not_there_is_said_and_nothing_reaches_the_terminal_raw() {
    let bench = Bench::new();
    bench.write("disc.iso", &disc());
    let ran = bench.run("media extract disc.iso").expect(0);
    assert!(!ran.stdout.contains('\u{1b}'), "{}", ran.stdout);
    bench.run("media extract disc.iso --image 2 --out x").expect(2);
    bench.run("media extract disc.iso --image 0 --out x").expect(2);
    bench.run("media extract disc.iso --inside nothing --out x").expect(2);
    bench.run("media extract disc.iso --inside update.rom").expect(2);
    bench.run("media extract nowhere.iso").expect(2);
    bench.write("plain.bin", &[7; 5000]);
    let ran = bench.run("media extract plain.bin --out x").expect(2);
    assert!(ran.stderr.contains("no boot catalogue"), "{}", ran.stderr);
    assert!(!bench.path("x").exists());
}
