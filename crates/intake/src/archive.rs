//! Members of archives: tar, zip, and single files compressed with gzip, xz or zstd.
//!
//! A compressed tar archive shows the members of the tar; anything else that is compressed has one member, [`CONTENT`]. An archive
//! inside an archive is a member like any other: open it, and look into what came out.
//!
//! A caller must know: nothing is ever written to a path that an archive names. Only regular files are members; links, devices and
//! pipes, names that lead elsewhere and names that occur twice are findings and cannot be opened. When a function returns an error,
//! what it wrote is to be thrown away.
//!
//! Budgets (safety rule S10), where `input` is the source's length:
//!
//! | what | most |
//! |---|---|
//! | content held in memory, and a decoder's window (64 MiB at least, as far as it is filled) | 2 x input + 32 MiB |
//! | everything that is decoded on the way, and a member that goes into a file | 4 x input + 1 GiB |
//! | members and headers | 64,000 |
//! | a name; all names | 1024 bytes; 16 MiB |
//!
//! What a reader would question: no limit on the ratio of what comes out to what went in. An erased chip of 16 MiB packs to
//! 3 KB, and that is an honest file.

mod collect;
mod name;
mod stream;
mod tar;
mod zip;

use std::io::{self, Cursor, Read, Seek, SeekFrom, Write};

use self::collect::{Collector, Walked, Wanted};
use self::stream::{Metered, Packing, Spent};
use self::zip::Directory;

/// The one member of a compressed file that is no tar archive.
pub const CONTENT: &str = "content";

/// How deep archives may lie in each other.
pub const DEEPEST: usize = 8;

/// A regular file in an archive.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Member {
    /// Its path, with single slashes, without a leading one.
    pub path: String,
    /// Its bytes, unpacked.
    pub size: u64,
}

/// Something in an archive that is left alone.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Finding {
    /// Its name, made fit to be shown; empty when it is about the archive.
    pub path: String,
    /// Why it is left alone.
    pub why: String,
}

/// What is in an archive.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Listing {
    /// What it is: `tar`, `zip`, `tar in xz`, `gzip`.
    pub kind: String,
    /// Its members, in its order.
    pub members: Vec<Member>,
    /// What is left alone.
    pub findings: Vec<Finding>,
    /// Whether this is all of it; not so once a budget was spent.
    pub whole: bool,
}

/// Why an archive does not give what was asked for.
#[derive(Debug, thiserror::Error)]
pub enum ArchiveError {
    /// It is none that is known here.
    #[error("it is no archive that is known here (tar, zip, gzip, xz, zstd)")]
    NotAnArchive,
    /// It breaks its format.
    #[error("this {kind} is damaged: {why}")]
    Damaged {
        /// Which format.
        kind: &'static str,
        /// What is wrong.
        why: String,
    },
    /// It would take more than it may.
    #[error("it has more than {most} {what}, the most that is unpacked here")]
    Budget {
        /// What there is too much of.
        what: &'static str,
        /// The limit.
        most: u64,
    },
    /// The member is not there.
    #[error("it has no member `{path}`")]
    NoMember {
        /// What was asked for.
        path: String,
    },
    /// The member is there and cannot be used.
    #[error("its member `{path}` is not used: {why}")]
    Refused {
        /// The member.
        path: String,
        /// Why.
        why: String,
    },
    /// The source cannot be read.
    #[error("it cannot be read")]
    Read(#[source] io::Error),
    /// The content cannot be written out.
    #[error("its member cannot be written out")]
    Write(#[source] io::Error),
}

impl ArchiveError {
    /// Sorts what a reader of content ends with: a spent budget, damage, or the system.
    fn from_read(error: io::Error) -> Self {
        if let Some(spent) = error.get_ref().and_then(|cause| cause.downcast_ref::<Spent>()) {
            return Self::Budget { what: "bytes", most: spent.most };
        }
        match error.kind() {
            // What decoders say of data that they cannot take, and of a dictionary over the limit.
            io::ErrorKind::InvalidData | io::ErrorKind::InvalidInput | io::ErrorKind::UnexpectedEof => {
                Self::Damaged { kind: "archive", why: error.to_string() }
            }
            io::ErrorKind::OutOfMemory => Self::Damaged { kind: "archive", why: "it asks for too much memory".into() },
            io::ErrorKind::Other if error.raw_os_error().is_none() => {
                Self::Damaged { kind: "archive", why: error.to_string() }
            }
            _ => Self::Read(error),
        }
    }
}

/// The budgets for one source.
#[derive(Debug, Clone, Copy)]
struct Budget {
    live: u64,
    streamed: u64,
    nodes: u64,
    names: u64,
}

impl Budget {
    fn of(input: u64) -> Self {
        Self {
            live: input.saturating_mul(2).saturating_add(32 << 20),
            streamed: input.saturating_mul(4).saturating_add(1 << 30),
            nodes: 64_000,
            names: 16 << 20,
        }
    }
}

/// Returns the most that content unpacked from so many bytes may take in memory.
#[must_use]
pub fn most_live(input: u64) -> u64 {
    Budget::of(input).live
}

/// Returns the members of an archive that can be opened, in its order.
///
/// # Errors
/// [`ArchiveError::NotAnArchive`]; [`ArchiveError::Budget`]; [`ArchiveError::Damaged`]; [`ArchiveError::Read`].
pub fn members<S: Read + Seek>(source: &mut S) -> Result<Vec<Member>, ArchiveError> {
    let budget = Budget::of(length(source)?);
    let walked = walk(source, budget, None)?;
    walked.ended.map(|()| walked.listing.members)
}

/// Returns what is in an archive, with what is left alone. A spent budget or damage on the way is a finding, and ends the list.
///
/// # Errors
/// [`ArchiveError::NotAnArchive`]; [`ArchiveError::Read`].
pub fn list<S: Read + Seek>(source: &mut S) -> Result<Listing, ArchiveError> {
    let budget = Budget::of(length(source)?);
    list_within(source, budget)
}

/// Returns the content of a member.
///
/// # Errors
/// [`ArchiveError::NoMember`]; [`ArchiveError::Budget`] for a member that is too large to be held in memory; as [`members`].
pub fn open<S: Read + Seek>(source: &mut S, path: &str) -> Result<Vec<u8>, ArchiveError> {
    let budget = Budget::of(length(source)?);
    let mut bytes = Vec::new();
    take(source, Wanted { path, out: &mut bytes, most: budget.live }, budget)?;
    Ok(bytes)
}

/// Writes the content of a member out, without holding it; returns its bytes.
///
/// # Errors
/// [`ArchiveError::Write`]; as [`open`].
pub fn copy<S: Read + Seek>(source: &mut S, path: &str, out: &mut dyn Write) -> Result<u64, ArchiveError> {
    let budget = Budget::of(length(source)?);
    take(source, Wanted { path, out, most: budget.streamed }, budget)
}

fn list_within<S: Read + Seek>(source: &mut S, budget: Budget) -> Result<Listing, ArchiveError> {
    let walked = walk(source, budget, None)?;
    let mut listing = walked.listing;
    match walked.ended {
        Ok(()) => {}
        Err(error @ ArchiveError::Read(_)) => return Err(error),
        Err(error) => {
            listing.whole = false;
            listing.findings.push(Finding { path: String::new(), why: error.to_string() });
        }
    }
    Ok(listing)
}

fn take<S: Read + Seek>(source: &mut S, wanted: Wanted<'_>, budget: Budget) -> Result<u64, ArchiveError> {
    let path = wanted.path.to_owned();
    let walked = walk(source, budget, Some(wanted))?;
    walked.ended?;
    if let Some(written) = walked.written {
        return Ok(written);
    }
    match walked.listing.findings.into_iter().find(|finding| finding.path == path) {
        Some(finding) => Err(ArchiveError::Refused { path, why: finding.why }),
        None => Err(ArchiveError::NoMember { path }),
    }
}

fn length<S: Seek>(source: &mut S) -> Result<u64, ArchiveError> {
    source.seek(SeekFrom::End(0)).map_err(ArchiveError::Read)
}

/// Goes through an archive once: lists it, and writes the wanted member out on the way.
fn walk<S: Read + Seek>(source: &mut S, budget: Budget, wanted: Option<Wanted<'_>>) -> Result<Walked, ArchiveError> {
    let len = length(source)?;
    source.rewind().map_err(ArchiveError::Read)?;
    let head = first_block(source)?;
    source.rewind().map_err(ArchiveError::Read)?;
    let mut collector = Collector::new(budget, wanted);
    if let Some(packing) = Packing::of(&head) {
        let ended = unpack(source, packing, budget, &mut collector);
        return Ok(collector.done(ended));
    }
    if tar::is_head(&head) {
        collector.is_a("tar");
        let ended = tar::walk(source, &mut collector);
        return Ok(collector.done(ended));
    }
    let Some(directory) = Directory::find(source, len)? else { return Err(ArchiveError::NotAnArchive) };
    collector.is_a("zip");
    let ended = directory.walk(source, budget.live, &mut collector);
    Ok(collector.done(ended))
}

/// Goes through a compressed stream, to its end: the sums of what it holds stand there.
fn unpack<S: Read>(
    source: &mut S,
    packing: Packing,
    budget: Budget,
    collector: &mut Collector<'_>,
) -> Result<(), ArchiveError> {
    collector.is_a(packing.name());
    let mut content = Metered::new(packing.decoder(source, budget.live)?, budget.streamed);
    let head = first_block(&mut content)?;
    let mut content = Cursor::new(&head).chain(content);
    if tar::is_head(&head) {
        collector.is_a(&format!("tar in {}", packing.name()));
        tar::walk(&mut content, collector)?;
    } else {
        collector.only(CONTENT, &mut content)?;
    }
    io::copy(&mut content, &mut io::sink()).map_err(ArchiveError::from_read)?;
    Ok(())
}

fn first_block(source: &mut impl Read) -> Result<Vec<u8>, ArchiveError> {
    let mut head = Vec::new();
    source.take(512).read_to_end(&mut head).map_err(ArchiveError::from_read)?;
    Ok(head)
}

#[cfg(test)]
mod tests;
