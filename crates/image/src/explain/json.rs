//! The JSON of an explanation, as docs/schemas/image-explain.json describes it.

use std::sync::Arc;

use serde::ser::{Serialize, SerializeStruct, Serializer};

use super::{Check, Explanation, Finding, Node, Proof};

/// An explanation with the name of its image.
pub(super) struct Whole<'a> {
    pub(super) file: &'a str,
    pub(super) explanation: &'a Explanation,
}

impl Serialize for Whole<'_> {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let mut object = serializer.serialize_struct("Explanation", 6)?;
        object.serialize_field("file", self.file)?;
        object.serialize_field("size", &self.explanation.size)?;
        object.serialize_field("sha256", &hex(&self.explanation.sha256))?;
        object.serialize_field("structures", &self.explanation.structures)?;
        object.serialize_field("findings", &self.explanation.findings)?;
        object.serialize_field("proof", &self.explanation.proof)?;
        object.end()
    }
}

impl Serialize for Node {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let mut object = serializer.serialize_struct("Node", 13)?;
        object.serialize_field("kind", self.kind.name())?;
        object.serialize_field("at", &self.at)?;
        object.serialize_field("size", &self.size)?;
        object.serialize_field("lead", &self.lead)?;
        if let Some(space) = &self.space {
            object.serialize_field("space", &**space)?;
        }
        if let Some(name) = &self.name {
            object.serialize_field("name", &**name)?;
        }
        if let Some(guid) = &self.guid {
            object.serialize_field("guid", &guid.to_string())?;
        }
        if let Some(number) = self.number {
            object.serialize_field("type", &number)?;
        }
        if let Some(state) = self.state {
            object.serialize_field("state", state)?;
        }
        object.serialize_field("checks", &self.checks)?;
        object.serialize_field("sha256", &hex(&self.sha256))?;
        object.serialize_field("content_sha256", &hex(&self.content_sha256))?;
        object.serialize_field("children", &self.children)?;
        object.end()
    }
}

impl Serialize for Check {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let mut object = serializer.serialize_struct("Check", 4)?;
        object.serialize_field("name", self.name)?;
        object.serialize_field("ok", &self.ok)?;
        object.serialize_field("at", &self.at)?;
        object.serialize_field("len", &self.len)?;
        object.end()
    }
}

impl Serialize for Finding {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let path: &Arc<str> = &self.path;
        let mut object = serializer.serialize_struct("Finding", 5)?;
        object.serialize_field("severity", self.severity.name())?;
        object.serialize_field("code", self.code)?;
        object.serialize_field("at", &self.at)?;
        object.serialize_field("path", &**path)?;
        object.serialize_field("message", &self.message)?;
        object.end()
    }
}

impl Serialize for Proof {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let mut object = serializer.serialize_struct("Proof", 6)?;
        object.serialize_field("bytes", &self.bytes)?;
        object.serialize_field("blank", &self.blank)?;
        object.serialize_field("covered", &self.covered)?;
        object.serialize_field("decoded", &self.decoded)?;
        object.serialize_field("checks_ok", &self.checks_ok)?;
        object.serialize_field("checks_failed", &self.checks_failed)?;
        object.end()
    }
}

/// Returns a hash as 64 small hexadecimal digits.
pub(crate) fn hex(hash: &[u8; 32]) -> String {
    const DIGITS: &[u8; 16] = b"0123456789abcdef";
    hash.iter().flat_map(|byte| [byte >> 4, byte & 15]).map(|digit| DIGITS[digit as usize] as char).collect()
}
