//! Which wire goes from the programmer's board to which pin of the chip, as a drawing (SVG).
//!
//! The plan of pins is the one that the firmware drives (`wire::pins`), so the drawing cannot say anything else. The order of the wires, the dot,
//! the chamfer and the words carry it; nothing hangs on colour. The board is seen from above with its USB socket up, the chip from above with
//! pin 1 top left. Pin tables of the cases are from memory of public data sheets, the same for every maker's serial NOR.

use std::fmt::Write as _;

use wire::pins::{WIRES, Wire};

/// A case that there is a drawing for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Case {
    /// Eight pins, 1.27 mm apart.
    Soic8,
    /// Sixteen pins, 1.27 mm apart, wide.
    Soic16,
    /// Eight pads under the edge, and a large one in the middle.
    Wson8,
}

/// All of them.
pub const CASES: [Case; 3] = [Case::Soic8, Case::Soic16, Case::Wson8];

impl Case {
    /// Its name.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::Soic8 => "SOIC-8",
            Self::Soic16 => "SOIC-16",
            Self::Wson8 => "WSON-8",
        }
    }

    fn pins(self) -> u32 {
        if self == Self::Soic16 { 16 } else { 8 }
    }

    fn pin_of(self, wire: &Wire) -> u32 {
        u32::from(if self == Self::Soic16 { wire.wide_pin } else { wire.clip_pin })
    }
}

/// Pins of the board's left edge that are drawn, as printed on it.
const EDGE: std::ops::RangeInclusive<u32> = 10..=20;
/// Another ground of the board among these; nothing has to go there.
const SECOND_GROUND: u32 = 18;
const WIDTH: u32 = 850;
/// The board's strip: left edge and right edge, first row, distance of rows.
const BOARD: (u32, u32, u32, u32) = (60, 210, 92, 26);
/// The chip's case: left edge, right edge, top, distance of pins.
const CHIP: (u32, u32, u32, u32) = (450, 650, 92, 34);
/// Length of a lead of the chip.
const LEAD: u32 = 16;
/// Distance of two wires that run beside each other.
const BESIDE: u32 = 13;

/// Returns the drawing of the eight wires to a chip in this case.
#[must_use]
pub fn drawing(case: Case) -> String {
    let chip_bottom = lead(case, case.pins() / 2).1 + 22;
    let edge_bottom = BOARD.2 + (EDGE.end() - EDGE.start() + 1) * BOARD.3;
    let below = chip_bottom.max(edge_bottom + 40) + 6 * BESIDE;
    let name = case.name();
    let mut svg = format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {WIDTH} {}\" role=\"img\" aria-label=\"the eight wires from the board \
         to a chip in {name}\" font-family=\"sans-serif\" font-size=\"13\">\n<rect width=\"100%\" height=\"100%\" fill=\"#fff\"/>\n",
        below + 92
    );
    let mut add = |text: std::fmt::Arguments<'_>| svg.write_fmt(text).expect("a string takes everything");
    board(&mut add, edge_bottom);
    chip(&mut add, case, chip_bottom);
    for (order, wire) in WIRES.iter().enumerate() {
        run(&mut add, case, wire, order, (edge_bottom, chip_bottom));
    }
    let mut lines = vec![
        "On: GND (4) first, VCC (8) last. Off: VCC first, GND last. The programmer is unplugged meanwhile.",
        "Pin 1 is at the dot or chamfer. A mould can have two dimples: compare the direction of the marking too.",
        "The board drives 3.3 V. A chip of the 1.8 V class needs a level adapter in between, or it is destroyed.",
    ];
    lines.push(match case {
        Case::Wson8 => "The pad beneath the chip is no contact: never bridge it, and let no probe touch it.",
        Case::Soic16 => "Pins 3 to 6 and 11 to 14 stay free. The numbers in circles are those of the wires.",
        Case::Soic8 => "When the machine itself feeds the chip, wire 8 stays off altogether.",
    });
    for (number, line) in (0..).zip(lines) {
        add(format_args!("<text x=\"24\" y=\"{}\">{line}</text>\n", below + 22 + 18 * number));
    }
    svg.push_str("</svg>\n");
    svg
}

type Add<'a> = dyn FnMut(std::fmt::Arguments<'_>) + 'a;

/// The board's left edge from pin 10 to 20, and pin 36 of the other one.
fn board(add: &mut Add<'_>, bottom: u32) {
    let (left, right, top, pitch) = BOARD;
    let middle = u32::midpoint(left, right);
    add(format_args!(
        "<text x=\"{middle}\" y=\"30\" text-anchor=\"middle\" font-weight=\"bold\">RP2040 board, from above</text>\n\
         <text x=\"{middle}\" y=\"50\" text-anchor=\"middle\">USB socket this way: up</text>\n\
         <path d=\"M{middle} 56V70M{} 62L{middle} 54L{} 62\" stroke=\"#000\" fill=\"none\"/>\n\
         <rect x=\"{left}\" y=\"{}\" width=\"{}\" height=\"{}\" fill=\"none\" stroke=\"#000\" stroke-width=\"2\"/>\n",
        middle - 5,
        middle + 5,
        top - 14,
        right - left,
        bottom - top + 14,
    ));
    for pin in EDGE {
        let y = top + (pin - EDGE.start()) * pitch;
        let label = match WIRES.iter().find(|wire| u32::from(wire.board_pin) == pin) {
            Some(Wire { gpio: Some(gpio), .. }) => format!("GP{gpio}"),
            Some(_) => "GND".into(),
            None if pin == SECOND_GROUND => "GND".into(),
            None => "free".into(),
        };
        add(format_args!(
            "<text x=\"{}\" y=\"{}\">pin {pin}</text><text x=\"{}\" y=\"{}\" text-anchor=\"end\">{label}</text>\n",
            left + 10,
            y + 5,
            right - 14,
            y + 5,
        ));
    }
    let y = bottom + 26;
    add(format_args!(
        "<rect x=\"{left}\" y=\"{}\" width=\"{}\" height=\"26\" fill=\"none\" stroke=\"#000\" stroke-width=\"2\" stroke-dasharray=\"6 3\"/>\n\
         <text x=\"{}\" y=\"{}\">pin 36</text><text x=\"{}\" y=\"{}\" text-anchor=\"end\">3V3(OUT)</text>\n\
         <text x=\"{middle}\" y=\"{}\" text-anchor=\"middle\" font-size=\"11\">on the board's other edge</text>\n",
        y - 13,
        right - left,
        left + 10,
        y + 5,
        right - 14,
        y + 5,
        y + 28,
    ));
}

/// The case with its leads, the dot and the chamfer at pin 1.
fn chip(add: &mut Add<'_>, case: Case, bottom: u32) {
    let (left, right, top, _) = CHIP;
    let middle = u32::midpoint(left, right);
    add(format_args!(
        "<text x=\"{middle}\" y=\"30\" text-anchor=\"middle\" font-weight=\"bold\">{}, from above</text>\n\
         <path d=\"M{} {top}H{right}V{bottom}H{left}V{}Z\" fill=\"#fff\" stroke=\"#000\" stroke-width=\"2\"/>\n\
         <circle cx=\"{}\" cy=\"{}\" r=\"6\" fill=\"#000\"/>\n\
         <text x=\"{}\" y=\"{}\" text-anchor=\"middle\" font-weight=\"bold\">pin 1</text>\n\
         <path d=\"M{} {}L{} {}\" stroke=\"#000\" fill=\"none\"/>\n",
        case.name(),
        left + 14,
        top + 14,
        left + 26,
        top + 12,
        left - 30,
        top - 12,
        left - 14,
        top - 8,
        left + 18,
        top + 8,
    ));
    if case == Case::Wson8 {
        add(format_args!(
            "<rect x=\"{}\" y=\"{}\" width=\"64\" height=\"{}\" fill=\"none\" stroke=\"#000\" stroke-dasharray=\"3 3\"/>\n",
            left + 60,
            top + 24,
            bottom - top - 48,
        ));
        for (row, word) in (0..).zip(["pad", "beneath:", "never", "bridge"]) {
            add(format_args!(
                "<text x=\"{}\" y=\"{}\" text-anchor=\"middle\">{word}</text>\n",
                left + 92,
                top + 58 + row * 18
            ));
        }
    }
    for pin in 1..=case.pins() {
        let (x, y) = lead(case, pin);
        let is_left = x < left;
        let wire = WIRES.iter().find(|wire| case.pin_of(wire) == pin);
        let (start, number, anchor) = if is_left { (x, left + 8, "start") } else { (right, right - 8, "end") };
        // Pads of this case do not reach past its edge.
        let dash = if case == Case::Wson8 { " stroke-dasharray=\"3 2\"" } else { "" };
        add(format_args!(
            "<rect x=\"{start}\" y=\"{}\" width=\"{LEAD}\" height=\"10\" fill=\"#fff\" stroke=\"#000\"{dash}/>\
             <text x=\"{number}\" y=\"{}\" text-anchor=\"{anchor}\">{pin} {}</text>\n",
            y - 5,
            y + 5,
            wire.map_or("", |wire| wire.signal),
        ));
    }
}

/// Where the wire of a pin ends: pins run down the left side and up the right one.
fn lead(case: Case, pin: u32) -> (u32, u32) {
    let rows = case.pins() / 2;
    let (left, right, top, pitch) = CHIP;
    let (x, row) = if pin <= rows { (left - LEAD, pin - 1) } else { (right + LEAD, 2 * rows - pin) };
    (x, top + 34 + row * pitch - if case == Case::Soic16 { 10 } else { 0 })
}

/// One wire, with its number at both ends.
fn run(add: &mut Add<'_>, case: Case, wire: &Wire, order: usize, (edge_bottom, chip_bottom): (u32, u32)) {
    let (_, board_right, board_top, pitch) = BOARD;
    let pin = u32::from(wire.board_pin);
    let from_y = if EDGE.contains(&pin) { board_top + (pin - EDGE.start()) * pitch } else { edge_bottom + 26 };
    let (to_x, to_y) = lead(case, case.pin_of(wire));
    let order = u32::try_from(order).expect("eight wires");
    let channel = board_right + 60 + order * BESIDE;
    let mut path = format!("M{board_right} {from_y}H{channel}");
    if to_x < CHIP.0 {
        write!(path, "V{to_y}H{to_x}").expect("a string takes everything");
    } else {
        // Around the chip below: the wire that goes highest on the right runs outermost.
        let under = chip_bottom.max(edge_bottom + 40) + (order % 4 + 1) * BESIDE;
        let outside = CHIP.1 + 70 + (order % 4) * BESIDE;
        write!(path, "V{under}H{outside}V{to_y}H{to_x}").expect("a string takes everything");
    }
    let width = if wire.gpio.is_none() { 3 } else { 1 };
    let end = if to_x < CHIP.0 { to_x - 16 } else { to_x + 16 };
    add(format_args!("<path d=\"{path}\" fill=\"none\" stroke=\"#000\" stroke-width=\"{width}\"/>\n"));
    for (x, y) in [(board_right + 22, from_y), (end, to_y)] {
        add(format_args!(
            "<circle cx=\"{x}\" cy=\"{y}\" r=\"9\" fill=\"#fff\" stroke=\"#000\"/><text x=\"{x}\" y=\"{}\" text-anchor=\"middle\" \
             font-weight=\"bold\" font-size=\"12\">{}</text>\n",
            y + 4,
            wire.clip_pin,
        ));
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Where a path ends that goes across and down alone: `M1 2H3V4`.
    fn end_of(path: &str) -> (u32, u32) {
        let number = |text: &str| text.parse::<u32>().expect("a number");
        let last = |way: char| {
            let from = path.rfind(way)? + 1;
            let len = path[from..].find(|c: char| !c.is_ascii_digit()).unwrap_or(path.len() - from);
            Some(number(&path[from..from + len]))
        };
        (last('H').expect("across"), last('V').expect("down"))
    }

    #[test]
    fn every_wire_ends_at_its_pin() {
        for case in CASES {
            let svg = drawing(case);
            let ends: Vec<_> = svg
                .lines()
                .filter_map(|line| {
                    line.strip_prefix("<path d=\"")?.split_once("\" fill=\"none\" stroke=\"#000\" stroke-width")
                })
                .map(|(path, _)| end_of(path))
                .collect();
            let wanted: Vec<_> = WIRES.iter().map(|wire| lead(case, case.pin_of(wire))).collect();
            assert_eq!(ends, wanted, "{}", case.name());
        }
    }

    #[test]
    fn the_handbook_shows_what_the_program_draws() {
        let folder = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("../../docs/pictures");
        for case in CASES {
            let file = folder.join(format!("wiring-{}.svg", case.name().to_lowercase()));
            let command = format!(
                "firmhand link install --drawing {0} --out docs/pictures/wiring-{0}.svg",
                case.name().to_lowercase()
            );
            let shown = std::fs::read_to_string(&file).unwrap_or_default();
            assert!(
                shown == drawing(case),
                "{} is older than the plan of pins; make it anew: {command}",
                file.display()
            );
        }
    }

    #[test]
    fn the_large_pad_is_named_where_there_is_one() {
        assert!(drawing(Case::Wson8).contains("never bridge it"));
        assert!(!drawing(Case::Soic8).contains("never bridge it"));
    }
}
