//! Jobs on the desk: the intake, a signature, two windows, both faces on one bench, and a whole job by pressing the one filled button.

use std::collections::BTreeSet;
use std::time::Duration;

use job::jobs::{self, SignRequest};
use job::vault::{JobId, Journal};

use super::Bench;
use super::visitor::{Form, Visitor, deed, form, forms, good_value};

/// More presses than any job has: one that does not end is a mistake.
const MOST_PRESSES: usize = 400;

/// What a person fills in, whatever is asked.
fn filled(form: &Form) -> Vec<(&'static str, String)> {
    let fields = [("by", "Ana".to_owned()), ("measured", good_value(form))];
    fields.into_iter().filter(|(name, _)| form.fields.contains_key(*name)).collect()
}

#[test]
fn a_whole_job_is_done_by_pressing_the_one_button_there_is() {
    let bench = Bench::open();
    let visitor = bench.visitor();
    let mut pressed = BTreeSet::new();
    let mut last = String::new();
    for _ in 0..MOST_PRESSES {
        let page = visitor.settled(&bench.page());
        let Some(form) = deed(&page) else { break };
        assert!(!page.contains("class=\"bad\""), "{page}");
        let step = form.fields.get("step").cloned().unwrap_or_else(|| "handover".into());
        let said = form.text.split("<button").last().unwrap_or_default().to_owned();
        assert_ne!(format!("{step} {said}"), last, "the same button twice: {page}");
        last = format!("{step} {said}");
        pressed.insert(step);
        let answer = visitor.send(&form, &filled(&form));
        assert_eq!(answer.status, 303, "{}", answer.text());
    }
    let page = visitor.get(&bench.page());
    assert!(page.contains("This job is closed"), "{page}");
    assert!(pressed.len() > 40, "{pressed:?}");
    // What the chips hold is looked at beside the link.
    let folder = bench.path().join("virtual");
    let read = |name: &str| std::fs::read(folder.join(name)).expect("a chip's content");
    let wanted = job::image::scenario::meadowlark_completed(7, job::image::scenario::LARKSPUR_MAC);
    assert!(read("main.bin") == wanted, "main does not hold Meadowlark with its own address");
    assert!(read("port-chip.bin") == job::image::scenario::meadowlark_port(7), "port does not hold its new firmware");
    let (mut stick, wanted) = (read("stick.bin"), "aecaba989ce2eaf92c61c26f0a42f490d1eed760fdffc1dab0b3c6594e69a874");
    assert_eq!(stick.len(), 32 << 20);
    stick.truncate(0x90_0000);
    assert_eq!(job::image::pin::Pin::sha256(&stick).digits(), wanted, "the stick does not hold what the profile says");
    let record = jobs::record(&bench.path(), Some(&bench.job), false).expect("a record");
    assert!(record.sealed && record.warnings.is_empty() && record.notes.is_empty(), "{record:?}");
    assert!(record.steps.iter().all(|step| step.standing == "done"));
}

#[test]
fn a_step_that_two_windows_sign_is_signed_once() {
    let bench = Bench::open();
    let (one, other) = (bench.visitor(), bench.visitor());
    let first = deed(&one.get(&bench.page())).expect("a button");
    let second = deed(&other.get(&bench.page())).expect("a button");
    assert_eq!(first.fields["step"], second.fields["step"]);
    assert_eq!(one.send(&first, &[("by", "Ana")]).status, 303);
    let late = other.send(&second, &[("by", "Ben")]);
    assert_eq!(late.status, 409);
    assert!(late.text().contains("it is done already, by Ana"), "{}", late.text());
}

#[test]
fn both_faces_work_on_one_bench_and_see_the_same() {
    let bench = Bench::open();
    let visitor = bench.visitor();
    let before = deed(&visitor.get(&bench.page())).expect("a button");
    let step = before.fields["step"].clone();
    let request =
        SignRequest { step: step.clone(), job: Some(bench.job.clone()), by: "Ben".into(), ..SignRequest::default() };
    jobs::sign(&bench.path(), &request, &mut job::Nobody).expect("the command line signs");
    let after = deed(&visitor.get(&bench.page())).expect("a button");
    assert_ne!(after.fields["step"], step, "the page shows what comes next");
    let late = visitor.send(&before, &[("by", "Ana")]);
    assert!(late.text().contains("it is done already, by Ben"), "{}", late.text());
    // A command that holds the journal is named to whoever comes second.
    let vault = job::open_bench(&bench.path()).expect("the bench");
    let id = JobId::new(&bench.job).expect("an id");
    let held = Journal::open(&vault, &id, "firmhand chip apply", "2026-03-01T09:00:00Z").expect("the journal");
    let busy = visitor.send(&after, &[("by", "Ana")]);
    assert_eq!(busy.status, 500);
    assert!(busy.text().contains("firmhand chip apply"), "{}", busy.text());
    drop(held);
    assert_eq!(visitor.send(&after, &[("by", "Ana")]).status, 303);
}

#[test]
fn a_machine_is_taken_in_and_one_that_is_locked_is_not() {
    let bench = Bench::open();
    let visitor = bench.visitor();
    let before = jobs::status_all(&bench.path(), false).expect("a list").jobs.len();
    let start = visitor.get("/start");
    assert!(start.contains("Larkspur Nine") && start.contains("Teal"), "{start}");
    let address = start
        .split("href=\"")
        .find(|part| part.contains("kind=convert"))
        .and_then(|part| part.split('"').next())
        .expect("a choice")
        .replace("&amp;", "&");
    let intake = form(&visitor.get(&address), "/start");
    let answers = |unlocked: &'static str| {
        vec![
            ("machine", "Larkspur Nine, shelf 9"),
            ("owner", "Lantern Street"),
            ("consent", "Ana"),
            ("answer-unlocked", unlocked),
            ("answer-setup-password", "yes"),
            ("answer-recovery-key", "yes"),
            ("answer-charge-battery", "80 %"),
            ("answer-gate-dry", "yes"),
            ("answer-gate-battery-sound", "yes"),
            ("answer-gate-revision", "yes"),
            ("answer-option-mobile-card", "no"),
            ("answer-option-finger-reader", "no"),
            ("answer-limit-finger-reader", "yes"),
            ("answer-limit-charge-limit", "yes"),
            ("answer-variant", "school"),
        ]
    };
    let locked = visitor.send(&intake, &answers("no"));
    assert_eq!(locked.status, 409);
    assert!(locked.text().contains("a locked machine is not for this work"), "{}", locked.text());
    let missing = visitor.send(&intake, &answers("yes")[..10]);
    assert_eq!(missing.status, 400, "{}", missing.text());
    assert_eq!(jobs::status_all(&bench.path(), false).expect("a list").jobs.len(), before, "nothing was written down");
    let taken = visitor.send(&intake, &answers("yes"));
    assert_eq!(taken.status, 303, "{}", taken.text());
    let page = visitor.get(taken.header("location"));
    assert!(page.contains("Larkspur Nine, shelf 9") && deed(&page).is_some(), "{page}");
    assert!(visitor.get("/?search=SHELF+9").contains(taken.header("location")));
    assert!(visitor.get("/?search=nothing-like-it").contains("No job is found"));
}

#[test]
fn the_page_says_what_stands_in_the_way_and_what_is_still_connected() {
    let bench = Bench::open();
    let visitor = bench.visitor();
    let mut lamps = BTreeSet::new();
    let mut connected = false;
    for _ in 0..MOST_PRESSES {
        let page = visitor.settled(&bench.page());
        for lamp in page.split("class=\"lamp ").skip(1) {
            lamps.insert(lamp.split('"').next().unwrap_or_default().to_owned());
        }
        let form = deed(&page).expect("a button");
        let step = form.fields["step"].as_str();
        if step == "identify-main" {
            connected = page.contains("Still connected") && page.contains("wire-main");
            // Another contact, or power, is not offered, and refused to whoever sends it.
            let mut sign = Form { action: form.action.replace("/do?", "/sign?"), ..form.clone() };
            sign.fields.remove("link");
            for other in ["open", "first-power", "wire-port"] {
                let answer = visitor.send(&sign, &[("step", other), ("by", "Ana")]);
                assert_eq!(answer.status, 409, "{other}");
                assert!(
                    answer.text().contains("wire-main") || answer.text().contains("already"),
                    "{other}: {}",
                    answer.text()
                );
            }
            break;
        }
        visitor.send(&form, &filled(&form));
    }
    assert!(connected, "the contact that is on is not shown");
    assert_eq!(lamps.into_iter().collect::<Vec<_>>(), ["dark", "lit", "unknown"]);
}

#[test]
fn a_start_has_a_timer_and_what_to_do_when_nothing_comes() {
    let bench = Bench::open();
    let visitor = bench.visitor();
    let first = deed(&visitor.get(&bench.page())).expect("a button");
    visitor.send(&first, &[("by", "Ana")]);
    let start = deed(&visitor.get(&bench.page())).expect("a button");
    assert_eq!((start.fields["step"].as_str(), start.fields["deed"].as_str()), ("start-as-found", "begin"));
    visitor.send(&start, &[("by", "Ana")]);
    let page = visitor.get(&bench.page());
    let left: u64 =
        page.split("data-left=\"").nth(1).and_then(|rest| rest.split('"').next()?.parse().ok()).expect("a timer");
    assert!((1..=180).contains(&left), "{left} s of the profile's three minutes");
    assert!(page.contains("Do not take the power away"), "{page}");
    let dark = forms(&page)
        .into_iter()
        .find(|form| form.fields.get("deed").is_some_and(|deed| deed == "dark"))
        .expect("a form");
    assert_eq!(visitor.send(&dark, &[("by", "Ana")]).status, 303);
    let page = visitor.get(&bench.page());
    assert_eq!(deed(&page).expect("a button").fields["step"], "start-as-found", "it stays open");
    assert!(page.contains("class=\"lamp lit\""), "power counts as on");
}

/// Presses the one button until this step is in hand; answers the page.
pub fn up_to(visitor: &Visitor, bench: &Bench, step: &str) -> String {
    for _ in 0..MOST_PRESSES {
        let page = visitor.settled(&bench.page());
        let form = deed(&page).expect("a button");
        if form.fields["step"] == step {
            return page;
        }
        visitor.send(&form, &filled(&form));
    }
    panic!("`{step}` never came");
}

#[test]
fn news_come_as_events_with_all_that_a_window_shows() {
    let bench = Bench::open();
    let visitor = bench.visitor();
    let mut events = visitor.events(&format!("{}/events", bench.page()));
    let first = events.next().expect("an event at once");
    assert_eq!(first["task"], serde_json::Value::Null);
    let entries = first["entries"].as_u64().expect("a count");
    // What the other face writes is told.
    let request = SignRequest {
        step: "first-look".into(),
        job: Some(bench.job.clone()),
        by: "Ben".into(),
        ..SignRequest::default()
    };
    jobs::sign(&bench.path(), &request, &mut job::Nobody).expect("the command line signs");
    assert_eq!(events.next().expect("an event")["entries"].as_u64(), Some(entries + 1));
    // And what runs, to its end.
    up_to(&visitor, &bench, "wire-main");
    let wire = deed(&visitor.get(&bench.page())).expect("a button");
    visitor.send(&wire, &filled(&wire));
    // Steps on the way ran too; how those ended comes first, where it was not overtaken.
    let mut ends = events.filter(|event| event["task"]["outcome"]["good"] == true);
    assert!(ends.any(|event| event["task"]["step"] == "wire-main"), "an end");
    assert_eq!(visitor.answer("/job/no-such-job/events").status, 404);
}

#[test]
fn the_live_watch_shows_its_word_until_it_is_stopped() {
    let bench = Bench::open();
    let visitor = bench.visitor();
    let watch = format!("{}/watch", bench.page());
    assert_eq!(visitor.answer(&watch).status, 303, "nothing is watched yet");
    let page = up_to(&visitor, &bench, "identify-main");
    let check = form(&page, "/check");
    assert_eq!(visitor.send(&check, &[("how", "watch")]).header("location"), watch);
    let mut word = String::new();
    for _ in 0..200 {
        let page = visitor.get(&watch);
        word = page
            .split("id=\"word\"")
            .nth(1)
            .and_then(|rest| rest.split(['>', '<']).nth(1))
            .unwrap_or_default()
            .to_owned();
        if word == "SEATED" {
            break;
        }
        std::thread::sleep(Duration::from_millis(25));
    }
    assert_eq!(word, "SEATED");
    // It holds the link, so nothing else begins on this job.
    let identify = deed(&page).expect("a button");
    assert_eq!(visitor.send::<&str>(&identify, &[]).status, 409);
    visitor.send::<&str>(&form(&visitor.get(&watch), "/stop"), &[]);
    let page = visitor.settled(&bench.page());
    assert!(page.contains("looks, the last one SEATED"), "{page}");
    let test = visitor.send(&check, &[("how", "test")]);
    assert_eq!(test.status, 303);
    assert!(visitor.settled(&bench.page()).contains("id right 1000 of 1000"));
    visitor.send::<&str>(&identify, &[]);
    assert_eq!(deed(&visitor.settled(&bench.page())).expect("a button").fields["step"], "capture-main");
}
