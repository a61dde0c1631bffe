//! The fault campaign: jobs on the virtual bench, broken in every way that a seed can draw, and what has to hold all the same.
//!
//! One seed decides chip, content, images, link, protection, commands and faults; the engine that runs them is the
//! product's own, entered where the command line enters it ([`job::Session::open_on`]). After each command, and in the
//! moment before a chip is first changed, everything is looked at by code that shares nothing with what it looks at:
//!
//! | what | eyes |
//! |---|---|
//! | the chip's cells and registers | their files (`stage`) |
//! | journals and stored contents | a second reader of the formats (`eyes`) |
//! | what a request does to a chip | a list of opcodes of its own (`wire`) |
//! | exported contents, scrub | the vault's public calls, at the end, beside the second reader |
//!
//! What must hold: S1, S2 and S9 in the moment before the first change (`rules`); S3 and S6 on the link (`watch`); no
//! entry of a journal claims what the chip does not show, a refusal has written nothing, and when the faults have ended
//! the same command reaches the wanted content or refuses for a reason that the scenario has (`check`).
//!
//! A fault is aimed: the command is rehearsed without faults, everything is brought back, and the moment or operation is
//! drawn from what it was seen to do. What a reader would question is that a killed process is an unwinding here, and not
//! the end of a real process: it saves a process for each of thousands of seeds, and the few things that dropping does
//! (locks, the bench's state file) are those that the operating system and a chip do as well. Real kills are tested
//! elsewhere, with real processes.

mod aim;
mod between;
mod canary;
mod check;
pub mod chips;
mod command;
pub mod content;
pub mod draw;
pub mod eyes;
pub mod faults;
mod many;
mod outcome;
mod play;
mod rules;
mod scenario;
mod stage;
mod watch;
mod wire;

pub use canary::Canary;
pub use many::{Span, many, run};
pub use outcome::{Outcome, Tally};
pub use play::play;
