//! From a `[[step]]` table to a [`Step`], with the keys that its kind needs and no others.

use super::document::Section;
use super::model::{Content, FileSpec, Measure, Step, StepKind, Takes};
use super::parse::{JOB_KINDS, bare_name, file, path, sha256};

/// Keys of a step.
pub(super) const KEYS: [&str; 27] = [
    "id",
    "title",
    "kind",
    "why",
    "only_for",
    "chip",
    "span",
    "needs",
    "hold",
    "cautions",
    "expect",
    "tools",
    "pictures",
    "minutes",
    "dark_minutes",
    "restarts",
    "starts_by_itself",
    "done_when",
    "if_dark",
    "supplies",
    "settings",
    "may_write",
    "fill",
    "content",
    "measure",
    "media",
    "takes",
];

/// Longest time of a step, in minutes: a day.
const MOST_MINUTES: u32 = 24 * 60;
/// Longest time that a machine may stay dark, in minutes; memory training takes some (common practice, no source).
const MOST_DARK: u32 = 120;

/// Keys that mean something to some kinds only; whether those kinds must have it; and how it is written.
const BOUND: [(&str, &[StepKind], bool, &str); 14] = [
    ("chip", &CHIP_KINDS, false, ""),
    ("span", &[StepKind::Compose], false, ""),
    ("dark_minutes", &[StepKind::PowerUp], true, "say how many minutes it may stay dark before something is wrong"),
    ("if_dark", &[StepKind::PowerUp], true, "say what to do when nothing comes"),
    ("restarts", &[StepKind::PowerUp], false, ""),
    ("starts_by_itself", &[StepKind::PowerUp, StepKind::SuppliesOn], false, ""),
    ("supplies", &[StepKind::SuppliesOff, StepKind::SuppliesOn], false, ""),
    ("settings", &[StepKind::Note, StepKind::Check], false, ""),
    ("may_write", &[StepKind::Note, StepKind::PowerUp], false, ""),
    ("fill", &[StepKind::Fill], true, "give \"00\" or \"FF\""),
    ("content", &[StepKind::Apply], true, "give \"variant\", \"composed\" or \"as-found\""),
    ("measure", &[StepKind::Measure], true, "give { what = ..., unit = ..., min = ..., max = ... }"),
    ("media", &[StepKind::BootMedia], true, "give { file = ..., size = ..., sha256 = ... }"),
    ("takes", &[StepKind::Intake], false, ""),
];

/// Kinds that may name a chip.
const CHIP_KINDS: [StepKind; 13] = [
    StepKind::Note,
    StepKind::Check,
    StepKind::Measure,
    StepKind::SuppliesOff,
    StepKind::SuppliesOn,
    StepKind::Wire,
    StepKind::Unwire,
    StepKind::Identify,
    StepKind::Capture,
    StepKind::Fill,
    StepKind::Compose,
    StepKind::Apply,
    StepKind::Verify,
];

/// Reads a step; none when its kind is not known, which is reported.
pub(super) fn step(section: &mut Section<'_, '_>) -> Option<Step> {
    let id = section.need_id("id");
    let title = section.need_text("title");
    let (why, done_when) = (section.need_text("why"), section.need_text("done_when"));
    let kind = section.need_choice("kind", &StepKind::ALL)?;
    bound_keys(section, &id, kind);
    let pictures = section.texts("pictures").iter().filter_map(|text| path(section, "pictures", text)).collect();
    let content = [("variant", Content::Variant), ("composed", Content::Composed), ("as-found", Content::AsFound)];
    let step = Step {
        id,
        title,
        kind,
        why,
        only_for: section.choices("only_for", &JOB_KINDS),
        chip: section.text("chip"),
        span: section.text("span"),
        needs: section.texts("needs"),
        hold: section.boolean("hold"),
        cautions: section.texts("cautions"),
        expect: section.text("expect"),
        tools: section.texts("tools"),
        pictures,
        minutes: section.integer32("minutes", 0..=MOST_MINUTES).unwrap_or(0),
        dark_minutes: section.integer32("dark_minutes", 1..=MOST_DARK),
        restarts: section.integer32("restarts", 0..=20),
        starts_by_itself: section.boolean("starts_by_itself"),
        done_when,
        if_dark: section.text("if_dark"),
        supplies: section.texts("supplies"),
        settings: section.texts("settings"),
        may_write: section.texts("may_write"),
        fill: section.choice("fill", &[("00", 0x00), ("FF", 0xFF)]),
        content: section.choice("content", &content),
        measure: measure(section),
        media: media(section),
        takes: takes(section),
    };
    holds(section, &step);
    Some(step)
}

fn bound_keys(section: &Section<'_, '_>, id: &str, kind: StepKind) {
    let name = kind.with_article();
    let this = if id.is_empty() { "this step".to_owned() } else { format!("step `{id}`") };
    for (key, kinds, must, how) in BOUND {
        if section.has(key) && !kinds.contains(&kind) {
            section.error(key, format!("{this}: {name} step has no `{key}`"), "take it out, or mend `kind`");
        } else if must && kinds.contains(&kind) && !section.has(key) {
            section.error(key, format!("{this}: {name} step needs `{key}`"), how);
        }
    }
    let on_a_chip = kind.talks_to_chip() || matches!(kind, StepKind::Wire | StepKind::Unwire);
    if on_a_chip && !section.has("chip") {
        section.error("chip", format!("{this}: {name} step needs `chip`"), "give the id of a `[[chip]]`");
    }
    if kind == StepKind::Compose && section.has("chip") == section.has("span") {
        let what = format!("{this}: a compose step makes the image of one chip or of one span");
        section.error("chip", what, "give either `chip` or `span`");
    }
}

/// Steps that stop the job until somebody signs, by rule: they have to say so, since who reads the file should see it.
fn holds(section: &Section<'_, '_>, step: &Step) {
    if step.hold && step.takes.is_some() {
        let what = format!("step `{}` takes a file in, and no signature closes it", step.id);
        section.error("hold", what, "take `hold` out; a new key asks for a signature by itself");
    }
    if step.hold {
        return;
    }
    let id = &step.id;
    if !step.may_write.is_empty() {
        let what = format!("step `{id}` may write chips without firmhand, so it is a hold point (S1)");
        section.error("hold", what, "write `hold = true`");
    } else if step.chip.is_some() && matches!(step.kind, StepKind::SuppliesOn | StepKind::SuppliesOff) {
        let what = format!("step `{id}` switches a wired chip's supply, so it is a hold point (S7)");
        section.error("hold", what, "write `hold = true`");
    }
}

fn measure(section: &mut Section<'_, '_>) -> Option<Measure> {
    let table = section.table("measure", "[step.measure]", &["what", "unit", "min", "max"])?;
    let measure = Measure {
        what: table.need_text("what"),
        unit: table.need_text("unit"),
        min: table.number("min"),
        max: table.number("max"),
    };
    match (measure.min, measure.max) {
        (Some(min), Some(max)) if min > max => {
            table.error("min", format!("the least good value {min} is above the greatest, {max}"), "swap them");
        }
        (None, None) if !table.has("min") && !table.has("max") => {
            table.error("min", "nothing says which value is good", "give `min`, `max` or both");
        }
        _ => {}
    }
    Some(measure)
}

fn media(section: &mut Section<'_, '_>) -> Option<FileSpec> {
    file(&section.table("media", "[step.media]", &["file", "size", "sha256"])?)
}

/// What an intake step wants: a hash or a key has to say which file it is.
fn takes(section: &mut Section<'_, '_>) -> Option<Takes> {
    let table = section.table("takes", "[step.takes]", &["file", "sha256", "key", "origin"])?;
    let takes = Takes {
        file: bare_name(&table),
        sha256: table.has("sha256").then(|| sha256(&table)),
        key: table.text("key"),
        origin: table.text("origin"),
    };
    if takes.sha256.is_none() && takes.key.is_none() {
        let what = "nothing says which file it is, nor who vouches for it";
        table.error("sha256", what, "give `sha256`, or `key` with `origin`, or all three");
    }
    if takes.key.is_some() != takes.origin.is_some() {
        table.error("key", "a key and whose it is go together", "give both `key` and `origin`, or neither");
    }
    Some(takes)
}
