//! Packing: the counterparts of [`crate::decode`], for images that are made and for tests.
//!
//! The same content gives the same stream on every machine. Nothing here aims at the smallest result: a made image has
//! to be real in its structure, and quick to make.
//!
//! The decision a reader would question: Brotli streams are stored and not compressed. An encoder is a large
//! dependency, a stored stream is as valid, and the decoder's tests bring an encoder of their own.

mod tiano;

use std::io::Write;

use lzma_rust2::{LzmaOptions, LzmaWriter};

use crate::decode::{Direction, convert};
pub use tiano::packed;

/// Returns `bytes` as a `.lzma` stream with a stated size and no end mark, as firmware has it.
///
/// The dictionary has 64 KiB, doubled until it holds the content, up to 16 MiB; properties are lc 3, lp 0, pb 2 (5Dh).
pub fn lzma(bytes: &[u8]) -> Vec<u8> {
    lzma_stream(bytes, Some(bytes.len() as u64))
}

/// Returns `bytes` as a `.lzma` stream that states no size and ends with an end mark.
pub fn lzma_with_end_mark(bytes: &[u8]) -> Vec<u8> {
    lzma_stream(bytes, None)
}

/// Returns `bytes` filtered for x86 code and packed by [`lzma`].
pub fn lzma_x86(bytes: &[u8]) -> Vec<u8> {
    let mut filtered = bytes.to_vec();
    convert(&mut filtered, Direction::Encode);
    lzma(&filtered)
}

/// Returns `bytes` as the data of a Brotli section: the 16-byte prefix, then a stream of stored blocks (RFC 7932,
/// section 9.2).
pub fn brotli_stored(bytes: &[u8]) -> Vec<u8> {
    const MOST: usize = 1 << 16;
    // A firmware decoder is told how much scratch memory it needs; nothing checks it.
    let scratch = 0x1_0000_u64;
    let mut out = [(bytes.len() as u64).to_le_bytes(), scratch.to_le_bytes()].concat();
    // Lowest bit first. One bit 0: a window of 64 KiB. Then, for each block: not the last (0), length less one in four
    // nibbles (00), that length, stored (1), and zeros up to the byte's end.
    let mut first = true;
    for block in bytes.chunks(MOST) {
        let header = ((block.len() - 1) as u32) << 3 | 1 << 19;
        let header = if first { header << 1 } else { header };
        out.extend(&header.to_le_bytes()[..3]);
        out.extend(block);
        first = false;
    }
    // The last block (1), empty (1), after the window bit when nothing came before.
    out.push(if first { 0b110 } else { 0b11 });
    out
}

fn lzma_stream(bytes: &[u8], size: Option<u64>) -> Vec<u8> {
    let mut options = LzmaOptions::with_preset(3);
    options.dict_size = bytes.len().next_power_of_two().clamp(64 << 10, 16 << 20) as u32;
    let mut writer =
        LzmaWriter::new_use_header(Vec::new(), &options, size).expect("the options are within the format's limits");
    writer.write_all(bytes).expect("a vector takes everything");
    writer.finish().expect("as many bytes were written as stated")
}
