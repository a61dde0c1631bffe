//! Every sentence and word that pages show and the engine does not say, in one place.

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
