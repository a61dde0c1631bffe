//! Work in the background: whatever takes longer than a page, one piece for each job.
//!
//! A piece of work runs in a thread of its own with a [`Front`](job::Front) that keeps what was last heard, so that any window
//! can be opened, closed and loaded again meanwhile. Questions wait for a form. Nothing of this outlives the program: after a
//! restart the journal says what was cut off, and the same step offers to go on.
//!
//! Two kinds of listeners: [`Runner::heard`] hands on every piece of news as the engine tells it; [`Task::shown`] is what a page
//! shows at this moment. A listener that comes late misses nothing that still holds.

mod events;
mod front;
mod task;

use std::collections::BTreeMap;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use job::vault::JobId;
use job::{JobError, News};
use tokio::sync::broadcast;

pub(crate) use self::events::events;
pub(crate) use self::front::DeskFront;
pub use self::task::{Asked, Outcome, Phase, Shown, Task};

/// Pieces of news that a slow listener may lag behind before it misses some.
const KEPT_NEWS: usize = 256;

/// What one piece of work has told.
#[derive(Debug, Clone)]
pub struct Heard {
    /// The job.
    pub job: JobId,
    /// The step, or what else is done.
    pub step: String,
    /// The news; none when something else about it has changed: it begins, it asks, it has ended.
    pub news: Option<News>,
}

/// What a piece of work is.
#[derive(Debug, Clone)]
pub struct Piece {
    /// The job.
    pub job: JobId,
    /// The step, or what else is done.
    pub step: String,
    /// What people call it.
    pub title: String,
    /// How long the front holds the engine up at each look whether to stop; for a watch over a link that does not wait by itself.
    pub pace: Duration,
}

/// What runs and what ran last, for each job.
pub struct Runner {
    tasks: Mutex<BTreeMap<JobId, Arc<Task>>>,
    heard: broadcast::Sender<Heard>,
}

impl Runner {
    pub(crate) fn new() -> Self {
        Self { tasks: Mutex::new(BTreeMap::new()), heard: broadcast::Sender::new(KEPT_NEWS) }
    }

    /// What was told from now on, of every job.
    #[must_use]
    pub fn heard(&self) -> broadcast::Receiver<Heard> {
        self.heard.subscribe()
    }

    /// The work of a job that runs, or that ran last since the desk was opened.
    #[must_use]
    pub fn task(&self, job: &JobId) -> Option<Arc<Task>> {
        self.tasks.lock().unwrap_or_else(PoisonError::into_inner).get(job).cloned()
    }

    /// Whether a job has work that runs.
    #[must_use]
    pub fn runs(&self, job: &JobId) -> bool {
        self.task(job).is_some_and(|task| task.runs())
    }

    /// Begins a piece of work; none when the job has one that runs.
    pub(crate) fn start(
        &self,
        piece: Piece,
        work: impl FnOnce(&mut DeskFront) -> Result<Vec<String>, JobError> + Send + 'static,
    ) -> Option<Arc<Task>> {
        let mut tasks = self.tasks.lock().unwrap_or_else(PoisonError::into_inner);
        if tasks.get(&piece.job).is_some_and(|task| task.runs()) {
            return None;
        }
        let task = Arc::new(Task::new(piece, self.heard.clone()));
        tasks.insert(task.job().clone(), Arc::clone(&task));
        drop(tasks);
        let worker = Arc::clone(&task);
        std::thread::spawn(move || worker.run(work));
        task.tell(None);
        Some(task)
    }

    /// Forgets how the last work of a job ended, once somebody has seen it.
    pub(crate) fn put_away(&self, job: &JobId) {
        let mut tasks = self.tasks.lock().unwrap_or_else(PoisonError::into_inner);
        if tasks.get(job).is_some_and(|task| !task.runs()) {
            tasks.remove(job);
        }
    }

    /// Asks all that runs to stop safely, and waits for it; answers whether anything was cut off by it.
    pub(crate) fn end(&self) -> bool {
        let tasks: Vec<Arc<Task>> =
            self.tasks.lock().unwrap_or_else(PoisonError::into_inner).values().cloned().collect();
        let running: Vec<Arc<Task>> = tasks.into_iter().filter(|task| task.runs()).collect();
        for task in &running {
            task.stop();
        }
        for task in &running {
            task.wait();
        }
        running.iter().any(|task| task.shown().outcome.is_some_and(|outcome| !outcome.good))
    }
}
