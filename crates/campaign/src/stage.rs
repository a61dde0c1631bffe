//! The folder of one seed: bench folder, bench file, the chip's content and state, and copies of all of it.
//!
//! Content and state are read here with plain file calls and no code of the virtual bench: they are what the checks call
//! the chip.

use std::collections::BTreeSet;
use std::fs;
use std::io;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicU64, Ordering};

use serde_json::{Value, json};

use crate::scenario::Scenario;

/// A seed's folder. It is removed when this is dropped.
#[derive(Debug)]
pub struct Stage {
    root: PathBuf,
    base: String,
    id: String,
    as_found: [u8; 3],
}

/// What the state file beside the content says.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ChipState {
    /// The clock, in microseconds.
    pub clock_us: u64,
    /// Non-volatile status registers.
    pub registers: [u8; 3],
    /// Faults of one moment that have come, by the virtual bench's names.
    pub fired: BTreeSet<String>,
}

impl Stage {
    /// Makes the folder of a scenario: in memory where the system has a place for that, since everything is synced.
    ///
    /// # Errors
    /// Whatever the file system says.
    pub fn set(scenario: &Scenario) -> io::Result<Self> {
        static NUMBER: AtomicU64 = AtomicU64::new(0);
        let memory = Path::new("/dev/shm");
        let parent = if memory.is_dir() { memory.to_path_buf() } else { std::env::temp_dir() };
        let number = NUMBER.fetch_add(1, Ordering::Relaxed);
        let root = parent.join(format!("firmhand-campaign-{}-{number}", std::process::id()));
        fs::create_dir(&root)?;
        let base = format!(
            "seed = {}\n\n[chip]\n{}content = \"chip.bin\"\nprotected = \"{}\"\nwrite_protect_pin = {}\n\n[link]\n{}",
            scenario.seed, scenario.chip.toml, scenario.protected, scenario.pin_low, scenario.link
        );
        let mut stage = Self { root, base, id: String::new(), as_found: [0; 3] };
        stage.write_bench_file("")?;
        fs::write(stage.content_path(), &scenario.first)?;
        let file = sim::BenchFile::load(&stage.link()).map_err(io::Error::other)?;
        stage.id = nor::chip::id_text(&file.chip.model.id);
        stage.as_found = [file.chip.status | if scenario.pin_counts { 0x80 } else { 0 }, 0, 0];
        stage.write_state(0)?;
        Ok(stage)
    }

    /// Returns the bench folder.
    #[must_use]
    pub fn bench(&self) -> PathBuf {
        self.root.join("bench")
    }

    /// Returns the bench file.
    #[must_use]
    pub fn link(&self) -> PathBuf {
        self.root.join("chip.toml")
    }

    /// Returns the id that the chip answers, as text.
    #[must_use]
    pub fn id(&self) -> &str {
        &self.id
    }

    /// Returns the non-volatile status registers that a chip has when it is put there.
    #[must_use]
    pub fn as_found(&self) -> [u8; 3] {
        self.as_found
    }

    /// Returns where the chip's content lies.
    #[must_use]
    pub fn content_path(&self) -> PathBuf {
        self.root.join("chip.bin")
    }

    /// Writes the bench file, with these faults at its end.
    ///
    /// # Errors
    /// Whatever the file system says.
    pub fn write_bench_file(&self, faults: &str) -> io::Result<()> {
        fs::write(self.link(), format!("{}{faults}", self.base))
    }

    /// Returns the chip's cells.
    ///
    /// # Errors
    /// Whatever the file system says.
    pub fn content(&self) -> io::Result<Vec<u8>> {
        fs::read(self.content_path())
    }

    /// Returns the chip's state.
    ///
    /// # Errors
    /// Whatever the file system says; data that is no state.
    pub fn state(&self) -> io::Result<ChipState> {
        let value: Value = serde_json::from_slice(&fs::read(self.state_path())?)?;
        let bad = || io::Error::other("this is no state of a chip");
        let mut registers = [0; 3];
        let stored = value["registers"].as_array().ok_or_else(bad)?;
        for (register, value) in registers.iter_mut().zip(stored) {
            *register = value.as_u64().and_then(|value| u8::try_from(value).ok()).ok_or_else(bad)?;
        }
        let fired = value["fired"].as_array().ok_or_else(bad)?;
        Ok(ChipState {
            clock_us: value["clock_us"].as_u64().ok_or_else(bad)?,
            registers,
            fired: fired.iter().filter_map(|name| name.as_str().map(str::to_owned)).collect(),
        })
    }

    /// Puts another chip of the same kind there, with this content; the clock goes on.
    ///
    /// # Errors
    /// Whatever the file system says.
    pub fn put_chip(&self, content: &[u8]) -> io::Result<()> {
        let clock_us = self.state()?.clock_us;
        fs::write(self.content_path(), content)?;
        self.write_state(clock_us)
    }

    /// Sets the chip's non-volatile registers: for a build that is broken on purpose.
    ///
    /// # Errors
    /// Whatever the file system says.
    pub fn set_registers(&self, registers: [u8; 3]) -> io::Result<()> {
        let mut value: Value = serde_json::from_slice(&fs::read(self.state_path())?)?;
        value["registers"] = json!(registers);
        fs::write(self.state_path(), serde_json::to_vec(&value)?)
    }

    /// Keeps a copy of everything.
    ///
    /// # Errors
    /// Whatever the file system says.
    pub fn remember(&self) -> io::Result<()> {
        remove(&self.copy_path())?;
        copy(&self.root, &self.copy_path())
    }

    /// Brings everything back to what it was at the last [`Stage::remember`].
    ///
    /// # Errors
    /// Whatever the file system says.
    pub fn go_back(&self) -> io::Result<()> {
        remove(&self.root)?;
        fs::rename(self.copy_path(), &self.root)
    }

    /// Returns `text` with what differs between two runs of a seed taken out: the folder, and the bench's random id.
    #[must_use]
    pub fn plain(&self, text: &str) -> String {
        let text = text.replace(&self.root.display().to_string(), "STAGE");
        match fs::read_dir(self.bench().join("objects")).ok().and_then(|mut folder| folder.next()) {
            Some(Ok(entry)) => text.replace(&*entry.file_name().to_string_lossy(), "BENCH"),
            _ => text,
        }
    }

    fn write_state(&self, clock_us: u64) -> io::Result<()> {
        let state = json!({
            "id": self.id, "clock_us": clock_us, "registers": self.as_found, "fired": [], "wear": [],
        });
        fs::write(self.state_path(), serde_json::to_vec(&state)?)
    }

    fn state_path(&self) -> PathBuf {
        self.root.join("chip.bin.state")
    }

    fn copy_path(&self) -> PathBuf {
        self.root.with_extension("copy")
    }
}

impl Drop for Stage {
    fn drop(&mut self) {
        // Nothing is lost with a folder that stays behind in a place that the next start empties.
        let _ = remove(&self.root);
        let _ = remove(&self.copy_path());
    }
}

/// Returns all files below a folder, sorted.
///
/// # Errors
/// Whatever the file system says.
pub fn files_below(folder: &Path) -> io::Result<Vec<PathBuf>> {
    let mut files = Vec::new();
    if !folder.is_dir() {
        return Ok(files);
    }
    for entry in fs::read_dir(folder)? {
        let path = entry?.path();
        if path.is_dir() {
            files.extend(files_below(&path)?);
        } else {
            files.push(path);
        }
    }
    files.sort();
    Ok(files)
}

fn copy(from: &Path, to: &Path) -> io::Result<()> {
    fs::create_dir(to)?;
    fs::set_permissions(to, fs::metadata(from)?.permissions())?;
    for entry in fs::read_dir(from)? {
        let entry = entry?;
        let target = to.join(entry.file_name());
        if entry.file_type()?.is_dir() {
            copy(&entry.path(), &target)?;
        } else {
            fs::copy(entry.path(), target)?;
        }
    }
    Ok(())
}

fn remove(folder: &Path) -> io::Result<()> {
    match fs::remove_dir_all(folder) {
        Err(error) if error.kind() != io::ErrorKind::NotFound => Err(error),
        _ => Ok(()),
    }
}
