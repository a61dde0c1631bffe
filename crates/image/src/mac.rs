//! MAC addresses (EUI-48) with the two bits that IEEE 802 gives a meaning.
//!
//! Bit 0 of the first octet says group (1) or individual (0); bit 1 says locally (1) or universally (0) administered (IEEE
//! Std 802-2014, clause 8.2, from memory). An address drawn for a machine that lost its own is individual and local, so
//! that it can never be one that a maker gave to another machine. Written here with colons and small letters, as Linux does.

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

impl Mac {
    /// Returns an individual, locally administered address drawn from `seed`; the same for the same seed.
    pub fn drawn(seed: u64) -> Self {
        let mut octets = [0; 6];
        stream(seed, "mac").fill_bytes(&mut octets);
        octets[0] = octets[0] & !GROUP | LOCAL;
        Self(octets)
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
