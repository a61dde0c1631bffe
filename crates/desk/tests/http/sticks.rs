//! A boot stick made from the desk: nothing is written before somebody has typed the drive's size (S11).

use super::Bench;
use super::jobs::up_to;
use super::visitor::{Form, Visitor, deed, form, size_told};

/// Presses the button and waits for the question.
fn asked(bench: &Bench, visitor: &Visitor, make: &Form) -> Form {
    assert_eq!(visitor.send::<&str>(make, &[]).status, 303);
    for _ in 0..200 {
        let page = visitor.get(&bench.page());
        if page.contains("/answer?") {
            return form(&page, "/answer");
        }
        std::thread::sleep(std::time::Duration::from_millis(50));
    }
    panic!("nothing is asked");
}

#[test]
fn s11_a_stick_is_written_once_its_size_was_typed() {
    let bench = Bench::open();
    let visitor = bench.visitor();
    let page = up_to(&visitor, &bench, "update-stick");
    let make = deed(&page).expect("a button");
    let stick = || std::fs::read(bench.path().join("virtual/stick.bin")).expect("a stick");
    let before = stick();
    assert!(before.starts_with(b"somebody's holiday pictures"));

    // A drive that nobody offered, and none at all.
    let other = visitor.send(&make, &[("stick", "99")]);
    assert_eq!(other.status, 400, "{}", other.text());
    assert!(other.text().contains("was never offered"), "{}", other.text());

    // Another size, no size, and a mere yes.
    let question = asked(&bench, &visitor, &make);
    assert!(question.text.contains("will be lost"), "{}", question.text);
    assert_eq!(visitor.send(&question, &[("size", "33554433")]).status, 303);
    let page = visitor.settled(&bench.page());
    assert!(page.contains("it has 33554432 bytes and not the 33554433 that were named"), "{page}");
    let question = asked(&bench, &visitor, &make);
    assert_eq!(visitor.send(&question, &[("size", "")]).status, 400);
    assert_eq!(visitor.send(&question, &[("reply", "yes")]).status, 303);
    assert!(visitor.settled(&bench.page()).contains("was not named by its size"));
    assert!(stick() == before, "the stick was written");

    // The right one.
    let question = asked(&bench, &visitor, &make);
    let size = size_told(&question.text);
    assert_eq!(visitor.send(&question, &[("size", size)]).status, 303);
    let page = visitor.settled(&bench.page());
    assert!(page.contains("9437184 bytes read again, 0 differ") && page.contains("remove the stick now"), "{page}");
    assert_eq!(deed(&page).expect("a button").fields["step"], "update-power");
    assert!(!stick().starts_with(b"somebody's"), "nothing was written");
}

#[test]
fn s11_what_is_too_small_or_not_there_is_not_offered() {
    let bench = Bench::open();
    let visitor = bench.visitor();
    up_to(&visitor, &bench, "update-stick");
    let stick = bench.path().join("virtual/stick.bin");
    std::fs::write(&stick, vec![0; 4 << 20]).expect("our own file");
    let page = visitor.get(&bench.page());
    assert!(deed(&page).is_none(), "{page}");
    assert!(page.contains("it is smaller than the image, which has 9 MiB"), "{page}");
    std::fs::remove_file(&stick).expect("our own file");
    let page = visitor.get(&bench.page());
    assert!(deed(&page).is_none() && page.contains("Plug a stick in and load this page again"), "{page}");
}
