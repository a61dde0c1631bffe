//! Journal entries as events: the one place that knows how the bodies are written.
//!
//! Entries of kinds that are not in the table of [`crate::procedure`] are [`Event::Other`]: a later version may write
//! more kinds, and an older program must still read the journal. A body that lacks what its kind needs is kept as far as it
//! goes; whether that is enough is for the state to say, with a note.

use std::str::FromStr;

use serde_json::Value;
use vault::{Digest, Entry};

/// What one journal entry says.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum Event<'a> {
    Intake {
        by: &'a str,
    },
    Begun {
        step: &'a str,
        by: &'a str,
    },
    /// `signed` by a person, or `step-done` by whoever ran it.
    Closed {
        step: &'a str,
        by: &'a str,
        signed: bool,
        measured: &'a Value,
    },
    LinkGone,
    LinkBack,
    LinkHeld {
        by: &'a str,
    },
    PowerUp {
        step: Option<&'a str>,
        seen: bool,
        by: &'a str,
        measured: &'a Value,
    },
    Gate {
        id: &'a str,
        answer: &'a str,
        by: &'a str,
    },
    Chip {
        act: ChipAct,
        chip: Option<&'a str>,
        step: Option<&'a str>,
        content: Option<Digest>,
        /// Of a verification: whether nothing differed.
        equal: bool,
        /// The byte of a fill.
        fill: Option<u8>,
    },
    Sealed,
    Other,
}

/// What a chip command wrote down.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum ChipAct {
    Identified,
    Captured,
    NotCaptured,
    Planned,
    Applied,
    Verified,
}

impl<'a> Event<'a> {
    pub(super) fn of(entry: &'a Entry) -> Self {
        let body = &entry.body;
        let text = |key: &str| body[key].as_str().map(str::trim).filter(|text| !text.is_empty());
        let must = |key: &str| text(key).unwrap_or_default();
        let chip = |act| Self::Chip {
            act,
            chip: text("chip"),
            step: text("step"),
            content: digest(&body["content"]),
            equal: body["differing_bytes"].as_u64() == Some(0),
            fill: body["fill"].as_u64().and_then(|byte| u8::try_from(byte).ok()),
        };
        match entry.kind.as_str() {
            "intake" => Self::Intake { by: must("by") },
            "step-begun" => Self::Begun { step: must("step"), by: must("by") },
            "signed" | "step-done" => Self::Closed {
                step: must("step"),
                by: must("by"),
                signed: entry.kind == "signed",
                measured: &body["measured"],
            },
            "link-gone" => Self::LinkGone,
            "link-back" => Self::LinkBack,
            "link-held" => Self::LinkHeld { by: must("by") },
            "power-up" => {
                let (seen, measured) = (body["seen"].as_bool() == Some(true), &body["measured"]);
                Self::PowerUp { step: text("step"), seen, by: must("by"), measured }
            }
            "gate" => Self::Gate { id: must("id"), answer: must("answer"), by: must("by") },
            "identified" => chip(ChipAct::Identified),
            "captured" => chip(ChipAct::Captured),
            "not-captured" => chip(ChipAct::NotCaptured),
            "planned" => chip(ChipAct::Planned),
            "applied" => chip(ChipAct::Applied),
            "verified" => chip(ChipAct::Verified),
            "sealed" => Self::Sealed,
            _ => Self::Other,
        }
    }
}

/// Reads a digest; none for anything else.
pub(super) fn digest(value: &Value) -> Option<Digest> {
    Digest::from_str(value.as_str()?).ok()
}
