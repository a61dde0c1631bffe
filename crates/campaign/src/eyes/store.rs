//! Stored contents: packs and manifests, by docs/formats.md.

use std::collections::HashMap;
use std::fs;
use std::io;
use std::path::Path;

use serde_json::Value;

use super::blake3_hex;
use crate::stage::files_below;

/// What lies in a bench's store.
#[derive(Debug, Default)]
pub struct Store {
    /// All manifests that are sound.
    pub manifests: Vec<Manifest>,
    packs: Vec<Vec<u8>>,
    chunks: HashMap<String, Vec<Place>>,
}

/// One manifest.
#[derive(Debug, Clone)]
pub struct Manifest {
    /// BLAKE3 of the content, as digits.
    pub content: String,
    /// `capture` or `image`.
    pub kind: String,
    /// Whether its facts say that the evidence was accepted.
    pub accepted: bool,
    size: u64,
    chunks: Vec<(String, u64)>,
}

/// Where a chunk lies: which pack, from where, how long stored and raw, compressed or not.
#[derive(Debug, Clone, Copy)]
struct Place {
    pack: usize,
    offset: usize,
    stored: usize,
    raw: usize,
    packed: bool,
}

const TRAILER: usize = 56;
const LINE: usize = 49;

impl Store {
    /// Reads the store of a bench; what is damaged is left out.
    ///
    /// # Errors
    /// Whatever the file system says.
    pub fn read(bench: &Path) -> io::Result<Self> {
        let mut store = Self::default();
        for path in files_below(&bench.join("objects"))? {
            let bytes = fs::read(&path)?;
            match path.extension().and_then(|extension| extension.to_str()) {
                Some("pack") => store.take_pack(bytes),
                Some("json") => {
                    let named = path.file_stem().is_some_and(|stem| *stem == *blake3_hex(&bytes));
                    store.manifests.extend(named.then(|| manifest(&bytes)).flatten());
                }
                _ => {}
            }
        }
        Ok(store)
    }

    /// Returns a content by the BLAKE3 of it; none when no manifest has it, or what it is made of is not there whole.
    #[must_use]
    pub fn content(&self, id: &str) -> Option<Vec<u8>> {
        self.manifests.iter().filter(|manifest| manifest.content == id).find_map(|manifest| self.assemble(manifest))
    }

    /// Returns whether a content is there whole as an accepted capture.
    #[must_use]
    pub fn has_capture(&self, id: &str) -> bool {
        let accepted = |manifest: &&Manifest| manifest.content == id && manifest.kind == "capture" && manifest.accepted;
        self.manifests.iter().filter(accepted).any(|manifest| self.assemble(manifest).is_some())
    }

    fn assemble(&self, manifest: &Manifest) -> Option<Vec<u8>> {
        let mut content = Vec::new();
        for (hash, times) in &manifest.chunks {
            let chunk = self.chunk(hash)?;
            for _ in 0..*times {
                content.extend_from_slice(&chunk);
            }
        }
        (content.len() as u64 == manifest.size && blake3_hex(&content) == manifest.content).then_some(content)
    }

    fn chunk(&self, hash: &str) -> Option<Vec<u8>> {
        self.chunks.get(hash)?.iter().find_map(|place| {
            let stored = self.packs[place.pack].get(place.offset..place.offset.checked_add(place.stored)?)?;
            let raw = if place.packed { zstd::bulk::decompress(stored, place.raw).ok()? } else { stored.to_vec() };
            (blake3_hex(&raw) == hash).then_some(raw)
        })
    }

    fn take_pack(&mut self, bytes: Vec<u8>) {
        let pack = self.packs.len();
        let Some(places) = index(&bytes) else { return };
        for (hash, mut place) in places {
            place.pack = pack;
            self.chunks.entry(hash).or_default().push(place);
        }
        self.packs.push(bytes);
    }
}

fn index(bytes: &[u8]) -> Option<Vec<(String, Place)>> {
    let trailer = bytes.len().checked_sub(TRAILER)?;
    let number = |at: usize| usize::try_from(u64::from_le_bytes(bytes[at..at + 8].try_into().ok()?)).ok();
    let (from, len) = (number(trailer)?, number(trailer + 8)?);
    let lines = bytes.get(from..from.checked_add(len)?)?;
    let small = |line: &[u8], at: usize| Some(u32::from_le_bytes(line[at..at + 4].try_into().ok()?) as usize);
    lines
        .chunks_exact(LINE)
        .map(|line| {
            let offset = usize::try_from(u64::from_le_bytes(line[32..40].try_into().ok()?)).ok()?;
            let place =
                Place { pack: 0, offset, stored: small(line, 40)?, raw: small(line, 44)?, packed: line[48] == 1 };
            Some((crate::chips::hex(&line[..32]), place))
        })
        .collect()
}

fn manifest(bytes: &[u8]) -> Option<Manifest> {
    let value: Value = serde_json::from_slice(bytes).ok()?;
    let text = |key: &str| value[key].as_str().map(str::to_owned);
    let chunks = value["chunks"].as_array()?.iter();
    Some(Manifest {
        content: text("blake3")?,
        kind: text("kind")?,
        accepted: value["facts"]["accepted"].as_bool().unwrap_or(false),
        size: value["size"].as_u64()?,
        chunks: chunks.map(|run| Some((run[0].as_str()?.to_owned(), run[1].as_u64()?))).collect::<Option<_>>()?,
    })
}
