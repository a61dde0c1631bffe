//! Help, completions, man pages, colour: what surrounds the commands.

use crate::common::{Bench, snapshot};

const COMMANDS: [&str; 15] = [
    "demo",
    "ready",
    "chip",
    "chip identify",
    "chip capture",
    "chip apply",
    "chip fill",
    "chip restore",
    "chip verify",
    "vault",
    "vault list",
    "vault show",
    "vault export",
    "vault scrub",
    "vault forget",
];

#[test]
fn where_to_begin_and_all_help() {
    let bench = Bench::new();
    snapshot(
        "begin",
        &bench,
        &[bench.run("").expect(0), bench.run("--help").expect(0), bench.run("--version").expect(0)],
    );
    let pages: Vec<_> = COMMANDS.iter().map(|command| bench.run(&format!("{command} --help")).expect(0)).collect();
    snapshot("help", &bench, &pages);
    let pages = [bench.run("completions --help").expect(0), bench.run("man --help").expect(0)];
    snapshot("help_shells", &bench, &pages);
    assert!(!bench.path("bench").exists(), "help makes no bench folder");
}

#[test]
fn completions_name_the_commands() {
    let bench = Bench::new();
    for shell in ["bash", "zsh", "fish"] {
        let text = bench.run(&format!("completions {shell}")).expect(0).stdout;
        for word in COMMANDS.iter().flat_map(|command| command.split(' ')).chain(["no-capture", "plan-only"]) {
            assert!(text.contains(word), "{shell}: {word}");
        }
    }
}

#[test]
fn man_pages_are_written_for_every_command() {
    let bench = Bench::new();
    bench.run("man pages/here").expect(0);
    let page = |name: &str| String::from_utf8(bench.read(&format!("pages/here/{name}.1"))).expect("text");
    assert!(page("firmhand").contains("Exit status"));
    for command in COMMANDS {
        let text = page(&format!("firmhand-{}", command.replace(' ', "-")));
        assert!(text.starts_with(".ie") || text.contains(".TH"), "{command}");
    }
}

#[test]
fn colour_comes_only_where_it_is_asked_for() {
    let bench = Bench::new();
    let wrong = "chip identify --link missing.toml";
    let escapes = |ran: crate::common::Ran| (ran.stdout + &ran.stderr).contains('\x1b');
    assert!(!escapes(bench.run(wrong)), "a pipe gets none");
    assert!(!escapes(bench.run(&format!("{wrong} --color never"))));
    assert!(escapes(bench.run(&format!("{wrong} --color always"))));
    let mut command = bench.command(wrong);
    let output = command.env("NO_COLOR", "1").output().expect("the program starts");
    assert!(!output.stderr.contains(&0x1b));
    assert!(!escapes(bench.run(&format!("{wrong} --color always --json"))), "JSON is never coloured");
}

#[test]
fn quiet_says_results_and_errors_alone() {
    let bench = Bench::with_chip();
    let ran = bench.run("chip apply new.bin --link chip.toml --quiet").expect(0);
    assert_eq!(ran.stderr, "");
    assert!(ran.stdout.contains("holds the wanted content"));
    assert!(bench.run("chip apply missing.bin --link chip.toml --quiet").expect(2).stderr.contains("error:"));
}
