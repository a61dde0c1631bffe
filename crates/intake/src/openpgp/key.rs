//! OpenPGP keys: which of a key's parts may sign, and when.

use std::io::{Cursor, Read};

use pgp::composed::{Deserializable, SignedPublicKey, SignedPublicSubKey};
use pgp::crypto::hash::HashAlgorithm;
use pgp::packet::{Signature, SignatureType, SubpacketData};
use pgp::ser::Serialize;
use pgp::types::{KeyDetails, PublicParams, Tag};

use super::LARGEST;
use crate::proof::{SignatureError, shown};

/// A public key with all its parts.
#[derive(Debug, Clone)]
pub struct Key {
    key: SignedPublicKey,
}

/// A part of a key: the main key, or a subkey by its place.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Part {
    Main,
    Sub(usize),
}

/// A part that may sign.
#[derive(Debug)]
pub(super) struct Signer {
    key: SignedPublicKey,
    part: Part,
}

impl Signer {
    /// Tells whether this part made the signature over what `source` yields.
    pub(super) fn verify(&self, signature: &Signature, source: &mut dyn Read) -> bool {
        match self.part {
            Part::Main => signature.verify(&self.key.primary_key, source).is_ok(),
            Part::Sub(place) => signature.verify(&self.key.public_subkeys[place].key, source).is_ok(),
        }
    }
}

impl Key {
    /// Reads a key file, armoured or binary: one key with its subkeys.
    ///
    /// # Errors
    /// [`SignatureError::NoKey`], also for a file with several keys: which of them is meant, nobody could tell.
    pub fn parse(bytes: &[u8]) -> Result<Self, SignatureError> {
        let no = |why: &str| SignatureError::NoKey { why: why.to_owned() };
        if bytes.len() as u64 > LARGEST {
            return Err(no("it is too long"));
        }
        let start = bytes.trim_ascii_start();
        let armoured = start.starts_with(b"-----BEGIN PGP");
        let keys: Vec<SignedPublicKey> = if armoured {
            let found =
                SignedPublicKey::from_armor_many(Cursor::new(start)).map_err(|_| no("its armour is damaged"))?;
            found.0.take(2).collect::<Result<_, _>>().map_err(|_| no("it is damaged"))?
        } else {
            let found = SignedPublicKey::from_bytes_many(Cursor::new(bytes)).map_err(|_| no("it is no key"))?;
            found.take(2).collect::<Result<_, _>>().map_err(|_| no("it is damaged, or no key at all"))?
        };
        match <[SignedPublicKey; 1]>::try_from(keys) {
            Ok([key]) if signatures_on(&key) > MOST_SIGNATURES => {
                Err(no("more than 10,000 signatures hang on it; ask for a copy without those of other people"))
            }
            Ok([key]) => Ok(Self { key }),
            Err(keys) if keys.is_empty() => Err(no("it holds no public key")),
            Err(_) => Err(no("it holds several keys; give a file with the one that is meant")),
        }
    }

    /// Returns the fingerprint of the main key, in upper-case hex digits.
    #[must_use]
    pub fn fingerprint(&self) -> String {
        format!("{:X}", self.key.primary_key.fingerprint())
    }

    /// Returns who the key says it belongs to.
    #[must_use]
    pub fn user(&self) -> Option<String> {
        let user = self.key.details.users.first()?;
        Some(shown(&String::from_utf8_lossy(user.id.id())))
    }

    /// Returns the part that a signature says it is by.
    pub(super) fn part_of(&self, signature: &Signature) -> Option<Part> {
        let is_by = |key: &dyn KeyDetails| {
            let prints = signature.issuer_fingerprint();
            if prints.is_empty() {
                signature.issuer_key_id().contains(&&key.legacy_key_id())
            } else {
                prints.contains(&&key.fingerprint())
            }
        };
        if is_by(&self.key.primary_key) {
            return Some(Part::Main);
        }
        self.key.public_subkeys.iter().position(|sub| is_by(&sub.key)).map(Part::Sub)
    }

    /// Returns the part as a signer, when it may have signed at `made` and still may `now`.
    ///
    /// # Errors
    /// [`SignatureError::Key`].
    pub(super) fn signer(&self, part: Part, made: u64, now: u64) -> Result<Signer, SignatureError> {
        let no = |why: &str| SignatureError::Key { key: self.fingerprint(), why: why.to_owned() };
        let key = &self.key.primary_key;
        let revoked = |signature: &Signature| {
            signature.typ() == Some(SignatureType::KeyRevocation) && signature.verify_key(key).is_ok()
        };
        if self.key.details.revocation_signatures.iter().any(revoked) {
            return Err(no("it is revoked"));
        }
        if is_short(key.public_params()) {
            return Err(no("it is an RSA key of less than 2048 bits, or of a kind that is no longer used"));
        }
        let bound = self.self_signatures(now);
        let span = Span::of(&bound, key.created_at().as_secs().into()).ok_or_else(|| {
            no("no signature of its own with a strong hash binds it; ask for a newer copy of the key")
        })?;
        span.covers(made, now).map_err(no)?;
        let Part::Sub(place) = part else {
            // A key that says nothing of its uses may be used for all that it can do.
            let says = bound.iter().filter(|signature| made_at(signature) == span.bound_at).any(|signature| {
                let config = signature.config();
                config.is_some_and(|config| {
                    config.hashed_subpackets().any(|part| matches!(part.data, SubpacketData::KeyFlags(_)))
                }) && !signature.key_flags().sign()
            });
            return if says { Err(no("it is not for signing")) } else { Ok(self.as_signer(part)) };
        };
        self.sub_covers(&self.key.public_subkeys[place], made, now).map_err(no)?;
        Ok(self.as_signer(part))
    }

    fn as_signer(&self, part: Part) -> Signer {
        Signer { key: self.key.clone(), part }
    }

    /// The key's own signatures on itself and its users that hold, with a strong hash, and are not from the future.
    fn self_signatures(&self, now: u64) -> Vec<&Signature> {
        let key = &self.key.primary_key;
        let direct = self.key.details.direct_signatures.iter();
        let direct =
            direct.filter(|signature| signature.typ() == Some(SignatureType::Key) && signature.verify_key(key).is_ok());
        let users = self.key.details.users.iter().flat_map(|user| {
            let by_key = |signature: &&Signature| signature.verify_certification(key, Tag::UserId, &user.id).is_ok();
            let withdrawn =
                user.signatures.iter().filter(|signature| signature.typ() == Some(SignatureType::CertRevocation));
            let withdrawn: Vec<u64> = withdrawn.filter(by_key).map(made_at).collect();
            let holds = user.signatures.iter().filter(|signature| signature.is_certification()).filter(by_key);
            holds.filter(move |signature| !withdrawn.iter().any(|at| *at >= made_at(signature))).collect::<Vec<_>>()
        });
        direct.chain(users).filter(|signature| is_strong(signature) && made_at(signature) <= now).collect()
    }

    fn sub_covers(&self, sub: &SignedPublicSubKey, made: u64, now: u64) -> Result<(), &'static str> {
        let key = &self.key.primary_key;
        let holds = |signature: &&Signature| signature.verify_subkey_binding(key, &sub.key).is_ok();
        let of_type = |wanted: SignatureType| sub.signatures.iter().filter(move |it| it.typ() == Some(wanted));
        if of_type(SignatureType::SubkeyRevocation).any(|signature| holds(&signature)) {
            return Err("the subkey that signed is revoked");
        }
        if is_short(sub.key.public_params()) {
            return Err(
                "the subkey that signed is an RSA key of less than 2048 bits, or of a kind that is no longer used",
            );
        }
        let belongs = |signature: &&Signature| {
            let back = signature.embedded_signature();
            signature.key_flags().sign()
                && back.is_some_and(|back| is_strong(back) && back.verify_primary_key_binding(&sub.key, key).is_ok())
        };
        let bound = of_type(SignatureType::SubkeyBinding).filter(holds);
        let bound: Vec<&Signature> =
            bound.filter(|signature| is_strong(signature) && made_at(signature) <= now).filter(belongs).collect();
        let span = Span::of(&bound, sub.key.created_at().as_secs().into())
            .ok_or("the subkey that signed is not bound to it for signing")?;
        span.covers(made, now)
    }
}

/// Signatures that a key may carry; each of its own has to be verified.
const MOST_SIGNATURES: usize = 10_000;

fn signatures_on(key: &SignedPublicKey) -> usize {
    let details = &key.details;
    let on_users: usize = details.users.iter().map(|user| user.signatures.len()).sum();
    let on_subkeys: usize = key.public_subkeys.iter().map(|sub| sub.signatures.len()).sum();
    details.direct_signatures.len() + details.revocation_signatures.len() + on_users + on_subkeys
}

/// From when to when a part of a key is good.
struct Span {
    from: u64,
    end: Option<u64>,
    /// When the signature that says so was made.
    bound_at: u64,
}

impl Span {
    /// The newest signature counts; of several as new, the one that ends soonest.
    fn of(bound: &[&Signature], created: u64) -> Option<Self> {
        let newest = bound.iter().map(|signature| made_at(signature)).max()?;
        let ends = bound.iter().filter(|signature| made_at(signature) == newest).filter_map(|signature| {
            signature.key_expiration_time().map(|time| u64::from(time.as_secs())).filter(|lasts| *lasts > 0)
        });
        Some(Self { from: created, end: ends.min().map(|lasts| created + lasts), bound_at: newest })
    }

    fn covers(&self, made: u64, now: u64) -> Result<(), &'static str> {
        if made < self.from {
            return Err("the signature is older than the key");
        }
        match self.end {
            Some(end) if end <= made => Err("it had expired when the signature was made"),
            Some(end) if end <= now => Err("it has expired; ask for a newer copy of the key"),
            _ => Ok(()),
        }
    }
}

fn made_at(signature: &Signature) -> u64 {
    signature.created().map_or(0, |time| u64::from(time.as_secs()))
}

/// Whether the hash of a signature is one that nobody can find a second text for. RFC 9580 section 9.5: MD5, SHA-1 and RIPEMD-160
/// are not to be made any more.
pub(super) fn is_strong(signature: &Signature) -> bool {
    use HashAlgorithm::{Sha3_256, Sha3_512, Sha256, Sha384, Sha512};
    matches!(signature.hash_alg(), Some(Sha256 | Sha384 | Sha512 | Sha3_256 | Sha3_512))
}

/// RSA of less than 2048 bits, and what RFC 9580 section 9.1 lets nobody make any more.
fn is_short(params: &PublicParams) -> bool {
    match params {
        // Two numbers with two bytes of length each, and the second is a few bytes long.
        PublicParams::RSA(_) => params.write_len() < 2048 / 8,
        PublicParams::DSA(_) | PublicParams::Elgamal(_) => true,
        _ => false,
    }
}
