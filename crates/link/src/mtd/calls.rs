//! The two calls of the kernel's MTD interface that exist as `ioctl` alone. The only unsafe code of firmhand.
//!
//! Source of numbers and layouts: include/uapi/mtd/mtd-abi.h. Both take a pointer to a plain structure that lives longer than the
//! call; the kernel reads it and writes nothing back.
#![expect(unsafe_code, reason = "no library wraps these calls; the structures are those of the kernel's header")]

use std::fs::File;
use std::io;
use std::os::fd::AsRawFd;

/// `struct erase_info_user64`.
#[repr(C)]
struct Erase64 {
    start: u64,
    length: u64,
}

/// `struct erase_info_user`.
#[repr(C)]
struct Range32 {
    start: u32,
    length: u32,
}

mod raw {
    use super::{Erase64, Range32};

    nix::ioctl_write_ptr!(mem_erase_64, b'M', 20, Erase64);
    nix::ioctl_read!(mem_is_locked, b'M', 23, Range32);
}

/// Erases whole blocks (MEMERASE64).
pub(super) fn erase(file: &File, start: u64, length: u64) -> io::Result<()> {
    let range = Erase64 { start, length };
    // SAFETY: `file` is open for the whole call, and `range` has the layout that the kernel's header gives for this number.
    unsafe { raw::mem_erase_64(file.as_raw_fd(), &raw const range) }?;
    Ok(())
}

/// Tells whether any of a range is locked (MEMISLOCKED).
pub(super) fn is_locked(file: &File, start: u32, length: u32) -> io::Result<bool> {
    let mut range = Range32 { start, length };
    // SAFETY: as above; the kernel reads the structure, whatever the direction in the call's number says.
    let answer = unsafe { raw::mem_is_locked(file.as_raw_fd(), &raw mut range) }?;
    Ok(answer > 0)
}
