use super::*;

// The key and the signatures over "test" that the crate `minisign-verify` shows in its documentation and tests.
const KEY: &str = "RWQf6LRCGA9i53mlYecO4IzT51TGPpvWucNSCh1CBM0QTaLn73Y7GFO3";
const HASHED: &str = "untrusted comment: signature from minisign secret key
RUQf6LRCGA9i559r3g7V1qNyJDApGip8MfqcadIgT9CuhV3EMhHoN1mGTkUidF/z7SrlQgXdy8ofjb7bNJJylDOocrCo8KLzZwo=
trusted comment: timestamp:1556193335\tfile:test
y/rUw2y8/hOUYjZU71eHp/Wo1KZ40fGy2VJEDl34XMJM+TX48Ss/17u3IvIfbVR1FkZZSNCisQbuQY+bHwhEBg==
";
const OLDER: &str = "untrusted comment: signature from minisign secret key
RWQf6LRCGA9i59SLOFxz6NxvASXDJeRtuZykwQepbDEGt87ig1BNpWaVWuNrm73YiIiJbq71Wi+dP9eKL8OC351vwIasSSbXxwA=
trusted comment: timestamp:1555779966\tfile:test
QtKMXWyYcwdpZAlPF7tE2ENJkRd1ujvKjlj1m9RtHTBnZPa5WKU5uWRs5GoP5M/VqE81QFuMKI5k/SfNQUaOAA==
";

fn verified(signature: &str, content: &[u8]) -> Result<Proof, SignatureError> {
    let key = Key::parse(KEY.as_bytes()).unwrap();
    Chosen::new(signature.as_bytes(), &key)?.verify(&mut &content[..])
}

#[test]
fn published_signatures_hold_and_no_others() {
    for signature in [HASHED, OLDER] {
        let proof = verified(signature, b"test").unwrap();
        assert_eq!(proof.fingerprint, KEY);
        assert!(proof.made_at.is_some_and(|at| at > 1_555_000_000));
        assert!(proof.comment.unwrap().ends_with("file:test"));
        assert!(matches!(verified(signature, b"tesT"), Err(SignatureError::Wrong)));
        assert!(matches!(verified(signature, b""), Err(SignatureError::Wrong)));
        // The comment is signed too.
        let comment = signature.replace("file:test", "file:tesT");
        assert!(matches!(verified(&comment, b"test"), Err(SignatureError::Wrong)));
    }
}

#[test]
fn key_files_are_read_with_and_without_their_comment() {
    for text in [KEY.to_owned(), format!("untrusted comment: minisign public key\n{KEY}\n"), format!("\r\n {KEY}\r\n")]
    {
        assert_eq!(Key::parse(text.as_bytes()).unwrap().fingerprint(), KEY);
    }
    for bad in ["", "x", "untrusted comment: only\n", &KEY[1..], &format!("{KEY}\n{KEY}\n")] {
        assert!(matches!(Key::parse(bad.as_bytes()), Err(SignatureError::NoKey { .. })), "{bad}");
    }
}

#[test]
fn s10_every_cut_of_a_signature_is_refused() {
    let key = Key::parse(KEY.as_bytes()).unwrap();
    for len in 0..HASHED.len() - 1 {
        let cut = Chosen::new(&HASHED.as_bytes()[..len], &key);
        if let Ok(chosen) = cut {
            assert!(chosen.verify(&mut &b"test"[..]).is_err(), "cut to {len}");
        }
    }
}
