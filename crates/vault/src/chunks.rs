//! Finding a chunk again.

use std::collections::HashMap;

use crate::Vault;
use crate::error::{Repair, VaultError};
use crate::names::Digest;
use crate::objects::Room;
use crate::pack::{self, Slot};

/// Loads chunks, from whichever pack gives the right bytes.
pub(crate) struct ChunkSource<'a> {
    vault: &'a Vault,
    wanted: Vec<Digest>,
    packs_of: HashMap<Digest, Vec<String>>,
    slots: HashMap<String, HashMap<Digest, Slot>>,
    fresh: bool,
}

impl<'a> ChunkSource<'a> {
    /// Returns a source for the chunks `wanted`, all of which are looked up at once.
    pub(crate) fn new(vault: &'a Vault, wanted: Vec<Digest>) -> Result<Self, VaultError> {
        let packs_of = vault.with_index(|index| index.packs_of(&wanted))?;
        Ok(Self { vault, wanted, packs_of, slots: HashMap::new(), fresh: false })
    }

    /// Returns whether the chunk can be read and gives its hash, by what the index says.
    pub(crate) fn holds(&mut self, chunk: &Digest) -> bool {
        self.attempt(chunk).is_ok()
    }

    /// Returns a chunk's raw bytes, checked. Where the index leads astray, a fresh one is asked, once.
    pub(crate) fn load(&mut self, chunk: &Digest) -> Result<Vec<u8>, VaultError> {
        let mut result = self.attempt(chunk);
        if result.is_err() && !self.fresh {
            self.fresh = true;
            self.vault.drop_index()?;
            self.packs_of = self.vault.with_index(|index| index.packs_of(&self.wanted))?;
            result = self.attempt(chunk);
        }
        let error = match result {
            Ok(bytes) => return Ok(bytes),
            Err(error) => error,
        };
        // With no pack to name, the chunk was in one whose index cannot be read, or in one that is gone.
        let error = match error {
            Some(error) => Some(*error),
            None => self.vault.with_index(|index| Ok(index.unreadable.pop()))?,
        };
        Err(error.unwrap_or_else(|| VaultError::Damaged {
            object: self.vault.objects().key(Room::Packs, "*").into(),
            chunk: Some(*chunk),
            at: None,
            why: "no pack holds the chunk".into(),
            repair: Repair::Unknown,
        }))
    }

    /// Returns the chunk from the first pack that gives it, or the last pack's error if any pack was named.
    fn attempt(&mut self, chunk: &Digest) -> Result<Vec<u8>, Option<Box<VaultError>>> {
        let mut error = None;
        for pack in self.packs_of.get(chunk).into_iter().flatten() {
            match load_from(self.vault, &mut self.slots, pack, chunk) {
                Ok(bytes) => return Ok(bytes),
                Err(failed) => error = Some(Box::new(failed)),
            }
        }
        Err(error)
    }
}

impl Vault {
    /// Returns the slots of a pack.
    pub(crate) fn read_slots(&self, name: &str) -> Result<Vec<Slot>, VaultError> {
        self.stored_pack(name)?.slots()
    }
}

fn load_from(
    vault: &Vault,
    slots: &mut HashMap<String, HashMap<Digest, Slot>>,
    pack: &str,
    chunk: &Digest,
) -> Result<Vec<u8>, VaultError> {
    if !slots.contains_key(pack) {
        let read = vault.read_slots(pack)?;
        slots.insert(pack.to_owned(), read.into_iter().map(|slot| (slot.hash, slot)).collect());
    }
    let bad = |why: &str| VaultError::Damaged {
        object: vault.objects().key(Room::Packs, pack).into(),
        chunk: Some(*chunk),
        at: None,
        why: why.into(),
        repair: Repair::Unknown,
    };
    let slot = slots[pack].get(chunk).ok_or_else(|| bad("its index does not name the chunk"))?;
    let stored = vault.objects().read_range(Room::Packs, pack, slot.offset, slot.stored_len.into())?;
    pack::unpack(slot, &stored).map_err(bad)
}
