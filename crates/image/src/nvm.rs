//! The network controller's NVM: two banks, each with the machine's MAC address and a checksum.
//!
//! [`Nvm::parse`] says what a region holds, [`set_address`] changes the address in it, [`network_nvm`] makes up a whole one.
//!
//! Follows Linux `drivers/net/ethernet/intel/e1000e` (6.12: `defines.h`, `nvm.c`, `ich8lan.c`); the order of the MAC's octets
//! is that of `e1000/e1000_hw.c`. Words are 16 bits, little-endian. Words 00h to 3Fh of a bank add up to BABAh. A bank is half
//! the region; the first whose word 13h says 10b in bits 15:14 is the one in force.
//!
//! Not every bank has a sum: the checksum word FFFFh means that it was never made, and the driver takes it so; and two flags,
//! word 03h bit 0 on newer chipsets and word 19h bit 6 on older ones, are clear when the maker made none. The region does not
//! say which chipset reads it, so a sum counts as made when either flag says so.
//!
//! Decisions a reader would question. A made-up region has both banks alike and valid: a driver takes the first valid one, and
//! a second good copy keeps the address when the first is lost. [`set_address`] leaves a bank alone whose sum fails: a new sum
//! would vouch for words that are damaged. It makes no sum where there was none: both kinds are taken without one, and
//! the old address put back gives the old bytes.

use rand_xoshiro::rand_core::Rng;

use crate::filler::stream;
use crate::mac::{Mac, UnfitMac};

/// Size of one bank of a made-up region (from memory: the driver takes half the region, and regions of 8 KiB are usual).
pub const BANK_SIZE: usize = 4096;
/// What the words of a bank add up to (Linux e1000e, NVM_SUM).
pub const SUM: u16 = 0xBABA;
/// Bytes at the start of a bank that count, the checksum word among them: words 00h to 3Fh.
pub const COUNTED: usize = 2 * WORDS;

const WORDS: usize = 0x40;
/// Word with "checksum valid" in bit 0 (NVM_COMPAT, LPT and later).
const COMPAT: usize = 0x03;
/// Word whose top two bits say 10b in a valid bank (E1000_ICH_NVM_SIG_WORD).
const VALID: usize = 0x13;
/// Word with "checksum valid" in bit 6 on chipsets before LPT (NVM_FUTURE_INIT_WORD1).
const FUTURE_INIT: usize = 0x19;
/// Word that points to an alternate MAC address; 0000h and FFFFh are none (NVM_ALT_MAC_ADDR_PTR).
const ALTERNATE: usize = 0x37;
const CHECKSUM: usize = 0x3F;
/// The checksum word of a bank whose sum was never made (NVM_CHECKSUM_UNINITIALIZED).
const NOT_INITIALISED: u16 = 0xFFFF;

/// What the two banks of a region say.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Nvm {
    /// The banks, in the order they stand.
    pub banks: [Bank; 2],
    /// Bytes in one bank: half the region.
    pub bank_size: usize,
}

/// What one bank says.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Bank {
    /// Whether words 00h to 3Fh are all FFFFh: nothing was ever written here.
    pub blank: bool,
    /// Whether bits 15:14 of word 13h say 10b, which a driver asks for before it uses a bank.
    pub valid: bool,
    /// Whether the words add up.
    pub sum: Sum,
    /// Whether a "checksum valid" flag is set: word 03h bit 0, or word 19h bit 6.
    pub sum_flag: bool,
    /// The address in words 00h to 02h; none when these are all zeros or all ones.
    pub mac: Option<Mac>,
    /// Word number at which an alternate address stands, from word 37h. Drivers of some controllers prefer that address.
    pub alternate: Option<u16>,
}

/// Whether the words of a bank add up to BABAh.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Sum {
    /// They do.
    Holds,
    /// The checksum word is FFFFh: never made, and taken so by the driver (Linux e1000e `nvm.c`, Tiger Lake and later).
    NotInitialised,
    /// They do not, and neither "checksum valid" flag is set: the maker made none.
    NotMade,
    /// They do not, though a flag says that they should.
    Fails,
}

/// Why a network NVM cannot be read or changed.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum NvmError {
    /// No two banks of this size.
    #[error("{len} bytes are no network NVM: it is two banks of whole words, {COUNTED} bytes or more each")]
    Size {
        /// Bytes in the region.
        len: usize,
    },
    /// Neither bank is marked valid.
    #[error("neither bank of the network NVM is marked valid (word 13h, bits 15:14)")]
    NoValidBank,
    /// The words of the bank in force do not add up.
    #[error("the words of bank {bank} of the network NVM, which is the one in force, do not add up to {SUM:04X}h")]
    SumFails {
        /// 0 or 1.
        bank: usize,
    },
    /// The address is none that a machine can have.
    #[error("this address cannot be put into a network NVM")]
    Unfit(#[source] UnfitMac),
}

impl Nvm {
    /// Returns what the banks of `region` say; `region` is the whole region and may hold anything.
    ///
    /// # Errors
    ///
    /// [`NvmError::Size`] when it is not two banks of whole words with [`COUNTED`] bytes or more.
    ///
    /// # Example
    ///
    /// ```
    /// use image::{mac::Mac, nvm};
    ///
    /// let region = nvm::network_nvm(Mac::drawn(3), 7);
    /// let nvm = nvm::Nvm::parse(&region)?;
    /// assert_eq!(nvm.mac(), Some(Mac::drawn(3)));
    /// assert_eq!(nvm.banks[1].sum, nvm::Sum::Holds);
    /// # Ok::<(), nvm::NvmError>(())
    /// ```
    pub fn parse(region: &[u8]) -> Result<Self, NvmError> {
        let bank_size = region.len() / 2;
        let (first, second) = region.split_at(bank_size);
        if first.len() != second.len() || !bank_size.is_multiple_of(2) {
            return Err(NvmError::Size { len: region.len() });
        }
        let bank = |bytes: &[u8]| bytes.first_chunk().map(Bank::of).ok_or(NvmError::Size { len: region.len() });
        Ok(Self { banks: [bank(first)?, bank(second)?], bank_size })
    }

    /// Returns the number of the bank in force, 0 or 1: the first that is marked valid (Linux e1000e `ich8lan.c`).
    pub fn in_force(&self) -> Option<usize> {
        self.banks.iter().position(|bank| bank.valid)
    }

    /// Returns the address of the bank in force, unless its sum fails.
    pub fn mac(&self) -> Option<Mac> {
        let bank = self.banks[self.in_force()?];
        bank.mac.filter(|_| bank.sum != Sum::Fails)
    }
}

impl Bank {
    fn of(bytes: &[u8; COUNTED]) -> Self {
        let word = |number| word(bytes, number);
        let sum_flag = word(COMPAT) & 0x0001 != 0 || word(FUTURE_INIT) & 0x0040 != 0;
        let sum = match (0..WORDS).map(word).fold(0, u16::wrapping_add) {
            SUM => Sum::Holds,
            _ if word(CHECKSUM) == NOT_INITIALISED => Sum::NotInitialised,
            _ if !sum_flag => Sum::NotMade,
            _ => Sum::Fails,
        };
        let mac = Mac([bytes[0], bytes[1], bytes[2], bytes[3], bytes[4], bytes[5]]);
        Self {
            blank: bytes.iter().all(|byte| *byte == 0xFF),
            valid: word(VALID) & 0xC000 == 0x8000,
            sum,
            sum_flag,
            mac: Some(mac).filter(|mac| !matches!(mac.check_unicast(), Err(UnfitMac::Zero | UnfitMac::Ones))),
            alternate: Some(word(ALTERNATE)).filter(|pointer| ![0x0000, 0xFFFF].contains(pointer)),
        }
    }
}

/// Puts `mac` into the banks of `region` and returns which of the two were written.
///
/// Written is each bank that holds something and whose sum does not fail, whether it is the one in force or not. Where the sum
/// held it is made anew; where it was never made its word stays as it is. A blank bank stays blank. The old address put
/// back gives the old bytes, but where a bank has no sum and the new address makes its words add up by chance (1 in 65,536).
///
/// # Errors
///
/// [`NvmError`] for a size that is none, an address that no machine can have, and when the bank in force is missing or its sum
/// fails. `region` is then unchanged.
pub fn set_address(region: &mut [u8], mac: Mac) -> Result<[bool; 2], NvmError> {
    mac.check_unicast().map_err(NvmError::Unfit)?;
    let nvm = Nvm::parse(region)?;
    let in_force = nvm.in_force().ok_or(NvmError::NoValidBank)?;
    if nvm.banks[in_force].sum == Sum::Fails {
        return Err(NvmError::SumFails { bank: in_force });
    }
    let writes = nvm.banks.map(|bank| !bank.blank && bank.sum != Sum::Fails);
    for ((bytes, bank), write) in region.chunks_exact_mut(nvm.bank_size).zip(nvm.banks).zip(writes) {
        if write {
            bytes[..6].copy_from_slice(&mac.0);
            if bank.sum == Sum::Holds {
                let made = checksum(&bytes[..2 * CHECKSUM]);
                bytes[2 * CHECKSUM..COUNTED].copy_from_slice(&made.to_le_bytes());
            }
        }
    }
    Ok(writes)
}

/// Returns the 8 KiB network NVM for a machine with the address `mac`; its other settings are drawn from `seed`.
pub fn network_nvm(mac: Mac, seed: u64) -> Vec<u8> {
    let mut words = [0_u16; WORDS];
    let mut draw = stream(seed, "network nvm");
    for word in &mut words {
        *word = draw.next_u64() as u16;
    }
    for (word, octets) in words.iter_mut().zip(mac.0.chunks_exact(2)) {
        *word = u16::from_le_bytes([octets[0], octets[1]]);
    }
    words[COMPAT] |= 1;
    words[VALID] = words[VALID] & 0x3FFF | 0x8000;
    words[ALTERNATE] = 0xFFFF;

    let mut bank: Vec<u8> = words[..CHECKSUM].iter().flat_map(|word| word.to_le_bytes()).collect();
    bank.extend(checksum(&bank).to_le_bytes());
    bank.resize(BANK_SIZE, 0xFF);
    bank.repeat(2)
}

/// Returns the checksum word that belongs to the words before it (Linux e1000e `nvm.c`, update).
fn checksum(words_before: &[u8]) -> u16 {
    let words = words_before.as_chunks().0.iter().map(|word| u16::from_le_bytes(*word));
    SUM.wrapping_sub(words.fold(0, u16::wrapping_add))
}

/// Returns word `number` of a bank, 0 to 3Fh.
fn word(bank: &[u8; COUNTED], number: usize) -> u16 {
    u16::from_le_bytes([bank[2 * number], bank[2 * number + 1]])
}

#[cfg(test)]
mod tests;
