//! OpenPGP messages that hold what is signed together with its signature: inline, and of text in the clear.
//!
//! Source: RFC 9580, sections 4.2 (packet headers), 5.4 (one-pass signatures), 5.6 (compressed), 5.9 (literal data), 7 (cleartext),
//! 10.3 (which packets make a message); what gpg writes is `[compressed( one-pass signature, literal data, signature )]`.
//!
//! [`recognise`] tells what a file is, and is strict: the armour's first line has to be there, or whole packets that have nothing
//! odd in them. One byte means nothing, and a firmware image that begins like a packet stays an image. A file that it takes for a
//! message may still turn out to be none; opening it says so.
//!
//! What a reader would question: the name that a message gives its content is not looked at, because it is not signed. And what
//! comes out is what is signed, byte for byte; only of text in the clear the line ends are not, and neither are blanks before them.

use std::cell::Cell;
use std::io::{self, BufRead, BufReader, Cursor, Read};

use pgp::armor::{BlockType, Dearmor};
use pgp::composed::{CleartextSignedMessage, PacketBodyReader};
use pgp::packet::{
    Decompressor, Packet, PacketHeader, PacketTrait, PublicKeyEncryptedSessionKey as PublicKey, Signature,
    SignatureType, SymKeyEncryptedSessionKey as SymKey,
};
use pgp::types::{PacketLength, Tag};

use super::{Key, LARGEST, MOST_SIGNATURES, choose};
use crate::proof::{Proof, SignatureError};

/// What is read of a file to recognise it. A block of bzip2 has to be there whole, and has up to 900 kB.
const PEEK: u64 = 2 << 20;
/// What is unpacked to recognise what is inside.
const PEEK_INSIDE: u64 = 1 << 20;
/// The longest signature in a message. One has some hundred bytes.
const LONGEST: u64 = 1 << 20;
/// Packets in a message: signatures, each announced before, the data, markers, padding.
const MOST_PACKETS: usize = 64;

/// What a file of OpenPGP is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Form {
    /// A message with its signature inside.
    Signed,
    /// A text in the clear with its signature below.
    Cleartext,
    /// A message that is encrypted; whether it is signed inside cannot be seen.
    Encrypted,
    /// A message without a signature.
    Unsigned,
    /// A signature over something else.
    Detached,
    /// A public key.
    Key,
    /// A secret key.
    SecretKey,
}

impl Form {
    /// Tells whether this holds something signed.
    #[must_use]
    pub fn is_signed(self) -> bool {
        matches!(self, Self::Signed | Self::Cleartext)
    }
}

/// What an inline or cleartext message says, once its signature holds.
#[derive(Debug)]
pub struct Opened {
    /// What is signed; of a cleartext message the text with CRLF line ends, as it is signed.
    pub content: Vec<u8>,
    /// By whom.
    pub proof: Proof,
    /// The signature by itself. Over the content of an inline message it holds as a detached one.
    pub signature: Vec<u8>,
}

/// Tells whether these bytes look like a cleartext message.
#[must_use]
pub fn is_cleartext(bytes: &[u8]) -> bool {
    announced(bytes) == Some(b"SIGNED MESSAGE")
}

/// Tells whether these bytes look like an inline message in armour.
#[must_use]
pub fn is_message(bytes: &[u8]) -> bool {
    announced(bytes) == Some(b"MESSAGE")
}

/// Returns what a file of OpenPGP is, by its first packets; none for everything else. A text that says it is a message counts as one.
#[must_use]
pub fn recognise(source: &mut dyn Read) -> Option<Form> {
    let mut source = BufReader::new(source.take(PEEK));
    let head = source.fill_buf().ok()?;
    let armour = announced(head).map(<[u8]>::to_vec);
    if armour.is_some() {
        let blanks = head.len() - head.trim_ascii_start().len();
        source.consume(blanks);
    }
    match armour.as_deref() {
        None => binary(&mut source, false),
        Some(b"SIGNED MESSAGE") => Some(Form::Cleartext),
        Some(b"MESSAGE") => {
            let mut armour = Dearmor::new(source);
            let read = armour.read_header().is_ok();
            let inside = if read { binary(&mut BufReader::new(armour), false) } else { None };
            Some(inside.unwrap_or(Form::Signed))
        }
        Some(b"SIGNATURE") => Some(Form::Detached),
        Some(b"PUBLIC KEY BLOCK") => Some(Form::Key),
        Some(b"PRIVATE KEY BLOCK") => Some(Form::SecretKey),
        Some(_) => None,
    }
}

/// Opens a cleartext message.
///
/// # Errors
/// [`SignatureError::NoMessage`]; else as [`super::Chosen::new`] and [`super::Chosen::verify`].
pub fn open_cleartext(bytes: &[u8], key: &Key, now: u64) -> Result<Opened, SignatureError> {
    let (signatures, content) = cleartext(bytes)?;
    opened(signatures, content, key, now)
}

/// Opens an inline message: what is signed stands in the same file as its signature. At most `most` bytes come out.
///
/// # Errors
/// [`SignatureError::NoMessage`]; [`SignatureError::Unpacks`]; else as [`super::Chosen::new`] and [`super::Chosen::verify`].
pub fn open_inline(bytes: &[u8], key: &Key, now: u64, most: u64) -> Result<Opened, SignatureError> {
    let Parts { signatures, content, .. } = Parts::of(bytes, most)?;
    opened(signatures, content.ok_or_else(no_data)?, key, now)
}

/// Opens a file that is a signed message of either form, and returns its content as it is kept: of a text in the clear with plain
/// line ends, the last line ended too. At most `most` bytes come out.
///
/// # Errors
/// As [`open_inline`].
pub fn open(bytes: &[u8], key: &Key, now: u64, most: u64) -> Result<Opened, SignatureError> {
    if !is_cleartext(bytes) {
        return open_inline(bytes, key, now, most);
    }
    let mut opened = open_cleartext(bytes, key, now)?;
    opened.content = plain(&opened.content);
    Ok(opened)
}

/// Returns the content of a message, whoever signed it: for a look at what is inside.
///
/// # Errors
/// As [`open_inline`], but for what concerns the signature.
pub fn look(bytes: &[u8], most: u64) -> Result<Vec<u8>, SignatureError> {
    if is_cleartext(bytes) {
        Ok(plain(&cleartext(bytes)?.1))
    } else {
        Parts::of(bytes, most)?.content.ok_or_else(no_data)
    }
}

fn opened(signatures: Vec<Signature>, content: Vec<u8>, key: &Key, now: u64) -> Result<Opened, SignatureError> {
    if signatures.is_empty() {
        return Err(no_message("nobody signed it, or its end is missing"));
    }
    let chosen = choose(signatures, key, now)?;
    let proof = chosen.verify(&mut content.as_slice())?;
    let mut signature = Vec::new();
    chosen
        .signature
        .to_writer_with_header(&mut signature)
        .map_err(|_| no_message("its signature cannot be written out"))?;
    Ok(Opened { content, proof, signature })
}

/// The signatures under a text, and the text as it is signed.
fn cleartext(bytes: &[u8]) -> Result<(Vec<Signature>, Vec<u8>), SignatureError> {
    // Its lines are held several times over.
    if bytes.len() as u64 > LARGEST {
        return Err(no_message("a text signed in the clear is read up to 4 MiB"));
    }
    let bad = |_| no_message("it is damaged, or no text that is signed in the clear");
    let (message, _) = CleartextSignedMessage::from_armor(Cursor::new(bytes.trim_ascii_start())).map_err(bad)?;
    Ok((message.signatures().to_vec(), message.signed_text().into_bytes()))
}

fn plain(signed: &[u8]) -> Vec<u8> {
    let mut text: Vec<u8> = Vec::with_capacity(signed.len() + 1);
    for (index, byte) in signed.iter().enumerate() {
        if !(*byte == b'\r' && signed.get(index + 1) == Some(&b'\n')) {
            text.push(*byte);
        }
    }
    // The line end before the signature is not signed, and stands there all the same.
    text.push(b'\n');
    text
}

/// What the first line of an armour announces.
fn announced(bytes: &[u8]) -> Option<&[u8]> {
    let line = bytes.trim_ascii_start().split(|byte| *byte == b'\n').next()?.trim_ascii_end();
    line.strip_prefix(b"-----BEGIN PGP ")?.strip_suffix(b"-----")
}

/// What a message is made of.
#[derive(Default)]
struct Parts {
    signatures: Vec<Signature>,
    content: Option<Vec<u8>>,
    packets: usize,
}

impl Parts {
    /// Takes a message apart, armoured or binary.
    fn of(bytes: &[u8], most: u64) -> Result<Self, SignatureError> {
        let mut parts = Self::default();
        if announced(bytes).is_none() {
            parts.read(&mut &bytes[..], most, false)?;
            return Ok(parts);
        }
        let damaged = || no_message("its armour is damaged");
        let mut armour = Dearmor::new(Cursor::new(bytes.trim_ascii_start()));
        armour.read_header().map_err(|_| damaged())?;
        if armour.typ != Some(BlockType::Message) {
            return Err(no_message("its armour announces something else"));
        }
        let mut armour = BufReader::new(armour);
        parts.read(&mut armour, most, false)?;
        // Its sum stands at the end.
        io::copy(&mut armour, &mut io::sink()).map_err(|_| damaged())?;
        Ok(parts)
    }

    /// Takes the packets as they come: only what is signed is held.
    fn read(&mut self, source: &mut dyn BufRead, most: u64, packed: bool) -> Result<(), SignatureError> {
        let damaged = || no_message("it is damaged, or no OpenPGP at all");
        while let Some(header) = next_header(source).map_err(|()| damaged())? {
            self.packets += 1;
            if self.packets > MOST_PACKETS || self.signatures.len() > MOST_SIGNATURES {
                return Err(no_message("it has more packets than a signed message has"));
            }
            let mut body = PacketBodyReader::new(header, &mut *source).map_err(|_| damaged())?;
            match header.tag() {
                Tag::Signature => match whole(header, body) {
                    Some(Packet::Signature(signature)) => self.signatures.push(signature),
                    _ => return Err(damaged()),
                },
                Tag::LiteralData if self.content.is_none() => self.content = Some(literal(&mut body, most)?),
                Tag::CompressedData if !packed => {
                    let unpacked = Decompressor::from_reader(BufReader::new(body));
                    let unpacked = unpacked.map_err(|_| no_message("it is packed in a way that is not known here"))?;
                    let spent = Cell::new(false);
                    let metered = Metered { inner: unpacked, left: most.saturating_add(LONGEST), spent: &spent };
                    let read = self.read(&mut BufReader::new(metered), most, true);
                    if spent.get() {
                        return Err(SignatureError::Unpacks { most });
                    }
                    read?;
                }
                Tag::OnePassSignature | Tag::Marker | Tag::Padding => {
                    io::copy(&mut body, &mut io::sink()).map_err(|_| damaged())?;
                }
                tag if is_encrypted(tag) => {
                    return Err(no_message("it is encrypted, and there is no secret key to read it with"));
                }
                _ => return Err(no_message("it holds something else than signed data")),
            }
        }
        Ok(())
    }
}

/// Reads the data of a literal packet; what stands before it is not signed. RFC 9580 section 5.9: kind, name, time.
fn literal(body: &mut impl Read, most: u64) -> Result<Vec<u8>, SignatureError> {
    let cut = |_| no_message("it is damaged, or cut");
    let mut head = [0; 2];
    body.read_exact(&mut head).map_err(cut)?;
    let mut rest = [0; 255 + 4];
    body.read_exact(&mut rest[..usize::from(head[1]) + 4]).map_err(cut)?;
    let mut content = Vec::new();
    body.take(most.saturating_add(1)).read_to_end(&mut content).map_err(cut)?;
    if content.len() as u64 > most { Err(SignatureError::Unpacks { most }) } else { Ok(content) }
}

/// Recognises a message, a signature or a key by its packets.
fn binary(source: &mut dyn BufRead, packed: bool) -> Option<Form> {
    let (mut announced, mut signed, mut locked) = (false, false, false);
    for _ in 0..MOST_PACKETS {
        let Some(header) = next_header(source).ok()? else {
            return (signed && !announced && !locked && !packed).then_some(Form::Detached);
        };
        let is_first = !(packed || announced || signed || locked);
        let mut body = PacketBodyReader::new(header, &mut *source).ok()?;
        match header.tag() {
            tag if locked && is_encrypted(tag) && !is_session_key(tag) => return Some(Form::Encrypted),
            Tag::LiteralData if !locked => {
                let mut kind = [0];
                body.read_exact(&mut kind).ok()?;
                let form = if announced || signed { Form::Signed } else { Form::Unsigned };
                return matches!(kind[0], b'b' | b't' | b'u' | b'l' | b'm').then_some(form);
            }
            Tag::CompressedData if is_first => {
                let unpacked = Decompressor::from_reader(BufReader::new(body)).ok()?;
                return binary(&mut BufReader::new(unpacked.take(PEEK_INSIDE)), true);
            }
            _ => {}
        }
        match whole(header, body)? {
            Packet::OnePassSignature(one) if is_over_data(one.typ()) && matches!(one.version(), 3 | 6) => {
                announced = true;
            }
            Packet::Signature(signature) if signature.typ().is_some_and(is_over_data) => signed = true,
            Packet::Marker(_) | Packet::Padding(_) => {}
            Packet::PublicKeyEncryptedSessionKey(PublicKey::V3 { .. } | PublicKey::V6 { .. })
            | Packet::SymKeyEncryptedSessionKey(SymKey::V4 { .. } | SymKey::V5 { .. } | SymKey::V6 { .. }) => {
                locked = true;
            }
            Packet::PublicKey(_) if is_first => return Some(Form::Key),
            Packet::SecretKey(_) if is_first => return Some(Form::SecretKey),
            _ => return None,
        }
    }
    None
}

fn is_over_data(kind: SignatureType) -> bool {
    matches!(kind, SignatureType::Binary | SignatureType::Text)
}

fn is_encrypted(tag: Tag) -> bool {
    is_session_key(tag) || matches!(tag, Tag::SymEncryptedData | Tag::SymEncryptedProtectedData | Tag::GnupgAeadData)
}

fn is_session_key(tag: Tag) -> bool {
    matches!(tag, Tag::PublicKeyEncryptedSessionKey | Tag::SymKeyEncryptedSessionKey)
}

/// Returns the header of the next packet; none at the end.
fn next_header(source: &mut dyn BufRead) -> Result<Option<PacketHeader>, ()> {
    if source.fill_buf().map_err(drop)?.is_empty() {
        return Ok(None);
    }
    PacketHeader::try_from_reader(source).map(Some).map_err(drop)
}

/// Reads a small packet whose length is stated, with nothing left over.
fn whole<R: BufRead>(header: PacketHeader, mut body: PacketBodyReader<R>) -> Option<Packet> {
    let mut bytes = Vec::new();
    (&mut body).take(LONGEST + 1).read_to_end(&mut bytes).ok()?;
    if bytes.len() as u64 > LONGEST || header.packet_length() != PacketLength::Fixed(u32::try_from(bytes.len()).ok()?) {
        return None;
    }
    let mut left = bytes.as_slice();
    let packet = Packet::from_reader(header, &mut left).ok()?;
    left.is_empty().then_some(packet)
}

/// A reader that ends, and says so, before more than `left` bytes came out of it.
struct Metered<'a, R> {
    inner: R,
    left: u64,
    spent: &'a Cell<bool>,
}

impl<R: Read> Read for Metered<'_, R> {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        let read = self.inner.read(buffer)?;
        let Some(left) = self.left.checked_sub(read as u64) else {
            self.spent.set(true);
            return Err(io::Error::other("more comes out than may"));
        };
        self.left = left;
        Ok(read)
    }
}

fn no_data() -> SignatureError {
    no_message("there is no data in it")
}

fn no_message(why: &str) -> SignatureError {
    SignatureError::NoMessage { why: why.to_owned() }
}
