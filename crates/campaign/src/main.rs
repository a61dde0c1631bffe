//! The door of the campaign.

use std::process::ExitCode;

fn main() -> ExitCode {
    campaign::run(std::env::args().skip(1))
}
