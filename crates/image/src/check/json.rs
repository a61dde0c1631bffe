//! The JSON of a check, as docs/schemas/image-check.json describes it.

use serde::ser::{Serialize, SerializeMap, SerializeStruct, Serializer};

use super::{Checked, Question, Remark};

impl Serialize for Checked {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let mut object = serializer.serialize_struct("Checked", 3)?;
        object.serialize_field("holds", &self.holds())?;
        object.serialize_field("answers", &Answers(&self.answers))?;
        object.serialize_field("findings", &self.remarks)?;
        object.end()
    }
}

struct Answers<'a>(&'a [(Question, Option<bool>)]);

impl Serialize for Answers<'_> {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let mut map = serializer.serialize_map(Some(self.0.len()))?;
        for (question, answer) in self.0 {
            map.serialize_entry(question.name(), answer)?;
        }
        map.end()
    }
}

impl Serialize for Remark {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let mut object = serializer.serialize_struct("Remark", 8)?;
        object.serialize_field("severity", self.severity.name())?;
        object.serialize_field("question", self.question.name())?;
        object.serialize_field("code", self.code)?;
        object.serialize_field("at", &self.at)?;
        object.serialize_field("path", &self.path)?;
        object.serialize_field("message", &self.message)?;
        object.serialize_field("means", self.means)?;
        object.serialize_field("remedy", self.remedy)?;
        object.end()
    }
}
