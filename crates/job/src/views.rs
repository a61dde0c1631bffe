//! What the pictures of a job are drawn from: the chip map, its reads, its contents, its contacts.
//!
//! Readers over vault, journal and images, which write nothing and ask nothing. A face draws what it gets from here and adds no
//! judgement of its own. All of it is about jobs of a profile; a loose job has no chips by name.

pub mod chip_map;
pub mod clip;
pub mod contents;
pub mod far_end;
pub mod reads;

use std::path::Path;

use vault::JobId;

use crate::error::JobError;
use crate::jobs::Work;
use crate::profile::ChipSpec;
use crate::session::open_bench;

/// Returns the chips of a job's profile, in its order.
///
/// # Errors
/// [`JobError::WrongJob`] for a loose job; [`JobError::Vault`].
pub fn chips(bench: &Path, job: &str) -> Result<Vec<ChipSpec>, JobError> {
    let vault = open_bench(bench)?;
    Ok(Work::open(&vault, &JobId::new(job)?)?.profile.chips)
}
