//! The bench's pinned keys: the file, and the question that a new key asks.
//!
//! `keys.toml` is replaced whole: a part file beside it first, durable, then the rename. Whoever changes it holds the lock `keys`.

use std::fs::{self, File, OpenOptions};
use std::io::Write;
use std::os::unix::fs::OpenOptionsExt;
use std::path::{Path, PathBuf};

use intake::keys::{Pin, Pins, Standing, grouped};
use intake::proof::Scheme;
use vault::{Digest, Vault};

use super::IntakeError;
use crate::error::JobError;
use crate::front::{Front, Question, QuestionKind, Reply};
use crate::session::now;

/// A key that is not pinned yet, and may be.
pub(super) struct Fresh<'a> {
    pub(super) origin: &'a str,
    pub(super) scheme: Scheme,
    pub(super) key: &'a str,
    /// Who the key says it belongs to.
    pub(super) user: Option<&'a str>,
}

pub(super) fn path(vault: &Vault) -> PathBuf {
    vault.root().join("keys.toml")
}

/// Reads the pins; there are none before the first one.
pub(super) fn read(vault: &Vault) -> Result<Pins, JobError> {
    let path = path(vault);
    if !path.exists() {
        return Ok(Pins::default());
    }
    let bytes = super::read_small(&path, intake::keys::LARGEST)?;
    let text = String::from_utf8_lossy(&bytes);
    Ok(Pins::parse(&text).map_err(|error| IntakeError::Pins { path, error })?)
}

/// Tells whether a key may be used as it stands: the pinned one may, a new one asks, a changed one is refused.
///
/// # Errors
/// [`IntakeError::KeyChanged`], unless `change` says that it changes on purpose.
pub(super) fn is_known(pins: &Pins, fresh: &Fresh<'_>, change: bool) -> Result<bool, IntakeError> {
    match pins.standing(fresh.origin, fresh.scheme, fresh.key) {
        Standing::Known(_) => Ok(true),
        Standing::First => Ok(false),
        Standing::Changed(_) if change => Ok(false),
        Standing::Changed(pin) => Err(IntakeError::KeyChanged {
            origin: fresh.origin.to_owned(),
            pinned: pin.key.clone(),
            by: pin.by.clone(),
            since: pin.since.clone(),
            given: fresh.key.to_owned(),
        }),
    }
}

/// Asks a person to compare a key that is not pinned yet; returns who signed.
///
/// # Errors
/// [`IntakeError::NotCompared`] where nobody can be asked; [`IntakeError::NotConfirmed`].
pub(super) fn ask(
    pins: &Pins,
    fresh: &Fresh<'_>,
    signed: Option<&str>,
    front: &mut dyn Front,
) -> Result<String, IntakeError> {
    if let Some(by) = signed {
        return Ok(by.to_owned());
    }
    let before = pins.pinned(fresh.origin, fresh.scheme);
    let mut cautions = vec![
        "Compare every group with a second source: print, phone, another site than the one the file came from."
            .to_owned(),
        "Who can change the file can change the key beside it.".to_owned(),
    ];
    if let Some(before) = before {
        cautions.push(format!("This replaces {}, pinned by {} on {}.", grouped(&before.key), before.by, before.since));
    }
    let user = fresh.user.map(|user| format!(", which calls itself {user},")).unwrap_or_default();
    let question = Question {
        name: "key",
        text: format!("Is this the key of {}? {}{user} is not pinned yet", fresh.origin, grouped(fresh.key)),
        cautions,
        kind: QuestionKind::Signature,
    };
    let (origin, key) = (fresh.origin.to_owned(), fresh.key.to_owned());
    match front.ask(&question) {
        Some(Reply::Signed(by)) => Ok(by),
        Some(_) => Err(IntakeError::NotConfirmed { origin, key }),
        None => Err(IntakeError::NotCompared { origin, key }),
    }
}

/// Adds a pin. Somebody else may have pinned the same in the meantime, which is fine; another key is refused as before.
pub(super) fn add(vault: &Vault, fresh: &Fresh<'_>, content: Digest, by: &str, change: bool) -> Result<(), JobError> {
    let _lock = vault.lock("keys", "firmhand intake", &now())?;
    let mut pins = read(vault)?;
    if is_known(&pins, fresh, change)? {
        return Ok(());
    }
    pins.keys.push(Pin {
        origin: fresh.origin.to_owned(),
        scheme: fresh.scheme.as_str().to_owned(),
        key: fresh.key.to_owned(),
        content: content.to_string(),
        by: by.to_owned(),
        since: now(),
    });
    let path = path(vault);
    let io = |source| JobError::Io { doing: "write", path: path.clone(), source };
    replace(&path, pins.text().as_bytes()).map_err(io)
}

fn replace(path: &Path, bytes: &[u8]) -> std::io::Result<()> {
    let part = path.with_extension("toml.part");
    let mut file = OpenOptions::new().write(true).create(true).truncate(true).mode(0o600).open(&part)?;
    file.write_all(bytes)?;
    file.sync_all()?;
    fs::rename(&part, path)?;
    path.parent().map_or(Ok(()), |folder| File::open(folder)?.sync_all())
}
