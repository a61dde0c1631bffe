use super::*;
use serde_json::json;
use std::fs::OpenOptions;
use std::io::Write;
use vault::{Journal, JournalInfo};

fn create(bench: &Bench, id: &str) -> Journal {
    Journal::create(&bench.vault, &job(id), json!({"kind": "convert"}), "firmhand job start", NOW).unwrap()
}

fn open(bench: &Bench, id: &str) -> Result<Journal, VaultError> {
    Journal::open(&bench.vault, &job(id), "firmhand job sign", NOW)
}

fn file(bench: &Bench) -> PathBuf {
    bench.root().join("journals/a.jsonl")
}

#[test]
fn entries_come_back_in_order_open_and_sealed() {
    let bench = Bench::new();
    let mut journal = create(&bench, "a");
    let first = journal.append("step", json!({"id": "wire"}), NOW).unwrap();
    drop(journal);
    let mut journal = open(&bench, "a").unwrap();
    assert!(!journal.torn());
    let second = journal.append("hold", json!({"by": "Ada", "x": 0.1}), NOW).unwrap();
    assert_eq!((second.seq, second.prev), (2, first.hash));

    let log = bench.vault.read_journal(&job("a")).unwrap();
    assert_eq!(log.entries[1..], [first, second]);
    assert_eq!((log.entries[0].kind.as_str(), log.sealed), ("opened", false));
    journal.seal(NOW).unwrap();
    assert!(!file(&bench).exists());
    let sealed = bench.vault.read_journal(&job("a")).unwrap();
    assert!(sealed.sealed);
    assert_eq!(sealed.entries[..3], log.entries);
    create(&bench, "b");
    let info = |id, sealed| JournalInfo { job: job(id), sealed };
    assert_eq!(bench.vault.journals().unwrap(), [info("a", true), info("b", false)]);
    assert_eq!(bench.scrub().journals, 2);
}

#[test]
fn s2_a_torn_tail_is_dropped_told_and_cut_off() {
    let bench = Bench::new();
    let mut journal = create(&bench, "a");
    journal.append("step", json!({"id": "wire"}), NOW).unwrap();
    journal.append("step", json!({"id": "read"}), NOW).unwrap();
    drop(journal);
    let whole = fs::read(file(&bench)).unwrap();
    let lines: Vec<usize> =
        whole.iter().enumerate().filter(|(_, byte)| **byte == b'\n').map(|(at, _)| at + 1).collect();
    let last = lines[1];
    for len in last + 1..whole.len() {
        write_both(&file(&bench), &whole[..len]);
        let log = bench.vault.read_journal(&job("a")).unwrap();
        assert!(log.torn && log.entries.len() == 2, "cut to {len}");
    }
    let scrub = bench.scrub();
    assert!(scrub.is_sound() && scrub.torn == ["a"], "{scrub:?}");
    // Zeros after the last entry: what some file systems leave after a power cut.
    write_both(&file(&bench), [&whole[..last], &[0; 50]].concat());
    let mut journal = open(&bench, "a").unwrap();
    assert!(journal.torn());
    assert_eq!(fs::read(file(&bench)).unwrap(), whole[..last]);
    journal.append("step", json!({"id": "read"}), NOW).unwrap();
    assert_eq!(fs::read(file(&bench)).unwrap(), whole, "the same entry again gives the same bytes");
}

#[test]
fn damage_before_the_last_line_is_an_error_with_its_line() {
    let bench = Bench::new();
    let mut journal = create(&bench, "a");
    for n in 0..3 {
        journal.append("step", json!({ "n": n }), NOW).unwrap();
    }
    drop(journal);
    let whole = fs::read_to_string(file(&bench)).unwrap();
    let lines: Vec<_> = whole.split_inclusive('\n').collect();
    let line_of = |text: String| {
        write_both(&file(&bench), text);
        assert!(!bench.scrub().is_sound());
        match (bench.vault.read_journal(&job("a")), open(&bench, "a")) {
            (Err(VaultError::JournalDamaged { line, .. }), Err(VaultError::JournalDamaged { .. })) => line,
            other => panic!("{other:?}"),
        }
    };
    assert_eq!(line_of(whole.replace("\"n\":1", "\"n\":7")), 3, "changed");
    assert_eq!(line_of(whole.replace(lines[1], "")), 2, "taken out");
    assert_eq!(line_of([lines[0], lines[2], lines[1], lines[3]].concat()), 2, "swapped");
    assert_eq!(line_of([lines[0], "rubbish\n", lines[1]].concat()), 2, "put in");
    assert_eq!(line_of(String::new()), 1, "emptied");
    assert_eq!(line_of(whole.replace("\"n\":2", "\"n\":7")), 4, "a whole last line with a wrong hash is not torn");
}

#[test]
fn one_jobs_journal_cannot_stand_in_for_anothers() {
    let bench = Bench::new();
    create(&bench, "a");
    let other = bench.root().join("journals/b.jsonl");
    fs::rename(file(&bench), &other).unwrap();
    fs::rename(twin_of(&file(&bench)), twin_of(&other)).unwrap();
    assert!(matches!(bench.vault.read_journal(&job("b")), Err(VaultError::JournalDamaged { line: 1, .. })));
}

#[test]
fn a_sealed_journal_without_its_end_is_damaged() {
    let bench = Bench::new();
    create(&bench, "a").seal(NOW).unwrap();
    let object = bench.only_file("/journals/");
    let text = fs::read_to_string(&object).unwrap();
    write_both(&object, text.split_inclusive('\n').next().unwrap());
    assert!(matches!(bench.vault.read_journal(&job("a")), Err(VaultError::JournalDamaged { line: 2, .. })));
}

#[test]
fn s2_a_seal_cut_off_anywhere_is_finished_by_the_next_opening() {
    for object_there in [false, true] {
        let bench = Bench::new();
        create(&bench, "a").seal(NOW).unwrap();
        let object = bench.only_file("/journals/");
        // As it was before the local file was removed, and before the object was made.
        fs::copy(&object, file(&bench)).unwrap();
        fs::copy(&object, twin_of(&file(&bench))).unwrap();
        if !object_there {
            remove_both(&object);
        }
        assert!(bench.vault.read_journal(&job("a")).unwrap().sealed);
        assert!(matches!(open(&bench, "a"), Err(VaultError::JournalSealed { .. })));
        assert!(!file(&bench).exists() && !twin_of(&file(&bench)).exists());
        assert_eq!(fs::read(&object).unwrap(), fs::read(twin_of(&object)).unwrap());
        assert!(bench.vault.read_journal(&job("a")).unwrap().sealed);
    }
}

#[test]
fn a_journal_is_made_once_and_takes_no_reserved_kinds() {
    let bench = Bench::new();
    let exists = |bench: &Bench| Journal::create(&bench.vault, &job("a"), json!({}), "test", NOW).unwrap_err();
    let mut journal = create(&bench, "a");
    assert!(matches!(journal.append("sealed", json!({}), NOW), Err(VaultError::BadName { .. })));
    assert!(matches!(journal.append("step", json!({}), "noon"), Err(VaultError::BadName { .. })));
    drop(journal);
    assert!(matches!(exists(&bench), VaultError::JournalExists { .. }));
    open(&bench, "a").unwrap().seal(NOW).unwrap();
    assert!(matches!(exists(&bench), VaultError::JournalExists { .. }));
    assert!(matches!(open(&bench, "a"), Err(VaultError::JournalSealed { .. })));
    assert!(matches!(open(&bench, "b"), Err(VaultError::NotFound { .. })));
}

#[test]
fn only_one_can_append_and_others_can_read() {
    let bench = Bench::new();
    let journal = create(&bench, "a");
    let error = open(&bench, "a").unwrap_err();
    assert!(matches!(&error, VaultError::Busy { holder, .. } if holder.who == "firmhand job start"), "{error}");
    assert_eq!(bench.vault.read_journal(&job("a")).unwrap().entries.len(), 1);
    drop(journal);
    open(&bench, "a").unwrap();
}

#[test]
fn s2_a_creation_cut_off_leaves_no_journal() {
    let bench = Bench::new();
    let part = bench.root().join("journals/a.jsonl.77-0.part");
    OpenOptions::new().create(true).append(true).open(&part).unwrap().write_all(b"{\"seq\"").unwrap();
    assert!(bench.vault.journals().unwrap().is_empty());
    assert_eq!(bench.scrub().leftovers, std::slice::from_ref(&part));
    create(&bench, "a");
    assert_eq!(bench.vault.read_journal(&job("a")).unwrap().entries.len(), 1);
}
