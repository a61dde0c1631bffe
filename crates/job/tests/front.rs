//! The engine with a scripted person: what is asked, what is watched, and that no click stands for an unplugging (S13).

use std::cell::Cell;
use std::path::PathBuf;

use job::{ChipOptions, Front, JobError, News, Question, QuestionKind, Reply, Session, open_bench};
use tempfile::TempDir;

/// A person who says that the clip is not on yet, and does with the plug what they are told to.
struct Person {
    bench_file: PathBuf,
    obeys: bool,
    heard: Vec<String>,
    asked: Vec<&'static str>,
    /// How often the engine asked whether to stop; somebody who does not obey gives up in the end.
    looks: Cell<u32>,
}

impl Person {
    fn plug(&self, present: bool) {
        write_bench_file(&self.bench_file, present);
    }
}

impl Front for Person {
    fn ask(&mut self, question: &Question) -> Option<Reply> {
        self.asked.push(question.name);
        Some(match (question.name, question.kind) {
            ("clip-on", _) => Reply::No,
            (_, QuestionKind::YesNo) => Reply::Yes,
            (_, QuestionKind::Signature) => Reply::Signed("Ada".into()),
            (_, QuestionKind::Size) => Reply::No,
        })
    }

    fn is_attended(&self) -> bool {
        true
    }

    fn news(&mut self, news: &News) {
        let News::Said(text) = news else { return };
        self.heard.push(text.clone());
        if self.obeys {
            match text {
                text if text.starts_with("Unplug the programmer now") => self.plug(false),
                text if text.starts_with("The programmer is gone") => self.plug(true),
                _ => {}
            }
        }
    }

    fn wants_stop(&self) -> bool {
        self.looks.set(self.looks.get() + 1);
        !self.obeys && self.looks.get() > 3
    }
}

fn write_bench_file(path: &std::path::Path, present: bool) {
    let chip = "[chip]\nmarking = \"W25Q80DV\"\ncontent = \"chip.bin\"\n";
    std::fs::write(path, format!("{chip}[link]\nasks = true\npresent = {present}\n")).expect("our own file");
}

/// A folder with a bench file whose link is plugged in, or not, and a person at it.
fn scene(present: bool, obeys: bool) -> (TempDir, Person, ChipOptions) {
    let folder = tempfile::tempdir().expect("a folder");
    let bench_file = folder.path().join("chip.toml");
    write_bench_file(&bench_file, present);
    let options = ChipOptions { link: bench_file.display().to_string(), ..ChipOptions::default() };
    let person = Person { bench_file, obeys, heard: Vec::new(), asked: Vec::new(), looks: Cell::new(0) };
    (folder, person, options)
}

/// Question and answer of each entry `asked` of the one journal.
fn answers(bench: &std::path::Path) -> Vec<(String, String)> {
    let vault = open_bench(bench).expect("a bench");
    let journals = vault.journals().expect("journals");
    assert_eq!(journals.len(), 1);
    let log = vault.read_journal(&journals[0].job).expect("a journal");
    let text = |value: &serde_json::Value| value.as_str().unwrap_or_default().to_owned();
    log.entries
        .iter()
        .filter(|entry| entry.kind == "asked")
        .map(|entry| (text(&entry.body["question"]), text(&entry.body["answer"])))
        .collect()
}

#[test]
fn s13_a_clip_still_to_go_on_waits_for_the_link_to_vanish_and_come_back() {
    let (folder, mut person, options) = scene(true, true);
    let bench = folder.path().join("bench");
    let session = Session::open(&bench, options, "chip identify", &mut person).expect("it goes on");
    assert_eq!(session.identity().chip.id_text(), "ef4014");
    drop(session);
    assert_eq!(person.asked, ["supplies-off", "clip-on", "pin-1"]);
    assert_eq!(person.heard.len(), 2, "{:?}", person.heard);
    let answers = answers(&bench);
    let answers: Vec<_> = answers.iter().map(|(question, answer)| (&question[..], &answer[..])).collect();
    let expected =
        [("supplies-off", "yes"), ("clip-on", "no"), ("unplugged", "seen"), ("plugged-in", "seen"), ("pin-1", "yes")];
    assert_eq!(answers, expected);
}

#[test]
fn s13_no_click_stands_for_an_unplugging() {
    let (folder, mut person, options) = scene(true, false);
    let bench = folder.path().join("bench");
    let error = Session::open(&bench, options, "chip identify", &mut person).err().expect("the link never vanished");
    assert!(matches!(error, JobError::Stopped { .. }), "{error}");
    assert_eq!(person.asked, ["supplies-off", "clip-on"]);
    assert!(open_bench(&bench).expect("a bench").journals().expect("journals").is_empty(), "nothing was driven");
}

#[test]
fn s13_an_unplugged_link_is_waited_for_and_no_clip_question_is_asked() {
    let (folder, mut person, options) = scene(false, true);
    let bench = folder.path().join("bench");
    drop(Session::open(&bench, options, "chip identify", &mut person).expect("it goes on"));
    assert_eq!(person.asked, ["supplies-off", "pin-1"]);
    assert_eq!(
        answers(&bench).iter().map(|(question, _)| &question[..]).collect::<Vec<_>>(),
        ["supplies-off", "plugged-in", "pin-1"]
    );
}

#[test]
fn s16_unknown_is_a_hold_point_that_a_name_signs() {
    let (folder, mut person, options) = scene(false, true);
    let bench = folder.path().join("bench");
    let mut session = Session::open(&bench, options, "chip fill", &mut person).expect("it goes on");
    session.fill(0).expect("written");
    drop(session);
    assert_eq!(person.asked, ["supplies-off", "pin-1", "fused"]);
    assert_eq!(answers(&bench).last().expect("answers").0, "fused");
}
