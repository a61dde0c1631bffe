//! Which wire goes where on the board: the plan that the firmware drives and the handbook draws.
//!
//! The seven wires 1 to 7 of an eight-pin clip stand in the clip's order along one edge of a 40-pin RP2040 board, pins 10 to 20, counted
//! from the USB socket; the supply, wire 8, comes from the pin named 3V3(OUT) on the other edge, the only one that has it. Two of the
//! gaps are worth having: ground can be taken a second time from pin 18, beside the clock.
//!
//! The order decides the peripheral: only SPI1 has data-out, data-in and clock in this order on one edge (GP8, GP11, GP14). Reading on two
//! lines takes DO and DI by PIO from the same pins.

/// A wire between the chip and the board.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Wire {
    /// Pin of an eight-pin package (SOIC-8, WSON-8) and wire of its clip.
    pub clip_pin: u8,
    /// Pin of a SOIC-16 package.
    pub wide_pin: u8,
    /// The signal's name.
    pub signal: &'static str,
    /// GPIO number; none for ground and supply.
    pub gpio: Option<u8>,
    /// Pin of the board, 1 to 40, as printed on it.
    pub board_pin: u8,
}

/// All eight wires in the clip's order.
pub const WIRES: [Wire; 8] = [
    Wire { clip_pin: 1, wide_pin: 7, signal: "CS#", gpio: Some(7), board_pin: 10 },
    Wire { clip_pin: 2, wide_pin: 8, signal: "DO", gpio: Some(8), board_pin: 11 },
    Wire { clip_pin: 3, wide_pin: 9, signal: "WP#", gpio: Some(9), board_pin: 12 },
    Wire { clip_pin: 4, wide_pin: 10, signal: "GND", gpio: None, board_pin: 13 },
    Wire { clip_pin: 5, wide_pin: 15, signal: "DI", gpio: Some(11), board_pin: 15 },
    Wire { clip_pin: 6, wide_pin: 16, signal: "CLK", gpio: Some(14), board_pin: 19 },
    Wire { clip_pin: 7, wide_pin: 1, signal: "HOLD#", gpio: Some(15), board_pin: 20 },
    Wire { clip_pin: 8, wide_pin: 2, signal: "VCC", gpio: None, board_pin: 36 },
];

/// The signals that a line test looks at, in the order of its report: the wires that have a GPIO.
pub const SIGNALS: [Wire; 6] = [WIRES[0], WIRES[1], WIRES[2], WIRES[4], WIRES[5], WIRES[6]];

/// Something beside the eight wires.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Extra {
    /// What it is for.
    pub name: &'static str,
    /// GPIO number.
    pub gpio: u8,
    /// Pin of the board; none for what is on the board itself.
    pub board_pin: Option<u8>,
}

/// Supply sense: the middle of two resistors of 10 kΩ, one to the clip's VCC, one to ground. It is found by itself: an open pin follows
/// the internal pulls, one with the divider does not.
pub const SENSE: Extra = Extra { name: "supply sense", gpio: 26, board_pin: Some(31) };
/// Gate of a p-channel switch between 3V3(OUT) and the clip's VCC, with a pull-up: low feeds the chip.
pub const SWITCH: Extra = Extra { name: "supply switch", gpio: 22, board_pin: Some(29) };
/// Tied to the ground pin beside it when the switch is fitted.
pub const SWITCH_FITTED: Extra = Extra { name: "switch fitted", gpio: 27, board_pin: Some(32) };
/// The light on the board.
pub const LIGHT: Extra = Extra { name: "light", gpio: 25, board_pin: None };

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_wires_follow_the_clip_along_one_edge_and_spare_gp2_to_gp5() {
        for (at, wire) in WIRES.iter().enumerate() {
            assert_eq!(usize::from(wire.clip_pin), at + 1);
        }
        assert!(WIRES[..7].is_sorted_by_key(|wire| wire.board_pin));
        assert!(WIRES[..7].iter().all(|wire| wire.board_pin <= 20), "one edge has pins 1 to 20");
        let gpios = || {
            WIRES
                .iter()
                .filter_map(|wire| wire.gpio)
                .chain([SENSE, SWITCH, SWITCH_FITTED, LIGHT].map(|extra| extra.gpio))
        };
        assert!(gpios().all(|gpio| !(2..=5).contains(&gpio)));
        assert_eq!(
            gpios()
                .map(|gpio| 1u32 << gpio)
                .fold(0, |all, one| {
                    assert_eq!(all & one, 0);
                    all | one
                })
                .count_ones(),
            10
        );
    }

    #[test]
    fn board_pins_are_those_of_the_40_pin_board() {
        // From memory of the board's public drawing: GPIOs along the left edge, grounds at 3, 8, 13, 18.
        let left = [0, 1, 99, 2, 3, 4, 5, 99, 6, 7, 8, 9, 99, 10, 11, 12, 13, 99, 14, 15u8];
        for wire in &WIRES[..7] {
            assert_eq!(left[usize::from(wire.board_pin) - 1], wire.gpio.unwrap_or(99));
        }
        assert_eq!(
            [(SENSE.gpio, SENSE.board_pin), (SWITCH_FITTED.gpio, SWITCH_FITTED.board_pin)],
            [(26, Some(31)), (27, Some(32))]
        );
    }
}
