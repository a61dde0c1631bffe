//! What this computer has: programmers, SPI buses, what stands on them, flash that the kernel drives; and the next thing to do
//! about each.
//!
//! Nothing here opens a device: it reads `/sys` and asks the kernel whether this person might open the node. Every path hangs
//! below a [`Root`], so that all of it is tested on a made-up tree.
//!
//! | looked at | for |
//! |---|---|
//! | `/sys/class/spi_master` | SPI controllers that are switched on |
//! | `/sys/bus/spi/devices/spiB.C` | what stands on them, and `driver`, who drives it |
//! | `/sys/module/spidev` | whether the module is loaded, and its `bufsiz` |
//! | `/sys/class/mtd/mtdN` | flash that the kernel drives |
//! | `/sys/bus/usb/devices` | firmhand's own programmers, by ids and product text; their serial port |

use std::fs;
use std::path::{Path, PathBuf};

use nix::unistd::{AccessFlags, access};

use crate::mtd::{Facts, Lack};
use crate::node;

/// Where the file system begins.
#[derive(Debug, Clone)]
pub struct Root(PathBuf);

impl Root {
    /// This computer's.
    #[must_use]
    pub fn system() -> Self {
        Self("/".into())
    }

    /// A tree below a folder.
    #[must_use]
    pub fn at(folder: &Path) -> Self {
        Self(folder.to_path_buf())
    }

    pub(crate) fn join(&self, path: &str) -> PathBuf {
        self.0.join(path)
    }

    /// Names in a folder, in the order of their numbers; none when there is no such folder.
    pub(crate) fn names(&self, path: &str) -> Vec<String> {
        let entries = fs::read_dir(self.join(path)).into_iter().flatten().flatten();
        let mut names: Vec<String> = entries.map(|entry| entry.file_name().to_string_lossy().into_owned()).collect();
        names.sort_by_key(|name| (name.len(), name.clone()));
        names
    }

    /// What a small file says, without blanks at its ends.
    pub(crate) fn text(&self, path: &str) -> Option<String> {
        fs::read_to_string(self.join(path)).ok().map(|text| text.trim().to_owned())
    }

    fn link_name(&self, path: &str) -> Option<String> {
        let target = fs::read_link(self.join(path)).ok()?;
        Some(target.file_name()?.to_string_lossy().into_owned())
    }
}

/// What a thing that was found is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    /// A spidev device, or what could be one.
    Spidev,
    /// A flash that the kernel drives.
    Mtd,
    /// firmhand's own programmer.
    Board,
}

/// A programmer that is plugged in.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Board {
    /// Its serial number.
    pub serial: String,
    /// What `--link` takes.
    pub link: PathBuf,
    /// Its USB node.
    pub node: PathBuf,
    /// Its folder in sysfs; gone when it is unplugged.
    pub sysfs: PathBuf,
    /// Its serial port, where the kernel made one.
    pub tty: Option<PathBuf>,
}

/// Something that is a link, or could become one.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Found {
    /// The node: what `--link` takes.
    pub link: PathBuf,
    /// What it is.
    pub kind: Kind,
    /// Whether it can be used as it is.
    pub usable: bool,
    /// What was found, in words.
    pub what: String,
    /// What to do, where it cannot be used.
    pub remedy: Option<String>,
}

/// Everything that was found.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Survey {
    /// SPI controllers, as the kernel names them.
    pub buses: Vec<String>,
    /// Links, and what could become one.
    pub found: Vec<Found>,
    /// Whether the spidev module is there.
    pub has_spidev: bool,
    /// Its limit of one message, in bytes.
    pub bufsiz: Option<u32>,
}

/// Looks for every link that Linux gives.
#[must_use]
pub fn survey(root: &Root) -> Survey {
    let mut found: Vec<Found> = boards(root).iter().map(|board| programmer(root, board)).collect();
    found.extend(devices(root).map(|device| spi_device(root, &device)));
    let flash = root.names("sys/class/mtd").into_iter();
    let flash = flash.filter(|name| number_after(name, "mtd").is_some());
    found.extend(flash.map(|name| mtd(root, &name)));
    Survey {
        buses: root.names("sys/class/spi_master"),
        found,
        has_spidev: has_spidev(root),
        bufsiz: fs::read_to_string(root.join("sys/module/spidev/parameters/bufsiz"))
            .ok()
            .and_then(|text| text.trim().parse().ok()),
    }
}

/// What `--link` takes for a programmer: `board@SERIAL`, or `board` for no serial number.
#[must_use]
pub fn board_link(serial: &str) -> PathBuf {
    if serial.is_empty() { "board".into() } else { format!("board@{serial}").into() }
}

/// What to do when no programmer is plugged in.
pub const NO_BOARD: &str = "plug the programmer in; a board that is none yet becomes one by `firmhand link install`";

/// Every programmer that is plugged in, in the order of the serial numbers. The USB ids are a test pair that others use too, so
/// the product text decides.
#[must_use]
pub fn boards(root: &Root) -> Vec<Board> {
    let mut found: Vec<Board> = root.names("sys/bus/usb/devices").iter().filter_map(|name| board(root, name)).collect();
    found.sort_by(|one, other| one.serial.cmp(&other.serial));
    found
}

fn board(root: &Root, name: &str) -> Option<Board> {
    let folder = format!("sys/bus/usb/devices/{name}");
    let says = |file: &str| root.text(&format!("{folder}/{file}"));
    let id = |file: &str| u16::from_str_radix(&says(file)?, 16).ok();
    if (id("idVendor"), id("idProduct")) != (Some(wire::USB_VENDOR), Some(wire::USB_PRODUCT))
        || says("product")? != wire::USB_PRODUCT_TEXT
    {
        return None;
    }
    let number = |file: &str| says(file)?.parse::<u32>().ok();
    let node = format!("/dev/bus/usb/{:03}/{:03}", number("busnum")?, number("devnum")?);
    let interfaces = root.names(&folder).into_iter().filter(|inner| inner.starts_with(&format!("{name}:")));
    let tty = interfaces.flat_map(|inner| root.names(&format!("{folder}/{inner}/tty"))).next();
    let serial = says("serial").unwrap_or_default();
    Some(Board {
        link: board_link(&serial),
        serial,
        node: node.into(),
        sysfs: fs::canonicalize(root.join(&folder)).ok()?,
        tty: tty.map(|tty| Path::new("/dev").join(tty)),
    })
}

fn programmer(root: &Root, board: &Board) -> Found {
    let bulk = right(root, &board.node);
    let port = board.tty.as_deref().filter(|tty| right(root, tty).is_none());
    let what = match (&bulk, port) {
        (Some(_), Some(port)) => format!("firmhand's programmer, through its serial port {}", port.display()),
        _ => "firmhand's programmer".into(),
    };
    let remedy = if port.is_some() { None } else { bulk };
    Found { link: board.link.clone(), kind: Kind::Board, usable: remedy.is_none(), what, remedy }
}

/// What to do when there is no such spidev node.
#[must_use]
pub fn missing_spidev(root: &Root, path: &Path) -> String {
    let name = path.file_name().unwrap_or_default().to_string_lossy().into_owned();
    let Some(place) = name.strip_prefix("spidev").filter(|place| place.contains('.')) else {
        return "a spidev device is called /dev/spidevBUS.SELECT; `firmhand link list` shows those of this computer"
            .into();
    };
    let device = format!("spi{place}");
    if devices(root).any(|known| known == device) {
        let found = spi_device(root, &device);
        return found
            .remedy
            .unwrap_or_else(|| "the node is missing although the driver is bound: is udev running?".into());
    }
    let buses = root.names("sys/class/spi_master");
    let bus = format!("spi{}", place.split('.').next().unwrap_or_default());
    if buses.is_empty() {
        return NO_BUS.into();
    }
    if buses.contains(&bus) {
        return format!(
            "the bus {bus} is there, and its device tree names nothing on this chip select: add an overlay that puts a spidev \
             device there, then start the computer anew"
        );
    }
    format!(
        "there is no bus {bus}, but {}: switch that bus on by its device-tree overlay, or use one of these",
        buses.join(", ")
    )
}

/// What to do when no SPI controller is switched on.
pub const NO_BUS: &str = "no SPI controller is switched on: enable the header's SPI bus in the board's boot configuration (an overlay \
                          of its device tree with a spidev device), then start the computer anew";

fn has_spidev(root: &Root) -> bool {
    root.join("sys/module/spidev").exists() || root.join("sys/bus/spi/drivers/spidev").exists()
}

fn devices(root: &Root) -> impl Iterator<Item = String> + use<> {
    root.names("sys/bus/spi/devices").into_iter().filter(|name| number_after(name, "spi").is_some())
}

/// The first number of a name like `spi0.1` or `mtd3`; none for another name, such as `mtd3ro`.
fn number_after(name: &str, prefix: &str) -> Option<u32> {
    let rest = name.strip_prefix(prefix)?;
    let (first, second) = rest.split_once('.').unwrap_or((rest, "0"));
    second.parse::<u32>().ok()?;
    first.parse().ok()
}

fn spi_device(root: &Root, device: &str) -> Found {
    let link = PathBuf::from(format!("/dev/spidev{}", device.trim_start_matches("spi")));
    let folder = format!("sys/bus/spi/devices/{device}");
    let says = fs::read_to_string(root.join(&format!("{folder}/modalias"))).unwrap_or_default();
    let says = says.trim().trim_start_matches("spi:").to_owned();
    let (what, remedy) = match root.link_name(&format!("{folder}/driver")).as_deref() {
        Some("spidev") => {
            let remedy = right(root, &link);
            (format!("spidev on {device}"), remedy)
        }
        Some("spi-nor") => {
            let what = format!("{device}: a flash that the kernel drives itself (`{says}`)");
            let free = format!(
                "free it first: `echo {device} | sudo tee /sys/bus/spi/drivers/spi-nor/unbind`, then {}",
                bind(device)
            );
            (what, Some(format!("reach it as /dev/mtdN, through the kernel; or {free}")))
        }
        Some(other) => {
            (format!("{device}: in use by the kernel's driver `{other}`"), Some("it is no free chip select".into()))
        }
        None => {
            let load = if has_spidev(root) { "" } else { "`sudo modprobe spidev`, then " };
            (format!("{device}: nobody drives it (`{says}`)"), Some(format!("{load}{}", bind(device))))
        }
    };
    Found { usable: remedy.is_none(), link, kind: Kind::Spidev, what, remedy }
}

/// How a device is given to spidev (Documentation/spi/spidev.rst, Documentation/ABI/testing/sysfs-bus-spi-devices-*).
fn bind(device: &str) -> String {
    format!(
        "`echo spidev | sudo tee /sys/bus/spi/devices/{device}/driver_override` and `echo {device} | sudo tee \
         /sys/bus/spi/drivers/spidev/bind`"
    )
}

fn mtd(root: &Root, name: &str) -> Found {
    let link = PathBuf::from(format!("/dev/{name}"));
    let found = |usable, what, remedy| Found { link: link.clone(), kind: Kind::Mtd, usable, what, remedy };
    let facts = match Facts::read(&root.join(&format!("sys/class/mtd/{name}"))) {
        Ok(facts) => facts,
        Err(error) => {
            return found(
                false,
                format!("{name}: what the kernel says cannot be read ({error})"),
                Some("look at `dmesg`".into()),
            );
        }
    };
    let mut what = format!("`{}`, {}, {} bytes", facts.name, facts.kind, facts.size);
    if let Some(offset) = facts.offset {
        what += &format!(", a part of its chip from {offset:#x} on");
    }
    match facts.lack() {
        Some(Lack::Kind(kind)) => return found(false, what, Some(format!("{kind} is not written by firmhand"))),
        Some(Lack::Geometry(why)) => return found(false, what, Some(why)),
        None => {}
    }
    if !facts.writable {
        what += ", read-only";
    }
    let remedy = right_to(root, &link, facts.writable);
    found(remedy.is_none(), what, remedy)
}

/// Why this person cannot use a node, as what to do about it.
fn right(root: &Root, link: &Path) -> Option<String> {
    right_to(root, link, true)
}

fn right_to(root: &Root, link: &Path, write: bool) -> Option<String> {
    let node = root.join(&link.to_string_lossy()[1..]);
    if !node.exists() {
        return Some(format!("the driver is bound, and {} is missing: is udev running?", link.display()));
    }
    let wanted = if write { AccessFlags::R_OK | AccessFlags::W_OK } else { AccessFlags::R_OK };
    match access(&node, wanted) {
        Ok(()) => None,
        Err(_) => Some(node::permission_remedy(&node)),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::os::unix::fs::symlink;

    /// A made-up tree.
    struct Tree(tempfile::TempDir);

    impl Tree {
        fn new() -> Self {
            Self(tempfile::tempdir().expect("a folder"))
        }

        fn root(&self) -> Root {
            Root::at(self.0.path())
        }

        fn file(&self, path: &str, text: &str) {
            let path = self.0.path().join(path);
            fs::create_dir_all(path.parent().expect("a folder")).expect("folders");
            fs::write(path, text).expect("a file");
        }

        fn spi(&self, device: &str, driver: Option<&str>) {
            let folder = format!("sys/bus/spi/devices/{device}");
            self.file(&format!("{folder}/modalias"), "spi:made-up\n");
            if let Some(driver) = driver {
                symlink(format!("../../drivers/{driver}"), self.0.path().join(format!("{folder}/driver")))
                    .expect("a link");
            }
        }

        fn mtd(&self, name: &str, kind: &str, flags: &str, offset: Option<&str>) {
            let folder = format!("sys/class/mtd/{name}");
            for (file, text) in [
                ("name", "firmware"),
                ("type", kind),
                ("size", "65536"),
                ("erasesize", "4096"),
                ("writesize", "1"),
                ("flags", flags),
            ] {
                self.file(&format!("{folder}/{file}"), text);
            }
            if let Some(offset) = offset {
                self.file(&format!("{folder}/offset"), offset);
            }
        }

        /// A device on USB; `tty` is the name of its serial port.
        fn usb(&self, name: &str, product: &str, serial: &str, tty: Option<&str>) {
            let folder = format!("sys/bus/usb/devices/{name}");
            for (file, text) in [
                ("idVendor", "1209\n"),
                ("idProduct", "0001\n"),
                ("product", product),
                ("serial", serial),
                ("busnum", "1\n"),
                ("devnum", "12\n"),
            ] {
                self.file(&format!("{folder}/{file}"), text);
            }
            if let Some(tty) = tty {
                self.file(&format!("{folder}/{name}:1.1/tty/{tty}/dev"), "166:0");
            }
        }

        fn one(&self) -> Found {
            let mut found = survey(&self.root()).found;
            assert_eq!(found.len(), 1, "{found:?}");
            found.remove(0)
        }
    }

    #[test]
    fn an_empty_computer_has_nothing_and_says_so() {
        let tree = Tree::new();
        let survey = survey(&tree.root());
        assert_eq!(survey, Survey { buses: vec![], found: vec![], has_spidev: false, bufsiz: None });
        assert_eq!(missing_spidev(&tree.root(), Path::new("/dev/spidev0.0")), NO_BUS);
    }

    #[test]
    fn a_bound_spidev_is_usable_when_its_node_is() {
        let tree = Tree::new();
        tree.spi("spi0.0", Some("spidev"));
        tree.file("sys/module/spidev/parameters/bufsiz", "65536\n");
        assert!(tree.one().remedy.expect("no node").contains("udev"));
        tree.file("dev/spidev0.0", "");
        let found = tree.one();
        assert!(found.usable && found.remedy.is_none(), "{found:?}");
        assert_eq!(found.link, Path::new("/dev/spidev0.0"));
        assert_eq!(survey(&tree.root()).bufsiz, Some(65_536));
    }

    #[test]
    fn a_device_that_nobody_drives_gets_the_two_lines_that_bind_it() {
        let tree = Tree::new();
        tree.spi("spi1.2", None);
        let remedy = tree.one().remedy.expect("not usable");
        assert!(remedy.starts_with("`sudo modprobe spidev`"), "{remedy}");
        assert!(remedy.contains("/sys/bus/spi/devices/spi1.2/driver_override"), "{remedy}");
        tree.file("sys/module/spidev/parameters/bufsiz", "4096");
        assert!(!tree.one().remedy.expect("not usable").contains("modprobe"));
        assert!(missing_spidev(&tree.root(), Path::new("/dev/spidev1.2")).contains("driver_override"));
    }

    #[test]
    fn a_flash_of_the_kernel_is_named_and_not_taken_from_it() {
        let tree = Tree::new();
        tree.spi("spi0.0", Some("spi-nor"));
        tree.spi("spi0.1", Some("made-up-display"));
        let found = survey(&tree.root()).found;
        assert!(found.iter().all(|found| !found.usable));
        assert!(found[0].remedy.as_ref().expect("a remedy").contains("/dev/mtdN"));
        assert!(found[1].what.contains("made-up-display"));
    }

    #[test]
    fn a_missing_node_says_which_bus_there_is() {
        let tree = Tree::new();
        tree.file("sys/class/spi_master/spi0/x", "");
        let root = tree.root();
        assert!(missing_spidev(&root, Path::new("/dev/spidev0.1")).contains("the bus spi0 is there"));
        assert!(missing_spidev(&root, Path::new("/dev/spidev5.0")).contains("there is no bus spi5, but spi0"));
        assert!(missing_spidev(&root, Path::new("/dev/spidev")).contains("/dev/spidevBUS.SELECT"));
    }

    #[test]
    fn flash_that_the_kernel_drives_is_told_with_kind_and_place() {
        let tree = Tree::new();
        tree.mtd("mtd0", "nor", "0xc00", None);
        tree.mtd("mtd1", "nor", "0x800", Some("131072"));
        tree.mtd("mtd2", "nand", "0x400", None);
        tree.mtd("mtd0ro", "nor", "0xc00", None);
        tree.file("dev/mtd0", "");
        tree.file("dev/mtd1", "");
        let found = survey(&tree.root()).found;
        assert_eq!(found.len(), 3, "the read-only twin is no link: {found:?}");
        assert!(found[0].usable && found[0].kind == Kind::Mtd);
        assert!(found[1].usable && found[1].what.ends_with("from 0x20000 on, read-only"), "{found:?}");
        assert!(!found[2].usable && found[2].remedy.as_ref().expect("a remedy").contains("NAND"));
    }

    #[test]
    fn a_programmer_is_told_by_its_product_text_and_several_by_their_serial_numbers() {
        let tree = Tree::new();
        tree.usb("1-2", "firmhand programmer\n", "E0C9125B0D9B\n", Some("ttyACM3"));
        tree.usb("1-1.4", "firmhand programmer\n", "0A\n", None);
        tree.usb("1-3", "another thing with the test pair\n", "07\n", None);
        let found = boards(&tree.root());
        let seen: Vec<_> = found.iter().map(|board| (board.serial.as_str(), board.tty.as_deref())).collect();
        assert_eq!(seen, [("0A", None), ("E0C9125B0D9B", Some(Path::new("/dev/ttyACM3")))]);
        assert_eq!(found[0].node, Path::new("/dev/bus/usb/001/012"));
        assert_eq!(found[1].link, Path::new("board@E0C9125B0D9B"));
    }

    #[test]
    fn a_programmer_is_usable_by_its_node_or_else_by_its_serial_port() {
        let tree = Tree::new();
        tree.usb("1-2", "firmhand programmer\n", "07\n", Some("ttyACM3"));
        assert!(!tree.one().usable);
        tree.file("dev/ttyACM3", "");
        let found = tree.one();
        assert!(found.usable && found.what.contains("/dev/ttyACM3"), "{found:?}");
        tree.file("dev/bus/usb/001/012", "");
        let found = tree.one();
        assert!(found.usable && found.kind == Kind::Board && !found.what.contains("tty"), "{found:?}");
    }
}
