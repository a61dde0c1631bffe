//! Who vouches for a file: signature, list, hash, and the order in which they are asked.
//!
//! What can be refused without reading the file is refused first: a list that does not mention it, a key that has changed, a
//! signature by somebody else. Only then is a large file read.
//!
//! A file that is an OpenPGP signed message is opened and its content kept, when a key is at hand or its name says what it is.
//! List and hash are about the message, as it lies there, as of an archive. With `--signature` beside it, it is a file like any other.

use std::path::Path;

use intake::digest::Sum;
use intake::keys::Pins;
use intake::list::{Entry, List, needed};
use intake::openpgp::Form;
use intake::proof::{Proof, Scheme, SignatureError};
use intake::{list, minisign, openpgp};
use vault::Vault;

use super::pins::{self, Fresh};
use super::{IntakeError, IntakeRequest, read_small};
use crate::error::JobError;

/// A file that was read whole: a list, a signature, a key.
#[derive(Debug, Clone)]
pub(super) struct Paper {
    pub(super) name: String,
    pub(super) bytes: Vec<u8>,
}

/// What a signature covers.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Over {
    File,
    /// What is inside the file, which is a message.
    Message,
    List,
}

/// A signature that can count, and whose hash over the file is still to come where it is over the file.
pub(super) enum Held {
    OpenPgp(Box<openpgp::Chosen>),
    Minisign(Box<minisign::Chosen>),
}

impl Held {
    pub(super) fn verify(&self, source: &mut dyn std::io::Read) -> Result<Proof, SignatureError> {
        match self {
            Self::OpenPgp(chosen) => chosen.verify(source),
            Self::Minisign(chosen) => chosen.verify(source),
        }
    }
}

/// Everything that vouches, as far as it is known before the file is read.
#[derive(Default)]
pub(super) struct Papers {
    pub(super) list: Option<Paper>,
    pub(super) signature: Option<Paper>,
    pub(super) key: Option<Paper>,
    /// Entries about the file: of the list, and the hash that was given by itself.
    pub(super) entries: Vec<Entry>,
    /// The list as read, to say what else it has.
    pub(super) whole_list: Option<List>,
    /// A signature over the file itself.
    pub(super) held: Option<Held>,
    /// The key for the signature inside the file, which is a message.
    pub(super) message: Option<Box<openpgp::Key>>,
    /// A signature over the list, which holds.
    pub(super) list_proof: Option<Proof>,
    /// Whether the key is pinned already.
    pub(super) known: bool,
    /// The key's own word: fingerprint and user.
    pub(super) print: Option<(Scheme, String, Option<String>)>,
}

impl Papers {
    /// Reads list, signature and key, and holds them against each other.
    pub(super) fn gather(
        vault: &Vault,
        pins: &Pins,
        request: &IntakeRequest,
        file_name: &str,
        form: Option<Form>,
        now: u64,
    ) -> Result<Self, JobError> {
        let read =
            |path: &Option<std::path::PathBuf>, most| path.as_ref().map(|path| Paper::read(path, most)).transpose();
        let mut papers = Self {
            list: read(&request.list, list::LARGEST)?,
            signature: read(&request.signature, openpgp::LARGEST)?,
            key: read(&request.key, openpgp::LARGEST)?,
            ..Self::default()
        };
        let inside = papers.list.as_ref().is_some_and(|list| is_signed_inside(&list.bytes));
        let form = papers.form(pins, request, file_name, form, inside)?;
        if papers.signature.is_some() || inside || form.is_some() {
            papers.hold(vault, pins, request, form.is_some(), now)?;
        } else if papers.key.is_some() {
            return Err(IntakeError::NoSignature.into());
        }
        if let Some(paper) = &papers.list {
            let text = papers.whole_list.take().map_or_else(|| List::parse(&paper.bytes), Ok);
            let list = text.map_err(IntakeError::List)?;
            match list.about(file_name) {
                Ok(found) => papers.entries.extend(found.into_iter().cloned()),
                // Which name it has there, the file's hashes tell.
                Err(list::ListError::NotMentioned { .. }) => {}
                Err(error) => return Err(IntakeError::List(error).into()),
            }
            papers.whole_list = Some(list);
        }
        if let Some(given) = &request.expect {
            papers.entries.push(Entry::bare(given).map_err(IntakeError::List)?);
        }
        Ok(papers)
    }

    /// Tells whether the file is a message that is to be opened, and returns its form then.
    ///
    /// # Errors
    /// [`IntakeError::NoMessage`] for what is of OpenPGP and holds nothing signed, where a message is expected;
    /// [`IntakeError::MessageAlone`] where nobody says by whose key.
    fn form(
        &self,
        pins: &Pins,
        request: &IntakeRequest,
        file_name: &str,
        form: Option<Form>,
        list_is_signed: bool,
    ) -> Result<Option<Form>, IntakeError> {
        let Some(form) = form.filter(|_| self.signature.is_none()) else { return Ok(None) };
        let file = || file_name.to_owned();
        let named = message_name(file_name).is_some();
        let pinned = request.origin.as_deref().is_some_and(|origin| pins.pinned(origin, Scheme::OpenPgp).is_some());
        if !form.is_signed() {
            let expected = named || (self.key.is_some() && !list_is_signed);
            return if expected { Err(IntakeError::NoMessage { file: file(), form }) } else { Ok(None) };
        }
        match (self.key.is_some() || pinned, named) {
            (true, _) => Ok(Some(form)),
            (false, true) => Err(IntakeError::MessageAlone { file: file() }),
            (false, false) => Ok(None),
        }
    }

    /// Whether there is a list that does not mention the file.
    pub(super) fn unmentioned(&self) -> bool {
        self.whole_list.is_some() && self.entries.iter().all(|entry| entry.line == 0)
    }

    /// The hashes that have to be computed beside the usual ones.
    pub(super) fn needed(&self) -> Vec<Sum> {
        needed(&self.entries.iter().collect::<Vec<_>>())
    }

    /// Holds the signature against the key that was given, or the pinned one.
    fn hold(
        &mut self,
        vault: &Vault,
        pins: &Pins,
        request: &IntakeRequest,
        is_message: bool,
        now: u64,
    ) -> Result<(), JobError> {
        let origin = request.origin.as_deref().ok_or(IntakeError::NoOrigin)?;
        let scheme = match &self.signature {
            Some(paper) if minisign::is_signature(&paper.bytes) => Scheme::Minisign,
            _ => Scheme::OpenPgp,
        };
        if self.key.is_none() {
            let no_key = || IntakeError::NoKey { origin: origin.to_owned() };
            let pin = pins.pinned(origin, scheme).ok_or_else(no_key)?;
            let bytes = vault.read_vec(&pin.content.parse()?)?;
            self.key = Some(Paper { name: format!("key of {origin}"), bytes });
            // A file of pins that somebody wrote to by hand must not name one key and use another.
            let (_, print, _) = fingerprint(scheme, &self.key.as_ref().expect("just set").bytes)?;
            if print != pin.key {
                return Err(IntakeError::PinnedKey { origin: origin.to_owned() }.into());
            }
        }
        let key = &self.key.as_ref().expect("given or pinned").bytes;
        let print = fingerprint(scheme, key)?;
        let fresh = Fresh { origin, scheme, key: &print.1, user: print.2.as_deref() };
        self.known = pins::is_known(pins, &fresh, request.change_key)?;
        if is_message {
            self.message = Some(Box::new(openpgp::Key::parse(key).map_err(IntakeError::Signature)?));
        }
        match (&self.signature, &self.list) {
            (Some(signature), list) => {
                let held = match scheme {
                    Scheme::Minisign => {
                        let key = minisign::Key::parse(key).map_err(IntakeError::Signature)?;
                        let chosen = minisign::Chosen::new(&signature.bytes, &key);
                        Held::Minisign(Box::new(chosen.map_err(IntakeError::Signature)?))
                    }
                    Scheme::OpenPgp => {
                        let key = openpgp::Key::parse(key).map_err(IntakeError::Signature)?;
                        let chosen = openpgp::Chosen::new(&signature.bytes, &key, now);
                        Held::OpenPgp(Box::new(chosen.map_err(IntakeError::Signature)?))
                    }
                };
                // It covers the list or the file; only one of them can fit.
                match list.as_ref().map(|list| held.verify(&mut list.bytes.as_slice())) {
                    Some(Ok(proof)) => self.list_proof = Some(proof),
                    None | Some(Err(SignatureError::Wrong)) => self.held = Some(held),
                    Some(Err(error)) => return Err(IntakeError::Signature(error).into()),
                }
            }
            (None, Some(list)) if is_signed_inside(&list.bytes) => {
                let key = openpgp::Key::parse(key).map_err(IntakeError::Signature)?;
                let opened = if openpgp::is_cleartext(&list.bytes) {
                    openpgp::open_cleartext(&list.bytes, &key, now)
                } else {
                    openpgp::open_inline(&list.bytes, &key, now, list::LARGEST)
                };
                let opened = opened.map_err(IntakeError::Signature)?;
                // What stands around the signed part counts for nothing.
                self.whole_list = Some(List::parse(&opened.content).map_err(IntakeError::List)?);
                self.list_proof = Some(opened.proof);
            }
            // The signature is in the file.
            (None, _) => {}
        }
        self.print = Some(print);
        Ok(())
    }
}

impl Paper {
    fn read(path: &Path, most: u64) -> Result<Self, JobError> {
        Ok(Self { name: super::name_of(path), bytes: read_small(path, most)? })
    }
}

/// Returns the name without the ending that says it is a message; none for other names.
pub(super) fn message_name(name: &str) -> Option<&str> {
    let (stem, ending) = name.rsplit_once('.')?;
    let is_one = ["gpg", "pgp", "asc"].iter().any(|known| ending.eq_ignore_ascii_case(known));
    (is_one && !stem.is_empty()).then_some(stem)
}

fn is_signed_inside(list: &[u8]) -> bool {
    openpgp::is_cleartext(list) || openpgp::is_message(list)
}

fn fingerprint(scheme: Scheme, key: &[u8]) -> Result<(Scheme, String, Option<String>), IntakeError> {
    Ok(match scheme {
        Scheme::Minisign => (scheme, minisign::Key::parse(key)?.fingerprint().to_owned(), None),
        Scheme::OpenPgp => {
            let key = openpgp::Key::parse(key)?;
            (scheme, key.fingerprint(), key.user())
        }
    })
}
