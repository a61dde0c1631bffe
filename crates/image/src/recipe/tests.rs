use proptest::prelude::*;

use super::*;
use crate::mac::{MacError, UnfitMac};
use crate::pin::PinError;
use crate::testing::each_value;

const ONES: &str = "1111111111111111111111111111111111111111111111111111111111111111";
const TWOS: &str = "2222222222222222222222222222222222222222222222222222222222222222";

fn parse(text: &str) -> Result<Recipe, RecipeError> {
    Recipe::parse(text, "r.toml")
}

/// A recipe with a base on lines 1 and 2, and `more` from line 3 on.
fn with(more: &str) -> Result<Recipe, RecipeError> {
    parse(&format!("[base]\nimage = \"sha256:{ONES}\"\n{more}"))
}

/// Checks that `more` is refused with this text (without the file) and this remedy.
fn refused(more: &str, text: &str, remedy: &str) {
    let error = with(more).expect_err(more);
    assert_eq!(error.to_string(), format!("r.toml, {text}"), "{more}");
    assert_eq!(error.remedy(), remedy, "{more}");
}

#[test]
fn every_key_of_the_format_is_taken() {
    let recipe = parse(&format!(
        r#"
        [base]
        file = "images/base.bin"
        sha256 = "{ONES}"
        [[fill]]
        byte = 0x00
        at = 0
        len = 0x10
        [[keep]]
        region = "network"
        [[place]]
        image = "blake3:{TWOS}"
        from_region = "platform"
        region = "management"
        [[place]]
        capture = "main as found"
        blake3 = "{ONES}"
        from_at = 5
        from_len = 6
        at = 0x20
        [[place]]
        capture = "{TWOS}"
        at = 0x40
        [[place]]
        capture = "present"
        at = 0x80
        [mac]
        address = "given"
        value = "00-00-5E-00-53-01"
        region = "lan"
        [[require]]
        size = 1
        [[require]]
        is = "blank"
        at = 1
        len = 2
        [[require]]
        is = "as-present"
        region = "x"
        [[require]]
        bytes = "5aA5"
        at = 3
        [[require]]
        sha256 = "{ONES}"
        [[require]]
        blake3 = "{ONES}"
        region = "x"
        [[require]]
        nvm = "sum-holds"
        [[require]]
        mac = "universal"
        region = "lan"
        "#
    ))
    .unwrap();
    let [ones, twos] = [[0x11; 32], [0x22; 32]];
    let file = SourceRef::File { path: "images/base.bin".into(), pin: Pin::Sha256(ones) };
    let named = SourceRef::Capture { asked: "main as found".into(), pin: Pin::Blake3(ones) };
    let by_id = SourceRef::Capture { asked: TWOS.into(), pin: Pin::Blake3(twos) };
    let wanted = [file, SourceRef::Present, SourceRef::Image(Pin::Blake3(twos)), named, by_id];
    assert_eq!(recipe.sources(), wanted);
    assert_eq!((recipe.name(), recipe.draws_address()), ("r.toml", false));
    assert_eq!((recipe.fills[0].byte, &recipe.fills[0].to), (0, &Selector::Range(0..0x10)));
    assert_eq!(recipe.keeps[0].what, Selector::Region("network".into()));
    let part = |number: usize| (recipe.parts[number].from.clone(), recipe.parts[number].to.clone());
    assert_eq!(part(0), (Some(Selector::Region("platform".into())), Target::Region("management".into())));
    assert_eq!(part(1), (Some(Selector::Range(5..11)), Target::At(0x20)));
    assert_eq!(part(2), (None, Target::At(0x40)));
    let address = recipe.address.unwrap();
    assert_eq!((address.region.as_str(), address.rule), ("lan", MacRule::Given(Some(Mac([0, 0, 0x5E, 0, 0x53, 1])))));
    let conditions: Vec<Condition> = recipe.requires.into_iter().map(|require| require.condition).collect();
    let x = || Selector::Region("x".into());
    let wanted = [
        Condition::Size(1),
        Condition::Is { what: Selector::Range(1..3), state: State::Blank },
        Condition::Is { what: x(), state: State::AsPresent },
        Condition::Bytes { at: 3, bytes: vec![0x5A, 0xA5] },
        Condition::Hash { what: None, pin: Pin::Sha256(ones) },
        Condition::Hash { what: Some(x()), pin: Pin::Blake3(ones) },
        Condition::SumHolds { region: NETWORK.into() },
        Condition::Mac { region: "lan".into(), kind: MacKind::Universal },
    ];
    assert_eq!(conditions, wanted);
}

#[test]
fn a_variable_is_kept_by_its_name() {
    let kept = with("[[keep]]\nvariable = \"SerialNumber\"\n[[keep]]\nregion = \"network\"").unwrap();
    assert_eq!((kept.variables.len(), kept.keeps.len()), (1, 1));
    assert_eq!((&*kept.variables[0].name, kept.variables[0].optional), ("SerialNumber", false));
    assert_eq!(kept.sources()[1], SourceRef::Present);
    refused(
        "[[keep]]\nvariable = \"A\"\nregion = \"network\"",
        "line 5, [[keep]] region: this does not go together with `variable`",
        "take out this or `variable`",
    );
    refused(
        "[[keep]]\nregion = \"network\"\noptional = true",
        "line 5, [[keep]] optional: the variable that this belongs to is missing",
        "write the variable's name: `variable = \"NAME\"`",
    );
    refused(
        "[[keep]]\nvariable = \"A\"\nvendor = \"B\"",
        "line 5, [[keep]] vendor: this is no GUID: a GUID is 32 hexadecimal digits in groups of 8, 4, 4, 4 and 12, with hyphens \
         between",
        "write it as `firmhand image explain` does, such as \"8be4df61-93ca-11d2-aa0d-00e098032b8c\"",
    );
}

#[test]
fn access_names_masters_and_regions_each_once() {
    let rule = with("[access]\nlayout = \"twelve-regions\"\nnetwork = { write = [\"network\", \"region-8\"] }")
        .unwrap()
        .access
        .unwrap();
    assert_eq!(rule.layout, Some(Layout::TwelveRegions));
    let [grant] = &rule.grants[..] else { panic!("{rule:?}") };
    assert_eq!((grant.master, grant.read, grant.write), (Master::Network, None, Some(Regions::These(0x108))));
    assert_eq!(&*grant.place.key, "[access.network]");
    assert_eq!(with("").unwrap().access, None);
    refused(
        "[access]\nlayout = \"twelve-regions\"",
        "line 3, [access]: a master is missing",
        "write who may do what, such as `processor = { read = \"all\", write = \"all\" }`",
    );
    refused(
        "[access.processor]",
        "line 3, [access.processor]: `read` or `write` is missing",
        "write `read` or `write`: \"all\", or a list of regions such as [\"firmware\", \"network\"]",
    );
    refused(
        "[access]\nprocessor = { read = [\"firmware\", \"firmware\"] }",
        "line 4, [access.processor] read: `firmware` stands here twice",
        "name it once",
    );
    let known = "known here: all, descriptor, firmware, management, network, platform, region-5, region-6, region-7, region-8, \
                 region-9, region-10, region-11";
    refused(
        "[access.processor]\nwrite = [\"bios\"]",
        "line 4, [access.processor] write: `bios` is not known here",
        known,
    );
    refused(
        "[access.processor]\nwrite = \"most\"",
        "line 4, [access.processor] write: `most` is not known here",
        known,
    );
    refused(
        "[access.processor]\nwrite = 1",
        "line 4, [access.processor] write: this is of type integer",
        "give \"all\" or a list of texts",
    );
    refused(
        "[access.host]\nwrite = \"all\"",
        "line 3, [access] host: this key is not known",
        "known here: layout, processor, management, network, embedded-controller",
    );
}

#[test]
fn a_single_table_may_stand_in_single_brackets() {
    let fills = with("[fill]\nbyte = 0xFF\nregion = \"platform\"").unwrap().fills;
    assert_eq!(fills.len(), 1);
    assert_eq!(fills[0].place, TextPlace { name: "r.toml".into(), line: 3, key: "[[fill]]".into() });
    refused(
        "[fill]\nbit = 1",
        "line 4, [[fill]] bit: this key is not known",
        "known here: byte, region, at, len, select",
    );
}

#[test]
fn sources_are_named_once_and_only_when_something_takes_them() {
    let image = SourceRef::Image(Pin::Sha256([0x11; 32]));
    assert_eq!(with("").unwrap().sources(), std::slice::from_ref(&image));
    for takes in [
        "[[keep]]\nregion = \"network\"\n[[keep]]\nregion = \"platform\"",
        "[mac]\naddress = \"carried\"",
        "[[require]]\nis = \"as-present\"\nat = 0\nlen = 1",
        "[[require]]\nmac = \"as-present\"",
        "[[place]]\ncapture = \"present\"\nat = 0",
    ] {
        assert_eq!(with(takes).unwrap().sources(), [image.clone(), SourceRef::Present], "{takes}");
    }
    let drawn = with("[mac]\naddress = \"drawn\"").unwrap();
    assert_eq!((drawn.sources(), drawn.draws_address()), (vec![image], true));
}

#[test]
fn a_mistake_is_told_with_line_key_and_remedy() {
    let range = "write `region = \"NAME\"`, `select = \"SELECTOR\"`, or `at = OFFSET` and `len = BYTES`";
    let hash = "write `sha256 = \"...\"` or `blake3 = \"...\"`, the 64 digits of the content's hash";
    refused(
        "[[kep]]",
        "line 3, kep: this key is not known",
        "known here: base, fill, keep, place, mac, access, require",
    );
    refused(
        "[[keep]]\nregoin = 1",
        "line 4, [[keep]] regoin: this key is not known",
        "known here: region, at, len, select, variable, vendor, optional",
    );
    refused("[[keep]]", "line 3, [[keep]]: the range is missing", range);
    refused("[[keep]]\nregion = 7", "line 4, [[keep]] region: this is of type integer", "give a text in quotes");
    refused(
        "keep = 7",
        "line 3, [base] keep: this key is not known",
        "known here: image, capture, file, from, take, decoded, sha256, blake3",
    );
    refused(
        "[[keep]]\nat = 0",
        "line 3, [[keep]]: the length is missing",
        "write how many bytes it is, beside the offset",
    );
    refused("[[keep]]\nlen = 1", "line 3, [[keep]]: the offset is missing", "write where it begins, beside the length");
    refused(
        "[[keep]]\nregion = \"a\"\n\nat = 0",
        "line 6, [[keep]] at: this does not go together with `region`",
        "take out this or `region`",
    );
    refused(
        "[[keep]]\nat = 0xFFFF_FFF0\nlen = 16",
        "line 5, [[keep]] len: 16 is out of range",
        "give a whole number from 1 to 15 (0x1 to 0xf)",
    );
    refused("[fill]\nat = 0\nlen = 1", "line 3, [[fill]]: `byte` is missing", "write `byte = 0xFF`, or another value");
    refused(
        "[fill]\nbyte = 0x100",
        "line 4, [[fill]] byte: 0x100 is out of range",
        "give a whole number from 0 to 255 (0x0 to 0xff)",
    );
    refused(
        "[[place]]",
        "line 3, [[place]]: the content is missing",
        "write one of `image`, `capture`, `file` or `from`",
    );
    refused("[[place]]\nfile = \"x\"\nat = 0", "line 3, [[place]]: the content's hash is missing", hash);
    refused("[[place]]\ncapture = \"main\"\nat = 0", "line 3, [[place]]: the content's hash is missing", hash);
    refused(
        "[[place]]\ncapture = \"present\"",
        "line 3, [[place]]: where the part goes is missing",
        "write `region = \"NAME\"`, `at = OFFSET`, or `select = \"SELECTOR\"`",
    );
    refused(
        "[[place]]\ncapture = \"present\"\nregion = \"x\"\nat = 0",
        "line 6, [[place]] at: this does not go together with `region`",
        "take out this or `region`",
    );
    refused(
        &format!("[[place]]\ncapture = \"present\"\nsha256 = \"{ONES}\"\nat = 0"),
        "line 5, [[place]] sha256: this does not go together with `capture = \"present\"`",
        "take out this or `capture = \"present\"`",
    );
    refused(
        &format!("[[place]]\nfile = \"x\"\nsha256 = \"{ONES}\"\nblake3 = \"{ONES}\"\nat = 0"),
        "line 6, [[place]] blake3: this does not go together with `sha256`",
        "take out this or `sha256`",
    );
    refused(
        "[[place]]\nfile = \"x\"\ncapture = \"y\"\nat = 0",
        "line 4, [[place]] file: this does not go together with `capture`",
        "take out this or `capture`",
    );
    refused(
        "[[place]]\nimage = \"main\"\nat = 0",
        "line 4, [[place]] image: this is no hash: it does not begin with `sha256:` or `blake3:`",
        "write `sha256:` or `blake3:` and the 64 digits",
    );
    refused(
        "[[place]]\nfile = \"x\"\nsha256 = \"12\"\nat = 0",
        "line 5, [[place]] sha256: this is no hash: a hash is 64 hexadecimal digits in small letters; here are 2 characters, not all of them such",
        "give the 64 digits as `sha256sum` or the vault prints them",
    );
    refused("[mac]", "line 3, [mac]: `address` is missing", "write `address = \"carried\"`, \"given\" or \"drawn\"");
    refused(
        "[mac]\naddress = \"mine\"",
        "line 4, [mac] address: `mine` is not known here",
        "known here: carried, given, drawn",
    );
    let text = format!("[base]\nimage = \"sha256:{}\"\n[mac]\naddress = \"given\"\n", "0".repeat(64));
    assert!(Recipe::parse(&text, "r.toml").unwrap().asks_address());
    refused(
        "[mac]\naddress = \"drawn\"\nvalue = \"x\"",
        "line 5, [mac] value: this does not go together with `address = \"drawn\"`",
        "take out this or `address = \"drawn\"`",
    );
    refused(
        "[[require]]",
        "line 3, [[require]]: what is required is missing",
        "write one of size, is, bytes, sha256, blake3, nvm, mac",
    );
    refused(
        "[[require]]\nsize = 1\nmac = \"local\"",
        "line 5, [[require]] mac: this does not go together with `size`",
        "take out this or `size`",
    );
    refused(
        "[[require]]\nsize = 1\nat = 0",
        "line 5, [[require]] at: this does not go together with `size`",
        "take out this or `size`",
    );
    refused("[[require]]\nis = \"blank\"", "line 3, [[require]]: the range is missing", range);
    refused(
        "[[require]]\nis = \"empty\"",
        "line 4, [[require]] is: `empty` is not known here",
        "known here: blank, not-blank, as-present, as-base",
    );
    refused(
        "[[require]]\nbytes = \"00\"",
        "line 3, [[require]]: `at` is missing",
        "write where the bytes stand: `at = OFFSET`",
    );
    refused(
        "[[require]]\nat = 0\nbytes = \"0\"",
        "line 5, [[require]] bytes: this is no list of bytes",
        "give two hexadecimal digits for each byte, such as \"5aa5f00f\"",
    );
    refused(
        "[[require]]\nnvm = \"good\"",
        "line 4, [[require]] nvm: `good` is not known here",
        "known here: sum-holds",
    );
    refused(
        "keep",
        "line 3: not TOML: key with no value, expected `=`",
        "mend the line; the format is that of toml.io, version 1",
    );
}

/// `from` pins the vendor's file, and the hash beside it what comes out of that.
#[test]
fn a_part_of_a_vendors_file_is_pinned_at_both_ends() {
    let take = "take = \"boot then fat:/UPDATE/MAIN.CAP then file:Part\"";
    let place = |more: &str| with(&format!("[[place]]\nfrom = \"sha256:{ONES}\"\n{take}\n{more}"));
    let recipe = place(&format!("sha256 = \"{TWOS}\"\nat = 0")).unwrap();
    let [_, source] = &recipe.sources()[..] else { panic!("base and part") };
    let SourceRef::Part { from, take: chain, form: Form::Stored, pin } = source else { panic!("{source:?}") };
    assert_eq!((from.digits(), pin.digits()), (ONES.to_owned(), TWOS.to_owned()));
    assert_eq!(chain.to_string(), "boot then fat:/UPDATE/MAIN.CAP then file:Part");
    assert_eq!(source.to_string(), format!("`{chain}` of sha256:{ONES}"));
    let decoded = place(&format!("decoded = true\nsha256 = \"{TWOS}\"\nfrom_at = 1\nfrom_len = 2\nat = 0")).unwrap();
    assert!(matches!(decoded.sources()[1], SourceRef::Part { form: Form::Decoded, .. }));
    assert!(parse(&format!("[base]\nfrom = \"blake3:{ONES}\"\n{take}\nsha256 = \"{TWOS}\"")).is_ok());

    let wrong = |more: &str| place(more).unwrap_err();
    let missing = wrong("at = 0").mistake;
    assert!(matches!(missing, Mistake::Missing { what: "the content's hash", .. }), "{missing:?}");
    let both = wrong(&format!("sha256 = \"{TWOS}\"\nfrom_select = \"file:X\"\nat = 0"));
    assert_eq!(both.mistake, Mistake::Excluded { other: "take" });
    refused(
        &format!("[[place]]\nfrom = \"sha256:{ONES}\"\ntake = \"boot then\"\nsha256 = \"{TWOS}\"\nat = 0"),
        "line 5, [[place]] take: this is no chain of steps: step 2 is missing; a chain looks like `boot then fat:/PATH then file:NAME`",
        "write it as `firmhand image take FILE` takes it, such as \"boot then fat:/UPDATE/MAIN.CAP\"",
    );
    refused(
        &format!("[[place]]\nfrom = \"sha256:{ONES}\"\ntake = \"boot\"\ndecoded = true\nsha256 = \"{TWOS}\"\nat = 0"),
        "line 3, [[place]]: the structure is missing",
        "end `take` with a structure, such as `then file:NAME`: only that has a content to unpack",
    );
    refused(
        &format!("[[place]]\nimage = \"sha256:{ONES}\"\n{take}\nat = 0"),
        "line 5, [[place]] take: this does not go together with `image`",
        "take out this or `image`",
    );
    refused(
        &format!("[[place]]\nfrom = \"sha256:{ONES}\"\nsha256 = \"{TWOS}\"\nat = 0"),
        "line 3, [[place]]: `take` is missing",
        "write where in the file the part sits: `take = \"boot then fat:/FOLDER/FILE\"`",
    );
    let base = parse(&format!("[base]\nimage = \"sha256:{ONES}\"\ndecoded = true")).unwrap_err();
    assert!(matches!(base.mistake, Mistake::Missing { what: "`from`", .. }), "{base}");
}

#[test]
fn a_recipe_needs_a_base() {
    let error = parse("[[keep]]\nregion = \"network\"").unwrap_err();
    assert_eq!(error.to_string(), "r.toml, line 1: the table [base] is missing");
    assert_eq!(error.remedy(), "add `[base]` with `image`, `capture`, `file` or `from`");
    assert_eq!(parse("base = 1").unwrap_err().mistake, Mistake::WrongType { found: "integer", wanted: "a table" });
}

#[test]
fn an_address_that_no_machine_can_have_is_refused() {
    let given = |value: &str| with(&format!("[mac]\naddress = \"given\"\nvalue = \"{value}\""));
    assert!(given("00:00:5e:00:53:01").is_ok());
    for (value, why) in [
        ("00:00:00:00:00:00", UnfitMac::Zero),
        ("ff:ff:ff:ff:ff:ff", UnfitMac::Ones),
        ("01:00:5e:00:53:01", UnfitMac::Group),
    ] {
        let error = given(value).unwrap_err();
        assert_eq!((error.place.line, error.mistake.clone()), (5, Mistake::Unfit(why)));
        assert!(error.remedy().contains("label"), "{}", error.remedy());
    }
    let error = given("00:00:5e").unwrap_err();
    assert_eq!(error.mistake, Mistake::NotAMac(MacError::Octets { octets: 3, text: "00:00:5e".into() }));
}

/// A capture's name is no pin, not even when it looks like the beginning of an id.
#[test]
fn only_a_whole_id_pins_a_capture() {
    let place = |capture: &str| with(&format!("[[place]]\ncapture = \"{capture}\"\nat = 0"));
    assert!(place(ONES).is_ok());
    let twice = with(&format!("[[place]]\ncapture = \"{ONES}\"\nblake3 = \"{ONES}\"\nat = 0")).unwrap_err();
    assert_eq!((twice.place.line, twice.mistake), (5, Mistake::Excluded { other: "capture" }));
    assert!(matches!(place(&ONES[..12]).unwrap_err().mistake, Mistake::Missing { .. }));
    let image = with(&format!("[[place]]\nimage = \"sha256:{}\"\nat = 0", &ONES[1..])).unwrap_err();
    assert_eq!(image.mistake, Mistake::NotAHash(PinError::Digits { len: 63 }));
}

#[test]
fn s10_a_recipe_has_limits() {
    let long = format!("#{}", "x".repeat(MOST_BYTES));
    assert_eq!(parse(&long).unwrap_err().mistake, Mistake::TooLong { len: MOST_BYTES + 1 });
    let keep = "[[keep]]\nregion = \"x\"\n";
    assert!(with(&keep.repeat(MOST_TABLES)).is_ok());
    let many = with(&keep.repeat(MOST_TABLES + 1)).unwrap_err();
    assert_eq!((many.place.line, many.mistake), (3, Mistake::TooMany { count: MOST_TABLES + 1 }));
    for text in ["", &"x".repeat(65), "a\\u001b[2J"] {
        let error = with(&format!("[[keep]]\nregion = \"{text}\"")).unwrap_err();
        assert!(matches!(error.mistake, Mistake::Text { most: 64, .. }), "{error}");
    }
    let error = with("\"a\\u001b[2J\" = 1").unwrap_err();
    assert!(!error.to_string().contains('\u{1b}'), "{error:?}");
    for number in ["-1", "4294967296", "99999999999999999999999"] {
        assert!(with(&format!("[[place]]\ncapture = \"present\"\nat = {number}")).is_err(), "{number}");
    }
    assert!(parse(&format!("base = {}", "[".repeat(100_000))).is_err());
    assert!(parse(&format!("base{} = 1", ".a".repeat(100_000))).is_err());
}

/// One line of something like a recipe.
fn any_line() -> impl Strategy<Value = String> {
    let keys = vec![
        "image", "capture", "file", "from", "take", "sha256", "blake3", "region", "at", "len", "from_at", "from_len",
        "byte", "address", "value", "size", "is", "bytes", "nvm", "mac", "keep", "x",
    ];
    let values = vec![
        "0",
        "-1",
        "0xFFFF_FFFF",
        "4294967295",
        "1e9",
        "true",
        "\"present\"",
        "\"network\"",
        "\"drawn\"",
        "\"blank\"",
        "\"local\"",
        "\"sum-holds\"",
        "\"boot then fat:/A then file:X\"",
        "{}",
        "[]",
        "[{}]",
        "\"00\"",
        "\"é\"",
        "1979-05-27",
        "nan",
        "\"\"\"\nx\"\"\"",
    ];
    let headers =
        vec!["[base]", "[[base]]", "[fill]", "[[fill]]", "[[keep]]", "[[place]]", "[mac]", "[[require]]", "[base.x]"];
    let value = prop_oneof![
        4 => prop::sample::select(values).prop_map(str::to_owned),
        1 => Just(format!("\"{ONES}\"")),
        1 => Just(format!("\"sha256:{ONES}\"")),
        1 => "\\PC{0,12}",
    ];
    prop_oneof![
        3 => (prop::sample::select(keys), value).prop_map(|(key, value)| format!("{key} = {value}")),
        2 => prop::sample::select(headers).prop_map(str::to_owned),
    ]
}

#[test]
fn s10_no_text_makes_the_reader_panic() {
    let lines = prop::collection::vec(any_line(), 0..10);
    each_value("s10_no_text_makes_the_reader_panic", 3000, &lines, |lines| {
        let text = lines.join("\n");
        for text in [text.clone(), format!("[base]\nimage = \"sha256:{ONES}\"\n{text}")] {
            if let Err(error) = parse(&text) {
                prop_assert!(error.to_string().len() < 1000 && !error.remedy().is_empty(), "{error}");
                prop_assert!(error.place.line <= text.lines().count() + 1, "{error}");
            }
        }
        Ok(())
    });
}
