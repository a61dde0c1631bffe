//! `/job/ID/watch`: the live watch over a clip that is being pressed, as one word that fills the window.
//!
//! The watch itself is the engine's and runs like any other work; this page only shows its word. It begins on the job's page, where
//! the link is chosen.

use axum::Router;
use axum::extract::{Path, State};
use axum::response::Response;
use axum::routing::get;
use maud::html;

use crate::ask::{job_id, on_to};
use crate::fault::Fault;
use crate::page::{form, page_with_news};
use crate::state::AppState;
use crate::words;

pub(crate) fn routes() -> Router<AppState> {
    Router::new().route("/job/{job}/watch", get(watch))
}

async fn watch(State(state): State<AppState>, Path(id): Path<String>) -> Result<Response, Fault> {
    let job = job_id(&id)?;
    let Some(task) = state.runner().task(&job).map(|task| task.shown()).filter(|task| task.step == words::WATCH) else {
        return Ok(on_to(&format!("/job/{job}")));
    };
    if task.question.is_some() || task.outcome.is_some() {
        return Ok(on_to(&format!("/job/{job}")));
    }
    let word = task.word.as_deref().unwrap_or(words::WATCH_BEGINS);
    let body = html! {
        div.watch data-job=(job) {
            h1.unseen { (words::WATCH) }
            p.word #word role="status" aria-live="assertive" { (word) }
            p #told { (words::CONTACTS_TOLD) }
            div.deeds {
                button #sound type="button" hidden { (words::SOUND_ON) }
                (form(&state, &format!("/job/{job}/stop"), &html! { button.deed type="submit" { (words::WATCH_END) } }))
                a.button href={ "/job/" (job) } { (words::TO_JOB) }
            }
            p.quiet { (words::SOUND_TOLD) }
            noscript { p { (words::NO_SCRIPT) } }
        }
        script type="module" src="/assets/watch.js" {}
    };
    Ok(page_with_news(words::WATCH, &body))
}
