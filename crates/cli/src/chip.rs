//! The `chip` commands.

use std::path::Path;

use job::text::{about, applied, captured, counted, duration, page, passes, size, verified};
use job::{ChipOptions, JobError, Place, PlanReport, Session, Target};

use crate::args::{Chip, ChipArgs, Global, PlaceArgs, WriteArgs};
use crate::face::Face;
use crate::output::Output;

/// Runs a chip command.
pub fn run(command: Chip, global: &Global, bench: &Path, output: &Output, face: &mut Face) -> Result<(), JobError> {
    match command {
        Chip::Identify(chip) => {
            let session = Session::open(bench, options(&chip, None, global), "chip identify", face)?;
            let report = job::identify::report(&session, global.redact);
            output.result(&report, || report.text());
        }
        Chip::Capture(chip) => {
            let mut session = Session::open(bench, options(&chip, None, global), "chip capture", face)?;
            let report = session.capture()?;
            output.result(&report, || {
                let mut text = captured(&report);
                for pass in passes(&report.evidence) {
                    text += &format!("\n  {pass}");
                }
                let evidence = &report.evidence;
                let found = evidence.reasons.iter().filter(|reason| !evidence.remains.contains(reason));
                for sentence in found.chain(&evidence.remains) {
                    text += &format!("\n  {sentence}");
                }
                page(&format!("{text}\n  kept as {}\n  SHA-256 {}", report.content, report.sha256))
            });
        }
        Chip::Apply { image, plan_only, place, chip, write } => {
            let place = place_of(&place);
            early_look(&image, &place)?;
            let mut session = Session::open(bench, options(&chip, Some(&write), global), "chip apply", face)?;
            let target = session.target(&image, place)?;
            if plan_only {
                let report = session.plan_only(&target)?;
                output.result(&report, || plan_text(&report));
            } else {
                let report = session.apply(&target)?;
                output.result(&report, || applied_text(&report));
            }
        }
        Chip::Fill { value, chip, write } => {
            let value = u8::from_str_radix(&value, 16).expect("the parser takes 00 and FF alone");
            let mut session = Session::open(bench, options(&chip, Some(&write), global), "chip fill", face)?;
            let report = session.fill(value)?;
            output.result(&report, || applied_text(&report));
        }
        Chip::Restore { capture, chip, write } => {
            let mut session = Session::open(bench, options(&chip, Some(&write), global), "chip restore", face)?;
            let report = session.restore(capture.as_deref())?;
            output.result(&report, || applied_text(&report));
        }
        Chip::Verify { image, place, chip } => {
            let place = place_of(&place);
            early_look(&image, &place)?;
            let mut session = Session::open(bench, options(&chip, None, global), "chip verify", face)?;
            let target = session.target(&image, place)?;
            let report = session.verify(&target)?;
            output.result(&report, || page(&verified(&report)));
        }
    }
    Ok(())
}

/// An image file that cannot be read is said before any question is asked or any wire driven.
fn early_look(image: &str, place: &Place) -> Result<(), JobError> {
    let path = Path::new(image);
    if path.exists() { Target::from_file(path, place.clone()).map(drop) } else { Ok(()) }
}

/// The options of a chip command, for the engine.
pub fn options(chip: &ChipArgs, write: Option<&WriteArgs>, global: &Global) -> ChipOptions {
    ChipOptions {
        link: chip.link.clone(),
        job: chip.job.clone(),
        marking: chip.marking.clone(),
        supply: chip.supply,
        drives: chip.drives,
        yes: global.yes,
        signed: chip.signed.clone(),
        no_capture: write.and_then(|write| write.no_capture.clone()),
    }
}

fn place_of(place: &PlaceArgs) -> Place {
    match (&place.at, &place.region) {
        (Some(at), _) => Place::At(*at),
        (None, Some(region)) => Place::Region(region.clone()),
        (None, None) => Place::Whole,
    }
}

fn applied_text(report: &job::ApplyReport) -> String {
    let mut text = applied(report);
    if report.erases == 0 && report.programmed_bytes == 0 {
        text += "\n  nothing had to be written";
    } else {
        text += &format!(
            "\n  {} blocks erased, {} programmed, {} (the plan said {})",
            report.erases,
            about(report.programmed_bytes),
            duration(report.took_ms),
            duration(report.predicted_ms)
        );
    }
    match &report.capture {
        Some(capture) => text += &format!("\n  before: {capture}"),
        None => text += "\n  before: not captured, as asked",
    }
    page(&format!("{text}\n  now:    {}", report.content))
}

fn plan_text(report: &PlanReport) -> String {
    let bytes: u64 = report.programs.iter().map(|(_, len)| u64::from(*len)).sum();
    let mut text = format!("{}, {} to program", counted(report.erases.len() as u64, "erase"), about(bytes));
    for (block, ms) in &report.cost_model.erase_ms {
        let count = report.erases.iter().filter(|erase| erase.size == *block).count();
        if count > 0 {
            text += &format!("\n  {count} blocks of {}, {} each", size(u64::from(*block)), duration(*ms));
        }
    }
    text += &format!(
        "\n  erasing and programming {}, reading again {}, checks {}: {} in all\n  nothing was written",
        duration(report.cost_ms),
        duration(report.verify_ms),
        duration(report.checks_ms),
        duration(report.predicted_ms)
    );
    page(&text)
}
