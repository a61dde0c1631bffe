//! Work in the background: chip commands, checks, and whatever else takes longer than a page.

/// What runs.
pub struct Runner {}

impl Runner {
    pub(crate) fn new() -> Self {
        Self {}
    }

    /// Asks all that runs to stop safely, and waits for it.
    pub(crate) fn end(&self) {}
}
