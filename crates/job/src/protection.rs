//! Lifting a chip's block protection for a write, and bringing it back (safety rules S9, S14).
//!
//! What was found is durable before the first status write, so that a run which goes on after a cut knows it. Only the
//! block-protection bits move, volatile where the chip can; which write that is says `nor`, how it is sent `driver`. After
//! the write protection is as it was found, or off when the profile says so.

use driver::DriverError;
use nor::protection::Protection;
use serde_json::json;

use crate::error::JobError;
use crate::profile::ProtectionAfter;
use crate::session::{Session, run_op};

impl Session<'_> {
    /// Takes protection away when it covers `touched`; leaves it alone otherwise.
    pub(crate) fn lift_protection(&mut self, plan: &nor::plan::Plan) -> Result<(), JobError> {
        let refused = |error| JobError::Driver { doing: "before the first erase", writing: false, error };
        let Err(protected) = driver::check_protection(&self.identity, plan) else {
            return self.open_block_locks();
        };
        let status = self.identity.status.clone();
        let write = match Protection::lift(&self.identity.chip, &status) {
            Ok(Some(write)) => write,
            Ok(None) => return Err(refused(protected)),
            Err(error) => {
                self.say(format!("protection cannot be lifted: {error}"));
                return Err(refused(protected));
            }
        };
        if self.known.protection_as_found.is_none() {
            self.write_down("protection", json!({ "as_found": status, "volatile": write.volatile }))?;
        }
        self.say("the chip protects what is to be written: its protection is lifted for this write");
        let identity = &self.identity;
        let after = run_op(self.reached.link.as_mut(), self.front, "lifting protection", |limits| {
            driver::set_status(limits, identity, &write)
        })?;
        self.take_status(after);
        driver::check_protection(&self.identity, plan).map_err(refused)?;
        self.open_block_locks()
    }

    fn open_block_locks(&mut self) -> Result<(), JobError> {
        if self.identity.chip.block_locks.is_none() {
            return Ok(());
        }
        let identity = &self.identity;
        run_op(self.reached.link.as_mut(), self.front, "opening the block locks", |limits| {
            driver::unlock_blocks(limits, identity)
        })
    }

    /// Leaves protection as it was found, or off when the profile says so.
    pub(crate) fn settle_protection(&mut self) -> Result<(), JobError> {
        let Some(as_found) = self.known.protection_as_found.clone() else { return Ok(()) };
        let off = self.station.as_ref().is_some_and(|station| station.protection_after == ProtectionAfter::Off);
        if !off {
            let present = self.identity.status.clone();
            let write = Protection::restore(&self.identity.chip, &as_found, &present)
                .map_err(|error| JobError::Protection { as_found: as_found.clone(), why: error.to_string() })?;
            if let Some(write) = write {
                let identity = &self.identity;
                let after = run_op(self.reached.link.as_mut(), self.front, "bringing protection back", |limits| {
                    driver::set_status(limits, identity, &write)
                })?;
                self.take_status(after);
                self.say("the chip's protection is as it was found");
            }
        }
        self.write_down("protection-settled", json!({ "status": self.identity.status, "off": off }))
    }

    fn take_status(&mut self, status: Vec<u8>) {
        self.identity.protection = Protection::of(&self.identity.chip, &status);
        self.identity.status = status;
    }
}

/// What to do about the errors of status writes.
pub(crate) fn hint(error: &DriverError) -> Option<&'static str> {
    Some(match error {
        DriverError::StatusRefused { .. } => {
            "the chip does not take the status write: pull WP# up to the chip's supply, or give its supply anew, then try again"
        }
        DriverError::LocksStay { .. } | DriverError::NoBlockLocks => {
            "this chip's block locks stay; it is left as it is"
        }
        DriverError::Failed { protected: true, .. } => {
            "the chip itself says that this is protected; it is left as it is"
        }
        DriverError::Failed { .. } => "the chip itself says that it failed; it may be worn out there",
        DriverError::ModeLost { .. } => {
            "the chip lost its supply for a moment and with it its address mode: reseat, then run the same command"
        }
        _ => return None,
    })
}
