//! The write-up of a journal in which everything that a person or a machine could write is a secret.

use serde_json::{Value, json};
use vault::{Digest, Entry, JobId};

use super::*;
use crate::procedure::JobHeader;
use crate::profile::Profile;

/// Planted wherever a journal has text: a serial number, a network address (of RFC 7042's range for documentation), a person, a place.
const SECRETS: [&str; 4] = ["LN9-0042-KX", "00:00:5E:00:53:2B", "Ana Ask Bench", "Lantern Street 12b"];

/// Every text in a body that is no name of a step, chip or state becomes one of the secrets, in turn.
fn plant(body: &mut Value, turn: &mut usize) {
    const STAYS: [&str; 13] = [
        "step", "chip", "span", "content", "sha256", "from", "wanted", "id", "order", "fault", "kind", "profile", "job",
    ];
    match body {
        Value::Object(fields) => {
            let fields = fields.iter_mut().filter(|(key, _)| !STAYS.contains(&key.as_str()));
            fields.for_each(|(_, value)| plant(value, turn));
        }
        Value::Array(items) => items.iter_mut().for_each(|item| plant(item, turn)),
        Value::String(text) => {
            SECRETS[*turn % SECRETS.len()].clone_into(text);
            *turn += 1;
        }
        _ => {}
    }
}

fn work() -> Work {
    let mut text = include_str!("../../../../../profiles/larkspur-nine.toml").to_owned();
    // A careless profile: the secrets stand in its words too, each time spelled otherwise.
    let spelled = ["Ln9 0042 kx", "0000.5e00.532b", "ana-ask-bench", "LANTERN STREET 12B"].join(" and ");
    for (from, to) in [("why = \"", format!("why = \"{spelled}: ")), ("place = \"", format!("place = \"{spelled}. "))] {
        assert!(text.contains(from), "the profile has none of {from}");
        text = text.replace(from, &to);
    }
    let profile = Profile::parse(&text, Path::new("larkspur-nine.toml")).expect("still sound");
    let content = "11".repeat(32);
    let evidence = json!({
        "passes": [{ "clock_hz": 1, "opcode": 3, "order": "ascending", "digest": false, "took_ms": 1 }],
        "differing_sectors": 3, "diagnosis": [{ "fault": "clock-slip", "confidence": 0.9, "advice": "x" }],
        "reasons": ["x"], "remains": ["x"],
    });
    let bodies = vec![
        ("opened", json!({ "job": {} })),
        (
            "intake",
            json!({ "by": "x", "machine": "x", "owner": "x", "consent": "x", "answers": { "label-mac": "x", "label-serial": "x", "donor-serial": "x" }, "variant": "school" }),
        ),
        ("gate", json!({ "id": "dry", "answer": "yes", "by": "x", "note": "x" })),
        ("signed", json!({ "step": "first-look", "by": "x", "note": "x", "measured": 0.02, "unit": "V" })),
        ("link-gone", json!({ "link": "x", "note": "x" })),
        ("asked", json!({ "question": "x", "answer": "x", "by": "x" })),
        ("identified", json!({ "chip": "main", "id": "ef4018", "unique_id": "x", "markings": ["x"] })),
        ("refused", json!({ "chip": "main", "evidence": evidence, "reseat": { "pin": 6, "signal": "x" } })),
        ("captured", json!({ "chip": "main", "content": content, "sha256": content, "evidence": evidence })),
        (
            "planned",
            json!({ "chip": "main", "from": content, "wanted": content, "erases": [[0, 4096, 32]], "programs": [[0, 256]], "predicted_ms": 70.0 }),
        ),
        ("applied", json!({ "chip": "main", "content": content, "verified_bytes": 4096 })),
        ("not-captured", json!({ "chip": "port", "reason": "x" })),
        ("ended", json!({ "error": "x", "causes": ["x"], "exit": 4 })),
        ("photo", json!({ "step": "first-look", "name": "x", "by": "x", "content": content })),
        ("given-back", json!({ "by": "x", "reason": "x", "left": ["x"], "warnings": ["x"] })),
        ("of-a-later-version", json!({ "x": { "y": ["x"] } })),
    ];
    let mut turn = 0;
    let entries = bodies.into_iter().zip(0..).map(|((kind, mut body), seq)| {
        plant(&mut body, &mut turn);
        let hash = Digest([0; 32]);
        Entry { seq, time: "2026-03-01T09:00:00Z".into(), kind: kind.into(), body, prev: hash, hash }
    });
    let header = JobHeader {
        kind: crate::profile::JobKind::Convert,
        profile: Digest([1; 32]),
        profile_name: SECRETS[0].into(),
        of: None,
        earlier: Vec::new(),
    };
    let job = JobId::new("larkspur-1").expect("an id");
    Work { job, header, profile, entries: entries.collect(), sealed: true }
}

/// Letters and digits in lower case: a secret that is spelled otherwise is found all the same.
fn bare(text: &str) -> String {
    text.chars().filter(char::is_ascii_alphanumeric).map(|letter| letter.to_ascii_lowercase()).collect()
}

#[test]
fn s15_a_write_up_holds_nothing_of_a_person_or_a_machine() {
    let work = work();
    let journal = bare(&serde_json::to_string(&work.entries).expect("JSON"));
    let lesson = of(&work);
    assert!(!lesson.steps.is_empty() && lesson.hurdles.len() >= 4 && !lesson.chips.is_empty(), "{lesson:#?}");
    for shown in [lesson.text(), serde_json::to_string(&lesson).expect("JSON")] {
        assert!(shown.contains("(left out)"), "the profile's own words had secrets");
        for secret in SECRETS {
            assert!(journal.contains(&bare(secret)), "the check would see nothing: {secret}");
            assert!(!bare(&shown).contains(&bare(secret)), "{secret} is shown:\n{shown}");
        }
        assert!(!shown.contains(&"11".repeat(8)), "a hash is shown");
    }
}
