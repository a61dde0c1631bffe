//! Open journals, by docs/formats.md: lines of JSON, each with the hash over its own bytes and the hash of the one before.

use std::fs;
use std::io;
use std::path::Path;

use serde_json::Value;

use super::blake3_hex;

/// One entry.
#[derive(Debug, Clone)]
pub struct Entry {
    /// Its kind.
    pub kind: String,
    /// Its body.
    pub body: Value,
}

/// One journal.
#[derive(Debug, Clone)]
pub struct Journal {
    /// The job.
    pub job: String,
    /// Its whole entries up to the first that is not sound.
    pub entries: Vec<Entry>,
    /// What is wrong with it, if anything is.
    pub fault: Option<String>,
}

impl Journal {
    /// Returns the values of `key` in the entries of `kind`, oldest first, as far as they are texts.
    pub fn texts<'a>(&'a self, kind: &'a str, key: &'a str) -> impl DoubleEndedIterator<Item = &'a str> {
        self.entries.iter().filter(move |entry| entry.kind == kind).filter_map(move |entry| entry.body[key].as_str())
    }
}

/// Returns the open journals of a bench, sorted by job.
///
/// # Errors
/// Whatever the file system says.
pub fn journals(bench: &Path) -> io::Result<Vec<Journal>> {
    let mut found = Vec::new();
    let folder = bench.join("journals");
    if !folder.is_dir() {
        return Ok(found);
    }
    for entry in fs::read_dir(folder)? {
        let path = entry?.path();
        let name = path.file_name().map(|name| name.to_string_lossy().into_owned()).unwrap_or_default();
        let Some(job) = name.strip_suffix(".jsonl") else { continue };
        let first = read(job, &fs::read(&path)?);
        // Each entry goes into the first copy and then into the second, so that one copy may lack the last of them.
        let second = match fs::read(bench.join("twin/journals").join(&name)) {
            Ok(bytes) => Some(read(job, &bytes)),
            Err(error) if error.kind() == io::ErrorKind::NotFound => None,
            Err(error) => return Err(error),
        };
        let better = second.filter(|second| first.fault.is_some() || second.entries.len() > first.entries.len());
        found.push(better.unwrap_or(first));
    }
    found.sort_by(|one: &Journal, other| one.job.cmp(&other.job));
    Ok(found)
}

fn read(job: &str, bytes: &[u8]) -> Journal {
    let mut journal = Journal { job: job.to_owned(), entries: Vec::new(), fault: None };
    let mut before = blake3_hex(job.as_bytes());
    let mut rest = bytes;
    while let Some(end) = rest.iter().position(|byte| *byte == b'\n') {
        let (line, after) = (&rest[..end], &rest[end + 1..]);
        match entry(line, journal.entries.len() as u64, &before) {
            Ok((entry, hash)) => {
                journal.entries.push(entry);
                before = hash;
            }
            // The last line may be what a cut left of an entry that nobody was told of.
            Err(_) if after.is_empty() => {}
            Err(why) => {
                journal.fault = Some(format!("line {}: {why}", journal.entries.len() + 1));
                return journal;
            }
        }
        rest = after;
    }
    if journal.entries.first().is_none_or(|entry| entry.kind != "opened") {
        journal.fault = Some("it does not begin with the entry that opens it".into());
    }
    journal
}

fn entry(line: &[u8], seq: u64, before: &str) -> Result<(Entry, String), String> {
    const TAIL: usize = ",\"hash\":\"\"}".len() + 64;
    let head = line.len().checked_sub(TAIL).ok_or("too short")?;
    let value: Value = serde_json::from_slice(line).map_err(|error| error.to_string())?;
    let hash = value["hash"].as_str().ok_or("no hash")?;
    if line[head..] != *format!(",\"hash\":\"{hash}\"}}").as_bytes() || blake3_hex(&line[..head]) != hash {
        return Err("its hash is not that of its bytes".into());
    }
    if value["seq"].as_u64() != Some(seq) || value["prev"].as_str() != Some(before) {
        return Err("it does not follow the line before".into());
    }
    let kind = value["kind"].as_str().ok_or("no kind")?.to_owned();
    Ok((Entry { kind, body: value["body"].clone() }, hash.to_owned()))
}
