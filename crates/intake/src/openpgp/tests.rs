//! Published and fixed vectors, and what needs no key; the rest is in `tests/tools`, with keys that another program makes.

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

/// RFC 9580, Appendix A: A.3 the key, A.6 and A.7 one text signed with it in both forms, A.8 an encrypted message.
const RFC_KEY: &[u8] = include_bytes!("vectors/rfc9580-a3-key.asc");
const RFC_CLEARTEXT: &[u8] = include_bytes!("vectors/rfc9580-a6-cleartext.asc");
const RFC_INLINE: &[u8] = include_bytes!("vectors/rfc9580-a7-inline.asc");
const RFC_ENCRYPTED: &[u8] = include_bytes!("vectors/rfc9580-a8-encrypted.asc");
const RFC_TEXT: &str = "What we need from the grocery store:\n\n- tofu\n- vegetables\n- noodles\n";
/// Made by gpg 2.2.40 with `--armor --sign`, which compresses.
const GPG_KEY: &[u8] = include_bytes!("vectors/gpg-key.asc");
const GPG_PACKED: &[u8] = include_bytes!("vectors/gpg-packed.asc");
/// 2026-03-02, noon.
const NOW: u64 = 1_772_452_800;

#[test]
fn published_messages_open() {
    let key = Key::parse(RFC_KEY).unwrap();
    assert_eq!(key.fingerprint(), "CB186C4F0609A697E4D52DFA6C722B0C1F1E27C18A56708F6525EC27BAD9ACC9");
    for (message, form, content) in [
        (RFC_INLINE, Form::Signed, RFC_TEXT.to_owned()),
        // What is signed ends in a line end here; the one before the signature comes to it.
        (RFC_CLEARTEXT, Form::Cleartext, format!("{RFC_TEXT}\n")),
    ] {
        assert_eq!(recognise(&mut &message[..]), Some(form));
        let opened = open(message, &key, NOW, 1 << 20).unwrap();
        assert_eq!((opened.content.as_slice(), opened.proof.made_at), (content.as_bytes(), Some(1_670_947_683)));
        assert_eq!(look(message, 1 << 20).unwrap(), content.as_bytes());
    }
    assert_eq!(recognise(&mut &RFC_KEY[..]), Some(Form::Key));
    assert_eq!(recognise(&mut &RFC_ENCRYPTED[..]), Some(Form::Encrypted));
    let refused = open(RFC_ENCRYPTED, &key, NOW, 1 << 20);
    assert!(matches!(&refused, Err(SignatureError::NoMessage { why }) if why.contains("encrypted")), "{refused:?}");
}

#[test]
fn a_compressed_message_opens_and_its_signature_stands_by_itself() {
    let key = Key::parse(GPG_KEY).unwrap();
    let opened = open(GPG_PACKED, &key, NOW, 1 << 20).unwrap();
    assert_eq!(opened.content, b"Meadowlark 9.4 for the bench\n");
    let detached = Chosen::new(&opened.signature, &key, NOW).unwrap();
    assert_eq!(detached.verify(&mut opened.content.as_slice()).unwrap(), opened.proof);
    assert!(matches!(open(GPG_PACKED, &key, NOW, 28), Err(SignatureError::Unpacks { most: 28 })));
    assert!(open(GPG_PACKED, &key, NOW, 29).is_ok());
}

#[test]
fn what_only_begins_like_a_packet_is_none() {
    // Tags of compressed, one-pass, signature, literal and key packets in both header forms, and whatever may follow.
    let rest: Vec<u8> = (0..4000_u32).map(|at| (at.wrapping_mul(2_654_435_761) >> 24) as u8).collect();
    for first in [0xA3, 0xA0, 0x90, 0x88, 0x89, 0xAC, 0x99, 0x98, 0xC8, 0xC4, 0xC2, 0xCB, 0xC6, 0x2D] {
        for at in 0..600 {
            let bytes = [&[first], &rest[at..]].concat();
            assert_eq!(recognise(&mut bytes.as_slice()).filter(|form| form.is_signed()), None, "{first:#04x} at {at}");
        }
        assert_eq!(recognise(&mut [first].as_slice()), None);
        assert_eq!(recognise(&mut vec![first; 70_000].as_slice()), None);
    }
    let mut image = b"-----BEGIN PGP MESSAGE".to_vec();
    assert_eq!(recognise(&mut image.as_slice()), None, "half a line says nothing");
    image.extend_from_slice(b"-----\n\nno base64 at all");
    assert_eq!(
        recognise(&mut image.as_slice()),
        Some(Form::Signed),
        "a whole one does, and what is wrong comes out later"
    );
    assert!(matches!(look(&image, 1 << 20), Err(SignatureError::NoMessage { .. })));
}

#[test]
fn s10_every_cut_of_a_message_is_refused() {
    for (key, message) in [(RFC_KEY, RFC_INLINE), (RFC_KEY, RFC_CLEARTEXT), (GPG_KEY, GPG_PACKED)] {
        let key = Key::parse(key).unwrap();
        // Not the armour's last line: the sum that counts is in the signature.
        let end = message.windows(13).position(|it| it == b"-----END PGP ".as_slice()).unwrap();
        for len in 0..end - 8 {
            let _ = recognise(&mut &message[..len]);
            assert!(open(&message[..len], &key, NOW, 1 << 20).is_err(), "cut to {len}");
        }
    }
}

proptest! {
    #[test]
    fn s10_any_bytes_are_no_signed_message(first in 0x80_u8.., bytes in proptest::collection::vec(any::<u8>(), 0..600)) {
        let bytes = [vec![first], bytes].concat();
        prop_assert!(!recognise(&mut bytes.as_slice()).is_some_and(Form::is_signed));
        prop_assert!(look(&bytes, 1 << 16).map_or(true, |content| content.len() <= 1 << 16));
    }

    #[test]
    fn s10_bent_messages_do_not_panic(at in 0_usize..400, bit in 0_u32..8) {
        let key = Key::parse(RFC_KEY).unwrap();
        for message in [RFC_INLINE, RFC_CLEARTEXT, GPG_PACKED, RFC_ENCRYPTED] {
            let mut bent = message.to_vec();
            let at = at % bent.len();
            bent[at] ^= 1 << bit;
            let _ = recognise(&mut bent.as_slice());
            let _ = look(&bent, 1 << 20);
            let _ = open(&bent, &key, NOW, 1 << 20);
        }
    }

    #[test]
    fn s10_any_bytes_are_refused(bytes in proptest::collection::vec(any::<u8>(), 0..300)) {
        prop_assert!(Key::parse(&bytes).is_err() || bytes.len() > 8);
        prop_assert!(packets(&bytes).map_or(true, |found| !found.is_empty()));
    }
}
