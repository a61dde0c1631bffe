//! What has to hold after each command and at the end, by the campaign's own eyes.

use std::collections::HashMap;
use std::io;

use job::{ErrorKind, JobError};

use crate::command::End;
use crate::eyes::{Entry, Store, blake3_hex, journals};
use crate::rules::Stuck;
use crate::scenario::{Command, Scenario};
use crate::stage::Stage;
use crate::watch::Watch;

/// A command that has ended.
pub struct Ended<'a> {
    /// The seed's decisions.
    pub scenario: &'a Scenario,
    /// Its folder.
    pub stage: &'a Stage,
    /// The command.
    pub command: Command,
    /// How it ended.
    pub end: &'a End,
    /// What was seen on the link.
    pub watch: &'a Watch,
    /// The chip's cells before it.
    pub before: &'a [u8],
    /// The chip's cells after it.
    pub after: &'a [u8],
    /// Entries of each journal before it.
    pub known: &'a HashMap<String, usize>,
    /// A bit that does not follow.
    pub stuck: Option<Stuck>,
    /// Whether a stored object or a journal is damaged just now.
    pub damaged: bool,
    /// Whether a bad line may have made a status write out of something else.
    pub bent: bool,
}

impl Ended<'_> {
    /// Returns what is wrong whatever faults there were.
    ///
    /// # Errors
    /// Whatever the file system says.
    pub fn always(&self) -> io::Result<Vec<String>> {
        let mut findings = self.watch.findings.clone();
        if let End::Panicked(text) = self.end {
            findings.push(format!("a panic: {text}"));
        }
        if let End::Failed(error) = self.end
            && is_refusal(error)
            && (self.watch.wrote() || self.before != self.after)
        {
            findings.push(format!("refused, and the chip was written all the same: {error}"));
        }
        if !self.command.writes() && (self.watch.wrote() || self.watch.status_writes > 0) {
            findings.push(format!("{:?} has written to the chip", self.command));
        }
        if let (End::Done(_), Some(at)) = (self.end, self.watch.never_read_again()) {
            findings.push(format!("S3: done, and the byte at {at:#x} was written and never read again"));
        }
        findings.extend(self.claims()?);
        Ok(findings)
    }

    /// No step claimed that was not done: each new entry of a journal against the chip.
    fn claims(&self) -> io::Result<Vec<String>> {
        let mut findings = Vec::new();
        let shown = |cells: &[u8]| {
            let mut cells = cells.to_vec();
            if let Some(stuck) = self.stuck.filter(|stuck| stuck.from_us <= self.watch.now_us) {
                stuck.show(&mut cells);
            }
            blake3_hex(&cells)
        };
        for journal in journals(&self.stage.bench())? {
            if let Some(fault) = journal.fault.filter(|_| !self.damaged) {
                findings.push(format!("the journal {} is not sound: {fault}", journal.job));
            }
            let from = self.known.get(&journal.job).copied().unwrap_or(0).min(journal.entries.len());
            let new = &journal.entries[from..];
            let of_our_chip = |entry: &&Entry| entry.kind == "identified" && entry.body["id"] == self.stage.id();
            if !new.iter().any(|entry| of_our_chip(&entry)) {
                continue;
            }
            for entry in new {
                let content = entry.body["content"].as_str().unwrap_or_default();
                match entry.kind.as_str() {
                    "captured" if content != blake3_hex(self.before) && content != shown(self.before) => {
                        findings
                            .push(format!("a capture {} is claimed, and the chip held something else", &content[..16]));
                    }
                    "applied" if content != blake3_hex(self.after) && content != shown(self.after) => {
                        findings.push(format!(
                            "`applied` {} is claimed, and the chip holds something else",
                            &content[..16]
                        ));
                    }
                    "verified" if entry.body["differing_bytes"] == 0 => {
                        let range =
                            |end: usize| entry.body["range"][end].as_u64().and_then(|at| usize::try_from(at).ok());
                        let held = range(0).zip(range(1)).and_then(|(from, to)| self.after.get(from..to));
                        if held.map(blake3_hex).as_deref() != entry.body["image"].as_str() {
                            findings.push("`verified` without a difference is claimed, and the chip differs".into());
                        }
                    }
                    "protection-settled" => {
                        let registers = self.stage.state()?.registers;
                        if registers[0] & !3 != self.stage.as_found()[0] & !3 {
                            findings.push(format!(
                                "S9: protection counts as settled, and register 1 is {:#04x}",
                                registers[0]
                            ));
                        }
                    }
                    _ => {}
                }
            }
        }
        Ok(findings)
    }

    /// Returns what is wrong with a command that ran without faults: it has to be done, or to refuse with a reason that
    /// lies in the scenario. `wanted` is what the chip has to hold when it is done.
    ///
    /// # Errors
    /// Whatever the file system says.
    pub fn without_faults(&self, wanted: Option<&[u8]>) -> io::Result<Vec<String>> {
        let mut findings = Vec::new();
        match self.end {
            End::Failed(error) if !self.may_refuse(error)? => {
                findings.push(format!(
                    "no fault is left, and {:?} fails: {error} ({:?})",
                    self.command,
                    error.causes()
                ));
            }
            End::Killed => findings.push("killed without a fault".into()),
            End::Done(_) => {
                if let Some(wanted) = wanted
                    && let Some(at) = self.after.iter().zip(wanted).position(|(is, wanted)| is != wanted)
                {
                    findings.push(format!(
                        "S2: {:?} is done, and the chip holds {:02x} at {at:#x} instead of {:02x}",
                        self.command, self.after[at], wanted[at]
                    ));
                }
                if self.command.writes() && !self.bent {
                    findings.extend(as_found(self.stage)?);
                }
            }
            _ => {}
        }
        Ok(findings)
    }

    /// Tells whether the scenario itself gives a reason for this refusal.
    fn may_refuse(&self, error: &JobError) -> io::Result<bool> {
        if !matches!(error.kind(), ErrorKind::Refused | ErrorKind::Usage) {
            return Ok(false);
        }
        // Whether some address line could be open and nothing would show.
        let same = |bit: usize| self.before.chunks(2 * bit).all(|pair| pair[..bit] == pair[bit..]);
        let twice = (0..).map(|bit| 1 << bit).take_while(|bit| *bit < self.before.len()).any(same);
        Ok(match error {
            JobError::Differs { .. } => match self.command {
                Command::Verify(image) => self.scenario.images[image] != self.after,
                _ => false,
            },
            JobError::WhichCapture { .. } => self.command == Command::RestoreOnly,
            // A content that is not there cannot be brought back.
            JobError::Vault(vault::VaultError::NotFound { asked }) => {
                self.command == Command::RestoreFirst && Store::read(&self.stage.bench())?.content(asked).is_none()
            }
            // Content that is there twice looks like half of it under a wrong size, and one source alone is not believed.
            JobError::NotAccepted { .. } | JobError::NotWritable { .. } => twice && !self.scenario.chip.size_twice,
            // A bent command that became a status write leaves protection that was not there; it is not lifted as if it had been.
            JobError::Driver { .. } => {
                let bent = self.bent && as_found(self.stage)?.is_some();
                self.command.writes() && (self.scenario.stays_protected() || bent)
            }
            _ => false,
        })
    }
}

/// S9: the registers are as they were found.
///
/// # Errors
/// Whatever the file system says.
pub fn as_found(stage: &Stage) -> io::Result<Option<String>> {
    let (found, now) = (stage.as_found(), stage.state()?.registers);
    let same = found[0] & !3 == now[0] & !3 && found[1..] == now[1..];
    Ok((!same).then(|| format!("S9: the registers were {found:02x?} and are {now:02x?}")))
}

/// Tells whether an error is a clear refusal, before which nothing may have been written.
fn is_refusal(error: &JobError) -> bool {
    match error {
        // These come after writing.
        JobError::Mismatch { .. } | JobError::Protection { .. } => false,
        JobError::Driver { doing, writing, .. } => {
            error.kind() == ErrorKind::Refused && !writing && *doing == "before the first erase"
        }
        error => matches!(error.kind(), ErrorKind::Refused | ErrorKind::Usage | ErrorKind::Damaged),
    }
}
