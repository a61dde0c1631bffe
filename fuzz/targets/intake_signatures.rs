#![no_main]

use intake::build::Publisher;
use intake::{minisign, openpgp};
use libfuzzer_sys::fuzz_target;

const CONTENT: &[u8] = b"what was signed";
const NOW: u64 = 1_772_366_400;

// Up to the first zero byte a key, behind it a signature. A second key is one that signed nothing here: whatever the fuzzer makes of
// the seeds, nothing is ever by that one.
fuzz_target!(|bytes: &[u8]| {
    let stranger = Publisher::new(99);
    let stranger = minisign::Key::parse(stranger.key_file().as_bytes()).expect("our own key");
    let (key, signature) = match bytes.iter().position(|byte| *byte == 0) {
        Some(at) => (&bytes[..at], &bytes[at + 1..]),
        None => (bytes, bytes),
    };
    if let Ok(chosen) = minisign::Chosen::new(signature, &stranger) {
        assert!(chosen.verify(&mut &CONTENT[..]).is_err());
    }
    if let Ok(key) = minisign::Key::parse(key)
        && let Ok(chosen) = minisign::Chosen::new(signature, &key)
    {
        let _ = chosen.verify(&mut &CONTENT[..]);
        assert!(chosen.verify(&mut &b"something else"[..]).is_err());
    }
    let _ = openpgp::recognise(&mut &signature[..]);
    let looked = openpgp::look(signature, 1 << 16);
    if let Ok(content) = &looked {
        assert!(content.len() <= (1 << 16).max(signature.len() + 1));
    }
    if let Ok(key) = openpgp::Key::parse(key) {
        assert!(key.fingerprint().len() >= 32);
        if let Ok(chosen) = openpgp::Chosen::new(signature, &key, NOW) {
            let _ = chosen.verify(&mut &CONTENT[..]);
        }
        let _ = openpgp::open_cleartext(signature, &key, NOW);
        if let Ok(opened) = openpgp::open_inline(signature, &key, NOW, 1 << 16) {
            assert!(opened.content.len() <= 1 << 16);
            // It looks the same to who has no key.
            assert!(openpgp::is_cleartext(signature) || looked.is_ok_and(|content| content == opened.content));
        }
    }
});
