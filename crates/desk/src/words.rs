//! Every sentence and word that pages show and the engine does not say, in one place; those of a job's page in `words::job`.

mod job;

pub use self::job::*;

/// The name of the place.
pub const DESK: &str = "firmhand desk";
/// For those who go by keyboard.
pub const SKIP: &str = "Skip to the content";
/// What the row of links at the top is called.
pub const PLACES: &str = "Places";
/// The list of jobs.
pub const SHELF: &str = "Shelf";
/// The intake.
pub const TAKE_IN: &str = "Take a machine in";
/// A way back.
pub const TO_SHELF: &str = "To the shelf";

// Those who are not let in.
/// Title.
pub const NOT_ADMITTED: &str = "The desk is not open to this request";
/// To whoever is let in, where the page does not lead on by itself.
pub const WELCOME: &str = "The desk opens. If it does not, load the address without its token.";
/// What to do.
pub const OPEN_ADDRESS: &str = "Nothing was shown and nothing done. Open the address that `firmhand desk` printed when it was started; each start has a new one.";
/// Why.
pub const FOREIGN_HOST: &str = "The request names another host than this computer's own address.";
/// Why.
pub const FOREIGN_ORIGIN: &str = "The request comes from a page that is not the desk's own.";
/// Why.
pub const NO_TOKEN: &str = "The request carries no token of this desk.";
/// Why.
pub const NO_CSRF: &str = "The change carries no token of a page of this desk.";

// What went wrong.
/// Title.
pub const NOT_DONE: &str = "Not done";
/// Before what to do.
pub const NEXT: &str = "What to do:";
/// Nothing there.
pub const NOT_FOUND: &str = "Nothing is at this address.";
/// A panic.
pub const OURS: &str = "The desk made a mistake of its own here. Nothing is lost: what was done stands in the journal. Load the page again.";

// The shelf.
/// Nothing there.
pub const NO_JOBS: &str = "No machine is here yet.";
/// Column heads.
pub const SHELF_HEADS: [&str; 5] = ["Machine", "Job", "Stands", "Done", "Next"];
/// A field of a form that is missing.
pub fn missing(field: &str) -> String {
    format!("The form came without `{field}`. Go back, fill it in and send it again.")
}
/// What was no number.
pub fn no_number(text: &str) -> String {
    let text: String = text.chars().take(40).collect();
    format!("`{text}` is no number. Go back and give one, such as 0.02.")
}
/// A body that is no form.
pub const NO_FORM: &str = "What was sent is not a form of this desk.";
/// A form that is too long.
pub const FORM_TOO_LARGE: &str = "The form is longer than 64 KiB, the most that is taken.";
/// A photo that is too long.
pub const PHOTO_TOO_LARGE: &str = "The photo is larger than 16 MiB, the most that is taken. Send a smaller one.";
/// A link that nobody offered.
pub const NO_SUCH_LINK: &str = "This link was never offered. Load the page again and choose one of the list.";
/// A second start.
pub const RUNS_ALREADY: &str = "This job has work that runs already, begun here or in another window.";
/// What to do about it.
pub const RUNS_ALREADY_HINT: &str = "Look at the job: it shows what runs. Stop it there, or wait for its end.";
/// An answer that comes late.
pub const NO_LONGER_ASKED: &str =
    "This question waits no more: it was answered in another window, or the work has ended.";
/// A check without a contact.
pub const NO_CONTACT_ON: &str = "No contact is on, so there is nothing to test.";

/// A sentence of the engine, which speaks of commands, in the words of a page.
#[must_use]
pub fn in_desk_words(said: &str) -> String {
    const WORDS: [(&str, &str); 12] = [
        ("run the same command again", "press the same button again"),
        ("run the same command", "press the same button"),
        ("the same command again", "the same button again"),
        ("the same command", "the same button"),
        ("`firmhand job next` says", "the page of the job says"),
        (
            "measure it and give it with `--drives VOLTS`",
            "measure it and give it in the field for what the link drives",
        ),
        ("and give the number with `--measured VALUE`", "and give the number"),
        ("sign with `--link-stays`", "sign again with the box ticked that it cannot be unplugged"),
        ("--by: ", "your name: "),
        ("--note: ", "the note: "),
        ("--as-is: ", "the reason: "),
        ("(`--link-stays` for a link that cannot vanish)", "(tick the box for a link that cannot be unplugged)"),
    ];
    WORDS.iter().fold(said.to_owned(), |text, (command, button)| text.replace(command, button))
}

// Times and counts.
/// A time of the journal: day and minute, UTC.
#[must_use]
pub fn when(time: &str) -> String {
    match (time.get(..10), time.get(11..16)) {
        (Some(day), Some(minute)) => format!("{day} {minute} UTC"),
        _ => time.to_owned(),
    }
}
/// How much is done.
#[must_use]
pub fn of(done: usize, all: usize) -> String {
    format!("{done} of {all}")
}
/// How long something usually takes.
#[must_use]
pub fn minutes(minutes: u32) -> String {
    format!("about {minutes} min")
}
/// Minutes and seconds on a timer.
#[must_use]
pub fn clock(left: std::time::Duration) -> String {
    format!("{}:{:02}", left.as_secs() / 60, left.as_secs() % 60)
}
/// Passes of a capture.
#[must_use]
pub fn passes(passes: usize) -> String {
    format!("{passes} passes agree")
}
/// What is left of doubt.
#[must_use]
pub fn bound(bound: f64) -> String {
    format!("a random flip: at most {bound:.1e} a bit, with 95 % confidence")
}
/// An entry of the journal.
#[must_use]
pub fn entry(number: u64) -> String {
    format!("entry {number}")
}
/// Where a step of a job is shown.
#[must_use]
pub fn step_address(job: &str, step: &str) -> String {
    let plain = step.bytes().all(|byte| byte.is_ascii_alphanumeric() || b"-_.".contains(&byte));
    if plain { format!("/job/{job}?step={step}") } else { format!("/job/{job}") }
}

// The intake.
/// No profile.
pub const NO_PROFILES: &str = "No profile is known here. Open the desk with `--files DIR` for a folder that has one; `docs/profiles.md` says how one is written.";
/// A profile that is not there.
pub const NO_SUCH_PROFILE: &str = "This profile is not in the list. Begin again with the model.";
/// Where a profile is from.
#[must_use]
pub fn profile_from(name: &str, file: bool) -> String {
    if file { format!("profile {name}") } else { format!("profile {name}, kept by an earlier job of this bench") }
}
/// A heading.
pub const WHOSE: &str = "Whose it is";
/// A field.
pub const WHICH_MACHINE: &str = "Which machine it is, as people tell it from others";
/// A field.
pub const CONSENT: &str = "Who consents, and may";
/// A field.
pub const TAKES_BACK: &str = "The job that is taken back";
/// What an intake is.
pub const INTAKE_TOLD: &str = "Ask whoever brings it. A machine that is locked stops here: firmhand removes no password and no lock. Nothing is written down before every question is answered.";
/// A question that stayed open.
pub const ANSWER_ALL: &str = "Go back and answer every question; nothing was written down.";
/// A charge.
pub const CHARGE_TOLD: &str = "Yes, no, or percent.";
/// A label.
pub const OR_NONE: &str = "`none` when the label says nothing.";
/// A field that may stay empty.
pub const MAY_BE_LEFT_OUT: &str = "May be left out.";

// More of the shelf.
/// A field.
pub const SEARCH: &str = "Search by machine, job or step";
/// A button.
pub const FIND: &str = "Find";
/// Nothing found.
pub const NONE_FOUND: &str = "No job is found for that.";
/// A tag.
pub const WORKS_NOW: &str = "at work now";
/// Under a step.
pub const WAITS_FOR_PERSON: &str = "waits for a person";
/// A row of buttons.
pub const PAGES: &str = "Pages of the shelf";
/// A button.
pub const EARLIER_PAGE: &str = "Back";
/// A button.
pub const LATER_PAGE: &str = "Further";
/// Where a job stands.
#[must_use]
pub fn stands(state: &str) -> &str {
    match state {
        "ready" => "ready to hand over",
        "stopped" => "stopped at a gate",
        "loose" => "loose: one chip, no machine",
        "unreadable" => "cannot be read",
        other => other,
    }
}
