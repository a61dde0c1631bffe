//! Variable stores and the volume around them (EDK II `MdeModulePkg/Include/Guid/VariableFormat.h`; no standard
//! describes them).
//!
//! A store is a header and a row of variables, each header on a multiple of four, FFh behind the last. The volume holds
//! the store, a working block of fault-tolerant writing, and a spare stretch as long as everything before it.

use super::guid::{self, Guid};
use super::section::text;
use super::volume::{Volume, VolumeError};

const STORE_HEADER: usize = 28;
const FTW_HEADER: usize = 32;
const START: u16 = 0x55AA;
const VOLUME_HEADER: usize = 0x48;
const SECTOR: usize = 4096;

/// States of a variable, as the byte stands in the store.
pub mod state {
    /// Only the header is there.
    pub const HEADER_ONLY: u8 = 0x7F;
    /// Live.
    pub const ADDED: u8 = 0x3F;
    /// Live, and a successor is being written.
    pub const IN_TRANSITION: u8 = 0x3E;
    /// Deleted after its successor was written.
    pub const DELETED: u8 = 0x3C;
    /// Deleted without a successor.
    pub const DELETED_AT_ONCE: u8 = 0x3D;
}

/// Attributes: kept, for the boot phase and for the operating system (UEFI Specification, "Variable Services").
pub const KEPT_FOR_ALL: u32 = 0x7;
/// Attributes: kept, for the boot phase alone.
pub const KEPT_FOR_BOOT: u32 = 0x3;
/// Attribute: writes need a signature with a time stamp.
pub const TIME_AUTHENTICATED: u32 = 0x20;

/// Why a store cannot be built.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum StoreError {
    /// The variables do not fit.
    #[error("the variables need {need} bytes of a store of {size}")]
    Full {
        /// Bytes needed, header counted.
        need: usize,
        /// The store's size.
        size: usize,
    },
    /// The volume has no room for store, working block and spare stretch.
    #[error("store, gap and working block need {need} bytes of the {room} before the spare stretch")]
    NoRoom {
        /// Bytes needed, headers counted.
        need: usize,
        /// Half the volume.
        room: usize,
    },
    /// The volume itself.
    #[error("the volume around the store cannot be built")]
    Volume(#[from] VolumeError),
}

/// A variable.
#[derive(Debug, Clone)]
pub struct Variable {
    name: String,
    vendor: Guid,
    data: Vec<u8>,
    attributes: u32,
    state: u8,
    time: [u8; 16],
}

impl Variable {
    /// Returns a live variable, kept, for the boot phase and the operating system, without a time stamp.
    pub fn new(name: &str, vendor: Guid, data: &[u8]) -> Self {
        let (attributes, state) = (KEPT_FOR_ALL, state::ADDED);
        Self { name: name.to_owned(), vendor, data: data.to_vec(), attributes, state, time: [0; 16] }
    }

    /// Gives it other attributes.
    #[must_use]
    pub fn attributes(mut self, attributes: u32) -> Self {
        self.attributes = attributes;
        self
    }

    /// Puts it into another state, see [`state`].
    #[must_use]
    pub fn state(mut self, state: u8) -> Self {
        self.state = state;
        self
    }

    /// Gives it a time stamp (EFI_TIME): year, month, day. A plain store has no room for it and leaves it out.
    #[must_use]
    pub fn time(mut self, year: u16, month: u8, day: u8) -> Self {
        self.time[..2].copy_from_slice(&year.to_le_bytes());
        self.time[2] = month;
        self.time[3] = day;
        self
    }

    fn bytes(&self, authenticated: bool) -> Vec<u8> {
        let time = authenticated.then_some(self.time);
        encoded(self.state, self.attributes, self.vendor, &text(&self.name), &self.data, time)
    }
}

/// Returns a variable's bytes: for a plain store, or with a time stamp for one with authentication. `name` is as it is stored, its
/// end included.
pub(crate) fn encoded(
    state: u8,
    attributes: u32,
    vendor: Guid,
    name: &[u8],
    data: &[u8],
    time: Option<[u8; 16]>,
) -> Vec<u8> {
    let mut out = START.to_le_bytes().to_vec();
    out.extend([state, 0]);
    out.extend(attributes.to_le_bytes());
    if let Some(time) = time {
        out.extend([0; 8]); // the count of an older way to authenticate
        out.extend(time);
        out.extend([0; 4]); // the number of that way's key
    }
    out.extend((name.len() as u32).to_le_bytes());
    out.extend((data.len() as u32).to_le_bytes());
    out.extend(vendor);
    out.extend(name);
    out.extend(data);
    out
}

/// A variable store in the making.
#[derive(Debug, Clone)]
pub struct Store {
    authenticated: bool,
    size: usize,
    variables: Vec<Variable>,
}

impl Store {
    /// Returns an empty plain store of `size` bytes, header counted.
    pub fn plain(size: usize) -> Self {
        Self { authenticated: false, size, variables: Vec::new() }
    }

    /// Returns an empty store whose variables have time stamps.
    pub fn authenticated(size: usize) -> Self {
        Self { authenticated: true, ..Self::plain(size) }
    }

    /// Adds a variable behind those that are there.
    #[must_use]
    pub fn variable(mut self, variable: Variable) -> Self {
        self.variables.push(variable);
        self
    }

    /// Returns the store's bytes.
    ///
    /// # Errors
    ///
    /// [`StoreError::Full`].
    pub fn build(&self) -> Result<Vec<u8>, StoreError> {
        let kind = if self.authenticated { guid::AUTHENTICATED_STORE } else { guid::STORE };
        let mut out = kind.to_vec();
        out.extend((self.size as u32).to_le_bytes());
        out.extend([0x5A, 0xFE]); // formatted, healthy
        out.resize(STORE_HEADER, 0);
        for variable in &self.variables {
            out.resize(out.len().next_multiple_of(4), 0xFF);
            out.extend(variable.bytes(self.authenticated));
        }
        if out.len() > self.size {
            return Err(StoreError::Full { need: out.len(), size: self.size });
        }
        out.resize(self.size, 0xFF);
        Ok(out)
    }

    /// Returns a volume of `size` bytes with the store at its start, the last sector of its first half a working block
    /// and the second half spare.
    ///
    /// # Errors
    ///
    /// [`StoreError`] when store and working block do not fit into the first half, or the variables into the store.
    pub fn volume(&self, size: usize) -> Result<Vec<u8>, StoreError> {
        let room = size / 2;
        let need = VOLUME_HEADER + self.size + SECTOR;
        if need > room {
            return Err(StoreError::NoRoom { need, room });
        }
        let mut out = Volume::new(guid::NV_DATA, size).build()?;
        out[VOLUME_HEADER..VOLUME_HEADER + self.size].copy_from_slice(&self.build()?);
        out[room - SECTOR..room].copy_from_slice(&working_block(SECTOR));
        Ok(out)
    }
}

/// Returns a working block of fault-tolerant writing with an empty queue: signature, CRC-32, state FEh (valid), queue
/// size.
///
/// # Panics
///
/// When `size` has no room for the header.
pub fn working_block(size: usize) -> Vec<u8> {
    let queue = size.checked_sub(FTW_HEADER).expect("a working block is at least its header") as u64;
    // The sum is made while CRC, state and what is reserved are still erased.
    let mut out = [&guid::FTW[..], &[0xFF; 8], &queue.to_le_bytes()].concat();
    let crc = crc32fast::hash(&out);
    out[16..20].copy_from_slice(&crc.to_le_bytes());
    out[20] = 0xFE;
    out.resize(size, 0xFF);
    out
}

#[cfg(test)]
mod tests {
    use sha2::{Digest, Sha256};

    use super::*;

    /// Debian's OVMF_VARS_4M.fd (package ovmf 2022.11-6+deb12u2), by its known hash: the builder makes it byte for
    /// byte.
    #[test]
    fn a_real_store_volume_comes_out_whole() {
        let volume = Store::authenticated(262_072).volume(540_672).unwrap();
        let hash: String = Sha256::digest(&volume).iter().map(|byte| format!("{byte:02x}")).collect();
        assert_eq!(hash, "5d2ac383371b408398accee7ec27c8c09ea5b74a0de0ceea6513388b15be5d1e");
    }

    #[test]
    fn variables_stand_on_multiples_of_four_with_headers_of_32_and_60_bytes() {
        let variables = |store: Store| {
            let vendor = guid::GLOBAL_VARIABLE;
            let first = Variable::new("Ab", vendor, &[9; 3]).state(state::DELETED).attributes(KEPT_FOR_BOOT);
            store.variable(first.time(2024, 5, 6)).variable(Variable::new("C", vendor, &[8])).build().unwrap()
        };
        for (store, header) in [(Store::plain(300), 32), (Store::authenticated(300), 60)] {
            let bytes = variables(store);
            assert_eq!(bytes.len(), 300);
            assert_eq!(bytes[28..36], [0xAA, 0x55, 0x3C, 0, 3, 0, 0, 0]);
            let name = 28 + header;
            assert_eq!(bytes[name - 24..name - 16], [6, 0, 0, 0, 3, 0, 0, 0]);
            assert_eq!(bytes[name..name + 10], [b'A', 0, b'b', 0, 0, 0, 9, 9, 9, 0xFF][..]);
            let second = (name + 9).next_multiple_of(4);
            assert_eq!(bytes[second..second + 4], [0xAA, 0x55, 0x3F, 0]);
            assert!(bytes[second + header + 5..].iter().all(|byte| *byte == 0xFF));
        }
        let stamped = variables(Store::authenticated(300));
        assert_eq!(stamped[28 + 16..28 + 20], [0xE8, 0x07, 5, 6]);
    }

    #[test]
    fn what_does_not_fit_is_told() {
        let store = Store::plain(64).variable(Variable::new("A", guid::GLOBAL_VARIABLE, &[]));
        assert!(store.build().is_ok());
        let full = store.variable(Variable::new("B", guid::GLOBAL_VARIABLE, &[]));
        assert_eq!(full.build().unwrap_err(), StoreError::Full { need: 100, size: 64 });
        let error = Store::plain(0x2000).volume(0x4000).unwrap_err();
        assert_eq!(error, StoreError::NoRoom { need: 0x48 + 0x3000, room: 0x2000 });
    }
}
