//! The job commands over a bench folder: intake, signatures, record, handover.

mod addresses;
mod bench;
mod intake;
mod parts;
mod record;
mod sign;
mod views;
mod whole;
