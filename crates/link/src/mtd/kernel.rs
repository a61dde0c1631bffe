//! The kernel's side of an MTD link: node, folder in `/sys`, and why there may be none.

use std::fs::{self, File};
use std::io;
use std::os::unix::fs::FileExt;
use std::path::{Path, PathBuf};

use super::{Facts, MtdNode, calls};
use crate::OpenError;
use crate::node;

/// Major number of MTD character devices (Documentation/admin-guide/devices.txt): node `mtdN` has the minor number 2N, and
/// `mtdNro` the odd one after it.
const MAJOR: u64 = 90;

/// A node of the kernel's MTD driver, locked.
#[derive(Debug)]
pub struct KernelNode {
    file: File,
    path: PathBuf,
    folder: PathBuf,
}

impl KernelNode {
    /// Opens a node and locks it; for reading alone when the kernel lets it not be written.
    ///
    /// # Errors
    /// [`OpenError`], with what to do about it.
    pub fn open(path: &Path) -> Result<Self, OpenError> {
        let other = |found: String, remedy: &str| OpenError::OtherDevice {
            path: path.to_path_buf(),
            expected: "MTD character",
            found,
            remedy: remedy.into(),
        };
        let meta = match fs::metadata(path) {
            Ok(meta) => meta,
            Err(error) if error.kind() == io::ErrorKind::NotFound => {
                let remedy = "`firmhand link list` shows the flash that the kernel drives; without any, the kernel has no driver \
                              for this machine's flash, and the chip is reached by a clip"
                    .into();
                return Err(OpenError::Missing { path: path.to_path_buf(), remedy });
            }
            Err(source) => return Err(OpenError::System { doing: "look at", path: path.to_path_buf(), source }),
        };
        if path.to_string_lossy().contains("mtdblock") {
            return Err(other(
                node::kind_of(&meta),
                "name the character device, /dev/mtdN: reads of it are fresh, and not cached",
            ));
        }
        if !node::is_char(&meta, MAJOR) {
            return Err(other(node::kind_of(&meta), "`firmhand link list` shows the flash that the kernel drives"));
        }
        if node::minor(&meta) % 2 == 1 {
            return Err(other("the read-only twin of an MTD device".into(), "name the device itself, /dev/mtdN"));
        }
        let folder = PathBuf::from(format!("/sys/class/mtd/mtd{}", node::minor(&meta) / 2));
        // Opening a read-only flash for writing is refused, so the kernel is asked first.
        let writable = Facts::read(&folder).is_ok_and(|facts| facts.writable);
        Ok(Self { file: node::open(path, writable)?, path: path.to_path_buf(), folder })
    }

    /// The same open node once more.
    pub(super) fn again(&self) -> Result<Self, OpenError> {
        let io = |source| OpenError::System { doing: "open", path: self.path.clone(), source };
        Ok(Self { file: self.file.try_clone().map_err(io)?, path: self.path.clone(), folder: self.folder.clone() })
    }
}

impl MtdNode for KernelNode {
    fn facts(&mut self) -> io::Result<Facts> {
        Facts::read(&self.folder)
    }

    fn read_at(&mut self, at: u64, into: &mut [u8]) -> io::Result<()> {
        self.file.read_exact_at(into, at)
    }

    fn write_at(&mut self, at: u64, bytes: &[u8]) -> io::Result<()> {
        self.file.write_all_at(bytes, at)
    }

    fn erase(&mut self, at: u64, len: u64) -> io::Result<()> {
        calls::erase(&self.file, at, len)
    }

    fn is_locked(&mut self, at: u64, len: u64) -> io::Result<bool> {
        let narrow = |value: u64| u32::try_from(value).map_err(|_| io::ErrorKind::InvalidInput);
        calls::is_locked(&self.file, narrow(at)?, narrow(len)?)
    }

    fn is_present(&mut self) -> bool {
        fs::metadata(&self.path).is_ok_and(|meta| node::is_char(&meta, MAJOR))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_no_mtd_is_refused_before_it_is_opened() {
        let error = KernelNode::open(Path::new("/dev/null")).expect_err("no MTD");
        assert!(matches!(error, OpenError::OtherDevice { .. }), "{error:?}");
        let error = KernelNode::open(Path::new("/dev/mtd99")).expect_err("nothing there");
        assert!(matches!(error, OpenError::Missing { .. }), "{error:?}");
        let folder = tempfile::tempdir().expect("a folder");
        let block = folder.path().join("mtdblock0");
        fs::write(&block, []).expect("a file");
        let error = KernelNode::open(&block).expect_err("a block device's name");
        assert!(error.remedy().contains("/dev/mtdN"), "{error:?}");
    }

    #[test]
    fn the_kernel_refuses_the_calls_on_what_is_no_flash() {
        let null = File::open("/dev/null").expect("/dev/null");
        let number = Some(nix::errno::Errno::ENOTTY as i32);
        assert_eq!(calls::erase(&null, 0, 4096).expect_err("no flash").raw_os_error(), number);
        assert_eq!(calls::is_locked(&null, 0, 4096).expect_err("no flash").raw_os_error(), number);
    }
}
