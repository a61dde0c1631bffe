//! The programmer's bulk pair.
//!
//! Four reads of 16 KiB are always under way, so that the programmer never waits for the host to ask. Read lengths are whole
//! packets, which `nusb` demands; the programmer ends an answer with a short packet, and that ends a read.
//!
//! The interface is claimed once and held as long as the endpoints: claiming it a second time on the same handle and letting that
//! go would release it under them.

use std::io;
use std::path::PathBuf;
use std::time::{Duration, Instant};

use nusb::transfer::{Buffer, Bulk, Completion, In, Out, TransferError};
use nusb::{Endpoint, ErrorKind, Interface, MaybeFuture};

use super::pipe::{Pipe, PipeError};
use crate::OpenError;
use crate::find::Board;
use crate::node;

const READ: usize = 16 * 1024;
const READS: usize = 4;
/// How long a transfer that is given up may take to come back.
const GIVE_UP: Duration = Duration::from_millis(200);

pub(super) struct UsbPipe {
    input: Endpoint<Bulk, In>,
    output: Endpoint<Bulk, Out>,
    sysfs: PathBuf,
    _interface: Interface,
}

impl UsbPipe {
    /// Opens the device and claims its interface. Sends nothing.
    pub(super) fn open(board: &Board) -> Result<Self, OpenError> {
        let refused = |doing, error: nusb::Error| match error.kind() {
            ErrorKind::PermissionDenied => OpenError::Permission {
                path: board.link.clone(),
                remedy: node::permission_remedy(&board.node),
                source: error.into(),
            },
            ErrorKind::Busy => OpenError::Busy { path: board.link.clone() },
            _ => OpenError::System { doing, path: board.link.clone(), source: error.into() },
        };
        let missing = |what: &str| OpenError::System {
            doing: "open",
            path: board.link.clone(),
            source: io::Error::new(io::ErrorKind::NotFound, what.to_owned()),
        };
        let mut devices = nusb::list_devices().wait().map_err(|error| refused("list", error))?;
        let info =
            devices.find(|info| info.sysfs_path() == board.sysfs).ok_or_else(|| missing("the device has just gone"))?;
        let number = info
            .interfaces()
            .find(|it| (it.class(), it.subclass(), it.protocol()) == wire::USB_INTERFACE_CLASS)
            .ok_or_else(|| missing("it has no interface of a programmer"))?
            .interface_number();
        let device = info.open().wait().map_err(|error| refused("open", error))?;
        let interface = device.claim_interface(number).wait().map_err(|error| refused("claim", error))?;
        let endpoints = interface.descriptor().ok_or_else(|| missing("it has no endpoints"))?;
        let bulk = |direction| {
            let wanted = |it: &nusb::descriptors::EndpointDescriptor<'_>| {
                it.direction() == direction && it.transfer_type() == nusb::descriptors::TransferType::Bulk
            };
            endpoints.endpoints().find(wanted).map(|it| it.address()).ok_or_else(|| missing("it has no bulk pair"))
        };
        let input = interface
            .endpoint(bulk(nusb::transfer::Direction::In)?)
            .map_err(|error| refused("use an endpoint of", error))?;
        let output = interface
            .endpoint(bulk(nusb::transfer::Direction::Out)?)
            .map_err(|error| refused("use an endpoint of", error))?;
        Ok(Self { input, output, sysfs: board.sysfs.clone(), _interface: interface })
    }

    fn is_unplugged(&self) -> bool {
        !self.sysfs.exists()
    }

    fn failed(error: TransferError) -> PipeError {
        match error {
            TransferError::Disconnected => PipeError::Gone,
            error => PipeError::System(error.into()),
        }
    }

    /// The next write that ended.
    fn written(&mut self, until: Instant) -> Result<(), PipeError> {
        let left = until.saturating_duration_since(Instant::now());
        match self.output.wait_next_complete(left) {
            Some(Completion { status, .. }) => status.map_err(Self::failed),
            None if self.is_unplugged() => Err(PipeError::Gone),
            None => {
                self.output.cancel_all();
                let end = Instant::now() + GIVE_UP;
                while self.output.pending() > 0 && Instant::now() < end {
                    let _ = self.output.wait_next_complete(end - Instant::now());
                }
                Err(PipeError::Full)
            }
        }
    }
}

impl Pipe for UsbPipe {
    fn send(&mut self, bytes: &[u8], allowed: Duration) -> Result<(), PipeError> {
        let until = Instant::now() + allowed;
        for piece in bytes.chunks(READ) {
            while self.output.pending() >= READS {
                self.written(until)?;
            }
            self.output.submit(piece.to_vec().into());
        }
        while self.output.pending() > 0 {
            self.written(until)?;
        }
        Ok(())
    }

    fn receive(&mut self, into: &mut Vec<u8>, allowed: Duration) -> Result<(), PipeError> {
        while self.input.pending() < READS {
            self.input.submit(Buffer::new(READ));
        }
        let Some(Completion { mut buffer, actual_len, status }) = self.input.wait_next_complete(allowed) else {
            return if self.is_unplugged() { Err(PipeError::Gone) } else { Ok(()) };
        };
        into.extend_from_slice(&buffer[..actual_len]);
        status.map_err(Self::failed)?;
        buffer.clear();
        buffer.set_requested_len(READ);
        self.input.submit(buffer);
        Ok(())
    }
}
