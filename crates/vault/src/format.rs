//! `format.toml`: which format a bench folder has, and which bench it is. It stands a second time in `twin/`.
//!
//! | format | since | what changed |
//! |---|---|---|
//! | 1 | the first version | |
//! | 2 | parity | packs have parity; manifests, journals, notes and this file stand twice |
//!
//! The first file counts. The second is read when the first is damaged or missing, and is put right at each opening: it
//! says nothing that the first does not. A format newer than [`BENCH_FORMAT`] is refused, in either file, because this
//! program would misread what it does not know.

use std::fs::{self, Permissions};
use std::io;
use std::os::unix::fs::PermissionsExt;
use std::path::{Path, PathBuf};

use bytes::Bytes;

use crate::disk::{Disk, PART, folder_of};
use crate::error::{VaultError, io_error};

/// The newest format of a bench folder that this program knows.
pub const BENCH_FORMAT: u64 = 2;

/// Returns the format of the bench in `dir`; none when there is no bench. One that is less than [`BENCH_FORMAT`] changes
/// when the bench is next opened for writing.
///
/// # Errors
/// [`VaultError::NewerFormat`]; [`VaultError::BadFormat`]; [`VaultError::Io`].
pub fn bench_format(dir: &Path) -> Result<Option<u64>, VaultError> {
    match Format::read(dir) {
        Ok(format) => Ok(Some(format.number)),
        Err(VaultError::NotABench { .. }) => Ok(None),
        Err(error) => Err(error),
    }
}

/// What `format.toml` says.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Format {
    pub(crate) number: u64,
    /// The bench's random id, 32 hex digits.
    pub(crate) bench: String,
}

impl Format {
    /// Returns what the bench in `dir` says of itself, in whichever of the two files is good.
    pub(crate) fn read(dir: &Path) -> Result<Self, VaultError> {
        let [first, twin] = paths(dir);
        let error = match Self::read_file(&first) {
            Err(error @ (VaultError::NotABench { .. } | VaultError::BadFormat { .. })) => error,
            read => return read,
        };
        match Self::read_file(&twin) {
            Err(VaultError::NotABench { .. } | VaultError::BadFormat { .. }) => Err(error),
            read => read,
        }
    }

    /// Returns what one of the two files says.
    pub(crate) fn read_file(path: &Path) -> Result<Self, VaultError> {
        match fs::read(path) {
            Ok(bytes) => parse(&bytes, path),
            Err(error) if error.kind() == io::ErrorKind::NotFound => {
                Err(VaultError::NotABench { path: folder_of(path).to_path_buf() })
            }
            Err(error) => Err(io_error("read", path)(error)),
        }
    }

    /// Makes the second file say what this says, unless it does.
    pub(crate) fn keep_twin(&self, dir: &Path, disk: &Disk) -> Result<(), VaultError> {
        let [_, twin] = paths(dir);
        if Self::read_file(&twin).is_ok_and(|twin| twin == *self) {
            Ok(())
        } else {
            disk.store(&[&twin], &[self.text()])
        }
    }

    /// Makes both files say what this says, the second one first: while it is the newer one, the first counts.
    pub(crate) fn write(&self, dir: &Path, disk: &Disk) -> Result<(), VaultError> {
        let [first, _] = paths(dir);
        self.keep_twin(dir, disk)?;
        disk.store(&[&first], &[self.text()])
    }

    fn text(&self) -> Bytes {
        let Self { number, bench } = self;
        format!("# firmhand bench; do not edit\nformat = {number}\nbench = \"{bench}\"\n").into()
    }
}

/// Returns the two files of a bench.
pub(crate) fn paths(dir: &Path) -> [PathBuf; 2] {
    [dir.join(FILE), dir.join("twin").join(FILE)]
}

/// Returns whether there is a bench in `dir`, or what is left of one.
pub(crate) fn is_there(dir: &Path) -> bool {
    paths(dir).iter().any(|path| path.exists())
}

/// Makes a bench in a folder that is missing or empty. Two processes may try at once: one's format file wins.
pub(crate) fn create(dir: &Path, disk: &Disk) -> Result<(), VaultError> {
    disk.make_dir(dir)?;
    for entry in fs::read_dir(dir).map_err(io_error("list", dir))? {
        let name = entry.map_err(io_error("list", dir))?.file_name();
        let name = name.to_string_lossy();
        // What a creation leaves behind when it is cut off, or another process that is just creating.
        let known = [FILE, "objects"].contains(&&*name) || (name.starts_with(FILE) && name.ends_with(PART));
        if !known {
            // Whoever creates at the same time writes the format file before anything that is not known here.
            if is_there(dir) {
                return Ok(());
            }
            return Err(VaultError::NotABench { path: dir.to_path_buf() });
        }
    }
    fs::set_permissions(dir, Permissions::from_mode(0o700)).map_err(io_error("protect", dir))?;
    disk.make_dir(&dir.join("objects"))?;
    let mut id = [0; 16];
    getrandom::fill(&mut id).map_err(|error| io_error("draw an id for", dir)(io::Error::other(error)))?;
    let bench = id.iter().map(|byte| format!("{byte:02x}")).collect();
    let [first, _] = paths(dir);
    disk.store_new(&first, &[Format { number: BENCH_FORMAT, bench }.text()])
}

const FILE: &str = "format.toml";

/// Returns what the text says. The number is looked at before anything else, so that a newer file is told as such.
fn parse(bytes: &[u8], path: &Path) -> Result<Format, VaultError> {
    let bad = |why: &str| VaultError::BadFormat { path: path.to_path_buf(), why: why.to_owned() };
    let text = std::str::from_utf8(bytes).map_err(|_| bad("it is no text"))?;
    let table: toml::Table = text.parse().map_err(|error: toml::de::Error| bad(error.message()))?;
    let number = table.get("format").and_then(toml::Value::as_integer).and_then(|number| u64::try_from(number).ok());
    let number =
        number.filter(|number| *number > 0).ok_or_else(|| bad("`format` is missing or no number from 1 on"))?;
    if number > BENCH_FORMAT {
        return Err(VaultError::NewerFormat { what: "the bench".to_owned(), found: number, known: BENCH_FORMAT });
    }
    match table.get("bench").and_then(toml::Value::as_str) {
        Some(id) if id.len() == 32 && id.bytes().all(|byte| byte.is_ascii_hexdigit()) => {
            Ok(Format { number, bench: id.to_owned() })
        }
        _ => Err(bad("`bench` is missing or not 32 hex digits")),
    }
}
