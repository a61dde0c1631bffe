//! What can go wrong with a chip, by who is at fault and what to do.

use nor::chip::id_text;
use nor::link::LinkError;
use nor::protection::Protection;

/// Why an operation ended early.
#[derive(Debug, thiserror::Error)]
pub enum DriverError {
    /// Nothing answers: the id reads as a constant level.
    #[error("no chip answered: the id read as {} three times", spaced(read))]
    NoChip {
        /// What 9Fh gave.
        read: Vec<u8>,
    },
    /// Answers differ from one read to the next.
    #[error("the {what} came back differently{}", unlike(what, first, second))]
    Unsteady {
        /// Id, tables, status, unique id or content.
        what: &'static str,
        /// One answer.
        first: Vec<u8>,
        /// Another.
        second: Vec<u8>,
    },
    /// Another chip, or none, answers now (S6).
    #[error(
        "contact lost at {at:#010x}: the id reads {} instead of {}, the status {status:02x}",
        id_text(read),
        id_text(expected)
    )]
    ContactLost {
        /// Where the operation stood.
        at: u32,
        /// The id that was read before.
        expected: Vec<u8>,
        /// The id now.
        read: Vec<u8>,
        /// Status register 1 now.
        status: u8,
    },
    /// The status register changed under the operation (S6).
    #[error("the chip's status changed at {at:#010x}: {read:02x} instead of {expected:02x} (bits {mask:02x} count)")]
    StatusChanged {
        /// Where the operation stood.
        at: u32,
        /// Status register 1 before.
        expected: u8,
        /// Now.
        read: u8,
        /// The bits that may not change.
        mask: u8,
    },
    /// The chip never became ready.
    #[error("the chip stays busy at {at:#010x}: not ready after {waited_ms} ms, far past its longest time")]
    Busy {
        /// Where the operation stood.
        at: u32,
        /// How long it was waited for.
        waited_ms: u64,
    },
    /// The chip fell back to three address bytes while it was written (S6).
    #[error(
        "contact lost at {at:#010x}: the chip takes three address bytes again, so its supply dipped or it was reset; \
         nothing was sent after that: check supply and clip, then run again"
    )]
    ModeLost {
        /// Where the operation stood.
        at: u32,
    },
    /// The chip itself says that an erase or program failed.
    #[error("the chip says that {} at {at:#010x} failed{}", if *erase { "the erase" } else { "programming" },
        if *protected { ": the place is protected" } else { "" })]
    Failed {
        /// The block or page, or the first one of the list that the link ran.
        at: u32,
        /// An erase; else a program.
        erase: bool,
        /// The chip gives protection as the reason.
        protected: bool,
    },
    /// A status write left other registers than it should have (S14).
    #[error("after the status write the registers read {} instead of {}: {}", spaced(read), spaced(expected),
        if *write_protect { "bit 7 of the first one makes the chip ignore it while WP# is low: pull WP# up to the chip's supply" }
        else { "a lock holds them until the next power-up, or for ever: take the supply off and give it again" })]
    StatusRefused {
        /// As they should read.
        expected: Vec<u8>,
        /// As they read.
        read: Vec<u8>,
        /// The status register write disable bit was set, so that WP# counts.
        write_protect: bool,
    },
    /// The locks of single blocks did not open.
    #[error("the chip does not open its block locks by {opcode:02X}h: the status reads {status:02x}")]
    LocksStay {
        /// What was sent.
        opcode: u8,
        /// Status register 1.
        status: u8,
    },
    /// The chip is not known to have locks that one command opens.
    #[error("no source names a command that opens locks of single blocks on this chip, so none is sent")]
    NoBlockLocks,
    /// The write enable latch does not set.
    #[error("the chip does not take a write enable at {at:#010x}: the status reads {status:02x}")]
    NotEnabled {
        /// Where the operation stood.
        at: u32,
        /// Status register 1.
        status: u8,
    },
    /// What is to be written lies under block protection.
    #[error("the chip protects what is to be written: {}", protected_text(protection, *status))]
    Protected {
        /// What the status register says.
        protection: Protection,
        /// Status register 1.
        status: u8,
    },
    /// Part of the chip cannot be addressed, so that it can be neither read nor verified as a whole.
    #[error("nothing says how to reach past the first 16 MiB of this chip's {size} bytes")]
    Unreachable {
        /// The chip's size.
        size: u32,
    },
    /// The link is gone, silent or broken.
    #[error("the link failed while {doing}")]
    Link {
        /// What was going on.
        doing: &'static str,
        /// The link's own error.
        source: LinkError,
    },
    /// The link answered something else than it was asked: a mistake in the link's own code.
    #[error("the link gave another kind of answer than the request has, while {doing}")]
    Answer {
        /// What was going on.
        doing: &'static str,
    },
}

impl DriverError {
    /// Tells whether running the same command again can go on where this one stopped: what failed was the contact,
    /// the supply or the link, and not a check.
    #[must_use]
    pub fn is_resumable(&self) -> bool {
        !matches!(
            self,
            Self::Protected { .. }
                | Self::NotEnabled { .. }
                | Self::Unreachable { .. }
                | Self::Answer { .. }
                | Self::Failed { .. }
                | Self::StatusRefused { .. }
                | Self::LocksStay { .. }
                | Self::NoBlockLocks
        )
    }
}

fn spaced(bytes: &[u8]) -> String {
    bytes.iter().take(16).map(|byte| format!("{byte:02x}")).collect::<Vec<_>>().join(" ")
}

/// Both answers from where they differ; a unique id belongs to one machine and stays out of what is printed (S15).
fn unlike(what: &str, first: &[u8], second: &[u8]) -> String {
    if what == "unique id" {
        return String::new();
    }
    format!(": {}, then {}", different(first, second), different(second, first))
}

/// The first bytes from where `bytes` differs from `other`.
fn different(bytes: &[u8], other: &[u8]) -> String {
    let from = bytes.iter().zip(other).position(|(one, two)| one != two).unwrap_or_default();
    spaced(&bytes[from..bytes.len().min(from + 8)])
}

fn protected_text(protection: &Protection, status: u8) -> String {
    match protection {
        Protection::Range { at, len } => {
            format!("{at:#010x} to {:#010x}, by status register {status:02x}", at + (len - 1))
        }
        _ => format!("status register {status:02x} has protection bits that cannot be decoded"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_differs_is_shown_from_where_it_differs() {
        let first = (0..=255).collect::<Vec<u8>>();
        let mut second = first.clone();
        second[0x80] = 0x00;
        let error = DriverError::Unsteady { what: "tables", first, second };
        let text = "the tables came back differently: 80 81 82 83 84 85 86 87, then 00 81 82 83 84 85 86 87";
        assert_eq!(error.to_string(), text);
    }

    #[test]
    fn a_protected_range_is_told_with_its_last_byte() {
        let protection = Protection::Range { at: 0x8_0000, len: 0x8_0000 };
        let error = DriverError::Protected { protection, status: 0x18 };
        let text = "the chip protects what is to be written: 0x00080000 to 0x000fffff, by status register 18";
        assert_eq!(error.to_string(), text);
    }

    #[test]
    fn a_check_that_said_no_is_not_resumed() {
        let gone = DriverError::Link { doing: "reading", source: LinkError::Gone };
        assert!(gone.is_resumable());
        assert!(!DriverError::Unreachable { size: 1 << 25 }.is_resumable());
        assert!(!DriverError::NotEnabled { at: 0, status: 0 }.is_resumable());
    }
}
