//! Files that pages name: one style sheet of the desk, one of the pictures, small script modules. All are part of the program.

use axum::Router;
use axum::extract::Path;
use axum::http::header::CONTENT_TYPE;
use axum::response::{IntoResponse, Response};
use axum::routing::get;

use crate::fault::Fault;
use crate::state::AppState;
use crate::view;

/// A file: name, content type, text.
pub type Asset = (&'static str, &'static str, &'static str);

/// Content type of style sheets.
pub const CSS: &str = "text/css; charset=utf-8";
/// Content type of script modules.
pub const SCRIPT: &str = "text/javascript; charset=utf-8";

const OWN: [Asset; 4] = [
    ("desk.css", CSS, include_str!("../assets/desk.css")),
    ("job.js", SCRIPT, include_str!("../assets/job.js")),
    ("watch.js", SCRIPT, include_str!("../assets/watch.js")),
    ("mark.svg", "image/svg+xml", include_str!("../assets/mark.svg")),
];

pub(crate) fn routes() -> Router<AppState> {
    Router::new().route("/assets/{name}", get(asset))
}

async fn asset(Path(name): Path<String>) -> Result<Response, Fault> {
    let all = OWN.iter().chain(view::ASSETS);
    let found = all.into_iter().find(|(known, ..)| *known == name).ok_or(Fault::NotFound)?;
    Ok(([(CONTENT_TYPE, found.1)], found.2).into_response())
}
