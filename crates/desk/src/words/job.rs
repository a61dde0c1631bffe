//! The words of a job's page, of the work in the background, and of the live watch.

// A job.
/// The middle of the page.
pub const NOW: &str = "Now";
/// The path of steps.
pub const PATH: &str = "Steps";
/// On narrow windows.
pub const ALL_STEPS: &str = "Show all steps, or only those around this one";
/// Steps that are folded away.
#[must_use]
pub fn done_before(steps: usize) -> String {
    format!("{steps} done before")
}
/// Of a step.
pub const DONE: &str = "done";
/// Of a step.
pub const POSSIBLE: &str = "possible now";
/// Of a step.
pub const LATER: &str = "later";
/// Before chips that are left.
pub const LEFT: &str = "left:";
/// The other side of the page.
pub const MACHINE_SAYS: &str = "What the machine says";
/// The bar at the top.
pub const SUPPLIES: &str = "Power";
/// Of a source of power.
pub const LIT: &str = "ON";
/// Of a source of power.
pub const DARK: &str = "off";
/// Of a source of power.
pub const UNKNOWN: &str = "not known";
/// What is connected still.
pub const CONTACTS_ON: &str = "Still connected, by the steps:";
/// Of a step.
pub const HOLD_POINT: &str = "hold point";
/// Before the button.
pub const CAUTIONS: &str = "Cautions";
/// Before a list.
pub const TO_DO: &str = "What to do";
/// Before a list.
pub const TOOLS: &str = "With";
/// Before a list.
pub const PICTURES: &str = "Pictures";
/// Before minutes.
pub const TAKES: &str = "Takes";
/// Before what may come up.
pub const MAY_COME_UP: &str = "May come up";
/// Before how to know that it is done.
pub const DONE_WHEN: &str = "Done when";
/// A warning.
pub const WARNING: &str = "Warning:";
/// Steps beside the recommended one.
pub const ALSO_POSSIBLE: &str = "Also possible now";
/// No capture, and something may write (S1).
#[must_use]
pub fn no_way_back(chips: &[String]) -> String {
    format!("No way back exists yet for {}: not captured in this job, and this step may write there.", chips.join(", "))
}

// Fields and buttons.
/// A signature.
pub const NAME: &str = "Your name, as signature";
/// A note.
pub const NOTE: &str = "Note, if anything is worth keeping";
/// The button of most steps.
pub const SIGN_DONE: &str = "Sign: it is done";
/// The button of a measurement.
pub const SIGN_MEASURED: &str = "Sign what was measured";
/// The button of a gate.
pub const SIGN_GATE: &str = "Sign for it";
/// A signature that a question wants.
pub const SIGN: &str = "Sign";
/// Before limits.
pub const GOOD_IS: &str = "Good is";
/// Between texts of which each is good.
pub const OR: &str = " or ";
/// A limit.
pub const AT_LEAST: &str = "at least";
/// A limit.
pub const AT_MOST: &str = "at most";
/// Before a unit.
pub const IN: &str = "in";
/// A contact.
pub const SIGN_ON: &str = "Sign: programmer unplugged, contact on";
/// A contact.
pub const SIGN_OFF: &str = "Sign: programmer unplugged, contact off";
/// What is watched (S13).
pub const CONTACT_GOES_ON: &str = "Press this first, then unplug the programmer: firmhand watches it go and takes no click for it. The clip goes on while the programmer is unplugged; plug it in again afterwards.";
/// What is watched (S13).
pub const CONTACT_COMES_OFF: &str = "Press this first, then unplug the programmer: firmhand watches it go and takes no click for it. The clip comes off while the programmer is unplugged.";
/// S13, where nothing can vanish.
pub const LINK_STAYS: &str = "This link cannot be unplugged, and its supply wire is off";
/// A power-up.
pub const POWER_IS_THERE: &str = "Sign: power is there, start the clock";
/// A power-up.
pub const IT_SHOWS: &str = "Sign: it shows itself";
/// A power-up.
pub const NOTHING_CAME: &str = "Nothing came";
/// A power-up.
pub const DARK_TOLD: &str = "Only once the time is over. The step stays open, and power counts as on.";
/// A power-up.
pub const SIGN_DARK: &str = "Sign: the time is over and nothing came";
/// A power-up.
pub const POWER_SINCE: &str = "Power since";
/// A chip step: what the button says.
#[must_use]
pub fn run(kind: &str, chip: &str, cut_off: bool) -> String {
    if cut_off {
        return format!("Go on writing {chip}");
    }
    match kind {
        "identify" => format!("Ask {chip} what it is"),
        "capture" => format!("Read {chip} until it is proven"),
        "fill" => format!("Fill {chip}"),
        "apply" => format!("Write {chip}"),
        _ => format!("Compare {chip}"),
    }
}
/// A write that did not come to its end.
pub const CUT_OFF: &str = "This write was begun and cut off. What was captured before is in the vault. The same button goes on where it stopped.";
/// Beside a write.
pub const MAY_BE_STOPPED: &str = "It runs on when this window is closed, and can be stopped safely and gone on with.";
/// A compose step.
pub const COMPOSE: &str = "Put the image together";
/// The choice of a link.
pub const LINK: &str = "Link";
/// No link at all.
pub const NO_LINK: &str =
    "No programmer is found. Plug it in and load this page again; `firmhand ready` says what is missing.";
/// Links with something in their way.
pub const LINKS_NOT_YET: &str = "Links that cannot be used yet";
/// A virtual bench.
pub const VIRTUAL_BENCH: &str = "virtual bench";
/// S4.
pub const DRIVES: &str = "What the link drives, in volts";
/// S4.
pub const DRIVES_TOLD: &str = "Measured, where the link cannot know it itself; with a level adapter 1.8.";
/// A gate.
pub const GATE: &str = "A question comes first";
/// The end.
pub const ALL_DONE: &str = "Every step is done";
/// The end.
pub const HAND_OVER: &str = "Hand the machine over";
/// The end.
pub const HANDED_OVER: &str = "The machine is handed over, and the journal is sealed.";
/// Before a limit.
pub const TELL: &str = "Tell whoever gets it:";
/// The end.
pub const CLOSED: &str = "This job is closed";
/// The end.
pub const CLOSED_TOLD: &str =
    "The machine was handed over and the journal is sealed. The record can be printed at any time.";
/// The record.
pub const RECORD: &str = "Record";
/// The record, before the end.
pub const LOOK_AT_RECORD: &str = "Look at the record first";
/// A dead end.
pub const NOTHING_POSSIBLE: &str = "Nothing can be done now";
/// A way out.
pub const GIVE_BACK: &str = "This job does not go on";
/// A way out.
pub const GIVE_BACK_TOLD: &str =
    "The machine goes back as it is, and the record says what was left undone. A contact that is on comes off with it.";
/// A way out.
pub const GIVE_BACK_NOW: &str = "Give the machine back as it is";
/// A way out.
pub const REASON: &str = "Why";

// Work in the background.
/// Before what runs.
pub const RUNS: &str = "Running:";
/// No phase yet.
pub const WORKING: &str = "Working …";
/// What was said.
pub const SAID: &str = "What it has said";
/// Between counts.
pub const OF: &str = "of";
/// After a time.
pub const LEFT_TO_GO: &str = "left";
/// The button.
pub const STOP: &str = "Stop safely";
/// Beside it.
pub const STOP_TOLD: &str = "It ends where it is safe; the same step goes on later. Closing this window stops nothing.";
/// After it.
pub const STOPPING: &str = "Stopping where it is safe …";
/// A question.
pub const QUESTION: &str = "A question";
/// An answer.
pub const YES: &str = "Yes";
/// An answer.
pub const NO: &str = "No";
/// How it ended.
pub const WENT_WELL: &str = "Done";
/// The notice.
pub const PUT_AWAY: &str = "Put this notice away";
/// A step that was signed with a link.
#[must_use]
pub fn signed(step: &str, done: bool) -> String {
    if done { format!("`{step}` is signed and done") } else { format!("`{step}` is signed") }
}

// What the machine says.
/// Of a chip.
pub const CONTACT_ON: &str = "contact on";
/// Of a chip.
pub const WRITE_CUT_OFF: &str =
    "A write was begun here and has not ended: it holds neither the old content nor the new.";
/// Of a chip.
pub const LAST_ENDED: &str = "The last command ended early:";
/// Of a chip.
pub const MARKINGS: &str = "Known as";
/// Of a chip.
pub const SAYS: &str = "Says";
/// Of a chip.
pub const NOT_ASKED: &str = "not asked yet";
/// Of a chip.
pub const CAPTURES: &str = "Captures";
/// Of a chip.
pub const NO_CAPTURE: &str = "none yet: no way back exists";
/// Of a chip.
pub const HOLDS: &str = "Holds";
/// A picture.
pub const CHIP_MAP: &str = "Chip map";
/// A picture.
pub const WIRING: &str = "Wiring";
/// A picture.
pub const READS: &str = "Reads";
/// A picture.
pub const IMAGES: &str = "Images";
/// Pictures.
pub const PICTURES_OF: &str = "Pictures";
/// An image.
pub const COMPOSED: &str = "Composed for";
/// Of a job.
pub const OWNER: &str = "Owner";
/// Of a job.
pub const KIND: &str = "Kind of job";
/// Of a job.
pub const ENTRIES: &str = "Journal entries";
/// While a contact is on.
pub const CONTACTS: &str = "Test the contacts";
/// While a contact is on.
pub const CONTACTS_TOLD: &str = "A clip that is on may be pressed while it is watched, never put on or taken off.";
/// While a contact is on.
pub const WATCH: &str = "Live watch";
/// While a contact is on.
pub const LINE_TEST: &str = "Line test";
/// What a kind of job is called.
#[must_use]
pub fn kind(kind: &str) -> &str {
    match kind {
        "convert" => "new firmware",
        "rescue" => "rescue",
        "return" => "back to the old firmware",
        other => other,
    }
}

// Photos.
/// Photos.
pub const PHOTOS: &str = "Photos of this step";
/// A photo.
pub const PHOTO: &str = "Photo";
/// A photo.
pub const PHOTO_TOLD: &str = "JPEG, PNG or WebP, up to 16 MiB. It is kept in the vault with all that the camera wrote into it, and may show serial numbers: it goes into the record and never into a write-up.";
/// A photo.
pub const ATTACH: &str = "Attach the photo";

// The live watch.
/// Before the first word.
pub const WATCH_BEGINS: &str = "LOOKING";
/// After the end.
pub const WATCH_OVER: &str = "The watch has ended.";
/// Sound comes after a press alone: browsers want that.
pub const SOUND_ON: &str = "Turn the tones on";
/// What the tones mean.
pub const SOUND_TOLD: &str = "Rising: all contacts have answered for three seconds. Falling: contact is lost.";
/// Its end.
pub const WATCH_END: &str = "End the watch";
/// Back.
pub const TO_JOB: &str = "To the job";
/// Without script.
pub const NO_SCRIPT: &str = "Without script this page loads itself again every few seconds, and gives no tones.";

/// What the script of a job's page says, as JSON.
#[must_use]
pub fn for_script() -> String {
    serde_json::json!({ "working": WORKING, "of": OF, "left": LEFT_TO_GO, "renew": RENEW }).to_string()
}
/// When the journal grew while somebody types.
const RENEW: &str = "Something was written down meanwhile. Show it, and lose what is typed here.";
/// Before the steps that wait.
pub const WHY_LATER: &str = "Why the other steps wait";

// A file that is taken in.
/// A field.
pub const FILE: &str = "The file";
/// A field.
pub const FILE_LIST: &str = "Checksum list that has it";
/// A field.
pub const FILE_SIGNATURE: &str = "Signature, over the file or over the list";
/// A field.
pub const FILE_KEY: &str = "Whose signature it has to be; none when the key is pinned already";
/// A choice.
pub const NO_PAPER: &str = "none";
/// The button.
pub const TAKE_FILE: &str = "Take the file in";
/// No folder.
pub const NO_FILES: &str = "No file is offered here. Open the desk with `--files DIR` for the folder that has it, or take it in with `firmhand intake`.";
/// A file that nobody offered.
pub const NO_SUCH_FILE: &str = "This file was never offered. Load the page again and choose one of the list.";

// A boot stick.
/// The button.
pub const MAKE_STICK: &str = "Make the stick";
/// A field.
pub const STICK: &str = "Which drive";
/// Under it.
pub const STICK_TOLD: &str = "Everything on it is lost. Its size is asked for before anything is written.";
/// A choice that nobody has made yet.
pub const CHOOSE: &str = "choose one";
/// No drive.
pub const NO_STICK: &str = "No removable drive is plugged in that may be written and is large enough. Plug a stick in and load this page again.";
/// Drives that are none.
pub const DRIVES_NOT: &str = "Drives that are not offered, and why";
/// Of a drive.
#[must_use]
pub fn too_small(size: &str) -> String {
    format!("it is smaller than the image, which has {size}")
}
/// A drive that nobody offered.
pub const NO_SUCH_DRIVE: &str = "This drive was never offered. Load the page again and choose one of the list.";
/// A question of a drive (S11).
pub const SIZE: &str = "Its size in bytes, typed";
/// The answer to it.
pub const THIS_DRIVE: &str = "It is this one: write it";
