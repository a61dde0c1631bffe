//! Walks through each kind of job, step by step, and reports what a safety rule forbids at that point.
//!
//! This says that a profile can be worked through as written. Whoever runs a job checks the same rules again with what really
//! happened; a profile that passes here takes no decision away from that.
//!
//! The decision a reader would question: a walk goes on after a finding as if the step were done, so that one mistake is not
//! told once for each step behind it.

use std::collections::{BTreeMap, BTreeSet};

use super::super::document::Document;
use super::super::model::{Content, JobKind, PoweredBy, Profile, Step, StepKind};
use super::super::parse::Draft;

/// Reports what is forbidden; `order` has the indices of the steps in the order in which they are done.
pub(super) fn check(document: &Document<'_>, draft: &Draft, order: &[usize]) {
    let profile = &draft.profile;
    // Kinds of job share steps: a finding is told once.
    let mut told: BTreeSet<(usize, String)> = BTreeSet::new();
    for kind in &profile.board.jobs {
        let of_kind: Vec<usize> = order.iter().copied().filter(|at| profile.steps[*at].belongs_to(*kind)).collect();
        let mut walk = Walk::new(profile, *kind, &of_kind);
        for at in &of_kind {
            walk.take(*at);
        }
        walk.end(&of_kind);
        for Complaint { at, key, what, remedy } in walk.complaints {
            if told.insert((at, what.clone())) {
                document.error(draft.spots.steps[at], key, what, remedy);
            }
        }
    }
}

struct Complaint {
    at: usize,
    key: &'static str,
    what: String,
    remedy: String,
}

/// What is so at one point of a job.
struct Walk<'a> {
    profile: &'a Profile,
    kind: JobKind,
    /// Chips that this job wires at all; others are reached through the running machine.
    ever_wired: BTreeSet<&'a str>,
    /// Supplies that are off since the last power-up.
    off: BTreeSet<&'a str>,
    /// Wired chips, with the step that wired them.
    wired: BTreeMap<&'a str, usize>,
    /// Wired chips whose own supply is on.
    fed: BTreeSet<&'a str>,
    /// Chips with a capture that counts.
    captured: BTreeSet<&'a str>,
    /// Chips whose image is composed.
    composed: BTreeSet<&'a str>,
    /// Chips that were applied, with the step while it is not verified.
    unverified: BTreeMap<&'a str, usize>,
    /// Chips that were written at all.
    written: BTreeSet<&'a str>,
    /// Whether the machine was started at all, and since the last write.
    started: bool,
    complaints: Vec<Complaint>,
}

impl<'a> Walk<'a> {
    fn new(profile: &'a Profile, kind: JobKind, steps: &[usize]) -> Self {
        let all = steps.iter().map(|at| &profile.steps[*at]);
        let wires = all.filter(|step| step.kind == StepKind::Wire).filter_map(|step| step.chip.as_deref());
        Self {
            profile,
            kind,
            ever_wired: wires.collect(),
            off: BTreeSet::new(),
            wired: BTreeMap::new(),
            fed: BTreeSet::new(),
            captured: BTreeSet::new(),
            composed: BTreeSet::new(),
            unverified: BTreeMap::new(),
            written: BTreeSet::new(),
            started: false,
            complaints: Vec::new(),
        }
    }

    fn take(&mut self, at: usize) {
        let profile = self.profile;
        let step = &profile.steps[at];
        if step.kind.wants_supplies_off() {
            self.wants_off(at, step);
        }
        match step.kind {
            StepKind::SuppliesOff => {
                self.off.extend(profile.supplies_of(step));
                self.feed(at, step, false);
            }
            StepKind::SuppliesOn => {
                self.nothing_wired_but(at, step);
                for supply in profile.supplies_of(step) {
                    self.off.remove(supply);
                }
                self.feed(at, step, true);
            }
            StepKind::PowerUp => {
                self.nothing_wired_but(at, step);
                self.off.clear();
                self.started = true;
            }
            StepKind::Fit if !self.started => {
                let what = if self.written.is_empty() {
                    format!("step `{}` fits something before the machine was ever started", step.id)
                } else {
                    format!("step `{}` fits something before the machine was started after the write", step.id)
                };
                self.complain(at, "kind", what, "change one thing at a time: put a power-up step before it");
            }
            _ => {}
        }
        if let Some(chip) = step.chip.as_deref() {
            self.on_chip(at, step, chip);
        }
        if step.kind == StepKind::Compose {
            self.composed.extend(profile.chips_of(step));
        }
        for chip in &step.may_write {
            // What was captured before is not what is there now (S1).
            self.captured.remove(chip.as_str());
        }
    }

    /// S7.
    fn wants_off(&mut self, at: usize, step: &Step) {
        let all = self.profile.supplies.iter().map(|supply| supply.id.as_str());
        let on: Vec<String> = all.filter(|id| !self.off.contains(id)).map(|id| format!("`{id}`")).collect();
        if !on.is_empty() {
            let what = format!(
                "step `{}` is {} step, and {} not off since the last power-up in a {} job (S7)",
                step.id,
                step.kind.with_article(),
                is_or_are(&on),
                self.kind.as_str()
            );
            self.complain(at, "kind", what, "put a supplies-off step before it, after the last power-up");
        }
    }

    /// S13: with wires on, nothing comes on but the supply of the only chip that is wired.
    fn nothing_wired_but(&mut self, at: usize, step: &Step) {
        let own = step.chip.as_deref().filter(|_| step.kind == StepKind::SuppliesOn);
        let wired: Vec<&str> = self.wired.keys().copied().filter(|chip| Some(*chip) != own).collect();
        if let Some(chip) = wired.first() {
            let what = format!(
                "step `{}` is {} step while chip `{chip}` is wired in a {} job (S13)",
                step.id,
                step.kind.with_article(),
                self.kind.as_str()
            );
            self.complain(at, "kind", what, "put the chip's unwire step before it");
        }
    }

    /// The supply of a wired chip that the link does not feed (S7): on after wire, off before unwire.
    fn feed(&mut self, at: usize, step: &Step, on: bool) {
        let Some(chip) = step.chip.as_deref() else {
            if !on {
                self.fed.clear();
            }
            return;
        };
        let chip = self.own(chip);
        if !self.wired.contains_key(chip) {
            let what =
                format!("step `{}` switches the supply of chip `{chip}`, which is not wired there (S7)", step.id);
            self.complain(at, "chip", what, "put it between the chip's wire and unwire steps");
        }
        if on {
            self.fed.insert(chip);
        } else {
            self.fed.remove(chip);
        }
    }

    fn on_chip(&mut self, at: usize, step: &Step, chip: &str) {
        let chip = self.own(chip);
        let id = &step.id;
        if step.kind.talks_to_chip() {
            self.reached(at, step, chip);
        }
        match step.kind {
            StepKind::Wire => {
                let before = self.wired.insert(chip, at);
                if before.is_some() {
                    let what = format!("step `{id}` wires chip `{chip}`, which is wired already");
                    self.complain(at, "chip", what, "put the chip's unwire step before it");
                }
            }
            StepKind::Unwire => {
                if self.wired.remove(chip).is_none() {
                    let what = format!("step `{id}` unwires chip `{chip}`, which is not wired there");
                    self.complain(at, "chip", what, "put the chip's wire step before it");
                }
                self.verified_by_now(chip);
            }
            StepKind::Capture => {
                self.captured.insert(chip);
            }
            StepKind::Fill | StepKind::Apply => {
                if !self.captured.contains(chip) {
                    let what = format!(
                        "step `{id}` writes chip `{chip}` without a capture of it before in a {} job (S1)",
                        self.kind.as_str()
                    );
                    self.complain(
                        at,
                        "chip",
                        what,
                        "put a capture step of this chip before it, after anything else that may write it",
                    );
                }
                self.content(at, step, chip);
                self.written.insert(chip);
                self.started = false;
                if step.kind == StepKind::Apply {
                    self.unverified.insert(chip, at);
                }
            }
            StepKind::Verify => {
                self.unverified.remove(chip);
                if !self.written.contains(chip) {
                    let what = format!("step `{id}` verifies chip `{chip}`, which was not written before");
                    self.complain(at, "chip", what, "put it after the chip's apply step");
                }
            }
            _ => {}
        }
    }

    /// A chip can be talked to only while it is wired and fed, if it is wired at all.
    fn reached(&mut self, at: usize, step: &Step, chip: &'a str) {
        let id = &step.id;
        if !self.ever_wired.contains(chip) {
            return;
        }
        if !self.wired.contains_key(chip) {
            let what = format!("step `{id}` talks to chip `{chip}`, which is not wired there");
            self.complain(at, "chip", what, "put it between the chip's wire and unwire steps");
        } else if self.profile.chip(chip).is_some_and(|chip| chip.powered_by != PoweredBy::Link)
            && !self.fed.contains(chip)
        {
            let what = format!("step `{id}` talks to chip `{chip}`, whose own supply is not on there");
            self.complain(at, "chip", what, "put a supplies-on step with this `chip` after its wire step");
        }
    }

    fn content(&mut self, at: usize, step: &Step, chip: &str) {
        match step.content {
            Some(Content::Composed) if !self.composed.contains(chip) => {
                let what = format!(
                    "step `{}` applies a composed image, and nothing composed one for `{chip}` before",
                    step.id
                );
                self.complain(at, "content", what, "put a compose step for this chip before it");
            }
            Some(Content::AsFound) if self.kind != JobKind::Return => {
                let what =
                    format!("step `{}` brings an earlier job's capture back in a {} job", step.id, self.kind.as_str());
                self.complain(at, "content", what, "write `only_for = [\"return\"]`");
            }
            _ => {}
        }
    }

    fn verified_by_now(&mut self, chip: &str) {
        if let Some(at) = self.unverified.remove(chip) {
            let what = format!(
                "step `{}` applies to chip `{chip}`, and nothing verifies it while it is wired (S3)",
                self.profile.steps[at].id
            );
            self.complain(at, "kind", what, "put a verify step of this chip after it");
        }
    }

    fn end(&mut self, steps: &[usize]) {
        let kind = self.kind.as_str();
        for chip in self.unverified.keys().copied().collect::<Vec<_>>() {
            self.verified_by_now(chip);
        }
        for (chip, at) in std::mem::take(&mut self.wired) {
            let what = format!(
                "step `{}` wires chip `{chip}`, and nothing unwires it in a {kind} job (S13)",
                self.profile.steps[at].id
            );
            self.complain(at, "kind", what, "write the chip's unwire step");
        }
        let ends =
            [(steps.first(), StepKind::Intake, "begins", "first"), (steps.last(), StepKind::Handover, "ends", "last")];
        for (at, wanted, verb, place) in ends {
            if let Some(at) = at
                && (self.profile.steps[*at].kind != wanted || self.profile.steps[*at].takes.is_some())
            {
                let what = format!("a {kind} job {verb} with step `{}`", self.profile.steps[*at].id);
                let remedy = format!("put a step of kind {} {place}; `needs` can move a step", wanted.as_str());
                self.complain(*at, "kind", what, remedy);
            }
        }
    }

    /// The chip's id, as long-lived as the profile.
    fn own(&self, chip: &str) -> &'a str {
        self.profile.chip(chip).map(|chip| chip.id.as_str()).expect("names were checked before")
    }

    fn complain(&mut self, at: usize, key: &'static str, what: String, remedy: impl Into<String>) {
        self.complaints.push(Complaint { at, key, what, remedy: remedy.into() });
    }
}

fn is_or_are(names: &[String]) -> String {
    match names {
        [one] => format!("{one} is"),
        many => format!("{} are", many.join(", ")),
    }
}
