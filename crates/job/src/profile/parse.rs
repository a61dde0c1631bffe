//! From the tables of a profile to its types. What one table can say about itself is checked here; what tables say about
//! each other is left to `check`, which gets the place of each table in a [`Draft`].

use std::path::{Component, Path, PathBuf};

use nor::supply::{CLASS_1V8, CLASS_3V};

use super::document::{Document, Section, Spot, shown};
use super::model::{
    Board, ChipSpec, FileSpec, FittedOption, FusedState, Gate, GateKind, ImageSource, JobKind, Limit, LimitWhen,
    Package, PoweredBy, Profile, ProtectionAfter, Reach, RegionSpec, Role, Setting, Source, Span, Standing, Supply,
    SupplyKind, Target, Variant, VariantImage,
};
use super::{parse_controller, parse_step};

/// Smallest and greatest chip: 4 KiB to 256 MiB (the greatest serial NOR chip, from memory).
const CHIP_SIZES: std::ops::RangeInclusive<u32> = 4096..=(1 << 28);
/// Greatest file that a profile may name: 64 GiB, more than any boot image.
const MOST_FILE: u64 = 1 << 36;
/// Most chips, supplies, and other tables of one kind.
const MOST_CHIPS: usize = 16;
const MOST_OTHERS: usize = 64;
/// Most steps: four times what a long job has.
const MOST_STEPS: usize = 400;

/// The words for a kind of job.
pub(super) const JOB_KINDS: [(&str, JobKind); 3] =
    [("convert", JobKind::Convert), ("rescue", JobKind::Rescue), ("return", JobKind::Return)];

/// A profile as written, with the place of each table.
#[derive(Debug)]
pub(super) struct Draft {
    pub(super) profile: Profile,
    pub(super) spots: Spots,
}

/// Places, in the order of the profile's lists.
#[derive(Debug)]
pub(super) struct Spots {
    pub(super) root: Spot,
    pub(super) board: Option<Spot>,
    pub(super) gates: Vec<Spot>,
    pub(super) options: Vec<Spot>,
    pub(super) supplies: Vec<Spot>,
    pub(super) chips: Vec<Spot>,
    pub(super) spans: Vec<Spot>,
    pub(super) settings: Vec<Spot>,
    pub(super) variants: Vec<Spot>,
    /// For each variant, its images.
    pub(super) images: Vec<Vec<Spot>>,
    pub(super) controllers: Vec<Spot>,
    pub(super) limits: Vec<Spot>,
    pub(super) steps: Vec<Spot>,
}

/// Reads all tables; none when the text is not TOML. What it answers counts only when the document has no error.
pub(super) fn draft(document: &Document<'_>) -> Option<Draft> {
    let known = [
        "board",
        "source",
        "gate",
        "option",
        "supply",
        "chip",
        "span",
        "setting",
        "variant",
        "controller",
        "limit",
        "step",
    ];
    let mut root = document.root(&known)?;
    let (board, board_spot) = board(&mut root);
    let (sources, _) =
        each(&mut root, "source", "[[source]]", MOST_OTHERS, &["by", "date", "versions", "note"], source);
    let (gates, gate_spots) =
        each(&mut root, "gate", "[[gate]]", MOST_OTHERS, &["id", "kind", "says", "question", "why"], gate);
    let (options, option_spots) =
        each(&mut root, "option", "[[option]]", MOST_OTHERS, &["id", "name", "standing", "note"], option);
    let keys = ["id", "name", "kind", "order", "how_off", "how_on", "charge_min"];
    let (supplies, supply_spots) = each(&mut root, "supply", "[[supply]]", MOST_CHIPS, &keys, supply);
    let keys = [
        "id",
        "role",
        "size",
        "markings",
        "supply_v",
        "package",
        "place",
        "reach",
        "covered",
        "powered_by",
        "protection_after",
        "region",
    ];
    let (chips, chip_spots) = each(&mut root, "chip", "[[chip]]", MOST_CHIPS, &keys, chip);
    let (spans, span_spots) = each(&mut root, "span", "[[span]]", MOST_CHIPS, &["id", "size", "chips"], span);
    let (settings, setting_spots) =
        each(&mut root, "setting", "[[setting]]", MOST_OTHERS, &["id", "name", "place", "value", "why"], setting);
    let mut images = Vec::new();
    let keys = ["id", "name", "keyboard", "display", "purpose", "image"];
    let (variants, variant_spots) =
        each(&mut root, "variant", "[[variant]]", MOST_OTHERS, &keys, |section| variant(section, &mut images));
    let keys = ["id", "name", "chip", "span", "look_in", "select", "skip", "at", "len", "before", "needs", "why"];
    let (controllers, controller_spots) =
        each(&mut root, "controller", "[[controller]]", MOST_CHIPS, &keys, parse_controller::controller);
    let (limits, limit_spots) = each(&mut root, "limit", "[[limit]]", MOST_OTHERS, &["id", "text", "when"], limit);
    let (steps, step_spots) = each(&mut root, "step", "[[step]]", MOST_STEPS, &parse_step::KEYS, parse_step::step);
    let spots = Spots {
        root: root.spot(),
        board: board_spot,
        gates: gate_spots,
        options: option_spots,
        supplies: supply_spots,
        chips: chip_spots,
        spans: span_spots,
        settings: setting_spots,
        variants: variant_spots,
        images,
        controllers: controller_spots,
        limits: limit_spots,
        steps: step_spots,
    };
    let profile = Profile {
        board,
        sources,
        gates,
        options,
        supplies,
        chips,
        spans,
        settings,
        variants,
        controllers,
        limits,
        steps,
    };
    Some(Draft { profile, spots })
}

/// Reads one kind of table: values and places, of equal length.
fn each<T>(
    root: &mut Section<'_, '_>,
    key: &str,
    name: &'static str,
    most: usize,
    known: &[&str],
    mut read: impl FnMut(&mut Section<'_, '_>) -> Option<T>,
) -> (Vec<T>, Vec<Spot>) {
    let sections = root.tables(key, name, most, known);
    sections.into_iter().filter_map(|mut section| Some((read(&mut section)?, section.spot()))).unzip()
}

fn board(root: &mut Section<'_, '_>) -> (Board, Option<Spot>) {
    let Some(section) = root.table("board", "[board]", &["name", "revision", "note", "jobs"]) else {
        if !root.has("board") {
            root.error("board", "this table is missing", "write `[board]` with a `name`");
        }
        return (Board { name: String::new(), revision: None, note: None, jobs: JobKind::ALL.to_vec() }, None);
    };
    let mut jobs = section.choices("jobs", &JOB_KINDS);
    if jobs.is_empty() {
        jobs = JobKind::ALL.to_vec();
    }
    jobs.sort_unstable();
    jobs.dedup();
    let board =
        Board { name: section.need_text("name"), revision: section.text("revision"), note: section.text("note"), jobs };
    (board, Some(section.spot()))
}

#[expect(clippy::unnecessary_wraps, reason = "one of the readers that `each` takes")]
fn source(section: &mut Section<'_, '_>) -> Option<Source> {
    let date = section.need_text("date");
    if !date.is_empty() && date.parse::<jiff::civil::Date>().is_err() {
        section.error("date", format!("`{}` is no day", shown(&date)), "write it as YYYY-MM-DD");
    }
    Some(Source { by: section.need_text("by"), date, versions: section.texts("versions"), note: section.text("note") })
}

fn gate(section: &mut Section<'_, '_>) -> Option<Gate> {
    #[derive(Clone, Copy)]
    enum Word {
        Fused,
        Fit,
    }
    let id = section.need_id("id");
    let why = section.need_text("why");
    let kind = match section.need_choice("kind", &[("fused", Word::Fused), ("fit", Word::Fit)])? {
        Word::Fused => {
            only(section, "question", "`kind = \"fit\"`");
            let says = [("open", FusedState::Open), ("fused", FusedState::Fused), ("unknown", FusedState::Unknown)];
            GateKind::Fused { says: section.need_choice("says", &says)? }
        }
        Word::Fit => {
            only(section, "says", "`kind = \"fused\"`");
            GateKind::Fit { question: section.need_text("question") }
        }
    };
    Some(Gate { id, kind, why })
}

fn option(section: &mut Section<'_, '_>) -> Option<FittedOption> {
    let words = [("tested", Standing::Tested), ("untested", Standing::Untested), ("fails", Standing::Fails)];
    Some(FittedOption {
        id: section.need_id("id"),
        name: section.need_text("name"),
        note: section.text("note"),
        standing: section.need_choice("standing", &words)?,
    })
}

fn supply(section: &mut Section<'_, '_>) -> Option<Supply> {
    let words = [
        ("mains", SupplyKind::Mains),
        ("battery", SupplyKind::Battery),
        ("coin-cell", SupplyKind::CoinCell),
        ("other", SupplyKind::Other),
    ];
    if !section.has("order") {
        section.error("order", "this key is missing", "give its place in the order of switching off, from 1");
    }
    let order = section.integer32("order", 1..=100);
    let charge_min = section.integer32("charge_min", 1..=100);
    let supply = Supply {
        id: section.need_id("id"),
        name: section.need_text("name"),
        how_off: section.need_text("how_off"),
        how_on: section.need_text("how_on"),
        kind: section.need_choice("kind", &words)?,
        order: order?,
        charge_min: charge_min.map(|percent| u8::try_from(percent).expect("the range ends at 100")),
    };
    if supply.charge_min.is_some() && supply.kind != SupplyKind::Battery {
        only(section, "charge_min", "`kind = \"battery\"`");
    }
    Some(supply)
}

fn chip(section: &mut Section<'_, '_>) -> Option<ChipSpec> {
    let roles = [("system", Role::System), ("port", Role::Port), ("controller", Role::Controller)];
    let packages = [
        ("SOIC-8", Package::Soic8),
        ("SOIC-16", Package::Soic16),
        ("WSON-8", Package::Wson8),
        ("other", Package::Other),
    ];
    let reaches = [
        ("clip", Reach::Clip),
        ("spring-probe", Reach::SpringProbe),
        ("soldered-wires", Reach::SolderedWires),
        ("header", Reach::Header),
        ("desoldered", Reach::Desoldered),
    ];
    let powered = [
        ("link", PoweredBy::Link),
        ("board-standby", PoweredBy::BoardStandby),
        ("bench-supply", PoweredBy::BenchSupply),
    ];
    let after = [("as-found", ProtectionAfter::AsFound), ("off", ProtectionAfter::Off)];
    let id = section.need_id("id");
    let size = chip_size(section);
    let supply_v = section.need_supply("supply_v");
    if let Some(range) = supply_v
        && ![CLASS_3V, CLASS_1V8].iter().any(|class| class.common(range) == Some(range))
    {
        section.error(
            "supply_v",
            format!("{range} is neither inside the 3 V class (2.7 to 3.6) nor inside the 1.8 V class (1.65 to 2.0)"),
            "give the range of the data sheet; a range over both classes could destroy a chip",
        );
    }
    let regions = regions(section, size);
    let (role, package) = (section.need_choice("role", &roles), section.need_choice("package", &packages));
    let (place, markings) = (section.need_text("place"), section.texts("markings"));
    let reach = section.need_choice("reach", &reaches);
    if package == Some(Package::Wson8) && reach == Some(Reach::Clip) {
        section.error(
            "reach",
            "no clip grips a WSON-8, which has no leads",
            "use spring-probe, soldered-wires or desoldered",
        );
    }
    Some(ChipSpec {
        id,
        role: role?,
        size: size?,
        markings,
        supply_v: supply_v?,
        package: package?,
        place,
        reach: reach?,
        covered: section.text("covered"),
        powered_by: section.choice("powered_by", &powered).unwrap_or(PoweredBy::Link),
        protection_after: section.choice("protection_after", &after).unwrap_or(ProtectionAfter::AsFound),
        regions,
    })
}

fn chip_size(section: &Section<'_, '_>) -> Option<u32> {
    if !section.has("size") {
        section.error("size", "this key is missing", "give the chip's bytes, such as 0x100_0000");
    }
    let size = section.integer32("size", CHIP_SIZES)?;
    if size.is_power_of_two() {
        return Some(size);
    }
    section.error("size", format!("{size} is no power of two"), "give the chip's bytes; its marking counts in Mbit");
    None
}

fn regions(section: &mut Section<'_, '_>, chip: Option<u32>) -> Vec<RegionSpec> {
    let mut regions: Vec<RegionSpec> = Vec::new();
    for table in section.tables("region", "[[chip.region]]", MOST_OTHERS, &["name", "at", "size"]) {
        let most = chip.unwrap_or(*CHIP_SIZES.end());
        for key in ["at", "size"] {
            if !table.has(key) {
                table.error(key, "this key is missing", "give a whole number of bytes");
            }
        }
        let name = table.need_id("name");
        let (Some(at), Some(size)) = (table.integer32("at", 0..=most - 1), table.integer32("size", 1..=most)) else {
            continue;
        };
        if size > most - at {
            let what = format!(
                "region `{name}` reaches to {:#x}, past the chip's end at {most:#x}",
                u64::from(at) + u64::from(size)
            );
            table.error("size", what, "shorten it, or mend the chip's size");
        } else if let Some(other) = regions.iter().find(|other| other.at < at + size && at < other.at + other.size) {
            let what = format!("region `{name}` overlaps region `{}`", other.name);
            table.error("at", what, "give each byte of the chip to one region at most");
        } else if regions.iter().any(|other| other.name == name) {
            table.error(
                "name",
                format!("region `{name}` is there twice"),
                "give each region of a chip a name of its own",
            );
        } else {
            regions.push(RegionSpec { name, at, size });
        }
    }
    regions.sort_by_key(|region| region.at);
    regions
}

fn span(section: &mut Section<'_, '_>) -> Option<Span> {
    let id = section.need_id("id");
    let chips = section.texts("chips");
    if !section.has("size") {
        section.error("size", "this key is missing", "give the bytes of the whole image: the sum of its chips");
    }
    Some(Span { id, chips, size: section.integer("size", 1..=MOST_FILE)? })
}

#[expect(clippy::unnecessary_wraps, reason = "one of the readers that `each` takes")]
fn setting(section: &mut Section<'_, '_>) -> Option<Setting> {
    Some(Setting {
        id: section.need_id("id"),
        name: section.need_text("name"),
        place: section.text("place"),
        value: section.need_text("value"),
        why: section.need_text("why"),
    })
}

#[expect(clippy::unnecessary_wraps, reason = "one of the readers that `each` takes")]
fn variant(section: &mut Section<'_, '_>, spots: &mut Vec<Vec<Spot>>) -> Option<Variant> {
    let keys = ["chip", "span", "file", "size", "sha256", "recipe"];
    let (images, places) = each(section, "image", "[[variant.image]]", MOST_CHIPS, &keys, image);
    spots.push(places);
    Some(Variant {
        id: section.need_id("id"),
        name: section.need_text("name"),
        keyboard: section.text("keyboard"),
        display: section.text("display"),
        purpose: section.text("purpose"),
        images,
    })
}

fn image(section: &mut Section<'_, '_>) -> Option<VariantImage> {
    let target = target(section)?;
    if section.has("recipe") {
        for key in ["file", "size", "sha256"] {
            if section.has(key) {
                section.error(
                    key,
                    "an image is a recipe or a file, not both",
                    "the recipe itself pins its files: take this out",
                );
            }
        }
        return Some(VariantImage {
            target,
            source: ImageSource::Recipe(path(section, "recipe", &section.text("recipe")?)?),
        });
    }
    Some(VariantImage { target, source: ImageSource::File(file(section)?) })
}

/// The chip or span that an image is for.
pub(super) fn target(section: &Section<'_, '_>) -> Option<Target> {
    match (section.text("chip"), section.text("span")) {
        (Some(chip), None) => Some(Target::Chip(chip)),
        (None, Some(span)) => Some(Target::Span(span)),
        _ => {
            section.error("chip", "an image is for one chip or one span", "give either `chip` or `span`");
            None
        }
    }
}

fn limit(section: &mut Section<'_, '_>) -> Option<Limit> {
    let words = [("after-conversion", LimitWhen::AfterConversion), ("after-return", LimitWhen::AfterReturn)];
    Some(Limit {
        id: section.need_id("id"),
        text: section.need_text("text"),
        when: section.need_choice("when", &words)?,
    })
}

/// The keys `file`, `size` and `sha256` of a table.
pub(super) fn file(section: &Section<'_, '_>) -> Option<FileSpec> {
    let name = bare_name(section);
    if !section.has("size") {
        section.error("size", "this key is missing", "give the file's bytes");
    }
    let size = section.integer("size", 1..=MOST_FILE);
    let sha256 = sha256(section);
    Some(FileSpec { file: name, size: size?, sha256 })
}

/// The key `file`: what a file is called.
pub(super) fn bare_name(section: &Section<'_, '_>) -> String {
    let name = section.need_text("file");
    if name.contains(['/', '\\']) {
        section.error("file", format!("`{}` is a path", shown(&name)), "give the file's bare name; its hash finds it");
    }
    name
}

/// The key `sha256`, in lower case.
pub(super) fn sha256(section: &Section<'_, '_>) -> String {
    let sha256 = section.need_text("sha256").to_ascii_lowercase();
    if !sha256.is_empty() && (sha256.len() != 64 || !sha256.bytes().all(|byte| byte.is_ascii_hexdigit())) {
        let what = format!("`{}` is no SHA-256", shown(&sha256));
        section.error("sha256", what, "give the 64 hexadecimal digits that `sha256sum FILE` prints");
    }
    sha256
}

/// A path that stays inside the profile's folder, by its text; whether a symbolic link leads out is looked at on loading.
pub(super) fn path(section: &Section<'_, '_>, key: &str, text: &str) -> Option<PathBuf> {
    let path = Path::new(text);
    let inside = path.components().all(|part| matches!(part, Component::Normal(_))) && !text.contains('\\');
    if inside {
        return Some(path.to_owned());
    }
    let what = format!("`{}` leads out of the profile's folder", shown(text));
    section.error(key, what, "give a path relative to the profile, without `..`; keep what it needs beside it");
    None
}

/// Reports a key that means nothing beside this kind.
pub(super) fn only(section: &Section<'_, '_>, key: &str, where_: &str) {
    if section.has(key) {
        section.error(key, format!("this key goes with {where_} only"), "take it out");
    }
}
