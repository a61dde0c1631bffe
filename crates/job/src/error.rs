//! What can go wrong in a job, what that means for the exit status, and what to do next.

use std::error::Error;
use std::path::PathBuf;

use driver::DriverError;
use media::write::WriteError;
use nor::chip::Conflict;
use nor::plan::PlanError;
use nor::supply::{Supply, SupplyRange};
use vault::VaultError;

use crate::intake::IntakeError;
use crate::jobs::JobsError;
use crate::part::{PartError, Why};
use crate::profile::ProfileError;

/// Who is at fault; each kind has an exit status of its own.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ErrorKind {
    /// A check said no.
    Refused,
    /// Wrong usage, or a question that nobody answered.
    Usage,
    /// The link or the system.
    System,
    /// Cut off; the same command again goes on.
    CutOff,
    /// Stored data is damaged.
    Damaged,
}

impl ErrorKind {
    /// The exit status: 1 refused, 2 usage, 3 system, 4 cut off, 5 damaged.
    #[must_use]
    pub fn exit_status(self) -> u8 {
        match self {
            Self::Refused => 1,
            Self::Usage => 2,
            Self::System => 3,
            Self::CutOff => 4,
            Self::Damaged => 5,
        }
    }
}

/// Why a job's command ended without its result.
#[derive(Debug, thiserror::Error)]
#[expect(missing_docs, reason = "the fields are named by the text of each variant")]
pub enum JobError {
    /// The link's text names nothing.
    #[error("`{link}` names no link: {why}")]
    NoSuchLink { link: String, why: String },
    /// A virtual bench cannot be opened.
    #[error(transparent)]
    Bench(#[from] sim::BenchError),
    /// A device of the system cannot be used as a link.
    #[error(transparent)]
    Link(#[from] link::OpenError),
    /// The kernel's flash cannot be written, or is not what it was.
    #[error(transparent)]
    Flash(#[from] link::mtd::FlashError),
    /// No programmer came of a board.
    #[error(transparent)]
    Install(Box<crate::link_install::InstallError>),
    /// The link is not plugged in.
    #[error("the link `{link}` is not there")]
    LinkAbsent { link: String },
    /// Another program uses the link.
    #[error("the link `{link}` is in use by another program")]
    LinkBusy { link: String },
    /// The vault or a journal.
    #[error(transparent)]
    Vault(#[from] VaultError),
    /// A chip operation.
    #[error("{doing}: {error}")]
    Driver { doing: &'static str, writing: bool, error: DriverError },
    /// The person asked for it.
    #[error("stopped while {doing}, as asked")]
    Stopped { doing: &'static str },
    /// A question and nobody to answer.
    #[error("this needs an answer, and there is nobody to ask: {question}")]
    Unanswered { question: String, option: &'static str },
    /// A question answered with no.
    #[error("not done: {why}")]
    Declined { why: String },
    /// S4: the chip's supply is not known.
    #[error("the chip's supply is not stated, and {drives} could destroy a 1.8 V chip")]
    SupplyUnknown { drives: String },
    /// S4: what the link drives is not known.
    #[error("this link cannot know what voltage it drives")]
    DrivesUnknown,
    /// S4: the two do not fit.
    #[error("the link drives {drives}, and the chip takes {bears} ({by})")]
    Voltage { drives: Supply, bears: SupplyRange, by: String, driven: bool },
    /// S4: what is measured at the chip's supply does not go with what was said.
    #[error("{what}")]
    ChipSupply { what: String, remedy: &'static str },
    /// Lines that must not be driven.
    #[error("{what}: nothing was driven against it")]
    Lines { what: String },
    /// S4: statements that contradict each other.
    #[error("the statements on the supply contradict each other: {one}, but {other}")]
    SupplyConflict { one: String, other: String },
    /// An option's value.
    #[error("{what}: {why}")]
    BadOption { what: String, why: String },
    /// S4: the chip is another than its marking says.
    #[error("the marking {marking} was given, and the chip answers the id {id} of {name}")]
    OtherMarking { marking: String, id: String, name: String },
    /// S1: the chip was changed under the command.
    #[error("another chip answers than at the beginning of this command: {found} instead of {expected}")]
    OtherChip { expected: String, found: String },
    /// S5.
    #[error("this chip is read only for firmhand: {}", list(conflicts))]
    NotWritable { conflicts: Vec<Conflict> },
    /// The passes do not make a capture.
    #[error("the reads are not to be trusted")]
    NotAccepted { reasons: Vec<String>, advice: Option<String>, contact: bool, kept: Option<String> },
    /// S8.
    #[error("the image has {image} bytes, the chip {chip}")]
    ImageSize { image: u64, chip: u32 },
    /// S8: the image is not one for a part of a chip.
    #[error("the image has {image} bytes; `{name}` is a part of its chip: {part} bytes from {offset:#x} on")]
    PartSize { image: u64, part: u64, offset: u64, name: String },
    /// S8: the place does not fit.
    #[error("{image} bytes from {at:#x} reach past the end of a chip of {chip} bytes")]
    ImagePlace { image: u64, at: u64, chip: u32 },
    /// An image that cannot be read.
    #[error("cannot use {} as an image: {why}", path.display())]
    ImageFile { path: PathBuf, why: String },
    /// A file that a step needs is in none of the folders.
    #[error("{file} is in none of the folders that were named{}", folders_text(folders))]
    FileMissing { file: String, folders: Vec<PathBuf> },
    /// A region that is not there.
    #[error("no region `{region}`: {why}")]
    Region { region: String, why: String },
    /// A plan that cannot be made.
    #[error("no plan can be made")]
    Plan(#[from] PlanError),
    /// S3 failed after every try.
    #[error(
        "{differing} of {len} bytes differ after writing, first at {at:#010x}: wanted {wanted:02x}, read {read:02x}"
    )]
    Mismatch { differing: u64, len: u64, at: u32, wanted: u8, read: u8, sectors: usize },
    /// A comparison without writing.
    #[error("{differing} of {len} bytes differ, first at {at:#010x}: wanted {wanted:02x}, read {read:02x}")]
    Differs { differing: u64, len: u64, at: u32, wanted: u8, read: u8 },
    /// No capture, or several, where one is wanted.
    #[error("{why}")]
    WhichCapture { why: String },
    /// A job that does not fit this command.
    #[error("job {job}: {why}")]
    WrongJob { job: String, why: String },
    /// A job command.
    #[error(transparent)]
    Jobs(#[from] JobsError),
    /// A file that is not taken in.
    #[error(transparent)]
    Intake(Box<IntakeError>),
    /// A profile that cannot be used.
    #[error(transparent)]
    Profile(#[from] ProfileError),
    /// The file system.
    #[error("cannot {doing} {}", path.display())]
    Io { doing: &'static str, path: PathBuf, source: std::io::Error },
    /// A drive that may not be written (S11).
    #[error("{} is not written: {why}", drive.display())]
    DriveRefused { drive: PathBuf, why: String },
    /// An image that did not get onto a drive.
    #[error(transparent)]
    Drive(WriteError),
    /// A recipe that is not sound.
    #[error(transparent)]
    Recipe(Box<image::recipe::RecipeError>),
    /// An image that cannot be composed.
    #[error(transparent)]
    Compose(Box<image::compose::ComposeError>),
    /// What a job's step is to write is another content.
    #[error("{why}")]
    OtherContent { why: String },
    /// A chain that cannot be read.
    #[error("`{chain}` cannot be read as a chain of steps")]
    Chain { chain: String, source: image::chain::ChainError },
    /// A step of a chain that finds nothing.
    #[error(transparent)]
    Part(Box<PartError>),
    /// A selector that names nothing, or several things.
    #[error("{0}")]
    Select(Box<image::select::SelectError>),
    /// A composed image carries what belongs to the donor.
    #[error("{what}: {why}; a rescued machine is itself, by its own label")]
    DonorIdentity { what: &'static str, why: String },
    /// An address that another machine has.
    #[error("the network address for this image belongs to another machine of this bench, that of job {job}")]
    AddressTaken { job: String },
    /// The chip is not one that the profile has seen.
    #[error("the profile knows {expected} at this place, and {found} answers")]
    OtherPart { expected: String, found: String },
    /// Protection that cannot be brought back.
    #[error("the chip's protection was {as_found:02x?} and cannot be brought back: {why}")]
    Protection { as_found: Vec<u8>, why: String },
    /// A story of the demo that did not end as told.
    #[error("the scene did not end as its story says: {why}")]
    Scene { why: String },
}

fn folders_text(folders: &[PathBuf]) -> String {
    let named: Vec<String> = folders.iter().map(|folder| folder.display().to_string()).collect();
    if named.is_empty() { String::new() } else { format!(": {}", named.join(", ")) }
}

impl From<IntakeError> for JobError {
    fn from(error: IntakeError) -> Self {
        Self::Intake(Box::new(error))
    }
}

impl From<PartError> for JobError {
    fn from(error: PartError) -> Self {
        Self::Part(Box::new(error))
    }
}

fn list(conflicts: &[Conflict]) -> String {
    conflicts.iter().map(ToString::to_string).collect::<Vec<_>>().join("; ")
}

impl JobError {
    /// Who is at fault.
    #[must_use]
    pub fn kind(&self) -> ErrorKind {
        match self {
            Self::NoSuchLink { .. }
            | Self::Unanswered { .. }
            | Self::SupplyUnknown { .. }
            | Self::DrivesUnknown
            | Self::BadOption { .. }
            | Self::ImageFile { .. }
            | Self::FileMissing { .. }
            | Self::Region { .. }
            | Self::WhichCapture { .. }
            | Self::Recipe(_)
            | Self::WrongJob { .. } => ErrorKind::Usage,
            Self::Link(error) if error.is_usage() => ErrorKind::Usage,
            Self::Link(_) => ErrorKind::System,
            Self::Bench(error) if error.source.is_some() => ErrorKind::System,
            Self::Bench(_) => ErrorKind::Usage,
            Self::Profile(ProfileError::Io { .. }) => ErrorKind::System,
            Self::LinkAbsent { .. } | Self::LinkBusy { .. } | Self::Io { .. } => ErrorKind::System,
            Self::Jobs(error) => error.kind(),
            Self::Intake(error) => error.kind(),
            Self::Install(error) => error.kind(),
            Self::Chain { .. } => ErrorKind::Usage,
            Self::Drive(error) => match error {
                WriteError::OtherSize { .. }
                | WriteError::OtherDrive { .. }
                | WriteError::TooSmall { .. }
                | WriteError::Differs { .. } => ErrorKind::Refused,
                WriteError::Stopped | WriteError::Pulled { .. } => ErrorKind::CutOff,
                WriteError::Open(_) | WriteError::Transfer { .. } | WriteError::Image(_) => ErrorKind::System,
            },
            Self::Stopped { .. } => ErrorKind::CutOff,
            Self::Driver { writing, error, .. } => match error {
                DriverError::Answer { .. } => ErrorKind::System,
                _ if !error.is_resumable() => ErrorKind::Refused,
                DriverError::Link { .. } => ErrorKind::CutOff,
                _ if *writing => ErrorKind::CutOff,
                _ => ErrorKind::System,
            },
            Self::Vault(error) => match error.kind() {
                vault::ErrorKind::Request => ErrorKind::Usage,
                vault::ErrorKind::Busy | vault::ErrorKind::System => ErrorKind::System,
                vault::ErrorKind::Data => ErrorKind::Damaged,
            },
            Self::Profile(_)
            | Self::Declined { .. }
            | Self::Voltage { .. }
            | Self::SupplyConflict { .. }
            | Self::ChipSupply { .. }
            | Self::Lines { .. }
            | Self::OtherMarking { .. }
            | Self::OtherChip { .. }
            | Self::NotWritable { .. }
            | Self::NotAccepted { .. }
            | Self::Flash(_)
            | Self::ImageSize { .. }
            | Self::PartSize { .. }
            | Self::ImagePlace { .. }
            | Self::Plan(_)
            | Self::Mismatch { .. }
            | Self::Differs { .. }
            | Self::Compose(_)
            | Self::OtherContent { .. }
            | Self::DonorIdentity { .. }
            | Self::AddressTaken { .. }
            | Self::Select(_)
            | Self::Part(_)
            | Self::Protection { .. }
            | Self::OtherPart { .. }
            | Self::DriveRefused { .. }
            | Self::Scene { .. } => ErrorKind::Refused,
        }
    }

    /// What lies behind it, one sentence each, nearest first.
    #[must_use]
    pub fn causes(&self) -> Vec<String> {
        let mut causes = match self {
            Self::NotAccepted { reasons, .. } => reasons.clone(),
            Self::Jobs(error) => error.causes(),
            _ => Vec::new(),
        };
        let mut source = match self {
            Self::Driver { error, .. } => error.source(),
            _ => self.source(),
        };
        while let Some(cause) = source {
            causes.push(cause.to_string());
            source = cause.source();
        }
        causes
    }

    /// What to do next, where somebody knows it.
    #[must_use]
    pub fn hint(&self) -> Option<String> {
        let text = match self {
            Self::NoSuchLink { .. } => {
                "a link is board, board@SERIAL, /dev/spidevB.C, /dev/mtdN or the FILE.toml of a virtual bench; `firmhand link list` shows those of this \
                 computer"
                    .into()
            }
            Self::Link(error) => error.remedy(),
            Self::Install(error) => error.remedy(),
            Self::ChipSupply { remedy, .. } => (*remedy).into(),
            Self::Lines { .. } => {
                "unplug the programmer, look for bent or bridged contacts and for anything else that is connected or powered, then \
                 `firmhand link check` with the same link"
                    .into()
            }
            Self::Flash(error) => error.remedy().into(),
            Self::PartSize { .. } => {
                "an image of a whole chip does not go into a part of it; cut that part out of it, or reach the whole chip by a clip; \
                 nothing was written"
                    .into()
            }
            Self::LinkBusy { .. } => "wait until it has ended, then try again".into(),
            Self::LinkAbsent { .. } => "plug the programmer in, then run the same command again".into(),
            Self::Vault(error) => return error.hint().map(str::to_owned),
            Self::Bench(error) => error.remedy.clone(),
            Self::Jobs(error) => return error.hint(),
            Self::Intake(error) => return error.hint(),
            Self::Profile(error) => error.hint(),
            Self::Driver { error, writing, .. } => driver_hint(error, *writing).into(),
            Self::Stopped { .. } => "run the same command again: it goes on; what was captured before is in the vault".into(),
            Self::Unanswered { option, .. } => format!("answer it with `{option}`"),
            Self::SupplyUnknown { .. } => {
                "read the marking on the chip and give it with `--marking NAME`, or give the voltage with `--supply VOLTS`"
                    .into()
            }
            Self::DrivesUnknown => "measure it and give it with `--drives VOLTS` (with a level adapter: 1.8)".into(),
            Self::Voltage { driven: true, .. } => {
                "unplug the programmer now: the id was read at this voltage, and nothing was written; use one that drives \
                 what the chip takes"
                    .into()
            }
            Self::Voltage { .. } => {
                "nothing was driven; use a programmer or level adapter that drives what the chip takes".into()
            }
            Self::SupplyConflict { .. } => "look at the marking on the chip again before anything is powered".into(),
            Self::OtherMarking { .. } => "look at the marking again; nothing was written".into(),
            Self::OtherChip { .. } => {
                "nothing was kept or written; unplug the programmer, see which chip the clip sits on, then run the same command again"
                    .into()
            }
            Self::NotWritable { .. } => "reading it is fine; writing would be a guess, and firmhand does not guess".into(),
            Self::NotAccepted { advice: Some(advice), .. } => format!("{advice} Then capture again; nothing was erased"),
            Self::NotAccepted { contact: true, .. } => {
                "reseat the clip (pin 1 at the dot, all eight contacts down), shorten the leads, then capture again".into()
            }
            Self::NotAccepted { kept: Some(kept), .. } => {
                format!("the read is kept as {kept}, for a look; it never counts as a backup that a write may rely on")
            }
            Self::ImageSize { image, chip } if *image < u64::from(*chip) => {
                "a part of a chip needs its place: `--at OFFSET` or `--region NAME`; nothing was written".into()
            }
            Self::ImageSize { .. } | Self::ImagePlace { .. } => {
                "this image is for another chip; nothing was written".into()
            }
            Self::Recipe(error) => error.remedy(),
            Self::Compose(error) => error.remedy().into(),
            Self::ImageFile { .. } => "name a file with the content, or a content of `firmhand vault list`".into(),
            Self::FileMissing { .. } => {
                "put it into one of them, or open the desk with `--files DIR` for the folder that has it".into()
            }
            Self::Chain { .. } => {
                "`firmhand image take IMAGE --list /` lists what can be named; docs/images.md has the language, docs/recipes.md that of chains through other files".into()
            }
            Self::Select(_) => {
                "`firmhand image take IMAGE --list /` lists what can be named; docs/images.md has the language".into()
            }
            Self::Part(error) if matches!(error.why, Why::Structure(_)) => {
                "take the file out first, without the last step; `firmhand image take FILE --list /` then lists what it has".into()
            }
            Self::Part(_) => "`firmhand media extract FILE` lists what stands in a disc or drive image".into(),
            Self::DonorIdentity { .. } => {
                "no image was kept; write `[mac] address = \"given\"` and take less out of the donor".into()
            }
            Self::AddressTaken { job } => format!(
                "no image was kept; two machines with one address disturb each other. If it is the same machine, take it in under the \
                 name that it has in job {job}, or as a return of it; else read its label again, or write `address = \"drawn\"`"
            ),
            Self::Mismatch { .. } => {
                "what was captured before is in the vault; if a further try ends the same, the chip is worn out there and has to be replaced"
                    .into()
            }
            Self::DriveRefused { .. } => "nothing was written; `firmhand media drives` shows what may be".into(),
            Self::Drive(WriteError::Stopped) => "the same command begins anew".into(),
            Self::Drive(WriteError::Pulled { .. }) => {
                "the stick starts nothing as it is; plug it in, look with `firmhand media drives` what it is called now, and the \
                 same command begins anew"
                    .into()
            }
            Self::Drive(WriteError::Transfer { .. }) => {
                "the stick starts nothing as it is; the same command begins anew, best with a better stick".into()
            }
            Self::Drive(WriteError::Differs { .. }) => {
                "the stick starts nothing as it is; try it once more in another socket and without a hub, and throw it away when \
                 it differs again"
                    .into()
            }
            Self::Drive(WriteError::TooSmall { .. }) => "nothing was written; take a larger stick".into(),
            Self::Drive(WriteError::OtherSize { .. } | WriteError::OtherDrive { .. }) => {
                "nothing was written; somebody changed the stick: look at `firmhand media drives` again".into()
            }
            Self::Drive(WriteError::Open(error)) if error.kind() == std::io::ErrorKind::PermissionDenied => {
                "nothing was written; writing drives takes the rights of the system's administrator".into()
            }
            Self::Drive(WriteError::Open(_)) => {
                "nothing was written; close what uses the drive, then run the same command again".into()
            }
            Self::Differs { .. } => "nothing was written; `firmhand chip apply` makes it equal".into(),
            _ => return None,
        };
        Some(text)
    }
}

fn driver_hint(error: &DriverError, writing: bool) -> &'static str {
    if let Some(hint) = crate::protection::hint(error) {
        return hint;
    }
    match error {
        DriverError::NoChip { .. } => {
            "check that the clip sits with pin 1 at the dot, that the chip has its supply and that nothing else drives it"
        }
        DriverError::Unsteady { .. } => "a contact is bad: reseat the clip, shorten the leads, then try again",
        DriverError::Protected { .. } => "nothing was erased; this chip's protection cannot be lifted from here",
        DriverError::NotEnabled { .. } => "WP# may be low: it has to be pulled up to the chip's supply",
        DriverError::Unreachable { .. } => "nothing is known of how to address this chip past 16 MiB; it is left alone",
        DriverError::Busy { .. } => "take the supply off the chip and give it again, then run the same command",
        _ if writing => {
            "reseat or plug in again, then run the same command: it goes on; what was captured before is in the vault"
        }
        _ => "reseat or plug in again, then run the same command",
    }
}
