//! The command line: one definition makes the parser, the help, the man pages and the completions.

use std::path::PathBuf;

use clap::{Args, Parser, Subcommand, ValueEnum};

/// Carries the whole job of replacing a computer's firmware.
#[derive(Debug, Parser)]
#[command(name = "firmhand", version, max_term_width = 80, disable_help_subcommand = true)]
#[command(about = "Replaces the firmware of used computers, safely: proven backups, cheapest writes, one record")]
#[command(after_help = EXIT_STATUSES)]
pub struct Cli {
    /// What holds for every command.
    #[command(flatten)]
    pub global: Global,
    /// What to do.
    #[command(subcommand)]
    pub command: Option<Command>,
}

const EXIT_STATUSES: &str = "Exit status: 0 done, 1 a check said no, 2 wrong usage, 3 link or system error,\n4 cut off and can be resumed, 5 stored data damaged.";

/// Options of every command.
#[derive(Debug, Clone, Args)]
pub struct Global {
    /// Folder that holds backups, journals and settings
    #[arg(long, global = true, value_name = "DIR", env = "FIRMHAND_BENCH", hide_env_values = true)]
    pub bench: Option<PathBuf>,
    /// Write one JSON object to standard output and events as JSON lines to standard error
    #[arg(long, global = true)]
    pub json: bool,
    /// Say nothing but results and errors
    #[arg(long, global = true)]
    pub quiet: bool,
    /// Answer the questions on supplies, clip and pin 1 with yes
    #[arg(long, global = true)]
    pub yes: bool,
    /// Leave serial numbers and unique ids out of what is printed
    #[arg(long, global = true)]
    pub redact: bool,
    /// When to use colour; NO_COLOR is respected
    #[arg(long, global = true, value_name = "WHEN", default_value = "auto")]
    pub color: Color,
}

/// When to use colour.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum Color {
    /// On a terminal
    Auto,
    /// Always
    Always,
    /// Never
    Never,
}

/// The commands.
#[derive(Debug, Subcommand)]
pub enum Command {
    /// Do the job of an invented machine on a virtual bench
    Demo(DemoArgs),
    /// Show what this computer can reach, and what to do about each gap
    Ready,
    /// Look after programmers and their contacts
    #[command(subcommand)]
    Link(LinkCommand),
    /// Work on one chip
    #[command(subcommand)]
    Chip(Chip),
    /// Carry the work on one machine from intake to handover
    #[command(subcommand)]
    Job(JobCommand),
    /// Look after what is kept
    #[command(subcommand)]
    Vault(VaultCommand),
    /// Judge reads that somebody made in another way
    #[command(subcommand)]
    Reads(ReadsCommand),
    /// Take a file in: hash it, see who vouches for it, keep it with its proofs
    Intake(IntakeArgs),
    /// Work on images
    #[command(subcommand)]
    Image(ImageCommand),
    /// Work on boot media
    #[command(subcommand)]
    Media(MediaCommand),
    /// Check and print what is known of a model of machine
    #[command(subcommand)]
    Profile(ProfileCommand),
    /// Show the work as a web page of this computer alone, beside the bench
    Desk(DeskArgs),
    /// Print completions for a shell
    Completions {
        /// Which shell
        shell: clap_complete::Shell,
    },
    /// Write the man pages into a folder
    Man {
        /// The folder; it is made when missing
        dir: PathBuf,
    },
}

/// Arguments of `intake`.
#[derive(Debug, Args)]
pub struct IntakeArgs {
    /// The file; of an OpenPGP signed message what is inside is kept
    pub file: PathBuf,
    /// A checksum list that has the file
    #[arg(long, value_name = "FILE")]
    pub list: Option<PathBuf>,
    /// A signature over the file, or over the list: OpenPGP or minisign
    #[arg(long, value_name = "FILE")]
    pub signature: Option<PathBuf>,
    /// The key whose signature it has to be; the pinned one when left out
    #[arg(long, value_name = "FILE")]
    pub key: Option<PathBuf>,
    /// Whose file it is; a key is pinned under this name
    #[arg(long, value_name = "TEXT", value_parser = words)]
    pub origin: Option<String>,
    /// A hash that the file has to have, from a page or a letter
    #[arg(long, value_name = "HEX")]
    pub expect: Option<String>,
    /// Take the file although MD5 or SHA-1 alone vouches for it
    #[arg(long)]
    pub weak: bool,
    /// Keep this member of an archive in place of the file; again for an archive inside
    #[arg(long = "member", value_name = "PATH")]
    pub member: Vec<String>,
    /// List the members of the archive, or of the member that is named, and keep nothing
    #[arg(long, conflicts_with_all = ["list", "signature", "key", "origin", "expect", "weak", "change_key", "job", "signed"])]
    pub members: bool,
    /// The origin has another key than the pinned one, and that is meant
    #[arg(long, requires = "key")]
    pub change_key: bool,
    /// The job that this belongs to
    #[arg(long, value_name = "ID")]
    pub job: Option<String>,
    /// Who compared a new key with a second source
    #[arg(long, value_name = "NAME", value_parser = words)]
    pub signed: Option<String>,
}

/// Arguments of `demo`.
#[derive(Debug, Args)]
pub struct DemoArgs {
    /// Another story in place of the whole machine
    #[arg(long)]
    pub scene: Option<SceneName>,
    /// Play nothing: open the desk on a machine that was taken in, to do the job there
    #[arg(long, conflicts_with = "scene")]
    pub desk: bool,
    /// How the page is opened
    #[command(flatten)]
    pub page: PageArgs,
}

/// How a page of this computer is opened.
#[derive(Debug, Clone, Args)]
pub struct PageArgs {
    /// The port of 127.0.0.1; without it, one that is free
    #[arg(long, value_name = "PORT", default_value_t = 0, hide_default_value = true)]
    pub port: u16,
    /// Open the page in the browser as well
    #[arg(long)]
    pub open: bool,
}

/// Arguments of `desk`.
#[derive(Debug, Args)]
pub struct DeskArgs {
    /// How the page is opened
    #[command(flatten)]
    pub page: PageArgs,
    /// A virtual bench to be offered beside the links of this computer; may be given again
    #[arg(long = "link", value_name = "FILE.toml")]
    pub links: Vec<PathBuf>,
    /// A folder with profiles, recipes and images; may be given again
    #[arg(long = "files", value_name = "DIR")]
    pub files: Vec<PathBuf>,
}

/// The demo's scenes.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum SceneName {
    /// A router board that arrives dead: one chip, no descriptor, fed by the board
    Router,
    /// One chip there and back, without a profile
    OneChip,
    /// The power fails in the middle of a write; the same command again goes on
    CutOff,
    /// A 3.3 V programmer meets a 1.8 V chip
    WrongVoltage,
    /// One read of the chip is disturbed
    OneBadRead,
    /// A contact of the clip is bad: it is named, reseated, and the chip is captured
    BadContact,
    /// An image for another chip
    WrongImage,
}

/// Link commands.
#[derive(Debug, Subcommand)]
pub enum LinkCommand {
    /// Show every link of this computer, and what to do about those that cannot be used yet
    List,
    /// Put firmhand's own firmware onto a board that is in its boot mode
    Install {
        /// Another image than the one that comes with this program: a file of UF2 blocks
        #[arg(long, value_name = "FILE")]
        file: Option<PathBuf>,
        /// Install nothing; draw the wires from the board to a chip in this case, as SVG
        #[arg(long, value_name = "CASE", conflicts_with = "file")]
        drawing: Option<CaseName>,
        /// Write the drawing into this file; without it, to standard output
        #[arg(long, value_name = "FILE", requires = "drawing")]
        out: Option<PathBuf>,
    },
    /// Test every contact, then the clock that these wires bear
    Check {
        /// The chip
        #[command(flatten)]
        chip: ChipArgs,
        /// Watch the contacts while the clip is pressed: one large word, and a tone
        #[arg(long)]
        watch: bool,
        /// End the watch after this time; without it, at Ctrl-C
        #[arg(long, value_name = "SECONDS", requires = "watch")]
        seconds: Option<u32>,
    },
}

/// Cases that there is a wiring drawing for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum CaseName {
    /// Eight pins
    #[value(name = "soic-8")]
    Soic8,
    /// Sixteen pins
    #[value(name = "soic-16")]
    Soic16,
    /// Eight pads, and one beneath that is no contact
    #[value(name = "wson-8")]
    Wson8,
}

/// Chip commands.
#[derive(Debug, Subcommand)]
pub enum Chip {
    /// Say which chip it is and what it says of itself
    Identify(ChipArgs),
    /// Read it until its content is proven, and keep that
    Capture(ChipArgs),
    /// Bring it to the content of an image, the cheapest safe way
    Apply {
        /// An image file, or a content of the vault by id or name
        image: String,
        /// Show the plan and write nothing
        #[arg(long)]
        plan_only: bool,
        /// Where the image goes
        #[command(flatten)]
        place: PlaceArgs,
        /// The chip
        #[command(flatten)]
        chip: ChipArgs,
        /// Answers for a write
        #[command(flatten)]
        write: WriteArgs,
    },
    /// Fill all of it with one byte value
    Fill {
        /// 00 or FF
        #[arg(value_parser = ["00", "FF", "ff"])]
        value: String,
        /// The chip
        #[command(flatten)]
        chip: ChipArgs,
        /// Answers for a write
        #[command(flatten)]
        write: WriteArgs,
    },
    /// Bring a capture back
    Restore {
        /// Which capture, by id or name; the job's only one when left out
        capture: Option<String>,
        /// The chip
        #[command(flatten)]
        chip: ChipArgs,
        /// Answers for a write
        #[command(flatten)]
        write: WriteArgs,
    },
    /// Compare it with an image and write nothing
    Verify {
        /// An image file, or a content of the vault by id or name
        image: String,
        /// Where the image goes
        #[command(flatten)]
        place: PlaceArgs,
        /// The chip
        #[command(flatten)]
        chip: ChipArgs,
    },
}

/// How the chip is reached and what is known of it.
#[derive(Debug, Clone, Args)]
pub struct ChipArgs {
    /// How to reach the chip: board, board@SERIAL, /dev/spidevB.C, /dev/mtdN, or FILE.toml of a virtual bench
    #[arg(long, value_name = "LINK")]
    pub link: String,
    /// The job that this belongs to; without it the link's loose job goes on
    #[arg(long, value_name = "ID")]
    pub job: Option<String>,
    /// What is printed on the chip
    #[arg(long, value_name = "NAME")]
    pub marking: Option<String>,
    /// The chip's supply in volts, as printed or measured
    #[arg(long, value_name = "VOLTS")]
    pub supply: Option<f64>,
    /// What the link drives in volts, where it cannot know itself
    #[arg(long, value_name = "VOLTS")]
    pub drives: Option<f64>,
    /// Sign the hold points of this command
    #[arg(long, value_name = "NAME", value_parser = words)]
    pub signed: Option<String>,
}

/// Answers that only writing needs.
#[derive(Debug, Clone, Args)]
pub struct WriteArgs {
    /// Write without a backup; the reason is kept in the journal
    #[arg(long, value_name = "REASON", value_parser = words)]
    pub no_capture: Option<String>,
}

/// Where an image goes that is smaller than the chip.
#[derive(Debug, Clone, Args)]
pub struct PlaceArgs {
    /// First byte on the chip, decimal or 0x...
    #[arg(long, value_name = "OFFSET", value_parser = offset, conflicts_with = "region")]
    pub at: Option<u64>,
    /// Region of the chip's own flash descriptor
    #[arg(long, value_name = "NAME")]
    pub region: Option<String>,
}

/// Vault commands.
#[derive(Debug, Subcommand)]
pub enum VaultCommand {
    /// List what is kept
    List {
        /// Of this job alone
        #[arg(long, value_name = "ID")]
        job: Option<String>,
    },
    /// Show everything about one content
    Show {
        /// Its id (6 digits or more) or name
        content: String,
    },
    /// Write one content into a file, checked while writing
    Export {
        /// Its id (6 digits or more) or name
        content: String,
        /// The file
        file: PathBuf,
        /// Replace the file if it is there
        #[arg(long)]
        replace: bool,
    },
    /// Read everything and check every hash
    Scrub {
        /// Bring damage back from parity and second copies, as far as these reach; remove what cut-off writes left unfinished
        ///
        /// Needs the bench for itself. Leaves notes of what was damaged and what was done.
        #[arg(long)]
        repair: bool,
    },
    /// Remove what a job has put and no other job shares
    Forget {
        /// The job
        job: String,
        /// Who decides it
        #[arg(long, value_name = "NAME")]
        signed: String,
        /// Why; stays in the note that is left
        #[arg(long, value_name = "TEXT")]
        note: String,
    },
}

/// Job commands.
#[derive(Debug, Subcommand)]
pub enum JobCommand {
    /// Take a machine in
    Start {
        /// What is to be done with it
        #[arg(long = "as", value_name = "KIND")]
        kind: KindName,
        /// What is known of this model; a return may leave it out and uses its earlier job's
        #[arg(long, value_name = "FILE", required_unless_present = "of")]
        profile: Option<PathBuf>,
        /// The job that a return takes back
        #[arg(long, value_name = "JOB")]
        of: Option<String>,
        /// Which machine it is, as people tell it from others
        #[arg(long, value_name = "TEXT")]
        machine: String,
        /// Whose it is
        #[arg(long, value_name = "TEXT")]
        owner: String,
        /// Who consents, and may
        #[arg(long, value_name = "NAME")]
        consent: String,
        /// Answer a question of the intake; may be given again
        #[arg(long = "answer", value_name = "ID=VALUE")]
        answers: Vec<String>,
    },
    /// List all jobs, or show one with its path
    Status {
        /// The job
        job: Option<String>,
    },
    /// Say what to do now, why, what to watch for, and what to type
    Next {
        /// The job; the only open one when left out
        job: Option<String>,
    },
    /// Sign a step, a hold point or a gate
    Sign {
        /// The step or gate
        step: String,
        /// Who signs
        #[arg(long, value_name = "NAME")]
        by: String,
        /// Anything worth keeping
        #[arg(long, value_name = "TEXT")]
        note: Option<String>,
        /// The job; the only open one when left out
        #[arg(long, value_name = "JOB")]
        job: Option<String>,
        /// What was measured, in the step's unit, or read off, such as a version
        #[arg(long, value_name = "VALUE", allow_hyphen_values = true)]
        measured: Option<String>,
        /// Of a contact: the programmer, which is watched until it is gone
        #[arg(long, value_name = "LINK")]
        link: Option<String>,
        /// Of a contact: this link cannot be unplugged, and its supply wire is off
        #[arg(long, conflicts_with_all = ["begin", "dark"])]
        link_stays: bool,
        /// It begins now: power comes, the contact goes on
        #[arg(long, conflicts_with_all = ["dark", "measured"])]
        begin: bool,
        /// Of a start: the time is over, and nothing came
        #[arg(long)]
        dark: bool,
    },
    /// Print what was done, as Markdown
    Record {
        /// The job; the only open one when left out
        job: Option<String>,
        /// The story of the job for teaching instead, without names, notes, labels, addresses and hashes
        #[arg(long)]
        write_up: bool,
        /// Write a label for the machine instead: SVG with a QR code
        #[arg(long, value_name = "FILE", conflicts_with = "write_up")]
        label: Option<PathBuf>,
    },
    /// Hand the machine over and seal the journal
    Handover {
        /// The job; the only open one when left out
        job: Option<String>,
        /// Who hands it over
        #[arg(long, value_name = "NAME")]
        by: String,
        /// The job does not go on: the machine goes back as it is, for this reason
        #[arg(long, value_name = "REASON")]
        as_is: Option<String>,
        /// With a contact still on: the programmer, which is watched until it is gone
        #[arg(long, value_name = "LINK", requires = "as_is")]
        link: Option<String>,
        /// With a contact still on: this link cannot be unplugged, and its supply wire is off
        #[arg(long, requires = "as_is")]
        link_stays: bool,
    },
}

/// Kinds of job.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum KindName {
    /// Replace the firmware of a working machine
    Convert,
    /// Bring a dead machine back
    Rescue,
    /// Bring the old firmware back
    Return,
}

/// Commands on reads.
#[derive(Debug, Subcommand)]
pub enum ReadsCommand {
    /// Say whether these reads of one chip are to be trusted, and if not, which contact is bad
    Judge {
        /// The files, two or more
        #[arg(required = true)]
        files: Vec<PathBuf>,
        /// Write what the files could be put together to, where they differ
        #[arg(long, value_name = "FILE")]
        offer: Option<PathBuf>,
    },
}

/// Commands on boot media.
#[derive(Debug, Subcommand)]
pub enum MediaCommand {
    /// Say what a disc image starts and what stands in it, and take one of these out
    Extract {
        /// The disc image
        medium: PathBuf,
        /// Which boot image, by its number
        #[arg(long, value_name = "NUMBER")]
        image: Option<usize>,
        /// A file inside the boot image, or of the disc's volume, in place of the whole boot image
        #[arg(long, value_name = "PATH", requires = "out")]
        inside: Option<String>,
        /// Write it into this file
        #[arg(long, value_name = "FILE")]
        out: Option<PathBuf>,
    },
    /// List the drives of this computer, and which of them may be written
    Drives,
    /// Write an image onto a removable drive, read it back and compare
    Write {
        /// The image
        image: PathBuf,
        /// The drive, as `media drives` names it
        drive: PathBuf,
        /// The drive's size in bytes, as `media drives` shows it
        #[arg(long, value_name = "BYTES")]
        size: Option<u64>,
        /// The job whose boot-media step this does
        #[arg(long, value_name = "ID")]
        job: Option<String>,
    },
}

/// Image commands.
#[derive(Debug, Subcommand)]
pub enum ImageCommand {
    /// Say what is in an image, to the bottom, and what its own sums prove
    Explain {
        /// A file, or a content of the vault by id or name
        image: String,
        /// How many levels of the tree are shown to a person
        #[arg(long, value_name = "LEVELS", default_value_t = 4)]
        levels: usize,
    },
    /// Say whether an image fits a chip and a machine, and what it means where it does not
    Check {
        /// A file, or a content of the vault by id or name
        image: String,
        /// The image that the machine came with: a file, or a content
        #[arg(long, value_name = "IMAGE")]
        stock: Option<String>,
        /// The chip it is for: a marking, or a size in bytes; again for each chip of a span
        #[arg(long = "chip", value_name = "MARKING|BYTES", conflicts_with_all = ["profile", "job"])]
        chips: Vec<String>,
        /// The profile of the machine
        #[arg(long, value_name = "FILE", conflicts_with = "job")]
        profile: Option<PathBuf>,
        /// The chip or span that the image is for
        #[arg(long, value_name = "NAME")]
        of: Option<String>,
        /// The job that the image is for: its profile, and what it captured first
        #[arg(long, value_name = "ID")]
        job: Option<String>,
    },
    /// Say what differs between two images: by structure, then by sector
    Diff {
        /// A file, or a content of the vault by id or name
        first: String,
        /// The other one
        second: String,
    },
    /// Take one structure out of an image, or a part out of a vendor's file
    Take {
        /// A file, or a content of the vault by id or name
        image: String,
        /// What to take, such as `file:NAME/section%10`, or `boot then fat:/FOLDER/FILE then file:NAME`
        #[arg(required_unless_present = "list")]
        selector: Option<String>,
        /// The file that gets it
        #[arg(long, value_name = "FILE", required_unless_present = "list")]
        out: Option<PathBuf>,
        /// Its content, decompressed where it is packed, and not as it is stored
        #[arg(long)]
        decoded: bool,
        /// List what can be named, as far as it was typed: `--list /` begins
        #[arg(long, value_name = "TYPED", conflicts_with_all = ["selector", "out", "decoded"])]
        list: Option<String>,
    },
    /// Put an image together by a recipe, and keep it
    Compose {
        /// The recipe
        recipe: PathBuf,
        /// The job whose compose step this does
        #[arg(long, value_name = "ID")]
        job: Option<String>,
        /// The present capture, outside of a job: its id or name
        #[arg(long, value_name = "CONTENT", conflicts_with = "job")]
        capture: Option<String>,
        /// The donor of a rescue, outside of a job: its id or name
        #[arg(long, value_name = "CONTENT", conflicts_with = "job")]
        donor: Option<String>,
        /// The machine's address, for a recipe that says "given" without one
        #[arg(long, value_name = "ADDRESS")]
        mac: Option<String>,
        /// A file that the recipe pins by its hash; may be given several times
        #[arg(long, value_name = "FILE")]
        with: Vec<PathBuf>,
        /// Write the image into this file too
        #[arg(long, value_name = "FILE")]
        out: Option<PathBuf>,
    },
}

/// Profile commands.
#[derive(Debug, Subcommand)]
pub enum ProfileCommand {
    /// Say everything that is wrong with a profile, and what to do about it
    Check {
        /// The profile
        file: PathBuf,
    },
    /// Make one page to print: wiring, steps, cautions, room to sign
    Sheet {
        /// The profile
        file: PathBuf,
        /// Write the page into this file; without it, to standard output
        #[arg(long, value_name = "FILE")]
        out: Option<PathBuf>,
    },
}

/// An offset: decimal, or hexadecimal after 0x.
fn offset(text: &str) -> Result<u64, String> {
    let parsed = match text.strip_prefix("0x").or_else(|| text.strip_prefix("0X")) {
        Some(digits) => u64::from_str_radix(digits, 16),
        None => text.parse(),
    };
    parsed.map_err(|_| "give it like 4096 or 0x1000".into())
}

/// A name or a reason: a signature without a name would sign nothing.
fn words(text: &str) -> Result<String, String> {
    if text.trim().is_empty() { Err("it is empty".into()) } else { Ok(text.to_owned()) }
}

#[cfg(test)]
mod tests {
    use clap::CommandFactory;

    #[test]
    fn the_definition_is_sound() {
        super::Cli::command().debug_assert();
    }
}
