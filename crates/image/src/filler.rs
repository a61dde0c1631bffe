//! Made-up content that behaves like the content of real firmware.
//!
//! What a planner or a comparison meets in real images is: sectors with blank tails, runs of zeros, words that come again and
//! again, stretches that look random because they are compressed, and record lists with blank room behind them. Each
//! [`Filler`] draws one of these. It means nothing to any machine and parses as no known structure.
//!
//! The same kind, seed, name and length give the same bytes, wherever they are placed. The name sets streams apart, so that one more
//! stretch in an image moves no other. The decision a reader would question: streams come from a small generator that is
//! no cipher; nobody has to be kept from guessing this content.

use rand_xoshiro::Xoshiro256PlusPlus;
use rand_xoshiro::rand_core::{Rng, SeedableRng};

const SECTOR: usize = 4096;

/// A kind of made-up content.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Filler {
    /// Like machine code: words out of a small stock, modules that end in zeros and a blank tail. Compresses well.
    Code,
    /// Like compressed volumes: a short header, then random bytes, then a blank tail. Compresses not at all.
    Packed,
    /// Like tables: rows of 32 bytes with a count, an offset, a length and zeros, zero pages between.
    Tables,
    /// Like saved settings: named records in the first part, blank behind them.
    Settings,
}

/// Returns `len` bytes of this kind, drawn from `seed` and `name`.
pub fn made_up(filler: Filler, seed: u64, name: &str, len: usize) -> Vec<u8> {
    let mut draw = stream(seed, name);
    let mut out = vec![0xFF; len];
    match filler {
        Filler::Code => code(&mut draw, &mut out),
        Filler::Packed => packed(&mut draw, &mut out),
        Filler::Tables => tables(&mut draw, &mut out),
        Filler::Settings => settings(&mut draw, &mut out),
    }
    out
}

/// Returns the stream of numbers that belongs to `name` under `seed`. The name is mixed in with FNV-1a, 64 bits.
pub(crate) fn stream(seed: u64, name: &str) -> Xoshiro256PlusPlus {
    let mixed = name
        .bytes()
        .fold(seed ^ 0xCBF2_9CE4_8422_2325, |hash, byte| (hash ^ u64::from(byte)).wrapping_mul(0x0000_0100_0000_01B3));
    Xoshiro256PlusPlus::seed_from_u64(mixed)
}

fn below(draw: &mut impl Rng, limit: usize) -> usize {
    (draw.next_u64() % limit as u64) as usize
}

/// Cuts `out` into pieces of `least` to `most` sectors; the last one may be shorter.
fn pieces(draw: &mut impl Rng, mut out: &mut [u8], least: usize, most: usize, mut each: impl FnMut(&mut [u8], u64)) {
    while !out.is_empty() {
        let sectors = least + below(draw, most - least + 1);
        let (piece, rest) = out.split_at_mut(out.len().min(sectors * SECTOR));
        each(piece, draw.next_u64());
        out = rest;
    }
}

fn code(draw: &mut impl Rng, out: &mut [u8]) {
    let mut stock = [[0_u8; 4]; 1024];
    for word in &mut stock {
        draw.fill_bytes(word);
    }
    pieces(draw, out, 1, 24, |module, seed| {
        let mut draw = Xoshiro256PlusPlus::seed_from_u64(seed);
        let tail = below(&mut draw, SECTOR.min(module.len()));
        let zeros = below(&mut draw, 1 + (module.len() - tail) / 8);
        let (body, rest) = module.split_at_mut(module.len() - tail - zeros);
        for words in body.chunks_mut(8) {
            let number = draw.next_u64();
            // Two draws joined by "and" favour small numbers, as some words of real code come far more often than others.
            let first = stock[(number & number >> 10) as usize & 1023];
            let mut second = stock[(number >> 20 & number >> 30) as usize & 1023];
            if number >> 60 == 0 {
                second[2..].copy_from_slice(&number.to_le_bytes()[5..7]);
            }
            let len = words.len();
            words.copy_from_slice(&[first, second].concat()[..len]);
        }
        rest[..zeros].fill(0);
    });
}

fn packed(draw: &mut impl Rng, out: &mut [u8]) {
    pieces(draw, out, 32, 160, |volume, seed| {
        let mut draw = Xoshiro256PlusPlus::seed_from_u64(seed);
        let tail = below(&mut draw, SECTOR.min(volume.len()));
        let len = volume.len() - tail;
        draw.fill_bytes(&mut volume[..len]);
        let header = [(len as u32).to_le_bytes(), (len as u32 * 3).to_le_bytes(), [0; 4], [0; 4]].concat();
        let header_len = header.len().min(len);
        volume[..header_len].copy_from_slice(&header[..header_len]);
    });
}

fn tables(draw: &mut impl Rng, out: &mut [u8]) {
    pieces(draw, out, 1, 6, |table, seed| {
        let mut draw = Xoshiro256PlusPlus::seed_from_u64(seed);
        let kind = draw.next_u64() as u16;
        let mut offset = 0_u32;
        let rows = below(&mut draw, table.len() / 32 + 1);
        for (number, row) in table.chunks_exact_mut(32).enumerate() {
            row.fill(0);
            if number < rows {
                let len = 16 + below(&mut draw, 2000) as u32;
                row[0..2].copy_from_slice(&(number as u16).to_le_bytes());
                row[2..4].copy_from_slice(&kind.to_le_bytes());
                row[4..8].copy_from_slice(&offset.to_le_bytes());
                row[8..12].copy_from_slice(&len.to_le_bytes());
                offset += len;
            }
        }
    });
}

fn settings(draw: &mut impl Rng, out: &mut [u8]) {
    const NAMES: [&str; 8] = ["BootOrder", "Clock", "Keyboard", "Lid", "Memory", "Network", "Panel", "Wake"];
    let full = out.len() * 2 / 5;
    let mut at = 0;
    loop {
        let name = NAMES[below(draw, NAMES.len())];
        let mut data = vec![0; 4 + below(draw, 120)];
        draw.fill_bytes(&mut data);
        let record = [&[0xA5, name.len() as u8, data.len() as u8, 0], name.as_bytes(), &data].concat();
        if at + record.len() > full {
            return;
        }
        out[at..at + record.len()].copy_from_slice(&record);
        at += record.len().next_multiple_of(4);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const KINDS: [Filler; 4] = [Filler::Code, Filler::Packed, Filler::Tables, Filler::Settings];

    fn share(bytes: &[u8], wanted: impl Fn(u8) -> bool) -> f64 {
        bytes.iter().filter(|byte| wanted(**byte)).count() as f64 / bytes.len() as f64
    }

    /// Bits of entropy a byte, from the counts of single bytes.
    fn entropy(bytes: &[u8]) -> f64 {
        let mut counts = [0_u32; 256];
        for byte in bytes {
            counts[usize::from(*byte)] += 1;
        }
        let parts = counts.iter().filter(|count| **count > 0).map(|count| f64::from(*count) / bytes.len() as f64);
        -parts.map(|p| p * p.log2()).sum::<f64>()
    }

    #[test]
    fn seed_and_name_decide_and_nothing_else() {
        for kind in KINDS {
            let one = made_up(kind, 1, "one", 1 << 16);
            assert_eq!(one, made_up(kind, 1, "one", 1 << 16), "{kind:?}");
            assert_ne!(one, made_up(kind, 2, "one", 1 << 16), "{kind:?}");
            assert_ne!(one, made_up(kind, 1, "two", 1 << 16), "{kind:?}");
        }
    }

    #[test]
    fn any_length_is_filled_to_the_byte() {
        for kind in KINDS {
            for len in [0, 1, 15, 31, 100, 4095, 4096, 4097, 70_001] {
                assert_eq!(made_up(kind, 3, "any", len).len(), len, "{kind:?}");
            }
        }
    }

    #[test]
    fn packed_content_is_dense_and_code_is_not() {
        let packed = made_up(Filler::Packed, 4, "dense", 1 << 20);
        let code = made_up(Filler::Code, 4, "dense", 1 << 20);
        assert!(entropy(&packed) > 7.9, "{}", entropy(&packed));
        assert!(entropy(&code) < 7.5, "{}", entropy(&code));
        // A word of the stock comes again soon; four random bytes practically never do.
        let words: std::collections::HashSet<&[u8]> = code.chunks_exact(4).collect();
        assert!(words.len() < 40_000, "{} of 262,144 words are unlike", words.len());
    }

    #[test]
    fn code_and_packed_end_in_blank_tails_within_a_sector() {
        for kind in [Filler::Code, Filler::Packed] {
            let bytes = made_up(kind, 5, "tails", 4 << 20);
            let tails = bytes.chunks(4096).filter(|sector| sector.ends_with(&[0xFF; 64]) && sector[0] != 0xFF).count();
            assert!(tails >= 6, "{kind:?}: {tails} sectors with a blank tail");
        }
        let code = made_up(Filler::Code, 5, "tails", 1 << 20);
        assert!(code.chunks(256).any(|page| page.iter().all(|byte| *byte == 0)), "a run of zeros");
    }

    #[test]
    fn settings_leave_more_than_half_blank_and_tables_are_mostly_zeros() {
        let settings = made_up(Filler::Settings, 6, "room", 1 << 17);
        assert!(settings[(1 << 17) * 2 / 5..].iter().all(|byte| *byte == 0xFF));
        assert!(share(&settings[..1 << 15], |byte| byte != 0xFF) > 0.9);
        let tables = made_up(Filler::Tables, 6, "room", 1 << 17);
        assert!(share(&tables, |byte| byte == 0) > 0.6);
        assert!(share(&tables, |byte| byte == 0) < 0.99);
    }
}
