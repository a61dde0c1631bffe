//! What every route holds: where the bench is, what the person said at the start, what runs.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use crate::guard::Secrets;
use crate::links::Offers;
use crate::runner::Runner;
use crate::view::LineTests;

/// What the person said when the desk was opened.
#[derive(Debug, Clone, Default)]
pub struct Settings {
    /// The bench folder.
    pub bench: PathBuf,
    /// The port of the loopback address; 0: any that is free.
    pub port: u16,
    /// Virtual benches that may be used as links, as given.
    pub links: Vec<PathBuf>,
    /// Folders with profiles, recipes and images; what the work needs is found in them by profile and hash.
    pub files: Vec<PathBuf>,
    /// Files that play sticks, as [`job::drives::Stick::Virtual`] says.
    pub sticks: Vec<PathBuf>,
}

/// Shared by all routes; cheap to clone.
#[derive(Clone)]
pub struct AppState(Arc<Inner>);

struct Inner {
    settings: Settings,
    secrets: Secrets,
    runner: Runner,
    links: Offers,
    papers: Offers,
    sticks: Offers,
    tests: LineTests,
}

impl AppState {
    pub(crate) fn new(settings: Settings, secrets: Secrets) -> Self {
        Self(Arc::new(Inner {
            settings,
            secrets,
            runner: Runner::new(),
            links: Offers::default(),
            papers: Offers::default(),
            sticks: Offers::default(),
            tests: LineTests::default(),
        }))
    }

    /// The bench folder.
    #[must_use]
    pub fn bench(&self) -> &Path {
        &self.0.settings.bench
    }

    /// What the person said when the desk was opened.
    #[must_use]
    pub fn settings(&self) -> &Settings {
        &self.0.settings
    }

    /// What runs in the background.
    #[must_use]
    pub fn runner(&self) -> &Runner {
        &self.0.runner
    }

    pub(crate) fn links(&self) -> &Offers {
        &self.0.links
    }

    pub(crate) fn papers(&self) -> &Offers {
        &self.0.papers
    }

    pub(crate) fn sticks(&self) -> &Offers {
        &self.0.sticks
    }

    pub(crate) fn tests(&self) -> &LineTests {
        &self.0.tests
    }

    pub(crate) fn secrets(&self) -> &Secrets {
        &self.0.secrets
    }
}
