//! Whole recipes: the scenario's own, hostile ones, and what may not show in any message.

use super::*;

const MAIN: &str = include_str!("../../../tests/data/larkspur-main.toml");
const MAIN_DRAWN: &str = include_str!("../../../tests/data/larkspur-main-drawn.toml");
const PORT: &str = include_str!("../../../tests/data/larkspur-port.toml");

/// CRC-32 of the composed images, by which they are pinned.
const OWN_CRC: u32 = 0xE071_CFF5;
const DRAWN_CRC: u32 = 0x5ADA_1DA7;

fn scenario(text: &str, base: &[u8], present: &[u8], address: Address) -> Result<Composed, ComposeError> {
    let recipe = Recipe::parse(text, "larkspur.toml").unwrap();
    let mut sources = Sources::new().with(SourceRef::Present, present);
    sources = sources.with(recipe.sources()[0].clone(), base);
    // The memory part, as it comes out of the vendor's update; the way through the disc to that is not this crate's.
    let update = crate::scenario::larkspur_update(7);
    let part = |source: &SourceRef| match source {
        SourceRef::Part { take, form, .. } => {
            let structure = take.structure.as_ref().expect("the recipe's chain ends with one");
            Some((source.clone(), crate::select::take(&update, structure, *form).expect("it is there")))
        }
        _ => None,
    };
    let parts: Vec<(SourceRef, Vec<u8>)> = recipe.sources().iter().filter_map(part).collect();
    for (source, bytes) in &parts {
        sources = sources.with(source.clone(), bytes);
    }
    compose(&recipe, &sources, address)
}

#[test]
fn the_scenarios_recipes_are_those_that_the_tests_use() {
    assert_eq!(MAIN, include_str!("../../../../../profiles/recipes/larkspur-main.toml"));
    assert_eq!(MAIN_DRAWN, include_str!("../../../../../profiles/recipes/larkspur-main-drawn.toml"));
    assert_eq!(PORT, include_str!("../../../../../profiles/recipes/larkspur-port.toml"));
}

/// Pinned: the same recipe, contents and address give the same bytes, today and later.
#[test]
fn the_scenarios_images_compose_to_pinned_bytes() {
    let found = larkspur_main(7, LARKSPUR_MAC);
    let new = meadowlark_main(7, PLACEHOLDER_MAC);
    let own = || scenario(MAIN, &new, &found, Address::None).unwrap();
    let composed = own();
    assert_eq!(composed, own());
    assert!(composed.bytes == meadowlark_completed(7, LARKSPUR_MAC));
    assert_eq!(crc32fast::hash(&composed.bytes), OWN_CRC);
    assert_eq!((composed.mac, composed.findings.clone()), (Some(LARKSPUR_MAC), vec![]));
    let done: Vec<Done> = composed.steps.iter().map(|step| step.done).collect();
    assert_eq!(
        done,
        [Done::Base, Done::Keep, Done::Variable, Done::Variable, Done::Place, Done::Address { banks: [true; 2] }]
    );

    let drawn = Address::Drawn(Mac::drawn(7));
    let composed = scenario(MAIN_DRAWN, &new, &found, drawn).unwrap();
    assert!(composed.bytes == meadowlark_completed(7, Mac::drawn(7)));
    assert_eq!(crc32fast::hash(&composed.bytes), DRAWN_CRC);
    assert_eq!(composed.mac, Some(Mac::drawn(7)));

    let port = meadowlark_port(7);
    let composed = scenario(PORT, &port, &[], Address::None).unwrap();
    assert!(composed.bytes == port);
}

/// Another machine's memory part is another vendor version; and a chip that lost its NVM takes the other recipe.
#[test]
fn the_scenarios_recipes_refuse_a_machine_that_they_were_not_tried_with() {
    let new = meadowlark_main(7, PLACEHOLDER_MAC);
    let other = larkspur_main(8, LARKSPUR_MAC);
    let Err(ComposeError::Unmet(unmet)) = scenario(MAIN, &new, &other, Address::None) else { panic!("composed") };
    assert_eq!(unmet.len(), 1);
    assert!(unmet[0].why.starts_with("0xc80000 to 0xd00000 "), "{}", unmet[0].why);

    let mut lost = larkspur_main(7, LARKSPUR_MAC);
    lost[0x1000..0x3000].fill(0xFF);
    let error = scenario(MAIN, &new, &lost, Address::None).unwrap_err();
    assert!(matches!(error, ComposeError::NothingToCarry { source: Some(NvmError::NoValidBank), .. }), "{error}");
    assert!(scenario(MAIN_DRAWN, &new, &lost, Address::Drawn(Mac::drawn(1))).is_ok());
}

/// The schema for editors says the same as the checker where a schema can.
#[test]
fn the_schema_takes_what_the_checker_takes() {
    let schema: serde_json::Value =
        serde_json::from_str(include_str!("../../../../../docs/schemas/recipe.json")).unwrap();
    let schema = jsonschema::validator_for(&schema).unwrap();
    let both = |text: &str| {
        let value: serde_json::Value = toml::from_str(text).unwrap();
        let checker = Recipe::parse(text, "r.toml");
        assert_eq!(schema.is_valid(&value), checker.is_ok(), "{text}\n{checker:?}");
        checker.is_ok()
    };
    for text in [MAIN, MAIN_DRAWN, PORT] {
        assert!(both(text));
    }
    let hash = "1".repeat(64);
    let base = format!("base = {{ image = \"sha256:{hash}\" }}\n");
    for (more, good) in [
        ("fill = { byte = 255, at = 0, len = 1 }".to_owned(), true),
        ("[[fill]]\nbyte = 256\nat = 0\nlen = 1".into(), false),
        ("[[fill]]\nat = 0\nlen = 1".into(), false),
        ("[[keep]]\nat = 0".into(), false),
        ("[[keep]]\nregion = \"a\"\nat = 0\nlen = 1".into(), false),
        ("[[keep]]\nregoin = \"a\"".into(), false),
        ("[[keep]]\nvariable = \"SerialNumber\"".into(), true),
        ("[[keep]]\nvariable = \"A\"\noptional = true\nvendor = \"8be4df61-93ca-11d2-aa0d-00e098032b8c\"".into(), true),
        ("[[keep]]\nvariable = \"A\"\nvendor = \"8be4df61\"".into(), false),
        ("[[keep]]\nvariable = \"A\"\noptional = 1".into(), false),
        ("[[keep]]\nvariable = \"A\"\nregion = \"a\"".into(), false),
        ("[[keep]]\nregion = \"a\"\noptional = true".into(), false),
        ("[[keep]]\nat = 0\nlen = 1\nvendor = \"8be4df61-93ca-11d2-aa0d-00e098032b8c\"".into(), false),
        ("[[place]]\ncapture = \"present\"\nfrom_at = 0\nfrom_len = 4\nat = 0".into(), true),
        (format!("[[place]]\ncapture = \"present\"\nsha256 = \"{hash}\"\nat = 0"), false),
        (format!("[[place]]\nfrom = \"sha256:{hash}\"\ntake = \"boot\"\nsha256 = \"{hash}\"\nat = 0"), true),
        (
            format!(
                "[[place]]\nfrom = \"sha256:{hash}\"\ntake = \"file:X\"\ndecoded = true\nblake3 = \"{hash}\"\nat = 0"
            ),
            true,
        ),
        (format!("[[place]]\nfrom = \"sha256:{hash}\"\ntake = \"boot\"\nat = 0"), false),
        (format!("[[place]]\nfrom = \"sha256:{hash}\"\nsha256 = \"{hash}\"\nat = 0"), false),
        (format!("[[place]]\nfrom = \"{hash}\"\ntake = \"boot\"\nsha256 = \"{hash}\"\nat = 0"), false),
        (format!("[[place]]\nimage = \"sha256:{hash}\"\ntake = \"boot\"\nat = 0"), false),
        (
            format!(
                "[[place]]\nfrom = \"sha256:{hash}\"\ntake = \"boot\"\nfrom_select = \"file:X\"\nsha256 = \"{hash}\"\nat = 0"
            ),
            false,
        ),
        (format!("[[place]]\ncapture = \"{hash}\"\nregion = \"a\""), true),
        (format!("[[place]]\ncapture = \"{hash}\"\nblake3 = \"{hash}\"\nregion = \"a\""), false),
        ("[[place]]\ncapture = \"as found\"\nregion = \"a\"".into(), false),
        (format!("[[place]]\ncapture = \"as found\"\nblake3 = \"{hash}\"\nregion = \"a\""), true),
        (format!("[[place]]\nfile = \"a\"\nsha256 = \"{hash}\"\nblake3 = \"{hash}\"\nat = 0"), false),
        (format!("[[place]]\nfile = \"a\"\nsha256 = \"{hash}\"\nat = 0\nregion = \"a\""), false),
        (format!("[[place]]\nfile = \"a\"\nsha256 = \"{hash}\"\nfrom_region = \"b\"\nat = 0"), true),
        ("[[place]]\nfile = \"a\"\nat = 0".into(), false),
        ("mac = { address = \"given\", value = \"02:00:5e:00:53:01\" }".into(), true),
        ("mac = { address = \"given\" }".into(), true),
        ("[[place]]\ncapture = \"donor\"\nat = 0".into(), true),
        (format!("[[place]]\ncapture = \"donor\"\nblake3 = \"{hash}\"\nat = 0"), false),
        ("mac = { address = \"given\", value = \"02:00:5e\" }".into(), false),
        ("mac = { address = \"drawn\", value = \"02:00:5e:00:53:01\" }".into(), false),
        ("mac = { address = \"drawn\", region = \"lan\" }".into(), true),
        ("access = { processor = { read = \"all\", write = \"all\" } }".into(), true),
        ("[access]\nlayout = \"eight-regions\"\nnetwork = { write = [\"network\"] }".into(), true),
        ("access.embedded-controller.read = []".into(), true),
        ("access = {}".into(), false),
        ("access.layout = \"eight-regions\"".into(), false),
        ("access = { layout = \"nine-regions\", processor = { read = \"all\" } }".into(), false),
        ("access.processor = {}".into(), false),
        ("access.processor = \"all\"".into(), false),
        ("access.processor.read = \"none\"".into(), false),
        ("access.processor.read = [\"firmware\", \"firmware\"]".into(), false),
        ("access.processor.read = [\"region-12\"]".into(), false),
        ("access.cpu.read = \"all\"".into(), false),
        ("[[access]]\nprocessor = { read = \"all\" }".into(), false),
        ("[[require]]\nsize = 0".into(), false),
        ("[[require]]\nsize = 1\nat = 0".into(), false),
        ("[[require]]\nis = \"blank\"".into(), false),
        ("[[require]]\nis = \"as-base\"\nregion = \"a\"".into(), true),
        ("[[require]]\nbytes = \"5aa\"\nat = 0".into(), false),
        ("[[require]]\nbytes = \"5aa5\"\nat = 0".into(), true),
        (format!("[[require]]\nblake3 = \"{hash}\""), true),
        (format!("[[require]]\nblake3 = \"{hash}\"\nmac = \"local\""), false),
        ("[[require]]\nnvm = \"sum-holds\"\nregion = \"lan\"".into(), true),
        ("[[require]]\nnvm = \"sum-holds\"\nat = 0\nlen = 1".into(), false),
        ("[[require]]\nregion = \"a\"".into(), false),
        ("[[keep]]\nselect = \"/region:network\"".into(), true),
        ("[[keep]]\nselect = \"/region:network\"\nregion = \"network\"".into(), false),
        ("[[keep]]\nselect = \"\"".into(), false),
        (
            format!(
                "[[place]]\nimage = \"sha256:{hash}\"\nfrom_select = \"file:A/section%10\"\ndecoded = true\nat = 0"
            ),
            true,
        ),
        (format!("[[place]]\nimage = \"sha256:{hash}\"\ndecoded = true\nat = 0"), false),
        (format!("[[place]]\nimage = \"sha256:{hash}\"\ndecoded = \"yes\"\nfrom_select = \"nvm\"\nat = 0"), false),
        (format!("[[place]]\nimage = \"sha256:{hash}\"\nselect = \"nvm\""), true),
        (format!("[[place]]\nimage = \"sha256:{hash}\"\nselect = \"nvm\"\nat = 0"), false),
        ("[[require]]\nis = \"as-present\"\nselect = \"nvm\"".into(), true),
        ("[[require]]\nsize = 1\nselect = \"nvm\"".into(), false),
    ] {
        assert_eq!(both(&format!("{base}{more}")), good, "{more}");
    }
    assert!(!both("[mac]\naddress = \"drawn\""));
}

/// Bytes of the contents must not show anywhere: neither as text nor as the hexadecimal digits of the address.
#[test]
fn s15_no_message_shows_what_stands_in_a_content() {
    let secret = b"PASSWORD-1234567";
    let mark = |mut bytes: Vec<u8>| {
        bytes[..16].copy_from_slice(secret);
        for at in (0x3000..bytes.len()).step_by(16) {
            bytes[at..at + 16].copy_from_slice(secret);
        }
        bytes
    };
    let (base, mut present) = (mark(base()), mark(present()));
    // An address in the words of the bank in force whose sum fails.
    present[0x1020] ^= 1;
    let no_descriptor = [&secret[..], &[0x53; 16], &base[32..]].concat();
    let mut told = Vec::new();
    for (base, more) in [
        (&base, "[mac]\naddress = \"carried\""),
        (&base, "[[require]]\nis = \"as-present\"\nregion = \"network\""),
        (&base, "[[require]]\nis = \"blank\"\nregion = \"management\""),
        (&base, "[[require]]\nbytes = \"00\"\nat = 0"),
        (&base, "[[require]]\nmac = \"as-present\""),
        (&base, "[[keep]]\nregion = \"network\"\n[[require]]\nnvm = \"sum-holds\""),
        (&base, "[[keep]]\nregion = \"platform\""),
        (&base, "[[keep]]\nat = 0\nlen = 0x8_0001"),
        (&no_descriptor, "[[fill]]\nbyte = 0\nregion = \"network\""),
    ] {
        let error = run(base, &present, &[], more, Address::None).expect_err(more);
        let cause = std::error::Error::source(&error).map(ToString::to_string);
        told.push(format!("{error}\n{}\n{cause:?}", error.remedy()));
    }
    let composed = run(&base, &super::present(), &[], "[mac]\naddress = \"carried\"", Address::None).unwrap();
    told.push(format!("{composed:?}"));
    told.extend(composed.steps.iter().map(ToString::to_string));
    told.push(format!("{:?}", Sources::new().with(SourceRef::Present, secret)));
    for text in told {
        for hidden in ["PASSW", "80, 65, 83", "50, 41, 53", "50 41 53", "53, 53", "5e:00:53", "5e, 00", "94, 0, 83"] {
            assert!(!text.contains(hidden), "{hidden} in {text}");
        }
    }
}

/// A line that begins or fills a table of a recipe that may well compose.
fn any_table() -> impl Strategy<Value = String> {
    let region = prop::sample::select(vec!["descriptor", "network", "management", "firmware", "platform"]);
    let number = prop_oneof![0_u32..0x9_0000, any::<u32>(), Just(0x1000), Just(0x3000)];
    let stretch = prop_oneof![
        region.clone().prop_map(|name| format!("region = \"{name}\"\n")),
        (number.clone(), number.clone()).prop_map(|(at, len)| format!("at = {at}\nlen = {len}\n")),
        (0_u32..0x8_0000, 1_u32..64).prop_map(|(at, len)| format!("at = {at}\nlen = {len}\n")),
    ];
    let is = prop::sample::select(vec!["blank", "not-blank", "as-present", "as-base"]);
    let address = prop::sample::select(vec!["carried", "drawn"]);
    prop_oneof![
        (any::<u8>(), stretch.clone()).prop_map(|(byte, to)| format!("[[fill]]\nbyte = {byte}\n{to}")),
        stretch.clone().prop_map(|what| format!("[[keep]]\n{what}")),
        (region, number).prop_map(|(name, at)| {
            format!("[[place]]\ncapture = \"present\"\nfrom_region = \"{name}\"\nat = {at}\n")
        }),
        address.prop_map(|rule| format!("[mac]\naddress = \"{rule}\"\n")),
        (is, stretch).prop_map(|(is, what)| format!("[[require]]\nis = \"{is}\"\n{what}")),
        Just("[[require]]\nnvm = \"sum-holds\"\n".to_owned()),
    ]
}

/// Random recipes on contents that are cut off or damaged: no panic, and what composes has the base's size and differs from
/// it only where a step says so.
#[test]
fn s10_hostile_recipes_and_contents_compose_or_are_refused() {
    let tables = prop::collection::vec(any_table(), 0..4);
    let len = prop_oneof![3 => Just(SIZE as usize), 1 => 0_usize..0x6000];
    let damage = prop::collection::vec((0_usize..0x1080, any::<u8>()), 0..3);
    let composed_count = std::cell::Cell::new(0);
    each_value("s10_hostile_recipes", 400, &(tables, len, damage), |(tables, len, damage)| {
        let (mut base, mut present) = (base(), present());
        for (number, (at, byte)) in damage.into_iter().enumerate() {
            [&mut base, &mut present][number % 2][at] = byte;
        }
        base.truncate(len);
        present.truncate(len);
        let text = format!("[base]\nimage = \"{}\"\n{}", Pin::sha256(&base), tables.concat());
        let Ok(recipe) = Recipe::parse(&text, "r.toml") else { return Ok(()) };
        let mut sources = Sources::new().with(SourceRef::Present, &present);
        sources = sources.with(recipe.sources()[0].clone(), &base);
        match compose(&recipe, &sources, Address::Drawn(Mac::drawn(1))) {
            Err(error) => prop_assert!(error.to_string().starts_with("r.toml, line "), "{error}"),
            Ok(composed) => {
                let mut plain = base.clone();
                for step in &composed.steps[1..] {
                    plain[indices(&step.to)].copy_from_slice(&composed.bytes[indices(&step.to)]);
                }
                prop_assert!(plain == composed.bytes, "{:?}", composed.steps);
                composed_count.set(composed_count.get() + 1);
            }
        }
        Ok(())
    });
    assert!(composed_count.get() >= 40, "only {} of the random recipes composed", composed_count.get());
}
