//! Where a transaction stands, between chip select falling and rising.

/// What the chip expects or does with the next byte.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) enum Phase {
    /// Not selected.
    Idle,
    /// The next byte is the opcode.
    Opcode,
    /// Nothing happens until chip select rises.
    Ignore,
    /// A command without further bytes; one more byte undoes it.
    Bare(u8),
    /// Address and dummy bytes still to come.
    Lead {
        /// What follows.
        then: Then,
        /// The address so far.
        at: u32,
        /// Address bytes to come.
        address: u8,
        /// Dummy bytes to come.
        dummy: u8,
    },
    /// Data goes out.
    Out(Output),
    /// Page data comes in: where it began, and how many bytes came.
    Page {
        /// Address of the first byte.
        at: u32,
        /// Bytes so far.
        count: usize,
    },
    /// An erase with its whole address; one more byte undoes it.
    Erase {
        /// Any address in the block.
        at: u32,
        /// The opcode that erases with the mode's address width.
        opcode: u8,
    },
    /// A word comes in, on parts without pages.
    Word {
        /// Its address.
        at: u32,
        /// What came of it.
        bytes: Vec<u8>,
    },
    /// The value of an address register comes in, after this opcode.
    Value {
        /// 17h or C5h.
        opcode: u8,
        /// What came.
        value: Option<u8>,
    },
    /// Register values come in.
    Status {
        /// Register of the first byte, 1 to 3.
        first: usize,
        /// Values so far.
        bytes: Vec<u8>,
    },
}

/// What follows address and dummy bytes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Then {
    Read,
    Tables,
    Maker,
    UniqueId,
    Release,
    Program,
    Word,
    Setting(u8),
    Erase { opcode: u8 },
}

/// What goes out, and where it stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Output {
    /// A status register, again and again.
    Status(usize),
    /// The id from this byte on.
    Id(usize),
    /// The maker's code, or (true) the device's: they alternate.
    Maker(bool),
    /// The device's code, again and again.
    Release,
    /// The flag register, again and again.
    Flags,
    /// The bank register, again and again.
    Bank,
    /// The register of the upper address byte, again and again.
    Extended,
    /// The setting that this opcode reads at this address, again and again.
    Setting(u8, u32),
    /// The chip's own tables from this address on.
    Tables(usize),
    /// The unique id from this byte on.
    UniqueId(usize),
    /// The array from this address on.
    Array(u32),
}

impl Phase {
    /// The phase after one more byte. The opcode, page data and array addresses need the chip and are its own business.
    pub(crate) fn after(self, byte: u8) -> Self {
        match self {
            Self::Lead { then, at, address, dummy } if address > 0 => {
                Self::Lead { then, at: at << 8 | u32::from(byte), address: address - 1, dummy }.arrived()
            }
            Self::Lead { then, at, address, dummy } => {
                Self::Lead { then, at, address, dummy: dummy.saturating_sub(1) }.arrived()
            }
            Self::Status { first, mut bytes } => {
                // Three registers at most; more bytes than that change nothing and need not be kept.
                if bytes.len() < 3 {
                    bytes.push(byte);
                }
                Self::Status { first, bytes }
            }
            Self::Word { at, mut bytes } if bytes.len() < 2 => {
                bytes.push(byte);
                Self::Word { at, bytes }
            }
            Self::Value { opcode, value: None } => Self::Value { opcode, value: Some(byte) },
            Self::Out(output) => Self::Out(match output {
                Output::Id(index) => Output::Id(index.saturating_add(1)),
                Output::Maker(swapped) => Output::Maker(!swapped),
                Output::Tables(at) => Output::Tables(at.saturating_add(1)),
                Output::UniqueId(index) => Output::UniqueId(index.wrapping_add(1)),
                Output::Status(_)
                | Output::Flags
                | Output::Bank
                | Output::Extended
                | Output::Setting(..)
                | Output::Release
                | Output::Array(_) => output,
            }),
            Self::Idle => Self::Idle,
            Self::Bare(_)
            | Self::Erase { .. }
            | Self::Word { .. }
            | Self::Value { .. }
            | Self::Opcode
            | Self::Page { .. }
            | Self::Ignore => Self::Ignore,
        }
    }

    /// The data phase, once address and dummy bytes are complete.
    fn arrived(self) -> Self {
        let Self::Lead { then, at, address: 0, dummy: 0 } = self else { return self };
        match then {
            Then::Read => Self::Out(Output::Array(at)),
            Then::Tables => Self::Out(Output::Tables(at as usize)),
            Then::Maker => Self::Out(Output::Maker(at & 1 == 1)),
            Then::UniqueId => Self::Out(Output::UniqueId(0)),
            Then::Release => Self::Out(Output::Release),
            Then::Program => Self::Page { at, count: 0 },
            Then::Word => Self::Word { at, bytes: Vec::new() },
            Then::Setting(opcode) => Self::Out(Output::Setting(opcode, at)),
            Then::Erase { opcode } => Self::Erase { at, opcode },
        }
    }

    /// The phase after the opcode; a program finds the page latch empty.
    pub(crate) fn begin(self, page: &mut [u8]) -> Self {
        if matches!(self, Self::Lead { then: Then::Program, .. }) {
            page.fill(nor::ERASED);
        }
        self
    }
}
