//! The profiles that an intake can choose from: those of the folders that a person named, and those that jobs of this bench keep.
//!
//! A profile is named by the hash of its text and never by a path. One that lies in a folder and is kept as well stands in the list once.

use std::path::{Path, PathBuf};

use vault::{Digest, Filter, Kind};

use super::questions::{Asked, questions};
use crate::error::JobError;
use crate::profile::{JobKind, MOST_BYTES, Profile};
use crate::session::open_bench;

/// A profile that an intake can choose.
#[derive(Debug, Clone)]
pub struct KnownProfile {
    /// BLAKE3 of its text.
    pub id: Digest,
    /// Its file name.
    pub name: String,
    /// The file; none for one that is kept in the vault alone.
    pub file: Option<PathBuf>,
    /// The profile.
    pub profile: Profile,
}

impl KnownProfile {
    /// What an intake for it asks.
    #[must_use]
    pub fn questions(&self, kind: JobKind) -> Vec<Asked> {
        questions(&self.profile, kind)
    }
}

/// What was found.
#[derive(Debug, Clone, Default)]
pub struct KnownProfiles {
    /// Profiles, those of the folders first.
    pub profiles: Vec<KnownProfile>,
    /// Files of these folders that were meant as profiles and are none: name, and why.
    pub faulty: Vec<(String, String)>,
}

/// Looks for profiles in these folders and in the vault.
///
/// # Errors
/// [`JobError::Io`] for a folder that cannot be listed; [`JobError::Vault`].
pub fn known_profiles(bench: &Path, folders: &[PathBuf]) -> Result<KnownProfiles, JobError> {
    let mut known = KnownProfiles::default();
    for path in crate::files::images_in(folders)? {
        if path.extension().is_some_and(|extension| extension == "toml") {
            known.look_at(&path);
        }
    }
    let vault = open_bench(bench)?;
    for item in vault.list(&Filter { kind: Some(Kind::Image), ..Filter::default() })?.items {
        // A profile belongs to no single job, and is short.
        let may_be = item.job.is_none() && item.name.ends_with(".toml") && item.size <= MOST_BYTES;
        if !may_be || known.profiles.iter().any(|other| other.id == item.id) {
            continue;
        }
        let text = String::from_utf8(vault.read_vec(&item.id)?).unwrap_or_default();
        if let Ok(profile) = Profile::parse(&text, Path::new(&item.name)) {
            known.profiles.push(KnownProfile { id: item.id, name: item.name, file: None, profile });
        }
    }
    Ok(known)
}

impl KnownProfiles {
    fn look_at(&mut self, path: &Path) {
        let Ok(bytes) = crate::files::read(path, MOST_BYTES) else { return };
        let Ok(text) = String::from_utf8(bytes) else { return };
        // Recipes and bench files lie in the same folders; what a profile begins with tells it from them.
        if !text.lines().any(|line| line.trim() == "[board]") {
            return;
        }
        let name = path.file_name().map(|name| name.to_string_lossy().into_owned()).unwrap_or_default();
        match Profile::check(path) {
            Ok(checked) => self.profiles.push(KnownProfile {
                id: Digest::blake3(text.as_bytes()),
                name,
                file: Some(path.to_owned()),
                profile: checked.profile,
            }),
            Err(error) => self.faulty.push((name, error.to_string())),
        }
    }
}
