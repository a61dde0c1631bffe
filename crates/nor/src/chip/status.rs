//! Which status registers a chip has, and how the first one is written.
//!
//! The chip's own table goes before the maker's habit, which is from memory of public datasheets. Opcodes that other
//! makers give another meaning (35h, 15h) are named only for parts whose table or maker has them as status registers.

use crate::catalogue;
use crate::command::{READ_STATUS, READ_STATUS_2, READ_STATUS_3};
use crate::sfdp::{Basic, QuadEnable, StatusEnable};

/// Status registers of one chip.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct StatusForm {
    /// Opcodes that read status registers 1, 2, ..., as many as are known.
    pub reads: Vec<u8>,
    /// Registers that one 01h writes: 1 or 2; none when nothing says.
    pub write_bytes: Option<usize>,
    /// Whether 50h before the write makes it volatile.
    pub volatile: bool,
}

impl StatusForm {
    pub(super) fn of(id: &[u8], basic: Option<&Basic>) -> Self {
        let habit = catalogue::status_write(id);
        // A part that clears the second register when it gets one byte, and one that may, gets both.
        let by_table = basic.and_then(|basic| basic.quad_enable).map(|quad| match quad {
            QuadEnable::SecondClearedByOne | QuadEnable::SecondKeptByOne | QuadEnable::SecondBy01 => 2,
            QuadEnable::None | QuadEnable::FirstBit6 | QuadEnable::SecondBit7 | QuadEnable::SecondBy31 => 1,
        });
        let write_bytes = by_table.or(habit.map(|habit| usize::from(habit.bytes)));
        let second = matches!(
            basic.and_then(|basic| basic.quad_enable),
            Some(QuadEnable::SecondKeptByOne | QuadEnable::SecondBy01 | QuadEnable::SecondBy31)
        ) || habit.is_some_and(|habit| habit.bytes == 2);
        let mut reads = vec![READ_STATUS];
        if second {
            reads.push(READ_STATUS_2);
        }
        if catalogue::is_winbond_like(id) {
            reads.push(READ_STATUS_3);
        }
        let volatile = match basic.and_then(|basic| basic.status_enable) {
            Some(enable) => matches!(enable, StatusEnable::Both | StatusEnable::VolatileBy50),
            None => habit.is_some_and(|habit| habit.volatile),
        };
        Self { reads, write_bytes, volatile }
    }
}
