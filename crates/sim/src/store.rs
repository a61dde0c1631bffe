//! The files beside a bench: the content, and what else outlives a run.
//!
//! The content file is a plain image of the chip's size; `cells` writes each change into it. Beside it, `NAME.state` is
//! JSON and is replaced whole by rename, so that a reader never sees half of it. What it holds may be older than the
//! content by some wear and some time, and never by a register or a fired fault: see `bench` for when it is written.

use std::collections::BTreeSet;
use std::fs::{self, File};
use std::io::{self, Read, Write};
use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};

use crate::bench_file::ChipSpec;
use crate::error::BenchError;

/// Longest state file; the wear of the largest chip, every sector another number, stays below it.
const MOST_STATE: u64 = 16 << 20;

/// What outlives a run beside the content.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct State {
    /// Whose it is.
    pub(crate) id: String,
    /// The clock.
    pub(crate) clock_us: u64,
    /// Non-volatile registers, once a status write has touched them.
    pub(crate) registers: Option<[u8; 3]>,
    /// Faults that have had their moment.
    pub(crate) fired: BTreeSet<String>,
    /// Erases of each sector in order, as runs: how many erases, how many sectors.
    pub(crate) wear: Vec<(u32, u32)>,
}

impl State {
    /// A chip as it comes from its maker.
    pub(crate) fn new(id: &[u8]) -> Self {
        Self { id: nor::chip::id_text(id), clock_us: 0, registers: None, fired: BTreeSet::new(), wear: Vec::new() }
    }

    /// Takes over the wear, one number for each sector.
    pub(crate) fn set_wear(&mut self, wear: &[u32]) {
        self.wear.clear();
        for run in wear.chunk_by(|one, other| one == other) {
            self.wear.push((run[0], u32::try_from(run.len()).expect("a chip has fewer sectors")));
        }
    }

    /// One number for each of `sectors`; none when the runs do not add up to so many.
    pub(crate) fn wear_of(&self, sectors: usize) -> Option<Vec<u32>> {
        if self.wear.is_empty() {
            return Some(vec![0; sectors]);
        }
        let total = self.wear.iter().try_fold(0_usize, |total, (_, run)| total.checked_add(*run as usize));
        (total == Some(sectors))
            .then(|| self.wear.iter().flat_map(|(count, run)| std::iter::repeat_n(*count, *run as usize)).collect())
    }
}

/// The state file of one content.
#[derive(Debug)]
pub(crate) struct StateFile {
    path: PathBuf,
}

impl StateFile {
    /// The state file beside `content`.
    pub(crate) fn beside(content: &Path) -> Self {
        Self { path: with_suffix(content, ".state") }
    }

    /// Where it stands.
    pub(crate) fn path(&self) -> &Path {
        &self.path
    }

    /// What it holds for the chip of `id`; a fresh state when there is none, or when it is another chip's.
    pub(crate) fn load(&self, id: &[u8]) -> Result<State, BenchError> {
        let remedy = "delete it, or give this file back; without it the chip counts as new";
        let system = |source| BenchError::of_system(&self.path, "the bench's state cannot be read", remedy, source);
        let mut text = String::new();
        match fs::metadata(&self.path) {
            Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(State::new(id)),
            Err(error) => return Err(system(error)),
            Ok(about) if !about.is_file() || about.len() > MOST_STATE => {
                return Err(BenchError::of_file(&self.path, "this is no state of a bench", remedy));
            }
            Ok(_) => File::open(&self.path)
                .and_then(|file| file.take(MOST_STATE).read_to_string(&mut text))
                .map_err(system)?,
        };
        let state: State = serde_json::from_str(&text).map_err(|error| {
            BenchError::of_file(&self.path, format!("this is no state of a bench: {error}"), remedy)
        })?;
        Ok(if state.id == nor::chip::id_text(id) { state } else { State::new(id) })
    }

    /// Replaces it.
    pub(crate) fn save(&self, state: &State) -> io::Result<()> {
        let fresh = with_suffix(&self.path, ".new");
        fs::write(&fresh, serde_json::to_vec(state)?)?;
        fs::rename(&fresh, &self.path)
    }

    /// Forgets what belonged to a content that is no more.
    fn remove(&self) -> io::Result<()> {
        match fs::remove_file(&self.path) {
            Err(error) if error.kind() != io::ErrorKind::NotFound => Err(error),
            _ => Ok(()),
        }
    }
}

/// Opens the content of a chip for reading and writing; a missing one is created blank, and an old state beside it goes.
pub(crate) fn open_content(chip: &ChipSpec) -> Result<File, BenchError> {
    let path = &chip.content;
    let size = u64::from(chip.model.size);
    match fs::metadata(path) {
        Err(error) if error.kind() == io::ErrorKind::NotFound => {
            let remedy = "create the folder, or name a content file in one that exists";
            let refused = |source| BenchError::of_system(path, "the content cannot be created", remedy, source);
            StateFile::beside(path).remove().map_err(refused)?;
            create_blank(path, size).map_err(refused)?;
        }
        Err(error) => return Err(unreadable(path, error)),
        Ok(about) if !about.is_file() => {
            return Err(BenchError::of_file(
                path,
                "the content is no file",
                "name a file, or one that is to be created",
            ));
        }
        Ok(about) if about.len() != size => return Err(other_length(path, about.len(), size)),
        Ok(_) => {}
    }
    File::options().read(true).write(true).open(path).map_err(|error| unreadable(path, error))
}

/// The content has another length than the chip.
pub(crate) fn other_length(path: &Path, found: u64, size: u64) -> BenchError {
    let what = format!("the content has {found} bytes, the chip {size}");
    BenchError::of_file(path, what, "name another content, or another chip; a missing content is created blank")
}

/// The system refuses the content.
pub(crate) fn unreadable(path: &Path, error: io::Error) -> BenchError {
    BenchError::of_system(path, "the content cannot be opened", "name a file that you may read and write", error)
}

/// Under another name first: a content that is there is always whole.
fn create_blank(path: &Path, size: u64) -> io::Result<()> {
    let fresh = with_suffix(path, ".new");
    let mut file = File::create(&fresh)?;
    let written = io::copy(&mut io::repeat(nor::ERASED).take(size), &mut file).and_then(|_| file.flush());
    if let Err(error) = written.and_then(|()| fs::rename(&fresh, path)) {
        // The half that was written is of no use; that it cannot be removed either would only hide the first error.
        let _ = fs::remove_file(&fresh);
        return Err(error);
    }
    Ok(())
}

fn with_suffix(path: &Path, suffix: &str) -> PathBuf {
    let mut name = path.as_os_str().to_owned();
    name.push(suffix);
    PathBuf::from(name)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn wear_survives_as_runs() {
        let mut state = State::new(&[0xEF, 0x40, 0x14]);
        state.set_wear(&[0, 0, 3, 3, 3, 1]);
        assert_eq!(state.wear, [(0, 2), (3, 3), (1, 1)]);
        assert_eq!(state.wear_of(6), Some(vec![0, 0, 3, 3, 3, 1]));
        assert_eq!(state.wear_of(7), None);
    }

    #[test]
    fn s10_runs_that_overflow_are_refused() {
        let state = State { wear: vec![(1, u32::MAX); 3], ..State::new(&[1, 2, 3]) };
        assert_eq!(state.wear_of(256), None);
    }
}
