//! The demo: the job of an invented machine, on a virtual bench, with real counts and times.
//!
//! The story that stands for all is a Larkspur Nine that is converted and, later, brought back; the Teal router board is a small
//! second one, for contrast: one chip, no descriptor, fed by the board, dead as found. The scenes show one chip and one mishap.
//!
//! Everything goes through the same engine as any other chip command; only the chip is virtual, and its time is counted
//! instead of waited for. The bench folder is left for a look. A scene is a story in which something goes wrong; it
//! succeeds when it ends as the story says, and fails otherwise.

mod desk;
mod machine;
mod stick;

use std::fs;
use std::path::{Path, PathBuf};

pub use self::desk::{DeskSet, set_for_desk};
use image::scenario::{LARKSPUR_MAC, larkspur_main, larkspur_port, meadowlark_main};
use serde::Serialize;
use vault::Digest;

pub use self::stick::update_disc;
use crate::apply::{Place, Target};
use crate::capture::CaptureReport;
use crate::error::JobError;
use crate::front::{Front, News};
use crate::report::ApplyReport;
use crate::session::{ChipOptions, Session, open_bench};
use crate::text::{about, applied, captured, duration, page, passes, size};

/// The seed of the scenario's images.
const SEED: u64 = 7;

/// Which story.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Scene {
    /// A whole machine as it should go: converted, handed over, and one day brought back.
    Job,
    /// A router board that arrives dead.
    Router,
    /// One chip there and back, without a profile.
    OneChip,
    /// The power fails in the middle of a write.
    CutOff,
    /// A 3.3 V programmer and a 1.8 V chip.
    WrongVoltage,
    /// One read is disturbed.
    OneBadRead,
    /// A contact loses clock edges, is named, and is reseated.
    BadContact,
    /// An image of another size.
    WrongImage,
}

/// What the demo ends with.
#[derive(Debug, Clone, Serialize)]
pub struct DemoReport {
    /// The story's name.
    pub scene: &'static str,
    /// The bench folder.
    pub bench: PathBuf,
    /// The bench file of the virtual chip.
    pub link: PathBuf,
    /// How it ended, in a sentence.
    pub ended: String,
}

impl DemoReport {
    /// The report for a person: how it ended, and where to look.
    #[must_use]
    pub fn text(&self) -> String {
        let (bench, link) = (self.bench.display(), self.link.display());
        format!(
            "{}\n\nThe bench folder is left for a look:\n  export FIRMHAND_BENCH={bench}\n  firmhand vault list\n  firmhand chip \
             identify --link {link}",
            page(&self.ended)
        )
    }
}

/// A folder for a demo under `parent` that is not there yet.
#[must_use]
pub fn free_folder(parent: &Path) -> PathBuf {
    let mut folder = parent.join("firmhand-demo");
    let mut number = 1;
    while folder.exists() {
        number += 1;
        folder = parent.join(format!("firmhand-demo-{number}"));
    }
    folder
}

/// Plays a story in the bench folder `bench`.
///
/// # Errors
/// [`JobError::Scene`] when it does not end as it should; else what went wrong.
pub fn run(scene: Scene, bench: &Path, front: &mut dyn Front) -> Result<DemoReport, JobError> {
    let mut stage = Stage::build(bench, front)?;
    let (name, ended) = match scene {
        Scene::Job => ("job", stage.larkspur()?),
        Scene::Router => ("router", stage.router()?),
        Scene::OneChip => ("one-chip", stage.one_chip()?),
        Scene::CutOff => ("cut-off", stage.cut_off()?),
        Scene::WrongVoltage => ("wrong-voltage", stage.wrong_voltage()?),
        Scene::OneBadRead => ("one-bad-read", stage.one_bad_read()?),
        Scene::BadContact => ("bad-contact", stage.bad_contact()?),
        Scene::WrongImage => ("wrong-image", stage.wrong_image()?),
    };
    Ok(DemoReport { scene: name, bench: bench.to_path_buf(), link: stage.link, ended })
}

/// The bench folder with a virtual chip and the images in it.
struct Stage<'f> {
    bench: PathBuf,
    link: PathBuf,
    /// Where the virtual chip keeps its content.
    chip: PathBuf,
    as_found: Vec<u8>,
    meadowlark: PathBuf,
    port: PathBuf,
    front: &'f mut dyn Front,
}

impl<'f> Stage<'f> {
    fn build(bench: &Path, front: &'f mut dyn Front) -> Result<Self, JobError> {
        // The bench first: a folder that is none is refused before anything is put into it.
        drop(open_bench(bench)?);
        let folder = bench.join("virtual");
        fs::create_dir_all(&folder).map_err(|source| JobError::Io { doing: "make", path: folder.clone(), source })?;
        let stage = Self {
            bench: bench.to_path_buf(),
            link: folder.join("main.toml"),
            chip: folder.join("main.bin"),
            as_found: larkspur_main(SEED, LARKSPUR_MAC),
            meadowlark: folder.join("meadowlark.bin"),
            port: folder.join("port.bin"),
            front,
        };
        put(&stage.chip, &stage.as_found)?;
        put(&stage.meadowlark, &meadowlark_main(SEED, LARKSPUR_MAC))?;
        put(&stage.port, &larkspur_port(SEED))?;
        let state = stage.chip.with_extension("bin.state");
        if state.exists() {
            fs::remove_file(&state).map_err(|source| JobError::Io { doing: "remove", path: state, source })?;
        }
        stage.bench_file("W25Q128", "")?;
        Ok(stage)
    }

    /// Writes the bench file of `main`: the chip, a link of 12 MHz, and what the scene adds.
    fn bench_file(&self, marking: &str, more: &str) -> Result<(), JobError> {
        self.chip_file("main", marking, "main.bin", more)
    }

    /// Writes the bench file of a chip.
    fn chip_file(&self, chip: &str, marking: &str, content: &str, more: &str) -> Result<(), JobError> {
        let text = format!(
            "# The chip `{chip}`, on a virtual bench.\nseed = {SEED}\n\n[chip]\nmarking = \"{marking}\"\n\
             content = \"{content}\"\n\n[link]\nclock_hz = 12000000\n{more}"
        );
        put(&self.bench.join("virtual").join(format!("{chip}.toml")), text.as_bytes())
    }

    fn say(&mut self, text: &str) {
        self.front.news(&News::Said(text.to_owned()));
    }

    fn head(&mut self, text: &str) {
        self.say(&format!("\n{text}"));
    }

    fn session(&mut self, verb: &str) -> Result<Session<'_>, JobError> {
        let options = ChipOptions { link: self.link.display().to_string(), ..ChipOptions::default() };
        Session::open(&self.bench, options, verb, self.front)
    }

    fn capture(&mut self) -> Result<CaptureReport, JobError> {
        let report = self.session("demo")?.capture()?;
        self.say(&format!("  {}", captured(&report)));
        for pass in passes(&report.evidence) {
            self.say(&format!("    {pass}"));
        }
        if let Some(bound) = report.evidence.error_bound_95 {
            self.say(&format!("    a random flip: at most {bound:.1e} a bit, with 95 % confidence"));
        }
        self.say(&format!("    kept as {}", &report.content[..16]));
        Ok(report)
    }

    fn apply(&mut self, file: &Path) -> Result<ApplyReport, JobError> {
        let target = Target::from_file(file, Place::Whole)?;
        let report = self.session("demo")?.apply(&target)?;
        self.say_applied(&report);
        Ok(report)
    }

    fn say_applied(&mut self, report: &ApplyReport) {
        self.say(&format!("  {}", applied(report)));
        self.say(&format!(
            "    {} blocks erased, {} programmed in {} (the plan said {})",
            report.erases,
            about(report.programmed_bytes),
            duration(report.took_ms),
            duration(report.predicted_ms)
        ));
    }

    fn expect(&self, holds: bool, what: &str) -> Result<(), JobError> {
        if holds { Ok(()) } else { Err(JobError::Scene { why: what.to_owned() }) }
    }

    /// What the virtual chip's cells hold, looked at beside the link.
    fn cells(&self) -> Result<Vec<u8>, JobError> {
        fs::read(&self.chip).map_err(|source| JobError::Io { doing: "read", path: self.chip.clone(), source })
    }

    fn wanted(&self) -> Result<Vec<u8>, JobError> {
        Ok(Target::from_file(&self.meadowlark, Place::Whole)?.bytes)
    }

    fn one_chip(&mut self) -> Result<String, JobError> {
        self.say("The Larkspur Nine's chip `main` gets the firmware Meadowlark, and its old one back.");
        self.say("All of it is invented; the chip is virtual, and its time is counted, not waited for.");
        self.head("1. Which chip is it?");
        let report = crate::identify::report(&self.session("demo")?, false);
        let erases: Vec<_> = report.erase.iter().map(|erase| size(u64::from(erase.size))).collect();
        let chip = report.markings.join(" or ");
        self.say(&format!(
            "  {chip}, id {}, {}; erases {}",
            report.id.as_deref().unwrap_or_default(),
            size(u64::from(report.size)),
            erases.join(", ")
        ));
        self.head("2. Read it until the backup is proven");
        let capture = self.capture()?;
        self.head("3. Bring it to Meadowlark, the cheapest way");
        let meadowlark = self.meadowlark.clone();
        let there = self.apply(&meadowlark)?;
        self.expect(self.cells()? == self.wanted()?, "the chip's cells do not hold Meadowlark")?;
        self.head("4. The day comes when the old firmware has to be back");
        let back = self.session("demo")?.restore(None)?;
        self.say_applied(&back);
        self.expect(self.cells()? == self.as_found, "the chip's cells do not hold the old firmware")?;
        self.expect(back.content == capture.content, "the restored content is not the capture")?;
        Ok(format!(
            "Done: {} there and back, {} on the chip's own clock, 0 bytes differ.",
            size(there.verified_bytes),
            duration(there.took_ms + back.took_ms)
        ))
    }

    fn cut_off(&mut self) -> Result<String, JobError> {
        self.say("The power fails in the middle of a write. The same command again goes on.");
        self.head("1. The backup");
        let capture = self.capture()?;
        let target = Target::from_file(&self.meadowlark.clone(), Place::Whole)?;
        self.head("2. The write, and the cut");
        let (plan, begun) = {
            let mut session = self.session("demo")?;
            (session.plan_only(&target)?, session.link_us())
        };
        // Into the middle of the erases and programs, past the read that comes before them.
        #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a positive time")]
        let at_us = begun + ((plan.verify_ms + plan.cost_ms / 2.0) * 1000.0) as u64;
        self.bench_file("W25Q128", &format!("\n[[fault]]\nkind = \"power-cut\"\nat_us = {at_us}\n"))?;
        let Err(error) = self.session("demo").and_then(|mut session| session.apply(&target)) else {
            return Err(JobError::Scene { why: "the power did not fail".into() });
        };
        self.expect(error.kind() == crate::ErrorKind::CutOff, &format!("it failed in another way: {error}"))?;
        self.say(&format!("  {error}"));
        for cause in error.causes() {
            self.say(&format!("    {cause}"));
        }
        let cells = self.cells()?;
        let now_new = cells.iter().zip(&target.bytes).filter(|(is, new)| is == new).count();
        self.say(&format!("  {} of {} bytes are as wanted", now_new, target.bytes.len()));
        self.expect(cells != self.as_found && cells != target.bytes, "the cut did not come in the middle")?;
        self.head("3. The same command again");
        let report = self.session("demo")?.apply(&target)?;
        self.say_applied(&report);
        self.expect(report.resumed, "the second run did not see that it goes on")?;
        self.expect(self.cells()? == target.bytes, "the chip's cells do not hold Meadowlark")?;
        self.kept(&capture)?;
        Ok("Cut off in the middle, run again, whole: 0 bytes differ, and the backup is in the vault.".into())
    }

    fn wrong_voltage(&mut self) -> Result<String, JobError> {
        self.say("A programmer that drives 3.3 V, and a chip that takes 1.8 V.");
        self.bench_file("W25Q128FW", "drives_v = 3.3\n")?;
        self.head("1. The attempt");
        let Err(error) = self.session("demo") else {
            return Err(JobError::Scene { why: "the link was used".into() });
        };
        self.expect(matches!(error, JobError::Voltage { .. }), &format!("refused for another reason: {error}"))?;
        self.say(&format!("  {error}"));
        self.expect(self.cells()? == self.as_found, "the chip's cells changed")?;
        self.head("2. With a level adapter that drives 1.8 V");
        self.bench_file("W25Q128FW", "drives_v = 1.8\n")?;
        self.capture()?;
        Ok("Refused before anything was driven; with the right voltage the chip reads.".into())
    }

    fn one_bad_read(&mut self) -> Result<String, JobError> {
        self.say("A contact trembles while the chip is read for the first time.");
        self.head("1. Reads that differ, and more of them");
        let begun = self.session("demo")?.link_us();
        self.bench_file(
            "W25Q128",
            &format!(
                "\n[[fault]]\nkind = \"noise\"\nrate = 1e-7\nseverity = 1.0\nfrom_us = {}\nuntil_us = {}\n",
                begun + 2_000_000,
                begun + 9_000_000
            ),
        )?;
        let report = self.capture()?;
        self.expect(report.evidence.settled_sectors > 0, "the first reads were not disturbed")?;
        let kept = Digest::blake3(&self.as_found).to_string();
        self.expect(report.content == kept, "the capture is not what the chip holds")?;
        Ok("The first two reads differed and were not believed; what differed was read again, twice, and is right."
            .into())
    }

    fn bad_contact(&mut self) -> Result<String, JobError> {
        self.say("The clip's contact of CLK is dirty: now and then an edge gets lost.");
        let fault = "features = [\"line-test\"]\n\n[[fault]]\nkind = \"clock-slip\"\nrate = 2e-7\nseverity = 0.3\n";
        self.bench_file("W25Q128", fault)?;
        self.head("1. The attempt");
        let Err(error) = self.session("demo").and_then(|mut session| session.capture()) else {
            return Err(JobError::Scene { why: "reads through a bad contact were accepted".into() });
        };
        self.expect(matches!(error, JobError::NotAccepted { .. }), &format!("refused for another reason: {error}"))?;
        self.say(&format!("  {error}"));
        for cause in error.causes() {
            self.say(&format!("    {cause}"));
        }
        let advice = error.hint().unwrap_or_default();
        self.say(&format!("  {advice}"));
        self.expect(advice.contains("CLK (pin 6)"), "the contact was not named")?;
        self.head("2. CLK is cleaned and reseated");
        self.bench_file("W25Q128", "features = [\"line-test\"]\n")?;
        let report = self.capture()?;
        let kept = Digest::blake3(&self.as_found).to_string();
        self.expect(report.content == kept, "the capture is not what the chip holds")?;
        Ok("Nothing was believed that came through the bad contact; it was named, and the capture is right.".into())
    }

    fn wrong_image(&mut self) -> Result<String, JobError> {
        self.say("The image of the other chip, `port`, is given for `main`.");
        self.head("1. The attempt");
        let port = self.port.clone();
        let Err(error) = self.apply(&port) else {
            return Err(JobError::Scene { why: "it was written".into() });
        };
        self.expect(matches!(error, JobError::ImageSize { .. }), &format!("refused for another reason: {error}"))?;
        self.say(&format!("  {error}"));
        self.expect(self.cells()? == self.as_found, "the chip's cells changed")?;
        Ok("Refused before anything was read or written: a whole-chip image has the chip's size.".into())
    }

    fn kept(&mut self, capture: &CaptureReport) -> Result<(), JobError> {
        let vault = open_bench(&self.bench)?;
        let bytes = vault.read_vec(&vault.find(&capture.content)?)?;
        self.expect(bytes == self.as_found, "the backup is not what the chip held")
    }
}

fn put(path: &Path, bytes: &[u8]) -> Result<(), JobError> {
    fs::write(path, bytes).map_err(|source| JobError::Io { doing: "write", path: path.to_path_buf(), source })
}
