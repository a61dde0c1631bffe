//! `media extract`: what a vendor's disc image starts, what stands in it, and one of these as a file.
//!
//! Reading is the room `media`'s. A file is written whole or not at all: under a name of its own first, and under the asked-for one
//! once everything is in it and durable. Nothing is ever written over.

use std::fs::File;
use std::io::{ErrorKind, Read, Write};
use std::path::{Path, PathBuf};

use image::chain::Container;
use media::boot::platform_name;
use media::fat::FatFile;
use media::medium::{Medium, copy};
use media::{Error, Source};
use serde::Serialize;
use sha2::{Digest, Sha256};

use crate::error::JobError;
use crate::text::{about, counted};
use crate::{files, part};

/// What `media extract` is asked.
#[derive(Debug, Clone)]
pub struct ExtractRequest {
    /// The disc image.
    pub medium: PathBuf,
    /// Which of its boot images, counted from 1; none where there is one alone.
    pub image: Option<usize>,
    /// A file inside the boot image, or of the disc's volume, in place of the whole boot image.
    pub inside: Option<String>,
    /// Where it is written; nothing is written without.
    pub out: Option<PathBuf>,
}

/// What a medium is, and what was taken out of it.
#[derive(Debug, Clone, Serialize)]
pub struct ExtractReport {
    /// The medium's file.
    pub medium: PathBuf,
    /// Its bytes.
    pub size: u64,
    /// What it is as a whole, in words.
    pub shape: &'static str,
    /// Its volume's name.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub volume: Option<String>,
    /// What it starts, in the catalogue's order.
    pub images: Vec<ImageReport>,
    /// Its own partitions.
    pub partitions: Vec<PartitionReport>,
    /// Files of its volume, or of the file system that it is.
    pub files: Vec<FileReport>,
    /// What does not follow the rules.
    pub notes: Vec<String>,
    /// What was written.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub written: Option<WrittenReport>,
}

/// A boot image.
#[derive(Debug, Clone, Serialize)]
pub struct ImageReport {
    /// Its number, from 1.
    pub number: usize,
    /// The computers it is for.
    pub platform: &'static str,
    /// Whether it may be started.
    pub bootable: bool,
    /// What it is shown as.
    pub emulation: &'static str,
    /// Its first byte in the medium.
    pub at: u64,
    /// Its bytes.
    pub size: u64,
    /// What the length was taken from, in words.
    pub length_from: &'static str,
    /// Bytes by the catalogue's own count, which is often too small.
    pub catalogue_size: u64,
    /// The file of the volume that it is.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub file: Option<String>,
    /// The kind of its file system.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub file_system: Option<&'static str>,
    /// Files in it.
    pub files: Vec<FileReport>,
}

/// A partition of the medium.
#[derive(Debug, Clone, Serialize)]
pub struct PartitionReport {
    /// Its first byte.
    pub at: u64,
    /// Its bytes.
    pub size: u64,
    /// Its type: two hex digits of the older table, or a GUID.
    #[serde(rename = "type")]
    pub kind: String,
    /// Its name.
    pub name: String,
}

/// A file.
#[derive(Debug, Clone, Serialize)]
pub struct FileReport {
    /// Its path.
    pub path: String,
    /// Its bytes.
    pub size: u64,
}

/// What was written.
#[derive(Debug, Clone, Serialize)]
pub struct WrittenReport {
    /// Where.
    pub file: PathBuf,
    /// Bytes.
    pub size: u64,
    /// SHA-256 of them.
    pub sha256: String,
}

/// Looks into a medium; with a file to write, takes something out of it.
///
/// # Errors
/// [`JobError::ImageFile`] for a medium that cannot be read; [`JobError::BadOption`] for an image or file that is not there;
/// [`JobError::Io`] for what cannot be written.
pub fn extract(request: &ExtractRequest) -> Result<ExtractReport, JobError> {
    let source = part::open_file(&request.medium)?;
    let unread =
        |error: &dyn std::fmt::Display| JobError::ImageFile { path: request.medium.clone(), why: error.to_string() };
    let medium = Medium::read(&source).map_err(|error| unread(&error))?;
    let mut report = report(&request.medium, &medium, &source);
    if let Some(out) = &request.out {
        let way = containers(&medium, &source, request);
        let written = part::follow(&source, &way, &mut |thing| write_whole(out, thing));
        report.written = Some(written.map_err(|error| match error {
            JobError::Part(error) => {
                let what = if error.text.starts_with("boot") { "--image" } else { "--inside" };
                let why = format!("{}; without `--out` everything that can be named is listed", error.why);
                JobError::BadOption { what: what.into(), why }
            }
            other => other,
        })?);
    }
    Ok(report)
}

fn report(path: &Path, medium: &Medium, source: &dyn Source) -> ExtractReport {
    let mut notes = medium.notes.clone();
    let mut read = |files: Result<Vec<FatFile>, Error>| match files {
        Ok(files) => files.into_iter().map(|file| FileReport { path: file.path, size: file.len }).collect(),
        Err(error) => {
            notes.push(error.to_string());
            Vec::new()
        }
    };
    let images = medium.images.iter().enumerate().map(|(index, image)| ImageReport {
        number: index + 1,
        platform: platform_name(image.entry.platform),
        bootable: image.entry.bootable,
        emulation: image.entry.emulation.name(),
        at: image.at,
        size: image.len,
        length_from: image.length_from.name(),
        catalogue_size: u64::from(image.entry.loaded) * 512,
        file: image.file.clone(),
        file_system: image.file_system(source).ok().flatten().map(|(_, fat)| fat.name()),
        files: read(image.files(source)),
    });
    let images = images.collect();
    let mut files: Vec<FileReport> =
        medium.files.iter().map(|file| FileReport { path: file.path.clone(), size: file.len }).collect();
    if let Some(fat) = &medium.fat {
        files.extend(read(fat.files(source)));
    }
    let partitions = medium.table.iter().flat_map(|table| &table.partitions);
    ExtractReport {
        medium: path.to_path_buf(),
        size: medium.len,
        shape: medium.shape().name(),
        volume: medium.volume.as_ref().map(|volume| volume.name.clone()),
        images,
        partitions: partitions
            .map(|part| PartitionReport {
                at: part.at,
                size: part.len,
                kind: part.kind.clone(),
                name: part.name.clone(),
            })
            .collect(),
        files,
        notes,
        written: None,
    }
}

/// The containers that lead to what is asked for.
fn containers(medium: &Medium, source: &dyn Source, request: &ExtractRequest) -> Vec<Container> {
    let boot = Container::Boot(request.image);
    let Some(inside) = &request.inside else { return vec![boot] };
    let path = if inside.starts_with('/') { inside.clone() } else { format!("/{inside}") };
    let lower = path.to_lowercase();
    let is_it = |file: &String| file.to_lowercase() == lower;
    let fat = Container::Fat { partition: None, path: path.clone() };
    // A file that is asked for without saying in which boot image may be the volume's own.
    if request.image.is_none() && medium.files.iter().any(|file| is_it(&file.path)) {
        return vec![Container::Iso(path)];
    }
    let own = request.image.is_none()
        && medium
            .fat
            .is_some_and(|fat| fat.files(source).is_ok_and(|files| files.iter().any(|file| is_it(&file.path))));
    if own { vec![fat] } else { vec![boot, fat] }
}

/// Writes a new file whole or not at all. One that holds the same already is left alone, so that a command can be run again (S2).
pub(crate) fn write_whole(path: &Path, thing: &dyn Source) -> Result<WrittenReport, JobError> {
    let io = |source| JobError::Io { doing: "write", path: path.to_path_buf(), source };
    let mut name = path.file_name().unwrap_or_default().to_os_string();
    name.push(format!(".{}.part", std::process::id()));
    let part = path.with_file_name(name);
    let mut file = File::options().read(true).write(true).create_new(true).open(&part).map_err(io)?;
    let (mut hash, mut size) = (Sha256::new(), 0);
    let written = copy(thing, 0, thing.len(), &mut |piece| {
        hash.update(piece);
        size += piece.len() as u64;
        file.write_all(piece).map_err(|source| Error::Read { at: size, source })
    })
    .map_err(|error| match error {
        Error::Read { source, .. } => io(source),
        error => JobError::ImageFile { path: path.to_path_buf(), why: error.to_string() },
    })
    .and_then(|()| file.sync_all().map_err(io))
    .and_then(|()| match files::take_name(&part, path) {
        Err(error) if error.kind() == ErrorKind::AlreadyExists && same(&part, path) => Ok(()),
        taken => taken.map_err(io),
    });
    drop(file);
    // What is half there is of no use, and what is there under its name needs no second one.
    let _ = std::fs::remove_file(&part);
    written?;
    let sha256 = hash.finalize().iter().map(|byte| format!("{byte:02x}")).collect();
    Ok(WrittenReport { file: path.to_path_buf(), size, sha256 })
}

/// Whether two files hold the same; what cannot be read does not.
fn same(one: &Path, other: &Path) -> bool {
    let (Ok(one), Ok(other)) = (File::open(one), File::open(other)) else { return false };
    let sizes = [&one, &other].map(|file| file.metadata().map(|meta| (meta.is_file(), meta.len())).ok());
    if sizes[0] != sizes[1] || sizes[0].is_none_or(|(is_file, _)| !is_file) {
        return false;
    }
    std::io::BufReader::new(one)
        .bytes()
        .zip(std::io::BufReader::new(other).bytes())
        .all(|(one, other)| matches!((one, other), (Ok(one), Ok(other)) if one == other))
}

impl ExtractReport {
    /// The report for a person.
    #[must_use]
    pub fn text(&self) -> String {
        const MOST_FILES: usize = 12;
        let list = |lines: &mut Vec<String>, indent: &str, files: &[FileReport]| {
            lines.extend(
                files.iter().take(MOST_FILES).map(|file| format!("{indent}{}  {}", file.path, about(file.size))),
            );
            if let Some(more) = files.len().checked_sub(MOST_FILES).filter(|more| *more > 0) {
                lines.push(format!("{indent}and {}", counted(more as u64, "further file")));
            }
        };
        let volume = self.volume.as_ref().map(|name| format!(", volume `{name}`")).unwrap_or_default();
        let mut lines = vec![format!("{}, {}{volume}", self.shape, about(self.size))];
        for image in &self.images {
            let bootable = if image.bootable { "" } else { ", not to be started" };
            let shown = match image.emulation {
                "none" => "started as it is".to_owned(),
                shown => format!("shown as a {shown}"),
            };
            lines.push(format!("image {}: for {}{bootable}, {shown}", image.number, image.platform));
            lines.push(format!("  {} at {:#x}, by {}", about(image.size), image.at, image.length_from));
            if image.catalogue_size < image.size {
                lines
                    .push(format!("  the catalogue counts {} of it, for the start alone", about(image.catalogue_size)));
            }
            let of = image.file.as_ref().map(|file| format!("file {file}"));
            lines.extend(of.into_iter().chain(image.file_system.map(str::to_owned)).map(|line| format!("  {line}")));
            list(&mut lines, "    ", &image.files);
        }
        for part in &self.partitions {
            let name = if part.name.is_empty() { String::new() } else { format!(" `{}`", part.name) };
            lines.push(format!("partition{name} of type {}: {} at {:#x}", part.kind, about(part.size), part.at));
        }
        if !self.files.is_empty() {
            lines.push(counted(self.files.len() as u64, "file"));
            list(&mut lines, "  ", &self.files);
        }
        lines.extend(self.notes.iter().map(|note| format!("note: {note}")));
        if let Some(written) = &self.written {
            lines.push(format!("written: {}, {} bytes", written.file.display(), written.size));
            lines.push(format!("  SHA-256 {}", written.sha256));
        }
        lines.join("\n")
    }
}
