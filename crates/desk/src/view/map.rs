//! `/job/ID/map`, `/job/ID/map/CHIP`: the chip map, with the bytes of one sector.
//!
//! The page carries the legend and, with `?at=ADDRESS`, one sector's bytes; a script draws the cells. What it asks for:
//!
//! | address | answer |
//! |---|---|
//! | `.../cells` | one byte for each sector: the number of its state ([`Cell`]) |
//! | `.../news` | server-sent events, as long as the page is open |
//! | `.../sector/ADDRESS` | the bytes of one sector, as a piece of page |
//!
//! Events: `cells` has stretches that changed, `FIRST,COUNT,STATE` joined by `;`, decimal; `counts` has `STATE,SECTORS` likewise;
//! `said` has a sentence on what is under way, empty when nothing is. A page that missed events asks for the cells again.

use std::convert::Infallible;
use std::sync::Arc;
use std::time::Duration;

use axum::extract::{Path, Query, State};
use axum::http::header::CONTENT_TYPE;
use axum::response::sse::{Event, KeepAlive, Sse};
use axum::response::{Html, IntoResponse, Redirect, Response};
use axum::routing::get;
use axum::{Extension, Router};
use job::text::{about, duration, size};
use job::vault::Digest;
use job::views::chip_map::{Cell, ChipMap, HowFar, SECTOR, Wanted, changes};
use maud::{Markup, html};
use serde::Deserialize;
use tokio_stream::Stream;

use super::cache::Cache;
use super::{blocks, places, words};
use crate::ask::{engine, job_id};
use crate::fault::Fault;
use crate::page::page;
use crate::state::AppState;

/// Between two looks at what a write has done: a person sees no more, and a bench computer has other things to do.
const BETWEEN: Duration = Duration::from_millis(200);

pub(super) fn routes() -> Router<AppState> {
    Router::new()
        .route("/job/{job}/map", get(first))
        .route("/job/{job}/map/{chip}", get(shown))
        .route("/job/{job}/map/{chip}/cells", get(cells))
        .route("/job/{job}/map/{chip}/news", get(news))
        .route("/job/{job}/map/{chip}/sector/{at}", get(sector))
}

async fn first(State(state): State<AppState>, Path(job): Path<String>) -> Result<Response, Fault> {
    let job = job_id(&job)?.to_string();
    let chips = {
        let job = job.clone();
        engine(move || Ok(job::views::chips(state.bench(), &job)?)).await?
    };
    let first = chips.into_iter().next().ok_or(Fault::NotFound)?;
    Ok(Redirect::to(&format!("/job/{job}/map/{}", first.id)).into_response())
}

#[derive(Deserialize)]
struct At {
    at: Option<String>,
}

async fn shown(
    State(state): State<AppState>,
    Extension(cache): Extension<Arc<Cache>>,
    Path((job, chip)): Path<(String, String)>,
    Query(at): Query<At>,
) -> Result<Response, Fault> {
    let job = job_id(&job)?.to_string();
    let at = at.at.as_deref().map(address).transpose()?;
    let markup = engine(move || {
        let chips: Vec<String> = job::views::chips(state.bench(), &job)?.into_iter().map(|chip| chip.id).collect();
        let map = cache.map(&state, &job, &chip)?;
        let bytes = at.map(|at| of_sector(&state, &cache, &job, &map, at)).transpose()?;
        Ok(drawn(&job, &chips, &map, bytes.as_ref()))
    })
    .await?;
    Ok(page(words::MAP, &markup))
}

async fn cells(
    State(state): State<AppState>,
    Extension(cache): Extension<Arc<Cache>>,
    Path((job, chip)): Path<(String, String)>,
) -> Result<Response, Fault> {
    let job = job_id(&job)?.to_string();
    let cells = engine(move || Ok(Live::default().look(&state, &cache, &job, &chip)?.0)).await?;
    let bytes: Vec<u8> = cells.iter().map(|cell| *cell as u8).collect();
    Ok(([(CONTENT_TYPE, "application/octet-stream")], bytes).into_response())
}

async fn sector(
    State(state): State<AppState>,
    Extension(cache): Extension<Arc<Cache>>,
    Path((job, chip, at)): Path<(String, String, String)>,
) -> Result<Response, Fault> {
    let job = job_id(&job)?.to_string();
    let at = address(&at)?;
    let markup = engine(move || {
        let map = cache.map(&state, &job, &chip)?;
        of_sector(&state, &cache, &job, &map, at)
    })
    .await?;
    Ok(Html(markup.0).into_response())
}

/// An address in hexadecimal, with or without 0x; of a sector, its first byte.
fn address(text: &str) -> Result<u32, Fault> {
    let text = text.trim();
    let digits = text.strip_prefix("0x").or_else(|| text.strip_prefix("0X")).unwrap_or(text);
    let plain = !digits.is_empty() && digits.bytes().all(|byte| byte.is_ascii_hexdigit());
    let at = if plain { u32::from_str_radix(digits, 16).ok() } else { None };
    let at = at.ok_or_else(|| Fault::Sent(format!("`{text}` is no address in hexadecimal, such as 1f000")))?;
    Ok(at / SECTOR * SECTOR)
}

/// The bytes of one sector: what is there, and beside it what is wanted.
fn of_sector(state: &AppState, cache: &Cache, job: &str, map: &ChipMap, at: u32) -> Result<Markup, Fault> {
    if at >= map.size {
        return Err(Fault::Sent(format!("this chip ends at {:#x}", map.size)));
    }
    let kept = |id: Digest| cache.of_map(state, &id);
    let content = map.content.map(kept).transpose()?;
    let wanted = match &map.wanted {
        Some(Wanted::Kept(id)) if Some(*id) != map.content => Some(kept(*id)?),
        Some(Wanted::File(bytes)) => Some(bytes.clone()),
        _ => None,
    };
    let is = content.as_ref().map(|content| blocks::sector(content, at)).unwrap_or_default();
    let wanted = wanted.as_ref().map(|wanted| blocks::sector(wanted, at));
    let cell = map.cells.get((at / SECTOR) as usize).copied().unwrap_or(Cell::Unknown);
    let link = |at: u32, name: &str| html! { a.button href=(format!("/job/{job}/map/{}?at={at:x}#sector", map.chip)) { (name) } };
    Ok(html! {
        h2 #sector tabindex="-1" { (format!("{at:#08x}")) ", " (cell.name()) }
        p.quiet { (cell.means()) "." }
        @if is.is_empty() { p { (words::NO_CONTENT) } } @else {
            (blocks::dump(words::OF_CONTENT, at, is, wanted))
            @match wanted {
                Some(wanted) if wanted == is => p { (words::SAME_BYTES) },
                Some(wanted) => { (blocks::dump(words::OF_WANTED, at, wanted, Some(is))) p.quiet { (words::DIFFERENT) } },
                None => {},
            }
        }
        p.deeds {
            @if at >= SECTOR { (link(at - SECTOR, words::BEFORE)) }
            @if at + SECTOR < map.size { (link(at + SECTOR, words::AFTER)) }
        }
    })
}

fn drawn(job: &str, chips: &[String], map: &ChipMap, bytes: Option<&Markup>) -> Markup {
    let address = format!("/job/{job}/map/{}", map.chip);
    let counts = map.counts();
    let summary =
        counts.iter().map(|count| format!("{} {}", count.sectors, count.state)).collect::<Vec<_>>().join(", ");
    html! {
        h1 { (words::MAP_OF) " " (map.chip) }
        (places(job, "map"))
        @if chips.len() > 1 {
            nav.places aria-label="Chips" { @for chip in chips {
                @let to = format!("/job/{job}/map/{chip}");
                @if *chip == map.chip { a href=(to) aria-current="page" { (chip) } } @else { a href=(to) { (chip) } }
            } }
        }
        section.card.map-card {
            p { (size(u64::from(map.size))) ". " (words::MAP_WHAT) }
            p.said #map-said role="status" { @if map.writing.is_some() { (words::UNDER_WAY) } }
            div.map-tools hidden {
                button type="button" #zoom-in { "+ " (words::ZOOM_IN) }
                button type="button" #zoom-out { "− " (words::ZOOM_OUT) }
                output #map-at { }
            }
            canvas #map tabindex="0" role="img" data-address=(address) data-size=(map.size)
                aria-label={ (words::MAP_OF) " " (map.chip) ": " (summary) } aria-describedby="map-keys" {}
            p.quiet #map-keys { (words::MAP_KEYS) }
            noscript { p { (summary) } }
            h2 { (words::LEGEND) }
            ul.legend { @for cell in Cell::ALL {
                @let sectors = counts.iter().find(|count| count.state == cell.name()).map_or(0, |count| count.sectors);
                li title=(cell.means()) {
                    canvas.cell data-state=(cell as u8) width="40" height="40" aria-hidden="true" {}
                    b { (cell.name()) } " "
                    span.count data-count=(cell as u8) { (sectors) }
                }
            } }
        }
        section.card #sector-card {
            form method="get" action=(address) {
                label.field { span { (words::SECTOR_FORM) }
                    input #sector-at name="at" inputmode="text" autocomplete="off" pattern="(0[xX])?[0-9a-fA-F]{1,8}" required; }
                button { (words::SHOW_SECTOR) }
            }
            div #sector-bytes { @if let Some(bytes) = bytes { (bytes) } }
        }
        script src="/assets/view-map.js" type="module" {}
    }
}

/// What a running map shows now.
#[derive(Default)]
struct Live {
    /// The cells before the write that runs, of the journal with so many entries.
    before: Option<(usize, Vec<Cell>)>,
    /// What was last heard of it: between two of its phases nothing is.
    last: Option<(usize, HowFar, String)>,
}

impl Live {
    /// The cells as they are this moment, and a sentence on what is under way.
    fn look(&mut self, state: &AppState, cache: &Cache, job: &str, chip: &str) -> Result<(Vec<Cell>, String), Fault> {
        let map = cache.map(state, job, chip)?;
        let Some(writing) = &map.writing else { return Ok((map.cells.clone(), String::new())) };
        let runs = state.runner().runs(&job_id(job)?);
        match how_far(state, job, &writing.step) {
            Some((how_far, said)) => self.last = Some((map.entries, how_far, said)),
            None if !runs => self.last = None,
            None => {}
        }
        let Some((_, how_far, said)) = self.last.clone().filter(|(entries, ..)| *entries == map.entries) else {
            return Ok((map.cells.clone(), words::UNDER_WAY.to_owned()));
        };
        if self.before.as_ref().is_none_or(|(entries, _)| *entries != map.entries) {
            self.before = Some((map.entries, map.before_writing(state.bench())?));
        }
        let before = self.before.as_ref().map_or(&map.cells, |(_, before)| before);
        Ok((writing.run(before, how_far), said))
    }
}

/// How far the write of this step is, when the desk itself runs it; with a sentence for people.
fn how_far(state: &AppState, job: &str, step: &str) -> Option<(HowFar, String)> {
    let task = state.runner().task(&job_id(job).ok()?)?;
    let shown = task.shown();
    let phase = shown.phase.filter(|_| shown.outcome.is_none() && shown.step == step)?;
    let how_far = HowFar::of(&phase.name, phase.done)?;
    let left = phase.left_s.map(|left| format!(", {} left", duration(left * 1000.0))).unwrap_or_default();
    Some((how_far, format!("{}: {} of {}{left}", phase.name, about(phase.done), about(phase.total))))
}

async fn news(
    State(state): State<AppState>,
    Extension(cache): Extension<Arc<Cache>>,
    Path((job, chip)): Path<(String, String)>,
) -> Result<Sse<impl Stream<Item = Result<Event, Infallible>>>, Fault> {
    let job = job_id(&job)?.to_string();
    // A chip that is not there is said at once, and not in the stream.
    {
        let (state, cache, job, chip) = (state.clone(), cache.clone(), job.clone(), chip.clone());
        engine(move || cache.map(&state, &job, &chip).map(drop)).await?;
    }
    let (sender, receiver) = tokio::sync::mpsc::channel(16);
    tokio::spawn(async move {
        let mut live = Live::default();
        let mut shown: Option<(Vec<Cell>, String)> = None;
        loop {
            let (state, cache, job, chip) = (state.clone(), cache.clone(), job.clone(), chip.clone());
            let looked = engine(move || {
                let seen = live.look(&state, &cache, &job, &chip)?;
                Ok((live, seen))
            });
            let Ok((again, seen)) = looked.await else { return };
            live = again;
            for event in events(shown.as_ref(), &seen) {
                if sender.send(Ok(event)).await.is_err() {
                    return;
                }
            }
            shown = Some(seen);
            tokio::select! {
                () = sender.closed() => return,
                () = tokio::time::sleep(BETWEEN) => {}
            }
        }
    });
    Ok(Sse::new(tokio_stream::wrappers::ReceiverStream::new(receiver)).keep_alive(KeepAlive::default()))
}

/// What a page has to hear to show `seen` in place of `shown`. The first time it hears everything.
fn events(shown: Option<&(Vec<Cell>, String)>, seen: &(Vec<Cell>, String)) -> Vec<Event> {
    let event = |name: &str, data: String| Event::default().event(name).data(data);
    let mut events = Vec::new();
    let nothing = vec![Cell::Unknown; seen.0.len()];
    let runs = changes(shown.map_or(&nothing, |(cells, _)| cells), &seen.0);
    if !runs.is_empty() {
        let text = runs.iter().map(|(first, count, cell)| format!("{first},{count},{}", *cell as u8));
        events.push(event("cells", text.collect::<Vec<_>>().join(";")));
        let counts = Cell::ALL
            .into_iter()
            .map(|cell| format!("{},{}", cell as u8, seen.0.iter().filter(|seen| **seen == cell).count()));
        events.push(event("counts", counts.collect::<Vec<_>>().join(";")));
    }
    if shown.is_none_or(|(_, said)| *said != seen.1) {
        events.push(event("said", seen.1.clone()));
    }
    events
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn s12_an_address_is_hexadecimal_and_nothing_else() {
        assert_eq!(address(" 0x1F3ff ").expect("an address"), 0x1F000);
        assert_eq!(address("0").expect("an address"), 0);
        for odd in ["", "0x", "-1", "+1", "1g", "100000000", "../1", "1 2"] {
            assert!(address(odd).is_err(), "{odd}");
        }
    }

    #[test]
    fn a_page_hears_what_changed_and_nothing_twice() {
        let one = (vec![Cell::Blank, Cell::Data], String::new());
        let two = (vec![Cell::Erased, Cell::Data], "half".to_owned());
        assert_eq!(events(None, &one).len(), 3);
        assert!(events(Some(&one), &one).is_empty());
        assert_eq!(events(Some(&one), &two).len(), 3);
    }
}
