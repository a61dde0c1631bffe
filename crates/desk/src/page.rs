//! The frame around every page, and what forms have in common.

use axum::http::StatusCode;
use axum::http::header::CONTENT_TYPE;
use axum::response::{IntoResponse, Response};
use maud::{DOCTYPE, Markup, html};

use crate::state::AppState;
use crate::words;

/// A page: title, and what stands in its `main`. Give it its own `h1`.
#[must_use]
pub fn page(title: &str, body: &Markup) -> Response {
    answer(StatusCode::OK, &frame(title, body, None))
}

/// A page that is asked for again every few seconds by browsers without script.
#[must_use]
pub(crate) fn page_with_news(title: &str, body: &Markup) -> Response {
    answer(StatusCode::OK, &frame(title, body, Some(5)))
}

/// A page that says why something was not done.
#[must_use]
pub(crate) fn refusal(status: StatusCode, title: &str, body: &Markup) -> Response {
    answer(status, &frame(title, body, None))
}

/// A page for those who are not let in, and for the moment in which somebody is: no way leads on from it.
#[must_use]
pub(crate) fn bare(status: StatusCode, title: &str, lines: &[&str]) -> Response {
    let markup = html! {
        (DOCTYPE)
        html lang="en" {
            // Without an icon of its own a browser asks for one, which strangers do not get.
            head { meta charset="utf-8"; title { (title) } link rel="icon" href="data:,"; }
            body { h1 { (title) } @for line in lines { p { (line) } } }
        }
    };
    answer(status, &markup)
}

/// A form that changes something: it posts to `action` with the token that every change needs.
#[must_use]
pub fn form(state: &AppState, action: &str, body: &Markup) -> Markup {
    html! {
        form method="post" action=(change(state, action)) { (body) }
    }
}

/// The address of a change, with its token.
#[must_use]
pub fn change(state: &AppState, action: &str) -> String {
    format!("{action}?csrf={}", state.secrets().csrf)
}

fn frame(title: &str, body: &Markup, again: Option<u32>) -> Markup {
    html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta name="color-scheme" content="light dark";
                title { (title) " · " (words::DESK) }
                link rel="icon" href="/assets/mark.svg";
                link rel="stylesheet" href="/assets/desk.css";
                link rel="stylesheet" href="/assets/view.css";
                @if let Some(seconds) = again {
                    noscript { meta http-equiv="refresh" content=(seconds); }
                }
            }
            body {
                a.skip href="#main" { (words::SKIP) }
                header.top {
                    a.home href="/" { (words::DESK) }
                    nav aria-label=(words::PLACES) { a href="/" { (words::SHELF) } a href="/start" { (words::TAKE_IN) } }
                }
                main #main tabindex="-1" { (body) }
            }
        }
    }
}

fn answer(status: StatusCode, markup: &Markup) -> Response {
    (status, [(CONTENT_TYPE, "text/html; charset=utf-8")], markup.0.clone()).into_response()
}
