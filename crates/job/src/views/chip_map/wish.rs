//! What the next write wants of a chip, as far as the job says it and it can be found.

use std::path::PathBuf;
use std::sync::Arc;

use image::pin::Pin;
use vault::{Digest, Vault, VaultError};

use crate::error::JobError;
use crate::files;
use crate::jobs::Work;
use crate::pinned;
use crate::profile::{Content, FileSpec, ImageSource, Step, StepKind};

/// What a write wants.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Wanted {
    /// A content of the vault.
    Kept(Digest),
    /// A published file that is not in the vault yet, as it was read.
    File(Arc<Vec<u8>>),
}

/// What the next writing step wants.
pub(super) enum Wish {
    Content(Wanted),
    Fill(u8),
}

/// The first writing step on the chip that is not done, as far as the job says what it writes.
pub(super) fn next_wish(vault: &Vault, work: &Work, chip: &str, folders: &[PathBuf]) -> Result<Option<Wish>, JobError> {
    let state = work.state();
    let writes = |step: &&Step| {
        matches!(step.kind, StepKind::Fill | StepKind::Apply)
            && work.profile.chips_of(step).contains(&chip)
            && !state.chip_done(&step.id, chip)
    };
    let Some(step) = work.profile.steps_of(work.header.kind).find(writes) else { return Ok(None) };
    if let Some(byte) = step.fill {
        return Ok(Some(Wish::Fill(byte)));
    }
    let content = match step.content {
        Some(Content::AsFound) => {
            work.header.earlier.iter().find(|earlier| earlier.chip == chip).map(|earlier| earlier.as_found)
        }
        Some(Content::Composed) => work.composed(chip),
        Some(Content::Variant) => match work.image_of(step) {
            Some(ImageSource::File(file)) if step.span.is_none() => {
                return Ok(published(vault, file, folders)?.map(Wish::Content));
            }
            _ => None,
        },
        None => None,
    };
    Ok(content.map(|id| Wish::Content(Wanted::Kept(id))))
}

/// A published file: in the vault once it was taken in or applied, else in a folder. Only files of its size are read.
fn published(vault: &Vault, file: &FileSpec, folders: &[PathBuf]) -> Result<Option<Wanted>, JobError> {
    let Ok(pin) = format!("sha256:{}", file.sha256).parse::<Pin>() else { return Ok(None) };
    if let Some(id) = pinned::kept(vault, &pin)? {
        return Ok(Some(Wanted::Kept(id)));
    }
    let mut fitting = files::images_in(folders)?;
    fitting.retain(|path| std::fs::metadata(path).is_ok_and(|meta| meta.len() == file.size));
    let found = pinned::among(&pin, &fitting)?;
    found.map(|path| Ok(Wanted::File(Arc::new(files::read(path, file.size)?)))).transpose()
}

/// What a write wants, unless the vault was asked to forget it.
pub(super) fn bytes_of(vault: &Vault, wanted: &Wanted) -> Result<Option<Arc<Vec<u8>>>, JobError> {
    match wanted {
        Wanted::Kept(id) => Ok(in_vault(vault, id)?.map(Arc::new)),
        Wanted::File(bytes) => Ok(Some(bytes.clone())),
    }
}

/// A content, unless the vault was asked to forget it.
pub(super) fn in_vault(vault: &Vault, id: &Digest) -> Result<Option<Vec<u8>>, JobError> {
    match vault.read_vec(id) {
        Ok(bytes) => Ok(Some(bytes)),
        Err(VaultError::NotFound { .. }) => Ok(None),
        Err(error) => Err(error.into()),
    }
}
