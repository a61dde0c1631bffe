//! `intake`: what vouches for a file, what is refused, what is kept.

use intake::build::{Publisher, list};
use serde_json::Value;

use crate::common::{Bench, noise, snapshot};

const ABC: &str = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad";
const LISTED: &str = "--list SHA256SUMS --signature SHA256SUMS.minisig";

/// A published file with list, signature and key.
fn published() -> Bench {
    let bench = Bench::new();
    let image = noise(3, 200_000);
    let publisher = Publisher::new(3);
    let listed = list(&[("meadowlark.bin", &image), ("other.bin", b"other")]);
    bench.write("meadowlark.bin", &image);
    bench.write("SHA256SUMS", listed.as_bytes());
    bench.write("SHA256SUMS.minisig", publisher.signature(listed.as_bytes(), "Meadowlark 9.4").as_bytes());
    bench.write("meadowlark.bin.minisig", publisher.signature(&image, "the file itself").as_bytes());
    bench.write("meadowlark.pub", publisher.key_file().as_bytes());
    bench.write("other.pub", Publisher::new(4).key_file().as_bytes());
    bench
}

fn kept(bench: &Bench) -> usize {
    bench.json("vault list")["contents"].as_array().map_or(0, Vec::len)
}

#[test]
fn a_key_is_compared_once_and_known_from_then_on() {
    let bench = published();
    let line = format!("intake meadowlark.bin {LISTED} --origin Meadowlark");
    let no_key = bench.run(&line).expect(2);
    let asked = bench.run(&format!("{line} --key meadowlark.pub")).expect(2);
    assert_eq!(kept(&bench), 0, "nothing is kept before somebody has compared the key");
    assert!(!bench.path("bench/keys.toml").exists());
    let signed = bench.run(&format!("{line} --key meadowlark.pub --signed Ines")).expect(0);
    // Shown while there is one entry: two of one second stand in the order of their hashes.
    let shown = bench.run("vault show meadowlark.bin").expect(0);
    let known = bench.run(&line).expect(0);
    snapshot("intake_signed", &bench, &[no_key, asked, signed, shown, known]);
    let report = bench.json(&line);
    assert_eq!(
        (report["vouched_by"].clone(), report["signature"]["pinned"].clone()),
        ("signature".into(), true.into())
    );
    assert_eq!(
        bench.vault().read_vec(&report["content"].as_str().unwrap().parse().unwrap()).unwrap(),
        noise(3, 200_000)
    );
    let mode = std::os::unix::fs::PermissionsExt::mode(
        &std::fs::metadata(bench.path("bench/keys.toml")).unwrap().permissions(),
    );
    assert_eq!(mode & 0o777, 0o600, "S15");
    // The papers are kept too, so that somebody can check it all again.
    let shown = bench.json("vault show meadowlark.bin");
    let proofs = shown["manifests"].as_array().unwrap().last().unwrap()["facts"]["intake"].clone();
    let paper =
        |what: &str| bench.vault().read_vec(&proofs[what]["content"].as_str().unwrap().parse().unwrap()).unwrap();
    assert_eq!(paper("list"), bench.read("SHA256SUMS"));
    assert_eq!(paper("signature_file"), bench.read("SHA256SUMS.minisig"));
    assert_eq!(paper("key_file"), bench.read("meadowlark.pub"));
}

#[test]
fn a_changed_key_is_refused_until_it_is_meant() {
    let bench = published();
    let line = format!("intake meadowlark.bin {LISTED} --origin Meadowlark");
    bench.run(&format!("{line} --key meadowlark.pub --signed Ines")).expect(0);
    let before = kept(&bench);
    let other = Publisher::new(4);
    bench.write("SHA256SUMS.minisig", other.signature(&bench.read("SHA256SUMS"), "by somebody else").as_bytes());
    let by_other = bench.run(&line).expect(1);
    let changed = bench.run(&format!("{line} --key other.pub --signed Ines")).expect(1);
    assert_eq!(kept(&bench), before);
    let on_purpose = bench.run(&format!("{line} --key other.pub --change-key --signed Ben")).expect(0);
    bench.run(&line).expect(0);
    // The old one is no longer good, and stays written down.
    bench.run(&format!("{line} --key meadowlark.pub --signed Ines")).expect(1);
    let pins = String::from_utf8(bench.read("bench/keys.toml")).unwrap();
    assert!(pins.contains(&Publisher::new(3).key()) && pins.contains(&other.key()));
    snapshot("intake_changed_key", &bench, &[by_other, changed, on_purpose]);
}

#[test]
fn what_does_not_vouch_is_refused_and_nothing_is_kept() {
    let bench = published();
    bench.write("abc.bin", b"abc");
    bench.write("md5", b"900150983cd24fb0d6963f7d28e17f72  abc.bin\n");
    bench.write("named", format!("{ABC}  x.bin\n").as_bytes());
    bench.write("twice", format!("{ABC}  abc.bin\n{}  abc.bin\n", "0".repeat(64)).as_bytes());
    bench.write("nonsense", b"hello\n");
    let signed = "--key meadowlark.pub --origin M --signed Ines";
    let mut altered = noise(3, 200_000);
    altered[100_000] ^= 1;
    let runs = [
        bench.run("intake abc.bin --list SHA256SUMS").expect(1),
        bench.run("intake abc.bin --list named").expect(1),
        bench.run("intake abc.bin --list twice").expect(1),
        bench.run("intake abc.bin --list md5").expect(1),
        bench.run("intake abc.bin --list nonsense").expect(2),
        bench.run("intake abc.bin --expect 00").expect(2),
        bench.run(&format!("intake abc.bin --expect {}", "0".repeat(64))).expect(1),
        bench.run(&format!("intake abc.bin --signature meadowlark.bin.minisig {signed}")).expect(1),
        bench.run("intake abc.bin --signature meadowlark.bin.minisig --key meadowlark.pub").expect(2),
        bench.run("intake abc.bin --signature meadowlark.bin.minisig --key other.pub --origin M").expect(1),
        bench.run("intake abc.bin --signature meadowlark.bin.minisig --key abc.bin --origin M").expect(2),
        bench.run("intake abc.bin --key meadowlark.pub").expect(2),
        bench.run("intake /dev/zero").expect(2),
        bench.run("intake .").expect(2),
        bench.run("intake missing.bin").expect(2),
        bench.run("intake abc.bin --list /dev/zero").expect(2),
        bench.run("intake abc.bin --member x").expect(2),
    ];
    snapshot("intake_refused", &bench, &runs);
    bench.write("meadowlark.bin", &altered);
    for proof in [LISTED, "--signature meadowlark.bin.minisig"] {
        bench.run(&format!("intake meadowlark.bin {proof} {signed}")).expect(1);
    }
    assert_eq!(kept(&bench), 0);
    assert!(!bench.path("bench/keys.toml").exists(), "a key is not pinned for a file that is refused");
}

#[test]
fn a_file_is_taken_in_with_whatever_vouches_for_it() {
    let bench = published();
    bench.write("abc.bin", b"abc");
    bench.write("md5", b"900150983cd24fb0d6963f7d28e17f72  abc.bin\n");
    let by = |options: &str| bench.json(&format!("intake {options}"))["vouched_by"].clone();
    assert_eq!(by("abc.bin"), "nothing");
    assert_eq!(by("abc.bin --list md5 --weak"), "weak-hash");
    assert_eq!(by(&format!("abc.bin --expect {ABC}")), "hash");
    assert_eq!(by("meadowlark.bin --list SHA256SUMS"), "list");
    let signed = "--key meadowlark.pub --origin M --signed Ines";
    assert_eq!(by(&format!("meadowlark.bin --signature meadowlark.bin.minisig {signed}")), "signature");
    snapshot("intake_plain", &bench, &[bench.run("intake abc.bin").expect(0)]);
}

/// A stored zip member by hand, after APPNOTE.TXT 6.3.10; CRC-32 of "abc" is 352441C2 (from memory of the usual check values).
fn zip_of_abc(name: &str) -> Vec<u8> {
    let common =
        [&[20, 0, 0, 0, 0, 0, 0, 0, 0, 0][..], &0x3524_41C2_u32.to_le_bytes(), &[3, 0, 0, 0, 3, 0, 0, 0]].concat();
    let len = [u8::try_from(name.len()).unwrap(), 0, 0, 0];
    let local = [b"PK\x03\x04", &common[..], &len, name.as_bytes(), b"abc"].concat();
    let central = [b"PK\x01\x02\x14\x00", &common[..], &len, &[0; 14], name.as_bytes()].concat();
    let (at, size) = (u32::try_from(local.len()).unwrap(), u32::try_from(central.len()).unwrap());
    let end = [b"PK\x05\x06\0\0\0\0\x01\0\x01\0", &size.to_le_bytes()[..], &at.to_le_bytes(), &[0, 0]].concat();
    [local, central, end].concat()
}

#[test]
fn s10_a_member_is_taken_out_and_nothing_else() {
    let bench = Bench::new();
    bench.write("good.zip", &zip_of_abc("in/abc.bin"));
    bench.write("bad.zip", &zip_of_abc("../abc.bin"));
    let zip = bench.read("good.zip");
    bench.write("sums", list(&[("good.zip", &zip)]).as_bytes());
    let listed = bench.run("intake good.zip --members").expect(0);
    let bad = bench.run("intake bad.zip --members").expect(0);
    let none = bench.run("intake bad.zip --member ../abc.bin").expect(1);
    let taken = bench.run("intake good.zip --list sums --member in/abc.bin --origin Meadowlark").expect(0);
    let shown = bench.run("vault show abc.bin").expect(0);
    snapshot("intake_member", &bench, &[listed, bad, none, taken, shown]);
    let report = bench.json("intake good.zip --list sums --member in/abc.bin");
    assert_eq!(bench.vault().read_vec(&report["content"].as_str().unwrap().parse().unwrap()).unwrap(), b"abc");
    assert_eq!(report["size"], zip.len());
}

#[test]
fn a_step_of_a_job_wants_its_file() {
    let bench = Bench::new();
    bench.run("demo").expect(0);
    // The demo has pinned the key; in its journal stands which file it was.
    let journals = bench.journals();
    let entries = journals.iter().find(|(job, _)| job.starts_with("larkspur")).expect("the conversion").1;
    let taken = entries.iter().find(|entry| entry.kind == "file-taken").expect("a file was taken in");
    assert_eq!(taken.body["proofs"]["vouched_by"], "signature");
    assert_eq!(taken.body["step"], "fetch-meadowlark");
    let closed = entries.iter().any(|entry| entry.kind == "step-done" && entry.body["step"] == "fetch-meadowlark");
    assert!(closed);
    for file in ["larkspur-nine.toml", "meadowlark.bin", "SHA256SUMS", "SHA256SUMS.minisig"] {
        bench.write(file, &bench.read(&format!("bench/virtual/{file}")));
    }
    let answers = [&crate::common::RESCUE_ANSWERS[..], &["label-mac=00:00:5e:00:53:77", "label-serial=none"]].concat();
    let answers: String = answers.iter().map(|answer| format!(" --answer {answer}")).collect();
    let start = "job start --as rescue --profile larkspur-nine.toml --machine M --owner O --consent Ana";
    let job = bench.json(&format!("{start}{answers}"))["job"].as_str().unwrap().to_owned();
    let take = |more: &str| bench.run(format!("intake meadowlark.bin --job {job} {more}").trim_end());
    // What comes before it is not done yet.
    take(LISTED).expect(2);
    take(&format!("{LISTED} --origin Meadowlark")).expect(2);
    bench.run(&format!("job sign first-look --by Ana --job {job}")).expect(0);
    let by_hand = bench.run(&format!("job sign fetch-meadowlark --by Ana --job {job}")).expect(2);
    let unsigned = take("").expect(1);
    let image = bench.read("meadowlark.bin");
    bench.write("meadowlark.bin", &noise(1, 5000));
    let other = take("").expect(1);
    bench.write("meadowlark.bin", &image);
    let step = |report: &Value| report["step"].as_str().map(str::to_owned);
    let report = bench.json(&format!("intake meadowlark.bin --job {job} {LISTED} --origin Meadowlark"));
    assert_eq!(step(&report).as_deref(), Some("fetch-meadowlark"));
    // Once more is no mistake, and closes nothing.
    let again = bench.json(&format!("intake meadowlark.bin --job {job} {LISTED} --origin Meadowlark"));
    assert_eq!(step(&again), None);
    snapshot("intake_step", &bench, &[by_hand, unsigned, other]);
}
