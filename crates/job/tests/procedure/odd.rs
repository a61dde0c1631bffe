//! Journals that no well-behaved program writes, and what comes of them.

use job::profile::model::JobKind;
use serde_json::json;

use super::bench::{Bench, content, profile};

fn convert() -> Bench {
    Bench::new(profile(), JobKind::Convert)
}

#[test]
fn of_two_people_who_sign_the_first_counts_and_the_second_is_noted() {
    let mut bench = convert();
    bench.add("signed", json!({ "step": "stick", "by": "Ana" }));
    bench.add("signed", json!({ "step": "stick", "by": "Ben" }));
    let state = bench.state();
    let view = state.step("stick").expect("there");
    assert!(matches!(&view.standing, job::procedure::Standing::Done(mark) if mark.by == "Ana"));
    assert!(state.notes()[0].text.contains("done already, by Ana"), "{:?}", state.notes());
}

#[test]
fn a_signature_by_nobody_does_not_count() {
    for by in [json!(""), json!("   "), json!(null), json!(7)] {
        let mut bench = convert();
        bench.add("signed", json!({ "step": "stick", "by": by }));
        assert!(!bench.is_done("stick"));
        assert_eq!(bench.state().notes().len(), 1);
    }
    let mut bench = Bench::fresh(profile(), JobKind::Convert);
    bench.add("intake", json!({}));
    assert!(bench.state().intake().is_none());
}

#[test]
fn a_signature_out_of_order_does_not_count_later_either() {
    let mut bench = convert();
    bench.sign("update");
    assert!(!bench.is_done("update"));
    bench.sign("stick");
    assert!(!bench.is_done("update"), "it has to be signed again");
    bench.sign("update");
    assert!(bench.is_done("update"));
    assert!(bench.state().notes()[0].text.contains("`stick` comes first"));
}

#[test]
fn s7_power_that_came_out_of_order_is_power_all_the_same() {
    let mut bench = convert();
    bench.until("open");
    bench.sign("start");
    assert!(!bench.is_done("start"));
    assert_eq!(bench.codes("open"), ["needs", "supplies-not-off"]);
}

#[test]
fn a_clock_that_goes_back_changes_nothing_but_leaves_a_note() {
    let mut bench = convert();
    bench.until("apply-main");
    let straight = bench.state().next().len();
    let last = bench.entries.len() - 1;
    for (number, entry) in bench.entries.iter_mut().enumerate() {
        entry.time = format!("2026-03-01T09:00:{:02}Z", last - number);
    }
    let state = bench.state();
    assert_eq!(state.next().len(), straight);
    assert_eq!(state.notes().len(), last);
    assert!(state.notes()[0].text.contains("clock went back"));
}

#[test]
fn a_measured_value_has_to_be_there_and_good() {
    let mut bench = convert();
    bench.until("cell");
    for measured in [json!(null), json!("3.0"), json!(2.7), json!(3.5)] {
        bench.add("signed", json!({ "step": "cell", "by": "Ana", "measured": measured }));
        assert!(!bench.is_done("cell"), "{measured}");
    }
    bench.add("signed", json!({ "step": "cell", "by": "Ana", "measured": 3.0 }));
    assert!(bench.is_done("cell"));
}

#[test]
fn nobody_signs_for_what_only_a_chip_can_show() {
    let mut bench = convert();
    bench.until("identify-main");
    bench.sign("identify-main");
    bench.add("step-done", json!({ "step": "identify-main", "by": "firmhand" }));
    assert!(!bench.is_done("identify-main"));
    bench.until("verify-main");
    bench.add("verified", json!({ "step": "verify-main", "chip": "main", "differing_bytes": 3 }));
    bench.add("verified", json!({ "step": "verify-main", "chip": "main" }));
    bench.add("verified", json!({ "step": "verify-main", "chip": "port", "differing_bytes": 0 }));
    assert!(!bench.is_done("verify-main"));
    bench.add("verified", json!({ "step": "verify-main", "chip": "main", "differing_bytes": 0 }));
    assert!(bench.is_done("verify-main"));
}

#[test]
fn entries_that_name_no_step_find_the_one_that_is_open() {
    let mut bench = convert();
    bench.until("identify-main");
    bench.add("captured", json!({ "chip": "main", "content": content(1) }));
    assert!(!bench.is_done("capture-main"), "it is to be identified first");
    bench.add("identified", json!({ "chip": "main", "step": "capture-main" }));
    assert!(bench.is_done("identify-main"), "every chip command identifies");
    bench.add("captured", json!({ "chip": "main", "content": content(1) }));
    assert!(bench.is_done("capture-main"));
    bench.until("fill-port");
    bench.add("applied", json!({ "chip": "port", "content": content(2) }));
    assert!(!bench.is_done("fill-port"), "an image is no fill");
    bench.add("applied", json!({ "chip": "port", "content": content(2), "fill": 255 }));
    assert!(!bench.is_done("fill-port"), "another byte");
    bench.add("applied", json!({ "chip": "port", "content": content(2), "fill": 0 }));
    assert!(bench.is_done("fill-port"));
}

#[test]
fn what_names_nothing_of_the_profile_is_noted() {
    let mut bench = convert();
    bench.sign("lunch");
    bench.add("applied", json!({ "chip": "third", "content": content(2) }));
    bench.add("applied", json!({ "content": content(2) }));
    bench.add("gate", json!({ "id": "whole", "answer": "maybe", "by": "Ana" }));
    bench.add("a-later-kind", json!({ "step": "stick" }));
    assert_eq!(bench.state().notes().len(), 4);
    assert_eq!(bench.state().may_do("lunch").expect_err("unknown").reasons[0].code(), "no-such-step");
}

#[test]
fn a_closed_job_takes_nothing_more() {
    let mut bench = convert();
    bench.add("sealed", json!({}));
    assert_eq!(bench.codes("stick"), ["job-closed"]);
    bench.sign("stick");
    assert!(!bench.is_done("stick") && bench.state().next().is_empty());
}
