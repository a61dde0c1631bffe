//! A bench for the desk: machines that were taken in, with virtual chips, and nothing played.
//!
//! One Larkspur Nine waits for its first step, and everything that its job needs lies in one folder. Two more jobs stand on the
//! shelf beside it: another Larkspur that somebody has begun with, and the Teal router board.

use std::path::{Path, PathBuf};

use super::Stage;
use super::machine::SIGNER;
use super::stick::plug;
use crate::error::JobError;
use crate::front::Front;
use crate::jobs::{self, SignRequest};

/// What the desk of a demo is opened with.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct DeskSet {
    /// The virtual chips.
    pub links: Vec<PathBuf>,
    /// The folder with profiles, recipes and images.
    pub files: PathBuf,
    /// The stick that is plugged in.
    pub sticks: Vec<PathBuf>,
    /// The job that waits to be done.
    pub job: String,
}

/// Sets the table in the bench folder `bench`.
///
/// # Errors
/// [`JobError`] of the vault and the file system.
pub fn set_for_desk(bench: &Path, front: &mut dyn Front) -> Result<DeskSet, JobError> {
    let mut stage = Stage::build(bench, front)?;
    stage.set_larkspur()?;
    stage.set_teal()?;
    let job = jobs::start(bench, &stage.larkspur_to_convert("Larkspur Nine, shelf 3"), stage.front)?.job;
    let begun = jobs::start(bench, &stage.larkspur_to_convert("Larkspur Nine, shelf 4"), stage.front)?.job;
    jobs::start(bench, &stage.teal_to_rescue(), stage.front)?;
    for step in ["first-look", "start-as-found"] {
        let request =
            SignRequest { step: step.into(), job: Some(begun.clone()), by: SIGNER.into(), ..SignRequest::default() };
        jobs::sign(bench, &request, stage.front)?;
    }
    let links = ["main.toml", "port.toml", "boot.toml"].map(|file| stage.place(file)).to_vec();
    let stick = stage.place("stick.bin");
    plug(&stick)?;
    Ok(DeskSet { links, files: bench.join("virtual"), sticks: vec![stick], job })
}
