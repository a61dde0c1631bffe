//! `/job/ID/compare?a=CONTENT&b=CONTENT`: two images one under the other, with what moved between them.

use std::sync::Arc;

use axum::extract::{Path, Query, State};
use axum::response::Response;
use axum::routing::get;
use axum::{Extension, Router};
use job::image::diff::{Change, Diff, Outcome};
use job::image::explain::{Explanation, Kind};
use job::text::{about, size};
use job::views::contents::{JobContent, of_job};
use maud::{Markup, html};
use serde::Deserialize;

use super::cache::Cache;
use super::image::{key, stretches};
use super::strip::{Stretch, WIDTH, layout, place_of, strip};
use super::{places, words};
use crate::ask::{engine, job_id};
use crate::fault::Fault;
use crate::page::page;
use crate::state::AppState;

/// Most bands between the two strips, and most lines of the list: a page is no log.
const MOST_BANDS: usize = 200;
const MOST_LINES: usize = 600;
/// Height of the room between the strips.
const BETWEEN: f64 = 60.0;

pub(super) fn routes() -> Router<AppState> {
    Router::new().route("/job/{job}/compare", get(compare))
}

#[derive(Deserialize)]
struct Two {
    a: String,
    b: String,
}

async fn compare(
    State(state): State<AppState>,
    Extension(cache): Extension<Arc<Cache>>,
    Path(job): Path<String>,
    Query(two): Query<Two>,
) -> Result<Response, Fault> {
    let job = job_id(&job)?.to_string();
    let markup = engine(move || {
        let contents = of_job(state.bench(), &job)?;
        let images = [cache.explanation(&state, &job, &two.a)?, cache.explanation(&state, &job, &two.b)?];
        let diff = cache.difference(&state, &job, &two.a, &two.b)?;
        let names = [&two.a, &two.b].map(|id| name(&contents, id));
        let addresses = [&two.a, &two.b].map(|id| format!("/job/{job}/image/{id}"));
        Ok(drawn(&job, [&images[0], &images[1]], &names, &addresses, &diff))
    })
    .await?;
    Ok(page(words::COMPARE, &markup))
}

fn name(contents: &[JobContent], id: &str) -> String {
    let found = contents.iter().find(|one| one.content == id);
    found.map(|one| format!("{}, {}", one.of, one.what)).unwrap_or_default()
}

fn drawn(job: &str, images: [&Explanation; 2], names: &[String; 2], addresses: &[String; 2], diff: &Diff) -> Markup {
    let sides = [stretches(images[0], &addresses[0]), stretches(images[1], &addresses[1])];
    let none = |side: &[Stretch]| vec![false; side.len()];
    html! {
        h1 { (names[0]) " and " (names[1]) }
        (places(job, "images"))
        section.card {
            @if diff.is_same() { p.said { (words::SAME_IMAGES) } } @else {
                p { (diff.counts.changed) " changed, " (diff.counts.moved) " moved, " (diff.counts.added) " added, "
                    (diff.counts.removed) " removed, " (diff.counts.same) " the same; "
                    (diff.sectors.differing) " of " (diff.sectors.differing + diff.sectors.same) " " (words::SECTORS_DIFFER) "." }
            }
            h2 { a href=(addresses[0]) { (names[0]) } ", " (size(images[0].size)) }
            (strip(&names[0], &sides[0], &none(&sides[0])))
            (bands(&sides, &diff.structures))
            (strip(&names[1], &sides[1], &none(&sides[1])))
            h2 { a href=(addresses[1]) { (names[1]) } ", " (size(images[1].size)) }
            (key(&images))
            ul.key { @for (word, mark, means) in words::CHANGE_MARKS { li { b.mark { (mark) } " " (word) ": " (means) } } }
        }
        section.card {
            h2 { (words::CHANGES) }
            @let lines = flat(&diff.structures);
            ul.changes { @for (depth, change) in lines.iter().take(MOST_LINES) { (line(*depth, change)) } }
            @if lines.len() > MOST_LINES { p { "and " (lines.len() - MOST_LINES) " more: `firmhand image diff` shows them all." } }
        }
    }
}

/// Bands between two strips: from where a structure stands in the first to where it stands in the second.
fn bands(sides: &[Vec<Stretch>; 2], changes: &[Change]) -> Markup {
    let layouts = sides.each_ref().map(|side| layout(&side.iter().map(|stretch| stretch.size).collect::<Vec<_>>()));
    let at = |which: usize, address: u64| place_of(address, &sides[which], &layouts[which]);
    let mut shown = Vec::new();
    stored(changes, &mut shown);
    shown.truncate(MOST_BANDS);
    html! {
        svg.bands viewBox=(format!("0 0 {WIDTH} {BETWEEN}")) preserveAspectRatio="none" aria-hidden="true" {
            @for change in shown {
                @match &change.sides {
                    [Some(a), Some(b)] => {
                        path class={ "band " (change.outcome.name()) } d=(format!(
                            "M{:.1} 0L{:.1} 0L{:.1} {BETWEEN}L{:.1} {BETWEEN}Z",
                            at(0, a.at), at(0, a.at + a.size).max(at(0, a.at) + 2.0), at(1, b.at + b.size).max(at(1, b.at) + 2.0), at(1, b.at)
                        )) {}
                    },
                    [Some(a), None] => { path.band.removed d=(tooth(at(0, a.at), at(0, a.at + a.size), 0.0, 16.0)) {} },
                    [None, Some(b)] => { path.band.added d=(tooth(at(1, b.at), at(1, b.at + b.size), BETWEEN, BETWEEN - 16.0)) {} },
                    [None, None] => {},
                }
            }
        }
    }
}

/// A tooth from a strip's edge: something that is on one side alone.
fn tooth(from: f64, to: f64, edge: f64, tip: f64) -> String {
    let to = to.max(from + 4.0);
    format!("M{from:.1} {edge}L{to:.1} {edge}L{:.1} {tip}Z", f64::midpoint(from, to))
}

/// The changes that have a place on the strip: those of structures as stored. Files are not looked into, for what they hold may be
/// unpacked and counts from its own start.
fn stored<'c>(changes: &'c [Change], shown: &mut Vec<&'c Change>) {
    for change in changes {
        let holds_stored = matches!(change.kind, Kind::Region | Kind::Partition | Kind::PiVolume | Kind::VariableStore);
        if holds_stored && !change.children.is_empty() {
            stored(&change.children, shown);
        } else {
            shown.push(change);
        }
    }
}

/// Every change with its depth, parents before what is in them.
fn flat(changes: &[Change]) -> Vec<(usize, &Change)> {
    fn add<'c>(changes: &'c [Change], depth: usize, list: &mut Vec<(usize, &'c Change)>) {
        for change in changes {
            list.push((depth, change));
            add(&change.children, depth + 1, list);
        }
    }
    let mut list = Vec::new();
    add(changes, 0, &mut list);
    list
}

fn line(depth: usize, change: &Change) -> Markup {
    let mark = match change.outcome {
        Outcome::Added => "+",
        Outcome::Removed => "−",
        Outcome::Changed => "≠",
        Outcome::Moved => "→",
    };
    let path = change.sides.iter().flatten().next().map(|side| side.path.rsplit('/').next().unwrap_or_default());
    html! {
        li class={ "deep-" (depth.min(6)) } {
            b.mark { (mark) } " " (change.outcome.name()) " " span.kind-name { (change.kind) } " "
            (change.name.as_deref().or(path).unwrap_or_default())
            span.quiet { @match &change.sides {
                [Some(a), Some(b)] if a.at != b.at => (format!(" {:#x} → {:#x}, {}", a.at, b.at, about(b.size))),
                [Some(side), _] | [None, Some(side)] => (format!(" {:#x}, {}", side.at, about(side.size))),
                [None, None] => "",
            } }
        }
    }
}
