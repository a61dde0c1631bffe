//! One more entry: what it does to the state, or the note that it leaves.

use vault::{Digest, Entry};

use super::event::{ChipAct, Event};
use super::{Answer, LinkSeen, Mark, Note, Power, Reason, State, closed_by_chip};
use crate::profile::model::{Content, Measure, Step, StepKind};

/// Who did what a command did by itself.
const FIRMHAND: &str = "firmhand";

impl State<'_> {
    pub(super) fn take(&mut self, entry: &Entry) {
        self.look_at_clock(entry);
        let mark = |by: &str| Mark { seq: entry.seq, when: entry.time.clone(), by: by.to_owned() };
        match Event::of(entry) {
            Event::Intake { by: "" } => self.note(entry, "an intake by nobody does not count".into()),
            Event::Intake { .. } if self.intake.is_some() => {
                self.note(entry, "the machine was taken in before; the second intake does not count".into());
            }
            Event::Intake { by } => {
                self.intake = Some(mark(by));
                if let Some(step) = self.intake_step() {
                    self.done.insert(step, mark(by));
                }
            }
            Event::Begun { step, by } => self.take_begun(entry, step, mark(by)),
            Event::Closed { step, by, signed, measured } => {
                self.take_closed(entry, step, mark(by), signed, measured);
            }
            Event::LinkGone => self.link = LinkSeen::Gone,
            Event::LinkBack => self.link = LinkSeen::Back,
            Event::LinkHeld { by: "" } => self.note(entry, "a hold signed by nobody does not count".into()),
            Event::LinkHeld { .. } => self.link = LinkSeen::Held,
            Event::PowerUp { step, seen, by } => self.take_power_up(entry, step, seen, &mark(by)),
            Event::Gate { id, answer, by } => self.take_gate(entry, id, answer, by),
            Event::Chip { act, chip, step, content, equal, fill } => {
                let report = Report { act, content, equal, fill };
                self.take_chip(entry, chip, step, &report, &mark(FIRMHAND));
            }
            Event::Sealed => self.closed = true,
            Event::Other => {}
        }
    }

    /// The order of entries counts. A clock that went back is only told.
    fn look_at_clock(&mut self, entry: &Entry) {
        if let Some((seq, before)) = &self.last
            && earlier(&entry.time, before)
        {
            let text = format!(
                "the computer's clock went back: {} after {before} of entry {seq}; the order of entries counts, not their times",
                entry.time
            );
            self.note(entry, text);
        }
        self.last = Some((entry.seq, entry.time.clone()));
    }

    fn take_begun(&mut self, entry: &Entry, id: &str, mark: Mark) {
        let Some(index) = self.known_step(entry, id) else { return };
        self.foreign_write(index);
        let mut reasons = self.reasons(index);
        // Whoever begins to wire is about to unplug the programmer.
        reasons.retain(|reason| *reason != Reason::LinkNotGone);
        self.power_effect(index);
        if reasons.is_empty() {
            self.begun.insert(index, mark);
        } else {
            self.note(entry, format!("`{id}` was begun and does not count: {}", list(&reasons)));
        }
    }

    fn take_closed(&mut self, entry: &Entry, id: &str, mark: Mark, signed: bool, measured: Option<f64>) {
        let Some(index) = self.known_step(entry, id) else { return };
        let step = &self.profile.steps[index];
        let refused = self.why_not_closed(index, &mark, signed, measured);
        self.foreign_write(index);
        if matches!(step.kind, StepKind::SuppliesOn | StepKind::PowerUp) {
            self.power_effect(index);
        }
        if let Some(why) = refused {
            self.note(entry, format!("the entry for `{id}` does not count: {why}"));
            return;
        }
        if closed_by_chip(step.kind) {
            self.held.insert(index, mark);
            return;
        }
        if step.kind == StepKind::PowerUp {
            self.started = true;
        }
        if step.kind == StepKind::SuppliesOff {
            self.set_power(index, Power::Off);
        }
        self.done.insert(index, mark);
    }

    /// Why a signature or a program's word does not close this step, or free its hold point; none when it does.
    fn why_not_closed(&self, index: usize, mark: &Mark, signed: bool, measured: Option<f64>) -> Option<String> {
        let step = &self.profile.steps[index];
        if mark.by.is_empty() {
            return Some("it is signed by nobody".into());
        }
        let allowed = if signed { self.may_sign(&step.id) } else { self.may_do(&step.id) };
        if let Err(blocked) = allowed {
            return Some(list(&blocked.reasons));
        }
        if closed_by_chip(step.kind) {
            return (!(signed && step.hold)).then(|| "only what a chip command writes down closes it".into());
        }
        if step.takes.is_some() && signed {
            return Some("only a file that was taken in closes it".into());
        }
        if (step.hold || matches!(step.kind, StepKind::Wire | StepKind::Unwire)) && !signed {
            return Some("it is a hold point, and only a signature closes it".into());
        }
        step.measure.as_ref().and_then(|measure| measure_refuses(measure, measured))
    }

    fn take_power_up(&mut self, entry: &Entry, id: Option<&str>, seen: bool, mark: &Mark) {
        let Some(id) = id else {
            self.all_on();
            // A start is a start: whoever wrote a chip again after the first one has to see one more.
            self.started |= seen && !mark.by.is_empty();
            self.note(entry, "power came outside of a step: every supply counts as on".into());
            return;
        };
        let Some(index) = self.known_step(entry, id) else {
            self.all_on();
            return;
        };
        let reasons = self.reasons(index);
        let is_power_up = self.profile.steps[index].kind == StepKind::PowerUp;
        self.foreign_write(index);
        self.power_effect(index);
        if !is_power_up {
            self.all_on();
            self.note(entry, format!("`{id}` is no power-up; every supply counts as on"));
        } else if !reasons.is_empty() {
            self.note(entry, format!("the power-up `{id}` does not count: {}", list(&reasons)));
        } else if !seen {
            // A start that shows nothing leaves the step open; when it began says how long it has been dark.
            self.begun.entry(index).or_insert_with(|| mark.clone());
        } else if mark.by.is_empty() {
            self.note(entry, format!("the power-up `{id}` was seen by nobody and does not count"));
        } else {
            self.started = true;
            self.done.insert(index, mark.clone());
        }
    }

    fn take_gate(&mut self, entry: &Entry, id: &str, answer: &str, by: &str) {
        let fused = self.is_fused_gate(id);
        let known = fused || self.profile.gates.iter().any(|gate| gate.id == id);
        let fits = if fused { ["open", "fused", "signed"].contains(&answer) } else { ["yes", "no"].contains(&answer) };
        if !known || !fits || by.is_empty() {
            self.note(entry, format!("the answer `{answer}` to the gate `{id}` by `{by}` does not count"));
        } else if fused && self.fused_stop() && answer != "fused" {
            self.note(entry, "fused hardware stays fused; this answer does not count".into());
        } else {
            self.gates.insert(id.to_owned(), Answer { answer: answer.to_owned() });
        }
    }

    fn take_chip(&mut self, entry: &Entry, chip: Option<&str>, step: Option<&str>, report: &Report, mark: &Mark) {
        // A chip that answers shows that its link is back.
        self.link = LinkSeen::Back;
        let named = match step {
            None => None,
            Some(id) => match self.known_step(entry, id) {
                Some(index) => Some(index),
                None => return,
            },
        };
        let of_step = named.map(|index| self.profile.chips_of(&self.profile.steps[index]));
        let only = |chips: &Vec<&str>| if let [only] = chips.as_slice() { Some((*only).to_owned()) } else { None };
        let Some(chip) = chip.map(str::to_owned).or_else(|| of_step.as_ref().and_then(only)) else {
            self.note(entry, format!("`{}` names no chip of the profile and does not count", entry.kind));
            return;
        };
        if self.profile.chip(&chip).is_none() {
            self.note(entry, format!("the profile has no chip `{chip}`"));
            return;
        }
        let unnamed = |state: &Self| report.kind().and_then(|kind| state.open_chip_step(kind, &chip));
        let closes = match named {
            // Every chip command identifies first, whichever step it is there for.
            Some(index)
                if report.act == ChipAct::Identified && self.profile.steps[index].kind != StepKind::Identify =>
            {
                unnamed(self)
            }
            Some(index) => self.named_step_takes(entry, index, &chip, report),
            None => unnamed(self),
        };
        self.chip_effect(&chip, report);
        let Some(index) = closes else { return };
        if let Some(why) = self.why_content_refused(index, &chip, report) {
            self.note(entry, format!("`{}` does not close `{}`: {why}", entry.kind, self.profile.steps[index].id));
            return;
        }
        let parts = self.parts.entry(index).or_default();
        parts.insert(chip);
        if self.profile.chips_of(&self.profile.steps[index]).iter().all(|chip| parts.contains(*chip)) {
            self.parts.remove(&index);
            self.done.insert(index, mark.clone());
        }
    }

    /// The step that an entry names, if the entry closes it or a part of it.
    fn named_step_takes(&mut self, entry: &Entry, index: usize, chip: &str, report: &Report) -> Option<usize> {
        let step = &self.profile.steps[index];
        let fits = match report.act {
            ChipAct::Applied => matches!(step.kind, StepKind::Apply | StepKind::Fill),
            _ => report.kind() == Some(step.kind),
        };
        if !fits {
            // A capture inside an apply step, or a plan: true of the chip, and no step's end.
            return None;
        }
        if !self.profile.chips_of(step).contains(&chip) {
            self.note(entry, format!("`{}` is no step on {chip}; the entry does not close it", step.id));
            return None;
        }
        let reasons = self.reasons(index);
        if reasons.is_empty() {
            return Some(index);
        }
        // Every chip command identifies and may capture again; that is no second try at the step.
        if !matches!(reasons.as_slice(), [Reason::AlreadyDone { .. }]) {
            let text = format!("`{}` does not close `{}`: {}", entry.kind, step.id, list(&reasons));
            self.note(entry, text);
        }
        None
    }

    fn chip_effect(&mut self, chip: &str, report: &Report) {
        match (report.act, report.content) {
            (ChipAct::Captured, Some(content)) => {
                self.captures.entry(chip.to_owned()).or_default().push(content);
                self.fresh.insert(chip.to_owned());
            }
            (ChipAct::NotCaptured, _) => {
                self.waived.insert(chip.to_owned());
            }
            (ChipAct::Planned, _) => self.started = false,
            (ChipAct::Applied, Some(content)) => {
                self.applied.insert(chip.to_owned(), content);
                self.started = false;
            }
            _ => {}
        }
    }

    fn why_content_refused(&self, index: usize, chip: &str, report: &Report) -> Option<String> {
        let step = &self.profile.steps[index];
        match report.act {
            ChipAct::Captured | ChipAct::Applied if report.content.is_none() => Some("it names no content".into()),
            ChipAct::Verified if !report.equal => Some("the chip does not hold what was compared with it".into()),
            ChipAct::Applied if step.kind == StepKind::Fill => match report.fill {
                Some(byte) if step.fill.is_some_and(|wanted| wanted != byte) => {
                    Some(format!("it filled with {byte:02X}"))
                }
                _ => None,
            },
            ChipAct::Applied if step.content == Some(Content::AsFound) => {
                let wanted = self.earlier.iter().find(|earlier| earlier.chip == chip)?;
                (report.content != Some(wanted.as_found))
                    .then(|| format!("{chip} was found with {} in the earlier job", wanted.as_found.short()))
            }
            _ => None,
        }
    }

    /// What a step that gives power does to the supplies, whether it was allowed or not.
    fn power_effect(&mut self, index: usize) {
        match self.profile.steps[index].kind {
            StepKind::SuppliesOn => self.set_power(index, Power::On),
            StepKind::PowerUp => self.all_on(),
            _ => {}
        }
    }

    /// A step in which something other than firmhand may write: what was captured before may be there no more (S1).
    fn foreign_write(&mut self, index: usize) {
        for chip in &self.profile.steps[index].may_write {
            self.fresh.remove(chip);
        }
    }

    fn set_power(&mut self, index: usize, power: Power) {
        for id in self.profile.supplies_of(&self.profile.steps[index]) {
            self.power.insert(id.to_owned(), power);
        }
    }

    /// A machine that runs is fed by something, and nobody knows by what alone.
    fn all_on(&mut self) {
        for power in self.power.values_mut() {
            *power = Power::On;
        }
    }

    fn intake_step(&self) -> Option<usize> {
        let steps = self.profile.steps.iter();
        steps
            .enumerate()
            .find(|(index, step)| is_intake(step) && self.skipped(*index).is_none())
            .map(|(index, _)| index)
    }

    fn known_step(&mut self, entry: &Entry, id: &str) -> Option<usize> {
        let found = self.place(id);
        if found.is_none() {
            self.note(entry, format!("the profile has no step `{id}`; the entry does not count"));
        }
        found
    }

    fn note(&mut self, entry: &Entry, text: String) {
        self.notes.push(Note { seq: entry.seq, text });
    }
}

/// What a chip command wrote down of what it did.
struct Report {
    act: ChipAct,
    content: Option<Digest>,
    equal: bool,
    fill: Option<u8>,
}

impl Report {
    /// The kind of step that it ends where it names none.
    fn kind(&self) -> Option<StepKind> {
        match self.act {
            ChipAct::Identified => Some(StepKind::Identify),
            ChipAct::Captured => Some(StepKind::Capture),
            ChipAct::Applied if self.fill.is_some() => Some(StepKind::Fill),
            ChipAct::Applied => Some(StepKind::Apply),
            ChipAct::Verified => Some(StepKind::Verify),
            ChipAct::NotCaptured | ChipAct::Planned => None,
        }
    }
}

fn is_intake(step: &Step) -> bool {
    step.kind == StepKind::Intake && step.takes.is_none()
}

fn list(reasons: &[Reason]) -> String {
    reasons.iter().map(ToString::to_string).collect::<Vec<_>>().join("; ")
}

/// Why a measured value does not close its step.
pub(crate) fn measure_refuses(measure: &Measure, value: Option<f64>) -> Option<String> {
    let Some(value) = value.filter(|value| value.is_finite()) else {
        return Some(format!("the value is missing: {} in {}", measure.what, measure.unit));
    };
    let low = measure.min.is_some_and(|min| value < min);
    let high = measure.max.is_some_and(|max| value > max);
    let bound = |value: Option<f64>| value.map_or_else(|| "any".to_owned(), |value| value.to_string());
    (low || high).then(|| {
        let (min, max, unit) = (bound(measure.min), bound(measure.max), &measure.unit);
        format!("{value} {unit} is not good: {} has to be from {min} to {max} {unit}", measure.what)
    })
}

/// Whether one time is before another; what is no time is never before.
fn earlier(time: &str, before: &str) -> bool {
    match (time.parse::<jiff::Timestamp>(), before.parse::<jiff::Timestamp>()) {
        (Ok(time), Ok(before)) => time < before,
        _ => false,
    }
}
