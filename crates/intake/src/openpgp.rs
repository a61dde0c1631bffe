//! OpenPGP signatures: detached, inline and cleartext, held against a key that somebody has.
//!
//! Source: RFC 9580, sections 5.2.3 (subpackets), 5.2.1 (types), 7 (cleartext), 10.1 (transferable keys), 9.5 (hashes); parsing
//! and arithmetic are the crate `pgp`. What counts is decided here:
//!
//! - the key is bound by its own signature, with a strong hash, not revoked by itself, and expired neither when it signed nor now;
//!   a subkey the same, allowed to sign, and with its own signature that it belongs to the main key;
//! - the signature is over bytes or text, with SHA-256 or stronger, not from the future, not expired, and asks for nothing that is
//!   not understood here.
//!
//! What a reader would question: any revocation counts for everything that a key ever signed, whatever reason it gives. Who signs
//! afresh with a new key costs a reader little; to tell a good old signature from a forged one with a lost key is not possible. And
//! there is no web of trust: which key is whose, the bench's pins say.

mod key;
mod message;

use std::io::{BufReader, Cursor, Read};

use pgp::armor::{BlockType, Dearmor};
use pgp::packet::{Packet, PacketParser, Signature, SignatureType, SubpacketData};

pub use self::key::Key;
use self::key::Signer;
pub use self::message::{Form, Opened, is_cleartext, is_message, look, open, open_cleartext, open_inline, recognise};
use crate::proof::{Proof, Scheme, SignatureError};

/// The largest signature or key file, in bytes.
pub const LARGEST: u64 = 4 << 20;
/// Clocks of benches differ.
const CLOCKS_DIFFER: u64 = 24 * 60 * 60;
/// Signatures in a signature file or a message.
const MOST_SIGNATURES: usize = 16;
/// Packets in a file; a key that many have signed has thousands.
const MOST_PACKETS: usize = 64_000;

/// A signature that is by the key it is held against and may count; what it is over was not looked at yet.
#[derive(Debug)]
pub struct Chosen {
    signature: Signature,
    signer: Signer,
    proof: Proof,
}

impl Chosen {
    /// Reads a detached signature, armoured or binary, and holds it against a key. `now` is in seconds since 1970.
    ///
    /// # Errors
    /// [`SignatureError::NoSignature`]; [`SignatureError::OtherKey`]; [`SignatureError::Key`]; [`SignatureError::Policy`].
    pub fn new(bytes: &[u8], key: &Key, now: u64) -> Result<Self, SignatureError> {
        let mut signatures = Vec::new();
        for packet in packets(bytes)? {
            match packet {
                Packet::Signature(signature) => signatures.push(signature),
                _ => return Err(no_signature("it holds something else than signatures")),
            }
        }
        choose(signatures, key, now)
    }

    /// Verifies the signature over all that `source` yields.
    ///
    /// # Errors
    /// [`SignatureError::Wrong`]; [`SignatureError::Read`].
    pub fn verify(&self, source: &mut dyn Read) -> Result<Proof, SignatureError> {
        let mut source = Remembering { inner: source, error: None };
        let verified = self.signer.verify(&self.signature, &mut source);
        match (verified, source.error) {
            (_, Some(error)) => Err(SignatureError::Read(error)),
            (true, None) => Ok(self.proof.clone()),
            (false, None) => Err(SignatureError::Wrong),
        }
    }
}

/// A reader that keeps its error: the crate that verifies tells it no more.
struct Remembering<'a> {
    inner: &'a mut dyn Read,
    error: Option<std::io::Error>,
}

impl Read for Remembering<'_> {
    fn read(&mut self, buffer: &mut [u8]) -> std::io::Result<usize> {
        self.inner.read(buffer).map_err(|error| {
            let kind = error.kind();
            self.error = Some(error);
            kind.into()
        })
    }
}

/// Picks the signature by this key and weighs it.
fn choose(signatures: Vec<Signature>, key: &Key, now: u64) -> Result<Chosen, SignatureError> {
    if signatures.is_empty() {
        return Err(no_signature("it holds no signature"));
    }
    // Each one by this key costs a look at all that binds the key.
    if signatures.len() > MOST_SIGNATURES {
        return Err(no_signature("it holds more than 16 signatures"));
    }
    let mut others = Vec::new();
    let mut refused = None;
    for signature in signatures {
        let Some(part) = key.part_of(&signature) else {
            others.push(issuer(&signature));
            continue;
        };
        // Of several signatures by this key one that counts is enough: a signer may add one of an older kind.
        match weigh(&signature, now).and_then(|made| key.signer(part, made, now).map(|signer| (made, signer))) {
            Ok((made, signer)) => {
                let proof = Proof {
                    scheme: Scheme::OpenPgp,
                    fingerprint: key.fingerprint(),
                    user: key.user(),
                    comment: None,
                    made_at: Some(made),
                    hash: signature.hash_alg().map(|hash| hash.to_string()).unwrap_or_default(),
                };
                return Ok(Chosen { signature, signer, proof });
            }
            Err(error) => refused = Some(error),
        }
    }
    others.dedup();
    Err(refused.unwrap_or_else(|| SignatureError::OtherKey { signer: others.join(", "), key: key.fingerprint() }))
}

/// Weighs a signature by what it says of itself; returns when it was made.
fn weigh(signature: &Signature, now: u64) -> Result<u64, SignatureError> {
    let no = |why: String| SignatureError::Policy { why };
    if !matches!(signature.typ(), Some(SignatureType::Binary | SignatureType::Text)) {
        return Err(no("it is not over a file".into()));
    }
    if !key::is_strong(signature) {
        let hash = signature.hash_alg().map(|hash| hash.to_string()).unwrap_or_default();
        return Err(no(format!("its hash is {hash}, and two files with one such hash can be made on purpose")));
    }
    let made =
        signature.created().map(|time| u64::from(time.as_secs())).ok_or_else(|| no("it bears no time".into()))?;
    if made > now + CLOCKS_DIFFER {
        return Err(no("it is from the future; look at the clock of this computer".into()));
    }
    let lasts = signature.signature_expiration_time().map(|time| u64::from(time.as_secs())).filter(|lasts| *lasts > 0);
    if lasts.is_some_and(|lasts| made + lasts <= now) {
        return Err(no("it has expired".into()));
    }
    if signature
        .config()
        .is_none_or(|config| config.hashed_subpackets().any(|part| part.is_critical && is_strange(&part.data)))
    {
        return Err(no("it asks for something that is not understood here".into()));
    }
    Ok(made)
}

fn is_strange(data: &SubpacketData) -> bool {
    matches!(data, SubpacketData::Notation(_) | SubpacketData::Experimental(..) | SubpacketData::Other(..))
}

/// Who signed, as the signature says.
fn issuer(signature: &Signature) -> String {
    let print = signature.issuer_fingerprint().first().map(|print| format!("{print:X}"));
    let id = || signature.issuer_key_id().first().map(|id| id.to_string().to_uppercase());
    print.or_else(id).map_or_else(|| "an unnamed key".into(), |id| format!("the key {id}"))
}

/// Returns the packets of a signature file, armoured or binary.
fn packets(bytes: &[u8]) -> Result<Vec<Packet>, SignatureError> {
    if bytes.len() as u64 > LARGEST {
        return Err(no_signature("it is too long"));
    }
    let start = bytes.trim_ascii_start();
    if !start.starts_with(b"-----BEGIN PGP") {
        return parsed(bytes);
    }
    let mut armour = Dearmor::new(BufReader::new(Cursor::new(start)));
    armour.read_header().map_err(|_| no_signature("its armour is damaged"))?;
    if armour.typ != Some(BlockType::Signature) {
        return Err(no_signature("its armour announces something else"));
    }
    let mut binary = Vec::new();
    armour.read_to_end(&mut binary).map_err(|_| no_signature("its armour is damaged"))?;
    parsed(&binary)
}

fn parsed(bytes: &[u8]) -> Result<Vec<Packet>, SignatureError> {
    let found: Result<Vec<Packet>, _> = PacketParser::new(Cursor::new(bytes)).take(MOST_PACKETS).collect();
    match found {
        Ok(found) if !found.is_empty() => Ok(found),
        _ => Err(no_signature("it is damaged, or no OpenPGP at all")),
    }
}

fn no_signature(why: &str) -> SignatureError {
    SignatureError::NoSignature { why: why.to_owned() }
}

#[cfg(test)]
mod tests;
