//! What must be durable when the first request goes out that would change a chip: S1, S2 and S9, asked at that moment.
//!
//! The chip's cells are read from their file, journals and store by the campaign's own eyes. What is asked:
//!
//! | rule | before | asked |
//! |---|---|---|
//! | S1 | any change | the chip's first content is whole in the store as an accepted capture; what the chip holds now is such a capture of the job, or what it last applied, or a half-done write of it whose beginning is one |
//! | S2 | the first erase or program | the last plan of the journal is of this command, and the wanted content is whole in the store |
//! | S9 | the first status write | the journal holds the registers as they were found, not settled yet |
//!
//! Whether the engine compared the chip with what it knows (S1 again) shows in the same place: a chip that was replaced
//! holds something that no capture has.

use std::collections::HashMap;
use std::io;
use std::path::PathBuf;

use serde_json::Value;

use crate::eyes::{Journal, Store, blake3_hex, journals};
use crate::wire::Deed;

/// What the rules need to know of a seed.
#[derive(Debug, Clone)]
pub struct Rules {
    /// The bench folder.
    pub bench: PathBuf,
    /// The file of the chip's cells.
    pub content: PathBuf,
    /// The id that the chip answers.
    pub chip_id: Vec<u8>,
    /// The id that the command has identified.
    pub identified: Vec<u8>,
    /// Its size in bytes.
    pub chip_size: u32,
    /// What it held when it was put there.
    pub first: Vec<u8>,
    /// Its registers when it was put there.
    pub as_found: [u8; 3],
    /// Whether its protection comes up set, so that what is found is not what is stored.
    pub comes_up_protected: bool,
    /// A bit that does not follow, from a time on.
    pub stuck: Option<Stuck>,
    /// Entries of each journal when the command began.
    pub known: HashMap<String, usize>,
    /// Whether a stored object is damaged just now, so that these eyes cannot count on finding it.
    pub store_is_damaged: bool,
    /// What was asked already in this command: cells, status.
    pub asked: (bool, bool),
}

/// A bit that reads the same whatever its cell holds.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Stuck {
    /// Its byte.
    pub at: u32,
    /// Its number.
    pub bit: u8,
    /// What it reads as.
    pub level: bool,
    /// From when on, in microseconds.
    pub from_us: u64,
}

impl Stuck {
    /// Lets the bit show in `content`.
    pub fn show(self, content: &mut [u8]) {
        let byte = &mut content[self.at as usize];
        *byte = if self.level { *byte | 1 << self.bit } else { *byte & !(1 << self.bit) };
    }
}

impl Rules {
    /// Returns the id of the chip that the command has identified, once it is about to change it; before that, of the
    /// chip that is there.
    #[must_use]
    pub fn id(&self) -> &[u8] {
        &self.identified
    }

    /// Returns the chip's size.
    #[must_use]
    pub fn size(&self) -> u32 {
        self.chip_size
    }

    /// Returns what the chip answers to reads at `now_us`.
    ///
    /// # Errors
    /// Whatever the file system says.
    pub fn shown(&self, now_us: u64) -> io::Result<Vec<u8>> {
        let mut content = std::fs::read(&self.content)?;
        if let Some(stuck) = self.stuck.filter(|stuck| stuck.from_us <= now_us) {
            stuck.show(&mut content);
        }
        Ok(content)
    }

    /// Returns the journal that the running command writes, by the entries that are new: the one that identified a chip
    /// last; and from which entry on it is new.
    fn of_this_command(&self) -> io::Result<Option<(Journal, usize)>> {
        let new = |journal: Journal| {
            let from = self.known.get(&journal.job).copied().unwrap_or(0);
            let identified = journal.entries.iter().skip(from).any(|entry| entry.kind == "identified");
            identified.then_some((journal, from))
        };
        Ok(journals(&self.bench)?.into_iter().filter_map(new).next_back())
    }

    /// Returns which rules a request breaks that is about to change the chip.
    pub fn before_change(&mut self, deed: &Deed, now_us: u64) -> Vec<String> {
        let status = *deed == Deed::WriteStatus;
        let asked = if status { &mut self.asked.1 } else { &mut self.asked.0 };
        if std::mem::replace(asked, true) {
            return Vec::new();
        }
        self.look(status, now_us).unwrap_or_else(|error| vec![format!("the bench folder cannot be looked at: {error}")])
    }

    fn look(&mut self, status: bool, now_us: u64) -> io::Result<Vec<String>> {
        let mut findings = Vec::new();
        let Some((journal, from)) = self.of_this_command()? else {
            return Ok(vec!["S1: a chip is written and no journal of this command identified it".into()]);
        };
        let id = journal.texts("identified", "id").next_back().unwrap_or_default().to_owned();
        if id != crate::chips::hex(&self.chip_id) {
            self.identified = crate::chips::bytes(&id);
            // Another chip is under the clip, from before the command on; its cells vanish with the command.
            return Ok(findings);
        }
        let store = Store::read(&self.bench)?;
        let now = self.shown(now_us)?;
        if !self.store_is_damaged && !store.has_capture(&blake3_hex(&self.first)) {
            findings.push("S1: the chip's first content is not in the store as an accepted capture".into());
        }
        // A bit that begins to be stuck in this very moment was still right when the chip was read.
        let cells = std::fs::read(&self.content)?;
        if let Err(why) = self.is_known(&journal, &store, &now).or_else(|_| self.is_known(&journal, &store, &cells)) {
            findings.push(format!("S1: {why}"));
        }
        let plan = journal.entries.iter().skip(from).rfind(|entry| entry.kind == "planned");
        match plan {
            None => findings.push("S2: something is written and no plan of this command is durable".into()),
            Some(plan) => {
                let wanted = plan.body["wanted"].as_str().unwrap_or_default();
                if !self.store_is_damaged && store.content(wanted).is_none() {
                    findings.push("S2: the wanted content of the plan is not in the store".into());
                }
            }
        }
        if status {
            findings.extend(self.as_found_is_durable(&journal));
        }
        Ok(findings)
    }

    /// S1: captured, applied, or half done from one of both.
    fn is_known(&self, journal: &Journal, store: &Store, now: &[u8]) -> Result<(), String> {
        let hash = blake3_hex(now);
        let captured = |id: &str| journal.texts("captured", "content").any(|captured| captured == id);
        let applied = journal.texts("applied", "content").next_back();
        if journal.texts("captured", "content").next().is_none() {
            return Err("the job has no capture".into());
        }
        if (captured(&hash) || applied == Some(&hash)) && (self.store_is_damaged || store.content(&hash).is_some()) {
            return Ok(());
        }
        let since = journal.entries.iter().rposition(|entry| entry.kind == "captured" || entry.kind == "applied");
        let plans: Vec<&Value> = journal.entries[since.map_or(0, |at| at + 1)..]
            .iter()
            .filter(|entry| entry.kind == "planned")
            .map(|entry| &entry.body)
            .collect();
        // The newest of them is the command's own.
        let Some((_, begun @ [first, ..])) = plans.split_last() else {
            return Err(format!("the chip holds {}, which the job neither captured nor applied", &hash[..16]));
        };
        if self.store_is_damaged {
            return Ok(());
        }
        let from = first["from"].as_str().unwrap_or_default();
        let from = store.content(from).ok_or("what a half-done write began from is not in the store")?;
        let touched = |at: u64| {
            let inside = |range: &Value| range[0].as_u64() <= Some(at) && Some(at) < range[1].as_u64();
            begun.iter().filter_map(|plan| plan["touched"].as_array()).flatten().any(inside)
        };
        match now.iter().zip(&from).zip(0_u64..).find(|((now, from), at)| now != from && !touched(*at)) {
            Some((_, at)) => {
                Err(format!("a half-done write is gone on with, and the chip differs at {at:#x} outside of it"))
            }
            None => Ok(()),
        }
    }

    fn as_found_is_durable(&self, journal: &Journal) -> Option<String> {
        let last = journal.entries.iter().rfind(|entry| entry.kind.starts_with("protection"));
        let found = last.filter(|entry| entry.kind == "protection").map(|entry| entry.body["as_found"][0].clone());
        let first = u64::from(self.as_found[0]);
        match found.as_ref().and_then(Value::as_u64) {
            None => Some("S9: a status write goes out and the registers as found are not durable".into()),
            // Bits 0 and 1 move by themselves.
            Some(found) if !self.comes_up_protected && found & !3 != first & !3 => {
                Some(format!("S9: {found:#04x} is kept as the register found, and it was {first:#04x}"))
            }
            Some(_) => None,
        }
    }
}
