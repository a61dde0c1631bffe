//! The face of the engine: whoever runs a job answers questions, hears news, and may ask it to stop.
//!
//! The command line is one face, a test another. The engine never prints and never reads a terminal. A face that cannot
//! ask (no terminal, nobody there) says so by answering nothing; the engine then names the option that answers instead.

/// A question that the engine cannot answer by itself.
#[derive(Debug, Clone)]
pub struct Question {
    /// A fixed name, kept in the journal with the answer: `supplies-off`, `pin-1`, `clip-on`, `fused`.
    pub name: &'static str,
    /// What is asked.
    pub text: String,
    /// What to know before answering, one sentence each.
    pub cautions: Vec<String>,
    /// How it is answered.
    pub kind: QuestionKind,
}

/// How a question is answered.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum QuestionKind {
    /// Yes or no; `--yes` says yes.
    YesNo,
    /// A name, as signature; `--signed NAME` gives it.
    Signature,
    /// A drive's size in bytes (S11); `--size BYTES` gives it, and nothing else does.
    Size,
}

/// An answer.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Reply {
    /// Yes.
    Yes,
    /// No.
    No,
    /// Signed by this person.
    Signed(String),
    /// So many bytes.
    Size(u64),
}

/// What the engine reports on its way.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum News {
    /// A sentence.
    Said(String),
    /// A phase begins.
    Begins {
        /// What is done.
        phase: &'static str,
        /// Bytes that lie before it.
        total: u64,
    },
    /// So far.
    Progress {
        /// Bytes done of the phase.
        done: u64,
        /// Time on the link's clock, in microseconds: on a virtual bench it is counted, not waited for.
        link_us: u64,
    },
    /// The phase is over.
    Ends,
    /// What a live watch over the contacts sees now, when it changes.
    Seen {
        /// A word or two that can be read from a metre away.
        word: String,
        /// Time on the link's clock since the watch began, in microseconds.
        link_us: u64,
    },
    /// A tone for eyes that are elsewhere.
    Tone(Tone),
}

/// A tone.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Tone {
    /// All contacts have answered for three seconds.
    Rising,
    /// Contact is lost.
    Falling,
}

/// Whoever runs a job.
pub trait Front {
    /// Asks; none when nobody can be asked.
    fn ask(&mut self, question: &Question) -> Option<Reply>;
    /// Tells whether somebody is there to do something by hand.
    fn is_attended(&self) -> bool;
    /// Reports.
    fn news(&mut self, news: &News);
    /// Tells whether the person wants the running operation to end.
    fn wants_stop(&self) -> bool;
}

/// A face that nobody is behind: it answers nothing, hears nothing and never stops.
#[derive(Debug, Clone, Copy, Default)]
pub struct Nobody;

impl Front for Nobody {
    fn ask(&mut self, _: &Question) -> Option<Reply> {
        None
    }

    fn is_attended(&self) -> bool {
        false
    }

    fn news(&mut self, _: &News) {}

    fn wants_stop(&self) -> bool {
        false
    }
}
