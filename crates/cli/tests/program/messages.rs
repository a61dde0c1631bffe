//! `intake` of a file that is an OpenPGP signed message: what is inside is kept, and its signature is the proof.

use std::path::PathBuf;
use std::process::Command;

use intake::build::list;
use intake::openpgp::{Key, open};
use serde_json::Value;

use crate::common::{Bench, noise, snapshot};

/// RFC 9580, Appendix A: A.3 the key, A.6 and A.7 a text that it signed in both forms, A.8 an encrypted message.
const KEY: &[u8] = include_bytes!("../../../intake/src/openpgp/vectors/rfc9580-a3-key.asc");
const CLEARTEXT: &[u8] = include_bytes!("../../../intake/src/openpgp/vectors/rfc9580-a6-cleartext.asc");
const ARMOURED: &[u8] = include_bytes!("../../../intake/src/openpgp/vectors/rfc9580-a7-inline.asc");
const BINARY: &[u8] = include_bytes!("../../../intake/src/openpgp/vectors/rfc9580-a7-inline.gpg");
const ENCRYPTED: &[u8] = include_bytes!("../../../intake/src/openpgp/vectors/rfc9580-a8-encrypted.asc");
const OTHER_KEY: &[u8] = include_bytes!("../../../intake/src/openpgp/vectors/gpg-key.asc");
const TEXT: &str = "What we need from the grocery store:\n\n- tofu\n- vegetables\n- noodles\n";

fn published() -> Bench {
    let bench = Bench::new();
    for (name, bytes) in [
        ("list.txt.gpg", BINARY),
        ("list.txt.asc", ARMOURED),
        ("clear.txt.asc", CLEARTEXT),
        ("shut.asc", ENCRYPTED),
        ("shop.asc", KEY),
        ("other.asc", OTHER_KEY),
    ] {
        bench.write(name, bytes);
    }
    bench
}

fn kept(bench: &Bench) -> usize {
    bench.json("vault list")["contents"].as_array().map_or(0, Vec::len)
}

fn content(bench: &Bench, report: &Value) -> Vec<u8> {
    bench.vault().read_vec(&report["content"].as_str().unwrap().parse().unwrap()).unwrap()
}

#[test]
fn the_content_of_a_signed_message_is_kept() {
    let bench = published();
    let alone = bench.run("intake list.txt.gpg").expect(2);
    let no_key = bench.run("intake list.txt.gpg --origin Shop").expect(2);
    let asked = bench.run("intake list.txt.gpg --origin Shop --key shop.asc").expect(2);
    assert_eq!(kept(&bench), 0, "nothing is kept before somebody has compared the key");
    let signed = bench.run("intake list.txt.gpg --origin Shop --key shop.asc --signed Ines").expect(0);
    let shown = bench.run("vault show list.txt").expect(0);
    snapshot("message_signed", &bench, &[alone, no_key, asked, signed, shown]);
    // From then on the pinned key does, whatever the file is called.
    bench.write("list.bin", BINARY);
    for (file, name, text) in [
        ("list.txt.gpg", "list.txt", TEXT.to_owned()),
        ("list.txt.asc", "list.txt", TEXT.to_owned()),
        ("list.bin", "list.bin", TEXT.to_owned()),
        ("clear.txt.asc", "clear.txt", format!("{TEXT}\n")),
    ] {
        let report = bench.json(&format!("intake {file} --origin Shop"));
        assert_eq!((&report["name"], &report["vouched_by"]), (&name.into(), &"signature".into()), "{file}");
        assert_eq!((&report["signature"]["over"], &report["signature"]["pinned"]), (&"message".into(), &true.into()));
        assert_eq!(String::from_utf8(content(&bench, &report)).unwrap(), text, "{file}");
        assert_eq!(report["size"], bench.read(file).len(), "the hashes are those of the message");
    }
    // The signature stands in the vault by itself, and holds over what is kept.
    let report = bench.json("intake list.txt.gpg --origin Shop");
    let shown = bench.json("vault show list.txt");
    let proofs = shown["manifests"].as_array().unwrap().last().unwrap()["facts"]["intake"].clone();
    bench.write("list.txt", &content(&bench, &report));
    bench.write("list.txt.sig", &content(&bench, &proofs["signature_file"]));
    let again = bench.json("intake list.txt --signature list.txt.sig --origin Shop");
    assert_eq!((&again["vouched_by"], &again["signature"]["over"]), (&"signature".into(), &"file".into()));
    // A signature beside the message is over the message, which is kept as it lies there.
    bench.run("intake list.txt.gpg --signature list.txt.sig --origin Shop").expect(1);
}

#[test]
fn list_and_hash_are_about_the_message() {
    let bench = published();
    bench.write("sums", list(&[("list.txt.gpg", BINARY)]).as_bytes());
    bench.write("inner", list(&[("list.txt.gpg", TEXT.as_bytes())]).as_bytes());
    let by = "--origin Shop --key shop.asc --signed Ines";
    let report = bench.json(&format!("intake list.txt.gpg --list sums {by}"));
    assert_eq!((content(&bench, &report).as_slice(), &report["agrees"][0]["line"]), (TEXT.as_bytes(), &1.into()));
    bench.run(&format!("intake list.txt.gpg --list inner {by}")).expect(1);
    // A list without a key vouches for the message as for any file, but its name says that there is more to be had.
    bench.run("intake list.txt.gpg --list sums").expect(2);
    bench.write("sums", list(&[("list.bin", BINARY)]).as_bytes());
    bench.write("list.bin", BINARY);
    let report = bench.json("intake list.bin --list sums");
    assert_eq!((content(&bench, &report).as_slice(), &report["vouched_by"]), (BINARY, &"list".into()));
}

#[test]
fn what_is_no_signed_message_is_refused_with_what_to_type() {
    let bench = published();
    let key = Key::parse(KEY).unwrap();
    let signature = open(BINARY, &key, 1_772_366_400, 1 << 20).unwrap().signature;
    bench.write("list.sig", &signature);
    bench.write("list.asc", &signature);
    let mut altered = BINARY.to_vec();
    altered[120] ^= 1;
    bench.write("altered.gpg", &altered);
    bench.write("cut.gpg", &BINARY[..200]);
    bench.write("bent.asc", b"-----BEGIN PGP MESSAGE-----\n\n!!!!\n-----END PGP MESSAGE-----\n");
    let by = "--origin Shop --key shop.asc --signed Ines";
    let runs = [
        bench.run("intake shut.asc").expect(2),
        bench.run("intake list.asc").expect(2),
        bench.run(&format!("intake list.sig {by}")).expect(2),
        bench.run("intake shop.asc").expect(2),
        bench.run(&format!("intake altered.gpg {by}")).expect(1),
        bench.run(&format!("intake cut.gpg {by}")).expect(1),
        bench.run(&format!("intake bent.asc {by}")).expect(1),
        bench.run("intake list.txt.gpg --origin Shop --key other.asc --signed Ines").expect(1),
    ];
    snapshot("message_refused", &bench, &runs);
    assert_eq!(kept(&bench), 0);
    assert!(!bench.path("bench/keys.toml").exists(), "a key is not pinned for a file that is refused");
    // Another key than the pinned one.
    bench.run(&format!("intake list.txt.gpg {by}")).expect(0);
    let changed = bench.run("intake list.txt.gpg --origin Shop --key other.asc").expect(1);
    assert!(changed.said().contains("the key of Shop has changed"), "{}", changed.said());
}

#[test]
fn a_file_that_only_begins_like_a_packet_is_a_file() {
    let bench = published();
    bench.run("intake list.txt.gpg --origin Shop --key shop.asc --signed Ines").expect(0);
    for first in [0xA3_u8, 0x90, 0x88, 0xAC, 0xC4, 0xC2, 0xCB, 0x99, 0x84] {
        let image = [vec![first, 0x01], noise(u64::from(first), 70_000)].concat();
        for name in ["image.bin", "image.gpg"] {
            bench.write(name, &image);
            for options in ["", "--origin Shop"] {
                let report = bench.json(format!("intake {name} {options}").trim_end());
                assert_eq!((&report["vouched_by"], content(&bench, &report) == image), (&"nothing".into(), true));
            }
        }
    }
    // A signature, a key and an encrypted message under other names are kept like any file, as nobody says that they are more.
    bench.write("shut.bin", ENCRYPTED);
    assert_eq!(content(&bench, &bench.json("intake shut.bin --origin Shop")), ENCRYPTED);
}

#[test]
fn an_archive_in_a_message_gives_its_members() {
    let found = std::env::var_os("PATH")
        .is_some_and(|paths| std::env::split_paths(&paths).any(|folder: PathBuf| folder.join("gpg").exists()));
    if !found {
        eprintln!("passed over: gpg not installed");
        return;
    }
    let bench = Bench::new();
    bench.write("in.bin", &noise(5, 100_000));
    let gpg = "gpg --homedir home --batch --yes --quiet --no-tty --pinentry-mode loopback --passphrase '' --trust-model always";
    let lines = format!(
        "mkdir -m 700 home && tar -czf in.tar.gz in.bin && {gpg} --quick-generate-key 'Lark <lark@lark.example>' ed25519 sign 2y && \
         {gpg} --export -o key.gpg && {gpg} -o in.tar.gz.gpg --sign in.tar.gz; GNUPGHOME=home gpgconf --kill all"
    );
    let ran = Command::new("sh").args(["-ec", &lines]).current_dir(bench.path("")).output().expect("a shell");
    assert!(ran.status.success(), "{}", String::from_utf8_lossy(&ran.stderr));
    let members = bench.json("intake in.tar.gz.gpg --members");
    assert_eq!((&members["kind"], &members["members"][0]["path"]), (&"tar in gzip".into(), &"in.bin".into()));
    let by = "--origin Lark --key key.gpg --signed Ines";
    let report = bench.json(&format!("intake in.tar.gz.gpg {by} --member in.bin"));
    assert_eq!((&report["name"], &report["signature"]["over"]), (&"in.bin".into(), &"message".into()));
    assert!(content(&bench, &report) == noise(5, 100_000));
    let whole = bench.json(&format!("intake in.tar.gz.gpg {by}"));
    assert!(whole["name"] == "in.tar.gz" && content(&bench, &whole) == bench.read("in.tar.gz"));
    bench.run(&format!("intake in.tar.gz.gpg {by} --member out.bin")).expect(2);
}
