//! A visitor of the desk, as plain as can be: requests over a socket, forms filled in as a person would, and no script.
//!
//! It shares no code with the desk. What it understands of HTML is what the desk's own pages hold.

use std::collections::BTreeMap;
use std::io::{BufRead, BufReader, Read, Write};
use std::net::TcpStream;
use std::time::Duration;

/// An answer.
#[derive(Debug)]
pub struct Answer {
    pub status: u16,
    pub head: BTreeMap<String, String>,
    pub body: Vec<u8>,
}

impl Answer {
    pub fn text(&self) -> String {
        String::from_utf8_lossy(&self.body).into_owned()
    }

    pub fn header(&self, name: &str) -> &str {
        self.head.get(name).map_or("", String::as_str)
    }
}

/// Sends one request as it is written here, head and body, and reads all that comes back.
pub fn raw(port: u16, head: &str, body: &[u8]) -> Answer {
    let mut stream = TcpStream::connect(("127.0.0.1", port)).expect("the desk listens");
    stream.set_read_timeout(Some(Duration::from_secs(60))).expect("a socket option");
    // A desk that refuses a long body may close before all of it is sent.
    let _ = stream
        .write_all(format!("{head}\r\nConnection: close\r\n\r\n").as_bytes())
        .and_then(|()| stream.write_all(body));
    let mut bytes = Vec::new();
    let _ = stream.read_to_end(&mut bytes);
    parsed(&bytes)
}

fn parsed(bytes: &[u8]) -> Answer {
    let end = bytes.windows(4).position(|four| four == b"\r\n\r\n").unwrap_or_else(|| panic!("no head in {bytes:?}"));
    let head = String::from_utf8_lossy(&bytes[..end]).into_owned();
    let mut lines = head.lines();
    let status =
        lines.next().and_then(|line| line.split(' ').nth(1)).and_then(|code| code.parse().ok()).expect("a status");
    let pairs =
        lines.filter_map(|line| line.split_once(": ")).map(|(name, value)| (name.to_lowercase(), value.to_owned()));
    let head: BTreeMap<String, String> = pairs.collect();
    let body = &bytes[end + 4..];
    let body =
        if head.get("transfer-encoding").is_some_and(|how| how == "chunked") { whole(body) } else { body.to_vec() };
    Answer { status, head, body }
}

/// A chunked body put together (RFC 9112, 7.1).
fn whole(mut rest: &[u8]) -> Vec<u8> {
    let mut body = Vec::new();
    while let Some(end) = rest.windows(2).position(|two| two == b"\r\n") {
        let Ok(size) = usize::from_str_radix(&String::from_utf8_lossy(&rest[..end]), 16) else { break };
        let from = end + 2;
        body.extend_from_slice(&rest[from..(from + size).min(rest.len())]);
        rest = rest.get(from + size + 2..).unwrap_or_default();
        if size == 0 {
            break;
        }
    }
    body
}

/// Somebody who opened the printed address.
pub struct Visitor {
    pub port: u16,
    pub cookie: String,
}

impl Visitor {
    /// Opens the address and keeps the cookie.
    pub fn enter(address: &str) -> Self {
        let rest = address.strip_prefix("http://127.0.0.1:").expect("the loopback address");
        let (port, target) = rest.split_once('/').expect("a path");
        let port = port.parse().expect("a port");
        let answer = raw(port, &format!("GET /{target} HTTP/1.1\r\nHost: 127.0.0.1:{port}"), b"");
        assert_eq!((answer.status, answer.header("refresh")), (200, "0; url=/"), "{}", answer.text());
        let cookie = answer.header("set-cookie").split(';').next().expect("a cookie").to_owned();
        Self { port, cookie }
    }

    fn head(&self, method: &str, path: &str) -> String {
        let Self { port, cookie } = self;
        format!("{method} {path} HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\nCookie: {cookie}")
    }

    pub fn answer(&self, path: &str) -> Answer {
        raw(self.port, &self.head("GET", path), b"")
    }

    /// A page that is there.
    pub fn get(&self, path: &str) -> String {
        let answer = self.answer(path);
        assert_eq!(answer.status, 200, "{path}: {}", answer.text());
        answer.text()
    }

    /// The events of a page, each as its JSON, as long as they come.
    pub fn events(&self, path: &str) -> impl Iterator<Item = serde_json::Value> + use<> {
        let mut stream = TcpStream::connect(("127.0.0.1", self.port)).expect("the desk listens");
        stream.set_read_timeout(Some(Duration::from_secs(60))).expect("a socket option");
        stream.write_all(format!("{}\r\n\r\n", self.head("GET", path)).as_bytes()).expect("a request");
        let lines = BufReader::new(stream).lines().map_while(Result::ok);
        // Sizes of chunks stand on lines of their own; the data of an event begins with its name.
        lines.filter_map(|line| serde_json::from_str(line.strip_prefix("data: ")?).ok())
    }

    /// Waits until nothing runs on a job, and signs what it is asked meanwhile; answers the page then.
    pub fn settled(&self, page: &str) -> String {
        loop {
            let text = self.get(page);
            if !text.contains("id=\"running\"") {
                return text;
            }
            let Some(question) = forms(&text).into_iter().find(|form| form.action.contains("/answer")) else {
                std::thread::sleep(Duration::from_millis(50));
                continue;
            };
            let reply = match &question.fields {
                fields if fields.contains_key("by") => ("by", "Ana".to_owned()),
                fields if fields.contains_key("size") => ("size", size_told(&question.text)),
                _ => ("reply", "yes".to_owned()),
            };
            let answer = self.send(&question, &[reply]);
            assert!(matches!(answer.status, 303 | 400), "{}", answer.text());
        }
    }

    /// Posts a body of this type as a page of the desk does.
    pub fn post(&self, path: &str, kind: &str, body: &[u8]) -> Answer {
        let origin = format!("http://127.0.0.1:{}", self.port);
        let head = self.head("POST", path);
        let head = format!("{head}\r\nOrigin: {origin}\r\nContent-Type: {kind}\r\nContent-Length: {}", body.len());
        raw(self.port, &head, body)
    }

    /// Fills a form in and sends it; what the form holds itself goes along.
    pub fn send<V: AsRef<str>>(&self, form: &Form, fields: &[(&str, V)]) -> Answer {
        let mut pairs = form.fields.clone();
        for (name, value) in fields {
            pairs.insert((*name).to_owned(), value.as_ref().to_owned());
        }
        let body: Vec<String> =
            pairs.iter().map(|(name, value)| format!("{}={}", escaped(name), escaped(value))).collect();
        self.post(&form.action, "application/x-www-form-urlencoded", body.join("&").as_bytes())
    }
}

/// A form of a page.
#[derive(Debug, Clone)]
pub struct Form {
    pub action: String,
    /// What stands in it already.
    pub fields: BTreeMap<String, String>,
    /// Its text, tags and all.
    pub text: String,
}

/// The forms of a page that change something.
pub fn forms(page: &str) -> Vec<Form> {
    let mut forms = Vec::new();
    for part in page.split("<form ").skip(1) {
        let text = part.split("</form>").next().unwrap_or_default().to_owned();
        let (tag, inside) = text.split_once('>').unwrap_or((&text, ""));
        if !tag.contains("method=\"post\"") {
            continue;
        }
        let mut fields = BTreeMap::new();
        for input in inside.split("<input ").skip(1) {
            let input = input.split('>').next().unwrap_or_default();
            let chosen = !input.contains("type=\"checkbox\"") && !input.contains("type=\"radio\"");
            if let (Some(name), true) = (attribute(input, "name"), chosen) {
                fields.insert(name, attribute(input, "value").unwrap_or_default());
            }
        }
        for select in inside.split("<select ").skip(1) {
            let (tag, options) = select.split_once('>').unwrap_or((select, ""));
            let options: Vec<&str> =
                options.split("</select>").next().unwrap_or_default().split("<option ").skip(1).collect();
            let chosen =
                options.iter().find(|option| option.split('>').next().is_some_and(|tag| tag.contains("selected")));
            if let (Some(name), Some(option)) = (attribute(tag, "name"), chosen.or(options.first())) {
                fields.insert(name, attribute(option, "value").unwrap_or_default());
            }
        }
        forms.push(Form { action: attribute(tag, "action").unwrap_or_default(), fields, text: text.clone() });
    }
    forms
}

/// The form with the one filled button of the card in the middle.
pub fn deed(page: &str) -> Option<Form> {
    let now = page.split("id=\"now\"").nth(1)?.split("<aside").next()?;
    let mut deeds: Vec<Form> = forms(now).into_iter().filter(|form| form.text.contains("class=\"deed\"")).collect();
    assert!(deeds.len() <= 1, "the card holds exactly one action, and not {}: {now}", deeds.len());
    deeds.pop()
}

/// The form whose address has this in it.
pub fn form(page: &str, action: &str) -> Form {
    let found = forms(page).into_iter().find(|form| form.action.contains(action));
    found.unwrap_or_else(|| panic!("no form to {action} in {page}"))
}

/// The bytes of the drive that a question is about, as it tells them.
pub fn size_told(question: &str) -> String {
    let before = question.split_once(" bytes)").expect("a size in bytes").0;
    before.rsplit('(').next().expect("a bracket before it").to_owned()
}

fn attribute(tag: &str, name: &str) -> Option<String> {
    let value = tag.split(&format!("{name}=\"")).nth(1)?.split('"').next()?;
    Some(value.replace("&quot;", "\"").replace("&lt;", "<").replace("&gt;", ">").replace("&amp;", "&"))
}

fn escaped(text: &str) -> String {
    let plain = |byte: u8| byte.is_ascii_alphanumeric() || b"-_.".contains(&byte);
    let one = |byte: u8| if plain(byte) { char::from(byte).to_string() } else { format!("%{byte:02X}") };
    text.bytes().map(one).collect()
}

/// What a person writes where a value is asked for: one that the form calls good.
pub fn good_value(form: &Form) -> String {
    let after = |word: &str, end: &[char]| {
        let rest = form.text.split_once(word)?.1;
        Some(rest.split(end).next().unwrap_or_default().to_owned())
    };
    if let Some(text) = after("<option value=\"", &['"']).filter(|_| form.text.contains("<datalist")) {
        return text;
    }
    let bound = |word| after(word, &[' ', '<']).and_then(|number| number.parse::<f64>().ok());
    match (bound("at least "), bound("at most ")) {
        (Some(least), Some(most)) => ((least + most) / 2.0).to_string(),
        (Some(least), None) => least.to_string(),
        (None, Some(most)) => (most / 2.0).to_string(),
        (None, None) => "1".to_owned(),
    }
}
