//! The desk: the work on a screen beside the bench, as a web page of this computer alone.
//!
//! A door like the command line, and nothing more: it decides nothing about a job. What may be done, why not, and what it says
//! come from `job`; pages show it, forms call the same functions, and both faces may be used on one bench at once.
//!
//! [`open`] binds the address, [`Desk::run`] serves until it is asked to end. Long work runs in threads of its own and
//! survives the window that began it; see [`runner`]. What keeps strangers out (S12) is in `guard`, around every route.
//!
//! What a reader would question: pages are made whole on the server, and scripts only bring news into them. Everything but the
//! live watch and moving numbers works without script, and there is one place that knows what a page says.

mod ask;
mod assets;
mod fault;
mod guard;
mod job_page;
mod links;
pub mod page;
mod papers;
pub mod runner;
mod server;
mod shelf;
mod start;
mod state;
mod sticks;
pub mod view;
mod watch;
pub mod words;

pub use fault::Fault;
pub use page::{form, page};
pub use server::{Desk, open};
pub use state::{AppState, Settings};
