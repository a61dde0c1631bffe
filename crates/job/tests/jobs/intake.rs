//! A machine is taken in, or stops there.

use job::jobs;
use job::profile::JobKind;

use super::bench::{ANSWERS, Bench, fits_schema};

fn with(change: &str) -> Vec<&str> {
    let id = change.split('=').next().expect("an id");
    let kept = ANSWERS.iter().copied().filter(|answer| answer.split('=').next() != Some(id));
    kept.chain([change].into_iter().filter(|change| change.contains('='))).collect()
}

#[test]
fn what_nobody_answers_names_the_option() {
    let bench = Bench::new();
    for answer in ANSWERS {
        let id = answer.split('=').next().expect("an id");
        let error = bench.start(&bench.request(JobKind::Convert, &with(id))).expect_err(id);
        assert_eq!(error.kind().exit_status(), 2, "{id}");
        assert!(error.hint().expect("a hint").starts_with(&format!("answer it with `--answer {id}=")), "{error}");
    }
}

#[test]
fn a_machine_that_is_not_fit_stops_and_leaves_no_journal() {
    let bench = Bench::new();
    let stops = [
        "unlocked=no",
        "setup-password=no",
        "recovery-key=no",
        "charge-battery=39 %",
        "charge-battery=no",
        "gate-dry=no",
        "option-finger-reader=yes",
        "limit-charge-limit=no",
    ];
    for answer in stops {
        let error = bench.start(&bench.request(JobKind::Convert, &with(answer))).expect_err(answer);
        assert_eq!(error.kind().exit_status(), 1, "{answer}: {error}");
    }
    assert!(jobs::status_all(&bench.dir(), false).expect("a list").jobs.is_empty());
}

#[test]
fn answers_that_fit_no_question_are_refused() {
    let bench = Bench::new();
    for answer in ["lunch=yes", "gate-dry=maybe", "charge-battery=140", "variant=other", "unlocked="] {
        let error = bench.start(&bench.request(JobKind::Convert, &with(answer))).expect_err(answer);
        assert_eq!(error.kind().exit_status(), 2, "{answer}: {error}");
    }
    let twice: Vec<&str> = ANSWERS.into_iter().chain(["unlocked=no"]).collect();
    assert!(bench.start(&bench.request(JobKind::Convert, &twice)).is_err());
}

#[test]
fn s16_a_fused_machine_stops_at_intake() {
    let bench = Bench::new();
    let path = bench.file("larkspur-nine.toml");
    let text = std::fs::read_to_string(&path).expect("there").replace("says = \"open\"", "says = \"fused\"");
    std::fs::write(&path, text).expect("written");
    let error = bench.start(&bench.request(JobKind::Convert, &ANSWERS)).expect_err("fused");
    assert_eq!(error.kind().exit_status(), 1);
    assert!(error.to_string().contains("in hardware"), "{error}");
}

#[test]
fn a_profile_that_is_edited_later_changes_no_job() {
    let bench = Bench::new();
    let job = bench.convert();
    let before = jobs::status(&bench.dir(), Some(&job), false).expect("a status");
    std::fs::write(bench.file("larkspur-nine.toml"), "nothing of it is left").expect("written");
    let after = jobs::status(&bench.dir(), Some(&job), false).expect("a status");
    assert_eq!(before.path, after.path);
}

#[test]
fn what_nobody_tried_is_said() {
    let bench = Bench::new();
    let report = bench.start(&bench.request(JobKind::Convert, &ANSWERS)).expect("a sound machine");
    assert!(report.remarks.iter().any(|remark| remark.ends_with("Mobile network card")), "{:?}", report.remarks);
    assert_eq!(report.next, ["first-look"]);
    fits_schema("job-start.json", &report);
}

#[test]
fn the_job_may_be_left_out_only_when_one_is_open() {
    let bench = Bench::new();
    let none = jobs::next(&bench.dir(), None, false).expect_err("no job");
    assert_eq!((none.kind().exit_status(), none.to_string().as_str()), (2, "no job is open"));
    let first = bench.convert();
    assert_eq!(jobs::next(&bench.dir(), None, false).expect("one").job, first);
    let second = bench.convert();
    let several = jobs::next(&bench.dir(), None, false).expect_err("two");
    assert!(several.to_string().contains(&first) && several.to_string().contains(&second), "{several}");
}

#[test]
fn a_rescue_takes_address_and_serial_from_the_label() {
    let bench = Bench::new();
    let donor = bench.put("another machine's main", &vec![0xA5; 1 << 24]);
    let small = bench.put("half of it", &[0xA5; 512]);
    let rescue: Vec<&str> = ANSWERS
        .into_iter()
        .filter(|answer| !answer.starts_with("setup-password") && !answer.starts_with("charge"))
        .collect();
    let start = |more: &[&str]| {
        let answers: Vec<&str> = rescue.iter().copied().chain(more.iter().copied()).collect();
        bench.start(&bench.request(JobKind::Rescue, &answers))
    };
    let error = start(&["label-serial=LN9-7"]).expect_err("no address");
    assert!(error.hint().expect("a hint").contains("--answer label-mac="), "{error}");
    assert!(start(&["label-mac=01:00:00:00:00:01", "label-serial=LN9-7"]).is_err(), "a group's address");
    let label = ["label-mac=02-00-00-00-00-07", "label-serial=LN9-7"];
    assert!(start(&[&label[..], &["donor-main=nothing like it"]].concat()).is_err());
    let wrong = format!("donor-main={small}");
    assert!(start(&[&label[..], &[&wrong]].concat()).expect_err("too small").to_string().contains("512 bytes"));
    let right = format!("donor-main={donor}");
    let job = start(&[&label[..], &[&right]].concat()).expect("a rescue").job;
    let path = jobs::status(&bench.dir(), Some(&job), false).expect("a status").path;
    let skipped = |id: &str| path.iter().find(|step| step.id == id).expect("there").standing == "skipped";
    assert!(skipped("survey") && skipped("settings") && skipped("vendor-update") && !skipped("capture-main"));
    bench.until(&job, "compose-main");
    let next = jobs::next(&bench.dir(), Some(&job), false).expect("a step").step.expect("compose");
    assert!(next.details[0].contains("02:00:00:00:00:07") && next.details[0].contains("LN9-7"), "{:?}", next.details);
    assert!(next.details[1].contains(&donor.to_string()));
    let next = jobs::next(&bench.dir(), Some(&job), true).expect("a step").step.expect("compose");
    assert!(!next.details[0].contains("02:00") && !next.details[0].contains("LN9-7"), "{:?}", next.details);
}
