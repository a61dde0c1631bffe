//! Lists and signatures for the scenario, its demo and the tests, as a publisher would make them.
//!
//! Nobody is to trust these: the secret key comes out of a seed that everybody can read. The form is that of [`crate::minisign`],
//! with the hash of the file signed.

use blake2::{Blake2b512, Digest as _};
use ed25519_dalek::{Signer, SigningKey};

use crate::digest::{Sum, sums};

/// A publisher of the scenario, with a key that is no secret.
pub struct Publisher {
    key: SigningKey,
    number: [u8; 8],
}

impl Publisher {
    /// Returns the publisher that this seed makes.
    #[must_use]
    pub fn new(seed: u64) -> Self {
        let drawn = Blake2b512::digest([b"firmhand scenario publisher ".as_slice(), &seed.to_le_bytes()].concat());
        let secret = drawn[..32].try_into().expect("64 bytes were drawn");
        let number = drawn[32..40].try_into().expect("64 bytes were drawn");
        Self { key: SigningKey::from_bytes(&secret), number }
    }

    /// Returns the key as it is published: the line that is pinned.
    #[must_use]
    pub fn key(&self) -> String {
        base64(&[b"Ed", &self.number[..], self.key.verifying_key().as_bytes()].concat())
    }

    /// Returns the text of the key file.
    #[must_use]
    pub fn key_file(&self) -> String {
        format!("untrusted comment: key of the scenario, no secret\n{}\n", self.key())
    }

    /// Returns the text of a signature file over this content, with a comment of one line that is signed too.
    #[must_use]
    pub fn signature(&self, content: &[u8], comment: &str) -> String {
        let signature = self.key.sign(&Blake2b512::digest(content)).to_bytes();
        let whole = self.key.sign(&[&signature[..], comment.as_bytes()].concat()).to_bytes();
        format!(
            "untrusted comment: signature of the scenario\n{}\ntrusted comment: {comment}\n{}\n",
            base64(&[b"ED", &self.number[..], &signature].concat()),
            base64(&whole)
        )
    }
}

/// Returns the text of a SHA-256 list of these files.
///
/// # Panics
/// Never: what is in memory can be read.
#[must_use]
pub fn list(files: &[(&str, &[u8])]) -> String {
    let line = |(name, content): &(&str, &[u8])| {
        let (sums, _) = sums::<()>(&mut &content[..], &[], Vec::new()).expect("what is in memory can be read");
        format!("{}  {name}\n", sums.digits(Sum::Sha256).unwrap_or_default())
    };
    files.iter().map(line).collect()
}

/// Base64 with its padding, RFC 4648 section 4.
fn base64(bytes: &[u8]) -> String {
    const LETTERS: &[u8; 64] = b"ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/";
    let mut text = String::new();
    for three in bytes.chunks(3) {
        let bits = three.iter().fold(0_u32, |bits, byte| bits << 8 | u32::from(*byte)) << (8 * (3 - three.len()));
        for place in 0..4 {
            let letter = if place <= three.len() { LETTERS[(bits >> (18 - 6 * place) & 63) as usize] } else { b'=' };
            text.push(char::from(letter));
        }
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::minisign::{Chosen, Key};

    #[test]
    fn base64_as_the_standard_has_it() {
        // RFC 4648 section 10.
        for (bytes, text) in [("", ""), ("f", "Zg=="), ("fo", "Zm8="), ("foo", "Zm9v"), ("foobar", "Zm9vYmFy")] {
            assert_eq!(base64(bytes.as_bytes()), text);
        }
    }

    #[test]
    fn what_a_publisher_signs_holds() {
        let publisher = Publisher::new(7);
        let key = Key::parse(publisher.key_file().as_bytes()).unwrap();
        let signature = publisher.signature(b"content", "of the scenario");
        let chosen = Chosen::new(signature.as_bytes(), &key).unwrap();
        assert_eq!(chosen.verify(&mut &b"content"[..]).unwrap().comment.as_deref(), Some("of the scenario"));
        assert!(chosen.verify(&mut &b"other"[..]).is_err());
        assert_ne!(publisher.key(), Publisher::new(8).key());
    }
}
