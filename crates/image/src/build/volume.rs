//! Firmware volumes and files (PI Specification volume 3).
//!
//! A [`Volume`] lays its files out one behind the other on multiples of eight bytes, puts pad files where a file's
//! content has to be aligned, and the volume-top file at its end. Everything is summed and right; a test that wants
//! damage changes bytes afterwards. What is in a file's sections: [`super::section`].
//!
//! The decision a reader would question: a file in state "header invalid" or "header construction" is only its header
//! here. Readers step over such a file by its header alone, so nothing may follow that they would take for a file.

use super::guid::{self, Guid};
use super::section;

mod file;

pub use file::{File, FileState, kind};

const FIXED_HEADER: usize = 0x38;
/// Volumes on flash: readable and writable, memory mapped, as Debian's OVMF images have it, without polarity and
/// alignment.
const ATTRIBUTES: u32 = 0x0000_F6FF;
const ERASED_IS_ONE: u32 = 0x800;
const ALIGNMENT_SHIFT: u32 = 16;
/// What a volume promises at least: content aligned to 16 bytes.
const LEAST_ALIGNMENT: u32 = 4;

/// Why a volume cannot be built.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum VolumeError {
    /// The files do not fit. The volume has to be larger by at least `short` bytes.
    #[error("file {number} of the volume ends {short} bytes past the volume's end")]
    Full {
        /// The file, counted from 0 in the order they were given.
        number: usize,
        /// Bytes missing.
        short: usize,
    },
    /// Files stand behind the volume-top file, or there are two of them.
    #[error("file {number} comes after the volume-top file, which has to be the last")]
    AfterTop {
        /// The file, counted from 0 in the order they were given.
        number: usize,
    },
    /// The volume-top file cannot begin on a multiple of eight bytes and end where the volume ends.
    #[error("file {number} is the volume-top file and has {len} bytes with its header, which is no multiple of 8")]
    Top {
        /// The file, counted from 0 in the order they were given.
        number: usize,
        /// Its size, header counted.
        len: usize,
    },
    /// A file of 16 MiB or more, or one marked large, in file system 2.
    #[error("file {number} is large, and file system 2 has no large files; make the volume with `Volume::ffs3`")]
    Large {
        /// The file, counted from 0 in the order they were given.
        number: usize,
    },
    /// The block map gives another size than the volume has.
    #[error("the block map covers {mapped} bytes of a volume of {size}")]
    Blocks {
        /// Sum of the map.
        mapped: u64,
        /// The volume's size.
        size: usize,
    },
}

/// A volume in the making.
///
/// # Example
///
/// ```
/// use image::build::guid::guid;
/// use image::build::section;
/// use image::build::volume::{File, Volume, kind};
///
/// let driver = File::new(kind::DRIVER, guid("00000000-1111-2222-3333-444444444444"))
///     .sections(&[section::section(section::RAW, &[1, 2, 3]), section::user_interface("Example")]);
/// let volume = Volume::ffs2(0x2000).file(driver).build()?;
/// assert_eq!(&volume[0x28..0x2C], b"_FVH");
/// # Ok::<(), image::build::volume::VolumeError>(())
/// ```
#[derive(Debug, Clone)]
pub struct Volume {
    file_system: Guid,
    size: usize,
    blocks: Vec<(u32, u32)>,
    erased: u8,
    name: Option<Guid>,
    entries: Vec<u8>,
    files: Vec<File>,
}

impl Volume {
    /// Returns an empty volume of file system 2 and `size` bytes, of blocks of 4 KiB or one block, erased to FFh,
    /// without a name.
    pub fn ffs2(size: usize) -> Self {
        Self::new(guid::FFS2, size)
    }

    /// The same with file system 3, which has large files.
    pub fn ffs3(size: usize) -> Self {
        Self::new(guid::FFS3, size)
    }

    /// Returns an empty volume of the file system `file_system`.
    pub fn new(file_system: Guid, size: usize) -> Self {
        let blocks = if size.is_multiple_of(4096) { (size as u32 / 4096, 4096) } else { (1, size as u32) };
        Self {
            file_system,
            size,
            blocks: vec![blocks],
            erased: 0xFF,
            name: None,
            entries: Vec::new(),
            files: Vec::new(),
        }
    }

    /// Takes another block map: counts and sizes.
    #[must_use]
    pub fn blocks(mut self, blocks: &[(u32, u32)]) -> Self {
        self.blocks = blocks.to_vec();
        self
    }

    /// Makes 00h the erased byte (erase polarity 0): states are stored as they are, free space is 00h.
    #[must_use]
    pub fn erased_to_zero(mut self) -> Self {
        self.erased = 0x00;
        self
    }

    /// Gives the volume a name, in an extended header inside a pad file.
    #[must_use]
    pub fn named(mut self, name: Guid) -> Self {
        self.name = Some(name);
        self
    }

    /// Adds an entry to the extended header; the volume needs a name for it to appear.
    #[must_use]
    pub fn entry(mut self, kind: u16, data: &[u8]) -> Self {
        self.entries.extend(((data.len() + 4) as u16).to_le_bytes());
        self.entries.extend(kind.to_le_bytes());
        self.entries.extend(data);
        self
    }

    /// Adds a file. A file with the name of the volume-top file goes to the end of the volume.
    #[must_use]
    pub fn file(mut self, file: File) -> Self {
        self.files.push(file);
        self
    }

    /// Returns the volume's bytes.
    ///
    /// # Errors
    ///
    /// [`VolumeError`] when the files do not fit, the block map gives another size, a large file stands in file system
    /// 2, or a file comes after the volume-top file.
    pub fn build(self) -> Result<Vec<u8>, VolumeError> {
        let mapped = self.blocks.iter().map(|(count, len)| u64::from(*count) * u64::from(*len)).sum();
        if mapped != self.size as u64 {
            return Err(VolumeError::Blocks { mapped, size: self.size });
        }
        let mut out = self.header();
        if let Some(name) = self.name {
            let size = 20 + self.entries.len() as u32;
            let body = [&name[..], &size.to_le_bytes(), &self.entries].concat();
            out.extend(File::pad_with(&body).bytes(self.erased));
        }
        let mut top = None;
        for (number, file) in self.files.iter().enumerate() {
            if top.is_some() {
                return Err(VolumeError::AfterTop { number });
            }
            if file.is_large() && self.file_system == guid::FFS2 {
                return Err(VolumeError::Large { number });
            }
            let bytes = file.bytes(self.erased);
            out.resize(out.len().next_multiple_of(8), self.erased);
            let at = if file.name() == guid::VOLUME_TOP {
                if !bytes.len().is_multiple_of(8) {
                    return Err(VolumeError::Top { number, len: bytes.len() });
                }
                top = Some(number);
                pad_before(out.len(), self.size.saturating_sub(bytes.len()))
            } else {
                pad_before_aligned(out.len(), file.header_len(), file.alignment())
            };
            if at > out.len() {
                out.extend(File::pad(at - out.len(), self.erased).bytes(self.erased));
            }
            out.extend(bytes);
            if out.len() > self.size {
                return Err(VolumeError::Full { number, short: out.len() - self.size });
            }
        }
        out.resize(self.size, self.erased);
        Ok(out)
    }

    fn header(&self) -> Vec<u8> {
        let header_len = FIXED_HEADER + 8 * (self.blocks.len() + 1);
        // The extended header follows the header of the pad file around it.
        let ext = if self.name.is_some() { header_len.next_multiple_of(8) + file::HEADER } else { 0 };
        let needed = self.files.iter().map(|file| file.alignment().trailing_zeros()).max().unwrap_or(0);
        let alignment = needed.max(LEAST_ALIGNMENT);
        let polarity = if self.erased == 0xFF { ERASED_IS_ONE } else { 0 };
        let attributes = ATTRIBUTES | polarity | alignment << ALIGNMENT_SHIFT;
        let mut out = vec![0; 16];
        out.extend(self.file_system);
        out.extend((self.size as u64).to_le_bytes());
        out.extend(b"_FVH");
        out.extend(attributes.to_le_bytes());
        out.extend((header_len as u16).to_le_bytes());
        out.extend([0, 0]);
        out.extend((ext as u16).to_le_bytes());
        out.extend([0, 2]);
        for (count, len) in self.blocks.iter().chain([&(0, 0)]) {
            out.extend(count.to_le_bytes());
            out.extend(len.to_le_bytes());
        }
        let sum = out.chunks(2).fold(0_u16, |sum, word| sum.wrapping_add(u16::from_le_bytes([word[0], word[1]])));
        out[0x32..0x34].copy_from_slice(&sum.wrapping_neg().to_le_bytes());
        out
    }
}

/// Returns where a file that has to begin at `wanted` can begin behind `from`: there, or, when the pad file before it
/// has no room for its own header, behind that header, where the file does not fit.
fn pad_before(from: usize, wanted: usize) -> usize {
    if wanted == from { from } else { wanted.max(from + file::HEADER) }
}

/// Returns where a file can begin behind `from` so that its content is aligned, with room for a pad file's header
/// before it.
fn pad_before_aligned(from: usize, header: usize, alignment: usize) -> usize {
    let at = |from: usize| (from + header).next_multiple_of(alignment) - header;
    match at(from) {
        near if near == from || near >= from + file::HEADER => near,
        _ => at(from + file::HEADER),
    }
}

/// Returns a driver with `code`, a name and a version: what most files of a real volume are.
pub fn driver(name: Guid, title: &str, code: &[u8]) -> File {
    File::new(kind::DRIVER, name).sections(&[
        section::pe32(code),
        section::user_interface(title),
        section::version(1, "1.0"),
    ])
}

#[cfg(test)]
mod tests;
