//! Why a file is not taken in.

use std::path::PathBuf;

use intake::archive::ArchiveError;
use intake::keys::{PinsError, grouped};
use intake::list::ListError;
use intake::openpgp::Form;
use intake::proof::SignatureError;

use crate::error::ErrorKind;

/// Why a file is not taken in. Nothing of it was kept.
#[derive(Debug, thiserror::Error)]
#[expect(missing_docs, reason = "the fields are named by the text of each variant")]
pub enum IntakeError {
    /// A file that cannot be read.
    #[error("cannot take {} in: {why}", path.display())]
    File { path: PathBuf, why: String },
    /// The file was written to in between.
    #[error("{} changed while it was read", path.display())]
    Changed { path: PathBuf },
    /// A checksum list or hash that does not vouch for it.
    #[error(transparent)]
    List(#[from] ListError),
    /// A signature that does not.
    #[error(transparent)]
    Signature(#[from] SignatureError),
    /// An archive that does not give the member.
    #[error("{}", archive(file, error))]
    Archive { file: String, error: ArchiveError },
    /// A signature, and no word on whose it is.
    #[error("a key is kept for whoever signs with it, and nobody said whose file this is")]
    NoOrigin,
    /// A signature, no key, and none pinned.
    #[error("no key of {origin} is pinned on this bench, and none was given")]
    NoKey { origin: String },
    /// A file of OpenPGP with nothing signed in it.
    #[error("{file} is {}", what_it_is(*form))]
    NoMessage { file: String, form: Form },
    /// A signed message, and no word on whose it is.
    #[error("{file} is an OpenPGP signed message, and nobody said by whose key")]
    MessageAlone { file: String },
    /// A signed message that is too large.
    #[error(
        "{file} is an OpenPGP signed message of {size} bytes, and such a one is held in memory, up to {most} bytes"
    )]
    LargeMessage { file: String, size: u64, most: u64 },
    /// A key beside no signature.
    #[error("there is a key, and no signature that could be held against it")]
    NoSignature,
    /// Another key than the pinned one.
    #[error(
        "the key of {origin} has changed: {} is pinned, by {by} on {since}, and this is {}",
        grouped(pinned),
        grouped(given)
    )]
    KeyChanged { origin: String, pinned: String, by: String, since: String, given: String },
    /// A key that nobody compared.
    #[error("the key {} of {origin} is not pinned on this bench, and somebody has to compare it first", grouped(key))]
    NotCompared { origin: String, key: String },
    /// Somebody compared it, and it is another one.
    #[error("the key {} of {origin} was not confirmed", grouped(key))]
    NotConfirmed { origin: String, key: String },
    /// The bench's file of pinned keys cannot be read.
    #[error("the pinned keys in {} cannot be read: {error}", path.display())]
    Pins { path: PathBuf, error: PinsError },
    /// The pinned key's file is not what was pinned.
    #[error("the key file that is kept for {origin} is not the pinned key")]
    PinnedKey { origin: String },
    /// Not what the job's step asks for.
    #[error("step `{step}` takes another file in: {why}")]
    OtherFile { step: String, why: String },
}

fn what_it_is(form: Form) -> &'static str {
    match form {
        Form::Signed | Form::Cleartext => "an OpenPGP signed message",
        Form::Encrypted => {
            "an encrypted OpenPGP message: what is in it, and by whom, cannot be seen without a secret key"
        }
        Form::Unsigned => "an OpenPGP message that nobody signed, which proves nothing",
        Form::Detached => "an OpenPGP signature, and not the file that it is over",
        Form::Key => "an OpenPGP key, and no file that it could vouch for",
        Form::SecretKey => "a secret OpenPGP key, which nobody but its owner may have",
    }
}

fn archive(file: &str, error: &ArchiveError) -> String {
    match error {
        ArchiveError::NotAnArchive => format!("{file} is no archive that is known here (tar, zip, gzip, xz, zstd)"),
        // Its cause is no cause of ours: the text says all of it.
        ArchiveError::Read(cause) | ArchiveError::Write(cause) => format!("{file}: {error}: {cause}"),
        error => format!("{file}: {error}"),
    }
}

impl IntakeError {
    /// Who is at fault.
    #[must_use]
    pub fn kind(&self) -> ErrorKind {
        match self {
            Self::File { .. }
            | Self::NoOrigin
            | Self::NoKey { .. }
            | Self::NoSignature
            | Self::NoMessage { .. }
            | Self::MessageAlone { .. }
            | Self::NotCompared { .. }
            | Self::List(ListError::NoHash { .. } | ListError::NoList | ListError::TooLong { .. })
            | Self::Signature(SignatureError::NoKey { .. } | SignatureError::NoSignature { .. })
            | Self::Archive { error: ArchiveError::NoMember { .. } | ArchiveError::NotAnArchive, .. } => {
                ErrorKind::Usage
            }
            Self::Signature(SignatureError::Read(_)) | Self::Archive { error: ArchiveError::Read(_), .. } => {
                ErrorKind::System
            }
            Self::Pins { .. } | Self::PinnedKey { .. } => ErrorKind::Damaged,
            Self::Changed { .. }
            | Self::List(_)
            | Self::Signature(_)
            | Self::Archive { .. }
            | Self::KeyChanged { .. }
            | Self::NotConfirmed { .. }
            | Self::LargeMessage { .. }
            | Self::OtherFile { .. } => ErrorKind::Refused,
        }
    }

    /// What to do next.
    #[must_use]
    pub fn hint(&self) -> Option<String> {
        const NOTHING: &str = "nothing was kept";
        Some(match self {
            Self::File { .. } => "name a regular file".into(),
            Self::Changed { .. } => format!("wait until the download has ended, then run the same command again; {NOTHING}"),
            Self::List(ListError::NotMentioned { under: Some(_), .. }) => {
                "if that is the file that you meant, give it this name and run the same command again".into()
            }
            Self::List(ListError::NotMentioned { .. }) => {
                format!("fetch the list that was published with this very file; {NOTHING}")
            }
            Self::List(ListError::Differs { .. }) => format!(
                "the download is cut or altered, or the list is of another version: fetch both again, from another place if it \
                 stays so; {NOTHING}"
            ),
            Self::List(ListError::Weak { .. }) => {
                "look for a SHA-256 or SHA-512 list, or a signature; `--weak` takes the file all the same, and the vault remembers it"
                    .into()
            }
            Self::List(ListError::Contradiction { .. }) => format!("ask whoever made the list; {NOTHING}"),
            Self::List(ListError::NoHash { .. } | ListError::NoList | ListError::TooLong { .. }) => {
                "docs/formats.md has the forms that are read".into()
            }
            Self::Signature(SignatureError::OtherKey { .. }) => format!(
                "see that key and signature come from the same people; a signature by somebody else proves nothing here; {NOTHING}"
            ),
            Self::Signature(SignatureError::Key { .. }) => {
                format!("fetch the newest copy of the key from its owner, and compare it again; {NOTHING}")
            }
            Self::Signature(SignatureError::Wrong) => {
                format!("fetch file and signature again, from another place if it stays so; {NOTHING}")
            }
            Self::Signature(SignatureError::Policy { .. }) => format!("ask for a newer signature; {NOTHING}"),
            Self::Signature(SignatureError::NoMessage { .. }) => format!(
                "fetch the file again; if it stays so, ask for the file itself with a signature beside it; {NOTHING}"
            ),
            Self::Signature(SignatureError::Unpacks { .. }) => {
                format!("ask for the file itself with a signature beside it; {NOTHING}")
            }
            Self::Signature(_) => return None,
            Self::Archive { .. } => "`firmhand intake FILE --members` lists what is in it".into(),
            Self::NoOrigin => "say it with `--origin TEXT`, for example the project's name".into(),
            Self::NoKey { .. } => "give the key with `--key FILE`".into(),
            Self::NoMessage { form: Form::Detached, file } => {
                format!("`firmhand intake FILE --signature {file} --key KEY --origin TEXT` holds the file against it")
            }
            Self::NoMessage { form: Form::Key, file } => {
                format!("`firmhand intake FILE --signature SIGNATURE --key {file} --origin TEXT` holds a file against it")
            }
            Self::NoMessage { form: Form::SecretKey, .. } => {
                format!("put it away safely; what signatures are checked with is the public key; {NOTHING}")
            }
            Self::NoMessage { form: Form::Encrypted, .. } => format!(
                "decrypt it where its secret key is, and take in what comes out, with a list or a signature; {NOTHING}"
            ),
            Self::NoMessage { .. } => {
                format!("take in the file that is inside, with `--list` or `--signature`; {NOTHING}")
            }
            Self::MessageAlone { .. } => {
                "say whose it is with `--origin TEXT`, and give their key with `--key FILE` if it is not pinned yet".into()
            }
            Self::LargeMessage { .. } => format!(
                "ask for the file itself and a signature beside it: `--signature FILE` takes files of any size; {NOTHING}"
            ),
            Self::NoSignature => "give the signature with `--signature FILE`".into(),
            Self::KeyChanged { .. } => format!(
                "do not take this file until its makers say in a second place that they have a new key; then `--change-key` with \
                 `--signed NAME` replaces the pinned one; {NOTHING}"
            ),
            Self::NotCompared { .. } => {
                "compare these groups with a second source (print, phone, another site), then sign with `--signed NAME`".into()
            }
            Self::NotConfirmed { .. } => format!("do not use this file; {NOTHING}"),
            Self::Pins { .. } => "mend the file, or bring it back from a copy of the bench".into(),
            Self::PinnedKey { .. } => "run `firmhand vault scrub`, or give the key again with `--key FILE`".into(),
            Self::OtherFile { .. } => format!("`firmhand job next` says which one; {NOTHING}"),
        })
    }
}
