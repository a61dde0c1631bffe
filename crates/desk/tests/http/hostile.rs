//! What is sent to hurt: paths, long bodies, names with tags in them, pictures that are none.

use std::io::{Read, Write};
use std::net::TcpStream;

use super::visitor::{Visitor, form, forms};
use super::{Bench, files};

const BOUNDARY: &str = "----between";

/// A form with a photo in it.
fn photo(step: &str, by: &str, note: &str, bytes: &[u8]) -> Vec<u8> {
    let mut body = Vec::new();
    for (name, value) in [("step", step), ("by", by), ("note", note)] {
        body.extend(
            format!("--{BOUNDARY}\r\nContent-Disposition: form-data; name=\"{name}\"\r\n\r\n{value}\r\n").bytes(),
        );
    }
    let name = "../../etc/passwd.svg\"; x=\"";
    body.extend(
        format!("--{BOUNDARY}\r\nContent-Disposition: form-data; name=\"photo\"; filename=\"{name}\"\r\nContent-Type: text/html\r\n\r\n")
            .bytes(),
    );
    body.extend_from_slice(bytes);
    body.extend(format!("\r\n--{BOUNDARY}--\r\n").bytes());
    body
}

fn attach(visitor: &Visitor, bench: &Bench, body: &[u8]) -> super::visitor::Answer {
    let page = visitor.get(&bench.page());
    let form = form(&page, "/photo");
    visitor.post(&form.action, &format!("multipart/form-data; boundary={BOUNDARY}"), body)
}

#[test]
fn s12_no_path_of_a_request_reaches_the_disk() {
    let bench = Bench::open();
    let visitor = bench.visitor();
    let before = files(&bench.path());
    let digest = "0".repeat(64);
    for path in [
        "/../../etc/passwd",
        "/assets/../Cargo.toml",
        "/assets/..%2f..%2fetc%2fpasswd",
        "/assets/%2e%2e/desk.css",
        "/assets//etc/passwd",
        "/job/..%2f..%2fetc",
        "/job/%2e%2e",
        "/job/.hidden",
        "/job/a%00b",
        "/job/no-such-job",
        &format!("/job/{}/photo/{digest}", bench.job),
        &format!("/job/{}/photo/..%2f..%2fbench", bench.job),
        &format!("/job/{}/photo/", bench.job),
    ] {
        let answer = visitor.answer(path);
        assert!(answer.status == 404 || answer.status == 400, "{path}: {}", answer.status);
        assert!(!answer.text().contains("root:"), "{path}");
    }
    // Ids and steps in forms are looked up as well.
    let page = visitor.get(&bench.page());
    let sign = form(&page, "/sign");
    for step in ["../first-look", "no-such-step", "/etc/passwd"] {
        let answer = visitor.send(&sign, &[("by", "Ana"), ("step", step)]);
        assert_eq!(answer.status, 409, "{step}: {}", answer.text());
    }
    let link = visitor.send(&sign, &[("by", "Ana"), ("link", "/dev/mtd0")]);
    assert_eq!(link.status, 400, "a link is a number: {}", link.text());
    assert_eq!(visitor.send(&sign, &[("by", "Ana"), ("link", "4711")]).status, 400);
    assert_eq!(files(&bench.path()), before, "nothing was read into the bench, nothing written");
}

#[test]
fn s12_what_is_too_long_is_not_taken() {
    let bench = Bench::open();
    let visitor = bench.visitor();
    let sign = form(&visitor.get(&bench.page()), "/sign");
    let before = files(&bench.path());
    let long = "x".repeat(70 << 10);
    assert_eq!(visitor.send(&sign, &[("by", "Ana"), ("note", &long)]).status, 413);
    let name = visitor.send(&sign, &[("by", &"x".repeat(401))]);
    assert_eq!(name.status, 400, "{}", name.text());
    // A photo of more than 16 MiB; its first bytes are those of a picture.
    let mut picture = vec![0; (16 << 20) + 1];
    picture[..3].copy_from_slice(b"\xff\xd8\xff");
    let answer = attach(&visitor, &bench, &photo("first-look", "Ana", "", &picture));
    assert!(answer.status == 413 || answer.status == 400, "{}: {}", answer.status, answer.text());
    let huge = attach(&visitor, &bench, &photo("first-look", "Ana", "", &vec![0xFF; 18 << 20]));
    assert_eq!(huge.status, 413, "{}", huge.text());
    assert_eq!(files(&bench.path()), before);
}

#[test]
fn s12_half_a_request_holds_up_nobody() {
    let bench = Bench::open();
    let visitor = bench.visitor();
    let mut slow: Vec<TcpStream> =
        (0..20).map(|_| TcpStream::connect(("127.0.0.1", visitor.port)).expect("open")).collect();
    for stream in &mut slow {
        stream.write_all(b"POST / HTTP/1.1\r\nHost: ").expect("sent");
    }
    assert!(visitor.get("/").contains("Larkspur"));
    // Nor does what is no HTTP at all.
    let mut other = TcpStream::connect(("127.0.0.1", visitor.port)).expect("open");
    other.write_all(&[0x16, 0x03, 0x01, 0x00, 0xFF, 0x0D, 0x0A, 0x0D, 0x0A]).expect("sent");
    let _ = other.read_to_end(&mut Vec::new());
    assert!(visitor.get("/").contains("Larkspur"));
}

#[test]
fn s12_only_pictures_are_kept_and_shown_as_what_they_are() {
    let bench = Bench::open();
    let visitor = bench.visitor();
    for other in [&b"<svg xmlns='http://www.w3.org/2000/svg' onload='alert(1)'/>"[..], b"GIF89a", b"", b"<html>"] {
        let answer = attach(&visitor, &bench, &photo("first-look", "Ana", "", other));
        assert_eq!(answer.status, 400, "{other:?}: {}", answer.text());
    }
    // The smallest PNG head there is, followed by text that a browser must not take for a page.
    let picture = b"\x89PNG\r\n\x1a\n<script>alert(1)</script>";
    let answer = attach(&visitor, &bench, &photo("first-look", "Ana <b>", "the \"lid\"<script>", picture));
    assert_eq!(answer.status, 303, "{}", answer.text());
    let page = visitor.get(&bench.page());
    let source = page
        .split("src=\"")
        .find(|part| part.starts_with("/job/") && part.contains("/photo/"))
        .expect("the photo is shown")
        .split('"')
        .next()
        .expect("an address")
        .to_owned();
    assert!(page.contains("Ana &lt;b&gt;") && !page.contains("<script>alert") && !page.contains("\"lid\"<"), "{page}");
    let shown = visitor.answer(&source);
    assert_eq!((shown.status, shown.header("content-type")), (200, "image/png"));
    assert_eq!(shown.header("x-content-type-options"), "nosniff");
    assert_eq!(shown.body, picture);
    // It is in the record, and another job does not show it.
    let record = job::jobs::record(&bench.path(), Some(&bench.job), false).expect("a record");
    assert_eq!(record.photos.len(), 1);
    assert_eq!(record.photos[0].step, "first-look");
    assert!(record.text().contains("## Photos"));
    let hidden = job::jobs::record(&bench.path(), Some(&bench.job), true).expect("a record");
    assert_eq!((hidden.photos[0].by.as_str(), hidden.photos[0].note.as_deref()), ("person 2", Some("(left out)")));
    let other = visitor
        .get("/")
        .split("href=\"/job/")
        .skip(1)
        .map(|part| part.split('"').next().unwrap_or_default().to_owned())
        .find(|job| *job != bench.job)
        .expect("another job");
    let digest = source.rsplit('/').next().expect("a digest");
    assert_eq!(visitor.answer(&format!("/job/{other}/photo/{digest}")).status, 404);
}

#[test]
fn s12_names_and_notes_never_become_part_of_a_page() {
    let bench = Bench::open();
    let visitor = bench.visitor();
    let evil = "\"><script>alert(1)</script><img src=x onerror=alert(2)>&lt;";
    let sign = form(&visitor.get(&bench.page()), "/sign");
    assert_eq!(visitor.send(&sign, &[("by", evil), ("note", evil)]).status, 303);
    let start = visitor.get("/start");
    let choice = start
        .split("href=\"")
        .find(|part| part.contains("kind=convert"))
        .expect("a choice")
        .split('"')
        .next()
        .expect("an address");
    let intake = form(&visitor.get(&choice.replace("&amp;", "&")), "/start");
    let mut fields = vec![("machine", evil), ("owner", evil), ("consent", evil)];
    let names: Vec<String> = intake
        .text
        .split("name=\"answer-")
        .skip(1)
        .map(|part| format!("answer-{}", part.split('"').next().unwrap_or_default()))
        .collect();
    for name in &names {
        let value = match name.as_str() {
            "answer-option-finger-reader" | "answer-option-mobile-card" => "no",
            "answer-variant" => "school",
            _ => "yes",
        };
        fields.push((name, value));
    }
    let taken = visitor.send(&intake, &fields);
    assert_eq!(taken.status, 303, "{}", taken.text());
    for path in ["/", "/start", &bench.page(), taken.header("location"), &format!("/?search={}", "%22%3E%3Cscript%3E")]
    {
        let page = visitor.get(path);
        assert!(!page.contains("<script>") && !page.contains("<img src=x"), "{path}: {page}");
        assert!(forms(&page).iter().all(|form| form.action.starts_with('/')), "{path}");
    }
}
