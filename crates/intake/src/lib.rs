//! Files that can be trusted: what stands behind a file before anything is done with it.
//!
//! [`archive`]: members of tar and zip archives and of compressed files, listed and opened within budgets.

pub mod archive;
