//! The engine's face on a terminal, in a pipe, or as JSON lines: questions, news, Ctrl-C.
//!
//! Questions are asked only when both standard input and standard error are a terminal; otherwise nobody is there, and
//! the engine names the option that answers instead. Progress: one line that is drawn over on a terminal, a line every
//! ten seconds otherwise.

use std::io::{BufRead, IsTerminal, Write};
use std::sync::Mutex;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

use job::text::{duration, page};
use job::{Front, News, Question, QuestionKind, Reply, Tone};
use serde_json::json;

use crate::args::Global;
use crate::letters::large;
use crate::output::{line, plain};

static STOP: AtomicBool = AtomicBool::new(false);
/// Nothing runs while a question waits for its answer: Ctrl-C then ends the program.
static ASKING: AtomicBool = AtomicBool::new(false);

/// Exit status of a run that was cut off.
const CUT_OFF: i32 = 4;

/// From now on Ctrl-C asks the running operation to end; a second one within two seconds ends the program. `json`: what
/// is said of it is an event.
pub fn watch_interrupts(json: bool) {
    static LAST: Mutex<Option<Instant>> = Mutex::new(None);
    let set = ctrlc::set_handler(move || {
        let mut last = LAST.lock().unwrap_or_else(std::sync::PoisonError::into_inner);
        let again = last.is_some_and(|last| last.elapsed() < Duration::from_secs(2));
        if again || ASKING.load(Ordering::SeqCst) {
            std::process::exit(CUT_OFF);
        }
        *last = Some(Instant::now());
        STOP.store(true, Ordering::SeqCst);
        let said = "ending the running operation; Ctrl-C again stops at once";
        let _ = if json {
            writeln!(std::io::stderr(), "{}", json!({ "event": "said", "text": said }))
        } else {
            writeln!(std::io::stderr(), "\n{said}")
        };
    });
    // Without a handler Ctrl-C still ends the program, and the next run goes on as after a cut.
    drop(set);
}

/// What Ctrl-C sets, for what is no command of the engine.
pub fn stop_flag() -> &'static AtomicBool {
    &STOP
}

/// The engine's face.
pub struct Face {
    json: bool,
    quiet: bool,
    terminal: bool,
    attended: bool,
    phase: Option<Phase>,
}

struct Phase {
    name: &'static str,
    total: u64,
    shown: Instant,
    on_line: bool,
    link_from_us: Option<(u64, u64)>,
}

impl Face {
    /// A face as the options want it.
    pub fn new(global: &Global) -> Self {
        let terminal = std::io::stderr().is_terminal();
        Self {
            json: global.json,
            quiet: global.quiet,
            terminal: terminal && !global.json && !global.quiet,
            attended: terminal && std::io::stdin().is_terminal() && !global.json,
            phase: None,
        }
    }

    fn event(&self, value: &serde_json::Value) {
        let _ = writeln!(std::io::stderr(), "{}", line(value));
    }

    /// A terminal has one bell: once for the rising tone, three times for the falling one.
    fn tone(&self, tone: Tone) {
        let (name, bells) = match tone {
            Tone::Rising => ("rising", "\x07"),
            Tone::Falling => ("falling", "\x07\x07\x07"),
        };
        if self.json {
            self.event(&json!({ "event": "tone", "tone": name }));
        } else if self.terminal {
            let _ = write!(std::io::stderr(), "{bells}");
        }
    }

    /// Wipes a progress line that is being drawn.
    pub fn clear_line(&mut self) {
        if self.phase.as_ref().is_some_and(|phase| phase.on_line) {
            let _ = write!(std::io::stderr(), "\r\x1b[K");
        }
        if let Some(phase) = &mut self.phase {
            phase.on_line = false;
        }
    }

    fn progress(&mut self, done: u64, link_us: u64) {
        let every = if self.terminal { Duration::from_millis(100) } else { Duration::from_secs(10) };
        let Some(phase) = &mut self.phase else { return };
        let (from_bytes, from_us) = *phase.link_from_us.get_or_insert((done, link_us));
        if phase.shown.elapsed() < every {
            return;
        }
        phase.shown = Instant::now();
        #[expect(clippy::cast_precision_loss, reason = "shown with two digits")]
        let (share, rate) = (
            done as f64 / phase.total.max(1) as f64,
            (done - from_bytes) as f64 / ((link_us - from_us).max(1) as f64 / 1e6),
        );
        #[expect(clippy::cast_precision_loss, reason = "shown with two digits")]
        let left_ms = (phase.total - done.min(phase.total)) as f64 / rate.max(1.0) * 1000.0;
        if self.json {
            let (name, total) = (phase.name, phase.total);
            self.event(&json!({ "event": "progress", "phase": name, "done": done, "total": total }));
            return;
        }
        let text = format!(
            "{} {:3.0} %, {:.2} MiB/s, {} left",
            phase.name,
            share * 100.0,
            rate / f64::from(1 << 20),
            duration(left_ms)
        );
        if self.terminal {
            phase.on_line = true;
            let _ = write!(std::io::stderr(), "\r\x1b[K{text}");
        } else {
            let _ = writeln!(std::io::stderr(), "{text}");
        }
    }
}

impl Front for Face {
    fn ask(&mut self, question: &Question) -> Option<Reply> {
        if !self.attended {
            return None;
        }
        self.clear_line();
        let mut talk = std::io::stderr();
        for caution in &question.cautions {
            let _ = writeln!(talk, "{}", page(&format!("  ! {}", plain(caution))));
        }
        ASKING.store(true, Ordering::SeqCst);
        let reply = loop {
            let prompt = match question.kind {
                QuestionKind::YesNo => "[yes/no]",
                QuestionKind::Signature => "[your name]",
                QuestionKind::Size => "[its size in bytes, or nothing]",
            };
            let _ = write!(talk, "{} ", page(&format!("{} {prompt}", plain(&question.text))));
            let _ = talk.flush();
            let mut line = String::new();
            match std::io::stdin().lock().read_line(&mut line) {
                Ok(0) | Err(_) => break None,
                Ok(_) => {}
            }
            match (question.kind, line.trim()) {
                (QuestionKind::Signature, "") => {}
                (QuestionKind::Signature, name) => break Some(Reply::Signed(name.to_owned())),
                (QuestionKind::Size, "") => break Some(Reply::No),
                (QuestionKind::Size, bytes) => {
                    if let Ok(bytes) = bytes.parse() {
                        break Some(Reply::Size(bytes));
                    }
                }
                (QuestionKind::YesNo, "yes" | "y") => break Some(Reply::Yes),
                (QuestionKind::YesNo, "no" | "n") => break Some(Reply::No),
                (QuestionKind::YesNo, _) => {}
            }
        };
        ASKING.store(false, Ordering::SeqCst);
        reply
    }

    fn is_attended(&self) -> bool {
        self.attended
    }

    fn news(&mut self, news: &News) {
        match news {
            News::Said(text) if self.json => self.event(&json!({ "event": "said", "text": text })),
            News::Said(text) => {
                if !self.quiet {
                    self.clear_line();
                    let _ = writeln!(std::io::stderr(), "{}", page(&plain(text)));
                }
            }
            News::Seen { word, link_us } => {
                #[expect(clippy::cast_precision_loss, reason = "shown with two digits")]
                let seconds = *link_us as f64 / 1e6;
                if self.json {
                    self.event(&json!({ "event": "seen", "word": word, "link_us": link_us }));
                } else if self.terminal {
                    // The whole screen for one word: whoever seats a clip looks up for half a second.
                    let _ = writeln!(std::io::stderr(), "\x1b[2J\x1b[H\n{}\n", large(word));
                } else if !self.quiet {
                    let _ = writeln!(std::io::stderr(), "{seconds:8.2} s  {word}");
                }
            }
            News::Tone(tone) => self.tone(*tone),
            News::Begins { phase, total } => {
                if self.json {
                    self.event(&json!({ "event": "begins", "phase": phase, "total": total }));
                }
                let phase =
                    Phase { name: phase, total: *total, shown: Instant::now(), on_line: false, link_from_us: None };
                self.phase = Some(phase);
            }
            News::Progress { done, link_us } => {
                if !self.quiet {
                    self.progress(*done, *link_us);
                }
            }
            News::Ends => {
                self.clear_line();
                if let Some(phase) = self.phase.take()
                    && self.json
                {
                    self.event(&json!({ "event": "ends", "phase": phase.name, "total": phase.total }));
                }
            }
        }
    }

    fn wants_stop(&self) -> bool {
        STOP.load(Ordering::SeqCst)
    }
}
