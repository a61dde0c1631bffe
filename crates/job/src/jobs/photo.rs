//! Photos: kept in the vault as contents, and named in the journal beside the step that they were taken at.
//!
//! The bytes decide what a photo is, never a name: JPEG, PNG or WebP by their first bytes. Nothing here decodes one; it is kept as it
//! came and handed out as it was kept. A photo may show a serial number and carries what the camera wrote into it, so it belongs
//! to its job alone and goes with `vault forget` (S15).

use std::path::Path;

use serde::Serialize;
use serde_json::json;
use vault::{Digest, Entry, JobId, Kind, PutRequest};

use super::redact::{People, private};
use super::{JobsError, Work, checked_line, opened_journal};
use crate::error::JobError;
use crate::procedure::{Blocked, Reason};
use crate::session::{now, open_bench};

/// Most bytes of a photo.
pub const MOST_PHOTO: usize = 16 << 20;

/// What a person says with a photo.
#[derive(Debug, Clone, Default)]
pub struct PhotoRequest {
    /// The job.
    pub job: String,
    /// The step that it was taken at.
    pub step: String,
    /// Who took it.
    pub by: String,
    /// What it shows.
    pub note: Option<String>,
    /// The file.
    pub bytes: Vec<u8>,
}

/// A photo as the journal names it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct PhotoLine {
    /// The step that it was taken at.
    pub step: String,
    /// Its content in the vault: BLAKE3.
    pub content: String,
    /// Its media type.
    pub media: String,
    /// Bytes.
    pub size: u64,
    /// Who took it.
    pub by: String,
    /// When it was attached.
    pub when: String,
    /// What it shows.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub note: Option<String>,
}

/// Keeps a photo and names it in the journal.
///
/// # Errors
/// [`JobError::BadOption`] for what is no photo or too large; [`JobsError::Blocked`] for a step that is none, or a closed job;
/// [`JobError`] of the vault.
pub fn attach(bench: &Path, request: &PhotoRequest) -> Result<PhotoLine, JobError> {
    let no = |why: String| JobError::BadOption { what: "the photo".into(), why };
    let by = checked_line("the name", &request.by)?;
    let note = request.note.as_deref().map(|note| checked_line("the note", note)).transpose()?;
    if request.bytes.len() > MOST_PHOTO {
        return Err(no(format!("it has more than {} MiB, the most that is taken", MOST_PHOTO >> 20)));
    }
    let media = media_of(&request.bytes).ok_or_else(|| no("a JPEG, PNG or WebP picture is expected".into()))?;
    let vault = open_bench(bench)?;
    let job = JobId::new(&request.job)?;
    let mut journal = opened_journal(&vault, &job, "firmhand desk")?;
    let work = Work::open(&vault, &job)?;
    let blocked =
        |reason| JobsError::Blocked { blocked: Blocked { step: request.step.clone(), reasons: vec![reason] } };
    if work.profile.step(&request.step).is_none() {
        return Err(blocked(Reason::NoSuchStep).into());
    }
    if work.sealed {
        return Err(blocked(Reason::JobClosed).into());
    }
    let put = PutRequest {
        name: format!("photo at {}", request.step),
        kind: Kind::Image,
        job: Some(job.clone()),
        taken_at: now(),
        facts: json!({ "photo": media }),
    };
    let stored = vault.put(request.bytes.as_slice(), &put)?;
    let body = json!({
        "step": request.step,
        "by": by,
        "note": note,
        "content": stored.id,
        "media": media,
        "size": stored.size,
    });
    let written = journal.append("photo", body, &now())?;
    Ok(line(&written, &mut People::new(false), false))
}

/// Returns a photo of a job with its media type; none for a content that the job's journal does not name as one.
///
/// # Errors
/// [`JobError::Vault`].
pub fn photo(bench: &Path, job: &JobId, content: &Digest) -> Result<Option<(&'static str, Vec<u8>)>, JobError> {
    let vault = open_bench(bench)?;
    let named = content.to_string();
    if !photos(&vault.read_journal(job)?.entries, &mut People::new(false), false)
        .iter()
        .any(|photo| photo.content == named)
    {
        return Ok(None);
    }
    let bytes = vault.read_vec(content)?;
    Ok(media_of(&bytes).map(|media| (media, bytes)))
}

/// The photos that a journal names, oldest first.
pub(super) fn photos(entries: &[Entry], people: &mut People, redact: bool) -> Vec<PhotoLine> {
    entries.iter().filter(|entry| entry.kind == "photo").map(|entry| line(entry, people, redact)).collect()
}

fn line(entry: &Entry, people: &mut People, redact: bool) -> PhotoLine {
    let text = |key: &str| entry.body[key].as_str().unwrap_or_default().to_owned();
    PhotoLine {
        step: text("step"),
        content: text("content"),
        media: text("media"),
        size: entry.body["size"].as_u64().unwrap_or_default(),
        by: people.name(&text("by")),
        when: entry.time.clone(),
        note: private(entry.body["note"].as_str(), redact),
    }
}

/// The media type that the first bytes say: JPEG by its start-of-image marker and the marker after it (ITU-T T.81, B.1.1.3), PNG by
/// its signature (W3C PNG, 5.2), WebP by its RIFF header (RFC 9649, 2.4).
fn media_of(bytes: &[u8]) -> Option<&'static str> {
    const PNG: &[u8] = b"\x89PNG\r\n\x1a\n";
    match bytes {
        [0xFF, 0xD8, 0xFF, ..] => Some("image/jpeg"),
        _ if bytes.starts_with(PNG) => Some("image/png"),
        [b'R', b'I', b'F', b'F', _, _, _, _, b'W', b'E', b'B', b'P', ..] => Some("image/webp"),
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use super::media_of;

    #[test]
    fn s12_only_pictures_are_taken_for_pictures() {
        assert_eq!(media_of(b"\xff\xd8\xff\xe0rest"), Some("image/jpeg"));
        assert_eq!(media_of(b"\x89PNG\r\n\x1a\nrest"), Some("image/png"));
        assert_eq!(media_of(b"RIFF\x10\0\0\0WEBPVP8 "), Some("image/webp"));
        for other in [&b""[..], b"\xff\xd8", b"\x89PNG\n", b"RIFF\x10\0\0\0WAVE", b"<svg onload=alert(1)>", b"GIF89a"] {
            assert_eq!(media_of(other), None, "{other:?}");
        }
    }
}
