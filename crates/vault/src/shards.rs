//! Storing packs with their parity, examining them, and bringing a damaged one back.
//!
//! | order | why |
//! |---|---|
//! | stored: parity, then pack | a pack that is there has its parity, wherever a put is cut off |
//! | removed: pack, then parity | the same; a parity without its pack is a leftover, and `forget` takes it away |
//! | repaired: the new file is written beside, its hash checked, synced, and only then renamed | the damaged one is the best there is until then |
//!
//! Which of the three states a pack is in, the pack's own name decides: it is the BLAKE3 of its bytes. Shard hashes only
//! say which shards may be used to restore the others, so a wrong one can make a pack lost, and never makes one wrong.

use std::collections::HashMap;
use std::fs::File;
use std::os::unix::fs::FileExt;

use bytes::Bytes;

use crate::Vault;
use crate::disk::Beside;
use crate::error::{ErrorKind, VaultError, damaged, io_error};
use crate::names::Digest;
use crate::objects::{Place, Room};
use crate::pack::{self, Slot, TRAILER};
use crate::parity::{self, DATA, PARITY, TABLE, Table};

/// What a pack and its parity are like.
#[derive(Debug)]
pub(crate) struct Examined {
    name: String,
    /// The pack's shards, where one of the two tables can be read.
    table: Option<Table>,
    /// Whether the pack's bytes give its name.
    pub(crate) whole: bool,
    /// Data shards that do not give their hash.
    bad_data: Vec<usize>,
    /// Parity shards that do not give their hash, numbered from [`DATA`].
    bad_parity: Vec<usize>,
    /// Whether both tables and the length of the parity are right.
    tables_whole: bool,
}

impl Examined {
    /// Returns whether pack and parity are as they were stored.
    pub(crate) fn is_sound(&self) -> bool {
        self.whole && self.tables_whole && self.bad_parity.is_empty()
    }

    /// Returns whether what is not sound can be brought back.
    pub(crate) fn is_repairable(&self) -> bool {
        self.whole || (self.table.is_some() && self.bad_data.len() + self.bad_parity.len() <= PARITY)
    }

    /// Returns what is wrong, in words.
    pub(crate) fn why(&self) -> String {
        let mut parts = Vec::new();
        match (self.whole, self.bad_data.len()) {
            (true, _) => {}
            (false, 0) => parts.push("its bytes do not give its name".to_owned()),
            (false, bad) => parts.push(format!("{bad} of {DATA} shards are damaged")),
        }
        if !self.bad_parity.is_empty() {
            parts.push(format!("{} of {PARITY} parity shards are damaged", self.bad_parity.len()));
        }
        if !self.tables_whole {
            let lost = if self.table.is_some() { "a table of its parity is" } else { "both tables of its parity are" };
            parts.push(format!("{lost} damaged or missing"));
        }
        parts.join(", ")
    }
}

/// A pack that is being written beside its place.
#[derive(Debug)]
pub(crate) struct Draft<'a> {
    vault: &'a Vault,
    beside: Beside<'a>,
    slots: Vec<Slot>,
    len: u64,
    name: Box<blake3::Hasher>,
}

impl<'a> Draft<'a> {
    /// Begins a pack. `copy` is 0, unless one of its name is damaged.
    pub(crate) fn begin(vault: &'a Vault, copy: u64) -> Result<Self, VaultError> {
        let beside = vault.objects().begin(Room::Packs)?;
        let name = Box::default();
        let mut draft = Self { vault, beside, slots: Vec::new(), len: 0, name };
        draft.write(&pack::head(copy))?;
        Ok(draft)
    }

    /// Adds chunks as they are to be stored, one after the other in `stored`, from whose beginning their offsets count.
    pub(crate) fn add(&mut self, slots: &[Slot], stored: &[u8]) -> Result<(), VaultError> {
        let at = self.len;
        self.slots.extend(slots.iter().map(|slot| Slot { offset: at + slot.offset, ..*slot }));
        self.write(stored)
    }

    /// Ends the pack: makes it durable, and its parity.
    pub(crate) fn finish(mut self) -> Result<Made<'a>, VaultError> {
        self.write(&pack::tail(&self.slots))?;
        let (len, name) = (self.len, Digest(*self.name.finalize().as_bytes()));
        let written = self.written()?;
        // The disk takes its time, and what it is given is in memory still.
        let (synced, encoded) = std::thread::scope(|scope| {
            let syncing = scope.spawn(|| self.beside.sync());
            let encoded = parity::encode(name, len, |from, buffer| written.read_exact_at(buffer, from));
            (syncing.join().expect("syncing does not panic"), encoded)
        });
        synced?;
        let mut parity = self.vault.objects().begin(Room::Parity)?;
        for part in encoded.map_err(io_error("read", self.beside.path()))? {
            parity.add(&part)?;
        }
        parity.sync()?;
        Ok(Made { draft: self, name, parity })
    }

    fn write(&mut self, bytes: &[u8]) -> Result<(), VaultError> {
        self.beside.add(bytes)?;
        self.name.update(bytes);
        self.len += bytes.len() as u64;
        Ok(())
    }

    /// Opens what is written so far.
    fn written(&self) -> Result<File, VaultError> {
        File::open(self.beside.path()).map_err(io_error("read", self.beside.path()))
    }
}

/// A pack that is written, durable, and not in its place yet.
#[derive(Debug)]
pub(crate) struct Made<'a> {
    draft: Draft<'a>,
    name: Digest,
    parity: Beside<'a>,
}

impl<'a> Made<'a> {
    /// Returns how many chunks are in it, and the bytes that they take.
    pub(crate) fn counts(&self) -> (u64, u64) {
        let slots = &self.draft.slots;
        (slots.len() as u64, slots.iter().map(|slot| u64::from(slot.stored_len)).sum())
    }

    /// Returns a pack with the same chunks and another name.
    fn again(self, copy: u64) -> Result<Self, VaultError> {
        let Self { draft: old, .. } = self;
        let written = old.written()?;
        let mut draft = Draft::begin(old.vault, copy)?;
        let mut stored = Vec::new();
        for slot in &old.slots {
            stored.resize(slot.stored_len as usize, 0);
            written.read_exact_at(&mut stored, slot.offset).map_err(io_error("read", old.beside.path()))?;
            draft.add(&[Slot { offset: 0, ..*slot }], &stored)?;
        }
        draft.finish()
    }
}

/// A pack's bytes: as stored, or with its damaged shards restored in memory.
pub(crate) struct PackBytes<'a> {
    vault: &'a Vault,
    name: String,
    len: u64,
    shard: u64,
    restored: HashMap<u64, Bytes>,
}

impl PackBytes<'_> {
    /// Returns `len` bytes from `from` on.
    pub(crate) fn read(&self, from: u64, len: u64) -> Result<Bytes, VaultError> {
        let end = from.checked_add(len).filter(|end| *end <= self.len);
        let end = end.ok_or_else(|| self.vault.bad_pack(&self.name, "it is shorter than it was"))?;
        if self.restored.is_empty() {
            return self.vault.objects().read_range(Room::Packs, &self.name, from, len);
        }
        let mut bytes = Vec::new();
        let mut at = from;
        while at < end {
            let (number, in_shard) = (at / self.shard, at % self.shard);
            let some = (self.shard - in_shard).min(end - at);
            match self.restored.get(&number) {
                Some(shard) => {
                    let from = usize::try_from(in_shard).expect("a shard in memory");
                    bytes.extend_from_slice(&shard[from..from + usize::try_from(some).expect("a shard in memory")]);
                }
                None => {
                    let read = self.vault.objects().read_range(Room::Packs, &self.name, at, some)?;
                    bytes.extend_from_slice(&read);
                }
            }
            at += some;
        }
        Ok(bytes.into())
    }

    /// Returns the pack's slots.
    pub(crate) fn slots(&self) -> Result<Vec<Slot>, VaultError> {
        let bad = |why| self.vault.bad_pack(&self.name, why);
        let at = self.len.checked_sub(TRAILER as u64).ok_or_else(|| bad("too short for a pack"))?;
        let trailer = self.read(at, TRAILER as u64)?;
        let (offset, len) = pack::parse_trailer(&trailer, self.len).map_err(bad)?;
        pack::parse_index(&self.read(offset, len + TRAILER as u64)?, offset).map_err(bad)
    }

    /// Returns whether all bytes together give the pack's name.
    fn is_named(&self) -> Result<bool, VaultError> {
        let mut hasher = blake3::Hasher::new();
        for (from, len) in pieces(self.len) {
            match self.read(from, len) {
                Ok(bytes) => hasher.update(&bytes),
                Err(error) if error.kind() == ErrorKind::Data => return Ok(false),
                Err(error) => return Err(error),
            };
        }
        Ok(Digest(*hasher.finalize().as_bytes()).to_string() == self.name)
    }
}

impl Vault {
    /// Puts a pack and its parity in their places; durable when this returns. An equal pack that is there will do.
    pub(crate) fn store_pack(&self, mut made: Made<'_>) -> Result<(), VaultError> {
        const MOST: u64 = 16;
        let first = made.name.to_string();
        for copy in 1..=MOST {
            let name = made.name.to_string();
            let examined = self.examine(&name)?;
            if examined.whole {
                return if examined.is_sound() { Ok(()) } else { self.make_parity(&name) };
            }
            if self.objects().path(Room::Packs, Place::First, &name).exists() {
                // Damaged, and left as it is: the number of the copy gives the next one another name.
                made = made.again(copy)?;
                continue;
            }
            self.objects().finish(Room::Parity, &name, made.parity)?;
            return self.objects().finish(Room::Packs, &name, made.draft.beside);
        }
        Err(self.bad_pack(&first, &format!("so are {MOST} further copies of it")))
    }

    /// Makes the parity of a pack whose bytes give its name.
    pub(crate) fn make_parity(&self, name: &str) -> Result<(), VaultError> {
        let pack = self.stored_pack(name)?;
        let parts = parity::encode(name.parse()?, pack.len, |from, buffer| {
            pack.read(from, buffer.len() as u64).map(|bytes| buffer.copy_from_slice(&bytes))
        })?;
        self.objects().replace(Room::Parity, Place::First, name, &parts)
    }

    /// Removes a pack and its parity.
    pub(crate) fn remove_pack(&self, name: &str) -> Result<(), VaultError> {
        self.objects().remove(Room::Packs, name)?;
        self.objects().remove(Room::Parity, name)
    }

    /// Returns a pack's bytes as they are stored.
    pub(crate) fn stored_pack(&self, name: &str) -> Result<PackBytes<'_>, VaultError> {
        let len = self.objects().size(Room::Packs, name)?;
        Ok(PackBytes { vault: self, name: name.to_owned(), len, shard: 1, restored: HashMap::new() })
    }

    /// Reads a pack and its parity and says what they are like. Damage is no error, a pack that is missing neither.
    pub(crate) fn examine(&self, name: &str) -> Result<Examined, VaultError> {
        let whole = match self.stored_pack(name) {
            Ok(pack) => pack.is_named()?,
            Err(error) if error.kind() == ErrorKind::Data => false,
            Err(error) => return Err(error),
        };
        let (table, tables_whole) = self.read_tables(name)?;
        let mut examined = Examined {
            name: name.to_owned(),
            table,
            whole,
            bad_data: Vec::new(),
            bad_parity: Vec::new(),
            tables_whole,
        };
        let Some(table) = &examined.table else { return Ok(examined) };
        for number in 0..DATA + PARITY {
            if number < DATA && whole {
                continue;
            }
            let (room, (from, len)) = shard_place(table, number);
            match self.objects().read_range(room, name, from, len) {
                Ok(bytes) if Digest::blake3(&bytes) == table.hashes[number] => {}
                Err(error) if error.kind() != ErrorKind::Data => return Err(error),
                _ if number < DATA => examined.bad_data.push(number),
                _ => examined.bad_parity.push(number),
            }
        }
        Ok(examined)
    }

    /// Returns a damaged pack's bytes, its damaged shards restored in memory, and checked by the pack's name. None when
    /// there is too much damage.
    pub(crate) fn restored_pack(&self, examined: &Examined) -> Result<Option<PackBytes<'_>>, VaultError> {
        if examined.whole {
            return self.stored_pack(&examined.name).map(Some);
        }
        let Some(table) = examined.table.as_ref().filter(|_| examined.is_repairable()) else { return Ok(None) };
        let mut shards = vec![Vec::new(); examined.bad_data.len()];
        let bad = |number: &usize| examined.bad_data.contains(number) || examined.bad_parity.contains(number);
        for (at, window) in table.windows().filter(|_| !examined.bad_data.is_empty()) {
            let mut good = Vec::with_capacity(DATA + PARITY);
            for number in (0..DATA + PARITY).filter(|number| !bad(number)) {
                let (room, (from, len)) = shard_place(table, number);
                let some = window.min(len.saturating_sub(at));
                good.push((number, self.objects().read_range(room, &examined.name, from + at.min(len), some)?));
            }
            let restored = parity::restore(window, good, &examined.bad_data);
            shards.iter_mut().zip(restored).for_each(|(shard, bytes)| shard.extend(bytes));
        }
        let restored = examined.bad_data.iter().map(|number| *number as u64).zip(shards.into_iter().map(Bytes::from));
        let (name, restored) = (examined.name.clone(), restored.collect());
        let pack = PackBytes { vault: self, name, len: table.len, shard: table.shard, restored };
        Ok(pack.is_named()?.then_some(pack))
    }

    /// Brings pack and parity back to what was stored; returns what was done, or none when there is too much damage.
    pub(crate) fn repair_pack(&self, examined: &Examined) -> Result<Option<String>, VaultError> {
        let mut done = Vec::new();
        if !examined.whole {
            let Some(pack) = self.restored_pack(examined)? else { return Ok(None) };
            let parts: Result<Vec<_>, _> = pieces(pack.len).map(|(from, len)| pack.read(from, len)).collect();
            self.objects().replace(Room::Packs, Place::First, &examined.name, &parts?)?;
            done.push(format!("{} shards of the pack were restored from the others", examined.bad_data.len()));
        }
        if !examined.tables_whole || !examined.bad_parity.is_empty() {
            self.make_parity(&examined.name)?;
            done.push("its parity was made anew".to_owned());
        }
        Ok(Some(done.join(", ")))
    }

    pub(crate) fn bad_pack(&self, name: &str, why: &str) -> VaultError {
        damaged(&self.objects().key(Room::Packs, name), why)
    }

    /// Returns a readable table of the pack's parity, and whether both are the same and the object has its length.
    fn read_tables(&self, name: &str) -> Result<(Option<Table>, bool), VaultError> {
        let size = match self.objects().size(Room::Parity, name) {
            Ok(size) => size,
            Err(error) if error.kind() == ErrorKind::Data => return Ok((None, false)),
            Err(error) => return Err(error),
        };
        let read = |from: u64| match self.objects().read_range(Room::Parity, name, from, TABLE as u64) {
            Ok(bytes) => Ok(Table::decode(&bytes).filter(|table| table.pack.to_string() == name)),
            Err(error) if error.kind() == ErrorKind::Data => Ok(None),
            Err(error) => Err(error),
        };
        let first = read(0)?;
        let last = size.checked_sub(TABLE as u64).map_or(Ok(None), read)?;
        let whole = first == last && first.as_ref().is_some_and(|table| table.object_len() == size);
        Ok((first.or(last), whole))
    }
}

/// Returns the object that a shard lies in, and where, as offset and length.
fn shard_place(table: &Table, number: usize) -> (Room, (u64, u64)) {
    match number.checked_sub(DATA) {
        None => (Room::Packs, table.data_range(number)),
        Some(parity) => (Room::Parity, table.parity_range(parity)),
    }
}

/// Returns pieces of at most 1 MiB of something of `len` bytes, as offset and length.
fn pieces(len: u64) -> impl Iterator<Item = (u64, u64)> {
    const PIECE: u64 = 1 << 20;
    (0..len.div_ceil(PIECE)).map(move |number| (number * PIECE, PIECE.min(len - number * PIECE)))
}
