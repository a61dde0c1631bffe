//! The state as people and programs look at it: each step's standing, the supplies bar.

use serde::Serialize;

use super::{Mark, Power, Reason, State};
use crate::profile::model::{Step, Supply};

/// How a step stands.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Standing {
    /// It is done.
    Done(Mark),
    /// It may be done now.
    Open,
    /// It waits for all of this.
    Waiting(Vec<Reason>),
    /// It is no part of this job.
    Skipped(&'static str),
}

impl Standing {
    /// Returns the fixed word for it that JSON carries.
    #[must_use]
    pub fn code(&self) -> &'static str {
        match self {
            Self::Done(_) => "done",
            Self::Open => "open",
            Self::Waiting(_) => "waiting",
            Self::Skipped(_) => "skipped",
        }
    }
}

/// A step with its standing.
#[derive(Debug, Clone, PartialEq)]
pub struct StepView<'p> {
    /// The step.
    pub step: &'p Step,
    /// How it stands.
    pub standing: Standing,
    /// When it was begun, where that was written down: for a power-up, since when power is there.
    pub begun: Option<Mark>,
    /// Of a step on several chips: those that are not done.
    pub chips_left: Vec<&'p str>,
}

/// A source of power with what is known of it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct SupplyView {
    /// Its id.
    pub id: String,
    /// What it is.
    pub name: String,
    /// What is known.
    pub power: Power,
}

impl<'p> State<'p> {
    /// Returns every step of the profile with its standing, in the profile's order.
    #[must_use]
    pub fn steps(&self) -> Vec<StepView<'p>> {
        (0..self.profile.steps.len()).map(|index| self.view(index)).collect()
    }

    /// Returns one step with its standing; none when there is none of this id.
    #[must_use]
    pub fn step(&self, id: &str) -> Option<StepView<'p>> {
        self.place(id).map(|index| self.view(index))
    }

    /// Returns the sources of power in the order in which they are switched off.
    #[must_use]
    pub fn supplies(&self) -> Vec<SupplyView> {
        let mut supplies: Vec<&Supply> = self.profile.supplies.iter().collect();
        supplies.sort_by_key(|supply| supply.order);
        let view = |supply: &Supply| SupplyView {
            id: supply.id.clone(),
            name: supply.name.clone(),
            power: self.power_of(&supply.id),
        };
        supplies.into_iter().map(view).collect()
    }

    fn view(&self, index: usize) -> StepView<'p> {
        let step = &self.profile.steps[index];
        let standing = match self.reasons(index).as_slice() {
            [] => Standing::Open,
            [Reason::Skipped { why }, ..] => Standing::Skipped(why),
            _ if self.is_done(index) => Standing::Done(self.done[&index].clone()),
            reasons => Standing::Waiting(reasons.to_vec()),
        };
        let left = |chip: &&str| !self.chip_done(&step.id, chip);
        StepView {
            step,
            standing,
            begun: self.begun.get(&index).cloned(),
            chips_left: self.profile.chips_of(step).into_iter().filter(left).collect(),
        }
    }
}
