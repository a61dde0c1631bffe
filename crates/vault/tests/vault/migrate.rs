//! A bench of format 1, made by the program that wrote format 1 (`tests/fixtures/format1`), comes across whole.

use super::*;
use std::collections::BTreeMap;
use std::os::unix::fs::PermissionsExt;
use vault::faults::{Failure, Faults, Plan};
use vault::{Filter, Journal, bench_format};

/// The contents, as the program of format 1 listed them.
const CONTENTS: [&str; 3] = [
    "036ba936bcdc69c638139eb67dcb044ddcc584d72cbb7d82a15cea70df2dd4cd",
    "0c65b9ff7edba3c44635765b51a4d7df523de5cf5b91707c933a765b1e5bde37",
    "81d22e1c3eca6b47789074e3773380a104a1d41f31b2ff81d6787ba61c23cdbf",
];

/// A copy of the fixture, with the modes that a bench has and git does not keep.
pub(super) struct Old {
    dir: tempfile::TempDir,
}

impl Old {
    pub(super) fn new() -> Self {
        let dir = folder();
        copy(&Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/fixtures/format1"), &dir.path().join("bench"));
        Self { dir }
    }

    pub(super) fn root(&self) -> PathBuf {
        self.dir.path().join("bench")
    }

    fn objects(&self) -> BTreeMap<PathBuf, Vec<u8>> {
        let files = all_files(&self.root()).into_iter();
        let objects = files.filter(|path| path.to_string_lossy().contains("/objects/"));
        objects.map(|path| (path.clone(), fs::read(path).expect("a file"))).collect()
    }
}

fn copy(from: &Path, to: &Path) {
    fs::create_dir_all(to).expect("a folder");
    fs::set_permissions(to, fs::Permissions::from_mode(0o700)).expect("our own folder");
    for entry in fs::read_dir(from).expect("the fixture") {
        let (from, to) = entry.map(|entry| (entry.path(), to.join(entry.file_name()))).expect("an entry");
        if from.is_dir() {
            copy(&from, &to);
        } else {
            fs::copy(&from, &to).expect("a copy");
            fs::set_permissions(&to, fs::Permissions::from_mode(0o600)).expect("our own file");
        }
    }
}

/// Everything that the program of format 1 put there, by what it printed of it then.
pub(super) fn holds_all(vault: &Vault) {
    let listed = vault.list(&Filter::default()).expect("a list");
    assert!(listed.unreadable.is_empty());
    let names: Vec<_> = listed.items.iter().map(|item| (item.name.as_str(), item.size)).collect();
    let main = 300 * 1024;
    assert_eq!(
        names,
        [("port as found", 1 << 20), ("main as found", main), ("main composed", main), ("main as found", main)]
    );
    for id in ids() {
        let content = vault.read_vec(&id).expect("a content");
        assert_eq!(Digest::blake3(&content), id);
    }
    let sealed = vault.read_journal(&job("larkspur-1")).expect("the sealed journal");
    assert_eq!((sealed.entries.len(), sealed.sealed), (4, true));
    let open = vault.read_journal(&job("larkspur-2")).expect("the open journal");
    assert_eq!((open.entries.len(), open.sealed, open.torn), (3, false, false));
    let notes = vault.notes().expect("the notes");
    assert!(notes.len() >= 2 && notes[0].body["job"] == "teal-1");
}

fn ids() -> Vec<Digest> {
    CONTENTS.iter().map(|text| text.parse().expect("an id")).collect()
}

#[test]
fn s2_a_bench_of_format_1_comes_across_and_nothing_in_it_is_touched() {
    let old = Old::new();
    let before = old.objects();
    assert_eq!(bench_format(&old.root()).unwrap(), Some(1));
    let vault = Vault::open(&old.root()).unwrap();
    assert_eq!(bench_format(&old.root()).unwrap(), Some(2));
    holds_all(&vault);
    let after = old.objects();
    assert!(before.iter().all(|(path, bytes)| after.get(path) == Some(bytes)), "an old object is not as it was");
    let report = vault.scrub(&mut |_| {}).unwrap();
    assert!(report.is_sound() && report.leftovers.is_empty() && report.torn.is_empty(), "{report:?}");
    let count = |part: &str| after.keys().filter(|path| path.to_string_lossy().contains(part)).count();
    assert_eq!((count(".pack"), count(".parity")), (3, 3));
    assert_eq!((count("/manifests/"), count("/notes/"), count("/journals/")), (8, 4, 2));
    let again = old.objects();
    Vault::open(&old.root()).unwrap();
    assert_eq!(old.objects(), again, "the second opening finds nothing to do");

    // And it is a bench of format 2 now: it repairs, and its journals go on.
    for path in after.keys().filter(|path| path.to_string_lossy().contains(".pack")) {
        flip(path, 20);
    }
    assert!(vault.repair(NOW, &mut |_| {}).unwrap().is_sound());
    let mut journal = Journal::open(&vault, &job("larkspur-2"), "test", NOW).unwrap();
    journal.append("note", json!({}), NOW).unwrap();
    journal.seal(NOW).unwrap();
    vault.forget(&job("larkspur-1"), "Ada", "given back", NOW).unwrap();
    assert!(vault.scrub(&mut |_| {}).unwrap().is_sound());
}

#[test]
fn s15_what_coming_across_makes_is_0600_in_folders_0700() {
    let old = Old::new();
    Vault::open(&old.root()).unwrap();
    let mode = |path: &Path| fs::metadata(path).unwrap().permissions().mode() & 0o777;
    for path in all_files(&old.root()) {
        assert_eq!(mode(&path), 0o600, "{}", path.display());
        assert_eq!(mode(path.parent().unwrap()), 0o700, "{}", path.display());
    }
}

#[test]
fn s2_coming_across_can_fail_or_be_cut_off_at_each_operation_and_run_again() {
    let faults = Faults::none();
    Vault::open_with(&Old::new().root(), &faults).unwrap();
    let operations = faults.trace().len() as u64;
    assert!(operations > 40, "{operations}");
    for at in 1..=operations {
        for failure in [Failure::Full, Failure::Broken, Failure::Killed, Failure::PowerCut] {
            let old = Old::new();
            let before = old.objects();
            let faults = Faults::by(Plan { at, failure, lasting: false, seed: at });
            // A failure of tidying alone is no error.
            drop(Vault::open_with(&old.root(), &faults));
            assert!(faults.struck(), "{failure:?} at {at}");
            let again = format!("{failure:?} at operation {}", faults.trace()[usize::try_from(at).unwrap() - 1]);
            let after = old.objects();
            assert!(
                before.iter().all(|(path, bytes)| after.get(path) == Some(bytes)),
                "{again}: an old object changed"
            );
            // Until it is through, an older program still finds the bench that it knows.
            if bench_format(&old.root()).unwrap() == Some(1) {
                holds_all(&Vault::open_read_only(&old.root()).unwrap());
            }
            let vault = Vault::open(&old.root()).unwrap();
            holds_all(&vault);
            assert!(vault.scrub(&mut |_| {}).unwrap().is_sound(), "{again}");
        }
    }
}

#[test]
fn what_is_damaged_in_format_1_comes_across_as_damaged_and_hides_nothing_else() {
    let old = Old::new();
    let pack = old.objects().into_keys().filter(|path| path.to_string_lossy().contains(".pack")).nth(2).unwrap();
    flip(&pack, 200);
    let vault = Vault::open(&old.root()).unwrap();
    let report = vault.scrub(&mut |_| {}).unwrap();
    assert!(!report.is_sound() && report.damaged.iter().all(|damage| !damage.repairable), "{:?}", report.damaged);
    let read = ids().iter().filter(|id| vault.read_vec(id).is_ok()).count();
    assert!((1..3).contains(&read), "{read} contents can be read");
    flip(&pack, 200);
    let report = vault.repair(NOW, &mut |_| {}).unwrap();
    assert!(report.is_sound() && report.repaired.len() == 1, "brought back by hand, it gets its parity: {report:?}");
    holds_all(&vault);
}

#[test]
fn s15_copies_of_what_an_older_program_forgot_in_between_go_too() {
    let old = Old::new();
    let faults = Faults::none();
    Vault::open_with(&Old::new().root(), &faults).unwrap();
    let at = faults
        .trace()
        .iter()
        .find(|operation| operation.path.ends_with("twin/format.toml"))
        .map_or(1, |found| found.number);
    let plan = Plan { at, failure: Failure::Killed, lasting: false, seed: 1 };
    assert!(Vault::open_with(&old.root(), &Faults::by(plan)).is_err());
    // What format 1 knows of is removed: a manifest, and a pack.
    let gone = |path: &&PathBuf| {
        let path = path.to_string_lossy();
        !path.contains("/twin/") && (path.contains("/manifests/140f") || path.contains("/packs/0a6f"))
    };
    let objects = old.objects();
    let gone: Vec<_> = objects.keys().filter(gone).collect();
    assert_eq!(gone.len(), 2);
    gone.iter().for_each(|path| fs::remove_file(path).unwrap());
    Vault::open(&old.root()).unwrap();
    let left = old.objects();
    assert!(
        !left.keys().any(|path| path.to_string_lossy().contains("/140f") || path.to_string_lossy().contains("/0a6f"))
    );
}

#[test]
fn coming_across_waits_for_nobody_who_works_on_a_job() {
    let old = Old::new();
    let folder = old.root().join("locks");
    fs::create_dir(&folder).unwrap();
    let lock = fs::File::create(folder.join("job%20larkspur-2.lock")).unwrap();
    lock.lock().unwrap();
    let error = Vault::open(&old.root()).unwrap_err();
    assert!(matches!(error, VaultError::Busy { .. }), "{error}");
    assert_eq!(bench_format(&old.root()).unwrap(), Some(1));
    drop(lock);
    Vault::open(&old.root()).unwrap();
}

#[test]
fn format_1_opened_for_reading_is_read_as_it_is() {
    let old = Old::new();
    let before = all_files(&old.root());
    let vault = Vault::open_read_only(&old.root()).unwrap();
    holds_all(&vault);
    let report = vault.scrub(&mut |_| {}).unwrap();
    assert!(
        report.is_sound() && report.torn.is_empty(),
        "nothing is missed that this format does not have: {report:?}"
    );
    assert_eq!(all_files(&old.root()), before);
}
