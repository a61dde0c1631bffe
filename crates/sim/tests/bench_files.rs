//! Bench files: what is taken, what is refused and in which words.

use std::path::Path;

use nor::link::Signal;
use nor::supply::SupplyRange;
use proptest::prelude::*;
use sim::{BenchFile, ChipTimes, Contact, FaultKind, Pull, Speed, StuckLine, When};

fn parse(text: &str) -> Result<BenchFile, String> {
    BenchFile::parse(text, Path::new("dir/bench.toml")).map_err(|error| format!("{error}\nhint: {}", error.remedy))
}

fn refusal(text: &str) -> String {
    parse(text).expect_err(text)
}

#[test]
fn every_key_of_the_format_is_taken() {
    let file = parse(
        r#"
        seed = 7
        [chip]
        marking = "W25Q128"
        content = "main.bin"
        supply_v = [2.7, 3.6]
        write_protect_pin = true
        protected = "upper-half"
        [link]
        drives_v = 3.3
        clock_hz = 12_000_000
        bytes_per_second = 1216000
        round_trip_us = 5
        features = ["read-range", "digest", "program-range", "erase-list", "line-test"]
        asks = true
        present = false
        [time]
        speed = "real"
        chip_times = "maximum"
        [[fault]]
        kind = "noise"
        rate = 1e-3
        severity = 0.5
        pull = "up"
        from_us = 0
        until_us = 900000
        [[fault]]
        kind = "stuck-bit"
        at = 0x100
        bit = 7
        pull = "down"
        "#,
    )
    .unwrap_or_else(|error| panic!("{error}"));
    assert_eq!((file.seed, file.chip.content.as_path()), (7, Path::new("dir/main.bin")));
    assert_eq!(file.chip.model.supply, SupplyRange { min_mv: 2700, max_mv: 3600 });
    assert_eq!((file.chip.status, file.chip.write_protect_pin), (0x18, true));
    assert_eq!(file.link.drives.map(|supply| supply.mv), Some(3300));
    assert_eq!(
        (file.link.clock_hz, file.link.bytes_per_second, file.link.round_trip_us),
        (12_000_000, Some(1_216_000), 5)
    );
    let features = file.link.features;
    assert!(
        features.read_range
            && features.digest_range
            && features.program_range
            && features.erase_list
            && features.line_test
    );
    assert!(file.link.asks && !file.link.present);
    assert_eq!((file.time.speed, file.time.chip_times), (Speed::Real, ChipTimes::Maximum));
    assert_eq!(file.faults[0].kind, FaultKind::Noise { chance: 0.0005 });
    assert_eq!(file.faults[0].when, When::Window { from_us: 0, until_us: Some(900_000) });
    assert_eq!(file.faults[1].kind, FaultKind::StuckBit { at: 0x100, bit: 7, level: Some(false) });
}

#[test]
fn what_is_left_out_has_a_default() {
    let file = parse("[chip]\nmarking = \"w25q128jv\"\ncontent = \"/x\"").unwrap_or_else(|error| panic!("{error}"));
    assert_eq!(file.chip.model.id, [0xEF, 0x40, 0x18], "the first id of a marking that has several");
    assert_eq!((file.chip.content.as_path(), file.chip.status), (Path::new("/x"), 0));
    assert_eq!((file.link.drives, file.link.clock_hz, file.link.round_trip_us), (None, 12_000_000, 0));
    assert!(file.link.present && !file.link.asks && file.faults.is_empty());
    assert_eq!(file.time.speed, Speed::Virtual);
}

#[test]
fn a_chip_can_be_given_by_id_size_and_tables() {
    let chip = |keys: &str| {
        parse(&format!("[chip]\ncontent = \"x\"\n{keys}")).unwrap_or_else(|error| panic!("{error}")).chip.model
    };
    let known = chip("id = \"EF4018\"\nsize = 16777216");
    assert!(known.tables.is_empty(), "tables come from `sfdp` here");
    assert_eq!(known.erases.len(), 2, "erase types come from the list, which says less than the tables");
    assert_eq!(chip("marking = \"W25Q128JV\"\nid = \"ef7018\"").id, [0xEF, 0x70, 0x18]);
    assert_eq!(chip("id = \"123456789a\"\nsize = 4096").erases[0].opcode, 0x20);
    let half = chip("marking = \"W25Q128\"\nsize = 8388608");
    assert_eq!((half.size, half.tables.len()), (8 << 20, 0));
    assert_eq!(chip("marking = \"W25Q128\"\nsfdp = \"\"").tables.len(), 0);
}

#[test]
fn a_fault_of_the_cells_without_a_place_sits_where_the_seed_says() {
    let place = |seed: u32| {
        let file = parse(&format!(
            "seed = {seed}\n[chip]\nmarking = \"W25Q128\"\ncontent = \"x\"\n[[fault]]\nkind = \"worn-sector\"\nat_us = 5"
        ));
        let fault = file.expect("a bench").faults.remove(0);
        assert_eq!(fault.when, When::Window { from_us: 5, until_us: None }, "what wears out stays so");
        let FaultKind::WornSector { at, .. } = fault.kind else { panic!("a worn sector") };
        at
    };
    assert_eq!(place(1), place(1));
    assert_ne!(place(1), place(2));
}

#[test]
fn a_mistake_is_told_with_line_key_and_remedy() {
    let chip = "[chip]\nmarking = \"W25Q128\"\ncontent = \"x\"\n";
    let with = |more: &str| refusal(&format!("{chip}{more}"));
    let told = [
        refusal("seed = 1\nseed = 2"),
        refusal("seed = -1\nchip = {}"),
        refusal(""),
        refusal("[chip]\ncontent = \"x\""),
        refusal("[chip]\nmarking = \"W25Q128\""),
        refusal("[chip]\nmarking = \"W25Q182\"\ncontent = \"x\""),
        refusal("[chip]\nid = \"ef4g\"\nsize = 4096\ncontent = \"x\""),
        refusal("[chip]\nid = \"ef4018\"\nsize = 5000\ncontent = \"x\""),
        refusal("[chip]\nid = \"ef4018\"\nsize = 4294967296\ncontent = \"x\""),
        with("supply_v = [3.6, 2.7]"),
        with("protected = \"lower-third\""),
        with("colour = 1"),
        with("[link]\nfeatures = [\"digest\", \"fly\"]"),
        with("[link]\nclock_hz = \"fast\""),
        with("[[fault]]\nkind = \"open-contact\""),
        with("[[fault]]\nkind = \"open-contact\"\nsignal = \"clock\"\npull = \"neighbour\""),
        with("[[fault]]\nkind = \"open-data-out\"\nseverity = 0"),
        with("[[fault]]\nkind = \"hold-floating\"\nsignal = \"clock\""),
        with("[[fault]]\nkind = \"address-error\"\nbit = 40"),
        with("[[fault]]\nkind = \"clock-slip\"\nsignal = \"clock\""),
        with("[[fault]]\nkind = \"power-cut\"\nat_us = 5\nfrom_us = 1"),
        with("[[fault]]\nkind = \"noise\"\nrate = 2"),
        with("[[fault]]\nkind = \"unplug\"\nfrom_us = 7\nuntil_us = 7"),
        with("[[fault]]\nkind = \"wrong-chip\"\nto = \"W25Q128\""),
        with("[[fault]]\nkind = \"unplug\"\nat = 7"),
    ];
    let wanted = "\
dir/bench.toml, line 2: not TOML: duplicate key
hint: mend the line; the format is that of toml.io, version 1
dir/bench.toml, line 1, seed: -1 is out of range
hint: give a whole number from 0 to 9223372036854775807
dir/bench.toml, line 1, chip: there is no chip
hint: add a table `[chip]` with `marking` and `content`
dir/bench.toml, line 1, [chip] marking: nothing says which chip this is
hint: give `marking`, or `id` and `size`
dir/bench.toml, line 1, [chip] content: the chip has no content
hint: give a file name; a missing file is created blank
dir/bench.toml, line 2, [chip] marking: no chip is called `W25Q182`
hint: near it: W25Q128, W25Q32, W25Q80, N25Q032, P25Q128H; or give `id` and `size`
dir/bench.toml, line 2, [chip] id: `ef4g` is no chip id
hint: give three to eight bytes as hexadecimal digits, such as \"ef4018\"
dir/bench.toml, line 3, [chip] size: 5000 is no chip size
hint: give a power of two
dir/bench.toml, line 3, [chip] size: 4294967296 is out of range
hint: give a whole number from 4096 to 2147483648
dir/bench.toml, line 4, [chip] supply_v: [3.6, 2.7] is no supply range: expected two voltages from 0.5 to 6, the least first
hint: give the least and the most volts, such as [2.7, 3.6]
dir/bench.toml, line 4, [chip] protected: `lower-third` is not known here
hint: known here: none, all, upper-half, upper-quarter, lower-half, lower-quarter
dir/bench.toml, line 4, [chip] colour: this key is not known
hint: known here: marking, id, size, sfdp, content, supply_v, write_protect_pin, protected
dir/bench.toml, line 5, [link] features: `fly` is not known here
hint: known here: read-range, digest, program-range, erase-list, line-test, two-lines
dir/bench.toml, line 5, [link] clock_hz: this is of type string
hint: give a whole number
dir/bench.toml, line 4, [[fault]] signal: nothing says which contact is open
hint: give one, such as \"clock\"
dir/bench.toml, line 7, [[fault]] pull: only data-out follows a neighbour
hint: give \"up\" or \"down\"
dir/bench.toml, line 6, [[fault]] severity: a contact that is never open is a good one
hint: give more than 0
dir/bench.toml, line 6, [[fault]] signal: `clock` is not known here
hint: known here: hold, write-protect
dir/bench.toml, line 6, [[fault]] bit: 40 is out of range
hint: give a whole number from 0 to 39
dir/bench.toml, line 6, [[fault]] signal: this kind of fault has no use for it
hint: leave it out
dir/bench.toml, line 6, [[fault]] at_us: a moment and a window exclude each other
hint: give one of them
dir/bench.toml, line 6, [[fault]] rate: 2 is out of range
hint: give a number from 0 to 1
dir/bench.toml, line 7, [[fault]] until_us: the window ends before it begins
hint: give a time after `from_us`
dir/bench.toml, line 6, [[fault]] to: this is the chip of the bench itself
hint: give one with another id
dir/bench.toml, line 6, [[fault]] at: this kind of fault has no use for it
hint: leave it out";
    assert_eq!(told.join("\n"), wanted);
}

#[test]
fn every_wiring_fault_has_its_defaults_and_its_keys() {
    let kind = |lines: &str| {
        let text = format!("[chip]\nmarking = \"W25Q128\"\ncontent = \"x\"\n[[fault]]\nkind = {lines}");
        parse(&text).unwrap_or_else(|error| panic!("{error}")).faults.remove(0).kind
    };
    let line = |signal, chance, share| FaultKind::OpenContact {
        contact: Contact::Line(signal),
        pull: Pull::Up,
        chance,
        share,
    };
    let stuck = StuckLine { bit: 8, pull: Pull::Down, share: 1.0 };
    for (lines, wanted) in [
        ("\"noise\"", FaultKind::Noise { chance: 1e-6 }),
        ("\"open-data-out\"", line(Signal::DataOut, 1e-6, 1.0)),
        ("\"open-contact\"\nsignal = \"data-out\"\nrate = 0.5", line(Signal::DataOut, 0.5, 1.0)),
        ("\"open-contact\"\nsignal = \"clock\"\nseverity = 0.5", line(Signal::Clock, 1e-6, 0.5)),
        ("\"weak-data-out\"", FaultKind::WeakDataOut { chance: 1e-6, share: 0.5, pull: Pull::Up }),
        ("\"clock-slip\"", FaultKind::ClockSlip { chance: 1e-6, doubled: 0.5 }),
        ("\"select-bounce\"\npull = \"down\"", FaultKind::SelectBounce { chance: 1e-6, share: 1.0, pull: Pull::Down }),
        ("\"address-error\"\nseverity = 0.5", FaultKind::AddressError { chance: 5e-7, stuck: None }),
        ("\"address-error\"\nbit = 8", FaultKind::AddressError { chance: 0.0, stuck: Some(stuck) }),
        ("\"supply-sag\"\nrate = 20", FaultKind::SupplySag { per_second: 20.0, depth: 0.5 }),
        ("\"late-sampling\"", FaultKind::LateSampling { chance: 1e-6, lead: 0.5 }),
        ("\"constant-shift\"", FaultKind::ConstantShift { share: 1.0 }),
        ("\"bus-contention\"", FaultKind::BusContention { per_second: 100.0, share: 0.05 }),
        ("\"size-alias\"", FaultKind::SizeAlias { halvings: 1 }),
        ("\"size-alias\"\nseverity = 1", FaultKind::SizeAlias { halvings: 4 }),
        (
            "\"hold-floating\"",
            FaultKind::HoldFloating { signal: Signal::Hold, chance: 1e-6, share: 0.5, pull: Pull::Up },
        ),
        (
            "\"hold-floating\"\nsignal = \"write-protect\"",
            FaultKind::HoldFloating { signal: Signal::WriteProtect, chance: 1e-6, share: 0.5, pull: Pull::Down },
        ),
    ] {
        let found = kind(lines);
        assert_eq!(found, wanted, "{lines}");
    }
    assert_eq!(kind("\"open-contact\"\nsignal = \"data-out\"").word(), "open-data-out");
}

#[test]
fn s10_nasty_files_are_refused_without_harm() {
    let long = "x".repeat(1 << 20);
    let deep = "[".repeat(100_000);
    let nasty = [
        format!("[chip]\nmarking = \"{long}\"\ncontent = \"x\""),
        format!("[chip]\nmarking = \"W25Q128\"\ncontent = \"{long}\""),
        format!("[chip]\nid = \"ef4018\"\nsize = 4096\ncontent = \"x\"\nsfdp = \"{}\"", "5".repeat(40_000)),
        format!("[chip]\nmarking = \"W25Q128\"\ncontent = \"x\"\n[link]\nfeatures = {deep}"),
        format!("{long} = 1"),
        format!("seed = {}", "9".repeat(100_000)),
        "[chip]\nmarking = \"W25Q128\"\ncontent = \"\\u0000\"".into(),
        "[chip]\nmarking = \"\u{FF37}\"\ncontent = \"x\"".into(),
        "chip = 1979-05-27T07:32:00Z".into(),
        "chip = []".into(),
        "fault = [1]\n[chip]\nmarking = \"W25Q128\"\ncontent = \"x\"".into(),
        "fault = 1\n[chip]\nmarking = \"W25Q128\"\ncontent = \"x\"".into(),
        "[chip]\nmarking = \"W25Q128\"\ncontent = \"x\"\nsupply_v = [nan, inf]".into(),
        "[chip]\nmarking = \"W25Q128\"\ncontent = \"x\"\n[link]\ndrives_v = -inf".into(),
        "[chip]\nmarking = \"W25Q128\"\ncontent = \"x\"\n[[fault]]\nkind = \"noise\"\nrate = nan".into(),
        "[chip]\nmarking = \"W25Q128\"\ncontent = \"x\"\n[link]\nclock_hz = 0".into(),
        "[chip]\nid = \"ef4018\"\nsize = 0\ncontent = \"x\"".into(),
        "\u{0}".into(),
    ];
    for text in &nasty {
        let told = refusal(text);
        assert!(told.contains("hint: ") && told.len() < 1000, "{} bytes of {:?}", told.len(), told.get(..200));
    }
}

#[test]
fn s10_a_file_that_is_too_long_or_no_text_is_refused() {
    let folder = tempfile::tempdir().expect("a folder for the test");
    let path = folder.path().join("bench.toml");
    for (content, word) in [(vec![b'#'; (1 << 20) + 1], "longer than"), (vec![0xFF; 64], "no UTF-8 text")] {
        std::fs::write(&path, content).expect("a file");
        let told = BenchFile::load(&path).expect_err("refused").to_string();
        assert!(told.contains(word), "{told}");
    }
    assert!(BenchFile::load(Path::new("/dev/zero")).expect_err("refused").to_string().contains("this is no file"));
}

/// Lines that look right more often than not.
fn any_line() -> impl Strategy<Value = String> {
    let key = prop::sample::select(vec![
        "seed",
        "marking",
        "id",
        "size",
        "sfdp",
        "content",
        "supply_v",
        "protected",
        "drives_v",
        "clock_hz",
        "features",
        "kind",
        "rate",
        "severity",
        "pull",
        "from_us",
        "until_us",
        "at_us",
        "at",
        "bit",
        "to",
        "signal",
        "present",
        "speed",
    ]);
    let value = prop_oneof![
        any::<i64>().prop_map(|number| number.to_string()),
        (0_u32..32).prop_map(|shift| (1_u64 << shift).to_string()),
        any::<f64>().prop_map(|number| format!("{number:?}")),
        prop::sample::select(vec![
            "\"W25Q128\"",
            "\"ef4018\"",
            "\"x\"",
            "[2.7, 3.6]",
            "[]",
            "[\"digest\"]",
            "true",
            "\"all\"",
            "\"lower-quarter\"",
            "\"noise\"",
            "\"stuck-bit\"",
            "\"worn-sector\"",
            "\"wrong-chip\"",
            "\"power-cut\"",
            "\"open-contact\"",
            "\"address-error\"",
            "\"hold\"",
            "\"up\"",
            "{}",
            "0x_",
            "\"real\"",
        ])
        .prop_map(str::to_owned),
        "\"[0-9a-f]{0,40}\"",
        "\\PC{0,12}",
    ];
    let header = prop::sample::select(vec!["[chip]", "[link]", "[time]", "[[fault]]", "[fault]", "[[chip]]"]);
    prop_oneof![3 => (key, value).prop_map(|(key, value)| format!("{key} = {value}")), 1 => header.prop_map(str::to_owned)]
}

proptest! {
    #[test]
    fn s10_no_text_makes_the_reader_panic(lines in prop::collection::vec(any_line(), 0..16)) {
        if let Err(told) = parse(&lines.join("\n")) {
            prop_assert!(told.contains("hint: ") && told.len() < 2000, "{told}");
        }
    }

    #[test]
    fn s10_no_tables_make_the_chip_panic(tables in prop::collection::vec(any::<u8>(), 0..120), size in 12_u32..25) {
        let real = [0x53, 0x46, 0x44, 0x50, 0, 1, 0, 0xFF, 0, 0, 1, 16, 16, 0, 0, 0xFF];
        let hex: String = real.iter().chain(&tables).map(|byte| format!("{byte:02x}")).collect();
        let file = parse(&format!("[chip]\nid = \"77aa55\"\nsize = {}\ncontent = \"x\"\nsfdp = \"{hex}\"", 1_u32 << size)).expect("a chip");
        let model = &file.chip.model;
        prop_assert!(!model.erases.is_empty() && model.erases.iter().all(|erase| erase.size <= model.size));
        prop_assert!(model.page.is_power_of_two() && model.page <= model.size);
        let erases = model.erases.clone();
        let content = vec![0; 1 << size];
        let mut bench = sim::VirtualBench::in_memory(file, &content).expect("a fitting content");
        for erase in erases {
            for write in [vec![6], vec![erase.opcode, 0, 1, 2], vec![2, 0, 0, 9, 1]] {
                let transfer = nor::command::Transfer { write, read: 0 };
                nor::link::Link::run(&mut bench, &nor::link::Request::Transfer(transfer), u64::MAX).expect("the link is there");
            }
        }
    }
}
