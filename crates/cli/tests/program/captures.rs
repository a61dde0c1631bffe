//! S1: nothing is erased before the chip's present content is in the vault as a capture of this job.

use crate::common::{Bench, MIB, noise};

#[test]
fn s1_an_apply_without_a_capture_takes_one_first() {
    let bench = Bench::with_chip();
    bench.run("chip apply new.bin --link chip.toml").expect(0);
    assert_eq!(bench.happened(), ["captured", "planned", "applied"]);
    assert_eq!(bench.first_capture(), noise(1, MIB));
    assert_eq!(bench.read("chip.bin"), noise(2, MIB));
    let journal = bench.journal();
    let body = |kind: &str| &journal.iter().find(|entry| entry.kind == kind).expect("an entry").body;
    assert_eq!(body("planned")["from"], body("captured")["content"]);
}

#[test]
fn s1_a_known_content_is_not_captured_again() {
    let bench = Bench::with_chip();
    bench.run("chip capture --link chip.toml").expect(0);
    bench.run("chip apply new.bin --link chip.toml").expect(0);
    bench.run("chip restore --link chip.toml").expect(0);
    assert_eq!(bench.happened(), ["captured", "planned", "applied", "planned", "applied"]);
    assert_eq!(bench.read("chip.bin"), noise(1, MIB));
}

#[test]
fn s1_content_changed_behind_our_back_is_captured_and_the_earlier_capture_stays() {
    let bench = Bench::with_chip();
    bench.run("chip capture --link chip.toml").expect(0);
    let mut changed = noise(1, MIB);
    changed[0x4_2000] ^= 1;
    bench.write("chip.bin", &changed);
    let report = bench.json("chip apply new.bin --link chip.toml");
    assert_eq!(bench.happened(), ["captured", "captured", "planned", "applied"]);
    assert_eq!(bench.first_capture(), noise(1, MIB));
    let vault = bench.vault();
    let second = report["capture"].as_str().expect("a capture").parse().expect("an id");
    assert_eq!(vault.read_vec(&second).expect("kept"), changed);
    // Two captures: which one to restore is a question.
    let ran = bench.run("chip restore --link chip.toml").expect(2);
    assert!(ran.stderr.contains("2 captures"), "{}", ran.transcript());
}

#[test]
fn s1_no_capture_journals_its_reason() {
    let bench = Bench::with_chip();
    let report = bench.json("chip apply new.bin --link chip.toml --no-capture scrap");
    assert!(report["capture"].is_null());
    assert_eq!(bench.happened(), ["not-captured", "planned", "applied"]);
    let journal = bench.journal();
    let entry = journal.iter().find(|entry| entry.kind == "not-captured").expect("an entry");
    assert_eq!(entry.body["reason"], "scrap");
    assert_eq!(bench.read("chip.bin"), noise(2, MIB));
}

#[test]
fn s1_another_chip_on_the_same_link_gets_a_job_of_its_own() {
    let bench = Bench::with_chip();
    bench.run("chip capture --link chip.toml").expect(0);
    bench.toml("chip.toml", "[chip]\nmarking = \"W25Q16CL\"\ncontent = \"other.bin\"\n");
    bench.write("other.bin", &noise(5, 2 * MIB));
    bench.write("wanted.bin", &noise(6, 2 * MIB));
    bench.run("chip apply wanted.bin --link chip.toml").expect(0);
    let journals = bench.journals();
    assert_eq!(journals.len(), 2);
    let captures = |entries: &Vec<vault::Entry>| entries.iter().filter(|entry| entry.kind == "captured").count();
    assert!(journals.values().all(|entries| captures(entries) == 1), "each job has its own capture");
    for entries in journals.values() {
        let ids: Vec<_> =
            entries.iter().filter(|entry| entry.kind == "identified").map(|entry| &entry.body["id"]).collect();
        assert!(ids.windows(2).all(|pair| pair[0] == pair[1]), "one job, one chip: {ids:?}");
    }
}

#[test]
fn s1_a_named_job_refuses_another_chip_and_writes_that_down() {
    let bench = Bench::with_chip();
    bench.run("chip capture --link chip.toml").expect(0);
    let job = bench.journals().into_keys().next().expect("a job");
    // Another seed, another unique id: the same kind of chip, but not this one.
    let text = String::from_utf8(bench.read("chip.toml")).expect("text");
    bench.toml("chip.toml", &format!("seed = 99\n{text}"));
    let ran = bench.run(&format!("chip apply new.bin --link chip.toml --job {job}")).expect(2);
    assert!(ran.said().contains("another unique id"), "{}", ran.transcript());
    assert_eq!(bench.happened(), ["captured", "ended"]);
    assert_eq!(bench.read("chip.bin"), noise(1, MIB));
}

#[test]
fn s1_an_unplugging_in_between_means_another_look() {
    let bench = Bench::with_chip();
    bench.run("chip capture --link chip.toml").expect(0);
    bench.chip("[link]\npresent = false\n");
    bench.run("chip apply new.bin --link chip.toml").expect(3);
    bench.write("chip.bin", &noise(7, MIB));
    bench.chip("");
    bench.run("chip apply new.bin --link chip.toml").expect(0);
    assert_eq!(bench.happened(), ["captured", "captured", "planned", "applied"]);
}

#[test]
fn s1_reads_that_differ_are_no_capture_and_nothing_is_erased() {
    let bench = Bench::with_chip();
    bench.chip("[[fault]]\nkind = \"noise\"\nrate = 1e-5\nfrom_us = 800000\n");
    bench.run("chip apply new.bin --link chip.toml").expect(1);
    assert_eq!(bench.happened(), ["refused", "ended"]);
    assert_eq!(bench.read("chip.bin"), noise(1, MIB));
}

/// Once, later passes read the other chip alone, they agreed, and its content was kept as the way back for the first one.
#[test]
fn s1_a_chip_that_takes_the_place_of_another_is_not_its_capture() {
    let bench = Bench::with_chip();
    // Neither has tables or an unequal size: the id alone tells them apart.
    bench.toml(
        "chip.toml",
        "[chip]\nid = \"ef4014\"\nsize = 1048576\ncontent = \"chip.bin\"\n\
         [[fault]]\nkind = \"wrong-chip\"\nto = \"W25Q80\"\nfrom_us = 800000\n",
    );
    let ran = bench.run("chip apply new.bin --link chip.toml").expect(1);
    assert!(ran.said().contains("ef5014 instead of ef4014"), "{}", ran.transcript());
    assert_eq!(bench.happened(), ["ended"]);
    assert_eq!(bench.json("vault list")["contents"], serde_json::json!([]));
    assert_eq!(bench.read("chip.bin"), noise(1, MIB));
}
