//! The drives of this computer, and which of them may be written raw (safety rule S11).
//!
//! In: the kernel's own listing (`/sys/block`, `/proc/self/mountinfo`, `/proc/swaps`). Out: each drive with what a person tells
//! it by, and every reason against writing it. Nothing is opened.
//!
//! What a caller must know: a list is a moment. Between it and a write the drive can be pulled and another take its name, so
//! [`crate::open`] opens the node for itself alone and then looks whether it is still the same drive.
//!
//! The decision a reader would question: `removable` of the kernel decides, so a disk in a USB case that says it is fixed is
//! refused. A boot stick costs little, and somebody's backups on a fixed disk do not. Cards in a built-in reader count as
//! removable when the kernel calls them SD.

use std::collections::HashSet;
use std::fs;
use std::path::{Path, PathBuf};

/// Where a computer says what it has; another folder in tests.
#[derive(Debug, Clone)]
pub struct System {
    /// `/sys`.
    pub sys: PathBuf,
    /// `/proc`.
    pub proc: PathBuf,
    /// `/dev`.
    pub dev: PathBuf,
}

impl Default for System {
    fn default() -> Self {
        Self { sys: "/sys".into(), proc: "/proc".into(), dev: "/dev".into() }
    }
}

/// A drive.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Drive {
    /// Its node, `/dev/sda`.
    pub node: PathBuf,
    /// The kernel's number of it, such as `8:0`.
    pub number: String,
    /// Who made it and what it is called; empty when the kernel does not know.
    pub model: String,
    /// Its serial number.
    pub serial: Option<String>,
    /// Its bytes; 0 for a reader without a card.
    pub size: u64,
    /// Where it, a partition of it or what is built on it is mounted.
    pub mounts: Vec<PathBuf>,
    /// Why it must not be written; empty when it may.
    pub refusals: Vec<Refusal>,
}

/// A reason against writing a drive raw.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Refusal {
    /// The kernel calls it fixed.
    Fixed,
    /// This computer runs from it.
    System {
        /// What of it: a mount point, or swap.
        what: String,
    },
    /// Something of it is mounted.
    Mounted {
        /// The node that is mounted.
        node: PathBuf,
        /// Where.
        at: PathBuf,
    },
    /// Something else is built on it: an encrypted volume, a volume group.
    Held {
        /// The kernel's name of what holds it.
        by: String,
    },
    /// Its own switch, or the kernel, forbids writing.
    ReadOnly,
    /// It takes discs or tapes.
    NoDisk,
    /// There is no medium in it.
    Empty,
}

impl Refusal {
    /// Returns what it means and what to do about it, in a sentence.
    pub fn text(&self) -> String {
        match self {
            Self::Fixed => "it is built in or calls itself fixed, and only removable drives are written".into(),
            Self::System { what } => format!("this computer runs from it ({what})"),
            Self::Mounted { node, at } => {
                format!("{} is mounted on {}: `umount {}`, then again", node.display(), at.display(), quoted(at))
            }
            Self::Held { by } => format!("{by} is built on it: close that first"),
            Self::ReadOnly => "it cannot be written: look for a small switch on its side".into(),
            Self::NoDisk => "it is no stick and no card: it takes discs or tapes".into(),
            Self::Empty => "there is nothing in it: put a card in".into(),
        }
    }
}

impl Drive {
    /// Returns whether it may be written raw.
    pub fn is_writable(&self) -> bool {
        self.refusals.is_empty()
    }
}

impl System {
    /// Returns the drives, by name. Loop devices, memory disks and what is built on drives are none.
    pub fn drives(&self) -> Vec<Drive> {
        let mut names: Vec<String> = fs::read_dir(self.sys.join("block"))
            .into_iter()
            .flatten()
            .flatten()
            .map(|entry| entry.file_name().to_string_lossy().into_owned())
            .filter(|name| self.block(name).join("device").exists())
            .collect();
        names.sort();
        names.iter().map(|name| self.drive(name)).collect()
    }

    /// Returns the drive of a node, following links such as those in `/dev/disk`; `None` when it is no drive of this computer.
    pub fn drive_of(&self, node: &Path) -> Option<Drive> {
        let node = fs::canonicalize(node).unwrap_or_else(|_| node.to_path_buf());
        self.drives()
            .into_iter()
            .find(|drive| fs::canonicalize(&drive.node).unwrap_or_else(|_| drive.node.clone()) == node)
    }

    fn block(&self, name: &str) -> PathBuf {
        self.sys.join("block").join(name)
    }

    fn text(&self, path: &Path) -> Option<String> {
        let text = fs::read_to_string(path).ok()?;
        let text: String = text.trim().chars().filter(|letter| !letter.is_control()).collect();
        (!text.is_empty()).then_some(text)
    }

    fn drive(&self, name: &str) -> Drive {
        let block = self.block(name);
        let device = block.join("device");
        let is = |path: PathBuf, wanted: &str| self.text(&path).is_some_and(|text| text == wanted);
        // Sectors have 512 bytes here whatever the drive has (Documentation/ABI/stable/sysfs-block).
        let size = self.text(&block.join("size")).and_then(|text| text.parse::<u64>().ok()).unwrap_or(0) * 512;
        let parts = ["vendor", "model", "name"].map(|file| self.text(&device.join(file)));
        let [vendor, model, name_of_card] = parts;
        let model = [vendor, model.or(name_of_card)].into_iter().flatten().collect::<Vec<_>>().join(" ");
        let mut refusals = Vec::new();
        if !is(block.join("removable"), "1") && !is(device.join("type"), "SD") {
            refusals.push(Refusal::Fixed);
        }
        let (mounts, uses) = self.uses(name, &block);
        refusals.extend(uses);
        // SCSI's peripheral device types (SPC, from memory): 00h is a disk, 0Eh a simplified one, 07h an optical memory.
        let scsi = self.text(&device.join("type")).and_then(|kind| kind.parse::<u8>().ok());
        if scsi.is_some_and(|kind| !matches!(kind, 0 | 7 | 14)) {
            refusals.push(Refusal::NoDisk);
        } else if is(block.join("ro"), "1") {
            refusals.push(Refusal::ReadOnly);
        }
        if size == 0 {
            refusals.push(Refusal::Empty);
        }
        let number = self.text(&block.join("dev")).unwrap_or_default();
        Drive { node: self.dev.join(name), number, model, serial: self.serial(&device), size, mounts, refusals }
    }

    /// The serial number: of the drive itself, or of the USB device that it is in.
    fn serial(&self, device: &Path) -> Option<String> {
        let real = fs::canonicalize(device).ok()?;
        let inside = |folder: &&Path| folder.starts_with(fs::canonicalize(&self.sys).unwrap_or_default());
        // Behind the device come its hub and the controller, which have numbers of their own.
        let is_told = |folder: &&Path| folder.join("serial").exists() || folder.join("idVendor").exists();
        let told = real.ancestors().take_while(inside).find(is_told)?;
        self.text(&told.join("serial"))
    }

    /// Where the drive, its partitions and what is built on them are mounted; and what of that speaks against writing.
    fn uses(&self, name: &str, block: &Path) -> (Vec<PathBuf>, Vec<Refusal>) {
        let mounts = self.mounts();
        let swaps = fs::read_to_string(self.proc.join("swaps")).unwrap_or_default();
        let (mut places, mut found) = (Vec::new(), Vec::new());
        for (node, folder) in self.layers(name, block, &mut found) {
            let number = self.text(&folder.join("dev")).unwrap_or_default();
            let path = self.dev.join(&node);
            for mount in mounts.iter().filter(|mount| mount.number == number || mount.source == path) {
                let system = ["/", "/boot", "/boot/efi", "/usr", "/var", "/home", "/nix"];
                let at = mount.at.clone();
                found.push(match system.iter().any(|own| Path::new(own) == at) {
                    true => Refusal::System { what: at.display().to_string() },
                    false => Refusal::Mounted { node: path.clone(), at: at.clone() },
                });
                places.push(at);
            }
            if swaps.lines().skip(1).any(|line| line.split_whitespace().next() == path.to_str()) {
                found.push(Refusal::System { what: "swap".into() });
            }
        }
        let mut told = HashSet::new();
        found.retain(|refusal| told.insert(refusal.text()));
        let mut seen = HashSet::new();
        places.retain(|at| seen.insert(at.clone()));
        (places, found)
    }

    /// The drive, its partitions, and what is built on any of them, such as an encrypted volume and the volumes in that.
    fn layers(&self, name: &str, block: &Path, held: &mut Vec<Refusal>) -> Vec<(String, PathBuf)> {
        let entries = |folder: PathBuf| {
            let mut names: Vec<String> = fs::read_dir(folder)
                .into_iter()
                .flatten()
                .flatten()
                .map(|entry| entry.file_name().to_string_lossy().into_owned())
                .collect();
            names.sort();
            names
        };
        let mut layers = vec![(name.to_owned(), block.to_path_buf())];
        for part in entries(block.to_path_buf()) {
            let folder = block.join(&part);
            if folder.join("partition").exists() {
                layers.push((part, folder));
            }
        }
        let mut next = 0;
        while let Some((_, folder)) = layers.get(next) {
            for by in entries(folder.join("holders")) {
                if layers.iter().all(|(known, _)| *known != by) {
                    held.push(Refusal::Held { by: by.clone() });
                    layers.push((by.clone(), self.block(&by)));
                }
            }
            next += 1;
        }
        layers
    }

    /// What is mounted (`proc_pid_mountinfo(5)`).
    fn mounts(&self) -> Vec<Mount> {
        let text = fs::read_to_string(self.proc.join("self/mountinfo")).unwrap_or_default();
        let line = |line: &str| {
            let mut words = line.split(' ').skip(2);
            let (number, at) = (words.next()?.to_owned(), unescaped(words.nth(1)?).into());
            let source = unescaped(words.skip_while(|word| *word != "-").nth(2).unwrap_or_default()).into();
            Some(Mount { number, at, source })
        };
        text.lines().filter_map(line).collect()
    }
}

/// A mounted file system.
struct Mount {
    /// Its device number; some file systems show one of their own here.
    number: String,
    /// Where.
    at: PathBuf,
    /// What was mounted, as it was named.
    source: PathBuf,
}

/// A path as a shell takes it.
fn quoted(path: &Path) -> String {
    let path = path.display().to_string();
    let plain = |letter: char| letter.is_alphanumeric() || "/._-+:@".contains(letter);
    if path.chars().all(plain) { path } else { format!("'{}'", path.replace('\'', "'\\''")) }
}

/// Blanks and the like stand as three octal digits behind a backslash.
fn unescaped(text: &str) -> String {
    let mut plain = Vec::new();
    let mut bytes = text.as_bytes();
    while let [first, rest @ ..] = bytes {
        let digits = rest.get(..3).and_then(|digits| std::str::from_utf8(digits).ok());
        match digits.and_then(|digits| u8::from_str_radix(digits, 8).ok()).filter(|_| *first == b'\\') {
            Some(byte) => {
                plain.push(byte);
                bytes = &rest[3..];
            }
            None => {
                plain.push(*first);
                bytes = rest;
            }
        }
    }
    String::from_utf8_lossy(&plain).into_owned()
}

#[cfg(test)]
mod tests {
    use std::os::unix::fs::symlink;

    use super::*;

    /// A computer with a stick (`sda`, one mounted partition), its own disk (`sdb`), and an empty reader (`sdc`).
    struct Stage(tempfile::TempDir);

    impl Stage {
        fn set() -> Self {
            let stage = Self(tempfile::tempdir().expect("a folder"));
            let usb = "sys/devices/usb1/1-1";
            stage.file(&format!("{usb}/serial"), "5F00A1\n");
            stage.disk("sda", &format!("{usb}/host0"), "1", "30310400", "0");
            stage.file(&format!("{usb}/host0/vendor"), "Example \n");
            stage.file(&format!("{usb}/host0/model"), "Stick\u{1b}[2J\n");
            stage.part("sda", "sda1", "8:1");
            stage.disk("sdb", "sys/devices/pci/ata1", "0", "500118192", "0");
            stage.part("sdb", "sdb2", "8:18");
            stage.disk("sdc", "sys/devices/usb1/1-2", "1", "0", "1");
            stage.file("sys/block/loop0/size", "100\n");
            stage.file("proc/swaps", "Filename Type Size Used Priority\n");
            stage.file("proc/self/mountinfo", "22 1 8:18 / / rw - ext4 /dev/sdb2 rw\n");
            stage
        }

        fn path(&self, name: &str) -> PathBuf {
            self.0.path().join(name)
        }

        fn file(&self, name: &str, text: &str) {
            let path = self.path(name);
            fs::create_dir_all(path.parent().expect("a folder")).expect("our own folder");
            fs::write(path, text).expect("our own file");
        }

        fn disk(&self, name: &str, device: &str, removable: &str, sectors: &str, read_only: &str) {
            self.file(&format!("sys/block/{name}/removable"), removable);
            self.file(&format!("sys/block/{name}/size"), sectors);
            self.file(&format!("sys/block/{name}/ro"), read_only);
            fs::create_dir_all(self.path(device)).expect("our own folder");
            symlink(self.path(device), self.path(&format!("sys/block/{name}/device"))).expect("our own link");
        }

        fn part(&self, disk: &str, name: &str, number: &str) {
            self.file(&format!("sys/block/{disk}/{name}/partition"), "1\n");
            self.file(&format!("sys/block/{disk}/{name}/dev"), number);
        }

        fn system(&self) -> System {
            System { sys: self.path("sys"), proc: self.path("proc"), dev: "/dev".into() }
        }

        fn drive(&self, name: &str) -> Drive {
            self.system().drive_of(&Path::new("/dev").join(name)).expect("a drive")
        }
    }

    #[test]
    fn s11_a_stick_is_told_by_model_serial_and_size() {
        let stage = Stage::set();
        let names: Vec<PathBuf> = stage.system().drives().into_iter().map(|drive| drive.node).collect();
        assert_eq!(names, ["/dev/sda", "/dev/sdb", "/dev/sdc"].map(PathBuf::from));
        let stick = stage.drive("sda");
        assert_eq!((stick.model.as_str(), stick.serial.as_deref()), ("Example Stick[2J", Some("5F00A1")));
        assert_eq!((stick.size, stick.is_writable()), (30_310_400 * 512, true));
        // The controller has a serial number too, and it is not that of a stick without one.
        stage.file("sys/devices/usb1/serial", "0000:00:14.0\n");
        stage.file("sys/devices/usb1/1-2/idVendor", "1209\n");
        assert_eq!(stage.drive("sdc").serial, None);
    }

    #[test]
    fn s11_what_is_fixed_used_or_empty_is_refused() {
        let stage = Stage::set();
        assert_eq!(stage.drive("sdb").refusals, [Refusal::Fixed, Refusal::System { what: "/".into() }]);
        assert_eq!(stage.drive("sdc").refusals, [Refusal::ReadOnly, Refusal::Empty]);
        stage.file("proc/self/mountinfo", "30 1 8:1 / /media/my\\040stick rw - vfat /dev/sda1 rw\n");
        let [refusal] = &stage.drive("sda").refusals[..] else { panic!("one reason") };
        assert_eq!(*refusal, Refusal::Mounted { node: "/dev/sda1".into(), at: "/media/my stick".into() });
        assert!(refusal.text().contains("`umount '/media/my stick'`"));
        assert_eq!(stage.drive("sda").mounts, [PathBuf::from("/media/my stick")]);
        // A file system that shows a device number of its own, and one inside an encrypted volume.
        stage.file("proc/self/mountinfo", "30 1 0:41 /home /media/a rw shared:1 - btrfs /dev/sda1 rw\n");
        assert_eq!(stage.drive("sda").refusals.len(), 1);
        stage.file("proc/self/mountinfo", "");
        assert!(stage.drive("sda").is_writable());
        stage.file("proc/swaps", "Filename Type\n/dev/sda1 partition 100 0 -2\n");
        assert_eq!(stage.drive("sda").refusals, [Refusal::System { what: "swap".into() }]);
        stage.file("proc/swaps", "");
        stage.file("sys/block/sda/sda1/holders/dm-0/dev", "254:0");
        let held = |by: &str| Refusal::Held { by: by.into() };
        assert_eq!(stage.drive("sda").refusals, [held("dm-0")]);
        stage.file("sys/block/dm-0/dev", "254:0\n");
        stage.file("sys/block/dm-0/holders/dm-1/dev", "254:1");
        stage.file("sys/block/dm-1/dev", "254:1\n");
        stage.file("proc/self/mountinfo", "22 1 254:1 / / rw - ext4 /dev/mapper/root rw\n");
        let [first, second, system] = &stage.drive("sda").refusals[..] else { panic!("three reasons") };
        assert_eq!([first, second], [&held("dm-0"), &held("dm-1")]);
        assert_eq!(*system, Refusal::System { what: "/".into() });
        stage.file("sys/block/sda/device/type", "SD");
        assert!(stage.system().drive_of(Path::new("/dev/sda1")).is_none(), "a partition is no drive");
        stage.file("sys/block/sdc/device/type", "5\n");
        assert!(stage.drive("sdc").refusals.contains(&Refusal::NoDisk));
    }

    #[test]
    fn this_computer_can_be_listed() {
        for drive in System::default().drives() {
            assert!(drive.node.starts_with("/dev"), "{drive:?}");
        }
    }
}
