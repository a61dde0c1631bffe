//! The job commands over a bench folder: intake, signatures, record, handover.

mod bench;
#[path = "../common/mod.rs"]
mod common;
mod intake;
mod record;
mod sign;
mod views;
mod whole;
