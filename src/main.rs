//! The `quietspin` command.

use std::process::ExitCode;

fn main() -> ExitCode {
    ExitCode::from(quietspin::cli::run(std::env::args_os()))
}
