//! The `firmhand` program: a door. Everything behind it is in the library and in the room `job`.

use std::process::ExitCode;

fn main() -> ExitCode {
    firmhand::run(std::env::args_os())
}
