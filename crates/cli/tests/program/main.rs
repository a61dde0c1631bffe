//! The program as a person or a script meets it: what it prints, how it ends, what it leaves on the disk.
//!
//! The rules themselves are tested in the rooms where they live; here a run of the real program shows that the wires are
//! connected. One binary for all of it, so that linking costs once. Snapshots stand in `snapshots/`; after a wanted
//! change of words: `INSTA_UPDATE=always cargo test -p firmhand`, then read the difference.

#[path = "../common/mod.rs"]
mod common;
#[path = "../../../desk/tests/common/visitor.rs"]
#[allow(dead_code, reason = "the desk's own tests use all of it")]
mod visitor;

mod captures;
mod cuts;
mod desks;
mod doors;
mod errors;
mod faults;
mod images;
mod intake;
mod kills;
mod links;
mod machines;
mod media;
mod messages;
mod output;
mod plans;
mod privacy;
mod reads;
mod real_image;
mod repair;
mod schemas;
mod stops;
mod supply;
