//! Photos of a step: taken in by their bytes, kept in the vault, shown by their hash.

use axum::Router;
use axum::extract::multipart::MultipartError;
use axum::extract::{DefaultBodyLimit, Multipart, Path, State};
use axum::http::StatusCode;
use axum::http::header::{CONTENT_DISPOSITION, CONTENT_TYPE};
use axum::response::{IntoResponse, Response};
use axum::routing::{get, post};
use job::jobs::{self, MOST_PHOTO, NextStep, PhotoRequest, Sight};
use job::vault::Digest;
use maud::{Markup, html};

use crate::ask::{Fields, engine, job_id, on_to};
use crate::fault::Fault;
use crate::page::change;
use crate::state::AppState;
use crate::words;

/// What a form with a photo may have beside it.
const MOST_BESIDE: usize = 64 << 10;

pub(super) fn routes() -> Router<AppState> {
    let limit = DefaultBodyLimit::max(MOST_PHOTO + MOST_BESIDE);
    Router::new().route("/job/{job}/photo", post(attach).layer(limit)).route("/job/{job}/photo/{content}", get(shown))
}

pub(super) fn section(state: &AppState, job: &str, step: &NextStep, sight: &Sight) -> Markup {
    let here = || sight.photos.iter().filter(|photo| photo.step == step.id);
    html! {
        details {
            summary { (words::PHOTOS) " (" (here().count()) ")" }
            ul.photos {
                @for photo in here() {
                    li {
                        a href={ "/job/" (job) "/photo/" (photo.content) } {
                            img src={ "/job/" (job) "/photo/" (photo.content) } loading="lazy"
                                alt=(photo.note.as_deref().unwrap_or(words::PHOTO));
                        }
                        small { (photo.by) @if let Some(note) = &photo.note { ": " (note) } }
                    }
                }
            }
            form method="post" enctype="multipart/form-data" action=(change(state, &format!("/job/{job}/photo"))) {
                input type="hidden" name="step" value=(step.id);
                label.field {
                    span { (words::PHOTO) }
                    small { (words::PHOTO_TOLD) }
                    input type="file" name="photo" accept="image/jpeg,image/png,image/webp" required;
                }
                label.field { span { (words::NOTE) } input name="note" maxlength="400" autocomplete="off"; }
                label.field { span { (words::NAME) } input name="by" required maxlength="400" autocomplete="name"; }
                button type="submit" { (words::ATTACH) }
            }
        }
    }
}

async fn attach(
    State(state): State<AppState>,
    Path(id): Path<String>,
    mut parts: Multipart,
) -> Result<Response, Fault> {
    let job = job_id(&id)?;
    let mut pairs = Vec::new();
    let mut bytes = Vec::new();
    while let Some(part) = parts.next_field().await.map_err(|error| refused(&error))? {
        let name = part.name().unwrap_or_default().to_owned();
        if name == "photo" {
            bytes = part.bytes().await.map_err(|error| refused(&error))?.to_vec();
        } else {
            pairs.push((name, part.text().await.map_err(|error| refused(&error))?));
        }
    }
    let fields = Fields::new(pairs);
    let request = PhotoRequest {
        job: job.to_string(),
        step: fields.must("step")?,
        by: fields.must("by")?,
        note: fields.given("note"),
        bytes,
    };
    let step = request.step.clone();
    engine(move || Ok(jobs::attach(state.bench(), &request)?)).await?;
    Ok(on_to(&words::step_address(job.as_str(), &step)))
}

fn refused(error: &MultipartError) -> Fault {
    match error.status() {
        StatusCode::PAYLOAD_TOO_LARGE => Fault::TooMuch(words::PHOTO_TOO_LARGE.to_owned()),
        _ => Fault::Sent(words::NO_FORM.to_owned()),
    }
}

/// A photo that the job's journal names, and nothing else of the vault.
async fn shown(State(state): State<AppState>, Path((id, content)): Path<(String, String)>) -> Result<Response, Fault> {
    let job = job_id(&id)?;
    let content: Digest = content.parse().map_err(|_| Fault::NotFound)?;
    let found = engine(move || Ok(jobs::photo(state.bench(), &job, &content)?)).await?;
    let (media, bytes) = found.ok_or(Fault::NotFound)?;
    Ok(([(CONTENT_TYPE, media), (CONTENT_DISPOSITION, "inline")], bytes).into_response())
}
