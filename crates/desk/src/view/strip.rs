//! An image as a strip: its stretches in address order, each with the pattern of its kind.
//!
//! A strip is drawn without words, because it is stretched to the width of the page; the list beneath it has the words, and every
//! stretch of the strip is a link to its place there. Small stretches get a least width, so the strip is no ruler: the list has the
//! addresses.

use job::image::explain::Kind;
use maud::{Markup, html};

/// Width of a strip in its own units.
pub(super) const WIDTH: f64 = 1000.0;
/// Height of a strip.
pub(super) const HEIGHT: f64 = 40.0;
/// Least width of a stretch, as long as there are few.
const LEAST: f64 = 14.0;

/// A stretch of a strip.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Stretch {
    /// First byte.
    pub at: u64,
    /// Bytes.
    pub size: u64,
    /// Its kind.
    pub kind: Kind,
    /// What a pointer over it shows.
    pub title: String,
    /// Where it leads.
    pub href: String,
}

/// Left edge and width of each stretch: to scale, but none narrower than the least width.
pub(super) fn layout(sizes: &[u64]) -> Vec<(f64, f64)> {
    let count = sizes.len().max(1);
    #[expect(clippy::cast_precision_loss, reason = "a drawing")]
    let (least, total) = (LEAST.min(WIDTH / count as f64), sizes.iter().sum::<u64>().max(1) as f64);
    #[expect(clippy::cast_precision_loss, reason = "a drawing")]
    let rest = WIDTH - least * count as f64;
    let mut from = 0.0;
    let place = |size: &u64| {
        #[expect(clippy::cast_precision_loss, reason = "a drawing")]
        let wide = least + rest * (*size as f64) / total;
        let left = from;
        from += wide;
        (left, wide)
    };
    sizes.iter().map(place).collect()
}

/// Where an address lies on a strip with these stretches and this layout.
pub(super) fn place_of(at: u64, stretches: &[Stretch], layout: &[(f64, f64)]) -> f64 {
    for (stretch, (left, wide)) in stretches.iter().zip(layout) {
        if at < stretch.at + stretch.size {
            #[expect(clippy::cast_precision_loss, reason = "a drawing")]
            let share = at.saturating_sub(stretch.at) as f64 / stretch.size.max(1) as f64;
            return left + wide * share;
        }
    }
    WIDTH
}

/// The strip as a drawing; its patterns are those of the key on the same page.
pub(super) fn strip(label: &str, stretches: &[Stretch], bad: &[bool]) -> Markup {
    let places = layout(&stretches.iter().map(|stretch| stretch.size).collect::<Vec<_>>());
    html! {
        svg.strip viewBox=(format!("0 0 {WIDTH} {HEIGHT}")) preserveAspectRatio="none" role="group" aria-label=(label) {
            @for ((stretch, (left, wide)), bad) in stretches.iter().zip(places).zip(bad) {
                // The list beneath is the way for keyboards and readers.
                a href=(stretch.href) tabindex="-1" {
                    title { (stretch.title) }
                    rect.ground x=(format!("{left:.2}")) y="0" width=(format!("{wide:.2}")) height=(HEIGHT) {}
                    rect class={ "kind " (class(stretch.kind)) } x=(format!("{left:.2}")) y="0" width=(format!("{wide:.2}"))
                        height=(HEIGHT) fill=(format!("url(#p-{})", class(stretch.kind))) {}
                    @if *bad { path.flaw d=(format!("M{:.2} 0l9 0l-4.5 12z", left + wide / 2.0 - 4.5)) {} }
                }
            }
        }
    }
}

/// The mark of a kind beside its name in lists: the same pattern as on the strip.
pub(super) fn swatch(kind: Kind) -> Markup {
    html! {
        svg.swatch viewBox="0 0 24 24" aria-hidden="true" {
            rect.ground x="0" y="0" width="24" height="24" {}
            rect class={ "kind " (class(kind)) } x="0" y="0" width="24" height="24" fill=(format!("url(#p-{})", class(kind))) {}
        }
    }
}

/// Kinds that look alike on a strip because they mean alike.
pub(super) fn class(kind: Kind) -> &'static str {
    match kind {
        Kind::FlashDescriptor | Kind::PartitionTable | Kind::Fit | Kind::FitEntry => "map",
        Kind::Region | Kind::Partition => "region",
        Kind::PiVolume | Kind::PiFile | Kind::PiSection | Kind::Capsule | Kind::Uf2 => "code",
        Kind::VariableStore | Kind::Variable | Kind::Ftw => "store",
        Kind::Nvm => "own",
        Kind::Microcode => "micro",
        Kind::Free | Kind::Blank => "blank",
        Kind::Unknown => "unknown",
    }
}

/// The patterns, by class: told apart by their lines, whatever the tone.
pub(super) fn patterns() -> Markup {
    const LINES: [(&str, u32, &str); 8] = [
        ("map", 8, "M0 4H8M4 0V8"),
        ("region", 10, "M0 5H10"),
        ("code", 7, "M-1 8L8 -1M-1 1L1 -1M6 8L8 6"),
        ("store", 9, "M2 2h5v5h-5z"),
        ("own", 9, "M4.5 1L8 4.5L4.5 8L1 4.5z"),
        ("micro", 6, "M3 0V6"),
        ("blank", 16, ""),
        ("unknown", 7, "M3.5 3.4v.2"),
    ];
    html! {
        defs {
            @for (name, side, lines) in LINES {
                pattern id={ "p-" (name) } width=(side) height=(side) patternUnits="userSpaceOnUse" {
                    path d=(lines) fill="none" stroke="currentColor" stroke-width="1.6" stroke-linecap="round" {}
                }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn stretches_fill_the_strip_in_order_and_none_is_too_narrow_to_touch() {
        let sizes = [4096, 16 << 20, 1, 8192];
        let places = layout(&sizes);
        let mut end = 0.0;
        for (left, wide) in &places {
            assert!((left - end).abs() < 1e-6 && *wide >= LEAST);
            end = left + wide;
        }
        assert!((end - WIDTH).abs() < 1e-6);
        assert!(places[1].1 > 900.0);
        let many = layout(&vec![1; 5000]);
        assert!((many[4999].0 + many[4999].1 - WIDTH).abs() < 1e-6);
        assert!(layout(&[]).is_empty());
    }

    #[test]
    fn every_kind_has_a_pattern() {
        let drawn = patterns().0;
        for kind in Kind::ALL {
            assert!(drawn.contains(&format!("id=\"p-{}\"", class(kind))), "{kind}");
        }
    }
}
