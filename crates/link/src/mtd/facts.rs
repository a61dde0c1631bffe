//! What the kernel says of a flash, and the chip description that this makes.

use std::io;
use std::path::Path;

use nor::catalogue;
use nor::chip::{Chip, EraseType, Region};

/// MTD_WRITEABLE (include/uapi/mtd/mtd-abi.h).
const WRITEABLE: u64 = 0x400;
/// Bytes that are written at once at most: the kernel cuts them into the chip's pages itself.
const PAGE: u32 = 256;

/// What the kernel says of a flash.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Facts {
    /// The partition's name, or the chip's.
    pub name: String,
    /// `nor`, `nand` and so on.
    pub kind: String,
    /// Bytes.
    pub size: u64,
    /// Bytes of the erase block.
    pub erase_bytes: u32,
    /// Bytes of the smallest write: 1 for serial NOR.
    pub write_bytes: u32,
    /// Whether the kernel lets it be written.
    pub writable: bool,
    /// Where it begins on its chip, when it is a partition; none when it is the whole chip, as far as the kernel says.
    pub offset: Option<u64>,
}

/// Why facts make no flash that can be used.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Lack {
    /// It is memory of another kind, in words.
    Kind(String),
    /// Its geometry makes no sense, in words.
    Geometry(String),
}

impl Facts {
    /// Reads a folder of `/sys/class/mtd`.
    ///
    /// # Errors
    /// The file system's; [`io::ErrorKind::InvalidData`] for what is no number.
    pub fn read(folder: &Path) -> io::Result<Self> {
        let text = |name: &str| Ok::<_, io::Error>(std::fs::read_to_string(folder.join(name))?.trim_end().to_owned());
        let number = |name: &str| {
            let text = text(name)?;
            let digits = text.strip_prefix("0x").map_or_else(|| text.parse(), |hex| u64::from_str_radix(hex, 16));
            digits.map_err(|_| io::Error::new(io::ErrorKind::InvalidData, format!("{name} is `{text}`, no number")))
        };
        let small = |name: &str| {
            let value = number(name)?;
            u32::try_from(value).map_err(|_| io::Error::new(io::ErrorKind::InvalidData, format!("{name} is {value}")))
        };
        Ok(Self {
            name: text("name")?,
            kind: text("type")?,
            size: number("size")?,
            erase_bytes: small("erasesize")?,
            write_bytes: small("writesize")?,
            writable: number("flags")? & WRITEABLE != 0,
            // The kernel gives partitions alone this file.
            offset: match number("offset") {
                Ok(offset) => Some(offset),
                Err(error) if error.kind() == io::ErrorKind::NotFound => None,
                Err(error) => return Err(error),
            },
        })
    }

    /// Why this is no flash that firmhand can use; none when it is one.
    #[must_use]
    pub fn lack(&self) -> Option<Lack> {
        let kind = match self.kind.as_str() {
            "nor" => None,
            "nand" | "mlc-nand" => Some("NAND flash".to_owned()),
            other => Some(format!("memory of the kind `{other}`")),
        };
        if let Some(kind) = kind {
            return Some(Lack::Kind(kind));
        }
        // Block sizes nest in firmhand's plans only as powers of two; every serial NOR chip has such.
        if !self.erase_bytes.is_power_of_two() || self.erase_bytes < PAGE {
            return Some(Lack::Geometry(format!("the kernel states an erase block of {} bytes", self.erase_bytes)));
        }
        if self.size == 0 || self.size > u64::from(nor::MAX_SIZE) {
            return Some(Lack::Geometry(format!("the kernel states a size of {} bytes", self.size)));
        }
        if !self.size.is_multiple_of(u64::from(self.erase_bytes)) {
            return Some(Lack::Geometry(format!(
                "its {} bytes are no whole number of erase blocks of {}",
                self.size, self.erase_bytes
            )));
        }
        None
    }

    /// What tells this flash from others: name, size and place.
    #[must_use]
    pub fn key(&self) -> String {
        match self.offset {
            None => format!("kernel {} {}", self.name, self.size),
            Some(offset) => format!("kernel {} {} at {offset:#x}", self.name, self.size),
        }
    }

    /// The chip description that these facts make: no id, one erase block size, class values for times, no conflict (S5 is name,
    /// size and erase size from the kernel).
    ///
    /// # Panics
    /// When [`Facts::lack`] says that there is something amiss.
    #[must_use]
    pub fn describe(&self) -> Chip {
        let size = u32::try_from(self.size).expect("looked at by `lack`");
        let erase =
            EraseType { opcode: 0, size: self.erase_bytes, times: catalogue::class_erase_times(self.erase_bytes) };
        let undescribed = Chip::describe(&[], None, size);
        Chip {
            id: Vec::new(),
            markings: Vec::new(),
            vendor: Vec::new(),
            size,
            page: PAGE,
            addressing: nor::chip::Addressing::Three,
            erases: vec![erase],
            regions: vec![Region { at: 0, len: size, erases: vec![erase] }],
            sources: vec![
                format!("the kernel: `{}`, {} bytes in erase blocks of {}", self.name, self.size, self.erase_bytes),
                "class values for times (longest known maximum, times four)".into(),
            ],
            conflicts: Vec::new(),
            ..undescribed
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn facts() -> Facts {
        Facts {
            name: "firmware".into(),
            kind: "nor".into(),
            size: 1 << 20,
            erase_bytes: 4096,
            write_bytes: 1,
            writable: true,
            offset: None,
        }
    }

    fn folder(files: &[(&str, &str)]) -> tempfile::TempDir {
        let folder = tempfile::tempdir().expect("a folder");
        for (name, text) in files {
            std::fs::write(folder.path().join(name), text).expect("a file");
        }
        folder
    }

    const WHOLE: [(&str, &str); 6] = [
        ("name", "spi0.0\n"),
        ("type", "nor\n"),
        ("size", "16777216\n"),
        ("erasesize", "65536\n"),
        ("writesize", "1\n"),
        ("flags", "0xc00\n"),
    ];

    #[test]
    fn what_the_kernel_says_is_read() {
        let read = Facts::read(folder(&WHOLE).path()).expect("whole");
        assert_eq!((read.size, read.erase_bytes, read.writable, read.offset), (1 << 24, 65_536, true, None));
        assert_eq!(read.key(), "kernel spi0.0 16777216");
        let mut part = WHOLE.to_vec();
        part.extend([("offset", "131072\n"), ("flags", "0x800\n")]);
        let read = Facts::read(folder(&part).path()).expect("whole");
        assert_eq!((read.writable, read.offset), (false, Some(0x2_0000)));
        assert_eq!(read.key(), "kernel spi0.0 16777216 at 0x20000");
    }

    #[test]
    fn s10_what_is_no_number_is_an_error_and_no_guess() {
        for (name, text) in [("size", "many"), ("erasesize", "99999999999"), ("flags", "0xzz"), ("offset", "-1")] {
            let mut files = WHOLE.to_vec();
            files.push((name, text));
            let error = Facts::read(folder(&files).path()).expect_err(name);
            assert_eq!(error.kind(), io::ErrorKind::InvalidData, "{name}");
        }
        assert!(Facts::read(folder(&WHOLE[1..]).path()).is_err(), "no name");
    }

    #[test]
    fn s5_other_memory_and_odd_geometry_are_told() {
        assert_eq!(facts().lack(), None);
        let lack = |change: fn(&mut Facts)| {
            let mut facts = facts();
            change(&mut facts);
            facts.lack()
        };
        assert_eq!(lack(|facts| facts.kind = "nand".into()), Some(Lack::Kind("NAND flash".into())));
        assert!(matches!(lack(|facts| facts.kind = "ram".into()), Some(Lack::Kind(_))));
        for change in [
            (|facts: &mut Facts| facts.erase_bytes = 0) as fn(&mut Facts),
            |facts| facts.erase_bytes = 3000,
            |facts| facts.size = 0,
            |facts| facts.size = 1 << 40,
            |facts| facts.size = 4097,
        ] {
            assert!(matches!(lack(change), Some(Lack::Geometry(_))));
        }
    }

    #[test]
    fn s5_the_description_has_one_block_size_and_no_id() {
        let chip = facts().describe();
        assert!(chip.is_writable() && chip.id.is_empty());
        assert_eq!((chip.size, chip.page, chip.erases.len()), (1 << 20, 256, 1));
        assert_eq!(chip.regions, [Region { at: 0, len: 1 << 20, erases: chip.erases.clone() }]);
        assert_eq!(chip.protection, None);
    }
}
