use super::*;

fn pin(origin: &str, scheme: &str, key: &str) -> Pin {
    let [origin, scheme, key] = [origin, scheme, key].map(str::to_owned);
    Pin { origin, scheme, key, content: "0".repeat(64), by: "Ines".into(), since: "2026-03-01T09:30:00Z".into() }
}

#[test]
fn the_last_entry_of_an_origin_counts() {
    let pins = Pins {
        keys: vec![
            pin("Meadowlark", "openpgp", "AA"),
            pin("Teal", "openpgp", "BB"),
            pin("meadowlark ", "openpgp", "CC"),
            pin("Meadowlark", "minisign", "DD"),
        ],
    };
    let pins = Pins::parse(&pins.text()).unwrap();
    assert_eq!(pins.keys.len(), 4);
    let standing = |key| pins.standing("MEADOWLARK", Scheme::OpenPgp, key);
    assert!(matches!(standing("CC"), Standing::Known(_)));
    // The one that was replaced is no longer good.
    assert!(matches!(standing("AA"), Standing::Changed(pin) if pin.key == "CC"));
    assert_eq!(pins.standing("Meadow", Scheme::OpenPgp, "CC"), Standing::First);
    assert!(matches!(pins.standing("Meadowlark", Scheme::Minisign, "DD"), Standing::Known(_)));
    assert_eq!(Pins::parse("").unwrap(), Pins::default());
}

#[test]
fn s10_a_file_with_mistakes_is_refused_with_its_line() {
    let sound = Pins { keys: vec![pin("Teal", "openpgp", "AA")] }.text();
    for (bad, line) in [
        (sound.replace("by = ", "who = "), None),
        (sound.replace("openpgp", "wax"), None),
        (sound.replace("\"AA\"", "\"\""), None),
        ("\n\nx = [".into(), Some(3)),
        ("key = 3\n".into(), Some(1)),
    ] {
        let error = Pins::parse(&bad).unwrap_err();
        assert!(line.is_none_or(|line| line == error.line), "{error}");
    }
}

#[test]
fn keys_are_shown_in_groups_of_four() {
    assert_eq!(grouped("0123456789AB"), "0123 4567 89AB");
    assert_eq!(grouped("RWQf6LRCG"), "RWQf 6LRC G");
}
