//! Cautions and the page to print.

use std::path::Path;

use job::profile::{Profile, cautions_for, sheet};

use crate::common::{SMALL, changed};
use crate::load;

fn cautions(profile: &Profile, step: &str) -> String {
    cautions_for(profile, profile.step(step).expect("there")).join("\n")
}

fn small(text: &str) -> Profile {
    Profile::parse(text, Path::new("small.toml")).expect("sound")
}

#[test]
fn a_battery_among_the_supplies_brings_the_swollen_caution_unasked() {
    let profile = small(SMALL);
    for step in ["intake", "off", "open", "on"] {
        assert!(cautions(&profile, step).contains("swollen"), "{step}");
    }
    let without = small(&changed("kind = \"battery\"", "kind = \"other\""));
    for step in ["intake", "off", "open", "on"] {
        assert!(!cautions(&without, step).contains("swollen"), "{step}");
    }
}

#[test]
fn wiring_cautions_follow_the_chip() {
    let profile = small(SMALL);
    let said = cautions(&profile, "wire");
    for word in ["pin 1 twice", "programmer's plug", "Static", "Ground goes on first", "does not conduct", "never two"]
    {
        assert!(said.contains(word), "{word}: {said}");
    }
    assert!(!said.contains("1.8 V"));
    let low = changed("supply_v = [2.7, 3.6]", "supply_v = [1.65, 1.95]").replace("W25Q128", "an unknown one");
    assert!(cautions(&small(&low), "wire").contains("takes 1.8 V"));
    let off_board = changed("reach = \"clip\"", "reach = \"desoldered\"");
    assert!(cautions(&small(&off_board), "wire").contains("Hot air"));
}

#[test]
fn own_cautions_come_after_the_standard_ones_and_local_rules_last() {
    let profile = small(&changed("kind = \"open\"", "kind = \"open\"\ncautions = [\"A sharp edge at the fan.\"]"));
    let said = cautions_for(&profile, profile.step("open").expect("there"));
    assert_eq!(said[said.len() - 2], "A sharp edge at the fan.");
    assert_eq!(said[said.len() - 1], "Follow local rules; when unsure, ask a licensed technician.");
    let profile = load("larkspur-nine.toml");
    assert!(cautions_for(&profile, profile.step("compose-main").expect("there")).is_empty());
}

#[test]
fn a_start_with_the_case_open_is_cautioned_and_one_with_it_shut_is_not() {
    let profile = load("larkspur-nine.toml");
    assert!(cautions(&profile, "first-start").contains("cooler fitted"));
    assert!(!cautions(&profile, "start-as-found").contains("cooler fitted"));
    assert!(!cautions(&profile, "last-start").contains("cooler fitted"));
}

#[test]
fn s1_the_update_step_says_that_no_way_back_exists() {
    let profile = load("larkspur-nine.toml");
    let said = cautions(&profile, "vendor-update");
    assert!(said.contains("without a way back"));
    assert!(said.contains("worn battery"));
}

#[test]
fn the_sheet_stands_alone() {
    for name in ["larkspur-nine.toml", "teal-router.toml"] {
        let page = sheet(&load(name));
        for foreign in ["<script", "http://", "https://", "src=", "href=", "@import", "url("] {
            assert!(!page.contains(foreign), "{name}: {foreign}");
        }
    }
}

#[test]
fn the_sheet_has_every_step_chip_and_hold() {
    let profile = load("larkspur-nine.toml");
    let page = sheet(&profile);
    assert_eq!(page.matches("class=\"step").count() - page.matches("class=\"steps\"").count(), profile.steps.len());
    assert_eq!(page.matches("HOLD. Nothing goes on").count(), profile.steps.iter().filter(|step| step.hold).count());
    assert_eq!(page.matches("<svg").count(), profile.chips.len());
    assert_eq!(
        page.matches("Patience:").count(),
        profile.steps.iter().filter(|step| step.dark_minutes.is_some()).count()
    );
}

#[test]
fn drawings_name_pins_as_data_sheets_do() {
    let pin = |page: &str, number: u32, signal: &str| {
        let row = page.lines().find(|line| line.contains(&format!(">{number}</text>"))).unwrap_or_default();
        assert!(row.contains(&format!(">{signal}</text>")), "pin {number} is not {signal}: {row}");
    };
    let page = sheet(&small(SMALL));
    for (number, signal) in [(1, "CS#"), (2, "DO / IO1"), (4, "GND"), (5, "DI / IO0"), (6, "CLK"), (8, "VCC")] {
        pin(&page, number, signal);
    }
    let page = sheet(&small(&changed("\"SOIC-8\"", "\"SOIC-16\"")));
    for (number, signal) in [(2, "VCC"), (7, "CS#"), (8, "DO / IO1"), (10, "GND"), (15, "DI / IO0"), (16, "CLK")] {
        pin(&page, number, signal);
    }
    pin(&sheet(&load("teal-router.toml")), 8, "VCC (wire off)");
    assert!(!sheet(&small(&changed("\"SOIC-8\"", "\"other\""))).contains("<svg"));
}

#[test]
fn s10_nothing_of_a_profile_becomes_markup() {
    let hostile =
        SMALL.replace("\"w\"", "\"<script>alert(1)</script>\"").replace("\"adapter\"", "'\"><img onerror=x>'");
    let hostile = hostile.replace("\"in the middle\"", "\"</style>&amp;\"").replace("\"W25Q128\"", "\"<b>\"");
    let page = sheet(&small(&hostile));
    for markup in ["<script", "<img", "<dd><b></dd>"] {
        assert!(!page.contains(markup), "{markup}");
    }
    assert_eq!(page.matches("</style>").count(), 1);
    assert!(page.contains("&lt;/style&gt;&amp;amp;"));
}

#[test]
fn the_page_lists_the_controllers_whose_firmware_counts() {
    let page = sheet(&load("larkspur-nine.toml"));
    let row = "<tr><td>Controller of keyboard, fan, lid and battery</td><td><b>1.0</b></td>";
    assert!(page.contains(row), "{page}");
    assert!(!sheet(&small(SMALL)).contains("Firmware of controllers"));
}
