//! What a programmer's conversation runs over: bytes out, bytes in, each with a time that it may take.
//!
//! A pipe knows nothing of frames. Every wait has an end: a USB transfer whose device was pulled may never come back, and
//! whoever waits for it alone waits for ever.

use std::io;
use std::time::Duration;

/// Bytes to and from a programmer.
pub trait Pipe: Send {
    /// Sends all of `bytes`.
    ///
    /// # Errors
    /// [`PipeError::Full`] when the programmer did not take them within `allowed`; how many it took is not known then.
    fn send(&mut self, bytes: &[u8], allowed: Duration) -> Result<(), PipeError>;

    /// Appends what came to `into`, and waits for it at most `allowed`. That nothing came is no error.
    ///
    /// # Errors
    /// [`PipeError::Gone`], [`PipeError::System`].
    fn receive(&mut self, into: &mut Vec<u8>, allowed: Duration) -> Result<(), PipeError>;
}

/// Why bytes did not pass.
#[derive(Debug, thiserror::Error)]
pub enum PipeError {
    /// The device was unplugged.
    #[error("the programmer was unplugged")]
    Gone,
    /// It takes nothing.
    #[error("the programmer takes no data")]
    Full,
    /// The system refused.
    #[error("the system refuses the transfer")]
    System(#[source] io::Error),
}
