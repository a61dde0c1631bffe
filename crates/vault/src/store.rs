//! Putting content in, and getting it back.
//!
//! A put cuts the content into 64 KiB chunks, looks up which of them the bench holds already, and writes the new ones as
//! one pack while it reads, then the pack's parity; when these are durable it writes the manifest, twice; when that is durable
//! it returns. Cut off while it reads, it leaves an unfinished file; after that a pack that no manifest lists: the next put of
//! the same content uses its chunks, and scrub reports it until then.
//!
//! Reading repairs nothing, not even in memory: damaged content is refused, and the error says whether a repair brings it
//! back. Otherwise a disk would go bad for years behind reads that succeed, until one shard too many is gone.
//!
//! What a reader would question: a chunk counts as held only after it was read back and gave its hash. That costs a read
//! of the whole content when a chip is captured a second time, and it is worth it: a capture that silently leant on a
//! damaged chunk would be no way back. The damaged chunk stays where it is, and the new copy is found beside it.

use std::collections::HashSet;
use std::fs;
use std::io::{self, Read, Write};
use std::mem;
use std::path::Path;

use bytes::Bytes;
use serde::Serialize;
use serde_json::Value;
use sha2::{Digest as _, Sha256};

use crate::Vault;
use crate::chunks::ChunkSource;
use crate::cut::{Cut, pieces};
use crate::disk::folder_of;
use crate::error::{Repair, VaultError, damaged, io_error};
use crate::index::{Filter, Listed};
use crate::lock::Lock;
use crate::manifest::{FORMAT, Manifest};
use crate::names::{Digest, JobId, Kind, check_line, check_time};
use crate::objects::{Room, is_named};
use crate::pack::{self, CHUNK};
use crate::shards::Made;

/// The largest content that the vault takes: 512 MiB, two of the largest serial NOR chips (2 Gbit; from memory) as one
/// span. Who asks for a content may get all of it in memory, so a limit there must be.
pub const LARGEST: u64 = 512 * 1024 * 1024;

/// What a content that is put is.
#[derive(Debug, Clone)]
pub struct PutRequest {
    /// A name for people, one line. Several contents may have the same.
    pub name: String,
    /// Capture or image.
    pub kind: Kind,
    /// The job that it belongs to, if any.
    pub job: Option<JobId>,
    /// UTC time of RFC 3339 when it was taken.
    pub taken_at: String,
    /// What to keep beside it: evidence, chip id, origin.
    pub facts: Value,
}

impl PutRequest {
    fn check(&self) -> Result<(), VaultError> {
        check_line("the name", &self.name)?;
        check_time(&self.taken_at)
    }
}

/// A content that was read to its end and is not stored yet: whoever has to know all of it before it decides whether to keep it
/// reads it once all the same.
///
/// What of it is new lies in an unfinished pack, durable, with its parity; dropped, this leaves nothing. Nobody may forget or
/// repair while it is held.
#[derive(Debug)]
pub struct Prepared<'a> {
    cut: Cut<'a>,
    _share: Option<Lock>,
}

/// The hashes of a content's bytes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Hashes {
    /// The content's id.
    pub blake3: Digest,
    /// What others know it by.
    pub sha256: Digest,
}

/// A reader that hashes along.
struct Hashing<'a, R> {
    content: &'a mut R,
    blake3: blake3::Hasher,
    sha256: Sha256,
}

impl<R> Hashing<'_, R> {
    fn hashes(self) -> Hashes {
        Hashes { blake3: Digest(*self.blake3.finalize().as_bytes()), sha256: Digest(self.sha256.finalize().into()) }
    }
}

impl<R: Read> Read for Hashing<'_, R> {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        let read = self.content.read(buffer)?;
        self.blake3.update(&buffer[..read]);
        self.sha256.update(&buffer[..read]);
        Ok(read)
    }
}

/// What a put did.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Stored {
    /// The content's id: BLAKE3 of its bytes.
    pub id: Digest,
    /// SHA-256 of its bytes.
    pub sha256: Digest,
    /// Bytes in the content.
    pub size: u64,
    /// Chunks that the bench did not hold before.
    pub new_chunks: u64,
    /// Bytes that these chunks take, compressed.
    pub new_bytes: u64,
}

/// The list of what is stored.
#[derive(Debug, Default)]
pub struct Listing {
    /// What matched, newest first.
    pub items: Vec<Listed>,
    /// Objects that could not be read, so that the list may lack what they hold.
    pub unreadable: Vec<VaultError>,
}

impl Vault {
    /// Stores everything that `content` yields, and returns once it is durable.
    ///
    /// The same content under another name or job is stored as a further manifest that shares all chunks. The same
    /// request again changes nothing.
    ///
    /// # Errors
    /// [`VaultError::NoSpace`], [`VaultError::ReadOnly`], [`VaultError::TooLarge`] above [`LARGEST`],
    /// [`VaultError::Input`] when `content` fails, [`VaultError::BadName`] for the name or the time, [`VaultError::Io`].
    pub fn put(&self, content: impl Read, request: &PutRequest) -> Result<Stored, VaultError> {
        request.check()?;
        let mut content = content;
        let mut hashing = Hashing { content: &mut content, blake3: blake3::Hasher::new(), sha256: Sha256::new() };
        let prepared = self.prepare(pieces(&mut hashing), &request.name)?;
        self.put_prepared(prepared, hashing.hashes(), request)
    }

    /// Takes a content in pieces of any size, for [`Vault::put_prepared`]. `name` is for error messages.
    ///
    /// # Errors
    /// As [`Vault::put`].
    pub fn prepare(
        &self,
        pieces: impl Iterator<Item = io::Result<Bytes>>,
        name: &str,
    ) -> Result<Prepared<'_>, VaultError> {
        self.must_write()?;
        let share = self.share_store()?;
        Ok(Prepared { cut: Cut::new(self, pieces, name)?, _share: share })
    }

    /// Stores a content that was read before, as [`Vault::put`] does. Its hashes were made from the same bytes, by another thread
    /// perhaps; wrong ones make a content that no later read gives out: each checks them.
    ///
    /// # Errors
    /// As [`Vault::put`].
    pub fn put_prepared(
        &self,
        content: Prepared<'_>,
        hashes: Hashes,
        request: &PutRequest,
    ) -> Result<Stored, VaultError> {
        request.check()?;
        let Prepared { cut, _share } = content;
        let Hashes { blake3, sha256 } = hashes;
        let (new_chunks, new_bytes) = cut.pack.as_ref().map_or((0, 0), Made::counts);
        if let Some(pack) = cut.pack {
            self.store_pack(pack)?;
        }
        let manifest = Manifest {
            format: FORMAT,
            copy: 0,
            kind: request.kind,
            name: request.name.clone(),
            job: request.job.clone(),
            size: cut.size,
            blake3,
            sha256,
            taken_at: request.taken_at.clone(),
            facts: request.facts.clone(),
            chunks: cut.runs,
        };
        self.objects().create_hashed(Room::Manifests, |copy| {
            let bytes = Manifest { copy, ..manifest.clone() }.encode();
            (Digest::blake3(&bytes), vec![bytes])
        })?;
        Ok(Stored { id: blake3, sha256, size: cut.size, new_chunks, new_bytes })
    }

    /// Writes the content `id` to `out`, every chunk checked before it is written and the whole at the end.
    ///
    /// When this returns an error, `out` holds less than the content or something else: throw it away.
    ///
    /// # Errors
    /// [`VaultError::Damaged`] naming object, chunk and offset, and saying whether a repair brings all of it back or which
    /// ranges are lost; [`VaultError::NotFound`]; [`VaultError::Output`] when `out` fails; [`VaultError::Io`].
    pub fn read(&self, id: &Digest, out: &mut impl Write) -> Result<(), VaultError> {
        let _share = self.share_store()?;
        // Any manifest of the content will do: they list the same chunks.
        let mut found = self.manifests_of(id)?;
        let good = found.iter().position(Result::is_ok).unwrap_or(0);
        let (object, manifest) = found.swap_remove(good)?;
        self.write_content(&object, &manifest, out).map_err(|error| self.with_prospects(error, &manifest))
    }

    /// Returns the content `id` in memory.
    ///
    /// # Errors
    /// As [`Vault::read`].
    pub fn read_vec(&self, id: &Digest) -> Result<Vec<u8>, VaultError> {
        let mut bytes = Vec::new();
        self.read(id, &mut bytes)?;
        Ok(bytes)
    }

    /// Writes the content `id` to the file `path`, mode 0600, complete and durable or not at all.
    ///
    /// A file that is there already is replaced only with `replace`.
    ///
    /// # Errors
    /// [`VaultError::Exists`]; [`VaultError::NoSpace`]; otherwise as [`Vault::read`].
    pub fn export(&self, id: &Digest, path: &Path, replace: bool) -> Result<(), VaultError> {
        let disk = self.disk();
        let mut beside = disk.begin(path)?;
        self.read(id, &mut beside).map_err(|error| match error {
            VaultError::Output { source, .. } => io_error("write", beside.path())(source),
            error => error,
        })?;
        beside.sync()?;
        if !replace {
            // A second name is given in one step, so that a kill leaves all of the file or none of it.
            match fs::hard_link(beside.path(), path) {
                Ok(()) => return disk.sync_dir(folder_of(path)),
                Err(error) if error.kind() == io::ErrorKind::AlreadyExists => {
                    return Err(VaultError::Exists { path: path.to_path_buf() });
                }
                // Not every file system knows second names.
                Err(_) => {}
            }
            // Takes the name, or finds it taken in the meantime; the rename then replaces this empty file of our own.
            match disk.create_new(path) {
                Err(error) if error.kind() == io::ErrorKind::AlreadyExists => {
                    return Err(VaultError::Exists { path: path.to_path_buf() });
                }
                taken => taken.map_err(io_error("write", path))?,
            };
        }
        beside.finish(path)
    }

    /// Returns the id that `asked` means: a whole id, at least its first 6 digits, or a name.
    ///
    /// # Errors
    /// [`VaultError::NotFound`]; [`VaultError::Ambiguous`] with the candidates when more than one content answers.
    pub fn find(&self, asked: &str) -> Result<Digest, VaultError> {
        let lower = asked.to_ascii_lowercase();
        let digits = (6..=64).contains(&lower.len()) && lower.bytes().all(|byte| byte.is_ascii_hexdigit());
        let _share = self.share_store()?;
        let found = self.twice(
            |vault| vault.with_index(|index| index.find(asked, digits.then_some(lower.as_str()))),
            Vec::is_empty,
        )?;
        let mut ids: Vec<Digest> = found.iter().map(|item| item.id).collect();
        ids.dedup();
        match ids.as_slice() {
            [] => Err(VaultError::NotFound { asked: asked.to_owned() }),
            [id] => Ok(*id),
            _ => Err(VaultError::Ambiguous {
                asked: asked.to_owned(),
                candidates: found.iter().map(candidate).collect(),
            }),
        }
    }

    /// Returns what is stored, newest first, narrowed by `filter`.
    ///
    /// # Errors
    /// [`VaultError::Io`] when the objects cannot be listed. A damaged object is no error but stands in the listing.
    pub fn list(&self, filter: &Filter) -> Result<Listing, VaultError> {
        let _share = self.share_store()?;
        // What the index could not take in is tried again each time, so that damage shows each time.
        let (items, unreadable) =
            self.with_index(|index| Ok((index.list(filter)?, mem::take(&mut index.unreadable))))?;
        Ok(Listing { items, unreadable })
    }

    /// Returns all manifests of the content `id`, oldest first: one for each name and job that it was put under.
    ///
    /// # Errors
    /// [`VaultError::NotFound`]; [`VaultError::Damaged`] when a manifest is.
    pub fn show(&self, id: &Digest) -> Result<Vec<Manifest>, VaultError> {
        let _share = self.share_store()?;
        self.manifests_of(id)?.into_iter().map(|found| Ok(found?.1)).collect()
    }

    /// Writes what `manifest` lists to `out`, all hashes checked.
    pub(crate) fn write_content(
        &self,
        object: &str,
        manifest: &Manifest,
        out: &mut impl Write,
    ) -> Result<(), VaultError> {
        let mut source = ChunkSource::new(self, manifest.chunks.iter().map(|(hash, _)| *hash).collect())?;
        let mut whole = blake3::Hasher::new();
        let mut at = 0_u64;
        for (hash, times) in &manifest.chunks {
            let bytes = source.load(hash).map_err(|error| with_offset(error, at))?;
            for _ in 0..*times {
                let left = manifest.size - at;
                if bytes.len() as u64 != left.min(CHUNK as u64) {
                    let why =
                        format!("chunk {} has {} bytes where {left} are left at {at:#x}", hash.short(), bytes.len());
                    return Err(damaged(object, why));
                }
                whole.update(&bytes);
                out.write_all(&bytes).map_err(|source| VaultError::Output { id: manifest.blake3, source })?;
                at += bytes.len() as u64;
            }
        }
        if at != manifest.size || whole.finalize().as_bytes() != &manifest.blake3.0 {
            return Err(damaged(object, "its chunks do not give the content's hash"));
        }
        Ok(())
    }

    pub(crate) fn read_manifest(&self, name: &str) -> Result<Manifest, VaultError> {
        let read = self.objects().read(Room::Manifests, name, |bytes| is_named(bytes, name));
        let manifest =
            read.and_then(|bytes| Manifest::decode(&bytes, &self.objects().key(Room::Manifests, name), name));
        // Both copies were tried.
        manifest.map_err(|error| with_repair(error, Repair::Impossible { lost: Box::default() }))
    }

    /// Returns `error`, which came up in reading what `manifest` lists, with what a repair can do about all of it.
    pub(crate) fn with_prospects(&self, error: VaultError, manifest: &Manifest) -> VaultError {
        if !matches!(error, VaultError::Damaged { .. }) {
            return error;
        }
        match self.prospects(manifest) {
            Ok(repair) => with_repair(error, repair),
            // What hinders this look is told by the next command that meets it.
            Err(_) => error,
        }
    }

    fn prospects(&self, manifest: &Manifest) -> Result<Repair, VaultError> {
        let mut source = ChunkSource::new(self, manifest.chunks.iter().map(|(hash, _)| *hash).collect())?;
        let mut missing: HashSet<Digest> =
            manifest.chunks.iter().map(|(hash, _)| *hash).filter(|hash| !source.holds(hash)).collect();
        if missing.is_empty() {
            // Each chunk is good, and together they are not the content.
            return Ok(Repair::Impossible { lost: Box::default() });
        }
        let mut packs: HashSet<String> = self.objects().list(Room::Packs)?.into_iter().collect();
        packs.extend(self.objects().list(Room::Parity)?);
        for name in packs {
            if missing.is_empty() {
                break;
            }
            // A pack whose index can be read and does not name a missing chunk need not be examined.
            if self.read_slots(&name).is_ok_and(|slots| !slots.iter().any(|slot| missing.contains(&slot.hash))) {
                continue;
            }
            let Some(pack) = self.restored_pack(&self.examine(&name)?)? else { continue };
            for slot in pack.slots()?.iter().filter(|slot| missing.contains(&slot.hash)).copied().collect::<Vec<_>>() {
                if pack::unpack(&slot, &pack.read(slot.offset, slot.stored_len.into())?).is_ok() {
                    missing.remove(&slot.hash);
                }
            }
        }
        if missing.is_empty() {
            return Ok(Repair::Possible);
        }
        let mut lost: Vec<(u64, u64)> = Vec::new();
        let mut at = 0_u64;
        for (hash, times) in &manifest.chunks {
            let end = at.saturating_add(times.saturating_mul(CHUNK as u64)).min(manifest.size);
            match lost.last_mut().filter(|(_, last)| *last == at) {
                _ if !missing.contains(hash) => {}
                Some((_, last)) => *last = end,
                None => lost.push((at, end)),
            }
            at = end;
        }
        Ok(Repair::Impossible { lost: lost.into() })
    }

    /// Returns object key and manifest for each manifest of a content, or what is wrong with it; never empty.
    fn manifests_of(&self, id: &Digest) -> Result<Vec<FoundManifest>, VaultError> {
        let load = |vault: &Self| {
            let names = vault.with_index(|index| index.manifests_of(id))?;
            let found = names.iter().map(|name| {
                let manifest = vault.read_manifest(name)?;
                Ok((vault.objects().key(Room::Manifests, name), manifest))
            });
            Ok(found.filter(|found| !matches!(found, Ok((_, manifest)) if manifest.blake3 != *id)).collect())
        };
        let mut found: Vec<_> = self.twice(load, |found: &Vec<FoundManifest>| !found.iter().any(Result::is_ok))?;
        if found.is_empty() {
            // A damaged manifest cannot say whose it is; it may be this one.
            let damage = self.with_index(|index| Ok(index.unreadable.pop()))?;
            found.push(Err(damage.unwrap_or_else(|| VaultError::NotFound { asked: id.to_string() })));
        }
        Ok(found)
    }

    /// Returns what `ask` says; when that is `nothing`, what it says on a fresh index.
    fn twice<T>(
        &self,
        ask: impl Fn(&Self) -> Result<T, VaultError>,
        nothing: impl Fn(&T) -> bool,
    ) -> Result<T, VaultError> {
        match ask(self) {
            Ok(answer) if !nothing(&answer) => Ok(answer),
            _ => {
                self.drop_index()?;
                ask(self)
            }
        }
    }
}

/// A manifest's object key and the manifest, or what is wrong with it.
type FoundManifest = Result<(String, Manifest), VaultError>;

fn candidate(item: &Listed) -> String {
    let job = item.job.as_ref().map(|job| format!(" of job {job}")).unwrap_or_default();
    format!("{} ({}{job})", item.id.short(), item.name)
}

fn with_offset(error: VaultError, offset: u64) -> VaultError {
    match error {
        VaultError::Damaged { object, chunk, why, repair, .. } => {
            VaultError::Damaged { object, chunk, at: Some(offset), why, repair }
        }
        error => error,
    }
}

fn with_repair(error: VaultError, repair: Repair) -> VaultError {
    match error {
        VaultError::Damaged { object, chunk, at, why, .. } => VaultError::Damaged { object, chunk, at, why, repair },
        error => error,
    }
}
