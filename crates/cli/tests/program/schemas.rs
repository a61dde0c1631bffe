//! The schemas of `docs/schemas`: each is valid itself, and what the program really writes keeps to them.

use std::path::{Path, PathBuf};

use serde_json::Value;

use crate::common::{Bench, MIB, Ran, noise};

fn folder() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../../docs/schemas")
}

fn schema(name: &str) -> jsonschema::Validator {
    let text = std::fs::read_to_string(folder().join(format!("{name}.json"))).expect("the schema is there");
    jsonschema::draft202012::new(&serde_json::from_str(&text).expect("the schema is JSON")).expect("a usable schema")
}

#[track_caller]
pub fn keeps_to(name: &str, value: &Value) {
    let wrong: Vec<String> =
        schema(name).iter_errors(value).map(|error| format!("{}: {error}", error.instance_path())).collect();
    assert!(wrong.is_empty(), "against {name}: {wrong:#?}\n{value:#}");
}

#[track_caller]
fn events_keep_to_theirs(ran: &Ran) {
    for event in ran.events() {
        keeps_to("event", &event);
    }
}

/// Runs a command that has to succeed and checks its object and its events; answers the object.
#[track_caller]
fn checked(bench: &Bench, arguments: &str, name: &str) -> Value {
    let ran = bench.run(&format!("{arguments} --json")).expect(0);
    keeps_to(name, &ran.object());
    events_keep_to_theirs(&ran);
    ran.object()
}

/// Runs a command that has to fail and checks that the one object is an error that knows the status.
#[track_caller]
fn fails(bench: &Bench, arguments: &str, status: i32) {
    let ran = bench.run(&format!("{arguments} --json")).expect(status);
    keeps_to("error", &ran.object());
    assert_eq!(ran.object()["error"]["exit"], status);
    events_keep_to_theirs(&ran);
}

#[test]
fn each_schema_is_valid_and_says_what_it_is() {
    let mut names = Vec::new();
    for entry in std::fs::read_dir(folder()).expect("the folder of schemas") {
        let path = entry.expect("an entry").path();
        let name = path.file_stem().expect("a name").to_string_lossy().into_owned();
        let text = std::fs::read_to_string(&path).expect("a schema");
        let value: Value = serde_json::from_str(&text).expect("JSON");
        jsonschema::draft202012::meta::validate(&value).unwrap_or_else(|error| panic!("{name}: {error}"));
        assert!(value["title"].is_string() && value["description"].is_string(), "{name} has no title or description");
        assert!(!schema(&name).is_valid(&serde_json::json!({ "no such key": 1 })), "{name} takes anything");
        every_property_is_described(&name, &value);
        names.push(name);
    }
    let formats = std::fs::read_to_string(folder().join("../formats.md")).expect("formats.md");
    for name in names {
        assert!(formats.contains(&format!("schemas/{name}.json")), "formats.md does not name {name}.json");
    }
}

fn every_property_is_described(name: &str, value: &Value) {
    if let Some(properties) = value.get("properties").and_then(Value::as_object) {
        for (key, property) in properties {
            // A property that only narrows another one, in a condition, is described there.
            let narrows = ["const", "enum", "required", "not", "maximum", "exclusiveMinimum"];
            let told = property.get("description").is_some() || narrows.iter().any(|word| property.get(word).is_some());
            assert!(told, "{name}: {key} is not described");
        }
    }
    match value {
        Value::Object(fields) => fields.values().for_each(|value| every_property_is_described(name, value)),
        Value::Array(items) => items.iter().for_each(|value| every_property_is_described(name, value)),
        _ => {}
    }
}

#[test]
fn what_chip_commands_write_keeps_to_the_schemas() {
    let bench = Bench::with_chip();
    checked(&bench, "chip identify --link chip.toml", "chip-identify");
    checked(&bench, "chip identify --link chip.toml --redact", "chip-identify");
    checked(&bench, "chip capture --link chip.toml", "chip-capture");
    checked(&bench, "chip apply new.bin --link chip.toml --plan-only", "chip-plan");
    checked(&bench, "chip apply new.bin --link chip.toml", "chip-apply");
    checked(&bench, "chip verify new.bin --link chip.toml", "chip-verify");
    checked(&bench, "chip fill 00 --link chip.toml", "chip-apply");
    checked(&bench, "chip restore --link chip.toml", "chip-apply");
    bench.chip("[link]\nfeatures = [\"read-range\", \"digest\", \"program-range\", \"erase-list\"]\n");
    let applied = checked(&bench, "chip apply new.bin --link chip.toml", "chip-apply");
    assert_eq!(applied["digested_sectors"], 256);
    bench.write("chip.bin", &noise(3, MIB));
    let applied = checked(&bench, "chip apply new.bin --link chip.toml --no-capture because", "chip-apply");
    assert_eq!(applied["capture"], Value::Null);

    bench.toml("strange.toml", "[chip]\nid = \"123456\"\nsize = 16777216\ncontent = \"strange.bin\"\n");
    let strange = checked(&bench, "chip identify --link strange.toml", "chip-identify");
    assert_eq!(strange["writable"], false);
    assert_eq!(strange.get("measured_size"), None);
}

#[test]
fn what_other_commands_write_keeps_to_the_schemas() {
    let bench = Bench::with_chip();
    checked(&bench, "vault list", "vault-list");
    bench.run("chip apply new.bin --link chip.toml").expect(0);
    let list = checked(&bench, "vault list", "vault-list");
    let job = list["contents"][0]["job"].as_str().expect("a job").to_owned();
    let capture = bench.run("chip restore --link chip.toml --json").expect(0).object();
    let id = capture["content"].as_str().expect("an id");
    checked(&bench, &format!("vault show {id}"), "vault-show");
    checked(&bench, "vault show new.bin --redact", "vault-show");
    checked(&bench, &format!("vault export {id} out.bin"), "vault-export");
    checked(&bench, "vault scrub", "vault-scrub");
    checked(&bench, &format!("vault forget {job} --signed Ada --note moved"), "vault-forget");
    checked(&bench, "ready", "ready");
    checked(&bench, "link list", "link-list");
}

#[test]
fn what_demos_write_keeps_to_the_schema() {
    for scene in ["router", "one-chip", "cut-off", "wrong-voltage", "one-bad-read", "bad-contact", "wrong-image"] {
        let bench = Bench::new();
        let ended = checked(&bench, &format!("demo --scene {scene}"), "demo");
        assert_eq!(ended["scene"], scene);
    }
}

/// A whole job through the program: played by the demo, then looked at with the job commands.
#[test]
fn what_a_whole_job_leaves_keeps_to_the_schemas() {
    let bench = Bench::new();
    let ended = checked(&bench, "demo", "demo");
    assert_eq!(ended["scene"], "job");
    let all = checked(&bench, "job status", "job-status");
    assert_eq!(all["jobs"].as_array().expect("jobs").len(), 2, "there and back");
    let job = all["jobs"][0]["job"].as_str().expect("a job of the demo").to_owned();
    checked(&bench, &format!("job status {job}"), "job-status");
    assert_eq!(checked(&bench, &format!("job next {job}"), "job-next")["closed"], true);
    let record = checked(&bench, &format!("job record {job}"), "job-record");
    assert_eq!(record["chips"].as_array().expect("chips").len(), 2);
    checked(&bench, &format!("job record {job} --redact"), "job-record");
    checked(&bench, &format!("job record {job} --write-up"), "job-write-up");
    checked(&bench, &format!("job record {job} --label label.svg"), "job-label");
}

#[test]
fn what_composing_writes_keeps_to_the_schema() {
    let bench = Bench::with_chip();
    let capture = bench.run("chip capture --link chip.toml --json").expect(0).object();
    let id = capture["content"].as_str().expect("an id");
    bench.write(
        "recipe.toml",
        format!("[base]\ncapture = \"{id}\"\n[[fill]]\nat = 0\nlen = 4096\nbyte = 0xFF\n").as_bytes(),
    );
    let composed = checked(&bench, "image compose recipe.toml --out new-image.bin", "image-compose");
    assert_eq!(composed["size"], MIB);
    let mut wanted = noise(1, MIB);
    wanted[..4096].fill(0xFF);
    assert_eq!(bench.read("new-image.bin"), wanted);
    checked(&bench, "image explain new-image.bin", "image-explain");
    checked(&bench, "image check new-image.bin --chip W25Q80DV", "image-check");
    checked(&bench, "image diff new-image.bin new-image.bin", "image-diff");
    checked(&bench, "image take new-image.bin --list /", "image-selectors");
    checked(&bench, "image take new-image.bin /blank --out blank.bin", "image-take");
    bench.write("recipe.toml", b"[base]\ncapture = \"nothing\"\n");
    fails(&bench, "image compose recipe.toml", 2);
}

#[test]
fn failures_keep_to_the_schema_of_errors() {
    let bench = Bench::with_chip();
    bench.write("small.bin", &noise(1, 5000));
    fails(&bench, "chip identify", 2);
    fails(&bench, "chip identify --link /dev/spidev0.0", 2);
    fails(&bench, "chip apply small.bin --link chip.toml", 1);
    fails(&bench, "chip apply missing.bin --link chip.toml", 2);
    fails(&bench, "chip verify new.bin --link chip.toml", 1);
    fails(&bench, "chip capture --link chip.toml --job nosuch", 2);
    fails(&bench, "chip restore --link chip.toml", 2);
    fails(&bench, "vault show nosuch", 2);
    fails(&bench, "demo --bench /proc/self", 2);
    bench.chip("[link]\npresent = false\n");
    fails(&bench, "chip identify --link chip.toml", 3);
    let bench = Bench::with_chip();
    bench.chip("[[fault]]\nkind = \"unplug\"\nfrom_us = 800000\n");
    fails(&bench, "chip capture --link chip.toml", 4);
}

#[test]
fn damage_is_one_object_and_status_5() {
    let bench = Bench::with_chip();
    bench.run("chip capture --link chip.toml").expect(0);
    let id = bench.vault().bench_id().to_owned();
    let packs = bench.path(&format!("bench/objects/{id}/packs"));
    let pack = std::fs::read_dir(packs).expect("packs").next().expect("a pack").expect("an entry").path();
    let mut bytes = std::fs::read(&pack).expect("a pack");
    let middle = bytes.len() / 2;
    bytes[middle] ^= 0x10;
    std::fs::write(&pack, bytes).expect("our own file");
    let ran = bench.run("vault scrub --json").expect(5);
    keeps_to("vault-scrub", &ran.object());
    assert_eq!(ran.object()["sound"], false);
    assert_eq!(ran.object()["damaged"][0]["repairable"], true);
    fails(&bench, "vault export capture out.bin", 2);
    let capture = bench.json("vault list")["contents"][0]["id"].as_str().expect("an id").to_owned();
    fails(&bench, &format!("vault export {capture} out.bin"), 5);
    assert!(!bench.path("out.bin").exists(), "nothing half is left under the file's name");
    let report = checked(&bench, "vault scrub --repair", "vault-scrub");
    assert_eq!(report["repaired"].as_array().expect("a list").len(), 1);
    bench.run(&format!("vault export {capture} out.bin")).expect(0);
}

const CHIP: &str = "[chip]\nmarking = \"W25Q80DV\"\ncontent = \"a.bin\"\n";

fn loads(text: &str) -> bool {
    sim::BenchFile::parse(text, Path::new("test.toml")).is_ok()
}

fn as_json(text: &str) -> Value {
    toml::from_str(text).expect("TOML")
}

#[test]
fn bench_files_that_load_keep_to_the_schema() {
    let mut texts = vec![
        CHIP.to_owned(),
        format!("seed = 7\n{CHIP}supply_v = [2.7, 3.6]\nwrite_protect_pin = true\nprotected = \"all\"\n"),
        "[chip]\nid = \"ef 40 18\"\nsize = 16777216\nsfdp = \"53 46 44 50\"\ncontent = \"a.bin\"\n".to_owned(),
        format!(
            "{CHIP}[link]\ndrives_v = 3\nclock_hz = 100000\nbytes_per_second = 1216000\nround_trip_us = 125\n\
             features = [\"read-range\", \"digest\", \"program-range\", \"erase-list\", \"line-test\"]\nasks = true\n\
             present = false\n[time]\nspeed = \"real\"\nchip_times = \"maximum\"\n"
        ),
    ];
    for kind in [
        "noise",
        "open-data-out",
        "weak-data-out",
        "clock-slip",
        "select-bounce",
        "address-error",
        "supply-sag",
        "late-sampling",
        "constant-shift",
        "bus-contention",
        "size-alias",
        "hold-floating",
        "supply-dip",
        "power-cut",
        "unplug",
        "worn-sector",
        "stuck-bit",
        "wrong-chip",
        "busy-forever",
        "link-stall",
        "protect-raised",
        "deaf-after-opcode",
    ] {
        let fault = format!("{CHIP}[[fault]]\nkind = \"{kind}\"\nrate = 1e-6\nseverity = 0.5\npull = \"neighbour\"\n");
        texts.push(format!("{fault}from_us = 5\nuntil_us = 9\n"));
        texts.push(format!("{fault}at_us = 5\n"));
    }
    for signal in ["chip-select", "data-out", "write-protect", "ground", "data-in", "clock", "hold", "supply"] {
        texts.push(format!("{CHIP}[[fault]]\nkind = \"open-contact\"\nsignal = \"{signal}\"\npull = \"down\"\n"));
    }
    for fault in [
        "kind = \"open-contact\"\nsignal = \"data-out\"\npull = \"neighbour\"",
        "kind = \"hold-floating\"\nsignal = \"hold\"\npull = \"neighbour\"",
        "kind = \"hold-floating\"\nsignal = \"write-protect\"",
        "kind = \"address-error\"\nbit = 39",
        "kind = \"supply-sag\"\nrate = 100000",
        "kind = \"bus-contention\"\nrate = 2.5",
    ] {
        texts.push(format!("{CHIP}[[fault]]\n{fault}\n"));
    }
    texts.push(format!("{CHIP}[[fault]]\nkind = \"stuck-bit\"\nat = 4096\nbit = 7\npull = \"up\"\n"));
    texts.push(format!("{CHIP}[[fault]]\nkind = \"wrong-chip\"\nto = \"W25Q64\"\n"));
    for text in texts {
        assert!(loads(&text), "{:?}\n{text}", sim::BenchFile::parse(&text, Path::new("test.toml")));
        keeps_to("bench-file", &as_json(&text));
    }
}

#[test]
fn bench_files_that_are_refused_break_the_schema() {
    let mut texts = vec![
        "seed = 7\n".to_owned(),
        format!("colour = \"red\"\n{CHIP}"),
        format!("seed = -1\n{CHIP}"),
        "[chip]\nmarking = \"W25Q80DV\"\n".to_owned(),
        "[chip]\nmarking = 5\ncontent = \"a.bin\"\n".to_owned(),
        "[chip]\nid = \"ef4018\"\ncontent = \"a.bin\"\n".to_owned(),
        "[chip]\nid = \"ef40\"\nsize = 4096\ncontent = \"a.bin\"\n".to_owned(),
        "[chip]\nid = \"ef4018\"\nsize = 5000\ncontent = \"a.bin\"\n".to_owned(),
        format!("{CHIP}colour = \"red\"\n"),
        format!("{CHIP}supply_v = [3.3]\n"),
        format!("{CHIP}protected = \"some\"\n"),
        format!("{CHIP}[link]\nclock_hz = 5\n"),
        format!("{CHIP}[link]\nfeatures = [\"magic\"]\n"),
        format!("{CHIP}[time]\nspeed = \"fast\"\n"),
    ];
    for fault in [
        "rate = 0.5",
        "kind = \"open-data-out\"\nseverity = 0",
        "kind = \"open-data-out\"\nsignal = \"data-out\"",
        "kind = \"open-contact\"",
        "kind = \"open-contact\"\nsignal = \"pin 5\"",
        "kind = \"open-contact\"\nsignal = \"clock\"\npull = \"neighbour\"",
        "kind = \"hold-floating\"\nsignal = \"clock\"",
        "kind = \"hold-floating\"\nsignal = \"write-protect\"\npull = \"neighbour\"",
        "kind = \"address-error\"\nbit = 40",
        "kind = \"bus-contention\"\nrate = 100001",
        "kind = \"noise\"\nrate = 2",
        "kind = \"unplug\"\nat_us = 5\nfrom_us = 5",
        "kind = \"unplug\"\nat = 5",
        "kind = \"worn-sector\"\nbit = 5",
        "kind = \"stuck-bit\"\nbit = 8",
        "kind = \"stuck-bit\"\nto = \"W25Q64\"",
    ] {
        texts.push(format!("{CHIP}[[fault]]\n{fault}\n"));
    }
    for text in texts {
        assert!(!loads(&text), "this loads: {text}");
        assert!(!schema("bench-file").is_valid(&as_json(&text)), "the schema takes this: {text}");
    }
}

#[test]
fn media_keep_to_their_schema() {
    let bench = Bench::new();
    bench.write("disc.iso", &crate::media::disc());
    checked(&bench, "media extract disc.iso", "media-extract");
    checked(&bench, "media extract disc.iso --out boot.img", "media-extract");
    checked(&bench, "media drives", "media-drives");
}

#[test]
fn what_intake_writes_keeps_to_the_schemas() {
    let bench = Bench::with_chip();
    checked(&bench, "intake new.bin", "intake");
    let publisher = intake::build::Publisher::new(3);
    bench.write("sums", intake::build::list(&[("new.bin", &bench.read("new.bin"))]).as_bytes());
    bench.write("sums.sig", publisher.signature(&bench.read("sums"), "signed").as_bytes());
    bench.write("key", publisher.key_file().as_bytes());
    checked(&bench, "intake new.bin --list sums --signature sums.sig --key key --origin M --signed Ines", "intake");
    bench.write("name.gz", &[0x1F, 0x8B, 8, 0, 0, 0, 0, 0, 0, 3, 3, 0, 0, 0, 0, 0, 0, 0, 0, 0]);
    checked(&bench, "intake name.gz --members", "intake-members");
    checked(&bench, "intake name.gz --member content", "intake");
    fails(&bench, "intake missing.bin", 2);
    fails(&bench, "intake new.bin --expect 00", 2);
}
