//! Reads the tables of a recipe, each into what it means.

use std::ops::Range;

use crate::chain::Chain;
use crate::descriptor::{Layout, Master};
use crate::mac::Mac;
use crate::pin::{Pin, hash, hex};
use crate::recipe::error::{Mistake, RecipeError};
use crate::recipe::table::{Table, Words};
use crate::recipe::{
    AccessRule, AddressRule, Base, Condition, Fill, Grant, Keep, KeptVariable, MacKind, MacRule, NETWORK, Part, Recipe,
    Regions, Require, Selector, SourceRef, State, Target,
};
use crate::select::Form;

const LONGEST_PATH: usize = 4096;
const LONGEST_NAME: usize = 400;
const LONGEST_REGION: usize = 64;
const LONGEST_SELECTOR: usize = 1024;
const LONGEST_VARIABLE: usize = 256;
/// 64 bytes, two digits each: enough for any signature.
const MOST_DIGITS: usize = 128;

const SOURCES: [&str; 4] = ["image", "capture", "file", "from"];
/// Layout, and the masters, each with its header.
const ACCESS: [&str; 5] = ["layout", "processor", "management", "network", "embedded-controller"];
const MASTERS: [(Master, &str, &str); 4] = [
    (Master::Processor, "processor", "[access.processor]"),
    (Master::Management, "management", "[access.management]"),
    (Master::Network, "network", "[access.network]"),
    (Master::EmbeddedController, "embedded-controller", "[access.embedded-controller]"),
];
/// Names of regions by their registers.
const REGIONS: [&str; 12] = [
    "descriptor",
    "firmware",
    "management",
    "network",
    "platform",
    "region-5",
    "region-6",
    "region-7",
    "region-8",
    "region-9",
    "region-10",
    "region-11",
];
const CONDITIONS: [&str; 7] = ["size", "is", "bytes", "sha256", "blake3", "nvm", "mac"];

pub(super) fn recipe(text: &str, name: &str) -> Result<Recipe, RecipeError> {
    let mut document = Table::document(text, name, &["base", "fill", "keep", "place", "mac", "access", "require"])?;
    let base = document.table(
        "base",
        "[base]",
        &["image", "capture", "file", "from", "take", "decoded", "sha256", "blake3"],
    )?;
    let Some(base) = base else {
        return Err(document.missing("the table [base]", "add `[base]` with `image`, `capture`, `file` or `from`"));
    };
    if base.has("decoded") && !base.has("from") {
        return Err(base.missing("`from`", "take `decoded` out: only a part of another file is unpacked here"));
    }
    let base = Base { place: base.place(), source: source(&base)? };
    let fills = document.tables("fill", "[[fill]]", &["byte", "region", "at", "len", "select"])?;
    let known = &["region", "at", "len", "select", "variable", "vendor", "optional"];
    let (variables, keeps): (Vec<_>, Vec<_>) =
        document.tables("keep", "[[keep]]", known)?.into_iter().partition(|table| table.has("variable"));
    let known = &[
        "image",
        "capture",
        "file",
        "from",
        "take",
        "sha256",
        "blake3",
        "from_region",
        "from_at",
        "from_len",
        "from_select",
        "decoded",
        "region",
        "at",
        "select",
    ];
    let parts = document.tables("place", "[[place]]", known)?;
    let address = document.table("mac", "[mac]", &["address", "value", "region"])?;
    let access = document.table("access", "[access]", &ACCESS)?;
    let known = &["size", "is", "bytes", "sha256", "blake3", "nvm", "mac", "region", "at", "len", "select"];
    let requires = document.tables("require", "[[require]]", known)?;
    Ok(Recipe {
        name: name.to_owned(),
        base,
        fills: fills.iter().map(fill).collect::<Result<_, _>>()?,
        keeps: keeps.iter().map(keep).collect::<Result<_, _>>()?,
        variables: variables.iter().map(kept_variable).collect::<Result<_, _>>()?,
        parts: parts.iter().map(part).collect::<Result<_, _>>()?,
        address: address.as_ref().map(address_rule).transpose()?,
        access: access.map(access_rule).transpose()?,
        requires: requires.iter().map(require).collect::<Result<_, _>>()?,
    })
}

fn fill(table: &Table<'_>) -> Result<Fill, RecipeError> {
    let byte = table.number("byte", 0..=0xFF)?;
    let byte = byte.ok_or_else(|| table.missing("`byte`", "write `byte = 0xFF`, or another value"))?;
    Ok(Fill { place: table.place(), byte: byte as u8, to: needed_selector(table)? })
}

fn keep(table: &Table<'_>) -> Result<Keep, RecipeError> {
    let remedy = "write the variable's name: `variable = \"NAME\"`";
    for key in ["vendor", "optional"] {
        if table.has(key) {
            return Err(table.mistake(key, Mistake::Missing { what: "the variable that this belongs to", remedy }));
        }
    }
    Ok(Keep { place: table.place(), what: needed_selector(table)? })
}

fn kept_variable(table: &Table<'_>) -> Result<KeptVariable, RecipeError> {
    table.without(&["region", "at", "len", "select"], "variable")?;
    let name = table.text("variable", LONGEST_VARIABLE)?.expect("the key was found in the table").into();
    let vendor = match table.text("vendor", LONGEST_REGION)? {
        Some(text) => Some(text.parse().map_err(|error| table.mistake("vendor", Mistake::NotAGuid(error)))?),
        None => None,
    };
    let optional = table.yes_no("optional")?.unwrap_or(false);
    Ok(KeptVariable { place: table.place(), name, vendor, optional })
}

fn part(table: &Table<'_>) -> Result<Part, RecipeError> {
    let source = source(table)?;
    let from = selector(table, ["from_region", "from_at", "from_len", "from_select"])?;
    if matches!(source, SourceRef::Part { .. }) {
        table.without(&["from_select"], "take")?;
    }
    let decoded = !table.has("from") && table.yes_no("decoded")?.unwrap_or(false);
    if decoded && !matches!(from, Some(Selector::Structure(_))) {
        return Err(
            table.missing("the structure", "write `from_select = \"...\"`: only a structure has a content to unpack")
        );
    }
    let to = match (region(table, "region")?, table.number("at", 0..=u32::MAX)?, structure(table, "select")?) {
        (Some(region), None, None) => Target::Region(region),
        (None, Some(at), None) => Target::At(at),
        (None, None, Some(structure)) => Target::Structure(structure),
        (Some(_), Some(_), _) => return Err(table.mistake("at", Mistake::Excluded { other: "region" })),
        (Some(_), _, Some(_)) => return Err(table.mistake("select", Mistake::Excluded { other: "region" })),
        (None, Some(_), Some(_)) => return Err(table.mistake("select", Mistake::Excluded { other: "at" })),
        (None, None, None) => {
            let remedy = "write `region = \"NAME\"`, `at = OFFSET`, or `select = \"SELECTOR\"`";
            return Err(table.missing("where the part goes", remedy));
        }
    };
    Ok(Part { place: table.place(), source, from, decoded, to })
}

fn address_rule(table: &Table<'_>) -> Result<AddressRule, RecipeError> {
    let words = [("carried", "carried"), ("given", "given"), ("drawn", "drawn")];
    let remedy = "write `address = \"carried\"`, \"given\" or \"drawn\"";
    let rule = match table.word("address", &words)?.ok_or_else(|| table.missing("`address`", remedy))? {
        "given" => {
            let Some(text) = table.text("value", LONGEST_REGION)? else {
                return Ok(AddressRule { place: table.place(), region: network(table)?, rule: MacRule::Given(None) });
            };
            let mac: Mac = text.parse().map_err(|error| table.mistake("value", Mistake::NotAMac(error)))?;
            mac.check_unicast().map_err(|error| table.mistake("value", Mistake::Unfit(error)))?;
            MacRule::Given(Some(mac))
        }
        word => {
            let other = if word == "carried" { "address = \"carried\"" } else { "address = \"drawn\"" };
            table.without(&["value"], other)?;
            if word == "carried" { MacRule::Carried } else { MacRule::Drawn }
        }
    };
    Ok(AddressRule { place: table.place(), region: network(table)?, rule })
}

fn access_rule(mut table: Table<'_>) -> Result<AccessRule, RecipeError> {
    let layouts = [("eight-regions", Layout::EightRegions), ("twelve-regions", Layout::TwelveRegions)];
    let layout = table.word("layout", &layouts)?;
    let mut grants = Vec::new();
    for (master, key, header) in MASTERS {
        let Some(rights) = table.table(key, header, &["read", "write"])? else { continue };
        let (read, write) = (rights_of(&rights, "read")?, rights_of(&rights, "write")?);
        if (read, write) == (None, None) {
            let remedy = "write `read` or `write`: \"all\", or a list of regions such as [\"firmware\", \"network\"]";
            return Err(rights.missing("`read` or `write`", remedy));
        }
        grants.push(Grant { place: rights.place(), master, read, write });
    }
    if grants.is_empty() {
        let remedy = "write who may do what, such as `processor = { read = \"all\", write = \"all\" }`";
        return Err(table.missing("a master", remedy));
    }
    Ok(AccessRule { place: table.place(), layout, grants })
}

fn rights_of(table: &Table<'_>, key: &str) -> Result<Option<Regions>, RecipeError> {
    let words = table.words(key, &REGIONS)?;
    Ok(words.map(|words| match words {
        Words::All => Regions::All,
        Words::These(numbers) => Regions::These(numbers.into_iter().fold(0, |bits, number| bits | 1 << number)),
    }))
}

fn require(table: &Table<'_>) -> Result<Require, RecipeError> {
    let mut given = CONDITIONS.into_iter().filter(|key| table.has(key));
    let Some(key) = given.next() else {
        return Err(table.missing("what is required", "write one of size, is, bytes, sha256, blake3, nvm, mac"));
    };
    if let Some(second) = given.next() {
        return Err(table.mistake(second, Mistake::Excluded { other: key }));
    }
    let there = "the key was found in the table";
    let condition = match key {
        "size" => {
            table.without(&["region", "at", "len", "select"], key)?;
            Condition::Size(table.number(key, 1..=u32::MAX)?.expect(there))
        }
        "is" => {
            let words = [
                ("blank", State::Blank),
                ("not-blank", State::NotBlank),
                ("as-present", State::AsPresent),
                ("as-base", State::AsBase),
            ];
            Condition::Is { state: table.word(key, &words)?.expect(there), what: needed_selector(table)? }
        }
        "bytes" => {
            table.without(&["region", "len", "select"], key)?;
            let text = table.text(key, MOST_DIGITS)?.expect(there);
            let bytes = hex(text).ok_or_else(|| table.mistake(key, Mistake::NotBytes))?;
            let at = table.number("at", 0..=u32::MAX)?;
            let at = at.ok_or_else(|| table.missing("`at`", "write where the bytes stand: `at = OFFSET`"))?;
            Condition::Bytes { at, bytes }
        }
        "nvm" => {
            table.without(&["at", "len", "select"], key)?;
            table.word(key, &[("sum-holds", ())])?;
            Condition::SumHolds { region: network(table)? }
        }
        "mac" => {
            table.without(&["at", "len", "select"], key)?;
            let words =
                [("local", MacKind::Local), ("universal", MacKind::Universal), ("as-present", MacKind::AsPresent)];
            Condition::Mac { kind: table.word(key, &words)?.expect(there), region: network(table)? }
        }
        _ => {
            let what = selector(table, ["region", "at", "len", "select"])?;
            Condition::Hash { what, pin: pin(table)?.expect(there) }
        }
    };
    Ok(Require { place: table.place(), condition })
}

/// The content that `[base]` or `[[place]]` takes.
fn source(table: &Table<'_>) -> Result<SourceRef, RecipeError> {
    let mut given = SOURCES.into_iter().filter(|key| table.has(key));
    let Some(key) = given.next() else {
        return Err(table.missing("the content", "write one of `image`, `capture`, `file` or `from`"));
    };
    if let Some(second) = given.next() {
        return Err(table.mistake(second, Mistake::Excluded { other: key }));
    }
    if key != "from" {
        table.without(&["take"], key)?;
    }
    let text = table.text(key, if key == "file" { LONGEST_PATH } else { LONGEST_NAME })?;
    let text = text.expect("the key was found in the table");
    let own_pin = |other| table.without(&["sha256", "blake3"], other);
    let needed_pin = || {
        let remedy = "write `sha256 = \"...\"` or `blake3 = \"...\"`, the 64 digits of the content's hash";
        pin(table)?.ok_or_else(|| table.missing("the content's hash", remedy))
    };
    match key {
        "image" => {
            own_pin("image")?;
            let pin = text.parse().map_err(|error| table.mistake(key, Mistake::NotAHash(error)))?;
            Ok(SourceRef::Image(pin))
        }
        "file" => Ok(SourceRef::File { path: text.to_owned(), pin: needed_pin()? }),
        "from" => {
            let from = text.parse().map_err(|error| table.mistake(key, Mistake::NotAHash(error)))?;
            let (take, form) = chain(table)?;
            Ok(SourceRef::Part { from, take, form, pin: needed_pin()? })
        }
        _ if text == "present" => own_pin("capture = \"present\"").map(|()| SourceRef::Present),
        _ if text == "donor" => own_pin("capture = \"donor\"").map(|()| SourceRef::Donor),
        // A whole id is the content's BLAKE3 and pins it.
        _ => match hash(text) {
            Ok(id) => {
                own_pin("capture")?;
                Ok(SourceRef::Capture { asked: text.to_owned(), pin: Pin::Blake3(id) })
            }
            Err(_) => Ok(SourceRef::Capture { asked: text.to_owned(), pin: needed_pin()? }),
        },
    }
}

/// The chain under `take`, and in which form its structure is taken.
fn chain(table: &Table<'_>) -> Result<(Box<Chain>, Form), RecipeError> {
    let remedy = "write where in the file the part sits: `take = \"boot then fat:/FOLDER/FILE\"`";
    let text = table.text("take", LONGEST_PATH)?.ok_or_else(|| table.missing("`take`", remedy))?;
    let chain: Chain = text.parse().map_err(|error| table.mistake("take", Mistake::NotAChain(Box::new(error))))?;
    let decoded = table.yes_no("decoded")?.unwrap_or(false);
    if decoded && chain.structure.is_none() {
        let remedy = "end `take` with a structure, such as `then file:NAME`: only that has a content to unpack";
        return Err(table.missing("the structure", remedy));
    }
    Ok((Box::new(chain), if decoded { Form::Decoded } else { Form::Stored }))
}

/// The hash under `sha256` or `blake3`.
fn pin(table: &Table<'_>) -> Result<Option<Pin>, RecipeError> {
    let digits = |key: &str| match table.text(key, 128)? {
        Some(text) => hash(text).map(Some).map_err(|error| table.mistake(key, Mistake::NotAHash(error))),
        None => Ok(None),
    };
    match (digits("sha256")?, digits("blake3")?) {
        (Some(_), Some(_)) => Err(table.mistake("blake3", Mistake::Excluded { other: "sha256" })),
        (Some(sha256), None) => Ok(Some(Pin::Sha256(sha256))),
        (None, blake3) => Ok(blake3.map(Pin::Blake3)),
    }
}

fn needed_selector(table: &Table<'_>) -> Result<Selector, RecipeError> {
    let found = selector(table, ["region", "at", "len", "select"])?;
    let remedy = "write `region = \"NAME\"`, `select = \"SELECTOR\"`, or `at = OFFSET` and `len = BYTES`";
    found.ok_or_else(|| table.missing("the range", remedy))
}

/// The stretch that a region's name, a structure, or an offset and a length, say under these keys.
fn selector(table: &Table<'_>, keys: [&'static str; 4]) -> Result<Option<Selector>, RecipeError> {
    let [region_key, at_key, len_key, select_key] = keys;
    if let Some(structure) = structure(table, select_key)? {
        table.without(&[region_key, at_key, len_key], select_key)?;
        return Ok(Some(Selector::Structure(structure)));
    }
    if let Some(region) = region(table, region_key)? {
        table.without(&[at_key, len_key], region_key)?;
        return Ok(Some(Selector::Region(region)));
    }
    let at = table.number(at_key, 0..=u32::MAX - 1)?;
    match (at, table.number(len_key, 1..=u32::MAX - at.unwrap_or(0))?) {
        (Some(at), Some(len)) => Ok(Some(Selector::Range(Range { start: at, end: at + len }))),
        (None, None) => Ok(None),
        (Some(_), None) => Err(table.missing("the length", "write how many bytes it is, beside the offset")),
        (None, Some(_)) => Err(table.missing("the offset", "write where it begins, beside the length")),
    }
}

/// A selector of the language of `select`.
fn structure(table: &Table<'_>, key: &str) -> Result<Option<Box<crate::select::Selector>>, RecipeError> {
    let Some(text) = table.text(key, LONGEST_SELECTOR)? else { return Ok(None) };
    text.parse()
        .map(|selector| Some(Box::new(selector)))
        .map_err(|error| table.mistake(key, Mistake::NotASelector(error)))
}

fn network(table: &Table<'_>) -> Result<String, RecipeError> {
    Ok(region(table, "region")?.unwrap_or_else(|| NETWORK.to_owned()))
}

fn region(table: &Table<'_>, key: &str) -> Result<Option<String>, RecipeError> {
    Ok(table.text(key, LONGEST_REGION)?.map(str::to_owned))
}
