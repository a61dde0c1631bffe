//! What a person does on the page of a job: each of these is one command of the engine.

use std::time::Duration;

use axum::extract::{Path, State};
use axum::response::Response;
use job::doing::{DoRequest, do_step};
use job::jobs::{self, HandoverRequest, SignRequest};
use job::vault::JobId;
use job::{ChipOptions, JobError, Nobody, Reply, link_check};

use crate::ask::{Fields, engine, job_id, on_to};
use crate::fault::Fault;
use crate::links::chosen;
use crate::papers;
use crate::runner::{DeskFront, Piece};
use crate::state::AppState;
use crate::sticks;
use crate::words;

/// How long a page waits for work that may be over at once.
const A_MOMENT: Duration = Duration::from_millis(400);
/// Between two looks of a watch over a link that does not wait by itself.
const WATCH_PACE: Duration = Duration::from_millis(15);

/// A number with a comma, as many people write it, gets its point.
fn point(value: String) -> String {
    let pointed = value.replace(',', ".");
    if pointed.parse::<f64>().is_ok() { pointed } else { value }
}

/// A step is signed, begins, or stays dark; a gate is signed.
pub(super) async fn sign(
    State(state): State<AppState>,
    Path(id): Path<String>,
    fields: Fields,
) -> Result<Response, Fault> {
    let job = job_id(&id)?;
    let deed = fields.given("deed").unwrap_or_default();
    let stays = fields.ticked("stays");
    let request = SignRequest {
        step: fields.must("step")?,
        job: Some(job.to_string()),
        by: fields.must("by")?,
        note: fields.given("note"),
        measured: fields.given("measured").map(point),
        link: chosen(&state, &fields)?,
        link_stays: stays,
        begin: deed == "begin",
        dark: deed == "dark",
    };
    let bench = state.bench().to_path_buf();
    let step = request.step.clone();
    if request.link.is_none() {
        // Nothing here waits for hands.
        engine(move || Ok(jobs::sign(&bench, &request, &mut Nobody)?)).await?;
        // The notice of the step before has been seen by whoever signs the next one.
        state.runner().put_away(&job);
        return Ok(on_to(&format!("/job/{job}")));
    }
    run(&state, job, step.clone(), Duration::ZERO, move |front| {
        let report = jobs::sign(&bench, &request, front)?;
        Ok(vec![words::signed(&report.step, report.done)])
    })
    .await
}

/// firmhand does a step.
pub(super) async fn act(
    State(state): State<AppState>,
    Path(id): Path<String>,
    fields: Fields,
) -> Result<Response, Fault> {
    let job = job_id(&id)?;
    let request = DoRequest {
        job: job.to_string(),
        step: fields.must("step")?,
        link: chosen(&state, &fields)?,
        signed: fields.given("by"),
        drives: fields.number("drives")?,
        files: state.settings().files.clone(),
        papers: papers::chosen(&state, &fields)?,
        stick: sticks::chosen(&state, &fields)?,
        // Asked for by the work itself, with the drive before the person's eyes.
        size: None,
    };
    let bench = state.bench().to_path_buf();
    let step = request.step.clone();
    run(&state, job, step, Duration::ZERO, move |front| do_step(&bench, &request, front)).await
}

/// The contacts of a chip that is wired are tested, or watched until somebody stops it.
pub(super) async fn check(
    State(state): State<AppState>,
    Path(id): Path<String>,
    fields: Fields,
) -> Result<Response, Fault> {
    let job = job_id(&id)?;
    let watch = fields.given("how").as_deref() == Some("watch");
    let link = chosen(&state, &fields)?.ok_or_else(|| Fault::Sent(words::missing("link")))?;
    let sight = {
        let (state, job) = (state.clone(), job.clone());
        engine(move || Ok(jobs::sight(state.bench(), &job, None)?)).await?
    };
    let chip = sight.chips.iter().find(|chip| sight.wired.contains(&chip.chip));
    let chip = chip.ok_or_else(|| Fault::Sent(words::NO_CONTACT_ON.to_owned()))?;
    let options = ChipOptions {
        link,
        supply: Some(chip.volts),
        drives: fields.number("drives")?,
        // The steps that are signed asked what is asked here: supplies off, clip on without power, pin 1.
        yes: true,
        ..ChipOptions::default()
    };
    let bench = state.bench().to_path_buf();
    let what = if watch { words::WATCH } else { words::LINE_TEST };
    if watch {
        run(&state, job.clone(), what.into(), WATCH_PACE, move |front| {
            let report = link_check::watch(&bench, &options, None, front)?;
            Ok(vec![report.text()])
        })
        .await?;
        return Ok(on_to(&format!("/job/{job}/watch")));
    }
    let (tests, tested, chip) = (state.tests().clone(), job.clone(), chip.chip.clone());
    run(&state, job, what.into(), Duration::ZERO, move |front| {
        let report = link_check::check(&bench, &options, front)?;
        tests.keep(&tested, &chip, report.pins.clone());
        Ok(report.text().lines().map(str::to_owned).collect())
    })
    .await
}

/// Work that runs is asked to stop where it is safe.
pub(super) async fn stop(State(state): State<AppState>, Path(id): Path<String>) -> Result<Response, Fault> {
    let job = job_id(&id)?;
    if let Some(task) = state.runner().task(&job) {
        task.stop();
    }
    settle(&state, &job).await;
    Ok(on_to(&format!("/job/{job}")))
}

/// A question of work that runs is answered.
pub(super) async fn answer(
    State(state): State<AppState>,
    Path(id): Path<String>,
    fields: Fields,
) -> Result<Response, Fault> {
    let job = job_id(&id)?;
    let number = fields.number("number")?.ok_or_else(|| Fault::Sent(words::missing("number")))?;
    let reply = match (fields.given("reply").as_deref(), fields.given("by"), fields.number("size")?) {
        (Some("yes"), ..) => Reply::Yes,
        (Some("no"), ..) => Reply::No,
        (_, Some(name), _) => Reply::Signed(name),
        (.., Some(bytes)) => Reply::Size(bytes),
        _ => return Err(Fault::Sent(words::missing("reply"))),
    };
    if !state.runner().task(&job).is_some_and(|task| task.answer(number, reply)) {
        return Err(Fault::Sent(words::NO_LONGER_ASKED.to_owned()));
    }
    settle(&state, &job).await;
    Ok(on_to(&format!("/job/{job}")))
}

/// The notice of how work ended is put away.
pub(super) async fn seen(State(state): State<AppState>, Path(id): Path<String>) -> Result<Response, Fault> {
    let job = job_id(&id)?;
    state.runner().put_away(&job);
    Ok(on_to(&format!("/job/{job}")))
}

/// The machine is handed over, or goes back as it is.
pub(super) async fn handover(
    State(state): State<AppState>,
    Path(id): Path<String>,
    fields: Fields,
) -> Result<Response, Fault> {
    let job = job_id(&id)?;
    let request = HandoverRequest {
        job: Some(job.to_string()),
        by: fields.must("by")?,
        as_is: fields.given("as_is"),
        link: chosen(&state, &fields)?,
        link_stays: fields.ticked("stays"),
    };
    let bench = state.bench().to_path_buf();
    run(&state, job, words::HAND_OVER.into(), Duration::ZERO, move |front| {
        let report = jobs::handover(&bench, &request, front)?;
        let told = report.limits.into_iter().map(|limit| format!("{} {limit}", words::TELL));
        Ok(std::iter::once(words::HANDED_OVER.to_owned()).chain(told).chain(report.warnings).collect())
    })
    .await
}

/// Begins work in the background, waits a moment for what is over at once, and leads to the job's page.
async fn run(
    state: &AppState,
    job: JobId,
    step: String,
    pace: Duration,
    work: impl FnOnce(&mut DeskFront) -> Result<Vec<String>, JobError> + Send + 'static,
) -> Result<Response, Fault> {
    let title = {
        let (state, job, step) = (state.clone(), job.clone(), step.clone());
        engine(move || {
            let path = jobs::status(state.bench(), Some(job.as_str()), false)?.path;
            Ok(path.into_iter().find(|line| line.id == step).map_or(step, |line| line.title))
        })
        .await?
    };
    if state.runner().start(Piece { job: job.clone(), step, title, pace }, work).is_none() {
        return Err(Fault::Runs);
    }
    settle(state, &job).await;
    Ok(on_to(&format!("/job/{job}")))
}

async fn settle(state: &AppState, job: &JobId) {
    let end = tokio::time::Instant::now() + A_MOMENT;
    while state.runner().runs(job) && tokio::time::Instant::now() < end {
        tokio::time::sleep(Duration::from_millis(20)).await;
    }
}
