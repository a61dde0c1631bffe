//! The whole machine: a Larkspur Nine from intake to handover, both chips, with automatic signatures.
//!
//! The story asks the procedure what comes next and does just that, as a person would with `firmhand job next`: steps
//! for hands are signed, steps on a chip go through the engine. Nothing here knows the order of the steps.

use std::fs;
use std::path::PathBuf;

use image::scenario::{PLACEHOLDER_MAC, larkspur_port, meadowlark_main, meadowlark_port};

use image::scenario::LARKSPUR_MAC;

use super::{SEED, Stage, put};
use crate::apply::{Place, Target};
use crate::compose::{ComposeRequest, compose};
use crate::error::JobError;
use crate::jobs::{self, SignRequest, StartRequest};
use crate::profile::{Content, JobKind, Profile, Step, StepKind};
use crate::session::{ChipOptions, Session};
use crate::text::{applied, captured, duration, verified};

const PROFILE: &str = include_str!("../../../../profiles/larkspur-nine.toml");
const RECIPE: &str = include_str!("../../../../profiles/recipes/larkspur-main.toml");

/// Who signs in the story.
const SIGNER: &str = "Lantern Street";

/// What the person at the intake answers.
const ANSWERS: [&str; 11] = [
    "unlocked=yes",
    "setup-password=yes",
    "recovery-key=yes",
    "charge-battery=80 %",
    "gate-dry=yes",
    "gate-battery-sound=yes",
    "gate-revision=yes",
    "option-mobile-card=no",
    "option-finger-reader=no",
    "limit-finger-reader=yes",
    "limit-charge-limit=yes",
];

/// More steps than any profile has: a story that does not end is a mistake.
const MOST_STEPS: usize = 500;

impl Stage<'_> {
    /// Plays the job of the whole machine.
    pub(super) fn whole_machine(&mut self) -> Result<String, JobError> {
        self.say("A Larkspur Nine comes in, gets Meadowlark on both chips, and is handed over.");
        self.say("All of it is invented; the chips are virtual, and hands sign by themselves here.");
        let profile_file = self.set_the_table()?;
        let profile = Profile::load(&profile_file)?;
        let answers = ANSWERS.iter().map(|answer| (*answer).to_owned());
        let request = StartRequest {
            kind: JobKind::Convert,
            profile: Some(profile_file),
            of: None,
            machine: "Larkspur Nine, shelf 3".into(),
            owner: "Lantern Street repair café".into(),
            consent: SIGNER.into(),
            answers: answers.chain(["variant=school".to_owned()]).collect(),
        };
        let job = jobs::start(&self.bench, &request, self.front)?.job;
        self.head(&format!("Job {job}"));
        let mut done = 0;
        for _ in 0..MOST_STEPS {
            let next = jobs::next(&self.bench, Some(&job), false)?;
            let Some(id) = next.step.map(|step| step.id) else {
                let why = next.waits_for.first().map(|reason| reason.text.clone()).unwrap_or_default();
                return Err(JobError::Scene { why: format!("nothing can be done next: {why}") });
            };
            let step = profile.step(&id).expect("the procedure names steps of the profile");
            if step.kind == StepKind::Handover {
                break;
            }
            self.do_step(&job, &profile, step)?;
            done += 1;
        }
        let handover = jobs::handover(&self.bench, Some(&job), SIGNER)?;
        self.say(&format!("  {done} steps done, handed over, the journal is sealed"));
        self.expect(handover.warnings.is_empty(), "the handover warns")?;
        let record = jobs::record(&self.bench, Some(&job), true)?;
        let path = self.bench.join("virtual").join("record.md");
        put(&path, record.text().as_bytes())?;
        self.expect(
            self.cells()? == meadowlark_main(SEED, LARKSPUR_MAC),
            "main does not hold Meadowlark with the machine's own parts",
        )?;
        let port = self.chip_file("port");
        let cells = fs::read(&port).map_err(|source| JobError::Io { doing: "read", path: port, source })?;
        self.expect(cells == meadowlark_port(SEED), "port does not hold its new firmware")?;
        Ok(format!("Done: both chips hold what they should, and the record is in {}.", path.display()))
    }

    /// Puts the second chip, the profile and the recipe into the bench folder.
    fn set_the_table(&self) -> Result<PathBuf, JobError> {
        let folder = self.bench.join("virtual");
        put(&self.chip_file("port"), &larkspur_port(SEED))?;
        put(&folder.join("meadowlark-port-2.7.bin"), &meadowlark_port(SEED))?;
        let text = format!(
            "# The chip `port` of a Larkspur Nine, on a virtual bench.\nseed = {SEED}\n\n[chip]\nmarking = \"W25Q80DV\"\n\
             content = \"port-chip.bin\"\n\n[link]\nclock_hz = 12000000\n"
        );
        put(&folder.join("port.toml"), text.as_bytes())?;
        let recipes = folder.join("recipes");
        fs::create_dir_all(&recipes).map_err(|source| JobError::Io { doing: "make", path: recipes.clone(), source })?;
        put(&recipes.join("larkspur-main.toml"), RECIPE.as_bytes())?;
        // The published image is nobody's: it carries a placeholder where the machine's own address goes.
        put(&self.meadowlark, &meadowlark_main(SEED, PLACEHOLDER_MAC))?;
        let profile = folder.join("larkspur-nine.toml");
        put(&profile, PROFILE.as_bytes())?;
        Ok(profile)
    }

    fn chip_file(&self, chip: &str) -> PathBuf {
        let name = if chip == "main" { "main.bin" } else { "port-chip.bin" };
        self.bench.join("virtual").join(name)
    }

    fn do_step(&mut self, job: &str, profile: &Profile, step: &Step) -> Result<(), JobError> {
        self.say(&format!("  {}", step.title));
        match step.kind {
            StepKind::Compose => {
                let request = ComposeRequest {
                    recipe: self.bench.join("virtual").join("recipes").join("larkspur-main.toml"),
                    job: Some(job.to_owned()),
                    with: vec![self.meadowlark.clone()],
                    ..ComposeRequest::default()
                };
                let report = compose(&self.bench, &request)?;
                let kept = report.content.get(..12).unwrap_or_default();
                self.say(&format!("    {} steps of the recipe, every condition holds: {kept}", report.steps.len()));
            }
            kind if kind.talks_to_chip() => {
                let chip = profile.chips_of(step).first().map_or("main", |chip| *chip).to_owned();
                let told = self.chip_step(job, step, &chip)?;
                self.say(&format!("    {told}"));
            }
            kind => {
                let chip = step.chip.as_deref().unwrap_or("main");
                let contact = matches!(kind, StepKind::Wire | StepKind::Unwire);
                let request = SignRequest {
                    step: step.id.clone(),
                    job: Some(job.to_owned()),
                    by: SIGNER.into(),
                    measured: step.measure.as_ref().map(|measure| measure.max.or(measure.min).unwrap_or(0.0)),
                    link: contact.then(|| self.link_of(chip).display().to_string()),
                    ..SignRequest::default()
                };
                jobs::sign(&self.bench, &request, self.front)?;
            }
        }
        Ok(())
    }

    fn link_of(&self, chip: &str) -> PathBuf {
        self.bench.join("virtual").join(format!("{chip}.toml"))
    }

    /// Does a step on a chip through the engine, and says how it ended.
    fn chip_step(&mut self, job: &str, step: &Step, chip: &str) -> Result<String, JobError> {
        let options = ChipOptions {
            link: self.link_of(chip).display().to_string(),
            job: Some(job.to_owned()),
            signed: Some(SIGNER.into()),
            ..ChipOptions::default()
        };
        let verb = format!("chip {}", step.kind.as_str());
        let wanted = match (step.kind, step.content) {
            (StepKind::Apply, Some(Content::Composed)) | (StepKind::Verify, _) => None,
            _ => Some(self.bench.join("virtual").join("meadowlark-port-2.7.bin")),
        };
        let mut session = Session::open(&self.bench, options, &verb, self.front)?;
        Ok(match step.kind {
            StepKind::Identify => {
                format!("{}, id {}", session.identity().chip.name(), session.identity().chip.id_text())
            }
            StepKind::Capture => captured(&session.capture()?),
            StepKind::Fill => {
                let report = session.fill(step.fill.unwrap_or(nor::ERASED))?;
                format!("{} in {}", applied(&report), duration(report.took_ms))
            }
            StepKind::Apply => {
                let target = match wanted {
                    Some(path) => Target::from_file(&path, Place::Whole)?,
                    None => session.target(&format!("composed {chip}"), Place::Whole)?,
                };
                let report = session.apply(&target)?;
                format!("{} in {}", applied(&report), duration(report.took_ms))
            }
            _ => {
                let target = session.last_applied()?;
                verified(&session.verify(&target)?)
            }
        })
    }
}
