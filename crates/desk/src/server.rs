//! The address, the routes, and how the desk begins and ends.

use std::future::IntoFuture;
use std::net::{Ipv4Addr, SocketAddr};
use std::path::PathBuf;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

use axum::Router;
use axum::extract::DefaultBodyLimit;
use axum::middleware::from_fn_with_state;
use job::JobError;
use tokio::net::TcpListener;

use crate::fault::Fault;
use crate::guard::{Secrets, guard};
use crate::state::{AppState, Settings};
use crate::{assets, job_page, shelf, start, view, watch};

/// Most bytes of a form.
const MOST_FORM: usize = 64 << 10;

/// A desk whose address is bound and that serves nothing yet.
pub struct Desk {
    runtime: tokio::runtime::Runtime,
    listener: TcpListener,
    state: AppState,
    port: u16,
}

/// Binds the loopback address.
///
/// # Errors
/// [`JobError::Io`] when it is taken, or the system has no random numbers for a token.
pub fn open(settings: Settings) -> Result<Desk, JobError> {
    let wanted = settings.port;
    let failed = |source| not_listening(wanted, source);
    // One thread serves; whatever waits or reads disks has threads of its own.
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().map_err(failed)?;
    let address = SocketAddr::from((Ipv4Addr::LOCALHOST, wanted));
    let listener = runtime.block_on(TcpListener::bind(address)).map_err(failed)?;
    let port = listener.local_addr().map_err(failed)?.port();
    let secrets = Secrets::draw(port).map_err(|error| JobError::Io {
        doing: "draw random bytes from",
        path: PathBuf::from("the system"),
        source: std::io::Error::other(error.to_string()),
    })?;
    Ok(Desk { runtime, listener, state: AppState::new(settings, secrets), port })
}

impl Desk {
    /// The address to open, with its token.
    #[must_use]
    pub fn address(&self) -> String {
        format!("http://127.0.0.1:{}/?token={}", self.port, self.state.secrets().token)
    }

    /// Serves until `stop` is set. Work that runs then is asked to stop safely, and waited for.
    ///
    /// # Errors
    /// [`JobError::Io`] when the address is lost; [`JobError::Stopped`] when work was cut off by the end.
    pub fn run(self, stop: &'static AtomicBool) -> Result<(), JobError> {
        let Self { runtime, listener, state, port } = self;
        let routes = routes(state.clone());
        let asked = async move {
            while !stop.load(Ordering::SeqCst) {
                tokio::time::sleep(Duration::from_millis(50)).await;
            }
        };
        let served = runtime.block_on(async {
            tokio::select! {
                served = axum::serve(listener, routes).into_future() => served,
                () = asked => Ok(()),
            }
        });
        let stopped = state.runner().end();
        if served.is_ok() && stopped {
            return Err(JobError::Stopped { doing: "working for the desk" });
        }
        served.map_err(|source| not_listening(port, source))
    }
}

fn not_listening(port: u16, source: std::io::Error) -> JobError {
    JobError::Io { doing: "listen on", path: PathBuf::from(format!("127.0.0.1:{port}")), source }
}

/// Every route, behind the guard.
pub(crate) fn routes(state: AppState) -> Router {
    Router::new()
        .merge(assets::routes())
        .merge(shelf::routes())
        .merge(start::routes())
        .merge(job_page::routes())
        .merge(watch::routes())
        .merge(view::routes())
        .fallback(async || Fault::NotFound)
        .layer(DefaultBodyLimit::max(MOST_FORM))
        .layer(from_fn_with_state(state.clone(), guard))
        .with_state(state)
}
