//! The wiring drawing of one chip, as inline SVG: its case from above, pin 1, and what each pin is called.
//!
//! Pin tables are from memory of public data sheets, and the same for every maker's serial NOR in these cases; the clip's own
//! numbering may run otherwise, which is why the drawing names signals and not the clip's contacts. The dot, the chamfer and
//! the word mark pin 1; nothing hangs on colour.

use std::fmt::Write as _;

use super::super::model::{ChipSpec, Package, PoweredBy};
use super::{escaped, reach};

/// Signals of SOIC-8 and WSON-8, from pin 1.
const EIGHT: [&str; 8] = ["CS#", "DO / IO1", "WP# / IO2", "GND", "DI / IO0", "CLK", "HOLD# / IO3", "VCC"];
/// Signals of SOIC-16, from pin 1. Pins without one stay free.
const SIXTEEN: [&str; 16] = [
    "HOLD# / IO3",
    "VCC",
    "free",
    "free",
    "free",
    "free",
    "CS#",
    "DO / IO1",
    "WP# / IO2",
    "GND",
    "free",
    "free",
    "free",
    "free",
    "DI / IO0",
    "CLK",
];

/// Width of the drawing and left edge and width of the case, in units of the drawing.
const WIDTH: u32 = 340;
const LEFT: u32 = 120;
const CASE: u32 = 100;
/// Top of the case, and distance of two pins.
const TOP: u32 = 34;
const PITCH: u32 = 26;

/// Returns the drawing; a sentence where the case has none.
pub(super) fn drawing(chip: &ChipSpec) -> String {
    let (signals, name): (&[&str], &str) = match chip.package {
        Package::Soic8 => (&EIGHT, "SOIC-8"),
        Package::Soic16 => (&SIXTEEN, "SOIC-16"),
        Package::Wson8 => (&EIGHT, "WSON-8"),
        Package::Other => {
            return "<p>No drawing for this case: take the pins from the chip's data sheet, and check pin 1 twice.</p>\n".into();
        }
    };
    let rows = u32::try_from(signals.len() / 2).expect("a case has few pins");
    let height = rows * PITCH + 8;
    let id = escaped(&chip.id);
    let mut svg = format!(
        "<svg viewBox=\"0 0 {WIDTH} {}\" role=\"img\" aria-label=\"{id}, {name} from above, pin 1 top left\" \
         font-family=\"sans-serif\" font-size=\"12\">\n",
        TOP + height + 44
    );
    let mut add = |text: std::fmt::Arguments<'_>| svg.write_fmt(text).expect("a string takes everything");
    let centre = LEFT + CASE / 2;
    add(format_args!(
        "<text x=\"{centre}\" y=\"12\" text-anchor=\"middle\" font-weight=\"bold\">{name}, from above</text>\n"
    ));
    // The chamfered corner and the dot are both at pin 1.
    add(format_args!(
        "<path d=\"M{} {TOP}H{}V{}H{LEFT}V{}Z\" fill=\"#fff\" stroke=\"#000\" stroke-width=\"2\"/>\n",
        LEFT + 12,
        LEFT + CASE,
        TOP + height,
        TOP + 12,
    ));
    add(format_args!("<circle cx=\"{}\" cy=\"{}\" r=\"5\" fill=\"#000\"/>\n", LEFT + 20, TOP + 20));
    for (at, signal) in signals.iter().enumerate() {
        let pin = u32::try_from(at).expect("a case has few pins") + 1;
        let is_left = pin <= rows;
        // Pins run down the left side and up the right one.
        let row = if is_left { pin - 1 } else { 2 * rows - pin };
        let y = TOP + 4 + PITCH / 2 + row * PITCH;
        let fed = if *signal == "VCC" && chip.powered_by != PoweredBy::Link { " (wire off)" } else { "" };
        let (lead, number, anchor, text, side) = if is_left {
            (LEFT - 14, LEFT + 8, "start", LEFT - 20, "end")
        } else {
            (LEFT + CASE, LEFT + CASE - 8, "end", LEFT + CASE + 20, "start")
        };
        // The first pin's number stands right of the dot.
        let number = if pin == 1 { LEFT + 32 } else { number };
        let lead_dash = if chip.package == Package::Wson8 { " stroke-dasharray=\"2 2\"" } else { "" };
        add(format_args!(
            "<rect x=\"{lead}\" y=\"{}\" width=\"14\" height=\"8\" fill=\"#fff\" stroke=\"#000\"{lead_dash}/>\
             <text x=\"{number}\" y=\"{}\" text-anchor=\"{anchor}\">{pin}</text>\
             <text x=\"{text}\" y=\"{}\" text-anchor=\"{side}\">{signal}{fed}</text>\n",
            y - 4,
            y + 4,
            y + 4
        ));
    }
    add(format_args!(
        "<text x=\"{}\" y=\"30\" text-anchor=\"end\" font-weight=\"bold\">pin 1</text>\n\
         <path d=\"M{} 27L{} {}\" stroke=\"#000\" fill=\"none\"/>\n",
        LEFT - 24,
        LEFT - 20,
        LEFT - 2,
        TOP + 4,
    ));
    let below = TOP + height + 18;
    add(format_args!(
        "<text x=\"{centre}\" y=\"{below}\" text-anchor=\"middle\" font-weight=\"bold\">{}</text>\n\
         <text x=\"{centre}\" y=\"{}\" text-anchor=\"middle\">{}</text>\n</svg>\n",
        chip.supply_v,
        below + 16,
        reach(chip.reach)
    ));
    svg
}
