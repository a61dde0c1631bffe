//! Where the wires of a chip go at their other end: to the programmer's board, to the header of this computer, or nowhere.
//!
//! The board's own plan is drawn by [`crate::link_wiring`]. A header has no plan that firmhand could know: what stands here is the
//! 40-pin header that many single-board computers share (from memory), and the computer's own drawing counts.

use wire::pins::{WIRES, Wire};

/// The other end of a chip's wires.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum FarEnd {
    /// The programmer's board. A virtual bench is wired as it is.
    Board,
    /// The header of this computer, wire by wire in the clip's order.
    Header(Vec<HeaderPin>),
    /// The kernel drives the chip where it sits.
    NoWires,
}

/// A wire to a header.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct HeaderPin {
    /// The wire.
    pub wire: Wire,
    /// The header's pin; none for a chip select that the header does not have.
    pub pin: Option<u8>,
    /// What the pin is, and what to look at.
    pub is: &'static str,
}

/// Returns the other end of the wires for a link as `--link` takes it; without one, the board's.
#[must_use]
pub fn far_end(link: Option<&str>) -> FarEnd {
    let device = link.and_then(|link| link.strip_prefix("/dev/")).filter(|name| !name.ends_with(".toml"));
    match device {
        Some(name) if name.starts_with("spidev") => {
            let select = name.rsplit('.').next().and_then(|number| number.parse().ok());
            FarEnd::Header(WIRES.iter().map(|wire| header_pin(*wire, select)).collect())
        }
        Some(_) => FarEnd::NoWires,
        None => FarEnd::Board,
    }
}

fn header_pin(wire: Wire, select: Option<u8>) -> HeaderPin {
    let (pin, is) = match (wire.signal, select) {
        ("CS#", Some(0)) => (Some(24), "chip select 0"),
        ("CS#", Some(1)) => (Some(26), "chip select 1"),
        ("CS#", _) => (None, "the chip select of this controller that the link's name ends with"),
        ("DO", _) => (Some(21), "data in of the computer"),
        ("DI", _) => (Some(19), "data out of the computer"),
        ("CLK", _) => (Some(23), "clock, the shortest lead of all"),
        ("GND", _) => (Some(25), "ground, or any other ground of the header"),
        ("WP#" | "HOLD#", _) => (Some(17), "3.3 V by a resistor of 10 kOhm: held high"),
        _ => (Some(17), "3.3 V, the supply wire; off while a clip goes on or comes off"),
    };
    HeaderPin { wire, pin, is }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_link_has_its_other_end() {
        assert_eq!(far_end(None), FarEnd::Board);
        for link in ["board@07AF", "main.toml", "/dev/shm/main.toml"] {
            assert_eq!(far_end(Some(link)), FarEnd::Board, "{link}");
        }
        assert_eq!(far_end(Some("/dev/mtd0")), FarEnd::NoWires);
        let selects = ["/dev/spidev0.0", "/dev/spidev0.1", "/dev/spidev3.2"].map(|link| match far_end(Some(link)) {
            FarEnd::Header(pins) => pins[0].pin,
            other => panic!("{link}: {other:?}"),
        });
        assert_eq!(selects, [Some(24), Some(26), None]);
    }

    #[test]
    fn the_handbook_names_the_same_pins() {
        let text = include_str!("../../../../docs/single-board.md");
        let FarEnd::Header(pins) = far_end(Some("/dev/spidev0.0")) else { panic!("a header") };
        for HeaderPin { wire, pin, .. } in pins {
            let row = format!("| {} | {} | {}", wire.clip_pin, wire.signal, pin.expect("known"));
            assert!(text.contains(&row), "docs/single-board.md lacks {row:?}");
        }
    }
}
