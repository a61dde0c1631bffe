//! Notes: what was forgotten and what was repaired, as a chain of small objects that nothing removes.
//!
//! Each is one line of module `chain`, of the subject `notes`, under its number. Notes hold ids, sizes, object keys and
//! what a signer wrote; no names, no facts, no content (S15). They stand twice.
//!
//! | kind | written | body |
//! |---|---|---|
//! | `begun`, `done` | before and after something is forgotten | `job`, `by`; the first also `why`, `contents` |
//! | `repair-begun`, `repair-done` | before and after a repair | `objects`: each `object` with `why`, then with `done` |

use serde_json::Value;

use crate::Vault;
use crate::chain::{self, Broken, Entry};
use crate::error::{VaultError, damaged};
use crate::objects::{Created, Room};

/// The subject of the chain, and the job that errors name.
pub(crate) const NOTES: &str = "notes";

impl Vault {
    /// Returns the notes of what was forgotten and repaired, oldest first, the whole chain checked.
    ///
    /// # Errors
    /// [`VaultError::JournalDamaged`] with the job `notes`; [`VaultError::Damaged`]; [`VaultError::Io`].
    pub fn notes(&self) -> Result<Vec<Entry>, VaultError> {
        let mut bytes = Vec::new();
        for (number, name) in self.objects().list(Room::Notes)?.iter().enumerate() {
            if *name != note_name(number as u64) {
                return Err(damaged(&self.objects().key(Room::Notes, &note_name(number as u64)), "it is missing"));
            }
            bytes.extend_from_slice(&self.objects().read(Room::Notes, name, |bytes| is_note(bytes, name))?);
        }
        let chain = chain::decode(NOTES, &bytes, false);
        let broken = |Broken { line, why }| VaultError::JournalDamaged { job: NOTES.to_owned(), line, why };
        Ok(chain.map_err(broken)?.entries)
    }

    /// Stores a further note. The caller holds the whole store, so nobody else counts on.
    pub(crate) fn note(&self, notes: &[Entry], kind: &str, body: Value, now: &str) -> Result<Entry, VaultError> {
        let seq = notes.len() as u64;
        let prev = notes.last().map_or_else(|| chain::root(NOTES), |note| note.hash);
        let (entry, line) = chain::encode(seq, now, kind, body, prev);
        match self.objects().create(Room::Notes, &note_name(seq), &[line.into()])? {
            Created::Made => Ok(entry),
            Created::WasThere => {
                Err(damaged(&self.objects().key(Room::Notes, &note_name(seq)), "it appeared out of turn"))
            }
        }
    }
}

/// Returns whether the bytes are a whole note of this name; how it follows the others the chain says.
pub(crate) fn is_note(bytes: &[u8], name: &str) -> bool {
    chain::whole_line(bytes).is_some_and(|(entry, _)| note_name(entry.seq) == name)
}

fn note_name(seq: u64) -> String {
    format!("{seq:010}")
}
