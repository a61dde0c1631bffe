//! The engine: what a command does, from the link's name to the last journal entry.
//!
//! This room opens links and puts the other rooms together; it prints nothing and parses no arguments. A caller gives a
//! bench folder, the person's options and a [`Front`] that answers questions and hears news; it gets reports that can be
//! written as JSON, and [`JobError`]s that know their exit status and what to do next.

pub mod apply;
pub mod capture;
pub mod compose;
pub mod contacts;
pub mod demo;
pub mod doing;
pub mod drives;
pub mod error;
mod files;
pub mod front;
pub mod identify;
pub mod images;
pub mod intake;
pub mod jobs;
mod kernel;
pub mod link_check;
pub mod link_install;
pub mod link_wiring;
pub mod links;
pub mod mac;
pub mod media;
pub mod part;
mod pinned;
mod present;
pub mod procedure;
pub mod profile;
pub mod proof;
mod protection;
mod reach;
pub mod reads;
pub mod ready;
mod record;
pub mod report;
pub mod session;
mod station;
mod supply;
pub mod text;
pub mod views;
mod wiring;

pub use apply::{Place, Target};
pub use capture::CaptureReport;
pub use error::{ErrorKind, JobError};
pub use files::{export, in_folders};
pub use front::{Front, News, Nobody, Question, QuestionKind, Reply, Tone};
pub use report::{ApplyReport, PlanReport, VerifyReport};
pub use session::{ChipOptions, Ground, OverLink, Session, now, open_bench};
pub use {image, vault};
