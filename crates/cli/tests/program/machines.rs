//! Whole machines, typed as `job next` says it: what the program tells people to do has to be what does it.

use serde_json::Value;

use crate::common::{Bench, MIB, RESCUE_ANSWERS, Ran, noise};

/// Two chips of unlike size that hold one image together.
const SPAN: &str = r#"
[board]
name = "Two halves"
jobs = ["convert"]
[[gate]]
id = "fused"
kind = "fused"
says = "open"
why = "It starts whatever it holds."
[[supply]]
id = "mains"
name = "Mains"
kind = "mains"
order = 1
how_off = "Pull it."
how_on = "Push it."
[[chip]]
id = "low"
role = "system"
size = 0x10_0000
markings = ["W25Q80DV"]
supply_v = [2.7, 3.6]
package = "SOIC-8"
place = "left"
reach = "clip"
[[chip]]
id = "high"
role = "system"
size = 0x8_0000
markings = ["P25Q40H"]
supply_v = [2.7, 3.6]
package = "SOIC-8"
place = "right"
reach = "clip"
[[span]]
id = "both"
size = 0x18_0000
chips = ["low", "high"]
[[variant]]
id = "new"
name = "new"
[[variant.image]]
span = "both"
IMAGE
[[step]]
id = "intake"
title = "In"
kind = "intake"
why = "It is."
done_when = "It is."
"#;

fn steps(list: &[(&str, &str, &str)]) -> String {
    let mut text = String::new();
    let mut needs = "intake".to_owned();
    for (id, kind, more) in list {
        text += &format!(
            "[[step]]\nid = \"{id}\"\ntitle = \"{id}\"\nkind = \"{kind}\"\nwhy = \"It is.\"\ndone_when = \"It is.\"\nneeds = [\"{needs}\"]\n{more}\n"
        );
        needs = (*id).to_owned();
    }
    text
}

/// The profile of two chips, their images to come by `compose` or as a file.
fn two_halves(image: &str, compose: bool, content: &str) -> String {
    let low = "chip = \"low\"";
    let high = "chip = \"high\"";
    let write = |chip: &str| format!("{chip}\ncontent = \"{content}\"");
    let (write_low, write_high) = (write(low), write(high));
    let mut list = vec![
        ("off", "supplies-off", ""),
        ("open", "open", ""),
        ("wire-low", "wire", low),
        ("capture-low", "capture", low),
        ("unwire-low", "unwire", low),
        ("wire-high", "wire", high),
        ("capture-high", "capture", high),
    ];
    if compose {
        list.push(("compose", "compose", "span = \"both\""));
    }
    list.extend([
        ("apply-high", "apply", write_high.as_str()),
        ("verify-high", "verify", high),
        ("unwire-high", "unwire", high),
        ("wire-low-2", "wire", low),
        ("apply-low", "apply", write_low.as_str()),
        ("verify-low", "verify", low),
        ("unwire-low-2", "unwire", low),
        ("close", "close", ""),
        ("handover", "handover", ""),
    ]);
    SPAN.replace("IMAGE", image) + &steps(&list)
}

fn bench_of_two() -> Bench {
    let bench = Bench::new();
    bench.toml("low.toml", "[chip]\nmarking = \"W25Q80DV\"\ncontent = \"low.bin\"\n");
    bench.toml("high.toml", "[chip]\nmarking = \"P25Q40H\"\ncontent = \"high.bin\"\n");
    bench.write("low.bin", &noise(1, MIB));
    bench.write("high.bin", &noise(2, MIB / 2));
    bench
}

/// Types what `job next` says until the job waits for its handover, or `stop` is next; an image that it leaves open is
/// `image`. The links are called after their chips.
fn type_on(bench: &Bench, job: &str, image: &str, stop: &str) -> Vec<Ran> {
    let mut typed = Vec::new();
    for _ in 0..100 {
        let next = bench.json(&format!("job next {job}"));
        let commands = match &next["step"] {
            Value::Null => next["commands"].clone(),
            step if step["kind"] == "handover" || step["id"] == stop => return typed,
            step => step["commands"].clone(),
        };
        let chips = ["low", "high", "main", "port", "boot"];
        let id = next["step"]["id"].as_str().unwrap_or_default();
        let chip = chips.iter().find(|chip| id.split('-').any(|part| part == **chip)).unwrap_or(&"main");
        let list: Vec<&str> = commands.as_array().expect("commands").iter().filter_map(Value::as_str).collect();
        // Of a start: it begins, it shows itself, it stays dark; here it always shows itself.
        let list = if next["step"]["kind"] == "power-up" { &list[1..2] } else { &list[..] };
        assert!(!list.is_empty(), "nothing to type: {next:#}");
        for command in list {
            let command = command.strip_prefix("firmhand ").expect("a command of the program");
            let command =
                command.replace("NAME", "Ana").replace("VALUE", "0.02").replace("LINK", &format!("{chip}.toml"));
            // What stands beside a published file; its key was pinned by the demo.
            let command = command.replace("SIGNATURE", "SHA256SUMS.minisig").replace("LIST", "SHA256SUMS");
            let command = command.replace("--key KEY", "--key meadowlark.pub");
            typed.push(bench.run(&command.replace("IMAGE", image)).expect(0));
        }
    }
    panic!("the job does not end");
}

fn start(bench: &Bench, profile: &str, kind: &str, answers: &[&str]) -> String {
    let answers: String = answers.iter().map(|answer| format!(" --answer {answer}")).collect();
    let line = format!("job start --as {kind} --profile {profile} --machine M --owner O --consent Ana{answers}");
    bench.json(&line)["job"].as_str().expect("a job").to_owned()
}

#[test]
fn one_image_over_two_chips_is_captured_composed_and_written_chip_by_chip() {
    let bench = bench_of_two();
    bench.toml("two.toml", &two_halves("recipe = \"two-recipe.toml\"", true, "composed"));
    let new = noise(3, MIB + MIB / 2);
    bench.write("new.bin", &new);
    let sha256 = image::pin::Pin::sha256(&new);
    // A part that lies across the border of the two chips is carried over.
    bench.toml(
        "two-recipe.toml",
        &format!(
            "[base]\nimage = \"{sha256}\"\n[[keep]]\nat = 0xF_F000\nlen = 0x2000\n[[require]]\nsize = 0x18_0000\n"
        ),
    );
    let job = start(&bench, "two.toml", "convert", &["unlocked=yes", "setup-password=yes", "recovery-key=yes"]);
    type_on(&bench, &job, "new.bin", "");
    let found = [noise(1, MIB), noise(2, MIB / 2)].concat();
    let mut wanted = new;
    wanted[0xF_F000..0x10_1000].copy_from_slice(&found[0xF_F000..0x10_1000]);
    assert!(bench.read("low.bin") == wanted[..MIB] && bench.read("high.bin") == wanted[MIB..]);
    let record = bench.json(&format!("job record {job}"));
    let span = &record["spans"][0];
    let kept = |id: &Value| bench.vault().read_vec(&id.as_str().expect("an id").parse().expect("an id")).expect("kept");
    assert!(kept(&span["as_found"]["content"]) == found && kept(&span["as_left"]["content"]) == wanted);
    let manifest = bench.json(&format!("vault show {}", span["as_found"]["content"].as_str().expect("an id")));
    assert_eq!(manifest["manifests"][0]["size"], MIB + MIB / 2, "one manifest, sizes summed: {manifest:#}");
    bench.run(&format!("job handover {job} --by Ana")).expect(0);
}

#[test]
fn s8_a_file_over_two_chips_is_given_whole_and_is_the_one_of_the_profile() {
    let bench = bench_of_two();
    let new = noise(3, MIB + MIB / 2);
    bench.write("new.bin", &new);
    let sha256 = image::pin::Pin::sha256(&new).digits();
    let image = format!("file = \"new.bin\"\nsize = 0x18_0000\nsha256 = \"{sha256}\"");
    bench.toml("two.toml", &two_halves(&image, false, "variant"));
    let job = start(&bench, "two.toml", "convert", &["unlocked=yes", "setup-password=yes", "recovery-key=yes"]);
    type_on(&bench, &job, "new.bin", "apply-high");
    let apply = |file: &str| bench.run(&format!("chip apply {file} --link high.toml --job {job}"));
    bench.write("half.bin", &new[MIB..]);
    let said = apply("half.bin").expect(1).said();
    assert!(said.contains("give the whole file"), "{said}");
    bench.write("other.bin", &noise(4, MIB + MIB / 2));
    assert!(apply("other.bin").expect(1).said().contains("SHA-256"));
    bench.write("short.bin", &new[1..]);
    apply("short.bin").expect(1);
    assert!(bench.read("high.bin") == noise(2, MIB / 2), "nothing was written");
    type_on(&bench, &job, "new.bin", "");
    assert!(bench.read("low.bin") == new[..MIB] && bench.read("high.bin") == new[MIB..]);
}

/// Both stories on the table of the demo: a router stands for a board that is dead, a notebook gives the donor.
#[test]
fn a_rescue_takes_parts_of_a_donor_and_the_address_of_the_label() {
    let bench = Bench::new();
    bench.run("demo").expect(0);
    let table = |name: &str| format!("bench/virtual/{name}");
    let donor = bench.json("vault list")["contents"]
        .as_array()
        .expect("contents")
        .iter()
        .find(|item| item["kind"] == "capture" && item["size"] == 16 * MIB)
        .expect("the capture of main")["id"]
        .as_str()
        .expect("an id")
        .to_owned();
    // The dead machine: nothing of its own is left on main.
    bench.write(&table("main.bin"), &noise(5, 16 * MIB));
    for chip in ["main", "port"] {
        bench.write(&format!("{chip}.toml"), &bench.read(&table(&format!("{chip}.toml"))));
    }
    let published = ["SHA256SUMS", "SHA256SUMS.minisig", "meadowlark.pub"];
    for file in ["main.bin", "port-chip.bin", "meadowlark.bin", "meadowlark-port-2.7.bin"].into_iter().chain(published)
    {
        bench.write(file, &bench.read(&table(file)));
    }
    let donor_answer = format!("donor-main={donor}");
    let own = ["label-mac=00:00:5e:00:53:77", "label-serial=LN9-0077", donor_answer.as_str()];
    let answers = [&RESCUE_ANSWERS[..], &own].concat();
    let job = start(&bench, &table("larkspur-nine.toml"), "rescue", &answers);
    type_on(&bench, &job, "meadowlark.bin", "compose-main");
    // A recipe that takes the donor's network settings as well would make two machines with one address.
    let recipe = String::from_utf8(bench.read(&table("recipes/larkspur-main-rescue.toml"))).expect("text");
    let base = recipe.split("[mac]").next().expect("the recipe's first half");
    bench.toml(
        "greedy.toml",
        &format!("{base}[[place]]\ncapture = \"donor\"\nfrom_region = \"network\"\nregion = \"network\"\n"),
    );
    let said = bench.run(&format!("image compose greedy.toml --with meadowlark.bin --job {job}")).expect(1).said();
    assert!(said.contains("the image carries the donor's"), "{said}");
    assert!(!said.contains("00:00:5e"), "S15: {said}");
    let composed = bench
        .run(&format!(
            "image compose {} --with meadowlark.bin --job {job} --json",
            table("recipes/larkspur-main-rescue.toml")
        ))
        .expect(0)
        .object();
    let image = bench.vault().read_vec(&composed["content"].as_str().expect("an id").parse().expect("an id"));
    let image = image.expect("kept");
    assert_eq!(image[0x1000..0x1006], [0x00, 0x00, 0x5E, 0x00, 0x53, 0x77], "the label's address, first bank");
    assert_eq!(image[0x2000..0x2006], [0x00, 0x00, 0x5E, 0x00, 0x53, 0x77], "the label's address, second bank");
    let donor = bench.vault().read_vec(&donor.parse().expect("an id")).expect("kept");
    assert_eq!(image[0xC8_0000..0xD0_0000], donor[0xC8_0000..0xD0_0000], "the donor's memory part");
}

#[test]
fn addresses_are_given_with_the_command_or_drawn_once_for_a_job() {
    let bench = Bench::new();
    bench.run("demo --scene one-chip").expect(0);
    let capture = "bench/virtual/main.bin";
    let kept = bench.json("vault list")["contents"][0]["id"].as_str().expect("an id").to_owned();
    let base = format!("[base]\nimage = \"{}\"\n[mac]\naddress = ", image::pin::Pin::sha256(&bench.read(capture)));
    bench.toml("given.toml", &format!("{base}\"given\"\n"));
    let refused = bench.run(&format!("image compose given.toml --with {capture}")).expect(1).said();
    assert!(refused.contains("no address was given") && refused.contains("--mac"), "{refused}");
    bench.run(&format!("image compose given.toml --with {capture} --mac 01:00:5e:00:00:01")).expect(1);
    bench.run(&format!("image compose given.toml --with {capture} --mac nonsense")).expect(2);
    bench.run(&format!("image compose given.toml --with {capture} --mac 02:00:5e:00:53:01 --out given.bin")).expect(0);
    assert_eq!(bench.read("given.bin")[0x1000..0x1006], [2, 0, 0x5E, 0, 0x53, 1]);
    bench.toml(
        "drawn.toml",
        &format!("{base}\"drawn\"\n[[require]]\nmac = \"local\"\n[[require]]\nnvm = \"sum-holds\"\n"),
    );
    let drawn =
        |out: &str| bench.json(&format!("image compose drawn.toml --with {capture} --out {out} --capture {kept}"));
    assert_eq!(drawn("a.bin")["address_drawn"], true);
    let address = bench.read("a.bin")[0x1000..0x1006].to_vec();
    assert_eq!(address[0] & 0b11, 0b10, "IEEE 802: locally administered, individual");
    drawn("b.bin");
    assert_ne!(bench.read("b.bin")[0x1000..0x1006], address, "without a job each machine is another");
}

#[test]
fn s13_a_job_that_cannot_go_on_ends_as_it_is_once_the_programmer_was_seen_to_go() {
    let bench = bench_of_two();
    bench.toml("two.toml", &two_halves("recipe = \"two-recipe.toml\"", true, "composed"));
    bench.toml("two-recipe.toml", "[base]\ncapture = \"present\"\n");
    let job = start(&bench, "two.toml", "convert", &["unlocked=yes", "setup-password=yes", "recovery-key=yes"]);
    type_on(&bench, &job, "", "capture-low");
    let as_is = format!("job handover {job} --by Ana --as-is withdrawn");
    let said = bench.run(&as_is).expect(1).said();
    assert!(said.contains("the contact of `wire-low` is on") && said.contains("--link"), "{said}");
    bench.chip("[link]\nasks = true\n");
    let there = bench.run(&format!("{as_is} --link chip.toml")).expect(1).said();
    assert!(there.contains("is plugged in"), "S13: it has to be seen to go: {there}");
    let report = bench.json(&format!("{as_is} --link low.toml"));
    let left: Vec<_> = report["left"].as_array().expect("a list").iter().filter_map(Value::as_str).collect();
    assert_eq!(left.first(), Some(&"capture-low"));
    assert_eq!(report["sealed"], true);
    assert_eq!(bench.json(&format!("job record {job}"))["given_back"], "withdrawn");
    bench.run(&as_is).expect(2);
}
