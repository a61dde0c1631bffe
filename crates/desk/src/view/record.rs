//! `/job/ID/record`, `label`, `write-up`: what leaves the bench on paper.
//!
//! The record is a page made for printing, on A4 or letter by `?paper=`: hashes as found and as left, signatures, what was measured,
//! photos, and the cautions that whoever signed was shown.

use axum::Router;
use axum::extract::{Path, Query, State};
use axum::http::header::{CONTENT_DISPOSITION, CONTENT_TYPE};
use axum::response::{IntoResponse, Response};
use axum::routing::get;
use job::jobs::{ChipRecord, ContentRecord, RecordReport, StepRecord, WriteUp, label, record, write_up};
use maud::{Markup, PreEscaped, html};
use serde::Deserialize;

use super::{blocks, places, words};
use crate::ask::{engine, job_id};
use crate::fault::Fault;
use crate::page::page;
use crate::state::AppState;

pub(super) fn routes() -> Router<AppState> {
    Router::new()
        .route("/job/{job}/record", get(whole))
        .route("/job/{job}/label", get(sticker))
        .route("/job/{job}/label.svg", get(sticker_file))
        .route("/job/{job}/write-up", get(lesson))
        .route("/job/{job}/write-up.md", get(lesson_file))
}

#[derive(Deserialize)]
struct Paper {
    paper: Option<String>,
}

async fn whole(
    State(state): State<AppState>,
    Path(job): Path<String>,
    Query(paper): Query<Paper>,
) -> Result<Response, Fault> {
    let job = job_id(&job)?.to_string();
    let asked = paper.paper.unwrap_or_default();
    let paper = words::PAPERS.iter().find(|(key, _)| *key == asked).unwrap_or(&words::PAPERS[0]).0;
    let report = {
        let job = job.clone();
        engine(move || Ok(record(state.bench(), Some(&job), false)?)).await?
    };
    let body = html! {
        link rel="stylesheet" href={ "/assets/view-" (paper) ".css" };
        div.no-print {
            h1 { (words::RECORD) }
            (places(&job, "record"))
            div.card.deeds {
                button.deed type="button" data-print hidden { (words::PRINT) }
                @for (key, name) in words::PAPERS {
                    @if key == paper { a.button href={ "?paper=" (key) } aria-current="true" { (name) } }
                    @else { a.button href={ "?paper=" (key) } { (name) } }
                }
                a.button href={ "/job/" (job) "/label" } { (words::LABEL) }
                a.button href={ "/job/" (job) "/write-up" } { (words::WRITE_UP) }
            }
        }
        (sheet(&report))
        script src="/assets/view-print.js" type="module" {}
    };
    Ok(page(words::RECORD, &body))
}

fn sheet(report: &RecordReport) -> Markup {
    let mut cautions: Vec<&str> = Vec::new();
    for caution in report.steps.iter().flat_map(|step| &step.cautions) {
        if !cautions.contains(&caution.as_str()) {
            cautions.push(caution);
        }
    }
    let state = if report.sealed { "closed and sealed" } else { "still open" };
    html! {
        article.sheet {
            header {
                h2.title { (words::WORK_RECORD) }
                p { b { (report.board) } ", job " b { (report.job) } ", " (report.kind) ", " (state) }
            }
            dl.facts {
                (fact("Machine", report.machine.as_deref()))
                (fact("Owner", report.owner.as_deref()))
                (fact("Consent by", report.consent.as_deref()))
                @if let Some(when) = &report.taken_in { dt { "Taken in" } dd { (blocks::time(when)) } }
                (fact("Takes back", report.of.as_deref()))
                (fact("Given back as it is", report.given_back.as_deref()))
                dt { "Profile" } dd { "BLAKE3 " code.long { (report.profile) } }
            }
            @for warning in &report.warnings { p.noway { (warning) } }
            section { h3 { "Chips" }
                @for chip in &report.chips { (chip_part(chip, words::AS_LEFT, words::NOT_WRITTEN)) }
                @for span in &report.spans { (chip_part(span, words::AS_COMPOSED, words::NOT_COMPOSED)) }
            }
            @if !report.limits.is_empty() {
                section { h3 { "What does not work" } ul { @for limit in &report.limits {
                    li { (limit.text) " (acknowledged: " (yes(limit.acknowledged)) "; told: " (yes(limit.told)) ")" }
                } } }
            }
            section { h3 { "Steps" }
                table.steps {
                    thead { tr { @for head in words::STEP_HEADS { th scope="col" { (head) } } } }
                    tbody { @for step in &report.steps { (step_row(step)) } }
                }
            }
            @if !report.photos.is_empty() {
                section { h3 { (words::PHOTOS) } ul.photos { @for photo in &report.photos {
                    li {
                        img src={ "/job/" (report.job) "/photo/" (photo.content) } alt=(photo.note.as_deref().unwrap_or(words::PHOTO));
                        small { (photo.step) ", " (photo.by) ", " (blocks::time(&photo.when)) @if let Some(note) = &photo.note { ": " (note) } }
                    }
                } } }
            }
            @if !report.gates.is_empty() {
                section { h3 { "Gates" } ul { @for gate in &report.gates {
                    li { (gate.id) ": " (gate.answer) ", " (gate.by) ", " (blocks::time(&gate.when)) }
                } } }
            }
            section { h3 { "Intake" } ul.answers { @for (id, answer) in &report.answers { li { (id) ": " (answer) } } } }
            @if !cautions.is_empty() {
                section { h3 { "Cautions acknowledged" } ul.small { @for caution in cautions { li { (caution) } } } }
            }
            @if !report.notes.is_empty() {
                section { h3 { "Notes on the journal" } ul { @for note in &report.notes { li { "entry " (note.seq) ": " (note.text) } } } }
            }
            p.small { "Journal: " (report.entries) " entries, the last with the hash " code.long { (report.last_hash) } }
            div.sign { @for line in words::SIGN_LINES { p { span.line {} (line) ", date" } } }
        }
    }
}

fn fact(name: &str, value: Option<&str>) -> Markup {
    html! { @if let Some(value) = value.filter(|value| !value.is_empty()) { dt { (name) } dd { (value) } } }
}

fn yes(yes: bool) -> &'static str {
    if yes { "yes" } else { "no" }
}

fn chip_part(chip: &ChipRecord, left: &str, none: &str) -> Markup {
    html! {
        div.chip-part {
            h4 { (chip.chip) }
            dl.facts {
                (content(words::AS_FOUND, chip.as_found.as_ref(), words::NOT_CAPTURED))
                @for further in &chip.further { (content(words::LATER, Some(further), "")) }
                (content(left, chip.as_left.as_ref(), none))
            }
        }
    }
}

fn content(name: &str, content: Option<&ContentRecord>, none: &str) -> Markup {
    html! {
        dt { (name) }
        @match content {
            None => dd { (none) },
            Some(content) => dd {
                @match &content.sha256 {
                    Some(sha256) => { "SHA-256 " code.long { (sha256) } },
                    None => (words::FORGOTTEN),
                }
                br; "BLAKE3 " code.long { (content.content) }
            },
        }
    }
}

fn step_row(step: &StepRecord) -> Markup {
    html! {
        tr {
            th scope="row" { (step.title) }
            td { @match &step.when { Some(when) => (blocks::time(when)), None => (step.standing) } }
            td { (step.by.as_deref().unwrap_or_default()) }
            td { @if let Some(minutes) = step.minutes { (format!("{minutes:.1}")) } }
            td {
                @if let Some(measured) = &step.measured { "measured " (measured) ". " }
                @if let Some(note) = &step.note { (note) " " }
                @if !step.no_way_back.is_empty() { b { "signed with no way back for " (step.no_way_back.join(", ")) } }
            }
        }
    }
}

async fn sticker(State(state): State<AppState>, Path(job): Path<String>) -> Result<Response, Fault> {
    let job = job_id(&job)?.to_string();
    let label = {
        let job = job.clone();
        engine(move || Ok(label(state.bench(), Some(&job))?)).await?
    };
    let body = html! {
        link rel="stylesheet" href="/assets/view-label.css";
        div.no-print {
            h1 { (words::LABEL) }
            (places(&job, "record"))
            p { (words::LABEL_WHAT) }
            div.card.deeds {
                button.deed type="button" data-print hidden { (words::PRINT) }
                a.button href={ "/job/" (job) "/label.svg" } download={ "label-" (job) ".svg" } { (words::LABEL_SAVE) }
            }
        }
        div.label-sheet { (PreEscaped(label.svg)) }
        div.no-print.card { ul { @for line in &label.lines { li { (line) } } } }
        script src="/assets/view-print.js" type="module" {}
    };
    Ok(page(words::LABEL, &body))
}

async fn sticker_file(State(state): State<AppState>, Path(job): Path<String>) -> Result<Response, Fault> {
    let job = job_id(&job)?.to_string();
    let svg = engine(move || Ok(label(state.bench(), Some(&job))?.svg)).await?;
    Ok(file("image/svg+xml", "label.svg", svg))
}

async fn lesson(State(state): State<AppState>, Path(job): Path<String>) -> Result<Response, Fault> {
    let job = job_id(&job)?.to_string();
    let lesson = {
        let job = job.clone();
        engine(move || Ok(write_up(state.bench(), Some(&job))?)).await?
    };
    let body = html! {
        div.no-print {
            h1 { (words::WRITE_UP) }
            (places(&job, "record"))
            p { (words::WRITE_UP_WHAT) }
            div.card.deeds {
                button.deed type="button" data-print hidden { (words::PRINT) }
                a.button href={ "/job/" (job) "/write-up.md" } download="write-up.md" { (words::WRITE_UP_SAVE) }
            }
        }
        (told(&lesson))
        script src="/assets/view-print.js" type="module" {}
    };
    Ok(page(words::WRITE_UP, &body))
}

fn told(lesson: &WriteUp) -> Markup {
    let list = |title: &str, list: &[String]| {
        html! { @if !list.is_empty() { section { h3 { (title) } ul { @for text in list { li { (text) } } } } } }
    };
    html! {
        article.sheet {
            header { h2.title { (lesson.board) ": one job, step by step" }
                p { "Kind of job: " (lesson.kind) ". Brought to its end: " (yes(lesson.finished)) "." } }
            @for chip in &lesson.chips {
                section { h3 { "Chip " (chip.chip) }
                    p { (chip.what) ". " (chip.place) }
                    ul { @for text in &chip.captures { li { "Captured: " (text) } } @for text in &chip.writes { li { "Written: " (text) } } } }
            }
            section { h3 { "Steps" } ol { @for step in &lesson.steps { li {
                b { (step.title) } @if let Some(minutes) = step.minutes { " (" (format!("{minutes:.1}")) " min at most)" } ". " (step.why)
                @if let Some(measured) = &step.measured { " Measured: " (measured) "." }
            } } } }
            (list("What did not go by itself", &lesson.hurdles))
            (list("What does not work afterwards", &lesson.limits))
            (list("Cautions", &lesson.cautions))
        }
    }
}

async fn lesson_file(State(state): State<AppState>, Path(job): Path<String>) -> Result<Response, Fault> {
    let job = job_id(&job)?.to_string();
    let text = engine(move || Ok(write_up(state.bench(), Some(&job))?.text())).await?;
    Ok(file("text/markdown; charset=utf-8", "write-up.md", text))
}

/// A file to keep: never shown as a page.
fn file(kind: &'static str, name: &str, text: String) -> Response {
    ([(CONTENT_TYPE, kind.to_owned()), (CONTENT_DISPOSITION, format!("attachment; filename=\"{name}\""))], text)
        .into_response()
}
