//! What `repair` promises, each piece of it damaged in turn: it comes back bit for bit, and until then nothing that reads
//! it believes it.

use super::*;
use serde_json::json;
use std::io::{Seek, SeekFrom, Write};
use vault::{Filter, Journal, Repair};

/// A bench with one of everything; `chunks` is how large its content is.
struct Full {
    bench: Bench,
    id: Digest,
    content: Vec<u8>,
    before: Vec<(PathBuf, Vec<u8>)>,
}

impl Full {
    fn new(chunks: usize) -> Self {
        let bench = Bench::new();
        let content = noise(1, chunks * CHUNK + 100);
        let id = bench.put("a", "main", &content);
        Journal::create(&bench.vault, &job("a"), json!({"n": 1}), "test", NOW).unwrap().seal(NOW).unwrap();
        let mut open = Journal::create(&bench.vault, &job("c"), json!({}), "test", NOW).unwrap();
        for n in 0..3 {
            open.append("note", json!({ "n": n }), NOW).unwrap();
        }
        drop(open);
        bench.put("b", "gone", b"to be forgotten");
        bench.vault.forget(&job("b"), "Ada", "given back", NOW).unwrap();
        assert!(bench.scrub().is_sound());
        let before = truth(&bench);
        Self { bench, id, content, before }
    }

    /// Damage was done: scrub tells it and changes nothing, repair mends it and notes it, all is as it was.
    #[track_caller]
    fn comes_back(&self, what: &str) {
        let damaged = truth(&self.bench);
        let report = self.bench.scrub();
        assert!(!report.is_sound(), "{what}: not found");
        assert!(report.damaged.iter().all(|damage| damage.repairable), "{what}: {:?}", report.damaged);
        assert!(truth(&self.bench) == damaged, "{what}: scrub changed something");

        let notes = self.bench.vault.notes().unwrap().len();
        let report = self.bench.vault.repair(NOW, &mut |_| {}).unwrap();
        assert!(report.is_sound() && !report.repaired.is_empty(), "{what}: {report:?}");
        let after = truth(&self.bench);
        for (path, bytes) in &self.before {
            let found = after.iter().find(|(other, _)| other == path);
            assert!(found.is_some_and(|(_, found)| found == bytes), "{what}: {} is not as it was", path.display());
        }
        assert_eq!(self.bench.vault.read_vec(&self.id).unwrap(), self.content, "{what}");
        let new = &self.bench.vault.notes().unwrap()[notes..];
        assert_eq!(new.iter().map(|note| note.kind.as_str()).collect::<Vec<_>>(), ["repair-begun", "repair-done"]);
        assert_eq!(new[1].body["objects"][0]["object"], report.repaired[0].object.as_str());
        assert!(
            self.bench.vault.repair(NOW, &mut |_| {}).unwrap().repaired.is_empty(),
            "{what}: the second finds none"
        );
    }
}

/// Returns every file that is truth, with its bytes.
fn truth(bench: &Bench) -> Vec<(PathBuf, Vec<u8>)> {
    let files = all_files(bench.root()).into_iter();
    let truth = files.filter(|path| !["sqlite", "lock"].iter().any(|kind| path.to_string_lossy().contains(kind)));
    truth.map(|path| (path.clone(), fs::read(&path).unwrap())).collect()
}

/// Overwrites `len` bytes with others.
fn smash(path: &Path, from: u64, len: u64) {
    let mut bytes = fs::read(path).unwrap();
    let range = usize::try_from(from).unwrap()..usize::try_from((from + len).min(bytes.len() as u64)).unwrap();
    bytes[range].iter_mut().for_each(|byte| *byte = !*byte);
    let mut file = fs::OpenOptions::new().write(true).open(path).unwrap();
    file.seek(SeekFrom::Start(0)).unwrap();
    file.write_all(&bytes).unwrap();
}

/// As the documentation of the format says it.
fn shard_of(pack: &Path) -> u64 {
    fs::metadata(pack).unwrap().len().div_ceil(30).next_multiple_of(64).max(4096)
}

#[test]
fn s2_each_damaged_shard_of_thirty_comes_back() {
    // 2 MiB and more: every one of the thirty shards holds data. The first holds the head, the last the index.
    let full = Full::new(33);
    let pack = full.bench.only_file(".pack");
    let shard = shard_of(&pack);
    assert!(shard > 65536, "more than one window in a shard");
    for number in 0..30 {
        smash(&pack, number * shard, shard);
        full.comes_back(&format!("data shard {number}"));
    }
}

#[test]
fn s2_any_run_of_damage_as_long_as_a_shard_comes_back_wherever_it_begins() {
    let full = Full::new(4);
    for path in [full.bench.only_file(".pack"), full.bench.only_file(".parity")] {
        let (len, shard) = (fs::metadata(&path).unwrap().len(), shard_of(&full.bench.only_file(".pack")));
        for from in (0..len).step_by(usize::try_from(shard / 3).unwrap()) {
            smash(&path, from, shard);
            full.comes_back(&format!("{} from {from} on", path.display()));
        }
    }
}

#[test]
fn s2_any_two_shards_of_32_come_back_and_three_are_told_with_what_is_lost() {
    let full = Full::new(4);
    let pack = full.bench.only_file(".pack");
    let parity = full.bench.only_file(".parity");
    let shard = shard_of(&pack);
    for (a, b) in [(0, 1), (0, 29), (3, 17)] {
        smash(&pack, a * shard + 5, 1);
        smash(&pack, b * shard + 5, 1);
        full.comes_back(&format!("data shards {a} and {b}"));
    }
    smash(&pack, 7 * shard, 1);
    smash(&parity, 1112 + shard, 1);
    full.comes_back("a data shard and a parity shard");

    for number in [5, 6, 20] {
        smash(&pack, number * shard, 1);
    }
    let damaged = fs::read(&pack).unwrap();
    let error = full.bench.vault.read_vec(&full.id).unwrap_err();
    let VaultError::Damaged { repair: Repair::Impossible { lost }, .. } = &error else { panic!("{error:?}") };
    // Shards 5, 6 and 20 lie in chunks 0 (5 and 6 begin below 64 KiB) and 2 of this pack: what no compression moved.
    let chunk = |number: u64| number * shard / CHUNK as u64 * CHUNK as u64;
    let want: Vec<(u64, u64)> = [chunk(5), chunk(20)].iter().map(|from| (*from, from + CHUNK as u64)).collect();
    assert_eq!(**lost, want, "{error}");
    assert!(error.to_string().contains("lost of the content: 0x0 to 0xffff"), "{error}");
    assert!(error.hint().unwrap().contains("copy of the bench"));
    let report = full.bench.vault.repair(NOW, &mut |_| {}).unwrap();
    assert!(!report.is_sound() && report.repaired.is_empty());
    assert!(report.damaged.iter().all(|damage| !damage.repairable), "{:?}", report.damaged);
    assert_eq!(fs::read(&pack).unwrap(), damaged, "what cannot come back stays as it is");
}

#[test]
fn s2_a_small_pack_comes_back_even_as_a_whole_and_so_does_every_parity() {
    let bench = Bench::new();
    let id = bench.put("a", "main", b"a small content");
    for part in [".pack", ".parity"] {
        let path = bench.only_file(part);
        let before = fs::read(&path).unwrap();
        for cut in [0, 1, before.len() / 2, before.len() - 1] {
            fs::write(&path, &before[..cut]).unwrap();
            assert!(bench.vault.repair(NOW, &mut |_| {}).unwrap().is_sound(), "{part} cut to {cut}");
            assert_eq!(fs::read(&path).unwrap(), before, "{part} cut to {cut}");
        }
        fs::write(&path, [&before[..], b"and more"].concat()).unwrap();
        assert!(bench.vault.repair(NOW, &mut |_| {}).unwrap().is_sound());
        assert_eq!(fs::read(&path).unwrap(), before);
        fs::remove_file(&path).unwrap();
        assert!(!bench.scrub().is_sound(), "{part} is missed");
        assert!(bench.vault.repair(NOW, &mut |_| {}).unwrap().is_sound());
        assert_eq!(fs::read(&path).unwrap(), before);
        assert_eq!(bench.vault.read_vec(&id).unwrap(), b"a small content");
    }
}

#[test]
fn s2_each_copy_of_everything_that_stands_twice_comes_back() {
    let full = Full::new(1);
    let doubled = |path: &PathBuf| {
        let path = path.to_string_lossy();
        !path.contains(".pack") && !path.contains(".parity")
    };
    let paths: Vec<PathBuf> = full.before.iter().map(|(path, _)| path.clone()).filter(doubled).collect();
    // format.toml, a manifest, an open and a sealed journal, two notes: each in two places.
    assert_eq!(paths.len(), 12, "{paths:?}");
    for path in &paths {
        let len = fs::metadata(path).unwrap().len();
        // In `format.toml` a flipped letter of the comment says nothing else; its last part is the id.
        smash(path, len / 2, len / 4);
        full.comes_back(&format!("{} in the middle", path.display()));
        fs::write(path, b"").unwrap();
        full.comes_back(&format!("{} emptied", path.display()));
        fs::remove_file(path).unwrap();
        full.comes_back(&format!("{} removed", path.display()));
    }
}

#[test]
fn s2_one_damaged_copy_hinders_no_reading() {
    let full = Full::new(1);
    let (vault, root) = (&full.bench.vault, full.bench.root());
    for (path, _) in full.before.iter().filter(|(path, _)| !path.to_string_lossy().contains("/pa")) {
        let bytes = fs::read(path).unwrap();
        smash(path, 30, 10);
        let _ = fs::remove_file(root.join("index.sqlite"));
        let vault = Vault::open_read_only(root).map_or_else(|error| panic!("{}: {error}", path.display()), |_| vault);
        assert_eq!(vault.read_vec(&full.id).unwrap(), full.content, "{}", path.display());
        assert_eq!(vault.list(&Filter::default()).unwrap().items.len(), 1, "{}", path.display());
        assert_eq!(vault.read_journal(&job("a")).unwrap().entries.len(), 2, "{}", path.display());
        assert_eq!(vault.read_journal(&job("c")).unwrap().entries.len(), 4, "{}", path.display());
        assert_eq!(vault.notes().unwrap().len(), 2, "{}", path.display());
        fs::write(path, bytes).unwrap();
    }
}

#[test]
fn s1_repairable_damage_is_refused_by_every_reader_with_the_way_out() {
    let full = Full::new(2);
    smash(&full.bench.only_file(".pack"), 20_000, 10);
    let target = full.bench.dir.path().join("out.bin");
    let vault = &full.bench.vault;
    for error in [vault.read_vec(&full.id).unwrap_err(), vault.export(&full.id, &target, false).unwrap_err()] {
        assert!(is_damage(&error), "{error}");
        assert!(matches!(error, VaultError::Damaged { repair: Repair::Possible, .. }), "{error:?}");
        assert!(error.hint().unwrap().contains("`firmhand vault scrub --repair`"));
    }
    assert!(!target.exists());
    full.comes_back("a pack that was refused");
    vault.export(&full.id, &target, false).unwrap();
    assert_eq!(fs::read(&target).unwrap(), full.content);
}

#[test]
fn a_journal_whose_copy_is_damaged_is_not_written_on_before_it_is_repaired() {
    let full = Full::new(1);
    let path = full.bench.root().join("twin/journals/c.jsonl");
    smash(&path, 20, 4);
    let open = || Journal::open(&full.bench.vault, &job("c"), "test", NOW);
    let error = open().unwrap_err();
    assert!(matches!(error, VaultError::CopyDamaged { .. }), "{error}");
    assert!(error.hint().unwrap().contains("--repair"));
    full.comes_back("a journal");
    open().unwrap().append("note", json!({}), NOW).unwrap();
}

#[test]
fn a_repair_needs_the_bench_for_itself_and_a_bench_that_can_be_written() {
    let full = Full::new(1);
    let journal = Journal::open(&full.bench.vault, &job("c"), "firmhand chip apply", NOW).unwrap();
    let error = full.bench.vault.repair(NOW, &mut |_| {}).unwrap_err();
    assert!(error.to_string().contains("firmhand chip apply"), "{error}");
    drop(journal);
    full.bench.vault.repair(NOW, &mut |_| {}).unwrap();
    let reading = Vault::open_read_only(full.bench.root()).unwrap();
    assert!(matches!(reading.repair(NOW, &mut |_| {}), Err(VaultError::ReadOnly { .. })));
}

#[test]
fn s15_a_repair_brings_nothing_forgotten_back_and_forgetting_takes_the_parity_along() {
    let bench = Bench::new();
    let shared = noise(3, CHUNK);
    bench.put("a", "main", &[&shared[..], b"of a alone"].concat());
    let kept = bench.put("b", "main", &[&shared[..], b"of b alone"].concat());
    bench.vault.forget(&job("a"), "Ada", "given back", NOW).unwrap();
    let files = |part| bench.files(part).len();
    assert_eq!((files(".pack"), files(".parity"), files("/manifests/")), (2, 2, 2));
    let report = bench.vault.repair(NOW, &mut |_| {}).unwrap();
    assert!(report.is_sound() && report.repaired.is_empty() && report.leftovers.is_empty(), "{report:?}");
    assert!(bench.vault.list(&Filter { job: Some(job("a")), ..Filter::default() }).unwrap().items.is_empty());
    assert_eq!(bench.vault.read_vec(&kept).unwrap()[..CHUNK], shared);
}

#[test]
fn s15_what_forgetting_keeps_of_a_damaged_pack_is_restored_first() {
    let bench = Bench::new();
    let shared = noise(3, CHUNK);
    bench.put("a", "main", &[&shared[..], b"of a alone"].concat());
    let kept = bench.put("b", "main", &shared);
    let pack = bench.only_file(".pack");
    smash(&pack, 100, 10);
    bench.vault.forget(&job("a"), "Ada", "given back", NOW).unwrap();
    assert!(bench.scrub().is_sound());
    assert_eq!(bench.vault.read_vec(&kept).unwrap(), shared);
}
