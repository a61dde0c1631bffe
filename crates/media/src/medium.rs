//! A boot medium as a whole: what it starts, where that stands, and how long it really is.
//!
//! A boot catalogue tells the place of each image and not its length, and the count of sectors in it is often too small. So the
//! length is taken from what knows it:
//!
//! | image | length from |
//! |---|---|
//! | shown as a floppy disk | the disk's kind |
//! | shown as a hard disk | the partition table in the image's own first sector |
//! | started as it is | the longest of: the file of the volume that begins there, the file system that begins there, the partition of the disc's own table that begins there; where none does, the catalogue's count |
//!
//! The decision a reader would question: the longest and not the first that is found. A boot image is read on another drive, where a
//! byte too many is harmless and a missing one is a start that fails half-way.

use crate::boot::{Catalogue, Emulation, Entry};
use crate::fat::{Fat, FatFile};
use crate::iso::{IsoFile, SECTOR, Volume};
use crate::source::{Error, Part, Source};
use crate::table::Table;

/// Bytes that are copied at once.
const PIECE: usize = 1 << 20;

/// A medium.
#[derive(Debug, Clone)]
pub struct Medium {
    /// Bytes of the file.
    pub len: u64,
    /// Its ISO 9660 volume.
    pub volume: Option<Volume>,
    /// Files of the volume.
    pub files: Vec<IsoFile>,
    /// Its partition table: a disc image with one can be written to a stick as it is.
    pub table: Option<Table>,
    /// The file system that begins at its first byte.
    pub fat: Option<Fat>,
    /// Its boot catalogue.
    pub catalogue: Option<Catalogue>,
    /// What it starts, in the catalogue's order.
    pub images: Vec<BootImage>,
    /// What does not follow the rules, and does not keep the rest from being read.
    pub notes: Vec<String>,
}

/// An image that a medium starts.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct BootImage {
    /// Its entry in the catalogue.
    pub entry: Entry,
    /// Its first byte in the medium.
    pub at: u64,
    /// Its bytes.
    pub len: u64,
    /// What the length was taken from.
    pub length_from: LengthFrom,
    /// The file of the volume that it is, or whose beginning it is.
    pub file: Option<String>,
}

/// What knows how long a boot image is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum LengthFrom {
    /// The kind of disk that it is shown as.
    Disk,
    /// The partition table in it.
    OwnTable,
    /// The file system in it.
    FileSystem,
    /// The file of the volume.
    File,
    /// The medium's own partition table.
    Partition,
    /// The catalogue's count of sectors.
    Catalogue,
}

impl LengthFrom {
    /// Returns it in words.
    pub fn name(self) -> &'static str {
        match self {
            Self::Disk => "the kind of disk it is shown as",
            Self::OwnTable => "the image's own partition table",
            Self::FileSystem => "the image's own file system",
            Self::File => "the file of the volume",
            Self::Partition => "the medium's partition table",
            Self::Catalogue => "the boot catalogue's count",
        }
    }
}

/// What a medium is as a whole.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Shape {
    /// A disc image alone.
    Disc,
    /// A disc image that is a drive's image as well.
    Hybrid,
    /// A drive's image with partitions.
    Drive,
    /// A file system without a partition table.
    FileSystem,
    /// None of these.
    Unknown,
}

impl Shape {
    /// Returns it in words.
    pub fn name(self) -> &'static str {
        match self {
            Self::Disc => "disc image",
            Self::Hybrid => "disc image that can be written to a stick as it is",
            Self::Drive => "drive image",
            Self::FileSystem => "file system without a partition table",
            Self::Unknown => "neither disc nor drive image",
        }
    }
}

impl Medium {
    /// Reads what `source` is.
    ///
    /// # Errors
    /// [`Error::Read`] when it cannot be read. What is broken in it becomes a note.
    pub fn read(source: &dyn Source) -> Result<Self, Error> {
        let mut medium = Self {
            len: source.len(),
            volume: None,
            files: Vec::new(),
            table: None,
            fat: None,
            catalogue: None,
            images: Vec::new(),
            notes: Vec::new(),
        };
        medium.volume = medium.noted(Volume::find(source))?.flatten();
        if let Some(volume) = medium.volume.clone() {
            medium.files = medium.noted(volume.files(source))?.unwrap_or_default();
            if u64::from(volume.sectors) * SECTOR > medium.len {
                medium.notes.push(format!(
                    "the volume says that it has {} bytes, and the file ends after {}: it is cut off",
                    u64::from(volume.sectors) * SECTOR,
                    medium.len
                ));
            }
            if let Some(sector) = volume.catalogue {
                medium.catalogue = medium.noted(Catalogue::read(source, sector))?;
            }
        }
        medium.fat = Fat::find(source)?;
        // A file system's boot sector has code where a table would stand.
        medium.table = if medium.fat.is_some() { None } else { Table::read(source)? };
        if let Some(table) = &medium.table {
            medium.notes.extend(table.notes.iter().cloned());
        }
        let catalogue = medium.catalogue.clone();
        if let Some(catalogue) = &catalogue {
            if !catalogue.sum_ok {
                medium.notes.push("the boot catalogue's validation entry does not have its sum".into());
            }
            if !catalogue.key_ok {
                medium.notes.push("the boot catalogue's validation entry does not end with 55h AAh".into());
            }
            if catalogue.cut {
                medium
                    .notes
                    .push("the boot catalogue has more entries than any real one; the rest was not read".into());
            }
            for entry in &catalogue.entries {
                medium.add(source, *entry)?;
            }
        }
        Ok(medium)
    }

    /// Returns what it is as a whole.
    pub fn shape(&self) -> Shape {
        let partitions = self.table.as_ref().is_some_and(|table| !table.partitions.is_empty());
        match (self.volume.is_some(), partitions, self.fat.is_some()) {
            (true, true, _) => Shape::Hybrid,
            (true, false, _) => Shape::Disc,
            (false, true, _) => Shape::Drive,
            (false, false, true) => Shape::FileSystem,
            (false, false, false) => Shape::Unknown,
        }
    }

    /// Takes a broken part as a note and a source that cannot be read as an error.
    fn noted<T>(&mut self, result: Result<T, Error>) -> Result<Option<T>, Error> {
        match result {
            Ok(value) => Ok(Some(value)),
            Err(Error::Read { at, source }) => Err(Error::Read { at, source }),
            Err(error) => {
                self.notes.push(error.to_string());
                Ok(None)
            }
        }
    }

    fn add(&mut self, source: &dyn Source, entry: Entry) -> Result<(), Error> {
        let at = entry.at();
        if at >= self.len {
            self.notes.push(format!("a boot image is said to stand at {at:#x}, past the end of the file"));
            return Ok(());
        }
        let file = self.files.iter().find(|file| file.at == at).cloned();
        let rest = Part::new(source, at, self.len - at)?;
        let (mut len, length_from) = match entry.emulation {
            Emulation::Floppy(bytes) => (u64::from(bytes), LengthFrom::Disk),
            Emulation::HardDisk => self.hard_disk(&rest, entry)?,
            Emulation::None | Emulation::Unknown(_) => {
                let of_file = file.as_ref().map(|file| (file.len, LengthFrom::File));
                let of_system = Fat::find(&rest)?.map(|fat| (fat.len, LengthFrom::FileSystem));
                let of_table = self.table.iter().flat_map(|table| &table.partitions);
                let of_table =
                    of_table.filter(|part| part.at == at).map(|part| (part.len, LengthFrom::Partition)).next();
                // Of equal lengths the last one counts: a file is what a person finds again.
                let known = [of_table, of_system, of_file].into_iter().flatten().max_by_key(|(len, _)| *len);
                known.filter(|(len, _)| *len > 0).unwrap_or((u64::from(entry.loaded) * 512, LengthFrom::Catalogue))
            }
        };
        if len > rest.len() {
            self.notes.push(format!(
                "the boot image at {at:#x} would have {len} bytes by {}, and the file ends {} bytes after its beginning",
                length_from.name(),
                rest.len()
            ));
            len = rest.len();
        }
        let file = file.map(|file| file.path);
        self.images.push(BootImage { entry, at, len, length_from, file });
        Ok(())
    }

    fn hard_disk(&mut self, image: &Part<'_>, entry: Entry) -> Result<(u64, LengthFrom), Error> {
        let table = Table::read(image)?.filter(|table| !table.partitions.is_empty());
        let Some(table) = table else {
            self.notes.push(format!(
                "the boot image at {:#x} is shown as a hard disk and has no partition table of its own",
                entry.at()
            ));
            return Ok((u64::from(entry.loaded) * 512, LengthFrom::Catalogue));
        };
        let end = table.partitions.iter().map(|part| part.at.saturating_add(part.len)).max().unwrap_or(0);
        Ok((end, LengthFrom::OwnTable))
    }
}

impl BootImage {
    /// Returns the files in it: of the file system that it is, or of the first one in its partitions.
    ///
    /// # Errors
    /// [`Error`] as for [`Fat::files`]. No file system that can be read is no error.
    pub fn files(&self, source: &dyn Source) -> Result<Vec<FatFile>, Error> {
        match self.file_system(source)? {
            Some((at, fat)) => fat.files(&Part::new(source, at, (self.at + self.len).saturating_sub(at))?),
            None => Ok(Vec::new()),
        }
    }

    /// Returns where its file system begins, counted in the medium, and what it is.
    ///
    /// # Errors
    /// [`Error::Read`] when the source cannot be read.
    pub fn file_system(&self, source: &dyn Source) -> Result<Option<(u64, Fat)>, Error> {
        let image = Part::new(source, self.at, self.len)?;
        Ok(file_systems(&image)?.into_iter().next().map(|found| (self.at + found.at, found.fat)))
    }
}

/// A FAT file system, and where it begins.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct FileSystem {
    /// The partition that it is in, from 1; none: it begins at the first byte.
    pub partition: Option<usize>,
    /// Its first byte.
    pub at: u64,
    /// What it is.
    pub fat: Fat,
}

/// Returns the FAT file systems of `source`: the one that it is, or those of its partitions.
///
/// # Errors
/// [`Error::Read`] when it cannot be read.
pub fn file_systems(source: &dyn Source) -> Result<Vec<FileSystem>, Error> {
    if let Some(fat) = Fat::find(source)? {
        return Ok(vec![FileSystem { partition: None, at: 0, fat }]);
    }
    let mut found = Vec::new();
    let partitions = Table::read(source)?.map(|table| table.partitions).unwrap_or_default();
    for (index, part) in partitions.into_iter().enumerate().filter(|(_, part)| part.at < source.len()) {
        if let Some(fat) = Fat::find(&Part::new(source, part.at, source.len() - part.at)?)? {
            found.push(FileSystem { partition: Some(index + 1), at: part.at, fat });
        }
    }
    Ok(found)
}

/// Gives `len` bytes of `source` from `at` on to `take`, piece by piece.
///
/// # Errors
/// [`Error::Short`] when it ends before; what `take` returns.
pub fn copy(
    source: &dyn Source,
    at: u64,
    len: u64,
    take: &mut dyn FnMut(&[u8]) -> Result<(), Error>,
) -> Result<(), Error> {
    let part = Part::new(source, at, len)?;
    let mut buffer = vec![0; PIECE.min(usize::try_from(len).unwrap_or(PIECE))];
    let mut done = 0;
    while done < len {
        let piece = (len - done).min(PIECE as u64) as usize;
        part.read_at(done, &mut buffer[..piece])?;
        take(&buffer[..piece])?;
        done += piece as u64;
    }
    Ok(())
}
