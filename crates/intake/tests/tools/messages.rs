//! Messages as Debian's `gpg` makes them: signed with the content inside, in every packing, and what only looks like them.

use std::fs;
use std::time::Instant;

use intake::openpgp::{Chosen, Form, Opened, look, open, open_inline, recognise};
use intake::proof::SignatureError;

use crate::gpg::{A_DAY, DAY, Ring};
use crate::{noise, run};

const BY: &str = "-u keys@meadow.example";

fn form(bytes: &[u8]) -> Option<Form> {
    recognise(&mut &bytes[..])
}

#[test]
fn a_file_signed_in_every_packing_opens() {
    let Some(ring) = Ring::new() else { return };
    let image = [noise(300_000), vec![0xFF; 700_000], noise(1_300_000)].concat();
    fs::write(ring.at().join("x.bin"), &image).unwrap();
    for (who, kind) in [("meadow", "ed25519"), ("teal", "rsa3072")] {
        let key = ring.key(who, kind, "2y");
        for packing in ["none", "zip", "zlib", "bzip2"] {
            for armour in ["", "--armor"] {
                let options = format!("-u keys@{who}.example --compress-algo {packing} {armour}");
                ring.gpg(&format!("{options} -o x.gpg --sign x.bin"));
                let message = ring.read("x.gpg");
                assert_eq!(form(&message), Some(Form::Signed), "{options}");
                let Opened { content, proof, signature } = open(&message, &key, DAY + A_DAY, 4 << 20).unwrap();
                assert!(content == image, "{options}");
                // gpg's clock goes on while it works.
                let made = proof.made_at.is_some_and(|made| (DAY..DAY + 600).contains(&made));
                assert!(proof.fingerprint == key.fingerprint() && made, "{options}");
                let alone = Chosen::new(&signature, &key, DAY + A_DAY).unwrap();
                assert!(alone.verify(&mut image.as_slice()).is_ok(), "{options}");
                // From a pipe, gpg does not know the length: the packets come in parts.
                ring.gpg(&format!("{options} -o x.gpg --sign < x.bin"));
                let opened = open(&ring.read("x.gpg"), &key, DAY, 4 << 20).unwrap();
                assert!(opened.content == image && form(&ring.read("x.gpg")) == Some(Form::Signed), "{options}");
            }
        }
    }
}

#[test]
fn an_altered_message_and_another_key_are_refused() {
    let Some(ring) = Ring::new() else { return };
    fs::write(ring.at().join("x.bin"), noise(3000)).unwrap();
    let (key, other) = (ring.key("meadow", "ed25519", "10d"), ring.key("teal", "ed25519", "2y"));
    ring.gpg(&format!("{BY} --compress-algo none -o x.gpg --sign x.bin"));
    let message = ring.read("x.gpg");
    assert!(matches!(open(&message, &other, DAY, 1 << 20), Err(SignatureError::OtherKey { .. })));
    assert!(matches!(open(&message, &key, DAY + 11 * A_DAY, 1 << 20), Err(SignatureError::Key { .. })));
    for at in (100..2900).step_by(97) {
        let mut altered = message.clone();
        altered[at] ^= 1;
        assert!(matches!(open(&altered, &key, DAY, 1 << 20), Err(SignatureError::Wrong)), "byte {at}");
    }
    for len in 0..message.len() {
        assert!(open(&message[..len], &key, DAY, 1 << 20).is_err(), "cut to {len}");
    }
    // Something of somebody else's behind it.
    let behind = [&message[..], &message].concat();
    assert!(matches!(open(&behind, &key, DAY, 1 << 20), Err(SignatureError::NoMessage { .. })));
    // Revoked, whatever it signed before.
    run(ring.at(), &format!("sed 's/^:-----/-----/' home/openpgp-revocs.d/{}.rev > revoked.asc", key.fingerprint()));
    fs::copy(ring.at().join("home/pubring.kbx"), ring.at().join("before.kbx")).unwrap();
    ring.gpg("--import revoked.asc");
    let refused = open(&message, &ring.exported("meadow"), DAY, 1 << 20);
    assert!(matches!(&refused, Err(SignatureError::Key { why, .. }) if why.contains("revoked")), "{refused:?}");
    fs::copy(ring.at().join("before.kbx"), ring.at().join("home/pubring.kbx")).unwrap();
    // Signed by both, it is signed by each.
    ring.gpg(&format!("{BY} -u keys@teal.example -o both.gpg --sign x.bin"));
    for key in [&key, &other] {
        assert!(open(&ring.read("both.gpg"), key, DAY, 1 << 20).unwrap().content == noise(3000));
    }
}

#[test]
fn a_text_in_the_clear_is_what_gpg_makes_of_it() {
    let Some(ring) = Ring::new() else { return };
    let key = ring.key("meadow", "ed25519", "2y");
    for text in [
        "first line\n- a dash\n-----\n\nlast\n",
        "one\n",
        "no end",
        "from the\r\nother world\r\n",
        "blanks  \t\n",
        "\n\n",
    ] {
        fs::write(ring.at().join("note"), text).unwrap();
        ring.gpg(&format!("{BY} -o note.asc --clearsign note"));
        let message = ring.read("note.asc");
        assert_eq!(form(&message), Some(Form::Cleartext));
        let opened = open(&message, &key, DAY, 1 << 20).unwrap();
        let theirs = run(
            ring.at(),
            "gpg --homedir home --quiet --batch --ignore-time-conflict --decrypt note.asc 2>/dev/null || true",
        );
        let theirs: String =
            theirs.lines().map(|line| format!("{}\n", line.trim_end_matches([' ', '\t', '\r']))).collect();
        assert_eq!(String::from_utf8(opened.content).unwrap(), theirs, "{text:?}");
    }
}

#[test]
fn what_is_no_signed_message_is_named() {
    let Some(ring) = Ring::new() else { return };
    fs::write(ring.at().join("x.bin"), noise(3000)).unwrap();
    let key = ring.key("meadow", "ed25519", "2y");
    ring.gpg("--quick-generate-key 'brook <keys@brook.example>' default default 2y");
    for (name, line, is) in [
        ("sig", format!("{BY} -o sig --detach-sign x.bin"), Form::Detached),
        ("sig.asc", format!("{BY} --armor -o sig.asc --detach-sign x.bin"), Form::Detached),
        ("stored", "-o stored --store x.bin".into(), Form::Unsigned),
        ("locked", "-r keys@brook.example -o locked --encrypt x.bin".into(), Form::Encrypted),
        ("locked.asc", "-r keys@brook.example --armor -o locked.asc --encrypt x.bin".into(), Form::Encrypted),
        ("both", format!("{BY} -r keys@brook.example -o both --sign --encrypt x.bin"), Form::Encrypted),
        ("phrase", "--passphrase lark -o phrase --symmetric x.bin".into(), Form::Encrypted),
        ("key", "-o key --export keys@meadow.example".into(), Form::Key),
        ("key.asc", "--armor -o key.asc --export keys@meadow.example".into(), Form::Key),
        ("secret", "-o secret --export-secret-keys keys@meadow.example".into(), Form::SecretKey),
        ("secret.asc", "--armor -o secret.asc --export-secret-keys keys@meadow.example".into(), Form::SecretKey),
    ] {
        ring.gpg(&line);
        let bytes = ring.read(name);
        assert_eq!(form(&bytes), Some(is), "{name}");
        let refused = open(&bytes, &key, DAY, 1 << 20);
        assert!(matches!(refused, Err(SignatureError::NoMessage { .. })), "{name}: {refused:?}");
    }
    assert_eq!(look(&ring.read("stored"), 1 << 20).unwrap(), noise(3000));
}

#[test]
fn s10_a_bomb_in_a_message_ends_at_its_budget() {
    let Some(ring) = Ring::new() else { return };
    let key = ring.key("meadow", "ed25519", "2y");
    fs::write(ring.at().join("zeros"), vec![0; 64 << 20]).unwrap();
    for packing in ["zip", "zlib", "bzip2"] {
        ring.gpg(&format!("{BY} --compress-algo {packing} -o zeros.gpg --sign zeros"));
        let message = ring.read("zeros.gpg");
        assert_eq!(form(&message), Some(Form::Signed), "{packing}");
        let begun = Instant::now();
        let refused = open_inline(&message, &key, DAY, 1 << 20);
        assert!(matches!(refused, Err(SignatureError::Unpacks { .. })), "{packing}: {refused:?}");
        assert!(begun.elapsed().as_secs() < 10);
    }
}
