//! What is said when a request cannot be done, by class of error; the status stands beside each.

use crate::common::{Bench, MIB, Ran, noise, snapshot};

const CHIP: &str = "[chip]\nmarking = \"W25Q80DV\"\ncontent = \"chip.bin\"\n";

#[test]
fn wrong_links() {
    let bench = Bench::new();
    std::fs::create_dir(bench.path("folder.toml")).expect("our own folder");
    let runs = [
        ("missing.toml", 2),
        ("/dev/spidev0.0", 2),
        ("board@0007", 3),
        ("boards", 2),
        ("board@", 2),
        ("folder.toml", 2),
    ]
    .map(|(link, status)| bench.run(&format!("chip identify --link {link}")).expect(status));
    snapshot("wrong_links", &bench, &runs);
    snapshot("no_link", &bench, &[bench.run("chip identify").expect(2), bench.run("chip").expect(2)]);
    assert!(!bench.path("bench").exists(), "no bench folder is made for a link that is none");
}

#[test]
fn wrong_bench_files() {
    let bench = Bench::new();
    bench.write("short.bin", &[0; 1000]);
    let texts = [
        format!("{CHIP}colour = \"red\"\n"),
        "[chip]\nmarking = 5\ncontent = \"chip.bin\"\n".to_owned(),
        "[chip]\nmarking = \"W25Q80DV\"\n".to_owned(),
        "[chip]\nmarking = \"W25Q80XX\"\ncontent = \"chip.bin\"\n".to_owned(),
        "[chip\n".to_owned(),
        "[chip]\nmarking = \"W25Q80DV\"\ncontent = \"short.bin\"\n".to_owned(),
        "seed = 3\n".to_owned(),
        format!("{CHIP}[link]\nclock_hz = 5\n"),
        format!("{CHIP}[[fault]]\nkind = \"open-contact\"\n"),
        format!("{CHIP}[[fault]]\nkind = \"unplug\"\nat_us = 3\nfrom_us = 4\n"),
    ];
    let runs = texts.map(|text| {
        bench.toml("chip.toml", &text);
        bench.run("chip identify --link chip.toml").expect(2)
    });
    snapshot("wrong_bench_files", &bench, &runs);
    assert!(!bench.path("chip.bin").exists(), "no content is made for a bench file that is wrong");
}

#[test]
fn wrong_images() {
    let bench = Bench::with_chip();
    bench.write("large.bin", &noise(3, 2 * MIB));
    bench.write("small.bin", &noise(3, 5000));
    bench.write("empty.bin", b"");
    let runs = [
        ("large.bin", 1),
        ("small.bin", 1),
        ("empty.bin", 2),
        (".", 2),
        ("missing.bin", 2),
        ("small.bin --at 1047000", 1),
        ("small.bin --at 0x10000000000", 1),
        ("small.bin --at 1k", 2),
        ("small.bin --at -1", 2),
        ("small.bin --at 0 --region bios", 2),
        ("small.bin --region bios", 2),
    ];
    let runs = runs.map(|(image, status)| bench.run(&format!("chip apply {image} --link chip.toml")).expect(status));
    snapshot("wrong_images", &bench, &runs);
    assert_eq!(bench.read("chip.bin"), noise(1, MIB));
}

#[test]
fn an_image_that_may_not_be_read() {
    use std::os::unix::fs::PermissionsExt;
    let bench = Bench::with_chip();
    let path = bench.path("new.bin");
    std::fs::set_permissions(&path, std::fs::Permissions::from_mode(0o000)).expect("our own file");
    if std::fs::read(&path).is_ok() {
        eprintln!("skipped: this user (root) may read every file");
        return;
    }
    let ran = bench.run("chip apply new.bin --link chip.toml").expect(2);
    assert!(ran.stderr.contains("Permission denied"), "{}", ran.transcript());
}

#[test]
fn wrong_names_in_the_vault() {
    let bench = Bench::with_chip();
    bench.run("chip capture --link chip.toml").expect(0);
    bench.write("taken.bin", b"something");
    let capture = vault::Digest::blake3(&noise(1, MIB)).short();
    let runs = [
        "chip capture --link chip.toml --job nosuch".to_owned(),
        "chip capture --link chip.toml --job ../x".to_owned(),
        "chip restore 123456 --link chip.toml".to_owned(),
        "chip fill 55 --link chip.toml".to_owned(),
        "vault show nosuch".to_owned(),
        "vault export nosuch out.bin".to_owned(),
        format!("vault export {capture} taken.bin"),
        "vault forget nosuch --signed Ada --note returned".to_owned(),
        "vault forget nosuch --signed Ada".to_owned(),
    ];
    snapshot("wrong_names", &bench, &runs.map(|run| bench.run(&run).expect(2)));
    assert_eq!(bench.read("taken.bin"), b"something");
}

#[test]
fn a_signature_or_a_reason_that_says_nothing_is_refused() {
    let bench = Bench::with_chip();
    for option in ["--signed=", "--no-capture="] {
        let ran = bench.run(&format!("chip apply new.bin --link chip.toml {option}")).expect(2);
        assert!(ran.stderr.contains("it is empty"), "{}", ran.transcript());
    }
    assert!(!bench.path("bench").exists());
}

#[test]
fn wrong_bench_folders() {
    let bench = Bench::with_chip();
    std::fs::create_dir_all(bench.path("photos")).expect("our own folder");
    bench.write("photos/holiday.jpg", b"");
    std::fs::create_dir_all(bench.path("newer")).expect("our own folder");
    bench.write("newer/format.toml", b"format = 9\nbench = \"later\"\n");
    std::fs::create_dir_all(bench.path("broken")).expect("our own folder");
    bench.write("broken/format.toml", b"format = \n");
    let runs = [
        ("vault list --bench photos", 2),
        ("chip capture --link chip.toml --bench photos", 2),
        ("vault list --bench newer", 2),
        ("ready --bench newer", 1),
        ("vault list --bench broken", 5),
        ("vault list --bench new.bin", 3),
        ("demo --bench photos", 2),
    ];
    snapshot("wrong_bench_folders", &bench, &runs.map(|(run, status)| bench.run(run).expect(status)));
    let left: Vec<_> = std::fs::read_dir(bench.path("photos")).expect("a folder").collect();
    assert_eq!(left.len(), 1, "nothing is put into a folder that is no bench");
}

#[test]
fn unanswered_questions_name_the_option() {
    let bench = Bench::with_chip();
    bench.chip("[link]\nasks = true\n");
    let apply = "chip apply new.bin --link chip.toml";
    let runs: Vec<Ran> = [
        (apply.to_owned(), 2),
        (format!("{apply} --signed Ada"), 2),
        (format!("{apply} --yes"), 2),
        ("chip identify --link chip.toml --yes".to_owned(), 0),
        (format!("{apply} --yes --signed Ada"), 0),
    ]
    .iter()
    .map(|(run, status)| bench.run(run).expect(*status))
    .collect();
    snapshot("questions", &bench, &runs);
    let journal = bench.journal();
    let signed: Vec<_> = journal.iter().filter(|entry| entry.body["answer"]["signed"] == "Ada").collect();
    assert_eq!(signed.len(), 1);
    assert_eq!((&signed[0].kind[..], &signed[0].body["question"]), ("asked", &"fused".into()));
    bench.chip("[link]\nasks = true\npresent = false\n");
    let ran = bench.run("chip identify --link chip.toml --yes").expect(3);
    snapshot("not_there", &bench, &[ran]);
}

#[test]
fn voltages_that_do_not_fit() {
    let bench = Bench::with_chip();
    let runs = [
        ("--supply 1.8", 1),
        ("--marking W25Q128FW", 1),
        ("--marking W25Q64", 1),
        ("--drives 1.8", 1),
        ("--supply 2.2", 2),
        ("--marking NOSUCHCHIP", 2),
    ];
    let runs =
        runs.map(|(option, status)| bench.run(&format!("chip identify --link chip.toml {option}")).expect(status));
    snapshot("voltages", &bench, &runs);
}
