//! The register of addresses: no two machines of a bench get the same.

use std::path::PathBuf;

use image::mac::Mac;
use image::scenario::{LARKSPUR_MAC, larkspur_main};
use job::JobError;
use job::compose::{ComposeReport, ComposeRequest, compose};
use job::jobs::StartRequest;
use job::profile::JobKind;
use job::vault::JobId;
use serde_json::json;

use crate::bench::{ANSWERS, Bench, fits_schema};

const CARRIED: &str = "[base]\ncapture = \"present\"\n[mac]\naddress = \"carried\"\n";
const GIVEN: &str = "[base]\ncapture = \"present\"\n[mac]\naddress = \"given\"\n";
const DRAWN: &str = "[base]\ncapture = \"present\"\n[mac]\naddress = \"drawn\"\n";

/// A job on this machine, up to its compose step, with this address in the chip.
fn job_of(bench: &Bench, machine: &str, mac: Mac) -> String {
    let request = StartRequest { machine: machine.into(), ..bench.request(JobKind::Convert, &ANSWERS) };
    let job = bench.start(&request).expect("a sound machine").job;
    bench.until(&job, "compose-main");
    let found = bench.put("main as found", &larkspur_main(7, mac));
    bench.append(&job, "captured", json!({ "content": found, "chip": "main" }));
    job
}

fn recipe(bench: &Bench, text: &str) -> PathBuf {
    let path = bench.file("recipe.toml");
    std::fs::write(&path, text).expect("written");
    path
}

fn composed(bench: &Bench, job: &str, text: &str, mac: Option<&str>) -> Result<ComposeReport, JobError> {
    let request = ComposeRequest {
        recipe: recipe(bench, text),
        job: Some(job.into()),
        mac: mac.map(str::to_owned),
        ..ComposeRequest::default()
    };
    compose(&bench.dir(), &request)
}

#[test]
fn an_address_of_another_machine_is_refused() {
    let bench = Bench::new();
    let first = job_of(&bench, "shelf 3", LARKSPUR_MAC);
    let report = composed(&bench, &first, CARRIED, None).expect("nobody has it");
    assert_eq!(report.address.as_deref(), Some("00:00:5e:00:53:29"));
    let says = report.address_says.clone().expect("in words");
    assert!(says.starts_with("universally administered"), "{says}");
    fits_schema("image-compose.json", &report);
    // A board that was copied chip and all, and one whose label somebody misread.
    let second = job_of(&bench, "shelf 4", LARKSPUR_MAC);
    for (text, mac) in [(CARRIED, None), (GIVEN, Some("00:00:5E:00:53:29"))] {
        let error = composed(&bench, &second, text, mac).expect_err("another machine has it");
        assert!(matches!(&error, JobError::AddressTaken { job } if *job == first), "{error}");
        assert_eq!(error.kind().exit_status(), 1);
        let said = format!("{error} {}", error.hint().expect("a hint"));
        assert!(said.contains("drawn") && !said.contains("5e:00:53"), "S15: {said}");
    }
    assert!(composed(&bench, &second, GIVEN, Some("00:00:5e:00:53:2a")).is_ok(), "its own");
    // The same machine again, by its name at the intake.
    let again = job_of(&bench, " Shelf 3", LARKSPUR_MAC);
    composed(&bench, &again, CARRIED, None).expect("it is its own");
}

#[test]
fn a_drawn_address_is_never_given_twice() {
    let bench = Bench::new();
    let address = |job: &str| {
        let report = composed(&bench, job, DRAWN, None).expect("drawn");
        report.address.expect("told").parse::<Mac>().expect("an address")
    };
    let first = job_of(&bench, "shelf 3", LARKSPUR_MAC);
    let drawn = address(&first);
    assert!(drawn.is_local() && !drawn.is_group(), "IEEE 802: individual, locally administered");
    let second = job_of(&bench, "shelf 4", LARKSPUR_MAC);
    assert_ne!(address(&second), drawn);
    // What was drawn for one machine is no other machine's to be given.
    let third = job_of(&bench, "shelf 5", LARKSPUR_MAC);
    assert!(matches!(composed(&bench, &third, GIVEN, Some(&drawn.to_string())), Err(JobError::AddressTaken { .. })));
}

/// S15: the register is read out of what is kept, so that nothing of a forgotten job is left in it, and nothing of any other lost.
#[test]
fn s15_what_is_forgotten_is_in_no_register() {
    let bench = Bench::new();
    let [first, second, third] = ["shelf 3", "shelf 4", "shelf 5"].map(|name| job_of(&bench, name, LARKSPUR_MAC));
    composed(&bench, &first, CARRIED, None).expect("nobody has it");
    composed(&bench, &second, CARRIED, None).expect_err("the first has it");
    let id = |job: &str| JobId::new(job).expect("a job id");
    bench.vault().forget(&id(&first), "Ana", "withdrawn", &job::now()).expect("forgotten");
    composed(&bench, &second, CARRIED, None).expect("nobody has it any more");
    // The index is only an index.
    let index = bench.dir().join("index.sqlite");
    let found: Vec<_> =
        std::fs::read_dir(bench.dir()).expect("the bench").flatten().map(|entry| entry.path()).collect();
    assert!(found.contains(&index), "{found:?}");
    std::fs::remove_file(index).expect("it is there");
    composed(&bench, &third, CARRIED, None).expect_err("the second has it");
}

/// Outside of a job nobody can tell which machine it is: it is said, and not refused.
#[test]
fn an_image_composed_outside_of_a_job_is_told_of() {
    let bench = Bench::new();
    let kept = bench.put("read by somebody", &larkspur_main(7, LARKSPUR_MAC));
    let loose = |redact: bool| {
        let capture = Some(kept.to_string());
        let recipe = recipe(&bench, CARRIED);
        compose(&bench.dir(), &ComposeRequest { recipe, capture, redact, ..ComposeRequest::default() })
    };
    assert_eq!(loose(false).expect("nobody has it").findings.len(), 0);
    let again = loose(true).expect("again");
    assert!(again.findings[0].contains("outside of a job"), "{:?}", again.findings);
    assert_eq!((again.address, again.address_says), (None, None), "S15");
    let job = job_of(&bench, "shelf 3", LARKSPUR_MAC);
    assert_eq!(composed(&bench, &job, CARRIED, None).expect("it may be the same").findings.len(), 1);
    let error = loose(false).expect_err("now it is a machine's, and nobody says that it is this one");
    assert!(matches!(error, JobError::AddressTaken { .. }));
}
