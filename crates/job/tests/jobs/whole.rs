//! Whole jobs of the scenario, from intake to handover.

use job::jobs::{self, StartRequest};
use job::profile::JobKind;

use super::bench::{ANSWERS, Bench, fits_schema};

const RETURN: [&str; 10] = [
    "unlocked=yes",
    "setup-password=yes",
    "recovery-key=yes",
    "charge-battery=yes",
    "gate-dry=yes",
    "gate-battery-sound=yes",
    "gate-revision=yes",
    "limit-clock=yes",
    "limit-recovery-key=yes",
    "option-mobile-card=no",
];

#[test]
fn the_larkspur_nine_is_converted_handed_over_and_taken_back() {
    let bench = Bench::new();
    let job = bench.convert();
    let early = bench.handover().expect_err("nothing is done yet");
    assert!(early.causes().iter().any(|cause| cause.contains("still to do")), "{:?}", early.causes());
    bench.until(&job, "handover");
    let record = jobs::record(&bench.dir(), None, false).expect("a record");
    assert!(record.chips.iter().all(|chip| chip.as_found.is_some() && chip.as_left.is_some()), "{:?}", record.chips);
    assert!(record.notes.is_empty() && record.warnings.is_empty(), "{:?}", record.notes);
    let report = bench.handover().expect("all is done");
    assert_eq!((report.limits.len(), report.warnings.len()), (2, 0));
    fits_schema("job-handover.json", &report);
    let record = jobs::record(&bench.dir(), Some(&job), false).expect("a sealed journal can be read");
    assert!(record.sealed && record.limits.iter().all(|limit| limit.acknowledged && limit.told));
    fits_schema("job-record.json", &record);
    assert!(jobs::next(&bench.dir(), Some(&job), false).expect("closed").closed);
    assert!(bench.sign(&job, "first-look").is_err(), "a sealed journal takes nothing more");

    let back = StartRequest { of: Some(job.clone()), profile: None, ..bench.request(JobKind::Return, &RETURN) };
    let missing = bench.start(&back).expect_err("an extra that fails has to be asked for");
    assert!(missing.hint().expect("a hint").contains("option-finger-reader"), "{missing}");
    let answers: Vec<String> = back.answers.iter().cloned().chain(["option-finger-reader=no".into()]).collect();
    let report = bench.start(&StartRequest { answers, ..back }).expect("the job's own profile is used");
    assert_eq!(report.restores, ["main", "port"]);
    bench.until(&report.job, "restore-port");
    let status = jobs::status(&bench.dir(), None, false).expect("a status");
    fits_schema("job-status.json", &status);
    assert_eq!(status.chips.iter().map(|chip| chip.restored).collect::<Vec<_>>(), [Some(true), Some(false)]);
    assert!(status.warnings[0].starts_with("port of the earlier job is not restored"), "{:?}", status.warnings);
    bench.until(&report.job, "handover");
    assert!(bench.handover().expect("all is done").warnings.is_empty());
}

#[test]
fn a_return_needs_a_job_that_has_captured_something() {
    let bench = Bench::new();
    let none = bench.start(&bench.request(JobKind::Return, &RETURN)).expect_err("of what?");
    assert_eq!(none.kind().exit_status(), 2);
    let job = bench.convert();
    let back = StartRequest { of: Some(job), ..bench.request(JobKind::Return, &RETURN) };
    let empty = bench.start(&back).expect_err("nothing was captured");
    assert_eq!(empty.kind().exit_status(), 1);
    let wrong = StartRequest { kind: JobKind::Convert, ..back };
    assert_eq!(bench.start(&wrong).expect_err("only a return").kind().exit_status(), 2);
}

#[test]
fn s16_the_teal_board_waits_for_a_signature_before_its_first_write() {
    let bench = Bench::new();
    let request = StartRequest {
        profile: Some(bench.file("teal-router.toml")),
        ..bench.request(
            JobKind::Rescue,
            &["unlocked=yes", "recovery-key=yes", "gate-adapter=yes", "label-mac=none", "label-serial=none"],
        )
    };
    let mut answers = request.answers.clone();
    // What else its profile asks is answered with yes, as the hints say.
    let job = loop {
        match bench.start(&StartRequest { answers: answers.clone(), ..request.clone() }) {
            Ok(report) => break report.job,
            Err(error) => {
                let hint = error.hint().expect("a question without an answer");
                let id =
                    hint.split("--answer ").nth(1).and_then(|rest| rest.split('=').next()).expect("an id").to_owned();
                assert!(!answers.iter().any(|answer| answer.starts_with(&format!("{id}="))), "{id} is asked twice");
                answers.push(format!("{id}=yes"));
            }
        }
    };
    let (_, profile, _) = bench.read(&job);
    let first = profile.steps_of(JobKind::Rescue).find(|step| step.content.is_some() || step.fill.is_some());
    let first = first.expect("it writes something").id.clone();
    bench.until(&job, &first);
    let next = jobs::next(&bench.dir(), None, false).expect("an answer");
    assert!(next.step.is_none(), "{:?}", next.step);
    assert!(next.commands[0].starts_with("firmhand job sign fused "), "{:?}", next.commands);
    assert!(!bench.sign(&job, "fused").expect("a gate").done);
    bench.until(&job, "handover");
    assert!(bench.handover().expect("all is done").sealed);
}

#[test]
fn a_larkspur_nine_that_arrived_dead_is_brought_back() {
    let bench = Bench::new();
    let rescue =
        ANSWERS.iter().copied().filter(|answer| !answer.starts_with("setup-") && !answer.starts_with("charge-"));
    let answers: Vec<&str> = rescue.chain(["label-mac=none", "label-serial=none"]).collect();
    let job = bench.start(&bench.request(JobKind::Rescue, &answers)).expect("a rescue").job;
    bench.until(&job, "handover");
    assert!(bench.handover().expect("all is done").sealed);
}
