//! A small sound profile, changed in one place at a time.

use std::path::Path;

use job::profile::{Finding, Profile, ProfileError};

pub const SMALL: &str = include_str!("small.toml");

/// A step to put into the small profile.
pub fn step(id: &str, kind: &str, more: &str) -> String {
    format!("[[step]]\nid = \"{id}\"\ntitle = \"t\"\nkind = \"{kind}\"\nwhy = \"w\"\ndone_when = \"d\"\n{more}\n\n")
}

/// The small profile with these steps put before the step `before`.
pub fn with_steps(before: &str, steps: &[String]) -> String {
    let marker = format!("[[step]]\nid = \"{before}\"\n");
    assert_eq!(SMALL.matches(&marker).count(), 1, "{before}");
    SMALL.replace(&marker, &format!("{}{marker}", steps.concat()))
}

/// The small profile without a step; whatever needed it needs its own needs.
pub fn without_step(id: &str, its_need: &str) -> String {
    let start = SMALL.find(&format!("[[step]]\nid = \"{id}\"\n")).expect("there");
    let end = SMALL[start + 1..].find("[[step]]").map_or(SMALL.len(), |next| start + 1 + next);
    format!("{}{}", &SMALL[..start], &SMALL[end..])
        .replace(&format!("needs = [\"{id}\"]"), &format!("needs = [\"{its_need}\"]"))
}

/// The small profile with one text replaced, which has to be there once.
pub fn changed(from: &str, to: &str) -> String {
    assert_eq!(SMALL.matches(from).count(), 1, "{from}");
    SMALL.replace(from, to)
}

/// Everything that is found in a profile that is refused.
pub fn findings(text: &str) -> Vec<Finding> {
    match Profile::parse(text, Path::new("small.toml")) {
        Err(ProfileError::Findings { findings, .. }) => findings,
        Err(other) => panic!("{other}"),
        Ok(_) => panic!("this was not refused:\n{text}"),
    }
}

/// Asserts that exactly this is found: on the line where `at` stands first, with the key, what and remedy.
pub fn refused(text: &str, at: &str, key: &str, what: &str, remedy: &str) {
    let offset = text.find(at).unwrap_or_else(|| panic!("`{at}` is not in the text"));
    let line = text[..offset].matches('\n').count() + 1;
    let found = findings(text);
    let shown: Vec<String> = found.iter().map(|finding| format!("{finding}\n  {}", finding.remedy)).collect();
    assert_eq!(shown, [format!("line {line}, {key}: {what}\n  {remedy}")]);
}
