//! Reading files that a person names: regular ones alone, and never more than fits (safety rule S10).

use std::fs::File;
use std::io::{ErrorKind, Read, Write};
use std::path::{Path, PathBuf};

use vault::{Digest, Vault};

use crate::error::JobError;

/// Reads a regular file of at most `most` bytes.
///
/// # Errors
/// [`JobError::ImageFile`] for a folder, a device or a pipe, which may never end; for a file that is larger; for one that
/// cannot be read.
pub(crate) fn read(path: &Path, most: u64) -> Result<Vec<u8>, JobError> {
    let no = |why: String| JobError::ImageFile { path: path.to_path_buf(), why };
    let (file, len) = open_regular(path)?;
    let too_long = || no(format!("it has more than {most} bytes, the most that is taken here"));
    if len > most {
        return Err(too_long());
    }
    // Room for all at once: a buffer that grows is copied each time, and chips are large.
    let mut bytes = Vec::with_capacity(usize::try_from(len).unwrap_or_default() + 1);
    // One byte more than allowed tells a file that grows while it is read.
    file.take(most + 1).read_to_end(&mut bytes).map_err(|error| no(error.to_string()))?;
    if bytes.len() as u64 > most {
        return Err(too_long());
    }
    Ok(bytes)
}

/// Opens a regular file; returns its number of bytes too.
///
/// # Errors
/// [`JobError::ImageFile`] for a folder, a device or a pipe, and for a file that cannot be opened.
pub(crate) fn open_regular(path: &Path) -> Result<(File, u64), JobError> {
    let no = |why: String| JobError::ImageFile { path: path.to_path_buf(), why };
    // Looked at before it is opened: opening a pipe waits, and opening a device may do something.
    let meta = std::fs::metadata(path).map_err(|error| no(error.to_string()))?;
    if meta.is_dir() {
        return Err(no("it is a folder".into()));
    }
    if !meta.is_file() {
        return Err(no("it is no file but a device or a pipe".into()));
    }
    let file = File::open(path).map_err(|error| no(error.to_string()))?;
    Ok((file, meta.len()))
}

/// Writes a new file. One that holds these bytes already is left alone, so that a command can be run again (S2).
///
/// # Errors
/// [`JobError::Io`] for a file that holds something else, and for what cannot be written.
pub(crate) fn write_new(path: &Path, bytes: &[u8]) -> Result<(), JobError> {
    if read(path, bytes.len() as u64).is_ok_and(|found| found == bytes) {
        return Ok(());
    }
    let io = |source| JobError::Io { doing: "write", path: path.to_path_buf(), source };
    let mut file = File::options().write(true).create_new(true).open(path).map_err(io)?;
    file.write_all(bytes).and_then(|()| file.sync_all()).map_err(io)
}

/// Gives a finished file its name, durably; `part` may stay beside it as a second one. A file of that name is never replaced, nor
/// is one that somebody makes at this very moment.
///
/// # Errors
/// [`ErrorKind::AlreadyExists`] for a name that is taken, else what the system says.
pub(crate) fn take_name(part: &Path, path: &Path) -> std::io::Result<()> {
    match std::fs::hard_link(part, path) {
        Ok(()) => {}
        Err(error) if error.kind() == ErrorKind::AlreadyExists => return Err(error),
        // Not every file system knows second names. Then the name is taken first, and what replaces it is an empty file of our own.
        Err(_) => {
            File::options().write(true).create_new(true).open(path)?;
            std::fs::rename(part, path)?;
        }
    }
    let folder = path.parent().filter(|folder| !folder.as_os_str().is_empty()).unwrap_or_else(|| Path::new("."));
    File::open(folder)?.sync_all()
}

/// Writes a content of the vault into a file; returns whether it had to. A file that holds this content already is left alone,
/// so that a command which was cut off after it wrote can be run again (S2).
///
/// # Errors
/// [`vault::VaultError`] for a file that holds something else, unless `replace` says that it may go.
pub fn export(vault: &Vault, id: &Digest, path: &Path, replace: bool) -> Result<bool, JobError> {
    if !replace && read(path, u64::from(nor::MAX_SIZE)).is_ok_and(|bytes| Digest::blake3(&bytes) == *id) {
        return Ok(false);
    }
    vault.export(id, path, replace)?;
    Ok(true)
}

/// The regular files right in these folders, in order of their names.
///
/// # Errors
/// [`JobError::Io`] for a folder that cannot be listed.
pub fn in_folders(folders: &[PathBuf]) -> Result<Vec<PathBuf>, JobError> {
    let mut found = Vec::new();
    for folder in folders {
        let io = |source| JobError::Io { doing: "list", path: folder.clone(), source };
        let mut here = Vec::new();
        for entry in std::fs::read_dir(folder).map_err(io)? {
            let path = entry.map_err(io)?.path();
            // A name that leads to a file will do; a pipe or a device may never end.
            if std::fs::metadata(&path).is_ok_and(|meta| meta.is_file() && meta.len() > 0) {
                here.push(path);
            }
        }
        here.sort();
        found.extend(here);
    }
    Ok(found)
}

/// Those of them that are short enough for an image.
///
/// # Errors
/// As [`in_folders`].
pub(crate) fn images_in(folders: &[PathBuf]) -> Result<Vec<PathBuf>, JobError> {
    let mut found = in_folders(folders)?;
    found.retain(|path| std::fs::metadata(path).is_ok_and(|meta| meta.len() <= u64::from(nor::MAX_SIZE)));
    Ok(found)
}

/// All of them, the small ones first: where a hash is looked for among them, discs are read last.
///
/// # Errors
/// As [`in_folders`].
pub(crate) fn smallest_first(folders: &[PathBuf]) -> Result<Vec<PathBuf>, JobError> {
    let mut found = in_folders(folders)?;
    found.sort_by_key(|path| std::fs::metadata(path).map_or(u64::MAX, |meta| meta.len()));
    Ok(found)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// It was looked at first and renamed then, and what somebody wrote between the two was lost.
    #[test]
    fn a_name_that_is_taken_is_never_replaced() {
        let folder = tempfile::tempdir().expect("a folder");
        let [part, path] = ["out.part", "out"].map(|name| folder.path().join(name));
        std::fs::write(&part, b"new").expect("written");
        take_name(&part, &path).expect("the name is free");
        assert_eq!(std::fs::read(&path).expect("there"), b"new");
        std::fs::write(&part, b"other").expect("written");
        std::fs::remove_file(&path).and_then(|()| std::fs::write(&path, b"theirs")).expect("written");
        assert_eq!(take_name(&part, &path).expect_err("taken").kind(), ErrorKind::AlreadyExists);
        assert_eq!(std::fs::read(&path).expect("there"), b"theirs");
        std::os::unix::fs::symlink("nowhere", folder.path().join("link")).expect("a link");
        assert!(take_name(&part, &folder.path().join("link")).is_err(), "a link is a name too");
    }

    #[test]
    fn s10_what_may_never_end_is_not_read() {
        for path in ["/dev/zero", "/", "/dev/null"] {
            assert!(matches!(read(Path::new(path), 10), Err(JobError::ImageFile { .. })), "{path}");
        }
        let own = concat!(env!("CARGO_MANIFEST_DIR"), "/Cargo.toml");
        assert!(read(Path::new(own), 10).is_err(), "a file that is too long");
        assert!(read(Path::new(own), 1 << 20).is_ok());
    }
}
