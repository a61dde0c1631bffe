//! What several test programs of this crate share.

use job::{Front, News, Question, Reply};

/// Nobody is there to ask, and nobody listens.
pub struct Nobody;

impl Front for Nobody {
    fn ask(&mut self, _: &Question) -> Option<Reply> {
        None
    }

    fn is_attended(&self) -> bool {
        false
    }

    fn news(&mut self, _: &News) {}

    fn wants_stop(&self) -> bool {
        false
    }
}
