//! Answers that are costly and cannot change: what is in a content, and what differs between two. A content is named by its hash.

use std::sync::{Arc, Mutex, PoisonError};

use job::image::diff::{Diff, diff};
use job::image::explain::{Explanation, explain};
use job::open_bench;
use job::vault::Digest;
use job::views::chip_map::ChipMap;
use job::views::contents;

use crate::fault::Fault;
use crate::state::AppState;

/// A few answers, the one asked for last kept longest.
struct Few<K, V> {
    most: usize,
    held: Mutex<Vec<(K, Arc<V>)>>,
}

impl<K: PartialEq, V> Few<K, V> {
    fn new(most: usize) -> Self {
        Self { most, held: Mutex::new(Vec::new()) }
    }

    /// The answer for `key`, made when it is not there. Two that ask at once may both make it; it is the same.
    fn or_made<E>(&self, key: K, make: impl FnOnce() -> Result<V, E>) -> Result<Arc<V>, E> {
        {
            let mut held = self.held.lock().unwrap_or_else(PoisonError::into_inner);
            if let Some(at) = held.iter().position(|(known, _)| *known == key) {
                let found = held.remove(at);
                held.push(found);
                return Ok(held[held.len() - 1].1.clone());
            }
        }
        let made = Arc::new(make()?);
        let mut held = self.held.lock().unwrap_or_else(PoisonError::into_inner);
        if held.len() >= self.most {
            held.remove(0);
        }
        held.push((key, made.clone()));
        Ok(made)
    }
}

/// What these pages remember. Memory is bounded: contents have at most 256 MiB, and most have 16.
pub(super) struct Cache {
    contents: Few<String, Vec<u8>>,
    explanations: Few<String, Explanation>,
    differences: Few<(String, String), Diff>,
    maps: Few<(String, String, usize), ChipMap>,
}

impl Default for Cache {
    fn default() -> Self {
        Self { contents: Few::new(2), explanations: Few::new(4), differences: Few::new(2), maps: Few::new(4) }
    }
}

impl Cache {
    /// The bytes of a content that the job names.
    pub(super) fn bytes(&self, state: &AppState, job: &str, content: &str) -> Result<Arc<Vec<u8>>, Fault> {
        Self::named(state, job, content)?;
        self.contents.or_made(content.to_owned(), || Ok(contents::bytes(state.bench(), job, content)?))
    }

    /// The bytes of a content that a map was made of.
    pub(super) fn of_map(&self, state: &AppState, content: &Digest) -> Result<Arc<Vec<u8>>, Fault> {
        self.contents.or_made(content.to_string(), || Ok(open_bench(state.bench())?.read_vec(content)?))
    }

    /// What is in a content that the job names.
    pub(super) fn explanation(&self, state: &AppState, job: &str, content: &str) -> Result<Arc<Explanation>, Fault> {
        Self::named(state, job, content)?;
        self.explanations.or_made(content.to_owned(), || Ok::<_, Fault>(explain(&self.bytes(state, job, content)?)))
    }

    /// What differs between two contents that the job names.
    pub(super) fn difference(&self, state: &AppState, job: &str, a: &str, b: &str) -> Result<Arc<Diff>, Fault> {
        Self::named(state, job, a)?;
        Self::named(state, job, b)?;
        self.differences.or_made((a.to_owned(), b.to_owned()), || {
            Ok::<_, Fault>(diff(&self.bytes(state, job, a)?, &self.bytes(state, job, b)?))
        })
    }

    /// The map of a chip as the journal is now.
    pub(super) fn map(&self, state: &AppState, job: &str, chip: &str) -> Result<Arc<ChipMap>, Fault> {
        let entries = contents::entries(state.bench(), job)?;
        let key = (job.to_owned(), chip.to_owned(), entries);
        self.maps.or_made(key, || Ok(ChipMap::read(state.bench(), job, chip, &state.settings().files)?))
    }

    /// Refuses what the job does not name, even when another one did and it is remembered.
    fn named(state: &AppState, job: &str, content: &str) -> Result<(), Fault> {
        if content.parse::<Digest>().is_err() || !contents::is_named(state.bench(), job, content)? {
            return Err(Fault::NotFound);
        }
        Ok(())
    }
}
