//! The drives of this computer, and which of them may be written raw (safety rule S11).
//!
//! In: the kernel's own listing (`/sys/block`, `/proc/self/mountinfo`, `/proc/swaps`). Out: each drive with what a person tells
//! it by, and every reason against writing it. Nothing is opened.
//!
//! What a caller must know: a list is a moment. Between it and a write the drive can be pulled and another take its name, so
//! [`crate::write`] opens the node for itself alone and compares its size again.
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
    /// Who made it and what it is called; empty when the kernel does not know.
    pub model: String,
    /// Its serial number.
    pub serial: Option<String>,
    /// Its bytes; 0 for a reader without a card.
    pub size: u64,
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
                format!("{} is mounted on {}: `umount {}`, then again", node.display(), at.display(), at.display())
            }
            Self::Held { by } => format!("{by} is built on it: close that first"),
            Self::ReadOnly => "it cannot be written: look for a small switch on its side".into(),
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
        refusals.extend(self.uses(name, &block));
        if is(block.join("ro"), "1") {
            refusals.push(Refusal::ReadOnly);
        }
        if size == 0 {
            refusals.push(Refusal::Empty);
        }
        Drive { node: self.dev.join(name), model, serial: self.serial(&device), size, refusals }
    }

    /// The serial number: of the drive itself, or of the USB device that it is in.
    fn serial(&self, device: &Path) -> Option<String> {
        let real = fs::canonicalize(device).ok()?;
        let inside = |folder: &&Path| folder.starts_with(fs::canonicalize(&self.sys).unwrap_or_default());
        real.ancestors().take_while(inside).find_map(|folder| self.text(&folder.join("serial")))
    }

    /// What uses the drive or a partition of it.
    fn uses(&self, name: &str, block: &Path) -> Vec<Refusal> {
        let mut nodes: Vec<(String, PathBuf)> = vec![(name.to_owned(), block.to_path_buf())];
        for entry in fs::read_dir(block).into_iter().flatten().flatten() {
            if entry.path().join("partition").exists() {
                nodes.push((entry.file_name().to_string_lossy().into_owned(), entry.path()));
            }
        }
        nodes.sort();
        let mounts = self.mounts();
        let swaps = fs::read_to_string(self.proc.join("swaps")).unwrap_or_default();
        let mut found = Vec::new();
        let mut told = HashSet::new();
        for (node, folder) in nodes {
            let number = self.text(&folder.join("dev")).unwrap_or_default();
            let path = self.dev.join(&node);
            for (_, at) in mounts.iter().filter(|(other, _)| *other == number) {
                let system = ["/", "/boot", "/boot/efi", "/usr", "/var", "/home", "/nix"];
                let refusal = match system.iter().any(|own| Path::new(own) == at) {
                    true => Refusal::System { what: at.display().to_string() },
                    false => Refusal::Mounted { node: path.clone(), at: at.clone() },
                };
                if told.insert(refusal.text()) {
                    found.push(refusal);
                }
            }
            if swaps.lines().skip(1).any(|line| line.split_whitespace().next() == path.to_str()) {
                found.push(Refusal::System { what: "swap".into() });
            }
            for holder in fs::read_dir(folder.join("holders")).into_iter().flatten().flatten() {
                found.push(Refusal::Held { by: holder.file_name().to_string_lossy().into_owned() });
            }
        }
        found
    }

    /// Device numbers and mount points (`proc_pid_mountinfo(5)`).
    fn mounts(&self) -> Vec<(String, PathBuf)> {
        let text = fs::read_to_string(self.proc.join("self/mountinfo")).unwrap_or_default();
        let line = |line: &str| {
            let mut words = line.split(' ').skip(2);
            let (number, at) = (words.next()?, words.nth(1)?);
            Some((number.to_owned(), unescaped(at).into()))
        };
        text.lines().filter_map(line).collect()
    }
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
    }

    #[test]
    fn s11_what_is_fixed_used_or_empty_is_refused() {
        let stage = Stage::set();
        assert_eq!(stage.drive("sdb").refusals, [Refusal::Fixed, Refusal::System { what: "/".into() }]);
        assert_eq!(stage.drive("sdc").refusals, [Refusal::ReadOnly, Refusal::Empty]);
        stage.file("proc/self/mountinfo", "30 1 8:1 / /media/my\\040stick rw - vfat /dev/sda1 rw\n");
        let [refusal] = &stage.drive("sda").refusals[..] else { panic!("one reason") };
        assert_eq!(*refusal, Refusal::Mounted { node: "/dev/sda1".into(), at: "/media/my stick".into() });
        assert!(refusal.text().contains("umount /media/my stick"));
        stage.file("proc/self/mountinfo", "");
        assert!(stage.drive("sda").is_writable());
        stage.file("proc/swaps", "Filename Type\n/dev/sda1 partition 100 0 -2\n");
        assert_eq!(stage.drive("sda").refusals, [Refusal::System { what: "swap".into() }]);
        stage.file("proc/swaps", "");
        stage.file("sys/block/sda/sda1/holders/dm-0/dev", "254:0");
        assert_eq!(stage.drive("sda").refusals, [Refusal::Held { by: "dm-0".into() }]);
        stage.file("sys/block/sda/device/type", "SD");
        assert!(stage.system().drive_of(Path::new("/dev/sda1")).is_none(), "a partition is no drive");
    }

    #[test]
    fn this_computer_can_be_listed() {
        for drive in System::default().drives() {
            assert!(drive.node.starts_with("/dev"), "{drive:?}");
        }
    }
}
