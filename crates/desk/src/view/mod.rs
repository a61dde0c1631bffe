//! The pictures: wiring, chip map, image, reads, record, label, write-up.
//!
//! What is drawn comes from `job::views` and `job::jobs`; nothing is judged here. Every page is whole without script: a sector, a
//! branch of an image, a paper size are addresses. Scripts draw the map, fetch branches, and bring news of a write.
//!
//! Nothing here changes a job. Contents are named by their hash and found among those that the job itself names, so that no address
//! reaches another job's secrets or a path (S12).

mod blocks;
mod cache;
mod compare;
mod image;
mod map;
mod reads;
mod record;
mod strip;
mod tested;
mod wiring;
mod words;

use std::sync::Arc;

use axum::{Extension, Router};
use maud::{Markup, html};

pub(crate) use self::tested::LineTests;
use crate::assets::{Asset, CSS, SCRIPT};
use crate::state::AppState;

/// Files of these pages, served beneath `/assets/`.
pub const ASSETS: &[Asset] = &[
    ("view.css", CSS, include_str!("../../assets/view.css")),
    ("view-map.js", SCRIPT, include_str!("../../assets/view-map.js")),
    ("view-image.js", SCRIPT, include_str!("../../assets/view-image.js")),
    ("view-print.js", SCRIPT, include_str!("../../assets/view-print.js")),
    ("view-a4.css", CSS, "@page { size: A4; margin: 14mm 16mm; }\n"),
    ("view-letter.css", CSS, "@page { size: letter; margin: 0.55in 0.65in; }\n"),
    ("view-label.css", CSS, "@page { size: 89mm 36mm; margin: 0; }\n"),
];

/// The routes of these pages.
pub fn routes() -> Router<AppState> {
    Router::new()
        .merge(wiring::routes())
        .merge(map::routes())
        .merge(image::routes())
        .merge(compare::routes())
        .merge(reads::routes())
        .merge(record::routes())
        .layer(Extension(Arc::new(cache::Cache::default())))
}

/// Where a job's pictures are, with the one that is shown.
fn places(job: &str, here: &str) -> Markup {
    html! {
        nav.places aria-label=(words::PICTURES) {
            a href={ "/job/" (job) } { (words::TO_JOB) }
            @for (place, name) in words::PLACES {
                @let address = format!("/job/{job}/{place}");
                @if place == here { a href=(address) aria-current="page" { (name) } } @else { a href=(address) { (name) } }
            }
        }
    }
}
