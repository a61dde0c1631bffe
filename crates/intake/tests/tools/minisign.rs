//! Signatures as Debian's `minisign` makes them.

use std::fs;
use std::path::Path;

use intake::minisign::{Chosen, Key, is_signature};
use intake::proof::{Proof, SignatureError};

use crate::{installed, noise, run};

fn verified(at: &Path, key: &str, signature: &str, content: &[u8]) -> Result<Proof, SignatureError> {
    let key = Key::parse(&fs::read(at.join(key)).unwrap())?;
    let signature = fs::read(at.join(signature)).unwrap();
    assert!(is_signature(&signature));
    Chosen::new(&signature, &key)?.verify(&mut &content[..])
}

#[test]
fn signatures_of_the_tool_hold_and_those_of_others_do_not() {
    if !installed(&["minisign"]) {
        return;
    }
    let folder = tempfile::tempdir().unwrap();
    let at = folder.path();
    let content = noise(200_000);
    fs::write(at.join("x.bin"), &content).unwrap();
    for name in ["mine", "other"] {
        run(at, &format!("minisign -G -W -p {name}.pub -s {name}.key >/dev/null"));
    }
    run(
        at,
        "minisign -S -s mine.key -m x.bin -x x.sig -t 'file:x.bin of Meadowlark' >/dev/null; \
         minisign -S -l -s mine.key -m x.bin -x older.sig >/dev/null",
    );
    for signature in ["x.sig", "older.sig"] {
        let proof = verified(at, "mine.pub", signature, &content).unwrap();
        assert_eq!(proof.hash, if signature == "x.sig" { "BLAKE2b" } else { "the file itself" });
        let other = verified(at, "other.pub", signature, &content);
        assert!(matches!(other, Err(SignatureError::OtherKey { .. })), "{other:?}");
        let mut altered = content.clone();
        altered[199_999] ^= 0x80;
        assert!(matches!(verified(at, "mine.pub", signature, &altered), Err(SignatureError::Wrong)));
        assert!(matches!(verified(at, "mine.pub", signature, &content[1..]), Err(SignatureError::Wrong)));
    }
    let comment = verified(at, "mine.pub", "x.sig", &content).unwrap().comment;
    assert_eq!(comment.as_deref(), Some("file:x.bin of Meadowlark"));
}

#[test]
fn the_tool_takes_the_signatures_of_the_scenario() {
    if !installed(&["minisign"]) {
        return;
    }
    let folder = tempfile::tempdir().unwrap();
    let at = folder.path();
    let publisher = intake::build::Publisher::new(7);
    fs::write(at.join("x.bin"), noise(5000)).unwrap();
    fs::write(at.join("key.pub"), publisher.key_file()).unwrap();
    fs::write(at.join("x.sig"), publisher.signature(&noise(5000), "x.bin of the scenario")).unwrap();
    let said = run(at, "minisign -V -p key.pub -m x.bin -x x.sig");
    assert!(said.contains("x.bin of the scenario"), "{said}");
}
