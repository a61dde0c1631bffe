//! What a walk through an archive collects: names, sizes, refusals, and the content that was asked for.

use std::collections::HashSet;
use std::io::{self, Read, Write};

use super::name::{checked, shown};
use super::{ArchiveError, Budget, Finding, Listing, Member};

/// Takes each member as the walk meets it.
pub(super) struct Collector<'a> {
    listing: Listing,
    budget: Budget,
    seen: HashSet<String>,
    name_bytes: u64,
    nodes: u64,
    wanted: Option<Wanted<'a>>,
    written: Option<u64>,
}

/// The member that was asked for, and where its content goes.
pub(super) struct Wanted<'a> {
    pub(super) path: &'a str,
    pub(super) out: &'a mut dyn Write,
    /// The most that may be written.
    pub(super) most: u64,
}

impl<'a> Collector<'a> {
    pub(super) fn new(budget: Budget, wanted: Option<Wanted<'a>>) -> Self {
        let listing = Listing { kind: String::new(), members: Vec::new(), findings: Vec::new(), whole: true };
        Self { listing, budget, seen: HashSet::new(), name_bytes: 0, nodes: 0, wanted, written: None }
    }

    /// Says what it is.
    pub(super) fn is_a(&mut self, kind: &str) {
        kind.clone_into(&mut self.listing.kind);
    }

    /// Counts a node: a member, a folder, a header.
    pub(super) fn count(&mut self) -> Result<(), ArchiveError> {
        self.nodes += 1;
        if self.nodes > self.budget.nodes {
            return Err(ArchiveError::Budget { what: "members", most: self.budget.nodes });
        }
        Ok(())
    }

    /// Takes a regular file; writes its content out when it is the wanted one.
    pub(super) fn file(&mut self, raw: &[u8], size: u64, content: &mut dyn Read) -> Result<(), ArchiveError> {
        if self.enter(raw, size)? {
            let written = self.write(size, content)?;
            if written != size {
                return Err(ArchiveError::Damaged {
                    kind: "archive",
                    why: format!("{} ends after {written} of {size} bytes", shown(raw)),
                });
            }
        }
        Ok(())
    }

    /// Takes the one member of a stream, whose size nobody knows before its end.
    pub(super) fn only(&mut self, path: &str, content: &mut dyn Read) -> Result<(), ArchiveError> {
        let wanted = self.enter(path.as_bytes(), 0)?;
        let mut counted = Counted { inner: content, count: 0 };
        if wanted {
            self.write(0, &mut counted)?;
        }
        io::copy(&mut counted, &mut io::sink()).map_err(ArchiveError::from_read)?;
        if let Some(member) = self.listing.members.last_mut() {
            member.size = counted.count;
        }
        Ok(())
    }

    /// Enters a regular file into the list; returns whether it is the wanted one.
    pub(super) fn enter(&mut self, raw: &[u8], size: u64) -> Result<bool, ArchiveError> {
        let path = match checked(raw) {
            Ok(path) => path,
            Err(why) => {
                self.refuse(raw, why);
                return Ok(false);
            }
        };
        self.name_bytes += path.len() as u64;
        if self.name_bytes > self.budget.names {
            return Err(ArchiveError::Budget { what: "bytes of names", most: self.budget.names });
        }
        let wanted = self.wanted.as_ref().is_some_and(|wanted| wanted.path == path);
        if !self.seen.insert(path.clone()) {
            if wanted {
                return Err(ArchiveError::Refused { path, why: "two members have this name".into() });
            }
            self.refuse(raw, "another member has this name");
            return Ok(false);
        }
        self.listing.members.push(Member { path, size });
        Ok(wanted)
    }

    /// Writes the wanted member's content out; returns its bytes. `stated` may be less than what comes.
    pub(super) fn write(&mut self, stated: u64, content: &mut dyn Read) -> Result<u64, ArchiveError> {
        let Some(wanted) = &mut self.wanted else { return Ok(0) };
        let spent = ArchiveError::Budget { what: "bytes of this member", most: wanted.most };
        if stated > wanted.most {
            return Err(spent);
        }
        let mut buffer = vec![0; 1 << 16];
        let mut written = 0_u64;
        loop {
            let read = match content.read(&mut buffer) {
                Ok(0) => break,
                Ok(read) => read,
                Err(error) if error.kind() == io::ErrorKind::Interrupted => continue,
                Err(error) => return Err(ArchiveError::from_read(error)),
            };
            written += read as u64;
            if written > wanted.most {
                return Err(spent);
            }
            wanted.out.write_all(&buffer[..read]).map_err(ArchiveError::Write)?;
        }
        self.written = Some(written);
        Ok(written)
    }

    /// Enters a member that is left alone.
    pub(super) fn refuse(&mut self, raw: &[u8], why: &'static str) {
        // Every refused member is a node, so the budget of nodes holds here too.
        self.listing.findings.push(Finding { path: shown(raw), why: why.to_owned() });
    }

    /// Ends the walk.
    pub(super) fn done(self, ended: Result<(), ArchiveError>) -> Walked {
        Walked { listing: self.listing, written: self.written, ended }
    }
}

/// What a walk leaves.
pub(super) struct Walked {
    pub(super) listing: Listing,
    /// Bytes of the wanted member, when it was met.
    pub(super) written: Option<u64>,
    /// How the walk ended: the list may be cut.
    pub(super) ended: Result<(), ArchiveError>,
}

/// A reader that counts.
struct Counted<R> {
    inner: R,
    count: u64,
}

impl<R: Read> Read for Counted<R> {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        let read = self.inner.read(buffer)?;
        self.count += read as u64;
        Ok(read)
    }
}
