use super::*;
use bytes::Bytes;
use sha2::{Digest as _, Sha256};
use std::io::{self, Read as _};
use vault::{ErrorKind, Filter, Hashes, LARGEST};

#[test]
fn every_size_comes_back() {
    let bench = Bench::new();
    for len in [0, 1, CHUNK - 1, CHUNK, CHUNK + 1, 3 * CHUNK + 17] {
        let content = noise(len as u64, len);
        let stored = bench.vault.put(&content[..], &request("a", &format!("size {len}"))).unwrap();
        assert_eq!((stored.size, stored.id), (len as u64, Digest::blake3(&content)));
        assert_eq!(bench.vault.read_vec(&stored.id).unwrap(), content, "size {len}");
    }
    assert!(bench.scrub().is_sound());
}

#[test]
fn large_content_with_repeats_is_cut_once() {
    let bench = Bench::new();
    let (a, b) = (noise(1, CHUNK), noise(2, CHUNK));
    let mut content = noise(3, 1024 * 1024);
    for _ in 0..32 {
        content.extend_from_slice(&a);
        content.extend_from_slice(&b);
    }
    content.extend_from_slice(&noise(4, 1000));
    let stored = bench.vault.put(&content[..], &request("a", "main")).unwrap();
    assert_eq!(stored.new_chunks, 16 + 2 + 1);
    assert_eq!(bench.vault.read_vec(&stored.id).unwrap(), content);
}

#[test]
fn sha256_is_that_of_the_published_vector() {
    // FIPS 180-2, appendix B.1: SHA-256 of "abc".
    let stored = Bench::new().vault.put(&b"abc"[..], &request("a", "main")).unwrap();
    assert_eq!(stored.sha256.to_string(), "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad");
}

#[test]
fn a_blank_chip_costs_almost_nothing() {
    let bench = Bench::new();
    let blank = vec![0xFF; 16 * 1024 * 1024];
    let id = bench.put("a", "port", &blank);
    let bytes: u64 = bench.files("objects").iter().map(|path| fs::metadata(path).unwrap().len()).sum();
    // Most of it is the parity, whose shards have a least size.
    assert!(bytes < 16 * 1024, "{bytes} bytes for a blank chip");
    assert_eq!(bench.vault.read_vec(&id).unwrap(), blank);
}

#[test]
fn the_same_content_under_two_jobs_is_two_manifests_and_one_set_of_chunks() {
    let bench = Bench::new();
    let content = noise(5, 3 * CHUNK);
    let first = bench.vault.put(&content[..], &request("a", "main")).unwrap();
    let second = bench.vault.put(&content[..], &request("b", "main again")).unwrap();
    assert_eq!((first.new_chunks, second.new_chunks, second.new_bytes), (3, 0, 0));
    assert_eq!(first.id, second.id);
    assert_eq!(bench.files(".pack").len(), 1);
    let shown = bench.vault.show(&first.id).unwrap();
    let jobs: Vec<_> = shown.iter().map(|manifest| manifest.job.clone().unwrap()).collect();
    assert_eq!(jobs.len(), 2);
    assert!(jobs.contains(&job("a")) && jobs.contains(&job("b")));
    assert_eq!(shown[0].facts["passes"], 2);
}

#[test]
fn s2_the_same_put_again_changes_nothing() {
    let bench = Bench::new();
    bench.put("a", "main", b"content");
    let before = bench.files("objects");
    bench.put("a", "main", b"content");
    assert_eq!(bench.files("objects"), before);
}

#[test]
fn s2_a_put_cut_off_between_pack_and_manifest_can_be_run_again() {
    let bench = Bench::new();
    let content = noise(6, 2 * CHUNK);
    let id = bench.put("a", "main", &content);
    remove_both(&bench.only_file("manifests/"));
    assert!(matches!(bench.vault.read_vec(&id), Err(VaultError::NotFound { .. })));
    let scrub = bench.scrub();
    assert!(scrub.is_sound());
    assert_eq!((scrub.unreferenced.len(), scrub.unreferenced[0].chunks), (1, 2));

    let again = bench.vault.put(&content[..], &request("a", "main")).unwrap();
    assert_eq!((again.id, again.new_chunks), (id, 0));
    assert_eq!(bench.vault.read_vec(&id).unwrap(), content);
    assert!(bench.scrub().unreferenced.is_empty());
}

#[test]
fn s2_files_of_interrupted_writes_are_ignored_and_told_and_a_repair_removes_them() {
    let bench = Bench::new();
    let id = bench.put("a", "main", b"content");
    let pack = bench.only_file(".pack");
    let staging = PathBuf::from(format!("{}#1", pack.display()));
    fs::write(&staging, b"half a pack").unwrap();
    assert_eq!(bench.vault.read_vec(&id).unwrap(), b"content");
    let scrub = bench.scrub();
    assert!(scrub.is_sound() && scrub.leftovers.len() == 1, "{scrub:?}");
    bench.put("a", "other", b"other content");
    assert!(staging.exists());
    // Nobody reads or writes beside a repair, so it may take them away.
    let scrub = bench.vault.repair(NOW, &mut |_| {}).expect("a repair");
    assert!(scrub.is_sound() && scrub.leftovers.is_empty() && scrub.repaired.is_empty(), "{scrub:?}");
    assert!(!staging.exists());
    assert_eq!(bench.vault.read_vec(&id).unwrap(), b"content");
}

#[test]
fn content_is_found_by_id_prefix_and_by_name() {
    let bench = Bench::new();
    let id = bench.put("a", "main as found", b"content");
    let text = id.to_string();
    for asked in [&text[..], &text[..6], &text[..9].to_uppercase(), "main as found"] {
        assert_eq!(bench.vault.find(asked).unwrap(), id, "{asked}");
    }
    for asked in [&text[..5], "main", "ffffff", ""] {
        let error = bench.vault.find(asked).unwrap_err();
        assert!(matches!(error, VaultError::NotFound { .. }), "{asked}: {error}");
        assert!(error.hint().unwrap().contains("vault list"));
    }
    bench.put("b", "main as found", b"other content");
    let error = bench.vault.find("main as found").unwrap_err();
    assert!(matches!(&error, VaultError::Ambiguous { candidates, .. } if candidates.len() == 2), "{error}");
    assert!(error.to_string().contains("of job b"), "{error}");
}

#[test]
fn two_ids_with_one_prefix_are_ambiguous() {
    // Two contents whose BLAKE3 begins with the same six digits, found by counting (a birthday in 2^24).
    let mut seen = std::collections::HashMap::new();
    let (first, second) = (0_u64..)
        .find_map(|number| {
            let prefix = Digest::blake3(&number.to_le_bytes()).to_string()[..6].to_owned();
            seen.insert(prefix, number).map(|first| (first, number))
        })
        .unwrap();
    let bench = Bench::new();
    let id = bench.put("a", "first", &first.to_le_bytes());
    bench.put("a", "second", &second.to_le_bytes());
    assert!(matches!(bench.vault.find(&id.to_string()[..6]), Err(VaultError::Ambiguous { .. })));
    assert_eq!(bench.vault.find(&id.to_string()).unwrap(), id);
}

#[test]
fn the_list_is_narrowed_by_job_kind_and_name() {
    let bench = Bench::new();
    bench.put("a", "main", b"1");
    bench.put("b", "main", b"2");
    let image =
        PutRequest { kind: Kind::Image, job: None, taken_at: "2026-03-02T00:00:00Z".to_owned(), ..request("a", "new") };
    bench.vault.put(&b"3"[..], &image).unwrap();
    let names = |filter: Filter| -> Vec<String> {
        let listing = bench.vault.list(&filter).unwrap();
        assert!(listing.unreadable.is_empty());
        listing.items.into_iter().map(|item| item.name).collect()
    };
    assert_eq!(names(Filter::default()), ["new", "main", "main"]);
    assert_eq!(names(Filter { job: Some(job("b")), ..Filter::default() }), ["main"]);
    assert_eq!(names(Filter { kind: Some(Kind::Image), ..Filter::default() }), ["new"]);
    assert_eq!(names(Filter { name: Some("main".to_owned()), kind: Some(Kind::Image), ..Filter::default() }).len(), 0);
    assert_eq!(names(Filter { id: Some(Digest::blake3(b"3")), ..Filter::default() }), ["new"]);
    // SHA-256 of the one byte "3": `printf 3 | sha256sum` of Debian's coreutils.
    let sha256 = "4e07408562bedb8b60ce05c1decfe3ad16b72230967de01f640b7e4729b49fce".parse().ok();
    assert_eq!(names(Filter { sha256, ..Filter::default() }), ["new"]);
}

#[test]
fn deleting_the_index_loses_nothing_and_a_ruined_one_mends_itself() {
    let bench = Bench::new();
    let content = noise(7, CHUNK + 5);
    let id = bench.put("a", "main", &content);
    let index = bench.root().join("index.sqlite");
    let before = bench.vault.list(&Filter::default()).unwrap().items;

    let check = |what: &str| {
        assert_eq!(bench.vault.list(&Filter::default()).unwrap().items, before, "{what}");
        assert_eq!(bench.vault.find("main").unwrap(), id, "{what}");
        assert_eq!(bench.vault.read_vec(&id).unwrap(), content, "{what}");
    };
    fs::remove_file(&index).unwrap();
    check("deleted");
    assert!(index.exists());
    fs::write(&index, b"this is no database, but it is long enough to be looked at as one".repeat(99)).unwrap();
    check("overwritten");
    fs::write(&index, &fs::read(&index).unwrap()[..5000]).unwrap();
    check("cut short");
    let other = rusqlite::Connection::open(&index).unwrap();
    other.execute_batch("DROP TABLE manifests; PRAGMA user_version = 99").unwrap();
    drop(other);
    check("another schema");
}

#[test]
fn an_index_that_lies_is_not_believed() {
    let bench = Bench::new();
    let content = noise(8, 2 * CHUNK);
    let id = bench.put("a", "main", &content);
    let index = bench.root().join("index.sqlite");
    let edit = |sql: &str| rusqlite::Connection::open(&index).unwrap().execute_batch(sql).unwrap();

    bench.vault.list(&Filter::default()).unwrap();
    edit("DELETE FROM chunks");
    assert_eq!(bench.vault.read_vec(&id).unwrap(), content);
    edit("UPDATE manifests SET id = replace(id, 'a', 'b'), name = 'else'");
    assert_eq!(bench.vault.read_vec(&id).unwrap(), content);
    edit("UPDATE manifests SET id = replace(id, 'a', 'b'), name = 'else'");
    assert_eq!(bench.vault.find("main").unwrap(), id);
    // The index says that a chunk is held, and it is not: the put must store it.
    let new = noise(9, CHUNK);
    let claim = format!("INSERT INTO chunks SELECT x'{}', number FROM packs", Digest::blake3(&new));
    edit(&claim);
    let stored = bench.vault.put(&new[..], &request("a", "new")).unwrap();
    assert_eq!(stored.new_chunks, 1);
    assert_eq!(bench.vault.read_vec(&stored.id).unwrap(), new);
}

#[test]
fn s15_an_export_is_whole_private_and_replaces_only_when_told() {
    use std::os::unix::fs::PermissionsExt;
    let bench = Bench::new();
    let id = bench.put("a", "main", b"content");
    let target = bench.dir.path().join("out.bin");
    bench.vault.export(&id, &target, false).unwrap();
    assert_eq!(fs::read(&target).unwrap(), b"content");
    assert_eq!(fs::metadata(&target).unwrap().permissions().mode() & 0o777, 0o600);

    fs::write(&target, b"mine").unwrap();
    assert!(matches!(bench.vault.export(&id, &target, false), Err(VaultError::Exists { .. })));
    assert_eq!(fs::read(&target).unwrap(), b"mine");
    bench.vault.export(&id, &target, true).unwrap();
    assert_eq!(fs::read(&target).unwrap(), b"content");

    flip(&bench.only_file(".pack"), 17);
    let broken = bench.dir.path().join("broken.bin");
    assert!(is_damage(&bench.vault.export(&id, &broken, false).unwrap_err()));
    assert!(!broken.exists());
    let left = fs::read_dir(bench.dir.path()).unwrap().count();
    assert_eq!(left, 2, "bench and out.bin, and nothing temporary");
}

#[test]
fn wrong_requests_are_told_apart_from_failures() {
    let bench = Bench::new();
    let mut bad = request("a", "two\nlines");
    assert!(matches!(bench.vault.put(&b""[..], &bad), Err(VaultError::BadName { .. })));
    bad = PutRequest { taken_at: "today".to_owned(), ..request("a", "main") };
    assert_eq!(bench.vault.put(&b""[..], &bad).unwrap_err().kind(), ErrorKind::Request);
    let error = bench.vault.put(io::repeat(0).take(LARGEST + 1), &request("a", "main")).unwrap_err();
    assert!(matches!(error, VaultError::TooLarge { .. }), "{error}");
    assert!(bench.files(".pack").is_empty());
}

#[test]
fn a_reader_or_writer_of_the_caller_that_fails_is_named() {
    struct Fails;
    impl io::Read for Fails {
        fn read(&mut self, _: &mut [u8]) -> io::Result<usize> {
            Err(io::Error::other("the link is gone"))
        }
    }
    impl io::Write for Fails {
        fn write(&mut self, _: &[u8]) -> io::Result<usize> {
            Err(io::Error::other("the pipe is closed"))
        }
        fn flush(&mut self) -> io::Result<()> {
            Ok(())
        }
    }
    let bench = Bench::new();
    let id = bench.put("a", "main", b"content");
    assert!(matches!(bench.vault.put(Fails, &request("a", "x")), Err(VaultError::Input { .. })));
    assert!(matches!(bench.vault.read(&id, &mut Fails), Err(VaultError::Output { .. })));
}

/// The content in pieces of `len` bytes.
fn pieces(content: &[u8], len: usize) -> impl Iterator<Item = io::Result<Bytes>> {
    content.chunks(len).map(|piece| Ok(Bytes::copy_from_slice(piece)))
}

fn hashes(content: &[u8]) -> Hashes {
    Hashes { blake3: Digest::blake3(content), sha256: Digest(Sha256::digest(content).into()) }
}

#[test]
fn what_is_prepared_and_not_put_leaves_nothing() {
    let bench = Bench::new();
    let content = noise(5, 3 * CHUNK + 77);
    let before = bench.files("").len();
    drop(bench.vault.prepare(pieces(&content, CHUNK), "x").expect("read"));
    let failing = pieces(&content, CHUNK).chain([Err(io::Error::other("pulled"))]);
    assert!(matches!(bench.vault.prepare(failing, "x"), Err(VaultError::Input { .. })));
    // The index is not truth.
    let files = || bench.files("").into_iter().filter(|file| !file.to_string_lossy().contains("index")).count();
    assert_eq!(files(), before);
    let prepared = bench.vault.prepare(pieces(&content, CHUNK), "x").expect("read");
    let stored = bench.vault.put_prepared(prepared, hashes(&content), &request("a", "x")).expect("a put");
    assert_eq!(bench.vault.read_vec(&stored.id).expect("sound"), content);
}

#[test]
fn nobody_forgets_while_something_is_prepared() {
    let bench = Bench::new();
    bench.put("a", "x", &noise(5, CHUNK));
    let prepared = bench.vault.prepare(pieces(&noise(5, CHUNK), CHUNK), "x").expect("read");
    // Its only chunk is held, by job a alone.
    assert!(matches!(bench.vault.forget(&job("a"), "Ada", "given back", NOW), Err(VaultError::Busy { .. })));
    let stored = bench.vault.put_prepared(prepared, hashes(&noise(5, CHUNK)), &request("b", "x")).expect("a put");
    bench.vault.forget(&job("a"), "Ada", "given back", NOW).expect("nobody is at it");
    assert_eq!(bench.vault.read_vec(&stored.id).expect("sound"), noise(5, CHUNK));
}

#[test]
fn hashes_that_somebody_else_made_are_checked_by_every_read() {
    let bench = Bench::new();
    let content = noise(6, 40 * CHUNK + 5);
    let id = bench.put("a", "x", &content);
    // The same request again changes nothing, whoever made the hashes.
    let before = bench.files("");
    let prepare = || bench.vault.prepare(pieces(&content, 10 * CHUNK), "x").expect("read");
    let again = bench.vault.put_prepared(prepare(), hashes(&content), &request("a", "x")).expect("a put");
    assert_eq!((again.id, again.new_chunks), (id, 0));
    assert_eq!(bench.files(""), before);
    let wrong = Hashes { blake3: Digest::blake3(b"something else"), ..hashes(&content) };
    let put = bench.vault.put_prepared(prepare(), wrong, &request("b", "y")).expect("a put");
    assert!(matches!(bench.vault.read_vec(&put.id), Err(VaultError::Damaged { .. })));
    assert_eq!(bench.vault.read_vec(&id).expect("sound"), content);
}

#[test]
fn a_pack_is_the_same_whatever_pieces_its_content_comes_in() {
    // Several batches of chunks; some come again, some pack, some are there already, and the last is short.
    let mut content = noise(7, 530 * CHUNK + 1234);
    content.copy_within(..20 * CHUNK, 300 * CHUNK);
    content[100 * CHUNK..140 * CHUNK + 99].fill(0xFF);
    let there = content[500 * CHUNK..502 * CHUNK].to_vec();
    let mut names = Vec::new();
    for len in [1000, CHUNK, 5 * CHUNK + 3, 16 * CHUNK, content.len()] {
        let bench = Bench::new();
        bench.put("b", "there", &there);
        let prepared = bench.vault.prepare(pieces(&content, len), "x").expect("read");
        let stored = bench.vault.put_prepared(prepared, hashes(&content), &request("a", "x")).expect("a put");
        // Blank chunks are one; so are those that come again.
        assert_eq!(stored.new_chunks, 531 - 20 - 39 - 2, "pieces of {len}");
        assert!(bench.vault.read_vec(&stored.id).expect("sound") == content, "pieces of {len}");
        assert!(bench.vault.scrub(&mut |_| {}).expect("a scrub").is_sound(), "pieces of {len}");
        let files = [bench.files("/packs/"), bench.files("/parity/")].concat();
        names.push(files.iter().map(|file| file.file_name().expect("a name").to_owned()).collect::<Vec<_>>());
    }
    assert!(names.iter().all(|name| *name == names[0] && name.len() == 4), "{names:?}");
}
