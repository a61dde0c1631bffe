//! Parity: what repairs a pack. Bytes alone; module `shards` reads and writes them.
//!
//! A pack is cut into thirty equal shards, the last one filled up with zeros in thought, and two parity shards are
//! computed from them (Reed-Solomon over GF(2^16), crate `reed-solomon-simd`). Any two of the 32 may be damaged or
//! missing, so any one run of damage up to a shard long is repaired, wherever it begins. The parity stands in an object
//! of its own beside the pack:
//!
//! ```text
//! at 0        1112 bytes  the table
//! at 1112     one shard   first parity shard
//!             one shard   second parity shard
//! last        1112 bytes  the table again
//!
//! the table:  "FHPARY1\n" 8, name of the pack (BLAKE3 of its bytes) 32, pack length 8, shard length 8,
//!             BLAKE3 of each data shard as stored, without the zeros, 30 x 32; of each parity shard 2 x 32;
//!             BLAKE3 of the table up to here 32
//! ```
//!
//! Numbers are little-endian. The table stands twice, at the two ends, so that no one run of damage takes both. The shards
//! of a pack hold its head and its index as well as its chunks; nothing in a pack lies outside of them.
//!
//! What a reader would question:
//! - parity per pack and not per content: contents share chunks, and a pack is what becomes durable at once and is lost at
//!   once. And a pack written by format 1 becomes repairable by adding an object, without touching it.
//! - two parity shards, where one would mend one shard: damage knows no shard limits, and a run that crosses one hurts two.
//! - a shard has at least 4096 bytes, the usual unit in which disks lose data (common practice, no source). A small pack
//!   so fills its first shards only; one of up to 8 KiB can be lost whole and comes back.
//! - each parity shard is computed in windows of 64 KiB, so that a pack of any size takes 4 MiB to do it. The windows are
//!   part of the format: the code mixes bytes within one.

use bytes::Bytes;
use reed_solomon_simd::{ReedSolomonDecoder, ReedSolomonEncoder};

use crate::names::Digest;

/// Data shards of a pack.
pub(crate) const DATA: usize = 30;
/// Parity shards of a pack.
pub(crate) const PARITY: usize = 2;
/// Bytes in a table.
pub(crate) const TABLE: usize = 8 + 32 + 8 + 8 + (DATA + PARITY) * 32 + 32;

const MAGIC: &[u8; 8] = b"FHPARY1\n";
const LEAST_SHARD: u64 = 4096;
const WINDOW: u64 = 64 * 1024;

/// What is known of a pack's shards.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Table {
    /// The pack's name.
    pub(crate) pack: Digest,
    /// Bytes in the pack.
    pub(crate) len: u64,
    /// Bytes in a shard.
    pub(crate) shard: u64,
    /// Hashes of the data shards, then of the parity shards.
    pub(crate) hashes: [Digest; DATA + PARITY],
}

impl Table {
    /// The table of a pack of `len` bytes before anything else is known of it.
    fn empty(len: u64) -> Self {
        Self { pack: Digest([0; 32]), len, shard: shard_len(len), hashes: [Digest([0; 32]); DATA + PARITY] }
    }

    fn encode(&self) -> Vec<u8> {
        let mut bytes = Vec::with_capacity(TABLE);
        bytes.extend_from_slice(MAGIC);
        bytes.extend_from_slice(&self.pack.0);
        bytes.extend_from_slice(&self.len.to_le_bytes());
        bytes.extend_from_slice(&self.shard.to_le_bytes());
        for hash in &self.hashes {
            bytes.extend_from_slice(&hash.0);
        }
        let own = Digest::blake3(&bytes);
        bytes.extend_from_slice(&own.0);
        bytes
    }

    /// Returns the table that `bytes` begin with; none when it is not a whole and unchanged one.
    pub(crate) fn decode(bytes: &[u8]) -> Option<Self> {
        let (body, own) = bytes.get(..TABLE)?.split_at(TABLE - 32);
        let body = body.strip_prefix(MAGIC).filter(|_| Digest::blake3(body).0 == own)?;
        let u64_at = |at: usize| u64::from_le_bytes(body[at..at + 8].try_into().expect("eight bytes"));
        let digest = |at: usize| Digest(body[at..at + 32].try_into().expect("32 bytes"));
        let (len, shard) = (u64_at(32), u64_at(40));
        let hashes = std::array::from_fn(|number| digest(48 + number * 32));
        (shard == shard_len(len)).then(|| Self { pack: digest(0), len, shard, hashes })
    }

    /// Returns where in the pack a data shard lies, as offset and length; the length is 0 behind the pack's end.
    pub(crate) fn data_range(&self, number: usize) -> (u64, u64) {
        let from = self.shard.saturating_mul(number as u64).min(self.len);
        (from, self.shard.min(self.len - from))
    }

    /// Returns where in the parity object a parity shard lies, as offset and length.
    pub(crate) fn parity_range(&self, number: usize) -> (u64, u64) {
        (TABLE as u64 + self.shard * number as u64, self.shard)
    }

    /// Returns the length of the whole parity object.
    pub(crate) fn object_len(&self) -> u64 {
        2 * TABLE as u64 + PARITY as u64 * self.shard
    }

    /// Returns the windows of a shard, as offset and length in it.
    pub(crate) fn windows(&self) -> impl Iterator<Item = (u64, u64)> + use<> {
        let shard = self.shard;
        (0..shard.div_ceil(WINDOW)).map(move |number| (number * WINDOW, WINDOW.min(shard - number * WINDOW)))
    }
}

/// Returns the bytes of the parity object for the pack `pack` of `len` bytes. `read` fills a buffer with the pack's bytes from an
/// offset on; every byte is asked for once.
pub(crate) fn encode<E>(
    pack: Digest,
    len: u64,
    mut read: impl FnMut(u64, &mut [u8]) -> Result<(), E>,
) -> Result<Vec<Bytes>, E> {
    let mut table = Table { pack, ..Table::empty(len) };
    let mut hashers: Vec<_> = (0..DATA).map(|_| blake3::Hasher::new()).collect();
    let room = || Vec::with_capacity(usize::try_from(table.shard).expect("parity in memory"));
    let mut parity = [room(), room()];
    let mut buffer = vec![0; bytes_of(table.shard.min(WINDOW))];
    let mut encoder = ReedSolomonEncoder::new(DATA, PARITY, buffer.len()).expect(SUPPORTED);
    for (at, window) in table.windows() {
        let buffer = &mut buffer[..bytes_of(window)];
        encoder.reset(DATA, PARITY, buffer.len()).expect(SUPPORTED);
        for (number, hasher) in hashers.iter_mut().enumerate() {
            let (from, len) = table.data_range(number);
            let (stored, behind) = buffer.split_at_mut(bytes_of(window.min(len.saturating_sub(at))));
            read(from + at.min(len), stored)?;
            hasher.update(stored);
            behind.fill(0);
            encoder.add_original_shard(&*buffer).expect(SUPPORTED);
        }
        let encoded = encoder.encode().expect(SUPPORTED);
        for (shard, bytes) in parity.iter_mut().zip(encoded.recovery_iter()) {
            shard.extend_from_slice(bytes);
        }
    }
    let data = hashers.iter().map(|hasher| Digest(*hasher.finalize().as_bytes()));
    let all = data.chain(parity.iter().map(|shard| Digest::blake3(shard)));
    table.hashes.iter_mut().zip(all).for_each(|(place, hash)| *place = hash);
    let ends = Bytes::from(table.encode());
    let [first, second] = parity.map(Bytes::from);
    Ok(vec![ends.clone(), first, second, ends])
}

/// Returns one window of each shard in `missing` (numbers below [`DATA`]), in that order. `good` are the same windows of
/// shards that are good, by number, as stored; data and parity, at least [`DATA`] of them.
pub(crate) fn restore(window: u64, good: Vec<(usize, Bytes)>, missing: &[usize]) -> Vec<Vec<u8>> {
    let mut decoder = ReedSolomonDecoder::new(DATA, PARITY, bytes_of(window)).expect(SUPPORTED);
    for (number, stored) in good {
        let stored = filled(stored, window);
        let added = match number.checked_sub(DATA) {
            None => decoder.add_original_shard(number, stored),
            Some(parity) => decoder.add_recovery_shard(parity, stored),
        };
        added.expect(SUPPORTED);
    }
    let decoded = decoder.decode().expect("the caller counted the good shards");
    missing.iter().map(|number| decoded.restored_original(*number).expect("it was not given").to_vec()).collect()
}

const SUPPORTED: &str = "the code takes 30 and 2 shards of any even length";

/// Returns the length of the shards of a pack of `len` bytes: a multiple of 64, in which the code works fastest.
fn shard_len(len: u64) -> u64 {
    len.div_ceil(DATA as u64).next_multiple_of(64).max(LEAST_SHARD)
}

fn filled(stored: Bytes, window: u64) -> Bytes {
    if stored.len() == bytes_of(window) {
        return stored;
    }
    let mut bytes = stored.to_vec();
    bytes.resize(bytes_of(window), 0);
    bytes.into()
}

fn bytes_of(window: u64) -> usize {
    usize::try_from(window).expect("a window has at most 64 KiB")
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::convert::Infallible;

    fn noise(len: usize) -> Vec<u8> {
        let mut hash = blake3::Hasher::new().finalize_xof();
        let mut bytes = vec![0; len];
        hash.fill(&mut bytes);
        bytes
    }

    fn object(pack: &Bytes) -> Bytes {
        let read = |from: u64, buffer: &mut [u8]| {
            let from = usize::try_from(from).unwrap();
            buffer.copy_from_slice(&pack[from..from + buffer.len()]);
            Ok::<_, Infallible>(())
        };
        let Ok(parts) = encode(Digest::blake3(pack), pack.len() as u64, read);
        parts.concat().into()
    }

    /// Returns the shards of pack and parity as stored.
    fn shards(pack: &Bytes, object: &Bytes, table: &Table) -> Vec<Bytes> {
        let cut = |whole: &Bytes, (from, len): (u64, u64)| {
            whole.slice(usize::try_from(from).unwrap()..usize::try_from(from + len).unwrap())
        };
        let data = (0..DATA).map(|number| cut(pack, table.data_range(number)));
        data.chain((0..PARITY).map(|number| cut(object, table.parity_range(number)))).collect()
    }

    #[test]
    fn any_two_of_32_shards_come_back() {
        // One window, several windows, the last shard not full, most shards empty.
        for len in [1, 4096, 5000, 30 * 4096, 2_200_001] {
            let pack = Bytes::from(noise(len));
            let object = object(&pack);
            let table = Table::decode(&object).unwrap();
            assert_eq!(table.object_len(), object.len() as u64);
            let shards = shards(&pack, &object, &table);
            for (shard, hash) in shards.iter().zip(&table.hashes) {
                assert_eq!(Digest::blake3(shard), *hash);
            }
            assert_eq!(shards[..DATA].concat(), pack);
            let pairs = (0..DATA + PARITY).flat_map(|a| (a + 1..DATA + PARITY).map(move |b| [a, b]));
            for gone in pairs.filter(|gone| len < 1_000_000 || gone[0] % 7 == 0) {
                let missing: Vec<usize> = gone.into_iter().filter(|number| *number < DATA).collect();
                let mut back = vec![Vec::new(); missing.len()];
                for (at, window) in table.windows() {
                    let part = |shard: &Bytes| {
                        let at = usize::try_from(at).unwrap().min(shard.len());
                        shard.slice(at..shard.len().min(at + usize::try_from(window).unwrap()))
                    };
                    let good = shards.iter().enumerate().filter(|(number, _)| !gone.contains(number));
                    let restored =
                        restore(window, good.map(|(number, shard)| (number, part(shard))).collect(), &missing);
                    back.iter_mut().zip(restored).for_each(|(shard, bytes)| shard.extend(bytes));
                }
                for (number, back) in missing.iter().zip(back) {
                    let stored = &shards[*number];
                    assert_eq!(back[..stored.len()], stored[..], "shard {number} of {len} bytes, without {gone:?}");
                    assert!(back[stored.len()..].iter().all(|byte| *byte == 0));
                }
            }
        }
    }

    #[test]
    fn s10_a_changed_table_is_refused() {
        let object = object(&Bytes::from(noise(5000)));
        assert!(Table::decode(&object).is_some());
        assert_eq!(Table::decode(&object), Table::decode(&object[object.len() - TABLE..]));
        for at in 0..TABLE {
            let mut bad = object.to_vec();
            bad[at] ^= 0x20;
            assert_eq!(Table::decode(&bad), None, "byte {at}");
        }
        for len in 0..TABLE {
            assert_eq!(Table::decode(&object[..len]), None, "cut to {len}");
        }
    }

    #[test]
    fn shards_are_equal_and_hold_the_whole_pack() {
        for len in [0, 1, 30 * 4096, 30 * 4096 + 1, 1 << 29] {
            let shard = shard_len(len);
            assert!(shard >= LEAST_SHARD && shard.is_multiple_of(64) && shard * DATA as u64 >= len, "{len}: {shard}");
            assert!(shard == LEAST_SHARD || shard < len.div_ceil(DATA as u64) + 64, "{len}: {shard}");
        }
    }
}
