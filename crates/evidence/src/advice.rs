//! What to do about each fault, in one sentence that names the contact.
//!
//! Signals and pins are those of the 8-pin package of serial NOR chips: CS# 1, DO 2, WP# 3, GND 4, DI 5, CLK 6, HOLD# 7,
//! VCC 8 (common practice of all makers' data sheets; other packages number their pins otherwise). The decision a reader would
//! question: against another bus master there is a ladder and no single advice, because each rung costs more than the one
//! before and most boards need the first ones only.

use crate::diagnose::Fault;

/// What to try against another bus master, the easiest first.
pub const OTHER_MASTER_LADDER: [&str; 6] = [
    "Take every source of power away and hold the power button for 10 s, so that nothing on the board can still drive the bus.",
    "Shorten the leads and put a ground wire beside CLK (pin 6).",
    "Lower the clock.",
    "Hold the board's controller in reset or standby, so that it leaves the bus alone.",
    "Feed the chip in another way: from the board instead of the link, or the other way round, never from both.",
    "Lift the leg of VCC (pin 8) or take the chip off the board; only for those who can do it.",
];

/// Returns what to do about `fault`, in one sentence.
pub fn advice(fault: Fault) -> &'static str {
    match fault {
        Fault::OpenDataOut => "Reseat the contact of DO (pin 2): the line does not reach the programmer.",
        Fault::WeakDataOut => {
            "Clean and reseat the contact of DO (pin 2), then that of GND (pin 4): the chip's answer hardly comes through."
        }
        Fault::ClockSlip => {
            "Reseat the contact of CLK (pin 6), then that of GND (pin 4), and shorten the leads: clock edges get lost."
        }
        Fault::SelectBounce => "Reseat the contact of CS# (pin 1): it lets go in the middle of a read.",
        Fault::AddressError => "Reseat the contact of DI (pin 5): opcodes or addresses arrive damaged.",
        Fault::SupplySag => {
            "Reseat the contacts of VCC (pin 8) and GND (pin 4), and see whether the board draws the supply down: the chip lost its power."
        }
        Fault::LateSampling => {
            "Lower the clock and shorten the leads of CLK (pin 6) and DO (pin 2): bits are taken at the wrong moment."
        }
        Fault::ConstantShift => {
            "Lower the clock, then reseat the contact of CLK (pin 6): every read is shifted by the same number of bits."
        }
        Fault::BusContention => {
            "Something else drives DO (pin 2) or CLK (pin 6) at regular times: take all power away, hold the power button for 10 s, then read again."
        }
        Fault::SizeAlias => {
            "Compare the marking on the chip with the size that was read, and check DI (pin 5): the content comes again as that of a smaller chip would."
        }
        Fault::HoldFloating => {
            "Tie HOLD# (pin 7) and WP# (pin 3) to VCC (pin 8), or reseat their contacts: the chip pauses while it is read."
        }
        Fault::Noise => {
            "Shorten the leads, reseat the contact of GND (pin 4) and lower the clock: single bits turn at random."
        }
        Fault::None => "Nothing speaks for a bad contact.",
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Every signal that a sentence names stands beside its pin, and every fault but one names a contact.
    #[test]
    fn advice_names_signal_and_pin() {
        let pins = [("CS#", 1), ("DO", 2), ("WP#", 3), ("GND", 4), ("DI", 5), ("CLK", 6), ("HOLD#", 7), ("VCC", 8)];
        let named = |text: &str| {
            let found = pins.iter().filter(|(name, pin)| text.contains(&format!("{name} (pin {pin})"))).count();
            assert_eq!(text.matches("(pin ").count(), found, "{text}");
            found
        };
        for fault in Fault::ALL {
            let text = advice(fault);
            assert_eq!(named(text) > 0, fault != Fault::None, "{text}");
            assert!(text.ends_with('.') && !text[..text.len() - 1].contains(". "), "one sentence: {text}");
        }
        OTHER_MASTER_LADDER.iter().for_each(|rung| {
            named(rung);
        });
    }
}
