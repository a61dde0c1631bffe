//! What a campaign came to, as tables of at most eighty columns.
//!
//! What counts as a case of diagnosis is laid down in docs/reads.md and nowhere else decided: at least two readings of
//! the set differ in at least one bit. Cases with two faults are kept apart; one of them is right when either fault is named
//! first.

use std::collections::BTreeMap;
use std::fmt::Write;

use super::cases::{Case, Outcome};
use evidence::Fault;

/// Upper limits of the classes by differing bits; what is above the last one is a class of its own.
const SEVERITIES: [u64; 4] = [10, 100, 1_000, 10_000];

/// Cases, and those in which the right fault came first.
#[derive(Default, Clone, Copy)]
struct Score {
    cases: u32,
    right: u32,
}

/// What a campaign came to.
#[derive(Default)]
pub struct Tally {
    cases: u32,
    all: Score,
    /// Named first, by what was wrong: cases with one fault in which readings differ.
    singles: BTreeMap<(Fault, Fault), u32>,
    /// Cases with two faults, the lower one first.
    pairs: BTreeMap<(Fault, Fault), Score>,
    severities: [Score; SEVERITIES.len() + 1],
    /// Cases with a fault in which all readings are alike: right, found out, and undetectable.
    alike_right: u32,
    alike_refused: u32,
    undetectable: BTreeMap<Fault, u32>,
    /// Seeds whose wrong content was accepted although something could have shown it.
    pub wrong_accepted: Vec<u64>,
    /// Seeds in which the right fault did not come first.
    pub missed: Vec<u64>,
    details: Vec<String>,
}

impl Score {
    fn add(&mut self, right: bool) {
        self.cases += 1;
        self.right += u32::from(right);
    }

    fn percent(self) -> f64 {
        100.0 * f64::from(self.right) / f64::from(self.cases.max(1))
    }
}

impl Tally {
    /// Counts one case.
    pub fn add(&mut self, case: &Case, outcome: &Outcome) {
        self.cases += 1;
        if outcome.accepted_wrong {
            // What repeats alike in every read, with id and tables in order, no comparison can show.
            match outcome.repeats_alike {
                true => *self.undetectable.entry(case.faults[0]).or_default() += 1,
                false => self.wrong_accepted.push(case.seed),
            }
        }
        let Some(named) = outcome.named else {
            match outcome.all_right {
                true => self.alike_right += 1,
                false => self.alike_refused += u32::from(!outcome.accepted_wrong),
            }
            return;
        };
        let right = case.faults.contains(&named);
        self.all.add(right);
        let class = SEVERITIES.iter().position(|limit| outcome.differing_bits < *limit).unwrap_or(SEVERITIES.len());
        self.severities[class].add(right);
        match case.faults[..] {
            [one] => *self.singles.entry((one, named)).or_default() += 1,
            [one, other] => self.pairs.entry((one.min(other), one.max(other))).or_default().add(right),
            _ => unreachable!("a case has one fault or two"),
        }
        if !right {
            self.missed.push(case.seed);
            self.details.push(format!("{} {:?} {}", case.seed, case.faults, outcome.line(case)));
        }
    }

    /// Returns the share of cases, of those whose readings differ, in which the right fault came first.
    pub fn share(&self) -> f64 {
        self.all.percent() / 100.0
    }

    /// Returns the tables.
    pub fn tables(&self) -> String {
        let mut text = String::new();
        self.write(&mut text).expect("a string takes everything");
        text
    }

    fn write(&self, text: &mut String) -> std::fmt::Result {
        let faults = &Fault::ALL[..12];
        writeln!(text, "One fault; rows: what was wrong; columns: what was named first\n")?;
        let head: String = faults.iter().map(|one| format!("{:>5}", code(*one))).collect();
        writeln!(text, "{:14}{head}  right", "")?;
        let mut singles = Score::default();
        for was in faults {
            let count = |named: &Fault| self.singles.get(&(*was, *named)).copied().unwrap_or(0);
            let row = Score { cases: Fault::ALL.iter().map(count).sum(), right: count(was) };
            singles = Score { cases: singles.cases + row.cases, right: singles.right + row.right };
            let cells: String = faults.iter().map(count).map(cell).collect();
            writeln!(text, "{:14}{cells} {:5.1}%", was.name(), row.percent())?;
        }
        writeln!(text, "\nTwo faults; cases in which either was named first, of all\n")?;
        let head: String = faults[..11].iter().map(|one| format!("{:>6}", code(*one))).collect();
        writeln!(text, "{:14}{head}", "")?;
        let mut pairs = Score::default();
        for (number, other) in faults.iter().enumerate().skip(1) {
            let cells = faults[..number].iter().map(|one| match self.pairs.get(&(*one, *other)) {
                Some(score) => format!("{:>6}", format!("{}/{}", score.right, score.cases)),
                None => "     .".to_owned(),
            });
            writeln!(text, "{:14}{}", other.name(), cells.collect::<String>())?;
        }
        for score in self.pairs.values() {
            pairs = Score { cases: pairs.cases + score.cases, right: pairs.right + score.right };
        }
        writeln!(text, "\nBy bits that differ")?;
        for (class, score) in self.severities.iter().enumerate() {
            let name = SEVERITIES.get(class).map_or("more".to_owned(), |limit| format!("under {limit}"));
            writeln!(text, "  {name:14} {:6} cases {:6.1} % right", score.cases, score.percent())?;
        }
        writeln!(text)?;
        for (name, score) in [("one fault", singles), ("two faults", pairs), ("together", self.all)] {
            writeln!(text, "{name:11} {:6} cases differ; right first in {:.1} %", score.cases, score.percent())?;
        }
        let undetectable: u32 = self.undetectable.values().sum();
        writeln!(
            text,
            "{} cases; alike: {} right, {} wrong and refused, {undetectable} undetectable; wrong accepted: {}",
            self.cases,
            self.alike_right,
            self.alike_refused,
            self.wrong_accepted.len()
        )?;
        for (fault, count) in &self.undetectable {
            writeln!(text, "  undetectable: {count} {fault}")?;
        }
        Ok(())
    }

    /// Returns a line for each missed case.
    pub fn details(&self) -> impl Iterator<Item = &str> {
        self.details.iter().map(String::as_str)
    }
}

/// Two letters for the head of a table.
fn code(fault: Fault) -> &'static str {
    match fault {
        Fault::OpenDataOut => "OD",
        Fault::WeakDataOut => "WD",
        Fault::ClockSlip => "CS",
        Fault::SelectBounce => "SB",
        Fault::AddressError => "AE",
        Fault::SupplySag => "SS",
        Fault::LateSampling => "LS",
        Fault::ConstantShift => "SH",
        Fault::BusContention => "BC",
        Fault::SizeAlias => "SA",
        Fault::HoldFloating => "HF",
        Fault::Noise => "NO",
        Fault::None => "--",
    }
}

fn cell(count: u32) -> String {
    if count == 0 { "    .".to_owned() } else { format!("{count:5}") }
}
