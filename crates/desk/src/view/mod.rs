//! The pictures: wiring, chip map, image, reads, record, label, write-up.

use axum::Router;

use crate::assets::Asset;
use crate::state::AppState;

/// Files of these pages, served beneath `/assets/`.
pub const ASSETS: &[Asset] = &[("view.css", crate::assets::CSS, include_str!("../../assets/view.css"))];

/// The routes of these pages.
pub fn routes() -> Router<AppState> {
    Router::new()
}
