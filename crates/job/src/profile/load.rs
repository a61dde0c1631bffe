//! A profile from its file: size limit, text, tables, checks, and the files that it names.

use std::fs::File;
use std::io::Read;
use std::path::{Path, PathBuf};

use super::document::{Document, Spot};
use super::error::{Finding, ProfileError, Severity};
use super::model::{ImageSource, Profile};
use super::parse::{Draft, draft};

/// Longest profile: 1 MiB (safety rule S10).
pub const MOST_BYTES: u64 = 1 << 20;

/// A profile with what somebody should look at.
#[derive(Debug, Clone, PartialEq)]
pub struct Checked {
    /// The profile.
    pub profile: Profile,
    /// Warnings; a profile with an error is none.
    pub warnings: Vec<Finding>,
}

impl Profile {
    /// Returns the profile in the file at `path`, checked, with its steps in an order in which they can be done.
    ///
    /// # Errors
    /// As [`Profile::check`].
    pub fn load(path: &Path) -> Result<Self, ProfileError> {
        Self::check(path).map(|checked| checked.profile)
    }

    /// Returns the profile in the file at `path` together with its warnings.
    ///
    /// Files that it names are looked at as well: a symbolic link that leads out of the profile's folder is an error, a file
    /// that is missing a warning.
    ///
    /// # Errors
    /// [`ProfileError::Io`], [`ProfileError::TooLong`] over [`MOST_BYTES`], [`ProfileError::NotText`], and
    /// [`ProfileError::Findings`] with all findings when one at least is an error.
    pub fn check(path: &Path) -> Result<Checked, ProfileError> {
        let io = |source| ProfileError::Io { path: path.to_owned(), source };
        let mut bytes = Vec::new();
        File::open(path).map_err(io)?.take(MOST_BYTES + 1).read_to_end(&mut bytes).map_err(io)?;
        if bytes.len() as u64 > MOST_BYTES {
            return Err(ProfileError::TooLong { path: path.to_owned(), most: MOST_BYTES });
        }
        let text = String::from_utf8(bytes)
            .map_err(|error| ProfileError::NotText { path: path.to_owned(), at: error.utf8_error().valid_up_to() })?;
        parsed(&text, path, |document, draft| {
            files(document, draft, path.parent().unwrap_or(Path::new("")));
        })
    }

    /// Returns the profile in `text`; `path` is what errors call it. No file is looked at.
    ///
    /// # Errors
    /// [`ProfileError::TooLong`], [`ProfileError::Findings`].
    pub fn parse(text: &str, path: &Path) -> Result<Self, ProfileError> {
        if text.len() as u64 > MOST_BYTES {
            return Err(ProfileError::TooLong { path: path.to_owned(), most: MOST_BYTES });
        }
        parsed(text, path, |_, _| ()).map(|checked| checked.profile)
    }
}

fn parsed(text: &str, path: &Path, more: impl FnOnce(&Document<'_>, &Draft)) -> Result<Checked, ProfileError> {
    let document = Document::new(text);
    let draft = draft(&document).map(|mut draft| {
        if !document.has_errors() {
            more(&document, &draft);
            super::check::check(&document, &mut draft);
        }
        draft
    });
    let findings = document.into_findings();
    match draft {
        Some(draft) if findings.iter().all(|finding| finding.severity == Severity::Warning) => {
            Ok(Checked { profile: draft.profile, warnings: findings })
        }
        _ => Err(ProfileError::Findings { path: path.to_owned(), findings }),
    }
}

/// Looks at the files that a profile names.
fn files(document: &Document<'_>, draft: &Draft, folder: &Path) {
    let pictures = draft.profile.steps.iter().zip(&draft.spots.steps);
    let pictures = pictures.flat_map(|(step, spot)| step.pictures.iter().map(|path| (*spot, "pictures", path)));
    let images = draft.profile.variants.iter().zip(&draft.spots.images);
    let recipes = images.flat_map(|(variant, spots)| variant.images.iter().zip(spots)).filter_map(|(image, spot)| {
        match &image.source {
            ImageSource::Recipe(path) => Some((*spot, "recipe", path)),
            ImageSource::File(_) => None,
        }
    });
    let named: Vec<(Spot, &str, &PathBuf)> = pictures.chain(recipes).collect();
    if named.is_empty() {
        return;
    }
    let folder = if folder.as_os_str().is_empty() { Path::new(".") } else { folder };
    let Ok(base) = folder.canonicalize() else { return };
    for (spot, key, path) in named {
        match base.join(path).canonicalize() {
            Ok(real) if !real.starts_with(&base) => {
                let what = format!("`{}` is a link that leads out of the profile's folder", path.display());
                document.error(spot, key, what, "keep what the profile needs in its own folder");
            }
            Ok(_) => {}
            Err(error) => {
                let what = format!("`{}` cannot be opened ({error})", path.display());
                document.warning(spot, key, what, "put the file there before the work begins");
            }
        }
    }
}
