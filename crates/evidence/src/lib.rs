//! Evidence: whether several passes of one chip make a capture that may be trusted.
//!
//! In: two or more complete reads of a chip, each with the conditions it was made under and with what the chip said of
//! itself around it. Out: a [`Judgement`], which is a verdict with every reason for it. Two equal reads prove only that
//! the error, if any, repeats; so the rules here ask for more than equality:
//!
//! | rule | asks | where |
//! |---|---|---|
//! | 1 | passes agree, and not all of them were made in one way | `compare`, `judge` |
//! | 2 | the chip answered the same before, between and after | `judge` |
//! | 3 | the content shows every address line, or says that it cannot | `repeat` |
//! | 4 | no constant bit shift; repeated content only with further support | `repeat`, `shift`, `judge` |
//!
//! Left to others: reading (the driver), keeping (the vault), and checks inside the content (the image crate). Nothing here
//! does I/O or knows the time. Addresses and sizes are bytes inside one chip, 0 at its first byte.
//!
//! The decision a reader would question: passes that differ are never settled by a vote. [`majority`] offers one, with
//! its counts, to a person who asks; [`judge`] never calls it, because a vote among reads through one bad contact
//! elects the contact's error.

mod advice;
mod bits;
mod bound;
mod compare;
mod diagnose;
mod differences;
mod explain;
mod files;
mod judge;
mod majority;
mod pass;
mod plot;
mod proof;
mod reading;
mod reason;
mod repeat;
mod shift;
mod strategy;
#[cfg(test)]
mod testing;

pub use advice::{OTHER_MASTER_LADDER, advice};
pub use bound::{error_bound_95, majority_error};
pub use compare::{Comparison, compare};
pub use diagnose::{Diagnosis, Fault, Finding, diagnose};
pub use differences::{AgainstConsensus, Differences, PARTS, Pair, differences};
pub use explain::explain;
pub use files::{BareFile, FileIdentity, distinct, judge_files};
pub use judge::{Judgement, SizeProof, Verdict, WhyUnproven, judge};
pub use majority::{Majority, majority};
pub use pass::{ChipAnswer, Declared, Order, Pass, PassContent, SECTOR, crc32_blocks};
pub use plot::plot;
pub use proof::{Check, Settlement, settle};
pub use reading::{Conditions, Reading, Transaction, Transactions};
pub use reason::{Lack, Moment, Reason, Severity, Trait};
pub use repeat::{Repetition, repetition};
pub use shift::{Shift, looks_shifted, shift_between};
pub use strategy::{History, Manner, Next, Patience, Reach, contact, next};
