//! S15: what is kept of a machine is for nobody else's eyes, can be forgotten, and is left out of output on request.

use std::os::unix::fs::PermissionsExt;
use std::path::Path;

use crate::common::{Bench, MIB, RESCUE_ANSWERS, noise};

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

/// Everything that a person may give away with a report, in a job that has each of them; then every command that reports, with
/// `--redact`, and every field of what it says.
#[test]
fn s15_no_field_of_any_redacted_output_holds_a_secret() {
    let bench = Bench::new();
    bench.run("demo --scene one-chip").expect(0);
    let table = |name: &str| format!("bench/virtual/{name}");
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("../..");
    for name in ["larkspur-nine.toml", "recipes/larkspur-main.toml", "recipes/larkspur-main-rescue.toml"] {
        let from = root.join("profiles").join(name);
        let to = bench.path(name);
        std::fs::create_dir_all(to.parent().expect("a folder"))
            .and_then(|()| std::fs::copy(from, to))
            .expect("a profile");
    }
    bench.write("main.bin", &bench.read(&table("main.bin")));
    bench.toml("main.toml", "[chip]\nmarking = \"W25Q128\"\ncontent = \"main.bin\"\n");
    let secrets = [
        "Olga-Owner",
        "Carl-Consent",
        "Shelf-17-SN4711",
        "00:00:5e:00:53:aa",
        "SN0815-LABEL",
        "Sina-Signer",
        "door-code-9",
        "withdrawn-by-phone",
    ];
    let [owner, consent, machine, mac, serial, signer, note, reason] = secrets;
    let donor = bench.json("vault list")["contents"][0]["id"].as_str().expect("an id").to_owned();
    let own = [format!("label-mac={mac}"), format!("label-serial={serial}"), format!("donor-main={donor}")];
    let answers = RESCUE_ANSWERS.into_iter().chain(own.iter().map(String::as_str));
    let answers: String = answers.map(|answer| format!(" --answer {answer}")).collect();
    let start = format!(
        "job start --as rescue --profile larkspur-nine.toml --machine {machine} --owner {owner} --consent {consent}{answers}"
    );
    let mut outputs = Vec::new();
    let mut run = |command: &str, json: bool| {
        let ran = bench.run(&format!("{command} --redact{}", if json { " --json" } else { "" })).expect(0);
        outputs.push(ran);
        outputs.last().map(|ran| ran.stdout.clone()).unwrap_or_default()
    };
    let job = serde_json::from_str::<serde_json::Value>(&run(&start, true)).expect("JSON")["job"]
        .as_str()
        .expect("a job")
        .to_owned();
    let unique_id = bench.json("chip identify --link main.toml")["unique_id"].as_str().expect("it has one").to_owned();
    for step in ["first-look", "power-off", "open"] {
        run(&format!("job sign {step} --by {signer} --note {note} --job {job}"), true);
    }
    run(&format!("job sign dead-board --by {signer} --measured 0.01 --job {job}"), true);
    run(&format!("job sign wire-main --by {signer} --link main.toml --job {job}"), false);
    for command in ["chip identify", "chip capture"] {
        run(&format!("{command} --link main.toml --job {job}"), true);
    }
    for json in [false, true] {
        for command in [
            "job status".to_owned(),
            format!("job status {job}"),
            format!("job next {job}"),
            format!("job record {job}"),
            "vault list".into(),
            format!("vault list --job {job}"),
            format!("vault show {donor}"),
            "vault scrub".into(),
            "ready".into(),
            format!("chip verify {donor} --link main.toml --job {job}"),
            "chip identify --link main.toml".into(),
        ] {
            run(&command, json);
        }
    }
    run(&format!("job handover {job} --by {signer} --as-is {reason} --link main.toml"), true);
    run(&format!("job record {job}"), false);
    run(&format!("job record {job}"), true);
    let mut fields = 0;
    for ran in &outputs {
        for secret in secrets.iter().copied().chain([unique_id.as_str()]) {
            for stream in [&ran.stdout, &ran.stderr] {
                assert!(!stream.contains(secret), "`{secret}` shows:\n{}", ran.transcript());
            }
        }
        for line in ran.stdout.lines().chain(ran.stderr.lines()).filter(|line| line.starts_with('{')) {
            fields += strings(&serde_json::from_str(line).expect("JSON"), &secrets, &ran.transcript());
        }
    }
    assert!(fields > 200, "only {fields} fields were looked at");
    // The same job without `--redact` has them: the test looks for what is really there.
    let open = bench.run(&format!("job record {job}")).expect(0).stdout;
    for secret in [owner, consent, machine, serial, signer, note, reason] {
        assert!(open.contains(secret), "{secret} is in the record as people keep it");
    }
}

/// Looks at every string of a value, keys too, in any case of letters; answers how many there were.
fn strings(value: &serde_json::Value, secrets: &[&str], transcript: &str) -> usize {
    let look = |text: &str| {
        let text = text.to_lowercase();
        for secret in secrets {
            assert!(!text.contains(&secret.to_lowercase()), "`{secret}` in a field:\n{transcript}");
        }
        1
    };
    match value {
        serde_json::Value::String(text) => look(text),
        serde_json::Value::Array(list) => list.iter().map(|value| strings(value, secrets, transcript)).sum(),
        serde_json::Value::Object(map) => {
            map.iter().map(|(key, value)| look(key) + strings(value, secrets, transcript)).sum()
        }
        _ => 0,
    }
}

/// Names of files and contents, texts of recipes and profiles, arguments: whatever holds an escape sequence, no byte of it
/// reaches a terminal.
#[test]
fn escape_sequences_from_anywhere_do_not_reach_the_terminal() {
    let bench = Bench::with_chip();
    let evil = "evil\u{1b}]0;title\u{7}\u{9b}2J\u{202e}.bin";
    bench.write(evil, &noise(2, MIB));
    bench.write("short\u{1b}[2J.bin", &noise(2, 100));
    let turned = "nib.\u{202e}exe";
    bench.write(turned, &noise(3, MIB));
    let mut outputs = vec![
        bench.run(&format!("chip apply {evil} --link chip.toml")).expect(2),
        bench.run(&format!("chip apply {turned} --link chip.toml")).expect(0),
    ];
    let recipe = format!("[base]\nimage = \"sha256:{}\"\n[[keep]]\nregion = \"a\\u001b[31m\"\n", "0".repeat(64));
    bench.write("re\u{1b}[2J.toml", recipe.as_bytes());
    bench.write("chip\u{1b}[2J.toml", b"[chip]\nmarking = \"\\u001b[2J\"\ncontent = \"chip.bin\"\n");
    bench.write("profile.toml", b"[board]\nname = \"\\u001b[2J\"\nx\\u001b = 1\n");
    for command in [
        "vault list",
        &format!("vault show {turned}"),
        &format!("vault show {evil}"),
        &format!("vault show {evil} --json"),
        "vault show no\u{1b}[2J",
        &format!("vault export {evil} out\u{1b}[2J.bin"),
        "chip apply short\u{1b}[2J.bin --link chip.toml",
        "chip identify --link chip\u{1b}[2J.toml",
        "chip identify --link no\u{1b}[2J.toml",
        "image compose re\u{1b}[2J.toml",
        "profile check profile.toml",
        "profile check no\u{1b}[2J.toml --json",
        "job status no\u{1b}[2J",
        "job sign \u{1b}[2J --by a",
        "no\u{1b}[2Jcommand",
        "vault --no\u{1b}[2J",
        "demo --scene \u{1b}[2J",
        "demo --scene \u{1b}[2J --json",
        "vault list --bench no\u{1b}[2J/x",
    ] {
        outputs.push(bench.run(command));
    }
    for ran in outputs {
        let all = ran.stdout.chars().chain(ran.stderr.chars());
        let bad: Vec<char> =
            all.filter(|letter| letter.is_control() && *letter != '\n' || *letter == '\u{202e}').collect();
        assert!(bad.is_empty(), "{bad:?} from {:?}", ran.transcript());
    }
}
