//! Signatures: whose counts, what is refused, and the programmer that has to be seen to go.

use job::jobs::{self, SignRequest};

use super::bench::{Bench, fits_schema};
use job::Nobody;

fn request(job: &str, step: &str) -> SignRequest {
    SignRequest { step: step.into(), job: Some(job.into()), by: "Ana Ask".into(), ..SignRequest::default() }
}

#[test]
fn of_two_people_who_sign_at_once_one_is_told_that_it_is_done() {
    let bench = Bench::new();
    let job = bench.convert();
    let results: Vec<_> = std::thread::scope(|scope| {
        let threads: Vec<_> = (0..4).map(|_| scope.spawn(|| bench.sign(&job, "first-look"))).collect();
        threads.into_iter().map(|thread| thread.join().expect("no panic")).collect()
    });
    assert_eq!(results.iter().filter(|result| result.is_ok()).count(), 1);
    for error in results.into_iter().filter_map(Result::err) {
        assert_eq!(error.kind().exit_status(), 1, "{error}");
        assert!(error.causes()[0].contains("done already, by Ana Ask"), "{:?}", error.causes());
    }
    let (_, _, entries) = bench.read(&job);
    assert_eq!(entries.iter().filter(|entry| entry.kind == "signed").count(), 1);
}

#[test]
fn nobody_cannot_sign_and_nothing_out_of_order_is_written() {
    let bench = Bench::new();
    let job = bench.convert();
    for by in ["", "  ", "two\nlines"] {
        let error =
            jobs::sign(&bench.dir(), &SignRequest { by: by.into(), ..request(&job, "first-look") }, &mut Nobody);
        assert_eq!(error.expect_err("nobody").kind().exit_status(), 2);
    }
    let before = bench.read(&job).2.len();
    let error = bench.sign(&job, "open").expect_err("out of order");
    assert!(error.causes().iter().any(|cause| cause == "`power-off` comes first"), "{:?}", error.causes());
    assert_eq!(bench.sign(&job, "lunch").expect_err("no step").kind().exit_status(), 1);
    assert_eq!(bench.read(&job).2.len(), before);
}

#[test]
fn s13_the_programmer_has_to_be_seen_to_go() {
    let bench = Bench::new();
    let job = bench.convert();
    bench.until(&job, "wire-main");
    let blocked = bench.sign(&job, "wire-main").expect_err("no link was looked at");
    assert!(blocked.causes()[0].contains("not seen to go"), "{:?}", blocked.causes());
    let wire = |link: String| {
        jobs::sign(&bench.dir(), &SignRequest { link: Some(link), ..request(&job, "wire-main") }, &mut Nobody)
    };
    let there = wire(bench.link(true, true)).expect_err("it is plugged in");
    assert_eq!(there.kind().exit_status(), 1);
    assert!(there.to_string().contains("plugged in"), "{there}");
    assert!(wire(bench.link(true, false)).expect("it is gone").done);
    let kinds: Vec<String> = bench.read(&job).2.iter().rev().take(2).map(|entry| entry.kind.clone()).collect();
    assert_eq!(kinds, ["signed", "link-gone"]);
}

#[test]
fn s13_a_link_that_can_vanish_takes_no_hold_instead() {
    let bench = Bench::new();
    let job = bench.convert();
    bench.until(&job, "wire-main");
    let stays = SignRequest { link_stays: true, ..request(&job, "wire-main") };
    let both = SignRequest { link: Some(bench.link(true, true)), ..stays.clone() };
    assert_eq!(jobs::sign(&bench.dir(), &both, &mut Nobody).expect_err("it can").kind().exit_status(), 2);
    assert!(jobs::sign(&bench.dir(), &stays, &mut Nobody).expect("a signed hold").done);
}

#[test]
fn s1_a_vendor_update_is_signed_with_no_way_back() {
    let bench = Bench::new();
    let job = bench.convert();
    bench.until(&job, "vendor-update");
    let next = jobs::next(&bench.dir(), Some(&job), false).expect("a step");
    fits_schema("job-next.json", &next);
    assert!(next.text().contains("NO WAY BACK EXISTS YET for main, port"), "{}", next.text());
    // Not done by a signature at its end alone: what it may cost is signed before power comes.
    let update = request(&job, "vendor-update");
    let shown = |version: &str| SignRequest { measured: Some(version.into()), ..update.clone() };
    let sign = |request: &SignRequest| jobs::sign(&bench.dir(), request, &mut Nobody);
    let early = sign(&shown("1.18")).expect_err("its beginning is not signed");
    assert!(
        early.causes().iter().chain([&early.to_string()]).any(|said| said.contains("no way back exists yet")),
        "{early}"
    );
    let report = sign(&SignRequest { begin: true, ..update.clone() }).expect("signed");
    assert_eq!((report.done, report.no_way_back.clone()), (false, vec!["main".to_owned(), "port".to_owned()]));
    fits_schema("job-sign.json", &report);
    assert_eq!(bench.read(&job).2.last().expect("an entry").body["no_way_back"], serde_json::json!(["main", "port"]));
    // The version as it is shown is written down, and no other one closes the step.
    for other in [update.clone(), shown("1.17"), shown("")] {
        sign(&other).expect_err("another version");
    }
    let dark = sign(&SignRequest { dark: true, ..update.clone() }).expect("nothing came, and nothing was shown");
    assert!(!dark.done);
    assert!(sign(&shown("1.18")).expect("it came").done);
    let record = jobs::record(&bench.dir(), Some(&job), false).expect("a record");
    let step = record.steps.iter().find(|step| step.id == "vendor-update").expect("in the record");
    assert_eq!((step.measured.as_deref(), step.no_way_back.len()), (Some("1.18"), 2));
    let power = record.steps.iter().find(|step| step.id == "update-power").expect("in the record");
    assert_eq!(power.measured.as_deref(), Some("40 %"));
}

#[test]
fn a_start_that_shows_nothing_stays_open_and_patience_is_told() {
    let bench = Bench::new();
    let job = bench.convert();
    bench.until(&job, "start-as-found");
    let start = request(&job, "start-as-found");
    let begun = jobs::sign(&bench.dir(), &SignRequest { begin: true, ..start.clone() }, &mut Nobody).expect("begun");
    assert!(!begun.done);
    let next = jobs::next(&bench.dir(), Some(&job), false).expect("a step").step.expect("the start");
    assert!(next.patience.is_some_and(|patience| !patience.over && patience.left_s > 170));
    let dark = jobs::sign(&bench.dir(), &SignRequest { dark: true, ..start.clone() }, &mut Nobody).expect("written");
    assert!(!dark.done && dark.entry == "power-up");
    assert!(jobs::sign(&bench.dir(), &start, &mut Nobody).expect("it came").done);
}

#[test]
fn options_that_belong_to_other_steps_are_refused() {
    let bench = Bench::new();
    let job = bench.convert();
    let look = request(&job, "first-look");
    let wrong = [
        SignRequest { dark: true, ..look.clone() },
        SignRequest { begin: true, ..look.clone() },
        SignRequest { measured: Some("1.0".into()), ..look.clone() },
        SignRequest { link: Some("x.toml".into()), ..look.clone() },
        SignRequest { link_stays: true, ..look.clone() },
    ];
    for request in wrong {
        assert_eq!(jobs::sign(&bench.dir(), &request, &mut Nobody).expect_err("wrong").kind().exit_status(), 2);
    }
}

#[test]
fn a_bad_measurement_is_not_written_down() {
    let bench = Bench::new();
    let job = bench.convert();
    bench.until(&job, "dead-board");
    let before = bench.read(&job).2.len();
    for measured in [None, Some("3.3"), Some("NaN"), Some("nothing")] {
        let measured = measured.map(str::to_owned);
        let request = SignRequest { measured, ..request(&job, "dead-board") };
        assert_eq!(jobs::sign(&bench.dir(), &request, &mut Nobody).expect_err("bad").kind().exit_status(), 1);
    }
    assert_eq!(bench.read(&job).2.len(), before);
}

#[test]
fn what_only_a_command_closes_says_which() {
    let bench = Bench::new();
    let job = bench.convert();
    bench.until(&job, "identify-main");
    let error = bench.sign(&job, "identify-main").expect_err("only the chip can show it");
    assert_eq!(error.kind().exit_status(), 2);
    assert!(error.hint().expect("a hint").contains("firmhand chip identify --link LINK --job"), "{error:?}");
}
