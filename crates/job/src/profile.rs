//! Profiles: what is known of one model of machine, and the steps of the work on it.
//!
//! [`Profile::load`] answers a profile that is checked as a whole: names exist, the steps have an order, and that order keeps
//! the safety rules as far as a file can. [`cautions_for`] adds the standard cautions to those of a step, [`sheet`] makes a page
//! to print. What has been done and what may be done next is the procedure's; a profile holds no state.
//!
//! A profile is written by a person and may come from anywhere (safety rule S10): it is bounded in every direction, names files
//! of its own folder only, and holds nothing of a single machine (S15).
//!
//! The decision a reader would question: a profile whose steps break an interlock is no profile at all, not one with a warning.
//! Who runs a job would refuse the step in any case, in the middle of the work and with the case open.

mod cautions;
mod check;
mod document;
mod error;
mod load;
pub mod model;
mod parse;
mod parse_controller;
mod parse_step;
mod sheet;

pub use cautions::cautions_for;
pub use error::{Finding, ProfileError, Severity};
pub use load::{Checked, MOST_BYTES};
pub use model::*;
pub use sheet::sheet;
