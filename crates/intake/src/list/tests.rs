use proptest::prelude::*;

use super::*;
use crate::digest::sums;

const ABC: &str = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad";

fn of_abc() -> Sums {
    let also = [Sum::Md5, Sum::Sha1, Sum::Sha224, Sum::Sha384, Sum::Blake2b];
    sums::<()>(&mut &b"abc"[..], &also, Vec::new()).unwrap().0
}

fn vouches(list: &str, file: &str, weak: bool) -> Result<Vec<Agrees>, ListError> {
    let list = List::parse(list.as_bytes())?;
    check(&list.about(file)?, &of_abc(), weak)
}

fn digits(sum: Sum) -> String {
    of_abc().digits(sum).unwrap().to_owned()
}

#[test]
fn the_usual_forms_are_read() {
    let upper = ABC.to_uppercase();
    let blake2b = digits(Sum::Blake2b);
    for list in [
        format!("{ABC}  x.bin\n"),
        format!("{ABC} *x.bin\r\n"),
        format!("{ABC} x.bin"),
        format!("{ABC}\tx.bin\n"),
        format!("{upper}  x.bin\n"),
        format!("\u{FEFF}{ABC}  x.bin\r\n"),
        format!("# a note\n\n; another\n{ABC}  ./x.bin\n"),
        format!("{ABC}  release/9.4/x.bin\n"),
        format!("SHA256 (x.bin) = {ABC}\n"),
        format!("SHA256(x.bin)= {upper}\n"),
        format!("SHA2-256 (out/x.bin) = {ABC}\n"),
        format!("{ABC}\n"),
        format!("  \n{upper}\r\n"),
        format!("BLAKE3 (x.bin) = {}\n", digits(Sum::Blake3)),
        format!("{}  x.bin\n", digits(Sum::Blake3)),
        format!("{blake2b}  x.bin\n"),
        format!("BLAKE2b (x.bin) = {blake2b}\n"),
        format!("see our site\n{ABC}  x.bin\n{ABC}  y.bin\n"),
        format!("{ABC}  x.bin\n{}  x.bin\n{}  x.bin\n", digits(Sum::Sha512), digits(Sum::Md5)),
    ] {
        let agrees = vouches(&list, "x.bin", false);
        assert!(agrees.as_ref().is_ok_and(|agrees| !agrees.is_empty()), "{list:?}: {agrees:?}");
    }
}

#[test]
fn what_does_not_vouch_is_refused() {
    let other = format!("{ABC}  y.bin\n");
    assert!(matches!(vouches(&other, "x.bin", false), Err(ListError::NotMentioned { .. })));
    // A bare hash beside names is about none of them.
    let mixed = format!("{ABC}  y.bin\n{ABC}\n");
    assert!(matches!(vouches(&mixed, "x.bin", false), Err(ListError::NotMentioned { .. })));
    // A part of a name is no name.
    let longer = format!("{ABC}  ax.bin\n{ABC}  x.bin.sig\n{ABC}  x.bin/y\n");
    assert!(matches!(vouches(&longer, "x.bin", false), Err(ListError::NotMentioned { .. })));
    let two = format!("{ABC}  x.bin\n{}  x.bin\n", "0".repeat(64));
    assert!(matches!(vouches(&two, "x.bin", false), Err(ListError::Contradiction { lines: (1, 2), .. })));
    let wrong = format!("{}  x.bin\n", "0".repeat(64));
    assert!(matches!(vouches(&wrong, "x.bin", false), Err(ListError::Differs { kind: Sum::Sha256, .. })));
    // A good hash does not make up for a wrong one.
    let half = format!("{ABC}  x.bin\nSHA512 (x.bin) = {}\n", "0".repeat(128));
    assert!(matches!(vouches(&half, "x.bin", false), Err(ListError::Differs { kind: Sum::Sha512, .. })));
    // A tag says which hash it is, whatever else has as many digits.
    let tagged = format!("SHA256 (x.bin) = {}\n", digits(Sum::Blake3));
    assert!(matches!(vouches(&tagged, "x.bin", false), Err(ListError::Differs { .. })));
    for nothing in ["", "hello\n", "\n\n", "zz  x.bin\n", "abcd  x.bin\n", "\u{0}\n"] {
        assert_eq!(List::parse(nothing.as_bytes()), Err(ListError::NoList), "{nothing:?}");
    }
}

#[test]
fn a_weak_hash_alone_has_to_be_asked_for() {
    for kind in [Sum::Md5, Sum::Sha1] {
        let list = format!("{}  x.bin\n", digits(kind));
        assert_eq!(vouches(&list, "x.bin", false), Err(ListError::Weak { kind }));
        assert_eq!(vouches(&list, "x.bin", true).unwrap().len(), 1);
        assert!(vouches(&format!("{list}{ABC}  x.bin\n"), "x.bin", false).is_ok());
    }
}

#[test]
fn a_whole_name_goes_before_the_end_of_a_path() {
    let list = format!("{}  old/x.bin\n{ABC}  x.bin\n", "0".repeat(64));
    assert_eq!(vouches(&list, "x.bin", false).unwrap().len(), 1);
}

#[test]
fn escaped_names_stand_for_themselves() {
    let list = format!("\\{ABC}  a\\nb\\\\c.bin\n\\SHA256 (d\\re) = {ABC}\n\\{ABC}  bad\\x\n");
    let list = List::parse(list.as_bytes()).unwrap();
    let names: Vec<_> = list.entries.iter().map(|entry| entry.name.as_deref().unwrap()).collect();
    assert_eq!((names.as_slice(), list.passed_over), (["a\nb\\c.bin", "d\re"].as_slice(), 1));
    // Without the mark a backslash is a letter.
    let plain = List::parse(format!("{ABC}  a\\nb\n").as_bytes()).unwrap();
    assert_eq!(plain.entries[0].name.as_deref(), Some("a\\nb"));
}

#[test]
fn a_list_tells_under_which_name_it_has_a_file() {
    let list = List::parse(format!("{}  a\n{ABC}  dist/y.bin\n", "0".repeat(64)).as_bytes()).unwrap();
    assert_eq!(list.name_of(&of_abc()), Some("dist/y.bin"));
}

#[test]
fn a_hash_by_itself_is_weighed_by_its_digits() {
    let entry = Entry::bare(&format!(" {} \n", ABC.to_uppercase())).unwrap();
    assert!(check(&[&entry], &of_abc(), false).is_ok());
    for bad in ["", "abc", "g".repeat(64).as_str(), &ABC[..63]] {
        assert!(matches!(Entry::bare(bad), Err(ListError::NoHash { .. })), "{bad}");
    }
}

#[test]
fn s10_a_list_has_a_length() {
    let long = format!("{ABC}  x.bin\n").repeat(usize::try_from(LARGEST).unwrap() / 70);
    assert!(matches!(List::parse(long.as_bytes()), Err(ListError::TooLong { .. })));
}

proptest! {
    #[test]
    fn s10_any_bytes_are_read_or_refused(bytes in proptest::collection::vec(any::<u8>(), 0..400)) {
        if let Ok(list) = List::parse(&bytes) {
            prop_assert!(list.entries.iter().all(|entry| !entry.kinds.is_empty()));
        }
    }

    #[test]
    fn names_come_back_as_they_were_written(name in "[^/\\\\\r\n ][^/\\\\\r\n]{0,30}", tagged in any::<bool>()) {
        let name = name.trim_start_matches(['*', ' ', '\t']).to_owned();
        prop_assume!(!name.is_empty() && name.trim() == name);
        let line = if tagged { format!("SHA256 ({name}) = {ABC}\n") } else { format!("{ABC}  {name}\n") };
        let list = List::parse(line.as_bytes()).unwrap();
        prop_assert_eq!(list.about(&name).map(|found| found.len()), Ok(1));
    }
}
