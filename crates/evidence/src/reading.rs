//! What a diagnosis looks at: contents, and how each of them crossed the wires.
//!
//! A contact fault leaves its marks along the time of a read and not along the addresses: a lost clock edge damages what
//! follows until chip select rises, a sagging supply whatever is read during it. So a content comes with the list of its
//! transactions, in the order in which they were made; bare files come without and are looked at under a guess.
//!
//! The decision a reader would question: a chunk and an order stand for a list, and only a caller with an unusual manner of
//! reading writes the list out. Nothing checks that a list covers the content; bytes that no transaction brought are
//! compared but never explained.

use crate::pass::{Order, Pass, PassContent};

/// One read command: chip select falls, opcode and address go out, `len` bytes come in, chip select rises.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Transaction {
    /// The read command: 03h, 0Bh, 13h, 0Ch and so on.
    pub opcode: u8,
    /// The address that was sent.
    pub at: u32,
    /// Bytes that came in.
    pub len: u32,
}

/// The transactions of one pass.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Transactions {
    /// Equal chunks in an order; the last one may be shorter.
    Chunks {
        /// The read command.
        opcode: u8,
        /// Bytes of one command; 0: the whole chip in one.
        chunk: u32,
        /// The order of the chunks.
        order: Order,
    },
    /// Written out, oldest first.
    List(Vec<Transaction>),
}

/// How a content was read.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Conditions {
    /// The serial clock in hertz; 0 when it is not known.
    pub clock_hz: u32,
    /// Address bytes of each command, 3 or 4.
    pub address_bytes: u8,
    /// What was asked, in order.
    pub transactions: Transactions,
}

/// One content with the conditions it was read under.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Reading<'a> {
    /// The bytes from address 0.
    pub content: &'a [u8],
    /// How it was read; `None` for a bare file.
    pub conditions: Option<Conditions>,
}

impl Conditions {
    /// Returns the transactions of a read of `size` bytes, oldest first.
    ///
    /// Those that begin past the end are left out, those that run past it are cut.
    pub fn list(&self, size: u32) -> Vec<Transaction> {
        match &self.transactions {
            Transactions::Chunks { opcode, chunk, order } => chunks(*opcode, *chunk, *order, size),
            Transactions::List(list) => list
                .iter()
                .filter(|one| one.at < size && one.len > 0)
                .map(|one| Transaction { len: one.len.min(size - one.at), ..*one })
                .collect(),
        }
    }
}

impl<'a> Reading<'a> {
    /// Returns the content as a bare file has it, with nothing known of how it was read.
    pub fn bare(content: &'a [u8]) -> Self {
        Self { content, conditions: None }
    }

    /// Returns `pass` as a reading; `None` for one that has only digests, which show no bits.
    pub fn of_pass(pass: &Pass<'a>) -> Option<Self> {
        let PassContent::Bytes(content) = pass.content else { return None };
        // From memory: 13h and 0Ch take four address bytes in every mode.
        let address_bytes = if matches!(pass.opcode, 0x13 | 0x0C | 0x3C) { 4 } else { 3 };
        let transactions = Transactions::Chunks { opcode: pass.opcode, chunk: pass.chunk, order: pass.order };
        Some(Self { content, conditions: Some(Conditions { clock_hz: pass.clock_hz, address_bytes, transactions }) })
    }
}

fn chunks(opcode: u8, chunk: u32, order: Order, size: u32) -> Vec<Transaction> {
    if size == 0 {
        return Vec::new();
    }
    let chunk = if chunk == 0 { size } else { chunk.min(size) };
    let count = size.div_ceil(chunk);
    let one = |index: u32| Transaction { opcode, at: index * chunk, len: chunk.min(size - index * chunk) };
    match order {
        Order::Ascending => (0..count).map(one).collect(),
        Order::Descending => (0..count).rev().map(one).collect(),
        Order::Interleaved => (0..count).step_by(2).chain((1..count).step_by(2)).map(one).collect(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::testing::bytes_pass;

    fn places(order: Order, chunk: u32, size: u32) -> Vec<(u32, u32)> {
        chunks(0x03, chunk, order, size).iter().map(|one| (one.at, one.len)).collect()
    }

    #[test]
    fn orders_are_laid_out_as_they_are_named() {
        assert_eq!(places(Order::Ascending, 4, 10), [(0, 4), (4, 4), (8, 2)]);
        assert_eq!(places(Order::Descending, 4, 10), [(8, 2), (4, 4), (0, 4)]);
        assert_eq!(places(Order::Interleaved, 4, 14), [(0, 4), (8, 4), (4, 4), (12, 2)]);
        assert_eq!(places(Order::Descending, 0, 10), [(0, 10)]);
        assert_eq!(places(Order::Ascending, u32::MAX, 10), [(0, 10)]);
        assert_eq!(places(Order::Ascending, 4, 0), []);
    }

    #[test]
    fn a_written_list_is_cut_to_the_size() {
        let one = |at, len| Transaction { opcode: 3, at, len };
        let list = Transactions::List(vec![one(8, 8), one(20, 4), one(0, 0), one(0, 2)]);
        let conditions = Conditions { clock_hz: 0, address_bytes: 3, transactions: list };
        assert_eq!(conditions.list(10), [one(8, 2), one(0, 2)]);
    }

    #[test]
    fn a_pass_of_digests_is_no_reading() {
        let mut pass = bytes_pass(b"ab");
        pass.opcode = 0x13;
        let conditions = Reading::of_pass(&pass).unwrap().conditions.unwrap();
        assert_eq!((conditions.address_bytes, conditions.clock_hz), (4, 4_000_000));
        pass.content = PassContent::Digests(&[]);
        assert_eq!(Reading::of_pass(&pass), None);
    }
}
