//! The job commands over a bench folder: intake, signatures, record, handover.

mod addresses;
mod bench;
#[path = "../common/mod.rs"]
mod common;
mod intake;
mod parts;
mod record;
mod sign;
mod views;
mod whole;
