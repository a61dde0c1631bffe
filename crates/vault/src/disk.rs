//! The one place where the vault changes the disk: make, write, sync, cut, rename, remove.
//!
//! Everything that is truth goes through here, so that a test can let the disk fail, or cut the power, at each single
//! operation (module `faults`). Without faults each call is the operating system's and nothing more.
//!
//! Not through here, because losing it loses nothing: lock files, and the index, which SQLite writes.
//!
//! | wanted | how |
//! |---|---|
//! | a file is whole or not there | [`Disk::store`]: written beside, synced, renamed, folder synced |
//! | the same, written bit by bit, perhaps before its name is known | [`Disk::begin`], then [`Beside::finish`] |
//! | a copy that a cut left out is told from a lost one | [`Disk::store`] and [`Disk::unstore`] with two paths, see there |
//! | a file grows by an entry | [`DiskFile::write_all`], [`DiskFile::sync`] |

use std::fs::{self, File, OpenOptions};
use std::io::{self, Write};
use std::os::unix::fs::{DirBuilderExt, OpenOptionsExt};
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicU64, Ordering};

use bytes::Bytes;

use crate::error::{VaultError, io_error};
use crate::faults::{Act, Faults};

/// What the name of a file ends in that is not finished.
pub(crate) const PART: &str = ".part";

/// Access to the disk.
#[derive(Debug, Clone, Default)]
pub(crate) struct Disk {
    faults: Option<Faults>,
}

/// A file that is being written.
#[derive(Debug)]
pub(crate) struct DiskFile {
    file: File,
    path: PathBuf,
    disk: Disk,
}

impl Disk {
    /// Returns the disk for a bench that this thread opens.
    pub(crate) fn here() -> Self {
        Self { faults: Faults::here() }
    }

    pub(crate) fn with(faults: Faults) -> Self {
        Self { faults: Some(faults) }
    }

    /// Makes the files `paths`, all with the bytes of `parts`, 0600, each whole and durable or not there. Files of these
    /// names are replaced, which is how a repair works; whoever wants to keep them looks first.
    ///
    /// With two paths the first counts: it is renamed last, and its unfinished file is durable before the second one
    /// appears. So a second file without a first and without `.part` beside it was not left by a cut: the first is lost.
    pub(crate) fn store(&self, paths: &[&Path], parts: &[Bytes]) -> Result<(), VaultError> {
        let beside: Vec<PathBuf> = paths.iter().map(|path| part_of(path)).collect();
        let written = self.store_parts(paths, &beside, parts);
        if written.is_err() {
            // Tidiness; what cannot be removed is harmless.
            for part in &beside {
                let _ = self.remove(part);
            }
        }
        written?;
        for (path, part) in paths.iter().zip(&beside).rev() {
            self.rename(part, path)?;
            self.sync_dir(folder_of(path))?;
        }
        Ok(())
    }

    /// Begins a file in the folder of `path`, under another name until it is finished. One of that name was left by a killed
    /// process that had our number; ours is opened as new, so that no link is followed.
    pub(crate) fn begin(&self, path: &Path) -> Result<Beside<'_>, VaultError> {
        let part = part_of(path);
        self.remove(&part)?;
        let file = self.create_new(&part).map_err(io_error("write", &part))?;
        Ok(Beside { file, disk: self })
    }

    /// Makes the file `path` as [`Disk::store`] does, unless somebody else makes it first; then theirs stays.
    pub(crate) fn store_new(&self, path: &Path, parts: &[Bytes]) -> Result<(), VaultError> {
        let part = part_of(path);
        let linked = self.store_parts(&[path], std::slice::from_ref(&part), parts).and_then(|()| {
            match self.run(Act::Link(path), || fs::hard_link(&part, path)) {
                Err(error) if error.kind() != io::ErrorKind::AlreadyExists => Err(io_error("make", path)(error)),
                _ => Ok(()),
            }
        });
        // Tidiness; what cannot be removed is harmless.
        let _ = self.remove(&part);
        linked?;
        self.sync_dir(folder_of(path))
    }

    /// Removes the files `paths`, durably; those that are gone already are no error. Of two the first one is renamed to an
    /// unfinished file until the second one is gone, so that a cut is told from a loss here as well.
    pub(crate) fn unstore(&self, paths: &[&Path]) -> Result<(), VaultError> {
        let Some((first, others)) = paths.split_first() else { return Ok(()) };
        let mut going = first.to_path_buf();
        if !others.is_empty() && first.exists() {
            going = part_of(first);
            self.rename(first, &going)?;
            self.sync_dir(folder_of(first))?;
        }
        for path in others.iter().copied().chain([going.as_path()]).filter(|path| path.exists()) {
            self.remove(path)?;
            self.sync_dir(folder_of(path))?;
        }
        Ok(())
    }

    fn store_parts(&self, paths: &[&Path], beside: &[PathBuf], parts: &[Bytes]) -> Result<(), VaultError> {
        for part in beside {
            let mut file = self.create(part)?;
            for bytes in parts {
                file.write_all(bytes).map_err(io_error("write", part))?;
            }
            file.sync()?;
        }
        if paths.len() > 1 { self.sync_dir(folder_of(paths[0])) } else { Ok(()) }
    }

    /// Makes a file, 0600, empty; one of that name is emptied.
    pub(crate) fn create(&self, path: &Path) -> Result<DiskFile, VaultError> {
        let mut options = OpenOptions::new();
        self.open(path, options.write(true).create(true).truncate(true)).map_err(io_error("write", path))
    }

    /// Makes a file, 0600; an error of kind `AlreadyExists` when there is one, and no link is followed.
    pub(crate) fn create_new(&self, path: &Path) -> io::Result<DiskFile> {
        self.open(path, OpenOptions::new().write(true).create_new(true))
    }

    /// Opens a file to append to it.
    pub(crate) fn append(&self, path: &Path) -> Result<DiskFile, VaultError> {
        let file = OpenOptions::new().read(true).append(true).open(path).map_err(io_error("open", path))?;
        Ok(DiskFile { file, path: path.to_path_buf(), disk: self.clone() })
    }

    /// Gives `from`, in the same folder, the name `to`; what had that name is gone.
    pub(crate) fn rename(&self, from: &Path, to: &Path) -> Result<(), VaultError> {
        self.run(Act::Rename { from, to }, || fs::rename(from, to)).map_err(io_error("write", to))
    }

    /// Removes a file. One that is gone already is no error.
    pub(crate) fn remove(&self, path: &Path) -> Result<(), VaultError> {
        match self.run(Act::Remove(path), || fs::remove_file(path)) {
            Err(error) if error.kind() != io::ErrorKind::NotFound => Err(io_error("remove", path)(error)),
            _ => Ok(()),
        }
    }

    /// Makes a folder's entries durable.
    pub(crate) fn sync_dir(&self, path: &Path) -> Result<(), VaultError> {
        let here = if path.as_os_str().is_empty() { Path::new(".") } else { path };
        self.run(Act::SyncDir(path), || File::open(here)?.sync_all()).map_err(io_error("sync", here))
    }

    /// Makes a folder and the ones above it, 0700 and durable. Folders that are there keep their mode.
    pub(crate) fn make_dir(&self, path: &Path) -> Result<(), VaultError> {
        if path.is_dir() {
            return Ok(());
        }
        if let Some(parent) = path.parent().filter(|parent| !parent.as_os_str().is_empty()) {
            self.make_dir(parent)?;
        }
        match self.run(Act::MakeDir(path), || fs::DirBuilder::new().mode(0o700).create(path)) {
            Err(error) if error.kind() != io::ErrorKind::AlreadyExists => Err(io_error("make", path)(error)),
            _ => self.sync_dir(folder_of(path)),
        }
    }

    fn open(&self, path: &Path, options: &mut OpenOptions) -> io::Result<DiskFile> {
        let file = self.run(Act::Create(path), || options.mode(0o600).open(path))?;
        Ok(DiskFile { file, path: path.to_path_buf(), disk: self.clone() })
    }

    fn run<T>(&self, act: Act<'_>, run: impl FnOnce() -> io::Result<T>) -> io::Result<T> {
        match &self.faults {
            None => run(),
            Some(faults) => faults.run(act, run),
        }
    }
}

/// A file that [`Disk::begin`] began. It is removed when nobody finishes it; what cannot be removed is harmless.
#[derive(Debug)]
pub(crate) struct Beside<'a> {
    file: DiskFile,
    disk: &'a Disk,
}

impl Beside<'_> {
    /// Returns where its bytes are until it is finished.
    pub(crate) fn path(&self) -> &Path {
        &self.file.path
    }

    /// Adds bytes.
    pub(crate) fn add(&mut self, bytes: &[u8]) -> Result<(), VaultError> {
        self.file.write_all(bytes).map_err(io_error("write", &self.file.path))
    }

    /// Makes its bytes durable.
    pub(crate) fn sync(&mut self) -> Result<(), VaultError> {
        self.file.sync()
    }

    /// Gives the file its name, in the same folder, durably. Whoever calls this has synced it.
    pub(crate) fn finish(self, path: &Path) -> Result<(), VaultError> {
        self.disk.rename(&self.file.path, path)?;
        self.disk.sync_dir(folder_of(path))
    }
}

impl Write for Beside<'_> {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.file.write(bytes)
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}

impl Drop for Beside<'_> {
    fn drop(&mut self) {
        if self.path().exists() {
            let _ = self.disk.remove(&self.file.path);
        }
    }
}

impl DiskFile {
    /// Makes the file's bytes durable.
    pub(crate) fn sync(&mut self) -> Result<(), VaultError> {
        let file = &self.file;
        self.disk.run(Act::Sync(&self.path), || file.sync_data()).map_err(io_error("sync", &self.path))
    }

    /// Cuts the file to `len` bytes.
    pub(crate) fn cut(&mut self, len: u64) -> Result<(), VaultError> {
        let file = &self.file;
        self.disk.run(Act::Cut(&self.path, file, len), || file.set_len(len)).map_err(io_error("cut", &self.path))
    }
}

impl Write for DiskFile {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        let file = &self.file;
        self.disk.run(Act::Write(&self.path, file, bytes), || {
            let mut file = file;
            file.write_all(bytes)
        })?;
        Ok(bytes.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}

/// Returns whether a file beside `path` says that a write of it was cut off.
pub(crate) fn was_cut_off(path: &Path) -> bool {
    let Some(name) = path.file_name().map(|name| name.to_string_lossy().into_owned()) else { return false };
    fs::read_dir(folder_of(path)).into_iter().flatten().flatten().any(|entry| {
        let found = entry.file_name();
        let found = found.to_string_lossy();
        found.strip_prefix(&name).is_some_and(|rest| rest.starts_with('.') && rest.ends_with(PART))
    })
}

/// Returns the folder that a path's last name stands in.
pub(crate) fn folder_of(path: &Path) -> &Path {
    path.parent().unwrap_or(Path::new(""))
}

/// Returns the files right below a folder, sorted; none when the folder is missing.
pub(crate) fn files(folder: &Path) -> Result<Vec<PathBuf>, VaultError> {
    let entries = match fs::read_dir(folder) {
        Ok(entries) => entries,
        Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(Vec::new()),
        Err(error) => return Err(io_error("list", folder)(error)),
    };
    let mut paths = Vec::new();
    for entry in entries {
        let entry = entry.map_err(io_error("list", folder))?;
        // A link counts by what it leads to.
        let kind = entry.file_type().map_err(io_error("list", folder))?;
        if kind.is_file() || (kind.is_symlink() && entry.path().is_file()) {
            paths.push(entry.path());
        }
    }
    paths.sort();
    Ok(paths)
}

/// Returns a name for the unfinished file that nobody else uses: two processes may store one object at once.
fn part_of(path: &Path) -> PathBuf {
    static COUNT: AtomicU64 = AtomicU64::new(0);
    let name = path.file_name().unwrap_or_default().to_string_lossy();
    let count = COUNT.fetch_add(1, Ordering::Relaxed);
    path.with_file_name(format!("{name}.{}-{count}{PART}", std::process::id()))
}
