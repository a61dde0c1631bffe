//! The content objects of one bench, through the `object_store` crate.
//!
//! Every key begins with the bench's own random id, so that many benches can later share one S3-compatible store and each
//! writes only its own objects. Nothing is ever overwritten: [`Objects::create`] makes an object or finds it there.
//!
//! What a reader would question: the local store syncs files and folders only when told to, and never after a delete, and
//! it makes files with the process's default mode. So syncing is switched on here, deletes sync the folder themselves, and
//! a new object is set to 0600 (until then the bench folder's 0700 covers it).
//!
//! The futures of a local store finish when first polled; `pollster` polls them and no runtime is started. Inside a tokio
//! runtime the crate hands the work to that runtime's blocking threads.

use std::fs::{self, Permissions};
use std::os::unix::fs::PermissionsExt;
use std::path::{Path, PathBuf};

use bytes::Bytes;
use futures_util::TryStreamExt;
use object_store::local::LocalFileSystem;
use object_store::path::Path as Key;
use object_store::{ObjectStore, ObjectStoreExt, PutMode, PutPayload};

use crate::error::{VaultError, damaged, io_error, store_error};
use crate::names::Digest;

/// The kinds of object, each in a folder of its own.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Room {
    Packs,
    Manifests,
    Journals,
    Notes,
}

impl Room {
    fn folder(self) -> &'static str {
        match self {
            Self::Packs => "packs",
            Self::Manifests => "manifests",
            Self::Journals => "journals",
            Self::Notes => "notes",
        }
    }

    fn suffix(self) -> &'static str {
        match self {
            Self::Packs => ".pack",
            Self::Manifests | Self::Notes => ".json",
            Self::Journals => ".jsonl",
        }
    }
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
    folder: PathBuf,
    bench: String,
}

impl Objects {
    /// Returns the objects of bench `bench` below `folder`, which exists.
    pub(crate) fn new(folder: &Path, bench: &str) -> Result<Self, VaultError> {
        let store = LocalFileSystem::new_with_prefix(folder).map_err(store_error("open", folder))?.with_fsync(true);
        Ok(Self { store, folder: folder.to_path_buf(), bench: bench.to_owned() })
    }

    /// Returns the key, as error messages and reports show it.
    pub(crate) fn key(&self, room: Room, name: &str) -> String {
        format!("{}/{}/{name}{}", self.bench, room.folder(), room.suffix())
    }

    /// Returns the names of the objects in a room, sorted. Staging files of interrupted puts are not objects and not listed.
    pub(crate) fn list(&self, room: Room) -> Result<Vec<String>, VaultError> {
        let prefix = Key::from(format!("{}/{}", self.bench, room.folder()));
        let metas: Vec<_> = pollster::block_on(self.store.list(Some(&prefix)).try_collect())
            .map_err(store_error("list", &self.room_path(room)))?;
        let mut found: Vec<_> = metas
            .iter()
            .filter_map(|meta| Some(meta.location.filename()?.strip_suffix(room.suffix())?.to_owned()))
            .collect();
        found.sort();
        Ok(found)
    }

    /// Returns an object's bytes. An object that is gone is damage: names come from a listing or from another object.
    pub(crate) fn read(&self, room: Room, name: &str) -> Result<Bytes, VaultError> {
        let key = Key::from(self.key(room, name));
        let result = pollster::block_on(async { self.store.get(&key).await?.bytes().await });
        result.map_err(|error| self.read_error(room, name, error))
    }

    /// Returns an object's size in bytes.
    pub(crate) fn size(&self, room: Room, name: &str) -> Result<u64, VaultError> {
        let key = Key::from(self.key(room, name));
        let meta = pollster::block_on(self.store.head(&key)).map_err(|error| self.read_error(room, name, error))?;
        Ok(meta.size)
    }

    /// Returns `len` bytes of an object from `from` on.
    pub(crate) fn read_range(&self, room: Room, name: &str, from: u64, len: u64) -> Result<Bytes, VaultError> {
        let key = Key::from(self.key(room, name));
        let result = pollster::block_on(self.store.get_range(&key, from..from + len));
        let bytes = result.map_err(|error| self.read_error(room, name, error))?;
        if bytes.len() as u64 == len {
            Ok(bytes)
        } else {
            Err(damaged(&self.key(room, name), "it is shorter than it was"))
        }
    }

    /// Makes an object, durable when this returns, or reports that one of that name is there.
    pub(crate) fn create(&self, room: Room, name: &str, payload: PutPayload) -> Result<Created, VaultError> {
        let key = Key::from(self.key(room, name));
        let path = self.path(room, name);
        match pollster::block_on(self.store.put_opts(&key, payload, PutMode::Create.into())) {
            Ok(_) => {
                fs::set_permissions(&path, Permissions::from_mode(0o600)).map_err(io_error("protect", &path))?;
                Ok(Created::Made)
            }
            Err(object_store::Error::AlreadyExists { .. }) => {
                // Another process may have made it a moment ago, and not have synced the folder yet.
                sync_dir(&self.room_path(room))?;
                Ok(Created::WasThere)
            }
            Err(error) => Err(store_error("store", &path)(error)),
        }
    }

    /// Makes an object that is named by its own hash, durable when this returns, and returns that hash and whether the
    /// object is new.
    ///
    /// An equal object that is there already will do. One of that name with other bytes is damaged and stays as it is:
    /// `make` is asked for the next copy, whose number is part of its bytes and so changes its name.
    pub(crate) fn create_hashed(
        &self,
        room: Room,
        make: impl Fn(u32) -> (Digest, PutPayload),
    ) -> Result<(Digest, Created), VaultError> {
        const MOST: u32 = 16;
        for copy in 0..MOST {
            let (digest, payload) = make(copy);
            let name = digest.to_string();
            match self.create(room, &name, payload)? {
                Created::WasThere if Digest::blake3(&self.read(room, &name)?) != digest => {}
                created => return Ok((digest, created)),
            }
        }
        Err(damaged(&self.key(room, &make(0).0.to_string()), format!("so are {MOST} further copies of it")))
    }

    /// Removes objects and syncs the room. One that is gone already is no error: a removal can be run again.
    pub(crate) fn remove(&self, room: Room, name: &str) -> Result<(), VaultError> {
        let key = Key::from(self.key(room, name));
        match pollster::block_on(self.store.delete(&key)) {
            Ok(()) => sync_dir(&self.room_path(room)),
            Err(object_store::Error::NotFound { .. }) => Ok(()),
            Err(error) => Err(store_error("remove", &self.path(room, name))(error)),
        }
    }

    /// Returns the files in the rooms that are no objects: what interrupted puts left, and what does not belong there.
    pub(crate) fn leftovers(&self) -> Result<Vec<PathBuf>, VaultError> {
        let mut left = Vec::new();
        for room in ROOMS {
            for path in files(&self.room_path(room))? {
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
        ROOMS.iter().try_for_each(|room| make_dir(&self.room_path(*room)))
    }

    fn room_path(&self, room: Room) -> PathBuf {
        self.folder.join(&self.bench).join(room.folder())
    }

    fn path(&self, room: Room, name: &str) -> PathBuf {
        self.folder.join(self.key(room, name))
    }

    fn read_error(&self, room: Room, name: &str, error: object_store::Error) -> VaultError {
        match error {
            object_store::Error::NotFound { .. } => damaged(&self.key(room, name), "it is missing"),
            error => store_error("read", &self.path(room, name))(error),
        }
    }
}

const ROOMS: [Room; 4] = [Room::Packs, Room::Manifests, Room::Journals, Room::Notes];

/// Makes a folder and the ones above it, 0700 and durable. Folders that are there keep their mode.
pub(crate) fn make_dir(path: &Path) -> Result<(), VaultError> {
    use std::os::unix::fs::DirBuilderExt;
    if path.is_dir() {
        return Ok(());
    }
    if let Some(parent) = path.parent().filter(|parent| !parent.as_os_str().is_empty()) {
        make_dir(parent)?;
    }
    match fs::DirBuilder::new().mode(0o700).create(path) {
        Ok(()) => path.parent().map_or(Ok(()), sync_dir),
        Err(error) if error.kind() == std::io::ErrorKind::AlreadyExists => Ok(()),
        Err(error) => Err(io_error("make", path)(error)),
    }
}

/// Makes a folder's entries durable.
pub(crate) fn sync_dir(path: &Path) -> Result<(), VaultError> {
    let here = if path.as_os_str().is_empty() { Path::new(".") } else { path };
    fs::File::open(here).and_then(|dir| dir.sync_all()).map_err(io_error("sync", here))
}

/// Returns the files right below a folder, sorted; none when the folder is missing.
pub(crate) fn files(folder: &Path) -> Result<Vec<PathBuf>, VaultError> {
    let entries = match fs::read_dir(folder) {
        Ok(entries) => entries,
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => return Ok(Vec::new()),
        Err(error) => return Err(io_error("list", folder)(error)),
    };
    let mut paths = Vec::new();
    for entry in entries {
        let path = entry.map_err(io_error("list", folder))?.path();
        if path.is_file() {
            paths.push(path);
        }
    }
    paths.sort();
    Ok(paths)
}
