//! Checksum lists, in the forms that people publish.
//!
//! | form | line |
//! |---|---|
//! | plain | `DIGITS  NAME`, or `DIGITS *NAME` for a file read as binary; one space or a tab will do |
//! | tagged | `KIND (NAME) = DIGITS` |
//! | bare | `DIGITS`, with no name: about whatever it was published with |
//! | escaped | a backslash before either of the first two: in the name `\\`, `\n` and `\r` stand for one character |
//!
//! Digits may be in upper case, lines may end in CRLF, a byte order mark may come first; empty lines and those that begin with `#`
//! or `;` are passed over. Without a tag the number of digits says the kind; 64 may be SHA-256 or BLAKE3, and 128 SHA-512 or BLAKE2b.
//! Source of plain, tagged and escaped lines: the manual of GNU coreutils, "md5sum invocation" and "cksum common options".
//!
//! An entry is about a file when the last part of its name is the file's name. Entries whose whole name is that go first, because a
//! list of a whole folder may have `old/x.bin` beside `x.bin`.
//!
//! What a reader would question: a line that is none of these forms is passed over and counted, as people put notes into such
//! files; a list in which nothing can be read is refused.

use crate::digest::{Sum, Sums};

/// The largest list, in bytes.
pub const LARGEST: u64 = 4 << 20;

/// One line of a list.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Entry {
    /// The kinds of hash that it may be: one when the line has a tag.
    pub kinds: Vec<Sum>,
    /// The hash, in lower-case hex digits.
    pub digits: String,
    /// The file's name, with its path if it has one; none of a bare hash.
    pub name: Option<String>,
    /// The line, from 1; 0 when it is no line of a list.
    pub line: usize,
}

/// A list as read.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct List {
    /// Its entries, in its order.
    pub entries: Vec<Entry>,
    /// Lines that could not be read.
    pub passed_over: usize,
}

/// Why a list does not vouch for a file.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum ListError {
    /// It is too long.
    #[error("the checksum list has more than {most} bytes")]
    TooLong {
        /// The limit.
        most: u64,
    },
    /// Nothing in it can be read.
    #[error("no line of the checksum list can be read")]
    NoList,
    /// Hex digits that are no hash.
    #[error("`{given}` is no hash that is known here: 32, 40, 56, 64, 96 or 128 hex digits are expected")]
    NoHash {
        /// What was given.
        given: String,
    },
    /// It does not mention the file.
    #[error("the checksum list does not mention {file}{}", elsewhere(under.as_deref()))]
    NotMentioned {
        /// The file's name.
        file: String,
        /// The name under which the list has the file's hash, if it has.
        under: Option<String>,
    },
    /// Two entries for the file differ.
    #[error("the checksum list contradicts itself about {file}: lines {} and {} give two {} hashes", lines.0, lines.1, kind.name())]
    Contradiction {
        /// The file's name.
        file: String,
        /// The two lines.
        lines: (usize, usize),
        /// The kind of hash.
        kind: Sum,
    },
    /// The file has another hash.
    #[error("the file's {} is {found}, and {} is expected", kind.name(), expected)]
    Differs {
        /// The kind of hash.
        kind: Sum,
        /// What is expected.
        expected: String,
        /// What the file has.
        found: String,
    },
    /// Only weak hashes vouch for it.
    #[error("nothing but {} vouches for the file, and two files with the same {} can be made on purpose", kind.name(), kind.name())]
    Weak {
        /// The kind of hash.
        kind: Sum,
    },
}

fn elsewhere(under: Option<&str>) -> String {
    under.map(|name| format!("; it has this file's hash under the name {name}")).unwrap_or_default()
}

/// A hash that agrees.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Agrees {
    /// Its kind.
    pub kind: Sum,
    /// Its digits.
    pub digits: String,
    /// The line of the list, from 1; 0 for a hash that was given by itself.
    pub line: usize,
    /// The name in the list.
    pub name: Option<String>,
}

impl List {
    /// Reads a list.
    ///
    /// # Errors
    /// [`ListError::TooLong`]; [`ListError::NoList`].
    pub fn parse(bytes: &[u8]) -> Result<Self, ListError> {
        if bytes.len() as u64 > LARGEST {
            return Err(ListError::TooLong { most: LARGEST });
        }
        let bytes = bytes.strip_prefix(b"\xEF\xBB\xBF").unwrap_or(bytes);
        let mut list = Self { entries: Vec::new(), passed_over: 0 };
        for (index, line) in bytes.split(|byte| *byte == b'\n').enumerate() {
            let line = line.strip_suffix(b"\r").unwrap_or(line);
            if line.trim_ascii().is_empty() || matches!(line[0], b'#' | b';') {
                continue;
            }
            match std::str::from_utf8(line).ok().and_then(|line| entry(line, index + 1)) {
                Some(entry) => list.entries.push(entry),
                None => list.passed_over += 1,
            }
        }
        if list.entries.is_empty() { Err(ListError::NoList) } else { Ok(list) }
    }

    /// Returns the entries about the file of this name.
    ///
    /// # Errors
    /// [`ListError::NotMentioned`]; [`ListError::Contradiction`].
    pub fn about(&self, file: &str) -> Result<Vec<&Entry>, ListError> {
        let named = |whole: bool| {
            let is_about = move |entry: &&Entry| {
                let Some(name) = entry.name.as_deref() else { return false };
                let name = name.strip_prefix("./").unwrap_or(name);
                name == file || (!whole && name.rsplit(['/', '\\']).next() == Some(file))
            };
            self.entries.iter().filter(is_about).collect::<Vec<_>>()
        };
        let mut found = named(true);
        if found.is_empty() {
            found = named(false);
        }
        // Bare hashes say nothing of which file they are about; beside names they are about none.
        if found.is_empty() && self.entries.iter().all(|entry| entry.name.is_none()) {
            found = self.entries.iter().collect();
        }
        if found.is_empty() {
            return Err(ListError::NotMentioned { file: file.to_owned(), under: None });
        }
        for (at, one) in found.iter().enumerate() {
            let other = found[..at].iter().find(|other| other.kinds == one.kinds && other.digits != one.digits);
            if let Some(other) = other {
                let (file, lines) = (file.to_owned(), (other.line, one.line));
                return Err(ListError::Contradiction { file, lines, kind: one.kinds[0] });
            }
        }
        Ok(found)
    }

    /// Returns the name under which the list has a file with these hashes.
    #[must_use]
    pub fn name_of(&self, sums: &Sums) -> Option<&str> {
        let has = |entry: &&Entry| entry.kinds.iter().any(|kind| sums.digits(*kind) == Some(entry.digits.as_str()));
        self.entries.iter().find(has)?.name.as_deref()
    }
}

impl Entry {
    /// Takes a hash that was given by itself.
    ///
    /// # Errors
    /// [`ListError::NoHash`].
    pub fn bare(given: &str) -> Result<Self, ListError> {
        let digits = given.trim();
        let kinds = if is_hex(digits) { Sum::of_digits(digits.len()) } else { &[] };
        if kinds.is_empty() {
            return Err(ListError::NoHash { given: given.chars().take(140).collect() });
        }
        Ok(Self { kinds: kinds.to_vec(), digits: digits.to_ascii_lowercase(), name: None, line: 0 })
    }
}

/// Returns the hashes that have to be computed to check these entries.
#[must_use]
pub fn needed(entries: &[&Entry]) -> Vec<Sum> {
    let mut kinds: Vec<Sum> = entries.iter().flat_map(|entry| entry.kinds.iter().copied()).collect();
    kinds.sort_unstable();
    kinds.dedup();
    kinds
}

/// Compares a file's hashes with what is expected: all entries have to agree, and one that is not weak has to be among them,
/// unless `weak` says that this will do.
///
/// # Errors
/// [`ListError::Differs`]; [`ListError::Weak`].
pub fn check(entries: &[&Entry], sums: &Sums, weak: bool) -> Result<Vec<Agrees>, ListError> {
    let mut agree = Vec::new();
    for entry in entries {
        let same = |kind: &&Sum| sums.digits(**kind) == Some(entry.digits.as_str());
        let Some(kind) = entry.kinds.iter().find(same) else {
            let kind = entry.kinds[0];
            let found = sums.digits(kind).unwrap_or("not known").to_owned();
            return Err(ListError::Differs { kind, expected: entry.digits.clone(), found });
        };
        let (digits, name) = (entry.digits.clone(), entry.name.clone());
        agree.push(Agrees { kind: *kind, digits, line: entry.line, name });
    }
    match agree.first() {
        Some(first) if !weak && agree.iter().all(|one| one.kind.is_weak()) => Err(ListError::Weak { kind: first.kind }),
        _ => Ok(agree),
    }
}

fn entry(line: &str, number: usize) -> Option<Entry> {
    let (escaped, line) = match line.strip_prefix('\\') {
        Some(line) => (true, line),
        None => (false, line),
    };
    let (kinds, digits, name) = tagged(line).or_else(|| plain(line))?;
    let name = match name {
        Some(name) if escaped => Some(unescaped(name)?),
        name => name.map(str::to_owned),
    };
    if name.as_deref().is_some_and(str::is_empty) {
        return None;
    }
    Some(Entry { kinds, digits: digits.to_ascii_lowercase(), name, line: number })
}

/// `KIND (NAME) = DIGITS`; the spaces around the brackets are missing in what some programs write.
fn tagged(line: &str) -> Option<(Vec<Sum>, &str, Option<&str>)> {
    let open = line.find('(')?;
    let kind = kind_of(line[..open].trim())?;
    // The last bracket: a name may have some.
    let close = line.rfind(')').filter(|close| *close > open)?;
    let digits = line[close + 1..].trim_start().strip_prefix('=')?.trim();
    let fits = is_hex(digits) && Sum::of_digits(digits.len()).contains(&kind);
    fits.then(|| (vec![kind], digits, Some(&line[open + 1..close])))
}

fn plain(line: &str) -> Option<(Vec<Sum>, &str, Option<&str>)> {
    let end = line.find([' ', '\t']).unwrap_or(line.len());
    let digits = &line[..end];
    let kinds = if is_hex(digits) { Sum::of_digits(digits.len()) } else { &[] };
    if kinds.is_empty() {
        return None;
    }
    let rest = &line[end..];
    if rest.trim().is_empty() {
        return Some((kinds.to_vec(), digits, None));
    }
    let name = rest[1..].strip_prefix([' ', '*']).unwrap_or(&rest[1..]);
    Some((kinds.to_vec(), digits, Some(name)))
}

/// The tags of the tools that are in use, however they write hyphens.
fn kind_of(tag: &str) -> Option<Sum> {
    let tag: String = tag.chars().filter(|letter| !matches!(letter, '-' | '_')).collect();
    Some(match tag.to_ascii_uppercase().as_str() {
        "MD5" => Sum::Md5,
        "SHA1" => Sum::Sha1,
        "SHA224" | "SHA2224" => Sum::Sha224,
        "SHA256" | "SHA2256" => Sum::Sha256,
        "SHA384" | "SHA2384" => Sum::Sha384,
        "SHA512" | "SHA2512" => Sum::Sha512,
        "BLAKE2B" | "BLAKE2B512" => Sum::Blake2b,
        "BLAKE3" => Sum::Blake3,
        _ => return None,
    })
}

fn is_hex(text: &str) -> bool {
    !text.is_empty() && text.bytes().all(|byte| byte.is_ascii_hexdigit())
}

fn unescaped(name: &str) -> Option<String> {
    let mut plain = String::with_capacity(name.len());
    let mut letters = name.chars();
    while let Some(letter) = letters.next() {
        plain.push(match letter {
            '\\' => match letters.next()? {
                '\\' => '\\',
                'n' => '\n',
                'r' => '\r',
                _ => return None,
            },
            letter => letter,
        });
    }
    Some(plain)
}

#[cfg(test)]
mod tests;
