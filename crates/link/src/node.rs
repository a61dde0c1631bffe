//! What holds for every device node: its numbers, who may use it, and the lock on it.

use std::fs::{File, Metadata, OpenOptions, TryLockError};
use std::io;
use std::os::unix::fs::{FileTypeExt, MetadataExt};
use std::path::Path;

use nix::unistd::{Gid, Group};

use crate::OpenError;

/// Where the udev rules of this repository stand, for remedies.
pub(crate) const RULES: &str = "share/udev/70-firmhand.rules";

/// Opens a device node for reading, and for writing when `write` says so, and locks it against other programs that lock.
pub(crate) fn open(path: &Path, write: bool) -> Result<File, OpenError> {
    let file = OpenOptions::new().read(true).write(write).open(path).map_err(|source| refused(path, source))?;
    match file.try_lock() {
        Ok(()) => Ok(file),
        Err(TryLockError::WouldBlock) => Err(OpenError::Busy { path: path.to_path_buf() }),
        Err(TryLockError::Error(source)) => Err(OpenError::System { doing: "lock", path: path.to_path_buf(), source }),
    }
}

fn refused(path: &Path, source: io::Error) -> OpenError {
    let path = path.to_path_buf();
    match source.kind() {
        io::ErrorKind::PermissionDenied => {
            let remedy = permission_remedy(&path);
            OpenError::Permission { path, remedy, source }
        }
        io::ErrorKind::ResourceBusy => OpenError::Busy { path },
        _ => OpenError::System { doing: "open", path, source },
    }
}

/// What gives a person the right to use a node.
pub(crate) fn permission_remedy(path: &Path) -> String {
    let group = std::fs::metadata(path)
        .ok()
        .filter(|meta| meta.gid() != 0 && meta.mode() & 0o060 == 0o060)
        .and_then(|meta| Group::from_gid(Gid::from_raw(meta.gid())).ok().flatten());
    match group {
        Some(group) => format!(
            "it belongs to the group `{0}`: `sudo usermod -aG {0} $USER`, then log in again (or run this command with sudo)",
            group.name
        ),
        None => format!(
            "only root may: install the rules of {RULES} (`sudo cp {RULES} /etc/udev/rules.d/ && sudo udevadm control \
             --reload && sudo udevadm trigger`), or run this command with sudo"
        ),
    }
}

/// The major device number, as the kernel packs it into `st_rdev` (glibc's `major`).
pub(crate) fn major(meta: &Metadata) -> u64 {
    let rdev = meta.rdev();
    ((rdev >> 8) & 0xFFF) | ((rdev >> 32) & !0xFFF)
}

/// The minor device number.
pub(crate) fn minor(meta: &Metadata) -> u64 {
    let rdev = meta.rdev();
    (rdev & 0xFF) | ((rdev >> 12) & !0xFF)
}

/// What a node is, in words.
pub(crate) fn kind_of(meta: &Metadata) -> String {
    let kind = meta.file_type();
    if kind.is_char_device() {
        format!("a character device of another kind (major number {})", major(meta))
    } else if kind.is_block_device() {
        "a block device".into()
    } else if kind.is_dir() {
        "a folder".into()
    } else if kind.is_file() {
        "a file".into()
    } else {
        "neither file nor device".into()
    }
}

/// Whether this node is a character device with this major number.
pub(crate) fn is_char(meta: &Metadata, wanted: u64) -> bool {
    meta.file_type().is_char_device() && major(meta) == wanted
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn device_numbers_are_unpacked_as_the_kernel_packs_them() {
        // Fixed numbers of the kernel's list of devices: /dev/null is 1, 3.
        let meta = std::fs::metadata("/dev/null").expect("/dev/null");
        assert_eq!((major(&meta), minor(&meta)), (1, 3));
        assert!(is_char(&meta, 1) && !is_char(&meta, 153));
        assert_eq!(kind_of(&meta), "a character device of another kind (major number 1)");
    }

    #[test]
    fn a_node_is_locked_once() {
        let file = tempfile::NamedTempFile::new().expect("a file");
        let held = open(file.path(), true).expect("free");
        assert!(matches!(open(file.path(), true), Err(OpenError::Busy { .. })));
        drop(held);
        assert!(open(file.path(), false).is_ok());
    }

    #[test]
    fn a_missing_right_names_the_rules() {
        let remedy = permission_remedy(Path::new("/no such node"));
        assert!(remedy.contains(RULES) && remedy.contains("udevadm"), "{remedy}");
    }
}
