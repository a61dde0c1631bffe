//! Profiles: what is known of one model of machine, and the steps of the work on it.

pub mod model;

pub use model::*;
