//! Files that can be trusted: what stands behind a file before anything is done with it.
//!
//! | module | for |
//! |---|---|
//! | [`digest`] | all hashes of a file in one read |
//! | [`list`] | checksum lists in the usual forms |
//! | [`openpgp`], [`minisign`] | signatures, held against a key; [`proof`] is what they end with |
//! | [`keys`] | keys that somebody has compared, by the origin of the files they sign |
//! | [`build`] | lists and signatures for the scenario and the tests |
//! | [`archive`] | members of tar and zip archives and of compressed files, listed and opened within budgets |
//!
//! All of it is hostile until it has proven itself (safety rule S10). There is no network and no clock; time is an argument. What is
//! kept, and where, and what a person is asked, is the engine's business.

pub mod archive;
pub mod build;
pub mod digest;
pub mod keys;
pub mod list;
pub mod minisign;
pub mod openpgp;
pub mod proof;

/// Reads until the buffer is full or the source at its end; returns the bytes read.
pub(crate) fn fill(source: &mut dyn std::io::Read, buffer: &mut [u8]) -> std::io::Result<usize> {
    let mut filled = 0;
    while filled < buffer.len() {
        match source.read(&mut buffer[filled..]) {
            Ok(0) => break,
            Ok(read) => filled += read,
            Err(error) if error.kind() == std::io::ErrorKind::Interrupted => {}
            Err(error) => return Err(error),
        }
    }
    Ok(filled)
}
