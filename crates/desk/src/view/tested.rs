//! What the last line test of a chip found, for its drawing.
//!
//! It is not written into the journal: a test says what contacts do at one moment, and is worth nothing once the clip was touched. So it
//! goes with the program, and is drawn as long as the contact is on.

use std::collections::BTreeMap;
use std::sync::{Arc, Mutex, PoisonError};

use job::contacts::Pin;
use job::now;
use vault::JobId;

/// What a line test found.
#[derive(Debug, Clone)]
pub(crate) struct Tested {
    /// When it was made: UTC.
    pub when: String,
    /// The eight contacts.
    pub pins: Vec<Pin>,
}

/// The last test of each chip.
#[derive(Debug, Clone, Default)]
pub(crate) struct LineTests(Arc<Mutex<BTreeMap<(JobId, String), Tested>>>);

impl LineTests {
    /// Keeps what was found now.
    pub(crate) fn keep(&self, job: &JobId, chip: &str, pins: Vec<Pin>) {
        let tested = Tested { when: now(), pins };
        self.0.lock().unwrap_or_else(PoisonError::into_inner).insert((job.clone(), chip.to_owned()), tested);
    }

    /// The last test of a chip.
    pub(crate) fn last(&self, job: &JobId, chip: &str) -> Option<Tested> {
        let tests = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        tests.get(&(job.clone(), chip.to_owned())).cloned()
    }
}
