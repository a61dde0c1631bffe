//! SHA-256 of many ranges, by the caller and one helper thread.
//!
//! Ranges are queued as they are found and hashed while the walk goes on. [`Hasher::drain`] makes the caller help until
//! nothing is left; decompressed content can then be dropped. Results have numbers, so that nobody waits for one of them.
//!
//! The decision a reader would question: one queue under one lock, with no more than one helper. A range is mostly thousands of bytes, so the lock is
//! taken seldom against what a range costs, and a second helper would find no third core on the machines this is for.

use std::collections::VecDeque;
use std::ops::Range;
use std::sync::{Arc, Condvar, Mutex, MutexGuard, PoisonError};

use sha2::{Digest, Sha256};

/// Ranges up to this size are hashed at once: queueing them costs as much.
const SMALL: usize = 2048;

/// Bytes to hash ranges of: the image, or content that was decompressed.
#[derive(Clone)]
pub(super) enum Ground<'a> {
    Given(&'a [u8]),
    Made(Arc<Vec<u8>>),
}

impl Ground<'_> {
    pub(super) fn bytes(&self) -> &[u8] {
        match self {
            Self::Given(bytes) => bytes,
            Self::Made(bytes) => bytes,
        }
    }
}

struct Job<'a> {
    ground: Ground<'a>,
    range: Range<usize>,
    number: usize,
}

#[derive(Default)]
struct State<'a> {
    queue: VecDeque<Job<'a>>,
    results: Vec<[u8; 32]>,
    running: usize,
    closed: bool,
}

/// The queue and its results.
#[derive(Default)]
pub(super) struct Hasher<'a> {
    state: Mutex<State<'a>>,
    more: Condvar,
    less: Condvar,
}

impl<'a> Hasher<'a> {
    /// Queues a range and returns the number of its result.
    pub(super) fn add(&self, ground: &Ground<'a>, range: Range<usize>) -> u32 {
        let small = (range.len() <= SMALL).then(|| Sha256::digest(&ground.bytes()[range.clone()]).into());
        let mut state = self.lock();
        let number = state.results.len();
        state.results.push(small.unwrap_or_default());
        if small.is_none() {
            state.queue.push_back(Job { ground: ground.clone(), range, number });
            self.more.notify_one();
        }
        number as u32
    }

    /// Hashes until the queue is empty and nobody is at work.
    pub(super) fn drain(&self) {
        let mut state = self.lock();
        loop {
            if let Some(job) = state.queue.pop_front() {
                state = self.run(state, job);
            } else if state.running > 0 {
                state = self.less.wait(state).unwrap_or_else(PoisonError::into_inner);
            } else {
                return;
            }
        }
    }

    /// Hashes until [`Hasher::close`]; what the helper thread runs.
    pub(super) fn help(&self) {
        let mut state = self.lock();
        while !state.closed {
            state = match state.queue.pop_front() {
                Some(job) => self.run(state, job),
                None => self.more.wait(state).unwrap_or_else(PoisonError::into_inner),
            };
        }
    }

    /// Sends the helper home, and returns all results.
    pub(super) fn close(&self) -> Vec<[u8; 32]> {
        let mut state = self.lock();
        state.closed = true;
        self.more.notify_all();
        std::mem::take(&mut state.results)
    }

    fn run<'s>(&'s self, mut state: MutexGuard<'s, State<'a>>, job: Job<'a>) -> MutexGuard<'s, State<'a>> {
        state.running += 1;
        drop(state);
        let hash = Sha256::digest(&job.ground.bytes()[job.range]).into();
        // The bytes go before the job counts as done: whoever waits for that counts on their memory.
        drop(job.ground);
        let mut state = self.lock();
        state.results[job.number] = hash;
        state.running -= 1;
        self.less.notify_all();
        state
    }

    fn lock(&self) -> MutexGuard<'_, State<'a>> {
        self.state.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn results_stand_under_their_numbers_whoever_made_them() {
        let bytes: Vec<u8> = (0..100_000_u32).map(|at| ((at * 7) >> 3) as u8).collect();
        let hasher = Hasher::default();
        let ranges: Vec<_> = (0..60).map(|at| at * 100..at * 900 + 3 * at).collect();
        let numbers: Vec<u32> = std::thread::scope(|scope| {
            scope.spawn(|| hasher.help());
            let ground = Ground::Made(Arc::new(bytes.clone()));
            let numbers = ranges.iter().map(|range| hasher.add(&ground, range.clone())).collect();
            hasher.drain();
            let Ground::Made(bytes) = ground else { unreachable!() };
            assert_eq!(Arc::strong_count(&bytes), 1, "nobody holds the bytes after a drain");
            hasher.more.notify_all();
            hasher.lock().closed = true;
            hasher.more.notify_all();
            numbers
        });
        let results = hasher.close();
        for (range, number) in ranges.into_iter().zip(numbers) {
            assert_eq!(results[number as usize], <[u8; 32]>::from(Sha256::digest(&bytes[range])));
        }
    }
}
