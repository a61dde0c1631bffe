//! What safety rules forbid at a point of a job, and the order of steps.

use std::path::Path;

use job::profile::{Profile, StepKind};

use crate::common::{changed, findings, refused, step, with_steps, without_step};

#[test]
fn steps_are_put_behind_what_they_need_and_stay_in_order_otherwise() {
    let early = step("early", "note", "needs = [\"start\"]");
    let profile = Profile::parse(&with_steps("off", &[early]), Path::new("p")).expect("sound");
    let ids: Vec<&str> = profile.steps.iter().map(|step| step.id.as_str()).collect();
    let wanted =
        ["intake", "off", "open", "wire", "capture", "apply", "verify", "unwire", "on", "start", "early", "handover"];
    assert_eq!(ids, wanted);
}

#[test]
fn circles_are_told_as_a_chain() {
    let text = changed(
        "kind = \"supplies-off\"\nneeds = [\"intake\"]",
        "kind = \"supplies-off\"\nneeds = [\"intake\", \"wire\"]",
    );
    let what = "steps need each other in a circle: `off` needs `wire` needs `open` needs `off`";
    refused(&text, "needs = [\"intake\", \"wire\"]", "[[step]] needs", what, "take one of these needs out");
}

#[test]
fn s7_open_and_wire_need_every_supply_off() {
    let remedy = "put a supplies-off step before it, after the last power-up";
    let text = changed("kind = \"supplies-off\"", "kind = \"supplies-off\"\nsupplies = [\"mains\"]");
    let found = findings(&text);
    let shown: Vec<&str> = found.iter().map(|finding| finding.what.as_str()).collect();
    let wanted: Vec<String> = [("open", "an open"), ("wire", "a wire"), ("unwire", "an unwire")]
        .iter()
        .map(|(id, kind)| {
            format!(
                "step `{id}` is {kind} step, and `battery` is not off since the last power-up in a convert job (S7)"
            )
        })
        .collect();
    assert_eq!(shown, wanted);
    assert!(found.iter().all(|finding| finding.remedy == remedy));
}

#[test]
fn s7_a_power_up_cancels_what_was_off() {
    let start = step("early-start", "power-up", "dark_minutes = 1\nif_dark = \"x\"\nneeds = [\"off\"]");
    let found = findings(&with_steps("open", &[start]));
    assert!(
        found
            .iter()
            .any(|finding| finding.what.contains("step `open`")
                && finding.what.contains("`mains`, `battery` are not off")),
        "{found:#?}"
    );
}

#[test]
fn s7_fit_needs_every_supply_off() {
    let fit = step("fit", "fit", "needs = [\"start\"]");
    let text = with_steps("handover", &[fit]).replace(
        "needs = [\"start\"]\nwhy = \"w\"\ndone_when = \"d\"\n\n[[step]]\nid = \"handover\"",
        "needs = [\"start\"]",
    );
    let found = findings(&text);
    assert!(
        found
            .iter()
            .any(|finding| finding.what.starts_with("step `fit` is a fit step, and `mains`, `battery` are not off")),
        "{found:#?}"
    );
}

#[test]
fn s13_nothing_comes_on_while_a_chip_is_wired() {
    let remedy = "put the chip's unwire step before it";
    let start = step("early-start", "power-up", "dark_minutes = 1\nif_dark = \"x\"\nneeds = [\"verify\"]");
    let off = step("off-again", "supplies-off", "needs = [\"early-start\"]");
    let text = with_steps("unwire", &[start, off]);
    let at = "kind = \"power-up\"";
    let what = "step `early-start` is a power-up step while chip `main` is wired in a convert job (S13)";
    refused(&text, at, "[[step]] kind", what, remedy);
    let text = text.replacen("kind = \"power-up\"", "kind = \"supplies-on\"", 1).replacen(
        "dark_minutes = 1\nif_dark = \"x\"\n",
        "",
        1,
    );
    let what = "step `early-start` is a supplies-on step while chip `main` is wired in a convert job (S13)";
    refused(&text, "kind = \"supplies-on\"", "[[step]] kind", what, remedy);
}

#[test]
fn s13_every_wire_step_has_its_unwire_step() {
    let text = without_step("unwire", "verify");
    let found: Vec<String> = findings(&text).into_iter().map(|finding| finding.what).collect();
    assert!(
        found.contains(&"step `wire` wires chip `main`, and nothing unwires it in a convert job (S13)".to_owned()),
        "{found:#?}"
    );
    let text = with_steps("capture", &[step("twice", "wire", "chip = \"main\"\nneeds = [\"wire\"]")]);
    let what = "step `twice` wires chip `main`, which is wired already";
    refused(
        &text,
        "chip = \"main\"\nneeds = [\"wire\"]",
        "[[step]] chip",
        what,
        "put the chip's unwire step before it",
    );
    let text = with_steps("wire", &[step("early", "unwire", "chip = \"main\"\nneeds = [\"open\"]")]);
    let what = "step `early` unwires chip `main`, which is not wired there";
    refused(&text, "chip = \"main\"\nneeds = [\"open\"]", "[[step]] chip", what, "put the chip's wire step before it");
}

#[test]
fn s1_a_capture_comes_before_a_write() {
    let text = without_step("capture", "wire");
    let what = "step `apply` writes chip `main` without a capture of it before in a convert job (S1)";
    let remedy = "put a capture step of this chip before it, after anything else that may write it";
    refused(&text, "chip = \"main\"\ncontent", "[[step]] chip", what, remedy);
    let text =
        text.replace("kind = \"apply\"", "kind = \"fill\"\nfill = \"00\"").replace("content = \"variant\"\n", "");
    refused(&text, "chip = \"main\"\nneeds = [\"wire\"]", "[[step]] chip", what, remedy);
}

#[test]
fn s1_an_update_makes_an_earlier_capture_old() {
    let update = step("update", "note", "hold = true\nmay_write = [\"main\"]\nneeds = [\"capture\"]");
    let text = with_steps("apply", &[update]);
    let found: Vec<String> = findings(&text)
        .into_iter()
        .filter(|finding| finding.key.as_deref() != Some("[[supply]] charge_min"))
        .map(|finding| finding.what)
        .collect();
    assert_eq!(found, ["step `apply` writes chip `main` without a capture of it before in a convert job (S1)"]);
}

#[test]
fn s1_an_update_is_a_hold_point() {
    let text = with_steps("off", &[step("update", "note", "may_write = [\"main\"]")]);
    let what = "step `update` may write chips without firmhand, so it is a hold point (S1)";
    refused(&text, "[[step]]\nid = \"update\"", "[[step]] hold", what, "write `hold = true`");
}

/// A vendor update by a start: on supplies that a step gave, with the battery's charge looked at.
#[test]
fn s1_an_update_has_its_supplies() {
    let power = |more: &str| step("power", "supplies-on", &format!("needs = [\"intake\"]\n{more}"));
    let charge = "measure = { what = \"charge\", unit = \"%\", min = 40 }";
    let update = |more: &str| {
        let more = format!(
            "hold = true\nmay_write = [\"main\"]\ndark_minutes = 5\nif_dark = \"wait\"\nneeds = [\"intake\"]\n{more}"
        );
        step("update", "power-up", &more)
    };
    let text = |power: Option<String>, more: &str| {
        let steps: Vec<String> = power.into_iter().chain([update(more)]).collect();
        with_steps("off", &steps).replace("kind = \"battery\"", "kind = \"battery\"\ncharge_min = 40")
    };
    let both = "supplies = [\"mains\", \"battery\"]";
    assert!(Profile::parse(&text(Some(power(charge)), both), Path::new("p")).is_ok());
    let what = |text: &str| findings(text).into_iter().map(|finding| finding.what).collect::<Vec<_>>();
    assert_eq!(
        what(&text(Some(power(charge)), "")),
        ["step `update` may write chips without firmhand, and names no supplies that it runs on"]
    );
    assert_eq!(
        what(&text(None, both)),
        ["mains", "battery"]
            .map(|id| format!("step `update` runs on `{id}`, which no step gives before it in a convert job"))
    );
    let unseen = ["step `update` wants `battery` charged to 40 %, and nobody looks"];
    assert_eq!(what(&text(Some(power("")), both)), unseen);
    assert_eq!(what(&text(Some(power(&charge.replace("40", "30"))), both)), unseen);
}

#[test]
fn s3_an_applied_chip_is_verified_while_it_is_wired() {
    let text = without_step("verify", "apply");
    let what = "step `apply` applies to chip `main`, and nothing verifies it while it is wired (S3)";
    refused(&text, "kind = \"apply\"", "[[step]] kind", what, "put a verify step of this chip after it");
    let text = with_steps("capture", &[step("early", "verify", "chip = \"main\"\nneeds = [\"wire\"]")]);
    let what = "step `early` verifies chip `main`, which was not written before";
    refused(&text, "chip = \"main\"\nneeds = [\"wire\"]", "[[step]] chip", what, "put it after the chip's apply step");
}

#[test]
fn a_chip_is_talked_to_only_while_it_is_wired() {
    let text = with_steps("wire", &[step("early", "identify", "chip = \"main\"\nneeds = [\"open\"]")]);
    let what = "step `early` talks to chip `main`, which is not wired there";
    let remedy = "put it between the chip's wire and unwire steps";
    refused(&text, "chip = \"main\"\nneeds = [\"open\"]", "[[step]] chip", what, remedy);
}

/// The chip of the small profile, fed by the board in standby.
fn fed_by_board(on: &str, off: &str) -> String {
    let on = step("feed", "supplies-on", &format!("supplies = [\"mains\"]\nneeds = [\"wire\"]\n{on}"));
    let off = step("starve", "supplies-off", &format!("supplies = [\"mains\"]\nneeds = [\"verify\"]\n{off}"));
    with_steps("capture", &[on])
        .replace("[[step]]\nid = \"unwire\"\n", &format!("{off}[[step]]\nid = \"unwire\"\n"))
        .replace("reach = \"clip\"", "reach = \"clip\"\npowered_by = \"board-standby\"")
}

#[test]
fn s7_a_chip_fed_by_the_board_gets_its_supply_after_wire_and_loses_it_before_unwire() {
    let own = "chip = \"main\"\nhold = true";
    Profile::parse(&fed_by_board(own, own), Path::new("p")).expect("sound");
    let text = fed_by_board(own, "chip = \"main\"");
    let what = "step `starve` switches a wired chip's supply, so it is a hold point (S7)";
    refused(&text, "[[step]]\nid = \"starve\"", "[[step]] hold", what, "write `hold = true`");
    // Without a chip, the same step is one that brings power to a wired board.
    let found: Vec<String> = findings(&fed_by_board("", own)).into_iter().map(|finding| finding.what).collect();
    assert_eq!(found[0], "step `feed` is a supplies-on step while chip `main` is wired in a convert job (S13)");
    // Left on, it is a supply that is not off at unwire.
    let text = fed_by_board(own, own);
    let start = text.find("[[step]]\nid = \"starve\"").expect("there");
    let end = start + text[start..].find("[[step]]\nid = \"unwire\"").expect("there");
    let found: Vec<String> =
        findings(&format!("{}{}", &text[..start], &text[end..])).into_iter().map(|finding| finding.what).collect();
    assert_eq!(
        found,
        ["step `unwire` is an unwire step, and `mains` is not off since the last power-up in a convert job (S7)"]
    );
}

#[test]
fn s7_a_chip_is_talked_to_only_while_its_supply_is_on() {
    let text = changed("reach = \"clip\"", "reach = \"clip\"\npowered_by = \"board-standby\"");
    let found = findings(&text);
    let wanted: Vec<String> = ["capture", "apply", "verify"]
        .iter()
        .map(|id| format!("step `{id}` talks to chip `main`, whose own supply is not on there"))
        .collect();
    assert_eq!(found.iter().map(|finding| finding.what.as_str()).collect::<Vec<_>>(), wanted);
    assert!(
        found.iter().all(|finding| finding.remedy == "put a supplies-on step with this `chip` after its wire step")
    );
}

#[test]
fn s4_a_chip_fed_by_the_link_gets_no_second_supply() {
    let own = "chip = \"main\"\nhold = true";
    let text = fed_by_board(own, own).replace("powered_by = \"board-standby\"", "powered_by = \"link\"");
    let found: Vec<String> = findings(&text).into_iter().map(|finding| finding.what).collect();
    let wanted: Vec<String> = ["feed", "starve"]
        .iter()
        .map(|id| format!("step `{id}`: chip `main` is fed by the link, and exactly one source may feed it (S4)"))
        .collect();
    assert_eq!(found, wanted);
}

#[test]
fn a_composed_image_is_composed_before() {
    let text = changed("content = \"variant\"", "content = \"composed\"");
    let what = "step `apply` applies a composed image, and nothing composed one for `main` before";
    refused(&text, "content", "[[step]] content", what, "put a compose step for this chip before it");
}

#[test]
fn only_a_return_brings_an_earlier_capture_back() {
    let text = changed("content = \"variant\"", "content = \"as-found\"");
    let what = "step `apply` brings an earlier job's capture back in a convert job";
    refused(&text, "content", "[[step]] content", what, "write `only_for = [\"return\"]`");
}

#[test]
fn one_change_at_a_time() {
    let fit = step("fit", "fit", "needs = [\"unwire\"]");
    let text = with_steps("on", &[fit]);
    let what = "step `fit` fits something before the machine was started after the write";
    refused(
        &text,
        "kind = \"fit\"",
        "[[step]] kind",
        what,
        "change one thing at a time: put a power-up step before it",
    );
}

#[test]
fn nothing_is_fitted_before_the_machine_was_ever_started() {
    let fit = step("fit", "fit", "needs = [\"off\"]");
    let text = with_steps("wire", &[fit]);
    let what = "step `fit` fits something before the machine was ever started";
    let remedy = "change one thing at a time: put a power-up step before it";
    refused(&text, "kind = \"fit\"", "[[step]] kind", what, remedy);
}

#[test]
fn a_job_begins_with_intake_and_ends_with_handover() {
    let text = with_steps("intake", &[step("before", "note", "")]);
    let remedy = "put a step of kind intake first; `needs` can move a step";
    refused(&text, "kind = \"note\"", "[[step]] kind", "a convert job begins with step `before`", remedy);
    let text = with_steps("off", &[step("after", "note", "needs = [\"handover\"]")]);
    let remedy = "put a step of kind handover last; `needs` can move a step";
    refused(&text, "kind = \"note\"", "[[step]] kind", "a convert job ends with step `after`", remedy);
}

#[test]
fn each_kind_of_job_is_walked_through() {
    // The power-off step belongs to convert jobs alone, so a return job would open a live machine.
    let text = changed("kind = \"supplies-off\"", "kind = \"supplies-off\"\nonly_for = [\"convert\"]")
        .replace("jobs = [\"convert\"]", "jobs = [\"convert\", \"return\"]");
    let found = findings(&text);
    assert_eq!(found.len(), 3, "{found:#?}");
    assert!(found.iter().all(|finding| finding.what.ends_with("in a return job (S7)")), "{found:#?}");
}

#[test]
fn every_kind_has_its_own_word() {
    for (word, kind) in StepKind::ALL {
        assert_eq!(kind.as_str(), word);
        assert_eq!(serde_json::to_value(kind).expect("a word"), word);
    }
}
