//! MAC addresses (EUI-48) with the two bits that IEEE 802 gives a meaning.
//!
//! Bit 0 of the first octet says group (1) or individual (0); bit 1 says locally (1) or universally (0) administered (IEEE
//! Std 802-2014, clause 8.2, from memory). An address drawn for a machine that lost its own is individual and local, so
//! that it can never be one that a maker gave to another machine. Written here with colons and small letters, as Linux does.
//!
//! The decision a reader would question: any six octets are a [`Mac`], those of a group too. Contents hold such addresses, and
//! whoever reads a content has to say so; what may be given to a machine is a question of its own ([`Mac::check_unicast`]).

use std::fmt;
use std::str::FromStr;

use rand_xoshiro::rand_core::Rng;

use crate::filler::stream;

const GROUP: u8 = 0x01;
const LOCAL: u8 = 0x02;

/// A 48-bit MAC address, octets in the order they are written and sent.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct Mac(pub [u8; 6]);

/// Why a text is no MAC address.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum MacError {
    /// Not six octets.
    #[error("a MAC address has six octets, not {octets}: {text:?}")]
    Octets {
        /// How many there are.
        octets: usize,
        /// The whole text.
        text: String,
    },
    /// One octet is not two hexadecimal digits.
    #[error("octet {number} is not two hexadecimal digits: {octet:?}")]
    Digits {
        /// Which one, from 1.
        number: usize,
        /// The octet as it was written.
        octet: String,
    },
}

/// Why an address is none that a machine can have.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum UnfitMac {
    /// All octets are 00h: no address was set.
    #[error("the address is all zeros, which means that none was set")]
    Zero,
    /// All octets are FFh: broadcast, and what blank memory reads as.
    #[error("the address is all ones, which is broadcast and what blank memory reads as")]
    Ones,
    /// Bit 0 of the first octet is set.
    #[error("the address is that of a group (bit 0 of its first octet is set)")]
    Group,
}

impl Mac {
    /// Returns an individual, locally administered address drawn from `seed`; the same for the same seed.
    ///
    /// For examples and tests: whoever knows the seed knows the address. For a machine, see [`Mac::local_from`].
    pub fn drawn(seed: u64) -> Self {
        let mut octets = [0; 6];
        stream(seed, "mac").fill_bytes(&mut octets);
        Self::local_from(octets)
    }

    /// Returns `octets` as an individual, locally administered address: bit 0 of the first octet cleared, bit 1 set.
    ///
    /// For a machine that lost its own address the caller gives six octets from the system's random source; 46 of their 48
    /// bits stay. Source of the bits: IEEE Std 802-2014, clause 8.2 (from memory).
    ///
    /// # Example
    ///
    /// ```
    /// use image::mac::Mac;
    ///
    /// assert_eq!(Mac::local_from([0x41, 1, 2, 3, 4, 5]).to_string(), "42:01:02:03:04:05");
    /// ```
    pub fn local_from(mut octets: [u8; 6]) -> Self {
        octets[0] = octets[0] & !GROUP | LOCAL;
        Self(octets)
    }

    /// Returns `Ok` when a machine can have this address: an individual one, and not all zeros.
    ///
    /// # Errors
    ///
    /// [`UnfitMac`] for all zeros, all ones and any other address of a group.
    pub fn check_unicast(self) -> Result<(), UnfitMac> {
        match self.0 {
            [0, 0, 0, 0, 0, 0] => Err(UnfitMac::Zero),
            [0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF] => Err(UnfitMac::Ones),
            _ if self.is_group() => Err(UnfitMac::Group),
            _ => Ok(()),
        }
    }

    /// Returns in words what its two bits say of it.
    pub fn words(self) -> &'static str {
        match (self.is_group(), self.is_local()) {
            (true, _) => "the address of a group, which no machine has",
            (false, true) => "locally administered: set or drawn by somebody, and by no maker",
            (false, false) => "universally administered: given by a maker",
        }
    }

    /// Returns whether the address is that of a group (bit 0 of the first octet), broadcast among them.
    pub fn is_group(self) -> bool {
        self.0[0] & GROUP != 0
    }

    /// Returns whether the address is locally administered (bit 1 of the first octet).
    pub fn is_local(self) -> bool {
        self.0[0] & LOCAL != 0
    }
}

impl fmt::Display for Mac {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let [a, b, c, d, e, g] = self.0;
        write!(f, "{a:02x}:{b:02x}:{c:02x}:{d:02x}:{e:02x}:{g:02x}")
    }
}

/// Reads six octets of two hexadecimal digits, all separated by colons or all by hyphens.
impl FromStr for Mac {
    type Err = MacError;

    fn from_str(text: &str) -> Result<Self, MacError> {
        let separator = if text.contains('-') { '-' } else { ':' };
        let parts: Vec<&str> = text.split(separator).collect();
        if parts.len() != 6 {
            return Err(MacError::Octets { octets: parts.len(), text: text.to_owned() });
        }
        let mut octets = [0; 6];
        for (index, part) in parts.iter().enumerate() {
            let wrong = || MacError::Digits { number: index + 1, octet: (*part).to_owned() };
            // The number parser alone would take a sign for a digit.
            if part.len() != 2 || !part.bytes().all(|byte| byte.is_ascii_hexdigit()) {
                return Err(wrong());
            }
            octets[index] = u8::from_str_radix(part, 16).map_err(|_| wrong())?;
        }
        Ok(Self(octets))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// IEEE 802: AC-DE-48-00-00-80 is the standard's own example of an individual, universal address (from memory); bit 0 set
    /// makes it a group, bit 1 a local one; all ones is broadcast.
    #[test]
    fn the_two_bits_mean_what_ieee_802_says() {
        let bits = |text: &str| {
            let mac: Mac = text.parse().unwrap();
            (mac.is_group(), mac.is_local())
        };
        assert_eq!(bits("AC-DE-48-00-00-80"), (false, false));
        assert_eq!(bits("AD-DE-48-00-00-80"), (true, false));
        assert_eq!(bits("AE-DE-48-00-00-80"), (false, true));
        assert_eq!(bits("ff:ff:ff:ff:ff:ff"), (true, true));
        let words = |text: &str| text.parse::<Mac>().unwrap().words().split([':', ',']).next().unwrap();
        assert_eq!(words("AC-DE-48-00-00-80"), "universally administered");
        assert_eq!(words("AD-DE-48-00-00-80"), "the address of a group");
        assert_eq!(words("AE-DE-48-00-00-80"), "locally administered");
    }

    #[test]
    fn reads_what_it_writes() {
        let mac: Mac = "0A:1b:2C:3d:4E:5f".parse().unwrap();
        assert_eq!(mac.0, [0x0A, 0x1B, 0x2C, 0x3D, 0x4E, 0x5F]);
        assert_eq!(mac.to_string(), "0a:1b:2c:3d:4e:5f");
        for seed in 0..200 {
            let mac = Mac::drawn(seed);
            assert_eq!(mac.to_string().parse(), Ok(mac), "seed {seed}");
        }
    }

    #[test]
    fn a_drawn_address_is_individual_and_local_and_only_the_seed_decides() {
        let mut ever_set = 0_u8;
        for seed in 0..200 {
            let mac = Mac::drawn(seed);
            assert!(!mac.is_group() && mac.is_local(), "seed {seed}: {mac}");
            assert_eq!(mac, Mac::drawn(seed));
            assert_ne!(mac, Mac::drawn(seed + 1));
            ever_set |= mac.0[0];
        }
        assert_eq!(ever_set, 0xFE, "the other bits of the first octet are drawn");
    }

    /// IEEE 802: of the first octet's bits, 0 says group and 1 says local; every other bit is free.
    #[test]
    fn random_octets_become_an_individual_local_address_and_keep_their_other_46_bits() {
        for first in 0..=u8::MAX {
            let mac = Mac::local_from([first, 1, 0xFF, 3, 0, 5]);
            assert!(!mac.is_group() && mac.is_local(), "{first:#04x}");
            assert_eq!(mac.0[0] & 0xFC, first & 0xFC, "{first:#04x}");
            assert_eq!(mac.0[1..], [1, 0xFF, 3, 0, 5]);
            assert_eq!(mac.check_unicast(), Ok(()));
        }
    }

    #[test]
    fn a_machine_has_no_address_of_a_group_and_none_of_all_zeros_or_ones() {
        let check = |text: &str| text.parse::<Mac>().unwrap().check_unicast();
        assert_eq!(check("00:00:00:00:00:00"), Err(UnfitMac::Zero));
        assert_eq!(check("ff:ff:ff:ff:ff:ff"), Err(UnfitMac::Ones));
        assert_eq!(check("01:00:5e:00:00:01"), Err(UnfitMac::Group));
        assert_eq!(check("ff:ff:ff:ff:ff:fe"), Err(UnfitMac::Group));
        assert_eq!(check("00:00:00:00:00:01"), Ok(()));
        assert_eq!(check("fe:ff:ff:ff:ff:ff"), Ok(()));
    }

    #[test]
    fn other_texts_say_what_is_wrong() {
        let wrong = |text: &str| text.parse::<Mac>().unwrap_err();
        assert_eq!(wrong("").to_string(), "a MAC address has six octets, not 1: \"\"");
        assert!(matches!(wrong("00:11:22:33:44"), MacError::Octets { octets: 5, .. }));
        assert!(matches!(wrong("00:11:22-33:44:55"), MacError::Octets { octets: 2, .. }));
        for octet in ["+1", "g0", "0", "012", "é", ""] {
            let error = wrong(&format!("00:11:22:{octet}:44:55"));
            assert_eq!(error, MacError::Digits { number: 4, octet: octet.to_owned() });
        }
    }
}
