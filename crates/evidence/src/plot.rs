//! A picture of where readings differ: one strip for each reading over the address range, as SVG.
//!
//! In each strip bars stand on a middle line. A bar upwards is bits that read 1 where most readings have 0, a bar downwards
//! bits that read 0 where most have 1; its height is the share of its bits that differ, on a logarithmic scale, so that one
//! wrong bit still shows. Brackets under the strips mark where the first suspect shows. Nothing is told by colour alone,
//! and the text is text; what the scales mean stands in the picture.
//!
//! The decision a reader would question: a bar covers a two-hundred-and-fortieth of the chip, and damage narrower than that
//! is drawn as wide as one bar. A picture of a whole chip that showed less would show nothing.

use std::fmt::Write;
use std::ops::Range;

use crate::bits::word;
use crate::differences::{consensus, differences};
use crate::pass::SECTOR;
use crate::reading::Reading;

/// Bars in a strip.
const BARS: usize = 240;
const BAR: usize = 3;
const LEFT: usize = 120;
const WIDTH: usize = LEFT + BARS * BAR + 60;
const STRIP: usize = 56;
const TOP: usize = 44;
/// Half the height of a strip's bars.
const MOST: f64 = 24.0;

/// Returns the SVG of how `readings` differ; `None` when there are fewer than two or their lengths differ or are 0.
///
/// `names` label the strips, from the top; a missing one is a number. `marked` are byte ranges to bracket. The same input
/// gives the same text.
pub fn plot(title: &str, names: &[&str], readings: &[Reading<'_>], marked: &[Range<u32>]) -> Option<String> {
    let found = differences(readings).filter(|found| found.size > 0)?;
    let strips = strips(readings, &found.disputed, found.size as usize);
    let bottom = TOP + STRIP * strips.len();
    let height = bottom + 112;
    let mut svg = String::new();
    let text = &mut svg;
    line(text, &format!("<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {WIDTH} {height}\" role=\"img\">"));
    line(text, &format!("<title>{}</title>", escaped(title)));
    line(
        text,
        "<style>text{font:13px sans-serif;fill:#222}.bar{fill:#222}.axis{stroke:#777}.grid{stroke:#ccc}.mark{stroke:#222;fill:none}</style>",
    );
    line(text, &format!("<rect width=\"{WIDTH}\" height=\"{height}\" fill=\"#fff\"/>"));
    line(text, &format!("<text x=\"{LEFT}\" y=\"24\" style=\"font-weight:bold\">{}</text>", escaped(title)));
    draw_axis(text, found.size, bottom);
    for (number, strip) in strips.iter().enumerate() {
        let middle = TOP + STRIP * number + STRIP / 2;
        let name = names.get(number).map_or_else(|| format!("read {}", number + 1), |name| (*name).to_owned());
        line(text, &format!("<text x=\"8\" y=\"{}\">{}</text>", middle + 4, escaped(&name)));
        let right = LEFT + BARS * BAR;
        line(text, &format!("<path class=\"axis\" d=\"M{LEFT} {middle}H{right}\"/>"));
        for (way, y) in [("reads 1", middle - 8), ("reads 0", middle + 17)] {
            line(text, &format!("<text x=\"{}\" y=\"{y}\">{way}</text>", right + 6));
        }
        draw_strip(text, strip, middle);
    }
    draw_marks(text, marked, found.size, bottom);
    let bytes = (found.size as usize).div_ceil(BARS);
    let legend = [
        "Up: bits that read 1 where most reads have 0; down: 0 where most have 1. Bracket: the first suspect."
            .to_owned(),
        format!(
            "Height, logarithmic: from one bit (a sixth) to half of all bits in the {bytes} bytes of a bar (whole)."
        ),
    ];
    for (number, text_line) in legend.iter().enumerate() {
        line(text, &format!("<text x=\"{LEFT}\" y=\"{}\">{text_line}</text>", height - 28 + 18 * number));
    }
    line(text, "</svg>");
    Some(svg)
}

/// Rising and falling bits of each bar, and the bytes it covers.
struct Strip {
    bars: Vec<[u64; 2]>,
    bytes: usize,
}

fn strips(readings: &[Reading<'_>], disputed: &[Range<u32>], size: usize) -> Vec<Strip> {
    let contents: Vec<&[u8]> = readings.iter().map(|reading| reading.content).collect();
    let empty = || Strip { bars: vec![[0; 2]; BARS], bytes: size.div_ceil(BARS) };
    let mut strips: Vec<Strip> = contents.iter().map(|_| empty()).collect();
    for from in disputed.iter().flat_map(|range| (range.start as usize..range.end as usize).step_by(SECTOR)) {
        let voted = consensus(&contents, from / SECTOR);
        for (strip, content) in strips.iter_mut().zip(&contents) {
            let own = &content[from..from + voted.len()];
            for at in (0..voted.len()).step_by(8) {
                let (was, is) = (word(&voted, at), word(own, at));
                if was != is {
                    let bar = &mut strip.bars[(from + at) * BARS / size];
                    bar[0] += u64::from((!was & is).count_ones());
                    bar[1] += u64::from((was & !is).count_ones());
                }
            }
        }
    }
    strips
}

fn draw_strip(text: &mut String, strip: &Strip, middle: usize) {
    for (number, bar) in strip.bars.iter().enumerate() {
        let x = LEFT + number * BAR;
        let height = |bits: u64| {
            // From one bit, a sixth of the height, to half of all bits, the whole.
            let share = bits as f64 / (strip.bytes as f64 * 4.0);
            let least = 1.0 / (strip.bytes as f64 * 4.0);
            let scaled = if share >= 1.0 { 1.0 } else { 1.0 - share.ln() / least.min(0.5).ln() };
            (MOST * (1.0 + 5.0 * scaled) / 6.0).round().min(MOST)
        };
        for (bits, up) in [(bar[0], true), (bar[1], false)] {
            if bits > 0 {
                let tall = height(bits);
                let y = if up { middle as f64 - tall } else { middle as f64 };
                line(text, &format!("<rect class=\"bar\" x=\"{x}\" y=\"{y}\" width=\"{BAR}\" height=\"{tall}\"/>"));
            }
        }
    }
}

fn draw_axis(text: &mut String, size: u32, bottom: usize) {
    for quarter in 0..=4_u64 {
        let x = LEFT + BARS * BAR * quarter as usize / 4;
        let address = u64::from(size) * quarter / 4;
        line(text, &format!("<path class=\"grid\" d=\"M{x} {TOP}V{}\"/>", bottom + 4));
        line(text, &format!("<text x=\"{x}\" y=\"{}\" text-anchor=\"middle\">{address:x}h</text>", bottom + 32));
    }
    let x = LEFT + BARS * BAR / 2;
    let label = "address inside the chip, in bytes";
    line(text, &format!("<text x=\"{x}\" y=\"{}\" text-anchor=\"middle\">{label}</text>", bottom + 52));
}

fn draw_marks(text: &mut String, marked: &[Range<u32>], size: u32, bottom: usize) {
    let place = |address: u32| LEFT as u64 + (BARS * BAR) as u64 * u64::from(address.min(size)) / u64::from(size);
    for range in marked {
        let (from, to) = (place(range.start), place(range.end).max(place(range.start) + BAR as u64));
        let (top, low) = (bottom + 8, bottom + 14);
        line(text, &format!("<path class=\"mark\" d=\"M{from} {top}V{low}H{to}V{top}\"/>"));
    }
}

fn line(text: &mut String, one: &str) {
    writeln!(text, "{one}").expect("a string takes everything");
}

fn escaped(text: &str) -> String {
    text.replace('&', "&amp;").replace('<', "&lt;").replace('>', "&gt;").replace('"', "&quot;")
}

#[cfg(test)]
#[expect(clippy::single_range_in_vec_init, reason = "a list of one range is what is meant")]
mod tests {
    use super::*;
    use crate::testing::firmware;

    #[test]
    fn bars_stand_where_and_how_the_bits_are_wrong() {
        let size = BARS * 4096;
        let truth = vec![0x0F; size];
        let (mut up, mut down) = (truth.clone(), truth.clone());
        up[10 * 4096..11 * 4096].fill(0xFF);
        down[200 * 4096 + 5] = 0x0E;
        let readings = [Reading::bare(&up), Reading::bare(&truth), Reading::bare(&down)];
        let svg = plot("a < b", &["one", "two & three"], &readings, &[40_960..45_056]).unwrap();
        let bars: Vec<&str> = svg.lines().filter(|line| line.contains("class=\"bar\"")).collect();
        let middle = |strip: usize| TOP + STRIP * strip + STRIP / 2;
        // Half of the bits of a bar are the whole height; one bit is a sixth of it.
        let whole = format!("x=\"{}\" y=\"{}\" width=\"3\" height=\"24\"", LEFT + 10 * BAR, middle(0) - 24);
        let least = format!("x=\"{}\" y=\"{}\" width=\"3\" height=\"4\"", LEFT + 200 * BAR, middle(2));
        assert_eq!(bars.len(), 2, "{bars:?}");
        assert!(bars[0].contains(&whole) && bars[1].contains(&least), "{bars:?}");
        assert!(svg.contains("a &lt; b") && svg.contains("two &amp; three") && svg.contains("read 3"));
        assert_eq!(svg.matches("class=\"mark\"").count(), 1);
        assert_eq!(svg, plot("a < b", &["one", "two & three"], &readings, &[40_960..45_056]).unwrap());
    }

    #[test]
    fn nothing_to_compare_is_no_picture() {
        let content = firmware(1, 4096);
        assert_eq!(plot("", &[], &[Reading::bare(&content)], &[]), None);
        assert_eq!(plot("", &[], &[Reading::bare(&[]), Reading::bare(&[])], &[]), None);
        let odd = [Reading::bare(&content[..5]), Reading::bare(&content[1..6])];
        assert!(plot("", &[], &odd, &[0..u32::MAX]).is_some(), "less than a bar and a mark past the end");
    }
}
