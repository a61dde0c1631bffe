//! The programmer's serial port: the same frames, for where the bulk pair cannot be opened.

use std::io::{self, Read, Write};
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use serialport::TTYPort;

use super::pipe::{Pipe, PipeError};
use crate::OpenError;

const READ: usize = 16 * 1024;
/// The rate means nothing on a port that is USB all the way; something has to be said.
const RATE: u32 = 115_200;
/// The shortest wait that is asked of the system.
const LEAST: Duration = Duration::from_millis(1);

pub(super) struct SerialPipe {
    port: TTYPort,
    path: PathBuf,
    buffer: Vec<u8>,
}

impl SerialPipe {
    pub(super) fn open(path: &Path) -> Result<Self, OpenError> {
        let builder = serialport::new(path.to_string_lossy(), RATE).timeout(LEAST);
        let port = builder.open_native().map_err(|error| OpenError::System {
            doing: "open",
            path: path.to_path_buf(),
            source: error.into(),
        })?;
        Ok(Self { port, path: path.to_path_buf(), buffer: vec![0; READ] })
    }

    fn set_wait(&mut self, wait: Duration) -> Result<(), PipeError> {
        use serialport::SerialPort;
        self.port.set_timeout(wait.max(LEAST)).map_err(|error| PipeError::System(error.into()))
    }

    /// A port whose device was pulled answers in more than one way; its node is gone in all of them.
    fn failed(&self, error: io::Error) -> PipeError {
        let gone = [io::ErrorKind::BrokenPipe, io::ErrorKind::NotConnected, io::ErrorKind::UnexpectedEof];
        if gone.contains(&error.kind()) || !self.path.exists() { PipeError::Gone } else { PipeError::System(error) }
    }
}

impl Pipe for SerialPipe {
    fn send(&mut self, bytes: &[u8], allowed: Duration) -> Result<(), PipeError> {
        let until = Instant::now() + allowed;
        let mut rest = bytes;
        while !rest.is_empty() {
            self.set_wait(until.saturating_duration_since(Instant::now()))?;
            match self.port.write(rest) {
                Ok(0) => return Err(PipeError::Gone),
                Ok(count) => rest = &rest[count..],
                Err(error) if error.kind() == io::ErrorKind::Interrupted => {}
                Err(error) if error.kind() == io::ErrorKind::TimedOut && self.path.exists() => {
                    return Err(PipeError::Full);
                }
                Err(error) => return Err(self.failed(error)),
            }
        }
        Ok(())
    }

    fn receive(&mut self, into: &mut Vec<u8>, allowed: Duration) -> Result<(), PipeError> {
        self.set_wait(allowed)?;
        match self.port.read(&mut self.buffer) {
            Ok(0) => Err(PipeError::Gone),
            Ok(count) => {
                into.extend_from_slice(&self.buffer[..count]);
                Ok(())
            }
            Err(error) if error.kind() == io::ErrorKind::Interrupted => Ok(()),
            Err(error) if error.kind() == io::ErrorKind::TimedOut && self.path.exists() => Ok(()),
            Err(error) => Err(self.failed(error)),
        }
    }
}
