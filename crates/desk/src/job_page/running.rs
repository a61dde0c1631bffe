//! The card of work that runs, and the notice of how it ended. A script keeps the card fresh; without one the page loads itself again.

use job::QuestionKind;
use job::text::{about, duration};
use maud::{Markup, html};

use crate::page::form;
use crate::runner::{Asked, Phase, Shown};
use crate::state::AppState;
use crate::words;

pub(super) fn card(state: &AppState, job: &str, task: &Shown) -> Markup {
    html! {
        article.card #running data-step=(task.step) {
            h2 { (words::RUNS) " " (task.title) }
            @if let Some(question) = &task.question { (ask(state, job, question)) }
            div #progress { (phase(task.phase.as_ref())) }
            @if let Some(word) = &task.word { p.clock #word { (word) } }
            h3 { (words::SAID) }
            ul.log #said aria-live="polite" tabindex="0" { @for line in &task.said { li { (line) } } }
            @if task.stopping {
                p.said { (words::STOPPING) }
            } @else {
                (form(state, &format!("/job/{job}/stop"), &html! {
                    div.deeds { button type="submit" { (words::STOP) } }
                }))
                p.quiet { (words::STOP_TOLD) }
            }
        }
    }
}

fn phase(phase: Option<&Phase>) -> Markup {
    html! {
        @if let Some(phase) = phase {
            label { span { (phase.name) } progress max=(phase.total.max(1)) value=(phase.done) {} }
            p { (progress(phase)) }
        } @else { p { (words::WORKING) } }
    }
}

fn progress(phase: &Phase) -> String {
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a positive rate")]
    let rate = phase.rate.map(|rate| format!(", {}/s", about(rate as u64))).unwrap_or_default();
    let left =
        phase.left_s.map(|left| format!(", {} {}", duration(left * 1000.0), words::LEFT_TO_GO)).unwrap_or_default();
    format!("{} {} {}{rate}{left}", about(phase.done), words::OF, about(phase.total))
}

/// A question of the engine: the work waits for it.
fn ask(state: &AppState, job: &str, question: &Asked) -> Markup {
    let number = html! { input type="hidden" name="number" value=(question.number); };
    let body = html! {
        (number)
        @if !question.cautions.is_empty() {
            ul.cautions { @for caution in &question.cautions { li { (caution) } } }
        }
        p.said { (question.text) }
        @match question.kind {
            QuestionKind::Signature => {
                label.field { span { (words::NAME) } input name="by" required maxlength="400" autocomplete="name"; }
                div.deeds { button.deed type="submit" { (words::SIGN) } }
            }
            QuestionKind::Size => {
                label.field { span { (words::SIZE) } input name="size" required inputmode="numeric" maxlength="20" autocomplete="off"; }
                div.deeds {
                    button.deed type="submit" { (words::THIS_DRIVE) }
                    button type="submit" name="reply" value="no" formnovalidate { (words::NO) }
                }
            }
            QuestionKind::YesNo => div.deeds {
                button.deed type="submit" name="reply" value="yes" { (words::YES) }
                button type="submit" name="reply" value="no" { (words::NO) }
            },
        }
    };
    html! { section.card role="group" aria-label=(words::QUESTION) { (form(state, &format!("/job/{job}/answer"), &body)) } }
}

/// How the last work ended.
pub(super) fn ended(state: &AppState, job: &str, task: &Shown) -> Markup {
    let Some(outcome) = &task.outcome else { return html! {} };
    html! {
        section.card role="status" {
            h2.good[outcome.good].bad[!outcome.good] { (if outcome.good { words::WENT_WELL } else { words::NOT_DONE }) ": " (task.title) }
            @for line in &outcome.said { p.said { (line) } }
            @if !outcome.causes.is_empty() { ul { @for cause in &outcome.causes { li { (cause) } } } }
            @if let Some(hint) = &outcome.hint { p.hint { (words::NEXT) " " (hint) } }
            @if !task.said.is_empty() {
                details { summary { (words::SAID) } ul.log tabindex="0" { @for line in &task.said { li { (line) } } } }
            }
            (form(state, &format!("/job/{job}/seen"), &html! { button type="submit" { (words::PUT_AWAY) } }))
        }
    }
}
