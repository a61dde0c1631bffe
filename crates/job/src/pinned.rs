//! What is known by its hash alone: among the files that a person named, or in the vault.
//!
//! Recipes, profiles and pictures pin contents; what a file is called and where it lies decides nothing. Files that a person named go
//! before the vault, and are read piece by piece: a disc image may have any length.

use std::path::PathBuf;

use image::pin::Pin;
use media::Source;
use media::source::FileSource;
use vault::{Digest, Filter, Vault};

use crate::error::JobError;
use crate::{files, part};

/// The bytes of this hash, out of the files that were named or out of the vault.
pub(crate) fn bytes(vault: &Vault, pin: &Pin, with: &[PathBuf]) -> Result<Option<Vec<u8>>, JobError> {
    if let Some(path) = among(pin, with)? {
        return files::read(path, u64::from(nor::MAX_SIZE)).map(Some);
    }
    kept(vault, pin)?.map(|id| Ok(vault.read_vec(&id)?)).transpose()
}

/// The vendor's file of this hash, which may have any length.
pub(crate) fn source(vault: &Vault, pin: &Pin, with: &[PathBuf]) -> Result<Option<FileSource>, JobError> {
    if let Some(path) = among(pin, with)? {
        return part::open_file(path).map(Some);
    }
    kept(vault, pin)?.map(|id| part::open_kept(vault, &id)).transpose()
}

/// The file of this hash among those that were named, each read piece by piece. What is loaded from it afterwards is held against
/// its own hash once more.
pub(crate) fn among<'w>(pin: &Pin, with: &'w [PathBuf]) -> Result<Option<&'w PathBuf>, JobError> {
    for path in with {
        let source = part::open_file(path)?;
        let mut hash = pin.hasher();
        let read = media::medium::copy(&source, 0, source.len(), &mut |piece| {
            hash.update(piece);
            Ok(())
        });
        read.map_err(|error| JobError::ImageFile { path: path.clone(), why: error.to_string() })?;
        if hash.pin() == *pin {
            return Ok(Some(path));
        }
    }
    Ok(None)
}

/// The content of this hash in the vault.
pub(crate) fn kept(vault: &Vault, pin: &Pin) -> Result<Option<Digest>, JobError> {
    let filter = match pin {
        Pin::Blake3(hash) => Filter { id: Some(Digest(*hash)), ..Filter::default() },
        Pin::Sha256(hash) => Filter { sha256: Some(Digest(*hash)), ..Filter::default() },
    };
    Ok(vault.list(&filter)?.items.first().map(|item| item.id))
}
