//! `job record --write-up`: the story of one job for teaching, without whose machine it was.
//!
//! It is built of what a profile says, which holds nobody's secrets (S15), and of counts, times and fixed words out of the journal.
//! Nothing that a person typed is taken over: no name, note, label, reason or file name; nor a hash or unique id, because a content with
//! one unknown address in it can be guessed from its hash. Then [`Secrets`] goes over every text once more: what the journal knows to be
//! somebody's, and anything shaped like a network address, is taken out wherever it stands, in either case, with separators or without.
//!
//! What a reader would question: the second look can take out a word too many, when a machine's label happens to be a word of the
//! profile. A gap in a lesson is the lesser harm.

use std::path::Path;

use serde::Serialize;
use vault::Entry;

use super::next::minutes_between;
use super::redact::Secrets;
use super::{Work, chosen};
use crate::error::JobError;
use crate::procedure::Standing;
use crate::profile::cautions_for;
use crate::session::open_bench;
use crate::text::{about, counted, duration, size};
use crate::views::clip::package_name;
use crate::views::reads::Try;

/// A job as a lesson.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct WriteUp {
    /// The model of the machine.
    pub board: String,
    /// Kind of job.
    pub kind: &'static str,
    /// Whether the job was brought to its end.
    pub finished: bool,
    /// The chips that were worked on.
    pub chips: Vec<LessonChip>,
    /// The steps that were done, in the order in which they were.
    pub steps: Vec<LessonStep>,
    /// What did not go by itself, in order.
    pub hurdles: Vec<String>,
    /// What does not work afterwards.
    pub limits: Vec<String>,
    /// The cautions that were shown, each once.
    pub cautions: Vec<String>,
}

/// A chip in the lesson.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct LessonChip {
    /// Its name in the profile.
    pub chip: String,
    /// Its case and size.
    pub what: String,
    /// Where it sits.
    pub place: String,
    /// How its content was proven; one sentence for each capture.
    pub captures: Vec<String>,
    /// What was written; one sentence for each plan that came to its end.
    pub writes: Vec<String>,
}

/// A step in the lesson.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct LessonStep {
    /// What it is called.
    pub title: String,
    /// Why it is done.
    pub why: String,
    /// Minutes that it took, at most.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub minutes: Option<f64>,
    /// What was measured, with its unit.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub measured: Option<String>,
}

/// Writes a job up, open or closed; the only open one when none is named.
///
/// # Errors
/// [`super::JobsError::WhichJob`], [`JobError`].
pub fn write_up(bench: &Path, job: Option<&str>) -> Result<WriteUp, JobError> {
    let vault = open_bench(bench)?;
    Ok(of(&Work::open(&vault, &chosen(&vault, job)?)?))
}

pub(super) fn of(work: &Work) -> WriteUp {
    let state = work.state();
    let secrets = Secrets::of(&work.job, &work.entries);
    let clean = |text: &str| secrets.taken_out_of(text);
    let mut done: Vec<(u64, LessonStep)> = Vec::new();
    let mut cautions: Vec<String> = Vec::new();
    for view in state.steps() {
        let Standing::Done(mark) = &view.standing else { continue };
        let find = |seq: u64| work.entries.iter().find(|entry| entry.seq == seq);
        let entry = find(mark.seq);
        let from = view.begun.as_ref().and_then(|begun| find(begun.seq));
        let from = from.or_else(|| find(mark.seq.checked_sub(1)?));
        let measured = entry.and_then(|entry| entry.body["measured"].as_f64()).map(|value| {
            let unit = view.step.measure.as_ref().map(|measure| measure.unit.as_str()).unwrap_or_default();
            clean(&format!("{value} {unit}"))
        });
        let minutes = entry.zip(from).and_then(|(entry, from)| minutes_between(from, entry));
        done.push((
            mark.seq,
            LessonStep { title: clean(&view.step.title), why: clean(&view.step.why), minutes, measured },
        ));
        for caution in cautions_for(&work.profile, view.step) {
            let caution = clean(caution);
            if !cautions.contains(&caution) {
                cautions.push(caution);
            }
        }
    }
    done.sort_by_key(|(seq, _)| *seq);
    let chips = work.profile.chips.iter().map(|chip| {
        let entries = || work.entries.iter().filter(|entry| entry.body["chip"].as_str() == Some(chip.id.as_str()));
        LessonChip {
            chip: clean(&chip.id),
            what: format!("{}, {}, {}", package_name(chip.package), size(u64::from(chip.size)), chip.supply_v),
            place: clean(&chip.place),
            captures: entries()
                .filter(|entry| entry.kind == "captured")
                .filter_map(Try::of)
                .map(|one| proven(&one))
                .collect(),
            writes: entries()
                .filter(|entry| entry.kind == "applied")
                .map(|applied| written(&work.entries, applied))
                .collect(),
        }
    });
    let told = super::questions::told_in;
    let limits = work.profile.limits.iter().filter(|limit| told(limit.when, work.header.kind));
    WriteUp {
        board: clean(&work.profile.board.name),
        kind: work.header.kind.as_str(),
        finished: work.sealed && state.is_complete(),
        chips: chips.filter(|chip| !chip.captures.is_empty() || !chip.writes.is_empty()).collect(),
        steps: done.into_iter().map(|(_, step)| step).collect(),
        hurdles: hurdles(&work.entries).iter().map(|text| clean(text)).collect(),
        limits: limits.map(|limit| clean(&limit.text)).collect(),
        cautions,
    }
}

/// How a capture was proven.
fn proven(one: &Try) -> String {
    let bound =
        one.error_bound_95.map(|bound| format!("; a random flip: at most {bound:.0e} a bit, with 95 % confidence"));
    let settled = match one.settled_sectors {
        0 => String::new(),
        sectors => format!(", {} read again until they agreed", counted(sectors, "sector")),
    };
    format!("{} passes agree{settled}{}", one.passes.len(), bound.unwrap_or_default())
}

/// What one write took; its plan is the last before it.
fn written(entries: &[Entry], applied: &Entry) -> String {
    let chip = applied.body["chip"].as_str();
    let before = entries.iter().take_while(|entry| entry.seq < applied.seq);
    let plan = before.filter(|entry| entry.kind == "planned" && entry.body["chip"].as_str() == chip).last();
    let verified = size(applied.body["verified_bytes"].as_u64().unwrap_or_default());
    let Some(plan) = plan else { return format!("it held the wanted content already: {verified} read") };
    let list = |key: &str| plan.body[key].as_array().map_or(&[][..], Vec::as_slice);
    let bytes: u64 = list("programs").iter().filter_map(|run| run[1].as_u64()).sum();
    let predicted = duration(plan.body["predicted_ms"].as_f64().unwrap_or_default());
    let erases = counted(list("erases").len() as u64, "erase");
    format!("{erases} and {} to program, planned for {predicted}; {verified} read again, 0 bytes differ", about(bytes))
}

/// What did not go by itself, told in fixed words.
fn hurdles(entries: &[Entry]) -> Vec<String> {
    let mut hurdles = Vec::new();
    for entry in entries {
        let chip = || entry.body["chip"].as_str().unwrap_or("a chip");
        match entry.kind.as_str() {
            "refused" => {
                let Some(one) = Try::of(entry) else { continue };
                let like = one.diagnosis.first().map(|found| format!("; it looked like {}", known_fault(&found.fault)));
                let contact =
                    one.contact.as_ref().map(|contact| format!(", and pin {} was to be reseated", contact.pin));
                hurdles.push(format!(
                    "Reads of {} were not to be trusted: {} differed{}{}.",
                    chip(),
                    counted(one.differing_sectors, "sector"),
                    like.unwrap_or_default(),
                    contact.unwrap_or_default()
                ));
            }
            "not-captured" => hurdles.push(format!("{} was written without a capture, as somebody asked.", chip())),
            "power-up" if entry.body["seen"].as_bool() == Some(false) => {
                hurdles.push("The machine stayed dark at a start.".into());
            }
            "given-back" => hurdles.push("The machine went back as it was, before the job was done.".into()),
            "ended" => hurdles.push(match entry.body["exit"].as_u64() {
                Some(4) => "A command was cut off, and could be run again.".into(),
                Some(3) => "A command ended early: link or computer.".into(),
                Some(5) => "A command ended early: stored data was damaged.".into(),
                _ => "A command ended early: a check said no.".into(),
            }),
            _ => {}
        }
    }
    hurdles
}

/// A fault's name, as long as it is one of ours.
fn known_fault(name: &str) -> &str {
    if name.len() < 40 && name.bytes().all(|byte| byte.is_ascii_lowercase() || byte == b'-') {
        name
    } else {
        "something else"
    }
}

impl WriteUp {
    /// The write-up as Markdown.
    #[must_use]
    pub fn text(&self) -> String {
        use super::markdown::cell;
        let mut page = format!("# {}: one job, step by step\n\n", cell(&self.board));
        page += &format!("- Kind of job: {}\n", self.kind);
        page += &format!("- Brought to its end: {}\n", if self.finished { "yes" } else { "no" });
        page += "- Names, notes, labels, addresses and hashes are left out.\n";
        for chip in &self.chips {
            page += &format!("\n## Chip {}\n\n{}. {}\n", cell(&chip.chip), cell(&chip.what), cell(&chip.place));
            let captures = chip.captures.iter().map(|text| format!("Captured: {text}"));
            let writes = chip.writes.iter().map(|text| format!("Written: {text}"));
            page += "\n";
            for line in captures.chain(writes) {
                page += &format!("- {}\n", cell(&line));
            }
        }
        page += "\n## Steps\n\n";
        for (number, step) in (1..).zip(&self.steps) {
            let minutes = step.minutes.map(|minutes| format!(" ({minutes:.1} min at most)")).unwrap_or_default();
            let measured =
                step.measured.as_ref().map(|value| format!(" Measured: {}.", cell(value))).unwrap_or_default();
            page += &format!("{number}. **{}**{minutes}. {}{measured}\n", cell(&step.title), cell(&step.why));
        }
        for (title, list) in [
            ("What did not go by itself", &self.hurdles),
            ("What does not work afterwards", &self.limits),
            ("Cautions", &self.cautions),
        ] {
            if !list.is_empty() {
                page += &format!("\n## {title}\n\n");
                page.extend(list.iter().map(|text| format!("- {}\n", cell(text))));
            }
        }
        page
    }
}

#[cfg(test)]
mod tests;
