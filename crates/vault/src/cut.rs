//! Cutting a content into chunks, and writing the new ones among them as a pack, while it is still being read.
//!
//! Bytes come in pieces of any size, as whoever reads them has them: others may hash the same pieces at the same time, and none
//! is copied on its way to the disk. Chunks wait in batches until the index was asked about all of a batch. Those that stay as
//! they are and lie side by side in one piece are written, and hashed for the pack's name, at once.

use std::collections::HashSet;
use std::io::{self, Read};

use bytes::{Bytes, BytesMut};

use crate::Vault;
use crate::chunks::ChunkSource;
use crate::error::VaultError;
use crate::names::Digest;
use crate::pack::{CHUNK, Method, Packer, Slot};
use crate::shards::{Draft, Made};
use crate::store::LARGEST;

/// Chunks that are cut before the new ones among them are looked up: a look into the index costs as much as hashing a few MiB, and a
/// system chip of the usual size takes one. Chunks that came before count too, because whoever waits keeps its whole piece in memory.
const BATCH: usize = 256;

/// Fewer chunks than this are packed without another thread.
const ALONE: usize = 32;

/// A content, cut: its chunks in order, and those that are new in a pack.
#[derive(Debug)]
pub(crate) struct Cut<'a> {
    pub(crate) size: u64,
    pub(crate) runs: Vec<(Digest, u64)>,
    pub(crate) pack: Option<Made<'a>>,
}

impl<'a> Cut<'a> {
    /// Returns what the pieces are together, cut. `name` is for error messages. The caller holds a share of the store.
    pub(crate) fn new(
        vault: &'a Vault,
        pieces: impl Iterator<Item = io::Result<Bytes>>,
        name: &str,
    ) -> Result<Self, VaultError> {
        let mut cutter = Cutter::new(vault);
        let mut begun = BytesMut::new(); // of a chunk that a piece ended in
        for piece in pieces {
            let mut piece = piece.map_err(|source| VaultError::Input { name: name.to_owned(), source })?;
            cutter.size += piece.len() as u64;
            if cutter.size > LARGEST {
                return Err(VaultError::TooLarge { name: name.to_owned(), limit: LARGEST });
            }
            if !begun.is_empty() {
                let rest = piece.split_to(piece.len().min(CHUNK - begun.len()));
                begun.extend_from_slice(&rest);
                if begun.len() == CHUNK {
                    cutter.chunk(begun.split().freeze(), 0, CHUNK)?;
                }
            }
            let whole = piece.len() - piece.len() % CHUNK;
            for at in (0..whole).step_by(CHUNK) {
                cutter.chunk(piece.clone(), at, CHUNK)?;
            }
            begun.extend_from_slice(&piece[whole..]);
        }
        if !begun.is_empty() {
            let len = begun.len();
            cutter.chunk(begun.freeze(), 0, len)?;
        }
        cutter.end()
    }
}

/// Returns what `content` yields, in pieces.
pub(crate) fn pieces(mut content: impl Read) -> impl Iterator<Item = io::Result<Bytes>> {
    const PIECE: usize = 16 * CHUNK;
    std::iter::from_fn(move || {
        let mut piece = Vec::with_capacity(PIECE);
        match content.by_ref().take(PIECE as u64).read_to_end(&mut piece) {
            Ok(0) => None,
            Ok(_) => Some(Ok(piece.into())),
            Err(error) => Some(Err(error)),
        }
    })
}

/// A chunk's place in a piece.
struct Raw {
    hash: Digest,
    piece: Bytes,
    at: usize,
    len: usize,
}

struct Cutter<'a> {
    vault: &'a Vault,
    size: u64,
    runs: Vec<(Digest, u64)>,
    seen: HashSet<Digest>,
    batch: Vec<Raw>,
    cut: usize,
    packers: [Packer; 2],
    draft: Option<Draft<'a>>,
}

impl<'a> Cutter<'a> {
    fn new(vault: &'a Vault) -> Self {
        let (runs, seen, batch) = (Vec::new(), HashSet::new(), Vec::new());
        Self { vault, size: 0, runs, seen, batch, cut: 0, packers: [Packer::new(), Packer::new()], draft: None }
    }

    fn chunk(&mut self, piece: Bytes, at: usize, len: usize) -> Result<(), VaultError> {
        let hash = Digest::blake3(&piece[at..at + len]);
        match self.runs.last_mut() {
            Some((last, times)) if *last == hash => *times += 1,
            _ => self.runs.push((hash, 1)),
        }
        if self.seen.insert(hash) {
            self.batch.push(Raw { hash, piece, at, len });
        }
        self.cut += 1;
        if self.cut.is_multiple_of(BATCH) { self.pack_batch() } else { Ok(()) }
    }

    /// Packs those chunks of the batch that the bench does not hold.
    fn pack_batch(&mut self) -> Result<(), VaultError> {
        let mut batch = std::mem::take(&mut self.batch);
        if batch.is_empty() {
            return Ok(());
        }
        let mut source = ChunkSource::new(self.vault, batch.iter().map(|raw| raw.hash).collect())?;
        batch.retain(|raw| !source.holds(&raw.hash));
        if batch.is_empty() {
            return Ok(());
        }
        let draft = match &mut self.draft {
            Some(draft) => draft,
            none => none.insert(Draft::begin(self.vault, 0)?),
        };
        // Always in two halves: what is tried of a chunk depends on the one before it, and a pack is the same on every machine.
        let (first, second) = batch.split_at(if batch.len() < ALONE { batch.len() } else { batch.len() / 2 });
        let [one, other] = &mut self.packers;
        let packed = std::thread::scope(|scope| {
            let others = (!second.is_empty()).then(|| scope.spawn(|| pack(other, second)));
            let mut packed = pack(one, first);
            packed.extend(others.map(|others| others.join().expect("packing does not panic")).unwrap_or_default());
            packed
        });
        let mut side_by_side = SideBySide::default();
        for (Raw { hash, piece, at, len }, packed) in batch.into_iter().zip(packed) {
            let raw_len = length(len);
            if let Some(stored) = packed {
                side_by_side.write(draft)?;
                let slot = Slot { hash, offset: 0, stored_len: length(stored.len()), raw_len, method: Method::Zstd };
                draft.add(&[slot], &stored)?;
            } else {
                if !side_by_side.goes_on(&piece, at) {
                    side_by_side.write(draft)?;
                    (side_by_side.piece, side_by_side.at) = (piece, at);
                }
                let offset = side_by_side.len as u64;
                side_by_side.slots.push(Slot { hash, offset, stored_len: raw_len, raw_len, method: Method::Raw });
                side_by_side.len += len;
            }
        }
        side_by_side.write(draft)
    }

    fn end(mut self) -> Result<Cut<'a>, VaultError> {
        self.pack_batch()?;
        Ok(Cut { size: self.size, runs: self.runs, pack: self.draft.map(Draft::finish).transpose()? })
    }
}

/// Returns each chunk compressed; none for one that stays as it is.
fn pack(packer: &mut Packer, batch: &[Raw]) -> Vec<Option<Vec<u8>>> {
    let pack = |raw: &Raw| match packer.chunk(&raw.piece[raw.at..raw.at + raw.len]) {
        (Method::Zstd, stored) => Some(stored.to_vec()),
        (Method::Raw, _) => None,
    };
    batch.iter().map(pack).collect()
}

/// Chunks that are stored as they are and lie side by side in one piece.
#[derive(Default)]
struct SideBySide {
    piece: Bytes,
    at: usize,
    len: usize,
    slots: Vec<Slot>,
}

impl SideBySide {
    fn goes_on(&self, piece: &Bytes, at: usize) -> bool {
        self.piece.as_ptr() == piece.as_ptr() && self.at + self.len == at
    }

    fn write(&mut self, draft: &mut Draft<'_>) -> Result<(), VaultError> {
        if !self.slots.is_empty() {
            draft.add(&self.slots, &self.piece[self.at..self.at + self.len])?;
        }
        self.slots.clear();
        self.len = 0;
        Ok(())
    }
}

fn length(bytes: usize) -> u32 {
    u32::try_from(bytes).expect("a chunk has at most 64 KiB")
}
