use super::*;
use std::io::{BufRead, BufReader};
use std::os::unix::fs::PermissionsExt;
use std::process::{Command, Stdio};
use std::thread;
use vault::{Filter, Journal};

#[test]
fn s15_bench_folder_is_0700_and_its_files_0600() {
    let bench = Bench::new();
    bench.put("a", "main", b"content");
    Journal::create(&bench.vault, &job("a"), json!({}), "test", NOW).unwrap();
    Journal::create(&bench.vault, &job("b"), json!({}), "test", NOW).unwrap().seal(NOW).unwrap();
    bench.put("b", "main", b"other");
    bench.vault.forget(&job("b"), "Ada", "given back", NOW).unwrap();
    bench.vault.list(&Filter::default()).unwrap();
    let mode = |path: &Path| fs::metadata(path).unwrap().permissions().mode() & 0o777;
    let files = all_files(bench.root());
    assert!(files.iter().any(|path| path.ends_with("index.sqlite")));
    for path in &files {
        assert_eq!(mode(path), 0o600, "{}", path.display());
        for folder in path.ancestors().skip(1).take_while(|folder| folder.starts_with(bench.root())) {
            assert_eq!(mode(folder), 0o700, "{}", folder.display());
        }
    }
}

#[test]
fn s15_a_bench_that_stands_open_is_closed() {
    let bench = Bench::new();
    fs::set_permissions(bench.root(), fs::Permissions::from_mode(0o755)).unwrap();
    Vault::open(bench.root()).unwrap();
    assert_eq!(fs::metadata(bench.root()).unwrap().permissions().mode() & 0o777, 0o700);
    let empty = bench.dir.path().join("empty");
    fs::create_dir(&empty).unwrap();
    Vault::open(&empty).unwrap();
    assert_eq!(fs::metadata(&empty).unwrap().permissions().mode() & 0o777, 0o700);
}

#[test]
fn benches_have_ids_of_their_own_and_keep_them() {
    let (one, other) = (Bench::new(), Bench::new());
    assert_ne!(one.vault.bench_id(), other.vault.bench_id());
    assert_eq!(Vault::open(one.root()).unwrap().bench_id(), one.vault.bench_id());
    one.put("a", "main", b"content");
    assert!(one.files("objects").iter().all(|path| path.to_string_lossy().contains(one.vault.bench_id())));
}

#[test]
fn a_newer_or_ruined_format_is_refused() {
    let bench = Bench::new();
    let path = bench.root().join("format.toml");
    let open = |text: &str| {
        fs::write(&path, text).unwrap();
        fs::write(bench.root().join("twin/format.toml"), text).unwrap();
        Vault::open(bench.root()).unwrap_err()
    };
    let error = open("format = 3\nsomething = \"new\"\n");
    assert!(matches!(error, VaultError::NewerFormat { found: 3, known: 2, .. }), "{error}");
    assert!(error.hint().unwrap().contains("newer program"));
    for text in ["", "format = 1", "format = \"1\"", "format = -1", "format = 1\nbench = \"../x\"", "no toml"] {
        assert!(matches!(open(text), VaultError::BadFormat { .. }), "{text}");
    }
}

#[test]
fn a_folder_with_other_things_is_refused_and_left_alone() {
    let dir = folder();
    fs::set_permissions(dir.path(), fs::Permissions::from_mode(0o755)).unwrap();
    fs::write(dir.path().join("holiday.jpg"), b"x").unwrap();
    assert!(matches!(Vault::open(dir.path()), Err(VaultError::NotABench { .. })));
    assert!(matches!(Vault::open_read_only(dir.path()), Err(VaultError::NotABench { .. })));
    assert_eq!(all_files(dir.path()).len(), 1);
    assert_eq!(fs::metadata(dir.path()).unwrap().permissions().mode() & 0o777, 0o755);
}

#[test]
fn s2_a_creation_cut_off_can_be_run_again() {
    let dir = folder();
    fs::create_dir(dir.path().join("objects")).unwrap();
    fs::write(dir.path().join("format.toml.77-0.part"), b"form").unwrap();
    let vault = Vault::open(dir.path()).unwrap();
    assert_eq!(vault.put(&b"content"[..], &request("a", "main")).unwrap().size, 7);
}

#[test]
fn a_read_only_handle_reads_all_and_writes_nothing() {
    let bench = Bench::new();
    let id = bench.put("a", "main", b"content");
    drop(Journal::create(&bench.vault, &job("a"), json!({}), "test", NOW).unwrap());
    let before = all_files(bench.root());
    let vault = Vault::open_read_only(bench.root()).unwrap();
    check_read_only(&vault, &id);
    assert_eq!(all_files(bench.root()), before);
}

fn check_read_only(vault: &Vault, id: &Digest) {
    assert!(!vault.writable());
    assert_eq!(vault.find("main").unwrap(), *id);
    assert_eq!(vault.read_vec(id).unwrap(), b"content");
    assert_eq!(vault.list(&Filter::default()).unwrap().items.len(), 1);
    assert_eq!(vault.show(id).unwrap().len(), 1);
    assert_eq!(vault.read_journal(&job("a")).unwrap().entries.len(), 1);
    assert!(vault.scrub(&mut |_| {}).unwrap().is_sound());
    let put = vault.put(&b"x"[..], &request("a", "x")).map(|_| ());
    let forget = vault.forget(&job("a"), "Ada", "given back", NOW).map(|_| ());
    let open = Journal::open(vault, &job("a"), "test", NOW).map(|_| ());
    let lock = vault.lock("link", "test", NOW).map(|_| ());
    for refused in [put, forget, open, lock] {
        assert!(matches!(refused, Err(VaultError::ReadOnly { .. })), "{refused:?}");
    }
}

#[test]
fn locks_say_who_holds_them_and_end_with_their_handle() {
    let bench = Bench::new();
    let link = "/dev/spidev0.0";
    let lock = bench.vault.lock(link, "firmhand chip apply", NOW).unwrap();
    let other = Vault::open(bench.root()).unwrap();
    let Err(VaultError::Busy { name, holder }) = other.lock(link, "firmhand chip identify", NOW) else {
        panic!("not busy")
    };
    assert_eq!((name.as_str(), holder.who.as_str(), holder.since.as_str()), (link, "firmhand chip apply", NOW));
    assert_eq!(holder.pid, std::process::id());
    other.lock("/dev/spidev0.1", "firmhand chip identify", NOW).unwrap();
    drop(lock);
    other.lock(link, "firmhand chip identify", NOW).unwrap();
}

#[test]
fn a_lock_ends_with_its_process() {
    let bench = Bench::new();
    let mut child =
        helper("bench::holds_a_lock", bench.root()).stdout(Stdio::piped()).stdin(Stdio::piped()).spawn().unwrap();
    let mut lines = BufReader::new(child.stdout.take().unwrap()).lines();
    assert!(lines.any(|line| line.unwrap().contains("held")), "the helper ended without the lock");
    let error = bench.vault.lock("link", "test", NOW).unwrap_err();
    assert!(matches!(&error, VaultError::Busy { holder, .. } if holder.pid == child.id()), "{error}");
    child.kill().unwrap();
    child.wait().unwrap();
    bench.vault.lock("link", "test", NOW).unwrap();
}

/// The other process of `a_lock_ends_with_its_process`.
#[test]
#[ignore = "runs as the helper of another test"]
fn holds_a_lock() {
    let vault = Vault::open(&helper_dir()).unwrap();
    let _lock = vault.lock("link", "helper", NOW).unwrap();
    println!("held");
    let _ = std::io::stdin().read_line(&mut String::new());
}

#[test]
fn many_handles_put_at_once() {
    let bench = Bench::new();
    let put = |n: u64| {
        let vault = Vault::open(bench.root()).unwrap();
        // Half of it is the same for all.
        let content = [noise(1, CHUNK), noise(n, CHUNK)].concat();
        let id = vault.put(&content[..], &request("a", &format!("main {n}"))).unwrap().id;
        assert_eq!(vault.read_vec(&id).unwrap(), content);
    };
    thread::scope(|scope| {
        for n in 0..4 {
            scope.spawn(move || put(100 + n));
        }
    });
    assert_eq!(bench.vault.list(&Filter::default()).unwrap().items.len(), 4);
    assert!(bench.scrub().is_sound());
}

#[test]
fn s2_a_full_disk_loses_nothing_and_later_work_goes_on() {
    on_a_mount_of_its_own("bench::fills_the_disk");
}

/// Runs on a file system of 4 MiB.
#[test]
#[ignore = "runs as the helper of another test"]
fn fills_the_disk() {
    let vault = Vault::open(&helper_dir().join("bench")).unwrap();
    let small = noise(1, 100_000);
    let id = vault.put(&small[..], &request("a", "main")).unwrap().id;
    let error = vault.put(&noise(2, 8 << 20)[..], &request("a", "too much")).unwrap_err();
    assert!(matches!(error, VaultError::NoSpace { .. }), "{error:?}");
    assert_eq!(vault.read_vec(&id).unwrap(), small);
    assert_eq!(vault.list(&Filter::default()).unwrap().items.len(), 1);

    let mut journal = Journal::create(&vault, &job("a"), json!({}), "test", NOW).unwrap();
    let ballast = helper_dir().join("ballast");
    // Fails when the disk is full, which is what is wanted.
    assert!(fs::write(&ballast, vec![1; 8 << 20]).is_err());
    let written = (0..10_000)
        .find_map(|n| journal.append("note", json!({"text": "x".repeat(500)}), NOW).err().map(|error| (n, error)))
        .unwrap();
    assert!(matches!(written.1, VaultError::NoSpace { .. }), "{:?}", written.1);
    assert!(matches!(journal.append("note", json!({}), NOW), Err(VaultError::JournalBroken { .. })));
    drop(journal);
    assert_eq!(vault.read_vec(&id).unwrap(), small, "reading needs no space");
    let log = vault.read_journal(&job("a")).unwrap();
    assert_eq!((log.entries.len(), log.torn), (written.0 + 1, false), "the half line is taken away");

    fs::remove_file(&ballast).unwrap();
    let mut journal = Journal::open(&vault, &job("a"), "test", NOW).unwrap();
    journal.append("note", json!({}), NOW).unwrap();
    assert_eq!(vault.put(&noise(3, 1 << 20)[..], &request("a", "fits")).unwrap().new_chunks, 16);
    assert!(vault.scrub(&mut |_| {}).unwrap().is_sound());
    println!("helper done");
}

#[test]
fn a_bench_on_a_read_only_mount_can_be_read() {
    on_a_mount_of_its_own("bench::reads_a_read_only_mount");
}

/// Runs on a file system of its own, and makes that read-only.
#[test]
#[ignore = "runs as the helper of another test"]
fn reads_a_read_only_mount() {
    let dir = helper_dir();
    let vault = Vault::open(&dir.join("bench")).unwrap();
    let id = vault.put(&b"content"[..], &request("a", "main")).unwrap().id;
    drop(Journal::create(&vault, &job("a"), json!({}), "test", NOW).unwrap());
    let remount = Command::new("mount").args(["-o", "remount,ro"]).arg(&dir).status().unwrap();
    assert!(remount.success());
    check_read_only(&Vault::open(&dir.join("bench")).unwrap(), &id);
    println!("helper done");
}

const HELPER_DIR: &str = "VAULT_TEST_DIR";

fn helper_dir() -> PathBuf {
    std::env::var_os(HELPER_DIR).expect("set by the test that runs this helper").into()
}

fn helper(test: &str, dir: &Path) -> Command {
    let mut command = Command::new(std::env::current_exe().unwrap());
    command.args(["--exact", test, "--ignored", "--nocapture"]).env(HELPER_DIR, dir);
    command
}

/// Runs a helper on a small file system that only it sees and that ends with it. Needs the right to mount; without it
/// nothing is tested, and that is said.
fn on_a_mount_of_its_own(test: &str) {
    let dir = folder();
    let alone = |script: &str| {
        let mut command = Command::new("unshare");
        let script = format!("mount -t tmpfs -o size=4m,mode=700 none \"${HELPER_DIR}\" && {script}");
        command.args(["--mount", "sh", "-c", &script]).env(HELPER_DIR, dir.path());
        command
    };
    if !alone("true").output().is_ok_and(|output| output.status.success()) {
        eprintln!("skipped: mounting is not allowed here");
        return;
    }
    let exe = std::env::current_exe().unwrap();
    let script = format!("exec '{}' --exact {test} --ignored --nocapture", exe.display());
    let output = alone(&script).output().unwrap();
    let text = String::from_utf8_lossy(&output.stdout) + String::from_utf8_lossy(&output.stderr);
    assert!(output.status.success() && text.contains("helper done"), "{text}");
}
