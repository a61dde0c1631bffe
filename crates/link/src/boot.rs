//! A board's boot drive: found, and given one file.
//!
//! An RP2040 that starts without a program, or with its button held, shows itself as a small FAT drive. The drive's information file
//! names the board; a file of UF2 blocks that is copied there goes into the board's flash, and the board then starts it and
//! takes the drive away by itself (facts: the UF2 format's public description; ids of the drive's device: RP2040 datasheet, boot ROM).
//!
//! Safety rule S11: nothing is written to a drive but this one file, and [`copy`] takes a [`BootDrive`] alone, which exists only
//! where an information file was read. Which image goes to which family is the caller's business.
//!
//! Everything is looked for below a [`Root`], so that folders stand in for mounts in tests.

use std::fs::{self, File};
use std::io::{self, Read, Write};
use std::path::{Path, PathBuf};

use crate::find::Root;

/// The file that names the board, at the top of its drive.
pub const INFO_FILE: &str = "INFO_UF2.TXT";
/// How the copied file is called there; the board does not look at the name.
pub const COPY: &str = "firmhand.uf2";
/// Longer than any information file; what lies behind is not read.
const INFO_MOST: u64 = 4096;
/// Bytes copied between two reports of progress.
const PIECE: usize = 16 * 1024;
/// USB ids of the RP2040's boot ROM (RP2040 datasheet, "USB device mode").
const BOOT_IDS: [&str; 2] = ["2e8a", "0003"];

/// A boot drive that is mounted.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct BootDrive {
    /// Where it is mounted.
    pub folder: PathBuf,
    /// The device that is mounted there.
    pub device: String,
    /// What its information file says after `Board-ID:`.
    pub board_id: String,
    /// What it says after `Model:`, for people.
    pub model: String,
    /// Whether the mount may be written.
    pub writable: bool,
}

/// Why a copy did not come to its end.
#[derive(Debug, thiserror::Error)]
#[expect(missing_docs, reason = "the fields are named by the text of each variant")]
pub enum CopyError {
    /// The information file no longer says the same.
    #[error("{} is not the drive any more that it was", folder.display())]
    Changed { folder: PathBuf },
    /// The system refused before everything was written.
    #[error("cannot write {}", path.display())]
    Io { path: PathBuf, source: io::Error },
}

/// How a copy ended.
#[derive(Debug)]
pub enum Copied {
    /// Everything is on the drive.
    Synced,
    /// Everything was written, and the drive went away before the system had confirmed it. A board that starts its new program
    /// does that; whether it did shows when the programmer appears.
    DriveGone(io::Error),
}

/// Every boot drive that is mounted: a FAT file system with an information file that names a board.
#[must_use]
pub fn drives(root: &Root) -> Vec<BootDrive> {
    let mut found = Vec::new();
    for mount in mounts(root).into_iter().filter(|mount| mount.kind == "vfat") {
        let folder = root.join(mount.folder.trim_start_matches('/'));
        let Some(info) = read_info(&folder) else { continue };
        let after = |key: &str| {
            let line = info.lines().find_map(|line| line.strip_prefix(key));
            line.map(|value| value.trim().to_owned()).filter(|value| !value.is_empty())
        };
        let Some(board_id) = after("Board-ID:") else { continue };
        let model = after("Model:").unwrap_or_default();
        let drive = BootDrive { folder, device: mount.device, board_id, model, writable: mount.writable };
        if !found.iter().any(|known: &BootDrive| known.device == drive.device) {
            found.push(drive);
        }
    }
    found
}

/// Boards in their boot mode whose drive is not mounted: the device to mount.
#[must_use]
pub fn unmounted(root: &Root) -> Vec<PathBuf> {
    let mounts = mounts(root);
    let mut found = Vec::new();
    for device in root.names("sys/bus/usb/devices") {
        let says = |file: &str| root.text(&format!("sys/bus/usb/devices/{device}/{file}"));
        if [says("idVendor"), says("idProduct")] != BOOT_IDS.map(|id| Some(id.to_owned())) {
            continue;
        }
        for disk in root.names("sys/block") {
            let Ok(place) = fs::canonicalize(root.join(&format!("sys/block/{disk}"))) else { continue };
            if !place.components().any(|part| part.as_os_str() == device.as_str()) {
                continue;
            }
            let partition = root.names(&format!("sys/block/{disk}")).into_iter().find(|name| name.starts_with(&disk));
            let node = format!("/dev/{}", partition.as_ref().unwrap_or(&disk));
            if !mounts.iter().any(|mount| mount.device == node) {
                found.push(node.into());
            }
        }
    }
    found
}

/// Copies the image onto the drive and asks the system to write it out. `progress` hears how many bytes are written.
///
/// # Errors
/// [`CopyError`]; the board then holds what it held, or a part of the new program and starts into its boot mode again.
pub fn copy(drive: &BootDrive, image: &[u8], progress: &mut dyn FnMut(u64)) -> Result<Copied, CopyError> {
    let info = read_info(&drive.folder).unwrap_or_default();
    if !info.lines().any(|line| line.strip_prefix("Board-ID:").is_some_and(|id| id.trim() == drive.board_id)) {
        return Err(CopyError::Changed { folder: drive.folder.clone() });
    }
    let path = drive.folder.join(COPY);
    let failed = |source| CopyError::Io { path: path.clone(), source };
    let mut file = File::create(&path).map_err(failed)?;
    let mut done = 0;
    for piece in image.chunks(PIECE) {
        file.write_all(piece).map_err(failed)?;
        done += piece.len() as u64;
        progress(done);
    }
    Ok(match file.sync_all() {
        Ok(()) => Copied::Synced,
        Err(error) => Copied::DriveGone(error),
    })
}

/// Whether the drive is still mounted and says what it said.
#[must_use]
pub fn is_there(root: &Root, drive: &BootDrive) -> bool {
    drives(root).contains(drive)
}

fn read_info(folder: &Path) -> Option<String> {
    let mut bytes = Vec::new();
    File::open(folder.join(INFO_FILE)).ok()?.take(INFO_MOST).read_to_end(&mut bytes).ok()?;
    Some(String::from_utf8_lossy(&bytes).into_owned())
}

struct Mount {
    device: String,
    folder: String,
    kind: String,
    writable: bool,
}

/// The mounts of this process (proc(5), fstab(5)): device, folder, kind, options; blanks are written as octal numbers.
fn mounts(root: &Root) -> Vec<Mount> {
    let text = root.text("proc/self/mounts").unwrap_or_default();
    let mount = |line: &str| {
        let mut fields = line.split(' ').map(unescaped);
        let [device, folder, kind, options] = std::array::from_fn(|_| fields.next().unwrap_or_default());
        let writable = options.split(',').any(|option| option == "rw");
        Mount { device, folder, kind, writable }
    };
    text.lines().map(mount).collect()
}

fn unescaped(field: &str) -> String {
    [("\\040", " "), ("\\011", "\t"), ("\\012", "\n"), ("\\134", "\\")]
        .iter()
        .fold(field.to_owned(), |text, (written, meant)| text.replace(written, meant))
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::os::unix::fs::symlink;

    const INFO: &str = "UF2 Bootloader v3.0\r\nModel: Made-up board\r\nBoard-ID: MADE-UP\r\n";

    struct Tree(tempfile::TempDir);

    impl Tree {
        fn new(mounts: &str) -> Self {
            let tree = Self(tempfile::tempdir().expect("a folder"));
            tree.file("proc/self/mounts", mounts);
            tree
        }

        fn root(&self) -> Root {
            Root::at(self.0.path())
        }

        fn file(&self, path: &str, text: &str) {
            let path = self.0.path().join(path);
            fs::create_dir_all(path.parent().expect("a folder")).expect("folders");
            fs::write(path, text).expect("a file");
        }
    }

    #[test]
    fn s11_a_drive_is_one_only_by_its_information_file() {
        let tree = Tree::new(
            "/dev/sda1 /media/a\\040b vfat rw,nosuid 0 0\n/dev/sdb1 /media/stick vfat rw 0 0\n/dev/sdc1 /media/other ext4 rw 0 0\n\
             /dev/sdd1 /media/short vfat rw 0 0\n/dev/sde1 /media/locked vfat ro 0 0\n",
        );
        tree.file("media/a b/INFO_UF2.TXT", INFO);
        tree.file("media/stick/holiday.jpg", "");
        tree.file("media/other/INFO_UF2.TXT", INFO);
        tree.file("media/short/INFO_UF2.TXT", "Board-ID:\n");
        tree.file("media/locked/INFO_UF2.TXT", INFO);
        let found = drives(&tree.root());
        let seen: Vec<_> = found.iter().map(|drive| (drive.device.as_str(), drive.writable)).collect();
        assert_eq!(seen, [("/dev/sda1", true), ("/dev/sde1", false)]);
        assert_eq!((found[0].board_id.as_str(), found[0].model.as_str()), ("MADE-UP", "Made-up board"));
    }

    #[test]
    fn s11_one_file_is_written_and_nothing_else_changes() {
        let tree = Tree::new("/dev/sda1 /media/a vfat rw 0 0\n");
        tree.file("media/a/INFO_UF2.TXT", INFO);
        let drive = drives(&tree.root()).remove(0);
        let image = vec![7; 3 * PIECE + 5];
        let mut heard = Vec::new();
        assert!(matches!(copy(&drive, &image, &mut |done| heard.push(done)), Ok(Copied::Synced)));
        assert_eq!(heard.len(), 4);
        assert_eq!(heard.last(), Some(&(image.len() as u64)));
        let mut names: Vec<_> =
            fs::read_dir(&drive.folder).expect("there").map(|entry| entry.expect("one").file_name()).collect();
        names.sort();
        assert_eq!(names, [INFO_FILE, COPY]);
        assert_eq!(fs::read(drive.folder.join(COPY)).expect("there"), image);
        assert!(is_there(&tree.root(), &drive));
        tree.file("proc/self/mounts", "");
        assert!(!is_there(&tree.root(), &drive));
    }

    #[test]
    fn s11_a_drive_that_was_exchanged_gets_nothing() {
        let tree = Tree::new("/dev/sda1 /media/a vfat rw 0 0\n");
        tree.file("media/a/INFO_UF2.TXT", INFO);
        let drive = drives(&tree.root()).remove(0);
        tree.file("media/a/INFO_UF2.TXT", "Board-ID: ANOTHER\n");
        assert!(matches!(copy(&drive, &[1], &mut |_| ()), Err(CopyError::Changed { .. })));
        assert!(!drive.folder.join(COPY).exists());
    }

    #[test]
    fn a_board_whose_drive_nobody_mounted_is_named_by_its_partition() {
        let tree = Tree::new("/dev/sdb1 /media/a vfat rw 0 0\n");
        for (device, ids, disk) in
            [("1-2", BOOT_IDS, "sda"), ("1-3", BOOT_IDS, "sdb"), ("1-4", ["1234", "5678"], "sdc")]
        {
            let place = format!("sys/devices/usb1/{device}");
            tree.file(&format!("{place}/idVendor"), &format!("{}\n", ids[0]));
            tree.file(&format!("{place}/idProduct"), &format!("{}\n", ids[1]));
            tree.file(&format!("{place}/{device}:1.0/block/{disk}/{disk}1/size"), "1");
            let at = |path: &str| tree.0.path().join(path);
            fs::create_dir_all(at("sys/bus/usb/devices")).expect("folders");
            fs::create_dir_all(at("sys/block")).expect("folders");
            symlink(at(&place), at(&format!("sys/bus/usb/devices/{device}"))).expect("a link");
            symlink(at(&format!("{place}/{device}:1.0/block/{disk}")), at(&format!("sys/block/{disk}")))
                .expect("a link");
        }
        assert_eq!(unmounted(&tree.root()), [Path::new("/dev/sda1")]);
    }
}
