//! Many seeds on several threads, and the command line of the campaign.

use std::io;
use std::process::ExitCode;
use std::sync::Mutex;
use std::sync::atomic::{AtomicU64, Ordering};

use crate::outcome::{Outcome, Tally};
use crate::play::play;

/// Which seeds, and on how many threads.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Span {
    /// The first seed.
    pub from: u64,
    /// How many.
    pub seeds: u64,
    /// Threads.
    pub threads: usize,
}

/// Plays all seeds of `span`; `tell` hears of each that ends.
///
/// # Errors
/// Whatever the file system says of the campaign's own files.
pub fn many(span: Span, tell: impl Fn(&Outcome) + Sync) -> io::Result<Tally> {
    let next = AtomicU64::new(0);
    let all = Mutex::new(Tally::default());
    let work = || -> io::Result<()> {
        let mut own = Tally::default();
        loop {
            let seed = next.fetch_add(1, Ordering::Relaxed);
            if seed >= span.seeds {
                break;
            }
            let outcome = play(span.from + seed, None)?;
            tell(&outcome);
            own.take(&outcome);
        }
        all.lock().expect("no thread panics with the lock").join(&own);
        Ok(())
    };
    std::thread::scope(|scope| {
        let threads: Vec<_> = (0..span.threads.max(1)).map(|_| scope.spawn(work)).collect();
        threads.into_iter().try_for_each(|thread| thread.join().expect("a panic of the engine is caught and told"))
    })?;
    let mut tally = all.into_inner().expect("no thread panics with the lock");
    tally.failed.sort_unstable();
    Ok(tally)
}

const USAGE: &str = "usage: campaign [--seed N | --seeds COUNT [--from N]] [--threads N] [--story]

Plays jobs with faults on the virtual bench and looks whether anything is lost.

  --seed N      one seed, with its story
  --seeds COUNT so many seeds (300)
  --from N      the first of them (1)
  --threads N   on so many threads (2)
  --story       the story of every seed, not only of those that fail";

/// Runs the campaign as the arguments say; 1 when something was found, 2 for wrong arguments, 3 when the system refuses.
pub fn run(arguments: impl Iterator<Item = String>) -> ExitCode {
    let mut span = Span { from: 1, seeds: 300, threads: 2 };
    let mut stories = false;
    let mut arguments = arguments;
    while let Some(argument) = arguments.next() {
        let mut number = || arguments.next().and_then(|number| number.parse::<u64>().ok());
        let known = match argument.as_str() {
            "--story" => {
                stories = true;
                Some(())
            }
            "--seed" => number().map(|seed| {
                (span.from, span.seeds) = (seed, 1);
                stories = true;
            }),
            "--seeds" => number().map(|seeds| span.seeds = seeds),
            "--from" => number().map(|from| span.from = from),
            "--threads" => number().and_then(|threads| Some(span.threads = usize::try_from(threads).ok()?)),
            _ => None,
        };
        if known.is_none() {
            eprintln!("{USAGE}");
            return ExitCode::from(2);
        }
    }
    let told = many(span, |outcome| {
        if stories || !outcome.findings.is_empty() {
            println!("{}", outcome.story());
        }
    });
    match told {
        Ok(tally) => {
            println!("{tally}");
            ExitCode::from(u8::from(!tally.failed.is_empty()))
        }
        Err(error) => {
            eprintln!("the campaign's own files: {error}");
            ExitCode::from(3)
        }
    }
}
