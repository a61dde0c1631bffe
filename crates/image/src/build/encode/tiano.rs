//! The UEFI compression algorithm (UEFI specification, "Compression Algorithm Specification"), encoded.
//!
//! Matches are searched greedily through chains of equal first bytes, a bounded number of steps back. A block holds up
//! to [`BLOCK`] symbols, each with codes of its own. See [`crate::decode::packed`] for the format.

use std::collections::HashMap;

use crate::decode::PositionBits;

/// Symbols of a block; the format counts them in 16 bits.
const BLOCK: usize = 0x4000;
const SHORTEST: usize = 3;
const LONGEST_MATCH: usize = 256;
const LONGEST_CODE: u8 = 16;
const SYMBOLS: usize = 510;
const LENGTH_SYMBOLS: usize = 19;
/// Earlier places that are looked at for a match.
const TRIES: usize = 32;

/// Returns `bytes` packed, with the header of packed and original size.
///
/// # Panics
///
/// When `bytes` has 4 GiB or more, which the header cannot state.
pub fn packed(bytes: &[u8], bits: PositionBits) -> Vec<u8> {
    let size = u32::try_from(bytes.len()).expect("the header states the size in 32 bits");
    let mut out = BitWriter::default();
    for block in symbols(bytes, bits).chunks(BLOCK) {
        write_block(&mut out, block, bits);
    }
    let stream = out.finish();
    [&(stream.len() as u32).to_le_bytes()[..], &size.to_le_bytes(), &stream].concat()
}

/// A literal, or a match: its length, and how far back it begins, less one.
#[derive(Debug, Clone, Copy)]
enum Symbol {
    Literal(u8),
    Match { len: usize, position: u32 },
}

impl Symbol {
    /// Returns its number in the code of literals and match lengths.
    fn number(self) -> usize {
        match self {
            Self::Literal(byte) => byte.into(),
            Self::Match { len, .. } => 256 + len - SHORTEST,
        }
    }
}

/// Returns the number of a position's symbol: how many bits it has.
fn position_symbol(position: u32) -> usize {
    (32 - position.leading_zeros()) as usize
}

fn symbols(bytes: &[u8], bits: PositionBits) -> Vec<Symbol> {
    // 8 KiB in the standard; the variant's window has 512 KiB (common practice, no source).
    let window = match bits {
        PositionBits::Uefi4 => 1 << 13,
        PositionBits::Tiano5 => 1 << 19,
    };
    let mut latest: HashMap<[u8; SHORTEST], usize> = HashMap::new();
    let mut earlier = vec![usize::MAX; bytes.len()];
    let mut out = Vec::new();
    let mut at = 0;
    while at < bytes.len() {
        let found = longest_match(bytes, at, window, &latest, &earlier);
        let len = found.map_or(1, |(len, _)| len);
        out.push(match found {
            Some((len, back)) => Symbol::Match { len, position: back as u32 - 1 },
            None => Symbol::Literal(bytes[at]),
        });
        for passed in at..at + len {
            if let Some(key) = bytes[passed..].first_chunk() {
                earlier[passed] = latest.insert(*key, passed).unwrap_or(usize::MAX);
            }
        }
        at += len;
    }
    out
}

fn longest_match(
    bytes: &[u8],
    at: usize,
    window: usize,
    latest: &HashMap<[u8; SHORTEST], usize>,
    earlier: &[usize],
) -> Option<(usize, usize)> {
    let ahead = &bytes[at..bytes.len().min(at + LONGEST_MATCH)];
    let mut candidate = *latest.get(ahead.first_chunk()?)?;
    let mut best = None;
    for _ in 0..TRIES {
        if candidate == usize::MAX || at - candidate > window {
            break;
        }
        let len = bytes[candidate..].iter().zip(ahead).take_while(|(old, new)| old == new).count();
        if best.is_none_or(|(longest, _)| len > longest) {
            best = Some((len, at - candidate));
        }
        candidate = earlier[candidate];
    }
    best
}

fn write_block(out: &mut BitWriter, block: &[Symbol], bits: PositionBits) {
    let mut counts = [0_u32; SYMBOLS];
    let mut position_counts = vec![0_u32; (1 << bits.count()) - 1];
    for symbol in block {
        counts[symbol.number()] += 1;
        if let Symbol::Match { position, .. } = symbol {
            position_counts[position_symbol(*position)] += 1;
        }
    }
    let symbol_code = Code::new(&counts);
    let position_code = Code::new(&position_counts);
    out.put(block.len() as u32, 16);
    write_symbol_code(out, &symbol_code);
    write_small_code(out, &position_code, bits.count(), None);
    for symbol in block {
        symbol_code.write(out, symbol.number());
        if let Symbol::Match { position, .. } = *symbol {
            let number = position_symbol(position);
            position_code.write(out, number);
            if number > 1 {
                out.put(position & ((1 << (number - 1)) - 1), number as u32 - 1);
            }
        }
    }
}

/// Writes the lengths of a code of few symbols; see the decoder for their form.
fn write_small_code(out: &mut BitWriter, code: &Code, count_bits: u32, zeros_after: Option<usize>) {
    if let Some(only) = code.only {
        out.put(0, count_bits);
        out.put(only as u32, count_bits);
        return;
    }
    let count = code.used();
    out.put(count as u32, count_bits);
    let mut at = 0;
    while at < count {
        match code.lengths[at] {
            length @ 0..=6 => out.put(length.into(), 3),
            // 7 is 111 and a zero; each more is a one before the zero.
            length => out.put((1 << (length - 3)) - 2, u32::from(length) - 3),
        }
        at += 1;
        if Some(at) == zeros_after {
            let zeros = code.lengths[at..count].iter().take(3).take_while(|length| **length == 0).count();
            out.put(zeros as u32, 2);
            at += zeros;
        }
    }
}

/// One piece of the packed lengths: its symbol, and extra bits.
struct Piece {
    symbol: usize,
    extra: u32,
    bits: u32,
}

fn write_symbol_code(out: &mut BitWriter, code: &Code) {
    if let Some(only) = code.only {
        // A code for lengths has to stand here too, though nothing is packed with it.
        write_small_code(out, &Code::single(0, LENGTH_SYMBOLS), 5, Some(3));
        out.put(0, 9);
        out.put(only as u32, 9);
        return;
    }
    let pieces = length_pieces(&code.lengths[..code.used()]);
    let mut counts = [0_u32; LENGTH_SYMBOLS];
    for piece in &pieces {
        counts[piece.symbol] += 1;
    }
    let lengths = Code::new(&counts);
    write_small_code(out, &lengths, 5, Some(3));
    out.put(code.used() as u32, 9);
    for piece in pieces {
        lengths.write(out, piece.symbol);
        out.put(piece.extra, piece.bits);
    }
}

fn length_pieces(lengths: &[u8]) -> Vec<Piece> {
    let mut pieces = Vec::new();
    for run in lengths.chunk_by(|a, b| *a == 0 && *b == 0) {
        let mut zeros = if run[0] == 0 { run.len() } else { 0 };
        if zeros == 0 {
            pieces.push(Piece { symbol: usize::from(run[0]) + 2, extra: 0, bits: 0 });
        }
        while zeros > 0 {
            let (taken, piece) = match zeros {
                1..=2 => (1, Piece { symbol: 0, extra: 0, bits: 0 }),
                3..=19 => {
                    let taken = zeros.min(18);
                    (taken, Piece { symbol: 1, extra: taken as u32 - 3, bits: 4 })
                }
                _ => (zeros, Piece { symbol: 2, extra: zeros as u32 - 20, bits: 9 }),
            };
            pieces.push(piece);
            zeros -= taken;
        }
    }
    pieces
}

/// A prefix code by its lengths.
struct Code {
    lengths: Vec<u8>,
    codes: Vec<u32>,
    /// The only symbol that occurs; it takes no bits.
    only: Option<usize>,
}

impl Code {
    /// Returns a code for symbols that occur so often. With none at all, symbol 0 counts as the only one.
    fn new(counts: &[u32]) -> Self {
        let mut occurring = counts.iter().enumerate().filter(|(_, count)| **count > 0).map(|(symbol, _)| symbol);
        match (occurring.next(), occurring.next()) {
            (first, None) => Self::single(first.unwrap_or(0), counts.len()),
            _ => Self::of_lengths(lengths(counts)),
        }
    }

    fn single(symbol: usize, symbols: usize) -> Self {
        Self { lengths: vec![0; symbols], codes: vec![0; symbols], only: Some(symbol) }
    }

    fn of_lengths(lengths: Vec<u8>) -> Self {
        let mut codes = vec![0; lengths.len()];
        let mut next = 0;
        for length in 1..=LONGEST_CODE {
            next <<= 1;
            for (code, _) in codes.iter_mut().zip(&lengths).filter(|(_, of)| **of == length) {
                *code = next;
                next += 1;
            }
        }
        Self { lengths, codes, only: None }
    }

    /// Returns how many symbols stand before the end of the last one that occurs.
    fn used(&self) -> usize {
        self.lengths.iter().rposition(|length| *length > 0).map_or(0, |last| last + 1)
    }

    fn write(&self, out: &mut BitWriter, symbol: usize) {
        out.put(self.codes[symbol], self.lengths[symbol].into());
    }
}

/// Returns lengths of a complete code for at least two occurring symbols: Huffman's, over counts that are flattened
/// until no code is longer than the format allows.
fn lengths(counts: &[u32]) -> Vec<u8> {
    let mut counts = counts.to_vec();
    loop {
        let lengths = huffman(&counts);
        if lengths.iter().all(|length| *length <= LONGEST_CODE) {
            return lengths;
        }
        for count in counts.iter_mut().filter(|count| **count > 0) {
            *count = count.div_ceil(2) + 1;
        }
    }
}

fn huffman(counts: &[u32]) -> Vec<u8> {
    // Each tree: its count, and the symbols in it. Few symbols, so a sorted list does for a heap.
    let mut lengths = vec![0_u8; counts.len()];
    let mut trees: Vec<(u64, Vec<usize>)> = counts
        .iter()
        .enumerate()
        .filter(|(_, count)| **count > 0)
        .map(|(symbol, count)| (u64::from(*count), vec![symbol]))
        .collect();
    trees.sort_by_key(|(count, symbols)| (std::cmp::Reverse(*count), symbols[0]));
    while let (Some((a, mut symbols)), Some((b, others))) = (trees.pop(), trees.pop()) {
        symbols.extend(others);
        for symbol in &symbols {
            lengths[*symbol] = lengths[*symbol].saturating_add(1);
        }
        let at = trees.partition_point(|(count, _)| *count > a + b);
        trees.insert(at, (a + b, symbols));
        if trees.len() == 1 {
            break;
        }
    }
    lengths
}

/// Bits, highest first.
#[derive(Default)]
struct BitWriter {
    bytes: Vec<u8>,
    held: u64,
    count: u32,
}

impl BitWriter {
    /// Adds the low `count` bits (0 to 32) of `value`.
    fn put(&mut self, value: u32, count: u32) {
        self.held = self.held << count | u64::from(value);
        self.count += count;
        while self.count >= 8 {
            self.count -= 8;
            self.bytes.push((self.held >> self.count) as u8);
        }
    }

    fn finish(mut self) -> Vec<u8> {
        self.put(0, (8 - self.count) % 8);
        self.bytes
    }
}
