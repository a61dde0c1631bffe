//! What a seed ends with, and the sums over many.

use std::collections::BTreeMap;
use std::fmt;

use crate::faults::{KINDS, Kind};

/// What one seed ended with.
#[derive(Debug, Clone, Default)]
pub struct Outcome {
    /// The seed.
    pub seed: u64,
    /// What was found to be wrong; empty when all is well.
    pub findings: Vec<String>,
    /// What happened, line by line; the same in two runs of a seed.
    pub trace: String,
    /// Faults that came, by kind.
    pub fired: BTreeMap<Kind, u64>,
    /// How commands ended, by name.
    pub ends: BTreeMap<&'static str, u64>,
    /// Refusals without a fault, by their text.
    pub refusals: BTreeMap<String, u64>,
}

impl Outcome {
    /// Returns the story of a seed that failed, with the command that repeats it.
    #[must_use]
    pub fn story(&self) -> String {
        let findings: String = self.findings.iter().map(|finding| format!("FAIL  {finding}\n")).collect();
        format!(
            "seed {}\n{}{findings}again: cargo run --release -p campaign -- --seed {}\n",
            self.seed, self.trace, self.seed
        )
    }
}

/// The sums over many seeds.
#[derive(Debug, Clone, Default)]
pub struct Tally {
    /// Seeds.
    pub seeds: u64,
    /// Seeds with findings.
    pub failed: Vec<u64>,
    /// Faults that came, by kind.
    pub fired: BTreeMap<Kind, u64>,
    /// How commands ended, by name.
    pub ends: BTreeMap<&'static str, u64>,
    /// Refusals without a fault, by their text.
    pub refusals: BTreeMap<String, u64>,
}

impl Tally {
    /// Takes a seed in.
    pub fn take(&mut self, outcome: &Outcome) {
        self.seeds += 1;
        if !outcome.findings.is_empty() {
            self.failed.push(outcome.seed);
        }
        add(&mut self.fired, &outcome.fired);
        add(&mut self.ends, &outcome.ends);
        add(&mut self.refusals, &outcome.refusals);
    }

    /// Takes the sums of another in.
    pub fn join(&mut self, other: &Self) {
        self.seeds += other.seeds;
        self.failed.extend(&other.failed);
        add(&mut self.fired, &other.fired);
        add(&mut self.ends, &other.ends);
        add(&mut self.refusals, &other.refusals);
    }
}

fn add<K: Ord + Clone>(sums: &mut BTreeMap<K, u64>, more: &BTreeMap<K, u64>) {
    for (key, count) in more {
        *sums.entry(key.clone()).or_default() += count;
    }
}

impl fmt::Display for Tally {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        writeln!(f, "{} seeds, {} with findings", self.seeds, self.failed.len())?;
        writeln!(f, "\nfaults that came:")?;
        for (_, kind) in KINDS {
            writeln!(f, "{:>9}  {}", self.fired.get(&kind).copied().unwrap_or(0), kind.name())?;
        }
        writeln!(f, "{:>9}  in all", self.fired.values().sum::<u64>())?;
        writeln!(f, "\ncommands ended:")?;
        for (name, count) in &self.ends {
            writeln!(f, "{count:>9}  {name}")?;
        }
        writeln!(f, "\nrefused without a fault, each with a reason of the scenario:")?;
        for (text, count) in &self.refusals {
            writeln!(f, "{count:>9}  {text}")?;
        }
        if !self.failed.is_empty() {
            writeln!(f, "\nseeds with findings: {:?}", self.failed)?;
        }
        Ok(())
    }
}
