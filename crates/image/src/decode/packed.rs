//! The UEFI compression algorithm (UEFI specification, "Compression Algorithm Specification"), decoded.
//!
//! A header states the packed size (what follows the header) and the content's size, four bytes each. The stream is a
//! row of blocks, highest bit of each byte first. A block begins with the number of its symbols (16 bits) and three
//! prefix codes: one that only serves to pack the second one's lengths; one for literals and match lengths; one for
//! match positions. A symbol below 256 is a byte; one above is a match of `symbol - 253` bytes, and a position symbol
//! with extra bits says how far back.
//!
//! The number of position symbols is written in 4 bits by the UEFI standard and in 5 by the Tiano variant, which
//! reaches further back. Nothing in the stream tells which; taking the wrong one can even succeed.
//!
//! Strict where it costs no real stream: each code has to be complete, a block holds at least one symbol, a match stays
//! within what was decoded, and no bit past the packed size counts.

mod bits;
mod code;

use bits::Bits;
use code::Code;

use super::{DecodeError, Decoded, within_budget};

const HEADER: usize = 8;
/// Literals, then match lengths 3 to 256.
pub(crate) const SYMBOLS: usize = 510;
/// Lengths up to 16 as symbols 3 to 18 (plus 2), and three symbols for runs of zeros.
pub(crate) const LENGTH_SYMBOLS: usize = 19;
/// As many position symbols as 5 bits can count.
pub(crate) const POSITION_SYMBOLS: usize = 31;
/// The shortest match.
pub(crate) const SHORTEST: usize = 3;

/// How many bits count the position symbols of a block.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum PositionBits {
    /// 4 bits: the UEFI standard's algorithm, sections of compression type 1.
    Uefi4,
    /// 5 bits: the Tiano variant, sections of the Tiano GUID.
    Tiano5,
}

impl PositionBits {
    /// Returns the number of bits, 4 or 5.
    pub fn count(self) -> u32 {
        match self {
            Self::Uefi4 => 4,
            Self::Tiano5 => 5,
        }
    }
}

/// Returns the content of a stream of at most `max_out` bytes. What stands behind the packed size is not looked at.
///
/// # Errors
///
/// [`DecodeError::HeaderCut`], [`DecodeError::Budget`], [`DecodeError::Damaged`] (an incomplete code, an empty block, a
/// match from before the content's start or past its end), and [`DecodeError::Ended`] when the packed size goes past
/// the input or the stream past the packed size.
pub fn packed(input: &[u8], bits: PositionBits, max_out: usize) -> Result<Decoded, DecodeError> {
    let Some((header, rest)) = input.split_first_chunk::<HEADER>() else {
        return Err(DecodeError::HeaderCut { need: HEADER, have: input.len() });
    };
    let packed_size = u32::from_le_bytes([header[0], header[1], header[2], header[3]]) as usize;
    let stated = u32::from_le_bytes([header[4], header[5], header[6], header[7]]);
    let size = within_budget(stated.into(), max_out)?;
    let Some(stream) = rest.get(..packed_size) else {
        return Err(DecodeError::Ended { at: input.len(), produced: 0 });
    };
    // Memory that is reserved and never written costs nothing, and `size` is within the budget.
    let mut bytes = Vec::with_capacity(size);
    let mut source = Bits::new(stream);
    match decode(&mut source, bits, size, &mut bytes) {
        Ok(()) => Ok(Decoded { bytes, used: HEADER + packed_size }),
        Err(Stop::Damaged) => Err(DecodeError::Damaged { at: HEADER + source.at(), produced: bytes.len() }),
        Err(Stop::Ended) => Err(DecodeError::Ended { at: HEADER + packed_size, produced: bytes.len() }),
    }
}

/// Why a stream goes no further.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Stop {
    Damaged,
    Ended,
}

fn decode(source: &mut Bits, bits: PositionBits, size: usize, out: &mut Vec<u8>) -> Result<(), Stop> {
    let mut codes = Codes::default();
    while out.len() < size {
        let symbols = source.take(16)?;
        if symbols == 0 {
            return Err(Stop::Damaged);
        }
        codes.read(source, bits)?;
        codes.decode_block(source, symbols, size, out)?;
    }
    Ok(())
}

/// The codes of one block. They are read anew for each block; the memory stays.
#[derive(Default)]
struct Codes {
    lengths: Code,
    symbols: Code,
    positions: Code,
}

impl Codes {
    fn read(&mut self, source: &mut Bits, bits: PositionBits) -> Result<(), Stop> {
        read_small_code(&mut self.lengths, source, 5, LENGTH_SYMBOLS, Some(3))?;
        read_symbol_code(&mut self.symbols, source, &self.lengths)?;
        read_small_code(&mut self.positions, source, bits.count(), POSITION_SYMBOLS, None)
    }

    fn decode_block(&self, source: &mut Bits, symbols: u32, size: usize, out: &mut Vec<u8>) -> Result<(), Stop> {
        for _ in 0..symbols {
            // A stream may state more symbols in its last block than the content needs; real encoders do not.
            if out.len() == size {
                return Ok(());
            }
            let symbol = self.symbols.decode(source)?;
            let Ok(literal) = u8::try_from(symbol) else {
                let len = usize::from(symbol) - 256 + SHORTEST;
                let back = position(self.positions.decode(source)?, source)? as usize + 1;
                if back > out.len() || len > size - out.len() {
                    return Err(Stop::Damaged);
                }
                copy_back(out, back, len);
                continue;
            };
            out.push(literal);
        }
        Ok(())
    }
}

/// Returns a match's position: 0 and 1 are themselves, symbol n is a number of n bits without its leading one.
fn position(symbol: u16, source: &mut Bits) -> Result<u32, Stop> {
    match u32::from(symbol) {
        symbol @ 0..=1 => Ok(symbol),
        symbol => Ok(1 << (symbol - 1) | source.take(symbol - 1)?),
    }
}

fn copy_back(out: &mut Vec<u8>, back: usize, len: usize) {
    let start = out.len() - back;
    if back >= len {
        out.extend_from_within(start..start + len);
    } else {
        // The match reaches into itself: what it wrote comes again.
        for at in start..start + len {
            out.push(out[at]);
        }
    }
}

/// Reads a code of few symbols: their count, then a length each in three bits, and above 6 in ones ended by a zero.
/// After `zeros_after` symbols, two bits count symbols of length 0. A count of 0 means one symbol, whose number
/// follows, in no bits.
fn read_small_code(
    code: &mut Code,
    source: &mut Bits,
    count_bits: u32,
    most: usize,
    zeros_after: Option<usize>,
) -> Result<(), Stop> {
    let count = source.take(count_bits)? as usize;
    if count == 0 {
        let only = source.take(count_bits)? as usize;
        return if only < most { code.set_only(only as u16) } else { Err(Stop::Damaged) };
    }
    let mut lengths = [0_u8; POSITION_SYMBOLS];
    let mut at = 0;
    while at < count {
        let mut length = source.take(3)?;
        if length == 7 {
            while source.take(1)? == 1 {
                length += 1;
                if length > 16 {
                    return Err(Stop::Damaged);
                }
            }
        }
        *lengths[..most].get_mut(at).ok_or(Stop::Damaged)? = length as u8;
        at += 1;
        if Some(at) == zeros_after {
            at += source.take(2)? as usize;
        }
    }
    code.set(&lengths[..most])
}

/// Reads the code of literals and match lengths: the count of its symbols, then their lengths in the code `packed`,
/// where 0, 1 and 2 stand for runs of zeros and the others for the length plus 2.
fn read_symbol_code(code: &mut Code, source: &mut Bits, packed: &Code) -> Result<(), Stop> {
    let count = source.take(9)? as usize;
    if count == 0 {
        let only = source.take(9)? as usize;
        return if only < SYMBOLS { code.set_only(only as u16) } else { Err(Stop::Damaged) };
    }
    let mut lengths = [0_u8; SYMBOLS];
    let mut at = 0;
    while at < count {
        match packed.decode(source)? {
            0 => at += 1,
            1 => at += source.take(4)? as usize + 3,
            2 => at += source.take(9)? as usize + 20,
            length => {
                *lengths.get_mut(at).ok_or(Stop::Damaged)? = length as u8 - 2;
                at += 1;
            }
        }
    }
    code.set(&lengths)
}

#[cfg(test)]
mod tests;
