//! Hashes of a file, all in one read of it.
//!
//! SHA-256, SHA-512 and BLAKE3 are always computed; others when a checksum list needs them. Whoever else wants the bytes (a
//! signature, the vault) reads them along as a tap. The caller's thread reads; each hash that costs much, and each tap, has a
//! thread of its own, so that on two cores and without taps the slowest hash alone sets the pace.
//!
//! What a reader would question: no mapping of the file into memory. A file that shrinks under a mapping ends the program.

use std::collections::BTreeMap;
use std::io::{self, Read};
use std::sync::mpsc::{Receiver, SyncSender, sync_channel};
use std::thread;

use bytes::{Bytes, BytesMut};
use sha2::Digest as _;

use crate::fill;

/// A kind of hash.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Sum {
    /// MD5: broken, it proves nothing against ill will.
    Md5,
    /// SHA-1: broken as well.
    Sha1,
    /// SHA-224.
    Sha224,
    /// SHA-256.
    Sha256,
    /// SHA-384.
    Sha384,
    /// SHA-512.
    Sha512,
    /// BLAKE2b with 64 bytes.
    Blake2b,
    /// BLAKE3 with 32 bytes.
    Blake3,
}

impl Sum {
    /// The hashes that are always computed.
    pub const ALWAYS: [Self; 3] = [Self::Sha256, Self::Sha512, Self::Blake3];

    /// Returns its name as people write it.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::Md5 => "MD5",
            Self::Sha1 => "SHA-1",
            Self::Sha224 => "SHA-224",
            Self::Sha256 => "SHA-256",
            Self::Sha384 => "SHA-384",
            Self::Sha512 => "SHA-512",
            Self::Blake2b => "BLAKE2b",
            Self::Blake3 => "BLAKE3",
        }
    }

    /// Tells whether two files with this hash can be made on purpose.
    #[must_use]
    pub fn is_weak(self) -> bool {
        matches!(self, Self::Md5 | Self::Sha1)
    }

    /// Returns the kinds whose hashes have so many hex digits, the usual one first.
    #[must_use]
    pub fn of_digits(digits: usize) -> &'static [Self] {
        match digits {
            32 => &[Self::Md5],
            40 => &[Self::Sha1],
            56 => &[Self::Sha224],
            64 => &[Self::Sha256, Self::Blake3],
            96 => &[Self::Sha384],
            128 => &[Self::Sha512, Self::Blake2b],
            _ => &[],
        }
    }
}

/// The hashes of a file.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Sums {
    /// Bytes in the file.
    pub size: u64,
    values: BTreeMap<Sum, String>,
}

impl Sums {
    /// Returns a hash in lower-case hex digits; none when it was not asked for.
    #[must_use]
    pub fn digits(&self, sum: Sum) -> Option<&str> {
        self.values.get(&sum).map(String::as_str)
    }

    /// Returns all hashes, the weak ones first.
    pub fn all(&self) -> impl Iterator<Item = (Sum, &str)> {
        self.values.iter().map(|(sum, digits)| (*sum, digits.as_str()))
    }
}

/// Somebody who reads the bytes along. It need not read all of them.
pub type Tap<'a, T> = Box<dyn FnOnce(&mut Pieces) -> T + Send + 'a>;

/// Bytes that are handed on at once, and how many of these may wait for a slow reader. So many that who reads along can finish
/// its work while SHA-512, the slowest, still runs.
const PIECE: usize = 1 << 20;
const WAITING: usize = 64;

/// Reads `source` to its end; returns its hashes, those in `also` among them, and what the taps returned, in their order.
///
/// # Errors
/// What the source says. What was hashed so far is lost.
///
/// # Panics
/// When a tap does.
pub fn sums<T: Send>(source: &mut dyn Read, also: &[Sum], taps: Vec<Tap<'_, T>>) -> io::Result<(Sums, Vec<T>)> {
    let mut light: Vec<Sum> = Sum::ALWAYS.into_iter().chain(also.iter().copied()).collect();
    light.sort_unstable();
    light.dedup();
    // SHA-512 costs more than all others together where the processor helps with SHA-256 (measured: docs/measured.md).
    light.retain(|sum| *sum != Sum::Sha512);
    let groups = [vec![Sum::Sha512], light];
    thread::scope(|scope| {
        let mut senders = Vec::new();
        let mut pipe = || {
            let (sender, receiver) = sync_channel(WAITING);
            senders.push(sender);
            receiver
        };
        let hashing: Vec<_> = groups
            .into_iter()
            .map(|group| {
                let pieces = pipe();
                scope.spawn(move || hashed(&pieces, &group))
            })
            .collect();
        let tapped: Vec<_> = taps
            .into_iter()
            .map(|tap| {
                let mut pieces = Pieces { pieces: pipe(), now: Bytes::new() };
                scope.spawn(move || tap(&mut pieces))
            })
            .collect();
        let read = hand_out(source, &senders);
        drop(senders);
        let values = hashing.into_iter().flat_map(|thread| thread.join().expect("hashing does not panic")).collect();
        let tapped = tapped.into_iter().map(|thread| thread.join().expect("a tap does not panic")).collect();
        Ok((Sums { size: read?, values }, tapped))
    })
}

/// Reads all of the source and hands it on; returns its bytes.
fn hand_out(source: &mut dyn Read, senders: &[SyncSender<Bytes>]) -> io::Result<u64> {
    // More pieces than can be under way: a free one is found without allocating.
    let mut ring = vec![Bytes::new(); WAITING + 3];
    let mut size = 0_u64;
    for turn in (0..ring.len()).cycle() {
        // One that somebody reads still is theirs now.
        let free = std::mem::take(&mut ring[turn]).try_into_mut().ok().filter(|free| free.len() == PIECE);
        let mut buffer = free.unwrap_or_else(|| BytesMut::zeroed(PIECE));
        let read = fill(source, &mut buffer)?;
        buffer.truncate(read);
        if read == 0 {
            break;
        }
        size += read as u64;
        let piece = buffer.freeze();
        for sender in senders {
            // A tap that has heard enough is gone, which is its own affair.
            let _ = sender.send(piece.clone());
        }
        ring[turn] = piece;
    }
    Ok(size)
}

fn hashed(pieces: &Receiver<Bytes>, sums: &[Sum]) -> Vec<(Sum, String)> {
    let mut hashers: Vec<(Sum, Hasher)> = sums.iter().map(|sum| (*sum, Hasher::new(*sum))).collect();
    for piece in pieces {
        for (_, hasher) in &mut hashers {
            hasher.update(&piece);
        }
    }
    hashers.into_iter().map(|(sum, hasher)| (sum, hasher.digits())).collect()
}

/// A tap's view of the bytes: piece by piece as they were read, or as a reader.
pub struct Pieces {
    pieces: Receiver<Bytes>,
    now: Bytes,
}

impl Pieces {
    /// Returns the next piece, shared with the others; none at the end.
    pub fn next_piece(&mut self) -> Option<Bytes> {
        let rest = std::mem::take(&mut self.now);
        if rest.is_empty() { self.pieces.recv().ok() } else { Some(rest) }
    }
}

impl Read for Pieces {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        self.now = self.next_piece().unwrap_or_default();
        let some = self.now.split_to(buffer.len().min(self.now.len()));
        buffer[..some.len()].copy_from_slice(&some);
        Ok(some.len())
    }
}

/// One hash under way. Two generations of one interface meet here: what is in the tree anyway is used.
enum Hasher {
    Old(Box<dyn blake2::digest::DynDigest + Send>),
    Sha224(sha2::Sha224),
    Sha256(sha2::Sha256),
    Sha384(sha2::Sha384),
    Sha512(sha2::Sha512),
    Blake3(Box<blake3::Hasher>),
}

impl Hasher {
    fn new(sum: Sum) -> Self {
        match sum {
            Sum::Md5 => Self::Old(Box::new(md5::Md5::default())),
            Sum::Sha1 => Self::Old(Box::new(sha1::Sha1::default())),
            Sum::Blake2b => Self::Old(Box::new(blake2::Blake2b512::default())),
            Sum::Sha224 => Self::Sha224(sha2::Sha224::new()),
            Sum::Sha256 => Self::Sha256(sha2::Sha256::new()),
            Sum::Sha384 => Self::Sha384(sha2::Sha384::new()),
            Sum::Sha512 => Self::Sha512(sha2::Sha512::new()),
            Sum::Blake3 => Self::Blake3(Box::default()),
        }
    }

    fn update(&mut self, bytes: &[u8]) {
        match self {
            Self::Old(hasher) => hasher.update(bytes),
            Self::Sha224(hasher) => hasher.update(bytes),
            Self::Sha256(hasher) => hasher.update(bytes),
            Self::Sha384(hasher) => hasher.update(bytes),
            Self::Sha512(hasher) => hasher.update(bytes),
            Self::Blake3(hasher) => drop(hasher.update(bytes)),
        }
    }

    fn digits(self) -> String {
        match self {
            Self::Old(hasher) => hex(&hasher.finalize()),
            Self::Sha224(hasher) => hex(&hasher.finalize()),
            Self::Sha256(hasher) => hex(&hasher.finalize()),
            Self::Sha384(hasher) => hex(&hasher.finalize()),
            Self::Sha512(hasher) => hex(&hasher.finalize()),
            Self::Blake3(hasher) => hex(hasher.finalize().as_bytes()),
        }
    }
}

/// Returns bytes as lower-case hex digits.
pub(crate) fn hex(bytes: &[u8]) -> String {
    bytes.iter().map(|byte| format!("{byte:02x}")).collect()
}

#[cfg(test)]
mod tests;
