//! Why a device cannot be used as a link, and what to do about it.

use std::io;
use std::path::PathBuf;

/// Why a device cannot be used as a link. Nothing was driven.
#[derive(Debug, thiserror::Error)]
#[expect(missing_docs, reason = "the fields are named by the text of each variant")]
pub enum OpenError {
    /// There is no such device.
    #[error("there is no {}", path.display())]
    Missing { path: PathBuf, remedy: String },
    /// The programmer is not plugged in.
    #[error("the programmer {} is not plugged in", path.display())]
    Absent { path: PathBuf, remedy: String },
    /// Something else has this name.
    #[error("{} is {found}, and no {expected} device", path.display())]
    OtherDevice { path: PathBuf, expected: &'static str, found: String, remedy: String },
    /// The person may not use it.
    #[error("no permission to use {}", path.display())]
    Permission { path: PathBuf, remedy: String, source: io::Error },
    /// Another program uses it.
    #[error("{} is in use by another program", path.display())]
    Busy { path: PathBuf },
    /// The controller does not do what every serial flash needs.
    #[error("{}: the controller does not take {what}", path.display())]
    Setting { path: PathBuf, what: String, source: io::Error },
    /// The limit of one transfer is too small.
    #[error("{}: the kernel takes {bytes} bytes at once, and a page with its command needs 384", path.display())]
    SmallBuffer { path: PathBuf, bytes: u32 },
    /// The kernel shows a memory of another kind.
    #[error("{} is {kind}, and firmhand writes serial NOR flash alone", path.display())]
    NotNor { path: PathBuf, kind: String },
    /// What the kernel says of the memory cannot be used.
    #[error("{}: {what}", path.display())]
    Geometry { path: PathBuf, what: String },
    /// Nobody said which programmer.
    #[error("there are several programmers here: {names}")]
    Several { names: String },
    /// A programmer is there and does not talk as it should.
    #[error("{} cannot be used", path.display())]
    Board { path: PathBuf, source: Box<crate::board::Trouble> },
    /// The system refused otherwise.
    #[error("cannot {doing} {}", path.display())]
    System { doing: &'static str, path: PathBuf, source: io::Error },
}

impl OpenError {
    /// What to do next.
    #[must_use]
    pub fn remedy(&self) -> String {
        match self {
            Self::Missing { remedy, .. }
            | Self::Absent { remedy, .. }
            | Self::OtherDevice { remedy, .. }
            | Self::Permission { remedy, .. } => remedy.clone(),
            Self::Busy { .. } => "wait until it has ended, then try again".into(),
            Self::Setting { .. } => "use another SPI controller of this computer, or a programmer".into(),
            Self::SmallBuffer { .. } => {
                "give the module a larger one: `sudo modprobe -r spidev && sudo modprobe spidev bufsiz=65536`, or \
                 `spidev.bufsiz=65536` on the kernel's command line"
                    .into()
            }
            Self::NotNor { .. } => {
                "this kind of memory has bad blocks and its own checks; it is left to the tools of its system".into()
            }
            Self::Geometry { .. } => {
                "it can be used by nothing that trusts the kernel; reach the chip by a clip".into()
            }
            Self::Several { .. } => "name the one that is meant, as it stands there".into(),
            Self::Board { source, .. } => source.remedy().into(),
            Self::System { .. } => "look at `dmesg`; the kernel may say more".into(),
        }
    }

    /// Whether the request is at fault and not the system.
    #[must_use]
    pub fn is_usage(&self) -> bool {
        matches!(self, Self::Missing { .. } | Self::OtherDevice { .. } | Self::NotNor { .. } | Self::Several { .. })
    }
}
