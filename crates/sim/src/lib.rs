//! The virtual bench: a chip, the lines to it, a clock and faults behind a [`nor::link::Link`].
//!
//! A [`BenchFile`] says what stands on the bench, [`VirtualBench::open`] puts it up. Everything is repeatable: one seed,
//! one trace. The chip acts by bytes and chip select and knows nothing of requests, and wiring faults act on the lines
//! before it, bit by bit; what is tried here would meet the same answers on wires.
//!
//! What must hold under every fault: the cells only change as physics lets them (a program clears bits, an erase sets
//! them), non-volatile state outlives the process, a fault of one moment comes once ever, and a fault that is over
//! leaves a chip that can be written again (a worn sector and a stuck bit excepted).
//!
//! Whether what the link drives suits the chip is not judged here: [`VirtualBench::supply`] and
//! [`VirtualBench::drives`] say both, for whoever keeps safety rule S4.
//!
//! # Example
//! ```
//! use nor::command::Transfer;
//! use nor::link::{Answer, Link, Request};
//! use sim::{BenchFile, VirtualBench};
//!
//! let text = "[chip]\nmarking = \"W25Q80DV\"\ncontent = \"port.bin\"";
//! let file = BenchFile::parse(text, "bench.toml".as_ref())?;
//! let mut bench = VirtualBench::in_memory(file, vec![0xFF; 1 << 20])?;
//! let request = Request::Transfer(Transfer::register(0x9F, 3));
//! assert_eq!(bench.run(&request, 1000)?, Answer::Bytes(vec![0xEF, 0x40, 0x14]));
//! # Ok::<(), Box<dyn std::error::Error>>(())
//! ```

mod bench;
mod bench_file;
mod cells;
mod chip;
mod clock;
mod error;
mod faults;
mod line_test;
mod lines;
mod link;
mod lists;
mod model;
mod phase;
mod random;
mod registers;
mod section;
mod store;
mod supply;

pub use bench::VirtualBench;
pub use bench_file::{BenchFile, ChipSpec, ChipTimes, LinkSpec, MOST_BYTES, Speed, TimeSpec};
pub use chip::ChipState;
pub use error::BenchError;
pub use faults::{
    Contact, Fault, FaultKind, KNEE_NS, LEAD_NS, LONGEST_PAUSE, ONE_OPENING, OUTPUT_NS, Pull, StuckLine, VANISHED_US,
    WEAK_BURST, When,
};
pub use model::{LEAST_SIZE, LongOpcodes, Model, ModelRegion, Reach, Setting};
