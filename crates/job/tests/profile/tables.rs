//! What a table says about itself, and names: each mistake with its line, key, text and remedy.

use std::path::Path;

use job::profile::{Profile, ProfileError};

use crate::common::{SMALL, changed, findings, refused, step, with_steps};

#[test]
fn the_small_profile_is_sound() {
    let profile = Profile::parse(SMALL, Path::new("small.toml")).expect("sound");
    assert_eq!(profile.steps.len(), 11);
}

#[test]
fn unknown_keys_are_errors() {
    let text = changed("name = \"Small\"", "name = \"Small\"\nnotes = \"x\"");
    refused(&text, "notes", "[board] notes", "this key is not known", "known here: name, revision, note, jobs");
    let text = format!("colour = 1\n{SMALL}");
    let known =
        "known here: board, source, gate, option, supply, chip, span, setting, variant, controller, limit, step";
    refused(&text, "colour", "colour", "this key is not known", known);
}

/// The small profile with a controller, whose lines `more` ends.
fn with_controller(more: &str) -> String {
    let head = "[[controller]]\nid = \"ec\"\nname = \"n\"\nwhy = \"w\"\n";
    format!("{SMALL}\n{head}{more}\n")
}

#[test]
fn a_controller_says_where_its_version_stands_and_which_ones_are_good() {
    let rest = "chip = \"main\"\nlook_in = \"stock\"\nneeds = [\"1.17\", \"1.18\"]\n";
    let place = "at = 0x10\nlen = 0x20\nbefore = \"EC-\"";
    let profile = Profile::parse(&with_controller(&format!("{rest}{place}")), Path::new("small.toml")).expect("sound");
    let [controller] = &profile.controllers[..] else { panic!("{:?}", profile.controllers) };
    assert_eq!(controller.wanted.needs, ["1.17", "1.18"]);
    assert_eq!(controller.wanted.place, image::check::Place::Stretch(0x10..0x30));
    let select = with_controller(&format!("{rest}select = \"file:Keys/section%14\"\nskip = 2"));
    assert!(Profile::parse(&select, Path::new("small.toml")).is_ok());
    let places = "write `select = \"SELECTOR\"`, or `at = OFFSET` and `len = BYTES`";
    for (from, to, at, key, what, remedy) in [
        ("at = 0x10\n", "", "[[controller]]", "[[controller]] select", "nothing says where the version stands", places),
        (
            "at = 0x10",
            "select = \"file:\"\nat = 0x10",
            "at = 0x10",
            "[[controller]] at",
            "a version stands in a structure or in a stretch, not in both",
            "take this out, or `select`",
        ),
        (
            "before",
            "skip = 2\nbefore",
            "skip",
            "[[controller]] skip",
            "this key goes with `select` only",
            "take it out",
        ),
        (
            "len = 0x20",
            "len = 0x1000_0000",
            "len = 0x1000_0000",
            "[[controller]] len",
            "the stretch ends past the greatest image",
            "give the bytes where the version stands",
        ),
        (
            "at = 0x10",
            "at = 0x100_0000",
            "at = 0x100_0000",
            "[[controller]] at",
            "the stretch ends at 0x1000020 and `main` at 0x1000000",
            "give a place inside the image",
        ),
        (
            "chip = \"main\"\nlook_in",
            "chip = \"mian\"\nlook_in",
            "chip = \"mian\"",
            "[[controller]] chip",
            "`mian` is not there",
            "name a chip or span of this profile",
        ),
        (
            "needs = [\"1.17\", \"1.18\"]",
            "needs = []",
            "needs = []",
            "[[controller]] needs",
            "no version is named",
            "list those that the new firmware was tried with, as they stand",
        ),
        (
            "\"1.17\"",
            "\"1.17 b\"",
            "needs = [\"1.17 b",
            "[[controller]] needs",
            "`1.17 b` is no version as it can stand in an image",
            "write 1 to 64 letters, digits and signs without a blank",
        ),
        (
            "\"stock\"",
            "\"chip\"",
            "look_in",
            "[[controller]] look_in",
            "`chip` is not known here",
            "known here: stock, image",
        ),
    ] {
        let text = with_controller(&format!("{rest}{place}").replacen(from, to, 1));
        let shown: Vec<String> = findings(&text).iter().map(|it| format!("{it}|{}", it.remedy)).collect();
        let offset = SMALL.len() + text[SMALL.len()..].find(at).expect(at);
        let line = text[..offset].matches('\n').count() + 1;
        let wanted = format!("line {line}, {key}: {what}|{remedy}");
        assert!(shown.contains(&wanted), "{wanted}\n{shown:#?}");
    }
    let text = with_controller(&format!("{rest}select = \"nonsense:\""));
    assert!(findings(&text)[0].to_string().contains("this is no selector"), "{:?}", findings(&text));
}

#[test]
fn s15_a_profile_has_no_place_for_the_numbers_of_one_machine() {
    for key in ["serial", "mac", "address", "unique_id", "password"] {
        let text = changed("name = \"Small\"", &format!("name = \"Small\"\n{key} = \"x\""));
        let remedy = "known here: name, revision, note, jobs";
        refused(&text, key, &format!("[board] {key}"), "this key is not known", remedy);
    }
}

#[test]
fn missing_keys_are_errors() {
    let text = changed("place = \"in the middle\"\n", "");
    let remedy = "write `place = ...`; docs/profiles.md says what it takes";
    refused(&text, "[[chip]]", "[[chip]] place", "this key is missing", remedy);
    let text = changed("role = \"system\"\n", "");
    refused(&text, "[[chip]]", "[[chip]] role", "this key is missing", "known here: system, port, controller");
    let text = changed("[board]\nname = \"Small\"\njobs = [\"convert\"]\n", "");
    let found = findings(&text);
    assert_eq!(found[0].to_string(), "line 1, board: this table is missing");
    assert_eq!(found[0].remedy, "write `[board]` with a `name`");
}

#[test]
fn wrong_types_and_words_are_errors() {
    let text = changed("role = \"system\"", "role = 5");
    refused(&text, "role = 5", "[[chip]] role", "this is of type integer", "give a text in quotes");
    let text = changed("role = \"system\"", "role = \"cpu\"");
    refused(&text, "role", "[[chip]] role", "`cpu` is not known here", "known here: system, port, controller");
    let text = changed("dark_minutes = 3", "dark_minutes = 500");
    let remedy = "give a whole number from 1 to 120";
    refused(&text, "dark_minutes", "[[step]] dark_minutes", "500 is out of range", remedy);
    let text = changed("jobs = [\"convert\"]", "jobs = \"convert\"");
    let remedy = "give a list, such as [\"one\", \"two\"]";
    refused(&text, "jobs", "[board] jobs", "this is of type string", remedy);
    let text = changed("date = \"2026-01-02\"", "date = \"2026-02-30\"");
    refused(&text, "date", "[[source]] date", "`2026-02-30` is no day", "write it as YYYY-MM-DD");
}

#[test]
fn ids_are_plain_words() {
    let text = changed("id = \"battery\"", "id = \"My Battery\"");
    let remedy = "use 1 to 40 small letters, digits and hyphens, a letter first";
    refused(&text, "My Battery", "[[supply]] id", "`My Battery` is no id", remedy);
}

#[test]
fn text_that_nobody_would_see_is_an_error() {
    let text = changed("how_off = \"unplug\"", "how_off = \"un\\u001b[2Jplug\"");
    refused(
        &text,
        "how_off = \"un",
        "[[supply]] how_off",
        "the text holds U+001B, which nobody would see",
        "take it out",
    );
    let text = changed("how_off = \"unplug\"", "how_off = \"un\u{202E}plug\"");
    refused(
        &text,
        "how_off = \"un",
        "[[supply]] how_off",
        "the text holds U+202E, which nobody would see",
        "take it out",
    );
    let text = changed("how_off = \"unplug\"", "how_off = \"  \"");
    let remedy = "write something, or take the key out";
    refused(&text, "how_off = \"  ", "[[supply]] how_off", "this text is empty", remedy);
}

#[test]
fn sizes_are_powers_of_two() {
    let text = changed("markings = [\"W25Q128\"]", "markings = []").replace("size = 0x100_0000", "size = 12_582_912");
    let remedy = "give the chip's bytes; its marking counts in Mbit";
    refused(&text, "size = 12", "[[chip]] size", "12582912 is no power of two", remedy);
}

#[test]
fn s4_a_supply_lies_inside_one_class() {
    let text = changed("supply_v = [2.7, 3.6]", "supply_v = [1.8, 3.6]");
    let what = "1.8 V to 3.6 V is neither inside the 3 V class (2.7 to 3.6) nor inside the 1.8 V class (1.65 to 2.0)";
    let remedy = "give the range of the data sheet; a range over both classes could destroy a chip";
    refused(&text, "supply_v", "[[chip]] supply_v", what, remedy);
    let text = changed("supply_v = [2.7, 3.6]", "supply_v = [3.6, 2.7]");
    let remedy = "give two voltages from 0.5 to 6, the least first";
    refused(&text, "supply_v", "[[chip]] supply_v", "[3.6, 2.7] is no supply range", remedy);
    let text = changed("supply_v = [2.7, 3.6]", "supply_v = 3.3");
    let remedy = "give two voltages, such as [2.7, 3.6]";
    refused(&text, "supply_v", "[[chip]] supply_v", "this is of type float", remedy);
}

#[test]
fn s4_the_catalogue_has_to_agree_with_the_markings() {
    let text = changed("supply_v = [2.7, 3.6]", "supply_v = [1.65, 1.95]");
    let what = "chip `main` is said to take 1.65 V to 1.95 V, and W25Q128 takes 2.7 V to 3.6 V (S4)";
    let remedy = "look at the marking again; give the voltage of its data sheet";
    refused(&text, "supply_v", "[[chip]] supply_v", what, remedy);
    let text = changed("\"W25Q128\"", "\"W25Q64\"");
    let what = "chip `main` is said to have 16777216 bytes, and W25Q64 has 8388608";
    refused(&text, "size = 0x100_0000", "[[chip]] size", what, "mend the size or the marking");
}

#[test]
fn no_clip_grips_a_wson_8() {
    let text = changed("\"SOIC-8\"", "\"WSON-8\"");
    let what = "no clip grips a WSON-8, which has no leads";
    refused(&text, "reach = ", "[[chip]] reach", what, "use spring-probe, soldered-wires or desoldered");
}

#[test]
fn regions_stay_inside_the_chip_and_apart() {
    let region = |name: &str, at: u32, size: u32| {
        format!(
            "reach = \"clip\"\n[[chip.region]]\nname = \"one\"\nat = 0\nsize = 16\n[[chip.region]]\nname = \"{name}\"\nat = {at}\nsize = {size}\n"
        )
    };
    let text = changed("reach = \"clip\"", &region("two", 15, 99));
    let remedy = "give each byte of the chip to one region at most";
    refused(&text, "at = 15", "[[chip.region]] at", "region `two` overlaps region `one`", remedy);
    let text = changed("reach = \"clip\"", &region("two", 0x00FF_FFFF, 2));
    let what = "region `two` reaches to 0x1000001, past the chip's end at 0x1000000";
    refused(&text, "size = 2", "[[chip.region]] size", what, "shorten it, or mend the chip's size");
    let text = changed("reach = \"clip\"", &region("one", 16, 16));
    let at = "name = \"one\"\nat = 16";
    let remedy = "give each region of a chip a name of its own";
    refused(&text, at, "[[chip.region]] name", "region `one` is there twice", remedy);
}

#[test]
fn hashes_have_64_digits() {
    let text = changed("aabbccddeeff\"", "\"");
    let what = "`00112233445566778899aabbccddeeff00112233` is no SHA-256";
    let remedy = "give the 64 hexadecimal digits that `sha256sum FILE` prints";
    refused(&text, "sha256", "[[variant.image]] sha256", what, remedy);
}

#[test]
fn s8_an_image_has_the_size_of_its_chip() {
    let text = changed("file = \"main.bin\"\nsize = 0x100_0000", "file = \"main.bin\"\nsize = 0x80_0000");
    let what = "the image has 8388608 bytes and `main` has 16777216 (S8)";
    let remedy = "an image that is not the whole chip needs a recipe that says where it goes";
    refused(&text, "size = 0x80", "[[variant.image]] size", what, remedy);
}

#[test]
fn s10_paths_stay_inside_the_folder() {
    for path in ["../secret.png", "/etc/passwd", "a/../../b.png", "..\\b.png", "./a.png"] {
        let text = changed("dark_minutes = 3", &format!("dark_minutes = 3\npictures = ['{path}']"));
        let what = format!("`{path}` leads out of the profile's folder");
        let remedy = "give a path relative to the profile, without `..`; keep what it needs beside it";
        refused(&text, "pictures", "[[step]] pictures", &what, remedy);
    }
    let text = changed("file = \"main.bin\"", "file = \"../main.bin\"");
    let remedy = "give the file's bare name; its hash finds it";
    refused(&text, "file = ", "[[variant.image]] file", "`../main.bin` is a path", remedy);
}

#[cfg(unix)]
#[test]
fn s10_a_link_out_of_the_folder_is_refused_and_a_missing_file_is_a_warning() {
    let dir = tempfile::tempdir().expect("a folder");
    let inside = dir.path().join("profile");
    std::fs::create_dir(&inside).expect("made");
    std::fs::write(dir.path().join("outside.png"), b"x").expect("written");
    let text = changed("dark_minutes = 3", "dark_minutes = 3\npictures = [\"a.png\"]");
    let file = inside.join("small.toml");
    std::fs::write(&file, &text).expect("written");
    let checked = Profile::check(&file).expect("sound");
    let key = checked.warnings[0].key.as_deref();
    assert_eq!((checked.warnings.len(), key), (1, Some("[[step]] pictures")), "{:?}", checked.warnings);

    std::os::unix::fs::symlink("../outside.png", inside.join("a.png")).expect("linked");
    let error = Profile::check(&file).expect_err("a link out");
    let found: Vec<String> = error.findings().iter().map(ToString::to_string).collect();
    let line = text.lines().position(|line| line.starts_with("pictures")).expect("there") + 1;
    let wanted = format!("line {line}, [[step]] pictures: `a.png` is a link that leads out of the profile's folder");
    assert_eq!(found, [wanted]);

    std::fs::remove_file(inside.join("a.png")).expect("removed");
    std::fs::write(inside.join("a.png"), b"x").expect("written");
    assert!(Profile::check(&file).expect("sound").warnings.is_empty());
}

#[test]
fn s10_long_files_many_tables_and_no_text_are_refused() {
    let long = format!("{SMALL}#{}", "x".repeat(1 << 20));
    let error = Profile::parse(&long, Path::new("small.toml")).expect_err("too long");
    assert_eq!(error.to_string(), "the profile small.toml is longer than 1048576 bytes");
    let many = format!("{SMALL}{}", "[[step]]\n".repeat(401));
    refused(&many, "[[step]]", "step", "412 of them are too many", "give at most 400");
    let many = changed("markings = [\"W25Q128\"]", &format!("markings = [{}]", "\"a\",".repeat(65)));
    assert!(findings(&many).iter().any(|finding| finding.what == "65 items are too many"));
    let wordy = changed("\"in the middle\"", &format!("\"{}\"", "x".repeat(4001)));
    refused(&wordy, "place", "[[chip]] place", "4001 bytes of text", "give at most 4000 bytes");

    let dir = tempfile::tempdir().expect("a folder");
    let file = dir.path().join("p.toml");
    std::fs::write(&file, [b'#', 0xFF]).expect("written");
    let error = Profile::load(&file).expect_err("no text");
    assert!(matches!(error, ProfileError::NotText { at: 1, .. }), "{error:?}");
    std::fs::write(&file, vec![b'#'; (1 << 20) + 1]).expect("written");
    assert!(matches!(Profile::load(&file), Err(ProfileError::TooLong { .. })));
    assert!(matches!(Profile::load(&dir.path().join("none")), Err(ProfileError::Io { .. })));
}

#[test]
fn what_is_no_toml_is_told_with_its_line() {
    let found = findings("[board]\nname = \n");
    assert_eq!(found[0].line, Some(2));
    assert_eq!(found[0].remedy, "mend the line; the format is that of toml.io, version 1");
}

#[test]
fn ids_are_there_once() {
    let text = changed("id = \"battery\"", "id = \"mains\"");
    let at = "id = \"mains\"\nname = \"battery\"";
    refused(&text, at, "[[supply]] id", "supply `mains` is there twice", "give each an id of its own");
    let text = changed("id = \"start\"", "id = \"on\"").replace("[\"start\"]", "[\"on\"]");
    let found = findings(&text);
    assert!(found.iter().any(|finding| finding.what == "step `on` is there twice"), "{found:#?}");
}

#[test]
fn supplies_have_places_of_their_own() {
    let text = changed("order = 2", "order = 1");
    let at = "order = 1\nhow_off = \"unplug\"";
    let remedy = "give each its own place in the order of switching off";
    refused(&text, at, "[[supply]] order", "supplies `mains` and `battery` both have place 1", remedy);
}

#[test]
fn what_a_step_names_is_there() {
    let remedy = "name steps of this profile that belong to the same job";
    let text = changed("needs = [\"off\"]", "needs = [\"of\"]");
    refused(&text, "needs = [\"of\"]", "[[step]] needs", "step `open` needs `of`, which is not there", remedy);
    let text = changed("needs = [\"off\"]", "needs = [\"open\"]");
    let at = "needs = [\"open\"]";
    refused(&text, at, "[[step]] needs", "step `open` needs itself", remedy);
    let text = changed("kind = \"capture\"\nchip = \"main\"", "kind = \"capture\"\nchip = \"port\"");
    refused(&text, "chip = \"port\"", "[[step]] chip", "there is no chip `port`", "name each chip once, by its `id`");
    let text = changed("kind = \"supplies-off\"", "kind = \"supplies-off\"\nsupplies = [\"mains\", \"mains\"]");
    let remedy = "name each supply once, by its `id`";
    refused(&text, "supplies =", "[[step]] supplies", "supply `mains` is named twice", remedy);
}

#[test]
fn steps_that_need_each_other_share_a_job() {
    let text = with_steps(
        "handover",
        &[
            step("back", "note", "only_for = [\"return\"]\nneeds = [\"fore\"]"),
            step("fore", "note", "only_for = [\"convert\"]"),
        ],
    )
    .replace("jobs = [\"convert\"]", "jobs = [\"convert\", \"return\"]");
    let remedy = "name steps of this profile that belong to the same job";
    refused(&text, "needs = [\"fore\"]", "[[step]] needs", "step `back` needs `fore`, and no job has both", remedy);
    let text = with_steps("handover", &[step("back", "note", "only_for = [\"return\"]")]);
    let what = "step `back` is for return jobs, and `[board] jobs` has none";
    refused(&text, "only_for", "[[step]] only_for", what, "add the kind to `[board] jobs`, or take it out here");
}

#[test]
fn keys_belong_to_kinds() {
    let text = changed("dark_minutes = 3\n", "");
    let what = "step `start`: a power-up step needs `dark_minutes`";
    let remedy = "say how many minutes it may stay dark before something is wrong";
    refused(&text, "[[step]]\nid = \"start\"", "[[step]] dark_minutes", what, remedy);
    let text = changed("kind = \"open\"", "kind = \"open\"\ndark_minutes = 3");
    let what = "step `open`: an open step has no `dark_minutes`";
    refused(&text, "dark_minutes", "[[step]] dark_minutes", what, "take it out, or mend `kind`");
    let text = changed("kind = \"capture\"\nchip = \"main\"", "kind = \"capture\"");
    let what = "step `capture`: a capture step needs `chip`";
    refused(&text, "[[step]]\nid = \"capture\"", "[[step]] chip", what, "give the id of a `[[chip]]`");
    let text = with_steps("handover", &[step("mix", "compose", "")]);
    let what = "step `mix`: a compose step makes the image of one chip or of one span";
    refused(&text, "[[step]]\nid = \"mix\"", "[[step]] chip", what, "give either `chip` or `span`");
}

#[test]
fn a_measure_says_which_value_is_good() {
    let measure = |limits: &str| {
        with_steps("handover", &[step("m", "measure", &format!("measure = {{ what = \"x\", unit = \"V\"{limits} }}"))])
    };
    refused(
        &measure(""),
        "measure = ",
        "[step.measure] min",
        "nothing says which value is good",
        "give `min`, `max` or both; of a text, `is`",
    );
    let text = measure(", min = 3, max = 2.5");
    let what = "the least good value 3 is above the greatest, 2.5";
    refused(&text, "measure = ", "[step.measure] min", what, "swap them");
    assert!(Profile::parse(&measure(", max = 0.1"), Path::new("p")).is_ok());
    let text = |limits: &str| {
        with_steps("handover", &[step("m", "measure", &format!("measure = {{ what = \"version\", {limits} }}"))])
    };
    assert!(Profile::parse(&text("is = [\"1.18\", \"1.19\"]"), Path::new("p")).is_ok());
    refused(&text("is = []"), "measure = ", "[step.measure] is", "no text is good", "name those that are");
    refused(
        &text("is = [\"1.18\"], unit = \"V\""),
        "measure = ",
        "[step.measure] unit",
        "a text has no `unit`",
        "take it out, or `is`",
    );
}

#[test]
fn variants_have_what_steps_want() {
    let text = changed(
        "file = \"main.bin\"\nsize = 0x100_0000\nsha256 = \"00112233445566778899aabbccddeeff00112233445566778899aabbccddeeff\"",
        "recipe = \"main.recipe\"",
    );
    let what = "step `apply` wants a file for `main`, and variant `only` has none";
    refused(&text, "content = ", "[[step]] content", what, "give the variant an image with a `file` there");
    let text = changed("chip = \"main\"\nfile", "chip = \"port\"\nfile");
    assert!(findings(&text).iter().any(|finding| finding.what == "`port` is not there"));
    let text = changed("sha256 = ", "recipe = \"x\"\nsha256 = ");
    let found = findings(&text);
    assert_eq!(found.len(), 3, "{found:#?}");
    assert!(found.iter().all(|finding| finding.what == "an image is a recipe or a file, not both"));
}

#[test]
fn spans_sum_up() {
    let port = "reach = \"clip\"\n[[chip]]\nid = \"port\"\nrole = \"port\"\nsize = 0x10_0000\nmarkings = [\"W25Q80DV\"]\nsupply_v = [2.7, 3.6]\npackage = \"SOIC-8\"\nplace = \"p\"\nreach = \"clip\"\n";
    let both = |size: u32, chips: &str| {
        changed("reach = \"clip\"", &format!("{port}[[span]]\nid = \"both\"\nsize = {size}\nchips = [{chips}]\n"))
    };
    assert!(Profile::parse(&both(0x110_0000, "\"main\", \"port\""), Path::new("p")).is_ok());
    let text = both(0x100_0000, "\"main\", \"port\"");
    let what = "span `both` is said to have 16777216 bytes, and its chips have 17825792 (S8)";
    refused(&text, "size = 16777216", "[[span]] size", what, "mend the span's size, or the sizes of its chips");
    let text = both(0x100_0000, "\"main\"");
    let remedy = "a span is for several chips that hold one image; take it out otherwise";
    refused(&text, "chips = ", "[[span]] chips", "span `both` has not even two chips", remedy);
}

/// What goes onto a stick is the vendor's file, or a part of it: then both are pinned.
#[test]
fn a_stick_gets_a_file_or_a_part_of_one() {
    let hash = "1".repeat(64);
    let media = |more: &str| {
        let media = format!("media = {{ file = \"a.iso\", size = 1, sha256 = \"{hash}\"{more} }}");
        with_steps("handover", &[step("m", "boot-media", &media)])
    };
    let from = format!("from = \"sha256:{hash}\"");
    for more in ["", &format!(", {from}, take = \"boot#2\""), &format!(", {from}, take = \"iso:/a.img\"")] {
        assert!(Profile::parse(&media(more), Path::new("p")).is_ok(), "{more}");
    }
    let both = "write both: `from`, the hash of the vendor's file, and `take`, the way in";
    refused(&media(&format!(", {from}")), "media = ", "[step.media] take", "`from` needs `take`", both);
    refused(&media(", take = \"boot\""), "media = ", "[step.media] from", "`take` needs `from`", both);
    refused(
        &media(&format!(", {from}, take = \"boot then file:X\"")),
        "media = ",
        "[step.media] take",
        "a structure starts nothing",
        "end with the container that is started",
    );
    refused(
        &media(&format!(", {from}, take = \"boot then\"")),
        "media = ",
        "[step.media] take",
        "step 2 is missing; a chain looks like `boot then fat:/PATH then file:NAME`",
        "write it as docs/recipes.md says, such as \"boot\"",
    );
}
