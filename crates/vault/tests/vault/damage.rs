use super::*;
use serde_json::json;
use vault::{Filter, Journal};

/// Flips a bit at places all over every object, one at a time: scrub finds each, and a read gives an error or the truth.
#[test]
fn a_flipped_bit_in_any_object_is_found() {
    let bench = Bench::new();
    let content = [noise(1, CHUNK + 100), vec![0xFF; CHUNK], b"text ".repeat(4000)].concat();
    let id = bench.put("a", "main", &content);
    Journal::create(&bench.vault, &job("a"), json!({"n": 1}), "test", NOW).unwrap().seal(NOW).unwrap();
    bench.put("b", "gone", b"to be forgotten");
    bench.vault.forget(&job("b"), "Ada", "given back", NOW).unwrap();
    assert!(bench.scrub().is_sound());

    let objects = bench.files("objects");
    let rooms = ["packs/", "parity/", "manifests/", "journals/", "notes/", "twin/notes/"];
    assert!(rooms.iter().all(|room| objects.iter().any(|path| path.to_string_lossy().contains(room))), "{objects:?}");
    for path in &objects {
        let len = usize::try_from(fs::metadata(path).unwrap().len()).unwrap();
        for step in 0..24 {
            let at = step * (len - 1) / 23;
            flip(path, at);
            assert!(!bench.scrub().is_sound(), "bit flipped in {} at {at}", path.display());
            match bench.vault.read_vec(&id) {
                Ok(read) => assert_eq!(read, content, "bit flipped in {} at {at}", path.display()),
                Err(error) => assert!(is_damage(&error), "bit flipped in {} at {at}: {error}", path.display()),
            }
            flip(path, at);
        }
    }
    assert!(bench.scrub().is_sound());
}

#[test]
fn damage_names_object_chunk_and_offset() {
    let bench = Bench::new();
    let content = noise(2, 3 * CHUNK);
    let id = bench.put("a", "main", &content);
    let pack = bench.only_file(".pack");
    flip(&pack, 16 + 2 * CHUNK + 5);
    let mut read = Vec::new();
    let error = bench.vault.read(&id, &mut read).unwrap_err();
    let VaultError::Damaged { object, chunk, at, .. } = &error else { panic!("{error}") };
    assert!(object.ends_with(pack.file_name().unwrap().to_str().unwrap()), "{object}");
    assert_eq!(*chunk, Some(Digest::blake3(&content[2 * CHUNK..])));
    assert_eq!(*at, Some(2 * CHUNK as u64));
    assert_eq!(read, content[..2 * CHUNK], "only good chunks are written");
}

#[test]
fn a_missing_or_cut_pack_is_damage() {
    let bench = Bench::new();
    let id = bench.put("a", "main", &noise(3, CHUNK));
    let pack = bench.only_file(".pack");
    let bytes = fs::read(&pack).unwrap();
    for len in [0, 10, 60, bytes.len() / 2, bytes.len() - 1] {
        fs::write(&pack, &bytes[..len]).unwrap();
        assert!(is_damage(&bench.vault.read_vec(&id).unwrap_err()), "cut to {len}");
        assert!(!bench.scrub().is_sound(), "cut to {len}");
    }
    fs::remove_file(&pack).unwrap();
    assert!(is_damage(&bench.vault.read_vec(&id).unwrap_err()));
    assert!(!bench.scrub().is_sound());
}

#[test]
fn a_damaged_manifest_shows_in_the_list_and_on_reading() {
    let bench = Bench::new();
    let id = bench.put("a", "main", b"content");
    flip_both(&bench.only_file("manifests/"), 40);
    bench.put("a", "other", b"other");
    fs::remove_file(bench.root().join("index.sqlite")).unwrap();
    let listing = bench.vault.list(&Filter::default()).unwrap();
    assert_eq!((listing.items.len(), listing.unreadable.len()), (1, 1));
    assert!(is_damage(&bench.vault.read_vec(&id).unwrap_err()));
}

#[test]
fn s1_a_put_does_not_lean_on_a_damaged_chunk() {
    let bench = Bench::new();
    let content = noise(4, 2 * CHUNK);
    let id = bench.put("a", "main", &content);
    let pack = bench.only_file(".pack");
    flip(&pack, 20);
    let again = bench.vault.put(&content[..], &request("b", "main")).unwrap();
    assert_eq!((again.id, again.new_chunks), (id, 1));
    assert_eq!(bench.vault.read_vec(&id).unwrap(), content, "the good copy serves both");
    assert!(pack.exists(), "nothing is overwritten");
    assert_eq!(bench.scrub().damaged.len(), 1);
}

#[test]
fn s2_damaged_objects_are_not_overwritten_by_equal_ones() {
    let bench = Bench::new();
    let content = noise(5, CHUNK);
    let id = bench.put("a", "main", &content);
    let (pack, manifest) = (bench.only_file(".pack"), bench.only_file("manifests/"));
    flip(&pack, 20);
    flip_both(&manifest, 40);
    let damaged = (fs::read(&pack).unwrap(), fs::read(&manifest).unwrap());
    // Same chunk, same request: both objects would get the names of the damaged ones.
    assert_eq!(bench.put("a", "main", &content), id);
    assert_eq!(bench.vault.read_vec(&id).unwrap(), content);
    assert_eq!((fs::read(&pack).unwrap(), fs::read(&manifest).unwrap()), damaged);
}

/// A manifest whose own hash is right and whose content is not what it says: only the hashes over the whole show it.
#[test]
fn a_manifest_that_lies_about_its_content_is_found() {
    let bench = Bench::new();
    let content = noise(6, 2 * CHUNK);
    let id = bench.put("a", "main", &content);
    let path = bench.only_file("manifests/");
    let honest: serde_json::Value = serde_json::from_slice(&fs::read(&path).unwrap()).unwrap();
    remove_both(&path);

    let store = |manifest: &serde_json::Value| {
        let bytes = serde_json::to_vec(manifest).unwrap();
        let path = path.with_file_name(format!("{}.json", Digest::blake3(&bytes)));
        write_both(&path, bytes);
        path
    };
    let mut swapped = honest.clone();
    swapped["chunks"].as_array_mut().unwrap().swap(0, 1);
    let stored = store(&swapped);
    assert!(is_damage(&bench.vault.read_vec(&id).unwrap_err()));
    assert_eq!(bench.scrub().damaged.len(), 1);
    remove_both(&stored);

    let mut other_sha256 = honest.clone();
    other_sha256["sha256"] = json!(Digest([7; 32]));
    let stored = store(&other_sha256);
    assert_eq!(bench.scrub().damaged.len(), 1);
    remove_both(&stored);

    let mut newer = honest;
    newer["format"] = json!(2);
    store(&newer);
    assert!(matches!(bench.vault.read_vec(&id), Err(VaultError::NewerFormat { found: 2, .. })));
}
