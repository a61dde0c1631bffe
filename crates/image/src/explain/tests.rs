//! Made images: small builders here, tests of structures and of hostile input in the files below.

use lzma_rust2::{LzmaOptions, LzmaWriter};

use super::bytes::{sum8, sum16, sum32};
use super::guid::FFS2;
use super::*;
use crate::build::variables::{Store, Variable};

mod carriers;
mod hostile;
mod pi;
mod stores;

pub(crate) fn put(bytes: &mut [u8], at: usize, value: &[u8]) {
    bytes[at..at + value.len()].copy_from_slice(value);
}

/// A section of a type with a 4-byte head.
pub(crate) fn section(number: u8, body: &[u8]) -> Vec<u8> {
    let size = (body.len() + 4) as u32;
    [&size.to_le_bytes()[..3], &[number], body].concat()
}

/// A GUID-defined section: what stands before the content in its head, attributes, content.
pub(crate) fn guided(guid: Guid, extra: &[u8], attributes: u16, content: &[u8]) -> Vec<u8> {
    let offset = (24 + extra.len()) as u16;
    section(0x02, &[&guid.0[..], &offset.to_le_bytes(), &attributes.to_le_bytes(), extra, content].concat())
}

pub(crate) fn lzma(content: &[u8]) -> Vec<u8> {
    let options = LzmaOptions::with_preset(1);
    let mut writer = LzmaWriter::new_use_header(Vec::new(), &options, Some(content.len() as u64)).unwrap();
    std::io::Write::write_all(&mut writer, content).unwrap();
    writer.finish().unwrap()
}

/// Sections one after the other, each at a multiple of 4.
pub(crate) fn stream(sections: &[Vec<u8>]) -> Vec<u8> {
    let mut bytes = Vec::new();
    for section in sections {
        bytes.resize(bytes.len().next_multiple_of(4), 0);
        bytes.extend(section);
    }
    bytes
}

/// A file in state data-valid of an FFh-erased volume, without a data sum.
pub(crate) fn file(name: u8, number: u8, body: &[u8]) -> Vec<u8> {
    let mut bytes = vec![0; 24];
    put(&mut bytes, 0, &[name; 16]);
    bytes[0x12] = number;
    put(&mut bytes, 0x14, &((body.len() + 24) as u32).to_le_bytes()[..3]);
    seal_file(&mut bytes, 0xF8);
    bytes.extend(body);
    bytes
}

/// Makes the header's sum, and puts fixed value and state in.
fn seal_file(bytes: &mut [u8], state: u8) {
    (bytes[0x10], bytes[0x11], bytes[0x17]) = (0, 0, 0);
    let head = if bytes[0x13] & 1 != 0 { 32 } else { 24 };
    bytes[0x10] = sum8(&bytes[..head]).wrapping_neg();
    (bytes[0x11], bytes[0x17]) = (0xAA, state);
}

/// A volume of 4 KiB blocks with these files; `erased` is FFh or 00h.
fn volume_of(system: Guid, size: usize, erased: u8, files: &[Vec<u8>]) -> Vec<u8> {
    let mut bytes = vec![erased; size];
    put(&mut bytes, 0, &[0; 0x48]);
    put(&mut bytes, 0x10, &system.0);
    put(&mut bytes, 0x20, &(size as u64).to_le_bytes());
    put(&mut bytes, 0x28, b"_FVH");
    put(&mut bytes, 0x2C, &(if erased == 0xFF { 0x0004_FEFF_u32 } else { 0x0004_F6FF }).to_le_bytes());
    put(&mut bytes, 0x30, &0x48_u16.to_le_bytes());
    bytes[0x37] = 2;
    put(&mut bytes, 0x38, &((size / 4096) as u32).to_le_bytes());
    put(&mut bytes, 0x3C, &4096_u32.to_le_bytes());
    seal_volume(&mut bytes);
    let mut at = 0x48;
    for file in files {
        put(&mut bytes, at, file);
        at = (at + file.len()).next_multiple_of(8);
    }
    bytes
}

pub(crate) fn volume(size: usize, files: &[Vec<u8>]) -> Vec<u8> {
    volume_of(FFS2, size, 0xFF, files)
}

/// Makes the header's sum anew.
fn seal_volume(bytes: &mut [u8]) {
    let head = u16::from_le_bytes([bytes[0x30], bytes[0x31]]) as usize;
    put(bytes, 0x32, &[0; 2]);
    let sum = sum16(&bytes[..head]).wrapping_neg();
    put(bytes, 0x32, &sum.to_le_bytes());
}

pub(crate) fn text16(text: &str) -> Vec<u8> {
    text.encode_utf16().chain([0]).flat_map(u16::to_le_bytes).collect()
}

/// A driver with an image, a name and a version.
pub(crate) fn driver(name: u8, text: &str) -> Vec<u8> {
    let mut image = vec![name; 300];
    put(&mut image, 0, b"MZ");
    put(&mut image, 0x3C, &0x80_u32.to_le_bytes());
    put(&mut image, 0x80, b"PE\0\0");
    let version = [&[1, 0][..], &text16("1.0")].concat();
    file(name, 0x07, &stream(&[section(0x10, &image), section(0x15, &text16(text)), section(0x14, &version)]))
}

/// An update for a processor; `data` bytes are a multiple of 4.
pub(crate) fn microcode(signature: u32, data: usize) -> Vec<u8> {
    let total = (48 + data).next_multiple_of(1024);
    let mut bytes: Vec<u8> = (0..total).map(|at| (at * 13 + (at >> 8)) as u8).collect();
    put(&mut bytes, 0, &[0; 48]);
    for (at, value) in [(0, 1), (4, 0x2A), (8, 0x0718_2019), (12, signature), (0x14, 1), (0x18, 2)] {
        put(&mut bytes, at, &u32::to_le_bytes(value));
    }
    put(&mut bytes, 0x1C, &(data as u32).to_le_bytes());
    put(&mut bytes, 0x20, &(total as u32).to_le_bytes());
    bytes[48 + data..].fill(0xFF);
    let sum = sum32(&bytes[..48 + data]).wrapping_neg();
    put(&mut bytes, 0x10, &sum.to_le_bytes());
    bytes
}

/// Asserts that the top level tiles the image, that children lie in their parents, and that JSON and text can be made.
fn sound(image: &[u8]) -> Explanation {
    let explanation = explain(image);
    let mut end = 0;
    for node in &explanation.structures {
        assert_eq!(node.at, end, "top-level structures follow each other");
        assert!(node.size > 0);
        end = node.range().end;
    }
    assert_eq!(end, image.len() as u64);
    let mut count = 0;
    for (_, node) in explanation.nodes() {
        count += 1;
        assert!(node.lead <= node.size, "{node:?}");
        for child in node.children.iter().filter(|child| child.ground == node.ground) {
            assert!(child.at >= node.at && child.range().end <= node.range().end, "{child:?} in {node:?}");
        }
    }
    assert!(count <= MAX_NODES);
    assert_eq!(proof_of(image), explanation.proof, "the short way to the proof");
    let stored = explanation.nodes().filter(|(_, node)| node.space.is_none());
    let sums: Vec<Check> = stored.flat_map(|(_, node)| node.checks.clone()).filter(is_stored_sum).collect();
    assert_eq!(stored_sums(image), sums, "the short way to the sums");
    assert!(render(&explanation, 80, usize::MAX).lines().all(|line| line.chars().count() <= 80));
    explanation
}

fn is_stored_sum(check: &Check) -> bool {
    check.sum && check.ok.is_some() && check.len > 0
}

fn codes(explanation: &Explanation) -> Vec<&'static str> {
    explanation.findings.iter().map(|finding| finding.code).collect()
}

fn of_kind(explanation: &Explanation, kind: Kind) -> Vec<&Node> {
    explanation.nodes().map(|(_, node)| node).filter(|node| node.kind == kind).collect()
}

fn answer(node: &Node, name: &str) -> Option<bool> {
    node.checks.iter().find(|check| check.name == name).unwrap_or_else(|| panic!("{name} on {node:?}")).ok
}

#[test]
fn an_empty_image_holds_nothing() {
    let explanation = sound(&[]);
    assert_eq!((explanation.size, explanation.structures.len(), explanation.findings.len()), (0, 0, 0));
}

#[test]
fn blank_and_unknown_stretches_are_told_apart() {
    let noise: Vec<u8> = (0..10_000_u32).map(|at| (at.wrapping_mul(2_654_435_761) >> 13) as u8).collect();
    let image = [&noise[..], &[0xFF; 5000], &noise, &[0; 4096], &[1, 2, 3], &[0xFF; 4095], &[7]].concat();
    let explanation = sound(&image);
    let found: Vec<_> = explanation.structures.iter().map(|node| (node.kind, node.at, node.state)).collect();
    assert_eq!(
        found,
        [
            (Kind::Unknown, 0, None),
            (Kind::Blank, 10_000, Some("ff")),
            (Kind::Unknown, 15_000, None),
            (Kind::Blank, 25_000, Some("00")),
            (Kind::Unknown, 29_096, None),
        ]
    );
    assert_eq!(explanation.proof.blank, 9096);
}

#[test]
fn json_has_the_keys_of_the_schema() {
    let schema = include_str!("../../../../docs/schemas/image-explain.json");
    let validator = jsonschema::validator_for(&serde_json::from_str(schema).unwrap()).unwrap();
    let image = [volume(8192, &[driver(1, "One")]), microcode(0x906EA, 2000), vec![3; 100]].concat();
    let mut damaged = image.clone();
    damaged[0x48] ^= 1;
    for image in [&image, &damaged, &Vec::new()] {
        let value = serde_json::to_value(explain(image).to_json("made.bin")).unwrap();
        let errors: Vec<String> = validator.iter_errors(&value).map(|error| error.to_string()).collect();
        assert!(errors.is_empty(), "{errors:#?}");
    }
    let mut value = serde_json::to_value(explain(&image).to_json("made.bin")).unwrap();
    value["structures"][0]["checks"][0]["ok"] = "yes".into();
    assert!(!validator.is_valid(&value), "the schema refuses what it does not know");
}

/// A row of stretches that nothing describes is one line, and the letters of the strip are those of the lines.
#[test]
fn rows_of_unknown_stretches_are_one_line_and_findings_are_counted() {
    let mut image = vec![0xFF; 0x4_0000];
    for at in (0..0x2_0000).step_by(0x4000) {
        image[at..at + 0x2000].fill(0x5A);
    }
    put(&mut image, 0x2_0000, &volume(0x1_0000, &[]));
    image[0x3_F000..].fill(0x31);
    let explanation = explain(&image);
    assert_eq!(explanation.structures.len(), 16 + 3);
    let text = render(&explanation, 80, 3);
    let lines: Vec<&str> = text.lines().collect();
    assert_eq!(lines[3], "a 0           128 KiB  16 stretches: 8 unknown (64 KiB), 8 blank");
    assert!(lines[4].starts_with("b 20000        64 KiB  volume"), "{text}");
    assert!(
        text.contains("\nd 3f000         4 KiB  unknown, almost all of it one value (entropy 0.0 of 8)\n"),
        "{text}"
    );
    assert!(lines[1].starts_with("aa") && lines[1].ends_with('d'), "{text}");

    // A stretch with a finding has its own line.
    let mut torn = image.clone();
    torn[0x2_8000] = 0;
    let text = render(&explain(&torn), 80, 3);
    assert!(text.contains("(free-not-erased)"), "{text}");

    // Eight variables are in no state that a write leaves behind; three are told and the rest is counted.
    let torn = |number: u8| Variable::new(&format!("V{number}"), [number; 16], &[1]).state(0x12);
    let store = (0..8).map(torn).fold(Store::plain(0x800), Store::variable).build().unwrap();
    let text = render(&explain(&store), 80, 1);
    assert_eq!(text.matches("(variable-state)").count(), 4, "{text}");
    assert!(text.contains("\n    and 5 more like these (variable-state)\n"), "{text}");
    assert!(render(&explain(&store), 80, 2).matches("(variable-state)").count() == 8, "each on its own");
}
