use super::*;
use crate::descriptor::{RegionKind, descriptor};
use crate::explain::tests::{microcode as update, put, volume};
use crate::nvm;
use crate::scenario::{LARKSPUR_MAC, larkspur_main};

const CHIP: u32 = 512 << 10;

/// A stock image of 512 KiB: descriptor, network NVM, firmware with an update and a first jump.
fn stock() -> Vec<u8> {
    let map = [
        (RegionKind::Descriptor, 0..0x1000),
        (RegionKind::NetworkNvm, 0x1000..0x3000),
        (RegionKind::SystemFirmware, 0x4_0000..CHIP),
    ];
    let mut image = descriptor(&map, CHIP).unwrap();
    image.resize(CHIP as usize, 0xFF);
    put(&mut image, 0x1000, &nvm::network_nvm(LARKSPUR_MAC, 3));
    put(&mut image, 0x4_0000, &volume(8192, &[]));
    put(&mut image, 0x5_0000, &update(0x906EA, 2000));
    put(&mut image, CHIP as usize - 16, &[0x90, 0x90, 0xE9, 0x10, 0x00]);
    image
}

fn against(stock: &[u8]) -> Against<'_> {
    Against { chips: vec![u64::from(CHIP)], stock: Some(stock), ..Against::default() }
}

fn found(image: &[u8]) -> Vec<(Severity, &'static str)> {
    check(image, &against(&stock())).remarks.iter().map(|remark| (remark.severity, remark.code)).collect()
}

fn changed(change: impl Fn(&mut Vec<u8>)) -> Vec<(Severity, &'static str)> {
    let mut image = stock();
    change(&mut image);
    found(&image)
}

#[test]
fn the_stock_image_itself_fits() {
    let stock = stock();
    let checked = check(&stock, &against(&stock));
    assert_eq!(checked.remarks, []);
    let unknown = [Question::Fuses, Question::Identity, Question::Controller];
    for (question, answer) in &checked.answers {
        assert_eq!(*answer, (!unknown.contains(question)).then_some(true), "{question:?}");
    }
    let alone = check(&stock, &Against::default());
    let known = alone.answers.iter().filter(|(_, answer)| answer.is_some()).map(|(question, _)| *question);
    assert_eq!(known.collect::<Vec<_>>(), [Question::Sound, Question::Start, Question::Address]);
}

#[test]
fn each_thing_that_does_not_fit_is_said() {
    use Severity::{Bad, Note, Warn};
    assert_eq!(changed(|image| image.truncate(0x7_F000)).iter().filter(|it| it.1 == "size-differs").count(), 1);
    assert_eq!(changed(|image| image[0x30] = 1), [(Bad, "density-differs")]);
    assert!(changed(|image| image[..0x1000].fill(0xFF)).contains(&(Bad, "descriptor-missing")));
    assert_eq!(changed(|image| put(image, 0x80, &0xFFF0_0F00_u32.to_le_bytes())), [(Note, "access-differs")]);
    assert_eq!(changed(|image| put(image, 0x44, &0x007E_0040_u32.to_le_bytes()))[0].1, "start-blank");
    assert!(changed(|image| put(image, 0x44, &0x007F_0041_u32.to_le_bytes())).contains(&(Warn, "region-moved")));
    assert!(changed(|image| put(image, 0x4C, &0x0000_7FFF_u32.to_le_bytes())).contains(&(Bad, "region-missing")));
    let blank = changed(|image| image[0x1000..0x3000].fill(0xFF));
    assert!(blank.contains(&(Bad, "region-blank")) && blank.contains(&(Bad, "address-lost")), "{blank:?}");
    assert_eq!(changed(|image| image[CHIP as usize - 16..].fill(0xFF)), [(Bad, "start-blank")]);
    assert_eq!(changed(|image| image[CHIP as usize - 14] = 0x33), [(Warn, "start-odd")]);
    assert_eq!(changed(|image| image[0x5_0000..0x5_1000].fill(0xFF)), [(Warn, "microcode-missing")]);
    let mac = |mac: Mac| changed(move |image| assert!(nvm::set_address(&mut image[0x1000..0x3000], mac).is_ok()));
    assert_eq!(mac(Mac::drawn(9)), [(Note, "address-foreign")]);
    assert_eq!(mac(Mac([0, 0, 0x5E, 0, 0x53, 1])), [(Bad, "address-foreign")]);
    assert_eq!(changed(|image| image[0x4_0004] ^= 1), [(Bad, "volume-header-sum")]);
}

#[test]
fn an_image_without_any_check_is_not_called_sound() {
    for image in [&[][..], &[0xFF; 8192], b"no image at all"] {
        assert!(check(image, &Against::default()).answers.contains(&(Question::Sound, None)));
    }
}

#[test]
fn damage_that_the_stock_image_has_too_is_no_news() {
    let mut stock = stock();
    stock[0x4_0004] ^= 1;
    let checked = check(&stock, &against(&stock));
    assert!(checked.holds());
    assert_eq!(checked.remarks[0].severity, Severity::Note);
}

/// S16: manifests of keys and boot policy do not say whether the fuses are blown.
#[test]
fn s16_manifests_may_mean_fuses_and_the_image_cannot_tell() {
    let mut fused = stock();
    let address = |at: u64| ((1_u64 << 32) - u64::from(CHIP) + at).to_le_bytes();
    let mut table = [0; 32];
    put(&mut table, 0, b"_FIT_   ");
    table[8] = 2;
    put(&mut table, 16, &address(0x6_0000));
    table[30] = 0x0C;
    put(&mut fused, 0x5_8000, &table);
    put(&mut fused, CHIP as usize - 0x40, &address(0x5_8000)[..4]);
    let checked = check(&stock(), &against(&fused));
    let remark = checked.remarks.iter().find(|remark| remark.code == "may-be-fused").unwrap();
    assert!(remark.message.contains("may be fused, the image cannot tell"), "{}", remark.message);
    assert!(checked.answers.contains(&(Question::Fuses, Some(false))));
}

/// S15: what is lost is told by name, never by value.
#[test]
fn s15_lost_identity_is_named_and_not_shown() {
    let mut stock = stock();
    let mut table = [0x41_u8; 85];
    put(&mut table, 0, b"MSDM");
    put(&mut table, 4, &85_u32.to_le_bytes());
    put(&mut table, 56, b"SECRET-KEY");
    table[9] = 0;
    table[9] = table.iter().fold(0_u8, |sum, byte| sum.wrapping_add(*byte)).wrapping_neg();
    put(&mut stock, 0x6_0000, &table);
    let checked = check(&self::stock(), &against(&stock));
    let [remark] = &checked.remarks[..] else { panic!("{:?}", checked.remarks) };
    assert_eq!((remark.code, remark.severity), ("identity-lost", Severity::Warn));
    assert!(remark.message.contains("MSDM") && !format!("{checked:?}").contains("SECRET"));
    let foreign = stock.clone();
    assert!(check(&foreign, &against(&stock)).remarks.is_empty());
    let address = format!("{LARKSPUR_MAC}");
    let lost = check(&stock[..0x1000], &against(&stock));
    assert!(!format!("{lost:?}").contains(&address), "no address in a remark");
}

#[test]
fn json_meets_the_schema() {
    let schema = include_str!("../../../../docs/schemas/image-check.json");
    let validator = jsonschema::validator_for(&serde_json::from_str(schema).unwrap()).unwrap();
    let stock = larkspur_main(1, LARKSPUR_MAC);
    for image in [&stock[..], &stock[..4096]] {
        let against = Against { chips: vec![16 << 20], stock: Some(&stock), ..Against::default() };
        let value = serde_json::to_value(check(image, &against)).unwrap();
        let errors: Vec<String> = validator.iter_errors(&value).map(|error| error.to_string()).collect();
        assert!(errors.is_empty(), "{errors:#?}");
    }
}
