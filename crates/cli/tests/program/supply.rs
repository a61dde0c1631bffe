//! S4, S5, S8: what is stated of the supply has to fit before anything is driven, and a chip whose sources conflict, or
//! that is not the size of the image, is not written.

use crate::common::{Bench, MIB, noise};

/// Runs `chip identify` with these options; the exit status, and whether anything was driven: then the journal is there.
fn identify(bench: &Bench, options: &str) -> (i32, bool) {
    let _ = std::fs::remove_dir_all(bench.path("bench"));
    let ran = bench.run(&format!("chip identify --link chip.toml {options}"));
    (ran.status, !bench.journals().is_empty())
}

#[test]
fn s4_a_low_voltage_chip_never_sees_three_volts() {
    let bench = Bench::new();
    bench.toml("chip.toml", "[chip]\nmarking = \"W25Q128FW\"\ncontent = \"chip.bin\"\n[link]\ndrives_v = 3.3\n");
    assert_eq!(identify(&bench, ""), (1, false));
    assert_eq!(identify(&bench, "--supply 1.8"), (1, false));
    assert_eq!(identify(&bench, "--marking W25Q128FW"), (1, false));
    // Saying otherwise does not help: the chip's own statement stands.
    assert_eq!(identify(&bench, "--supply 3.3"), (1, false));
    assert_eq!(identify(&bench, "--drives 1.8"), (1, false));
    bench.toml("chip.toml", "[chip]\nmarking = \"W25Q128FW\"\ncontent = \"chip.bin\"\n[link]\ndrives_v = 1.8\n");
    assert_eq!(identify(&bench, ""), (0, true));
    assert_eq!(identify(&bench, "--supply 1.8 --drives 1.8 --marking w25q128fw"), (0, true));
}

#[test]
fn s4_statements_have_to_agree_with_each_other() {
    let bench = Bench::with_chip();
    assert_eq!(identify(&bench, "--supply 3.3 --marking W25Q80DV --drives 3.3"), (0, true));
    assert_eq!(identify(&bench, "--supply 1.8"), (1, false));
    assert_eq!(identify(&bench, "--marking W25Q128FW"), (1, false));
    assert_eq!(identify(&bench, "--supply 3.3 --marking W25Q128FW"), (1, false));
    assert_eq!(identify(&bench, "--drives 1.8"), (1, false));
    for nonsense in ["--supply 2.2", "--supply nan", "--supply -3", "--drives 40", "--marking NOSUCHCHIP"] {
        assert_eq!(identify(&bench, nonsense), (2, false), "{nonsense}");
    }
}

#[test]
fn s4_the_catalogue_has_to_agree_once_the_id_is_read() {
    let bench = Bench::with_chip();
    assert_eq!(identify(&bench, "--marking W25Q64"), (1, true));
    // The bench says 3 V; the id that it answers is that of a 1.8 V chip.
    let chip = "[chip]\nid = \"ef6018\"\nsize = 16777216\nsupply_v = [2.7, 3.6]\ncontent = \"low.bin\"\n";
    bench.toml("chip.toml", chip);
    assert_eq!(identify(&bench, ""), (1, true));
    let ran = bench.run("chip identify --link chip.toml").expect(1);
    assert!(ran.said().contains("unplug the programmer now"), "{}", ran.transcript());
    assert!(!ran.said().contains("nothing was driven"), "{}", ran.transcript());
    assert_eq!(bench.happened(), ["ended", "ended"]);
}

/// JESD216 tables that say 2 MiB, of a part with the id of a 16 MiB one: "ZD25Q128C (Zetta)"; the source stands there.
fn tables_of_2_mib() -> String {
    let all = include_str!("../../../nor/tests/data/tables.jsonl");
    let line = all.lines().find(|line| line.contains("ZD25Q128C (Zetta)")).expect("the part is there");
    let part: serde_json::Value = serde_json::from_str(line).expect("JSON");
    part["hex"].as_str().expect("hexadecimal digits").to_owned()
}

#[test]
fn s5_a_chip_whose_sources_conflict_is_read_and_never_written() {
    let bench = Bench::new();
    let tables = tables_of_2_mib();
    let chip = format!("[chip]\nid = \"ef4018\"\nsize = 16777216\nsfdp = \"{tables}\"\ncontent = \"chip.bin\"\n");
    bench.toml("chip.toml", &chip);
    bench.write("chip.bin", &noise(1, 16 * MIB));
    bench.write("new.bin", &noise(2, 16 * MIB));
    let identity = bench.json("chip identify --link chip.toml");
    assert_eq!(identity["writable"], false);
    assert_eq!(identity["conflicts"].as_array().map(Vec::len), Some(1));
    assert!(identity["conflicts"][0].as_str().expect("text").contains("2097152"), "{identity}");
    bench.run("chip capture --link chip.toml").expect(0);
    bench.run("chip apply new.bin --link chip.toml").expect(1);
    bench.run("chip apply new.bin --link chip.toml --no-capture because").expect(1);
    bench.run("chip fill 00 --link chip.toml").expect(1);
    bench.run("chip restore --link chip.toml").expect(1);
    assert_eq!(bench.read("chip.bin"), noise(1, 16 * MIB));
    assert!(!bench.happened().contains(&"planned".to_owned()));
}

#[test]
fn s5_a_chip_that_nothing_describes_is_not_written() {
    let bench = Bench::new();
    bench.toml("chip.toml", "[chip]\nid = \"123456\"\nsize = 1048576\ncontent = \"chip.bin\"\n");
    bench.write("chip.bin", &noise(1, MIB));
    let size = bench.json("chip identify --link chip.toml")["size"].as_u64().expect("a number");
    bench.write("new.bin", &noise(2, usize::try_from(size).expect("fits")));
    bench.run("chip apply new.bin --link chip.toml").expect(1);
    bench.run("chip apply new.bin --link chip.toml --no-capture because").expect(1);
    assert_eq!(bench.read("chip.bin"), noise(1, MIB));
}

#[test]
fn s5_a_chip_smaller_than_its_id_says_is_not_written() {
    let bench = Bench::new();
    bench.toml("chip.toml", "[chip]\nid = \"ef4018\"\nsize = 1048576\ncontent = \"chip.bin\"\n");
    bench.write("chip.bin", &noise(1, MIB));
    bench.write("new.bin", &noise(2, 16 * MIB));
    let identity = bench.json("chip identify --link chip.toml");
    assert_eq!((&identity["measured_size"], &identity["writable"]), (&MIB.into(), &false.into()), "{identity}");
    bench.run("chip apply new.bin --link chip.toml").expect(1);
    assert_eq!(bench.read("chip.bin"), noise(1, MIB));
}

#[test]
fn s8_an_image_of_another_size_needs_its_place() {
    let bench = Bench::with_chip();
    bench.write("small.bin", &noise(3, 5000));
    bench.write("large.bin", &noise(3, 2 * MIB));
    bench.run("chip apply small.bin --link chip.toml").expect(1);
    bench.run("chip apply large.bin --link chip.toml").expect(1);
    bench.run("chip apply large.bin --link chip.toml --at 0").expect(1);
    bench.run("chip apply small.bin --link chip.toml --at 1044000").expect(1);
    bench.run("chip apply small.bin --link chip.toml --at 18446744073709551615").expect(1);
    assert_eq!(bench.read("chip.bin"), noise(1, MIB));
    bench.run("chip apply small.bin --link chip.toml --at 0x1234").expect(0);
    let mut wanted = noise(1, MIB);
    wanted[0x1234..0x1234 + 5000].copy_from_slice(&noise(3, 5000));
    assert_eq!(bench.read("chip.bin"), wanted, "what lies beside the range stays");
}
