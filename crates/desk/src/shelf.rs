//! `/`: every job, where it stands, and what waits for a person.

use axum::Router;
use axum::extract::State;
use axum::response::Response;
use axum::routing::get;
use job::jobs::{JobLine, status_all};
use maud::{Markup, html};

use crate::ask::engine;
use crate::fault::Fault;
use crate::page::page;
use crate::state::AppState;
use crate::words;

pub(crate) fn routes() -> Router<AppState> {
    Router::new().route("/", get(shelf))
}

async fn shelf(State(state): State<AppState>) -> Result<Response, Fault> {
    let report = engine(move || Ok(status_all(state.bench(), false)?)).await?;
    let body = html! {
        h1 { (words::SHELF) }
        @if report.jobs.is_empty() {
            p { (words::NO_JOBS) }
        } @else {
            table.shelf {
                thead { tr { @for head in words::SHELF_HEADS { th scope="col" { (head) } } } }
                tbody { @for job in &report.jobs { (row(job)) } }
            }
        }
        p { a.button href="/start" { (words::TAKE_IN) } }
    };
    Ok(page(words::SHELF, &body))
}

fn row(job: &JobLine) -> Markup {
    html! {
        tr {
            td { (job.machine.as_deref().unwrap_or_default()) }
            th scope="row" { a href={ "/job/" (job.job) } { (job.job) } }
            td { (job.state) }
            td { @if let (Some(done), Some(steps)) = (job.done, job.steps) { (done) "/" (steps) } }
            td { (job.next.as_deref().or(job.error.as_deref()).unwrap_or_default()) }
        }
    }
}
