//! Contacts on the virtual bench: the table, the clocks, and the live watch.

use serde_json::Value;

use crate::common::{Bench, MIB, Ran, noise, snapshot};

const WITH_TEST: &str = "[link]\nclock_hz = 30000000\nfeatures = [\"line-test\"]\n";

fn bench(faults: &str) -> Bench {
    let bench = Bench::new();
    bench.write("chip.bin", &noise(1, MIB));
    bench.chip(&format!("{WITH_TEST}{faults}"));
    bench
}

fn fault(text: &str) -> String {
    format!("[[fault]]\n{text}\n")
}

#[test]
fn contacts_and_clocks_in_a_table() {
    let good = bench("");
    let open = bench(&fault("kind = \"open-contact\"\nsignal = \"data-in\""));
    let fast = bench(&fault("kind = \"late-sampling\"\nrate = 0.001\nseverity = 0.5"));
    let runs = [
        good.run("link check --link chip.toml").expect(0),
        open.run("link check --link chip.toml").expect(1),
        fast.run("link check --link chip.toml"),
    ];
    snapshot("link_check", &good, &runs);
}

#[test]
fn every_open_contact_is_named_by_its_pin() {
    for (signal, word) in [
        ("chip-select", "RESEAT PIN 1"),
        ("data-out", "RESEAT PIN 2"),
        ("write-protect", "RESEAT PIN 3"),
        ("ground", "RESEAT PIN 4"),
        ("data-in", "RESEAT PIN 5"),
        ("clock", "RESEAT PIN 6"),
        ("hold", "RESEAT PIN 7"),
        ("supply", "NO POWER"),
    ] {
        let bench = bench(&fault(&format!("kind = \"open-contact\"\nsignal = \"{signal}\"")));
        let report = bench.run("link check --link chip.toml --json").expect(1).object();
        assert_eq!((&report["word"], &report["good"]), (&Value::from(word), &Value::from(false)), "{report:#}");
    }
}

/// What a watch called, with the time of each call in milliseconds.
fn calls(ran: &Ran) -> Vec<(u64, String)> {
    let seen = |event: &Value| Some((event["link_us"].as_u64()? / 1000, event["word"].as_str()?.to_owned()));
    ran.events().iter().filter_map(seen).collect()
}

/// A clip that is pressed on after a second and slips off after six: each is called within 400 ms, and each has its tone.
#[test]
fn a_seated_and_a_slipping_clip_are_called_within_400_ms() {
    for (signal, word) in [("clock", "RESEAT PIN 6"), ("data-out", "RESEAT PIN 2"), ("supply", "NO POWER")] {
        let open = |window: &str| fault(&format!("kind = \"open-contact\"\nsignal = \"{signal}\"\n{window}"));
        let bench = bench(&(open("until_us = 1000000") + &open("from_us = 6000000")));
        let ran = bench.run("link check --watch --seconds 8 --link chip.toml --json").expect(0);
        let calls = calls(&ran);
        let words: Vec<&str> = calls.iter().map(|(_, word)| word.as_str()).collect();
        assert_eq!(words, [word, "SEATED", word], "{}", ran.transcript());
        let (seated, lost) = (calls[1].0, calls[2].0);
        assert!((1000..1400).contains(&seated) && (6000..6400).contains(&lost), "{calls:?}");
        let tones: Vec<String> = ran
            .events()
            .iter()
            .filter(|event| event["event"] == "tone")
            .map(|event| event["tone"].as_str().expect("a tone").to_owned())
            .collect();
        assert_eq!(tones, ["rising", "falling"]);
        let report = ran.object();
        assert!(report["seated"] == true && report["word"] == word);
        assert!(report["looks"].as_u64().expect("a number") >= 8 * 5, "at least five looks a second: {report}");
    }
}

/// S6: contact that is lost while a chip is written has the falling tone.
#[test]
fn s6_contact_lost_while_writing_has_its_tone() {
    let bench = bench("");
    bench.write("new.bin", &noise(2, MIB));
    bench.run("chip capture --link chip.toml").expect(0);
    let begun = 20_000_000;
    bench.chip(&format!(
        "{WITH_TEST}{}",
        fault(&format!("kind = \"open-contact\"\nsignal = \"data-out\"\nfrom_us = {begun}"))
    ));
    // The clock of the virtual chip goes on from run to run; somewhere in here the write is under way.
    for _ in 0..20 {
        let ran = bench.run("chip apply new.bin --link chip.toml --json");
        if ran.status == 4 && ran.events().iter().any(|event| event["event"] == "tone") {
            assert!(ran.events().iter().any(|event| event["tone"] == "falling"));
            return;
        }
        assert!([0, 3, 4].contains(&ran.status), "{}", ran.transcript());
        bench.write("new.bin", &noise(3 + u64::from(ran.status.unsigned_abs()), MIB));
        bench.run("chip restore --link chip.toml");
    }
    panic!("no write was under way when contact was lost");
}
