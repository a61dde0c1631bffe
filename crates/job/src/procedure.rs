//! The procedure: how far a profile job is, computed from its profile, its header and its journal, and from nothing else.
//!
//! Pure: no I/O, no clock, nothing stored. Two programs that read the same journal see the same state. The I/O is in
//! [`crate::jobs`]; chip commands ask [`State::may_do`] before they begin and write down what they did.
//!
//! | entry | means | body |
//! |---|---|---|
//! | `intake` | the machine was taken in | by, machine, owner, consent, answers, variant |
//! | `step-begun` | somebody begins: power is given, a contact goes on | step, by |
//! | `signed` | a person signs: a step is done, or a chip step's hold point is free | step, by, note?, measured? |
//! | `medium-written` | a drive was written and read back; `step-done` follows | step, sha256, size |
//! | `step-done` | a program did it | step, by, evidence? |
//! | `link-gone`, `link-back` | a program saw the programmer vanish, come back | link |
//! | `link-held` | a person signs that a link which cannot vanish has its supply wire off | link, by, note? |
//! | `power-up` | power came; `seen` says whether the machine showed itself | step?, seen, by, measured? |
//! | `given-back` | the machine goes back as it is, and the job ends here | by, reason, left |
//! | `gate` | a gate was answered: `yes`, `no`; of a fused gate `open`, `fused`, `signed` | id, answer, by |
//! | `identified`, `captured`, `not-captured`, `planned`, `applied`, `verified` | the chip commands' own | chip, step? |
//!
//! The order of entries counts, never their times: a wall clock may jump, and then a note says so. Every entry is weighed
//! against the rules at its place in the journal. One that was not allowed there (out of order, signed by nobody, a second
//! time) does not close its step and leaves a note instead; but what it says of power always counts, for power that came out
//! of order is power all the same. So no journal, whoever wrote it, leads to a state that the rules exclude.
//!
//! What a reader would question: supplies are not kept as "which signature stands" but as on, off, unknown for each source.
//! A supplies-off step whose sources are no longer off opens again as long as some open, wire, unwire or fit step still leans
//! on it; that is how a power-up cancels its signature (S7). A step that was done after it stays done.

mod event;
mod fold;
mod header;
mod patience;
mod reason;
mod rules;
mod view;

use std::collections::{BTreeMap, BTreeSet};

use serde::Serialize;
use vault::{Digest, Entry};

pub(crate) use self::fold::measure_refuses;
pub use self::header::{EarlierChip, JobHeader};
pub use self::patience::{Patience, patience};
pub use self::reason::{Blocked, Reason};
pub use self::view::{Standing, StepView, SupplyView};
use crate::profile::model::{JobKind, Profile, Step, StepKind};

/// How far a job is.
#[derive(Debug, Clone)]
pub struct State<'p> {
    profile: &'p Profile,
    kind: JobKind,
    earlier: Vec<EarlierChip>,
    /// By place in the profile, as all maps of steps here.
    done: BTreeMap<usize, Mark>,
    begun: BTreeMap<usize, Mark>,
    /// Hold points of chip steps that are signed.
    held: BTreeMap<usize, Mark>,
    /// Of chip steps that are not done yet: the chips that are.
    parts: BTreeMap<usize, BTreeSet<String>>,
    power: BTreeMap<String, Power>,
    /// Supplies that somebody gave by a step since they were last taken away; a machine that runs shows that something feeds it,
    /// and not what.
    given: BTreeSet<String>,
    link: LinkSeen,
    gates: BTreeMap<String, Answer>,
    captures: BTreeMap<String, Vec<Digest>>,
    /// Chips with a capture since something other than firmhand may have written them (S1).
    fresh: BTreeSet<String>,
    /// Chips that are written without a capture, as somebody asked.
    waived: BTreeSet<String>,
    applied: BTreeMap<String, Digest>,
    /// Whether a start was seen since the last write.
    started: bool,
    intake: Option<Mark>,
    closed: bool,
    notes: Vec<Note>,
    last: Option<(u64, String)>,
}

/// When something was done, and by whom.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Mark {
    /// The entry's number in the journal.
    pub seq: u64,
    /// Its time, UTC.
    pub when: String,
    /// Who did it; `firmhand` for what a command did by itself.
    pub by: String,
}

/// What is known of a source of power.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Power {
    /// It may feed the machine.
    On,
    /// Somebody signed that it is off, and nothing happened since that says otherwise.
    Off,
    /// Nobody has said. It counts as on wherever that matters.
    Unknown,
}

/// Something odd in the journal.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Note {
    /// The entry's number.
    pub seq: u64,
    /// What is odd, and what came of it.
    pub text: String,
}

/// What was last seen of the programmer.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum LinkSeen {
    Unknown,
    Gone,
    /// It cannot vanish; somebody signed that its supply wire is off.
    Held,
    Back,
}

#[derive(Debug, Clone)]
struct Answer {
    answer: String,
}

/// The gate that stands for S16 where the profile names none.
pub const FUSED_GATE: &str = "fused";

impl<'p> State<'p> {
    /// Returns the state after these entries, the first of which is the journal's `opened`.
    #[must_use]
    pub fn of(profile: &'p Profile, header: &JobHeader, entries: &[Entry]) -> Self {
        let mut state = Self {
            profile,
            kind: header.kind,
            earlier: header.earlier.clone(),
            done: BTreeMap::new(),
            begun: BTreeMap::new(),
            held: BTreeMap::new(),
            parts: BTreeMap::new(),
            power: profile.supplies.iter().map(|supply| (supply.id.clone(), Power::Unknown)).collect(),
            given: BTreeSet::new(),
            link: LinkSeen::Unknown,
            gates: BTreeMap::new(),
            captures: BTreeMap::new(),
            fresh: BTreeSet::new(),
            waived: BTreeSet::new(),
            applied: BTreeMap::new(),
            started: false,
            intake: None,
            closed: false,
            notes: Vec::new(),
            last: None,
        };
        for entry in entries {
            state.take(entry);
        }
        state
    }

    /// Tells whether a step may be done now: closed by hand, or begun by a chip command.
    ///
    /// # Errors
    /// [`Blocked`] with every reason against it.
    pub fn may_do(&self, step: &str) -> Result<(), Blocked> {
        let reasons = match self.place(step) {
            Some(index) => self.reasons(index),
            None => vec![Reason::NoSuchStep],
        };
        if reasons.is_empty() { Ok(()) } else { Err(Blocked { step: step.to_owned(), reasons }) }
    }

    /// Tells whether a person's signature on a step counts now. For a chip step that is a hold point, the signature frees
    /// it and does not close it.
    ///
    /// # Errors
    /// [`Blocked`] with every reason against it.
    pub fn may_sign(&self, step: &str) -> Result<(), Blocked> {
        match (self.may_do(step), self.profile.step(step)) {
            (Err(mut blocked), Some(found)) if closed_by_chip(found.kind) && found.hold => {
                blocked.reasons.retain(|reason| *reason != Reason::HoldNotSigned);
                if let Some(mark) = self.place(step).and_then(|index| self.held.get(&index)) {
                    let (by, when) = (mark.by.clone(), mark.when.clone());
                    blocked.reasons = vec![Reason::AlreadyDone { by, when }];
                }
                if blocked.reasons.is_empty() { Ok(()) } else { Err(blocked) }
            }
            (answer, _) => answer,
        }
    }

    /// Returns the steps that may be done now, in the profile's order; the first is the recommended one. Among them are hold
    /// points that only want their signature, and contacts that only want the programmer unplugged: that is
    /// where doing them begins.
    #[must_use]
    pub fn next(&self) -> Vec<&'p Step> {
        self.begins().collect()
    }

    /// Returns the recommended step: the first of [`State::next`], without looking at the others.
    #[must_use]
    pub fn recommended(&self) -> Option<&'p Step> {
        self.begins().next()
    }

    /// Returns how many steps of the job are done, and how many it has.
    #[must_use]
    pub fn progress(&self) -> (usize, usize) {
        let live = (0..self.profile.steps.len()).filter(|index| self.skipped(*index).is_none());
        live.fold((0, 0), |(done, all), index| (done + usize::from(self.is_done(index)), all + 1))
    }

    fn begins(&self) -> impl Iterator<Item = &'p Step> {
        let steps = self.profile.steps.iter().enumerate();
        let open = |index| {
            matches!(
                self.reasons(index).as_slice(),
                [] | [Reason::HoldNotSigned | Reason::LinkNotGone | Reason::NotBegun { .. }]
            )
        };
        steps.filter(move |(index, _)| open(*index)).map(|(_, step)| step)
    }

    /// Returns the step that a chip command would do now, for the journal kind that it ends with: `identified`, `captured`,
    /// `filled`, `applied` or `verified`. None when no step of that kind may be done on this chip.
    #[must_use]
    pub fn step_for(&self, kind: &str, chip: &str) -> Option<&'p Step> {
        let wanted = match kind {
            "identified" => StepKind::Identify,
            "captured" => StepKind::Capture,
            "filled" => StepKind::Fill,
            "applied" => StepKind::Apply,
            "verified" => StepKind::Verify,
            _ => return None,
        };
        let found = self.open_chip_step(wanted, chip)?;
        self.profile.steps.get(found)
    }

    /// Tells whether a step is done as far as this chip goes. A step on a span is done only when each of its chips is.
    #[must_use]
    pub fn chip_done(&self, step: &str, chip: &str) -> bool {
        let Some(index) = self.place(step) else { return false };
        self.is_done(index) || self.parts.get(&index).is_some_and(|parts| parts.contains(chip))
    }

    /// Returns the chips whose contacts are on, in the order in which they went on: with one, a chip command needs no name.
    #[must_use]
    pub fn wired(&self) -> Vec<&'p str> {
        let wires = self.open_wires().into_iter().filter(|index| self.is_done(*index));
        wires.flat_map(|index| self.profile.chips_of(&self.profile.steps[index])).collect()
    }

    /// Returns the wire steps whose contacts are on, or going on.
    #[must_use]
    pub fn contacts_on(&self) -> Vec<&'p str> {
        self.open_wires().into_iter().map(|index| self.profile.steps[index].id.as_str()).collect()
    }

    /// Returns the chips that something other than firmhand may write in this step and that have no capture in this job
    /// (S1): for these, no way back exists yet.
    #[must_use]
    pub fn no_way_back(&self, step: &Step) -> Vec<&'p str> {
        let chips = self.profile.chips.iter().filter(|chip| step.may_write.contains(&chip.id));
        chips.filter(|chip| !self.captures.contains_key(&chip.id)).map(|chip| chip.id.as_str()).collect()
    }

    /// Returns the gate that still wants a signature before the first write (S16); none when open, signed or fused.
    #[must_use]
    pub fn fused_gate_to_sign(&self) -> Option<&str> {
        self.fused_hold()
    }

    /// Tells whether the job stops for good because the hardware is fused (S16).
    #[must_use]
    pub fn is_fused(&self) -> bool {
        self.fused_stop()
    }

    /// Tells whether the machine was taken in, and when and by whom.
    #[must_use]
    pub fn intake(&self) -> Option<&Mark> {
        self.intake.as_ref()
    }

    /// Tells whether the journal is sealed.
    #[must_use]
    pub fn is_closed(&self) -> bool {
        self.closed
    }

    /// Tells whether every step of the job is done.
    #[must_use]
    pub fn is_complete(&self) -> bool {
        self.left(|_| true).is_empty()
    }

    /// Returns what is odd in the journal, oldest first.
    #[must_use]
    pub fn notes(&self) -> &[Note] {
        &self.notes
    }

    /// Returns the accepted captures of a chip, oldest first: the first is the chip as found.
    #[must_use]
    pub fn captures(&self, chip: &str) -> &[Digest] {
        self.captures.get(chip).map_or(&[], Vec::as_slice)
    }

    /// Returns what a chip holds as this job left it: what was last applied and verified there.
    #[must_use]
    pub fn applied(&self, chip: &str) -> Option<Digest> {
        self.applied.get(chip).copied()
    }

    /// Returns the kind of job.
    #[must_use]
    pub fn kind(&self) -> JobKind {
        self.kind
    }

    /// Returns the chips of the earlier job, with whether this return has brought back what they held when found.
    #[must_use]
    pub fn earlier(&self) -> Vec<(&EarlierChip, bool)> {
        self.earlier.iter().map(|chip| (chip, self.applied(&chip.chip) == Some(chip.as_found))).collect()
    }

    /// Returns what a person has to hear before the job is called done: chips of the earlier job that were not restored, and
    /// chips that were written without a capture.
    #[must_use]
    pub fn warnings(&self) -> Vec<String> {
        let earlier = self.earlier.iter().filter(|chip| self.applied(&chip.chip) != Some(chip.as_found));
        let mut warnings: Vec<String> = earlier
            .map(|chip| {
                format!(
                    "{} of the earlier job is not restored: it does not hold what was found on it ({})",
                    chip.chip,
                    chip.as_found.short()
                )
            })
            .collect();
        let waived = self.waived.iter().filter(|chip| !self.captures.contains_key(*chip));
        warnings
            .extend(waived.map(|chip| format!("{chip} was written without a capture: there is no way back for it")));
        warnings
    }
}

/// Steps that a chip command closes, and no signature.
pub(crate) fn closed_by_chip(kind: StepKind) -> bool {
    kind.talks_to_chip()
}
