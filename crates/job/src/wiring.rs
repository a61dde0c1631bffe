//! The safety questions of a loose job, and the watch over plugging and unplugging (safety rules S7, S13).
//!
//! The questions are those of a job's steps: every supply off, the clip on while the programmer was unplugged, pin 1
//! checked. When the clip has still to go on, no click is taken for the unplugging: the link is watched until it is gone
//! and then until it is back. A link that cannot vanish (the header of this computer) has a signed hold in its place: its supply
//! wire was off.

use serde_json::{Value, json};

use crate::error::JobError;
use crate::front::{Front, News, Question, QuestionKind, Reply};
use crate::reach::{LinkName, Reached};
use crate::session::{ChipOptions, says_yes, yes_no};

/// How long one look at a link that is watched may wait, in microseconds.
const LOOK_US: u64 = 200_000;

/// Asks one question and keeps the answer for the journal.
pub(crate) fn ask(
    front: &mut dyn Front,
    options: &ChipOptions,
    question: &Question,
    answers: &mut Vec<Value>,
) -> Result<Reply, JobError> {
    let by_option = match question.kind {
        QuestionKind::YesNo if options.yes => Some((Reply::Yes, "--yes")),
        QuestionKind::Signature => options.signed.clone().map(|name| (Reply::Signed(name), "--signed")),
        _ => None,
    };
    let (reply, by) = match by_option {
        Some(answer) => answer,
        None => match front.ask(question) {
            Some(reply) => (reply, "asked"),
            None => {
                let option = match question.kind {
                    QuestionKind::YesNo => "--yes",
                    QuestionKind::Signature => "--signed NAME",
                    QuestionKind::Size => "--size BYTES",
                };
                return Err(JobError::Unanswered { question: question.text.clone(), option });
            }
        },
    };
    let answer = match &reply {
        Reply::Yes => json!("yes"),
        Reply::No => json!("no"),
        Reply::Signed(name) => json!({ "signed": name }),
        Reply::Size(bytes) => json!({ "size": bytes }),
    };
    answers.push(json!({ "question": question.name, "answer": answer, "by": by }));
    Ok(reply)
}

/// Every source of power off, and exactly one feeds the chip (S4, S7).
pub(crate) fn supplies_off(
    front: &mut dyn Front,
    options: &ChipOptions,
    answers: &mut Vec<Value>,
) -> Result<(), JobError> {
    let question = yes_no(
        "supplies-off",
        "Is every source of power off: mains unplugged, battery out or switched off, coin cell out?",
        &[
            "Unplug the mains before opening; hold the power button for 10 s to drain what is left.",
            "A swollen lithium battery: stop. Never pry, pierce or short one.",
            "Exactly one supply feeds the chip; with the programmer feeding it, nothing else may.",
            "Touch grounded metal first, and insulate the programmer from the board.",
            "Follow local rules; when unsure, ask a licensed technician.",
        ],
    );
    if says_yes(&ask(front, options, &question, answers)?) {
        return Ok(());
    }
    Err(JobError::Declined { why: "a chip is touched only with every other source of power off".into() })
}

/// Pin 1, looked at twice.
pub(crate) fn pin_one(front: &mut dyn Front, options: &ChipOptions, answers: &mut Vec<Value>) -> Result<(), JobError> {
    let question = yes_no(
        "pin-1",
        "Is pin 1 of the clip at pin 1 of the chip, looked at twice?",
        &[
            "Pin 1 is at the dot or chamfer; a mould can have two dimples, so compare the marking's direction too.",
            "Ground goes on first when single wires are used.",
        ],
    );
    if says_yes(&ask(front, options, &question, answers)?) {
        return Ok(());
    }
    Err(JobError::Declined { why: "a clip that is the wrong way round feeds the chip backwards".into() })
}

/// Sees to it that the clip went on while the programmer was without power (S13).
pub(crate) fn clip_on(
    front: &mut dyn Front,
    options: &ChipOptions,
    name: &LinkName,
    mut reached: Reached,
    answers: &mut Vec<Value>,
) -> Result<Reached, JobError> {
    if reached.stays {
        let question = Question {
            name: "supply-wire-off",
            text: "This link cannot be unplugged. Its supply wire has to be off while the clip goes on or comes off. Sign with your \
                   name that it was off when the clip went on."
                .into(),
            cautions: vec![
                "Ground goes on first and comes off last; the supply wire goes on last and comes off first.".into(),
                "When the board or a bench supply feeds the chip, the supply wire stays off altogether.".into(),
            ],
            kind: QuestionKind::Signature,
        };
        ask(front, options, &question, answers)?;
        return Ok(reached);
    }
    if !reached.link.is_present() && !front.is_attended() {
        return Err(JobError::LinkAbsent { link: name.given().to_owned() });
    }
    if reached.link.is_present() {
        let question = yes_no(
            "clip-on",
            "Is the clip on the chip already, put there while the programmer was unplugged?",
            &["A clip goes on and comes off only while the programmer is unplugged."],
        );
        if says_yes(&ask(front, options, &question, answers)?) {
            return Ok(reached);
        }
        front.news(&News::Said("Unplug the programmer now. firmhand waits until it sees it go.".into()));
        watch(front, &mut reached, false)?;
        answers.push(json!({ "question": "unplugged", "answer": "seen" }));
    }
    front.news(&News::Said("The programmer is gone. Put the clip on, then plug the programmer in.".into()));
    watch(front, &mut reached, true)?;
    answers.push(json!({ "question": "plugged-in", "answer": "seen" }));
    drop(reached);
    name.open()
}

/// Looks until the link is there, or gone.
fn watch(front: &mut dyn Front, reached: &mut Reached, wanted: bool) -> Result<(), JobError> {
    if !front.is_attended() {
        let question = "the programmer has to be unplugged and plugged in by hand".into();
        return Err(JobError::Unanswered { question, option: "--yes, once the clip is on" });
    }
    while reached.link.is_present() != wanted {
        if front.wants_stop() {
            return Err(JobError::Stopped { doing: "waiting for the programmer" });
        }
        std::thread::sleep(std::time::Duration::from_micros(LOOK_US));
    }
    Ok(())
}
