//! The card in the middle: one thing to do, with what goes before the button and nothing after it.

use std::time::Duration;

use job::jobs::{Deed, NextStep};
use job::procedure::Patience;
use maud::{Markup, html};

use super::{Look, photo, running};
use crate::links;
use crate::page::form;
use crate::papers;
use crate::state::AppState;
use crate::sticks;
use crate::words;

pub(super) fn now(state: &AppState, look: &Look) -> Markup {
    if let Some(task) = look.task.as_ref().filter(|task| task.outcome.is_none()) {
        return running::card(state, &look.sight.status.job, task);
    }
    html! {
        div #notice aria-live="polite" {
            @if let Some(task) = &look.task { (running::ended(state, &look.sight.status.job, task)) }
        }
        @for warning in &look.sight.status.warnings { p.noway { (words::WARNING) " " (warning) } }
        @match &look.sight.step {
            Some(step) => (step_card(state, look, step)),
            None => (other_card(state, look)),
        }
        @if !look.sight.also.is_empty() {
            details.card {
                summary { (words::ALSO_POSSIBLE) }
                ul { @for (id, title) in &look.sight.also { li { a href={ "?step=" (id) } { (title) } } } }
            }
        }
        (waiting(look))
        @if look.sight.deed != Deed::Closed && look.sight.deed != Deed::GiveBack { (give_back(state, look, false)) }
    }
}

/// Why the steps that are left cannot be done yet.
fn waiting(look: &Look) -> Markup {
    let here = look.sight.step.as_ref().map(|step| step.id.as_str());
    let path = look.sight.status.path.iter();
    let left: Vec<_> = path.filter(|step| step.standing == "waiting" && Some(step.id.as_str()) != here).collect();
    html! {
        @if !left.is_empty() {
            details.card {
                summary { (words::WHY_LATER) }
                dl {
                    @for step in left {
                        dt { b { (step.title) } }
                        @for reason in &step.reasons { dd { (reason.text) } }
                    }
                }
            }
        }
    }
}

fn step_card(state: &AppState, look: &Look, step: &NextStep) -> Markup {
    let job = &look.sight.status.job;
    html! {
        article.card {
            h2 { (step.title) @if step.hold { " " span.tag { (words::HOLD_POINT) } } }
            p.why { (step.why) }
            (before(step))
            (deed(state, look, step))
            (photo::section(state, job, step, &look.sight))
        }
    }
}

/// What a person has to know before the button.
fn before(step: &NextStep) -> Markup {
    html! {
        @if !step.no_way_back.is_empty() { p.noway { (words::no_way_back(&step.no_way_back)) } }
        @if !step.cautions.is_empty() {
            ul.cautions aria-label=(words::CAUTIONS) { @for caution in &step.cautions { li { (caution) } } }
        }
        @if !step.details.is_empty() {
            h3 { (words::TO_DO) }
            ol { @for line in &step.details { li { (line) } } }
        }
        dl.facts {
            @if !step.tools.is_empty() { dt { (words::TOOLS) } dd { (step.tools.join(", ")) } }
            @if !step.pictures.is_empty() { dt { (words::PICTURES) } dd { (step.pictures.join(", ")) } }
            @if step.minutes > 0 { dt { (words::TAKES) } dd { (words::minutes(step.minutes)) } }
            @if let Some(expect) = &step.expect { dt { (words::MAY_COME_UP) } dd { (expect) } }
            dt { (words::DONE_WHEN) } dd { b { (step.done_when) } }
        }
    }
}

fn deed(state: &AppState, look: &Look, step: &NextStep) -> Markup {
    let job = &look.sight.status.job;
    let sign = |body: &Markup| form(state, &format!("/job/{job}/sign"), &html! { (hidden("step", &step.id)) (body) });
    match &look.sight.deed {
        Deed::Contact { chip, on } => sign(&contact(look, step, chip, *on)),
        Deed::PowerUp { since } => power_up(look, step, since.as_deref(), &sign),
        Deed::Chip { chips, signs, cut_off, writes } => {
            let chip = look.sight.wired.first().or(chips.first()).map(String::as_str).unwrap_or_default();
            form(
                state,
                &format!("/job/{job}/do"),
                &html! {
                    (hidden("step", &step.id))
                    @if *cut_off { p.hint { (words::CUT_OFF) } }
                    (links::choice(&look.links, look.sight.link.as_deref(), chip, false))
                    (drives(look))
                    @if *signs { (name(look, true)) }
                    (button(&words::run(step.kind, chip, *cut_off)))
                    @if *writes { p.quiet { (words::MAY_BE_STOPPED) } }
                },
            )
        }
        Deed::TakeFile { file, signed } => form(
            state,
            &format!("/job/{job}/do"),
            &html! {
                (hidden("step", &step.id))
                @if look.papers.is_empty() { p.hint { (words::NO_FILES) } } @else {
                    (papers::choice(&look.papers, file, *signed))
                    (button(words::TAKE_FILE))
                }
            },
        ),
        Deed::MakeStick { size } => form(
            state,
            &format!("/job/{job}/do"),
            &html! {
                (hidden("step", &step.id))
                (sticks::choice(&look.sticks, *size))
                @if look.sticks.iter().any(|stick| stick.takes(*size)) { (button(words::MAKE_STICK)) }
            },
        ),
        Deed::Compose => form(
            state,
            &format!("/job/{job}/do"),
            &html! {
                (hidden("step", &step.id))
                (button(words::COMPOSE))
            },
        ),
        Deed::HandOver => hand_over(state, look),
        _ => {
            let done = if look.sight.measure.is_some() { words::SIGN_MEASURED } else { words::SIGN_DONE };
            sign(&html! { (measured(look)) (name(look, step.hold)) (note()) (button(done)) })
        }
    }
}

fn contact(look: &Look, step: &NextStep, chip: &str, on: bool) -> Markup {
    html! {
        (links::choice(&look.links, look.sight.link.as_deref(), chip, on))
        @if look.links.iter().any(|link| link.stays) {
            label.choice { input type="checkbox" name="stays" value="yes"; (words::LINK_STAYS) }
        }
        p.hint { (if on { words::CONTACT_GOES_ON } else { words::CONTACT_COMES_OFF }) }
        (name(look, step.hold))
        (note())
        (button(if on { words::SIGN_ON } else { words::SIGN_OFF }))
        p { a href={ "/job/" (look.sight.status.job) "/wiring" } { (words::WIRING) } }
    }
}

/// First that power is there, then that the machine shows itself. That nothing came is offered beside it, with what to do then.
fn power_up(look: &Look, step: &NextStep, since: Option<&str>, sign: &dyn Fn(&Markup) -> Markup) -> Markup {
    let deed = |word: &str| hidden("deed", word);
    let Some(since) = since else {
        return sign(&html! { (deed("begin")) (name(look, step.hold)) (note()) (button(words::POWER_IS_THERE)) });
    };
    html! {
        @if let Some(patience) = &step.patience { (timer(patience, since)) }
        (sign(&html! { (measured(look)) (name(look, step.hold)) (note()) (button(words::IT_SHOWS)) }))
        details open[step.patience.as_ref().is_some_and(|patience| patience.over)] {
            summary { (words::NOTHING_CAME) }
            (sign(&html! { (deed("dark")) p { (words::DARK_TOLD) } (name(look, step.hold)) (note()) (plain(words::SIGN_DARK)) }))
        }
    }
}

fn timer(patience: &Patience, since: &str) -> Markup {
    html! {
        div.card role="timer" aria-live="off" {
            p.clock #patience data-left=(patience.left_s) { (words::clock(Duration::from_secs(patience.left_s))) }
            p.quiet { (words::POWER_SINCE) " " (words::when(since)) }
            p #advice { (patience.advice) }
        }
    }
}

/// What is to be done where no step may be.
fn other_card(state: &AppState, look: &Look) -> Markup {
    let job = &look.sight.status.job;
    html! {
        @match &look.sight.deed {
            Deed::Gate { id, text } => article.card {
                h2 { (words::GATE) }
                p.why { (text) }
                @for reason in &look.sight.next.waits_for { p { (reason.text) } }
                (form(state, &format!("/job/{job}/sign"), &html! {
                    (hidden("step", id)) (name(look, true)) (note()) (button(words::SIGN_GATE))
                }))
            },
            Deed::HandOver => article.card { h2 { (words::ALL_DONE) } (hand_over(state, look)) },
            Deed::Closed => article.card {
                h2 { (words::CLOSED) }
                p { (words::CLOSED_TOLD) }
                p { a.button.deed href={ "/job/" (job) "/record" } { (words::RECORD) } }
            },
            _ => article.card {
                h2 { (words::NOTHING_POSSIBLE) }
                ul { @for reason in &look.sight.next.waits_for { li { (reason.text) } } }
                (give_back(state, look, true))
            },
        }
    }
}

fn hand_over(state: &AppState, look: &Look) -> Markup {
    let job = &look.sight.status.job;
    form(
        state,
        &format!("/job/{job}/handover"),
        &html! {
            p { a href={ "/job/" (job) "/record" } { (words::LOOK_AT_RECORD) } }
            (name(look, true))
            (button(words::HAND_OVER))
        },
    )
}

/// The way out of a job that cannot or shall not go on.
fn give_back(state: &AppState, look: &Look, open: bool) -> Markup {
    let job = &look.sight.status.job;
    html! {
        details.card open[open] {
            summary { (words::GIVE_BACK) }
            p { (words::GIVE_BACK_TOLD) }
            (form(state, &format!("/job/{job}/handover"), &html! {
                label.field { span { (words::REASON) } input name="as_is" required maxlength="400" autocomplete="off"; }
                @if !look.sight.contacts.is_empty() {
                    (links::choice(&look.links, look.sight.link.as_deref(), "", false))
                    @if look.links.iter().any(|link| link.stays) {
                        label.choice { input type="checkbox" name="stays" value="yes"; (words::LINK_STAYS) }
                    }
                }
                (name(look, true))
                (plain(words::GIVE_BACK_NOW))
            }))
        }
    }
}

/// What is measured or read off at this step, with what is good.
fn measured(look: &Look) -> Markup {
    let Some(measure) = &look.sight.measure else { return html! {} };
    let bound = |word: &str, value: Option<f64>| value.map(|value| format!("{word} {value} {}", measure.unit));
    let limits: Vec<String> =
        bound(words::AT_LEAST, measure.min).into_iter().chain(bound(words::AT_MOST, measure.max)).collect();
    let good = if measure.is.is_empty() { limits.join(", ") } else { measure.is.join(words::OR) };
    html! {
        label.field {
            span { (measure.what) @if !measure.unit.is_empty() { ", " (words::IN) " " (measure.unit) } }
            @if !good.is_empty() { small { (words::GOOD_IS) " " (good) } }
            @if measure.is.is_empty() {
                input name="measured" inputmode="decimal" required autocomplete="off" maxlength="40";
            } @else {
                input name="measured" list="good" required autocomplete="off" maxlength="40";
                datalist id="good" { @for value in &measure.is { option value=(value) {} } }
            }
        }
    }
}

/// S4: a link that cannot know what it drives. The field opens by itself once the engine has asked for it.
fn drives(look: &Look) -> Markup {
    let asked = look.task.as_ref().and_then(|task| task.outcome.as_ref()).is_some_and(|outcome| outcome.wants_drives);
    html! {
        @if asked || look.links.iter().any(|link| link.drives_unknown) {
            label.field {
                span { (words::DRIVES) }
                small { (words::DRIVES_TOLD) }
                input name="drives" inputmode="decimal" autocomplete="off" maxlength="10";
            }
        }
    }
}

/// The signature. At a hold point nothing is filled in beforehand: whoever signs writes the name.
fn name(look: &Look, hold: bool) -> Markup {
    let known = look.signer.as_deref().filter(|_| !hold).unwrap_or_default();
    html! {
        label.field {
            span { (words::NAME) }
            input name="by" value=(known) required maxlength="400" autocomplete="name";
        }
    }
}

fn note() -> Markup {
    html! {
        label.field { span { (words::NOTE) } input name="note" maxlength="400" autocomplete="off"; }
    }
}

fn hidden(name: &str, value: &str) -> Markup {
    html! { input type="hidden" name=(name) value=(value); }
}

fn button(text: &str) -> Markup {
    html! { div.deeds { button.deed type="submit" { (text) } } }
}

fn plain(text: &str) -> Markup {
    html! { div.deeds { button type="submit" { (text) } } }
}
