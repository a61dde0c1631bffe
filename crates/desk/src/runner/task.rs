//! One piece of work, and what is known of it at any moment.

use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Condvar, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use job::vault::JobId;
use job::{JobError, News, Question, QuestionKind, Reply, Tone};
use serde::Serialize;
use tokio::sync::broadcast;

use super::front::DeskFront;
use super::{Heard, Piece};
use crate::words;

/// Sentences that are kept of one piece of work.
const KEPT_SENTENCES: usize = 60;

/// One piece of work.
pub struct Task {
    piece: Piece,
    heard: broadcast::Sender<Heard>,
    stop: AtomicBool,
    shown: Mutex<Shown>,
    changed: Condvar,
}

/// What a page shows of a piece of work.
#[derive(Debug, Clone, Default, Serialize)]
pub struct Shown {
    /// The step, or what else is done.
    pub step: String,
    /// What people call it.
    pub title: String,
    /// The phase that it is in.
    pub phase: Option<Phase>,
    /// What was said, oldest first.
    pub said: Vec<String>,
    /// The word of a live watch.
    pub word: Option<String>,
    /// Tones that were given so far; a page that knows a smaller number gives the last one.
    pub tones: u32,
    /// Whether the last tone rises.
    pub rises: bool,
    /// What waits for an answer.
    pub question: Option<Asked>,
    /// Whether somebody asked it to stop.
    pub stopping: bool,
    /// How it ended; none while it runs.
    pub outcome: Option<Outcome>,
    #[serde(skip)]
    reply: Option<Reply>,
    #[serde(skip)]
    questions: u32,
}

/// A phase with its progress.
#[derive(Debug, Clone, Default, Serialize)]
pub struct Phase {
    /// What is done.
    pub name: String,
    /// Bytes that lie before it.
    pub total: u64,
    /// Bytes done.
    pub done: u64,
    /// Bytes a second, on the link's clock.
    pub rate: Option<f64>,
    /// Seconds left, on the link's clock.
    pub left_s: Option<f64>,
    #[serde(skip)]
    from: Option<(u64, u64)>,
}

/// A question that waits.
#[derive(Debug, Clone, Serialize)]
pub struct Asked {
    /// Its number in this piece of work: an answer names it, so that a page that lags behind answers nothing else.
    pub number: u32,
    /// What is asked.
    pub text: String,
    /// What to know before answering.
    pub cautions: Vec<String>,
    /// How it is answered.
    #[serde(skip)]
    pub kind: QuestionKind,
}

/// How it ended.
#[derive(Debug, Clone, Serialize)]
pub struct Outcome {
    /// Whether it did what it should.
    pub good: bool,
    /// What came of it, or what happened.
    pub said: Vec<String>,
    /// What lies behind it.
    pub causes: Vec<String>,
    /// What to do next.
    pub hint: Option<String>,
    /// Whether the link cannot know what it drives, and somebody has to say.
    pub wants_drives: bool,
}

impl Task {
    pub(super) fn new(piece: Piece, heard: broadcast::Sender<Heard>) -> Self {
        let shown = Shown { step: piece.step.clone(), title: piece.title.clone(), ..Shown::default() };
        Self { piece, heard, stop: AtomicBool::new(false), shown: Mutex::new(shown), changed: Condvar::new() }
    }

    /// The job.
    #[must_use]
    pub fn job(&self) -> &JobId {
        &self.piece.job
    }

    /// What a page shows now.
    #[must_use]
    pub fn shown(&self) -> Shown {
        self.lock().clone()
    }

    /// Whether it has not ended.
    #[must_use]
    pub fn runs(&self) -> bool {
        self.lock().outcome.is_none()
    }

    /// Asks it to stop where it is safe; the same as the first Ctrl-C.
    pub fn stop(&self) {
        self.stop.store(true, Ordering::SeqCst);
        self.lock().stopping = true;
        self.tell(None);
    }

    /// Answers the question of this number; false when it waits no more.
    pub(crate) fn answer(&self, number: u32, reply: Reply) -> bool {
        let mut shown = self.lock();
        if shown.question.as_ref().is_none_or(|question| question.number != number) {
            return false;
        }
        shown.reply = Some(reply);
        shown.question = None;
        drop(shown);
        self.tell(None);
        true
    }

    /// Waits until it has ended.
    pub(super) fn wait(&self) {
        let shown = self.lock();
        let ended = self.changed.wait_while(shown, |shown| shown.outcome.is_none());
        drop(ended.unwrap_or_else(PoisonError::into_inner));
    }

    pub(super) fn pace(&self) -> Duration {
        self.piece.pace
    }

    pub(super) fn is_stopped(&self) -> bool {
        self.stop.load(Ordering::SeqCst)
    }

    /// Runs the work to its end. A panic in it ends it alone.
    pub(super) fn run(self: &Arc<Self>, work: impl FnOnce(&mut DeskFront) -> Result<Vec<String>, JobError>) {
        let mut front = DeskFront::new(Arc::clone(self));
        let done = catch_unwind(AssertUnwindSafe(|| work(&mut front)));
        let outcome = match done {
            Ok(Ok(said)) => Outcome { good: true, said, causes: Vec::new(), hint: None, wants_drives: false },
            Ok(Err(error)) => Outcome {
                good: false,
                said: vec![words::in_desk_words(&error.to_string())],
                causes: error.causes(),
                hint: error.hint().map(|hint| words::in_desk_words(&hint)),
                wants_drives: matches!(error, JobError::DrivesUnknown),
            },
            Err(_) => Outcome {
                good: false,
                said: vec![words::OURS.to_owned()],
                causes: Vec::new(),
                hint: None,
                wants_drives: false,
            },
        };
        let mut shown = self.lock();
        shown.question = None;
        shown.phase = None;
        shown.outcome = Some(outcome);
        drop(shown);
        self.tell(None);
    }

    /// Waits for an answer; none when the work is to stop.
    pub(super) fn ask(&self, question: &Question) -> Option<Reply> {
        let mut shown = self.lock();
        shown.questions += 1;
        shown.reply = None;
        shown.question = Some(Asked {
            number: shown.questions,
            text: question.text.clone(),
            cautions: question.cautions.clone(),
            kind: question.kind,
        });
        drop(shown);
        self.tell(None);
        let mut shown = self.lock();
        while shown.reply.is_none() && !self.is_stopped() {
            shown = self.changed.wait(shown).unwrap_or_else(PoisonError::into_inner);
        }
        shown.question = None;
        shown.reply.take()
    }

    pub(super) fn take(&self, news: &News) {
        let mut shown = self.lock();
        match news {
            News::Said(text) => {
                shown.said.push(text.trim().to_owned());
                if shown.said.len() > KEPT_SENTENCES {
                    shown.said.remove(0);
                }
            }
            News::Begins { phase, total } => {
                shown.phase = Some(Phase { name: (*phase).to_owned(), total: *total, ..Phase::default() });
            }
            News::Progress { done, link_us } => {
                if let Some(phase) = &mut shown.phase {
                    phase.progress(*done, *link_us);
                }
            }
            News::Ends => shown.phase = None,
            News::Seen { word, .. } => shown.word = Some(word.clone()),
            News::Tone(tone) => {
                shown.tones += 1;
                shown.rises = *tone == Tone::Rising;
            }
        }
        drop(shown);
        self.tell(Some(news.clone()));
    }

    /// Wakes whoever waits for a change. That nobody listens is no fault.
    pub(super) fn tell(&self, news: Option<News>) {
        self.changed.notify_all();
        let _ = self.heard.send(Heard { job: self.piece.job.clone(), step: self.piece.step.clone(), news });
    }

    fn lock(&self) -> MutexGuard<'_, Shown> {
        self.shown.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl Phase {
    /// The rate counts from the first news of the phase on: what came before it is no transfer.
    #[expect(clippy::cast_precision_loss, reason = "shown with two digits")]
    fn progress(&mut self, done: u64, link_us: u64) {
        self.done = done;
        let (from_bytes, from_us) = *self.from.get_or_insert((done, link_us));
        let (bytes, us) = (done.saturating_sub(from_bytes), link_us.saturating_sub(from_us));
        if bytes > 0 && us > 0 {
            let rate = bytes as f64 / (us as f64 / 1e6);
            self.rate = Some(rate);
            self.left_s = Some(self.total.saturating_sub(done) as f64 / rate);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn time_left_follows_the_rate_of_the_phase() {
        let mut phase = Phase { total: 4000, ..Phase::default() };
        phase.progress(1000, 5_000_000);
        assert_eq!(phase.left_s, None, "one look makes no rate");
        phase.progress(2000, 6_000_000);
        assert_eq!((phase.rate, phase.left_s), (Some(1000.0), Some(2.0)));
    }
}
