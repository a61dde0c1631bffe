//! Whole machines, from intake to handover, with automatic signatures.
//!
//! A play asks the procedure what comes next and does just that, as a person would with `firmhand job next`: steps for hands
//! are signed, steps on a chip go through the engine. Nothing here knows the order of the steps; what a story adds is the
//! machine, the answers at its intake, and what the chips have to hold in the end.

use std::fs;
use std::path::{Path, PathBuf};

use image::pin::Pin;
use image::scenario::{
    LARKSPUR_MAC, PLACEHOLDER_MAC, larkspur_port, meadowlark_completed, meadowlark_main, meadowlark_port, teal,
    teal_published,
};
use intake::build::{Publisher, list};
use vault::JobId;

use super::stick::{STICK, plug};
use super::{SEED, Stage, put, update_disc};
use crate::doing::{DoRequest, do_step, is_done_here};
use crate::error::JobError;
use crate::intake::{IntakeRequest, intake};
use crate::jobs::{self, HandoverRequest, NextReport, SignRequest, StartRequest, Work};
use crate::profile::{FileSpec, JobKind, Measure, Profile, Step, StepKind, Takes};
use crate::session::open_bench;

const LARKSPUR: &str = include_str!("../../../../profiles/larkspur-nine.toml");
const TEAL: &str = include_str!("../../../../profiles/teal-router.toml");

/// The recipes that the profiles name, by their paths.
const RECIPES: [(&str, &str); 3] = [
    ("recipes/larkspur-main.toml", include_str!("../../../../profiles/recipes/larkspur-main.toml")),
    ("recipes/larkspur-main-rescue.toml", include_str!("../../../../profiles/recipes/larkspur-main-rescue.toml")),
    ("recipes/teal-router.toml", include_str!("../../../../profiles/recipes/teal-router.toml")),
];

/// Who signs in the stories.
pub(super) const SIGNER: &str = "Lantern Street";
const OWNER: &str = "Lantern Street repair café";

/// What the scenario's publisher signs, and what a person has of it beside the files.
const LIST: &str = "SHA256SUMS";
const SIGNATURE: &str = "SHA256SUMS.minisig";
const KEY: &str = "meadowlark.pub";

/// What the person at the intake of a Larkspur answers, whatever is to be done.
const LARKSPUR_ANSWERS: [&str; 8] = [
    "unlocked=yes",
    "recovery-key=yes",
    "charge-battery=80 %",
    "gate-dry=yes",
    "gate-battery-sound=yes",
    "gate-revision=yes",
    "option-mobile-card=no",
    "option-finger-reader=no",
];

/// More steps than any profile has: a story that does not end is a mistake.
const MOST_STEPS: usize = 500;

/// A job that is played.
struct Play {
    job: String,
    profile: Profile,
}

impl Stage<'_> {
    /// Plays a whole Larkspur Nine: the conversion, and the return of the old firmware.
    pub(super) fn larkspur(&mut self) -> Result<String, JobError> {
        self.say("A Larkspur Nine comes in, gets Meadowlark on both chips, and is handed over.");
        self.say("All of it is invented; the chips are virtual, and hands sign by themselves here.");
        self.set_larkspur()?;
        let there = self.play(&self.larkspur_to_convert("Larkspur Nine, shelf 3"))?;
        let main =
            self.expect_chip("main.bin", &meadowlark_completed(SEED, LARKSPUR_MAC), "Meadowlark with its own address");
        main.and(self.expect_chip("port-chip.bin", &meadowlark_port(SEED), "its new firmware"))?;
        self.say("\nThe day comes when the old firmware has to be back.");
        let back = ["setup-password=yes", "limit-clock=yes", "limit-recovery-key=yes"];
        self.play(&StartRequest {
            kind: JobKind::Return,
            of: Some(there),
            machine: "Larkspur Nine, shelf 3".into(),
            answers: LARKSPUR_ANSWERS.iter().chain(&back).map(|answer| (*answer).to_owned()).collect(),
            ..taken_in()
        })?;
        let as_found = self.as_found.clone();
        self.expect_chip("main.bin", &as_found, "what was found")?;
        self.expect_chip("port-chip.bin", &larkspur_port(SEED), "what was found")?;
        Ok("Done: both chips held what they should, there and back, and both records are in the bench folder.".into())
    }

    /// Plays the rescue of a Teal router board: one chip, no descriptor, fed by the board.
    pub(super) fn router(&mut self) -> Result<String, JobError> {
        self.say("A Teal router board arrives dead: the power failed while it updated itself.");
        self.set_teal()?;
        self.link = self.place("boot.toml");
        self.play(&self.teal_to_rescue())?;
        let mut wanted = teal_published(SEED);
        wanted[0x7F_0000..].copy_from_slice(&teal(SEED)[0x7F_0000..]);
        self.expect_chip("boot.bin", &wanted, "the published firmware with its own calibration")?;
        Ok("Done: the board runs again, with the calibration that was measured for it alone.".into())
    }

    /// Puts both chips of a Larkspur Nine and what is published for it into the bench folder.
    pub(super) fn set_larkspur(&mut self) -> Result<(), JobError> {
        self.set_the_table()?;
        put(&self.place("port-chip.bin"), &larkspur_port(SEED))?;
        put(&self.place("meadowlark-port-2.7.bin"), &meadowlark_port(SEED))?;
        self.chip_file("port", "W25Q80DV", "port-chip.bin", "")?;
        // What the vendor publishes: the stick is made from it, and the memory part comes out of it.
        put(&self.place("larkspur-update-1.18.iso"), &update_disc())?;
        // The published image is nobody's: it carries a placeholder where the machine's own address goes.
        let published = meadowlark_main(SEED, PLACEHOLDER_MAC);
        put(&self.meadowlark, &published)?;
        self.publish(&[("meadowlark.bin", &published), ("meadowlark-port-2.7.bin", &meadowlark_port(SEED))])
    }

    /// The intake of a Larkspur Nine that is to be converted.
    pub(super) fn larkspur_to_convert(&self, machine: &str) -> StartRequest {
        let convert = ["setup-password=yes", "limit-finger-reader=yes", "limit-charge-limit=yes", "variant=school"];
        StartRequest {
            kind: JobKind::Convert,
            profile: Some(self.place("larkspur-nine.toml")),
            machine: machine.into(),
            answers: LARKSPUR_ANSWERS.iter().chain(&convert).map(|answer| (*answer).to_owned()).collect(),
            ..taken_in()
        }
    }

    /// Puts the chip of a Teal router whose update was cut off and what is published for it into the bench folder.
    pub(super) fn set_teal(&mut self) -> Result<(), JobError> {
        self.set_the_table()?;
        let mut dead = teal(SEED);
        // Its update had erased the kernel and written a part of it.
        dead[0x0E_0000..0x20_0000].fill(nor::ERASED);
        put(&self.place("boot.bin"), &dead)?;
        self.chip_file("boot", "W25Q64", "boot.bin", "")?;
        put(&self.place("teal-3.1.bin"), &teal_published(SEED))
    }

    /// The intake of the Teal router.
    pub(super) fn teal_to_rescue(&self) -> StartRequest {
        let answers = [
            "unlocked=yes",
            "recovery-key=yes",
            "gate-adapter=yes",
            "label-mac=none",
            "label-serial=none",
            "limit-settings-lost=yes",
            "variant=stock",
        ];
        StartRequest {
            kind: JobKind::Rescue,
            profile: Some(self.place("teal-router.toml")),
            machine: "Teal router, hall".into(),
            answers: answers.map(str::to_owned).to_vec(),
            ..taken_in()
        }
    }

    pub(super) fn place(&self, file: &str) -> PathBuf {
        self.bench.join("virtual").join(file)
    }

    /// Puts profiles and recipes into the bench folder.
    fn set_the_table(&self) -> Result<(), JobError> {
        let recipes = self.place("recipes");
        fs::create_dir_all(&recipes).map_err(|source| JobError::Io { doing: "make", path: recipes.clone(), source })?;
        for (path, text) in RECIPES.into_iter().chain([("larkspur-nine.toml", LARKSPUR), ("teal-router.toml", TEAL)]) {
            put(&self.place(path), text.as_bytes())?;
        }
        Ok(())
    }

    /// Puts list, signature and key beside the published files, as their publisher has them on offer.
    fn publish(&self, files: &[(&str, &[u8])]) -> Result<(), JobError> {
        let publisher = Publisher::new(SEED);
        let listed = list(files);
        put(&self.place(LIST), listed.as_bytes())?;
        put(&self.place(SIGNATURE), publisher.signature(listed.as_bytes(), "Meadowlark 9.4").as_bytes())?;
        put(&self.place(KEY), publisher.key_file().as_bytes())
    }

    /// Takes a step's file in, with the publisher's list, its signature and its key.
    fn take_in(&mut self, play: &Play, takes: &Takes) -> Result<(), JobError> {
        let request = IntakeRequest {
            file: self.place(&takes.file),
            list: Some(self.place(LIST)),
            signature: Some(self.place(SIGNATURE)),
            key: Some(self.place(KEY)),
            origin: takes.origin.clone(),
            job: Some(play.job.clone()),
            signed: Some(SIGNER.into()),
            ..IntakeRequest::default()
        };
        let report = intake(&self.bench, &request, self.front)?;
        self.expect(report.vouched_by == "signature", "nobody has signed the file")?;
        let kept = report.content.get(..12).unwrap_or_default();
        self.say(&format!(
            "    {} is in the list that {} signed: kept as {kept}",
            report.file,
            request.origin.unwrap_or_default()
        ));
        Ok(())
    }

    fn expect_chip(&self, file: &str, wanted: &[u8], what: &str) -> Result<(), JobError> {
        let path = self.place(file);
        let cells = fs::read(&path).map_err(|source| JobError::Io { doing: "read", path, source })?;
        self.expect(cells == wanted, &format!("{file} does not hold {what}"))
    }

    /// Plays a job from intake to handover; returns its id.
    fn play(&mut self, request: &StartRequest) -> Result<String, JobError> {
        let job = jobs::start(&self.bench, request, self.front)?.job;
        self.head(&format!("Job {job}: {}", request.kind.as_str()));
        let vault = open_bench(&self.bench)?;
        let profile = Work::open(&vault, &JobId::new(&job)?)?.profile;
        let play = Play { job, profile };
        let mut done = 0;
        for _ in 0..MOST_STEPS {
            let next = jobs::next(&self.bench, Some(&play.job), false)?;
            let Some(id) = next.step.as_ref().map(|step| step.id.clone()) else {
                self.sign_gate(&play, &next)?;
                continue;
            };
            let step = play.profile.step(&id).expect("the procedure names steps of the profile");
            if step.kind == StepKind::Handover {
                break;
            }
            self.do_step(&play, step)?;
            done += 1;
        }
        let handed = HandoverRequest { job: Some(play.job.clone()), by: SIGNER.into(), ..HandoverRequest::default() };
        let handover = jobs::handover(&self.bench, &handed, self.front)?;
        self.expect(handover.warnings.is_empty(), "the handover warns")?;
        let record = jobs::record(&self.bench, Some(&play.job), true)?;
        let file = format!("record-{}.md", request.kind.as_str());
        put(&self.place(&file), record.text().as_bytes())?;
        self.say(&format!("  {done} steps done, handed over, the journal is sealed; the record is virtual/{file}"));
        Ok(play.job)
    }

    /// Signs what nobody could answer at the intake: whether the hardware checks its firmware (S16).
    fn sign_gate(&mut self, play: &Play, next: &NextReport) -> Result<(), JobError> {
        let vault = open_bench(&self.bench)?;
        let work = Work::open(&vault, &JobId::new(&play.job)?)?;
        let state = work.state();
        let Some(gate) = state.fused_gate_to_sign().filter(|_| !state.is_fused()) else {
            let why = next.waits_for.first().map(|reason| reason.text.clone()).unwrap_or_default();
            return Err(JobError::Scene { why: format!("nothing can be done next: {why}") });
        };
        self.say(&format!("  Sign `{gate}`: nobody knows whether the hardware checks its firmware"));
        let request = SignRequest {
            step: gate.to_owned(),
            job: Some(play.job.clone()),
            by: SIGNER.into(),
            ..SignRequest::default()
        };
        jobs::sign(&self.bench, &request, self.front).map(drop)
    }

    fn do_step(&mut self, play: &Play, step: &Step) -> Result<(), JobError> {
        self.say(&format!("  {}", step.title));
        if let Some(takes) = &step.takes {
            return self.take_in(play, takes);
        }
        match step.kind {
            _ if is_done_here(step) => {
                let stick = self.place("stick.bin");
                let plugged = step.media.as_ref().map(|_| plug(&stick)).transpose()?;
                let chip = play.profile.chips_of(step).first().map_or("main", |chip| *chip).to_owned();
                let request = DoRequest {
                    job: play.job.clone(),
                    step: step.id.clone(),
                    link: Some(self.place(&format!("{chip}.toml")).display().to_string()),
                    signed: Some(SIGNER.into()),
                    files: vec![self.bench.join("virtual")],
                    size: plugged.as_ref().map(|_| STICK),
                    stick: plugged,
                    ..DoRequest::default()
                };
                let said = do_step(&self.bench, &request, self.front)?;
                if let Some(media) = &step.media {
                    self.expect_on(&stick, &media.image)?;
                }
                self.say(&format!("    {}", said.first().map_or("done", String::as_str)));
            }
            kind => {
                // A hold point of a start is signed before power comes, and says what there is no way back for.
                if kind == StepKind::PowerUp && step.hold {
                    let request = SignRequest { begin: true, ..signature(play, step) };
                    let begun = jobs::sign(&self.bench, &request, self.front)?;
                    if !begun.no_way_back.is_empty() {
                        let chips = begun.no_way_back.join(", ");
                        self.say(&format!("    hold point signed: no way back exists yet for {chips}"));
                    }
                }
                let chip = step.chip.as_deref().unwrap_or("main");
                let contact = matches!(kind, StepKind::Wire | StepKind::Unwire);
                let request = SignRequest {
                    measured: step.measure.as_ref().map(good_value),
                    link: contact.then(|| self.place(&format!("{chip}.toml")).display().to_string()),
                    ..signature(play, step)
                };
                if let (Some(measure), Some(value)) = (&step.measure, &request.measured) {
                    self.say(format!("    {}: {value} {}", measure.what, measure.unit).trim_end());
                }
                jobs::sign(&self.bench, &request, self.front)?;
            }
        }
        Ok(())
    }

    /// Looks at a stick without the room that wrote it.
    fn expect_on(&self, stick: &Path, wanted: &FileSpec) -> Result<(), JobError> {
        let mut cells =
            fs::read(stick).map_err(|source| JobError::Io { doing: "read", path: stick.to_path_buf(), source })?;
        cells.truncate(usize::try_from(wanted.size).unwrap_or(usize::MAX));
        self.expect(Pin::sha256(&cells).digits() == wanted.sha256, "the stick does not hold the image")
    }
}

/// The signature of a step.
fn signature(play: &Play, step: &Step) -> SignRequest {
    SignRequest { step: step.id.clone(), job: Some(play.job.clone()), by: SIGNER.into(), ..SignRequest::default() }
}

/// A value that a step calls good: machines of the stories are in order.
fn good_value(measure: &Measure) -> String {
    match measure.is.first() {
        Some(text) => text.clone(),
        None => measure.max.or(measure.min).unwrap_or(0.0).to_string(),
    }
}

/// What every intake of the stories has in common.
fn taken_in() -> StartRequest {
    StartRequest {
        kind: JobKind::Convert,
        profile: None,
        kept: None,
        of: None,
        machine: String::new(),
        owner: OWNER.into(),
        consent: SIGNER.into(),
        answers: Vec::new(),
    }
}
