//! The desk as a process: its address, its end, and a write that goes on through reloads, second starts and a server that is killed.

use std::fs;
use std::io::{BufRead, BufReader};
use std::os::unix::fs::PermissionsExt;
use std::path::Path;
use std::process::{Child, Command};
use std::thread::sleep;
use std::time::Duration;

use crate::common::Bench;
use crate::schemas::keeps_to;
use crate::visitor::{Form, Visitor, deed, form, good_value};

/// A desk that runs, and ends with the test.
struct Desk {
    child: Child,
    visitor: Visitor,
}

impl Desk {
    /// Starts it and reads the address that it prints.
    fn start(bench: &Bench, arguments: &str) -> Self {
        Self::start_as(bench.command(arguments))
    }

    fn start_as(mut command: Command) -> Self {
        let mut child = command.spawn().expect("the program starts");
        let lines = BufReader::new(child.stdout.take().expect("a pipe")).lines();
        let mut lines = lines.map_while(Result::ok);
        let address = lines.find_map(|line| Some(line.trim().to_owned()).filter(|line| line.starts_with("http://")));
        let visitor = Visitor::enter(&address.expect("an address is printed"));
        Self { child, visitor }
    }

    /// Ctrl-C, as a shell sends it; answers the exit status.
    fn interrupt(mut self) -> i32 {
        let pid = self.child.id().to_string();
        let sent = Command::new("sh").args(["-c", "kill -INT \"$1\"", "sh", &pid]).status().expect("a shell");
        assert!(sent.success());
        self.child.wait().expect("it ends").code().expect("an exit status")
    }

    fn kill(mut self) {
        self.child.kill().and_then(|()| self.child.wait()).expect("it is our own child");
    }
}

impl Drop for Desk {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

const AGAIN: &str = "desk --link bench/virtual/main.toml --link bench/virtual/port.toml --files bench/virtual";

/// The demo's first job, as the shelf names it.
fn page_of(visitor: &Visitor) -> String {
    let shelf = visitor.get("/");
    let link =
        shelf.split("href=\"").find(|part| part.contains("Larkspur Nine, shelf 3")).expect("the job is on the shelf");
    link.split('"').next().expect("an address").to_owned()
}

/// Presses the one button until this step is in hand; answers its form.
fn up_to(visitor: &Visitor, page: &str, step: &str) -> Form {
    for _ in 0..200 {
        let form = deed(&visitor.settled(page)).expect("a button");
        if form.fields["step"] == step {
            return form;
        }
        let good = good_value(&form);
        let fields = [("by", "Ana"), ("measured", good.as_str())];
        let fields: Vec<_> = fields.into_iter().filter(|(name, _)| form.fields.contains_key(*name)).collect();
        assert_eq!(visitor.send(&form, &fields).status, 303);
    }
    panic!("`{step}` never came");
}

/// From now on the chip `main` takes its time, as a real one does: about a minute for a write.
fn slow_down(bench: &Bench) {
    let name = "bench/virtual/main.toml";
    let text = String::from_utf8(bench.read(name)).expect("text").replace("12000000", "50000000");
    bench.toml(name, &format!("{text}\n[time]\nspeed = \"real\"\n"));
}

fn speed_up(bench: &Bench) {
    let name = "bench/virtual/main.toml";
    let text = String::from_utf8(bench.read(name)).expect("text").replace("speed = \"real\"", "speed = \"virtual\"");
    bench.toml(name, &text);
}

/// Begins the write of `main` and waits until it erases and programs.
fn begin_write(bench: &Bench, desk: &Desk) -> (String, Form) {
    let page = page_of(&desk.visitor);
    let write = up_to(&desk.visitor, &page, "apply-main");
    slow_down(bench);
    assert_eq!(desk.visitor.send(&write, &[("by", "Ana")]).status, 303);
    for _ in 0..1200 {
        let text = desk.visitor.get(&page);
        assert!(text.contains("id=\"running\""), "it ended early: {text}");
        if text.contains("erasing and programming") {
            return (page, write);
        }
        sleep(Duration::from_millis(50));
    }
    panic!("nothing is written");
}

/// What `main` holds in the end, and that what was found on it is kept.
fn main_is_whole(bench: &Bench, page: &str) {
    let wanted = image::scenario::meadowlark_completed(7, image::scenario::LARKSPUR_MAC);
    assert!(bench.read("bench/virtual/main.bin") == wanted, "main does not hold the wanted content");
    let job = page.trim_start_matches("/job/");
    let record = bench.json(&format!("job record {job}"));
    let first = record["chips"][0]["as_found"]["content"].as_str().expect("a capture").to_owned();
    let vault = bench.vault();
    let kept = vault.read_vec(&vault.find(&first).expect("it is kept")).expect("it can be read");
    assert!(
        kept == image::scenario::larkspur_main(7, image::scenario::LARKSPUR_MAC),
        "the capture is not what was found"
    );
}

#[test]
fn the_address_is_printed_and_ctrl_c_ends_the_desk() {
    let bench = Bench::new();
    let desk = Desk::start(&bench, "desk");
    assert!(desk.visitor.get("/").contains("No machine is here yet"));
    assert_eq!(desk.interrupt(), 0);
}

#[test]
fn where_the_desk_is_keeps_to_its_schema() {
    for arguments in ["desk --json", "--bench bench demo --desk --json"] {
        let bench = Bench::new();
        let mut child = bench.command(arguments).spawn().expect("the program starts");
        let out = BufReader::new(child.stdout.take().expect("a pipe"));
        let told = serde_json::Deserializer::from_reader(out).into_iter().next().expect("an object").expect("JSON");
        let _ = child.kill().and_then(|()| child.wait());
        keeps_to("desk", &told);
    }
}

/// It stood on the browser's command line once, which every user of a computer can read in /proc.
#[test]
fn s12_open_leads_a_browser_in_by_a_file_of_its_owner() {
    let bench = Bench::new();
    let opener = bench.path("tools/xdg-open");
    fs::create_dir_all(bench.path("tools")).expect("our own folder");
    fs::write(&opener, "#!/bin/sh\nprintf '%s\\n' \"$@\" > \"$0.was\"\n").expect("our own file");
    fs::set_permissions(&opener, fs::Permissions::from_mode(0o755)).expect("our own file");
    let mut command = bench.command("desk --open");
    command.env("PATH", bench.path("tools"));
    let desk = Desk::start_as(command);
    let was = bench.path("tools/xdg-open.was");
    let given = (0..200).find_map(|_| {
        sleep(Duration::from_millis(50));
        fs::read_to_string(&was).ok().filter(|text| text.ends_with('\n'))
    });
    let given = given.expect("the opener is started");
    let file = Path::new(given.trim_end());
    assert!(
        !given.contains("token") && file.starts_with(bench.path("bench").canonicalize().expect("there")),
        "{given}"
    );
    assert_eq!(fs::metadata(file).expect("there").permissions().mode() & 0o777, 0o600);
    let page = fs::read_to_string(file).expect("text");
    let address = page.split("href=\"").nth(1).and_then(|rest| rest.split('"').next()).expect("a link");
    assert_eq!(Visitor::enter(address).cookie, desk.visitor.cookie);
    assert_eq!(desk.interrupt(), 0);
    assert!(!file.exists(), "it goes with the desk");
}

#[test]
fn a_port_that_is_taken_is_said() {
    let bench = Bench::new();
    let desk = Desk::start(&bench, "desk");
    let second = bench.run(&format!("desk --port {}", desk.visitor.port));
    assert_eq!(second.status, 3, "{}", second.transcript());
    assert!(second.stderr.contains(&format!("cannot listen on 127.0.0.1:{}", desk.visitor.port)), "{}", second.stderr);
}

#[test]
fn s2_a_server_that_is_killed_in_the_middle_of_a_write_is_gone_on_with() {
    let bench = Bench::new();
    let desk = Desk::start(&bench, "--bench bench demo --desk");
    let (page, _) = begin_write(&bench, &desk);
    let old = desk.visitor.cookie.clone();
    desk.kill();
    speed_up(&bench);
    let desk = Desk::start(&bench, AGAIN);
    assert_ne!(desk.visitor.cookie, old, "each start has a token of its own");
    let text = desk.visitor.get(&page);
    assert!(text.contains("This write was begun and cut off") && text.contains("Go on writing main"), "{text}");
    let go_on = deed(&text).expect("a button");
    assert_eq!(go_on.fields["step"], "apply-main");
    let fields: &[(&str, &str)] = if go_on.fields.contains_key("by") { &[("by", "Ana")] } else { &[] };
    assert_eq!(desk.visitor.send(&go_on, fields).status, 303);
    let text = desk.visitor.settled(&page);
    assert!(
        text.contains("0 bytes differ") && deed(&text).expect("a button").fields["step"] == "verify-main",
        "{text}"
    );
    main_is_whole(&bench, &page);
}

#[test]
fn s2_a_write_survives_reloads_and_is_stopped_safely() {
    let bench = Bench::new();
    let desk = Desk::start(&bench, "--bench bench demo --desk");
    let (page, write) = begin_write(&bench, &desk);
    // A second window sees the same, and a second start is told so.
    let other = Visitor { port: desk.visitor.port, cookie: desk.visitor.cookie.clone() };
    assert!(other.get(&page).contains("erasing and programming"));
    let second = other.send(&write, &[("by", "Ben")]);
    assert_eq!(second.status, 409);
    assert!(second.text().contains("has work that runs already"), "{}", second.text());
    // The command line is told who holds the job.
    let job = page.trim_start_matches("/job/");
    let busy = bench.run(&format!(
        "chip apply {} --link bench/virtual/main.toml --job {job} --signed Ben",
        "bench/virtual/main.bin"
    ));
    assert_eq!(busy.status, 3, "{}", busy.transcript());
    // Lines break at 80 columns, wherever that is.
    let said = busy.stderr.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(said.contains("in use by `firmhand chip apply`"), "{said}");
    // Stopped from the second window.
    let stop = form(&other.get(&page), "/stop");
    assert_eq!(other.send::<&str>(&stop, &[]).status, 303);
    let text = desk.visitor.settled(&page);
    assert!(text.contains("stopped while erasing and programming") && text.contains("Go on writing main"), "{text}");
    speed_up(&bench);
    let go_on = deed(&text).expect("a button");
    let fields: &[(&str, &str)] = if go_on.fields.contains_key("by") { &[("by", "Ana")] } else { &[] };
    assert_eq!(desk.visitor.send(&go_on, fields).status, 303);
    assert!(desk.visitor.settled(&page).contains("0 bytes differ"));
    main_is_whole(&bench, &page);
}

#[test]
fn ctrl_c_stops_a_write_safely_and_says_so() {
    let bench = Bench::new();
    let desk = Desk::start(&bench, "--bench bench demo --desk");
    let (page, _) = begin_write(&bench, &desk);
    assert_eq!(desk.interrupt(), 4, "cut off, and can be gone on with");
    let job = page.trim_start_matches("/job/");
    let last = bench.journals()[job].last().expect("entries").clone();
    assert_eq!((last.kind.as_str(), last.body["exit"].as_u64()), ("ended", Some(4)), "{last:?}");
    assert!(bench.json(&format!("job status {job}"))["chips"][0]["cut_off"].as_bool().expect("a chip"));
}
