//! Pieces that several pictures use: bytes of a sector, hashes, numbers.

use std::fmt::Write as _;

use job::views::chip_map::SECTOR;
use maud::{Markup, html};

use super::words;

/// Bytes of a line of a dump.
const LINE: usize = 16;

/// A hash that can be read: the first digits, the whole of it beside the pointer and for copying.
pub(super) fn short_hash(hash: &str) -> Markup {
    let short: String = hash.chars().take(16).collect();
    html! { code title=(hash) { (short) } }
}

/// A time as people read it: to the minute, UTC.
pub(super) fn time(when: &str) -> Markup {
    let shown: String = when.chars().take(16).map(|letter| if letter == 'T' { ' ' } else { letter }).collect();
    html! { time datetime=(when) { (shown) " UTC" } }
}

/// Bytes as hexadecimal digits and letters, 16 a line, with those marked that `other` has otherwise.
pub(super) fn dump(label: &str, at: u32, bytes: &[u8], other: Option<&[u8]>) -> Markup {
    if let Some(first) = bytes.first().filter(|first| bytes.iter().all(|byte| byte == *first)) {
        return html! { p { (label) ": " (words::ALL_ONE) " " code { (format!("{first:02X}")) } "." } };
    }
    html! {
        h3 { (label) }
        div.dump tabindex="0" role="region" aria-label=(label) {
            table {
                @for (row, line) in (0u32..).zip(bytes.chunks(LINE)) {
                    @let from = row as usize * LINE;
                    @let beside = other.and_then(|other| other.get(from..(from + line.len())));
                    tr {
                        th scope="row" { (format!("{:06x}", at + row * 16)) }
                        td { (digits(line, beside)) }
                        td { (letters(line)) }
                    }
                }
            }
        }
    }
}

/// The digits of a line; stretches that are not the same are marked.
fn digits(line: &[u8], beside: Option<&[u8]>) -> Markup {
    let differs = |at: usize| beside.is_some_and(|beside| beside[at] != line[at]);
    let mut runs: Vec<(bool, String)> = Vec::new();
    for (at, byte) in line.iter().enumerate() {
        let gap = if at == 0 { "" } else { " " };
        match runs.last_mut() {
            Some((marked, text)) if *marked == differs(at) => {
                write!(text, "{gap}{byte:02x}").expect("a string takes everything");
            }
            _ => runs.push((differs(at), format!("{gap}{byte:02x}"))),
        }
    }
    html! { @for (marked, text) in runs { @if marked { mark { (text) } } @else { (text) } } }
}

fn letters(line: &[u8]) -> String {
    line.iter().map(|byte| if (0x20..0x7F).contains(byte) { char::from(*byte) } else { '·' }).collect()
}

/// The sector that begins at `at`, as far as the content has it.
pub(super) fn sector(content: &[u8], at: u32) -> &[u8] {
    let rest = content.get(at as usize..).unwrap_or_default();
    &rest[..rest.len().min(SECTOR as usize)]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_dump_shows_letters_and_marks_what_differs() {
        let bytes = *b"Meadowlark <b>\x1b\x00";
        let mut other = bytes;
        other[1] = 0;
        let shown = dump("found", 0x1000, &bytes, Some(&other)).0;
        assert!(shown.contains("001000") && shown.contains("4d<mark> 65</mark> 61"), "{shown}");
        assert!(shown.contains("Meadowlark &lt;b&gt;··"), "what a chip says makes no markup: {shown}");
        assert!(dump("found", 0, &[0xFF; 64], None).0.contains("FF"));
    }

    #[test]
    fn s10_a_sector_past_the_end_is_empty() {
        assert_eq!(sector(&[1; 5000], 4096).len(), 904);
        assert!(sector(&[1; 5000], 8192).is_empty());
        assert!(sector(&[1; 5000], u32::MAX).is_empty());
    }
}
