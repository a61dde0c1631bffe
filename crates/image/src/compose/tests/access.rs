//! The access bits of the descriptor: changed when a recipe says so, and never else.

use super::*;
use crate::descriptor::{AccessError, Layout, Master, access};

/// `bytes` with the access fields as a machine has them after its maker locked it: the processor writes its own regions alone.
fn locked(mut bytes: Vec<u8>) -> Vec<u8> {
    bytes[0x80..0x84].copy_from_slice(&0x00A0_0F00_u32.to_le_bytes());
    bytes[0x88..0x8C].copy_from_slice(&0x0080_0800_u32.to_le_bytes());
    bytes
}

fn on_locked(more: &str) -> Result<Composed, ComposeError> {
    run(&locked(base()), &locked(present()), &[], more, Address::None)
}

#[test]
fn without_the_table_the_bits_are_never_changed() {
    for more in
        ["", "[[keep]]\nregion = \"network\"", "[mac]\naddress = \"carried\"", "[[keep]]\nregion = \"descriptor\""]
    {
        let composed = on_locked(more).unwrap();
        assert!(composed.bytes[..0x1000] == locked(base())[..0x1000], "{more}");
        assert!(composed.findings.iter().all(|finding| !finding.code.starts_with("access")), "{more}");
        assert!(composed.steps.iter().all(|step| !matches!(step.done, Done::Access { .. })), "{more}");
    }
}

#[test]
fn rights_are_given_and_the_result_says_which_there_were() {
    let composed = on_locked("[access]\nprocessor = { read = \"all\", write = \"all\" }").unwrap();
    let mut wanted = locked(base());
    wanted[0x80..0x84].copy_from_slice(&0xFFFF_FF00_u32.to_le_bytes());
    assert!(composed.bytes == wanted);
    let [finding] = &composed.findings[..] else { panic!("{:?}", composed.findings) };
    assert_eq!((finding.severity, finding.code, finding.at), (Severity::Note, "access-changed", 0x80));
    let step = composed.steps.last().unwrap().to_string();
    for text in [&finding.message, &step] {
        let before = "before, read descriptor, firmware, management, network and write firmware, network";
        assert!(text.contains(before), "{text}");
        assert!(text.contains("the processor may read descriptor, firmware, management, network, platform, region-5"));
    }
    assert!(step.starts_with("r.toml, line 4, [access.processor]: access bits at 0x80 changed:"), "{step}");
    let again =
        run(&composed.bytes, &present(), &[], "[access]\nprocessor = { read = \"all\" }", Address::None).unwrap();
    assert!(again.bytes == composed.bytes && again.findings.is_empty());
    assert!(again.steps[1].to_string().contains("may do what it might before"), "{}", again.steps[1]);
}

#[test]
fn a_field_that_is_not_named_stays_and_rights_can_be_taken_away_loudly() {
    let composed = on_locked("[access]\nnetwork = { read = [] }\nprocessor = { write = [\"firmware\"] }").unwrap();
    let field = |master| access(&composed.bytes, master, None).unwrap().access;
    assert_eq!((field(Master::Network).read, field(Master::Network).write), (0, 0x008));
    assert_eq!((field(Master::Processor).read, field(Master::Processor).write), (0x00F, 0x002));
    let codes: Vec<(Severity, &str)> = composed.findings.iter().map(|it| (it.severity, it.code)).collect();
    let note = (Severity::Note, "access-changed");
    assert_eq!(codes, [note, (Severity::Warn, "access-shut"), note]);
    assert!(composed.findings[1].message.contains("can no longer write network;"), "{:?}", composed.findings[1]);
}

/// The bits of the result's own descriptor are changed, also when that was kept from the machine; what is required is looked at
/// after it.
#[test]
fn the_descriptor_that_was_kept_gets_the_rights() {
    let keep = "[[keep]]\nregion = \"descriptor\"\n[access.processor]\nwrite = \"all\"\n";
    let composed = on_locked(keep).unwrap();
    assert_eq!(composed.bytes[0x80..0x84], 0xFFF0_0F00_u32.to_le_bytes());
    let require = format!("{keep}[[require]]\nregion = \"descriptor\"\nis = \"as-present\"");
    assert!(matches!(on_locked(&require), Err(ComposeError::Unmet(_))));
}

#[test]
fn what_the_descriptor_cannot_say_is_refused_with_a_remedy() {
    let source = |more: &str| match on_locked(more) {
        Err(error @ ComposeError::Access { .. }) => {
            let ComposeError::Access { source, .. } = &error else { unreachable!() };
            (source.clone(), error.remedy())
        }
        other => panic!("{other:?}"),
    };
    let (said, found) = (Layout::EightRegions, Layout::TwelveRegions);
    let (error, remedy) = source("[access]\nlayout = \"eight-regions\"\nprocessor = { read = \"all\" }");
    assert_eq!(error, AccessError::LayoutDiffers { said, found });
    assert!(remedy.contains("`layout`"));
    let (error, _) = source("[access]\nmanagement = { read = \"all\" }");
    assert_eq!(error, AccessError::NoMaster { master: Master::Management });
    let mut none = base();
    none[..0x1000].fill(0xFF);
    let error = run(&none, &present(), &[], "[access.processor]\nread = \"all\"", Address::None).unwrap_err();
    assert_eq!(error.to_string(), "r.toml, line 3, [access.processor]: the rights cannot be given");
}
