//! `/job/ID`: one job. At the top, always in sight, the supplies; at one side the path; in the middle the one thing to do now; at the
//! other side what the machine says. On a narrow window they follow each other in that order.

mod deeds;
mod machine;
mod now;
mod path;
mod photo;
mod running;
mod supplies;

use axum::Router;
use axum::extract::{Path, Query, State};
use axum::response::Response;
use axum::routing::{get, post};
use job::jobs::{self, Deed, Sight};
use maud::{Markup, html};
use serde::Deserialize;

use crate::ask::{engine, job_id};
use crate::fault::Fault;
use crate::links::{Offered, offered};
use crate::page::{page, page_with_news};
use crate::papers::{self, Paper};
use crate::runner::{Shown, events};
use crate::state::AppState;
use crate::sticks::{self, Plugged};
use crate::words;

pub(crate) fn routes() -> Router<AppState> {
    Router::new()
        .route("/job/{job}", get(job))
        .route("/job/{job}/events", get(events))
        .route("/job/{job}/sign", post(deeds::sign))
        .route("/job/{job}/do", post(deeds::act))
        .route("/job/{job}/stop", post(deeds::stop))
        .route("/job/{job}/answer", post(deeds::answer))
        .route("/job/{job}/seen", post(deeds::seen))
        .route("/job/{job}/check", post(deeds::check))
        .route("/job/{job}/handover", post(deeds::handover))
        .merge(photo::routes())
}

#[derive(Deserialize)]
struct Asked {
    step: Option<String>,
}

/// What every part of the page is made from.
pub(crate) struct Look {
    pub sight: Sight,
    pub links: Vec<Offered>,
    /// Files that may be taken in, where a step wants one.
    pub papers: Vec<Paper>,
    /// Drives that may be written, where a step wants one.
    pub sticks: Vec<Plugged>,
    /// What runs, or how the last work ended.
    pub task: Option<Shown>,
    /// Who signed last.
    pub signer: Option<String>,
    pub entries: usize,
}

async fn job(
    State(state): State<AppState>,
    Path(id): Path<String>,
    Query(asked): Query<Asked>,
) -> Result<Response, Fault> {
    let id = job_id(&id)?;
    let look = {
        let state = state.clone();
        engine(move || {
            // Work that ends meanwhile is then in what is read after it, and no button of a step that is done is offered.
            let task = state.runner().task(&id).map(|task| task.shown());
            let sight = jobs::sight(state.bench(), &id, asked.step.as_deref())?;
            let entries = job::open_bench(state.bench())?.read_journal(&id)?.entries;
            let signed = entries.iter().rev().filter_map(|entry| entry.body["by"].as_str());
            let signer = signed.filter(|name| *name != "firmhand").map(str::to_owned).next();
            let wants = matches!(sight.deed, Deed::TakeFile { .. });
            let papers = if wants { papers::offered(&state)? } else { Vec::new() };
            let wants = matches!(sight.deed, Deed::MakeStick { .. });
            let sticks = if wants { sticks::offered(&state) } else { Vec::new() };
            Ok(Look { links: offered(&state), papers, sticks, task, signer, entries: entries.len(), sight })
        })
        .await?
    };
    let runs = look.task.as_ref().is_some_and(|task| task.outcome.is_none());
    let body = body(&state, &look);
    let title = look.sight.status.machine.clone().unwrap_or_else(|| look.sight.status.job.clone());
    Ok(if runs { page_with_news(&title, &body) } else { page(&title, &body) })
}

fn body(state: &AppState, look: &Look) -> Markup {
    let status = &look.sight.status;
    html! {
        (supplies::bar(look))
        h1 {
            (status.machine.as_deref().unwrap_or(&status.board))
            " " small.quiet { (words::kind(status.kind)) ", " code { (status.job) } }
        }
        div.job data-job=(status.job) data-entries=(look.entries) data-words=(words::for_script()) {
            (path::path(look))
            section #now .now aria-label=(words::NOW) { (now::now(state, look)) }
            aside.machine aria-label=(words::MACHINE_SAYS) { (machine::machine(state, look)) }
        }
        script type="module" src="/assets/job.js" {}
    }
}
