//! `/`: every job, where it stands, and what waits for a person. Open jobs come first; a long shelf is shown in pages and can be searched.

use axum::Router;
use axum::extract::{Query, State};
use axum::response::Response;
use axum::routing::get;
use job::jobs::{JobLine, fill_in, status_all};
use job::vault::JobId;
use maud::{Markup, html};
use serde::Deserialize;

use crate::ask::engine;
use crate::fault::Fault;
use crate::page::page;
use crate::state::AppState;
use crate::words;

/// Jobs on a page.
const ON_A_PAGE: usize = 50;

pub(crate) fn routes() -> Router<AppState> {
    Router::new().route("/", get(shelf))
}

#[derive(Deserialize, Default)]
struct Asked {
    #[serde(default)]
    search: String,
    #[serde(default)]
    page: usize,
}

/// A page of the shelf.
struct Shown {
    lines: Vec<JobLine>,
    /// Jobs that match.
    found: usize,
    /// Which page it is, from 0.
    number: usize,
}

async fn shelf(State(state): State<AppState>, Query(asked): Query<Asked>) -> Result<Response, Fault> {
    let search = asked.search.trim().to_lowercase();
    let (bench, wanted, running) = (state.bench().to_path_buf(), search.clone(), state.clone());
    let shown = engine(move || {
        let mut lines = status_all(&bench, false)?.jobs;
        if !wanted.is_empty() {
            // What is closed names its machine only when it is opened.
            fill_in(&bench, &mut lines)?;
            lines.retain(|line| holds(line, &wanted));
        }
        lines.sort_by_key(|line| (rank(line), std::cmp::Reverse(line.job.clone())));
        let found = lines.len();
        let number = asked.page.min(found.saturating_sub(1) / ON_A_PAGE);
        let mut lines: Vec<JobLine> = lines.into_iter().skip(number * ON_A_PAGE).take(ON_A_PAGE).collect();
        if wanted.is_empty() {
            fill_in(&bench, &mut lines)?;
        }
        Ok(Shown { lines, found, number })
    })
    .await?;
    let body = html! {
        h1 { (words::SHELF) }
        form.filter.card method="get" action="/" role="search" {
            label.field { span { (words::SEARCH) } input type="search" name="search" value=(asked.search) maxlength="100"; }
            button type="submit" { (words::FIND) }
            a.button.deed href="/start" { (words::TAKE_IN) }
        }
        @if shown.lines.is_empty() {
            p { (if search.is_empty() { words::NO_JOBS } else { words::NONE_FOUND }) }
        } @else {
            table.shelf {
                thead { tr { @for head in words::SHELF_HEADS { th scope="col" { (head) } } } }
                tbody { @for line in &shown.lines { (row(&running, line)) } }
            }
            (pager(&asked.search, &shown))
        }
    };
    Ok(page(words::SHELF, &body))
}

/// What can be worked on first, then what is ready or stuck, then what is done.
fn rank(line: &JobLine) -> u8 {
    match line.state {
        "open" => 0,
        "ready" => 1,
        "stopped" | "unreadable" => 2,
        "loose" => 3,
        _ => 4,
    }
}

fn holds(line: &JobLine, wanted: &str) -> bool {
    let texts = [Some(line.job.as_str()), line.machine.as_deref(), line.next.as_deref(), line.kind, Some(line.state)];
    texts.into_iter().flatten().any(|text| text.to_lowercase().contains(wanted))
}

fn row(state: &AppState, line: &JobLine) -> Markup {
    let [_, job, stands, done, next] = words::SHELF_HEADS;
    let runs = JobId::new(&line.job).is_ok_and(|job| state.runner().runs(&job));
    let name = line.machine.as_deref().unwrap_or(&line.job);
    html! {
        tr {
            th scope="row" {
                @if matches!(line.state, "loose" | "unreadable") { (name) } @else { a href={ "/job/" (line.job) } { (name) } }
            }
            td data-head=(job) { code { (line.job) } @if let Some(kind) = line.kind { br; (words::kind(kind)) } }
            td data-head=(stands) { span.tag.(line.state) { (words::stands(line.state)) } @if runs { " " span.tag { (words::WORKS_NOW) } } }
            td data-head=(done) { @if let (Some(done), Some(steps)) = (line.done, line.steps) { (words::of(done, steps)) } }
            td data-head=(next) {
                @match (&line.next_title, &line.error) {
                    (Some(title), _) => { (title) @if line.waits { br; small.quiet { (words::WAITS_FOR_PERSON) } } }
                    (None, Some(error)) => span.bad { (error) },
                    (None, None) => {}
                }
            }
        }
    }
}

fn pager(search: &str, shown: &Shown) -> Markup {
    let pages = shown.found.div_ceil(ON_A_PAGE);
    let to = |number: usize, name: &str| {
        html! {
            form method="get" action="/" {
                input type="hidden" name="search" value=(search);
                button type="submit" name="page" value=(number) { (name) }
            }
        }
    };
    html! {
        @if pages > 1 {
            nav.pager aria-label=(words::PAGES) {
                @if shown.number > 0 { (to(shown.number - 1, words::EARLIER_PAGE)) }
                span { (words::of(shown.number + 1, pages)) }
                @if shown.number + 1 < pages { (to(shown.number + 1, words::LATER_PAGE)) }
            }
        }
    }
}
