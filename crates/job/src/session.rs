//! A chip command from its first question to its last journal entry.
//!
//! [`Session::open`] does what every chip command begins with, in this order: link and locks; S4 by what is stated; the
//! safety questions; identification, the first thing that drives a wire; S4 again by the catalogue; the journal. What
//! happens on the chip afterwards is in `capture` and `apply`.
//!
//! A chip command without a job works in a **loose job**: one per link and chip, continued by the next command on the
//! same link until another chip answers. It asks the safety questions of a job at every command, because nobody knows
//! what hands did in between. What was known of the chip's content counts only after it was compared with the chip
//! again: a time when no firmhand watched counts as an unplug (S1).

use std::path::Path;

use driver::{DriverError, Event, Flow, Identity, Op};
use nor::chip::id_text;
use nor::link::Link;
use serde_json::{Value, json};
use vault::{Digest, JobId, Journal, Lock, Vault, VaultError};

use crate::error::JobError;
use crate::front::{Front, News, Question, QuestionKind, Reply, Tone};
use crate::jobs::Work;
use crate::kernel;
use crate::reach::{LinkName, Reached};
use crate::record::{ChipKey, Known};
use crate::station::{Station, Wanted};
use crate::supply::{self, Stated, Statements};
use crate::wiring;

/// What a person says with the options of a chip command.
#[derive(Debug, Clone, Default)]
pub struct ChipOptions {
    /// `--link`.
    pub link: String,
    /// `--job`.
    pub job: Option<String>,
    /// `--marking`.
    pub marking: Option<String>,
    /// `--supply`.
    pub supply: Option<f64>,
    /// `--drives`.
    pub drives: Option<f64>,
    /// `--yes`.
    pub yes: bool,
    /// `--signed`.
    pub signed: Option<String>,
    /// `--no-capture`.
    pub no_capture: Option<String>,
}

/// What stands between the engine and its link: takes the link, returns what is used in its place.
pub type OverLink = Box<dyn FnOnce(Box<dyn Link>) -> Box<dyn Link>>;

/// What a chip command stands on: the disk, the wall clock, and what lies between the engine and its link.
///
/// The program takes [`Ground::of_bench`]. A test may put a vault with faults, a clock that jumps, or a link that watches
/// another one in its place; the engine cannot tell the difference.
pub struct Ground {
    /// The open bench.
    pub vault: Vault,
    /// The wall clock: UTC, RFC 3339.
    pub clock: Box<dyn Fn() -> String>,
    /// Handed the link before anything is driven; what it returns is used in its place.
    pub over_link: OverLink,
}

impl Ground {
    /// The bench folder, the system's clock, the link itself.
    ///
    /// # Errors
    /// [`JobError::Vault`].
    pub fn of_bench(bench: &Path) -> Result<Self, JobError> {
        Ok(Self { vault: open_bench(bench)?, clock: Box::new(now), over_link: Box::new(|link| link) })
    }
}

/// An open chip command.
pub struct Session<'f> {
    pub(crate) vault: Vault,
    pub(crate) clock: Box<dyn Fn() -> String>,
    pub(crate) journal: Journal,
    pub(crate) known: Known,
    pub(crate) reached: Reached,
    pub(crate) identity: Identity,
    pub(crate) front: &'f mut dyn Front,
    pub(crate) clock_hz: u32,
    pub(crate) options: ChipOptions,
    /// The content that this session read from the chip or wrote and verified there: what it holds now.
    pub(crate) present: Option<(Digest, Vec<u8>)>,
    /// Whether the whole chip was read in this session.
    pub(crate) whole_read: bool,
    /// Whether 0Bh was found to answer shifted, so that every pass is read by 03h.
    pub(crate) fast_shifted: bool,
    /// The place in a profile job; none in a loose job.
    pub(crate) station: Option<Station>,
    _link_lock: Lock,
}

/// UTC, RFC 3339, to the second.
#[must_use]
pub fn now() -> String {
    jiff::Timestamp::now().round(jiff::Unit::Second).expect("a second is a unit of time").to_string()
}

/// Opens the bench folder.
///
/// # Errors
/// [`JobError::Vault`].
pub fn open_bench(bench: &Path) -> Result<Vault, JobError> {
    Ok(Vault::open(bench)?)
}

impl<'f> Session<'f> {
    /// Opens everything, asks, identifies.
    ///
    /// # Errors
    /// [`JobError`]; whatever happened after the questions stands in the journal.
    pub fn open(bench: &Path, options: ChipOptions, verb: &str, front: &'f mut dyn Front) -> Result<Self, JobError> {
        LinkName::parse(&options.link)?.check_there()?;
        Self::open_on(Ground::of_bench(bench)?, options, verb, front)
    }

    /// The same as [`Session::open`], on other ground.
    ///
    /// # Errors
    /// As [`Session::open`].
    pub fn open_on(
        ground: Ground,
        options: ChipOptions,
        verb: &str,
        front: &'f mut dyn Front,
    ) -> Result<Self, JobError> {
        let Ground { vault, clock: now, over_link } = ground;
        let name = LinkName::parse(&options.link)?;
        let who = format!("firmhand {verb}");
        let link_lock = vault.lock(&format!("link {}", name.canonical()), &who, &now())?;
        let mut reached = name.open()?;
        let job = choose_job(&vault, &options, &name)?;
        let mut opened = None;
        let mut station = None;
        if let (Some(job), true) = (&job, options.job.is_some()) {
            let mut journal = Journal::open(&vault, job, &who, &now())?;
            if let Some(work) = Work::open_if_profile(&vault, job)? {
                station = Some(Station::find(&work, verb, options.signed.as_deref(), &mut journal)?);
            }
            opened = Some(journal);
        }
        let mut answers = Vec::new();
        // The kernel's flash has no wire: nothing is driven from here, and no hand touches a clip.
        let stated = match reached.kernel {
            Some(_) => None,
            None => Some(supply::state(Statements {
                supply: options.supply,
                marking: options.marking.as_deref(),
                drives: options.drives,
                link_drives: reached.says_it_drives(options.drives),
                chip_bears: reached.chip_bears,
                profile_bears: station.as_ref().map(|station| station.bears),
            })?),
        };
        // In a profile job the steps asked what a loose job has to ask here.
        if reached.asks && station.is_none() && reached.kernel.is_none() {
            wiring::supplies_off(front, &options, &mut answers)?;
            reached = wiring::clip_on(front, &options, &name, reached, &mut answers)?;
            wiring::pin_one(front, &options, &mut answers)?;
        } else if !reached.link.is_present() {
            return Err(JobError::LinkAbsent { link: name.given().to_owned() });
        }
        reached.link = over_link(reached.link);
        let mut journal = match (opened, &job) {
            (Some(journal), _) => journal,
            (None, Some(job)) => Journal::open(&vault, job, &who, &now())?,
            (None, None) => new_loose_job(&vault, &name, &reached, &who, &now())?,
        };
        write_answers(&mut journal, &answers, stated.as_ref(), &reached, &now())?;
        if let Some(stated) = &stated {
            let fed_by_link = station.as_ref().is_none_or(|station| station.fed_by_link);
            if let Err(error) = reached.see_to_supply(stated, fed_by_link).and_then(|()| reached.see_lines_free()) {
                journal.append("ended", ended(&error), &now())?;
                return Err(error);
            }
        }
        let identified = match &reached.kernel {
            Some(flash) => Ok(kernel::identity(flash.facts())),
            None => run_op(reached.link.as_mut(), front, "identifying", driver::identify),
        };
        let mut identity = match identified {
            Ok(identity) => identity,
            Err(error) => {
                journal.append("ended", ended(&error), &now())?;
                return Err(error);
            }
        };
        if let (None, Some(stated)) = (identity.chip.supply, &stated) {
            identity.chip.supply = Some(stated.bears);
            identity.chip.sources.push(format!("supply: {}", stated.by));
        }
        let key = key_of(&identity, &reached);
        let entries = vault.read_journal(journal.job())?.entries;
        let mut known = match &station {
            Some(station) => Known::of_chip(&entries, &station.chip),
            None => Known::of(&entries),
        };
        if known.chip.as_ref().is_some_and(|chip| *chip != key) {
            if options.job.is_some() {
                let expected = known.chip.map(|chip| chip.id).unwrap_or_default();
                let why = if expected == key.id {
                    format!("its chip has the id {expected} too, but another unique id than the chip on the clip")
                } else {
                    format!("its chip has the id {expected}, and the chip on the clip answers {}", key.id)
                };
                let error = JobError::WrongJob { job: journal.job().to_string(), why };
                journal.append("ended", ended(&error), &now())?;
                return Err(error);
            }
            // Another chip is on the clip: it gets a loose job of its own.
            drop(journal);
            journal = new_loose_job(&vault, &name, &reached, &who, &now())?;
            write_answers(&mut journal, &answers, stated.as_ref(), &reached, &now())?;
            known = Known::of(&vault.read_journal(journal.job())?.entries);
        }
        let clock_hz = reached.link.limits().clock_hz.1;
        let mut session = Self {
            vault,
            clock: now,
            journal,
            known,
            reached,
            identity,
            front,
            clock_hz,
            options,
            present: None,
            whole_read: false,
            fast_shifted: false,
            station,
            _link_lock: link_lock,
        };
        session.write_down("identified", identity_json(&session.identity, &key))?;
        if let Some(Err(error)) = stated.map(|stated| stated.confirm(&session.identity.chip)) {
            session.write_down("ended", ended(&error))?;
            return Err(error);
        }
        if let Err(error) = session.check_part() {
            session.write_down("ended", ended(&error))?;
            return Err(error);
        }
        Ok(session)
    }

    /// The part at the profile's place has to be one that the profile has seen, as far as the catalogue knows it.
    fn check_part(&self) -> Result<(), JobError> {
        let Some(station) = &self.station else { return Ok(()) };
        let chip = &self.identity.chip;
        let other = |expected: String| JobError::OtherPart { expected, found: chip.name() };
        if chip.size != station.size {
            return Err(other(format!("a chip of {}", crate::text::size(u64::from(station.size)))));
        }
        let seen = |marking: &String| station.markings.iter().any(|known| known.eq_ignore_ascii_case(marking));
        if station.markings.is_empty() || chip.markings.is_empty() || chip.markings.iter().any(seen) {
            return Ok(());
        }
        Err(other(station.markings.join(" or ")))
    }

    /// The job that this command belongs to.
    #[must_use]
    pub fn job(&self) -> &JobId {
        self.journal.job()
    }

    /// What people call the chip: its name in the profile, or its marking.
    #[must_use]
    pub fn chip_name(&self) -> String {
        match (&self.station, self.kernel_facts()) {
            (Some(station), _) => station.chip.clone(),
            (None, Some(facts)) => format!("`{}`, through the kernel", facts.name),
            (None, None) => self.identity.chip.name(),
        }
    }

    /// The chip as identified.
    #[must_use]
    pub fn identity(&self) -> &Identity {
        &self.identity
    }

    /// The step of the job that this command does; none in a loose job, or when a reading command is only repeated.
    #[must_use]
    pub fn step(&self) -> Option<&str> {
        self.station.as_ref()?.step.as_deref()
    }

    /// What that step is to write.
    pub(crate) fn wanted_by_step(&self) -> Option<&Wanted> {
        self.station.as_ref().map(|station| &station.wanted)
    }

    pub(crate) fn vault(&self) -> &Vault {
        &self.vault
    }

    /// Time on the link's clock, in microseconds.
    pub fn link_us(&mut self) -> u64 {
        self.reached.link.now_us()
    }

    /// Writes an entry; durable when this returns.
    pub(crate) fn write_down(&mut self, kind: &str, mut body: Value) -> Result<(), JobError> {
        if let Some(station) = &self.station {
            station.tie(&mut body);
        }
        self.known.take(kind, &body);
        self.journal.append(kind, body, &(self.clock)())?;
        Ok(())
    }

    /// Writes down how a command ended early, and hands its error on. A journal that cannot be written any more does
    /// not hide what happened first.
    pub(crate) fn conclude<T>(&mut self, result: Result<T, JobError>) -> Result<T, JobError> {
        if let Err(error) = &result
            && !matches!(error, JobError::Vault(VaultError::JournalBroken { .. } | VaultError::NoSpace { .. }))
        {
            // The first error is the one to report.
            let _ = self.write_down("ended", ended(error));
        }
        result
    }

    pub(crate) fn say(&mut self, text: impl Into<String>) {
        self.front.news(&News::Said(text.into()));
    }

    /// Asks for a signature at a hold point; `--signed NAME` gives it.
    pub(crate) fn sign(&mut self, question: &Question) -> Result<(), JobError> {
        let mut answers = Vec::new();
        wiring::ask(self.front, &self.options, question, &mut answers)?;
        for answer in answers {
            self.write_down("asked", answer)?;
        }
        Ok(())
    }
}

/// Runs one chip operation; Ctrl-C ends it between two requests.
pub(crate) fn run_op<'a, T>(
    link: &mut dyn Link,
    front: &mut dyn Front,
    doing: &'static str,
    op: impl FnOnce(&nor::link::Limits) -> Op<'a, Result<T, DriverError>>,
) -> Result<T, JobError> {
    let writing = doing == WRITING;
    let op = op(link.limits());
    let begun = link.now_us();
    let mut open_phase = false;
    let result = driver::run(link, op, &mut |event, link_us| {
        match event {
            Some(Event::Begins { phase, total }) => {
                open_phase = true;
                front.news(&News::Begins { phase, total });
            }
            Some(Event::Progress { done }) => {
                front.news(&News::Progress { done, link_us: link_us.saturating_sub(begun) });
            }
            None => {}
        }
        if front.wants_stop() { Flow::Stop } else { Flow::Continue }
    });
    if open_phase {
        front.news(&News::Ends);
    }
    match result {
        Some(Ok(value)) => Ok(value),
        Some(Err(error)) => {
            if matches!(error, DriverError::ContactLost { .. }) {
                front.news(&News::Tone(Tone::Falling));
            }
            Err(JobError::Driver { doing, writing, error })
        }
        None => Err(JobError::Stopped { doing }),
    }
}

/// The name of the operation after which a chip may hold neither the old nor the new content.
pub(crate) const WRITING: &str = "erasing and programming";

fn key_of(identity: &Identity, reached: &Reached) -> ChipKey {
    if let Some(flash) = &reached.kernel {
        return ChipKey { id: flash.facts().key(), unique_id: None };
    }
    ChipKey { id: identity.chip.id_text(), unique_id: identity.unique_id.as_deref().map(id_text) }
}

/// The job named by the person, or the loose job that goes on; none when a new one has to be opened.
fn choose_job(vault: &Vault, options: &ChipOptions, name: &LinkName) -> Result<Option<JobId>, JobError> {
    if let Some(job) = &options.job {
        let job = JobId::new(job)?;
        let log = vault.read_journal(&job)?;
        if log.sealed {
            return Err(JobError::WrongJob { job: job.to_string(), why: "it is closed".into() });
        }
        return Ok(Some(job));
    }
    let mut newest = None;
    for info in vault.journals()? {
        if info.sealed || !info.job.as_str().starts_with(LOOSE) {
            continue;
        }
        let log = vault.read_journal(&info.job)?;
        let Some(first) = log.entries.first() else { continue };
        if first.body["link"] == json!(name.canonical()) {
            newest = newest.max(Some((first.time.clone(), info.job.as_str().to_owned())));
        }
    }
    newest.map(|(_, job)| JobId::new(&job)).transpose().map_err(JobError::from)
}

const LOOSE: &str = "loose-";

fn new_loose_job(
    vault: &Vault,
    name: &LinkName,
    reached: &Reached,
    who: &str,
    time: &str,
) -> Result<Journal, JobError> {
    let digits: String = time.chars().filter(char::is_ascii_digit).collect();
    let stem = format!("{LOOSE}{}-{}", &digits[..8], &digits[8..]);
    let header = json!({
        "loose": true,
        "link": name.canonical(),
        "link_as_given": name.given(),
        "note": if reached.is_virtual { "virtual bench" } else { "real link" },
    });
    for number in 1.. {
        let id = if number == 1 { stem.clone() } else { format!("{stem}-{number}") };
        match Journal::create(vault, &JobId::new(&id)?, header.clone(), who, time) {
            Err(VaultError::JournalExists { .. } | VaultError::Busy { .. }) => {}
            made => return Ok(made?),
        }
    }
    unreachable!("some number is free")
}

fn write_answers(
    journal: &mut Journal,
    answers: &[Value],
    stated: Option<&Stated>,
    reached: &Reached,
    time: &str,
) -> Result<(), JobError> {
    for answer in answers {
        journal.append("asked", answer.clone(), time)?;
    }
    let note = match (reached.is_virtual, &reached.kernel) {
        (true, _) => Some("virtual bench"),
        (_, Some(_)) => Some("through the kernel"),
        _ => None,
    };
    if let (true, Some(note)) = (answers.is_empty(), note) {
        journal.append("asked", json!({ "question": "none", "note": note }), time)?;
    }
    if let Some(stated) = stated {
        journal.append("supply", stated.to_json(), time)?;
    }
    Ok(())
}

/// How a command ended early, for the journal.
pub(crate) fn ended(error: &JobError) -> Value {
    json!({ "error": error.to_string(), "causes": error.causes(), "exit": error.kind().exit_status() })
}

fn identity_json(identity: &Identity, key: &ChipKey) -> Value {
    let chip = &identity.chip;
    json!({
        "id": key.id,
        "unique_id": key.unique_id,
        "markings": chip.markings,
        "size": chip.size,
        "status": identity.status,
        "conflicts": chip.conflicts.iter().map(ToString::to_string).collect::<Vec<_>>(),
    })
}

/// A yes-or-no question.
pub(crate) fn yes_no(name: &'static str, text: &str, cautions: &[&str]) -> Question {
    Question {
        name,
        text: text.to_owned(),
        cautions: cautions.iter().map(|text| (*text).to_owned()).collect(),
        kind: QuestionKind::YesNo,
    }
}

/// Whether a reply says yes.
pub(crate) fn says_yes(reply: &Reply) -> bool {
    matches!(reply, Reply::Yes)
}
