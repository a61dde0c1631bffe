//! Each interlock, accepting and refusing.

use job::procedure::{EarlierChip, Power, patience};
use job::profile::model::*;
use serde_json::json;
use std::time::Duration;

use super::bench::{Bench, chip_step, content, profile, step};

const NONE: [&str; 0] = [];

fn convert() -> Bench {
    Bench::new(profile(), JobKind::Convert)
}

fn step_mut<'a>(profile: &'a mut Profile, id: &str) -> &'a mut Step {
    profile.steps.iter_mut().find(|step| step.id == id).expect("a step of the profile")
}

#[test]
fn nothing_begins_before_the_intake_and_the_questions_on_the_machine() {
    let mut bench = Bench::fresh(profile(), JobKind::Convert);
    assert_eq!(bench.codes("stick"), ["intake-missing"]);
    bench.sign("stick");
    assert!(!bench.is_done("stick"));
    bench.add("intake", json!({ "by": "Ana" }));
    assert!(bench.is_done("intake"));
    assert_eq!(bench.codes("stick"), ["gate-open"]);
    bench.add("gate", json!({ "id": "whole", "answer": "no", "by": "Ana" }));
    assert_eq!(bench.codes("stick"), ["gate-no"]);
    bench.add("gate", json!({ "id": "whole", "answer": "yes", "by": "Ana" }));
    assert_eq!(bench.codes("stick"), NONE);
}

#[test]
fn s16_fused_hardware_stops_every_step_and_nothing_overrides_it() {
    let mut bench = convert();
    bench.add("gate", json!({ "id": "fuse", "answer": "fused", "by": "survey" }));
    bench.add("gate", json!({ "id": "fuse", "answer": "signed", "by": "Ana" }));
    bench.add("gate", json!({ "id": "fused", "answer": "open", "by": "Ana" }));
    let state = bench.state();
    assert!(state.is_fused());
    assert_eq!(state.next(), Vec::<&Step>::new());
    for step in &bench.profile.steps[1..] {
        assert!(bench.codes(&step.id).contains(&"fused"), "{}", step.id);
    }
    assert_eq!(state.notes().len(), 2);
}

#[test]
fn s16_a_profile_that_says_fused_stops_as_well() {
    let mut profile = profile();
    profile.gates[0].kind = GateKind::Fused { says: FusedState::Fused };
    let mut bench = Bench::new(profile, JobKind::Convert);
    bench.add("gate", json!({ "id": "fuse", "answer": "open", "by": "Ana" }));
    assert!(bench.codes("stick").contains(&"fused"));
}

#[test]
fn s16_a_contact_that_is_on_may_still_come_off() {
    let mut bench = convert();
    bench.until("verify-main");
    bench.add("gate", json!({ "id": "fuse", "answer": "fused", "by": "image check" }));
    bench.add("link-gone", json!({}));
    step_mut(&mut bench.profile, "unwire-main").needs.clear();
    assert_eq!(bench.codes("unwire-main"), NONE);
    bench.sign("unwire-main");
    assert!(bench.is_done("unwire-main"));
    assert_eq!(bench.state().next(), Vec::<&Step>::new());
}

#[test]
fn s16_unknown_wants_a_signature_before_the_first_write() {
    for gate in ["fused", "fuse"] {
        let mut profile = profile();
        if gate == "fuse" {
            profile.gates[0].kind = GateKind::Fused { says: FusedState::Unknown };
        } else {
            // A profile that says nothing of it knows nothing of it.
            profile.gates.retain(|gate| gate.id != "fuse");
        }
        step_mut(&mut profile, "update").may_write.clear();
        let mut bench = Bench::new(profile, JobKind::Convert);
        bench.until("apply-main");
        assert_eq!(bench.state().fused_gate_to_sign(), Some(gate));
        assert!(bench.codes("apply-main").contains(&"fused-unknown"), "{gate}");
        bench.add("gate", json!({ "id": gate, "answer": "signed", "by": "" }));
        assert!(bench.codes("apply-main").contains(&"fused-unknown"), "signed by nobody: {gate}");
        bench.add("gate", json!({ "id": gate, "answer": "signed", "by": "Ana" }));
        assert_eq!(bench.codes("apply-main"), ["hold-not-signed"], "{gate}");
    }
}

#[test]
fn s16_a_vendor_update_is_a_write_too() {
    let mut profile = profile();
    profile.gates[0].kind = GateKind::Fused { says: FusedState::Unknown };
    let mut bench = Bench::new(profile, JobKind::Convert);
    bench.until("update");
    assert_eq!(bench.codes("update"), ["fused-unknown"]);
    bench.add("gate", json!({ "id": "fuse", "answer": "open", "by": "survey" }));
    assert_eq!(bench.codes("update"), NONE);
}

#[test]
fn s1_a_vendor_update_says_that_no_way_back_exists_yet() {
    let mut bench = convert();
    bench.until("update");
    let update = bench.profile.step("update").expect("there").clone();
    assert_eq!(bench.state().no_way_back(&update), ["main"]);
    bench.add("step-done", json!({ "step": "update", "by": "firmhand" }));
    assert!(!bench.is_done("update"), "a program cannot sign a hold point");
    bench.add("captured", json!({ "content": content(1), "chip": "main" }));
    assert_eq!(bench.state().no_way_back(&update), NONE);
}

/// The usual vendor update: a start, from a stick, on sources of power that somebody gave for it.
fn update_by_a_start() -> Bench {
    let mut profile = profile();
    let version =
        Measure { what: "version".into(), unit: String::new(), min: None, max: None, is: vec!["1.18".into()] };
    let update = Step {
        kind: StepKind::PowerUp,
        supplies: vec!["mains".into(), "battery".into()],
        measure: Some(version),
        needs: vec!["power".into()],
        ..step_mut(&mut profile, "update").clone()
    };
    *step_mut(&mut profile, "update") = update;
    let at = profile.steps.iter().position(|step| step.id == "update").expect("there");
    profile.steps.insert(at, step("power", StepKind::SuppliesOn, &["stick"]));
    let mut bench = Bench::new(profile, JobKind::Convert);
    bench.until("update");
    bench
}

#[test]
fn s1_a_vendor_update_waits_for_the_signature_that_no_way_back_exists_yet() {
    let mut bench = update_by_a_start();
    assert_eq!(bench.codes("update"), ["not-begun"]);
    let said = bench.state().may_do("update").expect_err("a hold point").to_string();
    assert!(said.contains("no way back exists yet for main"), "{said}");
    assert!(bench.state().next().iter().any(|step| step.id == "update"), "that is where doing it begins");
    // Power that came all the same counts as power, and closes nothing.
    bench.add("power-up", json!({ "step": "update", "seen": true, "by": "Ana", "measured": "1.18" }));
    assert!(!bench.is_done("update"));
    assert!(bench.state().notes()[0].text.contains("nobody has signed that it begins"), "{:?}", bench.state().notes());
    bench.add("step-begun", json!({ "step": "update", "by": "" }));
    assert_eq!(bench.codes("update"), ["not-begun"], "signed by nobody");
    bench.add("step-begun", json!({ "step": "update", "by": "Ana" }));
    assert_eq!(bench.codes("update"), NONE);
    bench.add("power-up", json!({ "step": "update", "seen": true, "by": "Ana", "measured": "1.18" }));
    assert!(bench.is_done("update"), "{:?}", bench.state().notes());
    // With a capture of each chip it is a hold point still, and there is a way back.
    let mut bench = update_by_a_start();
    bench.add("captured", json!({ "content": content(1), "chip": "main" }));
    let said = bench.state().may_do("update").expect_err("a hold point").to_string();
    assert!(!said.contains("no way back"), "{said}");
}

#[test]
fn s1_a_vendor_update_shows_the_version_that_it_was_for() {
    let mut bench = update_by_a_start();
    bench.add("step-begun", json!({ "step": "update", "by": "Ana" }));
    for shown in [json!(null), json!("1.17"), json!(1.18)] {
        bench.add("power-up", json!({ "step": "update", "seen": true, "by": "Ana", "measured": shown }));
        assert!(!bench.is_done("update"), "{shown}");
    }
    let note = &bench.state().notes().last().expect("a note").text.clone();
    assert!(note.contains("version"), "{note}");
    bench.add("power-up", json!({ "step": "update", "seen": true, "by": "Ana", "measured": " 1.18 " }));
    assert!(bench.is_done("update"));
}

/// A machine that runs shows that something feeds it. Only a signed step says that it is mains and battery both.
#[test]
fn s1_a_vendor_update_wants_the_supplies_that_the_profile_names() {
    let mut bench = update_by_a_start();
    bench.add("power-up", json!({ "seen": true, "by": "Ana" }));
    assert_eq!(bench.codes("update"), ["not-begun"], "given before, and still there");
    let mut profile = bench.profile.clone();
    step_mut(&mut profile, "power").supplies = vec!["mains".into()];
    let mut bench = Bench::new(profile, JobKind::Convert);
    bench.until("update");
    bench.add("power-up", json!({ "seen": true, "by": "Ana" }));
    assert_eq!(bench.codes("update"), ["supplies-not-given", "not-begun"]);
    let said = bench.state().may_do("update").expect_err("no battery").to_string();
    assert!(said.contains("these are there: battery;"), "{said}");
}

#[test]
fn s1_nothing_is_written_without_a_capture_of_that_chip() {
    let mut bench = convert();
    step_mut(&mut bench.profile, "apply-main").needs.clear();
    step_mut(&mut bench.profile, "fill-port").needs.clear();
    bench.until("identify-main");
    assert_eq!(bench.codes("apply-main"), ["no-capture", "hold-not-signed"]);
    bench.add("captured", json!({ "content": content(1), "chip": "port" }));
    assert_eq!(bench.codes("apply-main"), ["no-capture", "hold-not-signed"], "another chip's capture");
    let mut waived =
        Bench { profile: bench.profile.clone(), header: bench.header.clone(), entries: bench.entries.clone() };
    waived.add("not-captured", json!({ "chip": "main", "reason": "it is blank" }));
    assert_eq!(waived.codes("apply-main"), ["hold-not-signed"]);
    assert_eq!(waived.state().warnings().len(), 1);
    bench.add("captured", json!({ "content": content(1), "chip": "main" }));
    assert_eq!(bench.codes("apply-main"), ["hold-not-signed"]);
    bench.sign("apply-main");
    assert_eq!(bench.codes("apply-main"), NONE);
    assert!(!bench.is_done("apply-main"), "the signature frees the hold point and writes nothing");
}

#[test]
fn s1_a_capture_from_before_a_vendor_update_does_not_count_after_it() {
    for kind in ["step-begun", "signed"] {
        let mut bench = convert();
        step_mut(&mut bench.profile, "apply-main").needs.clear();
        step_mut(&mut bench.profile, "capture-main").needs.clear();
        bench.until("update");
        bench.add("captured", json!({ "content": content(1), "chip": "main" }));
        assert!(!bench.codes("apply-main").contains(&"no-capture"));
        bench.add(kind, json!({ "step": "update", "by": "Ana" }));
        assert!(bench.codes("apply-main").contains(&"no-capture"), "{kind}");
        assert_eq!(bench.state().captures("main"), [content(1)], "it stays as a way back");
    }
}

#[test]
fn s7_every_source_has_to_be_off_and_a_power_up_cancels_that() {
    for id in ["open", "wire-main", "memory"] {
        let mut bench = convert();
        step_mut(&mut bench.profile, id).needs.clear();
        if id == "memory" {
            bench.until("off-3");
        } else {
            bench.until("off-1");
        }
        assert!(bench.codes(id).contains(&"supplies-not-off"), "{id}");
    }
    let mut bench = convert();
    bench.until("open");
    let powers = |bench: &Bench| bench.state().supplies().iter().map(|supply| supply.power).collect::<Vec<_>>();
    assert_eq!(powers(&bench), [Power::Off, Power::Off]);
    assert_eq!(bench.codes("open"), NONE);
    assert!(bench.is_done("off-1"));
    bench.add("power-up", json!({ "seen": true, "by": "Ana" }));
    assert_eq!(powers(&bench), [Power::On, Power::On]);
    assert!(!bench.is_done("off-1"), "the power-up cancels the signature");
    assert_eq!(bench.codes("open"), ["needs", "supplies-not-off"]);
    assert_eq!(bench.codes("off-1"), NONE);
    bench.sign("off-1");
    assert_eq!(bench.codes("open"), NONE);
}

#[test]
fn s7_one_source_switched_off_is_not_all_of_them() {
    let mut bench = convert();
    step_mut(&mut bench.profile, "off-1").supplies = vec!["mains".into()];
    bench.until("open");
    assert_eq!(bench.codes("open"), ["supplies-not-off"]);
    let blocked = bench.state().may_do("open").expect_err("the battery is in");
    assert!(blocked.to_string().contains("battery") && !blocked.to_string().contains("mains"), "{blocked}");
}

#[test]
fn s7_a_signature_that_nothing_leans_on_any_more_stays() {
    let mut bench = convert();
    bench.until("off-2");
    assert!(bench.is_done("off-1"), "all of its work was done before the power-up");
    assert!(bench.codes("wire-port-2").contains(&"supplies-not-off"));
}

#[test]
fn s13_a_contact_goes_on_and_comes_off_only_when_the_programmer_was_seen_to_go() {
    let mut bench = convert();
    bench.until("wire-main");
    assert_eq!(bench.codes("wire-main"), ["link-not-gone"]);
    bench.sign("wire-main");
    assert!(!bench.is_done("wire-main"), "a click is not taken for it");
    bench.add("link-gone", json!({}));
    bench.add("link-back", json!({}));
    assert_eq!(bench.codes("wire-main"), ["link-not-gone"]);
    bench.add("link-gone", json!({}));
    bench.add("step-done", json!({ "step": "wire-main", "by": "firmhand" }));
    assert!(!bench.is_done("wire-main"), "a contact is a hold point");
    bench.sign("wire-main");
    assert!(bench.is_done("wire-main"));
    bench.until("unwire-main");
    assert_eq!(bench.codes("unwire-main"), ["link-not-gone"], "a chip that answered shows that the link is back");
    bench.add("link-gone", json!({}));
    assert_eq!(bench.codes("unwire-main"), NONE);
}

#[test]
fn s13_a_signed_hold_stands_in_where_a_link_cannot_vanish() {
    let mut bench = convert();
    bench.until("wire-main");
    bench.add("link-held", json!({ "by": "" }));
    assert_eq!(bench.codes("wire-main"), ["link-not-gone"]);
    bench.add("link-held", json!({ "by": "Ana", "note": "supply wire off" }));
    assert_eq!(bench.codes("wire-main"), NONE);
    bench.sign("wire-main");
    bench.add("identified", json!({ "chip": "main", "step": "identify-main" }));
    bench.add("captured", json!({ "chip": "main", "step": "capture-main", "content": content(1) }));
    step_mut(&mut bench.profile, "unwire-main").needs.clear();
    assert_eq!(bench.codes("unwire-main"), ["link-not-gone"], "one hold is for one contact");
}

#[test]
fn s13_no_power_while_a_contact_is_on() {
    let mut bench = convert();
    step_mut(&mut bench.profile, "settle").needs.clear();
    let on = step("mains-on", StepKind::SuppliesOn, &[]);
    bench.profile.steps.insert(16, on);
    bench.until("wire-main");
    assert_eq!(bench.codes("settle"), NONE);
    assert_eq!(bench.codes("mains-on"), NONE);
    bench.add("step-begun", json!({ "step": "wire-main", "by": "Ana" }));
    for (id, when) in [("settle", "as soon as it is begun"), ("mains-on", "as soon as it is begun")] {
        assert_eq!(bench.codes(id), ["wire-open"], "{when}");
    }
    bench.until("unwire-main");
    for id in ["settle", "mains-on"] {
        assert_eq!(bench.codes(id), ["wire-open"]);
    }
    assert!(bench.codes("close").contains(&"wire-open"));
    bench.add("link-gone", json!({}));
    bench.sign("unwire-main");
    for id in ["settle", "mains-on"] {
        assert_eq!(bench.codes(id), NONE);
    }
}

#[test]
fn s13_power_that_came_all_the_same_has_to_go_before_the_contact_does() {
    let mut bench = convert();
    bench.until("unwire-main");
    bench.add("power-up", json!({ "step": "settle", "seen": true, "by": "Ana" }));
    assert!(!bench.is_done("settle"));
    bench.add("link-gone", json!({}));
    assert_eq!(bench.codes("unwire-main"), ["supplies-not-off"]);
    assert!(!bench.is_done("off-1"));
    bench.sign("off-1");
    assert_eq!(bench.codes("unwire-main"), NONE);
}

/// The main chip is fed by the board in standby, from the battery.
fn standby() -> Bench {
    let mut profile = profile();
    profile.chips[0].powered_by = PoweredBy::BoardStandby;
    let feed = |id: &str, kind, need: &str| Step {
        hold: true,
        supplies: vec!["battery".into()],
        ..chip_step(id, kind, "main", &[need])
    };
    let at = |profile: &Profile, id: &str| profile.steps.iter().position(|step| step.id == id).expect("there");
    let place = at(&profile, "identify-main");
    profile.steps.insert(place, feed("feed-on", StepKind::SuppliesOn, "wire-main"));
    let place = at(&profile, "unwire-main");
    profile.steps.insert(place, feed("feed-off", StepKind::SuppliesOff, "verify-main"));
    step_mut(&mut profile, "unwire-main").needs = Vec::new();
    Bench::new(profile, JobKind::Convert)
}

#[test]
fn s7_the_board_feeds_its_chip_after_the_contact_is_on_and_not_before_it_is_off() {
    let mut bench = standby();
    bench.until("open");
    assert!(bench.codes("feed-on").contains(&"not-wired"));
    bench.until("feed-on");
    assert_eq!(bench.codes("identify-main"), ["not-fed"]);
    assert_eq!(bench.codes("feed-on"), NONE, "the contact that it feeds does not stand in its way");
    bench.until("unwire-main");
    assert!(bench.is_done("feed-off"));
    bench.add("link-gone", json!({}));
    assert_eq!(bench.codes("unwire-main"), NONE);
    let mut early = standby();
    early.until("feed-off");
    early.add("link-gone", json!({}));
    assert_eq!(early.codes("unwire-main"), ["supplies-not-off"]);
}

#[test]
fn s13_a_chip_that_the_programmer_feeds_bears_no_second_source() {
    let mut bench = standby();
    bench.profile.chips[0].powered_by = PoweredBy::Link;
    bench.until("feed-on");
    assert_eq!(bench.codes("feed-on"), ["wire-open"]);
    bench.add("step-begun", json!({ "step": "feed-on", "by": "Ana" }));
    assert_eq!(bench.codes("identify-main"), ["second-supply"]);
}

#[test]
fn a_chip_is_worked_on_only_while_its_own_contact_is_on() {
    let mut bench = convert();
    step_mut(&mut bench.profile, "capture-port").needs.clear();
    bench.until("identify-main");
    assert_eq!(bench.codes("capture-port"), ["not-wired"]);
    assert_eq!(bench.state().wired(), ["main"]);
    assert_eq!(bench.state().step_for("identified", "main").map(|step| step.id.as_str()), Some("identify-main"));
    assert_eq!(bench.state().step_for("captured", "main"), None, "it is to be identified first");
    assert_eq!(bench.state().step_for("captured", "port"), None);
}

#[test]
fn a_chip_that_is_written_after_the_first_start_opens_that_start_again() {
    let mut bench = convert();
    bench.until("memory");
    assert!(bench.is_done("start") && bench.is_done("settle"));
    bench.add("applied", json!({ "chip": "port", "content": content(9) }));
    assert!(!bench.is_done("start"), "the step that shows it has to be done once more");
    assert!(bench.is_done("settle"), "and no earlier one");
    assert!(bench.codes("memory").contains(&"first-start"));
    bench.add("power-up", json!({ "step": "start", "seen": true, "by": "Ana" }));
    assert!(bench.is_done("start"));
    assert!(!bench.codes("memory").contains(&"first-start"));
}

#[test]
fn one_change_at_a_time_the_first_start_is_on_the_old_memory() {
    let mut bench = convert();
    step_mut(&mut bench.profile, "memory").needs = vec!["off-2".into()];
    bench.until("apply-port");
    assert_eq!(bench.codes("memory"), NONE, "it ran since the last write");
    bench.until("off-3");
    assert!(!bench.codes("memory").contains(&"first-start"));
    let mut never = convert();
    step_mut(&mut never.profile, "memory").needs = Vec::new();
    never.until("verify-port");
    assert_eq!(never.codes("memory"), ["first-start"]);
    never.until("start");
    never.add("power-up", json!({ "step": "start", "seen": false, "by": "Ana" }));
    assert!(!never.is_done("start"), "nothing came");
    assert!(never.codes("memory").contains(&"first-start"));
    never.add("power-up", json!({ "seen": true, "by": "Ana" }));
    assert!(!never.codes("memory").contains(&"first-start"), "a start outside of the steps was seen");
}

#[test]
fn a_span_is_captured_only_when_each_of_its_chips_is() {
    let mut profile = profile();
    profile.spans =
        vec![Span { id: "both".into(), size: (1 << 24) + (1 << 20), chips: vec!["main".into(), "port".into()] }];
    for id in ["wire-main", "identify-main", "capture-main"] {
        let step = step_mut(&mut profile, id);
        step.chip = None;
        step.span = Some("both".into());
    }
    let mut bench = Bench::new(profile, JobKind::Convert);
    bench.until("capture-main");
    assert_eq!(bench.state().wired(), ["main", "port"]);
    bench.add("captured", json!({ "step": "capture-main", "chip": "main", "content": content(1) }));
    assert!(!bench.is_done("capture-main"));
    let state = bench.state();
    assert!(state.chip_done("capture-main", "main") && !state.chip_done("capture-main", "port"));
    assert_eq!(state.step("capture-main").expect("there").chips_left, ["port"]);
    assert_eq!(state.step_for("captured", "main"), None);
    bench.add("captured", json!({ "step": "capture-main", "chip": "port", "content": content(1) }));
    assert!(bench.is_done("capture-main"));
}

#[test]
fn a_rescue_skips_what_a_dead_machine_cannot_do() {
    let bench = Bench::new(profile(), JobKind::Rescue);
    for id in ["survey", "update", "stick"] {
        assert_eq!(bench.codes(id), ["skipped"], "{id}");
    }
    assert_eq!(bench.codes("off-1"), NONE, "what is skipped counts as met");
    let mut bench = Bench::new(profile(), JobKind::Rescue);
    step_mut(&mut bench.profile, "survey").only_for = vec![JobKind::Rescue];
    assert_eq!(bench.codes("survey"), NONE, "the profile says that it can");
}

#[test]
fn a_return_tells_each_chip_that_was_not_restored() {
    let mut profile = profile();
    step_mut(&mut profile, "apply-port").content = Some(Content::AsFound);
    let mut bench = Bench::fresh(profile, JobKind::Return);
    let earlier = |chip: &str, byte| EarlierChip { chip: chip.into(), as_found: content(byte) };
    bench.header.earlier = vec![earlier("main", 2), earlier("port", 9)];
    assert_eq!(bench.state().warnings().len(), 2);
    bench.add("intake", json!({ "by": "Ana" }));
    bench.add("gate", json!({ "id": "whole", "answer": "yes", "by": "Ana" }));
    bench.until("apply-port");
    bench.add("applied", json!({ "step": "apply-port", "chip": "port", "content": content(3) }));
    assert!(!bench.is_done("apply-port"), "another content than the one found");
    let warnings = bench.state().warnings();
    assert!(warnings.len() == 1 && warnings[0].starts_with("port "), "{warnings:?}");
    bench.add("applied", json!({ "step": "apply-port", "chip": "port", "content": content(9) }));
    assert!(bench.is_done("apply-port"));
    assert!(bench.state().earlier().iter().all(|(_, restored)| *restored));
}

#[test]
fn patience_counts_down_and_then_says_what_to_do() {
    let start = Step { restarts: Some(2), ..profile().step("start").expect("there").clone() };
    let wait = |seconds| patience(&start, Duration::from_secs(seconds)).expect("a power-up");
    let first = wait(0);
    assert!(!first.over && first.left_s == 300 && first.advice.contains("restart 2 times"), "{first:?}");
    assert_eq!(patience(&start, Duration::from_millis(299_500)).expect("a power-up").left_s, 1);
    let over = wait(300);
    assert!(over.over && over.left_s == 0 && over.advice.ends_with("Seat the memory again."), "{over:?}");
    assert_eq!(patience(profile().step("open").expect("there"), Duration::ZERO), None);
}
