//! Every way in which the vault changes the disk, with a fault at each single operation in turn: full, broken, killed, no
//! power. Then the bench is opened on a good disk: nothing that was reported is lost, chains are sound, nothing counts as
//! damaged, and the same call again comes to its end.

use super::migrate::{Old, holds_all};
use super::*;
use serde_json::json;
use std::collections::BTreeSet;
use std::panic::{AssertUnwindSafe, catch_unwind, resume_unwind};
use vault::faults::{Failure, Faults, Operation, Plan};
use vault::{ErrorKind, Filter, Journal};

const FAILURES: [Failure; 4] = [Failure::Full, Failure::Broken, Failure::Killed, Failure::PowerCut];

/// What is there before the fault: a content and an open journal of job `a`, a content of job `b` that shares a chunk.
fn prepare(vault: &Vault) {
    vault.put(&old()[..], &request("a", "old")).unwrap();
    vault.put(&[&noise(1, CHUNK)[..], b"of b"].concat()[..], &request("b", "other")).unwrap();
    let mut journal = Journal::create(vault, &job("a"), json!({}), "test", NOW).unwrap();
    journal.append("note", json!({"n": 1}), NOW).unwrap();
}

fn old() -> Vec<u8> {
    [noise(1, CHUNK), noise(2, 500)].concat()
}

fn new() -> Vec<u8> {
    [noise(1, CHUNK), noise(3, CHUNK + 20)].concat()
}

/// Does `act` with a fault at each operation of it in turn, with several seeds where the seed draws what is lost; hands the
/// bench, opened on a good disk, and what `act` said to `check`, which also does it again.
fn at_each_operation(
    test: &str,
    setup: impl Fn(&Path),
    act: impl Fn(&Vault) -> Result<(), VaultError>,
    check: impl Fn(&Vault, &Result<(), VaultError>),
) {
    let one = std::env::var("FIRMHAND_SEED").ok().map(|seed| seed.parse::<u64>().expect("FIRMHAND_SEED is a number"));
    let counting = folder();
    let root = counting.path().join("bench");
    setup(&root);
    let watch = Faults::none();
    let vault = Vault::open_with(&root, &watch).unwrap();
    let before = watch.trace().len() as u64;
    act(&vault).expect("without a fault it is done");
    let last = watch.trace().len() as u64;
    assert!(last > before, "it changes nothing on the disk");
    for at in before + 1..=last {
        for failure in FAILURES {
            let seeds = if failure == Failure::PowerCut { 6 } else { 1 };
            for seed in one.map_or(0..seeds, |seed| seed..seed + 1) {
                let dir = folder();
                let root = dir.path().join("bench");
                setup(&root);
                let faults = Faults::by(Plan { at, failure, lasting: false, seed });
                let said = Vault::open_with(&root, &faults).and_then(|vault| act(&vault));
                assert!(faults.struck(), "{test}: two runs of one thing differ");
                if let Err(error) = &said {
                    assert_eq!(error.kind(), ErrorKind::System, "{error}");
                    let full = matches!(error, VaultError::NoSpace { .. });
                    assert!(
                        full == (failure == Failure::Full) || matches!(error, VaultError::JournalBroken { .. }),
                        "{error:?}"
                    );
                }
                let operation = &faults.trace()[usize::try_from(at).unwrap() - 1];
                let checked = catch_unwind(AssertUnwindSafe(|| {
                    let vault = Vault::open(&root).expect("it opens");
                    let scrub = vault.scrub(&mut |_| {}).unwrap();
                    assert!(scrub.is_sound(), "a fault alone is no damage: {scrub:?}");
                    check(&vault, &said);
                    let scrub = vault.scrub(&mut |_| {}).unwrap();
                    assert!(scrub.is_sound() && scrub.torn.is_empty(), "{scrub:?}");
                }));
                if let Err(panic) = checked {
                    eprintln!("{failure:?} at operation {operation}; it said {said:?}");
                    eprintln!("again: FIRMHAND_SEED={seed} cargo test -p vault --test vault {test}");
                    resume_unwind(panic);
                }
            }
        }
    }
}

fn on_prepared(root: &Path) {
    prepare(&Vault::open(root).unwrap());
}

fn names(vault: &Vault) -> BTreeSet<String> {
    vault.list(&Filter::default()).unwrap().items.into_iter().map(|item| item.name).collect()
}

fn holds_old(vault: &Vault) {
    assert_eq!(vault.read_vec(&Digest::blake3(&old())).unwrap(), old());
    assert!(vault.read_journal(&job("a")).unwrap().entries.len() >= 2);
}

#[test]
fn s2_a_new_bench_and_its_first_put() {
    let put = |vault: &Vault| vault.put(&new()[..], &request("a", "new")).map(drop);
    // The opening is part of it: the folder is empty.
    for at in 1..60 {
        for failure in FAILURES {
            for seed in 0..if failure == Failure::PowerCut { 4 } else { 1 } {
                let dir = folder();
                let root = dir.path().join("bench");
                let faults = Faults::by(Plan { at, failure, lasting: false, seed });
                let said = Vault::open_with(&root, &faults).and_then(|vault| put(&vault));
                let vault =
                    Vault::open(&root).unwrap_or_else(|error| panic!("{failure:?} at {at}, seed {seed}: {error}"));
                if said.is_ok() {
                    assert_eq!(vault.read_vec(&Digest::blake3(&new())).unwrap(), new(), "{failure:?} at {at}");
                }
                put(&vault).unwrap();
                assert!(vault.scrub(&mut |_| {}).unwrap().is_sound(), "{failure:?} at {at}, seed {seed}");
            }
        }
    }
}

#[test]
fn s2_put() {
    let put = |vault: &Vault| vault.put(&new()[..], &request("a", "new")).map(drop);
    at_each_operation("faults::s2_put", on_prepared, put, |vault, said| {
        holds_old(vault);
        if said.is_ok() {
            assert_eq!(vault.read_vec(&Digest::blake3(&new())).unwrap(), new());
        }
        put(vault).unwrap();
        assert_eq!(vault.read_vec(&Digest::blake3(&new())).unwrap(), new());
        assert_eq!(names(vault), ["new", "old", "other"].map(str::to_owned).into());
    });
}

#[test]
fn s2_journal_creation() {
    let create = |vault: &Vault| Journal::create(vault, &job("c"), json!({}), "test", NOW).map(drop);
    at_each_operation("faults::s2_journal_creation", on_prepared, create, |vault, said| {
        holds_old(vault);
        match create(vault) {
            Ok(()) => assert!(said.is_err()),
            Err(VaultError::JournalExists { .. }) => {}
            Err(error) => panic!("{error}"),
        }
        let mut journal = Journal::open(vault, &job("c"), "test", NOW).unwrap();
        assert_eq!(journal.append("note", json!({}), NOW).unwrap().seq, 1);
    });
}

#[test]
fn s2_journal_append() {
    let append = |vault: &Vault| {
        let mut journal = Journal::open(vault, &job("a"), "test", NOW)?;
        // The second one meets a broken handle where the first failed; it must not hide that.
        let first = journal.append("step", json!({"n": 2}), NOW);
        let second = journal.append("step", json!({"n": 3}), NOW);
        first.and(second).map(drop)
    };
    at_each_operation("faults::s2_journal_append", on_prepared, append, |vault, said| {
        holds_old(vault);
        let log = vault.read_journal(&job("a")).unwrap();
        assert!((2..=4).contains(&log.entries.len()), "{log:?}");
        if said.is_ok() {
            assert_eq!((log.entries.len(), log.torn), (4, false));
        }
        let mut journal = Journal::open(vault, &job("a"), "test", NOW).unwrap();
        let next = journal.append("step", json!({}), NOW).unwrap();
        drop(journal);
        let log = vault.read_journal(&job("a")).unwrap();
        assert_eq!((log.entries.len() as u64, log.torn), (next.seq + 1, false));
        let [first, twin] = [vault.root().join("journals/a.jsonl"), vault.root().join("twin/journals/a.jsonl")];
        assert_eq!(fs::read(first).unwrap(), fs::read(twin).unwrap());
    });
}

#[test]
fn s2_journal_seal() {
    let seal = |vault: &Vault| match Journal::open(vault, &job("a"), "test", NOW) {
        Ok(journal) => journal.seal(NOW),
        Err(VaultError::JournalSealed { .. }) => Ok(()),
        Err(error) => Err(error),
    };
    at_each_operation("faults::s2_journal_seal", on_prepared, seal, |vault, said| {
        holds_old(vault);
        if said.is_ok() {
            assert!(vault.read_journal(&job("a")).unwrap().sealed);
        }
        seal(vault).unwrap();
        let log = vault.read_journal(&job("a")).unwrap();
        assert_eq!((log.sealed, log.entries.len()), (true, 3));
        assert!(
            !vault.root().join("journals/a.jsonl").exists() && !vault.root().join("twin/journals/a.jsonl").exists()
        );
    });
}

#[test]
fn s2_s15_forget() {
    let forget = |vault: &Vault| vault.forget(&job("b"), "Ada", "given back", NOW).map(drop);
    at_each_operation("faults::s2_s15_forget", on_prepared, forget, |vault, said| {
        holds_old(vault);
        if said.is_err() {
            match forget(vault) {
                // The closing note was there already.
                Ok(()) | Err(VaultError::NotFound { .. }) => {}
                Err(error) => panic!("{error}"),
            }
        }
        holds_old(vault);
        assert_eq!(names(vault), ["old".to_owned()].into());
        let kinds: Vec<_> = vault.notes().unwrap().into_iter().map(|note| note.kind).collect();
        assert_eq!(kinds, ["begun", "done"]);
        let gone = b"of b";
        for path in all_files(vault.root()) {
            let bytes = fs::read(&path).unwrap();
            assert!(!bytes.windows(gone.len()).any(|window| window == gone), "{} holds it", path.display());
        }
    });
}

#[test]
fn s2_repair() {
    let damaged = |root: &Path| {
        on_prepared(root);
        for path in all_files(root) {
            let text = path.to_string_lossy().into_owned();
            if text.contains(".pack") || text.contains("/twin/manifests/") || text.contains("/twin/journals/") {
                flip(&path, 17);
            }
        }
    };
    let repair = |vault: &Vault| vault.repair(NOW, &mut |_| {}).map(|report| assert!(report.is_sound(), "{report:?}"));
    // Here the bench is damaged before, so what `at_each_operation` asks of it comes after one more repair.
    let watch = Faults::none();
    let dir = folder();
    damaged(dir.path());
    let vault = Vault::open_with(dir.path(), &watch).unwrap();
    let before = watch.trace().len() as u64;
    repair(&vault).unwrap();
    for at in before + 1..=watch.trace().len() as u64 {
        for failure in FAILURES {
            for seed in 0..if failure == Failure::PowerCut { 3 } else { 1 } {
                let dir = folder();
                damaged(dir.path());
                let faults = Faults::by(Plan { at, failure, lasting: false, seed });
                let said = Vault::open_with(dir.path(), &faults).and_then(|vault| repair(&vault));
                let again = format!("{failure:?} at {at}, seed {seed}: {said:?}");
                let vault = Vault::open(dir.path()).unwrap();
                let scrub = vault.scrub(&mut |_| {}).unwrap();
                assert!(scrub.damaged.iter().all(|damage| damage.repairable), "{again}: {scrub:?}");
                repair(&vault).unwrap_or_else(|error| panic!("{again}: {error}"));
                holds_old(&vault);
                let notes = vault.notes().unwrap();
                assert!(notes.iter().any(|note| note.kind == "repair-begun"), "{again}");
            }
        }
    }
}

#[test]
fn s2_export() {
    let id = Digest::blake3(&old());
    let export = |vault: &Vault| vault.export(&id, &vault.root().with_file_name("out.bin"), true);
    at_each_operation("faults::s2_export", on_prepared, export, |vault, said| {
        let target = vault.root().with_file_name("out.bin");
        if said.is_ok() {
            assert_eq!(fs::read(&target).unwrap(), old());
        }
        export(vault).unwrap();
        assert_eq!(fs::read(&target).unwrap(), old());
        holds_old(vault);
    });
}

#[test]
fn s2_a_disk_that_stays_full_is_named_and_loses_nothing() {
    let dir = folder();
    on_prepared(dir.path());
    let watch = Faults::none();
    Vault::open_with(dir.path(), &watch).unwrap();
    let at = watch.trace().len() as u64 + 1;
    let faults = Faults::by(Plan { at, failure: Failure::Full, lasting: true, seed: 1 });
    let vault = Vault::open_with(dir.path(), &faults).unwrap();
    let put = vault.put(&new()[..], &request("a", "new")).unwrap_err();
    let mut journal = Journal::open(&vault, &job("a"), "test", NOW).unwrap();
    let append = journal.append("note", json!({}), NOW).unwrap_err();
    let create = Journal::create(&vault, &job("c"), json!({}), "test", NOW).unwrap_err();
    for (error, part) in [(put, "/packs/"), (append, "journals/a.jsonl"), (create, "journals/c.jsonl")] {
        assert!(matches!(error, VaultError::NoSpace { .. }), "{error:?}");
        let text = error.to_string();
        assert!(text.contains(part) && text.contains("what was stored before is untouched"), "{text}");
        assert!(error.hint().unwrap().starts_with("free some space"));
    }
    drop(journal);
    holds_old(&vault);
    let vault = Vault::open(dir.path()).unwrap();
    assert!(vault.scrub(&mut |_| {}).unwrap().leftovers.is_empty(), "what did not fit is taken away");
    holds_old(&vault);
}

#[test]
fn s2_coming_across_holds_all_on_a_disk_without_power() {
    let watch = Faults::none();
    Vault::open_with(&Old::new().root(), &watch).unwrap();
    for at in 1..=watch.trace().len() as u64 {
        for seed in 0..4 {
            let old = Old::new();
            let faults = Faults::by(Plan { at, failure: Failure::PowerCut, lasting: false, seed });
            drop(Vault::open_with(&old.root(), &faults));
            holds_all(&Vault::open(&old.root()).unwrap_or_else(|error| panic!("at {at}, seed {seed}: {error}")));
        }
    }
}

#[test]
fn two_runs_of_one_plan_have_one_trace_and_one_loss() {
    let run = || {
        let dir = folder();
        let faults = Faults::by(Plan { at: 50, failure: Failure::PowerCut, lasting: false, seed: 5 });
        let vault = Vault::open_with(&dir.path().join("bench"), &faults);
        let said = vault.and_then(|vault| vault.put(&new()[..], &request("a", "new")).map(drop));
        let bench = |path: &Path| path.strip_prefix(dir.path()).map(Path::to_path_buf).unwrap();
        // A bench's id is random, and process numbers stand in names: what is compared is what was done and how much.
        let left: Vec<u64> = all_files(dir.path()).iter().map(|path| fs::metadata(path).unwrap().len()).collect();
        let trace = faults
            .trace()
            .into_iter()
            .map(|Operation { number, what, path }| (number, what, bench(&path).components().count()));
        (said.is_err(), trace.collect::<Vec<_>>(), left)
    };
    assert_eq!(run(), run());
}

#[test]
fn faults_reach_benches_that_others_open_by_their_path_and_end_with_their_scope() {
    let dir = folder();
    on_prepared(dir.path());
    let by_path = || Vault::open(dir.path())?.put(&new()[..], &request("a", "new"));
    let watch = Faults::none();
    watch.during(by_path).unwrap();
    assert!(watch.trace().len() > 5);
    let full = Faults::by(Plan { at: 1, failure: Failure::Full, lasting: true, seed: 0 });
    let other = || Vault::open(dir.path())?.put(&b"other"[..], &request("a", "other"));
    assert!(matches!(full.during(other), Err(VaultError::NoSpace { .. })));
    assert!(catch_unwind(AssertUnwindSafe(|| full.during(|| panic!("a failing test")))).is_err());
    other().unwrap();
}

#[test]
fn a_clock_that_jumps_back_changes_nothing() {
    let bench = Bench::new();
    let times = ["2026-03-01T09:30:00Z", "2026-02-01T00:00:00Z", "1999-01-01T00:00:00Z", "2026-03-01T09:30:01Z"];
    let mut journal = Journal::create(&bench.vault, &job("a"), json!({}), "test", times[0]).unwrap();
    for time in times {
        journal.append("note", json!({}), time).unwrap();
    }
    drop(journal);
    let mut journal = Journal::open(&bench.vault, &job("a"), "test", times[2]).unwrap();
    journal.append("note", json!({}), times[2]).unwrap();
    for (number, time) in times.iter().enumerate() {
        let request = PutRequest { taken_at: (*time).to_owned(), ..request("a", &format!("main {number}")) };
        bench.vault.put(&noise(number as u64, 100)[..], &request).unwrap();
    }
    journal.seal("1970-01-01T00:00:00Z").unwrap();
    bench.put("b", "other", b"other");
    bench.vault.forget(&job("b"), "Ada", "given back", times[0]).unwrap();
    flip(&bench.files(".pack")[0], 20);
    assert!(bench.vault.repair(times[2], &mut |_| {}).unwrap().is_sound());
    let log = bench.vault.read_journal(&job("a")).unwrap();
    let said: Vec<_> = log.entries.iter().map(|entry| entry.time.as_str()).collect();
    assert_eq!(said[1..5], times, "the order is the order of writing");
    assert_eq!(bench.vault.notes().unwrap().len(), 4);
}
