//! A part of a vendor's file: a chain is followed through its containers, and only what it ends at is loaded.
//!
//! What a chain says is the room `image`'s ([`Chain`]), what containers are those of `media` and `intake`. Nothing of a container
//! is held in memory but its lists, so a disc image of gigabytes costs none; a member of an archive is unpacked into a file. What comes out is pinned by whoever asks: a recipe by its hash,
//! a person by looking at the SHA-256 that is shown.
//!
//! The decision a reader would question: letters are compared without case, as these file systems do, but two files that differ
//! in nothing else are an error, as two structures are that one selector fits.

use std::cmp::Reverse;
use std::fmt;
use std::fs::File;
use std::io::{self, Read, Seek, SeekFrom};
use std::path::Path;

use image::chain::{Chain, Container};
use image::select::{Form, SelectError, take as take_structure};
use intake::archive::{self, ArchiveError};
use media::Source;
use media::iso::Volume;
use media::medium::{BootImage, Medium, file_systems};
use media::source::{FileSource, Part};
use vault::{Digest, Vault};

use crate::error::JobError;
use crate::images::{Given, MOST_OF_AN_IMAGE};
use crate::text::counted;

/// Names that an error lists.
const LISTED: usize = 5;

/// A step of a chain that cannot be done.
#[derive(Debug, thiserror::Error)]
#[error("step {step}, `{text}`: {why}")]
pub struct PartError {
    /// Which step, from 1.
    pub step: usize,
    /// As a chain has it.
    pub text: String,
    /// What was there instead.
    pub why: Why,
}

/// What a step of a chain met instead of what it asks for.
#[derive(Debug)]
pub enum Why {
    /// No container of this kind.
    OtherKind {
        /// What it is not.
        wanted: &'static str,
        /// What it is.
        found: &'static str,
    },
    /// No file of this path.
    NoFile {
        /// How many files there are.
        count: usize,
        /// The paths nearest to it.
        near: Vec<String>,
    },
    /// Files that differ in small and large letters alone, or not at all.
    Several(Vec<String>),
    /// No number where there are several, or one that is not there.
    Number {
        /// What is counted.
        what: &'static str,
        /// Those that there are.
        there: Vec<usize>,
    },
    /// The container breaks its own rules.
    Broken(media::Error),
    /// The archive breaks its own rules, or the member may not be used.
    Archive(ArchiveError),
    /// Too much to be a part of an image.
    TooLarge(u64),
    /// No such structure in the image.
    Structure(SelectError),
}

impl fmt::Display for Why {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::OtherKind { wanted, found } => write!(f, "here is no {wanted}, but: {found}"),
            Self::NoFile { count: 0, .. } => write!(f, "there is no such file, nor any other"),
            Self::NoFile { count, near } => {
                write!(
                    f,
                    "there is no such file among {}; nearest: {}",
                    counted(*count as u64, "file"),
                    near.join(", ")
                )
            }
            Self::Several(paths) => write!(f, "several files are called so: {}", paths.join(", ")),
            Self::Number { what, there } => {
                let numbers: Vec<String> = there.iter().map(ToString::to_string).collect();
                write!(f, "say a {what} by its number; known here: {}", numbers.join(", "))
            }
            Self::Broken(error) => write!(f, "{error}"),
            Self::Archive(error) => write!(f, "{error}"),
            Self::TooLarge(len) => {
                write!(f, "it has {len} bytes, and {MOST_OF_AN_IMAGE} are the most that is taken into memory")
            }
            Self::Structure(error) => write!(f, "{error}"),
        }
    }
}

/// Returns the bytes that a chain ends at.
///
/// # Errors
/// [`JobError::Part`] with the step that failed and what was there; [`JobError::Select`] for a selector alone.
pub fn take(source: &dyn Source, chain: &Chain, form: Form) -> Result<Vec<u8>, JobError> {
    let bytes = follow(source, &chain.containers, &mut |inner| {
        let failed = |why| {
            let text = chain.containers.last().map_or_else(|| chain.to_string(), ToString::to_string);
            PartError { step: chain.containers.len().max(1), text, why }
        };
        load(inner).map_err(|why| failed(why).into())
    })?;
    let Some(selector) = &chain.structure else { return Ok(bytes) };
    take_structure(&bytes, selector, form).map_err(|error| match chain.containers.len() {
        0 => JobError::Select(Box::new(error)),
        before => PartError { step: before + 1, text: selector.to_string(), why: Why::Structure(error) }.into(),
    })
}

fn load(source: &dyn Source) -> Result<Vec<u8>, Why> {
    let len = source.len();
    if len > MOST_OF_AN_IMAGE {
        return Err(Why::TooLarge(len));
    }
    let mut bytes = Vec::new();
    // Grows with what is there, for a length is only a claim.
    media::medium::copy(source, 0, len, &mut |piece| {
        bytes.extend_from_slice(piece);
        Ok(())
    })
    .map_err(Why::Broken)?;
    Ok(bytes)
}

/// Gives what stands behind all these containers to `end`.
///
/// # Errors
/// [`JobError::Part`] with the step that failed; what `end` returns.
pub fn follow<T>(
    source: &dyn Source,
    containers: &[Container],
    end: &mut dyn FnMut(&dyn Source) -> Result<T, JobError>,
) -> Result<T, JobError> {
    follow_from(source, containers, 1, end)
}

fn follow_from<T>(
    source: &dyn Source,
    containers: &[Container],
    step: usize,
    end: &mut dyn FnMut(&dyn Source) -> Result<T, JobError>,
) -> Result<T, JobError> {
    let Some((container, rest)) = containers.split_first() else { return end(source) };
    let failed = |why| JobError::from(PartError { step, text: container.to_string(), why });
    let broken = |error| failed(Why::Broken(error));
    match container {
        Container::Iso(path) => {
            let no_disc = || failed(Why::OtherKind { wanted: "disc image", found: shape(source) });
            let volume = Volume::find(source).map_err(broken)?.ok_or_else(no_disc)?;
            let files = volume.files(source).map_err(broken)?;
            let file = named(&files, |file| &file.path, path).map_err(failed)?;
            follow_from(&Part::new(source, file.at, file.len).map_err(broken)?, rest, step + 1, end)
        }
        Container::Boot(number) => {
            let medium = Medium::read(source).map_err(broken)?;
            let image = boot_image(&medium, *number).map_err(failed)?;
            follow_from(&Part::new(source, image.at, image.len).map_err(broken)?, rest, step + 1, end)
        }
        Container::Fat { partition, path } => {
            let systems = file_systems(source).map_err(broken)?;
            let wanted = systems.iter().filter(|system| partition.is_none() || system.partition == *partition);
            let system = match (systems.as_slice(), wanted.collect::<Vec<_>>().as_slice()) {
                ([], _) => return Err(failed(Why::OtherKind { wanted: "FAT file system", found: shape(source) })),
                (_, [system]) => *system,
                (systems, _) => {
                    let there = systems.iter().filter_map(|system| system.partition).collect();
                    return Err(failed(Why::Number { what: "partition", there }));
                }
            };
            let part = Part::new(source, system.at, source.len() - system.at).map_err(broken)?;
            let files = system.fat.files(&part).map_err(broken)?;
            let file = named(&files, |file| &file.path, path).map_err(failed)?;
            follow_from(&system.fat.open(&part, file).map_err(broken)?, rest, step + 1, end)
        }
        Container::Archive(path) => {
            let opened = member(source, path).map_err(failed)?;
            follow_from(&opened, rest, step + 1, end)
        }
    }
}

/// A member of an archive, unpacked into a file that has no name and is gone with this program.
fn member(source: &dyn Source, path: &str) -> Result<FileSource, Why> {
    let other = |error| match error {
        ArchiveError::NotAnArchive => Why::OtherKind { wanted: "archive", found: shape(source) },
        error => Why::Archive(error),
    };
    // A path of a chain begins with a slash, a member's does not.
    let members: Vec<(String, String)> = archive::members(&mut Cursor { source, at: 0 })
        .map_err(other)?
        .into_iter()
        .map(|member| (format!("/{}", member.path), member.path))
        .collect();
    let (_, name) = match named(&members, |(path, _)| path, path) {
        // What is there and left alone says why.
        Err(Why::NoFile { .. }) => {
            let name = path.trim_start_matches('/').to_owned();
            archive::copy(&mut Cursor { source, at: 0 }, &name, &mut io::sink())
                .err()
                .and_then(|error| match error {
                    ArchiveError::Refused { .. } => Some(error),
                    _ => None,
                })
                .map_or_else(|| named(&members, |(path, _)| path, path), |error| Err(Why::Archive(error)))
        }
        found => found,
    }?;
    let mut file = tempfile::tempfile().map_err(|error| Why::Archive(ArchiveError::Write(error)))?;
    archive::copy(&mut Cursor { source, at: 0 }, name, &mut file).map_err(other)?;
    FileSource::new(file).map_err(Why::Broken)
}

/// A source as what archives are read from.
struct Cursor<'a> {
    source: &'a dyn Source,
    at: u64,
}

impl Read for Cursor<'_> {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        let left = self.source.len().saturating_sub(self.at);
        let len = usize::try_from(left).unwrap_or(usize::MAX).min(buffer.len());
        self.source.read_at(self.at, &mut buffer[..len]).map_err(io::Error::other)?;
        self.at += len as u64;
        Ok(len)
    }
}

impl Seek for Cursor<'_> {
    fn seek(&mut self, to: SeekFrom) -> io::Result<u64> {
        let at = match to {
            SeekFrom::Start(at) => Some(at),
            SeekFrom::End(by) => self.source.len().checked_add_signed(by),
            SeekFrom::Current(by) => self.at.checked_add_signed(by),
        };
        self.at = at.ok_or(io::ErrorKind::InvalidInput)?;
        Ok(self.at)
    }
}

/// What a source is as a whole, for whoever took it for something else.
fn shape(source: &dyn Source) -> &'static str {
    Medium::read(source).map_or("nothing that can be read", |medium| medium.shape().name())
}

/// The boot image of this number; without one the only one.
fn boot_image(medium: &Medium, number: Option<usize>) -> Result<&BootImage, Why> {
    let images = medium.images.as_slice();
    match (number, images) {
        (_, []) => Err(Why::OtherKind { wanted: "boot catalogue", found: medium.shape().name() }),
        (None, [only]) => Ok(only),
        _ => {
            let found = number.and_then(|number| images.get(number.checked_sub(1)?));
            found.ok_or_else(|| Why::Number { what: "boot image", there: (1..=images.len()).collect() })
        }
    }
}

/// The file of this path.
fn named<'f, T>(files: &'f [T], path_of: impl Fn(&T) -> &String, wanted: &str) -> Result<&'f T, Why> {
    let exact: Vec<&T> = files.iter().filter(|file| path_of(file) == wanted).collect();
    let lower = wanted.to_lowercase();
    let alike = || files.iter().filter(|file| path_of(file).to_lowercase() == lower).collect();
    let found: Vec<&T> = if exact.is_empty() { alike() } else { exact };
    match found.as_slice() {
        [one] => Ok(*one),
        [] => Err(Why::NoFile { count: files.len(), near: near(files.iter().map(path_of), &lower) }),
        several => Err(Why::Several(several.iter().take(LISTED).map(|file| path_of(file).clone()).collect())),
    }
}

/// The paths nearest to one that is not there: those whose last name is the same first, then by how few letters differ.
fn near<'p>(paths: impl Iterator<Item = &'p String>, wanted: &str) -> Vec<String> {
    let last = |path: &str| path.rsplit('/').next().unwrap_or_default().to_owned();
    let name = last(wanted);
    let mut ranked: Vec<(Reverse<bool>, usize, &String)> = paths
        .map(|path| {
            let lower = path.to_lowercase();
            (Reverse(last(&lower) == name), distance(&lower, wanted), path)
        })
        .collect();
    ranked.sort();
    ranked.into_iter().take(LISTED).map(|(_, _, path)| path.clone()).collect()
}

/// How many letters have to be put in, taken out or changed between two texts, of the first 64 of each.
fn distance(one: &str, other: &str) -> usize {
    const LETTERS: usize = 64;
    let other: Vec<char> = other.chars().take(LETTERS).collect();
    let mut row: Vec<usize> = (0..=other.len()).collect();
    for (above, letter) in one.chars().take(LETTERS).enumerate() {
        let mut corner = above;
        row[0] = above + 1;
        for (index, theirs) in other.iter().enumerate() {
            let changed = corner + usize::from(letter != *theirs);
            corner = row[index + 1];
            row[index + 1] = changed.min(row[index] + 1).min(corner + 1);
        }
    }
    row[other.len()]
}

/// Opens what a person names: a file of any length, or else a content of the vault by id or name.
///
/// # Errors
/// [`JobError::ImageFile`], [`JobError::Vault`].
pub(crate) fn open(bench: &Path, given: &str) -> Result<FileSource, JobError> {
    match Given::find(bench, given)? {
        Given::File(path) => open_file(&path),
        Given::Kept(vault, id) => open_kept(&vault, &id),
    }
}

/// Opens a regular file.
///
/// # Errors
/// [`JobError::ImageFile`].
pub(crate) fn open_file(path: &Path) -> Result<FileSource, JobError> {
    let unread = |error: &dyn fmt::Display| JobError::ImageFile { path: path.to_path_buf(), why: error.to_string() };
    // Looked at before it is opened: to open a pipe would wait for its other end.
    if std::fs::metadata(path).is_ok_and(|meta| !meta.is_file()) {
        return Err(unread(&"it is no file but a folder, a device or a pipe"));
    }
    let file = File::open(path).map_err(|error| unread(&error))?;
    FileSource::new(file).map_err(|error| unread(&error))
}

/// Opens a content of the vault, in a file that has no name and is gone with this program.
pub(crate) fn open_kept(vault: &Vault, id: &Digest) -> Result<FileSource, JobError> {
    let io =
        |source| JobError::Io { doing: "write a file without a name in", path: vault.root().to_path_buf(), source };
    let mut file = tempfile::tempfile_in(vault.root()).map_err(io)?;
    vault.read(id, &mut file)?;
    FileSource::new(file)
        .map_err(|error| JobError::ImageFile { path: vault.root().to_path_buf(), why: error.to_string() })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_distance_is_the_number_of_letters_to_change() {
        // The textbook's example of this distance (Levenshtein 1966, from memory).
        assert_eq!(distance("kitten", "sitting"), 3);
        assert_eq!((distance("", "abc"), distance("abc", ""), distance("abc", "abc")), (3, 3, 0));
    }

    #[test]
    fn names_that_are_meant_come_first() {
        let files: Vec<String> =
            ["/a/MAIN.ROM", "/b/other.bin", "/MAIN.CAP", "/twice", "/TWICE"].map(str::to_owned).to_vec();
        let find = |path: &str| named(&files, |file| file, path);
        assert_eq!(find("/a/main.rom").expect("letters differ in case alone"), "/a/MAIN.ROM");
        assert_eq!(find("/twice").expect("exactly so"), "/twice");
        assert!(matches!(find("/Twice"), Err(Why::Several(both)) if both.len() == 2));
        let Err(Why::NoFile { count: 5, near }) = find("/main.rom") else { panic!("there is none") };
        assert_eq!(near[..2], ["/a/MAIN.ROM", "/MAIN.CAP"], "the same name elsewhere, then the nearest");
    }
}
