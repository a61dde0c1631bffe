//! The step of a job that a file is taken in for.

use std::io::Read as _;

use intake::digest::{Sum, sums};
use vault::{JobId, Vault};

use super::{IntakeError, Taken};
use crate::error::JobError;
use crate::jobs::Work;
use crate::profile::{StepKind, Takes};

/// A step that takes a file, and what it wants.
pub(super) struct Place {
    pub(super) step: String,
    takes: Takes,
}

impl Place {
    /// Finds the open step that wants a file of this name, or the only open one; none when the file belongs to no step.
    ///
    /// # Errors
    /// [`JobError::WrongJob`] when the step that wants it may not be done now.
    pub(super) fn find(vault: &Vault, job: &JobId, name: &str) -> Result<Option<Self>, JobError> {
        let Some(work) = Work::open_if_profile(vault, job)? else { return Ok(None) };
        let state = work.state();
        let steps = work.profile.steps_of(work.header.kind).filter(|step| step.kind == StepKind::Intake);
        let taking: Vec<_> = steps.filter_map(|step| Some((step, step.takes.clone()?))).collect();
        let open: Vec<_> = taking.iter().filter(|(step, _)| state.may_do(&step.id).is_ok()).collect();
        let by_name = |found: &&(_, Takes)| found.1.file == name;
        let place = |found: &(&crate::profile::Step, Takes)| Self { step: found.0.id.clone(), takes: found.1.clone() };
        if let Some(found) = open.iter().copied().find(by_name) {
            return Ok(Some(place(found)));
        }
        let named = taking.iter().find(by_name).and_then(|(step, _)| state.may_do(&step.id).err());
        if let Some(blocked) = named {
            // Taken in once more: that is no step, and no mistake either.
            let done =
                blocked.reasons.iter().any(|reason| matches!(reason, crate::procedure::Reason::AlreadyDone { .. }));
            return if done {
                Ok(None)
            } else {
                Err(JobError::WrongJob { job: job.to_string(), why: blocked.to_string() })
            };
        }
        Ok(if let [only] = open.as_slice() { Some(place(only)) } else { None })
    }

    /// Tells whether what was taken is what the step wants.
    pub(super) fn check(&self, taken: &Taken, inner: Option<&Vec<u8>>) -> Result<(), IntakeError> {
        let no = |why: String| IntakeError::OtherFile { step: self.step.clone(), why };
        if let Some(wanted) = &self.takes.sha256 {
            let of_inner = inner.map(|bytes| {
                let mut source = bytes.as_slice().take(u64::MAX);
                let (sums, _) = sums::<()>(&mut source, &[], Vec::new()).expect("memory can be read");
                sums.digits(Sum::Sha256).map(str::to_owned)
            });
            let found =
                of_inner.unwrap_or_else(|| taken.sums.digits(Sum::Sha256).map(str::to_owned)).unwrap_or_default();
            if found != *wanted {
                return Err(no(format!("one with the SHA-256 {wanted}, and this has {found}")));
            }
        }
        if let Some(wanted) = &self.takes.key {
            match &taken.proof {
                Some((_, proof)) if same_key(&proof.fingerprint, wanted) => {}
                Some((_, proof)) => {
                    return Err(no(format!("one that the key {wanted} signs, and {} signed this", proof.fingerprint)));
                }
                None => {
                    return Err(no(format!(
                        "one that the key {wanted} signs; give `--signature`, `--list` and `--key`"
                    )));
                }
            }
        }
        Ok(())
    }
}

/// People write fingerprints with spaces and in either case; a minisign key's letters count as they are.
fn same_key(one: &str, other: &str) -> bool {
    let plain = |key: &str| key.chars().filter(|letter| !letter.is_whitespace()).collect::<String>();
    let (one, other) = (plain(one), plain(other));
    let hex = |key: &str| key.bytes().all(|byte| byte.is_ascii_hexdigit());
    one == other || (hex(&one) && hex(&other) && one.eq_ignore_ascii_case(&other))
}
