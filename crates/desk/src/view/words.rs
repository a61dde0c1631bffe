//! What the pictures say of themselves, in one place.

/// The row of links.
pub const PICTURES: &str = "Pictures of this job";
/// Back.
pub const TO_JOB: &str = "To the job";
/// The pictures: last part of the address, name.
pub const PLACES: [(&str, &str); 5] =
    [("wiring", "Wiring"), ("map", "Chip map"), ("images", "Images"), ("reads", "Reads"), ("record", "Record")];

// Wiring.
pub const WIRING: &str = "Wiring";
pub const WIRES_OF: &str = "Wires of";
pub const ORDER_ON: &str = "On, in this order, with the programmer unplugged";
pub const ORDER_OFF: &str = "Off: the other way round, the supply first and ground last.";
pub const NO_DRAWING: &str =
    "There is no drawing for this case. Take the pins from the chip's data sheet, and check pin 1 twice.";
pub const PROGRAMMERS_END: &str = "The programmer's end of these wires";
pub const HEADERS_END: &str = "The other end: the header of";
pub const HEADER_TOLD: &str = "These are the pins of the 40-pin header that many single-board computers share. The drawing of your own computer counts. A header cannot be unplugged: its supply wire is off while a clip goes on or comes off.";
pub const CHIPS_PIN: &str = "Pin of the chip";
pub const SIGNAL: &str = "Signal";
pub const HEADERS_PIN: &str = "Pin of the header";
pub const WHAT_IT_IS: &str = "What it is";
pub const STAYS_OFF: &str = "stays off";
pub const NO_WIRES: &str = "No wire goes to this chip: the kernel drives it where it sits.";
pub const TESTED: &str = "The words at the wires are what the line test found,";
pub const NAMED_HERE: &str = "The last reads name this contact:";
pub const FACTS: &str = "Before you touch it";
pub const VOLTAGE: &str = "Takes";
pub const FED_BY: &str = "Fed by";
pub const REACHED_BY: &str = "Reached by";
pub const SITS: &str = "Sits";
pub const COVERED: &str = "Covered by";
pub const PACKAGE: &str = "Case";
pub const FED_BY_LINK: &str = "the programmer alone: mains, batteries and coin cell stay away";
pub const FED_BY_BOARD: &str = "the board in standby: the programmer's supply wire stays off, grounds are joined";
pub const FED_BY_BENCH: &str = "a bench supply: the programmer's supply wire stays off, grounds are joined";
pub const ONE_SUPPLY: &str = "One source feeds the chip, never two.";
pub const GROUND_FIRST: &str = "Ground goes on first and comes off last.";
pub const UNPLUGGED: &str =
    "Unplug the programmer before anything goes onto the chip or comes off. A seated clip may be pressed, never moved.";
pub const PIN_ONE: &str = "Check pin 1 twice: the dot or chamfer, and the mark on the board. Some moulds have two dimples; then the direction of the marking decides.";
pub const LOW_VOLTAGE: &str = "This chip takes 1.8 V. A 3.3 V programmer without a level adapter destroys it.";
pub const LOCAL_RULES: &str = "Follow local rules; when unsure, ask a licensed technician.";

// Chip map.
pub const MAP: &str = "Chip map";
pub const MAP_OF: &str = "Map of";
pub const MAP_WHAT: &str = "Each cell is a sector of 4 KiB, in rows from the first address to the last.";
pub const LEGEND: &str = "What the cells mean";
pub const ZOOM_IN: &str = "Closer";
pub const ZOOM_OUT: &str = "Further";
pub const MAP_KEYS: &str = "Arrow keys move, Page Up and Page Down go eight rows, Home and End to the ends; plus and minus zoom, Enter shows the bytes.";
pub const SECTOR_FORM: &str = "Address of a sector, in hexadecimal";
pub const SHOW_SECTOR: &str = "Show its bytes";
pub const NO_CONTENT: &str = "Nothing of this chip is in the vault yet: it was not captured.";
pub const OF_CONTENT: &str = "Bytes of what the vault holds";
pub const OF_WANTED: &str = "Bytes that are wanted there";
pub const SAME_BYTES: &str = "The wanted content has the same bytes here.";
pub const DIFFERENT: &str = "Marked bytes are not the same in both.";
pub const ALL_ONE: &str = "Every byte of this sector is";
pub const UNDER_WAY: &str = "A write is under way or was cut off. Cells that it touches are unsure until it has ended.";
pub const BEFORE: &str = "Sector before";
pub const AFTER: &str = "Sector after";

// Images.
pub const IMAGES: &str = "Images";
pub const NO_IMAGES: &str = "No image of this job is in the vault yet.";
pub const IMAGE_HEADS: [&str; 3] = ["Of", "What it is", "BLAKE3"];
pub const COMPARE: &str = "Compare two";
pub const COMPARE_DO: &str = "Compare";
pub const FIRST: &str = "First";
pub const SECOND: &str = "Second";
pub const STRIP: &str = "The image from its first byte to its last. Small stretches are drawn wider than they are.";
pub const STRETCHES: &str = "Stretches in address order";
pub const FINDINGS: &str = "Findings";
pub const NO_FINDINGS: &str = "Nothing in it is against the standards.";
pub const CHECKS: &str = "Checks";
pub const HOLDS: &str = "holds";
pub const FAILS: &str = "fails";
pub const NOT_COVERED: &str = "covered by nothing";
pub const SHOW_INSIDE: &str = "Show what is inside";
pub const MORE_INSIDE: &str = "more structures stand here; `firmhand image explain` shows them all.";
pub const NOTHING_INSIDE: &str = "Nothing that has a name stands inside.";
pub const SAME_IMAGES: &str = "The two have equal bytes.";
pub const CHANGES: &str = "What is not the same, by structure";
pub const CHANGE_MARKS: [(&str, &str, &str); 4] = [
    ("added", "+", "only in the second"),
    ("removed", "−", "only in the first"),
    ("changed", "≠", "in both, with other bytes"),
    ("moved", "→", "in both with equal bytes, elsewhere"),
];
pub const SECTORS_DIFFER: &str = "sectors of 4 KiB differ";

// Reads.
pub const READS: &str = "Reads";
pub const NO_READS: &str = "No chip of this job was read yet.";
pub const TRUSTED: &str = "The passes agree, and this is a capture.";
pub const REFUSED: &str = "Not to be trusted: this is no capture.";
pub const PASS_HEADS: [&str; 5] = ["Pass", "Read by", "Order", "Brought", "Took"];
pub const DIGESTS: &str = "CRC-32 of each sector";
pub const BYTES: &str = "every byte";
pub const THROUGH_KERNEL: &str = "the kernel";
pub const WHERE_DIFFERENT: &str = "Where passes differ";
pub const LOOKS_LIKE: &str = "What it looks like";
pub const BELIEF: &str = "of belief";
pub const DO_NEXT: &str = "What to do:";
pub const FOUND: &str = "What was found";
pub const REMAINS: &str = "What agreement cannot exclude";
pub const BOUND: &str = "A random flip: at most";
pub const BOUND_END: &str = "a bit, with 95 % confidence.";
pub const SETTLED: &str = "sectors were read again until they agreed.";
pub const SIZE_MEASURED: &str = "The size was measured.";
pub const SIZE_DECLARED: &str = "The size is as declared; the content does not prove it.";
pub const LOOK_AT: &str = "The contact to look at";

// Record.
pub const RECORD: &str = "Record";
pub const WORK_RECORD: &str = "Work record";
pub const PRINT: &str = "Print";
pub const PAPERS: [(&str, &str); 2] = [("a4", "A4"), ("letter", "Letter")];
pub const LABEL: &str = "Label";
pub const LABEL_WHAT: &str = "For the inside of the machine, 89 by 36 mm. The code says the same as the words; whose the machine is stands in neither.";
pub const LABEL_SAVE: &str = "Save the label (SVG)";
pub const WRITE_UP: &str = "Write-up for teaching";
pub const WRITE_UP_WHAT: &str = "The story of this job without names, notes, labels, addresses and hashes. Read it through before you give it away.";
pub const WRITE_UP_SAVE: &str = "Save the write-up (Markdown)";
pub const AS_FOUND: &str = "As found";
pub const LATER: &str = "Captured later";
pub const AS_LEFT: &str = "As left";
pub const AS_COMPOSED: &str = "As composed";
pub const NOT_CAPTURED: &str = "not captured";
pub const NOT_WRITTEN: &str = "not written by this job";
pub const NOT_COMPOSED: &str = "not composed by this job";
pub const FORGOTTEN: &str = "no longer in the vault";
pub const STEP_HEADS: [&str; 5] = ["Step", "Done", "By", "Minutes", "Remarks"];
pub const PHOTOS: &str = "Photos";
pub const PHOTO: &str = "A photo without a note";
pub const SIGN_LINES: [&str; 2] = ["Handed over by", "Received by"];
