//! Tar archives, read as a stream of blocks of 512 bytes.
//!
//! Source: POSIX.1-2017, `pax`, sections "ustar Interchange Format" and "pax Header Block"; long names and large numbers of the
//! GNU format from memory of its manual (types `L` and `K`; base 256 where the first bit is set).
//!
//! What a reader would question: a reader of our own. What is wanted is small, and every length in it is hostile: a long name
//! may claim gigabytes, and here it has a limit before anything is read.

use std::io::{self, Read};

use super::ArchiveError;
use super::collect::Collector;
use super::name::LONGEST;

const BLOCK: usize = 512;
/// The longest extended header that is read: a name, and what else programs put there.
const LONGEST_EXTENDED: u64 = 64 * 1024;

/// Returns whether this block is the head of a member: its sum is right.
pub(super) fn is_head(block: &[u8]) -> bool {
    block.len() == BLOCK && block.iter().any(|byte| *byte != 0) && sum_is_right(block)
}

/// Visits each member of the archive that `source` yields.
pub(super) fn walk(source: &mut dyn Read, collector: &mut Collector<'_>) -> Result<(), ArchiveError> {
    let mut block = [0; BLOCK];
    let mut next = Extended::default();
    loop {
        match crate::fill(source, &mut block).map_err(ArchiveError::from_read)? {
            0 => return next.is_spent(),
            BLOCK => {}
            _ => return Err(damaged("it ends within a header")),
        }
        // Two blocks of zeros end it; what follows them nobody unpacks.
        if block.iter().all(|byte| *byte == 0) {
            return next.is_spent();
        }
        if !sum_is_right(&block) {
            return Err(damaged("the sum of a header is wrong"));
        }
        collector.count()?;
        let stated = number(&block[124..136]).ok_or_else(|| damaged("a size is no number"))?;
        match block[156] {
            kind @ (b'x' | b'g' | b'L' | b'K') => {
                let text = body(source, stated)?;
                match kind {
                    b'x' => next.take_records(&text)?,
                    // A link's target: the link itself is refused, whatever it is called.
                    b'L' => next.path = Some(until_zero(&text).to_vec()),
                    _ => {}
                }
            }
            kind => {
                let extended = std::mem::take(&mut next);
                let name = extended.path.clone().unwrap_or_else(|| ustar_name(&block));
                let size = extended.size.unwrap_or(stated);
                let mut content = source.take(size);
                match kind {
                    b'0' | 0 | b'7' if extended.sparse => {
                        collector.refuse(&name, "it is stored with holes, which few programs read alike");
                    }
                    // An old archive marks a folder by the slash alone.
                    b'0' | 0 | b'7' if !name.ends_with(b"/") => collector.file(&name, size, &mut content)?,
                    b'0' | 0 | b'7' | b'5' => {}
                    b'1' | b'2' => collector.refuse(&name, "it is a link"),
                    b'3' | b'4' | b'6' => collector.refuse(&name, "it is a device or a pipe"),
                    _ => collector.refuse(&name, "it is of a kind that is not known here"),
                }
                let left = content.limit();
                skip(source, left + padding(size))?;
            }
        }
    }
}

/// What the headers before a member say of it.
#[derive(Default)]
struct Extended {
    path: Option<Vec<u8>>,
    size: Option<u64>,
    sparse: bool,
}

impl Extended {
    /// Takes the records of an extended header: "LENGTH KEY=VALUE\n", where the length counts all of it.
    fn take_records(&mut self, mut text: &[u8]) -> Result<(), ArchiveError> {
        let bad = || damaged("an extended header breaks its form");
        while !text.is_empty() {
            let space = text.iter().take(8).position(|byte| *byte == b' ').ok_or_else(bad)?;
            let length: usize =
                std::str::from_utf8(&text[..space]).ok().and_then(|digits| digits.parse().ok()).ok_or_else(bad)?;
            let record = text.get(space + 1..length).and_then(|record| record.strip_suffix(b"\n")).ok_or_else(bad)?;
            let equals = record.iter().position(|byte| *byte == b'=').ok_or_else(bad)?;
            let (key, value) = (&record[..equals], &record[equals + 1..]);
            match key {
                b"path" => self.path = Some(value.to_vec()),
                b"size" => {
                    let digits = std::str::from_utf8(value).ok();
                    self.size = Some(digits.and_then(|digits| digits.parse().ok()).ok_or_else(bad)?);
                }
                _ if key.starts_with(b"GNU.sparse.") => self.sparse = true,
                _ => {}
            }
            text = &text[length..];
        }
        Ok(())
    }

    fn is_spent(&self) -> Result<(), ArchiveError> {
        if self.path.is_none() && self.size.is_none() {
            Ok(())
        } else {
            Err(damaged("it ends before a member's header"))
        }
    }
}

fn damaged(why: &str) -> ArchiveError {
    ArchiveError::Damaged { kind: "tar", why: why.to_owned() }
}

/// Reads the body of a header that belongs to the next member, and its padding.
fn body(source: &mut dyn Read, size: u64) -> Result<Vec<u8>, ArchiveError> {
    if size > LONGEST_EXTENDED {
        return Err(ArchiveError::Budget { what: "bytes of an extended header", most: LONGEST_EXTENDED });
    }
    let mut text = Vec::new();
    source.take(size).read_to_end(&mut text).map_err(ArchiveError::from_read)?;
    if text.len() as u64 != size {
        return Err(damaged("it ends within a header"));
    }
    skip(source, padding(size))?;
    Ok(text)
}

fn padding(size: u64) -> u64 {
    size.wrapping_neg() % BLOCK as u64
}

fn skip(source: &mut dyn Read, len: u64) -> Result<(), ArchiveError> {
    let skipped = io::copy(&mut source.take(len), &mut io::sink()).map_err(ArchiveError::from_read)?;
    if skipped == len { Ok(()) } else { Err(damaged("it ends within a member")) }
}

/// The sum of all bytes, those of the sum itself taken as spaces. Some old programs summed signed bytes.
fn sum_is_right(block: &[u8]) -> bool {
    let byte = |(at, byte): (usize, &u8)| if (148..156).contains(&at) { b' ' } else { *byte };
    let unsigned: u64 = block.iter().enumerate().map(byte).map(u64::from).sum();
    let signed: i64 = block.iter().enumerate().map(byte).map(|byte| i64::from(byte.cast_signed())).sum();
    number(&block[148..156]).is_some_and(|stated| stated == unsigned || i64::try_from(stated) == Ok(signed))
}

/// A number of a header: octal digits between spaces, up to a zero; or base 256 where the first bit is set.
fn number(field: &[u8]) -> Option<u64> {
    if field[0] & 0x80 != 0 {
        // The next bit is the sign, and no size is negative.
        let (high, low) = field.split_at(field.len() - 8);
        let empty = high.iter().enumerate().all(|(at, byte)| *byte == if at == 0 { 0x80 } else { 0 });
        let value = u64::from_be_bytes(low.try_into().ok()?);
        return empty.then_some(value).filter(|value| *value < 1 << 63);
    }
    let text = std::str::from_utf8(until_zero(field)).ok()?.trim_matches(' ');
    if text.is_empty() { Some(0) } else { u64::from_str_radix(text, 8).ok() }
}

fn until_zero(field: &[u8]) -> &[u8] {
    field.split(|byte| *byte == 0).next().unwrap_or_default()
}

fn ustar_name(block: &[u8]) -> Vec<u8> {
    let name = until_zero(&block[..100]);
    let prefix = until_zero(&block[345..500]);
    // The GNU format has other things where POSIX has the prefix.
    if block[257..263] != *b"ustar\0" || prefix.is_empty() {
        return name.to_vec();
    }
    debug_assert!(prefix.len() + name.len() < LONGEST);
    [prefix, b"/", name].concat()
}
