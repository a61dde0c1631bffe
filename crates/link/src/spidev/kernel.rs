//! The kernel's side of a spidev link: the node itself, and why there may be none.

use std::fs;
use std::io;
use std::os::fd::AsRawFd;
use std::path::{Path, PathBuf};

use spidev::{SpiModeFlags, Spidev, SpidevOptions, SpidevTransfer};

use super::SpiNode;
use crate::OpenError;
use crate::find::{self, Root};
use crate::node;

/// Major number of spidev nodes (include/linux/major.h and Documentation/admin-guide/devices.txt have it reserved; the
/// driver registers this one).
const MAJOR: u64 = 153;

/// What the module takes when nobody says otherwise (drivers/spi/spidev.c).
const USUAL_BUFSIZ: u32 = 4096;

/// A node of the kernel's spidev driver, locked.
#[derive(Debug)]
pub struct KernelNode {
    spi: Spidev,
    path: PathBuf,
}

impl KernelNode {
    /// Opens a node and locks it.
    ///
    /// # Errors
    /// [`OpenError`], with what to do about it.
    pub fn open(path: &Path) -> Result<Self, OpenError> {
        let meta = match fs::metadata(path) {
            Ok(meta) => meta,
            Err(error) if error.kind() == io::ErrorKind::NotFound => {
                let remedy = find::missing_spidev(&Root::system(), path);
                return Err(OpenError::Missing { path: path.to_path_buf(), remedy });
            }
            Err(source) => return Err(OpenError::System { doing: "look at", path: path.to_path_buf(), source }),
        };
        if !node::is_char(&meta, MAJOR) {
            return Err(OpenError::OtherDevice {
                path: path.to_path_buf(),
                expected: "spidev",
                found: node::kind_of(&meta),
                remedy: "`firmhand link list` shows the spidev devices of this computer".into(),
            });
        }
        Ok(Self { spi: Spidev::new(node::open(path, true)?), path: path.to_path_buf() })
    }
}

impl SpiNode for KernelNode {
    fn set_mode(&mut self, mode: u8) -> io::Result<()> {
        let mode = SpiModeFlags::from_bits_retain(u32::from(mode));
        let options =
            SpidevOptions { bits_per_word: Some(8), lsb_first: Some(false), spi_mode: Some(mode), max_speed_hz: None };
        self.spi.configure(&options)
    }

    fn clock_hz(&self) -> io::Result<u32> {
        spidev::spidevioctl::get_max_speed_hz(self.spi.as_raw_fd())
    }

    fn set_clock(&mut self, hz: u32) -> io::Result<u32> {
        self.spi.configure(&SpidevOptions { max_speed_hz: Some(hz), ..SpidevOptions::default() })?;
        self.clock_hz()
    }

    fn message(&mut self, write: &[u8], read: &mut [u8]) -> io::Result<()> {
        if read.is_empty() {
            return self.spi.transfer_multiple(&mut [SpidevTransfer::write(write)]);
        }
        self.spi.transfer_multiple(&mut [SpidevTransfer::write(write), SpidevTransfer::read(read)])
    }

    fn is_present(&mut self) -> bool {
        fs::metadata(&self.path).is_ok_and(|meta| node::is_char(&meta, MAJOR))
    }
}

/// The module's limit of one message.
pub(super) fn bufsiz() -> u32 {
    fs::read_to_string("/sys/module/spidev/parameters/bufsiz")
        .ok()
        .and_then(|text| text.trim().parse().ok())
        .unwrap_or(USUAL_BUFSIZ)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_no_spidev_is_refused_before_it_is_opened() {
        let error = KernelNode::open(Path::new("/dev/null")).expect_err("no spidev");
        assert!(matches!(error, OpenError::OtherDevice { .. }), "{error:?}");
        let file = tempfile::NamedTempFile::new().expect("a file");
        let error = KernelNode::open(file.path()).expect_err("a file");
        assert!(error.to_string().ends_with("is a file, and no spidev device"), "{error}");
        let error = KernelNode::open(Path::new("/dev/spidev99.0")).expect_err("nothing there");
        assert!(matches!(&error, OpenError::Missing { .. }) && error.is_usage(), "{error:?}");
        assert!(!error.remedy().is_empty());
    }
}
