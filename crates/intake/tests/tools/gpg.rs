//! Signatures and keys as Debian's `gpg` makes them; other times by its own option for that.

use std::fs;
use std::path::Path;

use intake::openpgp::{Chosen, Key, Opened, is_cleartext, is_message, open_cleartext, open_inline};
use intake::proof::{Proof, SignatureError};
use tempfile::TempDir;

use crate::{installed, noise, run};

/// 2026-03-01, noon: the day of most of what follows.
pub const DAY: u64 = 1_772_366_400;
const STAMP: &str = "20260301T120000";
pub const A_DAY: u64 = 24 * 60 * 60;

/// A folder with a key ring of its own.
pub struct Ring {
    folder: TempDir,
}

impl Ring {
    /// None where gpg is missing.
    pub fn new() -> Option<Self> {
        if !installed(&["gpg", "gpg-agent"]) {
            return None;
        }
        let folder = tempfile::tempdir().unwrap();
        fs::create_dir(folder.path().join("home")).unwrap();
        run(folder.path(), "chmod 700 home");
        Some(Self { folder })
    }

    pub fn at(&self) -> &Path {
        self.folder.path()
    }

    /// Runs gpg at a time of its own.
    fn gpg_at(&self, stamp: &str, arguments: &str) -> String {
        let line = format!(
            "gpg --homedir home --batch --yes --quiet --no-tty --pinentry-mode loopback --passphrase '' --trust-model always \
             --faked-system-time {stamp} {arguments}"
        );
        run(self.at(), &line)
    }

    pub fn gpg(&self, arguments: &str) -> String {
        // Its clock goes on while it works: a key must not be a second younger than what it signs, nor a subkey older than its key.
        let stamp = match arguments {
            line if line.starts_with("--quick-generate") => "20260301T115800",
            line if line.starts_with("--quick-") => "20260301T115900",
            _ => STAMP,
        };
        self.gpg_at(stamp, arguments)
    }

    /// Makes a key for signing and exports it.
    pub fn key(&self, who: &str, kind: &str, lasts: &str) -> Key {
        self.gpg(&format!("--quick-generate-key '{who} <keys@{who}.example>' {kind} sign {lasts}"));
        self.exported(who)
    }

    pub fn exported(&self, who: &str) -> Key {
        self.gpg(&format!("--export -o {who}.gpg keys@{who}.example"));
        self.gpg(&format!("--armor --export -o {who}.asc keys@{who}.example"));
        let read = |file: String| Key::parse(&fs::read(self.at().join(file)).unwrap()).unwrap();
        let key = read(format!("{who}.gpg"));
        assert_eq!(key.fingerprint(), read(format!("{who}.asc")).fingerprint());
        key
    }

    fn sign(&self, who: &str, file: &str, options: &str) {
        self.gpg(&format!("-u keys@{who}.example {options} -o {file}.sig --detach-sign {file}"));
    }

    pub fn read(&self, file: &str) -> Vec<u8> {
        fs::read(self.at().join(file)).unwrap()
    }

    fn verified(&self, file: &str, key: &Key, now: u64) -> Result<Proof, SignatureError> {
        let signature = self.read(&format!("{file}.sig"));
        Chosen::new(&signature, key, now)?.verify(&mut self.read(file).as_slice())
    }
}

impl Drop for Ring {
    fn drop(&mut self) {
        // The agent of this very folder.
        run(self.at(), "GNUPGHOME=home gpgconf --kill all || true");
    }
}

#[test]
fn detached_signatures_of_every_kind_of_key_hold() {
    let Some(ring) = Ring::new() else { return };
    fs::write(ring.at().join("x.bin"), noise(300_000)).unwrap();
    fs::write(ring.at().join("list"), "aa  x.bin\r\nbb  y.bin\n\n").unwrap();
    for (who, kind) in [("meadow", "ed25519"), ("teal", "rsa3072"), ("lark", "nistp256"), ("brook", "nistp384")] {
        let key = ring.key(who, kind, "2y");
        for (file, options) in [
            ("x.bin", ""),
            ("x.bin", "--armor"),
            ("x.bin", "--digest-algo SHA256"),
            ("x.bin", "--digest-algo SHA512"),
            ("list", "--textmode"),
            ("list", "--textmode --armor"),
        ] {
            // A curve of 384 bits wants a hash that is as long.
            if kind == "nistp384" && options.contains("SHA256") {
                continue;
            }
            ring.sign(who, file, options);
            let verified = ring.verified(file, &key, DAY + A_DAY);
            let proof = verified.unwrap_or_else(|error| panic!("{kind} {options}: {error}"));
            // gpg's clock goes on while it works.
            let made = proof.made_at.is_some_and(|made| (DAY..DAY + 600).contains(&made));
            assert!(proof.fingerprint.len() == 40 && made, "{kind} {options}");
            assert_eq!(proof.user, Some(format!("{who} <keys@{who}.example>")));
        }
    }
    // The very fingerprint that gpg shows.
    let shown = ring.gpg("--with-colons --list-keys keys@meadow.example");
    let print = ring.exported("meadow").fingerprint();
    assert!(shown.contains(&format!("fpr:::::::::{print}:")), "{shown}");
}

#[test]
fn altered_files_and_other_keys_are_refused() {
    let Some(ring) = Ring::new() else { return };
    fs::write(ring.at().join("x.bin"), noise(3000)).unwrap();
    let (mine, other) = (ring.key("meadow", "ed25519", "2y"), ring.key("teal", "ed25519", "2y"));
    ring.sign("meadow", "x.bin", "");
    assert!(ring.verified("x.bin", &mine, DAY).is_ok());
    let refused = ring.verified("x.bin", &other, DAY);
    assert!(matches!(refused, Err(SignatureError::OtherKey { .. })), "{refused:?}");
    let mut altered = noise(3000);
    altered[2999] ^= 1;
    fs::write(ring.at().join("x.bin"), altered).unwrap();
    assert!(matches!(ring.verified("x.bin", &mine, DAY), Err(SignatureError::Wrong)));
    // Signed by both, it is signed by each.
    ring.gpg("-u keys@teal.example -u keys@meadow.example -o x.bin.sig --detach-sign x.bin");
    assert!(ring.verified("x.bin", &mine, DAY).is_ok() && ring.verified("x.bin", &other, DAY).is_ok());
    // From the future, which a slow clock may make of it by a day and not by more.
    assert!(ring.verified("x.bin", &mine, DAY - A_DAY / 2).is_err(), "the key is not made yet");
    assert!(matches!(ring.verified("x.bin", &mine, DAY - 3 * A_DAY), Err(SignatureError::Policy { .. })));
}

#[test]
fn expired_keys_are_refused_when_they_signed_and_now() {
    let Some(ring) = Ring::new() else { return };
    fs::write(ring.at().join("x.bin"), noise(3000)).unwrap();
    let key = ring.key("meadow", "ed25519", "10d");
    ring.sign("meadow", "x.bin", "");
    assert!(ring.verified("x.bin", &key, DAY + 9 * A_DAY).is_ok());
    let late = ring.verified("x.bin", &key, DAY + 11 * A_DAY);
    assert!(matches!(late, Err(SignatureError::Key { .. })), "{late:?}");
    // Its owner gives it more time: the same signature is good again, by the newer copy of the key.
    let print = key.fingerprint();
    ring.gpg_at("20260302T120000", &format!("--quick-set-expire {print} 1y"));
    let newer = ring.exported("meadow");
    assert!(ring.verified("x.bin", &newer, DAY + 11 * A_DAY).is_ok());
    // The signature itself can expire as well.
    ring.gpg("-u keys@meadow.example --default-sig-expire 5d -o x.bin.sig --detach-sign x.bin");
    assert!(ring.verified("x.bin", &newer, DAY + 4 * A_DAY).is_ok());
    assert!(matches!(ring.verified("x.bin", &newer, DAY + 6 * A_DAY), Err(SignatureError::Policy { .. })));
}

#[test]
fn a_signature_made_after_the_key_had_expired_is_refused() {
    let Some(ring) = Ring::new() else { return };
    fs::write(ring.at().join("x.bin"), noise(3000)).unwrap();
    // Extended to sign, and held against the copy of the key from before: it had expired by then.
    let old = ring.key("meadow", "ed25519", "10d");
    ring.gpg_at("20260320T120000", &format!("--quick-set-expire {} 1y", old.fingerprint()));
    ring.gpg_at("20260321T120000", "-u keys@meadow.example -o x.bin.sig --detach-sign x.bin");
    let refused = ring.verified("x.bin", &old, DAY + 20 * A_DAY);
    assert!(matches!(&refused, Err(SignatureError::Key { why, .. }) if why.contains("when")), "{refused:?}");
    assert!(ring.verified("x.bin", &ring.exported("meadow"), DAY + 21 * A_DAY).is_ok());
}

#[test]
fn revoked_keys_are_refused_whatever_they_signed() {
    let Some(ring) = Ring::new() else { return };
    fs::write(ring.at().join("x.bin"), noise(3000)).unwrap();
    let key = ring.key("meadow", "ed25519", "2y");
    ring.sign("meadow", "x.bin", "");
    let print = key.fingerprint();
    // gpg keeps a revocation for each key, with a colon before its armour against accidents.
    run(ring.at(), &format!("sed 's/^:-----/-----/' home/openpgp-revocs.d/{print}.rev > revoked.asc"));
    ring.gpg("--import revoked.asc");
    let revoked = ring.exported("meadow");
    let refused = ring.verified("x.bin", &revoked, DAY + A_DAY);
    assert!(matches!(&refused, Err(SignatureError::Key { why, .. }) if why.contains("revoked")), "{refused:?}");
    assert!(ring.verified("x.bin", &key, DAY + A_DAY).is_ok(), "the copy from before does not know");
}

#[test]
fn subkeys_sign_until_they_are_revoked() {
    let Some(ring) = Ring::new() else { return };
    fs::write(ring.at().join("x.bin"), noise(3000)).unwrap();
    ring.gpg("--quick-generate-key 'meadow <keys@meadow.example>' ed25519 cert 2y");
    let print = ring.exported("meadow").fingerprint();
    ring.gpg(&format!("--quick-add-key {print} ed25519 sign 30d"));
    ring.sign("meadow", "x.bin", "");
    let key = ring.exported("meadow");
    let proof = ring.verified("x.bin", &key, DAY + A_DAY).unwrap();
    assert_eq!(proof.fingerprint, print, "the main key is the one that is pinned");
    assert!(matches!(ring.verified("x.bin", &key, DAY + 31 * A_DAY), Err(SignatureError::Key { .. })));
    let edit = "--command-fd 0 --status-fd 2 --edit-key keys@meadow.example";
    run(
        ring.at(),
        &format!(
            "printf 'key 1\\nrevkey\\ny\\n0\\n\\ny\\nsave\\n' | gpg --homedir home --yes --quiet --no-tty --pinentry-mode loopback \
             --passphrase '' --faked-system-time {STAMP} {edit} 2>/dev/null"
        ),
    );
    let refused = ring.verified("x.bin", &ring.exported("meadow"), DAY + A_DAY);
    assert!(matches!(&refused, Err(SignatureError::Key { why, .. }) if why.contains("revoked")), "{refused:?}");
    // A main key that is not for signing does not sign, even if somebody makes it.
}

#[test]
fn weak_hashes_are_refused() {
    let Some(ring) = Ring::new() else { return };
    fs::write(ring.at().join("x.bin"), noise(3000)).unwrap();
    let key = ring.key("meadow", "rsa2048", "2y");
    for hash in ["SHA1", "RIPEMD160"] {
        ring.sign("meadow", "x.bin", &format!("--allow-weak-digest-algos --digest-algo {hash}"));
        let refused = ring.verified("x.bin", &key, DAY);
        assert!(matches!(refused, Err(SignatureError::Policy { .. })), "{hash}: {refused:?}");
    }
    let short = ring.key("short", "rsa1024", "2y");
    ring.sign("short", "x.bin", "");
    assert!(matches!(ring.verified("x.bin", &short, DAY), Err(SignatureError::Key { .. })));
}

#[test]
fn messages_with_their_signature_inside_give_what_is_signed() {
    let Some(ring) = Ring::new() else { return };
    let text = "first line\n- a dash  \n\nlast\n";
    fs::write(ring.at().join("list"), text).unwrap();
    let (key, other) = (ring.key("meadow", "ed25519", "2y"), ring.key("teal", "ed25519", "2y"));
    ring.gpg("-u keys@meadow.example -o list.asc --clearsign list");
    ring.gpg("-u keys@meadow.example -o list.gpg --sign list");
    ring.gpg("-u keys@meadow.example -o list.arm --armor --compress-algo none --sign list");
    let clear = ring.read("list.asc");
    assert!(is_cleartext(&clear) && is_message(&ring.read("list.arm")));
    let Opened { content, proof, .. } = open_cleartext(&clear, &key, DAY).unwrap();
    // As it is signed: CRLF, and no blanks at the end of a line (RFC 9580 section 7.2).
    assert_eq!(String::from_utf8(content).unwrap().trim_end(), "first line\r\n- a dash\r\n\r\nlast");
    assert_eq!(proof.fingerprint, key.fingerprint());
    assert!(matches!(open_cleartext(&clear, &other, DAY), Err(SignatureError::OtherKey { .. })));
    let altered = String::from_utf8(clear).unwrap().replace("last", "lost");
    assert!(matches!(open_cleartext(altered.as_bytes(), &key, DAY), Err(SignatureError::Wrong)));
    for file in ["list.gpg", "list.arm"] {
        let opened = open_inline(&ring.read(file), &key, DAY, 1 << 20).unwrap();
        assert_eq!(opened.content, text.as_bytes(), "{file}");
        assert!(open_inline(&ring.read(file), &other, DAY, 1 << 20).is_err());
    }
}

#[test]
fn s10_every_cut_of_keys_and_signatures_is_refused() {
    let Some(ring) = Ring::new() else { return };
    fs::write(ring.at().join("x.bin"), noise(3000)).unwrap();
    let key = ring.key("meadow", "ed25519", "2y");
    ring.sign("meadow", "x.bin", "");
    let (signature, bytes) = (ring.read("x.bin.sig"), ring.read("meadow.gpg"));
    assert!(Chosen::new(&signature.repeat(16), &key, DAY).is_ok());
    let many = Chosen::new(&signature.repeat(17), &key, DAY);
    assert!(matches!(many, Err(SignatureError::NoSignature { .. })), "{many:?}");
    for len in 0..signature.len() {
        assert!(Chosen::new(&signature[..len], &key, DAY).is_err(), "signature cut to {len}");
    }
    for len in 0..bytes.len() {
        // A key without what binds it can be read, and vouches for nothing.
        if let Ok(cut) = Key::parse(&bytes[..len]) {
            assert!(ring.verified("x.bin", &cut, DAY).is_err(), "key cut to {len}");
        }
    }
    for at in 0..signature.len() {
        for bit in [0, 7] {
            let mut bad = signature.clone();
            bad[at] ^= 1 << bit;
            let verified = Chosen::new(&bad, &key, DAY).and_then(|chosen| chosen.verify(&mut noise(3000).as_slice()));
            // Only what is no part of the signed bytes may change: the unhashed part names the signer once more.
            if let Ok(proof) = verified {
                assert_eq!(proof.made_at, Some(DAY), "byte {at}");
            }
        }
    }
}
