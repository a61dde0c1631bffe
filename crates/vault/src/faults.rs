//! Disk faults for tests: full disks, bad disks, power cuts and kills at any single operation of the vault.
//!
//! A test opens a bench with [`Vault::open_with`](crate::Vault::open_with) and a [`Faults`] handle, or lets the code under
//! test open it within [`Faults::during`]. The handle counts the operations by which the vault changes the disk, keeps
//! their trace, and at the one that the [`Plan`] names does what the plan says. Then the test drops everything, opens the
//! bench without faults, and looks.
//!
//! # The fault model
//!
//! | failure | the operation | what was done before it | what comes after it |
//! |---|---|---|---|
//! | [`Failure::Full`] | fails with ENOSPC; of a write a part may be there | stays | as ever; with `lasting` all that needs space fails |
//! | [`Failure::Broken`] | fails with EIO; of a write a part may be there | stays | as ever; with `lasting` everything fails |
//! | [`Failure::Killed`] | is not done; of a write a part may be there | stays | nothing is done any more |
//! | [`Failure::PowerCut`] | is not done, or is lost with the rest | what was not synced may be lost | nothing is done any more |
//!
//! A power cut takes, drawn by the seed: of each file the writes since its last sync from some write on, and the first of
//! these may be there in part, with zeros behind; of each folder its new, renamed and removed names since the folder's
//! last sync, from some change on. Names and bytes are independent, as on a file system that promises only what a sync
//! promises. Synced bytes and names never change.
//!
//! Deterministic: the same calls with the same plan give the same trace and the same loss. Reading is not counted and
//! never fails; damage on disk is made by writing into the files.

use std::cell::RefCell;
use std::fmt;
use std::fs::{self, File, OpenOptions};
use std::io::{self, Write};
use std::os::unix::fs::{FileExt, OpenOptionsExt};
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

/// What happens, and when.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Plan {
    /// Number of the operation that it happens at, from 1.
    pub at: u64,
    /// What happens.
    pub failure: Failure,
    /// Whether a full or broken disk stays so.
    pub lasting: bool,
    /// Draws how much of a write is there and what a power cut takes.
    pub seed: u64,
}

/// What goes wrong at an operation; see the module's table.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Failure {
    /// The disk is full: ENOSPC.
    Full,
    /// The disk does not write: EIO.
    Broken,
    /// The process ends here; the operating system goes on.
    Killed,
    /// Everything ends here, and what was not synced may be lost.
    PowerCut,
}

/// One operation that changed the disk, or was to.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Operation {
    /// Its number, from 1.
    pub number: u64,
    /// What was done: `create`, `write`, `sync`, `cut`, `link`, `rename`, `remove`, `sync-dir`, `make-dir`.
    pub what: &'static str,
    /// The file or folder; of a rename the new name.
    pub path: PathBuf,
}

impl fmt::Display for Operation {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} {} {}", self.number, self.what, self.path.display())
    }
}

/// A handle on the faults of one bench. Clones are the same handle.
#[derive(Debug, Clone)]
pub struct Faults(Arc<Mutex<State>>);

impl Faults {
    /// Returns faults that never happen: operations are counted and traced.
    #[must_use]
    pub fn none() -> Self {
        Self::new(None)
    }

    /// Returns faults by `plan`.
    #[must_use]
    pub fn by(plan: Plan) -> Self {
        Self::new(Some(plan))
    }

    /// Returns the operations so far, the failing ones among them.
    #[must_use]
    pub fn trace(&self) -> Vec<Operation> {
        self.state().trace.clone()
    }

    /// Returns whether the planned failure has happened.
    #[must_use]
    pub fn struck(&self) -> bool {
        self.state().struck
    }

    /// Runs `work` so that every bench that this thread opens in it by [`Vault::open`](crate::Vault::open) has these faults.
    /// For tests of code that opens benches by their path.
    pub fn during<T>(&self, work: impl FnOnce() -> T) -> T {
        /// Puts back what was there before, after a panic too.
        struct Before(Option<Faults>);
        impl Drop for Before {
            fn drop(&mut self) {
                HERE.set(self.0.take());
            }
        }
        let _before = Before(HERE.replace(Some(self.clone())));
        work()
    }

    /// Returns the faults that this thread's benches have.
    pub(crate) fn here() -> Option<Self> {
        HERE.with_borrow(Clone::clone)
    }

    fn new(plan: Option<Plan>) -> Self {
        let draw = Draw(plan.map_or(0, |plan| plan.seed));
        let (trace, struck, pending) = (Vec::new(), false, Vec::new());
        Self(Arc::new(Mutex::new(State { plan, draw, trace, struck, ended: false, pending })))
    }

    /// Does `run`, which is `act`, or lets it fail.
    pub(crate) fn run<T>(&self, act: Act<'_>, run: impl FnOnce() -> io::Result<T>) -> io::Result<T> {
        self.state().run(&act, run)
    }

    fn state(&self) -> MutexGuard<'_, State> {
        // A test that panicked in the middle of one operation still wants to see the trace.
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

thread_local! {
    static HERE: RefCell<Option<Faults>> = const { RefCell::new(None) };
}

/// An operation about to be done.
#[derive(Debug, Clone, Copy)]
pub(crate) enum Act<'a> {
    Create(&'a Path),
    Write(&'a Path, &'a File, &'a [u8]),
    Sync(&'a Path),
    Cut(&'a Path, &'a File, u64),
    Link(&'a Path),
    Rename { from: &'a Path, to: &'a Path },
    Remove(&'a Path),
    SyncDir(&'a Path),
    MakeDir(&'a Path),
}

impl Act<'_> {
    fn name(&self) -> (&'static str, &Path) {
        match *self {
            Self::Create(path) => ("create", path),
            Self::Write(path, ..) => ("write", path),
            Self::Sync(path) => ("sync", path),
            Self::Cut(path, ..) => ("cut", path),
            Self::Link(path) => ("link", path),
            Self::Rename { to, .. } => ("rename", to),
            Self::Remove(path) => ("remove", path),
            Self::SyncDir(path) => ("sync-dir", path),
            Self::MakeDir(path) => ("make-dir", path),
        }
    }

    fn needs_space(&self) -> bool {
        matches!(self, Self::Create(_) | Self::Write(..) | Self::Link(_) | Self::Rename { .. } | Self::MakeDir(_))
    }
}

#[derive(Debug)]
struct State {
    plan: Option<Plan>,
    draw: Draw,
    trace: Vec<Operation>,
    struck: bool,
    /// Killed or without power: nothing is done any more.
    ended: bool,
    /// What was done and is not durable, in order.
    pending: Vec<Pending>,
}

/// A change that is not durable yet, with what undoes it.
#[derive(Debug)]
struct Pending {
    /// The file whose sync makes it durable (of a change of bytes), or the folder (of a change of names).
    place: PathBuf,
    undo: Undo,
}

#[derive(Debug)]
enum Undo {
    /// Bytes were written behind the first `len` ones.
    Written {
        file: File,
        len: u64,
        bytes: Vec<u8>,
    },
    /// The file was cut to `len`; these bytes stood behind.
    Cut {
        file: File,
        len: u64,
        bytes: Vec<u8>,
    },
    Created(PathBuf),
    Emptied(PathBuf, Vec<u8>),
    Renamed {
        from: PathBuf,
        to: PathBuf,
        replaced: Option<Vec<u8>>,
    },
    Removed(PathBuf, Vec<u8>),
    MadeDir(PathBuf),
}

impl State {
    fn run<T>(&mut self, act: &Act<'_>, run: impl FnOnce() -> io::Result<T>) -> io::Result<T> {
        if self.ended {
            return Err(io::Error::other("the fault plan ended everything before this"));
        }
        let (what, path) = act.name();
        let number = self.trace.len() as u64 + 1;
        self.trace.push(Operation { number, what, path: path.to_path_buf() });
        let Some(plan) = self.plan.filter(|plan| plan.at == number || (self.struck && plan.lasting)) else {
            return self.remember(act, run);
        };
        if plan.failure == Failure::Full && number > plan.at && !act.needs_space() {
            return self.remember(act, run);
        }
        self.struck = true;
        if let Act::Write(_, file, bytes) = act {
            let some = &bytes[..self.draw.below(bytes.len() as u64 + 1)];
            self.remember(act, || {
                let mut file: &File = file;
                file.write_all(some)
            })?;
        }
        match plan.failure {
            Failure::Full => Err(io::Error::from_raw_os_error(28)),
            Failure::Broken => Err(io::Error::from_raw_os_error(5)),
            Failure::Killed => {
                self.ended = true;
                Err(io::Error::other("killed, by the fault plan"))
            }
            Failure::PowerCut => {
                self.ended = true;
                // Its name may have changed on the disk before the power went, without anybody having been told.
                if !matches!(act, Act::Write(..) | Act::Sync(..) | Act::SyncDir(_)) && self.draw.below(2) == 1 {
                    let _ = self.remember(act, run);
                }
                self.lose();
                Err(io::Error::other("the power is cut, by the fault plan"))
            }
        }
    }

    /// Does `run` and keeps what would undo it until it is durable.
    fn remember<T>(&mut self, act: &Act<'_>, run: impl FnOnce() -> io::Result<T>) -> io::Result<T> {
        // Without a power cut to come there is nothing to undo, and the bytes need not be kept.
        if self.plan.is_none_or(|plan| plan.failure != Failure::PowerCut) {
            return run();
        }
        let folder = |path: &Path| path.parent().unwrap_or(Path::new("")).to_path_buf();
        let pending = match *act {
            Act::Link(path) => Some((folder(path), Undo::Created(path.to_path_buf()))),
            Act::Create(path) => {
                let undo = match fs::read(path) {
                    Ok(bytes) => Undo::Emptied(path.to_path_buf(), bytes),
                    Err(_) => Undo::Created(path.to_path_buf()),
                };
                Some((folder(path), undo))
            }
            Act::Write(path, file, bytes) => {
                let undo =
                    Undo::Written { file: file.try_clone()?, len: file.metadata()?.len(), bytes: bytes.to_vec() };
                Some((path.to_path_buf(), undo))
            }
            Act::Cut(path, file, len) => {
                let mut bytes = vec![0; usize::try_from(file.metadata()?.len().saturating_sub(len)).unwrap_or(0)];
                file.read_exact_at(&mut bytes, len)?;
                Some((path.to_path_buf(), Undo::Cut { file: file.try_clone()?, len, bytes }))
            }
            Act::Rename { from, to } => {
                let (from, to) = (from.to_path_buf(), to.to_path_buf());
                Some((folder(&to), Undo::Renamed { replaced: fs::read(&to).ok(), from, to }))
            }
            Act::Remove(path) => {
                fs::read(path).ok().map(|bytes| (folder(path), Undo::Removed(path.to_path_buf(), bytes)))
            }
            Act::MakeDir(path) => Some((folder(path), Undo::MadeDir(path.to_path_buf()))),
            Act::Sync(..) | Act::SyncDir(_) => None,
        };
        let result = run()?;
        match *act {
            Act::Sync(path) => self.pending.retain(|pending| pending.place != path || pending.undo.is_name()),
            Act::SyncDir(path) => self.pending.retain(|pending| pending.place != path || !pending.undo.is_name()),
            _ => {}
        }
        self.pending.extend(pending.map(|(place, undo)| Pending { place, undo }));
        Ok(result)
    }

    /// Takes away what was not durable, from a drawn point on for each file and folder.
    fn lose(&mut self) {
        let pending = std::mem::take(&mut self.pending);
        let mut places: Vec<(PathBuf, bool)> = Vec::new();
        for change in &pending {
            let place = (change.place.clone(), change.undo.is_name());
            if !places.contains(&place) {
                places.push(place);
            }
        }
        // For each place, how many of its changes stay.
        let mut left: Vec<usize> = Vec::new();
        for place in &places {
            let of =
                pending.iter().filter(|change| (&change.place, change.undo.is_name()) == (&place.0, place.1)).count();
            left.push(self.draw.below(of as u64 + 1));
        }
        let mut lost: Vec<(usize, bool, Undo)> = Vec::new();
        for change in pending {
            let name = change.undo.is_name();
            let at =
                places.iter().position(|place| *place == (change.place.clone(), name)).expect("each has its place");
            if left[at] > 0 {
                left[at] -= 1;
            } else {
                let first = !lost.iter().any(|(other, ..)| *other == at);
                lost.push((at, first, change.undo));
            }
        }
        for (_, first, undo) in lost.into_iter().rev() {
            // What cannot be undone lay in a folder that went before it.
            let _ = undo.run(first.then_some(&mut self.draw));
        }
    }
}

impl Undo {
    fn is_name(&self) -> bool {
        !matches!(self, Self::Written { .. } | Self::Cut { .. })
    }

    /// Undoes the change; with `torn`, a write may stay in part.
    fn run(self, torn: Option<&mut Draw>) -> io::Result<()> {
        let restore = |path: &Path, bytes: &[u8]| {
            let mut options = OpenOptions::new();
            options.write(true).create(true).truncate(true).mode(0o600).open(path)?.write_all(bytes)
        };
        match self {
            Self::Written { file, len, mut bytes } => {
                file.set_len(len)?;
                let Some(draw) = torn else { return Ok(()) };
                bytes.truncate(draw.below(bytes.len() as u64 + 1));
                if draw.below(2) == 1 {
                    let from = draw.below(bytes.len() as u64 + 1);
                    bytes[from..].fill(0);
                }
                file.write_all_at(&bytes, len)
            }
            Self::Cut { file, len, bytes } => {
                file.set_len(len)?;
                file.write_all_at(&bytes, len)
            }
            Self::Created(path) => fs::remove_file(path),
            Self::Emptied(path, bytes) | Self::Removed(path, bytes) => restore(&path, &bytes),
            Self::Renamed { from, to, replaced } => {
                fs::rename(&to, &from)?;
                replaced.map_or(Ok(()), |bytes| restore(&to, &bytes))
            }
            Self::MadeDir(path) => fs::remove_dir_all(path),
        }
    }
}

/// A small stream of numbers from a seed (splitmix64, Steele and others 2014): the same on every machine.
#[derive(Debug)]
struct Draw(u64);

impl Draw {
    /// Returns a number below `limit`, which is not 0.
    fn below(&mut self, limit: u64) -> usize {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        usize::try_from((z ^ (z >> 31)) % limit).expect("the limit is the length of something in memory")
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::disk::Disk;
    use bytes::Bytes;

    fn cut_at(at: u64, seed: u64) -> Disk {
        Disk::with(Faults::by(Plan { at, failure: Failure::PowerCut, lasting: false, seed }))
    }

    /// A canary: code that forgets a sync must show. This forgets both, and then one after the other.
    #[test]
    fn s2_what_was_not_synced_can_be_lost_and_what_was_cannot() {
        let mut seen = std::collections::BTreeSet::new();
        for (syncs_file, syncs_dir) in [(false, false), (true, false), (false, true), (true, true)] {
            for seed in 0..40 {
                let dir = tempfile::tempdir().unwrap();
                let path = dir.path().join("file");
                let disk = cut_at(3 + u64::from(syncs_file) + u64::from(syncs_dir), seed);
                let mut file = disk.create(&path).unwrap();
                file.write_all(b"eight by").unwrap();
                if syncs_file {
                    file.sync().unwrap();
                }
                if syncs_dir {
                    disk.sync_dir(dir.path()).unwrap();
                }
                assert!(disk.make_dir(&dir.path().join("later")).is_err(), "the power is cut here");
                let left = match fs::read(&path) {
                    Err(_) => "no file",
                    Ok(bytes) if bytes == b"eight by" => "whole",
                    Ok(bytes) if bytes.contains(&0) => "zeros",
                    Ok(_) => "cut",
                };
                assert!(!syncs_dir || left != "no file", "seed {seed}");
                assert!(!syncs_file || ["no file", "whole"].contains(&left), "seed {seed}: {left}");
                seen.insert((syncs_file, syncs_dir, left));
            }
        }
        for left in ["no file", "whole", "zeros", "cut"] {
            assert!(seen.contains(&(false, false, left)), "without syncs, {left} is never seen: {seen:?}");
        }
        assert!(
            seen.contains(&(true, true, "whole")) && seen.iter().filter(|(file, dir, _)| *file && *dir).count() == 1
        );
    }

    #[test]
    fn s2_a_rename_over_an_unsynced_file_can_lose_both() {
        let mut seen = std::collections::BTreeSet::new();
        for seed in 0..60 {
            let dir = tempfile::tempdir().unwrap();
            let (path, part) = (dir.path().join("file"), dir.path().join("part"));
            fs::write(&path, b"old").unwrap();
            let disk = cut_at(4, seed);
            disk.create(&part).unwrap().write_all(b"new").unwrap();
            disk.rename(&part, &path).unwrap();
            assert!(disk.sync_dir(dir.path()).is_err());
            seen.insert(fs::read(&path).unwrap());
        }
        // The store of module `disk` syncs before it renames; this is what happens to one that does not.
        assert!(seen.contains(&b"old"[..]) && seen.contains(&b"new"[..]) && seen.contains(&b""[..]), "{seen:?}");
    }

    #[test]
    fn a_store_is_whole_or_not_there_and_counts_its_operations() {
        let faults = Faults::none();
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("file");
        Disk::with(faults.clone()).store(&[&path], &[Bytes::from_static(b"eight by")]).unwrap();
        let what: Vec<_> = faults.trace().iter().map(|operation| operation.what).collect();
        assert_eq!(what, ["create", "write", "sync", "rename", "sync-dir"]);
        for at in 1..=5 {
            for seed in 0..20 {
                let dir = tempfile::tempdir().unwrap();
                let path = dir.path().join("file");
                assert!(cut_at(at, seed).store(&[&path], &[Bytes::from_static(b"eight by")]).is_err());
                assert!(fs::read(&path).is_err() || fs::read(&path).unwrap() == b"eight by", "at {at}, seed {seed}");
            }
        }
    }
}
