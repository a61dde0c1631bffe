//! Hashes that pin a content down, so that a recipe names bytes and not the place where they happened to lie.
//!
//! Two kinds: SHA-256, which people compare with published lists, and BLAKE3, which the vault uses as a content's id. Written
//! `sha256:` or `blake3:` and 64 small hexadecimal digits. The decision a reader would question: capital digits are refused.
//! One spelling means that pins can be compared and searched for as text.

use std::fmt;
use std::str::FromStr;

use sha2::{Digest, Sha256};

/// A hash over a whole content.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Pin {
    /// SHA-256 (FIPS 180-4).
    Sha256([u8; 32]),
    /// BLAKE3, 256 bits: a content's id in the vault.
    Blake3([u8; 32]),
}

/// Why a text is no pin.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum PinError {
    /// Nothing, or something else, in front of the colon.
    #[error("it does not begin with `sha256:` or `blake3:`")]
    Kind,
    /// What follows is no 256-bit hash.
    #[error("a hash is 64 hexadecimal digits in small letters; here are {len} characters, not all of them such")]
    Digits {
        /// Characters given.
        len: usize,
    },
}

impl Pin {
    /// Returns the SHA-256 of `bytes`.
    pub fn sha256(bytes: &[u8]) -> Self {
        Self::Sha256(Sha256::digest(bytes).into())
    }

    /// Returns the BLAKE3 of `bytes`.
    pub fn blake3(bytes: &[u8]) -> Self {
        Self::Blake3(*blake3::hash(bytes).as_bytes())
    }

    /// Returns the hash of `bytes` of the same kind as this one; equal when `bytes` are what is pinned.
    #[must_use]
    pub fn of_same_kind(&self, bytes: &[u8]) -> Self {
        match self {
            Self::Sha256(_) => Self::sha256(bytes),
            Self::Blake3(_) => Self::blake3(bytes),
        }
    }

    /// Returns what makes a hash of the same kind as this one, piece by piece.
    pub fn hasher(&self) -> Hasher {
        match self {
            Self::Sha256(_) => Hasher::Sha256(Sha256::new()),
            Self::Blake3(_) => Hasher::Blake3(Box::default()),
        }
    }

    /// Returns the 64 digits without the kind.
    pub fn digits(&self) -> String {
        let (Self::Sha256(hash) | Self::Blake3(hash)) = self;
        hash.iter().map(|byte| format!("{byte:02x}")).collect()
    }
}

/// A hash in the making.
#[derive(Debug, Clone)]
pub enum Hasher {
    /// SHA-256.
    Sha256(Sha256),
    /// BLAKE3; its state is large.
    Blake3(Box<blake3::Hasher>),
}

impl Hasher {
    /// Takes the next bytes.
    pub fn update(&mut self, bytes: &[u8]) {
        match self {
            Self::Sha256(hash) => hash.update(bytes),
            Self::Blake3(hash) => {
                hash.update(bytes);
            }
        }
    }

    /// Returns the hash of all that was taken.
    pub fn pin(self) -> Pin {
        match self {
            Self::Sha256(hash) => Pin::Sha256(hash.finalize().into()),
            Self::Blake3(hash) => Pin::Blake3(*hash.finalize().as_bytes()),
        }
    }
}

impl fmt::Display for Pin {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let kind = match self {
            Self::Sha256(_) => "sha256",
            Self::Blake3(_) => "blake3",
        };
        write!(f, "{kind}:{}", self.digits())
    }
}

impl FromStr for Pin {
    type Err = PinError;

    fn from_str(text: &str) -> Result<Self, PinError> {
        match text.split_once(':') {
            Some(("sha256", digits)) => Ok(Self::Sha256(hash(digits)?)),
            Some(("blake3", digits)) => Ok(Self::Blake3(hash(digits)?)),
            _ => Err(PinError::Kind),
        }
    }
}

/// Returns the 32 bytes that 64 small hexadecimal digits stand for.
///
/// # Errors
///
/// [`PinError::Digits`] for any other text.
pub(crate) fn hash(digits: &str) -> Result<[u8; 32], PinError> {
    let bytes = hex(digits).filter(|_| !digits.bytes().any(|byte| byte.is_ascii_uppercase()));
    bytes.and_then(|bytes| bytes.try_into().ok()).ok_or(PinError::Digits { len: digits.chars().count() })
}

/// Returns the bytes that pairs of hexadecimal digits stand for; none for any other text.
pub(crate) fn hex(digits: &str) -> Option<Vec<u8>> {
    let (pairs, rest) = digits.as_bytes().as_chunks::<2>();
    let digit = |byte: u8| char::from(byte).to_digit(16);
    let bytes = pairs.iter().map(|[high, low]| u8::try_from(digit(*high)? << 4 | digit(*low)?).ok()).collect();
    if rest.is_empty() { bytes } else { None }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// SHA-256 of "abc": FIPS 180-4 example. BLAKE3 of nothing: the first of the algorithm's published test vectors (from memory).
    #[test]
    fn hashes_are_those_of_their_standards() {
        assert_eq!(
            Pin::sha256(b"abc").to_string(),
            "sha256:ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
        );
        assert_eq!(
            Pin::blake3(b"").to_string(),
            "blake3:af1349b9f5f9a1a6a0404dea36dcc9499bcb25c9adc112b7cc9a93cae41f3262"
        );
    }

    #[test]
    fn reads_what_it_writes_and_nothing_else() {
        for pin in [Pin::sha256(b"x"), Pin::blake3(b"x")] {
            let text = pin.to_string();
            assert_eq!(text.parse(), Ok(pin));
            assert_eq!(pin.of_same_kind(b"x"), pin);
            assert_ne!(pin.of_same_kind(b"y"), pin);
            let mut hash = pin.hasher();
            [&b"some"[..], b"", b"thing"].into_iter().for_each(|piece| hash.update(piece));
            assert_eq!(hash.pin(), pin.of_same_kind(b"something"));
            assert_eq!(text[..70].parse::<Pin>(), Err(PinError::Digits { len: 63 }));
            assert_eq!(text.replace(':', "").parse::<Pin>(), Err(PinError::Kind));
            assert_eq!(text.replacen(':', ":+", 1)[..71].parse::<Pin>(), Err(PinError::Digits { len: 64 }));
        }
        let upper = format!("sha256:{}", Pin::sha256(b"x").digits().to_uppercase());
        assert_eq!(upper.parse::<Pin>(), Err(PinError::Digits { len: 64 }));
        assert_eq!("md5:00".parse::<Pin>(), Err(PinError::Kind));
        assert_eq!(format!("sha256:{}", "é".repeat(32)).parse::<Pin>(), Err(PinError::Digits { len: 32 }));
    }

    #[test]
    fn hexadecimal_digits_come_in_pairs() {
        assert_eq!(hex("5aA5"), Some(vec![0x5A, 0xA5]));
        assert_eq!(hex(""), Some(vec![]));
        for wrong in ["5", "5a+5", "0x5a", "5a a5", "zz", "é"] {
            assert_eq!(hex(wrong), None, "{wrong}");
        }
    }
}
