use proptest::prelude::*;

use super::*;
use crate::descriptor::{DescriptorError, RegionKind, descriptor};
use crate::mac::UnfitMac;
use crate::nvm::network_nvm;
use crate::scenario::{
    LARKSPUR_MAC, PLACEHOLDER_MAC, larkspur_main, meadowlark_completed, meadowlark_main, meadowlark_port,
};
use crate::testing::each_value;

mod access;
mod variable;
mod whole;

const SIZE: u32 = 512 << 10;
const OWN: Mac = LARKSPUR_MAC;

/// A chip of 512 KiB: descriptor, network NVM at 1000h, management at 3000h to 5000h, firmware from 4_0000h, and one byte
/// value in everything else.
fn chip(mac: Mac, byte: u8) -> Vec<u8> {
    let map = [
        (RegionKind::Descriptor, 0..0x1000),
        (RegionKind::NetworkNvm, 0x1000..0x3000),
        (RegionKind::Management, 0x3000..0x5000),
        (RegionKind::SystemFirmware, 0x4_0000..SIZE),
    ];
    let mut bytes = descriptor(&map, SIZE).unwrap();
    bytes.extend(network_nvm(mac, 7));
    bytes.resize(SIZE as usize, byte);
    bytes
}

fn base() -> Vec<u8> {
    chip(PLACEHOLDER_MAC, 0xBB)
}

fn present() -> Vec<u8> {
    chip(OWN, 0xCC)
}

/// The recipe `more` on `base`, its base on lines 1 and 2.
fn recipe(base: &[u8], more: &str) -> Recipe {
    Recipe::parse(&format!("[base]\nimage = \"{}\"\n{more}", Pin::sha256(base)), "r.toml").expect(more)
}

/// Composes `more` on `base` with the present capture and a part file `part.bin`, where `PART` in `more` is its SHA-256.
fn run(base: &[u8], present: &[u8], part: &[u8], more: &str, address: Address) -> Result<Composed, ComposeError> {
    let recipe = recipe(base, &more.replace("PART", &Pin::sha256(part).digits()));
    let mut sources = Sources::new();
    for source in recipe.sources() {
        let bytes = match source {
            SourceRef::Present => present,
            SourceRef::File { .. } => part,
            _ => base,
        };
        sources = sources.with(source, bytes);
    }
    compose(&recipe, &sources, address)
}

fn on_base(more: &str) -> Result<Composed, ComposeError> {
    run(&base(), &present(), &[0xEE; 0x2000], more, Address::None)
}

fn refusal(more: &str) -> String {
    let error = on_base(more).expect_err(more);
    assert!(!error.remedy().is_empty());
    error.to_string()
}

/// The base with `bytes` at `at`.
fn base_with(at: usize, bytes: &[u8]) -> Vec<u8> {
    let mut wanted = base();
    wanted[at..at + bytes.len()].copy_from_slice(bytes);
    wanted
}

const PART_FILE: &str = "[[place]]\nfile = \"part.bin\"\nsha256 = \"PART\"\n";

#[test]
fn a_base_alone_is_the_image() {
    let composed = on_base("").unwrap();
    assert!(composed.bytes == base());
    assert_eq!((composed.mac, composed.findings.len(), composed.steps.len()), (None, 0, 1));
    let step = &composed.steps[0];
    assert_eq!((step.done, &step.to, step.sha256), (Done::Base, &(0..SIZE), Pin::sha256(&base())));
    assert_eq!(step.source, Some((SourceRef::Image(Pin::sha256(&base())), Pin::blake3(&base()))));
}

#[test]
fn keep_carries_a_region_or_a_range_over_from_the_present_capture() {
    let composed = on_base("[[keep]]\nregion = \"management\"\n[[keep]]\nat = 0x2_0000\nlen = 3").unwrap();
    let mut wanted = base_with(0x3000, &[0xCC; 0x2000]);
    wanted[0x2_0000..0x2_0003].fill(0xCC);
    assert!(composed.bytes == wanted);
    let step = &composed.steps[1];
    assert_eq!((step.done, step.from.clone(), &step.to), (Done::Keep, Some(0x3000..0x5000), &(0x3000..0x5000)));
    assert_eq!(step.source, Some((SourceRef::Present, Pin::blake3(&present()))));
    assert_eq!(step.sha256, Pin::sha256(&[0xCC; 0x2000]));
}

#[test]
fn fill_writes_one_byte_value() {
    let composed = on_base("[fill]\nbyte = 0xFF\nregion = \"firmware\"").unwrap();
    assert!(composed.bytes == base_with(0x4_0000, &[0xFF; 0x4_0000]));
    assert_eq!(composed.steps[1].done, Done::Fill(0xFF));
    assert_eq!(
        composed.steps[1].to_string(),
        format!(
            "r.toml, line 3, [[fill]]: 0x40000 to 0x80000 filled with 0xff; now {}",
            Pin::sha256(&[0xFF; 0x4_0000])
        )
    );
}

#[test]
fn place_puts_a_whole_content_or_a_stretch_of_it() {
    let region = on_base(&format!("{PART_FILE}region = \"management\"")).unwrap();
    assert!(region.bytes == base_with(0x3000, &[0xEE; 0x2000]));
    let at = on_base(&format!("{PART_FILE}from_at = 0x1FFF\nfrom_len = 1\nat = 0x7_FFFF")).unwrap();
    assert!(at.bytes == base_with(0x7_FFFF, &[0xEE]));
    let of_present = "[[place]]\ncapture = \"present\"\nfrom_region = \"management\"\nat = 0x5000";
    let composed = on_base(of_present).unwrap();
    assert!(composed.bytes == base_with(0x5000, &[0xCC; 0x2000]));
    let (id, hash) = (Pin::blake3(&present()), Pin::sha256(&[0xCC; 0x2000]));
    assert_eq!(
        composed.steps[1].to_string(),
        format!(
            "r.toml, line 3, [[place]]: 0x5000 to 0x7000 taken from 0x3000 to 0x5000 of the present capture ({id}); now {hash}"
        )
    );
}

#[test]
fn s8_a_part_fits_its_region_exactly_and_nothing_leaves_the_base() {
    assert_eq!(
        refusal(&format!("{PART_FILE}from_at = 0\nfrom_len = 0x1FFF\nregion = \"management\"")),
        "r.toml, line 3, [[place]]: 0x0 to 0x1fff of file `part.bin` are 8191 bytes, but 0x3000 to 0x5000 are 8192"
    );
    assert_eq!(
        refusal(&format!("{PART_FILE}region = \"firmware\"")),
        "r.toml, line 3, [[place]]: 0x0 to 0x2000 of file `part.bin` are 8192 bytes, but 0x40000 to 0x80000 are 262144"
    );
    let image = format!("image {}", Pin::sha256(&base()));
    assert_eq!(
        refusal(&format!("{PART_FILE}at = 0x7_E001")),
        format!("r.toml, line 3, [[place]]: 0x7e001 to 0x80001 is no range inside {image}, which ends at 0x80000")
    );
    let far = refusal(&format!("{PART_FILE}at = 0xFFFF_FFFF"));
    assert!(far.contains("0xffffffff to 0xffffffff is no range inside"), "{far}");
    assert_eq!(
        refusal("[[keep]]\nat = 0x7_FFFF\nlen = 2"),
        "r.toml, line 3, [[keep]]: 0x7ffff to 0x80001 is no range inside the present capture, which ends at 0x80000"
    );
    assert_eq!(
        refusal(&format!("{PART_FILE}from_at = 0x1000\nfrom_len = 0x1001\nat = 0")),
        "r.toml, line 3, [[place]]: 0x1000 to 0x2001 is no range inside file `part.bin`, which ends at 0x2000"
    );
}

#[test]
fn s8_the_base_has_the_size_of_the_present_capture() {
    let keep = "[[keep]]\nregion = \"network\"";
    let error = run(&base(), &present()[..0x4_0000], &[], keep, Address::None).unwrap_err();
    let ComposeError::PresentSize { present, base, .. } = error else { panic!("{error}") };
    assert_eq!((present, base), (0x4_0000, 0x8_0000));
}

#[test]
fn a_region_moves_with_its_name_when_the_two_maps_differ() {
    let map = [
        (RegionKind::Descriptor, 0..0x1000),
        (RegionKind::NetworkNvm, 0x2_0000..0x2_2000),
        (RegionKind::Management, 0x3000..0x4000),
    ];
    let mut other = descriptor(&map, SIZE).unwrap();
    other.resize(0x2_0000, 0xDD);
    other.extend(network_nvm(OWN, 9));
    other.resize(SIZE as usize, 0xDD);
    let composed = run(&base(), &other, &[], "[[keep]]\nregion = \"network\"", Address::None).unwrap();
    assert!(composed.bytes == base_with(0x1000, &network_nvm(OWN, 9)));
    assert_eq!(composed.steps[1].from, Some(0x2_0000..0x2_2000));
    let error = run(&base(), &other, &[], "[[keep]]\nregion = \"management\"", Address::None).unwrap_err();
    assert!(matches!(error, ComposeError::Misfit { from: Range { start: 0x3000, end: 0x4000 }, .. }), "{error}");
}

#[test]
fn writes_to_one_byte_are_refused_and_both_are_named() {
    let keep = "[[keep]]\nregion = \"management\"\n";
    assert!(on_base(&format!("{keep}[[fill]]\nbyte = 0\nat = 0x5000\nlen = 1")).is_ok());
    assert!(on_base(&format!("{keep}[[fill]]\nbyte = 0\nat = 0x2FFF\nlen = 1")).is_ok());
    assert_eq!(
        refusal(&format!("{keep}[[fill]]\nbyte = 0\nat = 0x4FFF\nlen = 1")),
        "r.toml, line 5, [[fill]] writes 0x4fff to 0x5000, and r.toml, line 3, [[keep]] writes 0x3000 to 0x5000"
    );
    assert_eq!(
        refusal(&format!("{keep}{PART_FILE}at = 0x1001")),
        "r.toml, line 3, [[keep]] writes 0x3000 to 0x5000, and r.toml, line 5, [[place]] writes 0x1001 to 0x3001"
    );
    assert!(matches!(on_base(&keep.repeat(2)), Err(ComposeError::Overlap { .. })));
}

#[test]
fn contents_that_are_missing_or_not_the_pinned_ones_are_refused() {
    let base = base();
    let recipe = recipe(&base, "[[keep]]\nregion = \"network\"");
    let image = SourceRef::Image(Pin::sha256(&base));
    let error = compose(&recipe, &Sources::new().with(image.clone(), &base), Address::None).unwrap_err();
    assert_eq!(error.to_string(), "r.toml, line 3, [[keep]]: the present capture was not given");
    let mut other = base.clone();
    other[0x5_0000] ^= 1;
    let error = compose(&recipe, &Sources::new().with(image.clone(), &other), Address::None).unwrap_err();
    let (found, pinned) = (Pin::sha256(&other), Pin::sha256(&base));
    assert_eq!(
        error.to_string(),
        format!("r.toml, line 1, [base]: image {pinned} is {found}, and the recipe asks for {pinned}")
    );
    let error = compose(&recipe, &Sources::new().with(image, &[]), Address::None).unwrap_err();
    assert!(matches!(error, ComposeError::Size { len: 0, .. }), "{error}");
}

#[test]
fn a_content_without_a_descriptor_has_the_map_of_the_profile_and_a_broken_one_has_none() {
    let (base, present) = (vec![0xBB; 0x3000], vec![0xCC; 0x3000]);
    let recipe = recipe(&base, "[[keep]]\nregion = \"calibration\"");
    let sources = || {
        let sources = Sources::new().with(SourceRef::Image(Pin::sha256(&base)), &base);
        sources.with(SourceRef::Present, &present)
    };
    let map = |range| vec![NamedRange { name: "calibration".into(), range }];
    let composed = compose(&recipe, &sources().with_map(map(0x2000..0x3000)), Address::None).unwrap();
    assert_eq!(composed.bytes, [vec![0xBB; 0x2000], vec![0xCC; 0x1000]].concat());
    assert_eq!(composed.findings, []);
    for wrong in [0x2000..0x3001, 0x2000..0x2000, Range { start: 0x2000, end: 0x1000 }] {
        let error = compose(&recipe, &sources().with_map(map(wrong)), Address::None).unwrap_err();
        assert!(matches!(error, ComposeError::Beyond { .. }), "{error}");
    }
    let error = compose(&recipe, &sources(), Address::None).unwrap_err();
    let no_signature = DescriptorError::NoSignature { found: [0xCC; 4] };
    assert!(matches!(&error, ComposeError::NoMap { source, .. } if *source == no_signature), "{error:?}");

    // Its own map puts two regions on one byte: no other map is a way round that.
    let mut broken = self::base();
    broken[0x44..0x48].copy_from_slice(&0x0002_0001_u32.to_le_bytes());
    let recipe = self::recipe(&broken, "[[fill]]\nbyte = 0\nregion = \"calibration\"");
    let sources = Sources::new().with(SourceRef::Image(Pin::sha256(&broken)), &broken).with_map(map(0..16));
    let error = compose(&recipe, &sources, Address::None).unwrap_err();
    assert!(matches!(error, ComposeError::NoMap { source: DescriptorError::Overlap { .. }, .. }), "{error:?}");
    assert_eq!(
        refusal("[[keep]]\nregion = \"platform\""),
        "r.toml, line 3, [[keep]]: there is no region `platform` in the present capture; \
         there are descriptor, firmware, management, network"
    );
}

#[test]
fn the_address_is_carried_or_given_or_drawn() {
    let drawn = Mac::drawn(5);
    let given: Mac = "00:00:5e:00:53:77".parse().unwrap();
    let with = |rule: &str, address| run(&base(), &present(), &[], &format!("[mac]\naddress = {rule}"), address);
    for (rule, address, mac) in [
        ("\"carried\"", Address::None, OWN),
        ("\"carried\"", Address::Drawn(drawn), OWN),
        ("\"given\"\nvalue = \"00:00:5e:00:53:77\"", Address::None, given),
        ("\"given\"", Address::Given(given), given),
        ("\"drawn\"", Address::Drawn(drawn), drawn),
    ] {
        let composed = with(rule, address).unwrap();
        assert!(composed.bytes == base_with(0x1000, &network_nvm(mac, 7)), "{rule}");
        assert_eq!((composed.mac, composed.findings.len()), (Some(mac), 0));
        let step = &composed.steps[1];
        assert_eq!((step.done, &step.to), (Done::Address { banks: [true; 2] }, &(0x1000..0x3000)));
        assert!(!step.to_string().contains(&mac.to_string()), "{step}");
    }
    let error = with("\"drawn\"", Address::None).unwrap_err();
    assert_eq!(error.to_string(), "r.toml, line 3, [mac]: no address was drawn for this machine");
    let error = with("\"given\"", Address::Drawn(drawn)).unwrap_err();
    assert_eq!(error.to_string(), "r.toml, line 3, [mac]: no address was given for this machine");
    let error = with("\"given\"", Address::Given(Mac([1, 0, 0, 0, 0, 1]))).unwrap_err();
    assert!(matches!(error, ComposeError::GivenAmiss { source: UnfitMac::Group, .. }), "{error}");
    for amiss in [OWN, Mac([3, 0, 0, 0, 0, 1]), Mac([0xFF; 6])] {
        let error = with("\"drawn\"", Address::Drawn(amiss)).unwrap_err();
        assert!(matches!(error, ComposeError::DrawnAmiss { .. }), "{error}");
    }
}

#[test]
fn an_address_that_cannot_be_carried_is_refused_with_its_reason() {
    let carried = |present: &[u8]| match run(&base(), present, &[], "[mac]\naddress = \"carried\"", Address::None) {
        Err(ComposeError::NothingToCarry { source, .. }) => source,
        other => panic!("{other:?}"),
    };
    let mut blank = present();
    blank[0x1000..0x3000].fill(0xFF);
    assert_eq!(carried(&blank), Some(NvmError::NoValidBank));
    let mut damaged = present();
    damaged[0x1020] ^= 1;
    assert_eq!(carried(&damaged), Some(NvmError::SumFails { bank: 0 }));
    assert_eq!(carried(&chip(Mac([0xFF; 6]), 0)), None);
    assert_eq!(carried(&chip(Mac([1; 6]), 0)), Some(NvmError::Unfit(UnfitMac::Group)));

    let mut no_nvm = base();
    no_nvm[0x1000..0x3000].fill(0xFF);
    let error = run(&no_nvm, &present(), &[], "[mac]\naddress = \"carried\"", Address::None).unwrap_err();
    assert!(matches!(error, ComposeError::AddressAmiss { source: NvmError::NoValidBank, .. }), "{error}");
    let error = on_base("[mac]\naddress = \"carried\"\nregion = \"lan\"").unwrap_err();
    assert!(matches!(error, ComposeError::NoRegion { .. }), "{error}");
}

/// What was kept or placed is what gets the address.
#[test]
fn the_address_comes_after_all_writes() {
    let keep = "[[keep]]\nregion = \"network\"\n[mac]\naddress = \"drawn\"";
    let mut machine = present();
    machine[0x1000..0x3000].copy_from_slice(&network_nvm(OWN, 99));
    let composed = run(&base(), &machine, &[], keep, Address::Drawn(Mac::drawn(5))).unwrap();
    assert!(composed.bytes == base_with(0x1000, &network_nvm(Mac::drawn(5), 99)));
}

#[test]
fn findings_say_what_a_recipe_may_overlook() {
    let codes = |base: &[u8], more: &str| -> Vec<(Severity, &'static str, u32)> {
        let recipe = recipe(base, more);
        let present = present();
        let image = SourceRef::Image(Pin::sha256(base));
        let sources = Sources::new().with(image, base).with(SourceRef::Present, &present);
        let composed = compose(&recipe, &sources, Address::None).unwrap();
        composed.findings.iter().map(|finding| (finding.severity, finding.code, finding.at)).collect()
    };
    let carried = "[mac]\naddress = \"carried\"";
    assert_eq!(codes(&base(), carried), []);
    assert_eq!(codes(&base(), ""), [(Severity::Warn, "other-address", 0x1000)]);
    assert_eq!(codes(&present(), ""), []);
    let changed = |at: usize, bytes: &[u8]| base_with(at, bytes);
    assert_eq!(codes(&changed(0x2000, &[0xFF; 0x1000]), carried), [(Severity::Note, "nvm-bank-blank", 0x2000)]);
    assert_eq!(codes(&changed(0x2020, &[1, 2, 3]), carried), [(Severity::Warn, "nvm-bank-left", 0x2000)]);
    assert_eq!(codes(&changed(0x107E, &[0xFF, 0xFF]), carried), [(Severity::Note, "nvm-no-sum", 0x1000)]);
    let mut pointing = chip(PLACEHOLDER_MAC, 0xBB);
    pointing[0x106E..0x1070].copy_from_slice(&[0x40, 0]);
    pointing[0x107E..0x1080].fill(0xFF);
    let told = codes(&pointing, carried);
    assert_eq!(told[1], (Severity::Warn, "nvm-alternate-address", 0x1000), "{told:?}");
    let fill = format!("{carried}\n[fill]\nbyte = 0xFF\nat = 0x48\nlen = 4");
    assert_eq!(codes(&base(), &fill), [(Severity::Warn, "map-changed", 0)]);
}

#[test]
fn requirements_hold_or_say_why_not() {
    let holds = |more: &str| assert!(on_base(&format!("[[require]]\n{more}")).is_ok(), "{more}");
    let fails = |more: &str, why: &str| {
        assert_eq!(refusal(&format!("[[require]]\n{more}")), format!("r.toml, line 3, [[require]]: {why}"));
    };
    holds("size = 0x8_0000");
    fails("size = 0x10_0000", "the image has 524288 bytes, not 1048576");
    holds("is = \"blank\"\nat = 0x1080\nlen = 0xF80");
    fails("is = \"blank\"\nregion = \"network\"", "0x1000 to 0x3000 are not blank, first at 0x1000");
    holds("is = \"not-blank\"\nregion = \"management\"");
    fails("is = \"not-blank\"\nat = 0x1080\nlen = 0xF80", "0x1080 to 0x2000 are blank");
    holds("is = \"as-present\"\nregion = \"descriptor\"");
    fails(
        "is = \"as-present\"\nregion = \"management\"",
        "0x3000 to 0x5000 differ from the present capture in 8192 bytes, first at 0x3000",
    );
    holds("is = \"as-base\"\nregion = \"firmware\"");
    let filled = "[fill]\nbyte = 1\nat = 0x5_0000\nlen = 2\n[[require]]\nis = \"as-base\"\nregion = \"firmware\"";
    assert_eq!(
        refusal(filled),
        "r.toml, line 7, [[require]]: 0x40000 to 0x80000 differ from the base in 2 bytes, first at 0x50000"
    );
    holds("bytes = \"5aa5f00f\"\nat = 0x10");
    fails("bytes = \"5aa5f00f\"\nat = 0x11", "other bytes stand at 0x11");
    let hash = |bytes: &[u8]| Pin::sha256(bytes).digits();
    holds(&format!("sha256 = \"{}\"", hash(&base())));
    holds(&format!("sha256 = \"{}\"\nregion = \"management\"", hash(&[0xBB; 0x2000])));
    let (found, wanted) = (Pin::blake3(&[0xBB; 16]), Pin::blake3(b"x"));
    fails(
        &format!("blake3 = \"{}\"\nat = 0x3000\nlen = 16", wanted.digits()),
        &format!("0x3000 to 0x3010 are {found}, not {wanted}"),
    );
    holds("nvm = \"sum-holds\"");
    holds("mac = \"local\"");
    fails("mac = \"universal\"", "the address is not one that a maker gave");
    fails("mac = \"as-present\"", "the address is not that of the present capture");
    let carried = "[mac]\naddress = \"carried\"\n[[require]]\nmac = ";
    assert!(on_base(&format!("{carried}\"as-present\"")).is_ok());
    assert!(on_base(&format!("{carried}\"universal\"")).is_ok());
    assert_eq!(
        refusal(&format!("{carried}\"local\"")),
        "r.toml, line 5, [[require]]: the address is not a locally administered one"
    );
}

#[test]
fn a_network_nvm_without_sum_bank_or_address_meets_no_requirement() {
    let why = |base: &[u8], more: &str| match run(base, &present(), &[], &format!("[[require]]\n{more}"), Address::None)
    {
        Err(ComposeError::Unmet(unmet)) => unmet[0].why.clone(),
        other => panic!("{more}: {other:?}"),
    };
    let sum = "nvm = \"sum-holds\"";
    let in_force = "of the network NVM, which is the one in force,";
    assert_eq!(why(&base_with(0x1020, &[1, 2, 3]), sum), format!("bank 0 {in_force} does not add up"));
    assert_eq!(why(&base_with(0x107E, &[0xFF; 2]), sum), format!("bank 0 {in_force} has no checksum"));
    assert_eq!(why(&base_with(0x1000, &[0xFF; 0x2000]), sum), "neither bank of the network NVM is marked valid");
    let none = "the network NVM at 0x1000 to 0x3000 has no address";
    for mac in ["local", "universal", "as-present"] {
        assert_eq!(why(&base_with(0x1000, &[0xFF; 0x2000]), &format!("mac = \"{mac}\"")), none);
    }
    let descriptor = why(&base(), "nvm = \"sum-holds\"\nregion = \"descriptor\"");
    assert_eq!(descriptor, "neither bank of the network NVM is marked valid");
}

#[test]
fn all_requirements_that_fail_are_told_and_a_place_that_is_not_there_is_a_mistake() {
    let two = "[[require]]\nsize = 1\n[[require]]\nmac = \"local\"\n[[require]]\nsize = 2";
    let Err(ComposeError::Unmet(unmet)) = on_base(two) else { panic!("two sizes at once") };
    assert_eq!(unmet.iter().map(|unmet| unmet.place.line).collect::<Vec<_>>(), [3, 7]);
    let missing = on_base("[[require]]\nis = \"blank\"\nregion = \"platform\"").unwrap_err();
    assert!(matches!(missing, ComposeError::NoRegion { .. }), "{missing}");
    let beyond = on_base("[[require]]\nbytes = \"0000\"\nat = 0x7_FFFF").unwrap_err();
    assert!(matches!(beyond, ComposeError::Beyond { .. }), "{beyond}");
}

/// Structures are named in both contents: what is kept goes where the base has it, and what is packed can be placed unpacked.
#[test]
fn structures_are_kept_and_placed_by_their_selectors() {
    let by = |rules: &str| run(&base(), &present(), &[], rules, Address::None);
    let composed = by("[[keep]]\nselect = \"/region:network\"").unwrap();
    assert!(composed.bytes == base_with(0x1000, &present()[0x1000..0x3000]));
    assert_eq!(composed.steps[1].to, 0x1000..0x3000);
    let composed =
        by("[[place]]\ncapture = \"present\"\nfrom_select = \"/region:network\"\nselect = \"/region:network\"")
            .unwrap();
    assert!(composed.bytes == base_with(0x1000, &present()[0x1000..0x3000]));
    let error = by("[[keep]]\nselect = \"/region:netwrok\"").unwrap_err();
    assert!(matches!(error, ComposeError::NoStructure { .. }), "{error}");
    assert!(error.to_string().starts_with("r.toml, line 3, [[keep]]: of "), "{error}");
    let error =
        by("[[place]]\ncapture = \"present\"\nfrom_select = \"/region:network\"\nselect = \"/region:descriptor\"")
            .unwrap_err();
    assert!(matches!(error, ComposeError::Misfit { .. }), "{error}");
    let composed = by("[[require]]\nselect = \"/region:descriptor\"\nis = \"as-base\"").unwrap();
    assert_eq!(composed.steps.len(), 1);
}
