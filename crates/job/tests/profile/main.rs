//! Profiles: the two of the worked example, what is refused, cautions, and the page to print.

mod common;
mod interlocks;
mod pages;
mod tables;

use std::path::{Path, PathBuf};

use job::profile::{ImageSource, JobKind, Profile, sheet};
use proptest::prelude::*;
use proptest::test_runner::{Config, RngAlgorithm, TestRng, TestRunner};
use sha2::{Digest, Sha256};

const PROFILES: [&str; 2] = ["larkspur-nine.toml", "teal-router.toml"];

fn top(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../..").join(name)
}

/// A profile of the worked example.
pub fn load(name: &str) -> Profile {
    Profile::load(&top("profiles").join(name)).unwrap_or_else(|error| panic!("{error}; {:#?}", error.findings()))
}

#[test]
fn both_profiles_check_clean() {
    for name in PROFILES {
        let checked =
            Profile::check(&top("profiles").join(name)).unwrap_or_else(|error| panic!("{:#?}", error.findings()));
        assert!(checked.warnings.is_empty(), "{name}: {:#?}", checked.warnings);
    }
}

#[test]
fn steps_of_both_profiles_stay_in_the_order_of_the_file() {
    for name in PROFILES {
        let text = std::fs::read_to_string(top("profiles").join(name)).expect("there");
        let places: Vec<Option<usize>> =
            load(name).steps.iter().map(|step| text.find(&format!("[[step]]\nid = \"{}\"", step.id))).collect();
        assert!(places.is_sorted() && places[0].is_some(), "{name}");
    }
}

#[test]
fn supplies_go_off_in_their_order_and_on_the_other_way_round() {
    let profile = load("larkspur-nine.toml");
    let of = |step: &str| profile.supplies_of(profile.step(step).expect("there"));
    assert_eq!(of("power-off"), ["mains", "battery", "coin-cell"]);
    assert_eq!(of("first-power"), ["coin-cell", "battery", "mains"]);
    assert_eq!(of("settle-power"), ["mains"]);
}

#[test]
fn a_rescue_asks_nothing_of_the_dead_machine() {
    let profile = load("larkspur-nine.toml");
    let ids: Vec<&str> = profile.steps_of(JobKind::Rescue).map(|step| step.id.as_str()).collect();
    for id in ["start-as-found", "survey", "settings", "vendor-update", "restore-main"] {
        assert!(!ids.contains(&id), "{id}");
    }
    assert!(ids.contains(&"compose-main") && ids.contains(&"fill-port"));
}

#[test]
fn the_port_image_is_the_one_that_the_project_builds() {
    let profile = load("larkspur-nine.toml");
    let variant = profile.variant("school").expect("there");
    let ImageSource::File(spec) = &variant.images[1].source else { panic!("a file") };
    let image = image::scenario::meadowlark_port(7);
    let hash: String = Sha256::digest(&image).iter().map(|byte| format!("{byte:02x}")).collect();
    assert_eq!((spec.sha256.as_str(), spec.size), (hash.as_str(), image.len() as u64));
}

#[test]
fn the_schema_takes_both_profiles_and_refuses_what_the_reader_refuses() {
    let schema = std::fs::read_to_string(top("docs/schemas/profile.json")).expect("there");
    let schema: serde_json::Value = serde_json::from_str(&schema).expect("JSON");
    let schema = jsonschema::validator_for(&schema).expect("a schema");
    let json = |text: &str| serde_json::to_value(text.parse::<toml::Table>().expect("TOML")).expect("JSON");
    for name in PROFILES {
        let text = std::fs::read_to_string(top("profiles").join(name)).expect("there");
        let wrong: Vec<String> =
            schema.iter_errors(&json(&text)).map(|error| format!("{}: {error}", error.instance_path())).collect();
        assert!(wrong.is_empty(), "{name}: {wrong:#?}");
    }
    assert!(schema.is_valid(&json(common::SMALL)));
    for (from, to) in [
        ("name = \"Small\"", "nam = \"Small\""),
        ("role = \"system\"", "role = \"cpu\""),
        ("dark_minutes = 3", "dark_minutes = 500"),
        ("dark_minutes = 3\n", ""),
        ("says = \"open\"", "question = \"open\""),
        ("kind = \"capture\"\nchip = \"main\"", "kind = \"capture\""),
        ("content = \"variant\"\n", ""),
        ("sha256 = \"0011", "sha256 = \"xx11"),
        ("file = \"main.bin\"", "recipe = \"main.bin\""),
        ("kind = \"mains\"", "kind = \"sun\""),
        ("id = \"battery\"", "id = \"Battery\""),
    ] {
        let text = common::changed(from, to);
        assert!(Profile::parse(&text, Path::new("p")).is_err(), "the reader takes {to}");
        assert!(!schema.is_valid(&json(&text)), "the schema takes {to}");
    }
}

/// Random text, and the worked example with random lines changed, never makes the reader panic; what it takes can be printed.
#[test]
fn s10_no_text_makes_the_reader_panic() {
    let seed = std::env::var("FIRMHAND_SEED").ok().and_then(|text| text.parse::<u64>().ok()).unwrap_or(1);
    let mut bytes = [0; 32];
    bytes[..8].copy_from_slice(&seed.to_le_bytes());
    let config = Config { cases: 400, failure_persistence: None, ..Config::default() };
    let mut runner = TestRunner::new_with_rng(config, TestRng::from_seed(RngAlgorithm::ChaCha, &bytes));
    let lines: Vec<String> = std::fs::read_to_string(top("profiles/larkspur-nine.toml"))
        .expect("there")
        .lines()
        .map(str::to_owned)
        .collect();
    let count = lines.len();
    let value = prop_oneof![
        "\\PC{0,20}",
        "[a-z_]{1,12} = [0-9]{1,20}",
        "[a-z_]{1,12} = \"[a-z-]{0,12}\"",
        "needs = \\[(\"[a-z-]{1,12}\", ){0,3}\\]",
        Just("[[step]]".to_owned()),
        Just(String::new()),
        (0..count).prop_map({
            let lines = lines.clone();
            move |at| lines[at].clone()
        }),
    ];
    let changes = proptest::collection::vec((0..count, value), 0..6);
    let result = runner.run(&(any::<String>(), changes), |(text, changes)| {
        let path = Path::new("random.toml");
        let _ = Profile::parse(&text, path);
        let mut lines = lines.clone();
        for (at, line) in changes {
            lines[at] = line;
        }
        match Profile::parse(&lines.join("\n"), path) {
            Ok(profile) => prop_assert!(!sheet(&profile).is_empty()),
            Err(error) => prop_assert!(!error.to_string().is_empty() && !error.hint().is_empty()),
        }
        Ok(())
    });
    if let Err(error) = result {
        panic!("{error}\nagain: FIRMHAND_SEED={seed} cargo test -p job --test profile s10_no_text");
    }
}
