//! The manifest: one object for each content that was put, saying what it is and which chunks it is made of.
//!
//! It is named by the BLAKE3 of its own bytes, which shows any change in it. It lists chunks by hash and not by place: a
//! pack can then be rewritten when something is forgotten, and no manifest changes. Runs of one chunk are counted, so
//! that a blank 16 MiB chip is one line. Facts are the caller's and are kept as they are; they may hold serial numbers,
//! which is why neither index nor notes repeat them (S15).

use bytes::Bytes;
use serde::{Deserialize, Serialize};
use serde_json::Value;

use crate::error::{VaultError, damaged};
use crate::names::{Digest, JobId, Kind};
use crate::pack::CHUNK;

/// What the vault knows of a stored content.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Manifest {
    /// Format of this manifest; 1.
    pub format: u32,
    /// 0, unless an equal manifest was found damaged when this one was made.
    pub copy: u32,
    /// Capture or image.
    pub kind: Kind,
    /// The name that the caller gave.
    pub name: String,
    /// The job that it belongs to, if any.
    pub job: Option<JobId>,
    /// Bytes in the content.
    pub size: u64,
    /// BLAKE3 of the content: its id.
    pub blake3: Digest,
    /// SHA-256 of the content, to compare with lists that others publish.
    pub sha256: Digest,
    /// UTC time of RFC 3339 when it was taken.
    pub taken_at: String,
    /// What the caller wants to keep beside it.
    pub facts: Value,
    /// Chunks in order: hash, and how often it stands there in a row. All but the last chunk hold 64 KiB.
    pub chunks: Vec<(Digest, u64)>,
}

/// The newest manifest format known here.
pub(crate) const FORMAT: u32 = 1;

impl Manifest {
    pub(crate) fn encode(&self) -> Bytes {
        let mut bytes = serde_json::to_vec_pretty(self).expect("a manifest can be written as JSON");
        bytes.push(b'\n');
        bytes.into()
    }

    /// Returns the manifest in `bytes`, stored as `object` under the name `name`.
    pub(crate) fn decode(bytes: &[u8], object: &str, name: &str) -> Result<Self, VaultError> {
        #[derive(Deserialize)]
        struct Version {
            format: u64,
        }
        if Digest::blake3(bytes).to_string() != name {
            return Err(damaged(object, "its bytes do not give its name"));
        }
        let bad = |error: serde_json::Error| damaged(object, format!("it is no manifest: {error}"));
        let Version { format } = serde_json::from_slice(bytes).map_err(bad)?;
        if format > u64::from(FORMAT) {
            return Err(VaultError::NewerFormat { what: object.to_owned(), found: format, known: FORMAT.into() });
        }
        let manifest: Self = serde_json::from_slice(bytes).map_err(bad)?;
        let chunks = manifest.chunks.iter().try_fold(0_u64, |sum, (_, times)| sum.checked_add(*times));
        if chunks != Some(manifest.size.div_ceil(CHUNK as u64)) || manifest.chunks.iter().any(|(_, times)| *times == 0)
        {
            return Err(damaged(object, "its chunks do not make up its size"));
        }
        Ok(manifest)
    }
}
