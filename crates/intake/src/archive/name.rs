//! Names of members: which of them may be used, and how a refused one is shown.

/// The longest name in bytes.
pub(super) const LONGEST: usize = 1024;

/// Returns a member's path as members are asked for by: parts divided by single slashes, none of which leads elsewhere.
///
/// A leading `./` and doubled slashes go, as archives of a whole folder have them.
pub(super) fn checked(raw: &[u8]) -> Result<String, &'static str> {
    if raw.len() > LONGEST {
        return Err("its name is longer than 1024 bytes");
    }
    let name = std::str::from_utf8(raw).map_err(|_| "its name is no UTF-8 text")?;
    if name.chars().any(char::is_control) {
        return Err("its name has control characters");
    }
    if name.starts_with('/') {
        return Err("its name leads to the root of the file system");
    }
    // What a backslash or a drive letter means depends on who unpacks it.
    if name.contains('\\') || name.as_bytes().get(1) == Some(&b':') {
        return Err("its name has a backslash or a drive letter");
    }
    let parts: Vec<&str> = name.split('/').filter(|part| !part.is_empty() && *part != ".").collect();
    if parts.contains(&"..") {
        return Err("its name leads out of the archive");
    }
    if parts.is_empty() { Err("it has no name") } else { Ok(parts.join("/")) }
}

/// Returns a name that may be shown: shortened, and without what moves a cursor.
pub(super) fn shown(raw: &[u8]) -> String {
    const MOST: usize = 80;
    let text = String::from_utf8_lossy(raw);
    let mut name: String =
        text.chars().take(MOST).map(|letter| if letter.is_control() { '_' } else { letter }).collect();
    if text.chars().nth(MOST).is_some() {
        name.push('…');
    }
    name
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn s10_names_lead_nowhere_else() {
        for bad in [
            "",
            ".",
            "./",
            "/",
            "/etc/x",
            "..",
            "../x",
            "a/../x",
            "a/..",
            "./../x",
            "a\\b",
            "..\\x",
            "C:x",
            "c:/x",
            "a\nb",
            "a\x1b[2Jb",
            "a\0b",
        ] {
            assert!(checked(bad.as_bytes()).is_err(), "{bad:?}");
        }
        assert!(checked(b"a\xff").is_err());
        assert!(checked(&[b'a'; LONGEST + 1]).is_err());
        for (raw, path) in [("./a", "a"), ("a//b/./c", "a/b/c"), ("a", "a"), ("a..b/...", "a..b/..."), ("ü x", "ü x")]
        {
            assert_eq!(checked(raw.as_bytes()), Ok(path.to_owned()));
        }
    }

    #[test]
    fn s10_what_is_shown_moves_no_cursor() {
        assert_eq!(shown(b"a\x1b[2Jb\nc"), "a_[2Jb_c");
        assert_eq!(shown(&[b'x'; 200]).chars().count(), 81);
    }
}
