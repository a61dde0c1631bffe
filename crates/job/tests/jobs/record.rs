//! The record: complete as it is, and without anybody's secrets when asked.

use job::jobs::{self, SignRequest};
use job::profile::JobKind;

use super::bench::{ANSWERS, Bench, fits_schema};
use job::Nobody;

#[test]
fn s15_a_redacted_record_holds_nothing_of_a_person_or_a_machine() {
    let bench = Bench::new();
    let rescue =
        ANSWERS.iter().copied().filter(|answer| !answer.starts_with("setup-") && !answer.starts_with("charge-"));
    let answers: Vec<&str> = rescue.chain(["label-mac=02:00:00:00:00:07", "label-serial=LN9-0042"]).collect();
    let job = bench.start(&bench.request(JobKind::Rescue, &answers)).expect("a rescue").job;
    let request = SignRequest {
        step: "first-look".into(),
        by: "Ben Bench".into(),
        note: Some("serial LN9-0042 on the label".into()),
        ..SignRequest::default()
    };
    jobs::sign(&bench.dir(), &request, &mut Nobody).expect("signed");
    // A second signature leaves a note with the name in it.
    bench.append(&job, "signed", serde_json::json!({ "step": "first-look", "by": "Ana Ask" }));
    let secrets = ["LN9-0042", "Lantern Street", "Ana Ask", "Ben Bench", "02:00:00:00:00:07", "shelf 3"];
    let open = jobs::record(&bench.dir(), None, false).expect("a record");
    let whole = format!("{}{}", open.text(), serde_json::to_string(&open).expect("JSON"));
    for secret in secrets {
        assert!(whole.contains(secret), "the check would see nothing: {secret}");
    }
    let status = |redact| {
        let one = jobs::status(&bench.dir(), None, redact).expect("a status");
        let all = jobs::status_all(&bench.dir(), redact).expect("a list");
        fits_schema("job-status.json", &one);
        fits_schema("job-status.json", &all);
        format!("{}{}{}", one.text(), all.text(), serde_json::to_string(&(one, all)).expect("JSON"))
    };
    let redacted = jobs::record(&bench.dir(), None, true).expect("a record");
    let next = jobs::next(&bench.dir(), None, true).expect("a step");
    let mut shown = format!("{}{}{}", redacted.text(), serde_json::to_string(&redacted).expect("JSON"), status(true));
    shown += &serde_json::to_string(&next).expect("JSON");
    let lesson = jobs::write_up(&bench.dir(), None).expect("a write-up");
    let label = jobs::label(&bench.dir(), None).expect("a label");
    fits_schema("job-write-up.json", &lesson);
    shown += &format!("{}{}{}", lesson.text(), serde_json::to_string(&lesson).expect("JSON"), label.svg);
    assert!(lesson.text().contains("Look it over") && label.svg.contains(&redacted.job));
    for secret in secrets {
        assert!(!shown.contains(secret), "{secret} is shown");
    }
    assert!(status(false).contains("shelf 3"));
    fits_schema("job-record.json", &open);
    fits_schema("job-record.json", &redacted);
}

#[test]
fn one_unreadable_journal_hides_no_other() {
    let bench = Bench::new();
    let (bad, good) = (bench.convert(), bench.convert());
    let state = |job: &str| {
        let list = jobs::status_all(&bench.dir(), false).expect("a list");
        fits_schema("job-status.json", &list);
        list.jobs.iter().find(|line| line.job == job).expect("listed").state
    };
    for (place, reads_as) in [("journals", "open"), ("twin/journals", "unreadable")] {
        let path = bench.dir().join(place).join(format!("{bad}.jsonl"));
        let text = std::fs::read_to_string(&path).expect("there").replace("shelf 3", "shelf 4");
        std::fs::write(&path, text).expect("written");
        assert_eq!((state(&bad), state(&good)), (reads_as, "open"), "{place}");
    }
}

#[test]
fn a_label_is_written_once_and_never_over_something_else() {
    let bench = Bench::new();
    let job = bench.convert();
    let file = bench.file("label.svg");
    let write = || jobs::label_into(&bench.dir(), Some(&job), &file);
    let report = write().expect("written");
    fits_schema("job-label.json", &report);
    assert_eq!(report.lines[1], format!("job {job}"));
    write().expect("the same again is no harm");
    std::fs::write(&file, "another").expect("written");
    assert!(write().is_err());
    assert_eq!(std::fs::read_to_string(&file).expect("there"), "another");
}
