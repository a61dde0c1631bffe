//! One command as a new process would run it: a new vault handle, a new session, everything read afresh.

use std::cell::{Cell, RefCell};
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::rc::Rc;

use job::{ChipOptions, Front, Ground, JobError, News, Place, Question, QuestionKind, Reply, Session, Target};
use nor::link::Link;

use crate::canary::Canary;
use crate::scenario::{Command, Scenario};
use crate::stage::Stage;
use crate::watch::{Killed, Watch, Watched};

/// How a command ended.
#[derive(Debug)]
pub enum End {
    /// With its result, as JSON.
    Done(String),
    /// With an error.
    Failed(JobError),
    /// The host was killed.
    Killed,
    /// It panicked, which nothing should do.
    Panicked(String),
}

/// What a command is run with.
pub struct Run<'a> {
    /// The seed's decisions.
    pub scenario: &'a Scenario,
    /// Its folder.
    pub stage: &'a Stage,
    /// What is broken on purpose.
    pub canary: Option<Canary>,
    /// The wall clock, in seconds.
    pub clock: Rc<Cell<u64>>,
    /// The BLAKE3 of the chip's first content.
    pub first: String,
}

impl Run<'_> {
    /// Runs `command`, watched by `watch`, on a disk that fails as `disk` has it.
    pub fn command(&self, command: Command, watch: &Rc<RefCell<Watch>>, disk: &vault::faults::Faults) -> End {
        let result = catch_unwind(AssertUnwindSafe(|| self.in_session(command, watch, disk)));
        let killed = (watch.borrow().is_dead)();
        match result {
            // An error that reaches the end of a process that is dead was never shown to anybody.
            Ok(_) if killed => End::Killed,
            Ok(Ok(report)) => End::Done(report),
            Ok(Err(error)) => End::Failed(error),
            Err(payload) if payload.is::<Killed>() => End::Killed,
            Err(payload) => {
                let text = payload.downcast_ref::<String>().cloned();
                let text = text.or_else(|| payload.downcast_ref::<&str>().map(|text| (*text).to_owned()));
                End::Panicked(text.unwrap_or_default())
            }
        }
    }

    fn in_session(
        &self,
        command: Command,
        watch: &Rc<RefCell<Watch>>,
        disk: &vault::faults::Faults,
    ) -> Result<String, JobError> {
        let options = ChipOptions {
            link: self.stage.link().display().to_string(),
            yes: true,
            signed: Some("Ada".into()),
            no_capture: (self.canary == Some(Canary::NoCapture)).then(|| "a build that is broken on purpose".into()),
            ..ChipOptions::default()
        };
        let clock = Rc::clone(&self.clock);
        let watched = Rc::clone(watch);
        let ground = Ground {
            vault: vault::Vault::open_with(&self.stage.bench(), disk)?,
            clock: Box::new(move || {
                clock.set(clock.get() + 1);
                time_text(clock.get())
            }),
            over_link: Box::new(move |link| -> Box<dyn Link> { Box::new(Watched::over(link, watched)) }),
        };
        let mut nobody = Nobody { watch: Rc::clone(watch) };
        let mut session = Session::open_on(ground, options, "campaign", &mut nobody)?;
        let images = &self.scenario.images;
        let whole =
            |image: usize| Target { name: format!("image {image}"), bytes: images[image].clone(), place: Place::Whole };
        Ok(match command {
            Command::Capture => text(&session.capture()?),
            Command::Apply(image) => text(&session.apply(&whole(image))?),
            Command::ApplyPart(image, at, len) => {
                let bytes = images[image][at as usize..(at + len) as usize].to_vec();
                let target = Target { name: format!("part of image {image}"), bytes, place: Place::At(at.into()) };
                text(&session.apply(&target)?)
            }
            Command::Fill(value) => text(&session.fill(value)?),
            Command::RestoreFirst => text(&session.restore(Some(&self.first))?),
            Command::RestoreOnly => text(&session.restore(None)?),
            Command::Verify(image) => text(&session.verify(&whole(image))?),
            Command::Plan(image) => text(&session.plan_only(&whole(image))?),
        })
    }
}

fn text(report: &impl serde::Serialize) -> String {
    serde_json::to_string(report).expect("a report can be written as JSON")
}

/// A second of the campaign's clock, which begins in the middle of a month and never leaves it.
fn time_text(seconds: u64) -> String {
    let (days, rest) = (seconds / 86_400, seconds % 86_400);
    format!("2026-03-{:02}T{:02}:{:02}:{:02}Z", days + 1, rest / 3600, rest / 60 % 60, rest % 60)
}

/// Somebody who says yes, signs, and may ask to stop, but has no hands at the bench.
struct Nobody {
    watch: Rc<RefCell<Watch>>,
}

impl Front for Nobody {
    fn ask(&mut self, question: &Question) -> Option<Reply> {
        Some(match question.kind {
            QuestionKind::YesNo => Reply::Yes,
            QuestionKind::Signature => Reply::Signed("Ada".into()),
            QuestionKind::Size => Reply::No,
        })
    }

    fn is_attended(&self) -> bool {
        // Somebody at the bench would be waited for, in real time, until a cable is back that no virtual clock brings back.
        false
    }

    fn news(&mut self, _news: &News) {}

    fn wants_stop(&self) -> bool {
        let watch = self.watch.borrow();
        watch.stop_at.is_some_and(|at| watch.requests + 1 >= at)
    }
}
