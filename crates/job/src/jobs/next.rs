//! `job next`: what to do now, why, what to watch for, what can go wrong, how to know that it is done, and what to type.

use std::path::Path;
use std::time::Duration;

use intake::keys::grouped;
use serde::Serialize;
use vault::Entry;

use super::status::ReasonLine;
use super::{Work, chosen};
use crate::error::JobError;
use crate::procedure::{Patience, Reason, Standing, State, patience};
use crate::profile::{Content, ImageSource, JobKind, Step, StepKind, Takes, cautions_for};
use crate::session::{now, open_bench};
use crate::text::page;

/// What to do now.
#[derive(Debug, Clone, Serialize)]
pub struct NextReport {
    /// The job.
    pub job: String,
    /// Whether all is done and the journal sealed.
    pub closed: bool,
    /// The recommended step; none when the job is done, or nothing can be done.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub step: Option<NextStep>,
    /// Other steps that may be done now.
    pub also: Vec<String>,
    /// Where nothing can be done: what stands in the way of the first step that is left.
    pub waits_for: Vec<ReasonLine>,
    /// What to type where nothing can be done before it.
    pub commands: Vec<String>,
}

/// A step as it is shown to the person who does it.
#[derive(Debug, Clone, Serialize)]
pub struct NextStep {
    /// Its id.
    pub id: String,
    /// What it is called.
    pub title: String,
    /// Its kind.
    pub kind: &'static str,
    /// Why it is done.
    pub why: String,
    /// Whether it is a hold point.
    pub hold: bool,
    /// Chips for which no way back exists yet and that may be written here (S1).
    pub no_way_back: Vec<String>,
    /// What to watch for, the standard cautions first.
    pub cautions: Vec<String>,
    /// What to do, where the profile says it elsewhere: supplies in order, settings, the chip's place, what to measure.
    pub details: Vec<String>,
    /// What may come up, and what to make of it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub expect: Option<String>,
    /// How to know that it is done.
    pub done_when: String,
    /// Tools and materials.
    pub tools: Vec<String>,
    /// Pictures, relative to the profile's folder.
    pub pictures: Vec<String>,
    /// How long it usually takes; 0: not said.
    pub minutes: u32,
    /// Of a start that was begun: how long to wait still.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub patience: Option<Patience>,
    /// What to type, in order.
    pub commands: Vec<String>,
}

/// Says what to do now.
///
/// # Errors
/// [`super::JobsError::WhichJob`], [`JobError`].
pub fn next(bench: &Path, job: Option<&str>, redact: bool) -> Result<NextReport, JobError> {
    let vault = open_bench(bench)?;
    let work = Work::open(&vault, &chosen(&vault, job)?)?;
    Ok(next_of(&work, &work.state(), redact))
}

pub(super) fn next_of(work: &Work, state: &State<'_>, redact: bool) -> NextReport {
    let steps = state.next();
    let job = work.job.to_string();
    let first = steps.first().map(|step| next_step(work, state, step, redact));
    let mut waits_for = Vec::new();
    let mut commands = Vec::new();
    if first.is_none() && !state.is_closed() {
        let waiting = state.steps().into_iter().find_map(|view| match view.standing {
            Standing::Waiting(reasons) => Some(reasons),
            _ => None,
        });
        for reason in waiting.unwrap_or_default() {
            waits_for.push(ReasonLine::from(&reason));
            if let Reason::FusedUnknown { gate } | Reason::GateOpen { gate } = &reason {
                commands.push(format!("firmhand job sign {gate} --by NAME --job {job}"));
            }
            // Nothing makes these go away: the machine goes back as it is.
            if matches!(reason, Reason::Fused | Reason::GateNo { .. } | Reason::IntakeMissing) {
                commands = vec![format!("firmhand job handover {job} --by NAME --as-is REASON")];
            }
        }
        if state.is_complete() {
            commands.push(format!("firmhand job handover {job} --by NAME"));
        }
    }
    NextReport {
        closed: work.sealed,
        step: first,
        also: steps.iter().skip(1).map(|step| step.id.clone()).collect(),
        waits_for,
        commands,
        job,
    }
}

/// The commands that do a step, in order, as they are typed.
pub(super) fn commands(work: &Work, state: &State<'_>, step: &Step) -> Vec<String> {
    let (job, id) = (&work.job, &step.id);
    let sign = |more: &str| format!("firmhand job sign {id} --by NAME{more} --job {job}");
    let chip = |verb: &str| format!("firmhand chip {verb} --link LINK --job {job}");
    let mut commands = Vec::new();
    if step.kind.talks_to_chip() && step.hold && state.may_do(id).is_err() {
        commands.push(sign(""));
    }
    match step.kind {
        StepKind::Identify => commands.push(chip("identify")),
        StepKind::Capture => commands.push(chip("capture")),
        StepKind::Fill => commands.push(chip(&format!("fill {:02X}", step.fill.unwrap_or(0xFF)))),
        StepKind::Apply if step.content == Some(Content::AsFound) => {
            let chips = work.profile.chips_of(step);
            let found = work.header.earlier.iter().filter(|earlier| chips.contains(&earlier.chip.as_str()));
            commands.extend(found.map(|earlier| chip(&format!("restore {}", earlier.as_found.short()))));
        }
        StepKind::Apply => commands.push(chip(&format!("apply {}", image_name(work, step)))),
        StepKind::Verify => commands.push(chip(&format!("verify {}", applied_name(work, state, step)))),
        StepKind::Wire | StepKind::Unwire => commands.push(sign(" --link LINK")),
        StepKind::Measure => commands.push(sign(" --measured VALUE")),
        StepKind::PowerUp => commands.extend([sign(" --begin"), sign(""), sign(" --dark")]),
        StepKind::Compose => {
            let path = recipe(work, step).unwrap_or_else(|| "RECIPE".into());
            commands.push(format!("firmhand image compose {path} --with IMAGE --job {job}"));
        }
        StepKind::Handover => commands.push(format!("firmhand job handover {job} --by NAME")),
        StepKind::Intake => commands.extend(step.takes.as_ref().map(|takes| taking(takes, job.as_str()))),
        StepKind::Note
        | StepKind::Check
        | StepKind::BootMedia
        | StepKind::Survey
        | StepKind::SuppliesOff
        | StepKind::SuppliesOn
        | StepKind::Open
        | StepKind::Close
        | StepKind::Fit => commands.push(sign("")),
    }
    commands
}

pub(super) fn next_step(work: &Work, state: &State<'_>, step: &Step, redact: bool) -> NextStep {
    let begun = state.step(&step.id).and_then(|view| view.begun);
    let since = begun.filter(|_| step.kind == StepKind::PowerUp).map(|mark| waited(&mark.when, &now()));
    NextStep {
        id: step.id.clone(),
        title: step.title.clone(),
        kind: step.kind.as_str(),
        why: step.why.clone(),
        hold: step.hold,
        no_way_back: state.no_way_back(step).into_iter().map(str::to_owned).collect(),
        cautions: cautions_for(&work.profile, step).into_iter().map(str::to_owned).collect(),
        details: details(work, step, redact),
        expect: step.expect.clone(),
        done_when: step.done_when.clone(),
        tools: step.tools.clone(),
        pictures: step.pictures.iter().map(|path| path.display().to_string()).collect(),
        minutes: step.minutes,
        patience: since.and_then(|since| patience(step, since)),
        commands: commands(work, state, step),
    }
}

/// What else the profile and the intake say on doing this step.
fn details(work: &Work, step: &Step, redact: bool) -> Vec<String> {
    let profile = &work.profile;
    let mut details = Vec::new();
    if matches!(step.kind, StepKind::SuppliesOff | StepKind::SuppliesOn) {
        for supply in profile.supplies_of(step).into_iter().filter_map(|id| profile.supply(id)) {
            let how = if step.kind == StepKind::SuppliesOff { &supply.how_off } else { &supply.how_on };
            details.push(format!("{}: {how}", supply.name));
        }
    }
    for setting in step.settings.iter().filter_map(|id| profile.setting(id)) {
        let place = setting.place.as_deref().map(|place| format!("{place}, ")).unwrap_or_default();
        details.push(format!("{place}{}: {} ({})", setting.name, setting.value, setting.why));
    }
    if matches!(step.kind, StepKind::Wire | StepKind::Unwire) {
        for chip in profile.chips_of(step).into_iter().filter_map(|id| profile.chip(id)) {
            let covered = chip.covered.as_deref().map(|covered| format!(" {covered}")).unwrap_or_default();
            details.push(format!("{}, {}: {}{covered}", chip.id, chip.markings.join(" or "), chip.place));
        }
    }
    if let Some(measure) = &step.measure {
        let bound = |word: &str, value: Option<f64>| value.map(|value| format!(", {word} {value} {}", measure.unit));
        let (min, max) = (bound("at least", measure.min), bound("at most", measure.max));
        details.push(format!(
            "{} in {}{}{}",
            measure.what,
            measure.unit,
            min.unwrap_or_default(),
            max.unwrap_or_default()
        ));
    }
    if let Some(takes) = &step.takes {
        details.extend(takes.sha256.as_ref().map(|hash| format!("Its SHA-256 has to be {hash}")));
        let key = takes.key.as_ref().zip(takes.origin.as_ref());
        details.extend(key.map(|(key, origin)| format!("The key of {origin}: {}", grouped(key))));
    }
    if step.kind == StepKind::Compose && work.header.kind == JobKind::Rescue {
        let intake = work.intake();
        let said = |key: &str| match intake["answers"][key].as_str() {
            Some(_) if redact => super::redact::LEFT_OUT.to_owned(),
            Some(text) => text.to_owned(),
            None => "not known".to_owned(),
        };
        details.push(format!(
            "Network address {} and serial number {}, as the machine's own label says; never those of the donor.",
            said("label-mac"),
            said("label-serial")
        ));
        for chip in profile.chips_of(step) {
            if let Some(donor) = intake["answers"][format!("donor-{chip}")].as_str() {
                details.push(format!("Donor for {chip}, from the vault: {donor}"));
            }
        }
    }
    details
}

/// The command that takes a step's file in. Words of a profile are no words of a shell until they are quoted.
fn taking(takes: &Takes, job: &str) -> String {
    let signed = takes.origin.as_ref().map_or(String::new(), |origin| {
        format!(" --list LIST --signature SIGNATURE --key KEY --origin {}", quoted(origin))
    });
    format!("firmhand intake {}{signed} --job {job}", quoted(&takes.file))
}

fn quoted(word: &str) -> String {
    let plain = |letter: char| letter.is_ascii_alphanumeric() || "._-+@:,/".contains(letter);
    if !word.starts_with('-') && word.chars().all(plain) {
        word.to_owned()
    } else {
        format!("'{}'", word.replace('\'', "'\\''"))
    }
}

/// The recipe that the chosen variant has for a step's chip or span.
fn recipe(work: &Work, step: &Step) -> Option<String> {
    match work.image_of(step)? {
        ImageSource::Recipe(path) => Some(path.display().to_string()),
        ImageSource::File(_) => None,
    }
}

fn image_name(work: &Work, step: &Step) -> String {
    match work.image_of(step) {
        Some(ImageSource::File(file)) if step.content == Some(Content::Variant) => file.file.clone(),
        _ => {
            let composed = work.profile.chips_of(step).first().and_then(|chip| work.composed(chip));
            composed.map_or_else(|| "IMAGE".into(), |content| content.short())
        }
    }
}

fn applied_name(work: &Work, state: &State<'_>, step: &Step) -> String {
    let chips = work.profile.chips_of(step).into_iter();
    let left = chips.filter(|chip| !state.chip_done(&step.id, chip));
    left.filter_map(|chip| state.applied(chip)).next().map_or_else(|| "IMAGE".into(), |content| content.short())
}

/// Time from an entry to now; zero when the clock went back.
fn waited(since: &str, now: &str) -> Duration {
    let time = |text: &str| text.parse::<jiff::Timestamp>().ok();
    let (Some(since), Some(now)) = (time(since), time(now)) else { return Duration::ZERO };
    Duration::try_from(now.duration_since(since)).unwrap_or(Duration::ZERO)
}

/// Minutes between two entries; none when the clock went back between them.
pub(super) fn minutes_between(from: &Entry, to: &Entry) -> Option<f64> {
    let time = |text: &str| text.parse::<jiff::Timestamp>().ok();
    let taken = time(&to.time)?.duration_since(time(&from.time)?);
    Duration::try_from(taken).ok().map(|taken| (taken.as_secs_f64() / 6.0).round() / 10.0)
}

impl NextReport {
    /// The report for a person, wrapped at 80 columns but for the commands: those are for copying.
    #[must_use]
    pub fn text(&self) -> String {
        if self.closed {
            return format!("job {} is closed; nothing is left to do", self.job);
        }
        let Some(step) = &self.step else {
            let reasons = self.waits_for.iter().map(|reason| format!("\n  {}", reason.text)).collect::<String>();
            let what = if self.waits_for.is_empty() { "every step is done" } else { "nothing can be done now" };
            return page(&format!("job {}: {what}{reasons}", self.job)) + &typed("type:", &self.commands);
        };
        let mut text = page(&step.text());
        let start = step.kind == StepKind::PowerUp.as_str();
        text += &typed(
            if start { "type, when power comes, when it shows itself, or when it stays dark:" } else { "type:" },
            &step.commands,
        );
        if !self.also.is_empty() {
            text += &page(&format!("\nalso possible now: {}", self.also.join(", ")));
        }
        text
    }
}

impl NextStep {
    fn text(&self) -> String {
        let hold = if self.hold { " (hold point)" } else { "" };
        let mut text = format!("{}: {}{hold}\n  {}", self.id, self.title, self.why);
        if !self.no_way_back.is_empty() {
            let chips = self.no_way_back.join(", ");
            text +=
                &format!("\n  NO WAY BACK EXISTS YET for {chips}: not captured in this job, and this may write there.");
        }
        for caution in &self.cautions {
            text += &format!("\n  ! {caution}");
        }
        let advice = self.patience.as_ref().map(|patience| patience.advice.clone());
        let parts = [
            ("with:", self.tools.as_slice()),
            ("pictures:", &self.pictures),
            ("do:", &self.details),
            ("may come up:", self.expect.as_slice()),
            ("done when:", std::slice::from_ref(&self.done_when)),
            ("patience:", advice.as_slice()),
        ];
        for (name, lines) in parts.into_iter().filter(|(_, lines)| !lines.is_empty()) {
            text += &format!("\n{name}");
            for line in lines {
                text += &format!("\n  {line}");
            }
        }
        text
    }
}

/// Commands, each whole on its line.
fn typed(head: &str, commands: &[String]) -> String {
    if commands.is_empty() {
        return String::new();
    }
    format!("\n{head}") + &commands.iter().map(|command| format!("\n  {command}")).collect::<String>()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_clock_that_went_back_makes_nobody_hurry() {
        assert_eq!(waited("2026-03-01T09:00:00Z", "2026-03-01T09:02:00Z"), Duration::from_secs(120));
        assert_eq!(waited("2026-03-01T09:00:00Z", "2026-03-01T08:00:00Z"), Duration::ZERO);
        assert_eq!(waited("yesterday", "2026-03-01T08:00:00Z"), Duration::ZERO);
    }
}
