//! What is said when a chip or a contact misbehaves. Times of faults are on the bench's own clock: a capture of this
//! chip reads until about 1.65 s, the erases and programs of an apply follow.

use crate::common::{Bench, MIB, Ran, noise, snapshot};

/// An apply on a chip with this fault.
fn with_fault(bench: &Bench, fault: &str) -> Ran {
    for name in ["chip.bin.state", "bench"] {
        let path = bench.path(name);
        let _ = if path.is_dir() { std::fs::remove_dir_all(path) } else { std::fs::remove_file(path) };
    }
    bench.write("chip.bin", &noise(1, MIB));
    bench.chip(&format!("[[fault]]\n{fault}\n"));
    bench.run("chip apply new.bin --link chip.toml")
}

#[test]
fn faults_while_the_chip_is_read() {
    let bench = Bench::with_chip();
    let runs = [
        ("kind = \"noise\"\nfrom_us = 800000", 1),
        ("kind = \"power-cut\"\nat_us = 800000", 4),
        ("kind = \"wrong-chip\"\nfrom_us = 800000", 1),
        ("kind = \"wrong-chip\"\nfrom_us = 800000\nto = \"W25Q64\"", 1),
        ("kind = \"link-stall\"\nfrom_us = 800000", 4),
        ("kind = \"protect-raised\"\nfrom_us = 800000", 1),
    ];
    let runs = runs.map(|(fault, status)| {
        let ran = with_fault(&bench, fault).expect(status);
        assert!(bench.read("chip.bin") == noise(1, MIB), "nothing may be erased: {fault}");
        ran
    });
    snapshot("faults_reading", &bench, &runs);
}

#[test]
fn s6_faults_while_the_chip_is_written() {
    let bench = Bench::with_chip();
    // A bit that the old content has as the fault wants it, and the new one has not.
    let (old, new) = (noise(1, MIB), noise(2, MIB));
    let at = (0x6000..MIB).find(|at| old[*at] & 8 != 0 && new[*at] & 8 == 0).expect("such a byte");
    let stuck = format!("kind = \"stuck-bit\"\nat = {at}\nbit = 3\npull = \"up\"");
    let runs = [
        ("kind = \"unplug\"\nat_us = 8000000", 4),
        ("kind = \"wrong-chip\"\nfrom_us = 8000000", 4),
        ("kind = \"protect-raised\"\nat_us = 8000000", 4),
        ("kind = \"busy-forever\"\nfrom_us = 8000000", 4),
        ("kind = \"link-stall\"\nfrom_us = 8000000", 4),
        ("kind = \"worn-sector\"\nat = 0x6000", 1),
        (&stuck, 1),
    ];
    let runs = runs.map(|(fault, status)| {
        let ran = with_fault(&bench, fault).expect(status);
        assert!(bench.first_capture() == noise(1, MIB), "the backup is kept: {fault}");
        ran
    });
    snapshot("faults_writing", &bench, &runs);
}

#[test]
fn chips_that_are_none_or_not_what_they_say() {
    let bench = Bench::new();
    bench.write("noise.bin", &noise(1, MIB));
    let chip = |name: &str, id: &str, size: usize| {
        let content = if size == MIB { "noise.bin" } else { "blank.bin" };
        bench.toml(name, &format!("[chip]\nid = \"{id}\"\nsize = {size}\ncontent = \"{content}\"\n"));
    };
    chip("ff.toml", "ffffff", MIB);
    chip("zero.toml", "000000", MIB);
    chip("strange.toml", "123456", MIB);
    chip("smaller.toml", "ef4018", MIB);
    let runs = [
        ("chip identify --link ff.toml", 3),
        ("chip capture --link zero.toml", 3),
        ("chip identify --link strange.toml", 0),
        ("chip capture --link strange.toml", 1),
        ("chip identify --link smaller.toml", 0),
        ("chip capture --link smaller.toml", 1),
    ];
    snapshot("strange_chips", &bench, &runs.map(|(run, status)| bench.run(run).expect(status)));
    assert_eq!(bench.read("noise.bin"), noise(1, MIB));
}
