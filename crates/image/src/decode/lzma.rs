//! LZMA behind a `.lzma` header, by the `lzma-rust2` crate.
//!
//! The header: one byte of properties (45 pb + 9 lp + lc), the dictionary's size in four bytes, the content's size in
//! eight; all ones means "until the end mark". Firmware states the size and sets no end mark; both together are legal
//! too.
//!
//! The dictionary field is a claim: the window is cut to the content's size, as nothing can refer further back than
//! that.

use std::io::{ErrorKind, Read};

use lzma_rust2::LzmaReader;

use super::{DecodeError, Decoded, within_budget};

const HEADER: usize = 13;
/// lc is at most 8, lp and pb at most 4.
const MOST_PROPERTIES: u8 = (4 * 5 + 4) * 9 + 8;
const SIZE_UNKNOWN: u64 = u64::MAX;
/// A read of the output at a time, while the size is not known.
const PIECE: usize = 64 << 10;

/// Returns the content of a `.lzma` stream of at most `max_out` bytes.
///
/// With a stated size the stream must leave its range coder at rest when that size is reached, with or without an end
/// mark; an encoder always leaves it so, and a damaged stream rarely does.
///
/// # Errors
///
/// [`DecodeError::HeaderCut`], [`DecodeError::Header`] (properties), [`DecodeError::Budget`], [`DecodeError::Damaged`]
/// (an end mark before the stated size is reached, too) and [`DecodeError::Ended`].
pub fn lzma(input: &[u8], max_out: usize) -> Result<Decoded, DecodeError> {
    let Some((header, stream)) = input.split_first_chunk::<HEADER>() else {
        return Err(DecodeError::HeaderCut { need: HEADER, have: input.len() });
    };
    let properties = header[0];
    if properties > MOST_PROPERTIES {
        return Err(DecodeError::Header { field: "properties byte", value: properties.into() });
    }
    let dictionary = u32::from_le_bytes([header[1], header[2], header[3], header[4]]);
    let stated = u64::from_le_bytes(header[5..].try_into().expect("the header's last eight bytes"));
    let most = if stated == SIZE_UNKNOWN { max_out } else { within_budget(stated, max_out)? };
    let window = dictionary.min(u32::try_from(most).unwrap_or(u32::MAX)).min(lzma_rust2::DICT_SIZE_MAX);

    let mut reader = LzmaReader::new_with_props(stream, stated, properties, window, None)
        .map_err(|error| failure(error.kind(), input.len(), HEADER, 0))?;
    reader.set_relaxed_end_condition(false);
    // So that an error can say how much came before it.
    reader.set_defer_errors(true);
    let mut bytes = Vec::new();
    let outcome = if stated == SIZE_UNKNOWN {
        read_to_mark(&mut reader, &mut bytes, most)
    } else {
        read_stated(&mut reader, &mut bytes, most)
    };
    let (rest, buffered) = reader.into_parts();
    let used = input.len() - rest.len() - buffered.len();
    match outcome {
        Ok(Outcome::Whole) => Ok(Decoded { bytes, used }),
        Ok(Outcome::OverBudget) => Err(DecodeError::Budget { stated: None, max: max_out }),
        Err(kind) => Err(failure(kind, input.len(), used, bytes.len())),
    }
}

enum Outcome {
    Whole,
    OverBudget,
}

fn read_stated(reader: &mut impl Read, bytes: &mut Vec<u8>, stated: usize) -> Result<Outcome, ErrorKind> {
    // Zeroed memory costs nothing until it is written, so a false claim within the budget costs nothing either.
    *bytes = vec![0; stated];
    let mut done = 0;
    let mut spare = [0];
    loop {
        // Past the stated size nothing comes; the read there checks how a stream of no bytes ends.
        let room = if done < stated { &mut bytes[done..] } else { &mut spare[..] };
        match reader.read(room) {
            Ok(0) => {
                bytes.truncate(done);
                return if done == stated { Ok(Outcome::Whole) } else { Err(ErrorKind::InvalidData) };
            }
            Ok(count) => done += count,
            Err(error) => {
                bytes.truncate(done);
                return Err(error.kind());
            }
        }
    }
}

fn read_to_mark(reader: &mut impl Read, bytes: &mut Vec<u8>, most: usize) -> Result<Outcome, ErrorKind> {
    loop {
        let done = bytes.len();
        bytes.resize(done + PIECE.min(most - done + 1), 0);
        let count = reader.read(&mut bytes[done..]).map_err(|error| {
            bytes.truncate(done);
            error.kind()
        })?;
        bytes.truncate(done + count);
        if count == 0 {
            return Ok(Outcome::Whole);
        }
        if bytes.len() > most {
            return Ok(Outcome::OverBudget);
        }
    }
}

fn failure(kind: ErrorKind, len: usize, at: usize, produced: usize) -> DecodeError {
    match kind {
        ErrorKind::UnexpectedEof => DecodeError::Ended { at: len, produced },
        _ => DecodeError::Damaged { at, produced },
    }
}

#[cfg(test)]
mod tests;
