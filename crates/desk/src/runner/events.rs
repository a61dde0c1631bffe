//! `/job/ID/events`: what a page shows of the work in the background, whenever it changes.
//!
//! Each event is the whole of it, so that a window that comes late or lags behind is right after one event. `entries` counts the
//! journal: the command line may write there too, and a page that knows another number is loaded again.

use std::convert::Infallible;
use std::time::Duration;

use axum::extract::{Path, State};
use axum::response::IntoResponse;
use axum::response::sse::{Event, KeepAlive, Sse};
use job::vault::JobId;
use serde::Serialize;
use tokio::sync::mpsc;
use tokio::time::{Instant, sleep, sleep_until};
use tokio_stream::wrappers::ReceiverStream;

use super::Shown;
use crate::ask::{engine, job_id};
use crate::fault::Fault;
use crate::state::AppState;

/// At least so long between two events: enough for eyes.
const BETWEEN: Duration = Duration::from_millis(100);
/// How often the journal is looked at for what others wrote.
const LOOK: Duration = Duration::from_secs(2);

#[derive(Serialize)]
struct Now {
    entries: usize,
    task: Option<Shown>,
}

pub(crate) async fn events(State(state): State<AppState>, Path(id): Path<String>) -> Result<impl IntoResponse, Fault> {
    let job = job_id(&id)?;
    let mut entries = count(&state, &job).await?;
    let mut heard = state.runner().heard();
    let (give, take) = mpsc::channel::<Result<Event, Infallible>>(4);
    tokio::spawn(async move {
        let mut look = Instant::now() + LOOK;
        loop {
            let task = state.runner().task(&job).map(|task| task.shown());
            let now = Now { entries, task };
            let data = serde_json::to_string(&now).expect("numbers and texts can be written as JSON");
            if give.send(Ok(Event::default().event("now").data(data))).await.is_err() {
                return;
            }
            sleep(BETWEEN).await;
            loop {
                let changed = tokio::select! {
                    () = give.closed() => return,
                    // To lag behind is a change as well.
                    heard = heard.recv() => heard.map_or(true, |heard| heard.job == job),
                    () = sleep_until(look) => {
                        look = Instant::now() + LOOK;
                        let counted = count(&state, &job).await.unwrap_or(entries);
                        std::mem::replace(&mut entries, counted) != counted
                    }
                };
                if changed {
                    // All that was told meanwhile is one change.
                    while heard.try_recv().is_ok() {}
                    break;
                }
            }
        }
    });
    Ok(Sse::new(ReceiverStream::new(take)).keep_alive(KeepAlive::default()))
}

async fn count(state: &AppState, job: &JobId) -> Result<usize, Fault> {
    let (state, job) = (state.clone(), job.clone());
    engine(move || Ok(job::open_bench(state.bench())?.read_journal(&job)?.entries.len())).await
}
