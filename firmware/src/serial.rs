//! The board's serial number: the unique id of its own flash chip, which every such chip answers to 4Bh.
//!
//! The flash holds this very program, so it has to be asked from code that lies in RAM, with interrupts off. The second stage of
//! the boot process is the one that reads with 03h: with it the flash is in no mode that would have to be left first, whoever made it.
//! The boot ROM has a function for part of this; we use none of it, so that what runs is all in this repository.

use core::ptr::{read_volatile, write_volatile};

use static_cell::StaticCell;

/// Opcode, four dummy bytes, eight bytes of id.
const LEN: usize = 13;
/// From the RP2040 data sheet, "SSI: list of registers".
const SSI: usize = 0x1800_0000;
const CTRLR0: usize = SSI;
const CTRLR1: usize = SSI + 0x04;
const SSIENR: usize = SSI + 0x08;
const SR: usize = SSI + 0x28;
const DR0: usize = SSI + 0x60;
const SPI_CTRLR0: usize = SSI + 0xF4;
const SR_TRANSMIT_EMPTY: u32 = 1 << 2;
const SR_RECEIVED: u32 = 1 << 3;
const SR_BUSY: u32 = 1;
/// Frames of eight bits, both directions, one data line.
const EIGHT_BITS: u32 = 7 << 16;
/// "IO_QSPI: GPIO_QSPI_SS_CTRL": the output override holds chip select, which would otherwise rise when the processor is late.
const SELECT: usize = 0x4001_8000 + 0x0C;
const SELECT_MASK: u32 = 3 << 8;
const SELECT_LOW: u32 = 2 << 8;

/// Returns sixteen hexadecimal digits.
pub fn read() -> &'static str {
    static TEXT: StaticCell<[u8; 16]> = StaticCell::new();
    let mut bytes = [0; LEN];
    bytes[0] = 0x4B;
    // SAFETY: interrupts are off and the other core sleeps, so nobody fetches from the flash meanwhile; the function lies in RAM.
    cortex_m::interrupt::free(|_| unsafe { exchange(bytes.as_mut_ptr()) });
    let text = TEXT.init([0; 16]);
    for (at, byte) in bytes[5..].iter().enumerate() {
        for (half, digit) in [byte >> 4, byte & 15].into_iter().enumerate() {
            text[at * 2 + half] = b"0123456789ABCDEF"[usize::from(digit)];
        }
    }
    core::str::from_utf8(text).unwrap_or("0000000000000000")
}

/// Exchanges [`LEN`] bytes with the flash under one chip select.
///
/// # Safety
/// `bytes` points to [`LEN`] bytes in RAM, and nothing uses the flash until this returns. It must not call anything: functions lie in
/// the flash.
#[inline(never)]
#[unsafe(link_section = ".data.serial_exchange")]
unsafe extern "C" fn exchange(bytes: *mut u8) {
    // SAFETY: the registers exist; their old values are put back.
    unsafe {
        let at = |register: usize| register as *mut u32;
        while read_volatile(at(SR)) & (SR_BUSY | SR_TRANSMIT_EMPTY) != SR_TRANSMIT_EMPTY {}
        write_volatile(at(SSIENR), 0);
        let kept = [read_volatile(at(CTRLR0)), read_volatile(at(CTRLR1)), read_volatile(at(SPI_CTRLR0))];
        write_volatile(at(CTRLR0), EIGHT_BITS);
        write_volatile(at(CTRLR1), 0);
        write_volatile(at(SSIENR), 1);
        let select = read_volatile(at(SELECT));
        write_volatile(at(SELECT), select & !SELECT_MASK | SELECT_LOW);
        let mut count = 0;
        while count < LEN {
            write_volatile(at(DR0), read_volatile(bytes.add(count)) as u32);
            while read_volatile(at(SR)) & SR_RECEIVED == 0 {}
            write_volatile(bytes.add(count), read_volatile(at(DR0)) as u8);
            count += 1;
        }
        write_volatile(at(SELECT), select);
        write_volatile(at(SSIENR), 0);
        write_volatile(at(CTRLR0), kept[0]);
        write_volatile(at(CTRLR1), kept[1]);
        write_volatile(at(SPI_CTRLR0), kept[2]);
        write_volatile(at(SSIENR), 1);
    }
}
