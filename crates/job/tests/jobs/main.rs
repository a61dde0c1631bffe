//! The job commands over a bench folder: intake, signatures, record, handover.

mod bench;
mod intake;
mod record;
mod sign;
mod whole;
