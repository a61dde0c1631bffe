//! What each command says to people when all goes well.

use crate::common::{Bench, MIB, noise, snapshot};

#[test]
fn chip_commands() {
    let bench = Bench::with_chip();
    let runs = [
        "ready",
        "vault list",
        "chip identify --link chip.toml",
        "chip identify --link chip.toml --redact",
        "chip capture --link chip.toml",
        "chip apply new.bin --link chip.toml --plan-only",
        "chip apply new.bin --link chip.toml",
        "chip apply new.bin --link chip.toml",
        "chip verify new.bin --link chip.toml",
        "chip restore --link chip.toml",
        "chip fill 00 --link chip.toml",
        "chip fill FF --link chip.toml",
        "chip apply new.bin --link chip.toml --at 0",
    ];
    snapshot("chip_commands", &bench, &runs.map(|run| bench.run(run).expect(0)));
}

#[test]
fn an_apply_on_its_own_and_one_that_the_link_helps_with() {
    let bench = Bench::with_chip();
    let alone = bench.run("chip apply new.bin --link chip.toml").expect(0);
    bench.chip("[link]\nfeatures = [\"read-range\", \"digest\", \"program-range\", \"erase-list\"]\n");
    let helped = bench.run("chip restore --link chip.toml").expect(0);
    let verified = bench.run("chip verify new.bin --link chip.toml").expect(1);
    bench.write("chip.bin", &noise(3, MIB));
    let unkept = bench.run("chip apply new.bin --link chip.toml --no-capture scrap").expect(0);
    snapshot("apply", &bench, &[alone, helped, verified, unkept]);
}

#[test]
fn vault_commands() {
    let bench = Bench::with_chip();
    bench.run("chip capture --link chip.toml").expect(0);
    // The list is by time, in whole seconds.
    std::thread::sleep(std::time::Duration::from_millis(1100));
    bench.run("chip apply new.bin --link chip.toml").expect(0);
    let job = bench.journals().into_keys().next().expect("a job");
    let runs = [
        "vault list".to_owned(),
        format!("vault list --job {job}"),
        "vault show new.bin".to_owned(),
        "vault export new.bin out.bin".to_owned(),
        "vault export new.bin out.bin --replace".to_owned(),
        "vault scrub".to_owned(),
        format!("vault forget {job} --signed Ada --note returned"),
        "vault list".to_owned(),
    ];
    snapshot("vault_commands", &bench, &runs.map(|run| bench.run(&run).expect(0)));
}

#[test]
fn an_apply_as_json() {
    let bench = Bench::with_chip();
    snapshot_json("apply_json", &bench, "chip apply new.bin --link chip.toml --json");
}

/// JSON is for programs: its lines may be long.
fn snapshot_json(name: &str, bench: &Bench, arguments: &str) {
    let ran = bench.run(arguments).expect(0);
    let mut object = ran.object();
    object["job"] = "[JOB]".into();
    let events: Vec<String> = ran.events().iter().map(ToString::to_string).collect();
    let mut settings = insta::Settings::clone_current();
    settings.set_prepend_module_to_snapshot(false);
    settings.set_omit_expression(true);
    settings.bind(|| insta::assert_snapshot!(name, format!("{object:#}\n\n{}", events.join("\n"))));
}

#[test]
fn demos() {
    for scene in ["router", "one-chip", "cut-off", "wrong-voltage", "one-bad-read", "bad-contact", "wrong-image"] {
        let bench = Bench::new();
        let ran = bench.run(&format!("demo --scene {scene}")).expect(0);
        snapshot(&format!("demo_{}", scene.replace('-', "_")), &bench, &[ran]);
    }
    let bench = Bench::new();
    snapshot("demo", &bench, &[bench.run("demo").expect(0)]);
}

#[test]
fn a_region_of_the_chips_own_descriptor() {
    let bench = Bench::new();
    bench.run("demo --scene wrong-image").expect(0);
    bench.write("network.bin", &noise(4, 0x2000));
    let link = "--link bench/virtual/main.toml";
    let before = bench.read("bench/virtual/main.bin");
    let runs = [
        bench.run(&format!("chip apply network.bin --region network {link}")).expect(0),
        bench.run(&format!("chip verify network.bin --region network {link}")).expect(0),
        bench.run(&format!("chip apply network.bin --region firmware {link}")).expect(2),
        bench.run(&format!("chip apply network.bin --region nosuch {link}")).expect(2),
    ];
    snapshot("regions", &bench, &runs);
    let mut wanted = before;
    wanted[0x1000..0x3000].copy_from_slice(&noise(4, 0x2000));
    assert!(bench.read("bench/virtual/main.bin") == wanted, "what lies beside the region stays");
}
