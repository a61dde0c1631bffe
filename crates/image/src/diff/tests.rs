use super::*;
use crate::explain::tests::{driver, guided, lzma, section, volume};

fn packed(files: &[Vec<u8>]) -> Vec<u8> {
    let lzma_guid = "ee4e5898-3914-4259-9d6e-dc7bd79403cf".parse().unwrap();
    let inner = guided(lzma_guid, &[], 1, &lzma(&section(0x17, &volume(8192, files))));
    volume(8192, &[crate::explain::tests::file(9, 0x0B, &inner)])
}

/// Outcomes in the order of the answer, with names and depth.
fn told(diff: &Diff) -> Vec<(usize, &'static str, Kind, Option<&str>)> {
    fn add<'d>(changes: &'d [Change], depth: usize, told: &mut Vec<(usize, &'static str, Kind, Option<&'d str>)>) {
        for change in changes {
            told.push((depth, change.outcome.name(), change.kind, change.name.as_deref()));
            add(&change.children, depth + 1, told);
        }
    }
    let mut all = Vec::new();
    add(&diff.structures, 0, &mut all);
    all
}

#[test]
fn equal_images_have_no_changes() {
    let image = packed(&[driver(1, "One")]);
    let diff = diff(&image, &image);
    assert!(diff.is_same() && diff.structures.is_empty() && diff.sectors.ranges.is_empty());
    assert_eq!((diff.counts.same, diff.sectors.same), (1, 2));
}

#[test]
fn files_are_added_removed_moved_and_changed_by_section() {
    let a = volume(8192, &[driver(1, "One"), driver(2, "Two"), driver(3, "Three")]);
    let mut two = driver(2, "Two");
    two[24 + 4 + 200] ^= 1;
    let b = volume(8192, &[driver(4, "Four"), driver(1, "One"), two]);
    let diff = diff(&a, &b);
    assert_eq!(
        told(&diff),
        [
            (0, "changed", Kind::PiVolume, None),
            (1, "moved", Kind::PiFile, Some("One")),
            (1, "changed", Kind::PiFile, Some("Two")),
            (2, "changed", Kind::PiSection, None),
            (1, "removed", Kind::PiFile, Some("Three")),
            (1, "added", Kind::PiFile, Some("Four")),
        ]
    );
    assert_eq!(diff.counts, Counts { added: 1, removed: 1, changed: 3, moved: 1, same: 2 });
}

#[test]
fn what_is_packed_is_compared_unpacked() {
    let diff = diff(&packed(&[driver(1, "One")]), &packed(&[driver(1, "One"), driver(2, "Two")]));
    let told = told(&diff);
    let expected = (5, "added", Kind::PiFile, Some("Two"));
    assert_eq!(told.last(), Some(&expected), "{told:?}");
    assert!(!told.iter().any(|(_, _, _, name)| *name == Some("One")));
}

#[test]
fn a_volume_elsewhere_is_moved_and_what_is_in_it_is_not() {
    let one = volume(8192, &[driver(1, "One")]);
    let diff = diff(&[one.clone(), vec![0xFF; 8192]].concat(), &[vec![0xFF; 4096], one, vec![0xFF; 4096]].concat());
    assert_eq!(told(&diff), [(0, "moved", Kind::PiVolume, None)]);
}

#[test]
fn sectors_are_counted_and_merged() {
    let a = vec![7; 5 * SECTOR + 100];
    let mut b = a.clone();
    for at in [SECTOR, 2 * SECTOR + 5, 4 * SECTOR - 1] {
        b[at] ^= 1;
    }
    let ranges = |b: &[u8]| diff(&a, b).sectors;
    let sectors = ranges(&b);
    assert_eq!((sectors.same, sectors.differing), (3, 3));
    let merged = SECTOR as u64..4 * SECTOR as u64;
    assert_eq!((sectors.ranges.len(), &sectors.ranges[0]), (1, &merged));
    let end = a.len() as u64;
    assert_eq!(ranges(&a[..5 * SECTOR]).ranges[0], 5 * SECTOR as u64..end);
}

#[test]
fn json_and_text_say_the_same() {
    let schema = include_str!("../../../../docs/schemas/image-diff.json");
    let validator = jsonschema::validator_for(&serde_json::from_str(schema).unwrap()).unwrap();
    let diff = diff(&volume(8192, &[driver(1, "One")]), &volume(8192, &[driver(2, "Two")]));
    let value = serde_json::to_value(&diff).unwrap();
    let errors: Vec<String> = validator.iter_errors(&value).map(|error| error.to_string()).collect();
    assert!(errors.is_empty(), "{errors:#?}");
    let text = diff.render(80);
    assert!(text.lines().all(|line| line.chars().count() <= 80));
    assert!(text.contains("removed  pi-file One") && text.contains("added    pi-file Two"), "{text}");
}
