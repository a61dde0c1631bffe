//! A profile as one page to print: what to have at hand, the wiring, the steps with room to sign.
//!
//! The page is HTML without scripts and asks nothing of any other place: it works from a stick, on a phone, and on paper of A4 and
//! letter size. Nothing on it is told by colour alone. All text of the profile is escaped; who wrote it need not be trusted.
//!
//! The decision a reader would question: steps of all kinds of job are printed in one list, each with the jobs that it belongs
//! to. Separate lists would repeat most steps, and a paper at the bench is for one model of machine, not for one job.

mod drawing;

use intake::keys::grouped;
use std::fmt::Write as _;

use super::cautions::cautions_for;
use super::model::{
    ChipSpec, Content, FusedState, GateKind, ImageSource, JobKind, LimitWhen, PoweredBy, Profile, ProtectionAfter,
    Reach, Role, Standing, Step, StepKind, Target,
};
use crate::text::size;

const STYLE: &str = include_str!("sheet/sheet.css");

/// Returns the page.
#[must_use]
pub fn sheet(profile: &Profile) -> String {
    let name = escaped(&profile.board.name);
    let mut page = format!(
        "<!DOCTYPE html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n\
         <meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\n\
         <meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; style-src 'unsafe-inline'\">\n\
         <title>{name}: work sheet</title>\n<style>\n{STYLE}</style>\n</head>\n<body>\n"
    );
    head(&mut page, profile);
    before(&mut page, profile);
    supplies(&mut page, profile);
    page += "<h2>Chips</h2>\n";
    for chip in &profile.chips {
        chip_card(&mut page, chip);
    }
    spans_and_variants(&mut page, profile);
    settings(&mut page, profile);
    controllers(&mut page, profile);
    page += "<h2>Steps</h2>\n<ol class=\"steps\">\n";
    for step in &profile.steps {
        step_item(&mut page, profile, step);
    }
    page += "</ol>\n";
    limits(&mut page, profile);
    page += "</body>\n</html>\n";
    page
}

/// Returns text in which nothing can be taken for markup.
pub(super) fn escaped(text: &str) -> String {
    let mut safe = String::with_capacity(text.len());
    for letter in text.chars() {
        match letter {
            '&' => safe += "&amp;",
            '<' => safe += "&lt;",
            '>' => safe += "&gt;",
            '"' => safe += "&quot;",
            '\'' => safe += "&#39;",
            _ => safe.push(letter),
        }
    }
    safe
}

fn head(page: &mut String, profile: &Profile) {
    let board = &profile.board;
    put(page, format_args!("<h1>{}</h1>\n", escaped(&board.name)));
    if let Some(revision) = &board.revision {
        put(page, format_args!("<p><b>Board:</b> {}</p>\n", escaped(revision)));
    }
    if let Some(note) = &board.note {
        put(page, format_args!("<p>{}</p>\n", escaped(note)));
    }
    put(page, format_args!("<p><b>Jobs:</b> {}</p>\n", kinds(&board.jobs)));
    *page +=
        "<table class=\"blanks\"><tr><td>Machine</td><td>Job</td><td>Date</td><td>Who works on it</td></tr></table>\n";
    if !profile.sources.is_empty() {
        *page += "<h2>Tried by</h2>\n<ul>\n";
        for source in &profile.sources {
            let versions: String = source.versions.iter().map(|version| format!("; {}", escaped(version))).collect();
            let note = source.note.as_ref().map_or_else(String::new, |note| format!(". {}", escaped(note)));
            let (by, date) = (escaped(&source.by), escaped(&source.date));
            put(page, format_args!("<li>{by}, {date}{versions}{note}</li>\n"));
        }
        *page += "</ul>\n";
    }
}

/// Gates and fitted options: what is asked before the work.
fn before(page: &mut String, profile: &Profile) {
    if !profile.gates.is_empty() {
        *page += "<h2>Before anything else</h2>\n<ul class=\"ask\">\n";
        for gate in &profile.gates {
            let asked = match &gate.kind {
                GateKind::Fit { question } => escaped(question),
                GateKind::Fused { says: FusedState::Open } => "This model does not check its firmware in hardware: open.".into(),
                GateKind::Fused { says: FusedState::Fused } => "This model checks its firmware in hardware: FUSED. The job stops.".into(),
                GateKind::Fused { says: FusedState::Unknown } => {
                    "Nobody knows whether this model checks its firmware in hardware: somebody signs before the first erase.".into()
                }
            };
            put(page, format_args!("<li>{asked} <span class=\"why\">{}</span></li>\n", escaped(&gate.why)));
        }
        *page += "</ul>\n";
    }
    if !profile.options.is_empty() {
        *page += "<table>\n<tr><th>Fitted extra</th><th>With the new firmware</th><th>Note</th></tr>\n";
        for option in &profile.options {
            let standing = match option.standing {
                Standing::Tested => "tested",
                Standing::Untested => "untested",
                Standing::Fails => "FAILS",
            };
            let note = option.note.as_deref().map(escaped).unwrap_or_default();
            put(page, format_args!("<tr><td>{}</td><td>{standing}</td><td>{note}</td></tr>\n", escaped(&option.name)));
        }
        *page += "</table>\n";
    }
}

fn supplies(page: &mut String, profile: &Profile) {
    *page += "<h2>Sources of power, in the order of switching off</h2>\n\
              <table>\n<tr><th>No.</th><th>Source</th><th>Off</th><th>On, in the opposite order</th></tr>\n";
    for (at, supply) in profile.supplies.iter().enumerate() {
        let charge =
            supply.charge_min.map_or_else(String::new, |least| format!("<br>at least {least} % before an update"));
        let (name, off, on) = (escaped(&supply.name), escaped(&supply.how_off), escaped(&supply.how_on));
        put(page, format_args!("<tr><td>{}</td><td>{name}{charge}</td><td>{off}</td><td>{on}</td></tr>\n", at + 1));
    }
    *page += "</table>\n";
}

fn chip_card(page: &mut String, chip: &ChipSpec) {
    let role = match chip.role {
        Role::System => "the machine's firmware",
        Role::Port => "a port controller's firmware",
        Role::Controller => "a controller's firmware",
    };
    let powered = match chip.powered_by {
        PoweredBy::Link => "the programmer",
        PoweredBy::BoardStandby => "the board in standby; the programmer's supply wire stays off",
        PoweredBy::BenchSupply => "a bench supply; the programmer's supply wire stays off",
    };
    let protection = match chip.protection_after {
        ProtectionAfter::AsFound => "left as found",
        ProtectionAfter::Off => "left off",
    };
    put(page, format_args!("<section class=\"chip\">\n<h3>{}: {role}</h3>\n<div class=\"pair\">\n", escaped(&chip.id)));
    *page += &drawing::drawing(chip);
    *page += "<dl>\n";
    let markings = chip.markings.iter().map(|marking| escaped(marking)).collect::<Vec<_>>().join(", ");
    let mut row = |name: &str, value: &str| put(page, format_args!("<dt>{name}</dt><dd>{value}</dd>\n"));
    row("Size", &size(u64::from(chip.size)));
    row("Supply", &format!("<b>{}</b>", chip.supply_v));
    row("Fed by", powered);
    row("Reached by", reach(chip.reach));
    row("Place", &escaped(&chip.place));
    if let Some(covered) = &chip.covered {
        row("Covered by", &escaped(covered));
    }
    if !markings.is_empty() {
        row("Markings seen", &markings);
    }
    row("Protection", protection);
    *page += "</dl>\n</div>\n";
    if !chip.regions.is_empty() {
        *page += "<table>\n<tr><th>Region</th><th>At</th><th>Size</th></tr>\n";
        for region in &chip.regions {
            let (name, bytes) = (escaped(&region.name), size(u64::from(region.size)));
            put(page, format_args!("<tr><td>{name}</td><td>{:#010x}</td><td>{bytes}</td></tr>\n", region.at));
        }
        *page += "</table>\n";
    }
    *page += "</section>\n";
}

fn reach(reach: Reach) -> &'static str {
    match reach {
        Reach::Clip => "a clip on the leads",
        Reach::SpringProbe => "a spring probe held on the pads",
        Reach::SolderedWires => "soldered wires",
        Reach::Header => "a header on the board",
        Reach::Desoldered => "a socket, with the chip taken off",
    }
}

fn spans_and_variants(page: &mut String, profile: &Profile) {
    for span in &profile.spans {
        let chips = span.chips.iter().map(|chip| escaped(chip)).collect::<Vec<_>>().join(", then ");
        put(
            page,
            format_args!("<p><b>{}</b>: one image of {} over {chips}.</p>\n", escaped(&span.id), size(span.size)),
        );
    }
    if profile.variants.is_empty() {
        return;
    }
    *page += "<h2>Images to choose from</h2>\n<table>\n<tr><th>Variant</th><th>For</th><th>Images</th></tr>\n";
    for variant in &profile.variants {
        let uses = [("keyboard", &variant.keyboard), ("display", &variant.display), ("purpose", &variant.purpose)];
        let uses: Vec<String> =
            uses.iter().filter_map(|(what, text)| Some(format!("{what}: {}", escaped(text.as_ref()?)))).collect();
        let images: Vec<String> = variant
            .images
            .iter()
            .map(|image| {
                let (Target::Chip(target) | Target::Span(target)) = &image.target;
                let source = match &image.source {
                    ImageSource::File(file) => format!(
                        "{}, {}, SHA-256 <code>{}</code>",
                        escaped(&file.file),
                        size(file.size),
                        escaped(&file.sha256)
                    ),
                    ImageSource::Recipe(path) => format!("recipe {}", escaped(&path.display().to_string())),
                };
                format!("{}: {source}", escaped(target))
            })
            .collect();
        let (name, uses, images) = (escaped(&variant.name), uses.join("<br>"), images.join("<br>"));
        put(page, format_args!("<tr><td>{name}</td><td>{uses}</td><td>{images}</td></tr>\n"));
    }
    *page += "</table>\n";
}

fn settings(page: &mut String, profile: &Profile) {
    if profile.settings.is_empty() {
        return;
    }
    *page += "<h2>Setup options</h2>\n<table>\n<tr><th>Option</th><th>Set to</th><th>Why</th></tr>\n";
    for setting in &profile.settings {
        let place =
            setting.place.as_ref().map_or_else(String::new, |place| format!("<br>in setup: {}", escaped(place)));
        let (name, value, why) = (escaped(&setting.name), escaped(&setting.value), escaped(&setting.why));
        put(page, format_args!("<tr><td>{name}{place}</td><td><b>{value}</b></td><td>{why}</td></tr>\n"));
    }
    *page += "</table>\n";
}

fn controllers(page: &mut String, profile: &Profile) {
    if profile.controllers.is_empty() {
        return;
    }
    *page += "<h2>Firmware of controllers</h2>\n<table>\n<tr><th>Controller</th><th>Version</th><th>Why</th></tr>\n";
    for controller in &profile.controllers {
        let (name, why) = (escaped(&controller.wanted.name), escaped(&controller.why));
        let needs = escaped(&controller.wanted.needs.join(" or "));
        put(page, format_args!("<tr><td>{name}</td><td><b>{needs}</b></td><td>{why}</td></tr>\n"));
    }
    *page += "</table>\n";
}

fn step_item(page: &mut String, profile: &Profile, step: &Step) {
    let class = if step.hold { "step hold" } else { "step" };
    put(page, format_args!("<li class=\"{class}\">\n<h3><span class=\"box\"></span> {}</h3>\n", escaped(&step.title)));
    put(page, format_args!("<p class=\"facts\">{}</p>\n", facts(step)));
    put(page, format_args!("<p>{}</p>\n", escaped(&step.why)));
    details(page, profile, step);
    let cautions = cautions_for(profile, step);
    if !cautions.is_empty() {
        *page += "<ul class=\"cautions\">\n";
        for caution in cautions {
            put(page, format_args!("<li>{}</li>\n", escaped(caution)));
        }
        *page += "</ul>\n";
    }
    if let Some(expect) = &step.expect {
        put(page, format_args!("<p><b>What may come up:</b> {}</p>\n", escaped(expect)));
    }
    if let Some(minutes) = step.dark_minutes {
        let restarts =
            step.restarts.map_or_else(String::new, |count| format!(" It may restart {count} times by itself."));
        let button = if step.starts_by_itself { " It starts by itself when power comes." } else { "" };
        put(
            page,
            format_args!(
                "<p class=\"patience\"><b>Patience:</b> it may stay dark for {minutes} minutes.{restarts}{button}"
            ),
        );
        if let Some(then) = &step.if_dark {
            put(page, format_args!(" <b>Nothing by then:</b> {}", escaped(then)));
        }
        *page += "</p>\n";
    }
    put(page, format_args!("<p><b>Done when:</b> {}</p>\n", escaped(&step.done_when)));
    if step.hold {
        *page += "<p class=\"sign\">HOLD. Nothing goes on until this is signed. <span>Name and time:</span></p>\n";
    }
    *page += "</li>\n";
}

fn facts(step: &Step) -> String {
    let mut facts = vec![format!("<code>{}</code>", escaped(&step.id)), step.kind.as_str().to_owned()];
    facts.extend(step.chip.iter().chain(&step.span).map(|part| format!("on <b>{}</b>", escaped(part))));
    if !step.only_for.is_empty() {
        facts.push(format!("only for {}", kinds(&step.only_for)));
    }
    if step.minutes > 0 {
        facts.push(format!("about {} min", step.minutes));
    }
    if !step.tools.is_empty() {
        facts.push(format!("tools: {}", step.tools.iter().map(|tool| escaped(tool)).collect::<Vec<_>>().join(", ")));
    }
    facts.join(" &middot; ")
}

/// What kinds of step have of their own.
fn details(page: &mut String, profile: &Profile, step: &Step) {
    if matches!(step.kind, StepKind::SuppliesOff | StepKind::SuppliesOn) {
        let names = profile.supplies_of(step).into_iter().filter_map(|id| profile.supply(id));
        let names: Vec<String> = names.map(|supply| escaped(&supply.name)).collect();
        put(page, format_args!("<p><b>In this order:</b> {}</p>\n", names.join(", then ")));
    }
    let settings: Vec<String> = step
        .settings
        .iter()
        .filter_map(|id| profile.setting(id))
        .map(|setting| format!("{} = {}", escaped(&setting.name), escaped(&setting.value)))
        .collect();
    if !settings.is_empty() {
        put(page, format_args!("<p><b>Set:</b> {}</p>\n", settings.join("; ")));
    }
    if let Some(measure) = &step.measure {
        let unit = escaped(&measure.unit);
        let good = match (measure.min, measure.max) {
            (Some(min), Some(max)) => format!("{min} to {max} {unit}"),
            (Some(min), None) => format!("{min} {unit} or more"),
            (None, Some(max)) => format!("{max} {unit} or less"),
            (None, None) if measure.is.is_empty() => unit,
            (None, None) => escaped(&measure.is.join(" or ")),
        };
        put(
            page,
            format_args!(
                "<p class=\"sign\"><b>{}: good is {good}.</b> <span>Found:</span></p>\n",
                escaped(&measure.what)
            ),
        );
    }
    if let Some(media) = &step.media {
        let image = &media.image;
        let (file, bytes, hash) = (escaped(&image.file), size(image.size), escaped(&image.sha256));
        if let Some(inside) = &media.inside {
            let (take, from) = (escaped(&inside.take.to_string()), escaped(&inside.from.to_string()));
            put(page, format_args!("<p><b>Out of:</b> {file}, <code>{from}</code>: <code>{take}</code></p>\n"));
        }
        put(page, format_args!("<p><b>File:</b> {file}, {bytes}, SHA-256 <code>{hash}</code></p>\n"));
    }
    if let Some(takes) = &step.takes {
        let hash = takes.sha256.as_ref().map(|hash| format!(", SHA-256 <code>{}</code>", escaped(hash)));
        let key = takes.key.as_ref().zip(takes.origin.as_ref());
        let key = key.map(|(key, origin)| {
            format!(", signed by {} with <code>{}</code>", escaped(origin), escaped(&grouped(key)))
        });
        put(
            page,
            format_args!(
                "<p><b>File:</b> {}{}{}</p>\n",
                escaped(&takes.file),
                hash.unwrap_or_default(),
                key.unwrap_or_default()
            ),
        );
    }
    if let Some(fill) = step.fill {
        put(page, format_args!("<p><b>Byte:</b> {fill:02X}</p>\n"));
    }
    if let Some(content) = step.content {
        let what = match content {
            Content::Variant => "the chosen variant's image",
            Content::Composed => "the image composed for this machine",
            Content::AsFound => "the capture of the chip as it was found",
        };
        put(page, format_args!("<p><b>Content:</b> {what}</p>\n"));
    }
    if !step.pictures.is_empty() {
        let names: Vec<String> = step.pictures.iter().map(|path| escaped(&path.display().to_string())).collect();
        put(page, format_args!("<p><b>Pictures:</b> {}</p>\n", names.join(", ")));
    }
}

fn limits(page: &mut String, profile: &Profile) {
    if profile.limits.is_empty() {
        return;
    }
    *page += "<h2>What will not work afterwards</h2>\n<ul>\n";
    for limit in &profile.limits {
        let when = match limit.when {
            LimitWhen::AfterConversion => "with the new firmware",
            LimitWhen::AfterReturn => "with the old firmware back",
        };
        put(page, format_args!("<li>{} <span class=\"why\">({when})</span></li>\n", escaped(&limit.text)));
    }
    *page += "</ul>\n<p class=\"sign\">Told and understood. <span>Owner:</span></p>\n";
}

fn kinds(kinds: &[JobKind]) -> String {
    kinds.iter().map(|kind| kind.as_str()).collect::<Vec<_>>().join(", ")
}

fn put(page: &mut String, text: std::fmt::Arguments<'_>) {
    page.write_fmt(text).expect("a string takes everything");
}
