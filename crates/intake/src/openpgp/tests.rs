//! What needs no key; the rest is in `tests/tools/gpg.rs`, with keys that another program makes.

use proptest::prelude::*;

use super::*;

#[test]
fn s10_what_is_no_key_is_refused() {
    for bad in [
        &b""[..],
        b"hello",
        b"-----BEGIN PGP PUBLIC KEY BLOCK-----\n\n",
        b"-----BEGIN PGP PUBLIC KEY BLOCK-----\n\n=aaaa\n-----END PGP PUBLIC KEY BLOCK-----\n",
        &[0xFF; 100],
        &[0x99, 0xFF, 0xFF, 4],
    ] {
        assert!(matches!(Key::parse(bad), Err(SignatureError::NoKey { .. })), "{bad:?}");
    }
}

proptest! {
    #[test]
    fn s10_any_bytes_are_refused(bytes in proptest::collection::vec(any::<u8>(), 0..300)) {
        prop_assert!(Key::parse(&bytes).is_err() || bytes.len() > 8);
        prop_assert!(packets(&bytes, BlockType::Signature).map_or(true, |found| !found.is_empty()));
    }
}
