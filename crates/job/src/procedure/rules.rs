//! The interlocks: everything that can stand against a step at a point of the journal.
//!
//! Each rule is one block below, named by its number. Rules read the state and change nothing, so that the same code
//! answers before a command begins and weighs its entry afterwards.

use super::{Answer, FUSED_GATE, LinkSeen, Power, Reason, State, closed_by_chip};
use crate::profile::model::{FusedState, GateKind, JobKind, PoweredBy, Step, StepKind};

impl<'p> State<'p> {
    /// Returns everything that stands against doing this step now; empty: it may be done.
    pub(super) fn reasons(&self, index: usize) -> Vec<Reason> {
        let step = &self.profile.steps[index];
        if let Some(why) = self.skipped(index) {
            return vec![Reason::Skipped { why }];
        }
        if self.is_done(index) {
            let mark = &self.done[&index];
            return vec![Reason::AlreadyDone { by: mark.by.clone(), when: mark.when.clone() }];
        }
        if self.closed {
            return vec![Reason::JobClosed];
        }
        if self.intake.is_none() {
            // Only `job start` takes a machine in, and its entry closes the step.
            return vec![Reason::IntakeMissing];
        }
        let mut reasons = Vec::new();
        self.gate_reasons(step, &mut reasons);
        let needs = step.needs.iter().filter(|id| self.place(id).is_some_and(|need| !self.is_settled(need)));
        reasons.extend(needs.map(|id| Reason::Needs { step: id.clone() }));
        self.power_reasons(index, step, &mut reasons);
        self.contact_reasons(index, step, &mut reasons);
        if matches!(step.kind, StepKind::Fill | StepKind::Apply) {
            let chips = self.profile.chips_of(step).into_iter();
            let bare = chips.filter(|chip| !self.fresh.contains(*chip) && !self.waived.contains(*chip));
            reasons.extend(bare.map(|chip| Reason::NoCapture { chip: chip.to_owned() }));
        }
        if step.kind == StepKind::PowerUp {
            let missing = step.supplies.iter().filter(|id| !self.given.contains(*id));
            let supplies: Vec<String> = missing.cloned().collect();
            if !supplies.is_empty() {
                reasons.push(Reason::SuppliesNotGiven { supplies });
            }
        }
        if may_write_alone(step) && !self.begun.contains_key(&index) {
            let no_way_back = self.no_way_back(step).into_iter().map(str::to_owned).collect();
            reasons.push(Reason::NotBegun { no_way_back });
        }
        if step.kind == StepKind::Fit && !self.started {
            reasons.push(Reason::FirstStart);
        }
        if step.kind == StepKind::Handover {
            let steps = self.left(|other| other.kind != StepKind::Handover);
            if !steps.is_empty() {
                reasons.push(Reason::StepsLeft { steps });
            }
        }
        if step.hold && closed_by_chip(step.kind) && !self.held.contains_key(&index) {
            reasons.push(Reason::HoldNotSigned);
        }
        reasons
    }

    /// S16 and the questions on this machine.
    fn gate_reasons(&self, step: &Step, reasons: &mut Vec<Reason>) {
        // Nothing goes on, but a contact that is on may come off: to leave it there helps nobody.
        let undoes_contact =
            matches!(step.kind, StepKind::SuppliesOff | StepKind::Unwire) && !self.open_wires().is_empty();
        if self.fused_stop() && !undoes_contact {
            reasons.push(Reason::Fused);
        }
        for gate in &self.profile.gates {
            if matches!(gate.kind, GateKind::Fit { .. }) {
                match self.answer(&gate.id) {
                    Some("yes") => {}
                    Some("no") => reasons.push(Reason::GateNo { gate: gate.id.clone() }),
                    _ => reasons.push(Reason::GateOpen { gate: gate.id.clone() }),
                }
            }
        }
        if writes(step)
            && let Some(gate) = self.fused_hold()
        {
            reasons.push(Reason::FusedUnknown { gate: gate.to_owned() });
        }
    }

    /// S7: open, wire, unwire and fit with every source off. S13: no power while a contact is on, but for the source that
    /// feeds the chip there.
    fn power_reasons(&self, index: usize, step: &Step, reasons: &mut Vec<Reason>) {
        if step.kind.wants_supplies_off() {
            let supplies = self.not_off(|_| true);
            if !supplies.is_empty() {
                reasons.push(Reason::SuppliesNotOff { supplies });
            }
        }
        let feeds = step.kind == StepKind::SuppliesOn && step.chip.is_some();
        match step.kind {
            StepKind::PowerUp | StepKind::SuppliesOn => {
                let in_the_way = self.open_wires().into_iter().filter(|wire| !(feeds && self.bears_feed(*wire, step)));
                reasons.extend(in_the_way.map(|wire| Reason::WireOpen { step: self.profile.steps[wire].id.clone() }));
            }
            StepKind::Close => {
                let wires = self.open_wires().into_iter();
                reasons.extend(wires.map(|wire| Reason::WireOpen { step: self.profile.steps[wire].id.clone() }));
            }
            _ => {}
        }
        if feeds {
            let chips = self.profile.chips_of(step).into_iter().filter(|chip| self.contact(chip).is_none());
            reasons.extend(chips.map(|chip| Reason::NotWired { chip: chip.to_owned() }));
        }
        if step.kind == StepKind::Unwire
            && let Some(wire) = self.wire_of(index)
            && !self.is_done(wire)
        {
            reasons.push(Reason::Needs { step: self.profile.steps[wire].id.clone() });
        }
    }

    /// S13: contacts only without the programmer's power. S4: chips only with exactly one source of power.
    fn contact_reasons(&self, index: usize, step: &Step, reasons: &mut Vec<Reason>) {
        if matches!(step.kind, StepKind::Wire | StepKind::Unwire)
            && !matches!(self.link, LinkSeen::Gone | LinkSeen::Held)
        {
            reasons.push(Reason::LinkNotGone);
        }
        if !step.kind.talks_to_chip() {
            return;
        }
        for chip in self.profile.chips_of(step) {
            if self.parts.get(&index).is_some_and(|parts| parts.contains(chip)) {
                continue;
            }
            let Some(wire) = self.last_wire_before(index, chip) else { continue };
            if self.contact(chip).is_none() {
                reasons.push(Reason::NotWired { chip: chip.to_owned() });
                continue;
            }
            let link_feeds = self.profile.chip(chip).is_none_or(|spec| spec.powered_by == PoweredBy::Link);
            let feed = if link_feeds { None } else { self.feed_of(wire, chip) };
            let fed_by = feed.map(|feed| self.profile.supplies_of(&self.profile.steps[feed])).unwrap_or_default();
            if let Some(feed) = feed
                && fed_by.iter().any(|id| self.power_of(id) != Power::On)
            {
                let step = self.profile.steps[feed].id.clone();
                reasons.push(Reason::NotFed { chip: chip.to_owned(), step });
            }
            let supplies = self.not_off(|id| !fed_by.contains(&id));
            if !supplies.is_empty() {
                reasons.push(Reason::SecondSupply { chip: chip.to_owned(), supplies });
            }
        }
    }

    /// Why a step is no part of this job; none when it is.
    pub(super) fn skipped(&self, index: usize) -> Option<&'static str> {
        let step = &self.profile.steps[index];
        if !step.belongs_to(self.kind) {
            return Some("it belongs to another kind of job");
        }
        if self.kind == JobKind::Rescue && !step.only_for.contains(&JobKind::Rescue) && self.wants_running(step) {
            return Some("a machine that arrived dead cannot do it");
        }
        None
    }

    /// Whether a step needs the machine to run as it was found: its survey, its setup, a vendor update and the stick for it.
    fn wants_running(&self, step: &Step) -> bool {
        let asks_machine =
            |step: &Step| step.kind == StepKind::Survey || !step.settings.is_empty() || !step.may_write.is_empty();
        if step.kind != StepKind::BootMedia {
            return asks_machine(step);
        }
        let mut users = self.profile.steps.iter().filter(|user| user.needs.contains(&step.id)).peekable();
        users.peek().is_some() && users.all(asks_machine)
    }

    /// Done, or no part of this job.
    pub(super) fn is_settled(&self, index: usize) -> bool {
        self.skipped(index).is_some() || self.is_done(index)
    }

    pub(super) fn is_done(&self, index: usize) -> bool {
        self.done.contains_key(&index) && !self.is_cancelled(index)
    }

    /// Whether what was signed no longer holds, and something still leans on it: a start, when a chip was written after it and
    /// something is to be fitted; S7: a supplies-off step, when power came after it.
    fn is_cancelled(&self, index: usize) -> bool {
        let steps = &self.profile.steps;
        let is_live = |other: &usize| self.skipped(*other).is_none();
        if steps[index].kind == StepKind::PowerUp && !self.started {
            let later = (index + 1..steps.len()).filter(is_live);
            let mut later = later.filter(|other| matches!(steps[*other].kind, StepKind::PowerUp | StepKind::Fit));
            return later
                .next()
                .is_some_and(|next| steps[next].kind == StepKind::Fit && !self.done.contains_key(&next));
        }
        if steps[index].kind != StepKind::SuppliesOff {
            return false;
        }
        let covers = |other: usize, id: &str| {
            steps[other].kind == StepKind::SuppliesOff && self.profile.supplies_of(&steps[other]).contains(&id)
        };
        self.profile.supplies_of(&steps[index]).into_iter().filter(|id| self.power_of(id) != Power::Off).any(|id| {
            let leaning = (index + 1..steps.len())
                .filter(|other| steps[*other].kind.wants_supplies_off() && !self.done.contains_key(other))
                .filter(is_live);
            leaning.into_iter().any(|other| !(index + 1..other).filter(is_live).any(|between| covers(between, id)))
        })
    }

    /// Returns the ids of the steps that are not done, of those that `counts` picks.
    pub(super) fn left(&self, counts: impl Fn(&Step) -> bool) -> Vec<String> {
        let steps = self.profile.steps.iter().enumerate();
        let left = steps.filter(|(index, step)| counts(step) && !self.is_settled(*index));
        left.map(|(_, step)| step.id.clone()).collect()
    }

    pub(super) fn place(&self, id: &str) -> Option<usize> {
        self.profile.steps.iter().position(|step| step.id == id)
    }

    pub(super) fn power_of(&self, id: &str) -> Power {
        self.power.get(id).copied().unwrap_or(Power::Unknown)
    }

    fn not_off(&self, counts: impl Fn(&str) -> bool) -> Vec<String> {
        let supplies = self.profile.supplies.iter().map(|supply| &supply.id);
        supplies.filter(|id| counts(id) && self.power_of(id) != Power::Off).cloned().collect()
    }

    /// Wire steps that are begun or done and whose unwire step is not done.
    pub(super) fn open_wires(&self) -> Vec<usize> {
        let steps = 0..self.profile.steps.len();
        steps
            .filter(|index| self.profile.steps[*index].kind == StepKind::Wire)
            .filter(|index| self.done.contains_key(index) || self.begun.contains_key(index))
            .filter(|index| self.unwire_of(*index).is_none_or(|unwire| !self.done.contains_key(&unwire)))
            .collect()
    }

    /// The wire step by which a chip is in contact now.
    fn contact(&self, chip: &str) -> Option<usize> {
        let wires = self.open_wires().into_iter();
        wires.rev().find(|index| self.done.contains_key(index) && self.works_on(*index, chip))
    }

    fn works_on(&self, index: usize, chip: &str) -> bool {
        self.profile.chips_of(&self.profile.steps[index]).contains(&chip)
    }

    /// The unwire step that ends a wire step: the next one on a chip of it.
    fn unwire_of(&self, wire: usize) -> Option<usize> {
        let chips = self.profile.chips_of(&self.profile.steps[wire]);
        (wire + 1..self.profile.steps.len()).find(|index| {
            self.profile.steps[*index].kind == StepKind::Unwire
                && self.skipped(*index).is_none()
                && chips.iter().any(|chip| self.works_on(*index, chip))
        })
    }

    /// The wire step that an unwire step ends.
    fn wire_of(&self, unwire: usize) -> Option<usize> {
        (0..unwire).rev().find(|index| {
            self.profile.steps[*index].kind == StepKind::Wire
                && self.skipped(*index).is_none()
                && self.unwire_of(*index) == Some(unwire)
        })
    }

    fn last_wire_before(&self, index: usize, chip: &str) -> Option<usize> {
        (0..index).rev().find(|wire| {
            self.profile.steps[*wire].kind == StepKind::Wire
                && self.skipped(*wire).is_none()
                && self.works_on(*wire, chip)
        })
    }

    /// The supplies-on step that feeds a chip between its wire step and its unwire step.
    fn feed_of(&self, wire: usize, chip: &str) -> Option<usize> {
        let end = self.unwire_of(wire).unwrap_or(self.profile.steps.len());
        (wire + 1..end).find(|index| {
            self.profile.steps[*index].kind == StepKind::SuppliesOn
                && self.profile.steps[*index].chip.as_deref() == Some(chip)
                && self.skipped(*index).is_none()
        })
    }

    /// Whether the chips of an open contact are of those that the board or a bench supply feeds, as this step's chip is.
    fn bears_feed(&self, wire: usize, feed: &Step) -> bool {
        let source = |chip: &str| self.profile.chip(chip).map(|spec| spec.powered_by);
        let wanted = feed.chip.as_deref().and_then(source);
        let chips = self.profile.chips_of(&self.profile.steps[wire]);
        wanted != Some(PoweredBy::Link) && wanted.is_some() && chips.into_iter().all(|chip| source(chip) == wanted)
    }

    /// The first chip step of this kind that may be done now and where this chip is still to do.
    pub(super) fn open_chip_step(&self, kind: StepKind, chip: &str) -> Option<usize> {
        (0..self.profile.steps.len()).find(|index| {
            self.profile.steps[*index].kind == kind
                && self.works_on(*index, chip)
                && !self.parts.get(index).is_some_and(|parts| parts.contains(chip))
                && self.reasons(*index).is_empty()
        })
    }

    fn answer(&self, gate: &str) -> Option<&str> {
        self.gates.get(gate).map(|Answer { answer }| answer.as_str())
    }

    fn fused_gates(&self) -> impl Iterator<Item = (&'p str, FusedState)> {
        self.profile.gates.iter().filter_map(|gate| match gate.kind {
            GateKind::Fused { says } => Some((gate.id.as_str(), says)),
            GateKind::Fit { .. } => None,
        })
    }

    /// Whether a gate of this id asks for S16.
    pub(crate) fn is_fused_gate(&self, id: &str) -> bool {
        id == FUSED_GATE || self.fused_gates().any(|(gate, _)| gate == id)
    }

    pub(super) fn fused_stop(&self) -> bool {
        self.fused_gates().any(|(_, says)| says == FusedState::Fused)
            || self.gates.iter().any(|(id, answer)| self.is_fused_gate(id) && answer.answer == "fused")
    }

    pub(super) fn fused_hold(&self) -> Option<&'p str> {
        let settled = |gate: &str| self.answer(gate).is_some();
        if self.fused_stop() || settled(FUSED_GATE) {
            return None;
        }
        let mut gates = self.fused_gates().peekable();
        if gates.peek().is_none() {
            return Some(FUSED_GATE);
        }
        gates.find(|(gate, says)| *says == FusedState::Unknown && !settled(gate)).map(|(gate, _)| gate)
    }
}

/// Whether a start may write chips without firmhand (S1): a hold point, whose beginning is signed before power comes.
pub(super) fn may_write_alone(step: &Step) -> bool {
    step.kind == StepKind::PowerUp && !step.may_write.is_empty()
}

/// Whether a step changes what a chip holds, by firmhand or by something else.
fn writes(step: &Step) -> bool {
    matches!(step.kind, StepKind::Fill | StepKind::Apply) || !step.may_write.is_empty()
}
