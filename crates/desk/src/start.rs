//! `/start`: a machine is taken in. First which model and what is to be done, then what has to be known before anybody holds a
//! screwdriver; the questions and what stops on an answer are the engine's.

use axum::Router;
use axum::extract::{Query, State};
use axum::response::Response;
use axum::routing::get;
use job::jobs::{self, Asked, Form, KnownProfile, KnownProfiles, StartRequest};
use job::profile::JobKind;
use maud::{Markup, html};
use serde::Deserialize;

use crate::ask::{Fields, engine, on_to};
use crate::fault::Fault;
use crate::page::{form, page};
use crate::state::AppState;
use crate::words;

pub(crate) fn routes() -> Router<AppState> {
    Router::new().route("/start", get(ask).post(take_in))
}

#[derive(Deserialize)]
struct Chosen {
    profile: Option<String>,
    kind: Option<String>,
}

async fn ask(State(state): State<AppState>, Query(chosen): Query<Chosen>) -> Result<Response, Fault> {
    let held = state.clone();
    let (known, jobs) = engine(move || {
        let known = jobs::known_profiles(held.bench(), &held.settings().files)?;
        let jobs = jobs::status_all(held.bench(), false)?.jobs;
        Ok((known, jobs.into_iter().filter(|job| job.state != "loose").map(|job| job.job).collect::<Vec<_>>()))
    })
    .await?;
    let picked = chosen.profile.as_deref().and_then(|id| find(&known, id));
    let kind = chosen.kind.as_deref().and_then(kind_of);
    let body = match (picked, kind) {
        (Some(profile), Some(kind)) => second(&state, profile, kind, &jobs),
        _ => first(&known),
    };
    Ok(page(words::TAKE_IN, &body))
}

fn find<'k>(known: &'k KnownProfiles, id: &str) -> Option<&'k KnownProfile> {
    known.profiles.iter().find(|profile| profile.id.to_string() == id)
}

fn kind_of(word: &str) -> Option<JobKind> {
    JobKind::ALL.into_iter().find(|kind| kind.as_str() == word)
}

/// Which model, and what is to be done.
fn first(known: &KnownProfiles) -> Markup {
    html! {
        h1 { (words::TAKE_IN) }
        @if known.profiles.is_empty() { p.hint { (words::NO_PROFILES) } }
        @for profile in &known.profiles {
            section.card {
                h2 { (profile.profile.board.name) }
                @if let Some(revision) = &profile.profile.board.revision { p.quiet { (revision) } }
                @if let Some(note) = &profile.profile.board.note { p { (note) } }
                p.quiet { (words::profile_from(&profile.name, profile.file.is_some())) }
                div.deeds {
                    @for kind in &profile.profile.board.jobs {
                        a.button href={ "/start?profile=" (profile.id) "&kind=" (kind.as_str()) } { (words::kind(kind.as_str())) }
                    }
                }
            }
        }
        @for (name, why) in &known.faulty { p.bad { (name) ": " (why) } }
    }
}

/// Whose it is, and the questions.
fn second(state: &AppState, known: &KnownProfile, kind: JobKind, jobs: &[String]) -> Markup {
    let line = |name: &str, label: &str| {
        html! {
            label.field { span { (label) } input name=(name) required maxlength="400" autocomplete="off"; }
        }
    };
    let body = html! {
        input type="hidden" name="profile" value=(known.id);
        input type="hidden" name="kind" value=(kind.as_str());
        fieldset {
            legend { (words::WHOSE) }
            (line("machine", words::WHICH_MACHINE))
            (line("owner", words::OWNER))
            (line("consent", words::CONSENT))
            @if kind == JobKind::Return {
                label.field {
                    span { (words::TAKES_BACK) }
                    select name="of" required {
                        @for job in jobs.iter().rev() { option value=(job) { (job) } }
                    }
                }
            }
        }
        @for asked in known.questions(kind) { (question(&asked)) }
        div.deeds { button.deed type="submit" { (words::TAKE_IN) } }
    };
    html! {
        h1 { (words::TAKE_IN) ": " (known.profile.board.name) ", " (words::kind(kind.as_str())) }
        p.hint { (words::INTAKE_TOLD) }
        section.card { (form(state, "/start", &body)) }
    }
}

fn question(asked: &Asked) -> Markup {
    let name = format!("answer-{}", asked.id);
    let radio = |value: &str, label: &str| {
        html! {
            label.choice { input type="radio" name=(name) value=(value) required; (label) }
        }
    };
    html! {
        @match &asked.form {
            Form::YesNo { .. } => fieldset {
                legend { (asked.text) }
                (radio("yes", words::YES)) (radio("no", words::NO))
            },
            Form::Choice(choices) => fieldset {
                legend { (asked.text) }
                @for (id, label) in choices { (radio(id, label)) }
            },
            Form::Charge { .. } => label.field {
                span { (asked.text) }
                small { (words::CHARGE_TOLD) }
                input name=(name) required maxlength="20" autocomplete="off";
            },
            Form::Mac | Form::Text => label.field {
                span { (asked.text) }
                small { (words::OR_NONE) }
                input name=(name) required maxlength="400" autocomplete="off";
            },
            Form::Optional => label.field {
                span { (asked.text) }
                small { (words::MAY_BE_LEFT_OUT) }
                input name=(name) maxlength="400" autocomplete="off";
            },
        }
    }
}

async fn take_in(State(state): State<AppState>, fields: Fields) -> Result<Response, Fault> {
    let kind = kind_of(&fields.must("kind")?).ok_or_else(|| Fault::Sent(words::missing("kind")))?;
    let id = fields.must("profile")?;
    let job = engine(move || {
        let known = jobs::known_profiles(state.bench(), &state.settings().files)?;
        let profile = find(&known, &id).ok_or_else(|| Fault::Sent(words::NO_SUCH_PROFILE.to_owned()))?;
        let answers = fields.beginning("answer-").filter(|(_, value)| !value.is_empty());
        let request = StartRequest {
            kind,
            profile: profile.file.clone(),
            kept: profile.file.is_none().then_some(profile.id),
            of: fields.given("of"),
            machine: fields.must("machine")?,
            owner: fields.must("owner")?,
            consent: fields.must("consent")?,
            answers: answers.map(|(id, value)| format!("{id}={value}")).collect(),
        };
        Ok(jobs::start(state.bench(), &request, &mut job::Nobody)?.job)
    })
    .await?;
    Ok(on_to(&format!("/job/{job}")))
}
