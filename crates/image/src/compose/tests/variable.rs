//! Variables that are kept: what a machine is called goes into the new firmware's own store.

use super::*;
use crate::build::guid::{GLOBAL_VARIABLE, Guid, guid};
use crate::build::variables::{KEPT_FOR_BOOT, Store, TIME_AUTHENTICATED, Variable, state};
use crate::check::{Against, Question, check};
use crate::explain::{Kind, Node, explain};

const VENDOR: Guid = guid("5e77a9c2-0f3d-4b61-9d52-1a2b8c4e7701");
const OTHER: Guid = guid("11111111-0f3d-4b61-9d52-1a2b8c4e7701");
const SERIAL: &str = "[[keep]]\nvariable = \"SerialNumber\"\n";

fn serial(data: &[u8]) -> Variable {
    Variable::new("SerialNumber", VENDOR, data).attributes(KEPT_FOR_BOOT)
}

/// A chip with the store in the firmware region.
fn with_store(mut chip: Vec<u8>, store: &Store) -> Vec<u8> {
    chip[0x4_0000..0x8_0000].fill(0xFF);
    let volume = store.volume(0x8000).unwrap();
    chip[0x4_0000..0x4_8000].copy_from_slice(&volume);
    chip
}

fn keep(base: &Store, present: &Store, more: &str) -> Result<Composed, ComposeError> {
    run(&with_store(self::base(), base), &with_store(chip(PLACEHOLDER_MAC, 0xCC), present), &[], more, Address::None)
}

/// Every variable of an image: name, state, attributes, and the hash of the data.
fn variables(image: &[u8]) -> Vec<(String, &'static str, u32, [u8; 32])> {
    let explanation = explain(image);
    assert!(explanation.findings.is_empty(), "{:?}", explanation.findings);
    let found = explanation.nodes().map(|(_, node)| node).filter(|node| node.kind == Kind::Variable);
    let told = |node: &Node| {
        let name = node.name.as_deref().unwrap().to_owned();
        (name, node.state.unwrap(), node.number.unwrap(), node.content_sha256)
    };
    found.map(told).collect()
}

fn sha(data: &[u8]) -> [u8; 32] {
    let Pin::Sha256(digest) = Pin::sha256(data) else { unreachable!() };
    digest
}

/// The builder writes the same store by itself: kept variables stand where firmware would have written them, in both formats
/// and from each into the other.
#[test]
fn a_variable_is_kept_behind_the_last_one_of_the_base_in_its_own_format() {
    let boot = || Variable::new("BootOrder", GLOBAL_VARIABLE, &[1, 0, 2]);
    let tag = || Variable::new("AssetTag", VENDOR, b"T-1");
    let kept = "[[keep]]\nvariable = \"AssetTag\"\n[[keep]]\nvariable = \"SerialNumber\"\nvendor = \"5e77a9c2-0f3d-4b61-9d52-1a2b8c4e7701\"\n";
    for from in [Store::plain(0x2000), Store::authenticated(0x2000)] {
        for to in [Store::plain(0x1800), Store::authenticated(0x1800)] {
            let present =
                from.clone().variable(serial(b"old").state(state::DELETED)).variable(serial(b"LN9-1")).variable(tag());
            let composed = keep(&to.clone().variable(boot()), &present, kept).unwrap();
            let wanted = to.variable(boot()).variable(tag()).variable(serial(b"LN9-1"));
            assert!(composed.bytes == with_store(base(), &wanted));
            assert!(composed.findings.is_empty() && composed.steps.len() == 3);
            assert!(composed.steps[1].to_string().contains("a variable kept at 0x4"), "{}", composed.steps[1]);
        }
    }
}

/// A store with authentication has time stamps, and a variable that needs them keeps its own.
#[test]
fn a_time_stamp_goes_along_and_an_authenticated_variable_never_loses_it() {
    let stamped = || serial(b"LN9-1").attributes(KEPT_FOR_BOOT | TIME_AUTHENTICATED).time(2024, 5, 6);
    let present = Store::authenticated(0x2000).variable(stamped());
    let composed = keep(&Store::authenticated(0x2000), &present, SERIAL).unwrap();
    assert!(composed.bytes == with_store(base(), &Store::authenticated(0x2000).variable(stamped())));
    for (to, from) in
        [(Store::plain(0x2000), present), (Store::authenticated(0x2000), Store::plain(0x2000).variable(stamped()))]
    {
        let error = keep(&to, &from, SERIAL).unwrap_err();
        let ComposeError::Variable { source, .. } = &error else { panic!("{error}") };
        assert_eq!(**source, VariableError::Authentication);
    }
}

#[test]
fn one_of_the_same_name_in_the_base_is_deleted() {
    let base =
        Store::authenticated(0x2000).variable(serial(b"placeholder")).variable(Variable::new("Timeout", VENDOR, &[1]));
    let composed = keep(&base, &Store::authenticated(0x2000).variable(serial(b"LN9-1")), SERIAL).unwrap();
    let found = variables(&composed.bytes);
    let states: Vec<(&str, &str)> = found.iter().map(|it| (it.0.as_str(), it.1)).collect();
    assert_eq!(states, [("SerialNumber", "deleted"), ("Timeout", "added"), ("SerialNumber", "added")]);
    assert_eq!((found[2].2, found[2].3), (KEPT_FOR_BOOT, sha(b"LN9-1")));
    let done: Vec<Done> = composed.steps.iter().map(|step| step.done).collect();
    assert_eq!(done, [Done::Base, Done::Deleted, Done::Variable]);
}

/// A write that was cut off: the old one is still live. With a whole successor, that one is.
#[test]
fn of_a_variable_in_transition_the_live_one_is_kept() {
    let old = || serial(b"old").state(state::IN_TRANSITION);
    let torn = Store::plain(0x2000).variable(old()).variable(serial(b"new").state(state::HEADER_ONLY));
    let done = Store::plain(0x2000).variable(old()).variable(serial(b"new"));
    for (present, wanted) in [(torn, b"old"), (done, b"new")] {
        let composed = keep(&Store::plain(0x2000), &present, SERIAL).unwrap();
        assert!(composed.bytes == with_store(base(), &Store::plain(0x2000).variable(serial(wanted))));
    }
}

#[test]
fn what_cannot_be_kept_is_said() {
    let empty = || Store::plain(0x2000);
    let own = || empty().variable(serial(b"LN9-1"));
    let refused = |result: Result<Composed, ComposeError>| match result {
        Err(error @ ComposeError::Variable { .. }) => {
            assert!(!error.remedy().is_empty());
            assert_eq!(error.to_string(), "r.toml, line 3, [[keep]]: the variable cannot be kept");
            let ComposeError::Variable { source, .. } = error else { unreachable!() };
            *source
        }
        other => panic!("{other:?}"),
    };
    let name = || "SerialNumber".to_owned();
    assert_eq!(refused(keep(&empty(), &empty(), SERIAL)), VariableError::NotThere { name: name() });
    let deleted = empty().variable(serial(b"x").state(state::DELETED_AT_ONCE));
    assert_eq!(refused(keep(&empty(), &deleted, SERIAL)), VariableError::NotThere { name: name() });
    let two = own().variable(Variable::new("SerialNumber", OTHER, &[1]));
    let Some(VariableError::Several { vendors, .. }) = Some(refused(keep(&empty(), &two, SERIAL))) else { panic!() };
    assert_eq!(vendors.len(), 2);
    assert!(keep(&empty(), &two, &format!("{SERIAL}vendor = \"11111111-0f3d-4b61-9d52-1a2b8c4e7701\"")).is_ok());
    let stock = with_store(present(), &own());
    assert_eq!(refused(run(&base(), &stock, &[], SERIAL, Address::None)), VariableError::Stores { count: 0 });
    let full = Store::plain(100).variable(Variable::new("A", VENDOR, &[0; 30]));
    assert!(matches!(refused(keep(&full, &own(), SERIAL)), VariableError::Full { need: 63, left: 4 }));
    let fill = format!("[[fill]]\nbyte = 0\nregion = \"firmware\"\n{SERIAL}");
    assert!(matches!(keep(&empty(), &own(), &fill), Err(ComposeError::Overlap { .. })));
    let text = format!("{:?}", keep(&full, &own(), SERIAL));
    assert!(!text.contains("LN9"), "S15: {text}");
}

#[test]
fn a_machine_without_an_optional_variable_gets_the_image_and_a_note() {
    let optional = format!("{SERIAL}optional = true");
    let composed = keep(&Store::plain(0x2000), &Store::plain(0x2000), &optional).unwrap();
    assert!(composed.bytes == with_store(base(), &Store::plain(0x2000)));
    let [finding] = &composed.findings[..] else { panic!("{:?}", composed.findings) };
    assert_eq!((finding.severity, finding.code), (Severity::Note, "variable-absent"));
}

/// What the example's recipe makes loses nothing that tells the machine.
#[test]
fn the_scenarios_image_passes_the_check_with_its_identity() {
    let stock = larkspur_main(7, LARKSPUR_MAC);
    let image = meadowlark_completed(7, LARKSPUR_MAC);
    let against = Against { chips: vec![16 << 20], stock: Some(&stock), ..Against::default() };
    let checked = check(&image, &against);
    assert_eq!(checked.remarks, []);
    assert!(checked.answers.contains(&(Question::Identity, Some(true))));
    let published = check(&meadowlark_main(7, LARKSPUR_MAC), &against);
    assert_eq!(published.remarks.iter().filter(|it| it.code == "identity-lost").count(), 2);
}
