//! The engine's face towards the desk: what it asks and tells goes to the task.

use std::sync::Arc;

use job::{Front, News, Question, Reply};

use super::task::Task;

/// The engine's face. Somebody is taken to be there: a question waits until a page answers it or the work is stopped.
pub struct DeskFront {
    task: Arc<Task>,
}

impl DeskFront {
    pub(super) fn new(task: Arc<Task>) -> Self {
        Self { task }
    }
}

impl Front for DeskFront {
    fn ask(&mut self, question: &Question) -> Option<Reply> {
        self.task.ask(question)
    }

    fn is_attended(&self) -> bool {
        true
    }

    fn news(&mut self, news: &News) {
        self.task.take(news);
    }

    fn wants_stop(&self) -> bool {
        let pace = self.task.pace();
        if !pace.is_zero() {
            std::thread::sleep(pace);
        }
        self.task.is_stopped()
    }
}
