//! What an intake ends with: as JSON, as text, and as the proofs that the vault keeps beside the content.

use intake::archive::Listing;
use intake::keys::grouped;
use serde::Serialize;
use serde_json::{Value, json};
use vault::Digest;

use super::proofs::{Over, Papers};
use super::{IntakeRequest, Kept, Taken};
use crate::text::{counted, size};

/// What taking a file in ends with.
#[derive(Debug, Clone, Serialize)]
pub struct IntakeReport {
    /// The file's name.
    pub file: String,
    /// Its bytes.
    pub size: u64,
    /// Its hashes in lower-case hex digits, by kind.
    pub hashes: Vec<HashReport>,
    /// Whose file it is, as the person said.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub origin: Option<String>,
    /// What vouches for it, the strongest: `signature`, `list`, `hash`, `weak-hash`, `nothing`.
    pub vouched_by: &'static str,
    /// Expected hashes that agree.
    pub agrees: Vec<AgreesReport>,
    /// The signature that holds.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub signature: Option<SignatureReport>,
    /// Members that were gone through to what was kept, the outermost first; empty when the file itself was kept.
    pub members: Vec<String>,
    /// The content in the vault: what was taken in, or its proofs alone.
    pub content: String,
    /// Its name there.
    pub name: String,
    /// Bytes of what was taken in.
    pub content_size: u64,
    /// Whether the content itself is in the vault.
    pub kept: bool,
    /// The job's step that this closed.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub step: Option<String>,
}

/// A hash.
#[derive(Debug, Clone, Serialize)]
pub struct HashReport {
    /// Its kind.
    pub kind: &'static str,
    /// Its digits.
    pub digits: String,
}

/// An expected hash that agrees.
#[derive(Debug, Clone, Serialize)]
pub struct AgreesReport {
    /// Its kind.
    pub kind: &'static str,
    /// The line of the list; none for a hash that was given by itself.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub line: Option<usize>,
}

/// A signature that holds.
#[derive(Debug, Clone, Serialize)]
pub struct SignatureReport {
    /// `openpgp` or `minisign`.
    pub scheme: &'static str,
    /// What it is over: `file`, `message` (what is inside the file) or `list`.
    pub over: &'static str,
    /// The key.
    pub key: String,
    /// Whether the key was pinned before.
    pub pinned: bool,
    /// Who the key says it belongs to.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub user: Option<String>,
    /// A comment that is signed too.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub comment: Option<String>,
    /// When it was made by its own word, UTC.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub made_at: Option<String>,
    /// The hash that is signed.
    pub hash: String,
}

impl Over {
    fn as_str(self) -> &'static str {
        match self {
            Self::File => "file",
            Self::Message => "message",
            Self::List => "list",
        }
    }
}

/// What vouches for a file, the strongest.
fn vouched_by(taken: &Taken) -> &'static str {
    let strong = || taken.agrees.iter().filter(|one| !one.kind.is_weak());
    if taken.proof.is_some() {
        "signature"
    } else if strong().any(|one| one.line > 0) {
        "list"
    } else if strong().next().is_some() {
        "hash"
    } else if taken.agrees.is_empty() {
        "nothing"
    } else {
        "weak-hash"
    }
}

fn signature(taken: &Taken, pinned: bool) -> Option<SignatureReport> {
    let (over, proof) = taken.proof.as_ref()?;
    Some(SignatureReport {
        scheme: proof.scheme.as_str(),
        over: over.as_str(),
        key: proof.fingerprint.clone(),
        pinned,
        user: proof.user.clone(),
        comment: proof.comment.clone(),
        made_at: proof.made_at.and_then(time),
        hash: proof.hash.clone(),
    })
}

fn time(seconds: u64) -> Option<String> {
    let time = jiff::Timestamp::from_second(i64::try_from(seconds).ok()?).ok()?;
    Some(time.to_string())
}

/// The proofs as the vault keeps them beside the content.
pub(super) fn proofs(taken: &Taken, papers: &Papers, kept: [Option<Digest>; 3], request: &IntakeRequest) -> Value {
    let [list, signature_paper, key] = kept;
    let hashes: serde_json::Map<String, Value> =
        taken.sums.all().map(|(kind, digits)| (kind.name().to_owned(), json!(digits))).collect();
    let agrees: Vec<Value> = taken
        .agrees
        .iter()
        .map(|one| json!({ "kind": one.kind.name(), "digits": one.digits, "line": (one.line > 0).then_some(one.line), "name": one.name }))
        .collect();
    let paper = |name: Option<&String>, content: Option<Digest>| {
        content.map(|content| json!({ "name": name, "content": content }))
    };
    json!({
        "file": taken.name,
        "size": taken.sums.size,
        "hashes": hashes,
        "origin": request.origin,
        "vouched_by": vouched_by(taken),
        "agrees": agrees,
        "list": paper(papers.list.as_ref().map(|paper| &paper.name), list),
        "signature_file": paper(papers.signature.as_ref().map(|paper| &paper.name), signature_paper),
        "key_file": paper(papers.key.as_ref().map(|paper| &paper.name), key),
        "signature": signature(taken, papers.known),
        "members": request.members,
    })
}

impl IntakeReport {
    pub(super) fn new(taken: &Taken, kept: Kept, step: Option<String>, request: &IntakeRequest) -> Self {
        let hashes = taken.sums.all().map(|(kind, digits)| HashReport { kind: kind.name(), digits: digits.to_owned() });
        let agrees = taken.agrees.iter();
        let pinned = kept.proofs["signature"]["pinned"] == json!(true);
        Self {
            file: taken.name.clone(),
            size: taken.sums.size,
            hashes: hashes.collect(),
            origin: request.origin.clone(),
            vouched_by: vouched_by(taken),
            agrees: agrees
                .map(|one| AgreesReport { kind: one.kind.name(), line: (one.line > 0).then_some(one.line) })
                .collect(),
            signature: signature(taken, pinned),
            members: request.members.clone(),
            content: kept.content.to_string(),
            name: kept.name,
            content_size: kept.size,
            kept: kept.whole,
            step,
        }
    }

    /// The report for a person.
    #[must_use]
    pub fn text(&self) -> String {
        let mut text = format!("{}: {}, taken in", self.file, size(self.size));
        for line in proof_lines(&serde_json::to_value(self).expect("a report is JSON")) {
            text += &format!("\n  {line}");
        }
        for hash in &self.hashes {
            // A line of 128 digits is longer than the page; no word of it is a place to break.
            for (index, part) in hash.digits.as_bytes().chunks(64).enumerate() {
                let label = if index == 0 { hash.kind } else { "" };
                text += &format!("\n  {label:<9} {}", String::from_utf8_lossy(part));
            }
        }
        if self.kept {
            text += &format!("\n  kept as {} ({}), {}", self.name, size(self.content_size), short(&self.content));
        } else {
            text += &format!(
                "\n  too large to be kept: it stays where it is, and its proofs are kept as {}",
                short(&self.content)
            );
        }
        if let Some(step) = &self.step {
            text += &format!("\n  step {step} is done");
        }
        text
    }
}

fn short(content: &str) -> &str {
    content.get(..12).unwrap_or(content)
}

/// What vouches for a file, one line each: of a report, or of the proofs that the vault keeps.
#[must_use]
pub fn proof_lines(proofs: &Value) -> Vec<String> {
    let text = |value: &Value| value.as_str().map(str::to_owned);
    let mut lines = Vec::new();
    if let Some(origin) = text(&proofs["origin"]) {
        lines.push(format!("origin: {origin}"));
    }
    let signature = &proofs["signature"];
    if let Some(key) = text(&signature["key"]) {
        let over = match signature["over"].as_str() {
            Some("list") => "the checksum list, which has this file",
            Some("message") => "what is kept, which was inside this signed message",
            _ => "the file itself",
        };
        let user = text(&signature["user"]).map(|user| format!(", which calls itself {user}")).unwrap_or_default();
        lines.push(format!("signed: {over}, by the key {}{user}", grouped(&key)));
        if let Some(made) = text(&signature["made_at"]) {
            lines.push(format!("signed at {made}, by the signature's own word"));
        }
        if let Some(comment) = text(&signature["comment"]) {
            lines.push(format!("signed comment: {comment}"));
        }
        let pinned = signature["pinned"] == json!(true);
        lines.push(if pinned {
            "the key is the pinned one".into()
        } else {
            "the key was compared and pinned now".into()
        });
    }
    for one in proofs["agrees"].as_array().into_iter().flatten() {
        let kind = text(&one["kind"]).unwrap_or_default();
        lines.push(match one["line"].as_u64() {
            Some(line) => format!("{kind} is that of line {line} of the list"),
            None => format!("{kind} is the one that was expected"),
        });
    }
    match proofs["vouched_by"].as_str() {
        Some("nothing") => lines.push("nothing vouches for it: no list, no signature, no hash from elsewhere".into()),
        Some("weak-hash") => {
            lines.push("only a weak hash vouches for it, which proves nothing against ill will".into());
        }
        _ => {}
    }
    let members: Vec<String> = proofs["members"].as_array().into_iter().flatten().filter_map(text).collect();
    if !members.is_empty() {
        lines.push(format!("taken out of it: {}", members.join(", then ")));
    }
    lines
}

/// The members of an archive.
#[derive(Debug, Clone, Serialize)]
pub struct MembersReport {
    /// The file.
    pub file: String,
    /// What it is.
    pub kind: String,
    /// Its members.
    pub members: Vec<MemberReport>,
    /// What is left alone.
    pub findings: Vec<FindingReport>,
    /// Whether the list has all of it.
    pub whole: bool,
}

/// A member.
#[derive(Debug, Clone, Serialize)]
pub struct MemberReport {
    /// Its path.
    pub path: String,
    /// Its bytes.
    pub size: u64,
}

/// A member that is left alone.
#[derive(Debug, Clone, Serialize)]
pub struct FindingReport {
    /// Its name, fit to be shown; empty when it is about the archive.
    pub path: String,
    /// Why.
    pub why: String,
}

impl MembersReport {
    pub(super) fn new(file: &str, listing: Listing) -> Self {
        let members = listing.members.into_iter().map(|member| MemberReport { path: member.path, size: member.size });
        let findings =
            listing.findings.into_iter().map(|finding| FindingReport { path: finding.path, why: finding.why });
        Self {
            file: file.to_owned(),
            kind: listing.kind,
            members: members.collect(),
            findings: findings.collect(),
            whole: listing.whole,
        }
    }

    /// The report for a person.
    #[must_use]
    pub fn text(&self) -> String {
        let count = counted(self.members.len() as u64, "member");
        let mut text = format!("{}: {}, {count}", self.file, self.kind);
        for member in &self.members {
            text += &format!("\n  {}, {}", member.path, size(member.size));
        }
        for finding in &self.findings {
            let name = if finding.path.is_empty() { "the archive" } else { &finding.path };
            text += &format!("\n  left alone: {name}: {}", finding.why);
        }
        if !self.whole {
            text += "\n  the list is cut there: what follows is not known";
        }
        text
    }
}
