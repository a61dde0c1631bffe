//! Printing: results as text or JSON, errors with their causes and what to do next.
//!
//! Text that came from a chip, a file or a name is printed through [`plain`], so that no escape sequence in it reaches
//! the terminal.

use std::cell::Cell;
use std::io::{self, BufWriter, Write};
use std::process::ExitCode;

use anstyle::{AnsiColor, Style};
use job::JobError;
use job::ready::{Point, Standing};
use job::text::wrapped;
use serde::Serialize;
use serde_json::ser::{Formatter, Serializer};
use serde_json::{Value, json};

use crate::args::Global;

const ERROR: Style = AnsiColor::Red.on_default().bold();
const LABEL: Style = Style::new().bold();

/// Where results and errors go.
pub struct Output {
    json: bool,
    /// Whether the one JSON object is out.
    answered: Cell<bool>,
    /// Leave serial numbers and unique ids out.
    pub redact: bool,
    said_no: Cell<bool>,
}

/// Prints wrong usage as the one JSON object of `--json`.
pub fn usage(error: &clap::Error) {
    let text = error.render().to_string();
    let message = text.trim().trim_start_matches("error: ").split("\n\n").next().unwrap_or_default();
    let value = error_json(message, &[], Some("`firmhand COMMAND --help` shows what a command takes"), 2);
    let _ = writeln!(anstream::stdout(), "{}", line(&value));
}

/// A JSON value in one line. What a terminal could act on is escaped as JSON has it; the standard asks for that below U+0020
/// only.
pub fn line(value: &Value) -> String {
    let mut line = Vec::new();
    value.serialize(&mut Serializer::with_formatter(&mut line, Shown)).expect("a value in memory");
    String::from_utf8(line).expect("JSON is UTF-8")
}

/// Writes strings without what a terminal could act on.
struct Shown;

impl Formatter for Shown {
    fn write_string_fragment<W: Write + ?Sized>(&mut self, writer: &mut W, fragment: &str) -> io::Result<()> {
        let mut rest = fragment;
        while let Some((at, letter)) = rest.char_indices().find(|(_, letter)| !is_shown(*letter)) {
            write!(writer, "{}\\u{:04x}", &rest[..at], u32::from(letter))?;
            rest = &rest[at + letter.len_utf8()..];
        }
        writer.write_all(rest.as_bytes())
    }
}

/// Whether a letter may reach a terminal: nothing that could move a cursor, ring a bell or turn the direction of writing.
fn is_shown(letter: char) -> bool {
    let turns = matches!(letter, '\u{200E}' | '\u{200F}' | '\u{202A}'..='\u{202E}' | '\u{2066}'..='\u{2069}');
    !turns && !letter.is_control()
}

/// Prints wrong usage, or the help that was asked for, as the parser words it. It repeats arguments, and an argument may come
/// from a script that took it from anywhere.
pub fn wrong_usage(error: &clap::Error) {
    let text = error.render();
    let is_plain = plain(&text.to_string()) == text.to_string();
    // A closed pipe is the reader's choice.
    let _ = if is_plain { error.print() } else { write!(anstream::stderr(), "{}", plain(&text.to_string())) };
}

/// Text without control characters, each shown as its number.
pub fn plain(text: &str) -> String {
    let mut plain = String::with_capacity(text.len());
    for letter in text.chars() {
        if is_shown(letter) || letter == '\n' {
            plain.push(letter);
        } else {
            plain.extend(letter.escape_default());
        }
    }
    plain
}

impl Output {
    /// As the options want it.
    pub fn new(global: &Global) -> Self {
        Self { json: global.json, answered: Cell::new(false), redact: global.redact, said_no: Cell::new(false) }
    }

    /// Notes that the result which is printed is a no, so that the program ends with status 1 without an error beside it.
    pub fn says_no(&self) {
        self.said_no.set(true);
    }

    /// The exit status of a command that ended without an error.
    pub fn status(&self) -> ExitCode {
        if self.said_no.get() { ExitCode::from(job::ErrorKind::Refused.exit_status()) } else { ExitCode::SUCCESS }
    }

    /// Prints to standard output as it is.
    pub fn print(&self, text: &str) {
        // A closed pipe is the reader's choice.
        let _ = anstream::stdout().write_all(text.as_bytes());
    }

    /// Prints a result: one JSON object, or text.
    pub fn result(&self, value: &impl Serialize, text: impl FnOnce() -> String) {
        if self.json {
            self.answered.set(true);
            let mut out = BufWriter::new(anstream::stdout());
            // Piece by piece: what is explained of an image may be long. A closed pipe is the reader's choice.
            let written = value.serialize(&mut Serializer::with_formatter(&mut out, Shown));
            let _ = written.map_err(io::Error::from).and_then(|()| out.write_all(b"\n")).and_then(|()| out.flush());
        } else {
            self.print(&format!("{}\n", plain(text().trim_end())));
        }
    }

    /// Prints what a computer can reach.
    pub fn ready(&self, points: &[Point]) {
        self.result(&json!({ "points": points }), || {
            let mut text = String::new();
            for point in points {
                let word = match point.standing {
                    Standing::Good => "good",
                    Standing::Gap => "gap",
                    Standing::Stop => "STOP",
                };
                text += &wrapped(&format!("{word:<5} {}: {}", point.what, point.found), 6, 80);
                text.push('\n');
                if let Some(remedy) = &point.remedy {
                    text += &wrapped(&format!("      {remedy}"), 6, 80);
                    text.push('\n');
                }
            }
            text
        });
    }

    /// Prints an error: what happened, each cause on a line, what to do next. As JSON it is left out after a result: that
    /// says what is wrong itself, and one object is written.
    pub fn error(&self, error: &JobError) {
        let causes = error.causes();
        if self.json {
            if self.answered.get() {
                return;
            }
            let exit = error.kind().exit_status();
            let value = error_json(&error.to_string(), &causes, error.hint().as_deref(), exit);
            self.print(&format!("{}\n", line(&value)));
            return;
        }
        let mut talk = anstream::stderr();
        let mut line = |style: Style, label: &str, text: &str| {
            let text = wrapped(&format!("{label:<7}{}", plain(text)), 7, 80);
            let rest = text.strip_prefix(label).unwrap_or(&text);
            let _ = writeln!(talk, "{style}{label}{style:#}{rest}");
        };
        line(ERROR, "error:", &error.to_string());
        for cause in causes {
            line(LABEL, "cause:", &cause);
        }
        if let Some(hint) = error.hint() {
            line(LABEL, "next:", &hint);
        }
    }
}

fn error_json(message: &str, causes: &[String], hint: Option<&str>, exit: u8) -> Value {
    json!({ "error": { "message": message, "causes": causes, "hint": hint, "exit": exit } })
}

#[cfg(test)]
mod tests {
    use super::plain;

    #[test]
    fn escape_sequences_do_not_reach_the_terminal() {
        assert_eq!(plain("a\x1b[2Jb\u{9b}31m\r\nc"), "a\\u{1b}[2Jb\\u{9b}31m\\r\nc");
        assert_eq!(plain("nib.\u{202e}exe"), "nib.\\u{202e}exe", "a name that would read backwards");
    }
}
