//! The contacts of one chip as a drawing: its case from above with pin 1, the jaws of the clip, and a wire for each signal.
//!
//! A wire is told by its mark and its line, never by colour: ground has a square and a thick line, the supply a triangle and a double
//! line, signals a circle with the pin's number. What a line test found stands at the wire in words, and an open contact is drawn with
//! a gap; the contact that a diagnosis names gets a ring and an arrow. The drawing takes its colour from the page (`currentColor`), so it
//! serves light, dark and paper.
//!
//! Pin tables are from memory of public data sheets, as in [`crate::link_wiring`], which draws the programmer's end of the same wires.

use std::fmt::Write as _;

use wire::pins::{WIRES, Wire};

use crate::contacts::{Contact, Pin};
use crate::profile::{ChipSpec, Package, PoweredBy};
use crate::views::reads::NamedContact;

/// Width of the drawing: words keep a readable size where the page is 360 px wide.
const WIDTH: u32 = 440;
/// The case's left and right edge, and its top.
const CASE: (u32, u32, u32) = (178, 262, 46);
/// Length of a lead.
const LEAD: u32 = 14;
/// Where wires end and words begin, on the left; the right is its mirror.
const WORDS: u32 = 122;

/// Returns the drawing of a chip's contacts as SVG; none for a case that there is no table for.
///
/// `tested` is what a line test found, by pins of the eight-pin package; empty when there was none. `named` is the contact of a
/// diagnosis.
#[must_use]
pub fn drawing(chip: &ChipSpec, tested: &[Pin], named: Option<&NamedContact>) -> Option<String> {
    let rows = match chip.package {
        Package::Soic8 | Package::Wson8 => 4,
        Package::Soic16 => 8,
        Package::Other => return None,
    };
    let wide = rows == 8;
    let pitch = if wide { 40 } else { 54 };
    let bottom = CASE.2 + rows * pitch;
    let mut svg = format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {WIDTH} {}\" role=\"img\" class=\"clip\" fill=\"none\" \
         stroke=\"currentColor\" font-family=\"sans-serif\"><title>The contacts of a {} from above, pin 1 top left</title>\n",
        bottom + 26,
        package_name(chip.package),
    );
    let mut add = |text: std::fmt::Arguments<'_>| svg.write_fmt(text).expect("a string takes everything");
    case(&mut add, chip.package, bottom);
    for pin in 1..=2 * rows {
        let is_left = pin <= rows;
        let row = if is_left { pin - 1 } else { 2 * rows - pin };
        let y = CASE.2 + pitch / 2 + row * pitch;
        let wire = WIRES.iter().find(|wire| u32::from(if wide { wire.wide_pin } else { wire.clip_pin }) == pin);
        lead(&mut add, chip.package, pin, is_left, y);
        if let Some(wire) = wire {
            let found = tested.iter().find(|found| found.pin == wire.clip_pin).map(|found| found.contact);
            let is_named = named.is_some_and(|named| named.pin == wire.clip_pin);
            run(&mut add, chip, wire, found, is_named, is_left, y);
        }
    }
    jaws(&mut add, bottom);
    svg.push_str("</svg>\n");
    Some(svg)
}

/// What a case is called.
#[must_use]
pub fn package_name(package: Package) -> &'static str {
    match package {
        Package::Soic8 => "SOIC-8",
        Package::Soic16 => "SOIC-16",
        Package::Wson8 => "WSON-8",
        Package::Other => "case of another kind",
    }
}

/// What a signal does, in a word or two.
#[must_use]
pub fn signal_does(signal: &str) -> &'static str {
    match signal {
        "CS#" => "chip select",
        "DO" => "data out",
        "WP#" => "write protect",
        "GND" => "ground",
        "DI" => "data in",
        "CLK" => "clock",
        "HOLD#" => "hold",
        "VCC" => "supply",
        _ => "",
    }
}

/// What a line test found at a contact, in a word or two.
#[must_use]
pub fn contact_words(contact: Contact) -> String {
    match contact {
        Contact::Good => "good".into(),
        Contact::Open => "no contact".into(),
        Contact::MovesWith(pin) => format!("joined to pin {pin}"),
        Contact::Driven => "driven".into(),
        Contact::Low => "low".into(),
        Contact::Unknown => "not told".into(),
    }
}

/// The wires in the order in which they go on: ground first, supply last; off goes the other way round.
pub fn order_on() -> impl Iterator<Item = &'static Wire> {
    let place = |wire: &&Wire| match wire.signal {
        "GND" => 0,
        "VCC" => 2,
        _ => 1,
    };
    let mut wires: Vec<&Wire> = WIRES.iter().collect();
    wires.sort_by_key(place);
    wires.into_iter()
}

type Add<'a> = dyn FnMut(std::fmt::Arguments<'_>) + 'a;

/// The case with chamfer, dot and the word for pin 1.
fn case(add: &mut Add<'_>, package: Package, bottom: u32) {
    let (left, right, top) = CASE;
    let middle = u32::midpoint(left, right);
    add(format_args!(
        "<path d=\"M{} {top}H{right}V{bottom}H{left}V{}Z\" stroke-width=\"2.5\"/>\n\
         <circle cx=\"{}\" cy=\"{}\" r=\"5\" fill=\"currentColor\" stroke=\"none\"/>\n\
         <g fill=\"currentColor\" stroke=\"none\" text-anchor=\"middle\"><text x=\"{middle}\" y=\"16\" font-size=\"14\" \
         font-weight=\"bold\">{}, from above</text></g>\n",
        left + 14,
        top + 14,
        left + 18,
        top + 16,
        package_name(package),
    ));
    add(format_args!(
        "<text x=\"{}\" y=\"36\" fill=\"currentColor\" stroke=\"none\" font-size=\"13\" font-weight=\"bold\" text-anchor=\"end\">pin 1</text>\
         <path d=\"M{} 34L{} {}\" stroke-width=\"1.5\"/>\n",
        left - 26,
        left - 22,
        left + 10,
        top + 11,
    ));
}

/// The two jaws of the clip, over the leads.
fn jaws(add: &mut Add<'_>, bottom: u32) {
    let (left, right, top) = CASE;
    for x in [left - LEAD - 4, right - 4] {
        add(format_args!(
            "<rect x=\"{x}\" y=\"{}\" width=\"{}\" height=\"{}\" rx=\"6\" stroke-dasharray=\"7 4\" stroke-width=\"1.2\" opacity=\"0.75\"/>\n",
            top + 4,
            LEAD + 8,
            bottom - top - 8
        ));
    }
    add(format_args!(
        "<text x=\"{}\" y=\"{}\" fill=\"currentColor\" stroke=\"none\" font-size=\"12\" text-anchor=\"middle\">dashed: jaws of the clip</text>\n",
        u32::midpoint(left, right),
        bottom + 18
    ));
}

fn lead(add: &mut Add<'_>, package: Package, pin: u32, is_left: bool, y: u32) {
    let (left, right, _) = CASE;
    let (x, number, anchor) = if is_left { (left - LEAD, left + 9, "start") } else { (right, right - 9, "end") };
    // The pads of this case end under its edge.
    let dash = if package == Package::Wson8 { " stroke-dasharray=\"3 2\"" } else { "" };
    // The number of pin 1 stands clear of the dot.
    let down = if pin == 1 { 9 } else { 5 };
    add(format_args!(
        "<rect x=\"{x}\" y=\"{}\" width=\"{LEAD}\" height=\"10\" stroke-width=\"1.5\"{dash}/>\
         <text x=\"{number}\" y=\"{}\" fill=\"currentColor\" stroke=\"none\" font-size=\"13\" text-anchor=\"{anchor}\">{pin}</text>\n",
        y - 5,
        y + down,
    ));
}

/// One wire from its lead outwards, with mark, signal and what is known of it.
fn run(add: &mut Add<'_>, chip: &ChipSpec, wire: &Wire, found: Option<Contact>, is_named: bool, is_left: bool, y: u32) {
    let mirror = |x: u32| if is_left { x } else { WIDTH - x };
    let (from, to) = (mirror(CASE.0 - LEAD), mirror(WORDS + 20));
    let (mark, words, anchor) = (mirror(WORDS + 10), mirror(WORDS - 4), if is_left { "end" } else { "start" });
    let stays_off = wire.signal == "VCC" && chip.powered_by != PoweredBy::Link;
    let gap = stays_off || found == Some(Contact::Open);
    let width = if wire.signal == "GND" { 4 } else { 2 };
    if gap {
        let middle = u32::midpoint(from, to);
        add(format_args!("<path d=\"M{} {}l8 8m0 -8l-8 8\" stroke-width=\"2\"/>\n", middle - 4, y - 4));
    } else if wire.signal == "VCC" {
        add(format_args!("<path d=\"M{from} {}H{to}M{from} {}H{to}\" stroke-width=\"1.5\"/>\n", y - 2, y + 2));
    } else {
        add(format_args!("<path d=\"M{from} {y}H{to}\" stroke-width=\"{width}\"/>\n"));
    }
    match wire.signal {
        "GND" => add(format_args!(
            "<rect x=\"{}\" y=\"{}\" width=\"20\" height=\"20\" stroke-width=\"1.5\"/>",
            mark - 10,
            y - 10
        )),
        "VCC" => add(format_args!(
            "<path d=\"M{mark} {}L{} {}H{}Z\" stroke-width=\"1.5\"/>",
            y - 14,
            mark + 13,
            y + 9,
            mark - 13
        )),
        _ => add(format_args!("<circle cx=\"{mark}\" cy=\"{y}\" r=\"10\" stroke-width=\"1.5\"/>")),
    }
    add(format_args!(
        "<g fill=\"currentColor\" stroke=\"none\"><text x=\"{mark}\" y=\"{}\" font-size=\"12\" font-weight=\"bold\" \
         text-anchor=\"middle\">{}</text><text x=\"{words}\" y=\"{}\" font-size=\"14\" font-weight=\"bold\" text-anchor=\"{anchor}\">{}</text>",
        y + 5,
        wire.clip_pin,
        y - 1,
        wire.signal,
    ));
    let below = match (stays_off, found) {
        (true, _) => "wire stays off".to_owned(),
        (false, Some(found)) => contact_words(found),
        (false, None) => signal_does(wire.signal).to_owned(),
    };
    add(format_args!(
        "<text x=\"{words}\" y=\"{}\" font-size=\"12\" text-anchor=\"{anchor}\">{below}</text></g>\n",
        y + 14
    ));
    if is_named {
        let (at, way) = (mirror(CASE.0 - LEAD / 2), if is_left { 1i64 } else { -1 });
        let tip = i64::from(at) - 18 * way;
        add(format_args!(
            "<circle cx=\"{at}\" cy=\"{y}\" r=\"15\" stroke-width=\"3.5\"/><path d=\"M{} {}L{tip} {}m{} -1l{} 1l2 {}\" stroke-width=\"3\"/>\
             <text x=\"{}\" y=\"{}\" fill=\"currentColor\" stroke=\"none\" font-size=\"13\" font-weight=\"bold\" text-anchor=\"{}\">look here</text>\n",
            tip - 22 * way,
            y - 22,
            y - 10,
            -10 * way,
            10 * way,
            -9,
            tip - 24 * way,
            y - 18,
            if is_left { "end" } else { "start" },
        ));
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::profile::Profile;

    fn chip(package: &str, powered_by: &str) -> ChipSpec {
        let text = include_str!("../../../../profiles/larkspur-nine.toml");
        let profile = Profile::parse(text, std::path::Path::new("larkspur-nine.toml")).expect("sound");
        let mut chip = profile.chip("main").expect("there").clone();
        chip.package = match package {
            "SOIC-16" => Package::Soic16,
            "WSON-8" => Package::Wson8,
            "other" => Package::Other,
            _ => Package::Soic8,
        };
        if powered_by != "link" {
            chip.powered_by = PoweredBy::BoardStandby;
        }
        chip
    }

    /// JEDEC has pin 1 top left, counting down the left side and up the right one (from memory): pin 4 is the last on the left.
    #[test]
    fn every_signal_stands_on_its_side() {
        for (package, left) in
            [("SOIC-8", ["CS#", "DO", "WP#", "GND"].as_slice()), ("SOIC-16", ["HOLD#", "VCC", "CS#", "DO"].as_slice())]
        {
            let svg = drawing(&chip(package, "link"), &[], None).expect("a table");
            for wire in &WIRES {
                let anchor = if left.contains(&wire.signal) { "end" } else { "start" };
                let words = format!("font-weight=\"bold\" text-anchor=\"{anchor}\">{}</text>", wire.signal);
                assert!(svg.contains(&words), "{package} {}", wire.signal);
            }
        }
        assert_eq!(drawing(&chip("other", "link"), &[], None), None);
    }

    #[test]
    fn s4_the_supply_wire_stays_off_where_the_board_feeds_the_chip() {
        assert!(!drawing(&chip("SOIC-8", "link"), &[], None).expect("a table").contains("stays off"));
        assert!(drawing(&chip("SOIC-8", "board"), &[], None).expect("a table").contains("stays off"));
        assert_eq!(order_on().map(|wire| wire.signal).next(), Some("GND"));
        assert_eq!(order_on().map(|wire| wire.signal).last(), Some("VCC"));
    }

    #[test]
    fn a_test_and_a_diagnosis_show_on_their_wire_alone() {
        let open = Pin { pin: 6, signal: "CLK", contact: Contact::Open, levels: None, rise_ns: None };
        let named = NamedContact { pin: 2, signal: "DO".into() };
        let svg = drawing(&chip("SOIC-8", "link"), &[open], Some(&named)).expect("a table");
        assert_eq!(svg.matches("no contact").count(), 1);
        assert_eq!(svg.matches("look here").count(), 1);
        assert!(svg.contains("text-anchor=\"end\">look here"), "DO is on the left");
    }
}
