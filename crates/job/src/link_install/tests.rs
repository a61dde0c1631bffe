//! Installations on a made-up computer: folders for mounts and devices.

use std::cell::Cell;
use std::fs;

use image::build::uf2::{RP2040, uf2};

use super::*;
use crate::front::{Question, Reply};

/// A computer with one USB port, as folders.
struct Computer {
    folder: tempfile::TempDir,
    looks: Cell<u32>,
    /// After so many looks the drive is gone and the programmer there; none: the board stays as it is.
    starts_after: Option<u32>,
    /// What the firmware on it says of its version.
    firmware: &'static str,
}

struct Listener {
    heard: Vec<News>,
    stops: bool,
}

impl Front for Listener {
    fn ask(&mut self, _: &Question) -> Option<Reply> {
        None
    }
    fn is_attended(&self) -> bool {
        false
    }
    fn news(&mut self, news: &News) {
        self.heard.push(news.clone());
    }
    fn wants_stop(&self) -> bool {
        self.stops
    }
}

impl Computer {
    fn new(board_id: &str) -> Self {
        let folder = tempfile::tempdir().expect("a folder");
        let computer = Self { folder, looks: Cell::new(0), starts_after: Some(3), firmware: env!("CARGO_PKG_VERSION") };
        computer.mount("media/board", board_id, "rw");
        computer.programmer("1-1", "OLD");
        computer
    }

    fn write(&self, path: &str, text: impl AsRef<[u8]>) -> PathBuf {
        let path = self.folder.path().join(path);
        fs::create_dir_all(path.parent().expect("a folder")).expect("folders");
        fs::write(&path, text).expect("a file");
        path
    }

    fn mount(&self, folder: &str, board_id: &str, options: &str) {
        let mounts = fs::read_to_string(self.folder.path().join("proc/self/mounts")).unwrap_or_default();
        let device = mounts.lines().count();
        self.write("proc/self/mounts", format!("{mounts}/dev/sd{device} /{folder} vfat {options} 0 0\n"));
        self.write(&format!("{folder}/INFO_UF2.TXT"), format!("Model: a board\r\nBoard-ID: {board_id}\r\n"));
    }

    fn programmer(&self, port: &str, serial: &str) {
        for (file, text) in [
            ("idVendor", "1209"),
            ("idProduct", "0001"),
            ("product", wire::USB_PRODUCT_TEXT),
            ("serial", serial),
            ("busnum", "1"),
            ("devnum", "7"),
        ] {
            self.write(&format!("sys/bus/usb/devices/{port}/{file}"), text);
        }
    }

    fn install(&self, file: Option<&Path>, front: &mut dyn Front) -> Result<InstallReport, JobError> {
        let world = World {
            root: Root::at(self.folder.path()),
            greet: &|board| {
                Ok(Greeting {
                    firmware: self.firmware.into(),
                    serial: board.serial.clone(),
                    features: wire::Features(0),
                    limits: LIMITS,
                })
            },
            pause: &|| {
                self.looks.set(self.looks.get() + 1);
                if Some(self.looks.get()) == self.starts_after {
                    self.write("proc/self/mounts", "");
                    self.programmer("1-2", "NEW");
                }
            },
            patience: if self.starts_after.is_some() { PATIENCE } else { Duration::ZERO },
        };
        install_in(&world, file, front)
    }

    fn fails(&self, file: Option<&Path>) -> InstallError {
        let mut front = Listener { heard: Vec::new(), stops: false };
        match self.install(file, &mut front) {
            Err(JobError::Install(error)) => *error,
            other => panic!("{other:?}"),
        }
    }

    fn copied(&self) -> Option<Vec<u8>> {
        fs::read(self.folder.path().join("media/board").join(boot::COPY)).ok()
    }
}

const LIMITS: wire::Limits = wire::Limits {
    max_transfer: 4096,
    max_range: 1 << 20,
    max_blocks: 256,
    clock_min_hz: 1,
    clock_max_hz: 1,
    drive_mv: 3300,
    round_trip_us: 0,
    bytes_per_second: 0,
};

#[test]
fn the_own_image_is_sound_and_goes_to_its_family() {
    let computer = Computer::new("RPI-RP2");
    let mut front = Listener { heard: Vec::new(), stops: false };
    let report = computer.install(None, &mut front).expect("installed");
    assert_eq!((report.link.as_str(), report.serial.as_str(), report.family), ("board@NEW", "NEW", "RP2040"));
    assert_eq!(computer.copied().expect("a file"), FAMILIES[0].image);
    let total = report.bytes;
    assert!(front.heard.contains(&News::Begins { phase: "copying", total }));
    assert!(front.heard.iter().any(|news| matches!(news, News::Progress { done, .. } if *done == total)));
}

#[test]
fn s11_another_family_gets_nothing() {
    for board_id in ["RP2350", "RPI-RP2-2", "rpi-rp2", "SAMD21"] {
        let computer = Computer::new(board_id);
        let error = computer.fails(None);
        assert!(matches!(error, InstallError::OtherFamily { .. }) && error.kind() == ErrorKind::Refused, "{error}");
        assert!(computer.copied().is_none(), "{board_id}");
    }
}

#[test]
fn s11_an_image_that_is_not_whole_or_for_another_family_is_not_copied() {
    let whole = uf2(RP2040, 0x1000_0000, &[7; 3000]);
    let mut torn = whole.clone();
    torn[2 * 512 + 508] ^= 1;
    for (image, why) in [
        (whole[..whole.len() - 512].to_vec(), "not all there"),
        (whole[..whole.len() - 100].to_vec(), "not all there"),
        (whole[512..].to_vec(), "not all there"),
        (torn, "magic"),
        (uf2(0xE48B_FF59, 0x1000_0000, &[7; 3000]), "0xe48bff59"),
        (vec![7; 3000], "no file of UF2"),
        (vec![], "no file of UF2"),
    ] {
        let computer = Computer::new("RPI-RP2");
        let file = computer.write("image.uf2", &image);
        let error = computer.fails(Some(&file));
        assert!(matches!(error, InstallError::Image { .. }) && error.to_string().contains(why), "{why}: {error}");
        assert!(computer.copied().is_none(), "{why}");
    }
    let computer = Computer::new("RPI-RP2");
    let file = computer.write("image.uf2", &whole);
    computer.install(Some(&file), &mut Listener { heard: Vec::new(), stops: false }).expect("installed");
    assert_eq!(computer.copied().expect("a file"), whole);
}

#[test]
fn s11_no_drive_two_drives_and_a_locked_one_are_said() {
    let computer = Computer::new("RPI-RP2");
    computer.mount("media/second", "RPI-RP2", "rw");
    assert!(matches!(computer.fails(None), InstallError::Several { count: 2, .. }));
    computer.write("proc/self/mounts", "");
    computer.mount("media/board", "RPI-RP2", "ro,nosuid");
    assert!(matches!(computer.fails(None), InstallError::ReadOnly { .. }));
    computer.write("proc/self/mounts", "");
    let error = computer.fails(None);
    assert!(matches!(error, InstallError::NoDrive { .. }) && error.remedy().contains("BOOTSEL"));
    assert!(computer.copied().is_none());
}

#[test]
fn a_board_that_does_not_come_back_is_no_programmer() {
    let computer = Computer { starts_after: None, ..Computer::new("RPI-RP2") };
    let error = computer.fails(None);
    assert!(matches!(error, InstallError::NoProgrammer { drive_stays: true, .. }), "{error}");
}

#[test]
fn another_version_is_not_taken_for_this_one() {
    let computer = Computer { firmware: "0.0.1", ..Computer::new("RPI-RP2") };
    assert!(matches!(computer.fails(None), InstallError::OtherVersion { .. }));
}

#[test]
fn waiting_ends_when_the_person_wants_it() {
    let computer = Computer { starts_after: Some(u32::MAX), ..Computer::new("RPI-RP2") };
    let stopped = computer.install(None, &mut Listener { heard: Vec::new(), stops: true });
    assert!(matches!(stopped, Err(JobError::Stopped { .. })));
}
