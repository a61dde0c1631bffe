//! What routes ask of others: ids out of addresses, forms out of bodies, the engine in a thread of its own.

use axum::Form;
use axum::extract::{FromRequest, Request};
use axum::http::StatusCode;
use axum::response::{IntoResponse, Redirect, Response};
use job::vault::JobId;

use crate::fault::Fault;
use crate::words;

/// Runs what touches disks or waits, off the thread that serves.
///
/// # Errors
/// What `work` ends with. A panic in it becomes a fault of ours and takes no other page along.
pub(crate) async fn engine<T: Send + 'static>(
    work: impl FnOnce() -> Result<T, Fault> + Send + 'static,
) -> Result<T, Fault> {
    match tokio::task::spawn_blocking(work).await {
        Ok(done) => done,
        Err(_) => Err(Fault::Ours),
    }
}

/// A job's id out of an address. It is an id and never a path.
///
/// # Errors
/// [`Fault::NotFound`] for what is none.
pub(crate) fn job_id(text: &str) -> Result<JobId, Fault> {
    JobId::new(text).map_err(|_| Fault::NotFound)
}

/// Leads on after a change, so that loading again changes nothing a second time.
pub(crate) fn on_to(address: &str) -> Response {
    Redirect::to(address).into_response()
}

/// The fields of a form.
pub(crate) struct Fields(Vec<(String, String)>);

impl Fields {
    pub fn new(pairs: Vec<(String, String)>) -> Self {
        Self(pairs)
    }

    /// A field that somebody filled in; an empty one is none.
    pub fn given(&self, name: &str) -> Option<String> {
        let found = self.0.iter().find(|(key, _)| key == name)?;
        let text = found.1.trim();
        (!text.is_empty()).then(|| text.to_owned())
    }

    /// A field that the form cannot be without.
    ///
    /// # Errors
    /// [`Fault::Sent`] that names it.
    pub fn must(&self, name: &str) -> Result<String, Fault> {
        self.given(name).ok_or_else(|| Fault::Sent(words::missing(name)))
    }

    /// A number, if one was given.
    ///
    /// # Errors
    /// [`Fault::Sent`] for what is none.
    pub fn number<N: std::str::FromStr>(&self, name: &str) -> Result<Option<N>, Fault> {
        let read = |text: String| text.replace(',', ".").parse().map_err(|_| Fault::Sent(words::no_number(&text)));
        self.given(name).map(read).transpose()
    }

    /// Whether a box is ticked.
    pub fn ticked(&self, name: &str) -> bool {
        self.given(name).is_some()
    }

    /// Fields whose names begin so, with the rest of their names.
    pub fn beginning<'a>(&'a self, with: &'a str) -> impl Iterator<Item = (&'a str, &'a str)> {
        self.0.iter().filter_map(move |(key, value)| Some((key.strip_prefix(with)?, value.trim())))
    }
}

impl<S: Send + Sync> FromRequest<S> for Fields {
    type Rejection = Fault;

    async fn from_request(request: Request, state: &S) -> Result<Self, Fault> {
        match Form::<Vec<(String, String)>>::from_request(request, state).await {
            Ok(Form(pairs)) => Ok(Self(pairs)),
            Err(refused) => Err(match refused.into_response().status() {
                StatusCode::PAYLOAD_TOO_LARGE => Fault::TooMuch(words::FORM_TOO_LARGE.to_owned()),
                _ => Fault::Sent(words::NO_FORM.to_owned()),
            }),
        }
    }
}
