//! Looking into images: explain, check, diff, take, on the images of the example and on a real one.

use std::path::Path;

use image::scenario::{LARKSPUR_MAC, PLACEHOLDER_MAC, larkspur_main, meadowlark_completed, meadowlark_main, teal};
use serde_json::Value;

use crate::common::{Bench, MIB, noise, snapshot};

/// Debian's package `ovmf`.
const REAL: &str = "/usr/share/OVMF/OVMF_CODE_4M.fd";

fn bench() -> Bench {
    let bench = Bench::new();
    bench.write("stock.bin", &larkspur_main(7, LARKSPUR_MAC));
    bench.write("new.bin", &meadowlark_completed(7, LARKSPUR_MAC));
    bench.write("published.bin", &meadowlark_main(7, PLACEHOLDER_MAC));
    bench
}

#[test]
fn the_example_is_explained_checked_and_compared() {
    let bench = bench();
    let runs = [
        bench.run("image explain stock.bin --levels 3").expect(0),
        bench.run("image check new.bin --stock stock.bin --chip W25Q128").expect(0),
        bench.run("image check published.bin --stock stock.bin --chip W25Q64").expect(1),
        bench.run("image take stock.bin --list /region").expect(0),
        bench.run("image take stock.bin /region:network --out network.bin").expect(0),
        bench.run("image take stock.bin /region:network --out network.bin").expect(0),
        bench.run("image take stock.bin /region:network/nvm/nvm#2 --out network.bin").expect(3),
        bench.run("image take stock.bin /region:netwrk --out x.bin").expect(1),
        bench.run("image take stock.bin /regoin --out x.bin").expect(2),
        bench.run("image explain nosuch.bin").expect(2),
    ];
    snapshot("image_looks", &bench, &runs);
    assert!(bench.read("network.bin") == larkspur_main(7, LARKSPUR_MAC)[0x1000..0x3000]);
}

#[test]
fn s15_a_redacted_explanation_has_no_address() {
    let bench = bench();
    for json in ["", " --json"] {
        let open = bench.run(&format!("image explain stock.bin{json}")).expect(0).stdout;
        assert!(open.contains("00:00:5e:00:53:29"), "it is there");
        let redacted = bench.run(&format!("image explain stock.bin --redact{json}")).expect(0).stdout;
        assert!(!redacted.contains("00:00:5e"), "and not here");
    }
    let checked = bench.run("image check published.bin --stock stock.bin --chip W25Q128 --json");
    assert!(!checked.stdout.contains("5e:00:53:29"), "an address is told by what it is: {}", checked.transcript());
}

#[test]
fn an_image_is_checked_against_what_a_job_knows() {
    let bench = Bench::new();
    bench.run("demo").expect(0);
    let status = bench.json("job status");
    let job = status["jobs"]
        .as_array()
        .expect("jobs")
        .iter()
        .filter_map(|job| job["job"].as_str())
        .find(|job| bench.json(&format!("job record {job}"))["kind"] == "convert")
        .expect("the conversion")
        .to_owned();
    bench.write("new.bin", &meadowlark_completed(7, LARKSPUR_MAC));
    let report = bench.json(&format!("image check new.bin --job {job} --of main"));
    assert_eq!((&report["answers"]["size"], &report["answers"]["address"]), (&Value::from(true), &Value::from(true)));
    // What the job's recipe made has the machine's own name, and the vendor's firmware the controller that the profile asks for.
    assert_eq!(
        (&report["answers"]["identity"], &report["answers"]["controller"]),
        (&Value::from(true), &Value::from(true))
    );
    assert_eq!(report["findings"].as_array().expect("a list").len(), 1, "{report:#}");
    assert_eq!(report["findings"][0]["code"], "controller-holds");
    // The published image carries no machine's own address: another one than the job's machine had.
    bench.write("published.bin", &meadowlark_main(7, PLACEHOLDER_MAC));
    let report = bench.run(&format!("image check published.bin --job {job} --of main --json")).object();
    assert_eq!(report["answers"]["size"], true, "{report:#}");
    bench.run(&format!("image check new.bin --job {job} --of port")).expect(1);
    assert!(bench.run(&format!("image check new.bin --job {job}")).expect(2).said().contains("main, port"));
    let teal_profile = "bench/virtual/teal-router.toml";
    bench.write("teal.bin", &teal(7));
    let report = bench.json(&format!("image check teal.bin --profile {teal_profile}"));
    let codes: Vec<_> = report["findings"].as_array().expect("a list").iter().map(|one| one["code"].clone()).collect();
    assert!(codes.contains(&"fuses-unknown".into()), "S16 by the profile: {codes:?}");
}

#[test]
fn a_real_image_is_explained_and_a_part_of_it_taken() {
    if !Path::new(REAL).exists() {
        eprintln!("skipped: {REAL} is not here; Debian's package ovmf has it");
        return;
    }
    let bench = Bench::new();
    let report = bench.json(&format!("image explain {REAL}"));
    assert_eq!(report["proof"]["checks_failed"], 0);
    let listed = bench.json(&format!("image take {REAL} --list /"));
    let volume = listed["selectors"][0].as_str().expect("a selector").to_owned();
    let list = bench.json(&format!("image take {REAL} --list {volume}/"));
    assert!(list["selectors"].as_array().expect("a list").len() > 1);
    let taken = bench.json(&format!("image take {REAL} {volume} --out volume.bin"));
    assert_eq!(bench.read("volume.bin").len() as u64, taken["size"].as_u64().expect("a size"));
    // One wrong byte in a header is a check that fails, named with its place.
    let mut damaged = std::fs::read(REAL).expect("there");
    damaged[0x20] ^= 1;
    bench.write("damaged.fd", &damaged);
    let report = bench.json("image explain damaged.fd");
    assert!(
        report["findings"].as_array().expect("findings").iter().any(|one| one["severity"] == "bad"),
        "{}",
        report["findings"]
    );
}

#[test]
fn s10_what_is_no_image_is_explained_too() {
    let bench = Bench::new();
    for (name, bytes) in [("empty.bin", vec![]), ("noise.bin", noise(3, MIB)), ("blank.bin", vec![0xFF; MIB])] {
        bench.write(name, &bytes);
        let report = bench.json(&format!("image explain {name}"));
        assert_eq!(report["size"], bytes.len());
    }
    bench.run("image explain /dev/zero").expect(2);
    bench.run("image diff noise.bin blank.bin").expect(1);
    bench.run("image diff noise.bin noise.bin").expect(0);
}
