//! Supply voltages and the rule that keeps a 1.8 V chip alive (safety rule S4).
//!
//! A [`SupplyRange`] is what a chip bears; a [`Supply`] is what a link drives. Classes: a 3 V part takes 2.7 to 3.6 V,
//! a 1.8 V part 1.65 to 2.0 V (common practice, no source; single parts state their own range).

use std::fmt;

use serde::{Deserialize, Serialize};

/// The 3 V class.
pub const CLASS_3V: SupplyRange = SupplyRange { min_mv: 2700, max_mv: 3600 };
/// The 1.8 V class.
pub const CLASS_1V8: SupplyRange = SupplyRange { min_mv: 1650, max_mv: 2000 };

/// What a link drives, in millivolts.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub struct Supply {
    /// Millivolts.
    pub mv: u32,
}

impl Supply {
    /// From volts, rounded to a millivolt; none for what is no voltage between 0.5 and 6 V.
    #[must_use]
    pub fn from_volts(volts: f64) -> Option<Self> {
        #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "the range is checked")]
        (0.5..=6.0).contains(&volts).then(|| Self { mv: (volts * 1000.0).round() as u32 })
    }
}

impl fmt::Display for Supply {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        volts(f, self.mv)
    }
}

/// The supply that a chip bears, in millivolts, both ends included.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(try_from = "[f64; 2]", into = "[f64; 2]")]
pub struct SupplyRange {
    /// Least.
    pub min_mv: u32,
    /// Most.
    pub max_mv: u32,
}

impl SupplyRange {
    /// Tells whether `supply` lies inside.
    #[must_use]
    pub fn bears(self, supply: Supply) -> bool {
        (self.min_mv..=self.max_mv).contains(&supply.mv)
    }

    /// What both ranges bear; none when they have nothing in common.
    #[must_use]
    pub fn common(self, other: Self) -> Option<Self> {
        let both = Self { min_mv: self.min_mv.max(other.min_mv), max_mv: self.max_mv.min(other.max_mv) };
        (both.min_mv <= both.max_mv).then_some(both)
    }

    /// The class range for a stated voltage: `1.8` means the 1.8 V class, `3.0` or `3.3` the 3 V class.
    /// None for a voltage in neither.
    #[must_use]
    pub fn class_of(supply: Supply) -> Option<Self> {
        [CLASS_1V8, CLASS_3V].into_iter().find(|class| class.bears(supply))
    }
}

impl TryFrom<[f64; 2]> for SupplyRange {
    type Error = String;

    fn try_from([min, max]: [f64; 2]) -> Result<Self, String> {
        match (Supply::from_volts(min), Supply::from_volts(max)) {
            (Some(min), Some(max)) if min <= max => Ok(Self { min_mv: min.mv, max_mv: max.mv }),
            _ => {
                Err(format!("[{min}, {max}] is no supply range: expected two voltages from 0.5 to 6, the least first"))
            }
        }
    }
}

impl From<SupplyRange> for [f64; 2] {
    fn from(range: SupplyRange) -> Self {
        [f64::from(range.min_mv) / 1000.0, f64::from(range.max_mv) / 1000.0]
    }
}

impl fmt::Display for SupplyRange {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        volts(f, self.min_mv)?;
        f.write_str(" to ")?;
        volts(f, self.max_mv)
    }
}

/// Prints millivolts as volts with as many digits as they need, one at least.
fn volts(f: &mut fmt::Formatter<'_>, mv: u32) -> fmt::Result {
    let text = format!("{}.{:03}", mv / 1000, mv % 1000);
    let kept = text.trim_end_matches('0');
    write!(f, "{kept}{} V", if kept.ends_with('.') { "0" } else { "" })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn s4_a_three_volt_drive_is_outside_the_low_class() {
        let drives = Supply::from_volts(3.3).expect("a voltage");
        assert!(CLASS_3V.bears(drives));
        assert!(!CLASS_1V8.bears(drives));
        assert_eq!(SupplyRange::class_of(Supply { mv: 1800 }), Some(CLASS_1V8));
        assert_eq!(SupplyRange::class_of(Supply { mv: 2500 }), None);
    }

    #[test]
    fn voltages_print_without_idle_zeros() {
        assert_eq!(CLASS_1V8.to_string(), "1.65 V to 2.0 V");
        assert_eq!(Supply { mv: 3300 }.to_string(), "3.3 V");
    }
}
