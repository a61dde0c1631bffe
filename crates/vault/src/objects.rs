//! The content objects of one bench: read through the `object_store` crate, written through module `disk`.
//!
//! Every key begins with the bench's own random id, so that many benches can later share one S3-compatible store and each
//! writes only its own objects. Nothing is ever overwritten but by a repair: [`Objects::create`] makes an object or finds
//! it there.
//!
//! Manifests, sealed journals and notes stand twice, the second time below `twin/`. A reader takes whichever copy is good;
//! which that is, the caller's check says. Packs stand once and have their parity beside them (modules `parity`,
//! `shards`).
//!
//! What a reader would question: why the local store of `object_store` does not write. A repair has to replace one copy
//! and no other, a cut write has to be told from a lost copy, and every single operation must be able to fail in a test;
//! its interface hides all three. A shared store would bring a writer of its own.
//!
//! The futures of a local store finish when first polled; `pollster` polls them and no runtime is started. Inside a tokio
//! runtime the crate hands the work to that runtime's blocking threads.

use std::collections::BTreeSet;
use std::error::Error;
use std::io;
use std::path::{Path, PathBuf};

use bytes::Bytes;
use object_store::ObjectStoreExt;
use object_store::local::LocalFileSystem;
use object_store::path::Path as Key;

use crate::disk::{Beside, Disk, files};
use crate::error::{VaultError, damaged, store_error};
use crate::names::Digest;

/// The kinds of object, each in a folder of its own.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Room {
    Packs,
    Parity,
    Manifests,
    Journals,
    Notes,
}

impl Room {
    fn folder(self) -> &'static str {
        match self {
            Self::Packs => "packs",
            Self::Parity => "parity",
            Self::Manifests => "manifests",
            Self::Journals => "journals",
            Self::Notes => "notes",
        }
    }

    fn suffix(self) -> &'static str {
        match self {
            Self::Packs => ".pack",
            Self::Parity => ".parity",
            Self::Manifests | Self::Notes => ".json",
            Self::Journals => ".jsonl",
        }
    }

    /// Returns the places in which an object of this room stands.
    pub(crate) fn places(self) -> &'static [Place] {
        match self {
            Self::Packs | Self::Parity => &[Place::First],
            Self::Manifests | Self::Journals | Self::Notes => &[Place::First, Place::Twin],
        }
    }
}

/// Which copy of an object.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Place {
    First,
    Twin,
}

/// Whether [`Objects::create`] made the object.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Created {
    Made,
    WasThere,
}

/// The objects of one bench.
#[derive(Debug, Clone)]
pub(crate) struct Objects {
    store: LocalFileSystem,
    disk: Disk,
    folder: PathBuf,
    bench: String,
}

impl Objects {
    /// Returns the objects of bench `bench` below `folder`, which exists.
    pub(crate) fn new(folder: &Path, bench: &str, disk: Disk) -> Result<Self, VaultError> {
        let store = LocalFileSystem::new_with_prefix(folder).map_err(store_error("open", folder))?;
        Ok(Self { store, disk, folder: folder.to_path_buf(), bench: bench.to_owned() })
    }

    /// Returns the key, as error messages and reports show it.
    pub(crate) fn key(&self, room: Room, name: &str) -> String {
        self.key_at(room, Place::First, name)
    }

    pub(crate) fn key_at(&self, room: Room, place: Place, name: &str) -> String {
        format!("{}/{}/{name}{}", self.bench, folder_at(room, place), room.suffix())
    }

    /// Returns the names of the objects in a room, sorted, whichever copy of them is there. Unfinished files are not
    /// objects and not listed.
    pub(crate) fn list(&self, room: Room) -> Result<Vec<String>, VaultError> {
        let mut found = BTreeSet::new();
        for place in room.places() {
            let paths = files(&self.room_path(room, *place))?;
            let names = paths.iter().filter_map(|path| path.file_name()?.to_str()?.strip_suffix(room.suffix()));
            found.extend(names.map(str::to_owned));
        }
        Ok(found.into_iter().collect())
    }

    /// Returns an object's bytes: those of the first copy that is `good`, else those of the first copy that is there.
    ///
    /// An object that is gone is damage: names come from a listing or from another object.
    pub(crate) fn read(&self, room: Room, name: &str, good: impl Fn(&[u8]) -> bool) -> Result<Bytes, VaultError> {
        let mut best = None;
        for place in room.places() {
            match self.read_at(room, *place, name) {
                Ok(bytes) if good(&bytes) => return Ok(bytes),
                read => match &best {
                    Some(Ok(_)) => {}
                    Some(Err(_)) if read.is_err() => {}
                    _ => best = Some(read),
                },
            }
        }
        best.expect("every room has a place")
    }

    /// Returns the bytes of one copy.
    pub(crate) fn read_at(&self, room: Room, place: Place, name: &str) -> Result<Bytes, VaultError> {
        let key = Key::from(self.key_at(room, place, name));
        let result = pollster::block_on(async { self.store.get(&key).await?.bytes().await });
        result.map_err(|error| self.read_error(room, place, name, error))
    }

    /// Returns the size in bytes of an object in a room of single objects.
    pub(crate) fn size(&self, room: Room, name: &str) -> Result<u64, VaultError> {
        let key = Key::from(self.key(room, name));
        let meta = pollster::block_on(self.store.head(&key));
        Ok(meta.map_err(|error| self.read_error(room, Place::First, name, error))?.size)
    }

    /// Returns `len` bytes of an object in a room of single objects, from `from` on.
    pub(crate) fn read_range(&self, room: Room, name: &str, from: u64, len: u64) -> Result<Bytes, VaultError> {
        if len == 0 {
            return Ok(Bytes::new());
        }
        let key = Key::from(self.key(room, name));
        let short = || damaged(&self.key(room, name), "it is shorter than it was");
        let end = from.checked_add(len).ok_or_else(short)?;
        let bytes = match pollster::block_on(self.store.get_range(&key, from..end)) {
            Ok(bytes) => bytes,
            // A range behind the end is an error of its own kind and not a short answer.
            Err(error) if self.size(room, name)? < end => {
                drop(error);
                return Err(short());
            }
            Err(error) => return Err(self.read_error(room, Place::First, name, error)),
        };
        if bytes.len() as u64 == len { Ok(bytes) } else { Err(short()) }
    }

    /// Makes an object, durable when this returns, or reports that it is there. A copy that is missing is made in either
    /// case: `parts` are its bytes.
    pub(crate) fn create(&self, room: Room, name: &str, parts: &[Bytes]) -> Result<Created, VaultError> {
        let paths: Vec<_> = room.places().iter().map(|place| self.path(room, *place, name)).collect();
        let missing: Vec<&Path> = paths.iter().map(PathBuf::as_path).filter(|path| !path.exists()).collect();
        self.disk.store(&missing, parts)?;
        if missing.len() == paths.len() {
            return Ok(Created::Made);
        }
        // Another process may have made it a moment ago, and not have synced the folders yet.
        for place in room.places() {
            self.disk.sync_dir(&self.room_path(room, *place))?;
        }
        Ok(Created::WasThere)
    }

    /// Begins an object of a room of single objects before its name is known; [`Objects::finish`] gives it that.
    pub(crate) fn begin(&self, room: Room) -> Result<Beside<'_>, VaultError> {
        self.disk.begin(&self.room_path(room, Place::First).join("new"))
    }

    /// Puts a begun object, which is synced and has its name from its bytes, in its place; durable when this returns. One that
    /// another process put there a moment ago is equal.
    pub(crate) fn finish(&self, room: Room, name: &str, beside: Beside<'_>) -> Result<(), VaultError> {
        beside.finish(&self.path(room, Place::First, name))
    }

    /// Makes an object that is named by its own hash, durable when this returns, and returns that hash and whether the
    /// object is new.
    ///
    /// An equal object that is there already will do. One of that name with other bytes is damaged and stays as it is:
    /// `make` is asked for the next copy, whose number is part of its bytes and so changes its name.
    pub(crate) fn create_hashed(
        &self,
        room: Room,
        make: impl Fn(u32) -> (Digest, Vec<Bytes>),
    ) -> Result<(Digest, Created), VaultError> {
        const MOST: u32 = 16;
        for copy in 0..MOST {
            let (digest, parts) = make(copy);
            let name = digest.to_string();
            match self.create(room, &name, &parts)? {
                Created::WasThere if !is_named(&self.read(room, &name, |bytes| is_named(bytes, &name))?, &name) => {}
                created => return Ok((digest, created)),
            }
        }
        Err(damaged(&self.key(room, &make(0).0.to_string()), format!("so are {MOST} further copies of it")))
    }

    /// Puts `parts` in the place of one copy, whatever stands there; durable when this returns.
    pub(crate) fn replace(&self, room: Room, place: Place, name: &str, parts: &[Bytes]) -> Result<(), VaultError> {
        self.disk.store(&[&self.path(room, place, name)], parts)
    }

    /// Removes all copies of an object, durably. One that is gone already is no error: a removal can be run again.
    pub(crate) fn remove(&self, room: Room, name: &str) -> Result<(), VaultError> {
        let paths: Vec<_> = room.places().iter().map(|place| self.path(room, *place, name)).collect();
        self.disk.unstore(&paths.iter().map(PathBuf::as_path).collect::<Vec<_>>())
    }

    /// Returns the files in the rooms that are no objects: what interrupted writes left, and what does not belong there.
    pub(crate) fn leftovers(&self) -> Result<Vec<PathBuf>, VaultError> {
        let mut left = Vec::new();
        for (room, place) in rooms() {
            for path in files(&self.room_path(room, place))? {
                let name = path.file_name().unwrap_or_default().to_string_lossy();
                if !name.ends_with(room.suffix()) {
                    left.push(path);
                }
            }
        }
        Ok(left)
    }

    /// Makes the rooms' folders, 0700.
    pub(crate) fn make_rooms(&self) -> Result<(), VaultError> {
        rooms().try_for_each(|(room, place)| self.disk.make_dir(&self.room_path(room, place)))
    }

    /// Returns the file of one copy.
    pub(crate) fn path(&self, room: Room, place: Place, name: &str) -> PathBuf {
        self.folder.join(self.key_at(room, place, name))
    }

    fn room_path(&self, room: Room, place: Place) -> PathBuf {
        self.folder.join(&self.bench).join(folder_at(room, place))
    }

    fn read_error(&self, room: Room, place: Place, name: &str, error: object_store::Error) -> VaultError {
        const NO_DATA: i32 = 5; // EIO on Linux
        let key = self.key_at(room, place, name);
        if matches!(error, object_store::Error::NotFound { .. }) {
            return damaged(&key, "it is missing");
        }
        let mut cause: Option<&(dyn Error + 'static)> = Some(&error);
        while let Some(current) = cause {
            if current.downcast_ref::<io::Error>().and_then(io::Error::raw_os_error) == Some(NO_DATA) {
                return damaged(&key, "the disk does not give it back (EIO)");
            }
            cause = current.source();
        }
        store_error("read", &self.path(room, place, name))(error)
    }
}

/// Returns whether an object that is named by its hash has the name `name`.
pub(crate) fn is_named(bytes: &[u8], name: &str) -> bool {
    Digest::blake3(bytes).to_string() == name
}

const ROOMS: [Room; 5] = [Room::Packs, Room::Parity, Room::Manifests, Room::Journals, Room::Notes];

fn rooms() -> impl Iterator<Item = (Room, Place)> {
    ROOMS.iter().flat_map(|room| room.places().iter().map(|place| (*room, *place)))
}

fn folder_at(room: Room, place: Place) -> String {
    match place {
        Place::First => room.folder().to_owned(),
        Place::Twin => format!("twin/{}", room.folder()),
    }
}
