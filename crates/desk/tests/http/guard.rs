//! S12: loopback alone, its token, Host and Origin, the token of a change, the headers of every answer.

use std::net::{TcpStream, UdpSocket};

use super::visitor::{Visitor, forms, raw};
use super::{Bench, files};

fn port(bench: &Bench) -> u16 {
    bench.visitor().port
}

#[test]
fn s12_without_the_token_nothing_is_shown() {
    let bench = Bench::open();
    let port = port(&bench);
    let get = |path: &str, more: &str| raw(port, &format!("GET {path} HTTP/1.1\r\nHost: 127.0.0.1:{port}{more}"), b"");
    let token = bench.address.split("token=").nth(1).expect("a token").to_owned();
    let almost = format!("/?token={}{}", &token[..63], if token.ends_with('0') { "1" } else { "0" });
    let job = bench.page();
    for path in ["/", "/?token=", almost.as_str(), job.as_str(), "/start", "/assets/desk.css", "/nothing"] {
        let answer = get(path, "");
        assert_eq!(answer.status, 403, "{path}");
        assert!(!answer.text().contains("Larkspur"), "{path}: {}", answer.text());
        assert_eq!(answer.header("set-cookie"), "", "{path}");
    }
    // The token opens the first page alone, and a cookie of another value or another port's name nothing.
    assert_eq!(get(&format!("{job}?token={token}"), "").status, 403);
    for cookie in ["firmhand-desk-1=x".to_owned(), format!("firmhand-desk-{port}={token}")] {
        assert_eq!(get("/", &format!("\r\nCookie: {cookie}")).status, 403, "{cookie}");
    }
}

#[test]
fn s12_the_token_becomes_a_strict_cookie_and_leaves_the_address() {
    let bench = Bench::open();
    let port = port(&bench);
    let path = bench.address.split_once(&format!(":{port}")).expect("the port").1;
    let answer = raw(port, &format!("GET {path} HTTP/1.1\r\nHost: localhost:{port}"), b"");
    assert_eq!((answer.status, answer.header("refresh")), (200, "0; url=/"));
    let cookie = answer.header("set-cookie");
    for part in ["; HttpOnly", "; SameSite=Strict", "; Path=/"] {
        assert!(cookie.contains(part), "{cookie}");
    }
    let page = bench.visitor().get("/");
    let token = bench.address.split("token=").nth(1).expect("a token");
    assert!(page.contains("Larkspur Nine, shelf 3") && !page.contains(token), "{page}");
}

#[test]
fn s12_a_foreign_host_or_origin_is_refused() {
    let bench = Bench::open();
    let visitor = bench.visitor();
    let Visitor { port, cookie } = &visitor;
    for host in ["larkspur.example", "127.0.0.1", "127.0.0.1:1", "localhost", "[::1]:80", "127.0.0.1.example:80"] {
        let answer = raw(*port, &format!("GET / HTTP/1.1\r\nHost: {host}\r\nCookie: {cookie}"), b"");
        assert_eq!(answer.status, 403, "{host}");
    }
    let twice = format!("GET / HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\nHost: larkspur.example\r\nCookie: {cookie}");
    assert!(raw(*port, &twice, b"").status >= 400);
    for origin in ["http://larkspur.example", "null", "https://127.0.0.1:1", "http://127.0.0.1"] {
        let head = format!("GET / HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\nCookie: {cookie}\r\nOrigin: {origin}");
        assert_eq!(raw(*port, &head, b"").status, 403, "{origin}");
    }
    let own =
        format!("GET / HTTP/1.1\r\nHost: localhost:{port}\r\nCookie: {cookie}\r\nOrigin: http://localhost:{port}");
    assert_eq!(raw(*port, &own, b"").status, 200);
}

#[test]
fn s12_a_change_needs_origin_cookie_and_token() {
    let bench = Bench::open();
    let visitor = bench.visitor();
    let Visitor { port, cookie } = &visitor;
    let form =
        forms(&visitor.get(&bench.page())).into_iter().find(|form| form.action.contains("/sign")).expect("a form");
    let (path, token) = form.action.split_once("?csrf=").expect("a token");
    let body = "step=first-look&by=Mallory";
    let origin = format!("\r\nOrigin: http://127.0.0.1:{port}");
    let cookie = format!("\r\nCookie: {cookie}");
    let all = format!("?csrf={token}");
    let before = files(&bench.path().join("journals"));
    let cases: [(&str, &str, &str); 6] = [
        (&all, &cookie, ""),
        (&all, &cookie, "\r\nOrigin: http://larkspur.example"),
        (&all, "", &origin),
        ("", &cookie, &origin),
        ("?csrf=", &cookie, &origin),
        ("?csrf=0123456789abcdef", &cookie, &origin),
    ];
    for (query, cookie, origin) in cases {
        let head = format!(
            "POST {path}{query} HTTP/1.1\r\nHost: 127.0.0.1:{port}{cookie}{origin}\r\nContent-Type: \
             application/x-www-form-urlencoded\r\nContent-Length: {}",
            body.len()
        );
        assert_eq!(raw(*port, &head, body.as_bytes()).status, 403, "{head}");
    }
    assert_eq!(files(&bench.path().join("journals")), before, "nothing was written down");
    // And with all three it is done.
    assert_eq!(visitor.send(&form, &[("by", "Ana")]).status, 303);
    assert_ne!(files(&bench.path().join("journals")), before);
}

#[test]
fn s12_every_answer_carries_the_same_guards() {
    let bench = Bench::open();
    let visitor = bench.visitor();
    let stranger = raw(visitor.port, &format!("GET / HTTP/1.1\r\nHost: 127.0.0.1:{}", visitor.port), b"");
    let answers = ["/", "/start", "/assets/desk.css", "/assets/job.js", "/no-such-page", &bench.page()];
    for answer in answers.map(|path| visitor.answer(path)).into_iter().chain([stranger]) {
        let policy = answer.header("content-security-policy");
        for part in [
            "default-src 'none'",
            "script-src 'self'",
            "frame-ancestors 'none'",
            "base-uri 'none'",
            "form-action 'self'",
        ] {
            assert!(policy.contains(part), "{policy}");
        }
        assert!(!policy.contains("unsafe"), "{policy}");
        assert_eq!(answer.header("x-content-type-options"), "nosniff");
        assert_eq!(answer.header("cache-control"), "no-store");
        assert_eq!(answer.header("referrer-policy"), "same-origin");
    }
    // No page brings script or style of its own, for the policy would not run it.
    for path in ["/", "/start", &bench.page()] {
        let page = visitor.get(path);
        assert!(!page.contains("<style") && !page.contains(" style=") && !page.contains("javascript:"), "{path}");
        assert!(
            page.split("<script").skip(1).all(|tag| tag.contains("src=\"/assets/") && tag.contains("></script>")),
            "{path}"
        );
    }
}

#[test]
fn s12_only_the_loopback_address_listens() {
    let bench = Bench::open();
    let port = port(&bench);
    // This computer's own address towards others; nothing is sent for it.
    let socket = UdpSocket::bind("0.0.0.0:0").expect("a socket");
    if socket.connect("192.0.2.1:9").is_err() {
        eprintln!("this computer has no other address: nothing to look at");
        return;
    }
    let own = socket.local_addr().expect("an address").ip();
    assert!(own.is_loopback() || TcpStream::connect((own, port)).is_err(), "{own} answers on {port}");
    assert!(TcpStream::connect(("127.0.0.1", port)).is_ok());
}
