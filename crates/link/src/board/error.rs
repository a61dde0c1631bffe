//! What goes wrong between host and programmer.

use std::io;

use nor::link::LinkError;
use wire::WireError;

/// Why a programmer gave no answer.
#[derive(Debug, thiserror::Error)]
#[expect(missing_docs, reason = "the fields are named by the text of each variant")]
pub enum Trouble {
    /// Unplugged.
    #[error("the programmer was unplugged")]
    Gone,
    /// No answer in time.
    #[error("the programmer did not answer in time")]
    Silent,
    /// It is there, and nothing in it answers.
    #[error("it does not answer a hello")]
    NoHello,
    /// The stream of frames.
    #[error(transparent)]
    Wire(#[from] WireError),
    /// The request did not reach the chip.
    #[error("the request was not done: {0}")]
    NotDone(String),
    /// The request is outside of what the programmer can do.
    #[error("{0}")]
    Unable(String),
    /// The programmer senses no supply at the chip, or one that it does not bear.
    #[error(
        "the chip's supply measures {}.{:02} V at the programmer, which drove nothing: look at pins 8 and 4 of the clip, and at \
         what else feeds the chip",
        mv / 1000,
        mv % 1000 / 10
    )]
    Supply { mv: u16 },
    /// The programmer gave a list up because nothing came from this program.
    #[error("the programmer heard nothing for two seconds and stopped after {done}")]
    HostSilent { done: u32 },
    /// An answer that does not go with the request.
    #[error("the programmer's answer does not go with the request: {what}")]
    Answer { what: &'static str },
    /// What it says of itself cannot be used.
    #[error("what the programmer says of itself cannot be: {what}")]
    Greeting { what: String },
    /// The system.
    #[error("the system refuses the transfer")]
    System(#[source] io::Error),
}

impl Trouble {
    /// What to do next.
    #[must_use]
    pub fn remedy(&self) -> &'static str {
        match self {
            Self::Wire(WireError::Version { .. }) | Self::Greeting { .. } => {
                "nothing was driven; `firmhand link install` puts this program's own firmware onto the board"
            }
            Self::NoHello => {
                "unplug it and plug it in again; if that does not help, put its firmware onto it anew with `firmhand link install`"
            }
            Self::Unable(_) => "wait until the other program has ended, then run the same command again",
            _ => "unplug the programmer and plug it in again, then run the same command",
        }
    }

    /// Whether the very request may be asked again. `changes_nothing` says that it does nothing to the chip.
    pub(super) fn may_repeat(&self, changes_nothing: bool) -> bool {
        match self {
            Self::NotDone(_) => true,
            Self::Wire(WireError::Version { .. } | WireError::Room { .. }) => false,
            Self::Wire(_) | Self::Answer { .. } => changes_nothing,
            _ => false,
        }
    }

    pub(super) fn into_link_error(self, waited_us: u64) -> LinkError {
        match self {
            Self::Gone => LinkError::Gone,
            Self::Silent => LinkError::Silent { waited_us },
            Self::Unable(what) => LinkError::Unable { what },
            other => LinkError::System(Box::new(other)),
        }
    }
}
