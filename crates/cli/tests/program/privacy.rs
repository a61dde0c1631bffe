//! S15: what is kept of a machine is for nobody else's eyes, can be forgotten, and is left out of output on request.

use std::os::unix::fs::PermissionsExt;
use std::path::Path;

use crate::common::{Bench, MIB, noise};

/// Every file and folder below `path`, itself included.
fn all_below(path: &Path) -> Vec<std::path::PathBuf> {
    let mut found = vec![path.to_path_buf()];
    if path.is_dir() {
        for entry in std::fs::read_dir(path).expect("a folder") {
            found.extend(all_below(&entry.expect("an entry").path()));
        }
    }
    found
}

#[test]
fn s15_bench_folder_is_0700_and_its_files_0600() {
    let bench = Bench::with_chip();
    bench.run("chip apply new.bin --link chip.toml").expect(0);
    bench.run("vault export new.bin out.bin").expect(0);
    let mode = |path: &Path| std::fs::metadata(path).expect("it is there").permissions().mode() & 0o777;
    assert_eq!(mode(&bench.path("bench")), 0o700);
    let files: Vec<_> = all_below(&bench.path("bench")).into_iter().filter(|path| path.is_file()).collect();
    assert!(files.len() > 5, "{files:?}");
    for file in files {
        assert_eq!(mode(&file), 0o600, "{}", file.display());
    }
    assert_eq!(mode(&bench.path("out.bin")), 0o600);
    // A folder that others may enter is closed to them at the next command.
    std::fs::set_permissions(bench.path("bench"), std::fs::Permissions::from_mode(0o755)).expect("our own folder");
    bench.run("vault list").expect(0);
    assert_eq!(mode(&bench.path("bench")), 0o700);
}

#[test]
fn s15_forget_removes_a_job_and_leaves_a_note() {
    let bench = Bench::with_chip();
    let secret = b"serial number 4711 of a Larkspur Nine";
    let mut content = vec![0xFF; MIB];
    content[0x2000..0x2000 + secret.len()].copy_from_slice(secret);
    bench.write("chip.bin", &content);
    bench.run("chip capture --link chip.toml").expect(0);
    let job = bench.journals().into_keys().next().expect("a job");
    let id = vault::Digest::blake3(&content);

    bench.run(&format!("vault forget {job} --signed --note x")).expect(2);
    let report = bench.json(&format!("vault forget {job} --signed Ada --note returned"));
    assert_eq!(report["contents"][0]["id"], id.to_string());
    bench.run(&format!("vault show {id}")).expect(2);
    assert!(bench.journals().is_empty());
    let notes = bench.vault().notes().expect("a sound chain");
    assert!(notes.iter().any(|note| note.body["by"] == "Ada" && note.body["why"] == "returned"), "{notes:?}");
    let bench_id = bench.vault().bench_id().to_owned();
    let objects = bench.path(&format!("bench/objects/{bench_id}"));
    for room in ["packs", "parity", "manifests", "journals", "twin/manifests", "twin/journals"] {
        assert!(all_below(&objects.join(room)).iter().all(|path| path.is_dir()), "{room} holds something still");
    }
    bench.run("vault scrub").expect(0);
    bench.run(&format!("vault forget {job} --signed Ada --note again")).expect(2);
}

#[test]
fn s15_what_another_job_holds_too_stays() {
    let bench = Bench::with_chip();
    bench.toml("other.toml", "seed = 5\n[chip]\nmarking = \"W25Q80DV\"\ncontent = \"other.bin\"\n");
    bench.write("other.bin", &noise(1, MIB));
    bench.run("chip capture --link chip.toml").expect(0);
    let job = bench.journals().into_keys().next().expect("a job");
    bench.run("chip capture --link other.toml").expect(0);
    let report = bench.json(&format!("vault forget {job} --signed Ada --note returned"));
    assert_eq!(report["contents"][0]["shared"], true);
    bench.run(&format!("vault export {} out.bin", vault::Digest::blake3(&noise(1, MIB)))).expect(0);
    assert_eq!(bench.read("out.bin"), noise(1, MIB));
}

#[test]
fn s15_redact_leaves_the_unique_id_out_of_everything_printed() {
    let bench = Bench::with_chip();
    let unique_id = bench.json("chip identify --link chip.toml")["unique_id"].as_str().expect("it has one").to_owned();
    let seen = |arguments: &str| {
        let ran = bench.run(arguments);
        (ran.stdout + &ran.stderr).contains(&unique_id)
    };
    assert!(seen("chip identify --link chip.toml"), "it is printed unless it is not wanted");
    bench.run("chip apply new.bin --link chip.toml").expect(0);
    let capture = vault::Digest::blake3(&noise(1, MIB)).to_string();
    assert!(seen(&format!("vault show {capture}")));
    let commands = [
        "chip identify --link chip.toml",
        "chip capture --link chip.toml",
        "chip apply new.bin --link chip.toml",
        "chip restore --link chip.toml",
        "chip verify new.bin --link chip.toml",
        "vault list",
        "vault scrub",
        "vault show new.bin",
        &format!("vault show {capture}"),
    ];
    for command in commands {
        assert!(!seen(&format!("{command} --redact")), "{command}");
        assert!(!seen(&format!("{command} --redact --json")), "{command} as JSON");
    }
}
