//! Real images against facts that another program read out of them, and images of which only soundness is known.
//!
//! `expected/` holds the facts: volumes, files, sections, names, hashes and variables of images in Debian 12's packages `ovmf` and
//! `qemu-system-data`, read by a program that shares nothing with this crate and agrees with the standard's reference tools.
//! Each file names its image by SHA-256. An image that is not installed, or is another version, is passed over with a line that says so.

#![allow(clippy::disallowed_methods, reason = "tests read installed images")]

use std::path::Path;

use image::explain::{Explanation, Kind, Node, Severity, explain};
use serde_json::Value;

/// Returns the image of an expectation and what it holds.
fn known(path: &str, expected: &str) -> Option<(Explanation, Value)> {
    let expected = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/expected").join(expected);
    let facts: Value = serde_json::from_str(&std::fs::read_to_string(expected).unwrap()).unwrap();
    let Ok(bytes) = std::fs::read(path) else {
        eprintln!("passed over: {path} is not installed");
        return None;
    };
    let explanation = explain(&bytes);
    if let Some(sha256) = facts["sha256"].as_str().filter(|sha256| *sha256 != hex(&explanation.sha256)) {
        eprintln!("passed over: {path} is another version than the one with SHA-256 {sha256}");
        return None;
    }
    tiles(&explanation);
    Some((explanation, facts))
}

#[test]
fn the_code_image_reads_as_the_facts_say() {
    let Some((found, facts)) = known("/usr/share/OVMF/OVMF_CODE_4M.fd", "OVMF_CODE_4M.fd.json") else { return };
    let volumes: Vec<&Node> = found.structures.iter().filter(|node| node.kind == Kind::PiVolume).collect();
    let expected = facts["volumes"].as_array().unwrap();
    assert_eq!(volumes.len(), expected.len());
    let mut counts = [0; 3];
    for (volume, facts) in volumes.into_iter().zip(expected) {
        check_volume(volume, facts, &mut counts);
    }
    assert_eq!(counts[0], facts["stats"]["volumes"]);
    assert_eq!(counts[1], facts["stats"]["files"]);
    assert_eq!(counts[2], facts["stats"]["sections"]);
    assert!(no_findings(&found), "{:#?}", found.findings);
    assert!(found.proof.decoded > 1_500_000, "the packed volume counts: {:?}", found.proof);
}

#[test]
fn the_variable_image_reads_as_the_facts_say() {
    let Some((found, facts)) = known("/usr/share/OVMF/OVMF_VARS_4M.fd", "OVMF_VARS_4M.fd.json") else { return };
    let facts = &facts["volumes"][0];
    let [volume] = &found.structures[..] else { panic!("one volume: {:?}", found.structures) };
    check_head(volume, facts);
    let nv = &facts["nv"];
    let store = &volume.children[0];
    assert_eq!(store.kind, Kind::VariableStore);
    assert_eq!(store.at, nv["store"]["at"]);
    assert_eq!(store.size, nv["store"]["size"]);
    assert_eq!(store.guid.unwrap().to_string(), nv["store"]["guid"].as_str().unwrap());
    assert_eq!(store.children.len(), 1, "no variables, free space alone");
    assert_eq!((store.children[0].kind, store.children[0].state), (Kind::Free, Some("erased")));
    assert_eq!(store.children[0].size, nv["store"]["free"]);
    let ftw = volume.children.iter().find(|node| node.kind == Kind::Ftw).unwrap();
    assert_eq!(ftw.at, nv["ftw_working"]["at"]);
    assert_eq!(ftw.size - ftw.lead, nv["ftw_working"]["write_queue_size"]);
    assert_eq!(check(ftw, "head-crc-32"), Some(true));
    assert_eq!(ftw.state, Some("valid"));
    for part in ["spare", "between"] {
        let blank = volume.children.iter().find(|node| node.at == nv[part]["at"]).unwrap();
        assert_eq!(
            (blank.kind, blank.size, blank.state),
            (Kind::Blank, nv[part]["length"].as_u64().unwrap(), Some("ff"))
        );
    }
    assert!(no_findings(&found), "{:#?}", found.findings);
}

#[test]
fn an_image_without_volumes_is_read_to_its_end() {
    let Some((found, facts)) = known("/usr/share/qemu/qboot.rom", "qboot.rom.json") else { return };
    assert_eq!(facts["volumes"].as_array().unwrap().len(), 0);
    assert_eq!(found.size, facts["size"]);
    assert!(found.nodes().all(|(_, node)| matches!(node.kind, Kind::Blank | Kind::Unknown)));
    assert!(no_findings(&found), "{:#?}", found.findings);
}

/// Shipped images break rules here and there, but none of them is damaged.
#[test]
fn no_shipped_image_has_a_bad_finding() {
    let mut images = 0;
    for folder in ["/usr/share/OVMF", "/usr/share/AAVMF", "/usr/share/qemu-efi-aarch64"] {
        for entry in std::fs::read_dir(folder).into_iter().flatten().flatten() {
            let path = entry.path();
            if path.is_symlink() || path.extension().is_none_or(|extension| extension != "fd") {
                continue;
            }
            let found = explain(&std::fs::read(&path).unwrap());
            tiles(&found);
            let bad: Vec<_> = found.findings.iter().filter(|finding| finding.severity == Severity::Bad).collect();
            assert!(bad.is_empty(), "{}: {bad:#?}", path.display());
            images += 1;
        }
    }
    eprintln!("{images} installed images read");
}

fn check_volume(volume: &Node, facts: &Value, counts: &mut [u64; 3]) {
    counts[0] += 1;
    check_head(volume, facts);
    let files: Vec<&Node> = volume.children.iter().filter(|node| node.kind == Kind::PiFile).collect();
    let expected = facts["files"].as_array().unwrap();
    assert_eq!(files.len(), expected.len(), "files of the volume at {:#x}", volume.at);
    for (file, facts) in files.into_iter().zip(expected) {
        check_file(volume, file, facts, counts);
    }
    let free = volume.children.iter().find(|node| node.kind == Kind::Free);
    assert_eq!(free.map_or(0, |node| node.size), facts["free_length"]);
    if let Some(free) = free {
        assert_eq!(free.at - volume.at, facts["free_at"]);
        assert_eq!(free.state == Some("erased"), facts["free_is_erased"]);
    }
}

fn check_head(volume: &Node, facts: &Value) {
    assert_eq!(volume.size, facts["length"]);
    assert_eq!(volume.lead, facts["header_length"]);
    assert_eq!(volume.guid.unwrap().to_string(), facts["fs_guid"].as_str().unwrap());
    assert_eq!(volume.name.as_deref(), facts["ext_header"]["name"].as_str());
    assert_eq!(hex(&volume.sha256), facts["sha256"].as_str().unwrap());
    assert_eq!(check(volume, "header-sum"), facts["checksum_ok"].as_bool());
    assert_eq!(check(volume, "block-map"), facts["block_map_ok"].as_bool());
}

fn check_file(volume: &Node, file: &Node, facts: &Value, counts: &mut [u64; 3]) {
    counts[1] += 1;
    assert_eq!(file.at - volume.at, facts["at"]);
    assert_eq!(file.size, facts["size"]);
    assert_eq!(file.lead, facts["header_size"]);
    assert_eq!(file.guid.unwrap().to_string(), facts["guid"].as_str().unwrap());
    assert_eq!(file.number.map(u64::from), facts["type"].as_u64());
    assert_eq!(file.state.unwrap().replace('-', "_"), facts["state_name"].as_str().unwrap());
    assert_eq!(hex(&file.sha256), facts["sha256"].as_str().unwrap());
    assert_eq!(hex(&file.content_sha256), facts["body_sha256"].as_str().unwrap());
    assert_eq!(file.name.as_deref(), facts["ui"].as_str(), "{facts}");
    assert_eq!(check(file, "header-sum"), facts["header_checksum_ok"].as_bool());
    assert_eq!(facts["data_checksum"], "fixed");
    assert_eq!(check(file, "data-sum"), None, "no sum covers the body");
    assert_eq!(check(file, "fixed-value"), facts["data_checksum_ok"].as_bool());
    let none = Vec::new();
    let sections = facts["sections"].as_array().unwrap_or(&none);
    assert_eq!(file.children.len(), sections.len(), "{facts}");
    for (section, facts) in file.children.iter().zip(sections) {
        check_section(section, facts, file.at + file.lead, counts);
    }
}

fn check_section(section: &Node, facts: &Value, stream: u64, counts: &mut [u64; 3]) {
    counts[2] += 1;
    let types = ["raw", "pe32", "ui", "version", "pei_depex", "dxe_depex", "volume_image", "guid_defined"];
    let numbers = [0x19, 0x10, 0x15, 0x14, 0x1B, 0x13, 0x17, 0x02];
    let number = types.iter().position(|name| facts["t"] == *name).map(|index| numbers[index]);
    assert_eq!(section.number, number, "{facts}");
    assert_eq!(section.at - stream, facts["at"]);
    assert_eq!(section.size, facts["size"]);
    for text in ["ui", "version"] {
        if let Some(text) = facts[text].as_str() {
            assert_eq!(section.name.as_deref(), Some(text));
        }
    }
    if let Some(sha256) = facts["sha256"].as_str().or(facts["out_sha256"].as_str()) {
        assert_eq!(hex(&section.content_sha256), sha256, "{facts}");
    }
    let packed = facts["out_size"].as_u64();
    if packed.is_some() {
        assert_eq!(section.guid.unwrap().to_string(), facts["guid"].as_str().unwrap());
        assert_eq!(section.lead, facts["data_offset"]);
        assert!(section.is_decoded());
    }
    let none = Vec::new();
    let inner = facts["sections"].as_array().or(facts["volumes"].as_array()).unwrap_or(&none);
    assert_eq!(section.children.len(), inner.len());
    for (child, facts) in section.children.iter().zip(inner) {
        assert_eq!(child.space.is_some(), packed.is_some() || section.space.is_some());
        let stream = if packed.is_some() { 0 } else { section.at + section.lead };
        match child.kind {
            Kind::PiVolume => check_volume(child, facts, counts),
            _ => check_section(child, facts, stream, counts),
        }
    }
}

/// Asserts that each byte of the image belongs to exactly one top-level structure, and that children lie inside their parents.
fn tiles(explanation: &Explanation) {
    let mut end = 0;
    for node in &explanation.structures {
        assert_eq!(node.at, end, "top-level structures follow each other");
        assert!(node.size > 0);
        end = node.range().end;
    }
    assert_eq!(end, explanation.size);
    for (_, node) in explanation.nodes() {
        for child in node.children.iter().filter(|child| child.space == node.space) {
            assert!(child.at >= node.at && child.range().end <= node.range().end, "{child:?} in {node:?}");
        }
    }
}

fn check(node: &Node, name: &str) -> Option<bool> {
    node.checks.iter().find(|check| check.name == name).unwrap_or_else(|| panic!("{name} on {node:?}")).ok
}

fn no_findings(explanation: &Explanation) -> bool {
    explanation.findings.iter().all(|finding| finding.severity == Severity::Note)
}

fn hex(hash: &[u8; 32]) -> String {
    hash.iter().map(|byte| format!("{byte:02x}")).collect()
}
