use super::*;
use serde_json::json;
use vault::{Filter, Journal};

/// Returns the files that hold `needle`.
fn files_with(bench: &Bench, needle: &[u8]) -> Vec<PathBuf> {
    let holds = |path: &PathBuf| fs::read(path).unwrap().windows(needle.len()).any(|window| window == needle);
    all_files(bench.root()).into_iter().filter(holds).collect()
}

#[test]
fn s15_forgotten_bytes_and_names_are_gone_from_the_folder() {
    let bench = Bench::new();
    let marker = b"SERIAL-77-QUINCE";
    // Noise in front keeps the chunk raw, so that the marker stands in the pack as it is.
    let secret = [noise(1, 5000), marker.to_vec()].concat();
    let shared = noise(2, CHUNK);
    let gone = bench.put("a", "serial SERIAL-77-QUINCE", &[&shared[..], &secret].concat());
    let kept = bench.put("b", "main", &[&shared[..], b"what b has"].concat());
    let facts = PutRequest { facts: json!({"serial": "SERIAL-77-QUINCE"}), ..request("a", "facts") };
    bench.vault.put(&b"small"[..], &facts).unwrap();
    Journal::create(&bench.vault, &job("a"), json!({"serial": "SERIAL-77-QUINCE"}), "test", NOW).unwrap();
    bench.vault.list(&Filter::default()).unwrap();
    let pack = bench.files(".pack").remove(0);
    fs::write(format!("{}#3", pack.display()), marker).unwrap();
    let chunk = Digest::blake3(&secret);
    assert!(files_with(&bench, marker).len() >= 5, "{:?}", files_with(&bench, marker));
    assert!(!files_with(&bench, &chunk.0).is_empty());

    let report = bench.vault.forget(&job("a"), "Ada", "the owner asked", NOW).unwrap();
    assert_eq!(files_with(&bench, marker), [] as [PathBuf; 0]);
    assert_eq!(files_with(&bench, &chunk.0), [] as [PathBuf; 0]);
    assert_eq!(files_with(&bench, chunk.to_string().as_bytes()), [] as [PathBuf; 0]);
    assert_eq!((report.chunks_removed, report.contents.len(), report.resumed), (2, 2, false));
    assert_eq!(report.bytes_removed, (secret.len() + 5) as u64);
    assert!(bench.vault.journals().unwrap().is_empty());
    assert!(matches!(bench.vault.read_vec(&gone), Err(VaultError::NotFound { .. })));
    assert_eq!(bench.vault.read_vec(&kept).unwrap()[..CHUNK], shared);
    let scrub = bench.scrub();
    assert!(scrub.is_sound() && scrub.unreferenced.is_empty() && scrub.leftovers.is_empty(), "{scrub:?}");
}

#[test]
fn s15_what_another_job_shares_stays_whole() {
    let bench = Bench::new();
    let content = noise(3, 2 * CHUNK);
    let id = bench.put("a", "main", &content);
    bench.put("b", "main", &content);
    let report = bench.vault.forget(&job("a"), "Ada", "given back", NOW).unwrap();
    assert_eq!((report.chunks_removed, report.contents[0].shared), (0, true));
    assert_eq!(bench.vault.read_vec(&id).unwrap(), content);
    assert_eq!(bench.vault.show(&id).unwrap().len(), 1);
}

#[test]
fn s15_the_note_is_signed_chained_and_says_what_went() {
    let bench = Bench::new();
    let id = bench.put("a", "main", b"content");
    bench.put("b", "main", b"other");
    bench.vault.forget(&job("a"), "Ada", "given back", NOW).unwrap();
    let report = bench.vault.forget(&job("b"), "Bo", "sold", NOW).unwrap();
    let notes = bench.vault.notes().unwrap();
    assert_eq!((notes.len(), report.note), (4, 3));
    assert_eq!(notes[2].prev, notes[1].hash);
    let body = &notes[0].body;
    assert_eq!((&body["job"], &body["by"], &body["why"]), (&json!("a"), &json!("Ada"), &json!("given back")));
    assert_eq!(body["contents"], json!([{"id": id, "size": 7, "kind": "capture", "shared": false}]));
    assert_eq!(notes[0].time, NOW);

    remove_both(&bench.files("notes/")[1]);
    assert!(is_damage(&bench.vault.notes().unwrap_err()));
}

#[test]
fn s15_forgetting_needs_a_signature_and_something_to_forget() {
    let bench = Bench::new();
    bench.put("a", "main", b"content");
    for (by, why) in [("", "given back"), ("Ada", " ")] {
        assert!(matches!(bench.vault.forget(&job("a"), by, why, NOW), Err(VaultError::BadName { .. })));
    }
    assert!(matches!(bench.vault.forget(&job("b"), "Ada", "given back", NOW), Err(VaultError::NotFound { .. })));
    bench.vault.forget(&job("a"), "Ada", "given back", NOW).unwrap();
    assert!(matches!(bench.vault.forget(&job("a"), "Ada", "given back", NOW), Err(VaultError::NotFound { .. })));
    assert_eq!(bench.vault.notes().unwrap().len(), 2);
}

#[test]
fn s15_a_job_at_work_is_not_forgotten() {
    let bench = Bench::new();
    bench.put("a", "main", b"content");
    let journal = Journal::create(&bench.vault, &job("a"), json!({}), "firmhand chip apply", NOW).unwrap();
    let error = bench.vault.forget(&job("a"), "Ada", "given back", NOW).unwrap_err();
    assert!(error.to_string().contains("firmhand chip apply"), "{error}");
    drop(journal);
    bench.vault.forget(&job("a"), "Ada", "given back", NOW).unwrap();
}

#[test]
fn s15_nothing_goes_while_it_cannot_be_told_what_is_shared() {
    let bench = Bench::new();
    let kept = bench.put("a", "main", b"content");
    bench.put("b", "main", b"other");
    for part in ["manifests/", ".pack"] {
        let path = bench.files(part).remove(0);
        let at = usize::try_from(fs::metadata(&path).unwrap().len()).unwrap() - 5;
        let flip = |path: &Path, at| if part == ".pack" { flip(path, at) } else { flip_both(path, at) };
        flip(&path, at);
        let before = bench.files("objects");
        assert!(is_damage(&bench.vault.forget(&job("b"), "Ada", "given back", NOW).unwrap_err()), "{part}");
        assert_eq!(bench.files("objects"), before, "{part}");
        flip(&path, at);
    }
    bench.vault.forget(&job("b"), "Ada", "given back", NOW).unwrap();
    assert_eq!(bench.vault.read_vec(&kept).unwrap(), b"content");
}

#[test]
fn s15_chunks_of_a_put_that_was_cut_off_go_too() {
    let bench = Bench::new();
    bench.put("a", "main", b"content");
    let manifest = bench.only_file("manifests/");
    bench.put("a", "other", b"other");
    remove_both(&manifest);
    let report = bench.vault.forget(&job("a"), "Ada", "given back", NOW).unwrap();
    assert_eq!((report.chunks_removed, report.contents.len()), (2, 1));
    assert!(bench.files(".pack").is_empty());
}
