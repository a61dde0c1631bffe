//! Signatures that a standard prints: keys and messages of RFC 9580, appendix A, which neither we nor a tool on this computer made.

use intake::openpgp::{Key, open_cleartext, open_inline};
use intake::proof::SignatureError;

/// A.3, "Sample Version 6 Certificate": Ed25519, made in 2022, never expires.
const KEY: &str = "-----BEGIN PGP PUBLIC KEY BLOCK-----

xioGY4d/4xsAAAAg+U2nu0jWCmHlZ3BqZYfQMxmZu52JGggkLq2EVD34laPCsQYf
GwoAAABCBYJjh3/jAwsJBwUVCg4IDAIWAAKbAwIeCSIhBssYbE8GCaaX5NUt+mxy
KwwfHifBilZwj2Ul7Ce62azJBScJAgcCAAAAAK0oIBA+LX0ifsDm185Ecds2v8lw
gyU2kCcUmKfvBXbAf6rhRYWzuQOwEn7E/aLwIwRaLsdry0+VcallHhSu4RN6HWaE
QsiPlR4zxP/TP7mhfVEe7XWPxtnMUMtf15OyA51YBM4qBmOHf+MZAAAAIIaTJINn
+eUBXbki+PSAld2nhJh/LVmFsS+60WyvXkQ1wpsGGBsKAAAALAWCY4d/4wKbDCIh
BssYbE8GCaaX5NUt+mxyKwwfHifBilZwj2Ul7Ce62azJAAAAAAQBIKbpGG2dWTX8
j+VjFM21J0hqWlEg+bdiojWnKfA5AQpWUWtnNwDEM0g12vYxoWM8Y81W+bHBw805
I8kWVkXU6vFOi+HWvv/ira7ofJu16NnoUkhclkUrk0mXubZvyl4GBg==
-----END PGP PUBLIC KEY BLOCK-----
";

/// A.6, "Sample Cleartext Signed Message".
const CLEARTEXT: &str = "-----BEGIN PGP SIGNED MESSAGE-----

What we need from the grocery store:

- - tofu
- - vegetables
- - noodles

-----BEGIN PGP SIGNATURE-----

wpgGARsKAAAAKQWCY5ijYyIhBssYbE8GCaaX5NUt+mxyKwwfHifBilZwj2Ul7Ce6
2azJAAAAAGk2IHZJX1AhiJD39eLuPBgiUU9wUA9VHYblySHkBONKU/usJ9BvuAqo
/FvLFuGWMbKAdA+epq7V4HOtAPlBWmU8QOd6aud+aSunHQaaEJ+iTFjP2OMW0KBr
NK2ay45cX1IVAQ==
-----END PGP SIGNATURE-----
";

/// A.7, "Sample Inline Signed Message": the same text, signed in the same file.
const INLINE: &str = "-----BEGIN PGP MESSAGE-----

xEYGAQobIHZJX1AhiJD39eLuPBgiUU9wUA9VHYblySHkBONKU/usyxhsTwYJppfk
1S36bHIrDB8eJ8GKVnCPZSXsJ7rZrMkBy0p1AAAAAABXaGF0IHdlIG5lZWQgZnJv
bSB0aGUgZ3JvY2VyeSBzdG9yZToKCi0gdG9mdQotIHZlZ2V0YWJsZXMKLSBub29k
bGVzCsKYBgEbCgAAACkFgmOYo2MiIQbLGGxPBgmml+TVLfpscisMHx4nwYpWcI9l
JewnutmsyQAAAABpNiB2SV9QIYiQ9/Xi7jwYIlFPcFAPVR2G5ckh5ATjSlP7rCfQ
b7gKqPxbyxbhljGygHQPnqau1eBzrQD5QVplPEDnemrnfmkrpx0GmhCfokxYz9jj
FtCgazStmsuOXF9SFQE=
-----END PGP MESSAGE-----
";

const TEXT: &str = "What we need from the grocery store:\n\n- tofu\n- vegetables\n- noodles\n";
/// The certificate's fingerprint, as the messages name it.
const FINGERPRINT: &str = "CB186C4F0609A697E4D52DFA6C722B0C1F1E27C18A56708F6525EC27BAD9ACC9";
/// A day in 2026.
const NOW: u64 = 1_780_000_000;

#[test]
fn the_standard_s_own_messages_are_signed_by_its_key() {
    let key = Key::parse(KEY.as_bytes()).expect("a key");
    assert_eq!(key.fingerprint(), FINGERPRINT);
    let cleartext = open_cleartext(CLEARTEXT.as_bytes(), &key, NOW).expect("it is by this key");
    assert_eq!(cleartext.content, TEXT.replace('\n', "\r\n").as_bytes(), "as it is signed");
    assert_eq!(cleartext.proof.fingerprint, FINGERPRINT);
    let inline = open_inline(INLINE.as_bytes(), &key, NOW, 1 << 20).expect("it is by this key");
    assert_eq!(inline.content, TEXT.as_bytes());
}

#[test]
fn one_letter_changed_is_refused() {
    let key = Key::parse(KEY.as_bytes()).expect("a key");
    let altered = CLEARTEXT.replace("tofu", "tofa");
    assert!(matches!(open_cleartext(altered.as_bytes(), &key, NOW), Err(SignatureError::Wrong)));
}
