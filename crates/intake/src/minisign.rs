//! Signatures of the minisign format: Ed25519 over the file, or over its BLAKE2b hash.
//!
//! Source: the format's own description, "Signature format" and "Public key format" (from memory); the arithmetic is the crate
//! `minisign-verify`. The trusted comment is signed too, and so says when the signature was made, if whoever made it wrote that
//! down. The format has no expiry and no revocation: a key that is lost has to be replaced where it is pinned.

use std::io::Read;

use minisign_verify::{Error, PublicKey, Signature};

use crate::proof::{Proof, Scheme, SignatureError, shown};

/// The most that is held in memory for the older form of signature, which is over the file and not over its hash.
const MOST_HELD: u64 = 256 << 20;

/// A public key.
#[derive(Debug, Clone)]
pub struct Key {
    key: PublicKey,
    base64: String,
}

/// A signature that is by the key it is held against, its file not looked at yet.
pub struct Chosen {
    key: Key,
    signature: Signature,
    hashed: bool,
}

impl Key {
    /// Reads a key file: the line with the key, with or without the comment before it.
    ///
    /// # Errors
    /// [`SignatureError::NoKey`].
    pub fn parse(bytes: &[u8]) -> Result<Self, SignatureError> {
        let no = || SignatureError::NoKey { why: "it is no public key of minisign".into() };
        let text = std::str::from_utf8(bytes).map_err(|_| no())?;
        let lines: Vec<&str> = text.lines().map(str::trim).filter(|line| !line.is_empty()).take(3).collect();
        let base64 = match lines.as_slice() {
            [only] => only,
            [comment, key] if comment.starts_with("untrusted comment:") => key,
            _ => return Err(no()),
        };
        let key = PublicKey::from_base64(base64).map_err(|_| no())?;
        Ok(Self { key, base64: (*base64).to_owned() })
    }

    /// Returns what tells this key from all others: its line, as it is published. The number inside it is too short for that.
    #[must_use]
    pub fn fingerprint(&self) -> &str {
        &self.base64
    }
}

/// Tells whether these bytes look like a signature of this format.
#[must_use]
pub fn is_signature(bytes: &[u8]) -> bool {
    bytes.starts_with(b"untrusted comment:")
}

impl Chosen {
    /// Reads a signature file and holds it against a key.
    ///
    /// # Errors
    /// [`SignatureError::NoSignature`]; [`SignatureError::OtherKey`].
    pub fn new(bytes: &[u8], key: &Key) -> Result<Self, SignatureError> {
        let no = |why: &str| SignatureError::NoSignature { why: why.to_owned() };
        let text = std::str::from_utf8(bytes).map_err(|_| no("it is no text"))?;
        let signature = Signature::decode(text).map_err(|_| no("it breaks the form of minisign"))?;
        let hashed = match key.key.verify_stream(&signature) {
            Ok(_) => true,
            Err(Error::UnsupportedLegacyMode) => false,
            Err(Error::UnexpectedKeyId) => {
                return Err(SignatureError::OtherKey { signer: "another key".into(), key: key.base64.clone() });
            }
            Err(_) => return Err(no("it cannot be used")),
        };
        Ok(Self { key: key.clone(), signature, hashed })
    }

    /// Verifies the signature over all that `source` yields.
    ///
    /// # Errors
    /// [`SignatureError::Wrong`]; [`SignatureError::TooLarge`]; [`SignatureError::Read`].
    pub fn verify(&self, source: &mut dyn Read) -> Result<Proof, SignatureError> {
        let verified = if self.hashed {
            let mut verifier = self.key.key.verify_stream(&self.signature).map_err(|_| SignatureError::Wrong)?;
            let mut buffer = vec![0; 1 << 16];
            loop {
                match source.read(&mut buffer).map_err(SignatureError::Read)? {
                    0 => break verifier.finalize(),
                    read => verifier.update(&buffer[..read]),
                }
            }
        } else {
            let mut bytes = Vec::new();
            source.take(MOST_HELD + 1).read_to_end(&mut bytes).map_err(SignatureError::Read)?;
            if bytes.len() as u64 > MOST_HELD {
                return Err(SignatureError::TooLarge { most: MOST_HELD });
            }
            self.key.key.verify(&bytes, &self.signature, true)
        };
        verified.map_err(|_| SignatureError::Wrong)?;
        Ok(Proof {
            scheme: Scheme::Minisign,
            fingerprint: self.key.base64.clone(),
            user: None,
            comment: Some(shown(self.signature.trusted_comment())),
            made_at: stamp(self.signature.trusted_comment()),
            hash: if self.hashed { "BLAKE2b" } else { "the file itself" }.to_owned(),
        })
    }
}

/// The time in the trusted comment, as the format's own program writes it: `timestamp:SECONDS`.
fn stamp(comment: &str) -> Option<u64> {
    comment.split_whitespace().find_map(|word| word.strip_prefix("timestamp:")?.parse().ok())
}

#[cfg(test)]
mod tests;
