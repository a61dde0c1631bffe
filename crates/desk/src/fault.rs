//! Why a page is not shown or a change not made, as a page that says what happened, why, and what to do next.

use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use job::jobs::JobsError;
use job::{ErrorKind, JobError};
use maud::html;
use vault::VaultError;

use crate::page::refusal;
use crate::words;

/// Why something was not shown or done.
#[derive(Debug, thiserror::Error)]
pub enum Fault {
    /// Nothing is at this address.
    #[error("{}", words::NOT_FOUND)]
    NotFound,
    /// What was sent cannot be used.
    #[error("{0}")]
    Sent(String),
    /// More was sent than is taken.
    #[error("{0}")]
    TooMuch(String),
    /// The job has work that runs.
    #[error("{}", words::RUNS_ALREADY)]
    Runs,
    /// A mistake of the desk itself.
    #[error("{}", words::OURS)]
    Ours,
    /// The engine said no.
    #[error(transparent)]
    Job(#[from] JobError),
}

impl From<VaultError> for Fault {
    fn from(error: VaultError) -> Self {
        Self::Job(error.into())
    }
}

impl Fault {
    fn status(&self) -> StatusCode {
        match self {
            Self::NotFound => StatusCode::NOT_FOUND,
            Self::Sent(_) => StatusCode::BAD_REQUEST,
            Self::TooMuch(_) => StatusCode::PAYLOAD_TOO_LARGE,
            Self::Runs => StatusCode::CONFLICT,
            Self::Ours => StatusCode::INTERNAL_SERVER_ERROR,
            Self::Job(JobError::Vault(VaultError::NotFound { .. })) => StatusCode::NOT_FOUND,
            Self::Job(error) => match error.kind() {
                ErrorKind::Usage => StatusCode::BAD_REQUEST,
                ErrorKind::Refused | ErrorKind::CutOff => StatusCode::CONFLICT,
                ErrorKind::System | ErrorKind::Damaged => StatusCode::INTERNAL_SERVER_ERROR,
            },
        }
    }

    fn causes(&self) -> Vec<String> {
        match self {
            Self::Job(error) => error.causes(),
            _ => Vec::new(),
        }
    }

    fn hint(&self) -> Option<String> {
        match self {
            Self::Job(JobError::Jobs(JobsError::Unanswered { .. })) => Some(words::ANSWER_ALL.to_owned()),
            Self::Job(error) => error.hint().map(|hint| words::in_desk_words(&hint)),
            Self::Runs => Some(words::RUNS_ALREADY_HINT.to_owned()),
            _ => None,
        }
    }
}

impl IntoResponse for Fault {
    fn into_response(self) -> Response {
        let body = html! {
            section.card role="alert" {
                h1 { (words::NOT_DONE) }
                p.said { (words::in_desk_words(&self.to_string())) }
                @for cause in self.causes() { p { (cause) } }
                @if let Some(hint) = self.hint() { p.hint { (words::NEXT) " " (hint) } }
                p { a.button href="/" { (words::TO_SHELF) } }
            }
        };
        refusal(self.status(), words::NOT_DONE, &body)
    }
}
