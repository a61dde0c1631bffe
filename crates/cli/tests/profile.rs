//! `firmhand profile` through the program: exit statuses, and one JSON object that meets its schema.

use std::path::{Path, PathBuf};
use std::process::{Command, Output};

use serde_json::Value;

fn top(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../..").join(name)
}

fn firmhand(arguments: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_firmhand")).args(arguments).output().expect("the program runs")
}

fn checked(file: &str) -> (Value, Option<i32>) {
    let output = firmhand(&["profile", "check", file, "--json"]);
    let value: Value = serde_json::from_slice(&output.stdout).expect("one JSON object");
    let schema = std::fs::read_to_string(top("docs/schemas/profile-check.json")).expect("there");
    let schema: Value = serde_json::from_str(&schema).expect("JSON");
    let schema = jsonschema::validator_for(&schema).expect("a schema");
    assert!(schema.is_valid(&value), "{value}");
    assert!(!schema.is_valid(&serde_json::json!({ "file": file, "findings": [] })), "the schema takes anything");
    (value, output.status.code())
}

#[test]
fn a_sound_profile_ends_with_0_and_a_summary() {
    let file = top("profiles/larkspur-nine.toml");
    let (value, status) = checked(file.to_str().expect("a path"));
    assert_eq!((value["sound"].as_bool(), status), (Some(true), Some(0)));
    assert_eq!(value["board"], "Larkspur Nine");
}

#[test]
fn every_finding_of_a_bad_profile_is_told_and_it_ends_with_1() {
    let dir = tempfile::tempdir().expect("a folder");
    let file = dir.path().join("bad.toml");
    std::fs::write(&file, "[board]\nnam = \"x\"\n\n[[step]]\nid = \"A\"\n").expect("written");
    let file = file.to_str().expect("a path");
    let (value, status) = checked(file);
    assert_eq!((value["sound"].as_bool(), status), (Some(false), Some(1)));
    let findings = value["findings"].as_array().expect("a list").len();

    let output = firmhand(&["profile", "check", file]);
    let text = String::from_utf8(output.stdout).expect("text");
    assert_eq!(output.status.code(), Some(1));
    assert_eq!(text.lines().filter(|line| line.starts_with("error: line ")).count(), findings, "{text}");
    assert!(text.contains("error: line 2, [board] nam: this key is not known"), "{text}");

    let output = firmhand(&["profile", "sheet", file]);
    assert_eq!((output.status.code(), output.stdout.len()), (Some(1), 0));
    let output = firmhand(&["profile", "check", "no-such-file.toml"]);
    assert_eq!(output.status.code(), Some(3));
}

#[test]
fn a_sheet_goes_to_standard_output_or_into_a_file() {
    let profile = top("profiles/teal-router.toml");
    let profile = profile.to_str().expect("a path");
    let printed = firmhand(&["profile", "sheet", profile]);
    assert!(printed.status.success() && printed.stdout.starts_with(b"<!DOCTYPE html>"));
    let dir = tempfile::tempdir().expect("a folder");
    let out = dir.path().join("sheet.html");
    let output = firmhand(&["profile", "sheet", profile, "--out", out.to_str().expect("a path")]);
    assert!(output.status.success());
    assert_eq!(std::fs::read(&out).expect("written"), printed.stdout);
    let output = firmhand(&["profile", "sheet", profile, "--out", out.to_str().expect("a path"), "--json"]);
    let value: Value = serde_json::from_slice(&output.stdout).expect("one JSON object");
    let schema = std::fs::read_to_string(top("docs/schemas/profile-sheet.json")).expect("there");
    let schema: Value = serde_json::from_str(&schema).expect("JSON");
    assert!(jsonschema::validator_for(&schema).expect("a schema").is_valid(&value), "{value}");
}
