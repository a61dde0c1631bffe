//! Volumes, files and sections.

use super::super::guid::{CRC32, FFS3, LZMA, NV_DATA, VOLUME_TOP};
use super::*;

#[test]
fn a_volume_reads_as_it_was_built() {
    let image = volume(16384, &[driver(1, "One"), driver(2, "Zwei"), file(3, 0x01, b"raw, no sections")]);
    let explanation = sound(&image);
    assert_eq!(codes(&explanation), Vec::<&str>::new());
    let [volume] = &explanation.structures[..] else { panic!("one volume") };
    assert_eq!((volume.kind, volume.size, volume.lead), (Kind::PiVolume, 16384, 0x48));
    let names: Vec<_> =
        volume.children.iter().map(|file| (file.kind, file.name.as_deref(), file.children.len())).collect();
    assert_eq!(
        names,
        [
            (Kind::PiFile, Some("One"), 3),
            (Kind::PiFile, Some("Zwei"), 3),
            (Kind::PiFile, None, 0),
            (Kind::Free, None, 0)
        ]
    );
    assert_eq!(volume.children[3].state, Some("erased"));
    assert_eq!(explanation.proof.covered, 0x48 + 3 * 24, "the headers' sums alone");
}

#[test]
fn erase_polarity_0_means_states_as_they_are_and_free_space_of_zeros() {
    let mut one = driver(1, "One");
    one[0x17] = 0x07;
    let explanation = sound(&volume_of(FFS2, 8192, 0, &[one]));
    assert_eq!(codes(&explanation), Vec::<&str>::new());
    let children = &explanation.structures[0].children;
    assert_eq!(children[0].state, Some("data-valid"));
    assert_eq!((children[1].kind, children[1].state), (Kind::Free, Some("erased")));
}

#[test]
fn a_large_file_has_a_head_of_32_bytes_under_its_sum() {
    let mut large = vec![0; 32];
    put(&mut large, 0, &[9; 16]);
    (large[0x12], large[0x13]) = (0x01, 0x01);
    put(&mut large, 0x18, &(32 + 5000_u64).to_le_bytes());
    seal_file(&mut large, 0xF8);
    large.extend([0x55; 5000]);
    let explanation = sound(&volume_of(FFS3, 8192, 0xFF, &[large.clone()]));
    assert_eq!(codes(&explanation), Vec::<&str>::new());
    let file = &explanation.structures[0].children[0];
    assert_eq!((file.size, file.lead, answer(file, "header-sum")), (5032, 32, Some(true)));
    assert_eq!(codes(&sound(&volume(8192, &[large]))), ["file-large"]);
}

#[test]
fn a_data_sum_covers_the_body_alone_and_the_fixed_value_covers_nothing() {
    let mut summed = file(1, 0x01, &[7; 100]);
    summed[0x13] = 0x40;
    seal_file(&mut summed, 0xF8);
    summed[0x11] = sum8(&summed[24..]).wrapping_neg();
    let explanation = sound(&volume(4096, &[summed.clone()]));
    let file = &explanation.structures[0].children[0];
    let check = file.checks.iter().find(|check| check.name == "data-sum").unwrap();
    assert_eq!((check.ok, check.at, check.len), (Some(true), 0x48 + 24, 100));
    summed[60] ^= 4;
    let explanation = sound(&volume(4096, &[summed]));
    assert_eq!(codes(&explanation), ["file-data-sum"]);
    assert_eq!(explanation.findings[0].at, 0x48 + 24);
}

/// The reference reader steps over such a file by its header, whatever the size says (EDK II `FwVol.c`).
#[test]
fn a_file_whose_header_never_became_valid_is_stepped_over_by_its_header() {
    for state in [!0x01_u8, !0x21, !0x23] {
        let mut torn = file(1, 0x07, &[0; 400]);
        torn.truncate(24);
        seal_file(&mut torn, state);
        let explanation = sound(&volume(8192, &[torn, driver(2, "Two")]));
        let children = &explanation.structures[0].children;
        assert_eq!((children[0].size, children[1].name.as_deref()), (24, Some("Two")), "state {state:#04x}");
        assert_eq!(codes(&explanation), ["file-unfinished"]);
        assert_eq!(explanation.findings[0].severity, Severity::Note);
    }
}

#[test]
fn a_deleted_file_is_stepped_over_by_its_size_and_may_have_a_successor_of_its_name() {
    let mut old = driver(1, "Old");
    old[0x17] = !0x17;
    let explanation = sound(&volume(8192, &[old, driver(1, "New")]));
    assert_eq!(codes(&explanation), Vec::<&str>::new());
    let states: Vec<_> = explanation.structures[0].children.iter().map(|file| file.state.unwrap()).collect();
    assert_eq!(states, ["deleted", "data-valid", "erased"]);
    assert_eq!(codes(&sound(&volume(8192, &[driver(1, "One"), driver(1, "Again")]))), ["file-twice"]);
}

#[test]
fn a_volume_top_file_ends_where_its_volume_ends() {
    let mut top = file(0, 0x01, &[0x90; 4096 - 0x48 - 24]);
    put(&mut top, 0, &VOLUME_TOP.0);
    seal_file(&mut top, 0xF8);
    assert_eq!(codes(&sound(&volume(4096, &[top.clone()]))), Vec::<&str>::new());
    assert_eq!(codes(&sound(&volume(8192, &[top]))), ["file-volume-top"]);
}

#[test]
fn a_crc_32_section_is_read_and_its_sum_counts() {
    let content = section(0x15, &text16("Inner"));
    let crc = crc32fast::hash(&content);
    let packed = guided(CRC32, &crc.to_le_bytes(), 2, &content);
    let explanation = sound(&volume(4096, &[file(1, 0x07, &packed)]));
    let section = &explanation.structures[0].children[0].children[0];
    assert_eq!((section.lead, answer(section, "crc-32")), (28, Some(true)));
    assert_eq!(explanation.structures[0].children[0].name.as_deref(), Some("Inner"));
    let wrong = guided(CRC32, &(crc ^ 1).to_le_bytes(), 2, &content);
    let explanation = sound(&volume(4096, &[file(1, 0x07, &wrong)]));
    assert_eq!(codes(&explanation), ["section-crc-32"]);
    assert_eq!(explanation.structures[0].children[0].name.as_deref(), Some("Inner"), "what is whole is shown");
}

#[test]
fn decompressed_content_is_a_space_of_its_own() {
    let inner = volume(65536, &[driver(5, "Deep")]);
    let content = stream(&[section(0x19, &[0; 8]), section(0x17, &inner)]);
    let image = volume(16384, &[file(1, 0x0B, &guided(LZMA, &[], 1, &lzma(&content)))]);
    let explanation = sound(&image);
    assert_eq!(codes(&explanation), Vec::<&str>::new());
    let packed = &explanation.structures[0].children[0].children[0];
    assert!(packed.is_decoded());
    assert_eq!(packed.children[1].at, 12);
    let path = path_of(&explanation, &[0, 0, 0]).unwrap();
    let deep =
        of_kind(&explanation, Kind::PiFile).into_iter().find(|file| file.name.as_deref() == Some("Deep")).unwrap();
    assert_eq!(deep.space.as_deref(), Some(path.as_str()));
    assert_eq!(deep.at, 12 + 4 + 0x48);
    use sha2::{Digest, Sha256};
    assert_eq!(packed.content_sha256, <[u8; 32]>::from(Sha256::digest(&content)));
    let stored = packed.at as usize..packed.range().end as usize;
    assert_eq!(packed.sha256, <[u8; 32]>::from(Sha256::digest(&image[stored])));
    assert_eq!(explanation.proof.decoded, packed.size - packed.lead);
}

#[test]
fn a_section_of_an_unknown_method_is_followed_when_it_needs_none() {
    let content = section(0x15, &text16("Seen"));
    let name = Guid([0x42; 16]);
    let explanation = sound(&volume(4096, &[file(1, 0x07, &guided(name, &[1, 2, 3, 4], 0, &content))]));
    assert_eq!(explanation.structures[0].children[0].name.as_deref(), Some("Seen"));
    let explanation = sound(&volume(4096, &[file(1, 0x07, &guided(name, &[1, 2, 3, 4], 1, &content))]));
    assert_eq!(codes(&explanation), ["section-method"]);
}

#[test]
fn a_dependency_expression_ends_with_end() {
    let guid = [0x33; 16];
    let good = [&[0x02][..], &guid, &[0x02], &guid, &[0x03, 0x08]].concat();
    for (body, whole) in
        [(&good[..], true), (&good[..35], false), (&[0x06, 0x08], true), (&[0x0A, 0x08], false), (&[], false)]
    {
        let explanation = sound(&volume(4096, &[file(1, 0x07, &section(0x13, body))]));
        let section = &explanation.structures[0].children[0].children[0];
        assert_eq!(answer(section, "dependency"), Some(whole), "{body:02x?}");
        assert_eq!(codes(&explanation).is_empty(), whole);
    }
}

#[test]
fn volumes_stand_anywhere_and_a_block_map_that_disagrees_is_a_warning() {
    for before in [0, 8, 4096, 4100, 5001] {
        let image = [vec![0x5A; before], volume(8192, &[driver(1, "One")]), vec![0xA5; 99]].concat();
        let explanation = sound(&image);
        let volume = explanation.structures.iter().find(|node| node.kind == Kind::PiVolume);
        assert_eq!(volume.map(|node| node.at), Some(before as u64));
        assert!(codes(&explanation).is_empty());
    }
    let mut odd = volume(8192, &[]);
    put(&mut odd, 0x38, &200_u32.to_le_bytes());
    seal_volume(&mut odd);
    let explanation = sound(&odd);
    assert_eq!(codes(&explanation), ["volume-block-map"]);
    assert_eq!(explanation.findings[0].severity, Severity::Warn);
}

#[test]
fn an_extended_header_names_the_volume_and_its_entries_end() {
    let with = |size: u16| {
        let mut image = volume(8192, &[file(0xFF, 0xF0, &[0; 48]), driver(1, "One")]);
        put(&mut image, 0x34, &0x60_u16.to_le_bytes());
        put(&mut image, 0x60, &[0x77; 16]);
        put(&mut image, 0x70, &40_u32.to_le_bytes());
        put(&mut image, 0x74, &size.to_le_bytes());
        put(&mut image, 0x76, &2_u16.to_le_bytes());
        seal_volume(&mut image);
        sound(&image)
    };
    let good = with(20);
    assert!(codes(&good).is_empty());
    assert_eq!(good.structures[0].name.as_deref(), Some("77777777-7777-7777-7777-777777777777"));
    assert_eq!(good.structures[0].children[1].name.as_deref(), Some("One"));
    for size in [0, 3, 21, 0xFFFF] {
        assert_eq!(codes(&with(size)), ["volume-extended-header"], "an entry of {size} bytes");
    }
}

/// What one flipped bit may do to a header: it is named, and everything else is still there.
#[test]
fn one_flipped_bit_in_a_header_is_named_and_hides_nothing() {
    let files = [driver(1, "One"), driver(2, "Two"), driver(3, "Three")];
    let good = [vec![0xFF; 4096], volume(8192, &files), vec![0xFF; 4096]].concat();
    for bit in (0..8 * 0x48).filter(|bit| !(8 * 0x32..8 * 0x34).contains(bit)) {
        let mut image = good.clone();
        image[4096 + bit / 8] ^= 1 << (bit % 8);
        let explanation = sound(&image);
        assert!(explanation.findings.iter().any(|finding| finding.severity == Severity::Bad), "bit {bit}");
        assert!(codes(&explanation).contains(&"volume-header-sum"), "bit {bit}: {:?}", explanation.findings);
        let names = of_kind(&explanation, Kind::PiFile).len();
        assert_eq!(names, 3, "bit {bit} of the volume's header");
    }
    let second = 4096 + 0x48 + files[0].len().next_multiple_of(8);
    // The state, in the last byte, is under no sum: a flipped bit of it is another state.
    for bit in 0..8 * 23 {
        let mut image = good.clone();
        image[second + bit / 8] ^= 1 << (bit % 8);
        let explanation = sound(&image);
        assert!(!explanation.findings.is_empty(), "bit {bit} of the file's header");
        let names: Vec<_> =
            of_kind(&explanation, Kind::PiFile).iter().filter_map(|file| file.name.as_deref()).collect();
        assert!(names.starts_with(&["One"]) && names.ends_with(&["Three"]), "bit {bit}: {names:?}");
    }
}

#[test]
fn a_volume_of_variables_holds_no_files() {
    let explanation = sound(&volume_of(NV_DATA, 8192, 0xFF, &[]));
    assert_eq!(explanation.structures[0].children[0].kind, Kind::Blank);
}

/// Two volumes claim the same bytes: the one inside is read as well, and the overlap is named.
#[test]
fn a_volume_that_begins_inside_another_is_named_and_read() {
    for (polarity, state) in [(0xFF, 0xF8), (0, 0x07)] {
        let made = |name: u8, text: &str| {
            let mut file = driver(name, text);
            file[0x17] = state;
            volume_of(FFS2, 0x1000, polarity, &[file])
        };
        let mut image = [made(1, "Outer"), made(2, "Inner")].concat();
        put(&mut image, 0x20, &0x2000_u64.to_le_bytes());
        seal_volume(&mut image);
        let explanation = sound(&image);
        let [outer] = &explanation.structures[..] else { panic!("{polarity}: {:?}", explanation.structures) };
        let inner = outer.children.iter().find(|node| node.kind == Kind::PiVolume).expect("it is read");
        assert_eq!((inner.at, inner.size, inner.children[0].name.as_deref()), (0x1000, 0x1000, Some("Inner")));
        assert_eq!(codes(&explanation), ["volume-block-map", "volume-overlap"], "{polarity}");
    }
}

/// A 64-bit size stands beside a 24-bit one of 0 (PI volume 3).
#[test]
fn a_large_file_with_two_sizes_is_named() {
    let mut large = vec![0; 32];
    put(&mut large, 0, &[9; 16]);
    (large[0x12], large[0x13], large[0x14]) = (0x01, 0x01, 48);
    put(&mut large, 0x18, &48_u64.to_le_bytes());
    seal_file(&mut large, 0xF8);
    large.extend([0x55; 16]);
    assert_eq!(codes(&sound(&volume_of(FFS3, 0x1000, 0xFF, &[large]))), ["file-large"]);
}

/// No header is as long as this one says; its words are not added up, or every few bytes of a hostile image could ask for 64 KiB.
#[test]
fn a_header_longer_than_any_is_not_believed() {
    let mut image = volume(0x4000, &[driver(1, "One")]);
    put(&mut image, 0x30, &0x2000_u16.to_le_bytes());
    seal_volume(&mut image);
    let explanation = sound(&image);
    assert_eq!(codes(&explanation), ["volume-header-sum"]);
    assert_eq!(explanation.structures[0].lead, 0x48, "its block map says where it ends");
}
