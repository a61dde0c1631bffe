//! A vote among three or more byte passes, for a person who asks for it.
//!
//! Each bit takes the value that more than half of the passes have. The counts come with it, because a vote is a guess and
//! the person must see how much of one. `judge` never uses it: passes through one bad contact err alike, and a
//! vote then elects the error.

use crate::pass::{Pass, PassContent, SECTOR};

/// What most passes say.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Majority {
    /// The voted content.
    pub content: Vec<u8>,
    /// Byte passes that voted.
    pub passes: usize,
    /// Bits at which they were not of one mind.
    pub not_unanimous_bits: u64,
    /// Bits with as many passes for as against, which keep the first pass's value. Always 0 for an odd number of passes.
    pub tied_bits: u64,
}

/// Returns the vote among the byte passes of `passes`; digest passes have none.
///
/// `None` for fewer than three byte passes, or when their lengths differ.
pub fn majority(passes: &[Pass<'_>]) -> Option<Majority> {
    let votes: Vec<&[u8]> = passes
        .iter()
        .filter_map(|pass| match pass.content {
            PassContent::Bytes(bytes) => Some(bytes),
            PassContent::Digests(_) => None,
        })
        .collect();
    let first = *votes.first()?;
    if votes.len() < 3 || votes.iter().any(|vote| vote.len() != first.len()) {
        return None;
    }
    let mut found = Majority { content: first.to_vec(), passes: votes.len(), not_unanimous_bits: 0, tied_bits: 0 };
    for (index, sector) in first.chunks(SECTOR).enumerate() {
        let from = index * SECTOR;
        if votes.iter().all(|vote| vote[from..from + sector.len()] == *sector) {
            continue;
        }
        for at in from..from + sector.len() {
            if votes.iter().any(|vote| vote[at] != first[at]) {
                found.settle(&votes, at);
            }
        }
    }
    Some(found)
}

impl Majority {
    fn settle(&mut self, votes: &[&[u8]], at: usize) {
        for mask in (0..8).map(|bit| 1_u8 << bit) {
            let set = votes.iter().filter(|vote| vote[at] & mask != 0).count();
            let clear = votes.len() - set;
            if set > 0 && clear > 0 {
                self.not_unanimous_bits += 1;
            }
            match set.cmp(&clear) {
                std::cmp::Ordering::Greater => self.content[at] |= mask,
                std::cmp::Ordering::Less => self.content[at] &= !mask,
                std::cmp::Ordering::Equal => self.tied_bits += 1,
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::pass::crc32_blocks;
    use crate::testing::{Draw, bytes_pass, firmware, for_seeds};

    fn of(contents: &[&[u8]]) -> Option<Majority> {
        majority(&contents.iter().map(|content| bytes_pass(content)).collect::<Vec<_>>())
    }

    #[test]
    fn single_errors_in_different_places_are_outvoted_and_counted() {
        for_seeds("single_errors_in_different_places_are_outvoted_and_counted", 20, |seed| {
            let mut draw = Draw::new(seed);
            let truth = firmware(seed, 20_000);
            let mut passes = vec![truth.clone(); 3 + 2 * draw.below(2) as usize];
            let errors = draw.below(40);
            for n in 0..errors {
                // One place for each error: a stride keeps them apart.
                let pass = draw.below(passes.len() as u64) as usize;
                passes[pass][n as usize * 499] ^= 1 << draw.below(8);
            }
            let found = of(&passes.iter().map(Vec::as_slice).collect::<Vec<_>>()).unwrap();
            assert_eq!(found.content, truth);
            assert_eq!((found.not_unanimous_bits, found.tied_bits, found.passes), (errors, 0, passes.len()));
        });
    }

    #[test]
    fn most_passes_win_bit_by_bit() {
        let found = of(&[&[0b1100_0000], &[0b1010_0000], &[0b0110_0001]]).unwrap();
        assert_eq!(found.content, [0b1110_0000]);
        assert_eq!(found.not_unanimous_bits, 4);
    }

    #[test]
    fn a_tie_keeps_the_first_pass_and_is_counted() {
        let found = of(&[&[0x0F], &[0x0F], &[0x0E], &[0x0E]]).unwrap();
        assert_eq!((found.content, found.tied_bits, found.not_unanimous_bits), (vec![0x0F], 1, 1));
    }

    #[test]
    fn two_byte_passes_or_uneven_ones_are_no_vote() {
        let content = firmware(1, 4096);
        let digests = crc32_blocks(&content);
        let mut passes = vec![bytes_pass(&content), bytes_pass(&content), bytes_pass(&content)];
        assert!(majority(&passes).is_some());
        passes[2].content = PassContent::Digests(&digests);
        assert_eq!(majority(&passes), None);
        passes[2].content = PassContent::Bytes(&content[1..]);
        assert_eq!(majority(&passes), None);
    }
}
