//! A bench file: which chip sits on which link, in which time, with which faults. TOML, written by a person.
//!
//! The file is hostile input (safety rule S10): at most [`MOST_BYTES`] long, every number in a range, every text bounded.
//! What it says is settled here, down to the facts of the chip; whoever opens a bench has nothing left to look up.
//! Unknown keys are errors. The settings `rate`, `severity` and `pull` are taken in every fault and used by the kinds
//! that have a use for them, so that one fault's kind can be changed in the file without touching the rest.

use std::io::Read;
use std::path::{Path, PathBuf};

use nor::catalogue::{self, Entry};
use nor::link::Features;
use nor::sfdp;
use nor::supply::{Supply, SupplyRange};

use crate::error::BenchError;
use crate::faults::{self, Fault};
use crate::model::{self, LEAST_SIZE, Model};
use crate::random::Stream;
use crate::registers::{self, Protected};
use crate::section::{Section, Source, shown};

/// Longest bench file: 1 MiB.
pub const MOST_BYTES: u64 = 1 << 20;

/// A bench file's content, checked.
#[derive(Debug, Clone, PartialEq)]
pub struct BenchFile {
    /// Where it stands; `present` is read from there again.
    pub path: PathBuf,
    /// Every random draw comes from this.
    pub seed: u64,
    /// `[chip]`.
    pub chip: ChipSpec,
    /// `[link]`.
    pub link: LinkSpec,
    /// `[time]`.
    pub time: TimeSpec,
    /// `[[fault]]`, in the order of the file.
    pub faults: Vec<Fault>,
}

/// The chip and its surroundings.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ChipSpec {
    /// Its facts.
    pub model: Model,
    /// The file that holds its content.
    pub content: PathBuf,
    /// Whether the WP# pin is low.
    pub write_protect_pin: bool,
    /// Status register 1 at the first power-up.
    pub status: u8,
}

/// The link.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct LinkSpec {
    /// What it drives; none: what fits the chip.
    pub drives: Option<Supply>,
    /// Its fastest clock, with which it starts.
    pub clock_hz: u32,
    /// The rate between host and link; none: the wire is the only limit.
    pub bytes_per_second: Option<u32>,
    /// Time that a request costs beside its bytes.
    pub round_trip_us: u32,
    /// Requests that the link runs by itself.
    pub features: Features,
    /// Whether it asks what a real link asks.
    pub asks: bool,
    /// Whether it is plugged in.
    pub present: bool,
}

/// How time passes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct TimeSpec {
    /// Whether time is waited for.
    pub speed: Speed,
    /// Which of a chip's times it takes.
    pub chip_times: ChipTimes,
}

/// Whether time is waited for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Speed {
    /// Time is counted only.
    Virtual,
    /// What is counted is also waited for.
    Real,
}

/// Which of its times a chip takes for an erase, a program or a status write.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ChipTimes {
    /// The typical one.
    Typical,
    /// The longest one.
    Maximum,
}

const CHIP_KEYS: [&str; 8] = ["marking", "id", "size", "sfdp", "content", "supply_v", "write_protect_pin", "protected"];
const LINK_KEYS: [&str; 7] =
    ["drives_v", "clock_hz", "bytes_per_second", "round_trip_us", "features", "asks", "present"];

/// Slowest clock of the virtual link.
pub(crate) const LEAST_HZ: u32 = 100_000;

impl BenchFile {
    /// Reads and checks the bench file at `path`.
    ///
    /// # Errors
    /// [`BenchError`] for whatever is wrong with the file; nothing is created and no content is touched.
    pub fn load(path: &Path) -> Result<Self, BenchError> {
        Self::parse(&read_text(path)?, path)
    }

    /// Checks `text` as the content of the bench file at `path`; paths in it are relative to the folder of `path`.
    ///
    /// # Errors
    /// [`BenchError`] for whatever is wrong with the text.
    pub fn parse(text: &str, path: &Path) -> Result<Self, BenchError> {
        let mut root = Section::root(Source { path, text }, &["seed", "chip", "link", "time", "fault"])?;
        if !root.has("chip") {
            return Err(root.error("chip", "there is no chip", "add a table `[chip]` with `marking` and `content`"));
        }
        let seed = root.integer("seed", 0..=i64::MAX.unsigned_abs())?.unwrap_or(0);
        let chip = chip(&root.table("chip", "[chip]", &CHIP_KEYS)?, path)?;
        let link = link(&root.table("link", "[link]", &LINK_KEYS)?)?;
        let time = time(&root.table("time", "[time]", &["speed", "chip_times"])?)?;
        let faults = root.tables("fault", "[[fault]]", &faults::KEYS)?;
        let faults = faults
            .iter()
            .enumerate()
            .map(|(index, section)| Fault::read(section, &chip.model, Stream::new(seed, &format!("place {index}"))))
            .collect::<Result<_, _>>()?;
        Ok(Self { path: path.to_owned(), seed, chip, link, time, faults })
    }

    /// Reads the one key `present` again. None when the file cannot be read just now: somebody may be writing it.
    pub(crate) fn present_in(path: &Path) -> Option<bool> {
        let text = read_text(path).ok()?;
        let document = toml::de::DeTable::parse(&text).ok()?;
        let Some(link) = document.get_ref().get("link") else { return Some(true) };
        link.get_ref().as_table()?.get("present").map_or(Some(true), |present| present.get_ref().as_bool())
    }
}

fn read_text(path: &Path) -> Result<String, BenchError> {
    let system = |source| {
        BenchError::of_system(
            path,
            "the bench file cannot be read",
            "name a file that exists and that you may read",
            source,
        )
    };
    let about = std::fs::metadata(path).map_err(system)?;
    if !about.is_file() {
        return Err(BenchError::of_file(path, "this is no file", "name the bench file itself"));
    }
    let mut bytes = Vec::new();
    std::fs::File::open(path).and_then(|file| file.take(MOST_BYTES + 1).read_to_end(&mut bytes)).map_err(system)?;
    if bytes.len() as u64 > MOST_BYTES {
        let what = format!("the bench file is longer than {MOST_BYTES} bytes");
        return Err(BenchError::of_file(path, what, "name a bench file, not an image"));
    }
    String::from_utf8(bytes)
        .map_err(|_| BenchError::of_file(path, "the bench file is no UTF-8 text", "name a bench file, not an image"))
}

fn chip(section: &Section<'_>, path: &Path) -> Result<ChipSpec, BenchError> {
    let mut model = chip_model(section)?;
    if let Some(pair) = section.pair("supply_v")? {
        let remedy = "give the least and the most volts, such as [2.7, 3.6]";
        model.supply = SupplyRange::try_from(pair).map_err(|what| section.error("supply_v", what, remedy))?;
    }
    let content =
        section.text("content", 4096)?.filter(|text| !text.is_empty() && !text.contains('\0')).ok_or_else(|| {
            section.error("content", "the chip has no content", "give a file name; a missing file is created blank")
        })?;
    let words = [
        ("none", Protected::None),
        ("all", Protected::All),
        ("upper-half", Protected::Upper(1)),
        ("upper-quarter", Protected::Upper(2)),
        ("lower-half", Protected::Lower(1)),
        ("lower-quarter", Protected::Lower(2)),
    ];
    let protected = section.choice("protected", &words)?.unwrap_or(Protected::None);
    let status = registers::status_for(protected, model.layout, model.size).ok_or_else(|| {
        let what = "this chip's protection bits, as far as they are known, cannot say this";
        section.error("protected", what, "give \"none\" or \"all\", or another chip")
    })?;
    let content = path.parent().unwrap_or(Path::new("")).join(content);
    let write_protect_pin = section.boolean("write_protect_pin")?.unwrap_or(false);
    Ok(ChipSpec { model, content, write_protect_pin, status })
}

fn chip_model(section: &Section<'_>) -> Result<Model, BenchError> {
    let id = match section.text("id", 16)? {
        None => None,
        Some(text) => Some(hex(text).filter(|id| id.len() >= 3).ok_or_else(|| {
            section.error(
                "id",
                format!("`{}` is no chip id", shown(text)),
                "give three to eight bytes as hexadecimal digits, such as \"ef4018\"",
            )
        })?),
    };
    let size = section.integer32("size", LEAST_SIZE..=nor::MAX_SIZE)?;
    if let Some(size) = size.filter(|size| !size.is_power_of_two()) {
        return Err(section.error("size", format!("{size} is no chip size"), "give a power of two"));
    }
    let entry = match section.text("marking", 64)? {
        Some(marking) => Some(entry_by_marking(section, marking, id.as_deref(), size)?),
        None => id.as_deref().and_then(|id| best(&catalogue::by_id(id), size)),
    };
    let of_marking = entry.filter(|_| section.has("marking"));
    // Three bytes choose among the ids of a marking; a part with a longer id answers all of it.
    let id = match (id, of_marking) {
        (Some(id), Some(entry)) if id == entry.id => Some(model::whole_id(entry)),
        (None, Some(entry)) => Some(model::whole_id(entry)),
        (id, _) => id,
    };
    let (Some(id), Some(size)) = (id, size.or(of_marking.map(|entry| entry.size))) else {
        return Err(section.error("marking", "nothing says which chip this is", "give `marking`, or `id` and `size`"));
    };
    let tables = match section.text("sfdp", 2 * sfdp::MOST_BYTES)? {
        Some(text) => hex(text).ok_or_else(|| {
            section.error("sfdp", "this is no list of bytes", "give what 5Ah answers, two hexadecimal digits a byte")
        })?,
        // The catalogue's tables say the catalogue's size; a chip of another size would be none that exists.
        None => {
            of_marking.filter(|entry| entry.size == size).and_then(|entry| entry.tables.clone()).unwrap_or_default()
        }
    };
    Ok(Model::new(&id, size, entry, tables))
}

fn entry_by_marking(
    section: &Section<'_>,
    marking: &str,
    id: Option<&[u8]>,
    size: Option<u32>,
) -> Result<&'static Entry, BenchError> {
    let entries = catalogue::by_marking(marking);
    if entries.is_empty() {
        let what = format!("no chip is called `{}`", shown(marking));
        return Err(section.error(
            "marking",
            what,
            format!("near it: {}; or give `id` and `size`", near(marking).join(", ")),
        ));
    }
    let fitting: Vec<_> =
        entries.iter().copied().filter(|entry| id.is_none_or(|id| id.starts_with(&entry.id))).collect();
    best(&fitting, size).ok_or_else(|| {
        let ids: Vec<String> = entries.iter().map(|entry| nor::chip::id_text(&entry.id)).collect();
        section.error("id", "no chip of this marking answers this id", format!("known: {}", ids.join(", ")))
    })
}

/// The entry of the wanted size, else the first.
fn best(entries: &[&'static Entry], size: Option<u32>) -> Option<&'static Entry> {
    entries.iter().copied().find(|entry| Some(entry.size) == size).or(entries.first().copied())
}

/// The five markings that differ from `wanted` in the fewest letters.
fn near(wanted: &str) -> Vec<&'static str> {
    let wanted = wanted.trim().to_ascii_uppercase();
    let mut names: Vec<(usize, &str)> = catalogue::entries()
        .iter()
        .flat_map(|entry| &entry.markings)
        .map(|name| (letters_apart(&wanted, &name.to_ascii_uppercase()), name.as_str()))
        .collect();
    names.sort_unstable();
    names.dedup();
    names.into_iter().take(5).map(|(_, name)| name).collect()
}

/// Letters to insert, drop or change to get from one name to the other (Levenshtein's distance).
fn letters_apart(one: &str, other: &str) -> usize {
    let mut row: Vec<usize> = (0..=other.len()).collect();
    for (taken, letter) in one.bytes().enumerate() {
        let mut corner = std::mem::replace(&mut row[0], taken + 1);
        for (index, against) in other.bytes().enumerate() {
            let changed = corner + usize::from(letter != against);
            corner = row[index + 1];
            row[index + 1] = changed.min(row[index] + 1).min(corner + 1);
        }
    }
    row[other.len()]
}

fn link(section: &Section<'_>) -> Result<LinkSpec, BenchError> {
    let drives = match section.number("drives_v", 0.5..=6.0)? {
        None => None,
        Some(volts) => Supply::from_volts(volts),
    };
    let mut features = Features::default();
    type Enable = fn(&mut Features);
    let words: [(&str, Enable); 6] = [
        ("read-range", |features| features.read_range = true),
        ("digest", |features| features.digest_range = true),
        ("program-range", |features| features.program_range = true),
        ("erase-list", |features| features.erase_list = true),
        ("line-test", |features| features.line_test = true),
        ("two-lines", |features| features.two_lines = true),
    ];
    for enable in section.choices("features", &words)? {
        enable(&mut features);
    }
    Ok(LinkSpec {
        drives,
        clock_hz: section.integer32("clock_hz", LEAST_HZ..=200_000_000)?.unwrap_or(12_000_000),
        bytes_per_second: section.integer32("bytes_per_second", 1..=u32::MAX)?,
        round_trip_us: section.integer32("round_trip_us", 0..=10_000_000)?.unwrap_or(0),
        features,
        asks: section.boolean("asks")?.unwrap_or(false),
        present: section.boolean("present")?.unwrap_or(true),
    })
}

fn time(section: &Section<'_>) -> Result<TimeSpec, BenchError> {
    let speeds = [("virtual", Speed::Virtual), ("real", Speed::Real)];
    let times = [("typical", ChipTimes::Typical), ("maximum", ChipTimes::Maximum)];
    Ok(TimeSpec {
        speed: section.choice("speed", &speeds)?.unwrap_or(Speed::Virtual),
        chip_times: section.choice("chip_times", &times)?.unwrap_or(ChipTimes::Typical),
    })
}

/// Bytes from hexadecimal digits; white space between them is fine.
pub(crate) fn hex(text: &str) -> Option<Vec<u8>> {
    let digits: Option<Vec<u8>> = text
        .chars()
        .filter(|letter| !letter.is_ascii_whitespace())
        .map(|letter| letter.to_digit(16).and_then(|digit| u8::try_from(digit).ok()))
        .collect();
    let (pairs, rest) = digits.as_ref()?.as_chunks::<2>();
    rest.is_empty().then(|| pairs.iter().map(|[high, low]| high << 4 | low).collect())
}
