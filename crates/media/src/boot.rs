//! The boot catalogue of a disc image (Bootable CD-ROM Format Specification 1.0, 1995).
//!
//! What a caller must know: an entry's count of sectors is what the firmware loads at the start, and not how long the image is.
//! [`crate::medium`] finds the length. The validation entry's sum and key are told and not insisted on: many firmwares look at
//! the key alone (EDK II, `PartitionDxe/ElTorito.c`).

use crate::iso::SECTOR;
use crate::source::{Error, Source, u16_at, u32_at};

/// Bytes of each entry.
const ENTRY: usize = 32;
/// Most entries read; a catalogue has a handful, and a chain of empty section headers would have no end.
const MOST_ENTRIES: usize = 256;

/// A boot catalogue.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Catalogue {
    /// Its first byte in the source.
    pub at: u64,
    /// Who made it, as it says.
    pub id: String,
    /// Whether the validation entry's words add up to 0.
    pub sum_ok: bool,
    /// Whether its key is 55h AAh.
    pub key_ok: bool,
    /// The default entry and those of the sections, in their order.
    pub entries: Vec<Entry>,
    /// Whether entries were left out, because there are more than any real catalogue has.
    pub cut: bool,
}

/// One thing that can be started.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Entry {
    /// Number of the platform: 0 x86, 1 PowerPC, 2 Mac, EFh UEFI.
    pub platform: u8,
    /// Whether it may be started.
    pub bootable: bool,
    /// What it is shown as.
    pub emulation: Emulation,
    /// Segment that it is loaded to; 0 stands for 07C0h.
    pub load_segment: u16,
    /// The partition type of a hard disk's image.
    pub system_type: u8,
    /// Units of 512 bytes that are loaded at the start.
    pub loaded: u16,
    /// Its first sector, of 2048 bytes.
    pub sector: u32,
}

/// What firmware shows an image as.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Emulation {
    /// Nothing: it is loaded and started.
    None,
    /// A floppy disk of so many bytes.
    Floppy(u32),
    /// A hard disk with one partition.
    HardDisk,
    /// A number that the specification does not have.
    Unknown(u8),
}

impl Emulation {
    fn of(media: u8) -> Self {
        match media & 0x0F {
            0 => Self::None,
            1 => Self::Floppy(1_228_800),
            2 => Self::Floppy(1_474_560),
            3 => Self::Floppy(2_949_120),
            4 => Self::HardDisk,
            other => Self::Unknown(other),
        }
    }

    /// Returns it in words.
    pub fn name(self) -> &'static str {
        match self {
            Self::None => "none",
            Self::Floppy(1_228_800) => "floppy of 1.2 MB",
            Self::Floppy(1_474_560) => "floppy of 1.44 MB",
            Self::Floppy(_) => "floppy of 2.88 MB",
            Self::HardDisk => "hard disk",
            Self::Unknown(_) => "unknown",
        }
    }
}

/// Returns the name of a platform's number.
pub fn platform_name(number: u8) -> &'static str {
    match number {
        0x00 => "x86",
        0x01 => "PowerPC",
        0x02 => "Mac",
        0xEF => "UEFI",
        _ => "unknown",
    }
}

impl Entry {
    fn of(bytes: &[u8], platform: u8) -> Self {
        Self {
            platform,
            bootable: bytes[0] == 0x88,
            emulation: Emulation::of(bytes[1]),
            load_segment: u16_at(bytes, 2),
            system_type: bytes[4],
            loaded: u16_at(bytes, 6),
            sector: u32_at(bytes, 8),
        }
    }

    /// Returns the image's first byte in the source.
    pub fn at(&self) -> u64 {
        u64::from(self.sector) * SECTOR
    }
}

impl Catalogue {
    /// Reads the catalogue that begins at `sector`.
    ///
    /// # Errors
    /// [`Error`] when it lies outside the source, or its first entry is no validation entry.
    pub fn read(source: &dyn Source, sector: u32) -> Result<Self, Error> {
        let at = u64::from(sector) * SECTOR;
        let entry = |index: usize| source.bytes(at + (index * ENTRY) as u64, ENTRY);
        let validation = entry(0)?;
        if validation[0] != 1 {
            return Err(Error::broken(format!(
                "the boot catalogue at {at:#x} begins with {:02X}h instead of 01h",
                validation[0]
            )));
        }
        let sum = (0..ENTRY).step_by(2).fold(0_u16, |sum, at| sum.wrapping_add(u16_at(&validation, at)));
        let id = String::from_utf8_lossy(&validation[4..28]);
        let mut catalogue = Self {
            at,
            id: id.chars().filter(|letter| !letter.is_control()).collect::<String>().trim_end().to_owned(),
            sum_ok: sum == 0,
            key_ok: validation[30..] == [0x55, 0xAA],
            entries: vec![Entry::of(&entry(1)?, validation[1])],
            cut: false,
        };
        let mut next = 2;
        // What is no section header ends the catalogue; so does the end of the source.
        while let Ok(header) = entry(next) {
            if !matches!(header[0], 0x90 | 0x91) {
                break;
            }
            next += 1;
            let mut left = u16_at(&header, 2);
            while left > 0 && next < MOST_ENTRIES {
                let Ok(bytes) = entry(next) else { return Ok(catalogue) };
                next += 1;
                left -= 1;
                catalogue.entries.push(Entry::of(&bytes, header[1]));
                let mut more = bytes[1] & 0x20 != 0;
                // Extensions of the entry: selection criteria of the vendor's own.
                while more && next < MOST_ENTRIES {
                    let Ok(extension) = entry(next) else { return Ok(catalogue) };
                    if extension[0] != 0x44 {
                        break;
                    }
                    next += 1;
                    more = extension[1] & 0x20 != 0;
                }
            }
            if next >= MOST_ENTRIES {
                catalogue.cut = true;
                break;
            }
            if header[0] == 0x91 {
                break;
            }
        }
        Ok(catalogue)
    }
}
