//! `link install`: the program's own firmware onto a board that is in its boot mode.
//!
//! In order: the boot drive is found by its information file, and the image is the one for the family that this names (S11); the
//! image is checked as a file of UF2 blocks, each of them there and of that family; it is copied, and the drive is seen to go; a
//! programmer appears that was not there before; it is greeted, and its version is compared.
//!
//! What a reader would question: that the copy was confirmed by the system is not what counts. A board restarts when the last
//! block has come, and often takes the drive away before everything was confirmed. The hello decides.

use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use image::explain::{Kind, explain};
use link::OpenError;
use link::board::{BoardLink, Greeting};
use link::boot::{self, BootDrive, Copied, CopyError};
use link::find::{self, Board, Root};
use serde::Serialize;

use crate::error::{ErrorKind, JobError};
use crate::front::{Front, News};
use crate::text::size;

/// Longest file that is taken for an image: flash of the largest RP2040 boards is 16 MiB, and UF2 blocks carry half of their size.
const LONGEST: u64 = 32 << 20;
/// How often it is looked whether a drive or a programmer came or went.
const LOOK: Duration = Duration::from_millis(100);
/// How long a board may take to start its new firmware.
const PATIENCE: Duration = Duration::from_secs(20);

/// A family of boards that this program has firmware for.
struct Family {
    /// What the boot ROM's information file says after `Board-ID:`.
    board_id: &'static str,
    /// The chip's name, for people.
    name: &'static str,
    /// The family's number in a UF2 block.
    number: u32,
    /// The image that comes with this program.
    image: &'static [u8],
}

const FAMILIES: [Family; 1] = [Family {
    board_id: "RPI-RP2",
    name: "RP2040",
    number: wire::UF2_FAMILY,
    image: include_bytes!("../../../firmware/firmhand-rp2040.uf2"),
}];

/// What `link install` ends with.
#[derive(Debug, Clone, Serialize)]
pub struct InstallReport {
    /// What `--link` takes for the new programmer.
    pub link: String,
    /// Its serial number.
    pub serial: String,
    /// The version of the firmware that runs on it.
    pub firmware: String,
    /// The family of the board.
    pub family: &'static str,
    /// Where the boot drive was mounted.
    pub drive: String,
    /// Bytes of the file that was copied.
    pub bytes: u64,
}

/// Why no programmer came of it.
#[derive(Debug, thiserror::Error)]
#[expect(missing_docs, reason = "the fields are named by the text of each variant")]
pub enum InstallError {
    /// No board shows its boot drive.
    #[error("no board in its boot mode is mounted here")]
    NoDrive { unmounted: Vec<PathBuf> },
    /// More than one does.
    #[error("{count} boards are in their boot mode: {drives}")]
    Several { count: usize, drives: String },
    /// S11: a board that there is no firmware for.
    #[error("the board at {} says that it is `{board_id}` ({model}), and there is no firmware for that", folder.display())]
    OtherFamily { folder: PathBuf, board_id: String, model: String },
    /// The drive is mounted for reading alone.
    #[error("{} is mounted for reading alone", folder.display())]
    ReadOnly { folder: PathBuf },
    /// The file is no image for this board.
    #[error("{file} is not put onto the board: {why}")]
    Image { file: String, why: String },
    /// The file cannot be read.
    #[error("cannot read {}", path.display())]
    File { path: PathBuf, source: std::io::Error },
    /// The copy failed.
    #[error("the firmware was not copied whole")]
    Copy(#[from] CopyError),
    /// The board did not come back.
    #[error("the firmware was copied, and no programmer appeared within {waited_s} s")]
    NoProgrammer { waited_s: u64, drive_stays: bool, source: Option<std::io::Error> },
    /// It came back and does not talk.
    #[error("the firmware was copied and the programmer {link} is there, but it cannot be greeted")]
    Greeting { link: String, source: OpenError },
    /// It runs another version.
    #[error("the programmer {link} runs firmware {found}, and {expected} was copied")]
    OtherVersion { link: String, found: String, expected: &'static str },
}

impl From<InstallError> for JobError {
    fn from(error: InstallError) -> Self {
        Self::Install(Box::new(error))
    }
}

impl InstallError {
    /// Who is at fault.
    #[must_use]
    pub fn kind(&self) -> ErrorKind {
        match self {
            Self::OtherFamily { .. } | Self::Image { .. } | Self::OtherVersion { .. } => ErrorKind::Refused,
            _ => ErrorKind::System,
        }
    }

    /// What to do next.
    #[must_use]
    pub fn remedy(&self) -> String {
        match self {
            Self::NoDrive { unmounted } => match unmounted.first() {
                Some(device) => format!(
                    "a board in its boot mode is there and not mounted: `udisksctl mount -b {}`, then run the same command again",
                    device.display()
                ),
                None => "unplug the board, hold its button BOOTSEL (or BOOT) down, plug it in, let go; it shows itself as a small \
                         drive then. Open that drive once if your system does not mount it by itself, then run the same command again"
                    .into(),
            },
            Self::Several { .. } => "unplug all but the one that is meant".into(),
            Self::OtherFamily { .. } => "nothing was written; docs/programmer.md says which boards will do".into(),
            Self::ReadOnly { .. } => "mount it for writing, then run the same command again; nothing was written".into(),
            Self::Image { .. } => "nothing was written; without `--file` the program's own image is used".into(),
            Self::File { .. } => "name a file of UF2 blocks that can be read".into(),
            Self::Copy(_) => {
                "hold BOOTSEL while plugging the board in again and run the same command: the board cannot be spoilt by this".into()
            }
            Self::NoProgrammer { drive_stays: true, .. } => {
                "the board did not take the file: use another cable or port, then begin anew with BOOTSEL held".into()
            }
            Self::NoProgrammer { .. } => {
                "unplug the board and plug it in without BOOTSEL, then look at `firmhand link list` and `dmesg`".into()
            }
            Self::Greeting { source, .. } => source.remedy(),
            Self::OtherVersion { .. } => {
                "unplug the programmers that were there before, then begin anew with BOOTSEL held".into()
            }
        }
    }
}

/// Puts the firmware onto the board that is in its boot mode; `file` is an image of one's own in place of the program's.
///
/// # Errors
/// [`JobError::Install`]; [`JobError::Stopped`].
pub fn install(file: Option<&Path>, front: &mut dyn Front) -> Result<InstallReport, JobError> {
    let world = World {
        root: Root::system(),
        greet: &|board| Ok(BoardLink::open(Some(&board.serial))?.greeting().clone()),
        pause: &|| std::thread::sleep(LOOK),
        patience: PATIENCE,
    };
    install_in(&world, file, front)
}

/// What an installation sees of the world.
struct World<'w> {
    root: Root,
    greet: &'w dyn Fn(&Board) -> Result<Greeting, OpenError>,
    pause: &'w dyn Fn(),
    patience: Duration,
}

fn install_in(world: &World<'_>, file: Option<&Path>, front: &mut dyn Front) -> Result<InstallReport, JobError> {
    let drive = the_drive(&world.root)?;
    let family = family_of(&drive)?;
    let own;
    let (image, name) = match file {
        Some(path) => {
            own = read(path)?;
            (own.as_slice(), path.display().to_string())
        }
        None => (family.image, format!("the image for {}", family.name)),
    };
    check(image, family).map_err(|why| InstallError::Image { file: name, why })?;
    let before = find::boards(&world.root);
    let total = image.len() as u64;
    front.news(&News::Said(format!("{} at {}: {} are copied", family.name, drive.folder.display(), size(total))));
    front.news(&News::Begins { phase: "copying", total });
    let begun = Instant::now();
    let copied = boot::copy(&drive, image, &mut |done| {
        let link_us = u64::try_from(begun.elapsed().as_micros()).unwrap_or(u64::MAX);
        front.news(&News::Progress { done, link_us });
    });
    front.news(&News::Ends);
    let doubt = match copied.map_err(InstallError::from)? {
        Copied::Synced => None,
        Copied::DriveGone(error) => Some(error),
    };
    let board = appeared(world, &before, &drive, doubt, front)?;
    let link = board.link.display().to_string();
    let greeting = (world.greet)(&board).map_err(|source| InstallError::Greeting { link: link.clone(), source })?;
    let expected = env!("CARGO_PKG_VERSION");
    if file.is_none() && greeting.firmware != expected {
        return Err(InstallError::OtherVersion { link, found: greeting.firmware, expected }.into());
    }
    Ok(InstallReport {
        link,
        serial: greeting.serial,
        firmware: greeting.firmware,
        family: family.name,
        drive: drive.folder.display().to_string(),
        bytes: total,
    })
}

fn the_drive(root: &Root) -> Result<BootDrive, InstallError> {
    let mut drives = boot::drives(root);
    match drives.len() {
        0 => Err(InstallError::NoDrive { unmounted: boot::unmounted(root) }),
        1 => {
            let drive = drives.remove(0);
            if drive.writable { Ok(drive) } else { Err(InstallError::ReadOnly { folder: drive.folder }) }
        }
        count => {
            let folders = drives.iter().map(|drive| drive.folder.display().to_string());
            Err(InstallError::Several { count, drives: folders.collect::<Vec<_>>().join(", ") })
        }
    }
}

fn family_of(drive: &BootDrive) -> Result<&'static Family, InstallError> {
    FAMILIES.iter().find(|family| family.board_id == drive.board_id).ok_or_else(|| InstallError::OtherFamily {
        folder: drive.folder.clone(),
        board_id: drive.board_id.clone(),
        model: drive.model.clone(),
    })
}

fn read(path: &Path) -> Result<Vec<u8>, InstallError> {
    let failed = |source| InstallError::File { path: path.to_path_buf(), source };
    let length = std::fs::metadata(path).map_err(failed)?.len();
    if length > LONGEST {
        let why = format!("{} are more than any such board holds", size(length));
        return Err(InstallError::Image { file: path.display().to_string(), why });
    }
    std::fs::read(path).map_err(failed)
}

/// Every block is there, whole, and of this family.
fn check(image: &[u8], family: &Family) -> Result<(), String> {
    let found = explain(image);
    let [uf2] = found.structures.as_slice() else {
        return Err(found
            .findings
            .first()
            .map_or_else(|| "it is no file of UF2 blocks alone".into(), |finding| finding.message.clone()));
    };
    if uf2.kind != Kind::Uf2 {
        return Err("it is no file of UF2 blocks".into());
    }
    if let Some(finding) = found.findings.iter().find(|finding| finding.code.starts_with("uf2-")) {
        return Err(finding.message.clone());
    }
    if uf2.checks.iter().any(|check| check.ok != Some(true)) {
        return Err("its blocks are not sound".into());
    }
    if uf2.number != Some(family.number) {
        let number = uf2.number.map_or_else(|| "no family".into(), |number| format!("family {number:#010x}"));
        return Err(format!("it is for {number}, and {} is {:#010x}", family.name, family.number));
    }
    Ok(())
}

/// Waits for a programmer that was not there before.
fn appeared(
    world: &World<'_>,
    before: &[Board],
    drive: &BootDrive,
    doubt: Option<std::io::Error>,
    front: &mut dyn Front,
) -> Result<Board, JobError> {
    front.news(&News::Said("copied; waiting for the board to start".into()));
    let begun = Instant::now();
    loop {
        let known = |board: &Board| before.iter().any(|old| old.serial == board.serial);
        if let Some(board) = find::boards(&world.root).into_iter().find(|board| !known(board)) {
            return Ok(board);
        }
        if front.wants_stop() {
            return Err(JobError::Stopped { doing: "waiting for the programmer" });
        }
        if begun.elapsed() >= world.patience {
            let drive_stays = boot::is_there(&world.root, drive);
            return Err(
                InstallError::NoProgrammer { waited_s: world.patience.as_secs(), drive_stays, source: doubt }.into()
            );
        }
        (world.pause)();
    }
}

impl InstallReport {
    /// The report for a person.
    #[must_use]
    pub fn text(&self) -> String {
        format!(
            "{} is a programmer now, with firmware {} ({} copied to {})\nnext: wire it as docs/programmer.md shows, then `firmhand link \
             check --watch --link {}`",
            self.link,
            self.firmware,
            size(self.bytes),
            self.drive,
            self.link
        )
    }
}

#[cfg(test)]
mod tests;
