//! What a signature proves, and why it does not.

use std::io;

/// How something is signed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Scheme {
    /// OpenPGP, RFC 9580.
    OpenPgp,
    /// Minisign.
    Minisign,
}

impl Scheme {
    /// Returns the word that files and JSON carry: `openpgp`, `minisign`.
    #[must_use]
    pub fn as_str(self) -> &'static str {
        match self {
            Self::OpenPgp => "openpgp",
            Self::Minisign => "minisign",
        }
    }

    /// Returns the scheme of this word.
    #[must_use]
    pub fn of(word: &str) -> Option<Self> {
        [Self::OpenPgp, Self::Minisign].into_iter().find(|scheme| scheme.as_str() == word)
    }
}

/// A signature that holds.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Proof {
    /// How it is signed.
    pub scheme: Scheme,
    /// The key: of OpenPGP the fingerprint of the main key, of minisign the key itself.
    pub fingerprint: String,
    /// Who the key says it belongs to; nobody else vouches for that.
    pub user: Option<String>,
    /// A comment that is signed too.
    pub comment: Option<String>,
    /// When it was made by its own word, in seconds since 1970.
    pub made_at: Option<u64>,
    /// The hash that is signed.
    pub hash: String,
}

/// Why a signature proves nothing.
#[derive(Debug, thiserror::Error)]
pub enum SignatureError {
    /// The key file holds no key.
    #[error("the key file cannot be used: {why}")]
    NoKey {
        /// What is wrong.
        why: String,
    },
    /// The signature file holds no signature.
    #[error("the signature file cannot be used: {why}")]
    NoSignature {
        /// What is wrong.
        why: String,
    },
    /// The message holds nothing that is signed, or cannot be read.
    #[error("the signed message cannot be used: {why}")]
    NoMessage {
        /// What is wrong.
        why: String,
    },
    /// What is signed in a message is larger than it may be.
    #[error("more than {most} bytes come out of the signed message, the most that is unpacked here")]
    Unpacks {
        /// The limit.
        most: u64,
    },
    /// Another key signed.
    #[error("the signature is by {signer}, and not by the key {key}")]
    OtherKey {
        /// Who signed, as far as the signature says.
        signer: String,
        /// The key that was given.
        key: String,
    },
    /// The key may not sign, or not any more.
    #[error("the key {key} does not vouch for this: {why}")]
    Key {
        /// The key.
        key: String,
        /// What is wrong with it.
        why: String,
    },
    /// The signature itself may not be relied on.
    #[error("the signature does not count: {why}")]
    Policy {
        /// What is wrong with it.
        why: String,
    },
    /// It is over something else.
    #[error("the signature is not over this file: the file was altered, or the signature belongs to another one")]
    Wrong,
    /// The form needs the whole file in memory.
    #[error("a signature of the older form is checked for files of up to {most} bytes")]
    TooLarge {
        /// The limit.
        most: u64,
    },
    /// The file cannot be read.
    #[error("the file cannot be read")]
    Read(#[source] io::Error),
}

/// Returns a text of somebody else's that may be shown: one line, shortened, without what moves a cursor.
pub(crate) fn shown(text: &str) -> String {
    const MOST: usize = 200;
    text.chars().take(MOST).map(|letter| if letter.is_control() { ' ' } else { letter }).collect()
}
