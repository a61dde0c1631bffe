//! MAC addresses: what one says of itself, and a register so that no two machines of a bench get the same.
//!
//! The register is no file of its own. Every composed image has the address that went into it in its manifest, with its job, so the
//! register is read out of the vault whenever somebody composes: nothing can get out of step, and what is forgotten with
//! its job is gone from here too (S15).
//!
//! | address | in the register already | comes of it |
//! |---|---|---|
//! | drawn | | another one is drawn |
//! | carried or given | for this job, for another job of the same machine | it is used |
//! | carried or given | for another machine | refused |
//! | carried or given | for an image that was composed outside of a job | it is used, with a word on it |
//!
//! Two jobs are about one machine when one takes the other back, or when their machine was called the same at the intake.
//!
//! The decision a reader would question: an image counts when it was composed, and not when it was written. Whether somebody wrote
//! it elsewhere, nobody here knows.

use std::io::{BufRead, BufReader, Read};
use std::path::Path;

use image::mac::Mac;
use vault::{Filter, JobId, Kind, Vault, VaultError};

use crate::error::JobError;
use crate::jobs::header_of;

/// The list of Debian's package `ieee-data`, where it is installed.
const LIST: &str = "/usr/share/ieee-data/oui.txt";
/// Most bytes of it that are read; it had six million in 2024.
const MOST_OF_A_LIST: u64 = 32 << 20;

/// Returns in words what an address says of itself, and whose range it is from where a list on this computer tells.
#[must_use]
pub fn in_words(mac: Mac) -> String {
    match registered_to(mac, Path::new(LIST)) {
        Some(name) => format!("{}; the range of {name}", mac.words()),
        None => mac.words().to_owned(),
    }
}

/// Whose range an address is from: the text behind `(hex)` of the line of its first three octets.
fn registered_to(mac: Mac, list: &Path) -> Option<String> {
    if mac.is_local() || mac.is_group() {
        return None;
    }
    let [a, b, c, ..] = mac.0;
    let range = format!("{a:02X}-{b:02X}-{c:02X}");
    let list = BufReader::new(std::fs::File::open(list).ok()?.take(MOST_OF_A_LIST));
    let line = list.split(b'\n').map_while(Result::ok).find(|line| line.starts_with(range.as_bytes()))?;
    let text = String::from_utf8_lossy(&line).into_owned();
    let name: String = text.split_once("(hex)")?.1.trim().chars().filter(|one| !one.is_control()).take(60).collect();
    (!name.is_empty()).then_some(name)
}

/// The addresses that images of this bench were composed with.
pub(crate) struct Register<'v> {
    vault: &'v Vault,
    taken: Vec<(Mac, Option<JobId>)>,
}

impl<'v> Register<'v> {
    /// Reads it out of the vault.
    ///
    /// # Errors
    /// [`JobError::Vault`]; a manifest that cannot be read is one, since it may hold the very address.
    pub(crate) fn read(vault: &'v Vault) -> Result<Self, JobError> {
        let mut taken = Vec::new();
        let filter = Filter { kind: Some(Kind::Image), ..Filter::default() };
        let mut ids: Vec<_> = vault.list(&filter)?.items.into_iter().map(|item| item.id).collect();
        ids.sort_unstable();
        ids.dedup();
        for id in ids {
            for manifest in vault.show(&id)? {
                let address = manifest.facts["address"].as_str().and_then(|text| text.parse().ok());
                taken.extend(address.map(|mac| (mac, manifest.job)));
            }
        }
        Ok(Self { vault, taken })
    }

    /// Tells whether any image has this address.
    pub(crate) fn has(&self, mac: Mac) -> bool {
        self.taken.iter().any(|(taken, _)| *taken == mac)
    }

    /// Looks whether an image for the machine of these jobs may have this address; returns a word on it where nobody can tell.
    ///
    /// # Errors
    /// [`JobError::AddressTaken`] when another machine has it.
    pub(crate) fn look(&self, mac: Mac, own: &[JobId]) -> Result<Option<String>, JobError> {
        let mut word = None;
        let own: Vec<Machine> = own.iter().map(|job| self.machine(job)).collect::<Result<_, _>>()?;
        for (_, job) in self.taken.iter().filter(|(taken, _)| *taken == mac) {
            let Some(job) = job else {
                word = Some(
                    "this address was composed into an image before, outside of a job: see that one machine alone gets it"
                        .to_owned(),
                );
                continue;
            };
            let other = self.machine(job)?;
            if !own.iter().any(|machine| machine.is(&other)) {
                return Err(JobError::AddressTaken { job: job.to_string() });
            }
        }
        Ok(word)
    }

    /// Which machine a job is about.
    fn machine(&self, job: &JobId) -> Result<Machine, JobError> {
        let mut machine = Machine { jobs: vec![job.clone()], name: None };
        let mut next = Some(job.clone());
        // A job takes back an older one, so this ends; a journal by other hands may say anything.
        while let Some(job) = next.take() {
            let entries = match self.vault.read_journal(&job) {
                Ok(log) => log.entries,
                Err(VaultError::NotFound { .. }) => break,
                Err(error) => return Err(error.into()),
            };
            let intake = entries.iter().find(|entry| entry.kind == "intake");
            let name = intake.and_then(|entry| entry.body["machine"].as_str());
            machine.name = machine.name.or_else(|| name.map(|name| name.trim().to_lowercase()));
            next = header_of(&entries).and_then(|header| header.of).filter(|of| !machine.jobs.contains(of));
            machine.jobs.extend(next.clone());
        }
        Ok(machine)
    }
}

/// A machine as its jobs tell it.
struct Machine {
    /// A job and those that it takes back.
    jobs: Vec<JobId>,
    name: Option<String>,
}

impl Machine {
    fn is(&self, other: &Self) -> bool {
        let one_name = self.name.is_some() && self.name == other.name;
        one_name || self.jobs.iter().any(|job| other.jobs.contains(job))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// 00-00-5E is IANA's own range (RFC 9542, section 2.1).
    #[test]
    fn a_range_is_named_by_a_list_that_is_there() {
        let folder = tempfile::tempdir().expect("a folder");
        let list = folder.path().join("oui.txt");
        let text = "OUI/MA-L\t\tOrganization\n\n00-00-5D   (hex)\t\tNobody\n00005D     (base 16)\t\tNobody\n\
                    00-00-5E   (hex)\t\tICANN, IANA\u{1b}[2J Department\r\n";
        std::fs::write(&list, text).expect("written");
        let name = |mac: [u8; 6], list: &Path| registered_to(Mac(mac), list);
        assert_eq!(name([0, 0, 0x5E, 0, 0x53, 1], &list).as_deref(), Some("ICANN, IANA[2J Department"));
        for other in [[0, 0, 0x5F, 0, 0, 1], [2, 0, 0x5E, 0, 0x53, 1], [1, 0, 0x5E, 0, 0, 1]] {
            assert_eq!(name(other, &list), None);
        }
        assert_eq!(name([0, 0, 0x5E, 0, 0x53, 1], Path::new("/nowhere")), None);
        // And by the real one, where it is installed.
        if let Some(real) = name([0, 0, 0x5E, 0, 0x53, 1], Path::new(LIST)) {
            assert!(real.contains("IANA"), "{real}");
        }
    }
}
