//! The pack: one immutable object with all new chunks of one put, and their index.
//!
//! ```text
//! at 0        8 bytes   "FHPACK1\n"
//!             8 bytes   copy number (0, unless an object of the same name is damaged)
//!             stored chunks, one after the other
//! index       49 bytes a chunk: BLAKE3 of the raw bytes 32, offset 8, stored length 4, raw length 4, method 1
//! last 56     index offset 8, index length 8, BLAKE3 of the index 32, "FHPACKIX"
//! ```
//!
//! Numbers are little-endian. The object's name is the BLAKE3 of all its bytes: a reader checks the index by its own
//! hash and each chunk by its own; scrub also checks the name, and so finds a flipped bit that decompression does not
//! notice. The index stands last because chunks are written before their stored lengths are known.
//!
//! Everything here is pure. Bytes come from disk and are hostile (S10): each length is checked against what remains.

use crate::names::Digest;

/// Raw bytes in a chunk, but for a content's last one. 64 KiB is the common large erase block, so what a partial update
/// leaves alone stays shared.
pub(crate) const CHUNK: usize = 64 * 1024;
/// Bytes at the end of a pack that say where its index is.
pub(crate) const TRAILER: usize = 56;

const MAGIC: &[u8; 8] = b"FHPACK1\n";
const END: &[u8; 8] = b"FHPACKIX";
/// Bytes before the first chunk.
pub(crate) const HEAD: usize = 16;
const ENTRY: usize = 49;
const LEVEL: i32 = 3; // zstd's default: more costs time at the bench and gains little on firmware (common practice, no source)

/// How a chunk is stored.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Method {
    Raw = 0,
    Zstd = 1,
}

/// One line of a pack's index.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Slot {
    pub(crate) hash: Digest,
    pub(crate) offset: u64,
    pub(crate) stored_len: u32,
    pub(crate) raw_len: u32,
    pub(crate) method: Method,
}

/// What of a chunk is tried first where the chunk before it did not get smaller: pieces from all over it. Downloads are packed or
/// encrypted more often than not, and whoever tries all of them for nothing pays more for that than for their hashes.
const SAMPLES: usize = 16;
const SAMPLE: usize = 256;
const QUICK: i32 = 1;

/// Makes stored chunks out of raw ones; holds zstd's working memory so that it is set up once.
pub(crate) struct Packer {
    zstd: zstd::bulk::Compressor<'static>,
    quick: zstd::bulk::Compressor<'static>,
    scratch: Vec<u8>,
    /// Whether the chunk before did not get smaller.
    dense: bool,
}

impl Packer {
    pub(crate) fn new() -> Self {
        let zstd = |level| zstd::bulk::Compressor::new(level).expect("zstd takes its own levels");
        Self { zstd: zstd(LEVEL), quick: zstd(QUICK), scratch: vec![0; CHUNK], dense: false }
    }

    /// Returns `raw` as it is to be stored: compressed, or as it is when compression gains nothing.
    pub(crate) fn chunk<'a>(&'a mut self, raw: &'a [u8]) -> (Method, &'a [u8]) {
        let packed = if self.dense && !self.sample_shrinks(raw) {
            None
        } else {
            // The room ends one byte before the raw length: output that does not fit is not smaller.
            self.zstd.compress_to_buffer(raw, &mut self.scratch[..raw.len() - 1]).ok()
        };
        self.dense = packed.is_none();
        packed.map_or((Method::Raw, raw), |len| (Method::Zstd, &self.scratch[..len]))
    }

    /// Whether pieces of the chunk get smaller. A short chunk is always tried whole.
    fn sample_shrinks(&mut self, raw: &[u8]) -> bool {
        if raw.len() < CHUNK {
            return true;
        }
        let mut pieces = [0; SAMPLES * SAMPLE];
        for (number, piece) in pieces.chunks_exact_mut(SAMPLE).enumerate() {
            let from = number * (CHUNK / SAMPLES);
            piece.copy_from_slice(&raw[from..from + SAMPLE]);
        }
        self.quick.compress_to_buffer(&pieces[..], &mut self.scratch[..pieces.len() - 1]).is_ok()
    }
}

/// Returns what a pack begins with.
pub(crate) fn head(copy: u64) -> [u8; HEAD] {
    let mut head = [0; HEAD];
    head[..8].copy_from_slice(MAGIC);
    head[8..].copy_from_slice(&copy.to_le_bytes());
    head
}

/// Returns what a pack with these chunks ends with: the index, and where it is.
pub(crate) fn tail(slots: &[Slot]) -> Vec<u8> {
    let mut index = Vec::with_capacity(slots.len() * ENTRY + TRAILER);
    for slot in slots {
        index.extend_from_slice(&slot.hash.0);
        index.extend_from_slice(&slot.offset.to_le_bytes());
        index.extend_from_slice(&slot.stored_len.to_le_bytes());
        index.extend_from_slice(&slot.raw_len.to_le_bytes());
        index.push(slot.method as u8);
    }
    let at = slots.last().map_or(HEAD as u64, |last| last.offset + u64::from(last.stored_len));
    let (hash, len) = (Digest::blake3(&index), index.len() as u64);
    index.extend_from_slice(&at.to_le_bytes());
    index.extend_from_slice(&len.to_le_bytes());
    index.extend_from_slice(&hash.0);
    index.extend_from_slice(END);
    index
}

/// Returns where the index lies, as `(offset, length)`, read from a pack's last [`TRAILER`] bytes. `size` is the pack's.
pub(crate) fn parse_trailer(trailer: &[u8], size: u64) -> Result<(u64, u64), &'static str> {
    let Ok(trailer) = <&[u8; TRAILER]>::try_from(trailer) else {
        return Err("too short for a pack");
    };
    if &trailer[48..] != END {
        return Err("its end is not the end of a pack");
    }
    let (offset, len) = (u64_at(trailer, 0), u64_at(trailer, 8));
    let end = offset.checked_add(len).and_then(|end| end.checked_add(TRAILER as u64));
    if offset < HEAD as u64 || end != Some(size) || len % ENTRY as u64 != 0 {
        return Err("its index does not lie where its end says");
    }
    Ok((offset, len))
}

/// Returns the slots of an index. `index` is the index and the trailer after it; `offset` is what [`parse_trailer`] said.
pub(crate) fn parse_index(index: &[u8], offset: u64) -> Result<Vec<Slot>, &'static str> {
    let Some((index, trailer)) = index.split_last_chunk::<TRAILER>() else {
        return Err("too short for a pack");
    };
    if Digest::blake3(index).0 != trailer[16..48] {
        return Err("its index has changed");
    }
    index.chunks_exact(ENTRY).map(|entry| parse_slot(entry, offset)).collect()
}

/// Returns the raw bytes of a chunk, checked by its hash.
pub(crate) fn unpack(slot: &Slot, stored: &[u8]) -> Result<Vec<u8>, &'static str> {
    let raw = match slot.method {
        Method::Raw => stored.to_vec(),
        Method::Zstd => zstd::bulk::decompress(stored, slot.raw_len as usize).map_err(|_| "cannot be decompressed")?,
    };
    if raw.len() != slot.raw_len as usize || Digest::blake3(&raw) != slot.hash {
        return Err("its bytes do not give its hash");
    }
    Ok(raw)
}

fn parse_slot(entry: &[u8], end: u64) -> Result<Slot, &'static str> {
    let u32_at = |at: usize| u32::from_le_bytes(entry[at..at + 4].try_into().expect("four bytes"));
    let slot = Slot {
        hash: Digest(entry[..32].try_into().expect("32 bytes")),
        offset: u64_at(entry, 32),
        stored_len: u32_at(40),
        raw_len: u32_at(44),
        method: match entry[48] {
            0 => Method::Raw,
            1 => Method::Zstd,
            _ => return Err("it names a method that this program does not know"),
        },
    };
    let inside = slot.offset.checked_add(u64::from(slot.stored_len)).is_some_and(|last| last <= end);
    if !inside || slot.offset < HEAD as u64 || slot.raw_len as usize > CHUNK || slot.stored_len > slot.raw_len {
        return Err("a chunk does not lie inside it");
    }
    Ok(slot)
}

fn u64_at(bytes: &[u8], at: usize) -> u64 {
    u64::from_le_bytes(bytes[at..at + 8].try_into().expect("eight bytes"))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn slots(pack: &[u8]) -> Result<Vec<Slot>, &'static str> {
        let trailer = pack.len().checked_sub(TRAILER).ok_or("short")?;
        let (offset, _) = parse_trailer(&pack[trailer..], pack.len() as u64)?;
        parse_index(&pack[usize::try_from(offset).unwrap()..], offset)
    }

    fn sample() -> Vec<u8> {
        let (mut packer, mut pack, mut slots) = (Packer::new(), head(0).to_vec(), Vec::new());
        let raws: [&[u8]; 3] = [&[0xFF; CHUNK], b"short and not compressible", &[7]];
        for raw in raws {
            let (method, stored) = packer.chunk(raw);
            let (stored_len, raw_len) = (stored.len().try_into().unwrap(), raw.len().try_into().unwrap());
            slots.push(Slot { hash: Digest::blake3(raw), offset: pack.len() as u64, stored_len, raw_len, method });
            pack.extend_from_slice(stored);
        }
        [pack, tail(&slots)].concat()
    }

    #[test]
    fn a_pack_reads_back_and_blank_costs_almost_nothing() {
        let pack = sample();
        let slots = slots(&pack).unwrap();
        assert!(slots[0].stored_len < 64, "{:?}", slots[0]);
        assert_eq!(slots[1].method, Method::Raw);
        for slot in &slots {
            let from = usize::try_from(slot.offset).unwrap();
            let raw = unpack(slot, &pack[from..from + slot.stored_len as usize]).unwrap();
            assert_eq!(Digest::blake3(&raw), slot.hash);
        }
    }

    #[test]
    fn what_packs_is_packed_whatever_stands_before_it() {
        let mut noise = vec![0; CHUNK];
        blake3::Hasher::new().finalize_xof().fill(&mut noise);
        let text = b"a line as a log has them, 0x1234\n".repeat(2000)[..CHUNK].to_vec();
        // A sixteenth of it packs; its last bytes alone; it is short.
        let (mut part, mut tail) = (noise.clone(), noise.clone());
        part[4096..8192].fill(0xFF);
        tail[60000..].fill(0);
        let mut packer = Packer::new();
        let mut method = |raw: &[u8]| packer.chunk(raw).0;
        for raw in [&text[..], &part, &tail, &text[..100]] {
            assert_eq!(method(&noise), Method::Raw);
            assert_eq!(method(&noise), Method::Raw);
            assert_eq!(method(raw), Method::Zstd);
        }
    }

    #[test]
    fn s10_a_changed_or_cut_index_is_refused_and_never_panics() {
        let pack = sample();
        let index = pack.len() - TRAILER - 3 * ENTRY;
        for at in index..pack.len() {
            let mut bad = pack.clone();
            bad[at] ^= 0x40;
            assert!(slots(&bad).is_err(), "byte {at}");
        }
        for len in 0..pack.len() {
            assert!(slots(&pack[..len]).is_err(), "cut to {len}");
        }
    }

    #[test]
    fn s10_slots_outside_the_pack_are_refused() {
        let entry = |offset: u64, stored: u32, raw: u32, method: u8| {
            let mut entry = vec![0; 32];
            entry.extend_from_slice(&offset.to_le_bytes());
            entry.extend_from_slice(&stored.to_le_bytes());
            entry.extend_from_slice(&raw.to_le_bytes());
            entry.push(method);
            parse_slot(&entry, 1000)
        };
        assert!(entry(16, 10, 10, 0).is_ok());
        assert!(entry(15, 10, 10, 0).is_err());
        assert!(entry(991, 10, 10, 0).is_err());
        assert!(entry(u64::MAX, 10, 10, 0).is_err());
        assert!(entry(16, 11, 10, 0).is_err());
        assert!(entry(16, 10, 65537, 1).is_err());
        assert!(entry(16, 10, 10, 2).is_err());
    }
}
