//! Erasing and programming, with what safety rule S6 wants on the way, by lists of the link or by single transfers.
//!
//! A link runs a list when it can and nothing speaks against it: chips that may lose their address mode (see `reach`) and
//! chips that take words instead of pages are changed step by step. Where the chip tells of a failed erase or program it
//! is asked after each step, or after each list; the error is cleared, since some chips stay busy until it is.

use nor::catalogue::StatusErrors;
use nor::chip::{Addressing, Chip, Times};
use nor::command::{
    PROGRAM, PROGRAM_WORDS, READ_FLAGS, STATUS_BUSY, STATUS_WRITE_ENABLED, Transfer, WRITE_DISABLE, WRITE_ENABLE,
    WRITE_ENABLE_VOLATILE,
};
use nor::link::{EraseList, GUARD_EVERY, Guard, ProgramRange, Request, Stop};

use crate::PATIENCE;
use crate::bus::{Bus, differs};
use crate::error::DriverError;
use crate::reach::Proof;

/// Shortest time between two polls of the status register.
const LEAST_POLL_US: u64 = 20;

/// Status register, bits 5 and 6: an erase or a program failed, on parts that tell it there.
const STATUS_FAILED: u8 = 0x60;

/// Flag register: an erase failed, a program failed, the place was protected, ready.
const FLAGS_FAILED: u8 = 0x30;
const FLAGS_PROTECTED: u8 = 0x02;
const FLAGS_READY: u8 = 0x80;

/// What is changed, and what has to hold meanwhile.
#[derive(Debug)]
pub(crate) struct Changing<'a> {
    pub chip: &'a Chip,
    pub guard: Guard,
    pub proof: Proof,
}

/// One erase or program under way.
#[derive(Debug, Clone, Copy)]
struct Step {
    at: u32,
    erase: bool,
    typical_us: u64,
    limit_us: u64,
}

impl Changing<'_> {
    /// Whether the link may run lists by itself.
    fn by_lists(&self) -> bool {
        self.proof == Proof::NotNeeded && !self.chip.words_only
    }

    /// What clears error bits of the status register, where there are any.
    fn clears_status(&self) -> Option<u8> {
        match self.chip.status_errors? {
            StatusErrors::FlagRegister => None,
            StatusErrors::StatusClearedBy30 => Some(0x30),
            StatusErrors::StatusClearedBy82 => Some(0x82),
        }
    }
}

impl Bus {
    /// Erases the blocks of a list, by the link or one by one.
    pub(crate) async fn erase(&self, changing: &Changing<'_>, list: EraseList) -> Result<(), DriverError> {
        let first = list.blocks.first().map_or(0, |block| block.at);
        if self.limits().features.erase_list && changing.by_lists() {
            let places: Vec<u32> = list.blocks.iter().map(|block| block.at).collect();
            let busy: u64 = list.blocks.iter().map(|block| block.limit_us).sum();
            let deadline = busy + self.allowance_us(64 * list.blocks.len() as u64);
            let (done, stop) = self.list(Request::EraseList(list), deadline, "erasing").await?;
            let at = places.get(done as usize).copied().unwrap_or(first);
            return self.ended(changing, stop, at, true).await;
        }
        for block in &list.blocks {
            self.check(&changing.guard, block.at).await?;
            self.write_enable(changing, block.at, true).await?;
            self.transfer(Transfer::erase(block.opcode, block.at, list.address_bytes), "erasing").await?;
            let (typical_us, limit_us) = (block.typical_us, block.limit_us);
            self.wait_ready(changing, Step { at: block.at, erase: true, typical_us, limit_us }).await?;
        }
        Ok(())
    }

    /// Most bytes that [`Bus::program`] takes: what lies between two checks (S6), and what the link takes at once.
    pub(crate) fn program_bytes(&self, page: u32) -> u32 {
        let limits = self.limits();
        let most = if limits.features.program_range { limits.max_range / page * page } else { GUARD_EVERY };
        most.min(GUARD_EVERY).max(page)
    }

    /// Programs a range of at most [`Bus::program_bytes`] page by page, by the link or one by one.
    pub(crate) async fn program(&self, changing: &Changing<'_>, range: ProgramRange) -> Result<(), DriverError> {
        let first = range.at;
        if changing.chip.words_only {
            return self.program_words(changing, first, &range.data).await;
        }
        if self.limits().features.program_range && changing.by_lists() {
            let pages = range.data.len().div_ceil(range.page as usize) as u64;
            let deadline = pages * range.limit_us + self.allowance_us(2 * range.data.len() as u64);
            let (done, stop) = self.list(Request::ProgramRange(range), deadline, "programming").await?;
            let at = if stop.is_some() { first + done } else { first };
            return self.ended(changing, stop, at, false).await;
        }
        let mut at = first;
        for page in range.data.chunks(range.page as usize) {
            let look = (at - first).is_multiple_of(GUARD_EVERY);
            if look {
                self.check(&changing.guard, at).await?;
            }
            self.write_enable(changing, at, look).await?;
            self.transfer(Transfer::program(range.opcode, at, range.address_bytes, page), "programming").await?;
            let (typical_us, limit_us) = (range.typical_us, range.limit_us);
            self.wait_ready(changing, Step { at, erase: false, typical_us, limit_us }).await?;
            at += range.page;
        }
        Ok(())
    }

    /// Programs a range of at most [`GUARD_EVERY`] bytes on a part without pages: an odd byte at either end by 02h, and what
    /// lies between in one row of words. 04h ends the row also when it breaks off, since in a row the chip hears nothing else.
    async fn program_words(&self, changing: &Changing<'_>, first: u32, data: &[u8]) -> Result<(), DriverError> {
        self.check(&changing.guard, first).await?;
        let head = data.len().min(first as usize % 2);
        let (odd, rest) = data.split_at(head);
        let (words, tail) = rest.split_at(rest.len() / 2 * 2);
        self.program_byte(changing, first, odd).await?;
        let at = first + u32::try_from(head).expect("0 or 1");
        if !words.is_empty() {
            self.write_enable(changing, at, true).await?;
            let row = self.row(changing, at, words).await;
            let ended = self.transfer(Transfer::bare(WRITE_DISABLE), "ending a row of words").await;
            row?;
            ended?;
        }
        self.program_byte(changing, at + u32::try_from(words.len()).expect("a range"), tail).await
    }

    async fn row(&self, changing: &Changing<'_>, first: u32, words: &[u8]) -> Result<(), DriverError> {
        let Times { typical_us, max_us } = changing.chip.program;
        for (index, word) in (0_u32..).zip(words.chunks(2)) {
            let at = first + 2 * index;
            let transfer = if index == 0 {
                Transfer::program(PROGRAM_WORDS, at, changing.chip.addressing.bytes(), word)
            } else {
                Transfer { write: [&[PROGRAM_WORDS], word].concat(), read: 0 }
            };
            self.transfer(transfer, "programming").await?;
            self.wait_ready(changing, Step { at, erase: false, typical_us, limit_us: max_us * PATIENCE }).await?;
        }
        Ok(())
    }

    async fn program_byte(&self, changing: &Changing<'_>, at: u32, byte: &[u8]) -> Result<(), DriverError> {
        if byte.is_empty() {
            return Ok(());
        }
        let Times { typical_us, max_us } = changing.chip.program;
        self.write_enable(changing, at, true).await?;
        let transfer = Transfer::program(PROGRAM, at, changing.chip.addressing.bytes(), byte);
        self.transfer(transfer, "programming").await?;
        self.wait_ready(changing, Step { at, erase: false, typical_us, limit_us: max_us * PATIENCE }).await
    }

    /// Sets the write enable latch, proves the address mode behind it (the order is what makes it safe, see `reach`), and,
    /// when told to look, sees that the latch is set: a chip that ignores it would ignore what follows as well.
    async fn write_enable(&self, changing: &Changing<'_>, at: u32, look: bool) -> Result<(), DriverError> {
        if changing.chip.addressing == Addressing::ExtendedRegister {
            self.turn_segment(at).await?;
        }
        self.transfer(Transfer::bare(WRITE_ENABLE), "enabling a write").await?;
        self.hold_mode(changing, at).await?;
        if !look {
            return Ok(());
        }
        let status = self.read_status().await?;
        if status & STATUS_WRITE_ENABLED == 0 { Err(DriverError::NotEnabled { at, status }) } else { Ok(()) }
    }

    /// Proves the address mode; a chip that fails the proof and does not answer as itself either is another case.
    pub(crate) async fn hold_mode(&self, changing: &Changing<'_>, at: u32) -> Result<(), DriverError> {
        let proven = self.prove(&changing.proof, at).await;
        if matches!(proven, Err(DriverError::ModeLost { .. })) {
            self.check(&changing.guard, at).await?;
        }
        proven
    }

    /// Waits until the chip is ready: first for the typical time, then in sixteenths of it. A line that floats high
    /// looks like a busy chip too.
    async fn wait_ready(&self, changing: &Changing<'_>, step: Step) -> Result<(), DriverError> {
        let begun = self.now_us();
        let mut pause = step.typical_us;
        loop {
            self.wait(pause).await;
            let status = self.read_status().await?;
            self.look_at_status(changing, status, step.at, step.erase).await?;
            if status & STATUS_BUSY == 0 {
                return self.look_at_flags(changing, step.at, step.erase).await;
            }
            let waited = self.now_us() - begun;
            if waited > step.limit_us {
                // A busy chip answers nothing but its status, so the id is asked only when that looks like a floating line.
                if status == 0xFF {
                    let id = self.read_id(id_bytes(&changing.guard)).await?;
                    return Err(differs(&changing.guard, step.at, id, status));
                }
                return Err(DriverError::Busy { at: step.at, waited_ms: waited / 1000 });
            }
            pause = (step.typical_us / 16).max(LEAST_POLL_US);
        }
    }

    /// What became of a list that the link ran.
    async fn ended(
        &self,
        changing: &Changing<'_>,
        stop: Option<Stop>,
        at: u32,
        erase: bool,
    ) -> Result<(), DriverError> {
        let lost = matches!(&stop, Some(Stop::Differs { id, .. }) if *id != changing.guard.id);
        if !lost && changing.chip.status_errors.is_some() {
            if changing.clears_status().is_some() {
                let status = self.read_status().await?;
                self.look_at_status(changing, status, at, erase).await?;
            } else {
                self.look_at_flags(changing, at, erase).await?;
            }
        }
        match stop {
            None => Ok(()),
            Some(Stop::Differs { id, status }) => Err(differs(&changing.guard, at, id, status)),
            Some(Stop::Busy { waited_us }) => Err(DriverError::Busy { at, waited_ms: waited_us / 1000 }),
            Some(Stop::NotEnabled { status }) => Err(DriverError::NotEnabled { at, status }),
        }
    }

    /// Error bits of the status register; once cleared, the chip has to answer as itself, or it was the line.
    async fn look_at_status(
        &self,
        changing: &Changing<'_>,
        status: u8,
        at: u32,
        erase: bool,
    ) -> Result<(), DriverError> {
        let Some(clear) = changing.clears_status() else { return Ok(()) };
        if status == 0xFF || status & STATUS_FAILED & !changing.guard.status == 0 {
            return Ok(());
        }
        self.transfer(Transfer::bare(clear), "clearing an error").await?;
        self.transfer(Transfer::bare(WRITE_DISABLE), "clearing an error").await?;
        let id = self.read_id(id_bytes(&changing.guard)).await?;
        if id != changing.guard.id {
            return Err(differs(&changing.guard, at, id, status));
        }
        Err(DriverError::Failed { at, erase, protected: false })
    }

    /// Error bits of the flag register, once it says that the chip is ready.
    async fn look_at_flags(&self, changing: &Changing<'_>, at: u32, erase: bool) -> Result<(), DriverError> {
        if changing.chip.status_errors != Some(StatusErrors::FlagRegister) {
            return Ok(());
        }
        let flags = self.transfer(Transfer::register(READ_FLAGS, 1), "reading the flags").await?[0];
        // A line that floats has every flag set: then the id differs too.
        if flags == 0xFF || flags & FLAGS_READY == 0 {
            self.check(&changing.guard, at).await?;
        }
        if flags & (FLAGS_FAILED | FLAGS_PROTECTED) == 0 {
            return Ok(());
        }
        self.transfer(Transfer::bare(WRITE_ENABLE_VOLATILE), "clearing an error").await?;
        self.transfer(Transfer::bare(WRITE_DISABLE), "clearing an error").await?;
        Err(DriverError::Failed { at, erase, protected: flags & FLAGS_PROTECTED != 0 })
    }
}

fn id_bytes(guard: &Guard) -> u32 {
    u32::try_from(guard.id.len()).expect("an id is a few bytes")
}
